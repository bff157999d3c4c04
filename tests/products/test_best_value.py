"""The cut of greatest value: found by the programme, and found again by trying everything."""

import itertools
import math
from dataclasses import fields, replace
from functools import cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.logs import (
    board_feet,
    loss_squared_defect_bf,
    share_crook,
    share_interior,
    share_section,
    share_sweep,
    share_wedge,
)
from standmap.products import (
    DEFECT_KINDS,
    PRICE_UNITS,
    ProductSpec,
    StemDefects,
    StemPrices,
    buck_best_value,
    buck_field,
    buck_top_down,
    eligibility,
    log_usd,
    saw_top_from_logs,
)
from standmap.trees import (
    cords,
    form_class_stems,
    green_weight,
    join_stems,
    national_stems,
    taper_stems,
)
from standmap.units import LOG_RULES

CODES = [802, 833, 621, 131]
CASES = settings(max_examples=40, deadline=None)
seeds = st.integers(0, 2**32 - 1)


def unit(name):
    return PRICE_UNITS.index(name)


def value(logs, stems, prices):
    """Each tree's value."""
    usd = log_usd(logs, stems.species_code, prices)
    return np.bincount(logs.tree, weights=usd, minlength=logs.n_trees)


def straight(dbh_in, height_ft, at_ft):
    """A user's own taper: a cone whose bark is a tenth of the diameter."""
    dob = dbh_in * (height_ft - at_ft) / (height_ft - 4.5)
    return 0.9 * dob, dob


def random_stems(rng, n, tallest_ft):
    dbh = rng.uniform(6, 26, n).round(1)
    height = np.clip(4.5 + rng.uniform(3, 7, n) * dbh**0.85, 18, tallest_ft)
    code = rng.choice(CODES, n)
    broken = np.where(rng.random(n) < 0.2, 0.6 * height, np.nan)
    logs = np.clip(np.floor(height / 12) / 2, 0.5, 3)
    source = np.where(dbh < 10, 0, rng.choice(3, n, p=[0.5, 0.3, 0.2]))
    of = [np.flatnonzero(source == kind) for kind in range(3)]
    parts = [
        national_stems(code[of[0]], dbh[of[0]], height[of[0]], broken_height_ft=broken[of[0]]),
        form_class_stems(code[of[1]], dbh[of[1]], logs[of[1]]),
        taper_stems(code[of[2]], dbh[of[2]], height[of[2]], straight),
    ]
    return join_stems([part for part in parts if len(part)], np.concatenate(of))


def random_specs(rng, most, *, plain=False):
    specs = []
    for s in range(rng.integers(1, most + 1)):
        saw = bool(rng.random() < 0.6)
        low = float(rng.choice([6.0, 8.0, 8.5, 10.0]))
        if rng.random() < 0.5:
            lengths = {"lengths_ft": tuple(low + rng.choice(13, rng.integers(1, 4), replace=False))}
        else:
            lengths = {
                "min_length_ft": low,
                "max_length_ft": low + float(rng.choice([0, 4, 8, 24])),
                "length_step_ft": float(rng.choice([1, 2, 4])),
            }
        specs.append(
            ProductSpec(
                product=f"product {s}",
                kind="saw" if saw else "bulk",
                rank=int(rng.integers(1, 4)),
                species=str(rng.choice(["any", "any", "hardwood", "oak"])),
                min_dbh_in=float(rng.choice([0, 8, 14])),
                min_top_in=float(rng.choice([3, 5, 8, 11])),
                top_bark=str(rng.choice(["ib", "ob"])),
                trim_ft=float(rng.choice([0, 0.3, 0.5] if saw else [0, 0, 0.3])),
                max_large_in=float(rng.choice([math.inf, math.inf, 12, 16])),
                butt_only=not plain and bool(rng.random() < 0.15),
                # Four of 3 pieces, and a fifth by the tree, are all that is cut exactly (512).
                min_logs=1 if plain else min(int(rng.choice([1, 1, 1, 2, 3])), 3 if s < 4 else 1),
                max_grade=float(rng.choice([math.inf, math.inf, 2])),
                max_cull_pct=float(rng.choice([100, 100, 30])),
                called_only=bool(rng.random() < 0.1),
                **lengths,
            )
        )
    return specs


