"""Slope, aspect, relief and operability from an elevation raster, block by block."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from os import PathLike
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from numpy.typing import NDArray

from standmap._rasters import Grid, RasterUnits, ft_per_unit, open_raster, require_data
from standmap.errors import DomainError
from standmap.land._kernels import (
    aspect_degrees,
    gradient_horn1981,
    operability_class,
    relief_shade,
)
from standmap.land._plane import Plane, plane_of
from standmap.land.acres import M_PER_FT
from standmap.land.elevation import BLOCK_CELLS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SLOPE_LIMITS_PCT: Final = (35.0, 50.0)
"""Up to 35 % ground-based machines are ordinarily planned, to 50 % tracked or tethered ones, over
that cable or aerial. From memory, common US planning usage; the tract's own limits come first."""

SUN_AZIMUTH: Final = 315.0
SUN_ALTITUDE: Final = 45.0
"""Where relief is lit from, by custom of map-making: north-west, half way up. [degrees]"""

STEEPEST_SHARE: Final = 0.1
"""The steepest part of a polygon that is told apart."""

BIN_PCT: Final = 0.1
"""Slopes are counted in steps of this for the steepest tenth. [% slope]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class TerrainBlock:
    """The lie of the land over one block of cells.

    Attributes
    ----------
    slope_pct : ndarray
        (rows, columns), NaN where unknown.
    aspect_deg : ndarray
        Bearing the ground faces from the plane's own north, 90 east; NaN where level or unknown.
    shade : ndarray
        Light on the ground, 0 to 1.
    operability : ndarray
        0 within the first slope limit, 1 over it, ...; -1 unknown.
    rise_x, rise_y : ndarray
        Rise over run eastward and northward.
    left, top, cell_x, cell_y : float
        Upper left corner and cell size, in the units of ``crs_wkt``.
    crs_wkt : str
        Coordinate reference system.
    """

    slope_pct: Floats
    aspect_deg: Floats
    shade: Floats
    operability: Ints
    rise_x: Floats
    rise_y: Floats
    left: float
    top: float
    cell_x: float
    cell_y: float
    crs_wkt: str


def terrain_blocks(
    dem_path: str | PathLike[str],
    polygons: gpd.GeoSeries | gpd.GeoDataFrame,
    *,
    units: RasterUnits = "m",
    slope_limits_pct: Sequence[float] = SLOPE_LIMITS_PCT,
    sun_azimuth: float = SUN_AZIMUTH,
    sun_altitude: float = SUN_ALTITUDE,
    block_cells: int = BLOCK_CELLS,
) -> Iterator[TerrainBlock]:
    """Yield slope, aspect, relief and operability around polygons, one block at a time.

    Parameters
    ----------
    dem_path : path
        Elevation raster, band 1; any CRS.
    polygons : GeoSeries or GeoDataFrame
        The blocks that meet their bounds are read; any CRS.
    units : {"m", "ft", "us_ft"}
        Unit of the elevations.
    slope_limits_pct : sequence of float
        Upper limits of the operability classes, rising; a slope on a limit is within it.
    sun_azimuth, sun_altitude : float
        Where the light of the relief comes from. [degrees]
    block_cells : int
        Side of a block. Together the blocks tile the window around the polygons.

    Yields
    ------
    TerrainBlock
        From north to south, west to east.

    Raises
    ------
    InputError
        If the raster cannot be read or has no CRS.
    DomainError
        If the polygons have no CRS, or the limits do not rise.

    Notes
    -----
    Gradient by Horn (1981) over 3 x 3 cells, each block read with a margin, so that its edges are
    those of the whole raster. A raster in degrees, Web Mercator or turned is brought to the
    polygons' local plane as it is read.
    """
    limits = _limits(slope_limits_pct)
    with open_raster(dem_path) as source, plane_of(source, polygons.geometry) as plane:
        for block in _blocks(plane, block_cells):
            yield _terrain(plane, block, units, limits, (sun_azimuth, sun_altitude))


def terrain_table(
    dem_path: str | PathLike[str],
    polygons: gpd.GeoSeries | gpd.GeoDataFrame,
    *,
    units: RasterUnits = "m",
    slope_limits_pct: Sequence[float] = SLOPE_LIMITS_PCT,
    block_cells: int = BLOCK_CELLS,
) -> pd.DataFrame:
    """Describe the ground of each polygon, never holding more than a block of it in memory.

    Parameters
    ----------
    dem_path : path
        Elevation raster, band 1; any CRS.
    polygons : GeoSeries or GeoDataFrame
        n polygons, any CRS.
    units : {"m", "ft", "us_ft"}
        Unit of the elevations.
    slope_limits_pct : sequence of float
        Upper limits of the operability classes, rising.
    block_cells : int
        Side of a block.

    Returns
    -------
    DataFrame
        Indexed as ``polygons``: ``slope_pct`` (mean), ``steepest_tenth_pct`` (the slope that a
        tenth of the area is steeper than, to 0.1), ``aspect_deg`` (bearing from true north that
        the ground faces on the whole), one ``share_..._pct`` for each class (``share_to_35_pct``,
        ``share_35_to_50_pct``, ``share_over_50_pct``; of the ground that is known, adding up to
        100) and ``covered_pct``
        (share of the polygon that is known). NaN where nothing is.

    Raises
    ------
    InputError
        If the raster cannot be read, has no CRS or has no data near the polygons.
    DomainError
        If the polygons have no CRS, or the limits do not rise.
    """
    limits = _limits(slope_limits_pct)
    n, classes = len(polygons), len(limits) + 1
    known, slope, east, north = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n)
    shares = np.zeros((n, classes))
    counts: list[pd.Series] = []
    with open_raster(dem_path) as source, plane_of(source, polygons.geometry) as plane:
        shapes = np.asarray(plane.shapes.to_numpy(), dtype=object)
        tree = shapely.STRtree(shapes)
        cell = 1.0
        for piece in _blocks(plane, block_cells):
            at = _zones_in(tree, piece)
            if not len(at):  # ground between far-off tracts is never read
                continue
            block = _terrain(plane, piece, units, limits)
            cell = block.cell_x * block.cell_y
            if np.isnan(block.slope_pct).all():
                continue
            zones = gpd.GeoDataFrame({"zone": at}, geometry=shapes[at], crs=block.crs_wkt)
            slopes = _weigh(block, block.slope_pct, zones)
            known[at] += slopes["count"]
            slope[at] += slopes["sum"]
            east[at] += _weigh(block, block.rise_x, zones)["sum"]
            north[at] += _weigh(block, block.rise_y, zones)["sum"]
            kinds = _count(block, np.where(block.operability < 0, np.nan, block.operability), zones)
            zone, kind = (kinds.index.get_level_values(i).to_numpy() for i in (0, 1))
            np.add.at(shares, (zone, kind), kinds.to_numpy())
            counts.append(_count(block, np.floor(block.slope_pct / BIN_PCT), zones))
        area = shapely.area(shapes)
        lean = plane.north_leans_deg
    if not known.any():
        nothing = Grid(cells=np.empty((0, 0)), left=0, top=0, cell_x=1, cell_y=1, crs_wkt="")
        require_data(nothing, dem_path)
    there = known > 0
    per = np.divide(1.0, known, out=np.full(n, np.nan), where=there)
    table = {
        "slope_pct": slope * per,
        "steepest_tenth_pct": _steepest(pd.concat(counts), n),
        "aspect_deg": np.where(there, (aspect_degrees(east, north) - lean) % 360, np.nan),
    }
    table |= {name: 100 * shares[:, i] * per for i, name in enumerate(_class_columns(limits))}
    covered = np.divide(known * cell, area, out=np.zeros(n), where=area > 0)
    table["covered_pct"] = 100 * np.clip(np.nan_to_num(covered), 0, 1)
    return pd.DataFrame(table, index=polygons.index)


def _limits(slope_limits_pct: Sequence[float]) -> Floats:
    limits = np.asarray(slope_limits_pct, dtype=np.float64)
    if not len(limits) or not (limits > 0).all() or not (np.diff(limits) > 0).all():
        raise DomainError(
            f"'slope_limits_pct' must be limits over 0 that rise; got {list(slope_limits_pct)}."
        )
    return limits


def _class_columns(limits: Floats) -> list[str]:
    words = [f"{limit:g}" for limit in limits]
    between = [f"share_{low}_to_{high}_pct" for low, high in pairwise(words)]
    return [f"share_to_{words[0]}_pct", *between, f"share_over_{words[-1]}_pct"]


@dataclass(frozen=True, slots=True)
class _Block:
    """A rectangle of cells."""

    left: float
    top: float
    rows: int
    columns: int
    cell_x: float
    cell_y: float

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top."""
        right = self.left + self.columns * self.cell_x
        return self.left, self.top - self.rows * self.cell_y, right, self.top


