"""The textbook estimators against the textbooks, and sample sizes against the handbook."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from standmap.cruise import (
    Estimate,
    allocate,
    plots_needed,
    ratio_of_means,
    simple_random_mean,
    stratified_mean,
    t_quantile,
    weighted_cv_pct,
)
from standmap.errors import DomainError

# Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232, simple random
# sampling: 20 units of 100.
FREESE = [10, 9, 10, 9, 11, 16, 11, 7, 12, 12, 11, 3, 5, 11, 14, 8, 13, 12, 20, 10]

# Scheaffer, Mendenhall and Ott 1986, Elementary survey sampling, exercise 6.1: basal area (sq ft)
# and volume (cu ft) of 12 trees of 250 whose basal areas sum to 75 sq ft.
BASAL = [0.3, 0.5, 0.4, 0.9, 0.7, 0.2, 0.6, 0.5, 0.8, 0.4, 0.8, 0.6]
VOLUME = [6, 9, 7, 19, 15, 5, 12, 9, 20, 9, 18, 13]


def test_freese_simple_random_mean_and_total() -> None:
    mean = simple_random_mean(FREESE, population_units=100)
    total = mean.times(100)
    assert mean.mean == pytest.approx(10.7, abs=0.05)
    assert mean.se == pytest.approx(0.734, abs=0.0005)
    assert total.mean == pytest.approx(1070, abs=0.5)
    assert total.se == pytest.approx(73.4, abs=0.05)
    # The variance the handbook prints, 13.4842, is that of the units.
    units = simple_random_mean(FREESE)
    assert units.se**2 * units.n == pytest.approx(13.4842, abs=0.00005)


def test_freese_proportion() -> None:
    # Handbook 232, sampling for attributes: 480 of 1,000, standard error 0.0158.
    share = simple_random_mean([1] * 480 + [0] * 520)
    assert share.mean == pytest.approx(0.48, abs=0.005)
    assert share.se == pytest.approx(0.0158, abs=0.00005)


def test_simple_random_interval_agrees_with_scipy() -> None:
    mine = simple_random_mean(FREESE, confidence=0.95).interval
    theirs = stats.ttest_1samp(FREESE, 0).confidence_interval(0.95)
    assert mine == pytest.approx((theirs.low, theirs.high), rel=1e-12)


def test_trees_on_seventy_squares() -> None:
    # Introduction to Probability and Statistics (Mendenhall and others), 13th ed., chapter 2,
    # problem 31, variant data with answers: 70 squares of 50 x 50 ft, mean 7.643, s 2.120.
    counts = [8, 9, 6, 10, 3, 7, 7, 8, 8, 9, 8, 5, 5, 9, 10, 9, 8, 9, 8, 9, 4, 8, 5, 10, 8, 9, 6, 4,
              7, 8, 10, 1, 8, 3, 7, 6, 11, 6, 8, 8, 8, 6, 7, 8, 8, 6, 8, 8, 5, 9, 7, 12, 10, 11, 7,
              6, 10, 8, 10, 13, 9, 7, 9, 5, 8, 10, 7, 6, 8, 7]  # fmt: skip
    mean = simple_random_mean(counts)
    assert mean.mean == pytest.approx(7.643, abs=0.0005)
    assert mean.se * np.sqrt(70) == pytest.approx(2.120, abs=0.0005)


def test_a_mean_per_acre_expands_to_the_tract() -> None:
    # Spellman and Whiting, Handbook of Mathematics and Statistics for the Environment, example
    # 7.5: 10,000 acres at 5,680 bd ft/acre, standard error 632.
    total = Estimate(mean=5680, se=632, n=30, df=29).times(10_000)
    assert total.mean == pytest.approx(56_800_000, rel=1e-12)
    assert total.se == pytest.approx(6_320_000, rel=1e-12)
    assert total.se**2 == pytest.approx(39_942_400_000_000, rel=1e-12)


def test_scheaffer_ratio_of_volume_to_basal_area() -> None:
    # Exercise 6.1 as worked; its variance divides by the population mean of x, 75 / 250 sq ft.
    ratio = ratio_of_means(VOLUME, BASAL, population_units=250, x_mean=75 / 250)
    total = ratio.times(75)
    assert ratio.mean == pytest.approx(21.1940, abs=0.00005)
    assert total.mean == pytest.approx(1589.552, abs=0.0005)
    assert total.se**2 == pytest.approx(8678.564, abs=0.0005)
    assert 2 * total.se == pytest.approx(186.3176, abs=0.00005)


def test_which_mean_of_x_the_ratio_divides_by_matters() -> None:
    known = ratio_of_means(VOLUME, BASAL, population_units=250, x_mean=0.3)
    guessed = ratio_of_means(VOLUME, BASAL, population_units=250)
    assert known.se / guessed.se == pytest.approx(np.mean(BASAL) / 0.3, rel=1e-12)


FARMS = [635, 570, 475, 303, 89]
FARMS_SAMPLED = [153, 138, 115, 73, 21]
FARM_TOTALS = [619, 1423, 1578, 1691, 603]


def test_stratified_mean_of_500_farms() -> None:
    # Survey-sampling exercise, worked (mathematics Q&A 962176): mean 11.843 per farm. The total
    # is printed as 24,538.696, which is 11.843 x 2,072; unrounded it is 24,538.867.
    strata = [
        Estimate(mean=t / n, se=0.0, n=n, df=n - 1)
        for t, n in zip(FARM_TOTALS, FARMS_SAMPLED, strict=True)
    ]
    mean = stratified_mean(strata, FARMS)
    assert mean.mean == pytest.approx(11.843, abs=0.0005)
    assert round(mean.mean, 3) * sum(FARMS) == pytest.approx(24538.696, abs=0.0005)
    assert mean.n == 500


def test_proportional_allocation_of_500_farms() -> None:
    # The same exercise prints the allocation.
    assert allocate(500, FARMS).tolist() == FARMS_SAMPLED


def test_strata_errors_combine_as_the_root_of_squares() -> None:
    # Combined sampling error of a sale: sqrt(sum (V_h E_h%)^2) / sum V_h, an identity.
    strata = [
        Estimate(mean=610.0, se=28.4, n=10, df=9),
        Estimate(mean=737.0, se=39.2, n=12, df=11),
        Estimate(mean=304.0, se=34.5, n=8, df=7),
    ]
    acres = np.array([270.0, 140.0, 90.0])
    combined = stratified_mean(strata, acres)
    volume = acres * [s.mean for s in strata]
    error = np.array([100 * s.se / s.mean for s in strata])
    assert 100 * combined.se / combined.mean == pytest.approx(
        np.sqrt(((volume * error) ** 2).sum()) / volume.sum(), rel=1e-12
    )


def test_two_strata_have_the_degrees_of_freedom_of_welch() -> None:
    # With equal sizes, the mean of two strata has the variance and degrees of freedom of Welch's
    # difference of two means.
    one, other = FREESE[:7], FREESE[7:]
    pair = stratified_mean([simple_random_mean(one), simple_random_mean(other)], [1, 1])
    welch = stats.ttest_ind(one, other, equal_var=False)
    assert pair.df == pytest.approx(welch.df, rel=1e-9)
    interval = welch.confidence_interval(0.90)
    assert 2 * pair.half_width == pytest.approx((interval.high - interval.low) / 2, rel=1e-9)


def test_plots_for_an_allowable_error_and_their_allocation() -> None:
    # USDA Forest Service 2000, FSH 2409.12 Timber Cruising Handbook, as shown in a slide set on
    # fixed-plot sampling: weighted CVs by stratum, t = 2, error 10 percent: 185 plots.
    weighted = [17.6, 7.7, 7.2, 35.4]
    assert plots_needed(sum(weighted), 10) == 185
    assert allocate(185, weighted).tolist() == [48, 21, 20, 96]


def test_plots_for_a_finite_tract() -> None:
    # The same handbook, worked in an extension handout, Table 1: 100 acres, tenth-acre plots. The
    # handout speaks of weights by volume but works with acres: 48.5 percent.
    acres, cv = [30, 10, 20, 40], [40, 65, 80, 35]
    combined = weighted_cv_pct(cv, acres)
    assert combined == pytest.approx(48.5, abs=0.05)
    assert plots_needed(combined, 10, population_units=1000) == 86
    assert allocate(86, acres, cv)[:3].tolist() == [21, 12, 28]
    assert allocate(86, acres, cv).sum() == 86


def test_t_agrees_with_scipy() -> None:
    df = np.array([0.7, 1, 3.5, 30, 1e6, np.inf])
    expected = [*stats.t.ppf(0.95, df[:-1]), stats.norm.ppf(0.95)]
    np.testing.assert_allclose(t_quantile(df, 0.90), expected, rtol=1e-9)


def test_an_estimate_reads_as_one_line() -> None:
    # Student's t, two-sided 90 percent, 10 degrees of freedom: 1.8125 in every table.
    line = repr(Estimate(mean=1_250_000, se=50_000, n=11, df=10))
    assert line == "1,250,000 ± 90,623 (90% confidence, 7.2%; n = 11)"
    assert "\n" not in line
    assert repr(Estimate(mean=0, se=0, n=4, df=3)) == "0 ± 0 (90% confidence; n = 4)"


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: simple_random_mean([5.0]), "two or more numbers"),
        (lambda: simple_random_mean([5.0, np.nan]), "none missing"),
        (lambda: simple_random_mean(FREESE, population_units=10), "at least the 20"),
        (lambda: simple_random_mean(FREESE, confidence=90), "fraction between 0 and 1"),
        (lambda: ratio_of_means([1, 2], [1, 2, 3]), "of one length"),
        (lambda: ratio_of_means([1, 2], [-1, 1]), "must not average 0"),
        (lambda: stratified_mean([simple_random_mean(FREESE)], [1, 2]), "give every stratum"),
        (
            lambda: stratified_mean(
                [simple_random_mean(FREESE), simple_random_mean(FREESE, confidence=0.95)], [1, 2]
            ),
            "one confidence",
        ),
        (lambda: plots_needed(0, 10), "must be above 0"),
        (lambda: weighted_cv_pct([10, 20], [1]), "give every stratum"),
        (lambda: allocate(10, [0, 0]), "not all 0"),
        (lambda: allocate(10, [1, 2], [1]), "one value for each stratum"),
        (lambda: Estimate(mean=1, se=-1, n=2, df=1), "se >= 0"),
    ],
)
def test_what_cannot_be_estimated(call: object, message: str) -> None:
    with pytest.raises(DomainError, match=message):
        call()  # type: ignore[operator]