def random_prices(rng, stems, specs):
    codes = np.unique(stems.species_code)
    saw_units = [*range(len(LOG_RULES)), unit("ton"), unit("tree")]
    bulk_units = [unit("ton"), unit("cord"), unit("tree")]
    dollars = {"ton": 30.0, "cord": 60.0, "tree": 40.0}
    units = [int(rng.choice(saw_units if spec.kind == "saw" else bulk_units)) for spec in specs]
    scale = np.array([dollars.get(PRICE_UNITS[u], 600.0) for u in units])
    price = np.round(rng.uniform(0.1, 1, (len(codes), len(specs))) * scale, 2)
    price[rng.random(price.shape) < 0.1] = np.nan
    return StemPrices(species_code=codes, price_usd=price, unit=units)


def random_case(seed, *, n=3, most_specs=3, tallest_ft=48.0, plain=False):
    """Stems, specs, prices, and what a cruiser may have written beside the trees."""
    rng = np.random.default_rng(seed)
    stems = random_stems(rng, n, tallest_ft)
    specs = random_specs(rng, most_specs, plain=plain)
    prices = random_prices(rng, stems, specs)
    height = stems.usable_top_ft
    low = rng.uniform(0, 0.6, n) * height
    sound = rng.random(n) < 0.6
    recorded = {
        "saw_top_ft": np.where(rng.random(n) < 0.5, np.nan, rng.uniform(8, 0.9 * height)),
        "defect_pct": rng.choice([0.0, 10.0, 40.0], n),
        "grade": rng.choice([np.nan, 1, 2, 3], n),
        "waste_from_ft": np.where(sound, np.nan, low),
        "waste_to_ft": np.where(sound, np.nan, low + rng.uniform(0.2, 9, n)),
        "called_product": rng.choice([*[spec.product for spec in specs], *[""] * 8], n),
        "cull": rng.random(n) < 0.1,
    }
    recorded["defects"] = random_defects(rng, height)
    return stems, specs, prices, recorded


def random_defects(rng, height_ft):
    """Up to three defects of each stem, of every kind."""
    tree = np.repeat(np.arange(len(height_ft)), rng.choice([0, 0, 1, 2, 3], len(height_ft)))
    m = len(tree)
    low = (rng.uniform(0, 0.7, m) * height_ft[tree]).round(1)
    kind = rng.choice(DEFECT_KINDS, m)
    long = np.where(kind == "fork", rng.choice([0, 0.7], m), rng.uniform(0.3, 16, m).round(1))
    whole = np.where(rng.random(m) < 0.3, np.floor(low), low)  # some on the steps
    return StemDefects(
        tree=tree, kind=kind, from_ft=whole, to_ft=whole + long,
        width_in=rng.uniform(0, 6, m), height_in=rng.uniform(1, 6, m),
        departure_in=rng.uniform(0, 8, m), angle_deg=rng.uniform(0, 120, m),
        percent=rng.uniform(0, 70, m), grade=rng.choice([1.0, 2, 3], m),
    )  # fmt: skip


def defects_of(recorded):
    """The defects of one stem as plain rows, and its grades from the ground up."""
    found = recorded["defects"]
    rows = [
        {f.name: getattr(found, f.name)[i] for f in fields(found)[1:]} for i in range(len(found))
    ]
    if not math.isnan(recorded["waste_to_ft"]):
        span = {"from_ft": recorded["waste_from_ft"], "to_ft": recorded["waste_to_ft"]}
        rows.append({"kind": "cut out", **span})
    return rows


def worst_grade(rows, tree_grade, bottom, top):
    """The worst grade of a piece, looked at a hair inside each stretch that it touches."""
    graded = [row for row in rows if row["kind"] == "grade"]
    ends = sorted({bottom, top, *(r[e] for r in graded for e in ("from_ft", "to_ft"))})
    worst = -math.inf
    for a, b in itertools.pairwise(e for e in ends if bottom <= e <= top):
        if b - a <= 2e-6:
            continue
        at = (a + b) / 2
        here = [row["grade"] for row in graded if row["from_ft"] < at < row["to_ft"]]
        own = math.inf if math.isnan(tree_grade) else tree_grade
        worst = max(worst, *here) if here else max(worst, own)
    return worst


def ends_of_stretches(rows):
    """Where cutting may go on: tops of stretches cut out, forks and grades, and of what no grade
    covers below a graded stretch."""
    tops = {row["to_ft"] for row in rows if row["kind"] in ("cut out", "fork", "grade")}
    covered = 0.0
    for row in sorted((r for r in rows if r["kind"] == "grade"), key=lambda r: r["from_ft"]):
        if row["from_ft"] > covered + 1e-6:
            tops.add(row["from_ft"])
        covered = max(covered, row["to_ft"])
    return tops


