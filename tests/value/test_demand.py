"""Mills that take only so much: the plan is the best there is, and shadow prices are true."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.value import (
    Costs,
    LogLot,
    MillLine,
    MillSheet,
    assign_mills,
    sell_under_limits,
    share_out,
)
from standmap.value.amounts import TON

FloatArray = npt.NDArray[np.float64]
MakeLot = Callable[..., LogLot]
RandomLot = Callable[[int, int], LogLot]
COSTS = Costs(cut_load_usd_per_ton=0, haul_usd_per_loaded_mile=0, load_tons=25)


def best_corner(net: FloatArray, uses: FloatArray, limits: FloatArray) -> float:
    """The best corner of the plan by trying every set of binding rules: brute force."""
    classes, outlets = net.shape
    n = classes * outlets
    rows = [*np.kron(np.eye(classes), np.ones(outlets)), *uses.reshape(len(uses), n), *-np.eye(n)]
    most = np.concatenate([np.ones(classes), limits, np.zeros(n)])
    rules = np.array(rows)
    best = 0.0
    for chosen in combinations(range(len(rules)), n):
        corner = rules[list(chosen)]
        if abs(np.linalg.det(corner)) < 1e-9:
            continue
        x = np.linalg.solve(corner, most[list(chosen)])
        if (rules @ x <= most + 1e-9).all():
            best = max(best, float(net.ravel() @ x))
    return best


class TestSharedOut:
    @settings(max_examples=25, deadline=None)
    @given(seed=st.integers(0, 100_000))
    def test_nothing_better_is_found_by_trying_every_corner(self, seed: int) -> None:
        rng = np.random.default_rng(seed)
        net = rng.uniform(-20, 100, (2, 2))
        uses = rng.uniform(0, 10, (2, 2, 2)) * rng.integers(0, 2, (2, 1, 2))
        limits = rng.uniform(0.5, 8, 2)
        plan = share_out(net, uses, limits)
        assert plan.value_usd == pytest.approx(best_corner(net, uses, limits), rel=1e-6, abs=1e-6)

    @settings(max_examples=25, deadline=None)
    @given(seed=st.integers(0, 100_000))
    def test_limits_are_kept_and_the_dual_is_worth_the_same(self, seed: int) -> None:
        # Strong duality: limits at their shadow prices, and each class at what is left of its best
        # outlet once the limits are paid for, are worth the plan itself.
        rng = np.random.default_rng(seed)
        net = rng.uniform(0, 1000, (6, 3))
        uses = rng.uniform(1, 10, (6, 3)) * np.eye(3)[:, np.newaxis, :]
        limits = rng.uniform(1, 20, 3)
        plan = share_out(net, uses, limits)
        assert (plan.used <= limits * (1 + 1e-6)).all()
        assert (plan.share.sum(axis=1) <= 1 + 1e-9).all()
        left = (net - np.einsum("k,kco->co", plan.shadow_usd, uses)).max(axis=1).clip(min=0)
        dual = plan.shadow_usd @ limits + left.sum()
        assert dual == pytest.approx(plan.value_usd, rel=1e-6)
        free = plan.used < limits * (1 - 1e-6)
        assert (plan.shadow_usd[free] == 0).all()

    def test_the_shadow_price_is_what_one_more_brings(self) -> None:
        # 10 loads of oak net 100 or 70 a load, 10 of poplar 90 or 80; the first mill takes 12.
        # Oak loses 30 elsewhere and poplar 10, so the last load in is poplar: one more brings 10.
        net = np.array([[1000.0, 700.0], [900.0, 800.0]])
        uses = np.array([[[10.0, 0.0], [10.0, 0.0]]])
        plan = share_out(net, uses, np.array([12.0]))
        np.testing.assert_allclose(plan.share, [[1.0, 0.0], [0.2, 0.8]], atol=1e-9)
        assert plan.value_usd == pytest.approx(1820.0)
        more = share_out(net, uses, np.array([13.0]))
        assert plan.shadow_usd[0] == pytest.approx(10.0)
        assert more.value_usd - plan.value_usd == pytest.approx(10.0)

    def test_wood_that_nobody_takes_or_that_loses_money_stays(self) -> None:
        plan = share_out(np.array([[np.nan, -5.0]]), np.zeros((0, 1, 2)), np.zeros(0))
        assert plan.share.tolist() == [[0.0, 0.0]]
        assert plan.value_usd == 0.0

    def test_a_negative_limit_is_refused(self) -> None:
        with pytest.raises(DomainError, match="must be 0 or more"):
            share_out(np.ones((1, 1)), np.ones((1, 1, 1)), np.array([-1.0]))


def ton_line(mill: str, price: float, product: str = "pulpwood", **more: object) -> MillLine:
    paid: dict[str, object] = {"price_usd": price, "unit": "ton", "basis": "stumpage"}
    return MillLine(mill=mill, product=product, **(paid | more))  # type: ignore[arg-type]


def saw_line(mill: str, price: float, rule: str = "doyle", **more: object) -> MillLine:
    return ton_line(mill, price, "sawlog", unit="mbf", log_rule=rule, **more)


def sheet(*lines: MillLine) -> MillSheet:
    return MillSheet(lines=lines, costs=COSTS)


OPEN = (
    saw_line("north", 500.0),
    saw_line("river", 380.0, "international", min_dib_in=8.0),
    ton_line("pulp", 9.0),
    ton_line("chips", 7.0),
)


class TestASaleUnderLimits:
    def test_a_hundred_tons_to_a_mill_that_takes_two_loads(self, make_lot: MakeLot) -> None:
        # 100 tons; the pulp mill pays $9 and takes 50 tons, the chip mill $7: 450 + 350. One more
        # load of 25 tons at the pulp mill brings 25 x (9 - 7) = $50.
        lot = make_lot([5.0], product=1, tons=0.5)
        sale = sell_under_limits(
            lot, sheet(ton_line("pulp", 9.0, limit_loads=2.0), ton_line("chips", 7.0)), [200.0]
        )
        assert sale.value_usd == pytest.approx(800.0)
        assert sale.unlimited_usd == pytest.approx(900.0)
        np.testing.assert_allclose(sale.share, [[0.5, 0.5]], atol=1e-9)
        table = sale.mills.set_index("mill")
        assert table["limited"].to_dict() == {"pulp": True, "chips": False}
        assert table["loads"].to_dict() == pytest.approx({"pulp": 2.0, "chips": 2.0})
        assert table["shadow_usd"].to_dict() == pytest.approx({"pulp": 50.0, "chips": 0.0})

    def test_a_limit_in_the_lines_own_unit(self, make_lot: MakeLot) -> None:
        # A 16-inch 16-foot log is 0.144 MBF Doyle: 100 of them are 14.4, and the mill takes 7.2.
        lot = make_lot([16.0], tons=1.0)
        sale = sell_under_limits(
            lot, sheet(saw_line("north", 500.0, limit=7.2), ton_line("b", 30.0, "sawlog")), [100.0]
        )
        table = sale.mills.set_index("mill")
        assert sale.value_usd == pytest.approx(7.2 * 500 + 50 * 30)
        # One more MBF brings 500 and takes 1 / 0.144 logs of a ton from the other mill.
        assert table.at["north", "shadow_usd_per_unit"] == pytest.approx(500 - 30 / 0.144)
        assert table.at["north", "shadow_usd"] == pytest.approx((500 - 30 / 0.144) * 25 * 0.144)

    def test_the_loads_of_a_mill_are_of_everything_it_buys(self, make_lot: MakeLot) -> None:
        lot = make_lot([16.0, 5.0], product=[0, 1], tons=[1.0, 1.0])
        mill = sheet(ton_line("m", 40.0, "sawlog", limit_loads=3.0), ton_line("m", 8.0))
        sale = sell_under_limits(lot, mill, [50.0, 50.0])
        assert sale.mills["loads"].sum() == pytest.approx(3.0)
        assert sale.value_usd == pytest.approx(50 * 40 + 25 * 8)

    def test_large_logs_go_where_large_logs_pay(self, make_lot: MakeLot) -> None:
        # Both logs bring most at the Doyle mill, which takes 20 MBF: 24-inch logs (0.4 MBF each),
        # since by International the river mill makes up nearly all of a 16-inch log.
        lot = make_lot([16.0, 24.0])
        assert assign_mills(lot, sheet(*OPEN)).line.tolist() == [0, 0]
        sale = sell_under_limits(
            lot, sheet(saw_line("north", 500.0, limit=20.0), OPEN[1]), [100.0, 100.0]
        )
        assert sale.share[0].tolist() == pytest.approx([0.0, 1.0], abs=1e-9)
        assert sale.share[1, 0] == pytest.approx(0.5)

    @settings(max_examples=20, deadline=None)
    @given(seed=st.integers(0, 10_000))
    def test_without_limits_each_log_goes_to_its_best_mill(
        self, random_lot: RandomLot, seed: int
    ) -> None:
        lot = random_lot(25, seed)
        weight = np.random.default_rng(seed).uniform(0, 60, len(lot))
        best = weight @ assign_mills(lot, sheet(*OPEN)).stumpage_usd
        sale = sell_under_limits(lot, sheet(*OPEN), weight, dib_class_in=6.0)
        assert sale.value_usd == pytest.approx(best, rel=1e-6)
        assert sale.unlimited_usd == pytest.approx(best, rel=1e-9)
        assert not sale.mills["limited"].any()

    @settings(max_examples=20, deadline=None)
    @given(seed=st.integers(0, 10_000), low=st.floats(0.2, 4), more=st.floats(0, 4))
    def test_a_wider_limit_is_never_worse_nor_better_than_none(
        self, random_lot: RandomLot, seed: int, low: float, more: float
    ) -> None:
        lot = random_lot(25, seed)
        weight = np.random.default_rng(seed).uniform(0, 60, len(lot))
        narrow, wide = (
            sell_under_limits(lot, sheet(saw_line("north", 500.0, limit=m), *OPEN[1:]), weight)
            for m in (low, low + more)
        )
        slack = 1e-6 * wide.unlimited_usd
        assert narrow.value_usd <= wide.value_usd + slack
        assert wide.value_usd <= wide.unlimited_usd + slack
        assert weight @ narrow.stumpage_usd == pytest.approx(narrow.value_usd, rel=1e-9)
        assert narrow.mills["stumpage_usd"].sum() == pytest.approx(narrow.value_usd, rel=1e-9)
        north = narrow.mills.loc[narrow.mills["mill"] == "north", "quantity"].sum()
        assert north <= low * (1 + 1e-6)

    @settings(max_examples=15, deadline=None)
    @given(seed=st.integers(0, 100_000))
    def test_no_other_sharing_out_of_a_tract_brings_more(
        self, random_lot: RandomLot, seed: int
    ) -> None:
        """Two logs of a tract, two mills limited by MBF and by loads: every corner tried."""
        rng = np.random.default_rng(seed)
        lot = random_lot(40, seed)
        two = np.flatnonzero(lot.product == 0)[:2]
        lot = LogLot(
            products=lot.products,
            **{f.name: getattr(lot, f.name)[two] for f in fields(lot) if f.name != "products"},
        )
        weight = rng.uniform(20, 200, 2)
        near = saw_line("near", float(rng.uniform(100, 600)), limit=float(rng.uniform(1, 20)))
        far = ton_line("far", 30.0, "sawlog", limit_loads=float(rng.uniform(0.2, 5)))
        mills = sheet(near, far)
        sale = sell_under_limits(lot, mills, weight, dib_class_in=1e-6)  # each log by itself
        held = weight[:, np.newaxis] * lot.amounts
        net = np.column_stack([near.price_usd * held[:, 1], far.price_usd * held[:, TON]])
        uses = np.zeros((2, 2, 2))
        uses[0, :, 0], uses[1, :, 1] = held[:, 1], held[:, TON] / COSTS.load_tons
        best = best_corner(net, uses, np.array([near.limit, far.limit_loads]))
        assert sale.value_usd == pytest.approx(best, rel=1e-6)

    def test_finer_classes_bring_no_less_and_little_more(self, random_lot: RandomLot) -> None:
        lot = random_lot(300, 9)
        weight = np.random.default_rng(9).uniform(0, 60, len(lot))
        mills = sheet(saw_line("north", 500.0, limit=400.0), *OPEN[1:])
        coarse, usual, fine = (
            sell_under_limits(lot, mills, weight, dib_class_in=width).value_usd
            for width in (4.0, 1.0, 0.25)
        )
        assert coarse <= usual * (1 + 1e-9) <= fine * (1 + 2e-9)
        assert usual > 0.999 * fine

    def test_a_price_by_the_tree_is_paid_once_a_tree(self, make_lot: MakeLot) -> None:
        lot = make_lot([5.0, 4.0], product=1, tree=[0, 0], tons=[0.3, 0.1])
        post = MillLine(
            mill="yard", product="pulpwood", price_usd=6.0, unit="tree", basis="stumpage", limit=5.0
        )
        sale = sell_under_limits(lot, sheet(post), [10.0, 10.0])
        assert sale.value_usd == pytest.approx(30.0)
        assert sale.mills.at[0, "shadow_usd_per_unit"] == pytest.approx(6.0)

    def test_the_logs_of_a_tree_sold_whole_are_not_sold_again(self, make_lot: MakeLot) -> None:
        # $6 a tree for 0.3 + 0.1 tons; $10 a ton for the small log alone would be a dollar more.
        lot = make_lot([5.0, 4.0], product=1, tree=[0, 0], tons=[0.3, 0.1])
        post = MillLine(
            mill="yard", product="pulpwood", price_usd=6.0, unit="tree", basis="stumpage"
        )
        sale = sell_under_limits(lot, sheet(post, ton_line("pulp", 10.0)), [10.0, 10.0])
        assert sale.value_usd == pytest.approx(60.0)

    def test_a_negative_weight_is_refused(self, make_lot: MakeLot) -> None:
        with pytest.raises(DomainError, match="'weight' must be 1 numbers of 0 or more"):
            sell_under_limits(make_lot([9.0]), sheet(*OPEN), [-1.0])

    def test_no_mills_no_sale(self, make_lot: MakeLot) -> None:
        sale = sell_under_limits(make_lot([9.0]), MillSheet(lines=()), [1.0])
        assert sale.value_usd == 0.0
        assert sale.mills.empty
