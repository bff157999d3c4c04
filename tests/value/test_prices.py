"""Prices: the narrowest line wins, each unit pays by its own measure, faults are all told."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.products import StemPrices
from standmap.products.stem_prices import PRICE_UNITS
from standmap.value import (
    SALE_UNITS,
    LogLot,
    Price,
    PriceSheet,
    first_logs,
    log_values,
    price_sheet_from_frame,
    unit_code,
    unit_label,
)

WHITE_OAK, RED_OAK, YELLOW_POPLAR, LOBLOLLY = 802, 833, 621, 131


def sheet(*prices: Price) -> PriceSheet:
    return PriceSheet(prices=prices)


def one_log(price_sheet: PriceSheet, index: int, **amounts: float) -> float:
    bf = np.array([[amounts.get(r, 0.0) for r in ("int", "doyle", "scrib", "c")]])
    value = log_values(
        price_sheet,
        np.array([index]),
        bf=bf,
        cords=np.array([amounts.get("cords", 0.0)]),
        weight_tons=np.array([amounts.get("tons", 0.0)]),
        first_of_product=np.array([bool(amounts.get("first", 1))]),
    )
    return float(value[0])


class TestWhichPrice:
    def test_a_species_wins_over_its_group_and_a_group_over_any(self) -> None:
        any_, oaks, white = (
            Price(product="sawtimber", price_usd=p, unit="ton", species=s)
            for p, s in ((20, ""), (30, "oak"), (60, "white oak"))
        )
        codes = np.array([WHITE_OAK, RED_OAK, YELLOW_POPLAR])
        for order in ((any_, oaks, white), (white, oaks, any_), (oaks, any_, white)):
            found = sheet(*order).match(["sawtimber"], codes)[0]
            assert [order[k].price_usd for k in found] == [60, 30, 20]

    def test_no_line_for_a_product_is_minus_one(self) -> None:
        only = sheet(Price(product="veneer", price_usd=900, unit="mbf", log_rule="doyle"))
        assert only.match(["pulpwood"], np.array([LOBLOLLY])).tolist() == [[-1]]

    def test_product_names_match_in_any_case(self) -> None:
        only = sheet(Price(product="Pulpwood", price_usd=9, unit="ton"))
        assert only.match(["pulpwood"], np.array([LOBLOLLY])).tolist() == [[0]]

    def test_the_line_and_the_rate_of_each_log(self, make_lot: Callable[..., LogLot]) -> None:
        two = sheet(
            Price(product="sawlog", price_usd=27, unit="ton"),
            Price(
                product="Sawlog", price_usd=500, unit="mbf", log_rule="doyle", species="white oak"
            ),
        )
        lot = make_lot(
            [12.0, 12.0, 6.0], species=[LOBLOLLY, WHITE_OAK, LOBLOLLY], product=[0, 0, 1]
        )
        assert two.line_of_log(lot).tolist() == [0, 1, -1]
        price, unit = two.rates(lot.products, np.array([LOBLOLLY, WHITE_OAK]))
        np.testing.assert_array_equal(price, [[27, np.nan], [500, np.nan]])
        assert [SALE_UNITS[u] for u in unit[:, 0]] == [("ton", ""), ("mbf", "doyle")]
        made = StemPrices(species_code=np.array([131, 802]), price_usd=price, unit=unit)
        assert [PRICE_UNITS[u] for u in made.unit[:, 0]] == ["ton", "mbf doyle"]


class TestWhatALogBrings:
    def test_mbf_pays_by_its_own_rule_and_no_other(self) -> None:
        doyle = sheet(Price(product="s", price_usd=400, unit="mbf", log_rule="doyle"))
        assert one_log(doyle, 0, int=180, doyle=144, scrib=160, c=160) == pytest.approx(57.6)

    def test_ton_and_cord(self) -> None:
        assert one_log(sheet(Price(product="p", price_usd=8, unit="ton")), 0, tons=0.5) == 4.0
        assert one_log(sheet(Price(product="p", price_usd=20, unit="cord")), 0, cords=0.1) == 2.0

    def test_a_tree_price_is_paid_once(self) -> None:
        poles = sheet(Price(product="post", price_usd=6, unit="tree"))
        assert one_log(poles, 0, first=1) == 6.0
        assert one_log(poles, 0, first=0) == 0.0

    def test_no_price_brings_nothing(self) -> None:
        assert one_log(sheet(Price(product="p", price_usd=8, unit="ton")), -1, tons=3) == 0.0

    @given(st.floats(0, 5000), st.floats(0, 5000), st.floats(0, 50))
    def test_value_rises_in_step_with_the_price(self, low: float, more: float, tons: float) -> None:
        cheap = one_log(sheet(Price(product="p", price_usd=low, unit="ton")), 0, tons=tons)
        dear = one_log(sheet(Price(product="p", price_usd=low + more, unit="ton")), 0, tons=tons)
        assert dear >= cheap >= 0


class TestPriceLines:
    def test_an_mbf_price_must_name_its_rule(self) -> None:
        with pytest.raises(DomainError, match="needs 'log_rule'"):
            Price(product="s", price_usd=300, unit="mbf")

    def test_a_negative_price_is_refused(self) -> None:
        with pytest.raises(DomainError, match="0 or more"):
            Price(product="s", price_usd=-1, unit="ton")

    def test_an_unknown_unit_is_refused(self) -> None:
        with pytest.raises(DomainError, match="one of mbf, ton, cord, tree"):
            Price(product="s", price_usd=1, unit="load")

    def test_labels(self) -> None:
        assert unit_label("mbf", "international") == "MBF International"


class TestUnits:
    def test_a_code_is_the_column_of_its_amounts(self, make_lot: Callable[..., LogLot]) -> None:
        lot = make_lot([16.0], tons=0.8)
        held = {pair: lot.amounts[0, unit_code(*pair)] for pair in SALE_UNITS}
        assert held["mbf", "doyle"] == pytest.approx(0.144)
        assert held["ton", ""] == 0.8
        assert held["cord", ""] == 0.0
        assert held["tree", ""] == 1.0

    def test_products_and_values_count_units_alike(self) -> None:
        assert [" ".join(pair).strip() for pair in SALE_UNITS] == list(PRICE_UNITS)

    def test_an_mbf_without_a_rule_is_no_unit(self) -> None:
        with pytest.raises(DomainError, match="must be one of MBF International"):
            unit_code("mbf")

    def test_the_first_log_of_each_product_of_each_tree(self) -> None:
        assert first_logs([3, 3, 3, 1, 3], [0, 0, 1, 0, 0]).tolist() == [1, 0, 1, 1, 0]

    def test_a_lot_has_one_value_for_each_log(self, make_lot: Callable[..., LogLot]) -> None:
        lot = make_lot([16.0, 12.0])
        with pytest.raises(DomainError, match="'cords' must be"):
            replace(lot, cords=np.zeros(3))


GOOD = {"product": "pulpwood", "price_usd": "8.50", "unit": "ton", "species": "", "log_rule": ""}


def read(*rows: dict[str, str]) -> tuple[PriceSheet, list[str]]:
    frame = pd.DataFrame([GOOD | row for row in rows])
    made, problems = price_sheet_from_frame(
        frame,
        file="prices.csv",
        products=["sawtimber", "pulpwood"],
        bulk_products=["pulpwood"],
        aliases={"WO": "white oak"},
    )
    return made, [str(p) for p in problems]


class TestReadingASheet:
    def test_dollars_and_commas_are_read(self) -> None:
        made, problems = read(
            {"product": "sawtimber", "price_usd": "$1,250", "unit": "MBF", "log_rule": "Doyle"}
        )
        assert not problems
        assert made.prices[0].price_usd == 1250.0

    def test_the_tracts_own_species_names_are_known(self) -> None:
        made, problems = read({"species": "WO"})
        assert not problems
        assert made.match(["pulpwood"], np.array([WHITE_OAK, LOBLOLLY])).tolist() == [[0, -1]]

    @pytest.mark.parametrize(
        ("row", "said"),
        [
            ({"product": "pulpwod"}, "row 2, column 'product'.*Did you mean 'pulpwood'"),
            ({"price_usd": "ten"}, "column 'price_usd': not a number .got 'ten'"),
            ({"price_usd": ""}, "not a number"),
            ({"price_usd": "-3"}, "cannot be negative"),
            ({"price_usd": "0"}, "the price is zero"),
            ({"unit": "load"}, "column 'unit': unknown unit .got 'load'"),
            ({"product": "sawtimber", "unit": "mbf"}, "must name its log rule"),
            ({"unit": "mbf", "log_rule": "doyle"}, "weighed or stacked.*no mbf volume"),
            ({"product": "sawtimber", "unit": "cord"}, "scaled in board feet.*no cord volume"),
            ({"species": "white ok"}, "unknown species or group"),
        ],
    )
    def test_each_fault_has_its_message(self, row: dict[str, str], said: str) -> None:
        problems = read(row)[1]
        assert len(problems) == 1
        assert re.search(said, problems[0]), problems[0]

    def test_two_prices_for_one_thing_are_a_fault(self) -> None:
        made, problems = read({}, {"price_usd": "9"})
        assert len(made.prices) == 1
        assert "first at row 2" in problems[0]

    def test_every_fault_is_told_at_once(self) -> None:
        assert len(read({"price_usd": "x", "unit": "y"}, {"product": "z"})[1]) == 3

    def test_a_missing_column_is_named(self) -> None:
        _, problems = price_sheet_from_frame(
            pd.DataFrame({"product": ["pulpwood"]}), file="p.csv", products=["pulpwood"]
        )
        assert [p.column for p in problems] == ["price_usd", "unit"]
