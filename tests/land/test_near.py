"""Water that can matter: near enough for the widest buffer."""

import geopandas as gpd
import numpy as np
import pytest
import shapely

from standmap.land import follow_ground, local_crs, stream_rule, water_near, widest_ft

PLANE = local_crs(gpd.GeoSeries([shapely.box(-80.01, 37.99, -79.99, 38.01)], crs=4326))
FT = 0.3048
WOOD = gpd.GeoSeries([shapely.box(0, 0, 400, 400)], crs=PLANE)
SC = stream_rule("SC", "perennial")


def water(*shapes: shapely.Geometry) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame({"class": ["creek"] * len(shapes)}, geometry=list(shapes), crs=PLANE)


def test_the_widest_south_carolina_asks_for():
    # 40 ft primary and 120 ft secondary beyond it over 40 % (manual of 1994).
    assert widest_ft([SC, None]) == 160
    assert widest_ft([]) == 0


def test_a_formula_is_widest_where_its_cap_or_the_steepest_bank_says():
    # 50 + 2 x (slope - 10) ft along the ground: 650 ft at 310 %, on the flat less.
    strip = stream_rule("MN", "any", limits="soil")
    slopes = np.arange(0, 301)
    along = 50 + 2 * np.maximum(slopes - 10, 0)
    assert widest_ft([strip]) == pytest.approx((along / np.hypot(1, slopes / 100)).max(), rel=1e-12)


def test_parts_far_off_are_left_out_and_near_ones_stay_whole():
    near = shapely.LineString([(450, -900), (450, 900)])
    far = shapely.LineString([(5_000, 0), (5_000, 900)])
    both = shapely.MultiLineString([near, far])
    pond = shapely.box(420, 0, 440, 20)
    ponds = shapely.MultiPolygon([pond, shapely.box(8_000, 0, 8_100, 100)])
    found = water_near(water(both, far, ponds, near), WOOD)
    assert found.index.tolist() == [0, 2, 3]
    assert shapely.equals(found.geometry.to_numpy(), [near, pond, near]).all()


def test_nothing_is_copied_where_all_is_near():
    layer = water(shapely.LineString([(450, -900), (450, 900)]))
    assert water_near(layer, WOOD) is layer


def test_the_buffer_near_the_ground_is_that_of_the_whole_layer():
    creek = water(shapely.LineString([(-3_000, 430), (3_000, 430)]))
    whole = follow_ground(creek, SC, slope_pct=45, crs=PLANE)
    near = follow_ground(creek, SC, slope_pct=45, crs=PLANE, near=WOOD)
    assert whole.buffers.union_all().intersection(WOOD[0]).area > 0
    assert near.buffers.geometry.item().equals(whole.buffers.geometry.item())
    # 160 ft and one step of 50 ft around the wood, and no more.
    off = shapely.distance(shapely.points(near.banks[["x", "y"]].to_numpy()), WOOD[0])
    assert off.max() <= 210 * FT
    assert len(near.banks) < len(whole.banks) / 5


def test_a_slope_is_asked_for_only_where_it_matters():
    away = water(shapely.LineString([(3_000, 0), (3_000, 400)]))
    found = follow_ground(away, SC, crs=PLANE, near=WOOD)
    assert set(found.banks["slope_pct"]) == {0} and not found.banks["measured"].any()
    with pytest.raises(ValueError, match="slopes are unknown"):
        follow_ground(away, SC, crs=PLANE, near=WOOD.translate(2_560))
