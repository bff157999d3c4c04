"""Stems cut for the mills: the programme's cut, and every cut there is, valued by `assign_mills`."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.logs import board_feet
from standmap.products import (
    PRICE_UNITS,
    LinePrices,
    Logs,
    PriceLine,
    ProductSpec,
    StemPrices,
    buck_best_value,
    buck_field,
    buck_top_down,
    log_usd,
    saw_top_from_logs,
    second_best,
)
from standmap.products.line_prices import line_price_arrays
from standmap.trees import (
    Stems,
    cords,
    form_class_stems,
    green_weight,
    join_stems,
    national_stems,
)
from standmap.units import LOG_RULES
from standmap.value import Costs, LogLot, MillLine, MillSheet, assign_mills

WHITE_OAK, RED_OAK, POPLAR, LOBLOLLY = CODES = 802, 833, 621, 131
COSTS = Costs(cut_load_usd_per_ton=14, haul_usd_per_loaded_mile=5, load_tons=25)
CASES = settings(max_examples=40, deadline=None)
seeds = st.integers(0, 2**32 - 1)
Recorded = dict[str, np.ndarray]


def spec(name: str, kind: str, rank: int, **more: object) -> ProductSpec:
    lengths = {} if "lengths_ft" in more else {"min_length_ft": 8, "max_length_ft": 16}
    given_ = {"min_top_in": 6.0, "trim_ft": 0.0} | lengths | more
    return ProductSpec(product=name, kind=kind, rank=rank, **given_)  # type: ignore[arg-type]


def line(mill: str, product: str, usd: float, unit: str, **more: object) -> MillLine:
    kind, _, rule = unit.partition(" ")
    miles = more.get("haul_miles")
    return MillLine(
        mill=mill,
        product=product,
        price_usd=usd,
        unit=kind,
        log_rule=rule,
        basis="stumpage" if miles is None else "delivered",
        **more,  # type: ignore[arg-type]
    )


def cut(stems: Stems, specs: list[ProductSpec], sheet: MillSheet, **recorded: object) -> Logs:
    prices = sheet.for_stems([s.product for s in specs], np.unique(stems.species_code))
    return buck_best_value(stems, specs, prices=prices, **recorded)  # type: ignore[arg-type]


def net_usd(logs: Logs, stems: Stems, sheet: MillSheet) -> np.ndarray:
    """Dollars of each tree at the mills."""
    usd = assign_mills(LogLot.of(logs, stems.species_code), sheet).stumpage_usd
    return np.bincount(logs.tree, weights=usd, minlength=len(stems))


def random_stems(rng: np.random.Generator, n: int, tallest_ft: float) -> Stems:
    dbh = rng.uniform(8, 26, n).round(1)
    height = np.clip(4.5 + rng.uniform(3, 7, n) * dbh**0.85, 20, tallest_ft)
    code = rng.choice(CODES, n)
    whole = rng.random(n) < 0.7
    logs = np.clip(np.floor(height / 12) / 2, 0.5, 3)
    parts = [
        national_stems(code[whole], dbh[whole], height[whole]),
        form_class_stems(code[~whole], dbh[~whole], logs[~whole]),
    ]
    order = np.concatenate([np.flatnonzero(whole), np.flatnonzero(~whole)])
    return join_stems([part for part in parts if len(part)], order)


def random_specs(rng: np.random.Generator, most: int) -> list[ProductSpec]:
    return [
        spec(
            f"product {s}",
            "saw" if (saw := bool(rng.random() < 0.65)) else "bulk",
            int(rng.integers(1, 4)),
            min_top_in=float(rng.choice([4, 7, 10])),
            lengths_ft=tuple(8.0 + 2 * rng.choice(5, rng.integers(1, 4), replace=False)),
            trim_ft=float(rng.choice([0, 0.3, 0.5] if saw else [0, 0, 0.5])),
            max_large_in=float(rng.choice([math.inf, math.inf, 16])),
            min_logs=int(rng.choice([1, 1, 1, 2])),
            butt_only=bool(rng.random() < 0.1),
        )
        for s in range(rng.integers(1, most + 1))
    ]


def random_sheet(rng: np.random.Generator, specs: list[ProductSpec], most: int) -> MillSheet:
    saw = [*(f"mbf {rule}" for rule in LOG_RULES), "ton", "tree"]
    dollars = {"ton": 60.0, "cord": 130.0, "tree": 50.0}
    lines = []
    for _ in range(rng.integers(1, most + 1)):
        own = specs[rng.integers(len(specs))]
        unit = str(rng.choice(saw if own.kind == "saw" else ["ton", "cord", "tree"]))
        low = float(rng.choice([0, 0, 0, 8, 11]))
        lines.append(
            line(
                f"mill {rng.integers(3)}",
                own.product,
                float(np.round(rng.uniform(0.2, 1) * dollars.get(unit, 900.0), 2)),
                unit,
                species=str(rng.choice(["", "", "oak", "white oak", "hardwood"])),
                min_dib_in=low,
                max_large_in=float(rng.choice([math.inf, math.inf, 14, 18])),
                min_length_ft=float(rng.choice([0, 0, 10])),
                lengths_ft=() if rng.random() < 0.7 else (8.0, 12.0, 16.0),
                **({"haul_miles": float(rng.uniform(0, 90))} if rng.random() < 0.6 else {}),
            )
        )
    return MillSheet(lines=tuple(lines), costs=COSTS)


def random_case(
    seed: int, *, n: int, most_specs: int, most_lines: int, tallest_ft: float
) -> tuple[Stems, list[ProductSpec], MillSheet, Recorded]:
    rng = np.random.default_rng(seed)
    stems = random_stems(rng, n, tallest_ft)
    specs = random_specs(rng, most_specs)
    low = rng.uniform(1, 0.6 * stems.usable_top_ft)
    sound = rng.random(n) < 0.7
    recorded = {
        "saw_top_ft": np.where(
            rng.random(n) < 0.5, np.nan, rng.uniform(10, 0.9 * stems.usable_top_ft)
        ),
        "defect_pct": rng.choice([0.0, 20.0], n),
        "waste_from_ft": np.where(sound, np.nan, low),
        "waste_to_ft": np.where(sound, np.nan, low + rng.uniform(0.2, 7, n)),
    }
    return stems, specs, random_sheet(rng, specs, most_lines), recorded


def takes(
    stem: Stems, own: ProductSpec, recorded: dict[str, float], bottom: float, length: float
) -> bool:
    """Whether a log is legal, in the words of the specs."""
    top = bottom + length + own.trim_ft
    limit = stem.usable_top_ft[0]
    if own.kind == "saw" and not math.isnan(recorded["saw_top_ft"]):
        limit = min(limit, recorded["saw_top_ft"])
    if top > limit + 1e-6 or (own.butt_only and bottom > 1.0 + 1e-6):
        return False
    if own.kind == "saw" and bottom < recorded["waste_to_ft"] - 1e-6:
        if top > recorded["waste_from_ft"] + 1e-6:
            return False
    large, small = stem.dib_in(bottom)[0], stem.dib_in(top)[0]
    return bool(large <= own.max_large_in + 1e-9 and small >= own.min_top_in - 1e-6)


def every_cut(
    stem: Stems, specs: list[ProductSpec], recorded: dict[str, float], step_ft: float, *, loose: bool
) -> list[list[tuple[int, float, float]]]:
    """Every row of legal logs (spec, bottom, length), with gaps of steps or up to the bad top.

    ``loose``: a gap may also be as long as any log that could be cut there.
    """
    found: list[list[tuple[int, float, float]]] = []
    seen: set[tuple[float, tuple[tuple[int, float, float], ...]]] = set()

    def go(height: float, row: tuple[tuple[int, float, float], ...]) -> None:
        if (height, row) in seen:
            return
        seen.add((height, row))
        found.append(list(row))
        if height + 8 > stem.usable_top_ft[0] + 1e-6:
            return
        for s, own in enumerate(specs):
            for length in map(float, own.legal_lengths_ft):
                if takes(stem, own, recorded, height, length):
                    top = round(height + length + own.trim_ft, 9)
                    go(top, (*row, (s, height, length)))
                    if loose:
                        go(top, row)
        go(round(height + step_ft, 9), row)
        if height < recorded["waste_to_ft"]:
            go(recorded["waste_to_ft"], row)

    go(1.0, ())
    few = [own.min_logs for own in specs]
    pieces = [np.bincount([s for s, _, _ in row], minlength=len(specs)) for row in found]
    return [
        row for row, n in zip(found, pieces, strict=True) if ((n == 0) | (n >= few)).all()
    ]


def best_of_every_cut(
    stem: Stems,
    specs: list[ProductSpec],
    sheet: MillSheet,
    recorded: dict[str, float],
    step_ft: float,
    *,
    loose: bool,
) -> float:
    """Most dollars of all cuts: each is a tree of one lot, and the lot is sent to the mills."""
    cuts = [row for row in every_cut(stem, specs, recorded, step_ft, loose=loose) if row]
    if not cuts:
        return 0.0
    tree = np.repeat(np.arange(len(cuts)), [len(row) for row in cuts])
    product, bottom, length = (np.array(column) for column in zip(*sum(cuts, []), strict=True))
    trim = np.array([own.trim_ft for own in specs])[product]
    saw = np.array([own.kind == "saw" for own in specs])[product]
    top = bottom + length + trim
    dib, large = stem.dib_in(top[np.newaxis])[0], stem.dib_in(bottom[np.newaxis])[0]
    code = np.full(len(tree), stem.species_code[0])
    wood = stem.wood_cuft(bottom[np.newaxis], (bottom + length)[np.newaxis])[0]
    hauled = stem.wood_cuft(bottom[np.newaxis], top[np.newaxis])[0]
    bark = stem.bark_cuft(bottom[np.newaxis], top[np.newaxis])[0]
    bf = [
        board_feet(dib, length, rule, large_dib_in=large, form="formula" if r < 3 else "table")
        for r, rule in enumerate(LOG_RULES)
    ]
    sound = saw * (1 - recorded["defect_pct"] / 100)
    lot = LogLot(
        products=tuple(own.product for own in specs),
        tree=tree,
        product=product.astype(np.int64),
        species_code=code.astype(np.int64),
        small_dib_in=dib,
        large_dib_in=large,
        length_ft=length,
        bf=np.column_stack(bf) * sound[:, np.newaxis],
        cords=np.where(saw, 0.0, cords(code, wood)),
        weight_tons=green_weight(code, hauled, bark),
        volume_cuft=wood,
    )
    usd = assign_mills(lot, sheet).stumpage_usd
    return float(np.bincount(tree, weights=usd).max())


def of_tree(recorded: Recorded, t: int) -> dict[str, float]:
    return {
        name: float(np.nan_to_num(v[t], nan=math.inf if name == "waste_from_ft" else -math.inf))
        if name.startswith("waste")
        else float(v[t])
        for name, v in recorded.items()
    }


class TestNothingIsWorthMore:
    @settings(max_examples=40, deadline=None)
    @given(seed=seeds)
    def test_than_the_cut_for_the_mills(self, seed: int) -> None:
        case = random_case(seed, n=2, most_specs=2, most_lines=6, tallest_ft=32)
        stems, specs, sheet, recorded = case
        got = net_usd(cut(stems, specs, sheet, length_step_ft=2.0, **recorded), stems, sheet)
        for t in range(len(stems)):
            stem, own = stems.take([t]), of_tree(recorded, t)
            least, most = (
                best_of_every_cut(stem, specs, sheet, own, 2.0, loose=loose)
                for loose in (False, True)
            )
            assert least - 1e-6 <= got[t] <= most + 1e-6

    @CASES
    @given(seed=seeds, step_ft=st.sampled_from([0.5, 1.0, 2.0]))
    def test_nor_do_the_other_ways_ever_bring_more(self, seed: int, step_ft: float) -> None:
        case = random_case(seed, n=6, most_specs=4, most_lines=12, tallest_ft=110)
        stems, specs, sheet, recorded = case
        best = net_usd(cut(stems, specs, sheet, length_step_ft=step_ft, **recorded), stems, sheet)
        for other in (buck_top_down, buck_field):
            worth = net_usd(other(stems, specs, **recorded), stems, sheet)
            assert (best >= worth - 1e-6).all()

    @CASES
    @given(seed=seeds, more=st.floats(0, 60))
    def test_farther_mills_never_bring_more(self, seed: int, more: float) -> None:
        case = random_case(seed, n=4, most_specs=4, most_lines=8, tallest_ft=90)
        stems, specs, sheet, recorded = case
        dearer = MillSheet(
            lines=sheet.lines,
            costs=Costs(
                cut_load_usd_per_ton=COSTS.cut_load_usd_per_ton + more,
                haul_usd_per_loaded_mile=COSTS.haul_usd_per_loaded_mile,
                load_tons=COSTS.load_tons,
            ),
        )
        near = net_usd(cut(stems, specs, sheet, **recorded), stems, sheet)
        far = net_usd(cut(stems, specs, dearer, **recorded), stems, dearer)
        assert (far <= near + 1e-6).all()

    @CASES
    @given(seed=seeds)
    def test_lines_left_out_would_never_have_paid(self, seed: int) -> None:
        """Several hundred lines come to the few that count, and to the same dollars."""
        rng = np.random.default_rng(seed)
        stems, specs = random_stems(rng, 3, 60.0), random_specs(rng, 2)
        sheet = random_sheet(rng, specs, 300)
        products = [own.product for own in specs]
        prices = sheet.for_stems(products, np.unique(stems.species_code))
        arrays = line_price_arrays(prices, specs, prices.rows_of(stems.species_code))[1]
        best = net_usd(buck_best_value(stems, specs, prices=prices), stems, sheet)
        for other in (buck_top_down, buck_field):
            assert (best >= net_usd(other(stems, specs), stems, sheet) - 1e-6).all()
        assert len(arrays.mill) <= prices.pays.sum() * 4