def losses(rows, dib, bottom, length, rule):
    """Share of a log lost by a rule, and board feet lost by a formula of the rule's own."""
    share, bf = 0.0, 0.0
    for row in rows:
        part = min(row["to_ft"], bottom + length) - max(row["from_ft"], bottom)
        part = min(part, length)  # sums of heights are off by a hair
        if part <= 1e-6:
            continue
        match row["kind"]:
            case "squared" if rule in ("scribner", "scribner_c"):
                bf += loss_squared_defect_bf(row["width_in"], row["height_in"], part)
            case "squared":
                share += share_interior(row["width_in"], row["height_in"], dib, part, length)
            case "sweep":
                of_span = part / (row["to_ft"] - row["from_ft"])
                share += share_sweep(row["departure_in"] * of_span**2, dib, length)
            case "crook":
                share += share_crook(row["departure_in"], dib, part, length)
            case "wedge":
                share += share_wedge(part, length, row["angle_deg"])
            case "percent":
                share += row["percent"] / 100 * share_section(part, length)
    return share, bf


def legal(stem, specs, recorded, takes):
    """Return a test of one log of the one stem, in the words of the specs."""
    call = next(
        (s for s, spec in enumerate(specs) if spec.product == recorded["called_product"]), -1
    )
    if call >= 0 and recorded["cull"] and specs[call].kind == "saw":
        call = -1
    usable, saw_top = stem.usable_top_ft[0], recorded["saw_top_ft"]
    rows = defects_of(recorded)
    slack = 1e-6

    def barred_by_call(s, bottom):
        if call < 0 or s == call or specs[s].kind == "bulk":
            return False
        called = specs[call]
        if called.kind == "saw" and called.butt_only:
            return bottom < 1.0 + called.min_length_ft + called.trim_ft - slack
        return True

    def test(s, bottom, length):
        spec = specs[s]
        top = bottom + length + spec.trim_ft
        if not (takes[s] or s == call) or top > usable + slack:
            return False
        if spec.butt_only and bottom > 1.0 + slack:
            return False
        saw = spec.kind == "saw"
        if saw and top > saw_top + slack:
            return False
        for row in rows:
            stops = row["kind"] == "fork" or (row["kind"] == "cut out" and saw)
            if stops and top > row["from_ft"] + slack and bottom < row["to_ft"] - slack:
                return False
        if s != call and spec.max_grade < math.inf:
            if worst_grade(rows, recorded["grade"], bottom, top) > spec.max_grade:
                return False
        if s != call and saw and spec.max_cull_pct < 100:
            share, _ = losses(rows, stem.dib_in(top)[0], bottom, length, "doyle")
            if recorded["defect_pct"] + 100 * share > spec.max_cull_pct + 1e-9:
                return False
        if barred_by_call(s, bottom):
            return False
        if s != call and stem.dib_in(bottom)[0] > spec.max_large_in + 1e-9:
            return False
        if s == call and saw and not math.isnan(saw_top):
            return True
        small = (stem.dib_in if spec.top_bark == "ib" else stem.dob_in)(top)[0]
        return small >= spec.min_top_in - 1e-6

    return test


