"""Two-stage cruises: some stands (primaries) of many, some plots (secondaries) in each."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.cruise import _moments
from standmap.cruise._checks import column, correction, labelled, positive
from standmap.cruise.results import Estimate
from standmap.errors import DomainError

Floats = NDArray[np.float64]


def two_stage_mean(
    values: ArrayLike,
    primary: ArrayLike,
    *,
    primaries: float | None = None,
    secondaries: float | None = None,
    confidence: float = 0.90,
) -> Estimate:
    r"""Mean per plot where primaries are of one size.

    Parameters
    ----------
    values : array_like
        One figure per plot.
    primary : array_like of str
        Primary (stand, compartment, line) of each plot.
    primaries : float, optional
        Primaries in the tract, N; without it they are taken as endlessly many, and what differs
        within them is in their spread already.
    secondaries : float, optional
        Plots that would cover one primary, M; without it endlessly many, as for points.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Mean of the primaries' means; degrees of freedom n - 1 of the primaries.

    Raises
    ------
    DomainError
        If there are fewer than two primaries, more were sampled than there are, or a primary has
        one plot where ``primaries`` is given.

    Notes
    -----
    Use it where getting to a stand costs more than a plot in it. Also, without ``primaries``, where
    primaries were drawn with replacement and chance proportional to their size: their means are
    then averaged alike, each draw under a label of its own. Tally columns: stand, plot, trees.

    .. math:: v = \left(1 - \frac nN\right) \frac{s_b^2}n + \frac1{nN}
       \overline{\left(1 - \frac{m_i}M\right) \frac{s_i^2}{m_i}}

    References
    ----------
    .. [1] Thompson, S.K. 2012. Sampling, 3rd ed. Wiley, chapter 13 (from memory).
    .. [2] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, chapter 10 (from memory).

    Examples
    --------
    >>> mean = two_stage_mean([7, 5, 3, 4, 2, 3], list("AAABBB"), primaries=10, secondaries=6)
    >>> mean.mean, round(mean.se**2, 6)
    (4.0, 0.841667)
    """
    _, n, mean, s2 = _stages(values, primary)
    between = float(mean.var(ddof=1)) / mean.size * correction(mean.size, primaries)
    within = 0.0
    if primaries is not None:
        covers = np.full(mean.size, np.inf if secondaries is None else float(secondaries))
        within = float(_within(n, s2, covers).mean()) / primaries
    return Estimate(
        mean=float(mean.mean()),
        se=math.sqrt(between + within),
        n=mean.size,
        df=mean.size - 1,
        confidence=confidence,
    )


def two_stage_total(
    values: ArrayLike,
    primary: ArrayLike,
    *,
    primaries: float,
    secondaries: Mapping[str, float],
    confidence: float = 0.90,
) -> Estimate:
    r"""Total where primaries differ in size, by expansion: unbiased.

    Parameters
    ----------
    values : array_like
        One figure per plot.
    primary : array_like of str
        Primary of each plot.
    primaries : float
        Primaries in the tract, N.
    secondaries : mapping of str to float
        Plots that would cover each sampled primary, M_i.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Total over the tract; degrees of freedom n - 1 of the primaries.

    Raises
    ------
    DomainError
        If there are fewer than two primaries, more were sampled than there are, one has no size or
        fewer plots than were taken in it, or one plot stands for several.

    Notes
    -----
    Use it where the sizes of the unsampled primaries are not known. Its error holds all that sizes
    differ: where they are known use :func:`two_stage_ratio_mean`, which is nearly always steadier.
    Tally columns: stand, plot, trees; acres of the sampled stands.

    .. math:: \frac Nn \sum M_i \bar y_i, \quad
       v = N^2 \left(1 - \frac nN\right) \frac{s_b^2}n
       + \frac Nn \sum M_i^2 \left(1 - \frac{m_i}{M_i}\right) \frac{s_i^2}{m_i}

    with s_b of the :math:`M_i \bar y_i`.

    References
    ----------
    .. [1] Scheaffer, R.L., W. Mendenhall and L. Ott. 1986. Elementary survey sampling, 3rd ed.
       Duxbury, chapter 9 (data seen, answer from memory).
    .. [2] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, chapter 11 (from memory).

    Examples
    --------
    >>> two_stage_total([2, 4, 10, 12], list("AABB"), primaries=5,
    ...                 secondaries={"A": 10, "B": 20}).mean
    625.0
    """
    names, n, mean, s2 = _stages(values, primary)
    covers = _sizes(names, secondaries)
    many = mean.size
    totals = covers * mean
    between = primaries**2 * float(totals.var(ddof=1)) / many * correction(many, primaries)
    within = primaries / many * float((covers**2 * _within(n, s2, covers)).sum())
    return Estimate(
        mean=primaries * float(totals.mean()),
        se=math.sqrt(between + within),
        n=many,
        df=many - 1,
        confidence=confidence,
    )


def two_stage_ratio_mean(
    values: ArrayLike,
    primary: ArrayLike,
    *,
    secondaries: Mapping[str, float],
    primaries: float | None = None,
    mean_secondaries: float | None = None,
    confidence: float = 0.90,
) -> Estimate:
    r"""Mean per plot where primaries differ in size, by the ratio to size.

    Parameters
    ----------
    values : array_like
        One figure per plot.
    primary : array_like of str
        Primary of each plot.
    secondaries : mapping of str to float
        Plots that would cover each sampled primary, M_i (or its acres, where plots are points or a
        small share of them).
    primaries : float, optional
        Primaries in the tract, N; without it endlessly many.
    mean_secondaries : float, optional
        Mean size over all primaries of the tract, where known; else the sample's.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Mean per plot; ``.times(plots that cover the tract)`` is the total.

    Raises
    ------
    DomainError
        As for :func:`two_stage_total`.

    Notes
    -----
    Use it where stands of unlike acres were drawn with equal chance and the tract's acres are
    known. Tally columns: stand, plot, trees; acres of the stands. Slightly biased, of the order
    1 / n of the primaries.

    .. math:: \bar y_r = \frac{\sum M_i \bar y_i}{\sum M_i}, \quad
       v = \left(1 - \frac nN\right) \frac{s_r^2}{n \bar M^2} + \frac1{n N \bar M^2}
       \sum M_i^2 \left(1 - \frac{m_i}{M_i}\right) \frac{s_i^2}{m_i}

    with :math:`s_r^2 = \sum M_i^2 (\bar y_i - \bar y_r)^2 / (n - 1)`.

    References
    ----------
    .. [1] Scheaffer, R.L., W. Mendenhall and L. Ott. 1986. Elementary survey sampling, 3rd ed.
       Duxbury, chapter 9 (formula from memory).
    .. [2] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, chapter 11 (from memory).

    Examples
    --------
    >>> two_stage_ratio_mean([2, 4, 10, 12], list("AABB"),
    ...                      secondaries={"A": 10, "B": 20}).mean.__round__(3)
    8.333
    """
    names, n, mean, s2 = _stages(values, primary)
    covers = _sizes(names, secondaries)
    many = mean.size
    centre = float(covers @ mean / covers.sum())
    width = (
        float(covers.mean())
        if mean_secondaries is None
        else positive("mean_secondaries", mean_secondaries)
    )
    spread = float((covers**2 * (mean - centre) ** 2).sum()) / (many - 1)
    variance = spread / many * correction(many, primaries)
    if primaries is not None:
        variance += float((covers**2 * _within(n, s2, covers)).sum()) / (many * primaries)
    return Estimate(
        mean=centre,
        se=math.sqrt(variance) / width,
        n=many,
        df=many - 1,
        confidence=confidence,
    )


def _stages(
    values: ArrayLike, primary: ArrayLike
) -> tuple[list[str], NDArray[np.int64], Floats, Floats]:
    y = column("values", values)
    names, place = labelled("primary", primary, y.size)
    if len(names) < 2:
        raise DomainError("Two primaries or more are needed to see how they differ.")
    return names, *_moments.by_group(place, y, len(names))


def _sizes(names: list[str], secondaries: Mapping[str, float]) -> Floats:
    known = {str(k): float(v) for k, v in secondaries.items()}
    lost = [name for name in names if name not in known]
    if lost:
        raise DomainError(f"'secondaries' has no size for primary {lost[0]!r}.")
    covers = np.array([known[name] for name in names])
    if not np.all(covers > 0):
        raise DomainError("The sizes of primaries must be above 0.")
    return covers


def _within(n: NDArray[np.int64], s2: Floats, covers: Floats) -> Floats:
    """Variance of each primary's mean about its true mean."""
    if np.any(covers < n):
        raise DomainError("More plots were taken in a primary than would cover it.")
    if np.any((n < 2) & (covers > n)):
        raise DomainError("Take two plots or more in every primary that they do not cover.")
    return np.where(covers > n, (1 - n / covers) * np.nan_to_num(s2) / n, 0.0)
