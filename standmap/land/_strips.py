"""Strips of ground along water: stations on the banks, and what lies within reach of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray

from standmap.errors import DomainError
from standmap.land._bank_kernels import LEFT, RIGHT, Lines, Stations, lay_lines, lay_stations
from standmap.land._overlay import Geometries, polygons_only, union_by, without
from standmap.land._strip_kernels import strip_outlines, strip_rings
from standmap.land.acres import M_PER_FT
from standmap.land.rules import StreamRule
from standmap.land.stay import QUARTER_SEGMENTS

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Banks:
    """Lines of water with stations, whose they are, and how far off the line the banks lie."""

    lines: Lines
    stations: Stations
    row: Ints
    part: Ints
    land: Bools
    half: Floats


def lay_banks(drawn: Geometries, half: Floats, step_m: float) -> Banks:
    """Take lines, and outlines of polygons with the land to their right, apart into vertices."""
    parts, row = shapely.get_parts(drawn, return_index=True)
    there = ~shapely.is_empty(parts)
    parts, row = parts[there], row[there]
    size = shapely.get_dimensions(parts)
    flawed = row[(size == 0) | ~shapely.is_valid(parts) & (size == 2)]
    if len(flawed):
        raise DomainError(
            f"the water at rows {flawed[:5].tolist()} (from 0) is neither a line nor a valid "
            "polygon. Mend polygons with mend_polygons; give points a radius with set_back."
        )
    areal = size == 2
    rings, of = shapely.get_rings(shapely.orient_polygons(parts[areal]), return_index=True)
    shapes = shapely.remove_repeated_points(np.r_[parts[~areal], rings])
    owner = np.r_[row[~areal], row[areal][of]].astype(np.int64)
    land = np.r_[np.zeros((~areal).sum(), dtype=bool), np.ones(len(rings), dtype=bool)]
    real = shapely.length(shapes) > 0
    shapes, owner, land = shapes[real], owner[real], land[real]
    order = np.argsort(owner, kind="stable")
    shapes, owner, land = shapes[order], owner[order], land[order]
    xy, line = shapely.get_coordinates(shapes, return_index=True)
    lines = lay_lines(xy, line, shapely.is_closed(shapes))
    stations = lay_stations(lines, step_m)
    part = np.arange(len(owner)) - np.searchsorted(owner, owner)
    at = stations.line
    return Banks(lines, stations, owner[at], part[at], land[at], half[owner[at]])


def lay_strips(
    banks: Banks, drawn: Geometries, by_row: list[StreamRule | None], width: Floats
) -> tuple[Geometries, list[Geometries]]:
    """Return each row's whole buffer, and the ground of each zone; empty where there is none."""
    inner = np.full(len(drawn), shapely.Polygon(), dtype=object)
    bands = []
    reach = np.cumsum(width, axis=0) * M_PER_FT
    zones_of = np.array([0 if rule is None else len(rule.zones) for rule in by_row])
    dry = np.bincount(banks.row, reach[-1].max(axis=1), len(drawn)) == 0
    for number in range(len(width)):
        rows = (zones_of > number) & ~dry
        if not rows.any():
            continue
        outer = inner.copy()
        outer[rows] = _strip(banks, drawn, rows, reach[number])[rows]
        band = np.full(len(drawn), shapely.Polygon(), dtype=object)
        band[rows] = without(outer[rows], inner[rows]) if number else outer[rows]
        bands.append(band)
        inner = outer
    return inner, bands


def _strip(banks: Banks, drawn: Geometries, rows: Bools, reach: Floats) -> Geometries:
    """Return the ground within reach of the banks of some rows, water included."""
    n_lines = len(banks.lines.first)
    outline = np.zeros(n_lines, dtype=bool)
    outline[banks.stations.line] = banks.land
    of_line = np.zeros(n_lines, dtype=np.int64)
    of_line[banks.stations.line] = banks.row
    offset = banks.half[:, None] + reach
    keys, shapes = _outlines(banks, offset, rows[of_line] & ~outline)
    drawn_whole = np.zeros(n_lines, dtype=bool)
    drawn_whole[keys] = True
    lines, pieces = [keys], [shapes]
    for with_land, sides in ((False, (LEFT, RIGHT)), (True, (RIGHT,))):
        chosen = rows[of_line] & (outline == with_land) & ~drawn_whole
        if chosen.any():
            line, piece = _pieces(banks, offset, sides, chosen)
            lines.append(line)
            pieces.append(piece)
    ponds = np.flatnonzero(rows & (shapely.get_dimensions(drawn) == 2))
    # Off the grid: the pieces share edges to the last digit, and snapping hundreds of slim sectors
    # to a grid at once is what GEOS trips over. What is not valid after it is mended.
    key, united = union_by(
        np.r_[of_line[np.concatenate(lines)], ponds],
        np.concatenate([*pieces, drawn[ponds]]),
        grid=None,
    )
    crossed = ~shapely.is_valid(united)
    united[crossed] = polygons_only(shapely.make_valid(united[crossed], method="structure"))
    found = np.full(len(rows), shapely.Polygon(), dtype=object)
    found[key] = united
    return found


def _outlines(banks: Banks, offset: Floats, wanted: Bools) -> tuple[Ints, Geometries]:
    """Return the lines whose strip is one simple outline, and the strips: the quick way."""
    xy, line, sound = strip_outlines(banks.lines, banks.stations, offset, QUARTER_SEGMENTS)
    sound &= wanted
    kept = np.flatnonzero(sound)
    place = np.cumsum(sound) - 1
    mine = sound[line]
    strips = shapely.polygons(shapely.linearrings(xy[mine], indices=place[line[mine]]))
    simple = shapely.is_valid(strips)
    return kept[simple], strips[simple]


def _pieces(
    banks: Banks, offset: Floats, sides: tuple[int, ...], wanted: Bools
) -> tuple[Ints, Geometries]:
    """Return the strips of other lines in pieces, one a segment, and the line of each."""
    xy, ring, owner = strip_rings(banks.lines, banks.stations, offset, sides, QUARTER_SEGMENTS)
    keep = wanted[owner]
    mine = keep[ring]
    place = (np.cumsum(keep) - 1)[ring[mine]]
    pieces = shapely.polygons(shapely.linearrings(xy[mine], indices=place))
    real = shapely.area(pieces) > 0
    return owner[keep][real], pieces[real]