def by_trying_everything(stem, specs, prices, recorded, step_ft):
    """Greatest value of one stem over every row of legal logs and gaps."""
    takes = taken(stem, specs, {k: np.array([v]) for k, v in recorded.items() if k != "defects"})[0]
    ok = legal(stem, specs, recorded, takes)
    row = prices.rows_of(stem.species_code)[0]
    price, units = prices.price_usd[row], prices.unit[row]
    rows = defects_of(recorded)
    tops = ends_of_stretches(rows)

    @cache
    def log_value(s, bottom, length):
        spec = specs[s]
        top = bottom + length + spec.trim_ft
        name = PRICE_UNITS[units[s]]
        if name == "tree":
            return 0.0
        if name == "ton":
            wood = stem.wood_cuft(bottom, top)
            return price[s] * float(
                green_weight(stem.species_code, wood, stem.bark_cuft(bottom, top))[0]
            )
        if name == "cord":
            return price[s] * float(
                cords(stem.species_code, stem.wood_cuft(bottom, bottom + length))[0]
            )
        scale = board_feet(
            stem.dib_in(top)[0], length, name.removeprefix("mbf "),
            large_dib_in=stem.dib_in(bottom)[0], form="formula" if units[s] < 3 else "table",
        )  # fmt: skip
        share, lost_bf = losses(
            rows, stem.dib_in(top)[0], bottom, length, name.removeprefix("mbf ")
        )
        net = scale * (1 - recorded["defect_pct"] / 100 - share) - lost_bf
        return price[s] * max(0.0, float(net)) / 1000

    @cache
    def best_above(height, pieces):
        found = -math.inf
        if all(p == 0 or p >= spec.min_logs for p, spec in zip(pieces, specs, strict=True)):
            trees = [s for s, p in enumerate(pieces) if p and PRICE_UNITS[units[s]] == "tree"]
            found = sum(price[s] for s in trees)
        if height > stem.usable_top_ft[0]:
            return found
        for s, spec in enumerate(specs):
            for length in spec.legal_lengths_ft:
                if math.isnan(price[s]) and ok(s, height, length):  # left, and no step long
                    top = round(height + length + spec.trim_ft, 9)
                    found = max(found, best_above(top, pieces))
                elif ok(s, height, length):
                    counted = pieces[s] + 1 if spec.min_logs > 1 else 1
                    more = (*pieces[:s], counted, *pieces[s + 1 :])
                    top = round(height + length + spec.trim_ft, 9)
                    found = max(found, log_value(s, height, float(length)) + best_above(top, more))
        found = max(found, best_above(round(height + step_ft, 9), pieces))
        for top in tops:
            if height < top < stem.usable_top_ft[0]:
                found = max(found, best_above(float(top), pieces))
        return found

    return best_above(1.0, (0,) * len(specs))


def taken(stems, specs, recorded):
    """Which trees each product takes somewhere on the stem; its grade is looked at log by log."""
    return eligibility(
        stems.species_code, stems.dbh_in, specs, cull=recorded["cull"],
        grade=np.ones(len(stems)), defect_pct=recorded["defect_pct"],
    )  # fmt: skip


def of_tree(recorded, t):
    here = {name: column[t] for name, column in recorded.items() if name != "defects"}
    found = recorded["defects"]
    mine = found.tree == t
    columns = {f.name: getattr(found, f.name) for f in fields(found)[2:]}
    return here | {
        "defects": StemDefects(
            tree=np.zeros(mine.sum(), dtype=int),
            kind=np.array(found.kind)[mine],
            **{name: column[mine] for name, column in columns.items()},
        )
    }


@settings(max_examples=30, deadline=None)
@given(seed=seeds, step_ft=st.sampled_from([1.0, 2.0]))
def test_nothing_is_worth_more_than_the_best_value(seed, step_ft):
    stems, specs, prices, recorded = random_case(seed, n=2, tallest_ft=42)
    got = value(
        buck_best_value(stems, specs, prices=prices, length_step_ft=step_ft, **recorded),
        stems,
        prices,
    )
    want = [
        by_trying_everything(stems.take([t]), specs, prices, of_tree(recorded, t), step_ft)
        for t in range(len(stems))
    ]
    np.testing.assert_allclose(got, want, rtol=1e-9, atol=1e-9)


@CASES
@given(seeds)
def test_every_log_of_every_way_is_legal(seed):
    stems, specs, prices, recorded = random_case(seed, n=4, most_specs=5, tallest_ft=120)
    takes = taken(stems, specs, recorded)
    for logs in (
        buck_best_value(stems, specs, prices=prices, **recorded),
        buck_top_down(stems, specs, **recorded),
        buck_field(stems, specs, **recorded),
    ):
        top = logs.bottom_ft + logs.length_ft
        top = top + np.array([spec.trim_ft for spec in specs])[logs.product]
        same = np.diff(logs.tree) == 0
        assert (logs.bottom_ft[1:][same] >= top[:-1][same] - 1e-9).all()
        assert (logs.bottom_ft >= 1.0).all()
        for t, s, bottom, length in zip(
            logs.tree, logs.product, logs.bottom_ft, logs.length_ft, strict=True
        ):
            assert np.isclose(specs[s].legal_lengths_ft, length, rtol=0, atol=1e-9).any()
            assert legal(stems.take([t]), specs, of_tree(recorded, t), takes[t])(s, bottom, length)
        pieces = np.zeros((len(stems), len(specs)))
        np.add.at(pieces, (logs.tree, logs.product), 1)
        needed = np.array([spec.min_logs for spec in specs])
        assert ((pieces == 0) | (pieces >= needed)).all()


