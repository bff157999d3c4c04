"""Parts of stands: from their own plots where there are enough, else from the stand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import (
    Sample,
    estimate,
    estimate_domains,
    post_stratified_mean,
    simple_random_mean,
    stratified_mean,
)
from standmap.errors import DomainError


def cruise(n: int = 12, *, stands: str = "AB", seed: int = 1977) -> Sample:
    """Plots of stands A and B; C has none and borrows."""
    rng = np.random.default_rng(seed)
    where = np.repeat(list(stands), n)
    values = rng.gamma(4, 10, (len(where), 2)) + (where == "B")[:, None] * 20
    acres = pd.DataFrame({"stand": list("ABC"), "stratum": "oak", "acres": [40.0, 25.0, 10.0]})
    return Sample(
        values=values,
        plots=[str(i) for i in range(len(where))],
        stand=where,
        attributes=("cords", "tons"),
        stands=acres,
    )


def figures(sample: Sample) -> np.ndarray:
    return sample.values  # noqa: PD011 - not a frame


def frame(**acres: dict[str, float]) -> pd.DataFrame:
    return pd.DataFrame(acres).T.reindex(columns=list("ABC")).fillna(0.0)


def test_with_plots_enough_a_part_is_the_mean_of_its_own() -> None:
    sample = cruise()
    inside = np.arange(24) < 6
    made = estimate_domains(estimate(sample), frame(hollow={"A": 9.0}), [inside])
    own = simple_random_mean(figures(sample)[:6, 0]).times(9.0)
    found = made.totals.one("hollow", "cords")
    assert made.cells["source"].tolist() == ["own plots"]
    assert found.mean == pytest.approx(own.mean, rel=1e-12)
    assert found.se == pytest.approx(own.se, rel=1e-12)
    assert (found.df, found.n) == (5, 6)


@pytest.mark.parametrize("n_inside", [0, 1, 4])
def test_with_too_few_it_is_the_stand_to_the_last_digit(n_inside: int) -> None:
    found = estimate(cruise())
    acres = frame(hollow={"A": 9.0, "B": 3.0}, ridge={"C": 2.0})
    inside = np.zeros((2, 24), dtype=bool)
    inside[0, :n_inside] = True
    made = estimate_domains(found, acres, inside, min_plots=5)
    today = found.total(acres)
    assert set(made.cells["source"]) == {"stand"}
    for figure in ("estimate", "se", "df", "n", "borrowed"):
        np.testing.assert_array_equal(getattr(made.totals, figure), getattr(today, figure))


def test_a_stand_cut_in_two_is_the_stand_post_stratified() -> None:
    # Totals of parts by their own plots add to the post-stratified mean times the acres; given the
    # plots in each part, variances add as those of strata.
    sample = cruise(stands="A", n=14)
    inside = np.array([np.arange(14) < 8, np.arange(14) >= 8])
    acres = frame(low={"A": 30.0}, high={"A": 10.0})
    totals = estimate_domains(estimate(sample), acres, inside).totals
    labels = np.where(inside[0], "low", "high")
    y = figures(sample)[:, 0]
    post = post_stratified_mean(y, labels, {"low": 30.0, "high": 10.0})
    strata = stratified_mean([simple_random_mean(y[part]) for part in inside], [30.0, 10.0])
    assert totals.estimate[:, 0].sum() == pytest.approx(40 * post.mean, rel=1e-12)
    assert np.hypot(*totals.se[:, 0]) == pytest.approx(40 * strata.se, rel=1e-12)


def test_own_plots_that_also_lend_are_counted_as_the_same_plots() -> None:
    # All of A's plots lie in the domain, so its own part is the stand itself; C borrows from A.
    # Both ways the total is the same figure, and must have the same error.
    sample = cruise(stands="A", n=9)
    found = estimate(sample)
    acres = frame(tract={"A": 40.0, "C": 10.0})
    made = estimate_domains(found, acres, [np.ones(9, dtype=bool)])
    assert made.cells["source"].tolist() == ["own plots", "stand"]
    np.testing.assert_allclose(made.totals.estimate, found.total(acres).estimate, rtol=1e-12)
    np.testing.assert_allclose(made.totals.se, found.total(acres).se, rtol=1e-12)
    assert made.totals.n.tolist() == [9]


def test_a_domain_over_two_stands_adds_their_variances() -> None:
    sample = cruise()
    found = estimate(sample)
    inside = np.zeros((1, 24), dtype=bool)
    inside[0, [0, 1, 2, 3, 4, 12, 13]] = True  # five in A, two in B
    made = estimate_domains(found, frame(unit={"A": 8.0, "B": 6.0}), inside)
    own = simple_random_mean(figures(sample)[:5, 1]).times(8.0)
    lent = simple_random_mean(figures(sample)[12:, 1]).times(6.0)
    assert made.cells["source"].tolist() == ["own plots", "stand"]
    found_total = made.totals.one("unit", "tons")
    assert found_total.mean == pytest.approx(own.mean + lent.mean, rel=1e-12)
    assert found_total.se == pytest.approx(np.hypot(own.se, lent.se), rel=1e-12)
    assert 4 < found_total.df < 15
    assert found_total.n == 5 + 12


def test_plots_of_another_stand_do_not_count() -> None:
    inside = np.ones((1, 24), dtype=bool)
    made = estimate_domains(estimate(cruise()), frame(unit={"B": 6.0}), inside)
    assert made.cells[["stand", "plots"]].to_numpy().tolist() == [["B", 12]]


def test_a_complete_tally_lends_its_mean_without_error() -> None:
    sample = Sample(
        values=[[10.0], [30.0]],
        plots=["1", "2"],
        stand=["A", "A"],
        attributes=["cords"],
        stands=pd.DataFrame({"stand": ["A"], "stratum": "", "acres": [4.0]}),
        complete=[True, True],
    )
    made = estimate_domains(
        estimate(sample), pd.DataFrame({"A": [2.0]}, index=["half"]), [[True, True]], min_plots=2
    )
    assert made.cells["source"].tolist() == ["stand"]
    assert (made.totals.estimate[0, 0], made.totals.se[0, 0]) == (40.0, 0.0)


def test_own_plots_are_unbiased_and_their_interval_holds() -> None:
    # A stand whose hollow holds twice the wood: the stand's own mean misses it by far, the plots
    # inside hit it, and nine in ten of their intervals hold it. One attribute is one cruise.
    draws = 3_000
    rng = np.random.default_rng(5)
    inside = np.arange(30) < 11
    values = rng.normal(np.where(inside, 200, 100)[:, None], 40, (30, draws))
    sample = Sample(
        values=values,
        plots=[str(i) for i in range(30)],
        stand=["A"] * 30,
        attributes=[f"draw{i}" for i in range(draws)],
        stands=pd.DataFrame({"stand": ["A"], "stratum": "", "acres": [1.0]}),
    )
    acres = pd.DataFrame({"A": [0.4]}, index=["hollow"])
    totals = estimate_domains(estimate(sample), acres, [inside]).totals
    off = totals.estimate[0] - 80.0
    assert abs(off.mean()) < 3 * off.std() / np.sqrt(draws)
    held = (totals.low[0] <= 80.0) & (totals.high[0] >= 80.0)
    assert 0.88 <= held.mean() <= 0.92


def test_wrong_asking() -> None:
    found = estimate(cruise())
    with pytest.raises(DomainError, match="2 or more"):
        estimate_domains(found, frame(a={"A": 1.0}), np.ones((1, 24), bool), min_plots=1)
    with pytest.raises(DomainError, match="domains x plots"):
        estimate_domains(found, frame(a={"A": 1.0}), np.ones((2, 24), bool))
