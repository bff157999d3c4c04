"""Array kernels of the cruise room: arrays in, arrays out, nothing checked."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from standmap._jit import njit, prange
from standmap.units import BASAL_AREA_CONSTANT

POINT = 0
"""Kind code of a point sample: the part's size is a basal area factor."""
AREA = 1
"""Kind code of a plot, strip or complete tally: the part's size is in acres."""

_BLOCK = 32  # columns a thread takes at once: a few cache lines, so threads never share one


@njit()
def tree_factors(
    plot_index: NDArray[np.intp],
    dbh_in: NDArray[np.float64],
    count: NDArray[np.float64],
    kind: NDArray[np.int8],
    size: NDArray[np.float64],
    min_dbh_in: NDArray[np.float64],
    max_dbh_in: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Trees per acre that each tally line stands for; the part arrays are (plots, parts).

    Parts are tried from left to right and the first whose DBH range takes the tree counts it;
    a tree that none takes, or of a negative plot index, gets 0.
    """
    out = np.zeros(dbh_in.size)
    n_parts = kind.shape[1]
    for i in range(dbh_in.size):
        plot = plot_index[i]
        if plot < 0:
            continue
        dbh = dbh_in[i]
        for k in range(n_parts):
            if min_dbh_in[plot, k] <= dbh < max_dbh_in[plot, k]:
                if kind[plot, k] == POINT:
                    out[i] = count[i] * size[plot, k] / (BASAL_AREA_CONSTANT * dbh * dbh)
                else:
                    out[i] = count[i] / size[plot, k]
                break
    return out


@njit(parallel=True)
def sum_rows(
    group: NDArray[np.intp],
    factor: NDArray[np.float64],
    values: NDArray[np.float64],
    n_groups: int,
) -> NDArray[np.float64]:
    """Sum ``factor * values`` row by row into groups: (rows, columns) to (groups, columns).

    Threads split the columns, not the rows, so that the sums are made in the same order (and come
    out the same to the last bit) whatever the number of threads. A negative group is skipped.
    """
    n_rows, n_cols = values.shape
    out = np.zeros((n_groups, n_cols))
    n_blocks = (n_cols + _BLOCK - 1) // _BLOCK
    for block in prange(n_blocks):
        first = block * _BLOCK
        last = min(first + _BLOCK, n_cols)
        for i in range(n_rows):
            g = group[i]
            if g >= 0:
                f = factor[i]
                for j in range(first, last):
                    out[g, j] += f * values[i, j]
    return out


@njit(parallel=True)
def sum_squares(
    group: NDArray[np.intp],
    factor: NDArray[np.float64],
    values: NDArray[np.float64],
    centre: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Sum ``factor * (values - centre of the group)**2`` into groups, two-pass and so stable."""
    n_rows, n_cols = values.shape
    out = np.zeros(centre.shape)
    n_blocks = (n_cols + _BLOCK - 1) // _BLOCK
    for block in prange(n_blocks):
        first = block * _BLOCK
        last = min(first + _BLOCK, n_cols)
        for i in range(n_rows):
            g = group[i]
            f = factor[i]
            for j in range(first, last):
                d = values[i, j] - centre[g, j]
                out[g, j] += f * d * d
    return out