@CASES
@given(seeds, st.sampled_from([0.5, 1.0, 2.0, 4.0]))
def test_best_value_is_never_below_the_other_ways(seed, step_ft):
    stems, specs, prices, recorded = random_case(seed, n=6, most_specs=5, tallest_ft=120)
    best = value(
        buck_best_value(stems, specs, prices=prices, length_step_ft=step_ft, **recorded),
        stems,
        prices,
    )
    for other in (buck_top_down, buck_field):
        worth = value(other(stems, specs, **recorded), stems, prices)
        assert (best >= worth - 1e-9).all()


def test_more_combinations_of_pieces_than_can_be_kept_apart_are_refused():
    stems = form_class_stems([833], [24.0], [3.0])
    specs = [
        ProductSpec(product=f"product {s}", kind="saw", rank=1, min_top_in=8, lengths_ft=(8, 16),
                    trim_ft=0.3, min_logs=3)
        for s in range(5)
    ]  # fmt: skip
    doyle = PRICE_UNITS.index("mbf doyle")
    prices = StemPrices(species_code=[833], price_usd=[[300.0] * 5], unit=[doyle] * 5)
    with pytest.raises(DomainError, match=r"1024 combinations of pieces .* the most is 512"):
        buck_best_value(stems, specs, prices=prices)


@CASES
@given(seeds, st.floats(1, 3))
def test_a_price_rise_never_lowers_the_best_value(seed, rise):
    stems, specs, prices, recorded = random_case(seed, n=5, most_specs=5, tallest_ft=120)
    dearer = prices.price_usd.copy()
    dearer[:, seed % len(specs)] *= rise
    raised = StemPrices(species_code=prices.species_code, price_usd=dearer, unit=prices.unit)
    before = buck_best_value(stems, specs, prices=prices, **recorded)
    after = buck_best_value(stems, specs, prices=raised, **recorded)
    assert (value(after, stems, raised) >= value(before, stems, prices) - 1e-9).all()


@CASES
@given(seeds, st.floats(0, 60))
def test_more_defect_never_brings_more(seed, more):
    stems, specs, prices, recorded = random_case(seed, n=5, most_specs=5, tallest_ft=120)
    before = buck_best_value(stems, specs, prices=prices, **recorded)
    worse = recorded | {"defect_pct": recorded["defect_pct"] + more}
    after = buck_best_value(stems, specs, prices=prices, **worse)
    assert (value(after, stems, prices) <= value(before, stems, prices) + 1e-9).all()


def with_rows(defects, rows):
    """The same defects and some more."""
    names = [f.name for f in fields(defects)[2:]]
    return StemDefects(
        tree=np.concatenate([defects.tree, [row["tree"] for row in rows]]),
        kind=(*defects.kind, *(row["kind"] for row in rows)),
        **{
            name: np.concatenate([getattr(defects, name), [row.get(name, np.nan) for row in rows]])
            for name in names
        },
    )


@settings(max_examples=60, deadline=None)
@given(seeds, st.sampled_from(DEFECT_KINDS))
def test_one_more_defect_of_any_kind_never_brings_more(seed, kind):
    """A deduction that nobody would have missed, and then one that hurts, on the same stretch.

    A stretch cut out, a fork and a grade are also places to go on from, so they are put where one
    that forbids nothing (a grade as good as can be, over one that was there) stood before.
    """
    stems, specs, prices, recorded = random_case(seed, n=5, most_specs=5, tallest_ft=120)
    rng = np.random.default_rng(seed)
    span = [
        {"tree": t, "from_ft": low, "to_ft": low + rng.uniform(0.5, 20)}
        for t, low in enumerate(rng.uniform(0, 0.6, 5) * stems.usable_top_ft)
    ]
    sizes = {"width_in": 6.0, "height_in": 5.0, "departure_in": 7.0, "angle_deg": 90.0,
             "percent": 60.0, "grade": 9.0}  # fmt: skip
    marks = [
        {**row, "from_ft": row["to_ft"], "kind": "fork"}
        for row in span
        if kind in ("cut out", "fork", "grade")
    ]
    starts = [{**row, "to_ft": row["from_ft"], "kind": "fork"} for row in span if kind == "grade"]
    before = with_rows(recorded["defects"], [*marks, *starts])
    after = with_rows(before, [{**row, **sizes, "kind": kind} for row in span])
    worth = [
        value(buck_best_value(stems, specs, prices=prices, **recorded | {"defects": found}),
              stems, prices)
        for found in (before, after)
    ]  # fmt: skip
    assert (worth[1] <= worth[0] + 1e-9).all()


