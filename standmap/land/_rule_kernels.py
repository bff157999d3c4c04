"""Array kernels of streamside rules: width on a slope, and which class a slope falls in."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


def horizontal_distance(slope_distance: Floats, slope_pct: Floats) -> Floats:
    """Return the horizontal distance of a distance along ground of a slope in percent."""
    return np.asarray(slope_distance / np.hypot(1.0, slope_pct / 100))


def width_on_slope(
    slope_pct: Floats, width: float, per_pct: float, above_pct: float, greatest: float
) -> Floats:
    """Return a width that grows by so much for each percent of slope above a threshold."""
    return np.minimum(width + per_pct * np.maximum(slope_pct - above_pct, 0), greatest)


def class_of_slope(
    slope_pct: Floats,
    start: Floats,
    end: Floats,
    start_in: Bools,
    end_in: Bools,
    width: Floats,
) -> Ints:
    """Return the class each slope falls in.

    Parameters
    ----------
    slope_pct : ndarray
        (n,) slopes, 0 or more.
    start, end, start_in, end_in : ndarray
        (k,) edges of the classes in order of ``start``, and whether the edges belong to them; a
        slope of 0 belongs to a class that starts at 0.
    width : ndarray
        (k, n) width each class would give on each slope.

    Returns
    -------
    ndarray
        (n,) the class that holds the slope, the widest of several; between two classes the wider
        of them; beyond the last the last; -1 below the first.
    """
    s = slope_pct[None, :]
    lo, hi = start[:, None], end[:, None]
    holds = (s > lo) | ((s == lo) & (start_in[:, None] | (lo <= 0)))
    holds &= (s < hi) | ((s == hi) & end_in[:, None])
    # In a gap the neighbours compete: the steepest that ends at or before the slope, and the
    # flattest that starts at or after it.
    gap = ~holds.any(axis=0)
    before = (hi <= s) & (hi == np.max(np.where(hi <= s, hi, -np.inf), axis=0))
    after = (lo >= s) & (lo == np.min(np.where(lo >= s, lo, np.inf), axis=0))
    runs = np.where(gap, before | after, holds)
    runs[:, gap & ~before.any(axis=0)] = False  # flatter than every class
    # A row without a width must not lose to one that has: NaN is the widest.
    score = np.where(runs, np.where(np.isnan(width), np.inf, width), -np.inf)
    return np.where(runs.any(axis=0), np.argmax(score, axis=0), -1)
