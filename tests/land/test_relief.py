"""Slope, aspect, relief and operability: planes, cones and pyramids of known lie."""

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio import Affine

from standmap.errors import DomainError, InputError
from standmap.land import slope_table, terrain_blocks, terrain_table
from standmap.land._kernels import aspect_degrees, operability_class, relief_shade

EAST, NORTH = 500_000.0, 4_200_000.0
CELL = 10.0


def dem(path: Path, height, *, half: int = 60, crs: int = 32617, nodata=None) -> Path:
    """A raster of ``height(x, y)`` about (EAST, NORTH), cells of 10 m."""
    steps = (np.arange(2 * half) + 0.5 - half) * CELL
    x, y = np.meshgrid(steps, -steps)
    z = height(x, y)
    with rasterio.open(
        path, "w", driver="GTiff", width=2 * half, height=2 * half, count=1, dtype="float64",
        crs=crs, nodata=nodata,
        transform=Affine(CELL, 0, EAST - half * CELL, 0, -CELL, NORTH + half * CELL),
    ) as target:  # fmt: skip
        target.write(z, 1)
    return path


def box(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
    return shapely.box(EAST + x0, NORTH + y0, EAST + x1, NORTH + y1)


def layer(*shapes: shapely.Geometry) -> gpd.GeoSeries:
    return gpd.GeoSeries(list(shapes), crs=32617)


class TestKernels:
    @pytest.mark.parametrize(
        ("rise_x", "rise_y", "faces"),
        [(0, -0.1, 0), (-0.1, 0, 90), (0, 0.1, 180), (0.1, 0, 270), (-0.2, -0.2, 45)],
    )
    def test_ground_faces_downhill(self, rise_x, rise_y, faces):
        got = aspect_degrees(np.array([float(rise_x)]), np.array([float(rise_y)]))
        np.testing.assert_allclose(got, [faces], rtol=0, atol=1e-9)

    def test_level_ground_faces_nowhere(self):
        assert np.isnan(aspect_degrees(np.zeros(1), np.zeros(1)))

    def test_light_on_level_ground_is_the_sine_of_the_suns_height(self):
        # Horn (1981): the cosine between the ground's normal and the sun.
        got = relief_shade(np.zeros(2), np.zeros(2), 315, 30)
        np.testing.assert_allclose(got, 0.5, rtol=1e-12)

    def test_ground_square_to_the_sun_is_full_and_ground_turned_away_dark(self):
        # Sun in the south-east at 45 degrees: a 100 % slope facing it, and one facing away.
        toward = np.array([-1.0, 1.0]) * np.sin(np.radians(45))
        rise_x, rise_y = toward, np.array([1.0, -1.0]) * np.sin(np.radians(45))
        np.testing.assert_allclose(relief_shade(rise_x, rise_y, 135, 45), [1, 0], atol=1e-12)

    def test_a_slope_on_a_limit_is_within_it(self):
        got = operability_class(np.array([0, 35, 35.01, 50, 50.01, np.nan]), np.array([35.0, 50]))
        assert got.tolist() == [0, 0, 1, 1, 2, -1]


class TestTable:
    def test_a_plane(self, tmp_path):
        # Rises 30 % east and 40 % north: 50 % in all, facing 180 + atan(30/40) = 216.87 degrees.
        path = dem(tmp_path / "d.tif", lambda x, y: 0.3 * x + 0.4 * y)
        row = terrain_table(path, layer(box(-203, -111, 157, 222)), slope_limits_pct=(35, 60)).loc[
            0
        ]
        assert row["slope_pct"] == pytest.approx(50, rel=1e-9)
        assert row["steepest_tenth_pct"] == pytest.approx(50, abs=0.1)
        assert row["aspect_deg"] == pytest.approx(180 + np.degrees(np.arctan2(3, 4)), abs=1e-6)
        shares = row[["share_to_35_pct", "share_35_to_60_pct", "share_over_60_pct"]]
        np.testing.assert_allclose(shares, [0, 100, 0], rtol=1e-9, atol=1e-9)
        assert row["covered_pct"] == pytest.approx(100, abs=1e-6)

    def test_shares_are_shares_of_area(self, tmp_path):
        # West of x = 0, 20 %; east of it 60 %. A stand with 300 m west and 100 m east, the columns
        # at the break (40 % there) left out.
        path = dem(tmp_path / "d.tif", lambda x, y: np.where(x < 0, 0.2, 0.6) * x)
        stand = box(-320, -100, -20, 100) | box(20, -100, 120, 100)
        row = terrain_table(path, layer(stand)).loc[0]
        shares = row[["share_to_35_pct", "share_35_to_50_pct", "share_over_50_pct"]]
        np.testing.assert_allclose(shares, [75, 0, 25], rtol=1e-9, atol=1e-9)
        assert row["slope_pct"] == pytest.approx(0.75 * 20 + 0.25 * 60, rel=1e-9)
        assert row["steepest_tenth_pct"] == pytest.approx(60, abs=0.1)

    def test_the_steepest_tenth_of_a_bowl(self, tmp_path):
        # z = a r^2 has slope 200 a r %: over a disc of radius R, a tenth of the area lies beyond
        # r = R sqrt(0.9).
        path = dem(tmp_path / "d.tif", lambda x, y: 1e-3 * (x**2 + y**2))
        disc = shapely.Point(EAST, NORTH).buffer(400, quad_segs=90)
        row = terrain_table(path, layer(disc)).loc[0]
        assert row["steepest_tenth_pct"] == pytest.approx(0.2 * 400 * np.sqrt(0.9), rel=3e-3)
        assert row["slope_pct"] == pytest.approx(0.2 * 400 * 2 / 3, rel=3e-3)

    def test_a_cone_is_in_one_class(self, tmp_path):
        path = dem(tmp_path / "d.tif", lambda x, y: -0.4 * np.hypot(x, y))
        ring = shapely.Point(EAST, NORTH).buffer(450) - shapely.Point(EAST, NORTH).buffer(80)
        row = terrain_table(path, layer(ring)).loc[0]
        assert row["slope_pct"] == pytest.approx(40, rel=2e-3)
        assert row["share_35_to_50_pct"] == pytest.approx(100, abs=1e-9)

    @pytest.mark.parametrize("side", [7, 16, 1000])
    def test_the_size_of_blocks_changes_nothing(self, tmp_path, side):
        rng = np.random.default_rng(3)
        rough = rng.normal(0, 3, (120, 120))
        path = dem(tmp_path / "d.tif", lambda x, y: 0.2 * x + rough)
        shapes = layer(
            shapely.Point(EAST, NORTH).buffer(333), box(-551, -20, 490, 31), box(5000, 0, 5010, 9)
        )
        got = terrain_table(path, shapes, block_cells=side)
        want = terrain_table(path, shapes, block_cells=61)
        np.testing.assert_allclose(got, want, rtol=1e-9, atol=1e-9)
        plain = slope_table(path, shapes)
        np.testing.assert_allclose(got["slope_pct"], plain["slope_pct"], rtol=1e-9)
        np.testing.assert_allclose(got["covered_pct"], plain["covered_pct"], rtol=1e-9)
        classes = got.filter(like="share_").loc[:1].sum(axis=1)
        np.testing.assert_allclose(classes, 100, rtol=1e-9)

    def test_polygons_where_nothing_is_known(self, tmp_path):
        path = dem(tmp_path / "d.tif", lambda x, y: np.where(x < 0, -9999, 0.2 * x), nodata=-9999)
        table = terrain_table(path, layer(box(100, 0, 200, 99), box(-300, 0, -200, 99)))
        assert table.loc[0, "slope_pct"] == pytest.approx(20, rel=1e-9)
        assert table.loc[1].drop("covered_pct").isna().all()
        assert table.loc[1, "covered_pct"] == 0

    def test_a_raster_in_degrees_is_brought_to_the_plane(self, tmp_path):
        path = dem(tmp_path / "d.tif", lambda x, y: 0.25 * x)
        there = tmp_path / "degrees.tif"
        from rasterio.warp import calculate_default_transform, reproject

        with rasterio.open(path) as source:
            place, width, height = calculate_default_transform(
                source.crs, "EPSG:4326", source.width, source.height, *source.bounds
            )
            with rasterio.open(
                there, "w", driver="GTiff", width=width, height=height, count=1, dtype="float64",
                crs="EPSG:4326", transform=place, nodata=-9999,
            ) as target:  # fmt: skip
                reproject(
                    rasterio.band(source, 1), rasterio.band(target, 1), resampling=1, tolerance=0
                )
        row = terrain_table(there, layer(box(-200, -200, 200, 200)), block_cells=17).loc[0]
        assert row["slope_pct"] == pytest.approx(25, rel=0.01)
        assert row["aspect_deg"] == pytest.approx(270, abs=1)

    def test_elsewhere(self, tmp_path):
        path = dem(tmp_path / "d.tif", lambda x, y: x)
        with pytest.raises(InputError, match="no data anywhere on the polygons"):
            terrain_table(path, layer(box(9000, 0, 9100, 100)))

    @pytest.mark.parametrize("limits", [(), (50, 35), (0, 35), (35, 35)])
    def test_limits_rise(self, tmp_path, limits):
        path = dem(tmp_path / "d.tif", lambda x, y: x)
        with pytest.raises(DomainError, match="limits over 0 that rise"):
            terrain_table(path, layer(box(0, 0, 9, 9)), slope_limits_pct=limits)


class TestBlocks:
    def test_blocks_tile_the_window_as_one_would(self, tmp_path):
        rng = np.random.default_rng(4)
        rough = rng.normal(0, 5, (120, 120))
        path = dem(tmp_path / "d.tif", lambda x, y: rough)
        area = layer(box(-200, -150, 130, 90))
        (whole,) = terrain_blocks(path, area, block_cells=500)
        for name in ("slope_pct", "aspect_deg", "shade", "operability"):
            joined = np.full(whole.slope_pct.shape, -7.0)
            for block in terrain_blocks(path, area, block_cells=10):
                row = round((whole.top - block.top) / CELL)
                column = round((block.left - whole.left) / CELL)
                rows, columns = block.slope_pct.shape
                joined[row : row + rows, column : column + columns] = getattr(block, name)
            np.testing.assert_allclose(joined, getattr(whole, name), rtol=1e-12)
        assert whole.slope_pct.shape == (24, 33)
