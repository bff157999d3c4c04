"""Double sampling: many cheap plots (photo, count, canopy) and few measured ones."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.cruise import _moments
from standmap.cruise._checks import column, correction, same_length
from standmap.cruise.fits import as_columns, fit_line
from standmap.cruise.results import Estimate, satterthwaite
from standmap.errors import DomainError

Floats = NDArray[np.float64]


def double_ratio_mean(
    y: ArrayLike,
    x: ArrayLike,
    x_first: ArrayLike,
    *,
    population_units: float | None = None,
    independent: bool = False,
    linearised: bool = False,
    confidence: float = 0.90,
) -> Estimate:
    r"""Mean of ``y`` from few measured units, by its ratio to ``x`` on many.

    Parameters
    ----------
    y, x : array_like, shape (n,)
        Figures of the units of the second phase, measured.
    x_first : array_like, shape (n',)
        ``x`` of every unit of the first phase, those measured included.
    population_units : float, optional
        Units in the population; applies the finite population correction.
    independent : bool
        The measured units are not among those of the first phase, but drawn apart.
    linearised : bool
        Take the spread of ``x`` from the whole first phase: what an appraisal does.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Mean per unit; degrees of freedom of the measured units, n - 1.

    Raises
    ------
    DomainError
        If the columns do not match, ``x`` averages 0, or the first phase is smaller than the
        second it should hold.

    Notes
    -----
    Use it where a cheap figure can be had on many plots and y is about proportional to it. Tally
    columns: plot, ``x`` on every plot; trees on the measured plots.

    .. math:: r \bar x', \quad v = \left(1 - \frac{n'}N\right) \frac{s_y^2}{n'}
       + \left(1 - \frac n{n'}\right) \frac{s_r^2}n

    with :math:`s_r^2` about the ratio on n - 1 [1]_. With every unit measured this is the simple
    random sample; with n' = N the ratio estimator. For independent phases
    :math:`s_r^2 / n + r^2 s_{x'}^2 / n'` [2]_, without finite population correction.

    The first term holds the spread of y on the measured units alone. The linearised variance [3]_
    takes that of x from every unit of the first phase, with :math:`g = \bar x' / \bar x` and the
    covariance :math:`s_{rx}` of residuals with x,

    .. math:: v = r^2 \frac{s_{x'}^2}{n'} + 2 g r \frac{s_{rx}}{n'} + g^2 \frac{s_r^2}n

    whose first term has n' - 1 degrees of freedom and the others n - 1. The two agree in large
    samples.

    References
    ----------
    .. [1] Thompson, S.K. 2012. Sampling, 3rd ed. Wiley, chapter 14, as in Penn State STAT 506,
       lesson 10.1.
    .. [2] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, chapter 12 (from memory).
    .. [3] Rao, J.N.K., and R.R. Sitter. 1995. Variance estimation under two-phase sampling with
       application to imputation for missing data. Biometrika 82:453-460 (from memory).

    Examples
    --------
    >>> double_ratio_mean([20, 30], [2, 3], [2, 3, 4, 5]).mean
    35.0
    """
    top, base, first = column("y", y), column("x", x), column("x_first", x_first)
    same_length(y=top, x=base)
    if base.mean() == 0:
        raise DomainError("'x' must not average 0 on the measured units.")
    ratio, s2 = _moments.ratio_residual_variance(top, base)
    if linearised:
        return _linearised_ratio(top, base, first, ratio, s2, confidence)
    if independent:
        variance = s2 / top.size + ratio**2 * float(first.var(ddof=1)) / first.size
    else:
        between = float(top.var(ddof=1)) / first.size * correction(first.size, population_units)
        variance = between + s2 / top.size * _left_unmeasured(top.size, first.size)
    return Estimate(
        mean=ratio * float(first.mean()),
        se=math.sqrt(variance),
        n=top.size,
        df=top.size - 1,
        confidence=confidence,
    )


def double_regression_mean(
    y: ArrayLike,
    x: ArrayLike,
    x_first: ArrayLike,
    *,
    population_units: float | None = None,
    independent: bool = False,
    linearised: bool = False,
    confidence: float = 0.90,
) -> Estimate:
    r"""Mean of ``y`` from few measured units, by its line on ``x`` of many.

    Parameters
    ----------
    y : array_like, shape (n,)
        Measured on the units of the second phase.
    x : array_like, shape (n,) or (n, k)
        Of the same units; one column or several.
    x_first : array_like, shape (n',) or (n', k)
        ``x`` of every unit of the first phase, those measured included.
    population_units : float, optional
        Units in the population; applies the finite population correction.
    independent : bool
        The measured units are not among those of the first phase, but drawn apart.
    linearised : bool
        Take the spread of ``x`` from the whole first phase: what an appraisal does.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Mean per unit; degrees of freedom of the line, n - 1 - k.

    Raises
    ------
    DomainError
        As for :func:`fit_line`, or if the first phase does not match or is smaller than the second
        it should hold.

    Notes
    -----
    Use it where a cheap figure can be had on many plots and y follows it along a line that need
    not pass through the origin. Tally columns: plot, ``x`` on every plot; trees on the measured
    plots.

    .. math:: \bar y + b (\bar x' - \bar x), \quad
       v = s_{y \cdot x}^2 \left(\frac1n + \frac{(\bar x' - \bar x)^2}{SS_x}\right)
       \left(1 - \frac n{n'}\right) + \frac{s_y^2}{n'} \left(1 - \frac{n'}N\right)

    For independent phases the line's variance is whole and :math:`b^2 s_{x'}^2 / n'` is added, as
    b does to the error of x [2]_. The linearised variance is of that form too, its two terms with
    degrees of freedom of their own [3]_.

    References
    ----------
    .. [1] Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232, double
       sampling (from memory).
    .. [2] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, chapter 12 (from memory).
    .. [3] Sitter, R.R. 1997. Variance estimation for the regression estimator in two-phase
       sampling. J. American Statistical Association 92:780-787 (from memory).

    Examples
    --------
    >>> double_regression_mean([21, 29, 41], [2, 3, 4], [2, 3, 4, 5, 6]).mean.__round__(2)
    40.33
    """
    fit, top = fit_line(y, x), column("y", y)
    first = as_columns("x_first", x_first)
    if first.shape[1] != fit.slopes.size:
        raise DomainError(f"'x_first' must have the {fit.slopes.size} columns of 'x'.")
    centre = first.mean(axis=0)
    df: float = fit.residual_df
    line = fit.residual_variance * (1 / fit.n + fit.off_centre(centre))
    if linearised:
        spread = np.atleast_2d(np.cov(first, rowvar=False))
        between = float(fit.slopes @ spread @ fit.slopes) / len(first)
        variance = line + between
        df = max(satterthwaite([between, line], [len(first) - 1, df]), df)
    elif independent:
        spread = np.atleast_2d(np.cov(first, rowvar=False))
        variance = line + float(fit.slopes @ spread @ fit.slopes) / len(first)
    else:
        between = float(top.var(ddof=1)) / len(first) * correction(len(first), population_units)
        variance = line * _left_unmeasured(fit.n, len(first)) + between
    return Estimate(
        mean=float(fit.predict(centre.reshape(1, -1))[0]),
        se=math.sqrt(variance),
        n=fit.n,
        df=df,
        confidence=confidence,
    )


def _linearised_ratio(
    y: Floats, x: Floats, first: Floats, ratio: float, s2: float, confidence: float
) -> Estimate:
    _left_unmeasured(y.size, first.size)
    stretch = float(first.mean() / x.mean())
    covariance = float((y - ratio * x) @ x) / (x.size - 1)
    own = ratio**2 * float(first.var(ddof=1)) / first.size
    rest = 2 * stretch * ratio * covariance / first.size + stretch**2 * s2 / x.size
    df = satterthwaite([own, rest], [first.size - 1, x.size - 1])
    return Estimate(
        mean=ratio * float(first.mean()),
        se=math.sqrt(max(own + rest, 0.0)),
        n=y.size,
        df=max(df, x.size - 1),
        confidence=confidence,
    )


def _left_unmeasured(second: int, first: int) -> float:
    if first < second:
        raise DomainError(
            f"'x_first' must hold every measured unit: {second} were measured of {first}. Where "
            "the phases were drawn apart, say independent=True."
        )
    return 1 - second / first
