"""Stems cut for the mills: the best cut, and every cut there is, valued by `assign_mills`."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import chain

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.logs import board_feet
from standmap.products import (
    DEFECT_KINDS,
    PRICE_UNITS,
    LinePrices,
    Logs,
    PriceLine,
    ProductSpec,
    StemDefects,
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
    taper_stems,
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
    height = np.clip(4.5 + rng.uniform(3, 7, n) * dbh**0.85, 18, tallest_ft)
    code = rng.choice(CODES, n)
    whole = rng.random(n) < (0.7 if tallest_ft > 40 else 1.1)  # form class stems are tall
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


def random_sheet(
    rng: np.random.Generator, specs: list[ProductSpec], most: int, *, by_tree: bool = True
) -> MillSheet:
    trees = ["tree"] * by_tree
    saw = [*(f"mbf {rule}" for rule in LOG_RULES), "ton", *trees]
    dollars = {"ton": 60.0, "cord": 130.0, "tree": 50.0}
    lines = []
    for _ in range(rng.integers(1, most + 1)):
        own = specs[rng.integers(len(specs))]
        unit = str(rng.choice(saw if own.kind == "saw" else ["ton", "cord", *trees]))
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


def random_defects(rng: np.random.Generator, stems: Stems) -> StemDefects:
    m = int(rng.integers(0, 2 * len(stems)))
    tree = rng.integers(0, len(stems), m)
    low = rng.uniform(1, 0.8 * stems.usable_top_ft[tree])
    return StemDefects(
        tree=tree, kind=rng.choice(DEFECT_KINDS, m), from_ft=low,
        to_ft=low + rng.uniform(0.3, 12, m), width_in=rng.uniform(0, 5, m),
        height_in=rng.uniform(0, 5, m), departure_in=rng.uniform(0, 6, m),
        angle_deg=rng.uniform(0, 120, m), percent=rng.uniform(0, 60, m),
        grade=rng.choice([1.0, 2, 3], m),
    )  # fmt: skip


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
    stem: Stems,
    specs: list[ProductSpec],
    recorded: dict[str, float],
    step_ft: float,
    *,
    loose: bool,
) -> list[list[tuple[int, float, float]]]:
    """Every row of legal logs (spec, bottom, length), with gaps of steps or up to the bad top.

    ``loose``: a gap may also be as long as any log that could be cut there.
    """
    found: list[list[tuple[int, float, float]]] = []
    seen: set[tuple[float, tuple[tuple[int, float, float], ...]]] = set()

    ok = cache(lambda s, bottom, length: takes(stem, specs[s], recorded, bottom, length))

    def go(height: float, row: tuple[tuple[int, float, float], ...]) -> None:
        if (height, row) in seen:
            return
        seen.add((height, row))
        found.append(list(row))
        if height + 8 > stem.usable_top_ft[0] + 1e-6:
            return
        for s, own in enumerate(specs):
            for length in map(float, own.legal_lengths_ft):
                if ok(s, height, length):
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
    return [row for row, n in zip(found, pieces, strict=True) if ((n == 0) | (n >= few)).all()]


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
    product, bottom, length = (np.array(column) for column in zip(*chain(*cuts), strict=True))
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
    @settings(max_examples=30, deadline=None)
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
    @given(seed=seeds)
    def test_nor_on_stems_with_defects(self, seed: int) -> None:
        case = random_case(seed, n=5, most_specs=4, most_lines=10, tallest_ft=100)
        stems, specs, sheet, recorded = case
        found = {"defects": random_defects(np.random.default_rng(seed + 1), stems)}
        best = net_usd(cut(stems, specs, sheet, **recorded, **found), stems, sheet)
        for other in (buck_top_down, buck_field):
            worth = net_usd(other(stems, specs, **recorded, **found), stems, sheet)
            assert (best >= worth - 1e-6).all()

    @CASES
    @given(seed=seeds)
    def test_a_limit_that_never_bites_changes_nothing(self, seed: int) -> None:
        """Large ends of up to 1,000 inches: every line is then asked for every log."""
        case = random_case(seed, n=6, most_specs=4, most_lines=6, tallest_ft=110)
        stems, specs, sheet, recorded = case
        wide = tuple(replace(x, max_large_in=min(x.max_large_in, 1000.0)) for x in sheet.lines)
        bound = cut(stems, specs, replace(sheet, lines=wide), **recorded)
        free = cut(stems, specs, sheet, **recorded)
        np.testing.assert_allclose(
            net_usd(bound, stems, sheet), net_usd(free, stems, sheet), rtol=1e-10, atol=1e-9
        )

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

    @settings(max_examples=15, deadline=None)
    @given(seed=seeds)
    def test_hundreds_of_lines_come_to_the_few_that_can_pay(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        stems, specs = random_stems(rng, 2, 60.0), random_specs(rng, 2)
        sheet = random_sheet(rng, specs, 400, by_tree=False)
        prices = sheet.for_stems([own.product for own in specs], np.unique(stems.species_code))
        kept = line_price_arrays(prices, specs, prices.rows_of(stems.species_code))[1]
        assert len(kept.mill) <= prices.pays.sum()
        best = net_usd(buck_best_value(stems, specs, prices=prices), stems, sheet)
        for other in (buck_top_down, buck_field):
            assert (best >= net_usd(other(stems, specs), stems, sheet) - 1e-6).all()


def cone(
    dbh_in: np.ndarray, height_ft: np.ndarray, at_ft: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    dob = dbh_in * (height_ft - at_ft) / (height_ft - 4.5)
    return 0.9 * dob, dob


def oak(dbh_in: float = 18.0, logs: float = 2.5) -> Stems:
    return form_class_stems([WHITE_OAK], [dbh_in], [logs])


class TestByHand:
    SAW = spec("sawlog", "saw", 1, min_top_in=9.0, lengths_ft=(8, 12, 16), trim_ft=0.3)

    def test_a_price_sheet_and_mills_that_quote_it_cut_alike(self) -> None:
        rng = np.random.default_rng(3)
        stems = random_stems(rng, 40, 110.0)
        specs = [self.SAW, spec("pulpwood", "bulk", 2, min_top_in=4.0, length_step_ft=1.0)]
        units = ["mbf doyle", "cord"]
        sheet = MillSheet(
            lines=tuple(
                line("yard", own.product, usd, unit)
                for own, usd, unit in zip(specs, (400.0, 12.0), units, strict=True)
            )
        )
        prices = StemPrices(
            species_code=CODES,
            price_usd=[[400.0, 12.0]] * 4,
            unit=[PRICE_UNITS.index(unit) for unit in units],
        )
        own, other = buck_best_value(stems, specs, prices=prices), cut(stems, specs, sheet)
        assert own.product.tolist() == other.product.tolist()
        assert own.bottom_ft.tolist() == other.bottom_ft.tolist()
        usd = log_usd(own, stems.species_code, prices)
        sold = assign_mills(LogLot.of(other, stems.species_code), sheet)
        np.testing.assert_allclose(sold.stumpage_usd, usd, rtol=1e-12)

    def test_a_mill_of_short_logs_and_a_mill_of_long_logs_share_a_stem(self) -> None:
        # Neither mill alone can use the whole 41.9 feet of saw timber: 16 + 16 + 8 with trim.
        sheet = MillSheet(
            lines=(
                line("long", "sawlog", 500.0, "mbf international", lengths_ft=(16.0,)),
                line("short", "sawlog", 300.0, "mbf international", lengths_ft=(8.0,)),
            )
        )
        logs = cut(oak(), [self.SAW], sheet, saw_top_ft=saw_top_from_logs([2.5]))
        sold = assign_mills(LogLot.of(logs, [WHITE_OAK]), sheet)
        assert logs.length_ft.tolist() == [16.0, 16.0, 8.0]
        assert [sheet.lines[k].mill for k in sold.line] == ["long", "long", "short"]

    def test_a_far_mill_is_not_cut_for(self) -> None:
        # By the gate price the far mill wins; $0.20 a ton-mile over 400 miles eats it up.
        near = line("near", "sawlog", 300.0, "mbf doyle", haul_miles=10.0, lengths_ft=(8.0,))
        far = line("far", "sawlog", 700.0, "mbf doyle", haul_miles=400.0, lengths_ft=(16.0,))
        sheet = MillSheet(lines=(near, far), costs=COSTS)
        logs = cut(oak(), [self.SAW], sheet, saw_top_ft=saw_top_from_logs([2.5]))
        assert set(logs.length_ft) == {8.0}
        free = MillSheet(
            lines=sheet.lines,
            costs=Costs(cut_load_usd_per_ton=0, haul_usd_per_loaded_mile=0, load_tons=25),
        )
        logs = cut(oak(), [self.SAW], free, saw_top_ft=saw_top_from_logs([2.5]))
        assert (logs.length_ft == 16.0).sum() == 2

    def test_what_costs_more_to_bring_than_it_pays_is_left_standing(self) -> None:
        sheet = MillSheet(
            lines=(line("far", "sawlog", 30.0, "mbf doyle", haul_miles=90.0),), costs=COSTS
        )
        assert len(cut(oak(), [self.SAW], sheet)) == 0

    def test_a_narrow_entry_is_not_got_round_by_the_cut(self) -> None:
        # White oak from 11 inches up at $100; any other log at $900 to the same mill.
        sheet = MillSheet(
            lines=(
                line("mill", "sawlog", 900.0, "mbf doyle"),
                line("mill", "sawlog", 100.0, "mbf doyle", species="white oak", min_dib_in=11.0),
            )
        )
        stems = oak(24.0)
        logs = cut(stems, [self.SAW], sheet, saw_top_ft=saw_top_from_logs([2.5]))
        lot = LogLot.of(logs, stems.species_code)
        by_hand = np.where(lot.small_dib_in >= 11, 100.0, 900.0) * lot.bf[:, 1] / 1000
        np.testing.assert_allclose(assign_mills(lot, sheet).stumpage_usd, by_hand, rtol=1e-12)

    @pytest.mark.parametrize("by", ["prices", "mills"])
    def test_a_log_that_nobody_buys_may_lie_below_one_that_sells(self, by: str) -> None:
        # A cone of 18 inches inside bark at 4.5 ft and 80 ft tall: 15.02 in at 17 ft, 14.90 at
        # 17.5. The buyer handles 14.95 at most, and the saw timber ends at 25.6 ft: his 8 feet can
        # only begin at 17.5, where a 16-foot butt log with its half foot of trim ends.
        stem = taper_stems([LOBLOLLY], [20.0], [80.0], cone)
        specs = [
            spec("butt", "saw", 1, lengths_ft=(16,), trim_ft=0.5, butt_only=True),
            spec("small", "saw", 2, lengths_ft=(8,), max_large_in=14.95),
        ]
        if by == "mills":
            sheet = MillSheet(lines=(line("mill", "small", 300.0, "mbf doyle"),))
            prices = sheet.for_stems(["butt", "small"], np.array([LOBLOLLY]))
        else:
            unit = [PRICE_UNITS.index("mbf doyle")] * 2
            prices = StemPrices(species_code=[LOBLOLLY], price_usd=[[np.nan, 300.0]], unit=unit)
        logs = buck_best_value(stem, specs, prices=prices, saw_top_ft=[25.6])
        assert logs.product.tolist() == [1]
        assert logs.bottom_ft.tolist() == [17.5]

    def test_a_tree_is_bought_whole_or_by_the_log(self) -> None:
        # $40 for the tree, or $60 a ton: a small tree goes whole, a large one by weight.
        pole = spec("pole", "bulk", 1, min_top_in=5.0, lengths_ft=(8, 16))
        sheet = MillSheet(
            lines=(line("yard", "pole", 40.0, "tree"), line("chips", "pole", 60.0, "ton"))
        )
        stems = national_stems([LOBLOLLY] * 2, [10.0, 22.0], [55.0, 90.0])
        logs = cut(stems, [pole], sheet)
        sold = assign_mills(LogLot.of(logs, stems.species_code), sheet)
        mills = [{sheet.lines[k].mill for k in sold.line[logs.tree == t]} for t in (0, 1)]
        assert mills == [{"yard"}, {"chips"}]
        assert net_usd(logs, stems, sheet)[0] == 40.0

    def test_the_next_best_product_is_asked_of_the_mills_too(self) -> None:
        tie = spec("tie", "saw", 2, min_top_in=8.0, lengths_ft=(8, 16), trim_ft=0.3)
        sheet = MillSheet(
            lines=(
                line("a", "sawlog", 500.0, "mbf doyle"),
                line("b", "tie", 40.0, "ton", haul_miles=10.0),
                line("c", "tie", 90.0, "ton", haul_miles=10.0, max_large_in=5.0),
            ),
            costs=COSTS,
        )
        specs, top = [self.SAW, tie], saw_top_from_logs([1.0])
        stems = oak(20.0, 1.0)
        logs = buck_top_down(stems, specs, saw_top_ft=top)
        prices = sheet.for_stems(["sawlog", "tie"], np.array([WHITE_OAK]))
        found = second_best(logs, stems, specs, prices, saw_top_ft=top)
        # $40 less 14 + 10 x 5 / 25 = $16 a ton; mill c takes nothing so large.
        assert found.product.tolist() == [1]
        np.testing.assert_allclose(found.usd, 24.0 * logs.weight_tons, rtol=1e-9)


class TestLinePrices:
    def test_faults_are_named(self) -> None:
        with pytest.raises(DomainError, match="'cost_usd_per_ton' must be 0 or more; got -1"):
            PriceLine(mill=0, product=0, price_usd=1.0, unit=4, cost_usd_per_ton=-1.0)
        with pytest.raises(DomainError, match="'unit' must be 0 to 6"):
            PriceLine(mill=0, product=0, price_usd=1.0, unit=7)
        ton = PriceLine(mill=0, product=1, price_usd=1.0, unit=4)
        with pytest.raises(DomainError, match=r"a row per species and a column per line \(1, 1\)"):
            LinePrices(species_code=[802], lines=(ton,), pays=[[True, False]])
        with pytest.raises(DomainError, match="each species once"):
            LinePrices(species_code=[802, 802], lines=(ton,), pays=[[True], [True]])
        prices = LinePrices(species_code=[802], lines=(ton,), pays=[[True]])
        with pytest.raises(DomainError, match="'product' must be 0 to 0"):
            buck_best_value(oak(), [TestByHand.SAW], prices=prices)

    def test_too_many_ways_by_the_tree_are_refused(self) -> None:
        specs = [spec(f"p{s}", "saw", s + 1) for s in range(4)]
        sheet = MillSheet(
            lines=tuple(
                line(f"mill {m}", own.product, 10.0, "tree") for own in specs for m in range(3)
            )
        )
        with pytest.raises(DomainError, match="81 ways by the tree; the most is 64"):
            cut(oak(), specs, sheet)
