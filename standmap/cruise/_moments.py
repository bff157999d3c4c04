"""Means and variances behind the estimators: arrays in, numbers out, nothing checked."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Places = NDArray[np.intp]


def by_group(
    group: Places, values: Floats, n_groups: int
) -> tuple[NDArray[np.int64], Floats, Floats]:
    """Count, mean and sample variance of each group; NaN variance of a group of one."""
    n = np.bincount(group, minlength=n_groups)
    mean = np.bincount(group, weights=values, minlength=n_groups) / np.maximum(n, 1)
    squares = np.bincount(group, weights=(values - mean[group]) ** 2, minlength=n_groups)
    variance = np.where(n > 1, squares / np.maximum(n - 1, 1), np.nan)
    return n.astype(np.int64), mean, variance


def ratio_residual_variance(y: Floats, x: Floats) -> tuple[float, float]:
    """Ratio of the means, and the variance of the residuals about it on n - 1."""
    ratio = float(y.mean() / x.mean())
    return ratio, float(((y - ratio * x) ** 2).sum() / (y.size - 1))


def successive_differences(line: Places, values: Floats) -> tuple[float, int, float]:
    """Half the mean squared difference of neighbours, how many, and its degrees of freedom.

    Neighbours are consecutive units of the same line. The degrees of freedom are those whose
    chi-square has the variance of the quadratic form under independent normal figures: a line of D
    differences adds 3 D - 1 to the trace of the squared form.
    """
    order = np.argsort(line, kind="stable")
    same = line[order][1:] == line[order][:-1]
    steps = np.diff(values[order])[same]
    per_line = np.bincount(line[order][1:][same])
    per_line = per_line[per_line > 0]
    many = int(per_line.sum())
    if many == 0:
        return np.nan, 0, 0.0
    df = 2 * many**2 / float((3 * per_line - 1).sum())
    return float((steps**2).sum() / (2 * many)), many, df


def least_squares(y: Floats, x: Floats) -> tuple[Floats, Floats, int]:
    """Slopes of y on the columns of x about their means, inverse cross-products, and the rank."""
    apart = x - x.mean(axis=0)
    slopes, _, rank, _ = np.linalg.lstsq(apart, y - y.mean(), rcond=None)
    return slopes, np.linalg.pinv(apart.T @ apart), int(rank)
