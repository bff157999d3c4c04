"""The lie of the land: slope from an elevation raster, averaged over polygons."""

from __future__ import annotations

from os import PathLike
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from rasterio import Affine
from rasterio.enums import Resampling
from rasterio.io import DatasetReader
from rasterio.vrt import WarpedVRT

from standmap._rasters import (
    Grid,
    RasterUnits,
    ft_per_unit,
    open_raster,
    read_grid,
    require_data,
    zonal,
)
from standmap.land._kernels import slope_pct_horn1981
from standmap.land.acres import M_PER_FT, local_crs, to_local

TRUE_SCALE: Final = 1e-3
"""A raster is used on its own grid when its cells are within this share of their size on the
ground (state plane and UTM are; Web Mercator and degrees are not)."""

NO_ELEVATION: Final = -1e30
"""Marks cells without data while a raster is brought to another projection."""

PAD_CELLS: Final = 2
"""Cells read beyond the polygons: one for the 3 x 3 window, one for resampling."""


def mean_slope_pct(
    dem_path: str | PathLike[str],
    polygons: gpd.GeoSeries | gpd.GeoDataFrame,
    *,
    units: RasterUnits = "m",
) -> NDArray[np.float64]:
    """Return the mean slope of each polygon; the ``slope_pct`` of :func:`slope_table`."""
    return slope_table(dem_path, polygons, units=units)["slope_pct"].to_numpy()


def slope_table(
    dem_path: str | PathLike[str],
    polygons: gpd.GeoSeries | gpd.GeoDataFrame,
    *,
    units: RasterUnits = "m",
) -> pd.DataFrame:
    """Average the slope of the ground over polygons.

    Parameters
    ----------
    dem_path : path
        Elevation raster, band 1; any CRS.
    polygons : GeoSeries or GeoDataFrame
        n polygons, any CRS.
    units : {"m", "ft"}
        Unit of the elevations, whatever the unit of the raster's CRS.

    Returns
    -------
    DataFrame
        Indexed as ``polygons``: ``slope_pct`` (mean of the cells' slopes in percent, each weighted
        by the share of it inside the polygon; NaN where no cell is known) and ``covered_pct``
        (share of the polygon's area with a known slope).

    Raises
    ------
    InputError
        If the raster cannot be read, has no CRS or lies elsewhere.
    DomainError
        If the polygons have no CRS.

    Notes
    -----
    Slope by Horn (1981), :func:`standmap.land._kernels.slope_pct_horn1981`, over 3 x 3 cells: a
    finer raster shows steeper ground. A north-up raster in a projection true to scale within 0.1 %
    is used as it is; any other (degrees, Web Mercator, rotated) is first brought to the polygons'
    local projection, bilinear, with square cells of the shorter side of its own on the ground.
    Only the window around the polygons is read.
    """
    z_in_m = ft_per_unit(units) * M_PER_FT
    shapes = polygons.geometry
    local = local_crs(shapes)
    with open_raster(dem_path) as source:
        cell_m = _ground_cell_m(source, shapes)
        if _true_to_scale(source, cell_m):
            on_grid = shapes.to_crs(source.crs)
            grid = read_grid(source, _bounds(on_grid), pad=PAD_CELLS)
            metres = _metres_per_unit(source.crs)
            cell_x, cell_y = grid.cell_x * metres, grid.cell_y * metres
        else:
            on_grid = to_local(shapes, local)
            # The shorter side: longer cells would be averaged unevenly, which makes false relief.
            grid = _warped(source, local, _bounds(on_grid), float(cell_m.min()))
            cell_x, cell_y = grid.cell_x, grid.cell_y
    require_data(grid, dem_path)
    slope = grid.with_cells(slope_pct_horn1981(grid.cells * z_in_m, cell_x, cell_y))
    found = zonal({"slope": slope}, on_grid, ["mean", "count"])
    area = np.asarray(on_grid.area, dtype=np.float64)
    covered = found["count"].to_numpy() * grid.cell_x * grid.cell_y
    share = np.divide(covered, area, out=np.zeros(len(area)), where=area > 0)
    return pd.DataFrame(
        {
            "slope_pct": found["mean"].to_numpy(),
            "covered_pct": 100 * np.clip(np.nan_to_num(share), 0, 1),
        },
        index=polygons.index,
    )


def _bounds(shapes: gpd.GeoSeries) -> tuple[float, float, float, float]:
    left, bottom, right, top = (float(side) for side in shapes.total_bounds)
    return left, bottom, right, top


def _metres_per_unit(crs: object) -> float:
    """Return metres in one linear unit of a projected CRS."""
    return float(CRS.from_user_input(crs).axis_info[0].unit_conversion_factor)


def _ground_cell_m(source: DatasetReader, shapes: gpd.GeoSeries) -> NDArray[np.float64]:
    """Return the width and height on the ground of the raster's cell nearest the polygons."""
    left, bottom, right, top = _bounds(shapes.to_crs(source.crs))
    x, y = (left + right) / 2, (bottom + top) / 2
    across, down = source.transform.a, source.transform.e
    skew_y, skew_x = source.transform.d, source.transform.b
    crs = CRS.from_user_input(source.crs)
    to_globe = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    lon, lat = to_globe.transform(
        np.array([x, x + across, x + skew_x]), np.array([y, y + skew_y, y + down])
    )
    geod = crs.get_geod()
    assert geod is not None  # every earth CRS has an ellipsoid
    _, _, distance = geod.inv(lon[[0, 0]], lat[[0, 0]], lon[1:], lat[1:])
    return np.asarray(distance)


def _true_to_scale(source: DatasetReader, ground_cell_m: NDArray[np.float64]) -> bool:
    """Return whether the raster is north-up and its cells have their size on the ground."""
    grid = source.transform
    if not source.crs.is_projected or grid.b or grid.d or grid.a <= 0 or grid.e >= 0:
        return False
    nominal = np.array([grid.a, -grid.e]) * _metres_per_unit(source.crs)
    return bool(np.allclose(nominal, ground_cell_m, rtol=TRUE_SCALE, atol=0))


def _warped(
    source: DatasetReader, crs: CRS, bounds: tuple[float, float, float, float], cell_m: float
) -> Grid:
    """Bring the window of a raster to a plane in metres."""
    pad = PAD_CELLS * cell_m
    left, top = bounds[0] - pad, bounds[3] + pad
    width = int(np.ceil((bounds[2] + pad - left) / cell_m))
    height = int(np.ceil((top - bounds[1] + pad) / cell_m))
    with WarpedVRT(
        source,
        crs=crs.to_wkt(),
        transform=Affine(cell_m, 0.0, left, 0.0, -cell_m, top),
        width=width,
        height=height,
        resampling=Resampling.bilinear,
        tolerance=1e-3,  # of a cell; by default an eighth, to save time
        src_nodata=source.nodata,
        nodata=NO_ELEVATION,
        dtype="float64",  # or whole metres would be interpolated to whole metres
    ) as plane:
        return read_grid(plane, bounds, pad=PAD_CELLS)