def _blocks(plane: Plane, side: int) -> Iterator[_Block]:
    """Yield the blocks that tile the polygons' window."""
    place = plane.source.transform
    cell_x, cell_y = place.a, -place.e
    west, south, east, north = plane.bounds
    if not np.isfinite([west, south, east, north]).all():
        return
    first_column = max(int(np.floor((west - place.c) / cell_x)), 0)
    first_row = max(int(np.floor((place.f - north) / cell_y)), 0)
    last_column = min(int(np.ceil((east - place.c) / cell_x)), plane.source.width)
    last_row = min(int(np.ceil((place.f - south) / cell_y)), plane.source.height)
    for row in range(first_row, last_row, side):
        for column in range(first_column, last_column, side):
            rows, columns = min(side, last_row - row), min(side, last_column - column)
            left, top = place.c + column * cell_x, place.f - row * cell_y
            yield _Block(left, top, rows, columns, cell_x, cell_y)


def _zones_in(tree: shapely.STRtree, block: _Block) -> Ints:
    """Return the polygons that meet a block, in order."""
    box = shapely.box(*block.bounds)
    return np.asarray(np.sort(tree.query(box, predicate="intersects")), dtype=np.int64)


def _terrain(
    plane: Plane,
    block: _Block,
    units: RasterUnits,
    limits: Floats,
    sun: tuple[float, float] = (SUN_AZIMUTH, SUN_ALTITUDE),
) -> TerrainBlock:
    """Read a block with a margin around it, and work out its lie of the land."""
    left, bottom, right, top = block.bounds
    # A little inside the block, or rounding would let the next cells in.
    dx, dy = block.cell_x / 4, block.cell_y / 4
    grid = plane.read((left + dx, bottom + dy, right - dx, top - dy))
    row = round((grid.top - block.top) / grid.cell_y)
    column = round((block.left - grid.left) / grid.cell_x)
    own = (slice(row, row + block.rows), slice(column, column + block.columns))
    elevation = grid.cells * (ft_per_unit(units) * M_PER_FT)
    rise_x, rise_y = gradient_horn1981(
        elevation, grid.cell_x * plane.metres, grid.cell_y * plane.metres
    )
    rise_x, rise_y = rise_x[own], rise_y[own]
    slope = 100 * np.hypot(rise_x, rise_y)
    return TerrainBlock(
        slope_pct=slope,
        aspect_deg=aspect_degrees(rise_x, rise_y),
        shade=relief_shade(rise_x, rise_y, *sun),
        operability=operability_class(slope, limits),
        rise_x=rise_x,
        rise_y=rise_y,
        left=block.left,
        top=block.top,
        cell_x=grid.cell_x,
        cell_y=grid.cell_y,
        crs_wkt=grid.crs_wkt,
    )


