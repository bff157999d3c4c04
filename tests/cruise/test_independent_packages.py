"""The same data through general statistics packages: agreement to nine digits."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import (
    Estimate,
    Sample,
    double_ratio_mean,
    double_regression_mean,
    estimate,
    fit_line,
    post_stratified_mean,
    proportion_interval,
    ratio_of_means,
    regression_mean,
    sample_tree_total,
    simple_random_mean,
    stratified_mean,
    three_p_total,
    two_stage_mean,
    two_stage_ratio_mean,
    two_stage_total,
)

REFERENCE = Path(__file__).parents[1] / "reference"
RTOL = 1e-9
PACKAGE = pd.read_csv(REFERENCE / "cruise_survey_package.csv", comment="#", index_col="example")
DESIGN = pd.read_csv(
    REFERENCE / "cruise_survey_design_package.csv", comment="#", index_col="example"
)
CUNIA = pd.read_csv(REFERENCE / "cruise_plots_cunia_1979.csv", comment="#")
BASAL = [0.3, 0.5, 0.4, 0.9, 0.7, 0.2, 0.6, 0.5, 0.8, 0.4, 0.8, 0.6]
VOLUME = [6, 9, 7, 19, 15, 5, 12, 9, 20, 9, 18, 13]
INFECTED = [15, 14, 21, 13, 9, 10, 4, 6, 10, 9, 8, 5, 10, 11, 14, 10, 9, 15, 8, 3, 4, 1, 2, 5]
AREAS = np.repeat(list("ABCD"), 6)
AREA_PLOTS = {"A": 12, "B": 15, "C": 14, "D": 21}
SMALL_TRACT = {"softwood": 100, "mixed": 80, "hardwood": 60}
CHERRY = pd.read_csv(REFERENCE / "tree_black_cherry_ryan_1976.csv", comment="#")
CUBIC, SQUARE = CHERRY["volume_cuft"].to_numpy(), CHERRY["dbh_in"].to_numpy() ** 2
CALLED = SQUARE * CHERRY["height_ft"].to_numpy() / 400
GROUP = np.where(CHERRY["dbh_in"] < 12, "small", "large")
TALLIED = {"small": 60, "large": 45}
MEASURED = np.arange(31) % 3 == 0


def cunia(units: dict[str, float], *, finite: bool) -> Estimate:
    plots = CUNIA.groupby("stratum")["volume_m3_per_plot"]
    strata = [
        simple_random_mean(plots.get_group(s), population_units=size if finite else None)
        for s, size in units.items()
    ]
    return stratified_mean(strata, list(units.values()))


SURVEY = {
    "cunia_stratified": lambda: cunia(
        {"softwood": 425_410, "mixed": 172_500, "hardwood": 324_350}, finite=False
    ),
    "cunia_small_tract": lambda: cunia(SMALL_TRACT, finite=True),
    "timber_sale_ratio": lambda: ratio_of_means(VOLUME, BASAL),
    "timber_sale_ratio_fpc": lambda: ratio_of_means(VOLUME, BASAL, population_units=250),
    "infected_trees_by_size": lambda: two_stage_ratio_mean(INFECTED, AREAS, secondaries=AREA_PLOTS),
    "infected_trees_equal": lambda: two_stage_mean(INFECTED, AREAS),
}


@pytest.mark.parametrize("example", PACKAGE.index)
def test_survey_package(example: str) -> None:
    mine = SURVEY[example]()
    assert mine.mean == pytest.approx(PACKAGE.loc[example, "estimate"], rel=RTOL)
    assert mine.se == pytest.approx(PACKAGE.loc[example, "standard_error"], rel=RTOL)


def cherry_by_size() -> Estimate:
    sums = {g: TALLIED[g] * float(SQUARE[g == GROUP].mean()) for g in TALLIED}
    return sample_tree_total(CUBIC, GROUP, TALLIED, size=SQUARE, size_total=sums)


BY_DESIGN = {
    "cunia_stratified": SURVEY["cunia_stratified"],
    "cunia_stratified_fpc": lambda: cunia(SMALL_TRACT, finite=True),
    "cunia_stratified_total_fpc": lambda: cunia(SMALL_TRACT, finite=True).times(240),
    "cunia_simple_random_fpc": lambda: simple_random_mean(
        CUNIA["volume_m3_per_plot"], population_units=240
    ),
    "infected_two_stage_total": lambda: two_stage_total(
        INFECTED, AREAS, primaries=10, secondaries=AREA_PLOTS
    ),
    "infected_two_stage_ratio": lambda: two_stage_ratio_mean(
        INFECTED, AREAS, primaries=10, secondaries=AREA_PLOTS
    ),
    "infected_two_stage_equal": lambda: two_stage_mean(
        INFECTED, AREAS, primaries=10, secondaries=30
    ),
    "timber_sale_ratio_fpc": SURVEY["timber_sale_ratio_fpc"],
    "timber_sale_ratio_total": lambda: SURVEY["timber_sale_ratio_fpc"]().times(75),
    "cherry_three_p_unadjusted": lambda: three_p_total(CUBIC, CALLED, ceiling=120),
    "cherry_sample_trees": lambda: sample_tree_total(CUBIC, GROUP, TALLIED),
    "cherry_sample_trees_by_size": cherry_by_size,
    "cherry_measured_mean": lambda: simple_random_mean(CUBIC[MEASURED]),
    "cherry_measured_of_counted_ratio": lambda: ratio_of_means(
        CUBIC[MEASURED], SQUARE[MEASURED], population_units=31
    ),
}


@pytest.mark.parametrize("example", BY_DESIGN)
def test_survey_design_package(example: str) -> None:
    mine, theirs = BY_DESIGN[example](), DESIGN.loc[example]
    assert mine.mean == pytest.approx(theirs["estimate"], rel=RTOL)
    assert mine.se == pytest.approx(theirs["standard_error"], rel=RTOL)


def test_adjusted_3p_is_the_packages_ratio_on_one_tree_less() -> None:
    # The package divides the residuals of n trees by n, ours by n - 1.
    mine = three_p_total(CUBIC, CALLED, ceiling=120, prediction_sum=5_000)
    theirs = DESIGN.loc["cherry_three_p_ratio"] * 5_000
    assert mine.mean == pytest.approx(theirs["estimate"], rel=RTOL)
    assert mine.se == pytest.approx(theirs["standard_error"] * np.sqrt(31 / 30), rel=RTOL)


def test_post_strata() -> None:
    # The package takes the plots as they fell, and pools the squares about the strata's means on
    # n - 1 in all: with s2 of each stratum its variance is (1 - f) n / (n - 1) sum W2 (m - 1) s2 /
    # m2. As they fell, and each stratum on its own m - 1, the error is that of strata.
    plots, kind = CUNIA["volume_m3_per_plot"].to_numpy(), CUNIA["stratum"].to_numpy()
    theirs = DESIGN.loc["cunia_post_stratified"]
    for conditional in (True, False):
        mine = post_stratified_mean(plots, kind, SMALL_TRACT, conditional=conditional)
        assert mine.mean == pytest.approx(theirs["estimate"], rel=RTOL)
    strata = [simple_random_mean(plots[kind == k]) for k in SMALL_TRACT]
    share = np.array(list(SMALL_TRACT.values())) / 240
    m = np.array([e.n for e in strata])
    pooled = (share**2 * [e.se**2 for e in strata] * (m - 1) / m).sum() * 0.75 * 60 / 59
    assert np.sqrt(pooled) == pytest.approx(theirs["standard_error"], rel=RTOL)
    fell = post_stratified_mean(plots, kind, SMALL_TRACT, conditional=True)
    assert fell.se == pytest.approx(stratified_mean(strata, share).se, rel=RTOL)
    seen = post_stratified_mean(plots, kind, SMALL_TRACT, population_units=240, conditional=True)
    assert seen.se == pytest.approx(fell.se * np.sqrt(0.75), rel=RTOL)


@pytest.mark.parametrize("units", [None, 400])
def test_double_sampling_is_the_packages_two_parts(units: int | None) -> None:
    # Mean of the measured trees over all counted ones, and the ratio of the measured to the counted
    # as a finite population: each by the package, added up by the textbook.
    mean, ratio = (DESIGN.loc[f"cherry_measured{k}"] for k in ("_mean", "_of_counted_ratio"))
    y, x = CUBIC[MEASURED], SQUARE[MEASURED]
    first = mean["standard_error"] ** 2 * 11 / 31 * (1 if units is None else 1 - 31 / units)
    second = (ratio["standard_error"] * x.mean()) ** 2
    mine = double_ratio_mean(y, x, SQUARE, population_units=units)
    assert mine.mean == pytest.approx(ratio["estimate"] * SQUARE.mean(), rel=RTOL)
    assert mine.se == pytest.approx(np.sqrt(first + second), rel=RTOL)


def test_double_sampling_estimates_are_the_packages_own() -> None:
    # Its standard errors, with calibrated weights, are smaller on these 11 trees: ours are 4.2 and
    # 10.0 percent over them.
    y, x = CUBIC[MEASURED], SQUARE[MEASURED]
    for made, kind, over in (
        (double_ratio_mean, "ratio", 1.042),
        (double_regression_mean, "line", 1.100),
    ):
        theirs = DESIGN.loc[f"cherry_two_phase_{kind}"]
        mine = made(y, x, SQUARE, population_units=400)
        assert mine.mean == pytest.approx(theirs["estimate"], rel=RTOL)
        assert mine.se / theirs["standard_error"] == pytest.approx(over, abs=1e-3)


def test_a_cruise_of_strata_and_seen_ground_is_the_packages() -> None:
    # What an appraisal calls, with strata as stands: mean, total and error by the package.
    acres = pd.Series(SMALL_TRACT, dtype=float).rename("tract")
    seen = CUNIA["stratum"].value_counts()[acres.index] / acres
    found = estimate(
        Sample(
            values=CUNIA[["volume_m3_per_plot"]],
            plots=CUNIA.index,
            stand=CUNIA["stratum"],
            attributes=["m3"],
            stands=pd.DataFrame({"stand": acres.index, "stratum": "", "acres": acres.to_numpy()}),
            seen=seen.to_numpy(),
        )
    ).total(acres)
    theirs = DESIGN.loc["cunia_stratified_total_fpc"]
    assert found.one("tract", "m3").mean == pytest.approx(theirs["estimate"], rel=RTOL)
    assert found.one("tract", "m3").se == pytest.approx(theirs["standard_error"], rel=RTOL)


@pytest.fixture(scope="module")
def sm() -> ModuleType:
    return pytest.importorskip("statsmodels.api")


@pytest.mark.parametrize("columns", [1, 2])
def test_least_squares(sm: ModuleType, columns: int) -> None:
    rng = np.random.default_rng(4)
    x = rng.gamma(3, 20, (25, columns))
    y = 12 + x @ np.array([1.3, -0.4][:columns]) + rng.normal(0, 5, 25)
    mine, theirs = fit_line(y, x), sm.OLS(y, sm.add_constant(x)).fit()
    np.testing.assert_allclose([mine.intercept, *mine.slopes], theirs.params, rtol=RTOL)
    np.testing.assert_allclose(mine.residuals, theirs.resid, rtol=RTOL, atol=1e-10)
    for name, value in (
        ("rsquared", mine.r_squared),
        ("rsquared_adj", mine.adjusted_r_squared),
        ("ssr", mine.ss_residual),
        ("ess", mine.ss_regression),
        ("fvalue", mine.f),
        ("f_pvalue", mine.f_probability),
        ("mse_resid", mine.residual_variance),
        ("df_resid", mine.residual_df),
    ):
        assert value == pytest.approx(getattr(theirs, name), rel=RTOL), name


@pytest.mark.parametrize("columns", [1, 2])
def test_regression_estimate_is_the_line_at_the_known_mean(sm: ModuleType, columns: int) -> None:
    rng = np.random.default_rng(8)
    x = rng.gamma(3, 20, (30, columns))
    y = 5 + x.sum(axis=1) + rng.normal(0, 8, 30)
    known = np.full(columns, 55.0)
    theirs = sm.OLS(y, sm.add_constant(x)).fit().get_prediction([[1.0, *known]])
    mine = regression_mean(y, x, known, confidence=0.90)
    assert mine.mean == pytest.approx(float(theirs.predicted_mean[0]), rel=RTOL)
    assert mine.se == pytest.approx(float(theirs.se_mean[0]), rel=RTOL)
    assert mine.interval == pytest.approx(tuple(theirs.conf_int(alpha=0.10)[0]), rel=RTOL)


@pytest.mark.parametrize("independent", [True, False])
def test_double_regression_is_the_line_and_the_spread_of_the_counted(
    sm: ModuleType, independent: bool
) -> None:
    y, x = CUBIC[MEASURED], SQUARE[MEASURED]
    fit = sm.OLS(y, sm.add_constant(x)).fit()
    line = fit.get_prediction([[1.0, SQUARE.mean()]])
    mine = double_regression_mean(y, x, SQUARE, independent=independent)
    if independent:
        variance = line.se_mean[0] ** 2 + fit.params[1] ** 2 * SQUARE.var(ddof=1) / 31
    else:
        variance = line.se_mean[0] ** 2 * (1 - 11 / 31) + y.var(ddof=1) / 31
    assert mine.mean == pytest.approx(float(line.predicted_mean[0]), rel=RTOL)
    assert mine.se == pytest.approx(float(np.sqrt(variance)), rel=RTOL)
    assert mine.df == fit.df_resid


def test_ratio_is_the_line_through_the_origin_of_weight_one_over_x(sm: ModuleType) -> None:
    theirs = sm.WLS(VOLUME, BASAL, weights=1 / np.array(BASAL)).fit()
    assert ratio_of_means(VOLUME, BASAL).mean == pytest.approx(float(theirs.params[0]), rel=RTOL)


def test_simple_random_mean(sm: ModuleType) -> None:
    theirs = sm.stats.DescrStatsW(VOLUME)
    mine = simple_random_mean(VOLUME, confidence=0.90)
    assert mine.se == pytest.approx(float(theirs.std_mean), rel=RTOL)
    assert mine.interval == pytest.approx(theirs.tconfint_mean(alpha=0.10), rel=RTOL)


@pytest.mark.parametrize(("k", "n"), [(0, 12), (3, 12), (12, 12), (480, 1000)])
def test_binomial_limits(sm: ModuleType, k: int, n: int) -> None:
    theirs = sm.stats.proportion_confint(k, n, alpha=0.05, method="beta")
    assert proportion_interval(k, n) == pytest.approx(theirs, rel=RTOL, abs=1e-12)
