"""Mills: each log to the mill that nets most, less what it costs to bring it there."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import date
from itertools import product as pairs
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.products import specs_from_frame
from standmap.value import (
    Costs,
    LogLot,
    MillLine,
    MillSheet,
    assign_mills,
    mill_totals,
    mills_from_frame,
)

MakeLot = Callable[..., LogLot]
RandomLot = Callable[[int, int], LogLot]
SAMPLE = Path(__file__).parents[2] / "sample_gis"

COSTS = Costs(cut_load_usd_per_ton=20, haul_usd_per_loaded_mile=5, load_tons=25)
WHITE_OAK, YELLOW_POPLAR, LOBLOLLY = 802, 621, 131


def line(mill: str = "north", **changes: object) -> MillLine:
    given_: dict[str, object] = {
        "mill": mill,
        "product": "sawlog",
        "price_usd": 500.0,
        "unit": "mbf",
        "log_rule": "doyle",
        "basis": "stumpage",
    }
    return MillLine(**(given_ | changes))  # type: ignore[arg-type]


def at_gate(mill: str = "north", miles: float = 25.0, **changes: object) -> MillLine:
    return line(mill, basis="delivered", haul_miles=miles, **changes)


def by_ton(mill: str, price: float, **changes: object) -> MillLine:
    return line(mill, price_usd=price, unit="ton", log_rule="", **changes)


def sheet(*lines: MillLine) -> MillSheet:
    return MillSheet(lines=lines, costs=COSTS)


class TestDeliveredBecomesStumpage:
    def test_a_16_inch_16_foot_log_by_hand(self, make_lot: MakeLot) -> None:
        # Doyle: ((16 - 4) / 4)^2 x 16 = 144 bf; $700/MBF pays 100.80 at the gate. The ton costs
        # 20 + 25 x 5 / 25 = $25, and the log weighs 0.8 tons: 20.00. Left for the landowner: 80.80.
        lot = make_lot([16.0], tons=0.8)
        sold = assign_mills(lot, sheet(at_gate(price_usd=700.0)))
        assert sold.delivered_usd[0] == pytest.approx(100.80, abs=1e-9)
        assert sold.stumpage_usd[0] == pytest.approx(80.80, abs=1e-9)

    def test_a_stumpage_price_is_paid_whole(self, make_lot: MakeLot) -> None:
        sold = assign_mills(make_lot([16.0]), sheet(line(price_usd=500.0)))
        assert sold.stumpage_usd[0] == pytest.approx(72.0, abs=1e-9)
        assert np.isnan(sold.delivered_usd[0])

    def test_there_are_no_costs_until_someone_gives_them(self) -> None:
        with pytest.raises(DomainError, match="nobody knows what cutting and hauling cost"):
            MillSheet(lines=(at_gate(),))
        with pytest.raises(TypeError, match="load_tons"):
            Costs(cut_load_usd_per_ton=20, haul_usd_per_loaded_mile=5)  # type: ignore[call-arg]

    @pytest.mark.parametrize("load", [0.0, -25.0, float("nan")])
    def test_a_load_weighs_something(self, load: float) -> None:
        with pytest.raises(DomainError, match="'load_tons' must be above 0"):
            Costs(cut_load_usd_per_ton=1, haul_usd_per_loaded_mile=1, load_tons=load)

    def test_a_delivered_price_needs_its_miles(self) -> None:
        with pytest.raises(DomainError, match="needs 'haul_miles'"):
            line(basis="delivered")

    def test_a_log_that_costs_more_than_it_pays_is_left(self, make_lot: MakeLot) -> None:
        lot = make_lot([8.0, 5.0], product=[0, 1], tons=[0.3, 0.2])
        sold = assign_mills(lot, sheet(at_gate(price_usd=100.0)))
        assert sold.line.tolist() == [-1, -1]
        assert sold.at_a_loss.tolist() == [True, False]
        assert sold.not_taken.tolist() == [False, True]
        assert sold.stumpage_usd.tolist() == [0.0, 0.0]
        assert sold.delivered_usd.tolist() == [0.0, 0.0]


class TestWhichMill:
    def test_small_logs_to_international_and_large_logs_to_doyle(self, make_lot: MakeLot) -> None:
        # Doyle counts small logs short: $500 Doyle beats $400 International only on large ones.
        lot = make_lot([9.0, 24.0])
        two = sheet(line("doyle mill"), line("inter", log_rule="international", price_usd=400.0))
        sold = assign_mills(lot, two)
        assert [two.lines[k].mill for k in sold.line] == ["inter", "doyle mill"]
        assert [two.lines[k].mill for k in sold.second_line] == ["doyle mill", "inter"]
        assert (sold.second_usd < sold.stumpage_usd).all()

    def test_the_nearer_of_two_equal_mills(self, make_lot: MakeLot) -> None:
        both = sheet(at_gate("far", 80.0), at_gate("near", 10.0))
        assert assign_mills(make_lot([16.0]), both).line.tolist() == [1]

    def test_a_mill_pays_by_its_narrowest_entry_though_another_were_higher(
        self, make_lot: MakeLot
    ) -> None:
        lot = make_lot([16.0, 16.0], species=[WHITE_OAK, YELLOW_POPLAR])
        one = sheet(line(price_usd=900.0), line(price_usd=300.0, species="white oak"))
        assert assign_mills(lot, one).line.tolist() == [1, 0]

    def test_a_log_too_small_for_the_narrow_entry_falls_to_the_wide_one(
        self, make_lot: MakeLot
    ) -> None:
        lot = make_lot([12.0, 16.0])
        one = sheet(line(price_usd=300.0), line(price_usd=900.0, species="oak", min_dib_in=14.0))
        assert assign_mills(lot, one).line.tolist() == [0, 1]

    def test_a_better_price_for_larger_logs(self, make_lot: MakeLot) -> None:
        one = sheet(line(price_usd=300.0), line(price_usd=600.0, min_dib_in=14.0))
        sold = assign_mills(make_lot([13.9, 14.0]), one)
        assert sold.line.tolist() == [0, 1]
        assert sold.second_line.tolist() == [-1, -1]  # the other line is of the same mill
        assert np.isnan(sold.second_usd).all()

    @pytest.mark.parametrize(
        ("limits", "taken"),
        [
            ({"min_dib_in": 12.0}, [False, True, True]),
            ({"max_large_in": 15.0}, [True, True, False]),
            ({"min_length_ft": 12.0}, [False, True, True]),
            ({"lengths_ft": (8.0, 16.0)}, [True, False, True]),
        ],
    )
    def test_what_size_a_mill_takes(
        self, make_lot: MakeLot, limits: dict[str, object], taken: list[bool]
    ) -> None:
        lot = make_lot([11.9, 12.0, 14.0], length_ft=[8.0, 12.0, 16.0])
        assert (assign_mills(lot, sheet(line(**limits))).line == 0).tolist() == taken

    def test_a_stated_mill_gets_its_logs_and_no_others(self, make_lot: MakeLot) -> None:
        lot = make_lot([16.0, 16.0, 16.0], product=[0, 0, 1])
        two = sheet(line("north"), line("river", price_usd=400.0), by_ton("river", 9.0))
        assert assign_mills(lot, two, mill="River").line.tolist() == [1, 1, -1]
        assert assign_mills(lot, two, mill=["river", "", "north"]).line.tolist() == [1, 0, -1]
        with pytest.raises(DomainError, match=r"mill of the sheet; got 'rivr'. Did you mean"):
            assign_mills(lot, two, mill="rivr")

    def test_no_mills_no_sale(self, make_lot: MakeLot) -> None:
        sold = assign_mills(make_lot([16.0]), MillSheet(lines=()))
        assert sold.line.tolist() == [-1]
        assert sold.not_taken.all()


class TestByTheTree:
    POST = line("yard", unit="tree", log_rule="", product="pulpwood", price_usd=6.0)

    def test_it_is_paid_once_for_all_the_logs(self, make_lot: MakeLot) -> None:
        lot = make_lot([5.0, 4.0, 5.0], product=1, tree=[0, 0, 1], tons=0.1)
        sold = assign_mills(lot, sheet(self.POST, by_ton("pulp", 10.0, product="pulpwood")))
        assert sold.line.tolist() == [0, 0, 0]
        assert sold.stumpage_usd.tolist() == [6.0, 0.0, 6.0]
        assert sold.second_line.tolist() == [1, 1, 1]
        assert sold.second_usd == pytest.approx([1.0, 1.0, 1.0])

    def test_it_loses_to_a_better_price_for_the_same_logs_together(self, make_lot: MakeLot) -> None:
        lot = make_lot([5.0, 4.0, 5.0], product=1, tree=[0, 0, 1], tons=0.4)
        sold = assign_mills(lot, sheet(self.POST, by_ton("pulp", 10.0, product="pulpwood")))
        assert sold.line.tolist() == [1, 1, 0]  # 4 + 4 beats 6; 4 does not
        assert sold.second_line.tolist() == [0, 0, 1]

    def test_it_must_take_every_log_of_the_tree(self, make_lot: MakeLot) -> None:
        lot = make_lot([5.0, 4.0], product=1, tree=[0, 0])
        assert (assign_mills(lot, sheet(replace(self.POST, min_dib_in=4.5))).line == -1).all()

    def test_the_second_yard_is_second(self, make_lot: MakeLot) -> None:
        lot = make_lot([5.0], product=1)
        for order in ((0, 1), (1, 0)):
            yards = [self.POST, replace(self.POST, mill="other", price_usd=5.0)]
            both = sheet(*(yards[k] for k in order))
            sold = assign_mills(lot, both)
            assert both.lines[sold.line[0]].mill == "yard"
            assert both.lines[sold.second_line[0]].mill == "other"
            assert sold.second_usd.tolist() == [5.0]


MIXED = (
    at_gate("north", 28.0, price_usd=640.0, min_dib_in=9.0),
    at_gate("north", 28.0, price_usd=480.0, species="yellow-poplar"),
    line("river", log_rule="international", price_usd=330.0, lengths_ft=(8.0, 12.0, 16.0)),
    by_ton("pulp", 34.0, product="pulpwood", basis="delivered", haul_miles=40.0),
    line("stack", price_usd=14.0, unit="cord", log_rule="", product="pulpwood", max_large_in=20.0),
)


def one_log_at_a_time(lot: LogLot, mills: MillSheet) -> list[float]:
    """The same choice in plain Python, log by log and line by line."""
    accepts = mills.accepts(lot)
    return [
        max([0.0, *(mills.net_usd(lot, k)[i] for k in range(len(mills.lines)) if accepts[i, k])])
        for i in range(len(lot))
    ]


class TestItHolds:
    @settings(max_examples=25, deadline=None)
    @given(seed=st.integers(0, 10_000))
    def test_the_same_as_looking_at_each_log(self, random_lot: RandomLot, seed: int) -> None:
        lot, mills = random_lot(12, seed), sheet(*MIXED)
        sold = assign_mills(lot, mills)
        np.testing.assert_allclose(sold.stumpage_usd, one_log_at_a_time(lot, mills), rtol=1e-12)

    @settings(max_examples=25, deadline=None)
    @given(seed=st.integers(0, 10_000), which=st.integers(0, 4), more=st.floats(0, 900))
    def test_a_price_rise_never_lowers_the_value(
        self, random_lot: RandomLot, seed: int, which: int, more: float
    ) -> None:
        lot = random_lot(12, seed)
        dearer = list(MIXED)
        dearer[which] = replace(dearer[which], price_usd=dearer[which].price_usd + more)
        before = assign_mills(lot, sheet(*MIXED)).stumpage_usd
        assert (assign_mills(lot, sheet(*dearer)).stumpage_usd >= before).all()

    @settings(max_examples=25, deadline=None)
    @given(seed=st.integers(0, 10_000))
    def test_net_never_above_delivered_nor_second_above_best(
        self, random_lot: RandomLot, seed: int
    ) -> None:
        sold = assign_mills(random_lot(20, seed), sheet(*MIXED))
        gate = ~np.isnan(sold.delivered_usd)
        assert (sold.stumpage_usd[gate] <= sold.delivered_usd[gate]).all()
        second = sold.second_line >= 0
        assert (sold.second_usd[second] <= sold.stumpage_usd[second]).all()
        assert (sold.stumpage_usd >= 0).all()

    @settings(max_examples=25, deadline=None)
    @given(seed=st.integers(0, 10_000), order=st.permutations(range(5)))
    def test_the_order_of_mills_and_of_logs_does_not_matter(
        self, random_lot: RandomLot, seed: int, order: list[int]
    ) -> None:
        lot = random_lot(15, seed)
        turned = assign_mills(lot, sheet(*(MIXED[k] for k in order)))
        sold = assign_mills(lot, sheet(*MIXED))
        np.testing.assert_allclose(turned.stumpage_usd, sold.stumpage_usd, rtol=1e-12)
        back = np.arange(len(lot))[::-1]
        arrays = {f: getattr(lot, f)[back] for f in LogLot.__dataclass_fields__ if f != "products"}
        flipped = assign_mills(LogLot(products=lot.products, **arrays), sheet(*MIXED))
        assert flipped.stumpage_usd[back].tolist() == sold.stumpage_usd.tolist()

    @settings(max_examples=25, deadline=None)
    @given(seed=st.integers(0, 10_000))
    def test_totals_by_mill_add_up_to_the_sale(self, random_lot: RandomLot, seed: int) -> None:
        lot, mills = random_lot(30, seed), sheet(*MIXED)
        weight = np.random.default_rng(seed).uniform(0, 40, len(lot))
        sold = assign_mills(lot, mills)
        totals = mill_totals(lot, mills, sold, weight)
        assert totals["stumpage_usd"].sum() == pytest.approx(weight @ sold.stumpage_usd, rel=1e-9)
        assert totals["loads"].sum() == pytest.approx(
            weight[sold.line >= 0] @ lot.weight_tons[sold.line >= 0] / 25.0, rel=1e-9
        )


GOOD = {
    "mill": "north", "product": "sawlog", "species": "", "price_usd": "500", "unit": "mbf",
    "log_rule": "doyle", "basis": "delivered", "haul_miles": "30", "min_dib_in": "10",
    "max_large_in": "", "min_length_ft": "8", "lengths_ft": "", "date": "2025-01-15", "limit": "",
    "limit_loads": "",
}  # fmt: skip


def read(
    *rows: dict[str, str], costs: Costs | None = COSTS, as_of: date | None = None
) -> tuple[MillSheet, list[str]]:
    made, problems = mills_from_frame(
        pd.DataFrame([GOOD | row for row in rows]),
        file="mills.csv",
        products=["sawlog", "pulpwood"],
        bulk_products=["pulpwood"],
        aliases={"WO": "white oak"},
        costs=costs,
        as_of=as_of,
    )
    return made, [str(p) for p in problems]


class TestReadingTheMills:
    def test_a_row_becomes_a_line(self) -> None:
        made, problems = read({"lengths_ft": "8; 12;16", "limit": "40", "species": "WO"})
        assert not problems
        expected = at_gate(
            miles=30.0,
            min_dib_in=10.0,
            min_length_ft=8.0,
            lengths_ft=(8.0, 12.0, 16.0),
            date=date(2025, 1, 15),
            limit=40.0,
            species="WO",
            row=2,
        )
        assert made.lines == (expected,)

    def test_one_mill_whatever_its_capitals(self) -> None:
        assert read({"mill": "North mill"}, {"mill": "north Mill"})[0].mills == ("North mill",)

    @pytest.mark.parametrize(
        ("row", "said"),
        [
            ({"mill": ""}, "row 2, column 'mill': is blank"),
            ({"product": "sawlg"}, "column 'product'.*Did you mean 'sawlog'"),
            ({"price_usd": "ask"}, "column 'price_usd': not a number .got 'ask'"),
            ({"unit": "load"}, "column 'unit': unknown unit"),
            ({"log_rule": ""}, "column 'log_rule'.*must name its log rule"),
            ({"species": "wite oak"}, "column 'species': unknown species or group"),
            ({"basis": ""}, "column 'basis': must say whether"),
            ({"haul_miles": ""}, "column 'haul_miles': a delivered price needs the loaded miles"),
            ({"haul_miles": "-3"}, "column 'haul_miles': must be 0 or more .got '-3'"),
            ({"min_dib_in": "ten"}, "column 'min_dib_in': not a number"),
            ({"max_large_in": "9"}, "column 'max_large_in': is less than min_dib_in"),
            ({"lengths_ft": "8;x"}, "column 'lengths_ft': must be lengths in feet"),
            ({"date": "15/1/2025"}, "column 'date': not a date"),
            ({"limit": "0"}, "column 'limit': must be more than 0"),
            ({"product": "pulpwood"}, "weighed or stacked.*no mbf volume"),
        ],
    )
    def test_each_fault_has_its_message(self, row: dict[str, str], said: str) -> None:
        made, problems = read(row)
        assert len(problems) == 1
        assert re.search(said, problems[0]), problems[0]
        assert made.lines == ()

    def test_without_costs_a_delivered_price_is_an_error_that_says_so(self) -> None:
        made, problems = read({}, {"basis": "stumpage"}, costs=None)
        assert len(problems) == 1
        assert re.search(r"row 2.*without your costs.*under \[costs\]", problems[0])
        assert [x.basis for x in made.lines] == ["stumpage"]

    def test_loads_need_the_tons_of_a_load(self) -> None:
        problems = read({"basis": "stumpage", "limit_loads": "40"}, costs=None)[1]
        assert "a limit in loads needs the tons of one load" in problems[0]

    def test_a_mill_has_one_limit_in_loads(self) -> None:
        made, problems = read({"limit_loads": "40"}, {"limit_loads": "50", "species": "oak"})
        assert "another limit on row 2" in problems[0]
        assert made.loads_limit.tolist() == [40.0]

    @pytest.mark.parametrize(
        ("as_of", "said"),
        [(date(2026, 6, 1), "502 days older"), (date(2024, 12, 1), "later date than the cruise")],
    )
    def test_an_old_price_is_warned_of_and_kept(self, as_of: date, said: str) -> None:
        made, problems = read({}, as_of=as_of)
        assert len(made.lines) == 1
        assert said in problems[0]

    def test_missing_and_misspelt_columns(self) -> None:
        frame = pd.DataFrame([GOOD]).drop(columns="basis").rename(columns={"min_dib_in": "min_dib"})
        problems = mills_from_frame(frame, file="m.csv", products=["sawlog"])[1]
        assert [p.column for p in problems] == ["basis", "min_dib"]
        assert problems[1].mend == "Did you mean 'min_dib_in'?"


def test_the_sample_mills_read_clean_and_buy_every_product() -> None:
    specs = specs_from_frame(pd.read_csv(SAMPLE / "products.csv", dtype=str), file="products.csv")
    mills, problems = mills_from_frame(
        pd.read_csv(SAMPLE / "mills.csv", dtype=str),
        file="mills.csv",
        products=[s.product for s in specs],
        bulk_products=[s.product for s in specs if s.kind == "bulk"],
        costs=COSTS,
        as_of=date(2025, 3, 14),
    )
    assert not problems
    assert {x.product for x in mills.lines} == {s.product for s in specs}
    assert {x.basis for x in mills.lines} == {"delivered", "stumpage"}
    assert np.isfinite(mills.loads_limit).any()
    for a, b in pairs(mills.lines, mills.lines):
        same = (a.mill, a.product, a.species) == (b.mill, b.product, b.species)
        assert a is b or not same
