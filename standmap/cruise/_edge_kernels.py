"""Array kernels of stand edges: circles cut by a line, and trees that count more than once."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from standmap._jit import njit
from standmap.cruise._kernels import POINT
from standmap.units import SQFT_PER_ACRE

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@njit()
def limiting_distances(
    plot_index: NDArray[np.intp],
    dbh_in: Floats,
    kind: NDArray[np.int8],
    size: Floats,
    min_dbh_in: Floats,
    max_dbh_in: Floats,
) -> Floats:
    """Farthest level distance at which each tree counts on its plot, to the middle of the stem.

    Parts are tried as by `standmap.cruise._kernels.tree_factors`; NaN for a tree that none takes.
    """
    out = np.full(dbh_in.size, np.nan)
    for i in range(dbh_in.size):
        plot = plot_index[i]
        if plot < 0:
            continue
        for k in range(kind.shape[1]):
            if min_dbh_in[plot, k] <= dbh_in[i] < max_dbh_in[plot, k]:
                if kind[plot, k] == POINT:
                    out[i] = math.sqrt(SQFT_PER_ACRE / (576.0 * size[plot, k])) * dbh_in[i]
                else:
                    out[i] = math.sqrt(SQFT_PER_ACRE * size[plot, k] / math.pi)
                break
    return out


@njit()
def inside(x: float, y: float, ring_xy: Floats, ring_start: Ints) -> bool:
    """Whether a point lies in a polygon of one or more rings (holes too), by crossings counted."""
    odd = False
    for r in range(ring_start.size - 1):
        last = ring_start[r + 1] - 1
        for i in range(ring_start[r], ring_start[r + 1]):
            xi, yi = ring_xy[i, 0], ring_xy[i, 1]
            xj, yj = ring_xy[last, 0], ring_xy[last, 1]
            if (yi > y) != (yj > y) and x < (xj - xi) * (y - yi) / (yj - yi) + xi:
                odd = not odd
            last = i
    return odd


@njit()
def walkthrough_times(point_xy: Floats, tree_xy: Floats, ring_xy: Floats, ring_start: Ints) -> Ints:
    """Count 2 for each tree whose far side, as far again, is off the stand; else 1."""
    out = np.ones(tree_xy.shape[0], dtype=np.int64)
    for i in range(tree_xy.shape[0]):
        x = 2.0 * tree_xy[i, 0] - point_xy[i, 0]
        y = 2.0 * tree_xy[i, 1] - point_xy[i, 1]
        if not inside(x, y, ring_xy, ring_start):
            out[i] = 2
    return out


@njit()
def mirage_times(point_xy: Floats, tree_xy: Floats, radius: Floats, lines: Floats) -> Ints:
    """Count how often each tree is in from its point and from the point's images over lines.

    Each row of ``lines`` is x, y of a point on it and the unit normal. Lines square to each other
    also make an image over both, through their corner.
    """
    n_lines = lines.shape[0]
    out = np.zeros(tree_xy.shape[0], dtype=np.int64)
    away = np.zeros(n_lines)
    for i in range(tree_xy.shape[0]):
        px, py = point_xy[i, 0], point_xy[i, 1]
        tx, ty = tree_xy[i, 0], tree_xy[i, 1]
        within = radius[i] ** 2
        if (tx - px) ** 2 + (ty - py) ** 2 <= within:
            out[i] += 1
        for k in range(n_lines):
            nx, ny = lines[k, 2], lines[k, 3]
            away[k] = 2.0 * ((px - lines[k, 0]) * nx + (py - lines[k, 1]) * ny)
            x, y = px - away[k] * nx, py - away[k] * ny
            if (tx - x) ** 2 + (ty - y) ** 2 <= within:
                out[i] += 1
            for j in range(k):
                if abs(nx * lines[j, 2] + ny * lines[j, 3]) < 0.02:
                    u = x - away[j] * lines[j, 2]
                    v = y - away[j] * lines[j, 3]
                    if (tx - u) ** 2 + (ty - v) ** 2 <= within:
                        out[i] += 1
    return out
