"""The lie of the land: slope from an elevation raster, averaged over polygons."""

from __future__ import annotations

from os import PathLike

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standmap._rasters import (
    RasterUnits,
    ft_per_unit,
    open_raster,
    require_data,
    zonal,
)
from standmap.land._kernels import slope_pct_horn1981
from standmap.land._plane import plane_of
from standmap.land.acres import M_PER_FT


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
    with open_raster(dem_path) as source, plane_of(source, shapes) as plane:
        on_grid = plane.shapes
        grid = plane.read(plane.bounds)
        cell_x, cell_y = grid.cell_x * plane.metres, grid.cell_y * plane.metres
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
