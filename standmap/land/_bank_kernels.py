"""Array kernels of stream banks: stations along lines, slopes of banks, strips of changing width.

Lines lie one after the other in one array of vertices. A *measure* is the distance along all of
them, with a gap between lines, so that one interpolation serves every line.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

GAP = 1.0
"""Measure between the end of one line and the start of the next. [m]"""

LEFT, RIGHT = 0, 1
"""Sides, looking along the line."""

SIGN = np.array([1.0, -1.0])
"""Turns the left-hand normal into the normal of a side."""


class Lines(NamedTuple):
    """Vertices of many lines: coordinates, whose they are, and how far along."""

    xy: Floats
    line: Ints
    measure: Floats
    first: Ints
    last: Ints
    closed: Bools


class Stations(NamedTuple):
    """Points at even steps along lines, ends included: whose they are, and how far along."""

    line: Ints
    measure: Floats


def lay_lines(xy: Floats, line: Ints, closed: Bools) -> Lines:
    """Return lines ready for measuring; no vertex may repeat the one before it."""
    step = np.hypot(*np.diff(xy, axis=0).T)
    step[np.diff(line) > 0] = GAP
    measure = np.r_[0.0, np.cumsum(step)]
    number = np.arange(len(closed))
    return Lines(
        xy,
        line,
        measure,
        np.searchsorted(line, number),
        np.searchsorted(line, number, side="right") - 1,
        closed,
    )


def lay_stations(lines: Lines, step: float) -> Stations:
    """Return stations at most ``step`` apart, evenly spread, both ends of each line included."""
    start, end = lines.measure[lines.first], lines.measure[lines.last]
    pieces = np.maximum(np.ceil((end - start) / step), 1).astype(np.int64)
    line = np.repeat(np.arange(len(start)), pieces + 1)
    count = np.arange(len(line)) - np.repeat(np.cumsum(pieces + 1) - pieces - 1, pieces + 1)
    share = count / pieces[line]
    # Not start + share x length: the last station must be the end itself, to the last digit.
    return Stations(line, (1 - share) * start[line] + share * end[line])


def at_measure(lines: Lines, measure: Floats) -> Floats:
    """Return the points at these measures, (n, 2)."""
    if not len(measure):
        return np.empty((0, 2))
    x, y = lines.xy.T
    return np.column_stack(
        [np.interp(measure, lines.measure, x), np.interp(measure, lines.measure, y)]
    )


def left_normals(lines: Lines, stations: Stations, half_chord: float) -> Floats:
    """Return the unit normals to the left of the line at stations, (n, 2).

    The direction is that of the chord from ``half_chord`` before to ``half_chord`` behind, within
    the line, so that a kink of the drawing does not turn the profile.
    """
    start = lines.measure[lines.first][stations.line]
    end = lines.measure[lines.last][stations.line]
    # A chord longer than a quarter of the line would miss its bends, or close on itself.
    half = np.minimum(half_chord, (end - start) / 4)
    behind = np.maximum(stations.measure - half, start)
    ahead = np.minimum(stations.measure + half, end)
    along = at_measure(lines, ahead) - at_measure(lines, behind)
    length = np.hypot(*along.T)[:, None]
    unit = np.divide(along, length, out=np.tile([1.0, 0.0], (len(along), 1)), where=length > 0)
    return np.column_stack([-unit[:, 1], unit[:, 0]])


def rise_by_least_squares(distance: Floats, elevation: Floats) -> Floats:
    """Return the slope of straight lines fitted to profiles.

    Parameters
    ----------
    distance : ndarray
        (k,) distances along every profile.
    elevation : ndarray
        (..., k) elevations, in the same unit.

    Returns
    -------
    ndarray
        (...) rise over run; NaN where an elevation is unknown.
    """
    centred = distance - distance.mean()
    return np.asarray(elevation @ centred / (centred @ centred))
