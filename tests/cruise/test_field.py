"""Plot radii, plot radius factors and limiting distances against published tables."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import (
    basal_area_sqft,
    circle_acres,
    limiting_distance_ft,
    plot_radius_factor,
    plot_radius_ft,
    strip_acres,
)
from standmap.errors import DomainError

REFERENCE = Path(__file__).parents[1] / "reference"


def test_basal_area_of_whole_inches() -> None:
    # Pennsylvania State University Extension, point sampling table: 10, 12 and 24 inches.
    np.testing.assert_allclose(
        basal_area_sqft([10, 12, 24]), [0.545, 0.785, 3.142], atol=0.0005, rtol=0
    )


def test_radii_of_common_circular_plots() -> None:
    # USDA Forest Service, Common Stand Exam field guide, Appendix I, Table 1, 0-9 percent slope.
    acres = [1 / 300, 1 / 100, 1 / 50, 1 / 20, 1 / 10, 1 / 5]
    np.testing.assert_allclose(
        plot_radius_ft(acres), [6.8, 11.8, 16.7, 26.3, 37.2, 52.7], atol=0.05, rtol=0
    )


def test_radii_on_slopes_fall_within_their_slope_class() -> None:
    # The same Table 1: a row covers a class of slopes, so the printed radius (one decimal) lies
    # between the radii at the class's two ends.
    table = pd.read_csv(REFERENCE / "cruise_plot_radii_usfs_cse.csv", comment="#")
    assert len(table) == 78
    acres = 1 / table["plots_per_acre"]
    low = plot_radius_ft(acres, slope_pct=table["slope_from_pct"])
    high = plot_radius_ft(acres, slope_pct=table["slope_to_pct"])
    printed = table["radius_ft"].to_numpy()
    assert np.all(low - 0.05 <= printed)
    assert np.all(printed <= high + 0.05)


def test_radius_of_a_three_hundredth_acre_on_half_slope() -> None:
    # The worked line under Table 1 of the same guide.
    assert float(plot_radius_ft(1 / 300, slope_pct=50)) == pytest.approx(7.2, abs=0.05)


@pytest.mark.parametrize(
    ("baf", "to", "printed", "half_digit"),
    [
        # Forest Measurements II, point sampling lecture slides, slide 10.
        (10, "centre", 2.75, 0.005),
        # Iles, K., John Bell and Associates newsletter archive no. 12.
        (40, "centre", 1.375, 0.0005),
        (40, "face", 1.3333, 0.00005),
    ],
)
def test_plot_radius_factors(baf: float, to: str, printed: float, half_digit: float) -> None:
    assert float(plot_radius_factor(baf, to=to)) == pytest.approx(printed, abs=half_digit)


def test_the_lecture_truncates_the_factor_of_baf_20() -> None:
    # Slide 10 prints 1.944; 8.696 / sqrt(20) is 1.9445, cut off and not rounded.
    assert np.floor(plot_radius_factor(20) * 1000) / 1000 == 1.944


@pytest.mark.parametrize(("baf", "printed", "half_digit"), [(10, 33, 0.5), (20, 23.3, 0.05)])
def test_limiting_distance_of_a_12_inch_tree(baf: float, printed: float, half_digit: float) -> None:
    # Forest Measurements II, point sampling lecture slides, slide 10.
    assert float(limiting_distance_ft(12, baf)) == pytest.approx(printed, abs=half_digit)


def test_the_tape_to_one_tree_stretches_more_than_the_plot_radius() -> None:
    # Two corrections that are easily mixed up: at 50 percent 1.1180 and 1.0574.
    tape = limiting_distance_ft(12, 10, slope_pct=50) / limiting_distance_ft(12, 10)
    circle = plot_radius_ft(0.1, slope_pct=50) / plot_radius_ft(0.1)
    assert float(tape) == pytest.approx(1.1180, abs=0.00005)
    assert float(circle) == pytest.approx(1.0574, abs=0.00005)


def test_circle_and_radius_undo_each_other() -> None:
    acres = np.array([1 / 300, 0.1, 0.2, 1.0])
    np.testing.assert_allclose(circle_acres(plot_radius_ft(acres)), acres, rtol=1e-12)


def test_a_strip_one_chain_by_ten_is_an_acre() -> None:
    assert float(strip_acres(660, 66)) == pytest.approx(1.0, rel=1e-12)


@pytest.mark.parametrize(
    "call",
    [
        lambda: plot_radius_factor(0),
        lambda: limiting_distance_ft([10, float("nan")], 10),
        lambda: plot_radius_ft(-0.1),
        lambda: basal_area_sqft(-1),
        lambda: strip_acres(100, 0),
    ],
)
def test_sizes_must_be_above_zero(call: object) -> None:
    with pytest.raises(DomainError, match="must be a number >"):
        call()  # type: ignore[operator]


def test_the_tape_is_held_at_centre_or_face() -> None:
    with pytest.raises(DomainError, match="'centre' or 'face'"):
        plot_radius_factor(10, to="bark")  # type: ignore[arg-type]