def _extract(
    block: TerrainBlock, cells: Floats, zones: gpd.GeoDataFrame, operations: list[str]
) -> pd.DataFrame:
    """Run exactextract over one block, in the order of the zones."""
    rows, columns = cells.shape
    source = NumPyRasterSource(
        np.ascontiguousarray(cells),
        block.left,
        block.top - rows * block.cell_y,
        block.left + columns * block.cell_x,
        block.top,
        nodata=np.nan,
        srs_wkt=zones.crs.to_wkt(),
    )
    found = exact_extract(source, zones, operations, include_cols=["zone"], output="pandas")
    return pd.DataFrame(pd.DataFrame(found).set_index("zone").loc[zones["zone"]])


def _weigh(block: TerrainBlock, cells: Floats, zones: gpd.GeoDataFrame) -> dict[str, Floats]:
    """Return the covered cells of each zone that have a value, and the sum of the values."""
    found = _extract(block, cells, zones, ["count", "sum"]).astype(float).fillna(0.0)
    return {name: found[name].to_numpy() for name in ("count", "sum")}


def _count(block: TerrainBlock, whole: Floats, zones: gpd.GeoDataFrame) -> pd.Series:
    """Return the covered cells of each zone by whole value; indexed by zone and value."""
    found = _extract(block, whole, zones, ["unique", "frac", "count"])
    sizes = found["unique"].map(len).to_numpy()
    zone = np.repeat(found.index.to_numpy(), sizes)
    value = np.concatenate([np.zeros(0), *found["unique"]]).astype(np.int64)
    cells = np.concatenate([np.zeros(0), *found["frac"]]) * np.repeat(
        found["count"].to_numpy(dtype=float), sizes
    )
    return pd.Series(cells, index=pd.MultiIndex.from_arrays([zone, value], names=["zone", "value"]))


def _steepest(counts: pd.Series, n: int) -> Floats:
    """Return the slope that the steepest share of each zone is over, from counts by bin."""
    by_bin = counts.groupby(level=["zone", "value"]).sum()
    zone, value = (by_bin.index.get_level_values(i).to_numpy() for i in (0, 1))
    cells = by_bin.to_numpy()
    total = np.bincount(zone, cells, n)
    before = np.cumsum(cells) - cells
    first = np.searchsorted(zone, np.arange(n))
    before -= before[np.minimum(first, len(before) - 1)][zone]  # from the zone's own flattest
    wanted = (1 - STEEPEST_SHARE) * total[zone]
    holds = (before <= wanted) & (wanted <= before + cells) & (cells > 0)
    inside = (wanted[holds] - before[holds]) / cells[holds]
    found = np.full(n, np.nan)
    found[zone[holds]] = (value[holds] + inside) * BIN_PCT
    return found
