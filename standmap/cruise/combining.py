"""Putting estimates together: sums, products, and the share of the tract already seen."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from standmap.cruise._checks import column, correction, positive, same_length
from standmap.cruise.results import Estimate, satterthwaite
from standmap.errors import DomainError


def finite_population_correction(n: int, population_units: float) -> float:
    """Share of a variance that is left when the sample is a good part of the population.

    Parameters
    ----------
    n : int
        Units sampled, without replacement.
    population_units : float
        Units in the population: for plots, :func:`plots_in_tract`; for trees, the trees tallied.

    Returns
    -------
    float
        1 - n / N, which multiplies a variance; its root multiplies a standard error.

    Raises
    ------
    DomainError
        If more units were sampled than there are.

    Notes
    -----
    It applies to fixed plots or strips that do not overlap, and to trees drawn from a complete
    list. It does not apply to points: a point sample is drawn from endlessly many places. Below 5
    percent of the population it is commonly left out [1]_.

    References
    ----------
    .. [1] Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232, simple
       random sampling; the 5 percent rule from memory.

    Examples
    --------
    >>> finite_population_correction(20, 100)
    0.8
    """
    if n < 0:
        raise DomainError(f"'n' must be 0 or more; got {n}.")
    return correction(n, population_units)


def plots_in_tract(acres: float, plot_acres: float) -> float:
    """Count the plots that would cover a tract: the population that fixed plots are drawn from.

    Parameters
    ----------
    acres : float
        Acres of the tract or stratum. [acres]
    plot_acres : float
        Acres of one plot. [acres]

    Returns
    -------
    float
        For ``population_units``.

    Raises
    ------
    DomainError
        If either is not above 0.

    Examples
    --------
    >>> plots_in_tract(100, 0.1)
    1000.0
    """
    return positive("acres", acres) / positive("plot_acres", plot_acres)


def total_of(parts: Sequence[Estimate]) -> Estimate:
    """Sum of totals that were estimated independently: strata, sample groups, tracts of a sale.

    Parameters
    ----------
    parts : sequence of Estimate
        Totals, all of one unit and one confidence.

    Returns
    -------
    Estimate
        Variances add; degrees of freedom by Satterthwaite.

    Raises
    ------
    DomainError
        If there are no parts, or their confidences differ.

    Notes
    -----
    Products cut from the same plots are not independent: add them plot by plot instead, or through
    the covariance of :class:`StandEstimates`.

    References
    ----------
    .. [1] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, chapter 5 (from memory).

    Examples
    --------
    >>> oak = Estimate(mean=400.0, se=30.0, n=12, df=11)
    >>> pine = Estimate(mean=900.0, se=40.0, n=9, df=8)
    >>> both = total_of([oak, pine])
    >>> both.mean, both.se
    (1300.0, 50.0)
    """
    if not parts or len({p.confidence for p in parts}) != 1:
        raise DomainError("Give one total or more, all stated at one confidence.")
    variances = [p.se**2 for p in parts]
    return Estimate(
        mean=float(sum(p.mean for p in parts)),
        se=math.sqrt(sum(variances)),
        n=sum(p.n for p in parts),
        df=satterthwaite(variances, [p.df for p in parts]),
        confidence=parts[0].confidence,
    )


def product_of(one: Estimate, other: Estimate) -> Estimate:
    """Product of two independent estimates, such as basal area x volume to basal area ratio.

    Parameters
    ----------
    one, other : Estimate
        Of one confidence.

    Returns
    -------
    Estimate
        Relative errors combine as the root of their squares (Bruce's formula); ``n`` is the
        smaller of the two; degrees of freedom by Satterthwaite.

    Raises
    ------
    DomainError
        If the confidences differ.

    Notes
    -----
    SE%^2 = SE%_a^2 + SE%_b^2 [1]_. The exact variance of a product of independent figures holds one
    term more, (SE%_a SE%_b / 100)^2, which is a hundredth of a percent where both are 10 percent;
    it is left out, as in the formula's use in the trade.

    References
    ----------
    .. [1] Marshall, D.D., K. Iles and J.F. Bell. 2004. Using a large-angle gauge to select trees
       for measurement in variable plot sampling. Can. J. For. Res. 34:840-845 (formula from
       memory; the abstract seen).

    Examples
    --------
    Errors of 3 and 4 percent make 5:

    >>> area = Estimate(mean=100.0, se=3.0, n=60, df=59)
    >>> ratio = Estimate(mean=25.0, se=1.0, n=80, df=79)
    >>> volume = product_of(area, ratio)
    >>> volume.mean, volume.se
    (2500.0, 125.0)
    """
    if one.confidence != other.confidence:
        raise DomainError("The two estimates must be stated at one confidence.")
    parts = [(one.se * other.mean) ** 2, (other.se * one.mean) ** 2]
    return Estimate(
        mean=one.mean * other.mean,
        se=math.sqrt(sum(parts)),
        n=min(one.n, other.n),
        df=satterthwaite(parts, [one.df, other.df]),
        confidence=one.confidence,
    )


def combined_error_pct(volume: ArrayLike, error_pct: ArrayLike) -> float:
    """Combine the sampling errors of strata or sample groups into that of the sale.

    Parameters
    ----------
    volume : array_like
        Estimated total of each, in one unit.
    error_pct : array_like
        Sampling (or standard) error of each, all of one kind. [percent]

    Returns
    -------
    float
        sqrt(sum of (V E)^2) / sum of V. [percent]

    Raises
    ------
    DomainError
        If the columns differ in length, an error is below 0, or the volumes sum to 0.

    Notes
    -----
    :func:`total_of` gives the same standard error, and its interval besides with the degrees of
    freedom of the whole; this is for figures that come as percentages alone.

    References
    ----------
    .. [1] USDA Forest Service. 2000. FSH 2409.12 Timber Cruising Handbook, chapter 30 (from
       memory); an identity for strata sampled independently.

    Examples
    --------
    >>> round(combined_error_pct([800_000, 200_000], [10, 20]), 1)
    8.9
    """
    v, e = column("volume", volume, least=1), column("error_pct", error_pct, least=1)
    same_length(volume=v, error_pct=e)
    if not np.all(e >= 0) or v.sum() == 0:
        raise DomainError("Errors must be 0 or more, and the volumes must not sum to 0.")
    return float(np.sqrt(((v * e) ** 2).sum()) / abs(v.sum()))
