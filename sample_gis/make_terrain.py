"""Ground of the sample tract: hills cut by water, and where the water runs.

The hills are grown, not drawn: rough ground is raised while streams cut it down in proportion to
the water that gathers above them, and soil creeps downhill. That leaves ridges, spurs and hollows
that join the way real ones do, so that stands and streams laid on them look at home.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from pathlib import Path

import numba
import numpy as np
import rasterio
from affine import Affine
from numpy.typing import NDArray
from scipy import ndimage

from standmap.units import FT_PER_M

Grid = NDArray[np.float64]

CELL_M = 10.0
"""Cell of the elevation raster. [m]"""
GROUND_CELLS = 330
"""Rows and columns of the ground that is grown; the tract takes the middle of it."""
WEST_M, NORTH_M = 519_400.0, 4_031_700.0
"""North-west corner of the ground, NAD83 / UTM zone 17N. [m]"""
CRS = "EPSG:26917"
"""NAD83 / UTM zone 17N, in which all the vector layers and rasters are written."""

FT = 1 / FT_PER_M
"""Metres in a foot."""
NO_DATA = -9_999.0
"""Marks cells without a value in the rasters."""

# The eight neighbours of a cell, as row and column steps.
_ROW = np.array([-1, -1, -1, 0, 0, 1, 1, 1])
_COL = np.array([-1, 0, 1, -1, 1, -1, 0, 1])
_RUN = np.sqrt(_ROW**2.0 + _COL**2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """Elevation and what follows from it, all on the 10 m grid.

    Attributes
    ----------
    elevation_m : ndarray (rows, cols)
        Height above sea level, north up. [m]
    downstream : ndarray of int (rows, cols)
        Flat index of the cell that each cell drains to; its own index at an outlet.
    drainage_ha : ndarray (rows, cols)
        Ground that drains through the cell. [ha]
    above_stream_m : ndarray (rows, cols)
        Height above the nearest channel downhill (channel: 4 ha and more drain through it). [m]
    position : ndarray (rows, cols)
        Height above (ridge, positive) or below (hollow) the mean ground within 150 m. [m]
    moisture : ndarray (rows, cols)
        Index of mean near 0 and deviation near 1: high in hollows and on cool north-east slopes.
    """

    elevation_m: Grid
    downstream: NDArray[np.int64]
    drainage_ha: Grid
    above_stream_m: Grid
    position: Grid
    moisture: Grid


def smooth_noise(
    rng: np.random.Generator, shape: tuple[int, int], cells: float, *, octaves: int = 1
) -> Grid:
    """Return smooth random ground of mean 0 and deviation 1, with features ``cells`` across."""
    total = np.zeros(shape)
    for octave in range(octaves):
        layer = ndimage.gaussian_filter(rng.standard_normal(shape), cells / 2**octave, mode="wrap")
        total += layer / layer.std() / 2**octave
    scaled: Grid = (total - total.mean()) / total.std()
    return scaled


@numba.njit(cache=False)
def _route(z, outlet):  # type: ignore[no-untyped-def]
    """Fill hollows from the outlets up; return the filled ground, receivers and uphill order."""
    rows, cols = z.shape
    filled = z.copy()
    receiver = np.arange(rows * cols)
    seen = np.zeros((rows, cols), dtype=np.bool_)
    order = np.empty(rows * cols, dtype=np.int64)
    heap = [(0.0, 0)]
    heap.pop()
    for r in range(rows):
        for c in range(cols):
            if outlet[r, c]:
                heapq.heappush(heap, (z[r, c], r * cols + c))
                seen[r, c] = True
    n = 0
    while len(heap) > 0:
        level, k = heapq.heappop(heap)
        order[n] = k
        n += 1
        r, c = k // cols, k % cols
        for j in range(8):
            i, m = r + _ROW[j], c + _COL[j]
            if 0 <= i < rows and 0 <= m < cols and not seen[i, m]:
                seen[i, m] = True
                filled[i, m] = max(z[i, m], level + 1e-4 * _RUN[j])
                heapq.heappush(heap, (filled[i, m], i * cols + m))
    for k in order:
        r, c = k // cols, k % cols
        if outlet[r, c]:
            continue
        steepest = 0.0
        for j in range(8):
            i, m = r + _ROW[j], c + _COL[j]
            if 0 <= i < rows and 0 <= m < cols:
                fall = (filled[r, c] - filled[i, m]) / _RUN[j]
                if fall > steepest:
                    steepest = fall
                    receiver[k] = i * cols + m
    return filled, receiver, order


@numba.njit(cache=False)
def _gather(receiver, order):  # type: ignore[no-untyped-def]
    """Count the cells that drain through each cell, itself included."""
    cells = np.ones(receiver.size)
    for k in order[::-1]:
        if receiver[k] != k:
            cells[receiver[k]] += cells[k]
    return cells


@numba.njit(cache=False)
def _cut(z, receiver, order, cells, power, cols):  # type: ignore[no-untyped-def]
    """Cut channels by one implicit step of the stream-power law (drainage to the 0.45)."""
    for k in order:
        to = receiver[k]
        if to == k:
            continue
        run = 1.0 if (k // cols == to // cols or k % cols == to % cols) else 2.0**0.5
        f = power * cells[k] ** 0.45 / run
        z[k] = (z[k] + f * z[to]) / (1.0 + f)


@numba.njit(cache=False)
def _above_stream(z, receiver, order, cells, least_cells):  # type: ignore[no-untyped-def]
    """Height of each cell above the channel it drains to; a channel gathers ``least_cells``."""
    foot = z.copy()
    for k in order:
        if cells[k] < least_cells:
            foot[k] = foot[receiver[k]]
    return z - foot


def grow_elevation(rng: np.random.Generator) -> Grid:
    """Raise and wear down rough ground until it drains like foothills; elevation in metres."""
    half = GROUND_CELLS // 2  # worn at 20 m, then drawn at 10 m
    shape = (half, half)
    z = 8.0 * smooth_noise(rng, shape, 18, octaves=4)
    z += np.linspace(50.0, 0.0, half)[:, None] + np.linspace(10.0, 0.0, half)[None, :]
    rise = np.clip(1.0 + 0.25 * smooth_noise(rng, shape, 22), 0.3, None)
    outlet = np.zeros(shape, dtype=np.bool_)
    outlet[-1, :] = True  # everything leaves to the south
    for _ in range(220):
        z[~outlet] += rise[~outlet]
        _, receiver, order = _route(z, outlet)
        flat = z.ravel()
        _cut(flat, receiver, order, _gather(receiver, order), 0.20, half)
        z = flat.reshape(shape)
        z = z + 0.12 * ndimage.laplace(z)  # soil creep
    fine = ndimage.zoom(z, 2, order=3, mode="nearest", grid_mode=True)
    return 262.0 + 1.2 * ndimage.gaussian_filter(fine, 1.2)


def site_of(elevation_m: Grid) -> tuple[Grid, Grid]:
    """Return the position on the slope [m] and the moisture index of every cell (see Ground)."""
    disk = np.hypot(*np.mgrid[-15:16, -15:16]) <= 15
    position: Grid = elevation_m - ndimage.convolve(elevation_m, disk / disk.sum(), mode="nearest")
    south_fall, east_fall = np.gradient(-ndimage.gaussian_filter(elevation_m, 2), CELL_M)
    cool = (east_fall - south_fall) / np.sqrt(2.0)  # falls to the north-east, out of the hot sun
    # Fixed divisors, not the deviations of this raster: a cropped raster gives the same index.
    moisture: Grid = -position / 9.0 + cool / 0.10
    return position, moisture


def make_ground(seed: int) -> Ground:
    """Grow the ground of the tract and work out where its water goes.

    Parameters
    ----------
    seed : int
        Seed of the random generator; one seed, one landscape.

    Returns
    -------
    Ground
        Elevation, drainage and the two indexes that the forest follows.
    """
    z = grow_elevation(np.random.default_rng(seed))
    outlet = np.zeros(z.shape, dtype=np.bool_)
    outlet[-1, :] = True
    filled, receiver, order = _route(z, outlet)
    cells = _gather(receiver, order)
    # Floors of the larger valleys silt up a little: wide, level bottoms beside the creek.
    above = _above_stream(filled.ravel(), receiver, order, cells, 6_000.0).reshape(z.shape)
    z = filled - 0.75 * above * np.exp(-((above / 6.0) ** 2))
    filled, receiver, order = _route(z, outlet)
    cells = _gather(receiver, order)
    above = _above_stream(filled.ravel(), receiver, order, cells, 400.0).reshape(z.shape)
    position, moisture = site_of(filled)
    return Ground(
        elevation_m=filled,
        downstream=receiver.reshape(z.shape),
        drainage_ha=cells.reshape(z.shape) * CELL_M**2 / 10_000,
        above_stream_m=above,
        position=position,
        moisture=moisture,
    )


def above_channel(ground: Ground, least_ha: float) -> Grid:
    """Return the height, in metres, above the channel drained to, of those fed ``least_ha``."""
    z = ground.elevation_m.ravel()
    receiver = ground.downstream.ravel()
    order = np.argsort(z, kind="stable")
    cells = ground.drainage_ha.ravel() * 10_000 / CELL_M**2
    above: Grid = _above_stream(z, receiver, order, cells, least_ha * 10_000 / CELL_M**2)
    return above.reshape(ground.elevation_m.shape)


@dataclass(frozen=True, slots=True, kw_only=True)
class Raster:
    """Grid values with the map position of their north-west corner, as read from a GeoTIFF."""

    grid: Grid
    west: float
    north: float
    cell_m: float

    def at(self, x: Grid, y: Grid, values: Grid | None = None) -> Grid:
        """Read these values, or others on the same grid, at map coordinates."""
        col = (np.asarray(x) - self.west) / self.cell_m - 0.5
        row = (self.north - np.asarray(y)) / self.cell_m - 0.5
        grid = self.grid if values is None else values
        read: Grid = ndimage.map_coordinates(grid, [row, col], order=1, mode="nearest")
        return read


def read_raster(path: Path) -> Raster:
    """Read a one-band GeoTIFF."""
    with rasterio.open(path) as source:
        values = source.read(1).astype(np.float64)
        return Raster(
            grid=values,
            west=source.transform.c,
            north=source.transform.f,
            cell_m=source.transform.a,
        )


def write_raster(path: Path, raster: Raster, *, description: str) -> None:
    """Write a compressed one-band GeoTIFF of metres; NaN is no data."""
    filled = np.where(np.isnan(raster.grid), NO_DATA, raster.grid).astype(np.float32)
    with rasterio.open(
        path, "w", driver="GTiff", height=filled.shape[0], width=filled.shape[1], count=1,
        dtype="float32", crs=CRS, nodata=NO_DATA, compress="deflate", predictor=3, zlevel=9,
        tiled=True, blockxsize=256, blockysize=256,
        transform=Affine(raster.cell_m, 0, raster.west, 0, -raster.cell_m, raster.north),
    ) as made:  # fmt: skip
        made.write(filled, 1)
        made.set_band_description(1, description)
