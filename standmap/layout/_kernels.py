"""Walking order and spatial balance on plain arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from standmap._jit import njit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@njit()
def apart(xy: Floats, a: int, b: int) -> float:
    """Return the distance between two points."""
    return float(np.hypot(xy[a, 0] - xy[b, 0], xy[a, 1] - xy[b, 1]))


@njit()
def nearest_neighbour(xy: Floats, first: int) -> Ints:
    """Walk from ``first`` always to the nearest point not yet visited; ties to the lower number."""
    n = len(xy)
    order = np.empty(n, dtype=np.int64)
    seen = np.zeros(n, dtype=np.bool_)
    at = first
    for step in range(n):
        order[step] = at
        seen[at] = True
        best, nearest = np.inf, at
        for other in range(n):
            if not seen[other]:
                d = apart(xy, at, other)
                if d < best:
                    best, nearest = d, other
        at = nearest
    return order


@njit()
def two_opt(xy: Floats, order: Ints, keep_first: bool) -> Ints:
    """Turn stretches of an open path round for as long as that shortens it."""
    n = len(order)
    path = order.copy()
    better = True
    while better:
        better = False
        for i in range(1 if keep_first else 0, n - 1):
            for j in range(i + 1, n):
                gain = 0.0
                if i > 0:
                    gain += apart(xy, path[i - 1], path[i]) - apart(xy, path[i - 1], path[j])
                if j < n - 1:
                    gain += apart(xy, path[j], path[j + 1]) - apart(xy, path[i], path[j + 1])
                if gain > 1e-9:
                    path[i : j + 1] = path[i : j + 1][::-1].copy()
                    better = True
    return path


@njit()
def local_pivotal(xy: Floats, probability: Floats, draws: Floats) -> Floats:
    """Settle inclusion probabilities pair by pair of near neighbours until each is 0 or 1.

    ``draws`` holds two uniform numbers for each unit, for the unit picked and for the contest.
    """
    n = len(xy)
    p = probability.copy()
    open_units = np.arange(n)
    left = n
    step = 0
    edge = 1e-9
    while left > 1:
        at = min(int(draws[step, 0] * left), left - 1)
        a = open_units[at]
        best, b = np.inf, -1
        for k in range(left):
            other = open_units[k]
            if other != a:
                d = apart(xy, a, other)
                if d < best:
                    best, b = d, other
        both = p[a] + p[b]
        if both < 1.0:
            if draws[step, 1] * both < p[b]:
                p[a], p[b] = 0.0, both
            else:
                p[a], p[b] = both, 0.0
        elif draws[step, 1] * (2.0 - both) < 1.0 - p[b]:
            p[a], p[b] = 1.0, both - 1.0
        else:
            p[a], p[b] = both - 1.0, 1.0
        step += 1
        kept = 0
        for k in range(left):
            unit = open_units[k]
            if edge < p[unit] < 1.0 - edge:
                open_units[kept] = unit
                kept += 1
        left = kept
    if left == 1:
        last = open_units[0]
        p[last] = 1.0 if draws[step, 1] < p[last] else 0.0
    return p
