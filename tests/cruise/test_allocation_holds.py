"""Plots shared out among strata: no other way is better, and bounds are kept."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from standmap.cruise import (
    allocate,
    allocated_se,
    allocation_shares,
    finite_population_correction,
    optimum_allocation,
    plots_for_budget,
    stratified_plots_needed,
)

SEEDS = st.integers(0, 2**32 - 1)
QUICK = settings(max_examples=40, deadline=None)


@QUICK
@given(seed=SEEDS, strata=st.integers(2, 5), plots=st.integers(20, 60))
def test_no_other_allocation_beats_neymans(seed: int, strata: int, plots: int) -> None:
    rng = np.random.default_rng(seed)
    size, spread = rng.uniform(5, 100, strata), rng.uniform(2, 40, strata)
    exact = allocated_se(size, spread, plots * allocation_shares(size, spread))
    for _ in range(20):
        other = rng.dirichlet(np.ones(strata)) * plots
        assume(other.min() > 1e-6)
        assert exact <= allocated_se(size, spread, other) * (1 + 1e-12)
    assert exact <= allocated_se(size, spread, plots * allocation_shares(size)) * (1 + 1e-12)


@QUICK
@given(seed=SEEDS)
def test_no_other_allocation_is_cheaper_for_its_error(seed: int) -> None:
    # Cost x variance does not change with the number of plots; the optimum makes it smallest.
    rng = np.random.default_rng(seed)
    size, spread, cost = rng.uniform(5, 100, 4), rng.uniform(2, 40, 4), rng.uniform(1, 20, 4)

    def dear(share: np.ndarray) -> float:
        return allocated_se(size, spread, share) ** 2 * float(share @ cost)

    best = allocation_shares(size, spread, cost)
    for _ in range(20):
        nearby = best * rng.uniform(0.8, 1.25, 4)
        assert dear(best) <= dear(nearby) * (1 + 1e-12)


@QUICK
@given(seed=SEEDS, plots=st.integers(12, 60))
def test_allocations_sum_and_keep_their_bounds(seed: int, plots: int) -> None:
    rng = np.random.default_rng(seed)
    size, spread = rng.uniform(1, 100, 5), rng.uniform(0, 40, 5)
    most = rng.integers(2, 30, 5)
    assume(most.sum() >= plots)
    out = optimum_allocation(plots, size, spread, rng.uniform(1, 9, 5), most=most)
    assert out.sum() == plots
    assert np.all(out >= 2)
    assert np.all(out <= most)


def test_free_allocation_is_neymans() -> None:
    size, spread = [50, 30, 20], [10, 20, 30]
    free = optimum_allocation(60, size, spread)
    assert free.tolist() == allocate(60, size, spread).tolist()


def test_the_budget_is_spent_and_not_overspent() -> None:
    size, spread, cost = [60, 30, 10], [12, 20, 35], np.array([20, 35, 60])
    n = plots_for_budget(2_000, size, spread, cost, fixed_cost=300)
    share = allocation_shares(size, spread, cost)
    assert n * (share @ cost) <= 1_700 < (n + 1) * (share @ cost)


@pytest.mark.parametrize("rule", ["optimum", "proportional"])
def test_the_plots_needed_hold_the_bound(rule: str) -> None:
    size, spread = [60, 30, 10], [12, 20, 35]
    n = stratified_plots_needed(size, spread, 3.0, rule=rule)  # type: ignore[arg-type]
    share = allocation_shares(size, spread if rule == "optimum" else None)
    assert 2 * allocated_se(size, spread, n * share) <= 3.0
    assert 2 * allocated_se(size, spread, (n - 1) * share) > 3.0


def test_a_tract_covered_whole_has_no_error() -> None:
    assert finite_population_correction(40, 40) == 0
    assert allocated_se([1, 1], [5, 9], [10, 20], population_units=[10, 20]) == 0
    few = stratified_plots_needed([1, 1], [5, 9], 1.0, population_units=60)
    assert few < stratified_plots_needed([1, 1], [5, 9], 1.0)
