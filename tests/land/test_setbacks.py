"""Strips along the property line and steep ground: squares, holes, planes and cones."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import shapely

from standmap.errors import DomainError
from standmap.land import candidate_channels, line_strip, local_crs, steep_ground

FT = 0.3048
PLANE = local_crs(gpd.GeoSeries([shapely.box(-80.01, 37.99, -79.99, 38.01)], crs=4326))


def stands(*shapes: shapely.Geometry) -> gpd.GeoDataFrame:
    return gpd.GeoDataFrame(geometry=list(shapes), crs=PLANE)


class TestPropertyLine:
    def test_a_hole_is_a_neighbour_and_a_shared_border_is_not(self):
        # Two squares of 200 m side by side; a hole of 40 m in one. 10 m along the outside and
        # 10 m round the hole, its corners round.
        left = shapely.box(0, 0, 200, 200) - shapely.box(80, 80, 120, 120)
        strip = line_strip(stands(left, shapely.box(200, 0, 400, 200)), 10 / FT, crs=PLANE)
        outside = 400 * 200 - 380 * 180
        round_hole = 4 * 40 * 10 + np.pi * 10**2
        assert strip.area.item() == pytest.approx(outside + round_hole, rel=1e-4)
        assert strip["reason"].tolist() == ["property line"]

    def test_a_tract_narrower_than_both_strips_is_all_strip(self):
        narrow = stands(shapely.box(0, 0, 15, 300))
        assert line_strip(narrow, 10 / FT, crs=PLANE).area.item() == pytest.approx(4500, rel=1e-9)

    @pytest.mark.parametrize("wrong", [0, -5, np.nan, np.inf])
    def test_a_distance_out_of_range(self, wrong):
        with pytest.raises(DomainError, match="'distance_ft' must be more than 0"):
            line_strip(stands(shapely.box(0, 0, 9, 9)), wrong, crs=PLANE)


class TestSteepGround:
    tract = stands(shapely.box(-300, -300, 300, 300))

    def test_of_two_planes_the_steeper(self, tmp_path, dem):
        path = dem(tmp_path / "d.tif", lambda x, y: np.where(x > 0, 0.6 * x, 0.2 * x))
        steep = steep_ground(path, self.tract, 45).clip(shapely.box(20, -300, 300, 300))
        assert steep.area.sum() == pytest.approx(280 * 600, rel=1e-6)
        assert steep_ground(path, self.tract, 65).empty
        flat = steep_ground(path, self.tract, 45).clip(shapely.box(-300, -300, -20, 300))
        assert flat.area.sum() == 0

    def test_a_ring_on_a_bowl(self, tmp_path, dem):
        # z = r^2 / 400 has slope r / 200: over 50 % outside 100 m.
        path = dem(tmp_path / "d.tif", lambda x, y: (x**2 + y**2) / 400)
        steep = steep_ground(path, self.tract, 50).union_all()
        flat = shapely.box(-300, -300, 300, 300) - steep
        assert flat.area == pytest.approx(np.pi * 100**2, rel=0.01)

    def test_elevations_in_feet(self, tmp_path, dem):
        path = dem(tmp_path / "d.tif", lambda x, y: 0.6 * x / FT)
        assert steep_ground(path, self.tract, 61, units="ft").empty
        assert not steep_ground(path, self.tract, 59, units="ft").empty

    def test_small_patches_are_left_out(self, tmp_path, dem):
        # A bank of 20 x 20 m, about a tenth of an acre, alone on a plain.
        path = dem(
            tmp_path / "d.tif",
            lambda x, y: np.where((abs(x) <= 10) & (abs(y) <= 10), x, np.sign(x) * 10.0),
        )
        assert steep_ground(path, self.tract, 60, least_acres=50).empty
        assert not steep_ground(path, self.tract, 60, least_acres=0.05).empty

    def test_a_limit_out_of_range(self, tmp_path):
        with pytest.raises(DomainError, match="'over_pct' must be more than 0"):
            steep_ground(tmp_path / "d.tif", self.tract, 0)


class TestCandidateChannels:
    tract = stands(shapely.box(-300, -300, 300, 300))

    def valley(self, tmp_path, dem, **kwargs) -> Path:
        # Walls fall to y = 0, which falls eastward: one channel, along y = 0.
        return dem(tmp_path / "d.tif", lambda x, y: 0.3 * np.abs(y) - 0.02 * x, cell=4.0,
                   half=150, **kwargs)  # fmt: skip

    def test_the_floor_of_a_valley(self, tmp_path, dem):
        found = candidate_channels(
            self.valley(tmp_path, dem), self.tract, crs=PLANE, feeding_acres=20
        )
        xy = shapely.get_coordinates(found.geometry.to_numpy())
        assert np.abs(xy[:, 1]).max() <= 4.0 + 1e-6  # within a cell of the floor
        assert xy[:, 0].max() > 280
        # Downstream is eastward, and the whole raster drains out there: 1,204 m x 1,204 m.
        assert (found.geometry.apply(lambda g: g.coords[-1][0] - g.coords[0][0]) > 0).all()
        assert found["feeding_acres"].max() == pytest.approx(1204**2 / 4046.856, rel=0.1)
        assert set(found["status"]) == {"unverified, look on the ground"}

    def test_its_head_lies_where_the_stated_acres_drain(self, tmp_path, dem):
        # Each metre of floor drains 1,204 m of walls: 20 acres by 67 m from the western end.
        found = candidate_channels(
            self.valley(tmp_path, dem), self.tract, crs=PLANE, feeding_acres=20
        )
        head = shapely.get_coordinates(found.geometry.to_numpy())[:, 0].min()
        assert head == pytest.approx(-602 + 20 * 4046.856 / 1204, abs=16)

    def test_a_pit_is_filled_and_drained_on(self, tmp_path, dem):
        path = dem(
            tmp_path / "d.tif",
            lambda x, y: 0.3 * np.abs(y) - 0.02 * x - 8.0 * (np.hypot(x, y) < 12),
            cell=4.0, half=150,
        )  # fmt: skip
        found = candidate_channels(path, self.tract, crs=PLANE, feeding_acres=20)
        xy = shapely.get_coordinates(found.geometry.to_numpy())
        assert xy[:, 0].min() < -300 and xy[:, 0].max() > 280

    def test_no_ground_drains_so_many_acres(self, tmp_path, dem):
        found = candidate_channels(
            self.valley(tmp_path, dem), self.tract, crs=PLANE, feeding_acres=9e3
        )
        assert found.empty and list(found.columns) == [
            "feeding_acres", "length_ft", "status", "geometry"
        ]  # fmt: skip

    def test_a_raster_with_no_data(self, tmp_path, dem):
        path = dem(tmp_path / "d.tif", lambda x, y: -1.0 + 0 * x, nodata=-1.0)
        assert candidate_channels(path, self.tract, crs=PLANE).empty

    def test_a_threshold_out_of_range(self, tmp_path):
        with pytest.raises(DomainError, match="'feeding_acres' must be more than 0"):
            candidate_channels(tmp_path / "d.tif", self.tract, crs=PLANE, feeding_acres=0)
