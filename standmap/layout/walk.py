"""A short path through the plots."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError
from standmap.layout import _kernels

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_STARTS: Final = 200
"""Starts tried for a path that may begin anywhere."""

MOST_MENDED: Final = 12
"""Of those, the shortest walks that are then mended."""


def _points(xy: ArrayLike) -> Floats:
    points = np.ascontiguousarray(xy, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or not np.isfinite(points).all():
        raise DomainError(f"'xy' must be n points with x and y; got shape {points.shape}.")
    return points


def path_length(xy: ArrayLike, order: ArrayLike | None = None) -> float:
    """Length of the straight legs of a path, in the unit of its points.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Points.
    order : array_like of int, optional
        Their order; by default as they come.

    Returns
    -------
    float
        Sum of the legs; 0 for one point or none.

    Raises
    ------
    DomainError
        If the points are not x and y.

    Examples
    --------
    >>> path_length([[0, 0], [3, 4], [3, 5]])
    6.0
    """
    points = _points(xy)
    if order is not None:
        points = points[np.asarray(order, dtype=np.int64)]
    return float(np.hypot(*np.diff(points, axis=0).T).sum())


def nearest_neighbour_order(xy: ArrayLike, first: int) -> Ints:
    """Order of a walk that always goes to the nearest point not yet visited.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Points.
    first : int
        Where it starts.

    Returns
    -------
    ndarray of int
        Rows of ``xy`` in walking order.

    Raises
    ------
    DomainError
        If the points are not x and y.

    Examples
    --------
    >>> nearest_neighbour_order([[0, 0], [5, 0], [1, 0]], 0).tolist()
    [0, 2, 1]
    """
    points = _points(xy)
    if len(points) == 0:
        return np.zeros(0, dtype=np.int64)
    return np.asarray(_kernels.nearest_neighbour(points, int(first)))


def walking_order(xy: ArrayLike, *, start_xy: ArrayLike | None = None) -> Ints:
    """Short path through all points, open at its end.

    Parameters
    ----------
    xy : array_like, shape (n, 2)
        Points, in a plane.
    start_xy : array_like, shape (2,), optional
        Where the walker leaves the road; the path begins at the point nearest to it. Without it
        the path may begin anywhere.

    Returns
    -------
    ndarray of int
        Rows of ``xy`` in walking order. Never longer than the nearest-neighbour walk from the same
        start (without a start: than the shortest of the nearest-neighbour walks tried).

    Raises
    ------
    DomainError
        If the points are not x and y.

    Notes
    -----
    A nearest-neighbour walk (the best of many starts, where it may begin anywhere), then stretches
    of it turned round for as long as that shortens it (2-opt) [1]_. Short, not shortest; and
    straight, so that creeks, cliffs and neighbours are the walker's own business.

    References
    ----------
    .. [1] Croes, G.A. 1958. A method for solving traveling-salesman problems. Operations Research
       6: 791-812 (from memory).

    Examples
    --------
    >>> walking_order([[0, 0], [2, 0], [1, 0], [3, 0]], start_xy=[-1, 0]).tolist()
    [0, 2, 1, 3]
    """
    points = _points(xy)
    if len(points) < 2:
        return np.arange(len(points), dtype=np.int64)
    if start_xy is not None:
        start = _points(np.reshape(np.asarray(start_xy, dtype=np.float64), (1, -1)))
        first = int(np.argmin(np.hypot(*(points - start).T)))
        walk = _kernels.nearest_neighbour(points, first)
    else:
        starts = np.unique(np.linspace(0, len(points) - 1, MOST_STARTS).astype(np.int64))
        walks = [_kernels.nearest_neighbour(points, int(s)) for s in starts]
        walks = sorted(walks, key=lambda w: path_length(points, w))[:MOST_MENDED]
        mended = [_kernels.two_opt(points, w, False) for w in walks]
        return np.asarray(min(mended, key=lambda w: path_length(points, w)))
    return np.asarray(_kernels.two_opt(points, walk, True))
