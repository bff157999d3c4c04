"""Canopy-height metrics under footprints, each cell weighted by the share of it covered."""

from __future__ import annotations

from os import PathLike
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from standmap._rasters import (
    Grid,
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
    height, on_grid = _heights_ft(canopy_path, footprints, units)
    if height is None:  # plots listed by stand, without a place
        nothing = {**dict.fromkeys(METRICS, np.nan), "covered_pct": 0.0}
        return pd.DataFrame(nothing, index=footprints.index, dtype=float)
    found = zonal({"height": height}, on_grid, [*_OPERATIONS, "count"])
    above = {name: _above(height, limit) for name, limit in COVER_HEIGHTS_FT.items()}
    cover = zonal(above, on_grid, ["mean"])
    table = found.rename(columns=_NAMES).assign(
        **{name: cover[f"{name}_mean"] for name in COVER_HEIGHTS_FT},
        covered_pct=_known_pct(found["count"], height, on_grid),
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


def cover_above(
    canopy_path: str | PathLike[str],
    footprints: gpd.GeoSeries | gpd.GeoDataFrame,
    above_ft: float,
    *,
    units: RasterUnits = "m",
) -> pd.DataFrame:
    """Return how much of each footprint lies under canopy above a height.

    Parameters
    ----------
    canopy_path : path
        Raster of canopy height above ground, band 1; any CRS.
    footprints : GeoSeries or GeoDataFrame
        n polygons, any CRS.
    above_ft : float
        Height from which canopy counts as cover. [ft]
    units : {"m", "ft"}
        Unit of the heights.

    Returns
    -------
    DataFrame
        Indexed as ``footprints``: ``cover_pct`` (of the ground of known height, NaN where none is)
        and ``covered_pct`` (of the footprint, with a known height).

    Raises
    ------
    InputError
        If the raster cannot be read, has no CRS or knows nothing of the footprints.
    DomainError
        If the footprints have no CRS, or the height is negative.

    Notes
    -----
    Cover from above, cell by cell: a cell is covered or it is not, so that gaps smaller than a
    cell are lost. A densiometer held under the trees may say otherwise.
    """
    if not above_ft >= 0:
        raise DomainError(f"'above_ft' must be 0 ft or more; got {above_ft}.")
    height, on_grid = _heights_ft(canopy_path, footprints, units)
    if height is None:
        nothing = {"cover_pct": np.nan, "covered_pct": 0.0}
        return pd.DataFrame(nothing, index=footprints.index, dtype=float)
    found = zonal({"above": _above(height, above_ft)}, on_grid, ["mean", "count"])
    return pd.DataFrame(
        {
            "cover_pct": 100 * found["mean"],
            "covered_pct": _known_pct(found["count"], height, on_grid),
        }
    )


def _heights_ft(
    canopy_path: str | PathLike[str],
    footprints: gpd.GeoSeries | gpd.GeoDataFrame,
    units: RasterUnits,
) -> tuple[Grid | None, gpd.GeoSeries]:
    """Return canopy heights around the footprints, and the footprints in the raster's CRS.

    There are no heights where no footprint has a place.
    """
    if footprints.crs is None:
        raise DomainError(
            "the footprints have no coordinate reference system, so they cannot be laid on the "
            "raster. Set it: footprints.set_crs('EPSG:...')."
        )
    to_ft = ft_per_unit(units)
    with open_raster(canopy_path) as source:
        on_grid = footprints.geometry.to_crs(source.crs)
        if (on_grid.isna() | on_grid.is_empty).all():
            return None, on_grid
        left, bottom, right, top = (float(side) for side in on_grid.total_bounds)
        grid = read_grid(source, (left, bottom, right, top))
    require_data(grid, canopy_path)
    return grid.with_cells(np.maximum(grid.cells * to_ft, 0)), on_grid  # NaN stays NaN


def _above(height: Grid, limit_ft: float) -> Grid:
    return height.with_cells(np.where(np.isnan(height.cells), np.nan, height.cells > limit_ft))


def _known_pct(cells: pd.Series, height: Grid, on_grid: gpd.GeoSeries) -> np.ndarray:
    """Return the share of each footprint whose height is known, in percent."""
    area = np.asarray(on_grid.area, dtype=np.float64)
    known = cells.to_numpy() * height.cell_x * height.cell_y
    share = np.divide(known, area, out=np.zeros(len(area)), where=area > 0)
    return np.asarray(100 * np.clip(np.nan_to_num(share), 0, 1))