@settings(max_examples=60, deadline=None)
@given(seeds, st.floats(1, 3))
def test_a_larger_defect_never_brings_more(seed, growth):
    stems, specs, prices, recorded = random_case(seed, n=5, most_specs=5, tallest_ft=120)
    found = recorded["defects"]
    most = {"angle_deg": 360.0, "percent": 100.0, "grade": 9.0}
    larger = {
        name: np.minimum(np.ceil(getattr(found, name) * growth), most.get(name, 120.0))
        for name in ("width_in", "height_in", "departure_in", "angle_deg", "percent", "grade")
    }
    worse = recorded | {"defects": replace(found, **larger)}
    before = buck_best_value(stems, specs, prices=prices, **recorded)
    after = buck_best_value(stems, specs, prices=prices, **worse)
    assert (value(after, stems, prices) <= value(before, stems, prices) + 1e-9).all()
    # The same logs, scaled again: net falls log by log under every rule, gross stays.
    free = {"min_dbh_in": 0.0, "max_grade": math.inf, "max_cull_pct": 100.0}
    easy = [replace(spec, **free) for spec in specs]
    less, more = (buck_top_down(stems, easy, **given) for given in (recorded, worse))
    np.testing.assert_array_equal(more.gross_bf, less.gross_bf)
    assert (more.bf <= less.bf + 1e-9).all()
    assert (less.bf <= less.gross_bf).all() and (more.bf >= 0).all()
    assert ((less.defect_pct >= 0) & (less.defect_pct <= 100)).all()


@CASES
@given(seeds)
def test_a_limit_that_never_bites_changes_nothing(seed):
    """Large ends of up to 1,000 inches: the programme must then try gaps, to the same end."""
    stems, specs, prices, recorded = random_case(seed, n=8, most_specs=5, tallest_ft=120)
    limited = [
        replace(spec, max_large_in=1000.0) if math.isinf(spec.max_large_in) else spec
        for spec in specs
    ]
    free, bound = (
        value(buck_best_value(stems, these, prices=prices, **recorded), stems, prices)
        for these in (specs, limited)
    )
    np.testing.assert_allclose(bound, free, rtol=1e-10, atol=1e-9)


@CASES
@given(seeds)
def test_finer_steps_never_bring_less(seed):
    stems, specs, prices, recorded = random_case(seed, n=5, most_specs=4, tallest_ft=100)
    worth = [
        value(
            buck_best_value(stems, specs, prices=prices, length_step_ft=step, **recorded),
            stems,
            prices,
        )
        for step in (4.0, 2.0, 1.0, 0.5)
    ]
    assert (np.diff(worth, axis=0) >= -1e-9).all()


@pytest.mark.parametrize("trim_ft", [0.0, 0.3, 0.333, 0.67])
def test_a_tally_in_logs_with_any_trim(trim_ft):
    """Any trim: the field's own logs are among the cuts that are tried."""
    rng = np.random.default_rng(11)
    dbh = rng.uniform(8, 30, 200)
    stems = national_stems(rng.choice(CODES, 200), dbh, 20 + 4 * dbh**0.9)
    specs = [
        *(
            ProductSpec(
                product=f"saw {rank}",
                kind="saw",
                rank=rank,
                min_top_in=14 - 3 * rank,
                min_length_ft=8,
                max_length_ft=16,
                trim_ft=trim_ft,
            )
            for rank in (1, 2, 3)
        ),
        ProductSpec(
            product="pulpwood",
            kind="bulk",
            rank=4,
            min_top_in=4,
            top_bark="ob",
            min_length_ft=8,
            max_length_ft=40,
            length_step_ft=1,
        ),
    ]
    prices = StemPrices(
        species_code=CODES,
        price_usd=rng.uniform(1, 2, (4, 4)) * [400, 300, 200, 8],
        unit=[unit("mbf doyle"), unit("mbf scribner_c"), unit("mbf international"), unit("ton")],
    )
    top = saw_top_from_logs(np.floor(dbh / 6) / 2, trim_ft=trim_ft)
    best = value(buck_best_value(stems, specs, prices=prices, saw_top_ft=top), stems, prices)
    for other in (buck_field, buck_top_down):
        worth = value(other(stems, specs, saw_top_ft=top), stems, prices)
        assert (best >= worth - 1e-9).all()
        assert best.sum() > 1.05 * worth.sum()
