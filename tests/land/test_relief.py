"""Slope, aspect, relief and operability: planes, cones and pyramids of known lie."""

import tracemalloc
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from pyproj import Transformer
from rasterio import Affine
from rasterio.windows import Window

from standmap._rasters import stated_units
from standmap.errors import DomainError, InputError
from standmap.land import local_crs, skid_way, slope_table, terrain_blocks, terrain_table
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
        # About the zone's own meridian, where its north is true north.
        stand = layer(box(-203, -111, 203, 222))
        row = terrain_table(path, stand, slope_limits_pct=(35, 60)).loc[0]
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

    def test_each_polygon_is_as_it_would_be_alone(self, tmp_path):
        path = dem(tmp_path / "d.tif", lambda x, y: 1e-3 * (x**2 + y**2))
        shapes = [shapely.Point(EAST + x, NORTH).buffer(150) for x in (-300, 0, 240)]
        together = terrain_table(path, layer(*shapes))
        for at, shape in enumerate(shapes):
            alone = terrain_table(path, layer(shape)).loc[0]
            # True north is taken at the middle of all.
            same = [c for c in together if c != "aspect_deg"]
            np.testing.assert_allclose(together.loc[at, same], alone[same], rtol=1e-9, atol=1e-9)
            assert together.loc[at, "aspect_deg"] == pytest.approx(alone["aspect_deg"], abs=0.01)
        assert together.notna().all(axis=None)

    def test_the_steepest_tenth_is_told_within_a_step_of_counting(self, tmp_path):
        # A ramp that steepens evenly from 0 to 2.4 %: a tenth of it is steeper than 2.16 %.
        path = dem(tmp_path / "d.tif", lambda x, y: (x + 600) ** 2 / 1e5)
        row = terrain_table(path, layer(box(-590, -500, 590, 500))).loc[0]
        assert row["steepest_tenth_pct"] == pytest.approx((0.9 * 1180 + 10) / 500, abs=0.02)

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


def tilted(lie: str, tmp_path: Path) -> tuple[Path, gpd.GeoSeries, str]:
    """A hillside that rises 0.3 east and 0.4 north for each foot or metre, in a raster of a kind.

    Return the raster, a stand on it, and the unit of its heights.
    """
    shape = gpd.GeoSeries([shapely.box(-80.004, 37.996, -79.998, 38.002)], crs=4326)
    to_plane = local_crs(shape)
    crs, cell, turn = {
        "metres": (32617, 10.0, 0.0),
        "another zone": (32616, 10.0, 0.0),  # 7 degrees from its meridian: its north leans 4
        "survey feet": (2284, 32.8, 0.0),  # Virginia South, US survey feet
        "degrees": (4269, 1 / 10_800, 0.0),
        "turned": (32617, 10.0, 30.0),
        "turned degrees": (4326, 1 / 10_800, 20.0),
    }[lie]
    middle = shape.to_crs(crs).iloc[0].centroid
    half = 80
    place = (
        Affine.translation(middle.x, middle.y)
        @ Affine.rotation(turn)
        @ Affine.scale(cell, -cell)
        @ Affine.translation(-half, -half)
    )
    column, row = np.meshgrid(np.arange(2 * half) + 0.5, np.arange(2 * half) + 0.5)
    east, north = place.a * column + place.b * row + place.c, place.d * column + place.e * row
    x, y = Transformer.from_crs(crs, to_plane, always_xy=True).transform(east, north + place.f)
    z = 300 + 0.3 * np.asarray(x) + 0.4 * np.asarray(y)
    feet = lie == "survey feet"
    path = tmp_path / "lie.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=2 * half, height=2 * half, count=1, dtype="float64",
        crs=crs, transform=place,
    ) as target:  # fmt: skip
        target.write(z * 3937 / 1200 if feet else z, 1)
    return path, shape, "us_ft" if feet else "m"


