"""Slope: planes and cones of known slope, in every kind of raster a user may have."""

import warnings
from pathlib import Path

import geopandas as gpd
import matplotlib.cbook
import numpy as np
import pytest
import rasterio
import shapely
from pyproj import CRS, Geod, Transformer
from rasterio import Affine
from scipy import ndimage

from standmap.errors import DomainError, InputError
from standmap.land import local_crs, mean_slope_pct, slope_table
from standmap.land._kernels import slope_pct_horn1981

EAST, NORTH = 500_000.0, 4_200_000.0


def write(path: Path, values: np.ndarray, transform: Affine, crs: object, **kwargs) -> Path:
    values = np.asarray(values)
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=values.shape[1],
        height=values.shape[0],
        count=1,
        dtype=values.dtype,
        crs=None if crs is None else CRS.from_user_input(crs).to_wkt(),
        transform=transform,
        **kwargs,
    ) as target:
        target.write(values, 1)
    return path


def grid_xy(transform: Affine, shape: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    rows, columns = np.indices(shape) + 0.5
    a, b, c, d, e, f = transform[:6]
    return a * columns + b * rows + c, d * columns + e * rows + f


def from_origin(left: float, top: float, cell_x: float, cell_y: float) -> Affine:
    return Affine(cell_x, 0.0, left, 0.0, -cell_y, top)


def stand(x0: float, y0: float, x1: float, y1: float, crs: object = 32617) -> gpd.GeoSeries:
    return gpd.GeoSeries([shapely.box(EAST + x0, NORTH + y0, EAST + x1, NORTH + y1)], crs=crs)


@pytest.fixture
def plane_dem(tmp_path):
    """A plane in UTM that rises 0.12 m a metre east and falls 0.05 north; 10 m cells."""
    transform = from_origin(EAST - 500, NORTH + 500, 10, 10)
    x, y = grid_xy(transform, (100, 100))
    z = 300 + 0.12 * (x - EAST) - 0.05 * (y - NORTH)
    return write(tmp_path / "dem.tif", z.astype("float32"), transform, 32617)


class TestHornKernel:
    def test_a_grid_to_count_by_hand(self):
        # Horn's weights 1-2-1: east column 5+2x7+9 = 28, west 1+2x2+3 = 8, over 8 cells of 5:
        # (28 - 8)/40 = 0.5; north row 1+2x4+5 = 14, south 3+2x6+9 = 24: (14 - 24)/40 = -0.25.
        z = np.array([[1.0, 4, 5], [2, 99, 7], [3, 6, 9]])
        slope = slope_pct_horn1981(z, 5, 5)
        assert slope[1, 1] == pytest.approx(100 * np.hypot(0.5, 0.25), rel=1e-15)
        assert np.isnan(slope).sum() == 8

    def test_cells_may_be_oblong(self):
        z = np.array([[1.0, 4, 5], [2, 99, 7], [3, 6, 9]])
        slope = slope_pct_horn1981(z, 10, 2.5)
        assert slope[1, 1] == pytest.approx(100 * np.hypot(0.25, 0.5), rel=1e-15)

    @pytest.mark.parametrize("hole", [(0, 0), (1, 1), (2, 1)])
    def test_an_unknown_neighbour_or_centre_makes_the_cell_unknown(self, hole):
        z = np.ones((3, 3))
        z[hole] = np.nan
        assert np.isnan(slope_pct_horn1981(z, 1, 1)).all()

    def test_too_small_a_grid_knows_nothing(self):
        assert np.isnan(slope_pct_horn1981(np.ones((2, 9)), 1, 1)).all()

    def test_a_real_surface_against_another_program(self):
        # SRTM of the Jacksboro fault, Tennessee-Kentucky (USGS, public domain; shipped with
        # matplotlib). scipy's Sobel filter has Horn's weights, written by other people.
        z = np.asarray(matplotlib.cbook.get_sample_data("jacksboro_fault_dem.npz")["elevation"])
        z = z.astype(float)
        across, down = ndimage.sobel(z, axis=1) / (8 * 73), ndimage.sobel(z, axis=0) / (8 * 92)
        want = 100 * np.hypot(across, down)[1:-1, 1:-1]
        got = slope_pct_horn1981(z, 73, 92)[1:-1, 1:-1]
        np.testing.assert_allclose(got, want, rtol=1e-9, atol=1e-9)
        assert 5 < got.mean() < 40


class TestMeanSlope:
    def test_a_plane_has_its_slope_everywhere(self, plane_dem):
        table = slope_table(plane_dem, stand(-103, -77, 214, 91))
        assert table["slope_pct"].item() == pytest.approx(13.0, rel=1e-4)
        assert table["covered_pct"].item() == pytest.approx(100, abs=1e-6)

    def test_elevations_in_feet(self, plane_dem):
        slope = mean_slope_pct(plane_dem, stand(-100, -100, 100, 100), units="ft")
        np.testing.assert_allclose(slope, [13.0 * 0.3048], rtol=1e-4)

    def test_a_projection_in_survey_feet(self, tmp_path):
        transform = from_origin(1_500_000, 700_000, 30, 30)
        x, _ = grid_xy(transform, (80, 80))
        dem = write(tmp_path / "d.tif", 0.2 * (x - 1_500_000), transform, 2264)
        shape = gpd.GeoSeries([shapely.box(1_500_500, 698_500, 1_501_500, 699_500)], crs=2264)
        # Elevation and map both in feet: 20 %; survey and international foot differ by 2e-6.
        np.testing.assert_allclose(mean_slope_pct(dem, shape, units="ft"), [20], rtol=1e-5)

    def test_a_raster_in_degrees(self, tmp_path):
        # A plane in the local projection, sampled on a grid of 1/3 arc-second (oblong on the
        # ground). Resampled twice over, it is still a plane.
        transform = from_origin(-80.01, 38.01, 1 / 10_800, 1 / 10_800)
        lon, lat = grid_xy(transform, (216, 216))
        shape = gpd.GeoSeries([shapely.box(-80.003, 37.997, -79.998, 38.002)], crs=4326)
        to_plane = Transformer.from_crs(4326, local_crs(shape), always_xy=True)
        x, y = to_plane.transform(lon, lat)
        dem = write(tmp_path / "d.tif", 500 + 0.3 * x + 0.4 * y, transform, 4269)
        table = slope_table(dem, shape)
        assert table["slope_pct"].item() == pytest.approx(50, rel=1e-6)
        assert table["covered_pct"].item() == pytest.approx(100, abs=1e-3)

    def test_whole_metres_in_degrees_are_not_rounded_again(self, tmp_path):
        transform = from_origin(-80.01, 38.01, 1 / 3_600, 1 / 3_600)
        lon, _ = grid_xy(transform, (72, 72))
        columns = np.round((lon + 80.01) * 3600 - 0.5)
        dem = write(tmp_path / "d.tif", (7 * columns).astype("int16"), transform, 4326)
        shape = gpd.GeoSeries([shapely.box(-80.004, 37.996, -79.996, 38.004)], crs=4326)
        _, _, second = Geod(ellps="WGS84").inv(-80, 38, -80 + 1 / 3600, 38)
        assert mean_slope_pct(dem, shape)[0] == pytest.approx(700 / second, rel=2e-3)

    def test_web_mercator_is_not_taken_at_its_word(self, tmp_path):
        # At 38 degrees north its metres are 0.79 of a metre: a slope of 20 % would read 15.8 %.
        shape = gpd.GeoSeries([shapely.box(-80.003, 37.997, -79.998, 38.002)], crs=4326)
        left, bottom, right, top = shape.to_crs(3857).total_bounds
        transform = from_origin(left - 300, top + 300, 10, 10)
        x, y = grid_xy(transform, (int((top - bottom + 600) / 10), int((right - left + 600) / 10)))
        x, _ = Transformer.from_crs(3857, local_crs(shape), always_xy=True).transform(x, y)
        dem = write(tmp_path / "d.tif", 0.2 * x, transform, 3857)
        assert mean_slope_pct(dem, shape)[0] == pytest.approx(20, rel=1e-4)

    def test_a_turned_raster(self, tmp_path):
        c, s = 10 * np.cos(np.radians(30)), 10 * np.sin(np.radians(30))
        transform = Affine(c, s, EAST - 300, s, -c, NORTH)
        x, _ = grid_xy(transform, (80, 80))
        dem = write(tmp_path / "d.tif", 0.25 * (x - EAST), transform, 32617)
        assert mean_slope_pct(dem, stand(-20, -20, 60, 60))[0] == pytest.approx(25, rel=1e-3)

    def test_a_cone_has_one_slope_but_at_its_tip(self, tmp_path):
        transform = from_origin(EAST - 500, NORTH + 500, 5, 5)
        x, y = grid_xy(transform, (200, 200))
        dem = write(tmp_path / "d.tif", -0.4 * np.hypot(x - EAST, y - NORTH), transform, 32617)
        ring = shapely.Point(EAST, NORTH).buffer(450) - shapely.Point(EAST, NORTH).buffer(60)
        slope = mean_slope_pct(dem, gpd.GeoSeries([ring], crs=32617))
        np.testing.assert_allclose(slope, [40], rtol=2e-3)

    def test_half_cells_count_half(self, tmp_path):
        # West of a ridge 10 %, east of it 30 %; a stand with 3 parts west to 1 part east, away
        # from the two columns that see both sides.
        transform = from_origin(EAST, NORTH + 400, 10, 10)
        x, _ = grid_xy(transform, (40, 40))
        rise = np.where(x < EAST + 200, 0.1, 0.3)
        z = np.cumsum(10 * rise, axis=1)
        dem = write(tmp_path / "d.tif", z, transform, 32617)
        west, east = stand(100, 100, 145, 200), stand(300, 100, 315, 200)
        both = gpd.GeoSeries([west.iloc[0] | east.iloc[0]], crs=32617)
        assert mean_slope_pct(dem, both)[0] == pytest.approx(15, rel=1e-6)

    def test_nodata_is_left_out_and_said(self, tmp_path):
        transform = from_origin(EAST, NORTH + 400, 10, 10)
        x, _ = grid_xy(transform, (40, 40))
        z = (0.2 * (x - EAST)).astype("float32")
        z[:, 20:] = -9999
        dem = write(tmp_path / "d.tif", z, transform, 32617, nodata=-9999)
        table = slope_table(dem, stand(100, 100, 290, 300))
        assert table["slope_pct"].item() == pytest.approx(20, rel=1e-5)
        # Known to x = 190: the cell beside the hole has an unknown neighbour.
        assert table["covered_pct"].item() == pytest.approx(100 * 90 / 190, rel=1e-9)

    def test_nodata_in_degrees_too(self, tmp_path):
        transform = from_origin(-80.01, 38.01, 1 / 3_600, 1 / 3_600)
        z = np.full((72, 72), 100, dtype="int16")
        z[:36] = -32768
        dem = write(tmp_path / "d.tif", z, transform, 4326, nodata=-32768)
        shape = gpd.GeoSeries([shapely.box(-80.004, 37.996, -79.996, 38.004)], crs=4326)
        table = slope_table(dem, shape)
        assert table["slope_pct"].item() == pytest.approx(0, abs=1e-9)
        assert 30 < table["covered_pct"].item() < 50

    def test_polygons_beyond_the_raster_are_unknown(self, plane_dem):
        shapes = gpd.GeoSeries(
            [*stand(0, 0, 90, 90), *stand(9000, 0, 9100, 100), None],
            crs=32617,
            index=["a", "b", "c"],
        )
        table = slope_table(plane_dem, shapes)
        assert table.index.tolist() == ["a", "b", "c"]
        assert table["slope_pct"].isna().tolist() == [False, True, True]
        assert table["covered_pct"].tolist() == [pytest.approx(100), 0, 0]


class TestBadRasters:
    def test_missing(self, tmp_path):
        with pytest.raises(InputError, match=r"none\.tif: cannot be read as a raster"):
            mean_slope_pct(tmp_path / "none.tif", stand(0, 0, 9, 9))

    def test_not_a_raster(self, tmp_path):
        path = tmp_path / "notes.tif"
        path.write_text("not pixels")
        with pytest.raises(InputError, match="cannot be read as a raster"):
            mean_slope_pct(path, stand(0, 0, 9, 9))

    def test_cut_short(self, plane_dem):
        whole = plane_dem.read_bytes()
        plane_dem.write_bytes(whole[: len(whole) // 3])
        with pytest.raises(InputError, match=r"damaged|cannot be read"):
            mean_slope_pct(plane_dem, stand(-100, -400, 100, 400))

    def test_no_crs(self, tmp_path):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
            dem = write(tmp_path / "d.tif", np.ones((5, 5)), Affine.identity(), None)
        with pytest.raises(InputError, match="no coordinate reference system"):
            mean_slope_pct(dem, stand(0, 0, 9, 9))

    @pytest.mark.parametrize("crs", [32617, 4326])
    def test_somewhere_else(self, tmp_path, crs):
        far = (
            from_origin(EAST + 90_000, NORTH, 10, 10)
            if crs == 32617
            else from_origin(3, 50, 0.01, 0.01)
        )
        dem = write(tmp_path / "d.tif", np.ones((50, 50)), far, crs)
        with pytest.raises(InputError, match="no data anywhere on the polygons"):
            mean_slope_pct(dem, stand(0, 0, 9, 9))

    def test_units_are_metres_or_feet(self, plane_dem):
        with pytest.raises(DomainError, match="'m', 'ft' or 'us_ft'; got 'yd'"):
            mean_slope_pct(plane_dem, stand(0, 0, 9, 9), units="yd")

    def test_stands_without_a_crs(self, plane_dem):
        with pytest.raises(DomainError, match="no coordinate reference system"):
            mean_slope_pct(plane_dem, stand(0, 0, 9, 9, crs=None))
