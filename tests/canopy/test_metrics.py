"""Canopy metrics under footprints, on rasters small enough to count by hand."""

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from pyproj import CRS
from rasterio import Affine

from standmap.canopy import METRICS, footprint_metrics
from standmap.errors import DomainError, InputError

FT = 1 / 0.3048


def chm(tmp_path, values, *, crs=32617, cell=1.0, nodata=None, name="chm.tif"):
    values = np.asarray(values, dtype="float32")
    path = tmp_path / name
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=values.shape[1],
        height=values.shape[0],
        count=1,
        dtype="float32",
        crs=CRS.from_user_input(crs).to_wkt(),
        nodata=nodata,
        transform=Affine(cell, 0.0, 500_000.0, 0.0, -cell, 4_200_000.0),
    ) as target:
        target.write(values, 1)
    return path


def box(left, bottom, right, top):
    """A footprint in cells from the upper left corner, y downward as in the array."""
    return shapely.box(500_000 + left, 4_200_000 - bottom, 500_000 + right, 4_200_000 - top)


NINE = [[1, 2, 3], [4, 5, 6], [7, 8, 9]]


def test_nine_cells_in_feet(tmp_path):
    footprint = gpd.GeoSeries([box(0, 3, 3, 0)], index=["plot 7"], crs=32617)
    row = footprint_metrics(chm(tmp_path, NINE), footprint, units="ft").loc["plot 7"]
    assert row["mean_ft"] == pytest.approx(5)
    assert row["max_ft"] == 9
    assert row["sd_ft"] == pytest.approx(np.sqrt(60 / 9))  # sum of squares 60 about 5
    # Between order statistics: 1 + 8q.
    assert row["p50_ft"] == pytest.approx(5)
    assert row["p90_ft"] == pytest.approx(8.2)
    assert row["p95_ft"] == pytest.approx(8.6)
    assert row["cover_2m"] == pytest.approx(3 / 9)  # 7, 8 and 9 ft are above 6.56
    assert row["cover_10ft"] == 0
    assert row["covered_pct"] == pytest.approx(100)


def test_metres_become_feet(tmp_path):
    footprint = gpd.GeoSeries([box(0, 3, 3, 0)], crs=32617)
    row = footprint_metrics(chm(tmp_path, NINE), footprint).iloc[0]
    assert row["mean_ft"] == pytest.approx(5 * FT)
    assert row["max_ft"] == pytest.approx(9 * FT)
    assert row["cover_2m"] == pytest.approx(7 / 9)  # 2 m itself is not above 2 m
    assert row["cover_10ft"] == pytest.approx(6 / 9)  # above 3.048 m: 4 to 9


def test_a_cell_half_inside_counts_half(tmp_path):
    # Half of the 4 and all of the 5: (2 + 5) / 1.5; and a quarter of each of four corner cells.
    footprints = gpd.GeoSeries([box(0.5, 2, 2, 1), box(0.5, 1.5, 1.5, 0.5)], crs=32617)
    found = footprint_metrics(chm(tmp_path, NINE), footprints, units="ft")
    np.testing.assert_allclose(found["mean_ft"], [7 / 1.5, (1 + 2 + 4 + 5) / 4], rtol=1e-6)


def test_unknown_cells_are_left_out_and_said(tmp_path):
    values = [[1, 2, 3], [4, 5, 6], [-9999, -9999, -9999]]
    footprint = gpd.GeoSeries([box(0, 3, 3, 0)], crs=32617)
    row = footprint_metrics(chm(tmp_path, values, nodata=-9999), footprint, units="ft").iloc[0]
    assert row["mean_ft"] == pytest.approx(3.5)
    assert row["covered_pct"] == pytest.approx(100 * 6 / 9)


def test_heights_below_ground_are_ground(tmp_path):
    footprint = gpd.GeoSeries([box(0, 1, 2, 0)], crs=32617)
    row = footprint_metrics(chm(tmp_path, [[-3, 12]]), footprint, units="ft").iloc[0]
    assert row["mean_ft"] == pytest.approx(6)
    assert row["cover_10ft"] == pytest.approx(0.5)


def test_footprints_off_the_raster_and_missing_ones(tmp_path):
    footprints = gpd.GeoSeries([box(0, 3, 3, 0), box(900, 3, 903, 0), None], crs=32617)
    found = footprint_metrics(chm(tmp_path, NINE), footprints)
    assert found[list(METRICS)].isna().all(axis=1).tolist() == [False, True, True]
    assert found["covered_pct"].tolist() == [pytest.approx(100), 0, 0]


def test_plots_that_have_no_place_have_no_canopy(tmp_path):
    for nowhere in ([], [None, None], [shapely.Polygon()]):
        footprints = gpd.GeoSeries(nowhere, crs=32617)
        found = footprint_metrics(chm(tmp_path, NINE), footprints)
        assert list(found.columns) == [*METRICS, "covered_pct"]
        assert found[list(METRICS)].isna().all(axis=None)
        assert found["covered_pct"].tolist() == [0.0] * len(nowhere)


def test_footprints_in_another_projection(tmp_path):
    path = chm(tmp_path, np.arange(400.0).reshape(20, 20))
    circles = gpd.GeoSeries([box(5, 15.3, 15.6, 5).centroid.buffer(4.2)], crs=32617)
    here = footprint_metrics(path, circles)
    there = footprint_metrics(path, circles.to_crs(4326))
    np.testing.assert_allclose(there, here, rtol=1e-5)


def test_bad_input(tmp_path):
    footprint = gpd.GeoSeries([box(0, 3, 3, 0)], crs=32617)
    with pytest.raises(InputError, match="cannot be read as a raster"):
        footprint_metrics(tmp_path / "none.tif", footprint)
    with pytest.raises(InputError, match="no data anywhere"):
        footprint_metrics(chm(tmp_path, NINE), footprint.translate(9_000))
    with pytest.raises(DomainError, match="no coordinate reference system"):
        footprint_metrics(chm(tmp_path, NINE), footprint.set_crs(None, allow_override=True))
    with pytest.raises(DomainError, match="'m', 'ft' or 'us_ft'"):
        footprint_metrics(chm(tmp_path, NINE), footprint, units="chain")
