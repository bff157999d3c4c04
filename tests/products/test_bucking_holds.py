"""What holds for every stem and every set of products."""

import math
import os
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.products import (
    Logs,
    ProductSpec,
    buck_top_down,
    eligibility,
    example_products,
    tree_yields,
)
from standmap.trees import form_class_stems, join_stems, national_stems

SPECIES = [802, 833, 621, 318, 131, 129, 261, 68, 541, 407]
TALLIES = settings(max_examples=30, deadline=None)


@st.composite
def spec_lists(draw):
    specs = []
    for rank in range(draw(st.integers(1, 5))):
        is_saw = draw(st.booleans())
        shortest = draw(st.sampled_from([4.0, 6.0, 8.0, 8.5]))
        top = draw(st.sampled_from([2.0, 4.0, 6.0, 8.0, 10.0, 13.0]))
        specs.append(
            ProductSpec(
                product=f"product {rank}",
                kind="saw" if is_saw else "bulk",
                rank=draw(st.integers(1, 3)),
                species=draw(st.sampled_from(["any", "softwood", "oak; yellow-poplar"])),
                min_dbh_in=draw(st.sampled_from([0.0, 8.0, 14.0])),
                min_top_in=top,
                top_bark=draw(st.sampled_from(["ib", "ob"])),
                min_length_ft=shortest,
                max_length_ft=shortest + draw(st.sampled_from([0.0, 4.0, 8.0, 24.0])),
                length_step_ft=draw(st.sampled_from([0.5, 1.0, 2.0, 4.0])),
                trim_ft=draw(st.sampled_from([0.0, 0.3, 0.5])),
                max_large_in=draw(st.sampled_from([math.inf, math.inf, 16.0, 20.0])),
                called_only=draw(st.sampled_from([False, False, False, True])),
            )
        )
    return specs


@st.composite
def tallies(draw, most=6):
    """Stems of both kinds, and what a cruiser may have written beside them."""
    n = draw(st.integers(1, most))
    each = st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=1)
    rng = np.random.default_rng(draw(each))
    dbh = rng.uniform(3.0, 34.0, n).round(1)
    height = 4.5 + rng.uniform(3.0, 7.0, n) * dbh**0.85
    logs = np.clip(np.round(height / 20) / 2, 0.5, 5)
    code = rng.choice(SPECIES, n)
    broken = np.where(rng.random(n) < 0.2, 0.6 * height, np.nan)
    formed = (rng.random(n) < 0.3) & (dbh >= 10)
    parts, order = [], []
    if (~formed).any():
        whole = ~formed
        parts.append(
            national_stems(code[whole], dbh[whole], height[whole], broken_height_ft=broken[whole])
        )
        order.append(np.flatnonzero(whole))
    if formed.any():
        parts.append(form_class_stems(code[formed], dbh[formed], logs[formed]))
        order.append(np.flatnonzero(formed))
    stems = join_stems(parts, np.concatenate(order))
    saw_top = np.where(rng.random(n) < 0.5, np.nan, rng.uniform(1.0, 0.8 * height))
    call = rng.integers(-4, 6, n)
    return stems, saw_top, call, rng.uniform(0, 60, n).round(), rng.random(n) < 0.15


def buck(tally, specs, **changed) -> Logs:
    stems, saw_top, call, defect, cull = tally
    called = [specs[c].product if 0 <= c < len(specs) else "" for c in call]
    options = {"saw_top_ft": saw_top, "called_product": called, "defect_pct": defect, "cull": cull}
    return buck_top_down(stems, specs, **(options | changed))


def tops(logs, specs):
    trim = np.array([spec.trim_ft for spec in specs])
    return logs.bottom_ft + logs.length_ft + trim[logs.product]


@TALLIES
@given(tallies(), spec_lists())
def test_stump_logs_trim_and_top_are_the_whole_stem(tally, specs):
    stems, logs = tally[0], buck(tally, specs)
    top = tops(logs, specs)
    for t in range(len(stems)):
        rows = slice(logs.tree_offsets[t], logs.tree_offsets[t + 1])
        stem = stems.take([t])
        last = top[rows][-1] if len(top[rows]) else 1.0
        trims = [
            stem.wood_cuft(a, b)[0]
            for a, b in zip(logs.bottom_ft[rows] + logs.length_ft[rows], top[rows], strict=True)
        ]
        parts = stem.wood_cuft(0, 1.0)[0] + logs.volume_cuft[rows].sum() + sum(trims)
        parts += stem.wood_cuft(last, np.inf)[0]
        np.testing.assert_allclose(parts, stem.wood_cuft()[0], rtol=1e-10)


