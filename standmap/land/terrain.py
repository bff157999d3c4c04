"""The lie of the land: slope from an elevation raster, averaged over polygons."""

from __future__ import annotations

from os import PathLike

import geopandas as gpd
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standmap._rasters import RasterUnits
from standmap.land.relief import terrain_table


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
    units : {"m", "ft", "us_ft"}
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
    Read block by block, never more than a block in memory.
    """
    return terrain_table(dem_path, polygons, units=units)[["slope_pct", "covered_pct"]]
