"""The same data through general statistics packages: agreement to nine digits."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import (
    Estimate,
    fit_line,
    proportion_interval,
    ratio_of_means,
    regression_mean,
    simple_random_mean,
    stratified_mean,
    two_stage_mean,
    two_stage_ratio_mean,
)

REFERENCE = Path(__file__).parents[1] / "reference"
RTOL = 1e-9
PACKAGE = pd.read_csv(REFERENCE / "cruise_survey_package.csv", comment="#", index_col="example")
CUNIA = pd.read_csv(REFERENCE / "cruise_plots_cunia_1979.csv", comment="#")
BASAL = [0.3, 0.5, 0.4, 0.9, 0.7, 0.2, 0.6, 0.5, 0.8, 0.4, 0.8, 0.6]
VOLUME = [6, 9, 7, 19, 15, 5, 12, 9, 20, 9, 18, 13]
INFECTED = [15, 14, 21, 13, 9, 10, 4, 6, 10, 9, 8, 5, 10, 11, 14, 10, 9, 15, 8, 3, 4, 1, 2, 5]
AREAS = np.repeat(list("ABCD"), 6)


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
    "cunia_small_tract": lambda: cunia({"softwood": 100, "mixed": 80, "hardwood": 60}, finite=True),
    "timber_sale_ratio": lambda: ratio_of_means(VOLUME, BASAL),
    "timber_sale_ratio_fpc": lambda: ratio_of_means(VOLUME, BASAL, population_units=250),
    "infected_trees_by_size": lambda: two_stage_ratio_mean(
        INFECTED, AREAS, secondaries={"A": 12, "B": 15, "C": 14, "D": 21}
    ),
    "infected_trees_equal": lambda: two_stage_mean(INFECTED, AREAS),
}


@pytest.mark.parametrize("example", PACKAGE.index)
def test_survey_package(example: str) -> None:
    mine = SURVEY[example]()
    assert mine.mean == pytest.approx(PACKAGE.loc[example, "estimate"], rel=RTOL)
    assert mine.se == pytest.approx(PACKAGE.loc[example, "standard_error"], rel=RTOL)


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
