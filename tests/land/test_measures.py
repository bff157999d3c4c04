"""Acres on the ellipsoid, on a grid, and by the deed."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Proj

from standmap.errors import DomainError
from standmap.land import compare_acres, geodesic_acres, survey_grid
from standmap.units import SQM_PER_ACRE


def layer(*shapes: shapely.Geometry, crs: object) -> gpd.GeoDataFrame:
    names = [f"s{i}" for i in range(len(shapes))]
    return gpd.GeoDataFrame({"stand": names}, geometry=list(shapes), crs=crs)


def test_utm_is_short_by_its_scale_on_the_central_meridian():
    # Snyder 1987, p. 57-58: scale 0.9996 on the central meridian, so acres 0.9996 squared.
    table = compare_acres(layer(shapely.box(499_900, 4.2e6, 500_100, 4.2002e6), crs=32617), "stand")
    assert table["grid_scale"].item() == pytest.approx(0.9996, abs=5e-7)
    assert table["grid_acres"].item() == pytest.approx(200 * 200 / SQM_PER_ACRE, rel=1e-12)
    assert table["grid_differs_pct"].item() == pytest.approx(100 * (0.9996**2 - 1), abs=1e-4)


@pytest.mark.parametrize("code", [2264, 26917, 32617, 5070])
def test_the_scale_is_that_of_the_projection_library(code):
    # Areal scale of small squares against PROJ's factors at their middle.
    square = layer(shapely.box(-80.001, 35.499, -79.999, 35.501), crs=4269)
    crs = CRS.from_epsg(code)
    table = compare_acres(square, "stand", grid=crs)
    areal = Proj(crs).get_factors(-80.0, 35.5).areal_scale
    assert table["grid_scale"].item() ** 2 == pytest.approx(areal, rel=2e-6)


def test_a_web_map_makes_half_an_acre_more_of_each():
    # Spherical Mercator on ellipsoidal degrees: scale a / (N cos) east, a / (M cos) north, with the
    # radii M and N of Snyder 1987, eq. 4-18 and 4-20, p. 24-25.
    square = layer(shapely.box(-80.001, 35.499, -79.999, 35.501), crs=4326)
    e2, lat = 0.00669437999014, np.radians(35.5)
    bracket = 1 - e2 * np.sin(lat) ** 2
    areal = bracket**2 / (1 - e2) / np.cos(lat) ** 2
    table = compare_acres(square, "stand", grid="EPSG:3857")
    assert table["grid_scale"].item() ** 2 == pytest.approx(areal, rel=1e-6)
    assert table["grid_differs_pct"].item() == pytest.approx(51.2, abs=0.05)


def test_feet_of_the_state_plane_are_survey_feet_where_the_zone_says_so():
    # NIST Special Publication 811 (2008), appendix B.6: 1 US survey foot = 1200/3937 m.
    side = 660.0  # ten acres on paper
    square = layer(shapely.box(2e6, 6e5, 2e6 + side, 6e5 + side), crs=2264)
    sqm = (side * 1200 / 3937) ** 2
    found = compare_acres(square, "stand")["grid_acres"].item()
    assert found == pytest.approx(sqm / SQM_PER_ACRE, rel=1e-12)
    assert found == pytest.approx(10.00004, abs=5e-6)


def test_deeds_are_beside_them_and_may_be_missing():
    stands = layer(shapely.box(0, 0, 1, 1), shapely.box(1, 0, 2, 1), crs=5070)
    stands = stands.set_geometry(stands.geometry.scale(300, 300, origin=(0, 0)))
    table = compare_acres(stands, "stand", deed_acres=[20.0, np.nan])
    mapped = geodesic_acres(stands)
    assert table["deed_differs_pct"].iloc[0] == pytest.approx(100 * (20 / mapped[0] - 1))
    assert np.isnan(table["deed_differs_pct"].iloc[1])
    assert table["ellipsoid_acres"].tolist() == mapped.tolist()


def test_the_grid_is_the_one_named_else_the_layers_own_else_utm():
    there = layer(shapely.box(-80.01, 35.5, -80, 35.51), crs=4269)
    assert survey_grid(there).to_epsg() in (26917, 32617)
    assert survey_grid(there, "EPSG:2264").to_epsg() == 2264
    assert survey_grid(there.to_crs(2264)).to_epsg() == 2264
    with pytest.raises(DomainError, match="in degrees, so nothing has acres"):
        survey_grid(there, "EPSG:4326")
    with pytest.raises(DomainError, match="no coordinate reference system"):
        survey_grid(layer(shapely.box(0, 0, 1, 1), crs=None))


def test_a_polygon_with_nothing_in_it_has_no_scale():
    table = compare_acres(layer(shapely.Polygon(), crs=32617), "stand")
    assert table["grid_acres"].item() == 0 and np.isnan(table["grid_scale"].item())
