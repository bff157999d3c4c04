"""How many plots, and where they do most good."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError

THUMB_ACRES: Final = 200.0
"""The largest tract that `points_by_area` was given for. [acres]"""


def weighted_cv_pct(cv_pct: ArrayLike, share: ArrayLike) -> float:
    """Coefficient of variation of a stratified tract, for planning.

    Parameters
    ----------
    cv_pct : array_like
        Coefficient of variation between plots in each stratum. [percent]
    share : array_like
        Weight of each stratum: its share of the acres, or of the volume. The two give different
        answers; the handbook's worked example uses acres.

    Returns
    -------
    float
        Weighted mean of the coefficients. [percent]

    Raises
    ------
    DomainError
        If the columns do not match.

    References
    ----------
    .. [1] USDA Forest Service. 2000. FSH 2409.12 Timber Cruising Handbook, chapter 30.

    Examples
    --------
    >>> weighted_cv_pct([40, 65, 80, 35], [30, 10, 20, 40])
    48.5
    """
    cv, weight = np.asarray(cv_pct, dtype=np.float64), np.asarray(share, dtype=np.float64)
    if cv.shape != weight.shape or not np.all(weight >= 0) or not weight.sum() > 0:
        raise DomainError("'share' must give every stratum a weight of 0 or more, not all 0.")
    return float((cv * weight).sum() / weight.sum())


def plots_needed(
    cv_pct: float, error_pct: float, *, t: float = 2.0, population_units: float | None = None
) -> int:
    """Find the plots that a wanted sampling error takes.

    Parameters
    ----------
    cv_pct : float
        Coefficient of variation between plots. [percent]
    error_pct : float
        Sampling error wanted, at the confidence of ``t``. [percent]
    t : float
        Student's t; 2 stands for 95 percent in the handbook.
    population_units : float, optional
        Plots that would cover the tract; applies the finite population correction.

    Returns
    -------
    int
        1 / (1 / N + (E / (t CV))^2), rounded up.

    Raises
    ------
    DomainError
        If a percentage or ``t`` is not above 0.

    References
    ----------
    .. [1] USDA Forest Service. 2000. FSH 2409.12 Timber Cruising Handbook, chapter 30.

    Examples
    --------
    >>> plots_needed(67.9, 10)
    185
    """
    if not (cv_pct > 0 and error_pct > 0 and t > 0):
        raise DomainError("'cv_pct', 'error_pct' and 't' must be above 0.")
    share = 0.0 if population_units is None else 1 / population_units
    return math.ceil(1 / (share + (error_pct / (t * cv_pct)) ** 2))


def allocate(plots: int, size: ArrayLike, spread: ArrayLike | None = None) -> NDArray[np.int64]:
    """Share plots out among strata.

    Parameters
    ----------
    plots : int
        Plots to share out.
    size : array_like
        Size of each stratum: acres or units.
    spread : array_like, optional
        Standard deviation between plots in each stratum: plots then go in proportion to size x
        spread, which makes the error smallest for the number of plots (Neyman). Without it, in
        proportion to size.

    Returns
    -------
    ndarray of int
        Plots by stratum; they sum to ``plots``. Fractions are rounded, the largest first.

    Raises
    ------
    DomainError
        If the columns do not match or hold nothing above 0.

    References
    ----------
    .. [1] Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232, stratified
       random sampling.

    Examples
    --------
    >>> allocate(500, [635, 570, 475, 303, 89])
    array([153, 138, 115,  73,  21])
    """
    weight = np.asarray(size, dtype=np.float64)
    if spread is not None:
        deviation = np.asarray(spread, dtype=np.float64)
        if deviation.shape != weight.shape:
            raise DomainError("'spread' must have one value for each stratum.")
        weight = weight * deviation
    if not np.all(weight >= 0) or not weight.sum() > 0:
        raise DomainError("Every stratum needs a size and spread of 0 or more, not all 0.")
    exact = plots * weight / weight.sum()
    out: NDArray[np.int64] = np.floor(exact + 1e-9).astype(np.int64)
    left = plots - int(out.sum())
    out[np.argsort(out - exact, kind="stable")[:left]] += 1
    return out


def points_by_area(acres: float) -> int:
    """Rule of thumb for the number of points of a first cruise.

    Parameters
    ----------
    acres : float
        Acres of the tract. [acres]

    Returns
    -------
    int
        10 on 10 acres or fewer, one an acre to 40, 20 + acres / 2 to 80, 40 + acres / 4 to 200,
        rounded up. It knows nothing of how the timber differs, so
        no sampling error goes with it.

    Raises
    ------
    DomainError
        If ``acres`` is not above 0, or beyond the 200 the rule was given for.

    References
    ----------
    .. [1] University lecture for Kentucky, "Point sampling or variable plot cruising", how many
       points (institution not seen).

    Examples
    --------
    >>> [points_by_area(acres) for acres in (6, 25, 60, 100)]
    [10, 25, 50, 65]
    """
    if not 0 < acres <= THUMB_ACRES:
        raise DomainError(f"'acres' must be above 0 and at most {THUMB_ACRES:g}; got {acres:g}.")
    rule = 40 + acres / 4 if acres > 80 else 20 + acres / 2 if acres > 40 else max(acres, 10.0)
    return math.ceil(rule - 1e-9)
