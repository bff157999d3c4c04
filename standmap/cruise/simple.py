"""The textbook estimators of one variable: simple random, stratified, ratio."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from standmap.cruise._checks import column, correction
from standmap.cruise.results import Estimate, satterthwaite
from standmap.errors import DomainError


def simple_random_mean(
    values: ArrayLike, *, population_units: float | None = None, confidence: float = 0.90
) -> Estimate:
    """Mean of a simple random sample.

    Parameters
    ----------
    values : array_like
        One figure per sampling unit, zeros included; for a proportion, ones and zeros.
    population_units : float, optional
        Units in the population, where they were drawn without replacement and the sample is a
        share of it worth counting; the finite population correction is then applied.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        ``.times(population_units)`` is the total.

    Raises
    ------
    DomainError
        If there are fewer than two values, or more than the population has.

    References
    ----------
    .. [1] Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232, simple
       random sampling.

    Examples
    --------
    >>> simple_random_mean([10, 9, 10, 9, 11], population_units=100).mean
    9.8
    """
    y = column("values", values)
    variance = float(y.var(ddof=1)) / y.size * correction(y.size, population_units)
    return Estimate(
        mean=float(y.mean()), se=variance**0.5, n=y.size, df=y.size - 1, confidence=confidence
    )


def stratified_mean(strata: Sequence[Estimate], sizes: ArrayLike) -> Estimate:
    """Mean over strata that were sampled independently.

    Parameters
    ----------
    strata : sequence of Estimate
        Mean of each stratum.
    sizes : array_like
        Size of each stratum: acres or units.

    Returns
    -------
    Estimate
        ``.times(sum of sizes)`` is the total. Degrees of freedom by Satterthwaite.

    Raises
    ------
    DomainError
        If sizes and strata do not match, a size is negative, or confidences differ.

    References
    ----------
    .. [1] Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232, stratified
       random sampling.

    Examples
    --------
    >>> pine = Estimate(mean=10.0, se=1.0, n=12, df=11)
    >>> oak = Estimate(mean=20.0, se=2.0, n=8, df=7)
    >>> stratified_mean([pine, oak], [30, 10]).mean
    12.5
    """
    acres = np.asarray(sizes, dtype=np.float64)
    if acres.shape != (len(strata),) or not np.all(acres >= 0) or not acres.sum() > 0:
        raise DomainError("'sizes' must give every stratum a size of 0 or more, not all 0.")
    if len({s.confidence for s in strata}) != 1:
        raise DomainError("The strata must be stated at one confidence.")
    share = acres / acres.sum()
    parts = np.array([(w * s.se) ** 2 for w, s in zip(share, strata, strict=True)])
    return Estimate(
        mean=float(sum(w * s.mean for w, s in zip(share, strata, strict=True))),
        se=float(parts.sum() ** 0.5),
        n=sum(s.n for s in strata),
        df=satterthwaite(parts, [s.df for s in strata]),
        confidence=strata[0].confidence,
    )


def ratio_of_means(
    y: ArrayLike,
    x: ArrayLike,
    *,
    population_units: float | None = None,
    x_mean: float | None = None,
    confidence: float = 0.90,
) -> Estimate:
    """Ratio of the mean of ``y`` to the mean of ``x``.

    Parameters
    ----------
    y, x : array_like
        Two figures of the same sampling units, such as volume and basal area.
    population_units : float, optional
        Units in the population; applies the finite population correction.
    x_mean : float, optional
        Population mean of ``x`` where it is known; else the sample's is used in the variance. The
        two can differ a great deal: state which.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        ``.times(population total of x)`` is the total of ``y``.

    Raises
    ------
    DomainError
        If the columns differ in length, have fewer than two values, or ``x`` averages 0.

    References
    ----------
    .. [1] Scheaffer, R.L., W. Mendenhall and L. Ott. 1986. Elementary survey sampling, 3rd ed.
       Duxbury, chapter 6.

    Examples
    --------
    >>> round(ratio_of_means([6, 9, 19], [0.3, 0.5, 0.9]).mean, 2)
    20.0
    """
    top, base = column("y", y), column("x", x)
    if top.shape != base.shape or base.mean() == 0:
        raise DomainError("'x' and 'y' must be of one length, and 'x' must not average 0.")
    ratio = float(top.mean() / base.mean())
    residual = float(((top - ratio * base) ** 2).sum() / (top.size - 1))
    divisor = float(base.mean()) if x_mean is None else x_mean
    variance = residual / top.size * correction(top.size, population_units) / divisor**2
    return Estimate(
        mean=ratio, se=variance**0.5, n=top.size, df=top.size - 1, confidence=confidence
    )
