"""Plots in one stand, in none, in two, on a border."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from standmap.errors import DomainError
from standmap.land import assign_plots, local_crs
from standmap.units import FT_PER_M

STANDS = gpd.GeoDataFrame(
    {"stand": ["B", "A", "C"]},
    geometry=[
        shapely.box(1000, 0, 1100, 100),
        shapely.box(1100, 0, 1200, 100),
        shapely.box(1000, 80, 1050, 200) - shapely.box(1010, 150, 1020, 160),
    ],
    crs="EPSG:32617",
)


def place(*points: tuple[float, float]) -> gpd.pd.DataFrame:
    xy = np.array(points)
    return assign_plots(gpd.GeoSeries.from_xy(xy[:, 0], xy[:, 1], crs=STANDS.crs), STANDS)


def test_inside_one_none_two():
    at = place((1150, 50), (1300, 50), (1025, 90))
    assert at["stand"].tolist() == ["A", "", ""]
    assert at["n_stands"].tolist() == [1, 0, 2]
    assert at["stands"].tolist() == ["A", "", "B;C"]


def test_a_hole_is_not_in_the_stand():
    at = place((1015, 155))
    assert at["n_stands"].item() == 0 and at["nearest"].item() == "C"
    # 5 m from the wall of the hole; UTM is 0.99995 to 1 here within its zone's edge.
    assert at["nearest_ft"].item() == pytest.approx(5 * FT_PER_M, rel=5e-3)


def test_on_a_shared_border_the_first_name_has_it():
    at = place((1100, 50), (1100, 100.0))
    assert at["stand"].tolist() == ["A", "A"]
    assert at["on_border"].all()


def test_inside_one_beats_the_border_of_another():
    at = place((1025, 100))  # on the top of B, within C
    assert at["stand"].item() == "C" and not at["on_border"].item()


def test_other_projections_and_missing_points():
    points = gpd.GeoSeries.from_xy([1150], [50], crs=STANDS.crs).to_crs(4326)
    points.loc[9] = None
    at = assign_plots(points, STANDS.to_crs(local_crs(STANDS)))
    assert at.index.tolist() == [0, 9]
    assert at["stand"].tolist() == ["A", ""] and at["nearest"].tolist() == ["A", ""]
    assert np.isnan(at["nearest_ft"].iloc[1])


def test_missing_crs():
    with pytest.raises(DomainError, match="no coordinate reference system"):
        assign_plots(gpd.GeoSeries.from_xy([0], [0]), STANDS)


def test_no_plots():
    assert assign_plots(gpd.GeoSeries([], crs=STANDS.crs), STANDS).empty