@TALLIES
@given(tallies(), spec_lists())
def test_each_log_begins_where_the_one_below_ends(tally, specs):
    logs = buck(tally, specs)
    same = np.diff(logs.tree) == 0
    np.testing.assert_allclose(logs.bottom_ft[1:][same], tops(logs, specs)[:-1][same], rtol=1e-12)
    np.testing.assert_array_equal(logs.bottom_ft[logs.log == 1], 1.0)
    np.testing.assert_array_equal(logs.large_dib_in[1:][same], logs.small_dib_in[:-1][same])


@TALLIES
@given(tallies(), spec_lists())
def test_no_log_breaks_its_spec(tally, specs):
    stems, saw_top, call, _, cull = tally
    logs = buck(tally, specs)
    takes = eligibility(stems.species_code, stems.dbh_in, specs, cull=cull)
    for t, s, bottom, length, small, outside, large, top in zip(
        logs.tree,
        logs.product,
        logs.bottom_ft,
        logs.length_ft,
        logs.small_dib_in,
        logs.small_dob_in,
        logs.large_dib_in,
        tops(logs, specs),
        strict=True,
    ):
        spec = specs[s]
        called = call[t] == s
        assert np.isclose(spec.legal_lengths_ft, length, rtol=0, atol=1e-9).any()
        assert bottom >= 1.0 and top <= stems.usable_top_ft[t] + 1e-5
        assert takes[t, s] or called
        if spec.kind == "saw":
            assert not cull[t]
            assert np.isnan(saw_top[t]) or top <= saw_top[t] + 1e-5
        if not called:
            assert large <= spec.max_large_in
        if not (called and spec.kind == "saw" and not np.isnan(saw_top[t])):
            assert (small if spec.top_bark == "ib" else outside) >= spec.min_top_in - 1e-5


def by_the_words(tally, specs):
    """The rule as a cruiser would say it: at each height try every length of every product."""
    stems, saw_top, call, _, cull = tally
    takes = eligibility(stems.species_code, stems.dbh_in, specs, cull=cull)
    cuts = []
    for t in range(len(stems)):
        stem = stems.take([t])
        called = int(call[t]) if 0 <= call[t] < len(specs) else -1
        if called >= 0 and cull[t] and specs[called].kind == "saw":
            called = -1
        ranked = sorted(range(len(specs)), key=lambda s: (s != called, specs[s].rank))
        height, done = 1.0, False
        while not done:
            done = True
            for s in ranked:
                spec = specs[s]
                if s != called and (not takes[t, s] or (called >= 0 and spec.kind == "saw")):
                    continue
                if s != called and stem.dib_in(height)[0] > spec.max_large_in:
                    continue
                for length in spec.legal_lengths_ft[::-1]:
                    top = height + length + spec.trim_ft
                    wide = (stem.dib_in if spec.top_bark == "ib" else stem.dob_in)(top)[0]
                    thick = wide >= spec.min_top_in - 1e-6
                    low = top <= stems.usable_top_ft[t] + 1e-6
                    if spec.kind == "saw" and not np.isnan(saw_top[t]):
                        low = low and top <= saw_top[t] + 1e-6
                        thick = thick or s == called
                    if thick and low:
                        cuts.append((t, s, length))
                        height, done = top, False
                        break
                if not done:
                    break
    return cuts


@TALLIES
@given(tallies(most=3), spec_lists())
def test_the_kernel_cuts_as_the_words_say(tally, specs):
    logs = buck(tally, specs)
    got = list(zip(logs.tree.tolist(), logs.product.tolist(), logs.length_ft, strict=True))
    want = by_the_words(tally, specs)
    assert [cut[:2] for cut in got] == [cut[:2] for cut in want]
    np.testing.assert_allclose([c[2] for c in got], [c[2] for c in want], rtol=1e-12)


@TALLIES
@given(tallies(), spec_lists(), st.floats(0, 40))
def test_more_defect_never_nets_more(tally, specs, more):
    defect = tally[3]
    less, worse = buck(tally, specs), buck(tally, specs, defect_pct=defect + more)
    assert (worse.bf <= less.bf).all()
    assert (less.bf <= less.gross_bf).all()
    np.testing.assert_array_equal(worse.gross_bf, less.gross_bf)


