"""How far logs are skidded: the easiest way over the ground from a unit to its landing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from typing import Final, Literal

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from rasterio import Affine
from rasterio.enums import Resampling
from rasterio.features import rasterize
from rasterio.windows import Window
from scipy.sparse import csgraph
from shapely.geometry.base import BaseGeometry

from standmap._rasters import RasterUnits, ft_per_unit, open_raster
from standmap.errors import DomainError
from standmap.land._kernels import gradient_horn1981
from standmap.land._plane import Plane, plane_of
from standmap.land._way_kernels import lengths_along, step_graph
from standmap.land.acres import M_PER_FT
from standmap.land.relief import SLOPE_LIMITS_PCT
from standmap.units import FT_PER_M

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

MOST_CELLS: Final = 300_000
"""Cells a way is looked for over; a finer raster is averaged to fewer. About 150 MB of graph."""

LANDING_REACH_FT: Final = 200.0
"""A landing on ground that may not be driven is reached from free ground no farther than this."""

SLOPE_PENALTY: Final = 1.0
"""How much more a foot on ground at the ground-based limit counts than a level one, when a way is
chosen. Common practice, no source."""

SLOPE_POWER: Final = 2.0
"""How the penalty grows with slope: with its square. Common practice, no source."""

ROUND_IT: Final = 1.0
"""How far around unit and landing a way is looked for, as a share of their extent."""


SkidTrouble = Literal["", "unit unknown", "landing unknown", "landing off"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SkidWay:
    """The way from a unit to its landing.

    Attributes
    ----------
    mean_ft, max_ft : float
        Feet along the ground from the unit's cells to the landing; NaN where no way leads.
    reached_pct : float
        Share of the unit's ground that a way leads to.
    cell_ft : float
        Cell the ground was read at.
    farthest : LineString or None
        The way from the farthest cell, in the CRS of the unit.
    unknown_pct : float
        Share of the unit's ground whose elevation the raster does not know; no way leads from it.
    trouble : str
        What keeps every way from being found: ``"unit unknown"`` or ``"landing unknown"`` to the
        raster, or ``"landing off"``: no ground that may be driven on within `LANDING_REACH_FT` of
        any landing. Blank otherwise.
    """

    mean_ft: float
    max_ft: float
    reached_pct: float
    cell_ft: float
    farthest: BaseGeometry | None
    unknown_pct: float = 0.0
    trouble: SkidTrouble = ""


def skid_way(
    dem_path: str | PathLike[str],
    unit: gpd.GeoSeries,
    landings: gpd.GeoSeries,
    *,
    inside: gpd.GeoSeries,
    keep_off: gpd.GeoSeries | None = None,
    crossings: gpd.GeoSeries | None = None,
    units: RasterUnits = "m",
    slope_limits_pct: Sequence[float] = SLOPE_LIMITS_PCT,
    slope_penalty: float = SLOPE_PENALTY,
    slope_power: float = SLOPE_POWER,
    most_cells: int = MOST_CELLS,
) -> SkidWay:
    """Find the easiest way over the ground from every part of a unit to the nearest landing.

    Parameters
    ----------
    dem_path : path
        Elevation raster, band 1; any CRS.
    unit : GeoSeries
        Polygons of the unit's net ground.
    landings : GeoSeries
        Points; the easiest to reach counts.
    inside : GeoSeries
        Polygons that no way leaves: the tract.
    keep_off : GeoSeries, optional
        Polygons that no way enters.
    crossings : GeoSeries, optional
        Where one may all the same: a line opens the cells it touches, a point a circle as wide as
        what it lies in.
    units : {"m", "ft", "us_ft"}
        Unit of the elevations.
    slope_limits_pct : sequence of float
        Ground-based and steepest limit.
    slope_penalty, slope_power : float
        A foot of ground counts as 1 + penalty x (slope / ground-based limit)^power when the way is
        chosen; a penalty of 0 takes the shortest way.
    most_cells : int
        Cells of the grid at most.

    Returns
    -------
    SkidWay

    Raises
    ------
    InputError
        If the raster cannot be read or has no CRS.
    DomainError
        If the penalty is less than 0 or the power not over 0.

    Notes
    -----
    By default a foot on ground at the ground-based limit counts as two when the way is chosen,
    and steeper ground grows dear with the square of its slope; ground over the steepest limit is
    not crossed (common practice, no source). What is reported is feet along the ground of the way
    chosen. Ways go from cell to cell in sixteen directions and come out at most 2.75 % too long.

    Only a window around unit and landings is read, averaged to ``most_cells``: memory is bounded
    whatever the raster. A cell that anything to keep off touches is kept off, so that no way slips
    through; such cells of the unit's edge are left out of the mean.
    """
    if not (slope_penalty >= 0 and slope_power > 0):
        raise DomainError(
            "'slope_penalty' must be 0 or more and 'slope_power' over 0; got "
            f"{slope_penalty:g} and {slope_power:g}."
        )
    every = _shapes(unit, landings, inside, keep_off, crossings)
    with open_raster(dem_path) as source, plane_of(source, every["unit"]) as plane:
        crs = plane.source.crs
        on_grid = {name: shapes.to_crs(crs) for name, shapes in every.items()}
        grid = _coarse(plane, _window_of(on_grid), most_cells)
    if not grid.cells.size:
        return _no_way("unit unknown", np.nan, 100.0)
    elevation = grid.cells * (ft_per_unit(units) * M_PER_FT)
    cell_x, cell_y = grid.cell_x * plane.metres, grid.cell_y * plane.metres
    slope = 100 * np.hypot(*gradient_horn1981(elevation, cell_x, cell_y))
    level = np.nan_to_num(slope)  # the raster's own edge has no slope; it is taken as level
    known = np.isfinite(elevation)
    passable = grid.inside(on_grid["inside"]) & ~grid.touched(on_grid["keep_off"])
    passable |= grid.touched(_openings(on_grid, grid))
    passable &= known & (level <= slope_limits_pct[-1])
    goal = grid.inside(on_grid["unit"]) & ~grid.touched(on_grid["keep_off"])
    cell_ft = float(np.hypot(cell_x, cell_y) / np.sqrt(2) * FT_PER_M)
    beyond, unknown = _shares_unknown(on_grid["unit"], grid, known)
    unknown_pct = 100.0 * unknown
    if unknown_pct == 100.0 or not goal.any():
        return _no_way("unit unknown" if unknown_pct == 100.0 else "", cell_ft, unknown_pct)
    seeds, gap_m = _seeds(on_grid["landings"], passable, grid, plane.metres)
    if not len(seeds):
        found = grid.known_at(on_grid["landings"], known).any()
        return _no_way("landing off" if found else "landing unknown", cell_ft, unknown_pct)
    penalty = 1 + slope_penalty * (level / slope_limits_pct[0]) ** slope_power
    graph = step_graph(np.nan_to_num(elevation), penalty, passable, cell_x, cell_y)
    cost, before, source_cell = csgraph.dijkstra(
        graph, directed=False, indices=seeds, min_only=True, return_predecessors=True
    )
    start = np.zeros(elevation.size)
    start[seeds] = gap_m
    length = lengths_along(before, _steps(before, np.nan_to_num(elevation), cell_x, cell_y))
    reached = np.isfinite(cost) & goal.ravel()
    if not reached.any():
        return _no_way("", cell_ft, unknown_pct)
    feet = (length[reached] + start[source_cell[reached]]) * FT_PER_M
    last = int(np.flatnonzero(reached)[np.argmax(feet)])
    way = gpd.GeoSeries([grid.line(_trace(before, last))], crs=crs).to_crs(unit.crs)
    return SkidWay(
        mean_ft=float(feet.mean()),
        max_ft=float(feet.max()),
        reached_pct=100.0 * (1 - beyond) * float(reached.sum() / goal.sum()),
        cell_ft=cell_ft,
        farthest=way.iloc[0],
        unknown_pct=unknown_pct,
    )


def _no_way(trouble: SkidTrouble, cell_ft: float, unknown_pct: float) -> SkidWay:
    return SkidWay(
        mean_ft=np.nan,
        max_ft=np.nan,
        reached_pct=0.0,
        cell_ft=cell_ft,
        farthest=None,
        unknown_pct=unknown_pct,
        trouble=trouble,
    )


@dataclass(frozen=True, slots=True)
class _Grid:
    """Cells of a window, and shapes drawn onto them."""

    cells: Floats
    left: float
    top: float
    cell_x: float
    cell_y: float

    @property
    def place(self) -> Affine:
        return Affine(self.cell_x, 0.0, self.left, 0.0, -self.cell_y, self.top)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top."""
        rows, columns = self.cells.shape
        right, bottom = self.left + columns * self.cell_x, self.top - rows * self.cell_y
        return self.left, bottom, right, self.top

    def touched(self, shapes: gpd.GeoSeries) -> Bools:
        """Return the cells that any shape touches."""
        return self._drawn(shapes, True)

    def inside(self, shapes: gpd.GeoSeries) -> Bools:
        """Return the cells whose centre lies in a shape."""
        return self._drawn(shapes, False)

    def _drawn(self, shapes: gpd.GeoSeries, touched: bool) -> Bools:
        there = [g for g in shapes if g is not None and not g.is_empty]
        if not there:
            return np.zeros(self.cells.shape, dtype=np.bool_)
        drawn = rasterize(
            there,
            out_shape=self.cells.shape,
            transform=self.place,
            all_touched=touched,
            dtype="uint8",
        )
        return np.asarray(drawn, dtype=np.bool_)

    def known_at(self, points: gpd.GeoSeries, known: Bools) -> Bools:
        """Return whether each point lies in a cell of which something is known."""
        x, y = shapely.get_coordinates(points.to_numpy()).T
        column = np.floor((x - self.left) / self.cell_x).astype(np.int64)
        row = np.floor((self.top - y) / self.cell_y).astype(np.int64)
        rows, columns = known.shape
        there: Bools = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
        there[there] = known[row[there], column[there]]
        return there

    def centres(self, cells: Ints) -> Floats:
        """Return the centres of cells, (n, 2)."""
        row, column = np.divmod(cells, self.cells.shape[1])
        x = self.left + (column + 0.5) * self.cell_x
        return np.column_stack([x, self.top - (row + 0.5) * self.cell_y])

    def line(self, cells: Ints) -> BaseGeometry:
        """Return the line through the centres of cells, its needless bends taken out."""
        points = self.centres(cells)
        if len(points) < 2:
            points = np.vstack([points, points])
        return shapely.simplify(shapely.linestrings(points), self.cell_x / 2)


