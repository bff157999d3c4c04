"""Array kernel of the overlay: whether two polygons keep their corners off each other's lines."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from standmap._jit import njit

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@njit()
def corners_near(
    x: Floats, y: Floats, ox: Floats, oy: Floats, near: float, budget: int
) -> bool:  # pragma: no cover - compiled
    """Return whether a vertex of the first chain is within ``near`` of the second's segments.

    Also True where more than ``budget`` distances would have to be taken to know.
    """
    left, right = ox.min() - near, ox.max() + near
    low, high = oy.min() - near, oy.max() + near
    spent = 0
    for v in range(len(x)):
        px, py = x[v], y[v]
        if px < left or px > right or py < low or py > high:
            continue
        spent += len(ox)
        if spent > budget:
            return True
        for k in range(len(ox) - 1):
            ax, ay, bx, by = ox[k], oy[k], ox[k + 1], oy[k + 1]
            if min(ax, bx) - near > px or max(ax, bx) + near < px:
                continue
            if min(ay, by) - near > py or max(ay, by) + near < py:
                continue
            dx, dy = bx - ax, by - ay
            length2 = dx * dx + dy * dy
            along = 0.0
            if length2 > 0:
                along = min(1.0, max(0.0, ((px - ax) * dx + (py - ay) * dy) / length2))
            gap_x, gap_y = px - ax - along * dx, py - ay - along * dy
            if gap_x * gap_x + gap_y * gap_y < near * near:
                return True
    return False


@njit()
def corners_clear(
    one: Floats, one_starts: Ints, other: Floats, other_starts: Ints, near: float, budget: int
) -> Bools:  # pragma: no cover - compiled
    """Return, for each pair of chains, whether no vertex of one is near a segment of the other.

    Parameters
    ----------
    one, other : ndarray
        (2, vertices) x and y of all chains, one after the other.
    one_starts, other_starts : ndarray
        Where each chain begins, and at the end the number of vertices; length pairs + 1.
    near : float
        Distance below which a vertex is near.
    budget : int
        Distances to take at most for one pair; a pair that needs more is not clear.
    """
    clear = np.zeros(len(one_starts) - 1, dtype=np.bool_)
    for pair in range(len(clear)):
        a0, a1 = one_starts[pair], one_starts[pair + 1]
        b0, b1 = other_starts[pair], other_starts[pair + 1]
        if a1 - a0 < 2 or b1 - b0 < 2:
            clear[pair] = True
            continue
        ax, ay = one[0, a0:a1], one[1, a0:a1]
        bx, by = other[0, b0:b1], other[1, b0:b1]
        clear[pair] = not (
            corners_near(ax, ay, bx, by, near, budget) or corners_near(bx, by, ax, ay, near, budget)
        )
    return clear
