"""Offers in different units, put on the same logs."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.cruise import Sample, estimate
from standmap.errors import DomainError
from standmap.products import specs_from_frame
from standmap.value import (
    SALE_UNITS,
    LogLot,
    Offer,
    Price,
    PriceSheet,
    break_even,
    break_even_table,
    offers_from_frame,
    value_offers,
)

MakeLot = Callable[..., LogLot]
RandomLot = Callable[[int, int], LogLot]
SAMPLE = Path(__file__).parents[2] / "sample_gis"


def offer(name: str, *prices: Price, **more: object) -> Offer:
    return Offer(offer=name, prices=PriceSheet(prices=prices), **more)  # type: ignore[arg-type]


def mbf(rule: str, usd: float, product: str = "sawlog", species: str = "") -> Price:
    return Price(product=product, price_usd=usd, unit="mbf", log_rule=rule, species=species)


class TestOnTheSameLogs:
    def test_the_better_rule_depends_on_the_logs(self, make_lot: MakeLot) -> None:
        # 16-ft logs of 8 and 24 in: Doyle 16 and 400 bf; Scribner (formula) 30.56 and 403.04.
        lot = make_lot([8.0, 24.0])
        usd = value_offers(lot, [offer("a", mbf("doyle", 500)), offer("b", mbf("scribner", 440))])
        np.testing.assert_allclose(usd.log_usd, [[8.0, 13.4464], [200.0, 177.3376]], rtol=1e-9)

    def test_a_lump_sum_is_the_same_whatever_is_cut(self, make_lot: MakeLot) -> None:
        bids = [
            offer("doyle", mbf("doyle", 500)),
            offer("lump", lump_sum_usd=1000.0, lump_buys=(("", ""),)),
        ]
        values = value_offers(make_lot([24.0, 8.0], product=[0, 1]), bids)
        totals = values.totals([10.0, 10.0])
        assert totals["offer"].tolist() == ["doyle", "lump"]
        assert totals["value_usd"].tolist() == pytest.approx([2000.0, 1000.0])
        assert totals["less_than_best_usd"].tolist() == pytest.approx([0.0, 1000.0])
        assert totals["rank"].tolist() == [1, 2]
        assert totals["unpriced_logs"].tolist() == [1, 0]

    def test_a_lump_sum_for_some_and_a_price_for_the_rest(self, make_lot: MakeLot) -> None:
        lot = make_lot([16.0, 16.0, 6.0], species=[802, 621, 802], product=[0, 0, 1], tons=0.5)
        pulp = Price(product="pulpwood", price_usd=8.0, unit="ton")
        both = offer("both", pulp, lump_sum_usd=50.0, lump_buys=(("sawlog", "oak"),))
        values = value_offers(lot, [both])
        assert values.unpriced[:, 0].tolist() == [False, True, False]
        assert values.log_usd[:, 0].tolist() == [0.0, 0.0, 4.0]

    def test_the_difference_is_surer_than_either_offer(self, random_lot: RandomLot) -> None:
        # Plots hold very different timber; both buyers see the same difference.
        lot = random_lot(600, 4)
        plot = np.random.default_rng(8).integers(0, 30, len(lot)) ** 2 // 30
        bids = [offer("a", mbf("doyle", 500)), offer("b", mbf("international", 380))]
        by_plot = np.column_stack(
            [np.bincount(plot, weights=usd) for usd in value_offers(lot, bids).log_usd.T]
        )
        error = by_plot.std(axis=0, ddof=1)
        assert (by_plot[:, 0] - by_plot[:, 1]).std(ddof=1) < 0.3 * error.min()

    @settings(max_examples=25, deadline=None)
    @given(seed=st.integers(0, 10_000), more=st.floats(0, 500))
    def test_a_higher_bid_is_never_worth_less(
        self, random_lot: RandomLot, seed: int, more: float
    ) -> None:
        lot = random_lot(15, seed)
        bids = [offer("low", mbf("doyle", 300)), offer("high", mbf("doyle", 300 + more))]
        low, high = value_offers(lot, bids).log_usd.T
        assert (high >= low).all()

    def test_a_negative_sum_is_refused(self) -> None:
        with pytest.raises(DomainError, match="0 or more"):
            offer("x", lump_sum_usd=-1.0)


class TestFourBidsByHand:
    """Ten 8-inch and ten 24-inch sawlogs of 16 feet, a ton and three tons a pair.

    By the formulas: Doyle ((d - 4) / 4)^2 L = 16 and 400 bf; Scribner (0.79 d^2 - 2 d - 4) L / 16 =
    30.56 and 403.04 bf (both in Freese 1973, A collection of log rules).
    """

    @pytest.fixture
    def lot(self, make_lot: MakeLot) -> LogLot:
        return make_lot([8.0, 24.0], tons=[0.4, 2.6])

    BIDS = (
        offer("doyle", mbf("doyle", 500)),  # (16 + 400) x 10 / 1000 = 4.16 MBF: $2,080
        offer("scribner", mbf("scribner", 460)),  # 4.336 MBF: $1,994.56
        offer("ton", Price(product="sawlog", price_usd=70.0, unit="ton")),  # 30 tons: $2,100
        offer("lump", lump_sum_usd=2050.0, lump_buys=(("", ""),)),
    )

    def test_ranked_in_dollars(self, lot: LogLot) -> None:
        totals = value_offers(lot, self.BIDS).totals([10.0, 10.0])
        assert totals["offer"].tolist() == ["ton", "doyle", "lump", "scribner"]
        np.testing.assert_allclose(totals["value_usd"], [2100, 2080, 2050, 1994.56], rtol=1e-12)
        np.testing.assert_allclose(totals["less_than_best_usd"], [0, 20, 50, 105.44], atol=1e-9)

    def test_with_fewer_large_logs_the_order_turns(self, lot: LogLot) -> None:
        # 40 small logs and 4 large: 2.24 MBF Doyle, 2.83456 MBF Scribner, 26.4 tons.
        totals = value_offers(lot, self.BIDS).totals([40.0, 4.0])
        assert totals["offer"].tolist() == ["lump", "ton", "scribner", "doyle"]
        np.testing.assert_allclose(totals["value_usd"], [2050, 1848, 1303.8976, 1120], rtol=1e-12)

    def test_the_price_that_breaks_even(self, lot: LogLot) -> None:
        # $500 x 4.16 / 4.336 = $479.70 by Scribner; $500 x 4.16 / 30 = $69.33 by the ton.
        table = break_even_table(lot, [10.0, 10.0], self.BIDS[:1]).set_index("rule_a")
        assert table.loc["MBF Scribner", "price_a_usd"] == pytest.approx(479.7048, abs=5e-5)
        assert table.loc["ton", "price_a_usd"] == pytest.approx(69.3333, abs=5e-5)
        even = offer("even", mbf("scribner", table.loc["MBF Scribner", "price_a_usd"]))
        both = value_offers(lot, [self.BIDS[0], even]).totals([10.0, 10.0])
        assert both["value_usd"].iloc[0] == pytest.approx(both["value_usd"].iloc[1], rel=1e-12)


def test_the_paired_error_keeps_its_promise(random_lot: RandomLot) -> None:
    """A thousand cruises of one woods: the interval holds the true difference nine times in ten.

    Each cruise, a stand of its own here, takes 60 of 3,000 plots at random. Held to three standard
    errors of a thousand trials, sqrt(0.9 x 0.1 / 1000) = 0.95 %. Were the two bids on different
    plots, their errors would hold it nearly always: they are several times too wide. (With 25
    plots the interval holds it 87 times in 100: a few large logs make a bid's lead, and few plots
    find them. So it is with any t interval of skewed figures.)
    """
    cruises, plots = 1000, 60
    rng = np.random.default_rng(20_250_314)
    lot = random_lot(18_000, 5)
    plot = rng.integers(0, 3000, len(lot))
    bids = [offer("doyle", mbf("doyle", 500)), offer("scribner", mbf("scribner", 430))]
    paid = value_offers(lot, bids).log_usd
    by_plot = np.column_stack([np.bincount(plot, weights=usd, minlength=3000) for usd in paid.T])
    less = by_plot[:, 0] - by_plot[:, 1]
    drawn = rng.integers(0, 3000, cruises * plots)
    names = np.array([f"cruise {k}" for k in range(cruises)], dtype=object)
    sample = Sample(
        values=np.column_stack([by_plot[drawn], less[drawn]]),
        plots=np.array([str(k) for k in range(len(drawn))], dtype=object),
        stand=np.repeat(names, plots),
        attributes=("doyle", "scribner", "less"),
        stands=pd.DataFrame({"stand": names, "stratum": "", "acres": 1.0}),
        confidence=0.90,
    )
    found = estimate(sample).total(pd.DataFrame(np.eye(cruises), index=names, columns=names))
    mean, half = found.wide("estimate"), found.wide("half_width")
    off = (mean["less"] - less.mean()).abs()
    apart = np.hypot(half["doyle"], half["scribner"])
    tolerance = 3 * np.sqrt(0.9 * 0.1 / cruises)
    assert (off <= half["less"]).mean() == pytest.approx(0.90, abs=tolerance)
    assert (off <= apart).mean() > 0.99
    assert (half["less"] / apart).mean() < 0.35


class TestBreakEven:
    @pytest.mark.parametrize(
        ("price", "unit", "other", "holds", "same"),
        [
            # Texas Timber Price Trends 20(4), Texas Forest Service 2002: 0.74 MBF Doyle to one of
            # International, 0.78 to one of Scribner; an MBF Doyle of pine is 8 tons, of hardwood 9.
            (200.0, ("mbf", "international"), ("mbf", "doyle"), (1.0, 0.74), 200 / 0.74),
            (200.0, ("mbf", "scribner"), ("mbf", "doyle"), (1.0, 0.78), 200 / 0.78),
            (40.0, ("ton", ""), ("mbf", "doyle"), (8.0, 1.0), 320.0),
            (450.0, ("mbf", "doyle"), ("ton", ""), (1.0, 9.0), 50.0),
        ],
    )
    def test_by_published_factors(
        self,
        price: float,
        unit: tuple[str, str],
        other: tuple[str, str],
        holds: tuple[float, float],
        same: float,
    ) -> None:
        amounts = np.zeros((1, len(SALE_UNITS)))
        amounts[0, SALE_UNITS.index(unit)], amounts[0, SALE_UNITS.index(other)] = holds
        got = break_even(
            price, amounts, [3.0], unit=unit[0], log_rule=unit[1], other_unit=other[0],
            other_rule=other[1],
        )  # fmt: skip
        assert got == pytest.approx(same, rel=1e-12)

    @settings(max_examples=25, deadline=None)
    @given(
        seed=st.integers(0, 10_000),
        price=st.floats(1, 2000),
        units=st.permutations(SALE_UNITS[:5]),
    )
    def test_both_prices_bring_the_same_dollars(
        self, random_lot: RandomLot, seed: int, price: float, units: list[tuple[str, str]]
    ) -> None:
        lot = random_lot(20, seed)
        weight = np.where(lot.product == 0, np.random.default_rng(seed).uniform(1, 50, 20), 0.0)
        (unit, rule), (other, other_rule) = units[:2]
        same = break_even(
            price, lot.amounts, weight, unit=unit, log_rule=rule, other_unit=other,
            other_rule=other_rule,
        )  # fmt: skip
        first, second = (
            offer("o", Price(product="sawlog", price_usd=usd, unit=u, log_rule=r))
            for usd, u, r in ((price, unit, rule), (same, other, other_rule))
        )
        one, two = weight @ value_offers(lot, [first, second]).log_usd
        assert one == pytest.approx(two, rel=1e-9)

    def test_nothing_to_compare_is_nan(self, make_lot: MakeLot) -> None:
        pulp = make_lot([6.0], product=1)
        got = break_even(9.0, pulp.amounts, [1.0], unit="ton", other_unit="mbf", other_rule="doyle")
        assert np.isnan(got)

    def test_the_table_quotes_every_price_on_the_logs_it_buys(self, make_lot: MakeLot) -> None:
        lot = make_lot([8.0, 24.0], species=[621, 802])
        bid = offer("bid", mbf("doyle", 300), mbf("doyle", 500, species="white oak"))
        table = break_even_table(lot, [2.0, 3.0], [bid]).set_index(["species", "rule_a"])
        assert len(table) == 8  # three other rules and the ton, for two prices
        assert set(table["rule_b"]) == {"MBF Doyle"}
        # 500 x 400 / 403.04 on the 24-inch log alone; 300 x 16 / 30.56 on the 8-inch one.
        assert table.loc[("white oak", "MBF Scribner"), "price_a_usd"] == pytest.approx(496.2287)
        assert table.loc[("", "MBF Scribner"), "price_a_usd"] == pytest.approx(157.0681)


GOOD = {
    "offer": "first", "product": "sawlog", "species": "", "price_usd": "500", "unit": "mbf",
    "log_rule": "doyle", "lump_sum_usd": "",
}  # fmt: skip
LUMP = {"product": "", "price_usd": "", "unit": "", "log_rule": "", "lump_sum_usd": "$125,000"}
PRODUCTS = ["sawlog", "tie", "pulpwood"]


def read(*rows: dict[str, str]) -> tuple[list[Offer], list[str]]:
    made, problems = offers_from_frame(
        pd.DataFrame([GOOD | row for row in rows]),
        file="offers.csv",
        products=PRODUCTS,
        bulk_products=["pulpwood"],
    )
    return made, [str(p) for p in problems]


class TestReadingOffers:
    def test_rows_of_one_name_are_one_offer(self) -> None:
        made, problems = read({}, {"product": "tie"}, LUMP | {"offer": "second"})
        assert not problems
        assert [o.offer for o in made] == ["first", "second"]
        assert [p.product for p in made[0].prices.prices] == ["sawlog", "tie"]
        assert made[1].lump_sum_usd == 125_000.0
        assert made[1].lump_buys == (("", ""),)

    def test_a_blank_product_is_every_one_that_the_unit_measures(self) -> None:
        made, problems = read({"product": ""}, {"product": "", "unit": "ton"})
        assert not problems
        assert {p.product: p.unit for p in made[0].prices.prices} == {
            "sawlog": "mbf",
            "tie": "mbf",
            "pulpwood": "ton",
        }

    @pytest.mark.parametrize("named_first", [True, False])
    def test_a_product_priced_by_name_keeps_its_price(self, named_first: bool) -> None:
        rows = [{"price_usd": "700"}, {"product": "", "price_usd": "9", "unit": "ton"}]
        made, problems = read(*(rows if named_first else rows[::-1]))
        assert not problems
        assert {p.product: p.price_usd for p in made[0].prices.prices} == {
            "sawlog": 700.0,
            "tie": 9.0,
            "pulpwood": 9.0,
        }

    def test_several_products_on_one_row(self) -> None:
        made = read({"product": "Sawlog; tie"})[0]
        assert [p.product for p in made[0].prices.prices] == ["sawlog", "tie"]

    @pytest.mark.parametrize(
        ("row", "said"),
        [
            ({"offer": ""}, "row 2, column 'offer': is blank"),
            ({"product": "sawlog; tye"}, "no product spec has this name .got 'tye'"),
            ({"price_usd": ""}, "column 'price_usd': not a number"),
            ({"product": "pulpwood"}, "weighed or stacked.*no mbf volume"),
            ({"log_rule": "dole"}, "must name its log rule .got 'dole'"),
            ({"product": "", "unit": "tree"}, "a price by the tree must name its product"),
            (LUMP | {"lump_sum_usd": "lots"}, "column 'lump_sum_usd': not a sum"),
            (LUMP | {"price_usd": "4", "unit": "ton"}, "a lump sum or a price by the unit"),
            (LUMP | {"species": "wite oak"}, "unknown species or group"),
        ],
    )
    def test_each_fault_has_its_message(self, row: dict[str, str], said: str) -> None:
        made, problems = read(row)
        assert len(problems) == 1
        assert re.search(said, problems[0]), problems[0]
        assert not any(o.prices.prices or o.lump_buys for o in made if row.get("offer") != "")

    def test_two_prices_for_one_thing_are_a_fault(self) -> None:
        made, problems = read({}, {"price_usd": "450"})
        assert "second price of this offer" in problems[0]
        assert [p.price_usd for p in made[0].prices.prices] == [500.0]

    def test_a_table_with_nothing_offered(self) -> None:
        problems = offers_from_frame(pd.DataFrame({"offer": ["a"]}), file="o.csv", products=[])[1]
        assert "neither prices nor lump sums" in problems[0].what


def test_the_sample_offers_read_clean_and_leave_nothing_unpriced() -> None:
    specs = specs_from_frame(pd.read_csv(SAMPLE / "products.csv", dtype=str), file="products.csv")
    offers, problems = offers_from_frame(
        pd.read_csv(SAMPLE / "offers.csv", dtype=str),
        file="offers.csv",
        products=[s.product for s in specs],
        bulk_products=[s.product for s in specs if s.kind == "bulk"],
    )
    assert not problems
    assert len(offers) == 3
    for one in offers:
        priced = {p.product for p in one.prices.prices}
        assert priced == {s.product for s in specs} or one.lump_buys == (("", ""),)
    assert {p.log_rule for p in offers[0].prices.prices} == {"doyle", ""}
    assert {p.log_rule for p in offers[1].prices.prices} == {"scribner", ""}
