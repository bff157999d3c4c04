"""Elevations at points, read from a raster block by block."""

from __future__ import annotations

from os import PathLike
from typing import Final

import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from rasterio.io import DatasetReader
from rasterio.windows import Window

from standmap._rasters import RasterUnits, ft_per_unit, open_raster
from standmap.land.acres import M_PER_FT

Floats = NDArray[np.float64]

BLOCK_CELLS: Final = 1024
"""Side of the square blocks a raster is read in; one block of float64 is 8 MB. [cells]"""


def elevation_at(
    dem_path: str | PathLike[str],
    x: Floats,
    y: Floats,
    crs: CRS,
    *,
    units: RasterUnits = "m",
    block_cells: int = BLOCK_CELLS,
) -> Floats:
    """Return the ground's elevation at points.

    Parameters
    ----------
    dem_path : path
        Elevation raster, band 1; any CRS, turned or not.
    x, y : ndarray
        (n,) points, in ``crs``.
    crs : CRS
        Of the points.
    units : {"m", "ft", "us_ft"}
        Unit of the elevations.
    block_cells : int
        Side of the blocks read at a time. [cells]

    Returns
    -------
    ndarray
        (n,) elevation, bilinear between the four cell centres around; NaN outside the centres of
        the outermost cells and where one of the four has no data. [m]

    Raises
    ------
    InputError
        If the raster cannot be read or has no CRS.
    """
    z_in_m = ft_per_unit(units) * M_PER_FT
    with open_raster(dem_path) as source:
        to_raster = Transformer.from_crs(crs, source.crs, always_xy=True)
        east, north = to_raster.transform(x, y)
        column, row = _cells_of(source, np.asarray(east), np.asarray(north))
        last = np.array([source.width - 1, source.height - 1])
        known = (column >= 0) & (row >= 0) & (column <= last[0]) & (row <= last[1])
        found = np.full(len(column), np.nan)
        at = np.flatnonzero(known)
        # The upper left of the four cells; on the last row or column, the one before it.
        left = np.minimum(np.floor(column[at]), max(last[0] - 1, 0)).astype(np.int64)
        top = np.minimum(np.floor(row[at]), max(last[1] - 1, 0)).astype(np.int64)
        across = int(np.ceil(source.width / block_cells))
        block = (top // block_cells) * across + left // block_cells
        order = np.argsort(block, kind="stable")
        starts = np.flatnonzero(np.diff(block[order], prepend=-1))
        for members in np.split(order, starts[1:]) if len(order) else []:
            number = int(block[members[0]])
            col0, row0 = number % across * block_cells, number // across * block_cells
            cells = _read_block(source, col0, row0, block_cells + 1)
            here = at[members]
            found[here] = _bilinear(
                cells,
                left[members] - col0,
                top[members] - row0,
                column[here] - left[members],
                row[here] - top[members],
            )
    return found * z_in_m


def _cells_of(source: DatasetReader, east: Floats, north: Floats) -> tuple[Floats, Floats]:
    """Return columns and rows of points, whole at cell centres; infinite points stay out."""
    back = ~source.transform
    with np.errstate(invalid="ignore"):  # a point PROJ cannot place is infinite
        column = back.a * east + back.b * north + back.c - 0.5
        row = back.d * east + back.e * north + back.f - 0.5
    return column, row


def _read_block(source: DatasetReader, left: int, top: int, side: int) -> Floats:
    """Read a block of band 1, as far as the raster reaches; NaN where it has no data."""
    window = Window(left, top, min(side, source.width - left), min(side, source.height - top))
    band = source.read(1, window=window, masked=True)
    cells = band.astype(np.float64).filled(np.nan)
    return np.asarray(cells * source.scales[0] + source.offsets[0])


def _bilinear(
    cells: Floats,
    left: NDArray[np.int64],
    top: NDArray[np.int64],
    right_share: Floats,
    bottom_share: Floats,
) -> Floats:
    """Interpolate between four cells; a cell of no weight may be unknown."""
    right = np.minimum(left + 1, cells.shape[1] - 1)
    bottom = np.minimum(top + 1, cells.shape[0] - 1)
    total = np.zeros(len(left))
    for rows, y_share in ((top, 1 - bottom_share), (bottom, bottom_share)):
        for columns, x_share in ((left, 1 - right_share), (right, right_share)):
            weight = y_share * x_share
            total += np.where(weight == 0, 0.0, weight * cells[rows, columns])
    return total