class TestAnyRaster:
    @pytest.mark.parametrize(
        "lie",
        ["metres", "another zone", "survey feet", "degrees", "turned", "turned degrees"],
    )
    def test_a_hillside_has_its_slope_and_faces_its_way(self, tmp_path: Path, lie: str) -> None:
        path, shape, units = tilted(lie, tmp_path)
        row = terrain_table(path, shape, units=units, block_cells=31).loc[0]
        assert row["slope_pct"] == pytest.approx(50, rel=1e-3)
        assert row["steepest_tenth_pct"] == pytest.approx(50, abs=0.15)
        # True north, whichever way the raster's own north leans.
        assert row["aspect_deg"] == pytest.approx(180 + np.degrees(np.arctan2(3, 4)), abs=0.1)
        assert row["covered_pct"] == pytest.approx(100, abs=1e-3)

    def test_a_compound_system_with_heights_in_survey_feet(self, tmp_path: Path) -> None:
        path, shape, _ = tilted("survey feet", tmp_path)
        with rasterio.open(path) as source:
            z, place = source.read(1), source.transform
        both = tmp_path / "both.tif"
        with rasterio.open(
            both, "w", driver="GTiff", width=z.shape[1], height=z.shape[0], count=1,
            dtype="float64", crs="EPSG:2284+6360", transform=place,
        ) as target:  # fmt: skip
            target.write(z, 1)
        with rasterio.open(both) as source:
            assert stated_units(source) == "us_ft"
        row = terrain_table(both, shape, units="us_ft").loc[0]
        assert row["slope_pct"] == pytest.approx(50, rel=1e-3)

    def test_the_survey_foot_is_its_definition(self, tmp_path: Path) -> None:
        path, shape, _ = tilted("metres", tmp_path)
        foot, survey = (
            terrain_table(path, shape, units=u).loc[0, "slope_pct"] for u in ("ft", "us_ft")
        )
        assert survey / foot == pytest.approx(1200 / 3937 / 0.3048, rel=1e-12)

    @pytest.mark.parametrize("hole", ["nan", "nodata"])
    def test_holes_are_left_out_whole(self, tmp_path: Path, hole: str) -> None:
        mark = np.nan if hole == "nan" else -32768.0
        path = dem(
            tmp_path / "d.tif",
            lambda x, y: np.where(np.hypot(x, y) < 100, mark, 0.2 * x),
            nodata=None if hole == "nan" else mark,
        )
        row = terrain_table(path, layer(box(-300, -300, 300, 300))).loc[0]
        assert row["slope_pct"] == pytest.approx(20, rel=1e-9)
        assert row["steepest_tenth_pct"] == pytest.approx(20, abs=0.1)
        # The hole and the cell around it are unknown, counted one by one.
        at = (np.arange(-31, 31) + 0.5) * CELL
        hole_here = np.hypot(at[:, None], at[None, :]) < 100
        rim = [hole_here[i : i + 60, j : j + 60] for i in range(3) for j in range(3)]
        assert row["covered_pct"] == pytest.approx(100 - 100 * np.any(rim, axis=0).mean(), abs=1e-9)


class TestMemory:
    SIDE = 40_000
    """Cells on a side: 6.4 GB of float32, of which a sparse file holds next to nothing."""

    @pytest.fixture
    def huge(self, tmp_path: Path) -> Path:
        path = tmp_path / "huge.tif"
        half = self.SIDE / 2
        with rasterio.open(
            path, "w", driver="GTiff", width=self.SIDE, height=self.SIDE, count=1,
            dtype="float32", crs=32617, tiled=True, blockxsize=512, blockysize=512,
            sparse_ok=True, transform=Affine(1, 0, EAST - half, 0, -1, NORTH + half),
        ) as target:  # fmt: skip
            x = np.arange(2048, dtype="float32")
            for left in (0, self.SIDE - 2048):
                where = Window(left, left, 2048, 2048)
                target.write(np.tile(0.25 * x, (2048, 1)), 1, window=where)
        return path

    def test_a_tract_in_two_far_corners_takes_blocks_and_not_the_raster(self, huge: Path) -> None:
        half = self.SIDE / 2
        corner = box(-half + 300, half - 1700, -half + 1700, half - 300)
        other = box(half - 1700, -half + 300, half - 300, -half + 1700)
        tracemalloc.start()
        table = terrain_table(huge, layer(corner, other), block_cells=512)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        np.testing.assert_allclose(table["slope_pct"], 25, rtol=1e-6)
        # A block of 512 cells a side is 2 MB of float64; the raster would be 12,800.
        assert peak < 60e6

    def test_a_way_is_looked_for_on_no_more_cells_than_allowed(self, huge: Path) -> None:
        half = self.SIDE / 2
        tract = layer(box(-half, half - 2000, -half + 2000, half))
        unit = layer(box(-half + 1500, half - 1500, -half + 1700, half - 1300))
        landing = layer(shapely.Point(EAST - half + 300, NORTH + half - 1400))
        tracemalloc.start()
        way = skid_way(huge, unit, landing, inside=tract, most_cells=40_000)
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
        assert way.reached_pct == 100.0
        assert peak < 100e6


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
