"""Straight-line fits: the line behind a regression estimator, with its analysis of variance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc

from standmap.cruise import _moments
from standmap.cruise._checks import column
from standmap.errors import DomainError

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class LinearFit:
    """Least-squares line (or plane) through sampling units.

    Attributes
    ----------
    intercept : float
        Fitted ``y`` where every ``x`` is 0.
    slopes : ndarray, shape (k,)
        Change of ``y`` for one unit of each ``x``.
    x_mean : ndarray, shape (k,)
        Sample means of ``x``.
    inverse : ndarray, shape (k, k)
        Inverse of the sums of squares and products of ``x`` about their means.
    residuals : ndarray, shape (n,)
        ``y`` less its fitted value.
    ss_total : float
        Sum of squares of ``y`` about its mean.
    """

    intercept: float
    slopes: Floats
    x_mean: Floats
    inverse: Floats
    residuals: Floats
    ss_total: float

    @property
    def n(self) -> int:
        """Units fitted."""
        return int(self.residuals.size)

    @property
    def residual_df(self) -> int:
        """Units less coefficients: n - 1 - k."""
        return self.n - 1 - self.slopes.size

    @property
    def ss_residual(self) -> float:
        """Sum of squares about the line."""
        return float((self.residuals**2).sum())

    @property
    def ss_regression(self) -> float:
        """Sum of squares the line explains."""
        return self.ss_total - self.ss_residual

    @property
    def residual_variance(self) -> float:
        """Mean square about the line, s squared of y given x."""
        return self.ss_residual / self.residual_df

    @property
    def residual_sd(self) -> float:
        """Standard error of the fit: root of the mean square about the line."""
        return math.sqrt(self.residual_variance)

    @property
    def r_squared(self) -> float:
        """Share of the variation of ``y`` that the line explains."""
        return 1 - self.ss_residual / self.ss_total

    @property
    def adjusted_r_squared(self) -> float:
        """``r_squared`` with mean squares in place of sums."""
        return 1 - self.residual_variance / (self.ss_total / (self.n - 1))

    @property
    def f(self) -> float:
        """Mean square explained over mean square left."""
        return self.ss_regression / self.slopes.size / self.residual_variance

    @property
    def f_probability(self) -> float:
        """Chance of so large an ``f`` where ``y`` does not depend on ``x``."""
        return float(fdtrc(self.slopes.size, self.residual_df, self.f))

    def predict(self, x: ArrayLike) -> Floats:
        """Fitted ``y``.

        Parameters
        ----------
        x : array_like
            As fitted: one column, or one row per unit of k figures.

        Returns
        -------
        ndarray
        """
        return np.asarray(self.intercept + as_columns("x", x, least=1) @ self.slopes)

    def off_centre(self, x: ArrayLike) -> float:
        """Squared distance of a point from the sample's means, in the measure of the fit.

        The variance of the line at ``x`` is ``residual_variance`` x (1 / n + this).

        Parameters
        ----------
        x : array_like
            One figure for each x.

        Returns
        -------
        float
        """
        gap = np.atleast_1d(np.asarray(x, dtype=np.float64)) - self.x_mean
        return float(gap @ self.inverse @ gap)

    def __repr__(self) -> str:
        terms = " ".join(f"{b:+.4g} x{i + 1}" for i, b in enumerate(self.slopes))
        return (
            f"LinearFit(y = {self.intercept:.4g} {terms}; R2 {self.r_squared:.3f}, "
            f"residual SD {self.residual_sd:.4g}, n = {self.n:,})"
        )


def fit_line(y: ArrayLike, x: ArrayLike) -> LinearFit:
    """Fit ``y`` on one or more ``x`` by least squares.

    Parameters
    ----------
    y : array_like, shape (n,)
        What was measured on the ground.
    x : array_like, shape (n,) or (n, k)
        What is cheap to know of every unit.

    Returns
    -------
    LinearFit

    Raises
    ------
    DomainError
        If the columns differ in length, there are fewer than k + 2 units, or some ``x`` does not
        vary or repeats another.

    References
    ----------
    .. [1] Freese, F. 1967. Elementary statistical methods for foresters. USDA Agriculture Handbook
       317 (from memory).

    Examples
    --------
    >>> fit = fit_line([18, 42, 24, 36, 24, 36], [12, 30, 24, 24, 18, 30])
    >>> fit
    LinearFit(y = 3.073 +1.171 x1; R2 0.780, residual SD 4.869, n = 6)
    >>> fit.predict([20.0]).round(1)
    array([26.5])
    """
    top = column("y", y, least=3)
    base = as_columns("x", x, least=3)
    if len(base) != top.size:
        raise DomainError(f"'x' must have one row for each of the {top.size} figures of 'y'.")
    if top.size < base.shape[1] + 2:
        raise DomainError(f"A fit on {base.shape[1]} columns needs {base.shape[1] + 2} units.")
    slopes, inverse, rank = _moments.least_squares(top, base)
    if rank < base.shape[1]:
        raise DomainError("Some 'x' does not vary, or repeats another; leave it out.")
    means = base.mean(axis=0)
    intercept = float(top.mean() - means @ slopes)
    return LinearFit(
        intercept=intercept,
        slopes=slopes,
        x_mean=means,
        inverse=inverse,
        residuals=top - intercept - base @ slopes,
        ss_total=float(((top - top.mean()) ** 2).sum()),
    )


def as_columns(name: str, values: ArrayLike, *, least: int = 2) -> Floats:
    """Figures as rows of k columns; one list becomes one column."""
    table = np.asarray(values, dtype=np.float64)
    table = table.reshape(-1, 1) if table.ndim <= 1 else table
    if table.ndim != 2 or len(table) < least or not np.all(np.isfinite(table)):
        raise DomainError(f"'{name}' must be {least} or more rows of numbers, none missing.")
    return table
