"""How many trees to the acre a tallied tree stands for, under each design."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.cruise import (
    Design,
    Part,
    basal_area_sqft,
    limiting_distance_ft,
    plot_matrix,
    share_acres,
    strip_acres,
    trees_per_acre,
)
from standmap.cruise import _kernels as kernels
from standmap.errors import DomainError
from standmap.units import SQFT_PER_ACRE

BAF10 = Part(design="point", baf=10)
TENTH = Part(design="fixed", plot_acres=0.1)
NAN = math.nan


def test_tree_factors_of_a_baf_10_point() -> None:
    # Cruise-calculation note for landowners (docest.com 637824): 10, 12, 20 and 22 inches.
    np.testing.assert_allclose(
        trees_per_acre([10, 12, 20, 22], BAF10), [18.33, 12.73, 4.58, 3.79], atol=0.005, rtol=0
    )


def test_volume_per_acre_of_one_counted_tree() -> None:
    # The same note: a 22-inch one-log tree, 174 bd ft Doyle at form class 78, is 659 bd ft/acre.
    assert trees_per_acre([22], BAF10)[0] * 174 == pytest.approx(659, abs=0.5)


def test_a_12_inch_tree_on_a_baf_20_point() -> None:
    # Forest Measurements II, point sampling lecture slides, slide 12, which works with the
    # truncated factor 1.944 ft/in: plot 0.039248 acre, 25.479 trees, 0.785376 sq ft each (with
    # 0.005454). With the full factor the trees are 25.46 and their basal area exactly 20.
    acre = math.pi * (1.944 * 12) ** 2 / SQFT_PER_ACRE
    assert acre == pytest.approx(0.039248, abs=5e-7)
    assert trees_per_acre([12], Part(design="fixed", plot_acres=acre))[0] == pytest.approx(
        25.479, abs=0.0005
    )
    exact = trees_per_acre([12], Part(design="point", baf=20))
    assert float(exact[0] * basal_area_sqft(12)) == pytest.approx(20, rel=1e-12)


def test_basal_area_is_the_count_times_the_factor() -> None:
    # Variable-plot teaching page: 11 trees counted on 2 points of BAF 30 are 165 sq ft/acre.
    dbh = np.linspace(6, 26, 11)
    factor = trees_per_acre(dbh, Part(design="point", baf=30))
    plots = plot_matrix([0] * 5 + [1] * 6, factor, basal_area_sqft(dbh)[:, None], 2)
    assert plots.mean() == pytest.approx(165, rel=1e-12)


@pytest.mark.parametrize(
    ("acres", "factor"),
    [
        (1 / 10, 10),  # Avery and Burkhart 1994, in a fire-terms glossary: 10 on a tenth acre
        (1 / 5, 5),  # Larsen, FOR 8515, Unit 3, Table 1: 5 on a fifth acre
    ],
)
def test_expansion_factor_of_fixed_plots(acres: float, factor: float) -> None:
    assert trees_per_acre([4.0, 30.0], Part(design="fixed", plot_acres=acres)) == pytest.approx(
        [factor, factor], rel=1e-12
    )


@given(dbh=st.floats(0.5, 80), baf=st.floats(1, 80))
def test_a_point_tree_stands_for_one_over_its_own_circle(dbh: float, baf: float) -> None:
    acres = math.pi * float(limiting_distance_ft(dbh, baf)) ** 2 / SQFT_PER_ACRE
    assert trees_per_acre([dbh], Part(design="point", baf=baf))[0] == pytest.approx(
        1 / acres, rel=1e-9
    )


def test_a_count_line_stands_for_so_many_trees() -> None:
    for part in (BAF10, TENTH):
        one = trees_per_acre([12.0], part)
        assert trees_per_acre([12.0], part, count=3)[0] == pytest.approx(3 * one[0], rel=1e-12)


def test_nested_plots_by_dbh_meet_without_sharing_a_tree() -> None:
    nested = Design.of(
        Part(design="fixed", plot_acres=0.01, min_dbh_in=1, max_dbh_in=5),
        Part(design="fixed", plot_acres=0.2, min_dbh_in=5),
    )
    np.testing.assert_allclose(
        trees_per_acre([0.9, 1.0, 4.9, 5.0, 30.0], nested), [0, 100, 100, 5, 5], rtol=1e-12
    )


def test_the_narrowest_part_takes_the_tree() -> None:
    design = Design.of(
        BAF10,
        Part(design="fixed", plot_acres=0.01, max_dbh_in=5),
        Part(design="fixed", plot_acres=0.1, stratum="plantation"),
    )
    np.testing.assert_allclose(
        trees_per_acre([3.0, 12.0], design, stratum="plantation"), [10, 10], rtol=1e-12
    )
    np.testing.assert_allclose(
        trees_per_acre([3.0, 12.0], design, stratum="cove"), [100, 12.7324], rtol=1e-5
    )


def test_a_cruise_may_mix_points_and_plots() -> None:
    laid = Design.of(BAF10).lay_out(["a", "a", "a"], baf=[NAN, 20, NAN], plot_acres=[NAN, NAN, 0.1])
    np.testing.assert_allclose(
        laid.trees_per_acre([0, 1, 2], [12.0] * 3), [12.7324, 25.4648, 10], rtol=1e-5
    )


def test_a_plots_own_baf_leaves_its_small_tree_plot_alone() -> None:
    design = Design.of(BAF10, Part(design="fixed", plot_acres=0.01, max_dbh_in=5))
    laid = design.lay_out(["a"], baf=[20.0])
    np.testing.assert_allclose(laid.trees_per_acre([0, 0], [3.0, 12.0]), [100, 25.4648], rtol=1e-5)


def test_a_complete_tally_counts_each_tree_once_over_its_acres() -> None:
    acres = share_acres(["A", "A", "B"], [40.0, 40.0, 10.0])
    laid = Design.of(Part(design="complete")).lay_out(["x"] * 3, tally_acres=acres)
    np.testing.assert_allclose(laid.trees_per_acre([0, 2], [9.0, 9.0]), [1 / 20, 1 / 10])
    assert laid.complete.all()
    np.testing.assert_allclose(laid.weight, acres)


def test_strips_weigh_by_their_acres() -> None:
    acres = strip_acres([660.0, 1320.0], 66.0)
    laid = Design.of(Part(design="strip")).lay_out(["x", "x"], plot_acres=acres)
    np.testing.assert_allclose(laid.weight, [1.0, 2.0])
    np.testing.assert_allclose(laid.trees_per_acre([0, 1], [9.0, 9.0]), [1.0, 0.5])


def test_a_tree_set_aside_stands_for_nothing() -> None:
    laid = Design.of(BAF10).lay_out(["x"])
    assert laid.trees_per_acre([-1, 0], [NAN, 12.0]).tolist() == pytest.approx([0, 12.7324])


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: Part(design="line"), "must be one of point"),
        (lambda: Part(design="point", baf=-10), "'baf' must be above 0"),
        (lambda: Part(design="point", plot_acres=0.1), "not 'plot_acres'"),
        (lambda: Part(design="fixed", baf=10), "has no 'baf'"),
        (lambda: Part(design="point", baf=10, min_dbh_in=9, max_dbh_in=9), "run upwards"),
        (lambda: Design(()), "at least one part"),
        (lambda: Design.of(BAF10, TENTH), "claim the same trees"),
        (
            lambda: Design.of(
                Part(design="point", baf=10, max_dbh_in=6), Part(design="complete", min_dbh_in=6)
            ),
            "complete tally cannot be mixed",
        ),
        (lambda: Design.of(Part(design="point")).lay_out(["x"]), "needs a 'baf'"),
        (lambda: Design.of(Part(design="fixed")).lay_out(["x"]), "needs 'plot_acres'"),
        (lambda: Design.of(Part(design="complete")).lay_out(["x"]), "needs the acres it covers"),
        (lambda: Design.of(BAF10).lay_out(["x"], baf=[0.0]), "'baf' must be above 0"),
        (lambda: Design.of(BAF10).lay_out(["x"], baf=[10.0, 10.0]), "each of the 1 plots"),
        (
            lambda: Design.of(BAF10).lay_out(["x"], baf=[10.0], plot_acres=[0.1]),
            "point parts only",
        ),
        (
            lambda: Design.of(TENTH).lay_out(["x"], baf=[10.0], plot_acres=[0.1]),
            "no point part",
        ),
        (
            lambda: Design.of(Part(design="point", baf=10, stratum="a")).lay_out(["b"]),
            "No part of the design holds",
        ),
        (lambda: trees_per_acre([0.0], BAF10), "'dbh_in' must be above 0"),
        (lambda: trees_per_acre([9.0], BAF10, count=-1), "'count' must be 0 or more"),
        (lambda: Design.of(BAF10).lay_out(["x"]).trees_per_acre([1], [9.0]), "past the last"),
    ],
)
def test_designs_that_cannot_be(make: object, message: str) -> None:
    with pytest.raises(DomainError, match=message):
        make()  # type: ignore[operator]


def test_plots_without_trees_are_rows_of_zeros() -> None:
    assert plot_matrix([], [], np.zeros((0, 2)), 3).tolist() == [[0, 0]] * 3


def test_an_index_past_the_last_plot_is_refused() -> None:
    with pytest.raises(DomainError, match="past the last of 2 plots"):
        plot_matrix([2], [1.0], [[1.0]], 2)
    with pytest.raises(DomainError, match="must match"):
        plot_matrix([0], [1.0], [1.0], 2)


@pytest.mark.parametrize("build", ["compiled", "plain"])
@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 2**32 - 1), columns=st.sampled_from([1, 3, 31, 32, 33, 70]))
def test_kernels_agree_with_numpy(build: str, seed: int, columns: int) -> None:
    def kernel(name: str):
        made = getattr(kernels, name)
        return getattr(made, "py_func", made) if build == "plain" else made

    rng = np.random.default_rng(seed)
    n, groups = 40, 6
    index = rng.integers(-1, groups, n)
    factor, values = rng.uniform(0, 20, n), rng.normal(0, 100, (n, columns))
    summed = np.zeros((groups, columns))
    used = index >= 0
    np.add.at(summed, index[used], factor[used, None] * values[used])
    np.testing.assert_allclose(
        kernel("sum_rows")(index, factor, values, groups), summed, rtol=1e-9, atol=1e-9
    )
    inside, centre = np.abs(index), rng.normal(0, 100, (groups, columns))
    squares = np.zeros((groups, columns))
    np.add.at(squares, inside, factor[:, None] * (values - centre[inside]) ** 2)
    np.testing.assert_allclose(
        kernel("sum_squares")(inside, factor, values, centre), squares, rtol=1e-9, atol=1e-9
    )
