"""Candidate channels drained from an elevation raster: where to look, never what to keep."""

from __future__ import annotations

from os import PathLike
from typing import Final

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from rasterio.enums import Resampling
from rasterio.vrt import WarpedVRT

from standmap._rasters import open_raster
from standmap.errors import DomainError
from standmap.land.acres import M_PER_FT, to_local
from standmap.units import SQM_PER_ACRE

FEEDING_ACRES: Final = 10.0
"""Ground that feeds the head of a candidate channel. Heads lie anywhere from one acre to tens of
acres by climate, rock and soil: a stated threshold, not a fact of this ground. Common practice, no
source. [acre]"""

MARGIN_FT: Final = 1320.0
"""How far beyond the stands the ground is drained, a quarter mile: water from beyond the raster,
or from beyond this, is not counted. [ft]"""

UNVERIFIED_CHANNEL: Final = "unverified, look on the ground"

MOST_CELLS: Final = 16_000_000
"""A window of more cells is read at wider cells, so that memory holds."""

NOTHING: Final = -9999.0

WAYS: Final = (
    *((1, 0, 1), (2, 1, 1), (4, 1, 0), (8, 1, -1)),
    *((16, 0, -1), (32, -1, -1), (64, -1, 0), (128, -1, 1)),
)
"""Code of each neighbour, rows down and columns right to it, clockwise from the east."""

Grid = NDArray[np.float32]
Ways = NDArray[np.uint8]


def candidate_channels(
    dem_path: str | PathLike[str],
    stands: gpd.GeoDataFrame,
    *,
    crs: CRS,
    feeding_acres: float = FEEDING_ACRES,
    margin_ft: float = MARGIN_FT,
) -> gpd.GeoDataFrame:
    """Return where the elevation raster would gather water into channels.

    Parameters
    ----------
    dem_path : path
        Elevation raster; any CRS, any unit of elevation (only what is lower matters).
    stands : GeoDataFrame
        Channels that meet their bounds are kept; the ground ``margin_ft`` around is drained too.
    crs : CRS
        Plane to work in, in metres.
    feeding_acres : float
        Ground that must drain through a cell for it to be a candidate. [acre]
    margin_ft : float
        Ground drained beyond the stands. [ft]

    Returns
    -------
    GeoDataFrame
        Lines in the CRS of the stands, drawn downstream: ``feeding_acres`` (at the lower end),
        ``length_ft``, ``status`` ("unverified, look on the ground"). Empty where there are none.

    Raises
    ------
    DomainError
        If the threshold is not more than 0 acres.
    InputError
        If the raster cannot be read.

    Notes
    -----
    Depressions are filled by priority from the edges (Wang and Liu 2006; by pyflwdir), each cell is
    drained to the steepest of its eight neighbours (O'Callaghan and Mark 1984), and over filled
    ground the way the flood came; cells are counted downstream and traced by pyflwdir. A map of low
    ground, not of water: culverts, ditches, sinks and the width of the cells all mislead it.

    References
    ----------
    .. [1] O'Callaghan and Mark, The extraction of drainage networks from digital elevation data,
       Computer Vision, Graphics, and Image Processing 28, 1984, 323-344.
    .. [2] Wang and Liu, An efficient method for identifying and filling surface depressions,
       International Journal of Geographical Information Science 20, 2006, 193-213.
    """
    if not (feeding_acres > 0 and np.isfinite(feeding_acres)):
        raise DomainError(f"'feeding_acres' must be more than 0; got {feeding_acres}.")
    import pyflwdir  # slow to load, and wanted only where no stream layer is named

    shapes = to_local(stands.geometry, crs)
    height, grid = _window(dem_path, shapes.total_bounds, crs, margin_ft * M_PER_FT)
    if (height == NOTHING).all():
        return _layer([], [], crs, stands)
    filled, flooded = pyflwdir.dem.fill_depressions(height, nodata=NOTHING, outlets="edge")
    flow = pyflwdir.from_array(
        steepest_ways(filled, flooded, NOTHING), ftype="d8", transform=grid, latlon=False
    )
    fed = flow.upstream_area(unit="cell") * abs(grid.a * grid.e) / SQM_PER_ACRE
    wet = (fed >= feeding_acres) & (height != NOTHING)
    if not wet.any():
        return _layer([], [], crs, stands)
    lines, acres = [], []
    for feature in flow.streams(mask=wet):
        xy = feature["geometry"]["coordinates"]
        lines.append(shapely.LineString(xy))
        # The last cell is the next channel's first, and is fed by both.
        at = xy[-2] if len(xy) > 2 and not feature["properties"]["pit"] else xy[-1]
        row, column = (grid.f - at[1]) / grid.a, (at[0] - grid.c) / grid.a
        acres.append(float(fed[int(row), int(column)]))
    drawn = _layer(lines, acres, crs, stands)
    tract = shapely.box(*stands.total_bounds)
    return drawn[drawn.intersects(tract)].reset_index(drop=True)