def _shapes(
    unit: gpd.GeoSeries,
    landings: gpd.GeoSeries,
    inside: gpd.GeoSeries,
    keep_off: gpd.GeoSeries | None,
    crossings: gpd.GeoSeries | None,
) -> dict[str, gpd.GeoSeries]:
    nothing = gpd.GeoSeries([], crs=unit.crs)
    return {
        "unit": unit,
        "landings": landings,
        "inside": inside,
        "keep_off": nothing if keep_off is None else keep_off,
        "crossings": nothing if crossings is None else crossings,
    }


def _window_of(shapes: dict[str, gpd.GeoSeries]) -> tuple[float, float, float, float]:
    """Return the bounds of unit and landings, widened all around."""
    a, b = shapes["unit"].total_bounds, shapes["landings"].total_bounds
    left, bottom = min(a[0], b[0]), min(a[1], b[1])
    right, top = max(a[2], b[2]), max(a[3], b[3])
    more = ROUND_IT * max(right - left, top - bottom)
    return left - more, bottom - more, right + more, top + more


def _coarse(plane: Plane, bounds: tuple[float, float, float, float], most_cells: int) -> _Grid:
    """Read a window, averaged so that it has no more than so many cells."""
    place, source = plane.source.transform, plane.source
    left = max(int((bounds[0] - place.c) // place.a), 0)
    right = min(int(-(-(bounds[2] - place.c) // place.a)), source.width)
    top = max(int((place.f - bounds[3]) // -place.e), 0)
    bottom = min(int(-(-(place.f - bounds[1]) // -place.e)), source.height)
    width, height = right - left, bottom - top
    if width <= 0 or height <= 0:  # the raster lies elsewhere
        return _Grid(np.empty((0, 0)), 0.0, 0.0, place.a, -place.e)
    times = max(1, int(np.ceil(np.sqrt(width * height / most_cells))))
    shape = (max(height // times, 1), max(width // times, 1))
    band = source.read(
        1,
        window=Window(left, top, width, height),
        out_shape=shape,
        resampling=Resampling.average,
        masked=True,
    )
    cells = band.astype(np.float64).filled(np.nan) * source.scales[0] + source.offsets[0]
    return _Grid(
        cells=cells,
        left=place.c + left * place.a,
        top=place.f + top * place.e,
        cell_x=place.a * width / shape[1],
        cell_y=-place.e * height / shape[0],
    )


def _shares_unknown(unit: gpd.GeoSeries, grid: _Grid, known: Bools) -> tuple[float, float]:
    """Return the shares of a unit's area beyond the grid, and of no known elevation in all."""
    area = float(unit.area.sum())
    if not area > 0:
        return 0.0, 0.0
    # Under a billionth lies rounding.
    beyond = round(1 - float(unit.clip_by_rect(*grid.bounds).area.sum()) / area, 9)
    inside = grid.inside(unit)
    holes = float((inside & ~known).sum() / inside.sum()) if inside.any() else 0.0
    return beyond, beyond + (1 - beyond) * holes


def _openings(shapes: dict[str, gpd.GeoSeries], grid: _Grid) -> gpd.GeoSeries:
    """Return crossings as drawn; a point as a circle that reaches past what it lies in."""
    drawn = shapes["crossings"]
    if drawn.empty or shapes["keep_off"].empty:
        return drawn
    geometry = drawn.to_numpy()
    edge = shapely.boundary(shapely.union_all(shapes["keep_off"].to_numpy()))
    point = shapely.get_dimensions(geometry) == 0
    reach = shapely.distance(geometry, edge) + 1.5 * max(grid.cell_x, grid.cell_y)
    opened = np.where(point, shapely.buffer(geometry, reach), geometry)
    return gpd.GeoSeries(opened, crs=drawn.crs)


def _seeds(
    landings: gpd.GeoSeries, passable: Bools, grid: _Grid, metres: float
) -> tuple[Ints, Floats]:
    """Return the free cell nearest each landing, and how far off it is in metres."""
    free = np.flatnonzero(passable.ravel())
    points = shapely.get_coordinates(landings.to_numpy())
    if not len(free) or not len(points):
        return np.zeros(0, dtype=np.int64), np.zeros(0)
    tree = shapely.STRtree(shapely.points(grid.centres(free)))
    at, gap = tree.query_nearest(shapely.points(points), return_distance=True, all_matches=False)
    # A landing within its own cell is on it, wherever in the cell it lies.
    off = gap * metres
    near = off <= max(LANDING_REACH_FT * M_PER_FT, np.hypot(grid.cell_x, grid.cell_y) * metres)
    cells, first = np.unique(free[at[1][near]], return_index=True)
    return cells.astype(np.int64), np.asarray(off[near][first])


def _steps(before: Ints, elevation_m: Floats, cell_x_m: float, cell_y_m: float) -> Floats:
    """Return metres along the ground from the cell before each cell."""
    columns = elevation_m.shape[1]
    on = np.flatnonzero(before >= 0)
    row, column = np.divmod(on, columns)
    row0, column0 = np.divmod(before[on], columns)
    flat = elevation_m.ravel()
    step = np.zeros(flat.size)
    run = np.hypot((row - row0) * cell_y_m, (column - column0) * cell_x_m)
    step[on] = np.hypot(run, flat[on] - flat[before[on]])
    return step


def _trace(before: Ints, last: int) -> Ints:
    """Return the cells of one way, from its end to its source."""
    cells = [last]
    while before[cells[-1]] >= 0:
        cells.append(int(before[cells[-1]]))
    return np.asarray(cells, dtype=np.int64)
