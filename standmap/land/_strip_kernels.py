"""Array kernels of strips along lines whose width changes: as pieces, and as one outline each."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from standmap.land._bank_kernels import LEFT, SIGN, Lines, Stations, at_measure

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

TOUCH = 1e-6
"""A station this near a vertex is at the vertex. [m]"""

STRAIGHT = 1e-12
"""Two directions whose cross product is below this are one."""


class Segments(NamedTuple):
    """The straight segments of lines, and the stations strictly inside them.

    ``a`` and ``b`` are the vertices at both ends, ``before`` the segment each follows (in a closed
    line the last is before the first), ``inner`` the stations and ``inner_seg`` their segments.
    """

    a: Ints
    b: Ints
    along: Floats
    owner: Ints
    before: Ints
    open_start: Bools
    open_end: Bools
    inner: Ints
    inner_seg: Ints


class _Points(NamedTuple):
    """Vertices of rings in the making: segment, place in its ring (major, then minor), point."""

    seg: Ints
    major: Ints
    minor: Floats
    xy: Floats


class _Side(NamedTuple):
    """One side of the strip: its profile at both ends of each segment and between, and its arcs."""

    at_a: _Points
    at_b: _Points
    between: _Points
    arcs: list[_Points]
    outer: Bools
    normal: Floats


def take_apart(lines: Lines, stations: Stations) -> Segments:
    """Return the segments of lines."""
    a = np.flatnonzero(np.diff(lines.line) == 0)
    along = lines.xy[a + 1] - lines.xy[a]
    along /= np.hypot(*along.T)[:, None]
    starts, ends = np.isin(a, lines.first), np.isin(a + 1, lines.last)
    line = lines.line[a]
    final = np.searchsorted(a, lines.last[line] - 1)
    before = np.where(starts, final, np.arange(len(a)) - 1)
    open_start, open_end = starts & ~lines.closed[line], ends & ~lines.closed[line]
    # A line that doubles back on itself has no outer side there: it gets an end's round cap.
    back = ~open_start & (along[before] == -along).all(axis=1)
    open_end[before[back]] = True

    inside = np.searchsorted(lines.measure, stations.measure, side="right") - 1
    following = np.minimum(inside + 1, len(lines.measure) - 1)
    strict = (lines.measure[inside] + TOUCH < stations.measure) & (
        stations.measure + TOUCH < lines.measure[following]
    )
    inner = np.flatnonzero(strict & (inside < lines.last[stations.line]))
    return Segments(
        a,
        a + 1,
        along,
        line,
        before,
        open_start,
        open_end,
        inner,
        np.searchsorted(a, inside[inner]),
    )


def strip_rings(
    lines: Lines,
    stations: Stations,
    width: Floats,
    sides: tuple[int, ...],
    pieces_per_quarter: int,
) -> tuple[Floats, Ints, Ints]:
    """Return one ring for each straight segment of each line, whose union is the strip.

    Parameters
    ----------
    lines, stations : Lines, Stations
        The lines and the stations on them.
    width : ndarray
        (stations, 2) width of the strip left and right, straight between stations.
    sides : tuple of int
        Sides to draw.
    pieces_per_quarter : int
        Straight pieces to a quarter circle at ends and bends.

    Returns
    -------
    xy : ndarray
        (n, 2) vertices of all rings.
    ring : ndarray
        (n,) ring of each vertex, ascending from 0.
    owner : ndarray
        Line of each ring.

    Notes
    -----
    A segment's ring runs from its start over the offset profile of its left side to its end and
    back over the right side's. On the outer side of a bend the ring of the segment behind it also
    holds the sector between the two normals; at the ends of an open line, a quarter circle on each
    side, of that side's width. With one width everywhere the union is the ordinary buffer.
    """
    parts = take_apart(lines, stations)
    # Between two quarter circles the end itself is not a corner of the ring.
    both = len(sides) == 2
    start = np.flatnonzero(~(parts.open_start & both))
    end = np.flatnonzero(~(parts.open_end & both))
    points = [
        _Points(start, np.full(len(start), 0), np.zeros(len(start)), lines.xy[parts.a[start]]),
        _Points(end, np.full(len(end), 4), np.zeros(len(end)), lines.xy[parts.b[end]]),
    ]
    for side in sides:
        made = _side(lines, stations, width[:, side], side, parts, pieces_per_quarter)
        points += [made.at_a, made.at_b, made.between, *made.arcs]
    seg, major, minor = (np.concatenate([p[i] for p in points]) for i in range(3))
    order = np.lexsort((minor, major, seg))
    return np.concatenate([p.xy for p in points])[order], seg[order], parts.owner


def strip_outlines(
    lines: Lines, stations: Stations, width: Floats, pieces_per_quarter: int
) -> tuple[Floats, Ints, Bools]:
    """Return one ring around the strip on both sides of each open line, where one can be drawn.

    Parameters
    ----------
    lines, stations, width, pieces_per_quarter
        As for :func:`strip_rings`.

    Returns
    -------
    xy : ndarray
        (n, 2) vertices of all rings.
    line : ndarray
        (n,) line of each vertex.
    sound : ndarray
        (lines,) whether the ring is free of folds. A sound ring that does not cross itself bounds
        the strip exactly; any other is of no use.

    Notes
    -----
    On the inner side of a bend the two profiles meet where they cross. A profile whose crossings
    use up more of it than there is folds back, and its line is not sound; nor is a closed line,
    whose strip has a hole, or one that doubles back.
    """
    parts = take_apart(lines, stations)
    sound = ~lines.closed
    doubled = parts.open_end & ~np.isin(parts.b, lines.last)
    sound[parts.owner[doubled]] = False
    points = []
    for side in (LEFT, 1 - LEFT):
        made = _side(lines, stations, width[:, side], side, parts, pieces_per_quarter)
        inner = np.flatnonzero(~made.outer & ~parts.open_start & sound[parts.owner])
        meeting, used_before, used_after, crossing = _crossings(
            lines, stations, width[:, side], made, parts, inner
        )
        used = np.zeros(len(parts.a))
        used[inner] += used_after
        np.add.at(used, parts.before[inner], used_before)
        length = lines.measure[parts.b] - lines.measure[parts.a]
        sound[parts.owner[used >= length]] = False
        sound[parts.owner[inner[~crossing]]] = False
        made.at_a.xy[inner] = meeting
        last = np.ones(len(parts.a), dtype=bool)
        last[parts.before[inner]] = False
        points += [made.at_a, _only(made.at_b, last), made.between]
        points += made.arcs
    seg, major, minor = (np.concatenate([p[i] for p in points]) for i in range(3))
    right = major > 4
    order = np.lexsort((minor, major, np.where(right, -seg, seg), right, parts.owner[seg]))
    return np.concatenate([p.xy for p in points])[order], parts.owner[seg][order], sound


def _side(
    lines: Lines,
    stations: Stations,
    width: Floats,
    side: int,
    parts: Segments,
    pieces_per_quarter: int,
) -> _Side:
    """Return the profile and the arcs of one side of every segment."""
    sign, seg = SIGN[side], np.arange(len(parts.a))
    start, end = lines.xy[parts.a], lines.xy[parts.b]
    along, came_along = parts.along, parts.along[parts.before]
    normal = sign * np.column_stack([-along[:, 1], along[:, 0]])
    came = sign * np.column_stack([-came_along[:, 1], came_along[:, 0]])
    at_a = np.interp(lines.measure[parts.a], stations.measure, width)
    at_b = np.interp(lines.measure[parts.b], stations.measure, width)
    # The left profile runs with the line, the right one back.
    profile, first, last = (2, 1, 3) if side == LEFT else (6, 7, 5)
    turn = came_along[:, 0] * along[:, 1] - came_along[:, 1] * along[:, 0]
    outer = ~parts.open_start & (sign * turn < 0)

    def on_profile(of: Ints, measure: Floats, xy: Floats) -> _Points:
        return _Points(of, np.full(len(of), profile), sign * measure, xy)

    def arc(at: Bools, centre: Floats, radius: Floats, to: Floats, major: int) -> _Points:
        run = -sign if major == first else sign
        return _arc(seg[at], centre[at], radius[at], normal[at], to[at], major, run,
                    pieces_per_quarter)  # fmt: skip

    inner = stations.measure[parts.inner]
    return _Side(
        on_profile(seg, lines.measure[parts.a], start + at_a[:, None] * normal),
        on_profile(seg, lines.measure[parts.b], end + at_b[:, None] * normal),
        on_profile(
            parts.inner_seg,
            inner,
            at_measure(lines, inner) + width[parts.inner, None] * normal[parts.inner_seg],
        ),
        [
            arc(outer, start, at_a, came, first),
            arc(parts.open_start, start, at_a, -along, first),
            arc(parts.open_end, end, at_b, along, last),
        ],
        outer,
        normal,
    )


def _only(points: _Points, chosen: Bools) -> _Points:
    """Return some of the points."""
    return _Points(
        points.seg[chosen], points.major[chosen], points.minor[chosen], points.xy[chosen]
    )


def _crossings(
    lines: Lines,
    stations: Stations,
    width: Floats,
    made: _Side,
    parts: Segments,
    inner: Ints,
) -> tuple[Floats, Floats, Floats, Bools]:
    """Return where profiles meet on the inner side of bends, and what of each segment that uses.

    The last piece of the profile before the bend and the first after it must meet within both.
    """
    before = parts.before[inner]
    bend = lines.measure[parts.a[inner]]
    after_bend = np.searchsorted(stations.measure, bend + TOUCH, side="right")
    before_bend = np.searchsorted(stations.measure, bend - TOUCH, side="left") - 1
    ahead = np.minimum(stations.measure[after_bend], lines.measure[parts.b[inner]])
    behind = np.maximum(stations.measure[before_bend], lines.measure[parts.a[before]])
    here = np.interp(bend, stations.measure, width)
    widens = (np.interp(ahead, stations.measure, width) - here) / (ahead - bend)
    widened = (here - np.interp(behind, stations.measure, width)) / (bend - behind)
    coming = parts.along[before] + made.normal[before] * widened[:, None]
    going = parts.along[inner] + made.normal[inner] * widens[:, None]
    end, start = made.at_b.xy[before], made.at_a.xy[inner]
    gap = end - start
    cross = coming[:, 0] * going[:, 1] - coming[:, 1] * going[:, 0]
    straight = np.abs(cross) < STRAIGHT
    divisor = np.where(straight, 1.0, cross)
    used_before = np.where(
        straight, 0, (gap[:, 0] * going[:, 1] - gap[:, 1] * going[:, 0]) / divisor
    )
    used_after = np.where(
        straight, 0, (coming[:, 0] * gap[:, 1] - coming[:, 1] * gap[:, 0]) / divisor
    )
    meets = (used_before >= 0) & (used_after >= 0)
    meets &= (used_before < bend - behind) & (used_after < ahead - bend)
    meets |= straight & (np.abs(gap).max(axis=1) < TOUCH)
    return end - used_before[:, None] * coming, used_before, used_after, meets


def _arc(
    seg: Ints,
    centre: Floats,
    radius: Floats,
    start: Floats,
    end: Floats,
    major: int,
    run: float,
    pieces_per_quarter: int,
) -> _Points:
    """Return arcs from one direction to another, the shorter way round.

    The start is left out, where the end of a profile stands: two points a rounding apart would
    cross the ring.
    """
    cross = start[:, 0] * end[:, 1] - start[:, 1] * end[:, 0]
    angle = np.arctan2(cross, (start * end).sum(axis=1))
    pieces = np.maximum(np.ceil(np.abs(angle) / (np.pi / 2) * pieces_per_quarter), 1)
    count = pieces.astype(np.int64)
    of = np.repeat(np.arange(len(seg)), count)
    step = np.arange(len(of)) - np.repeat(np.cumsum(count) - count, count) + 1
    turn = angle[of] * step / pieces[of]
    cos, sin = np.cos(turn), np.sin(turn)
    x, y = start[of].T
    spoke = np.column_stack([cos * x - sin * y, sin * x + cos * y])
    return _Points(
        seg[of], np.full(len(of), major), run * step, centre[of] + radius[of, None] * spoke
    )
