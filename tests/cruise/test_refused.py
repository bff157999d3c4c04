"""What no estimator takes, and what it says."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import (
    Estimate,
    Sample,
    allocated_se,
    allocation_shares,
    big_baf_mean,
    bootstrap_mean,
    bootstrap_ratio,
    combined_error_pct,
    count_measure_mean,
    cruise_intensity_pct,
    difference_mean,
    double_ratio_mean,
    double_regression_mean,
    estimate,
    finite_population_correction,
    fit_line,
    line_plot_plan,
    optimum_allocation,
    plot_leverage,
    plots_for_budget,
    plots_in_tract,
    point_three_p_mean,
    post_stratified_mean,
    product_of,
    proportion,
    proportion_interval,
    regression_mean,
    sample_tree_total,
    stratified_plots_needed,
    successive_difference_mean,
    three_p_ceiling,
    three_p_expected,
    three_p_total,
    total_of,
    two_stage_mean,
    two_stage_total,
)
from standmap.errors import DomainError

RNG = np.random.default_rng(0)
ONE = Estimate(mean=1, se=0.1, n=5, df=4)
NAN = math.nan
FOUR = Sample(
    values=[[1.0], [2.0], [3.0], [4.0]],
    plots=list("1234"),
    stand=list("AABB"),
    attributes=["cords"],
    stands=pd.DataFrame({"stand": ["A", "B"], "stratum": ["pine", "oak"], "acres": [40.0, 10.0]}),
)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: total_of([]), "one total or more"),
        (lambda: product_of(ONE, Estimate(mean=1, se=1, n=2, df=1, confidence=0.5)), "one confid"),
        (lambda: combined_error_pct([1, -1], [1, 1]), "not sum to 0"),
        (lambda: finite_population_correction(5, 4), "at least the 5 units"),
        (lambda: finite_population_correction(-1, 4), "'n' must be 0 or more"),
        (lambda: plots_in_tract(10, 0), "'plot_acres' must be above 0"),
        (lambda: fit_line([1, 2, 3], [1, 1, 1]), "does not vary"),
        (lambda: fit_line([1, 2, 3], [[1, 2], [2, 4], [3, 7]]), "needs 4 units"),
        (lambda: fit_line([1, 2, 3], [1, 2]), "3 or more rows"),
        (lambda: fit_line([1, 2, 3], [1, 2, 3, 4]), "one row for each"),
        (lambda: regression_mean([1, 2, 4], [1, 2, 3], [1, 2]), "mean of each of the 1"),
        (lambda: difference_mean([1, 2], [1, 2, 3], 2), "of one length"),
        (lambda: post_stratified_mean([1, 2], ["a"] * 2, {"b": 1}), "no stratum 'a'"),
        (lambda: post_stratified_mean([1, 2], ["a"] * 2, {"a": 1, "b": 1}), "in stratum 'b'"),
        (lambda: post_stratified_mean([1, 2], ["a"] * 2, {"a": -1}), "size of 0 or more"),
        (lambda: post_stratified_mean([1, 2], ["a"], {"a": 1}), "one label for each"),
        (lambda: double_ratio_mean([1, 2, 3], [1, 2, 3], [1, 2]), "hold every measured unit"),
        (lambda: double_ratio_mean([1, 2], [-1, 1], [1, 2]), "must not average 0"),
        (lambda: double_regression_mean([1, 2, 4], [1, 2, 3], [[1, 2]] * 4), "the 1 columns"),
        (lambda: count_measure_mean([1, 2], [1, NAN], baf=10), "two points or more"),
        (lambda: count_measure_mean([1, 2], [1], baf=10), "each of 2 points"),
        (lambda: count_measure_mean([1, -2], [1, 2], baf=10), "'count' must be 0 or more"),
        (lambda: big_baf_mean([1, 2], [1, 2], baf=0), "'baf' must be above 0"),
        (lambda: sample_tree_total([1, 2], ["a", "a"], {"b": 4}), "not in 'tallied'"),
        (lambda: sample_tree_total([1, 2], ["a", "a"], {"a": 4, "b": 4}), "none of its trees"),
        (lambda: sample_tree_total([1], ["a"], {"a": 4}), "two trees or more"),
        (lambda: sample_tree_total([1, 2], ["a"] * 2, {"a": 4}, size=[1, 2]), "'size_total'"),
        (
            lambda: sample_tree_total(
                [1, 2], ["a"] * 2, {"a": 4}, size=[1, 2], size_total={"a": 0}
            ),
            "must be above 0",
        ),
        (lambda: three_p_ceiling(0, 20), "'prediction_sum' must be above 0"),
        (lambda: three_p_expected([0.0], 10), "'prediction' must be above 0"),
        (lambda: three_p_total([1, 2], [20, 3], ceiling=10), "left to chance"),
        (lambda: three_p_total([1, 2], [2, 3], ceiling=9, prediction_sum=4), "own 5"),
        (lambda: point_three_p_mean([-1, 2], [1, 2], [1, 2], baf=9), "must be 0 or more"),
        (lambda: two_stage_mean([1, 2], ["a", "a"]), "Two primaries"),
        (lambda: two_stage_mean([1, 2], ["a", "b"], primaries=5, secondaries=9), "two plots"),
        (
            lambda: two_stage_total([1, 2], ["a", "b"], primaries=5, secondaries={"a": 1}),
            "no size for primary 'b'",
        ),
        (
            lambda: two_stage_mean([1, 2, 1, 2], list("aabb"), primaries=5, secondaries=1),
            "More plots were taken",
        ),
        (lambda: successive_difference_mean([1, 2], line=["a", "b"]), "No line holds two"),
        (lambda: allocation_shares([1, 2], cost=[0, 1]), "'cost' must be above 0"),
        (lambda: allocation_shares([1, 2], [1]), "of one length"),
        (lambda: allocation_shares([0, 0]), "not all 0"),
        (lambda: optimum_allocation(3, [1, 1], [1, 1]), "cannot be shared out"),
        (lambda: optimum_allocation(9, [1, 1], [1, 1], most=[4]), "one value for each"),
        (lambda: plots_for_budget(5, [1], [1], [10]), "Nothing is left"),
        (lambda: stratified_plots_needed([1], [1], 1, rule="best"), "'rule' must be"),  # type: ignore[arg-type]
        (lambda: allocated_se([1, 1], [1, 1], [1, 0]), "needs a plot"),
        (lambda: allocated_se([1], [1], [5], population_units=[4]), "more plots than"),
        (lambda: bootstrap_mean([1, 2, 3], stratum=["a", "a", "b"], rng=RNG), "a size above 0"),
        (
            lambda: bootstrap_mean(
                [1, 2, 3], stratum=["a", "a", "b"], sizes={"a": 1, "b": 1}, rng=RNG
            ),
            "two plots or more",
        ),
        (lambda: bootstrap_mean([1, 2], rng=RNG, method="t"), "'BCa' or 'percentile'"),  # type: ignore[arg-type]
        (lambda: bootstrap_ratio([1, 2], [0, 1], rng=RNG), "above 0 on every plot"),
        (
            lambda: plot_leverage(estimate(FOUR), pd.Series({"A": 1.0}), "tons"),
            "No attribute 'tons'",
        ),
        (lambda: proportion(5, 4), "0 to n successes"),
        (lambda: proportion_interval(1, 4, method="wald"), "'exact' or 'normal'"),  # type: ignore[arg-type]
        (lambda: cruise_intensity_pct(0, 1, 1), "'plot_acres' must be above 0"),
        (lambda: line_plot_plan(10, 101, 0.1), "100 or less"),
    ],
)
def test_what_is_refused(call: object, message: str) -> None:
    with pytest.raises(DomainError, match=message):
        call()  # type: ignore[operator]
