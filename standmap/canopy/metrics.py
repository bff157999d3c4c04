"""Canopy-height metrics under footprints, each cell weighted by the share of it covered."""

from __future__ import annotations

from os import PathLike
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from standmap._rasters import (
    RasterUnits,
    ft_per_unit,
    open_raster,
    read_grid,
    require_data,
    zonal,
)
from standmap.errors import DomainError
from standmap.units import FT_PER_M

COVER_HEIGHTS_FT: Final = {"cover_2m": 2 * FT_PER_M, "cover_10ft": 10.0}
"""Heights above which canopy counts as cover: 2 m parts trees from ground and brush in most
airborne-laser work (Naesset 2002, Remote Sensing of Environment 80: 88-99, from memory)."""

METRICS: Final = ("mean_ft", "max_ft", "sd_ft", "p50_ft", "p90_ft", "p95_ft", *COVER_HEIGHTS_FT)
"""The metrics of a footprint."""

_NAMES: Final = {
    "mean": "mean_ft",
    "max": "max_ft",
    "stdev": "sd_ft",
    "quantile_50": "p50_ft",
    "quantile_90": "p90_ft",
    "quantile_95": "p95_ft",
}


def footprint_metrics(
    canopy_path: str | PathLike[str],
    footprints: gpd.GeoSeries | gpd.GeoDataFrame,
    *,
    units: RasterUnits = "m",
) -> pd.DataFrame:
    """Summarise a canopy-height raster under footprints.

    Parameters
    ----------
    canopy_path : path
        Raster of canopy height above ground, band 1; any CRS.
    footprints : GeoSeries or GeoDataFrame
        n polygons, any CRS: plots, cells or stands.
    units : {"m", "ft"}
        Unit of the heights.

    Returns
    -------
    DataFrame
        Indexed as ``footprints``; heights in feet: ``mean_ft``, ``max_ft`` (highest cell touched),
        ``sd_ft`` (over the cells, divisor n), ``p50_ft``, ``p90_ft``, ``p95_ft`` (percentiles,
        interpolated between cells), ``cover_2m`` and ``cover_10ft`` (share of the known ground
        with canopy above that height, 0 to 1), ``covered_pct`` (share of the footprint with a
        known height). All NaN, and ``covered_pct`` 0, where nothing is known.

    Raises
    ------
    InputError
        If the raster cannot be read, has no CRS or lies elsewhere.
    DomainError
        If the footprints have no CRS.

    Notes
    -----
    The raster is never resampled: footprints are brought to its CRS. A cell counts by the share
    of it inside the footprint. Heights below 0 (noise of the ground model) count as 0. Only the
    window around the footprints is read.
    """
    if footprints.crs is None:
        raise DomainError(
            "the footprints have no coordinate reference system, so they cannot be laid on the "
            "raster. Set it: footprints.set_crs('EPSG:...')."
        )
    to_ft = ft_per_unit(units)
    with open_raster(canopy_path) as source:
        on_grid = footprints.geometry.to_crs(source.crs)
        if (on_grid.isna() | on_grid.is_empty).all():  # plots listed by stand, without a place
            nothing = {**dict.fromkeys(METRICS, np.nan), "covered_pct": 0.0}
            return pd.DataFrame(nothing, index=footprints.index, dtype=float)
        left, bottom, right, top = (float(side) for side in on_grid.total_bounds)
        grid = read_grid(source, (left, bottom, right, top))
    require_data(grid, canopy_path)
    height_ft = np.maximum(grid.cells * to_ft, 0)  # NaN stays NaN

    found = zonal({"height": grid.with_cells(height_ft)}, on_grid, [*_OPERATIONS, "count"])
    above = {
        name: grid.with_cells(np.where(np.isnan(height_ft), np.nan, height_ft > limit))
        for name, limit in COVER_HEIGHTS_FT.items()
    }
    cover = zonal(above, on_grid, ["mean"])
    area = np.asarray(on_grid.area, dtype=np.float64)
    known = found["count"].to_numpy() * grid.cell_x * grid.cell_y
    share = np.divide(known, area, out=np.zeros(len(area)), where=area > 0)
    table = found.rename(columns=_NAMES).assign(
        **{name: cover[f"{name}_mean"] for name in COVER_HEIGHTS_FT},
        covered_pct=100 * np.clip(np.nan_to_num(share), 0, 1),
    )
    return table[[*METRICS, "covered_pct"]]


_OPERATIONS: Final = [
    "mean",
    "max",
    "stdev",
    "quantile(q=0.5)",
    "quantile(q=0.9)",
    "quantile(q=0.95)",
]
