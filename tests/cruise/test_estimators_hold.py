"""What must hold for every estimator: limits, identities and cases worked by hand."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.cruise import (
    Estimate,
    big_baf_mean,
    combined_error_pct,
    count_measure_mean,
    difference_mean,
    double_ratio_mean,
    double_regression_mean,
    point_three_p_mean,
    post_stratified_mean,
    product_of,
    proportion,
    proportion_interval,
    ratio_mean,
    ratio_of_means,
    regression_mean,
    sample_tree_total,
    simple_random_mean,
    stratified_mean,
    successive_difference_mean,
    three_p_draw,
    three_p_expected,
    three_p_total,
    total_of,
    two_stage_mean,
    two_stage_ratio_mean,
    two_stage_total,
    volume_basal_ratio,
)

SEEDS = st.integers(0, 2**32 - 1)
QUICK = settings(max_examples=40, deadline=None)


def same(one: Estimate, other: Estimate, rel: float = 1e-9) -> None:
    assert one.mean == pytest.approx(other.mean, rel=rel)
    assert one.se == pytest.approx(other.se, rel=rel, abs=1e-9 * abs(other.mean))


def two_columns(seed: int, n: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = rng.gamma(4, 25, n)
    return 20 + 1.5 * x + rng.normal(0, 15, n), x


# --- Sums and products --------------------------------------------------------------------------


@QUICK
@given(seed=SEEDS, strata=st.integers(2, 6))
def test_strata_errors_combine_three_ways_alike(seed: int, strata: int) -> None:
    rng = np.random.default_rng(seed)
    acres = rng.uniform(5, 200, strata)
    means = [Estimate(mean=m, se=0.1 * m, n=12, df=11) for m in rng.uniform(5, 50, strata)]
    whole = total_of([m.times(a) for m, a in zip(means, acres, strict=True)])
    book = stratified_mean(means, acres).times(acres.sum())
    same(whole, book)
    assert whole.df == pytest.approx(book.df, rel=1e-9)
    volume = acres * [m.mean for m in means]
    error = [100 * m.se / m.mean for m in means]
    assert combined_error_pct(volume, error) == pytest.approx(100 * whole.se / whole.mean, rel=1e-9)


def test_a_product_with_a_sure_figure_keeps_the_others_error() -> None:
    # Bruce's formula with no error in the volume ratio gives the error of the counts.
    counts = Estimate(mean=120.0, se=6.0, n=30, df=29)
    sure = Estimate(mean=18.8275, se=0.0, n=360, df=359)
    volume = product_of(counts, sure)
    assert volume.se / volume.mean == pytest.approx(counts.se / counts.mean, rel=1e-12)
    assert volume.df == pytest.approx(29, rel=1e-12)


def test_relative_errors_of_a_product_add_as_squares_and_no_further() -> None:
    # Errors of 3 and 4 percent make 5; the exact product of independents would add 0.12 percent
    # squared. Satterthwaite: (9 + 16)^2 / (81 / 8 + 256 / 20).
    volume = product_of(
        Estimate(mean=100.0, se=3.0, n=9, df=8), Estimate(mean=25.0, se=1.0, n=21, df=20)
    )
    assert (volume.mean, volume.se, volume.n) == pytest.approx((2500, 125, 9), rel=1e-12)
    assert volume.df == pytest.approx(625 / (81 / 8 + 256 / 20), rel=1e-12)


@pytest.mark.parametrize("units", [None, 40])
def test_a_share_is_the_mean_of_ones_and_zeros(units: float | None) -> None:
    share = proportion(3, 12, population_units=units)
    plain = simple_random_mean([1.0] * 3 + [0.0] * 9, population_units=units)
    same(share, plain)
    assert (share.n, share.df) == (12, plain.df)


def test_limits_of_a_share_by_the_normal_go_half_a_unit_further() -> None:
    # Handbook 232: p -/+ (t s + 1 / 2n); 5 of 10, s = 1/6, t = 1.5.
    assert proportion_interval(5, 10, method="normal", t=1.5) == pytest.approx((0.2, 0.8))


# --- Known x -------------------------------------------------------------------------------------


@QUICK
@given(seed=SEEDS)
def test_at_the_samples_own_mean_of_x_the_line_gives_the_samples_mean(seed: int) -> None:
    y, x = two_columns(seed, 15)
    plain = simple_random_mean(y)
    line = regression_mean(y, x, x.mean())
    assert line.mean == pytest.approx(plain.mean, rel=1e-9)
    assert ratio_mean(y, x, x.mean()).mean == pytest.approx(plain.mean, rel=1e-9)
    assert difference_mean(y, x, x.mean()).mean == pytest.approx(plain.mean, rel=1e-9)
    same(line, regression_mean(y, x, x.mean(), off_centre=False))
    assert regression_mean(y, x, 2 * x.mean()).se > line.se


@QUICK
@given(seed=SEEDS, scale=st.floats(0.01, 100))
def test_the_unit_of_x_does_not_matter(seed: int, scale: float) -> None:
    y, x = two_columns(seed, 12)
    same(regression_mean(y, x, 90.0), regression_mean(y, x * scale, 90.0 * scale), rel=1e-7)
    same(ratio_mean(y, x, 90.0), ratio_mean(y, x * scale, 90.0 * scale))


def test_exact_relations_leave_no_error() -> None:
    x = np.array([3.0, 5.0, 8.0, 13.0])
    assert ratio_mean(2 * x, x, 9.0).se == pytest.approx(0, abs=1e-12)
    assert regression_mean(4 + 2 * x, x, 9.0).se == pytest.approx(0, abs=1e-6)
    assert regression_mean(4 + 2 * x, x, 9.0).mean == pytest.approx(22, rel=1e-12)
    assert difference_mean(x + 7, x, 9.0).mean == pytest.approx(16, rel=1e-12)
    assert difference_mean(x + 7, x, 9.0).se == pytest.approx(0, abs=1e-12)


def test_a_difference_is_the_known_mean_and_the_mean_of_the_differences() -> None:
    y, x = two_columns(7, 9)
    plain = simple_random_mean(y - x, population_units=60)
    mine = difference_mean(y, x, 95.0, population_units=60)
    assert mine.mean == pytest.approx(95 + plain.mean, rel=1e-12)
    assert (mine.se, mine.df, mine.n) == pytest.approx((plain.se, 8, 9), rel=1e-12)


def test_one_post_stratum_is_the_simple_random_mean() -> None:
    y = [10.0, 14.0, 9.0, 17.0]
    same(post_stratified_mean(y, ["all"] * 4, {"all": 90}), simple_random_mean(y))


def test_post_stratified_by_hand() -> None:
    # Shares 1/4 and 3/4; oak 10, 14 (variance 8), pine 30, 34, 38 (variance 16); 5 plots:
    # (8/4 + 16 x 3/4) / 5 + (8 x 3/4 + 16/4) / 25 = 2.8 + 0.4.
    mean = post_stratified_mean(
        [10, 14, 30, 34, 38], ["oak"] * 2 + ["pine"] * 3, {"oak": 25, "pine": 75, "water": 0}
    )
    assert mean.mean == pytest.approx(12 / 4 + 34 * 3 / 4, rel=1e-12)
    assert mean.se**2 == pytest.approx(3.2, rel=1e-12)
    # Of 20 plots that would cover it, the first sum has 1 - 5/20 left; the price of chance all.
    seen = post_stratified_mean(
        [10, 14, 30, 34, 38],
        ["oak"] * 2 + ["pine"] * 3,
        {"oak": 25, "pine": 75, "water": 0},
        population_units=20,
    )
    assert seen.se**2 == pytest.approx(2.8 * 0.75 + 0.4, rel=1e-12)


# --- Two phases ----------------------------------------------------------------------------------


@QUICK
@given(seed=SEEDS)
def test_double_sampling_between_its_two_ends(seed: int) -> None:
    y, x = two_columns(seed, 20)
    # Every unit measured: the simple random sample. The whole tract in the first phase: the ratio
    # estimator without the factor of the two means of x, and the regression estimator.
    same(double_ratio_mean(y, x, x), simple_random_mean(y))
    same(double_regression_mean(y, x, x), simple_random_mean(y))
    tract = np.concatenate([x, two_columns(seed + 1, 180)[1]])
    same(
        double_ratio_mean(y, x, tract, population_units=200),
        ratio_mean(y, x, tract.mean(), population_units=200),
    )
    same(
        double_regression_mean(y, x, tract, population_units=200),
        regression_mean(y, x, tract.mean(), population_units=200),
    )


@QUICK
@given(seed=SEEDS)
def test_independent_phases_with_a_sure_first_phase(seed: int) -> None:
    y, x = two_columns(seed, 20)
    flat = np.full(50, 95.0)
    same(
        double_regression_mean(y, x, flat, independent=True),
        regression_mean(y, x, 95.0),
    )
    same(double_ratio_mean(y, x, flat, independent=True), ratio_mean(y, x, 95.0))


def test_independent_phases_add_the_error_of_the_first() -> None:
    y, x = two_columns(5, 20)
    first = two_columns(6, 50)[1]
    counted = simple_random_mean(first)
    ratio = ratio_of_means(y, x, x_mean=1.0)
    mine = double_ratio_mean(y, x, first, independent=True)
    assert mine.se**2 == pytest.approx(ratio.se**2 + (ratio.mean * counted.se) ** 2, rel=1e-12)
    assert (mine.n, mine.df) == (20, 19)


def test_several_columns_are_one_where_one_is_all_that_counts() -> None:
    y, x = two_columns(3, 20)
    first = two_columns(4, 80)[1]
    table = np.column_stack([x, np.sqrt(x)])
    wide = np.column_stack([first, np.sqrt(first)])
    exact = 7 + 2 * x
    mean = double_regression_mean(exact, table, wide, independent=True)
    assert mean.mean == pytest.approx(7 + 2 * first.mean(), rel=1e-9)
    assert mean.se == pytest.approx(2 * first.std(ddof=1) / np.sqrt(80), rel=1e-6)
    assert mean.df == 17
    assert double_regression_mean(y, x, first, independent=True).df == 18


def test_every_point_measured_is_the_plain_cruise() -> None:
    count, volume = [10, 8, 0, 6], [2500.0, 1900.0, 0.0, 1600.0]
    same(count_measure_mean(count, volume, baf=10), simple_random_mean(volume))


def test_count_points_take_the_measure_points_ratio() -> None:
    # By hand: (2500 + 2900) / (100 + 120) cu ft per sq ft on a mean of 90 sq ft.
    nan = math.nan
    mean = count_measure_mean([10, 8, 12, 6], [2500, nan, 2900, nan], baf=10)
    assert mean.mean == pytest.approx(5400 / 220 * 90, rel=1e-12)
    assert (mean.n, mean.df) == (2, 1)


# NRM 340, exam 2, question 1: white spruce on 30 points of BAF 10, 360 trees by DBH and height with
# volume factors (cu ft per acre of one tree, so VBAR x 10). No answers were seen; by points, the
# volume is the sum of the factors / 30.
SPRUCE_TREES = [21, 4, 24, 36, 10, 20, 78, 37, 5, 22, 38, 15, 10, 40]
SPRUCE_FACTOR = [109, 143, 117, 150, 183, 152, 186, 219, 152, 186, 219, 253, 218, 252]


def test_basal_area_times_mean_ratio_is_the_sum_of_the_factors() -> None:
    ratio = np.repeat(SPRUCE_FACTOR, SPRUCE_TREES) / 10
    assert ratio.size == 360
    mean = big_baf_mean(np.full(30, 12), ratio, baf=10)
    assert mean.mean == pytest.approx(np.dot(SPRUCE_TREES, SPRUCE_FACTOR) / 30, rel=1e-12)
    # With counts that do not differ all the error is that of the ratios: 1.194 percent, recomputed.
    assert 100 * mean.se / mean.mean == pytest.approx(1.194296933, rel=1e-8)


def test_volume_ratio_of_one_tree() -> None:
    # Cruise-calculation note (docest.com 637824): 174 bd ft, 22 inches, 659 bd ft/acre at BAF 10.
    assert 10 * volume_basal_ratio([174.0], [22.0])[0] == pytest.approx(659, abs=0.5)


# --- 3P and sample trees -------------------------------------------------------------------------


def test_perfect_predictions_leave_no_error() -> None:
    called = np.array([80.0, 120.0, 200.0])
    total = three_p_total(1.1 * called, called, ceiling=500, prediction_sum=20_000)
    assert total.mean == pytest.approx(22_000, rel=1e-12)
    assert total.se == pytest.approx(0, abs=1e-9)


def test_sure_trees_enter_by_themselves() -> None:
    base = three_p_total([90, 130], [80, 120], ceiling=500, prediction_sum=4_000)
    more = three_p_total([90, 130, 700], [80, 120, 600], ceiling=500, prediction_sum=4_000)
    assert more.mean == pytest.approx(base.mean + 700, rel=1e-12)
    assert more.se == pytest.approx(base.se, rel=1e-12)
    assert three_p_expected([80, 120, 600], 500) == pytest.approx(1.4, rel=1e-12)
    assert three_p_draw([600.0] * 50, 500, rng=np.random.default_rng(1)).all()


def test_equal_predictions_make_point_3p_a_big_baf_cruise() -> None:
    counts, ratio = np.array([4.0, 6.0, 5.0, 9.0]), np.array([22.0, 25.0, 31.0])
    same(
        point_three_p_mean(100 * counts, ratio, np.full(3, 100.0), baf=20),
        big_baf_mean(counts, ratio, baf=20),
    )


def test_equal_predictions_make_3p_a_simple_random_sample() -> None:
    # 100 trees, each called 10, a fifth to be measured: as 20 of 100 drawn at random.
    y = np.random.default_rng(2).gamma(9, 1.2, 20)
    same(
        three_p_total(y, np.full(20, 10.0), ceiling=50, prediction_sum=1_000),
        simple_random_mean(y, population_units=100).times(100),
    )


def test_sample_trees_by_group() -> None:
    # By hand: oak 40 x 120 with variance 40^2 (1 - 3/40) 400 / 3; walnut measured whole.
    groups = ["oak"] * 3 + ["walnut"] * 2
    total = sample_tree_total([100, 140, 120, 300, 260], groups, {"oak": 40, "walnut": 2})
    assert total.mean == pytest.approx(40 * 120 + 560, rel=1e-12)
    assert total.se**2 == pytest.approx(1600 * (1 - 3 / 40) * 400 / 3, rel=1e-12)
    assert total.df == 2


def test_sample_trees_by_their_size() -> None:
    size = np.array([1.0, 2.0, 3.0])
    total = sample_tree_total(
        50 * size, ["oak"] * 3, {"oak": 40}, size=size, size_total={"oak": 88.0}
    )
    assert total.mean == pytest.approx(50 * 88, rel=1e-12)
    assert total.se == pytest.approx(0, abs=1e-9)


def test_sample_trees_by_size_by_hand() -> None:
    # Ratio 150 / 6 = 25 of 88 in all; residuals -5, 10, -5 about it, s2 = 150 / 2, no x mean in the
    # variance of the total: 40^2 (1 - 3/40) 75 / 3.
    total = sample_tree_total(
        [20, 60, 70], ["oak"] * 3, {"oak": 40}, size=[1, 2, 3], size_total={"oak": 88.0}
    )
    assert total.mean == pytest.approx(25 * 88, rel=1e-12)
    assert total.se**2 == pytest.approx(1600 * (1 - 3 / 40) * 75 / 3, rel=1e-12)


# --- Two stages ----------------------------------------------------------------------------------


@QUICK
@given(seed=SEEDS)
def test_primaries_of_one_size_make_one_estimator(seed: int) -> None:
    rng = np.random.default_rng(seed)
    stand = np.repeat(list("ABCDE"), 4)
    y = rng.gamma(3, 10, 5)[np.repeat(np.arange(5), 4)] + rng.normal(0, 4, 20)
    sizes = dict.fromkeys("ABCDE", 30.0)
    plain = two_stage_mean(y, stand, primaries=25, secondaries=30)
    total = two_stage_total(y, stand, primaries=25, secondaries=sizes)
    ratio = two_stage_ratio_mean(y, stand, primaries=25, secondaries=sizes)
    same(total, plain.times(25 * 30))
    same(ratio, plain)
    assert (plain.df, total.df, ratio.df) == (4, 4, 4)


def test_a_known_mean_size_of_primaries_divides_their_error() -> None:
    # Sizes 10 and 20 average 15 in the sample, 12 in the tract.
    y, sizes = [2.0, 4.0, 10.0, 12.0], {"A": 10, "B": 20}
    sampled = two_stage_ratio_mean(y, list("AABB"), primaries=9, secondaries=sizes)
    known = two_stage_ratio_mean(
        y, list("AABB"), primaries=9, secondaries=sizes, mean_secondaries=12
    )
    assert known.mean == pytest.approx(sampled.mean, rel=1e-12)
    assert known.se == pytest.approx(sampled.se * 15 / 12, rel=1e-12)


def test_every_primary_sampled_is_a_stratified_sample() -> None:
    y, stand = [7, 5, 3, 4, 2, 3], list("AAABBB")
    strata = [simple_random_mean(v, population_units=6) for v in ([7, 5, 3], [4, 2, 3])]
    same(two_stage_mean(y, stand, primaries=2, secondaries=6), stratified_mean(strata, [1, 1]))


def test_primaries_covered_whole_are_a_simple_random_sample_of_them() -> None:
    mean = two_stage_mean([7, 5, 4, 2, 9, 9], list("AABBCC"), primaries=12, secondaries=2)
    same(mean, simple_random_mean([6, 3, 9], population_units=12))


# --- Grids ---------------------------------------------------------------------------------------


def test_successive_differences_by_hand() -> None:
    # Steps 4, -2 on the first line and 6 on the second: (16 + 4 + 36) / (2 x 3) / 5.
    mean = successive_difference_mean([10, 14, 12, 20, 26], line=list("aaabb"))
    assert mean.se**2 == pytest.approx(56 / 6 / 5, rel=1e-12)
    assert mean.df == pytest.approx(2 * 9 / (5 + 2), rel=1e-12)
    seen = successive_difference_mean([10, 14, 12, 20, 26], line=list("aaabb"), population_units=20)
    assert seen.se == pytest.approx(mean.se * math.sqrt(0.75), rel=1e-12)


def test_degrees_of_freedom_of_von_neumann() -> None:
    # The variance of the mean square difference of n normal figures, as a chi-square's:
    # 2 (n - 1)^2 / (3 n - 4).
    draws = np.random.default_rng(12).normal(size=(20_000, 30))
    v = (np.diff(draws, axis=1) ** 2).sum(axis=1)
    df = successive_difference_mean(draws[0]).df
    assert df == pytest.approx(2 * 29**2 / 86, rel=1e-12)
    assert 2 * v.mean() ** 2 / v.var() == pytest.approx(df, rel=0.05)


def test_lines_may_be_listed_in_any_order() -> None:
    mixed = successive_difference_mean([10, 20, 14, 26, 12], line=list("ababa"))
    same(mixed, successive_difference_mean([10, 14, 12, 20, 26], line=list("aaabb")))
