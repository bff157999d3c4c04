"""Worked examples of textbooks, handbooks and lectures, to their printed digits.

Those of trees per acre lie in ``test_designs``, of radii and distances in ``test_field``, of stand
tables in ``test_tables``, of means, ratios and sample sizes in ``test_simple``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import (
    Estimate,
    allocate,
    allocation_shares,
    basal_area_sqft,
    circle_acres,
    cruise_intensity_pct,
    difference_mean,
    fit_line,
    line_plot_plan,
    plots_in_tract,
    plots_needed,
    points_by_area,
    proportion,
    proportion_interval,
    ratio_mean,
    ratio_of_means,
    regression_mean,
    simple_random_mean,
    stratified_plots_needed,
    three_p_ceiling,
    three_p_expected,
    two_stage_mean,
    two_stage_ratio_mean,
    two_stage_total,
    weighted_cv_pct,
)
from standmap.errors import DomainError
from standmap.units import BASAL_AREA_CONSTANT

REFERENCE = Path(__file__).parents[1] / "reference"


def printed(value: float, digits: str) -> bool:
    """Whether a value rounds to the printed digits: within half of the last one."""
    decimals = len(digits.partition(".")[2])
    return abs(value - float(digits)) <= 0.5 * 10.0**-decimals + 1e-12 * abs(value)


# Berthouex, P.M., and L.C. Brown. 2002. Statistics for environmental engineers, 2nd ed., example
# 23.10, p. 210: weights, variances, and a bound of 1 at 2 standard errors.
BB_WEIGHT, BB_VARIANCE = np.array([0.5, 0.25, 0.25]), np.array([35.4, 180.0, 12.0])


def test_berthouex_and_brown_sample_size() -> None:
    spread = np.sqrt(BB_VARIANCE)
    assert stratified_plots_needed(BB_WEIGHT, spread, 1.0, rule="proportional") == 263


def test_berthouex_and_brown_allocation_is_not_the_optimum() -> None:
    # The example allots by weight x variance (71, 180, 12), beside the rule weight x standard
    # deviation. It is reproduced by giving the variance as the spread; the true optimum,
    # recomputed, takes 208 plots for the same bound, and shares them out otherwise.
    assert allocate(263, BB_WEIGHT, BB_VARIANCE).tolist() == [71, 180, 12]
    spread = np.sqrt(BB_VARIANCE)
    assert stratified_plots_needed(BB_WEIGHT, spread, 1.0) == 208
    shares = allocation_shares(BB_WEIGHT, spread)
    np.testing.assert_allclose(207.0733851 * shares, [85.61774, 96.53135, 24.92429], atol=5e-6)


def test_handbook_allocation_before_rounding() -> None:
    # USDA Forest Service 2000, FSH 2409.12, worked in an extension handout, Table 1: 21.3, 11.5 and
    # 28.4 of 86 plots. The handout says weights by volume and works with acres.
    exact = 86 * allocation_shares([30, 10, 20, 40], [40, 65, 80, 35])
    assert all(map(printed, exact, ["21.3", "11.5", "28.4"]))
    assert plots_needed(48.5, 10, population_units=plots_in_tract(100, 0.1)) == 86


def test_weighted_cvs_add_to_the_combined_one() -> None:
    # The same handbook, as shown in a slide set on fixed-plot sampling: CVs already weighted by
    # their strata, 17.6, 7.7, 7.2 and 35.4, sum to 67.9 percent.
    weighted = np.array([17.6, 7.7, 7.2, 35.4])
    assert printed(weighted_cv_pct(4 * weighted, np.ones(4)), "67.9")
    assert plots_needed(67.9, 10) == 185


def test_weights_by_volume_are_not_weights_by_acres() -> None:
    # The extension handout says volume and works with acres, which print its 48.5 percent and 86
    # plots. By its own board feet per acre the same CVs are 57.0 (recomputed), and 130 plots
    # without correction for 95. Acres are what is meant here.
    acres, cv = np.array([30, 10, 20, 40]), [40, 65, 80, 35]
    by_volume = weighted_cv_pct(cv, acres * [3500, 4500, 5000, 1000])
    assert printed(weighted_cv_pct(cv, acres), "48.5")
    assert by_volume == pytest.approx(56.98275862, abs=5e-9)
    assert (plots_needed(48.5, 10), plots_needed(by_volume, 10)) == (95, 130)


def test_black_cherry_volume_line() -> None:
    # Ryan, Joiner and Ryan 1976 (data); the fit of ln(V / (H D^2)) on ln H and ln D is printed in
    # an Oxford statistics lecture page: intercept and the five numbers of its residuals. The slopes
    # of ln V (1.983, 1.117), 0.0814 and 0.9777 are from memory.
    cherry = pd.read_csv(REFERENCE / "tree_black_cherry_ryan_1976.csv", comment="#")
    height, dbh = np.log(cherry["height_ft"]), np.log(cherry["dbh_in"])
    volume = np.log(cherry["volume_cuft"])
    fit = fit_line(volume - height - 2 * dbh, np.column_stack([height, dbh]))
    assert printed(fit.intercept, "-6.63")
    five = np.quantile(fit.residuals, [0, 0.25, 0.5, 0.75, 1])
    assert all(map(printed, five, ["-0.16856", "-0.04849", "0.00243", "0.06364", "0.12922"]))
    whole = fit_line(volume, np.column_stack([height, dbh]))
    assert all(map(printed, whole.slopes, ["1.117", "1.983"]))
    assert printed(whole.residual_sd, "0.0814")
    assert printed(whole.r_squared, "0.9777")


def test_redwood_analysis_of_variance() -> None:
    # The worked page prints the whole table; its coefficients were not seen.
    trees = pd.read_csv(REFERENCE / "cruise_redwood_levine.csv", comment="#")
    fit = fit_line(trees["height_ft"], trees["dbh_in"])
    assert printed(np.sqrt(fit.r_squared), "0.853734401")
    assert printed(fit.r_squared, "0.728862427")
    assert printed(fit.adjusted_r_squared, "0.714592028")
    assert printed(fit.residual_sd, "24.74708533")
    assert printed(fit.ss_regression, "31279.34")
    assert printed(fit.ss_residual, "11635.95")
    assert printed(fit.residual_variance, "612.4182324")
    assert printed(fit.ss_total, "42915.29")
    assert printed(fit.f, "51.0751275")
    assert fit.f_probability == pytest.approx(8.57873e-07, abs=5e-13)


# Variant of Scheaffer and others, exercise 6.9, worked in part on a study-help page: dead pines
# counted on 10 photo plots and again on the ground, of 200 plots whose photo counts sum to 4,200.
PHOTO = np.array([12, 29, 21, 24, 17, 32, 12, 5, 33, 41])
GROUND = np.array([18, 41, 25, 34, 23, 37, 15, 10, 47, 52])


def test_dead_pines_deviations() -> None:
    x = PHOTO - simple_random_mean(PHOTO).mean
    y = GROUND - simple_random_mean(GROUND).mean
    figures = (x[0], y[0], x[0] * y[0], x[0] ** 2, x[5] * y[5])
    assert all(map(printed, figures, ["-10.6", "-12.2", "129.32", "112.36", "63.92"]))
    # The slope is made of just these.
    assert fit_line(GROUND, PHOTO).slopes[0] == pytest.approx((x @ y) / (x @ x), rel=1e-12)


def test_dead_pines_totals() -> None:
    # No total of this variant was seen: the formulas of the book's chapter 6, written out.
    n, units, known = 10, 200, 21.0
    f = 1 - n / units
    slope = np.polyfit(PHOTO, GROUND, 1)[0]
    left = GROUND - GROUND.mean() - slope * (PHOTO - PHOTO.mean())
    line = regression_mean(
        GROUND, PHOTO, known, population_units=units, off_centre=False
    ).times(units)  # fmt: skip
    assert line.mean == pytest.approx(units * (GROUND.mean() + slope * (known - PHOTO.mean())))
    assert 2 * line.se == pytest.approx(2 * units * np.sqrt(f / n * (left**2).sum() / (n - 2)))
    gap = difference_mean(GROUND, PHOTO, known, population_units=units).times(units)
    assert gap.mean == pytest.approx(units * (known + (GROUND - PHOTO).mean()))
    assert gap.se == pytest.approx(units * np.sqrt(f / n * np.var(GROUND - PHOTO, ddof=1)))


def test_dead_firs_ratio() -> None:
    # Scheaffer, Mendenhall and Ott 1986, exercise 6.9 (data seen; answers from memory): 5,492.31
    # trees with a bound of 428.44.
    photo = [12, 30, 24, 24, 18, 30, 12, 6, 36, 42]
    ground = [18, 42, 24, 36, 24, 36, 14, 10, 48, 54]
    total = ratio_mean(ground, photo, 4200 / 200, population_units=200).times(200)
    assert printed(total.mean, "5492.31")
    assert printed(2 * total.se, "428.44")


def test_freese_attributes() -> None:
    # Freese 1962, Handbook 232, sampling for attributes: 480 of 1,000; 24 of 50.
    share = proportion(480, 1000)
    assert printed(share.mean, "0.48")
    assert printed(share.se, "0.0158")
    near = proportion_interval(480, 1000, method="normal", t=2)
    assert all(map(printed, near, ["0.448", "0.512"]))
    assert all(map(printed, proportion_interval(480, 1000), ["0.45", "0.51"]))
    assert all(map(printed, proportion_interval(480, 1000, confidence=0.99), ["0.44", "0.52"]))
    assert all(map(printed, proportion_interval(24, 50), ["0.34", "0.63"]))


def test_freese_sum_of_twenty_units() -> None:
    # The same handbook, simple random sampling. The web edition prints sqrt(13.4842) = 0.734: that
    # is the standard error of the mean with finite population correction; the root is 3.672.
    units = [10, 9, 10, 9, 11, 16, 11, 7, 12, 12, 11, 3, 5, 11, 14, 8, 13, 12, 20, 10]
    mean = simple_random_mean(units, population_units=100)
    assert printed(mean.mean * 20, "214")
    assert printed(mean.se, "0.734")
    assert printed(np.sqrt(13.4842), "3.672")


def test_iles_point_3p_rate() -> None:
    # Iles, K. 1995. Point-3P sampling, John Bell and Associates newsletter, July 1995: 120 trees of
    # about 100 feet are 12,000 feet; 20 samples are one in every 600 feet.
    heights = np.full(120, 100.0)
    ceiling = three_p_ceiling(heights.sum(), 20)
    assert printed(heights.sum(), "12000")
    assert printed(ceiling, "600")
    assert three_p_expected(heights, ceiling) == pytest.approx(20, rel=1e-12)


def test_line_plot_cruises() -> None:
    # Forest Measurements II lecture, fixed-area plot sampling, slides 5 to 9, and a slide set on
    # fixed-plot sampling (160 acres).
    assert printed(cruise_intensity_pct(0.1, 2, 5), "10")
    assert printed(cruise_intensity_pct(0.2, 4, 5), "10")
    plan = line_plot_plan(60, 5, 0.2)
    assert printed(plan.sampled_acres, "3.0")
    assert plan.plots == 15
    assert printed(plan.acres_per_plot, "4")
    assert printed(plan.square_chains_per_plot, "40")
    assert (plan.between_plots_ch, plan.between_lines_ch) == (5, 8)
    assert printed(line_plot_plan(160, 10, 0.2).sampled_acres, "16.0")


def test_timber_sale_parts() -> None:
    # Scheaffer and others 1986, exercise 6.1 as worked: means and the variance about the ratio.
    basal = np.array([0.3, 0.5, 0.4, 0.9, 0.7, 0.2, 0.6, 0.5, 0.8, 0.4, 0.8, 0.6])
    volume = np.array([6, 9, 7, 19, 15, 5, 12, 9, 20, 9, 18, 13])
    assert printed(simple_random_mean(basal).mean, "0.558333")
    assert printed(simple_random_mean(volume).mean, "11.8333")
    ratio = ratio_of_means(volume, basal)
    assert printed((ratio.se * basal.mean()) ** 2 * 12, "1.750299")
    assert printed(ratio_mean(volume, basal, 0.3, population_units=250).times(250).mean, "1589.552")


def test_basal_area_with_the_short_constant() -> None:
    # Point sampling lecture slides, slide 12: 0.785376 sq ft with 0.005454 in place of pi / 576;
    # the plot of radius 1.944 ft/in x 12 in is 0.039248 acre.
    assert printed(float(basal_area_sqft(12)) * 0.005454 / BASAL_AREA_CONSTANT, "0.785376")
    assert printed(float(circle_acres(1.944 * 12)), "0.039248")


# Scheaffer and others 1986, chapter 9 exercise: infected trees on 6 plots in each of 4 areas of 10.
INFECTED = [15, 14, 21, 13, 9, 10, 4, 6, 10, 9, 8, 5, 10, 11, 14, 10, 9, 15, 8, 3, 4, 1, 2, 5]
AREAS = np.repeat(list("ABCD"), 6)
AREA_PLOTS = {"A": 12, "B": 15, "C": 14, "D": 21}


def test_infected_trees_in_two_stages() -> None:
    # Total 1,276.25 from memory. Its variance, 27,796.146, is recomputed: a bound of 322 to 324
    # half remembered for this exercise does not agree with the 333.44 that follows from it.
    total = two_stage_total(INFECTED, AREAS, primaries=10, secondaries=AREA_PLOTS)
    assert printed(total.mean, "1276.25")
    assert total.se**2 == pytest.approx(27796.14583, abs=5e-6)
    mean = two_stage_ratio_mean(INFECTED, AREAS, primaries=10, secondaries=AREA_PLOTS)
    assert mean.mean == pytest.approx(8.233870968, abs=5e-10)


def test_two_stages_of_one_size_by_hand() -> None:
    # Exercise after Thompson (from memory), answer not seen; by hand 0.8 + 0.041667.
    mean = two_stage_mean([7, 5, 3, 4, 2, 3], list("AAABBB"), primaries=10, secondaries=6)
    assert mean.mean == pytest.approx(4.0, rel=1e-12)
    assert mean.se**2 == pytest.approx(0.8 + 1 / 24, rel=1e-12)


def test_a_mean_per_acre_and_its_variance() -> None:
    # Spellman and Whiting, example 7.5: standard error 632, variance 399,424 (the expansion to
    # 10,000 acres in test_simple).
    mean = Estimate(mean=5680, se=632, n=30, df=29)
    assert printed(mean.se**2, "399424")
    assert printed(mean.times(10_000).se, "6320000")


def test_trees_of_a_tract_to_a_bound() -> None:
    # Scheaffer and others 1986, chapter 4 exercise (inputs seen, answers from memory): 100 one-acre
    # plots of 1,500, mean 25.2, variance 136: 37,800 trees, bound 3,379.94; 400 plots for 1,500.
    root = np.sqrt(136 * 99 / 100)
    plots = 25.2 + root * np.repeat([-1.0, 1.0], 50)
    total = simple_random_mean(plots, population_units=1500).times(1500)
    assert printed(total.mean, "37800")
    assert printed(2 * total.se, "3379.94")
    # The book's N s2 / ((N - 1) D + s2) is 399.41; ours, with N for N - 1, 399.17: both 400.
    cv, error = 100 * np.sqrt(136) / 25.2, 100 * 1500 / 37800
    assert plots_needed(cv, error, population_units=1500) == 400


# University lecture for Kentucky, "Point sampling or variable plot cruising", how many points: a
# rule without a worked example, so it is held at its corners and by what a rule must be.
def test_points_by_area() -> None:
    areas = (6, 10, 25, 40, 41, 60, 80, 81, 100, 200)
    assert [points_by_area(a) for a in areas] == [10, 10, 25, 40, 41, 50, 60, 61, 65, 90]
    counts = [points_by_area(tenths / 10) for tenths in range(1, 2001)]
    steps = np.diff(counts)
    assert steps.min() >= 0 and steps.max() <= 1  # never fewer on more acres, and no leap
    for beyond in (0.0, -3.0, 200.1, float("nan")):
        with pytest.raises(DomainError, match="at most 200"):
            points_by_area(beyond)