@TALLIES
@given(tallies(), spec_lists(), st.randoms())
def test_the_order_of_the_trees_does_not_matter(tally, specs, random):
    n = len(tally[0])
    order = random.sample(range(n), n)
    stems, *columns = tally
    shuffled = (stems.take(order), *(column[order] for column in columns))
    np.testing.assert_array_equal(
        tree_yields(buck(shuffled, specs)), tree_yields(buck(tally, specs))[order]
    )


SAME_TALLY = """
import numpy as np
from standmap import products as room
from standmap.trees import form_class_stems, join_stems, national_stems
stems = join_stems([
    national_stems([802, 131, 68, 621], [22.0, 14.5, 9.0, 6.1], [88.0, 75.0, 40.0, 52.0]),
    form_class_stems([833, 541], [19.0, 27.0], [2.5, 3.0]),
], [0, 2, 4, 5, 1, 3])
specs = room.example_products()
recorded = dict(
    saw_top_ft=room.saw_top_from_logs([3, 2.5, np.nan, 3, np.nan, np.nan]),
    defect_pct=[10, 0, 0, 20, 0, 0], called_product=["face veneer", "", "", "", "", ""],
    waste_from_ft=[np.nan, 12.0] + [np.nan] * 4, waste_to_ft=[np.nan, 15.5] + [np.nan] * 4,
    defects=room.StemDefects(
        tree=[0, 0, 3, 4, 4, 5, 5, 5],
        kind=["sweep", "fork", "crook", "squared", "cut out", "wedge", "percent", "grade"],
        from_ft=[5, 40, 3, 2, 14, 1, 20, 1], to_ft=[25, 40, 9, 8, 15, 9, 30, 12],
        departure_in=[6, 0, 3, 0, 0, 0, 0, 0], width_in=[5] * 8, height_in=[4] * 8,
        angle_deg=[60] * 8, percent=[30] * 8, grade=[2] * 8,
    ),
)
codes = np.unique(stems.species_code)
prices = room.StemPrices(
    species_code=codes,
    price_usd=[[1000.0 / s.rank if s.kind == "saw" else 90.0 / s.rank for s in specs]] * len(codes),
    unit=[1 if s.kind == "saw" else 4 for s in specs],
)
made = {
    "top_down": room.buck_top_down(stems, specs, **recorded),
    "field": room.buck_field(stems, specs, **recorded),
    "best": room.buck_best_value(stems, specs, prices=prices, **recorded),
}
second = room.second_best(made["top_down"], stems, specs, prices, **recorded)
plots = room.per_acre_by_plot(
    made["top_down"], [0, 0, 1, 1, 2, 2], np.arange(1.0, 7.0), n_plots=4
)
columns = {"plots": plots, "second": second.product, "second_usd": second.usd} | {
    f"{way}.{name}": values
    for way, logs in made.items() for name, values in logs.arrays._asdict().items()
}
"""


def test_the_plain_python_build_gives_the_same_logs(tmp_path):
    kept = tmp_path / "plain.npz"
    script = SAME_TALLY + f"np.savez({str(kept)!r}, **columns)"
    subprocess.run(
        [sys.executable, "-c", script],
        check=True,
        env=os.environ | {"STANDMAP_NO_JIT": "1", "PYTHONPATH": os.pathsep.join(sys.path)},
    )
    here: dict = {}
    exec(SAME_TALLY, here)
    assert all(len(logs) > 10 for logs in here["made"].values())
    with np.load(kept) as plain:
        assert set(plain.files) == set(here["columns"])
        for name, values in here["columns"].items():
            np.testing.assert_allclose(plain[name], values, rtol=1e-12, atol=1e-12, err_msg=name)


def test_a_tally_of_every_example_product():
    """Each product that size can make is made by some tree of an eastern tract."""
    rng = np.random.default_rng(3)
    dbh = rng.uniform(4, 30, 400)
    stems = national_stems(rng.choice(SPECIES, 400), dbh, 20 + 4 * dbh**0.9)
    specs = example_products()
    made = buck_top_down(stems, specs).totals()["logs"]
    assert (made > 0).tolist() == [not spec.called_only for spec in specs]


@pytest.mark.parametrize("defect", [float("nan"), 0.0])
def test_defect_not_recorded_is_none(defect):
    stems = national_stems([802], [20.0], [90.0])
    logs = buck_top_down(stems, example_products(), defect_pct=[defect])
    np.testing.assert_array_equal(logs.bf, logs.gross_bf)