def steepest_ways(filled: Grid, flooded: Ways, nodata: float) -> Ways:
    """Return the way each cell drains: to its steepest neighbour, on level ground as it flooded.

    Parameters
    ----------
    filled : ndarray
        (rows, columns) elevation without depressions, square cells.
    flooded : ndarray
        The way to the neighbour each cell was flooded from: 1 east, 2 south-east, 4 south, ...
        128 north-east; 0 an outlet, 247 no data.
    nodata : float
        Marks cells without data.

    Returns
    -------
    ndarray
        Ways in the same code. They lead strictly down, or over level ground back along the flood,
        so that none leads round in a circle.

    Examples
    --------
    >>> slope = np.array([[3, 2.5, 2], [3, 1, 2], [3, 0, 2]], dtype=np.float32)
    >>> steepest_ways(slope, np.full((3, 3), 0, dtype=np.uint8), -9999.0)
    array([[ 2,  4,  8],
           [ 2,  4,  8],
           [ 1,  0, 16]], dtype=uint8)
    """
    rows, columns = filled.shape
    walled = np.pad(np.where(filled == nodata, np.inf, filled), 1, constant_values=np.inf)
    ways, most = flooded.copy(), np.zeros(filled.shape, dtype=filled.dtype)
    there = filled != nodata
    for way, down, right in WAYS:
        beyond = walled[1 + down : 1 + down + rows, 1 + right : 1 + right + columns]
        drop = np.where(there, (filled - beyond) / np.hypot(down, right), 0)
        steeper = drop > most
        ways[steeper] = way
        most = np.maximum(most, drop)
    return ways


def _window(
    dem_path: str | PathLike[str], bounds: np.ndarray, crs: CRS, margin_m: float
) -> tuple[Grid, rasterio.Affine]:
    """Read the raster around the stands in the plane, cells as wide as its own."""
    left, bottom, right, top = bounds + margin_m * np.array([-1, -1, 1, 1])
    with open_raster(dem_path) as source, WarpedVRT(source, crs=crs.to_wkt()) as own:
        cell = max(abs(own.transform.a), abs(own.transform.e))
        # No further than the raster reaches: beyond it there is no ground to drain.
        left, right = max(left, own.bounds.left), min(right, own.bounds.right)
        bottom, top = max(bottom, own.bounds.bottom), min(top, own.bounds.top)
        cell = max(cell, np.sqrt(max(right - left, 0) * max(top - bottom, 0) / MOST_CELLS))
        width, height = (max(int(np.ceil(n / cell)), 1) for n in (right - left, top - bottom))
        grid = rasterio.Affine(cell, 0, left, 0, -cell, top)
        with WarpedVRT(
            source,
            crs=crs.to_wkt(),
            transform=grid,
            width=width,
            height=height,
            resampling=Resampling.bilinear,
            nodata=NOTHING,
            src_nodata=source.nodata,
            dtype="float32",
        ) as warped:
            return warped.read(1), grid


def _layer(
    lines: list[shapely.LineString], acres: list[float], crs: CRS, stands: gpd.GeoDataFrame
) -> gpd.GeoDataFrame:
    layer = gpd.GeoDataFrame(
        {
            "feeding_acres": np.array(acres, dtype=float),
            "length_ft": np.array([line.length / M_PER_FT for line in lines], dtype=float),
            "status": np.full(len(lines), UNVERIFIED_CHANNEL, dtype=object),
        },
        geometry=lines,
        crs=crs,
    )
    return layer.to_crs(stands.crs)
