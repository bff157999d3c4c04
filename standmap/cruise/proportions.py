"""Attributes: the share of trees or plots that have something."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
from scipy.special import betaincinv, ndtri

from standmap.cruise._checks import correction
from standmap.cruise.results import Estimate, check_confidence
from standmap.errors import DomainError


def proportion(
    successes: int, n: int, *, population_units: float | None = None, confidence: float = 0.90
) -> Estimate:
    """Share of sampling units that have an attribute.

    Parameters
    ----------
    successes, n : int
        Units that have it, of units looked at.
    population_units : float, optional
        Units in the population; applies the finite population correction.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Share from 0 to 1, se = sqrt(p (1 - p) / (n - 1) (1 - n / N)). For an interval that stays
        between 0 and 1 use :func:`proportion_interval`.

    Raises
    ------
    DomainError
        If ``n`` is below 2 or ``successes`` is not between 0 and ``n``.

    Notes
    -----
    Use it for survival counts, defect, presence of a species, where each unit was drawn by itself.
    Trees counted on plots come in clusters: their share is a :func:`ratio_of_means` over plots.

    References
    ----------
    .. [1] Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232, sampling for
       attributes.

    Examples
    --------
    >>> share = proportion(480, 1000)
    >>> share.mean, round(share.se, 4)
    (0.48, 0.0158)
    """
    _check(successes, n)
    p = successes / n
    return Estimate(
        mean=p,
        se=math.sqrt(p * (1 - p) / (n - 1) * correction(n, population_units)),
        n=n,
        df=n - 1,
        confidence=confidence,
    )


def proportion_interval(
    successes: int,
    n: int,
    *,
    confidence: float = 0.95,
    method: Literal["exact", "normal"] = "exact",
    t: float | None = None,
) -> tuple[float, float]:
    """Confidence limits of a share.

    Parameters
    ----------
    successes, n : int
        Units that have the attribute, of units looked at.
    confidence : float
        Confidence of the interval.
    method : {"exact", "normal"}
        Binomial limits, as the handbook tables them; or p -/+ (t s_p + 1 / (2 n)), which holds for
        large samples only.
    t : float, optional
        Multiplier for "normal" in place of the normal deviate; the handbook takes 2 for 95 percent
        and 2.6 for 99.

    Returns
    -------
    low, high : float

    Raises
    ------
    DomainError
        As for :func:`proportion`, or if ``method`` is neither.

    References
    ----------
    .. [1] Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232, sampling for
       attributes. Its tabled limits agree with those of Clopper and Pearson 1934 (from memory).

    Examples
    --------
    >>> [round(v, 2) for v in proportion_interval(24, 50)]
    [0.34, 0.63]
    """
    _check(successes, n)
    check_confidence(confidence)
    if method == "exact":
        tail = (1 - confidence) / 2
        low = 0.0 if successes == 0 else float(betaincinv(successes, n - successes + 1, tail))
        high = 1.0 if successes == n else float(betaincinv(successes + 1, n - successes, 1 - tail))
        return low, high
    if method != "normal":
        raise DomainError(f"'method' must be 'exact' or 'normal'; got {method!r}.")
    share = proportion(successes, n)
    deviate = float(ndtri(0.5 + confidence / 2)) if t is None else t
    half = deviate * share.se + 1 / (2 * n)
    return float(np.clip(share.mean - half, 0, 1)), float(np.clip(share.mean + half, 0, 1))


def _check(successes: int, n: int) -> None:
    if n < 2 or not 0 <= successes <= n:
        raise DomainError(f"Give 0 to n successes of 2 or more units; got {successes} of {n}.")
