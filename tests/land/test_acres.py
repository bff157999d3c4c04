"""Acres on the ellipsoid, and the local plane."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS, Geod

from standmap.errors import DomainError
from standmap.land import geodesic_acres, local_crs, to_local
from standmap.units import SQM_PER_ACRE

WGS84 = Geod(ellps="WGS84")


def layer(*shapes: shapely.Geometry | None, crs: str | int | None = 4326) -> gpd.GeoSeries:
    return gpd.GeoSeries(list(shapes), crs=crs)


def test_antarctica_as_published():
    # The example of PROJ's Python documentation (Geod.polygon_area_perimeter, after Karney's
    # planimeter): 13,376,856,682,207.4 m2, an outline that goes round the pole.
    lat = [-72.9, -71.9, -74.9, -74.3, -77.5, -77.4, -71.7, -65.9, -65.7]
    lat += [-66.6, -66.9, -69.8, -70.0, -71.0, -77.3, -77.9, -74.7]
    lon = [-74, -102, -102, -131, -163, 163, 172, 140, 113, 88, 59, 25, -4, -14, -33, -46, -61]
    coast = shapely.Polygon(list(zip(lon, lat, strict=True)))
    sqm = geodesic_acres(layer(coast)) * SQM_PER_ACRE
    np.testing.assert_allclose(sqm, [13_376_856_682_207.4], rtol=0, atol=0.1)


def test_a_strip_along_the_equator_has_its_closed_form():
    # Between the equator and latitude phi, per radian of longitude, the WGS 84 ellipsoid has
    # b^2/2 [sin p/(1 - e^2 sin^2 p) + atanh(e sin p)/e] (Snyder 1987, eq. 3-12, with q = the
    # bracket x (1 - e^2)). Narrow, so that the geodesic along its top is the parallel.
    a, e2 = 6_378_137.0, 0.00669437999014
    e, sin = np.sqrt(e2), np.sin(np.radians(40))
    width = np.radians(0.01)
    zone = a**2 * (1 - e2) / 2 * (sin / (1 - e2 * sin**2) + np.arctanh(e * sin) / e) * width
    strip = shapely.box(-80, 0, -79.99, 40)
    np.testing.assert_allclose(geodesic_acres(layer(strip)) * SQM_PER_ACRE, [zone], rtol=1e-8)


def test_agrees_with_the_library_one_by_one():
    rng = np.random.default_rng(7)
    centres = rng.uniform([-124, 25], [-67, 49], size=(60, 2))
    shapes = shapely.buffer(shapely.points(centres), rng.uniform(1e-4, 0.3, 60))
    rings = [shapely.Polygon(s.exterior, [s.centroid.buffer(1e-5).exterior]) for s in shapes]
    pairs = [shapely.MultiPolygon([a, shapely.affinity.translate(a, 1, 0)]) for a in shapes[:5]]
    everything = [*rings, *pairs]
    got = geodesic_acres(layer(*everything)) * SQM_PER_ACRE
    # Rings may run either way in the layer; the library wants them oriented.
    want = [abs(WGS84.geometry_area_perimeter(shapely.orient_polygons(s))[0]) for s in everything]
    np.testing.assert_allclose(got, want, rtol=1e-9)


def test_a_hole_comes_off_whichever_way_it_was_drawn():
    shell = shapely.box(-80, 38, -79.98, 38.02)
    hole = shapely.box(-79.995, 38.005, -79.99, 38.01)
    same_way = shapely.Polygon(shell.exterior, [hole.exterior])
    other_way = shapely.Polygon(shell.exterior, [shapely.reverse(hole.exterior)])
    whole, cut, a, b = geodesic_acres(layer(shell, hole, same_way, other_way))
    np.testing.assert_allclose([a, b], whole - cut, rtol=1e-12)


def test_missing_empty_and_flat_geometry_has_no_acres():
    shapes = layer(
        None, shapely.Polygon(), shapely.Point(-80, 38), shapely.LineString([(0, 0), (1, 1)])
    )
    np.testing.assert_array_equal(geodesic_acres(shapes), np.zeros(4))
    assert geodesic_acres(layer()).shape == (0,)


@pytest.mark.parametrize("crs", [4269, 26917, 2264, 3857, 5070, 6350])
def test_acres_do_not_depend_on_the_projection(crs):
    # State plane in survey feet, UTM, Web Mercator (62 % too large on paper), Albers.
    tract = layer(shapely.box(-80.01, 35.5, -80.0, 35.51), crs=4269)
    np.testing.assert_allclose(geodesic_acres(tract.to_crs(crs)), geodesic_acres(tract), rtol=2e-8)


def test_nad27_is_measured_on_its_own_ellipsoid():
    shape = shapely.box(-80.01, 35.5, -80.0, 35.51)
    clarke = Geod(ellps="clrk66").geometry_area_perimeter(shape)[0] / SQM_PER_ACRE
    np.testing.assert_allclose(geodesic_acres(layer(shape, crs=4267)), [clarke], rtol=1e-12)


def test_local_plane_keeps_acres():
    tract = layer(shapely.Point(-80, 38).buffer(0.05))
    plane = to_local(tract)
    np.testing.assert_allclose(plane.area / SQM_PER_ACRE, geodesic_acres(tract), rtol=1e-8)
    assert plane.crs.axis_info[0].unit_name == "metre"
    assert to_local(plane) is plane
    assert local_crs(plane.iloc[:0]) == plane.crs


@pytest.mark.parametrize(("reach_m", "rtol"), [(18_000, 5e-6), (180_000, 5e-4)])
def test_local_plane_keeps_distances_as_stated(reach_m, rtol):
    crs = local_crs(layer(shapely.box(-80.2, 37.8, -79.8, 38.2)))
    bearing = np.arange(0.0, 360, 15)
    start = np.full(len(bearing), -80.0), np.full(len(bearing), 38.0)
    near = WGS84.fwd(*start, bearing, np.full(len(bearing), reach_m))[:2]
    for turn in (0, 45, 90, 135):
        far = WGS84.fwd(*near, bearing + turn, np.full(len(bearing), 100.0))[:2]
        a = gpd.GeoSeries.from_xy(*near, crs=4326).to_crs(crs)
        b = gpd.GeoSeries.from_xy(*far, crs=4326).to_crs(crs)
        np.testing.assert_allclose(a.distance(b), 100, rtol=rtol)


def test_the_way_back_is_exact():
    corner = layer(shapely.box(-80.3, 37.7, -79.9, 38.2))
    there = to_local(corner).to_crs(4326)
    np.testing.assert_allclose(
        shapely.get_coordinates(there), shapely.get_coordinates(corner), rtol=0, atol=1e-12
    )


def test_a_tract_on_the_equator_has_a_plane():
    tract = layer(shapely.box(-60.01, -0.01, -60.0, 0.01))
    np.testing.assert_allclose(
        to_local(tract).area / SQM_PER_ACRE, geodesic_acres(tract), rtol=1e-8
    )


def test_missing_crs_is_an_error_that_says_what_to_do():
    bare = layer(shapely.box(0, 0, 1, 1), crs=None)
    for measure in (local_crs, geodesic_acres, to_local):
        with pytest.raises(DomainError, match=r"no coordinate reference system.*set_crs"):
            measure(bare)


def test_swapped_coordinates_are_told():
    swapped = layer(shapely.box(38, -100.1, 38.1, -100))
    with pytest.raises(DomainError, match="swapped"):
        local_crs(swapped)
    with pytest.raises(DomainError, match="swapped"):
        geodesic_acres(swapped)


def test_a_layer_without_geometry_has_no_place():
    with pytest.raises(DomainError, match="no geometry"):
        local_crs(layer(None, shapely.Polygon()))


def test_working_plane_must_be_in_metres():
    tract = layer(shapely.box(-80.01, 35.5, -80.0, 35.51))
    for crs in (4326, 2264):
        with pytest.raises(DomainError, match="in metres"):
            to_local(tract, CRS(crs))
