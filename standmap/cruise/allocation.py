"""Where a given effort does most good: plots to strata by size, spread and cost."""

from __future__ import annotations

import math
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.cruise._checks import column, positive, same_length
from standmap.cruise.planning import allocate
from standmap.errors import DomainError

Floats = NDArray[np.float64]
Rule = Literal["proportional", "optimum"]


def allocation_shares(
    size: ArrayLike, spread: ArrayLike | None = None, cost: ArrayLike | None = None
) -> Floats:
    r"""Share of the plots that each stratum gets, before rounding.

    Parameters
    ----------
    size : array_like
        Size of each stratum: acres or units.
    spread : array_like, optional
        Standard deviation between plots in each stratum (not its square). Without it shares are
        proportional to size.
    cost : array_like, optional
        Cost of one plot in each stratum, any unit of money or time; alike without it.

    Returns
    -------
    ndarray
        Shares, which sum to 1.

    Raises
    ------
    DomainError
        If the columns do not match, hold nothing above 0, or a cost is not above 0.

    Notes
    -----
    Proportional W; optimum (Neyman) W s; with costs W s / sqrt(c) [1]_. A textbook prints an
    example [2]_ whose shares go with W s^2 beside the rule that says W s; its figures are not
    Neyman's, and cost 27 percent more plots for the same error. Weights by acres and by volume give
    different answers: acres go with standard deviations per acre, volume with coefficients of
    variation.

    References
    ----------
    .. [1] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, sections 5.5 to 5.7 (from
       memory).
    .. [2] Berthouex, P.M., and L.C. Brown. 2002. Statistics for environmental engineers, 2nd ed.,
       example 23.10.

    Examples
    --------
    >>> allocation_shares([50, 25, 25], [6, 13, 3]).round(3)
    array([0.429, 0.464, 0.107])
    >>> allocation_shares([50, 50], [10, 10], cost=[1, 4]).round(3)
    array([0.667, 0.333])
    """
    weight = column("size", size, least=1)
    for name, values in (("spread", spread), ("cost", cost)):
        if values is not None:
            figures = column(name, values, least=1)
            same_length(size=weight, **{name: figures})
            if name == "cost" and not np.all(figures > 0):
                raise DomainError(f"'cost' must be above 0; got {figures.min():g}.")
            weight = weight * (figures if name == "spread" else 1 / np.sqrt(figures))
    if not np.all(weight >= 0) or not weight.sum() > 0:
        raise DomainError("Every stratum needs a size and spread of 0 or more, not all 0.")
    return np.asarray(weight / weight.sum())


def optimum_allocation(
    plots: int,
    size: ArrayLike,
    spread: ArrayLike,
    cost: ArrayLike | None = None,
    *,
    least: int = 2,
    most: ArrayLike | None = None,
) -> NDArray[np.int64]:
    """Share plots out so that the error is smallest, within bounds.

    Parameters
    ----------
    plots : int
        Plots to share out.
    size : array_like
        Size of each stratum: acres or units.
    spread : array_like
        Standard deviation between plots in each stratum.
    cost : array_like, optional
        Cost of one plot in each stratum; alike without it.
    least : int
        Fewest plots of a stratum; below 2 its own error cannot be seen.
    most : array_like, optional
        Most plots of each stratum: those that would cover it.

    Returns
    -------
    ndarray of int
        Plots by stratum; they sum to ``plots``.

    Raises
    ------
    DomainError
        As for :func:`allocation_shares`, or if the bounds leave no room for ``plots``.

    References
    ----------
    .. [1] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, sections 5.5 to 5.8 (from
       memory); the bounds are held by fixing the strata that break one and sharing out the rest.

    Examples
    --------
    >>> optimum_allocation(40, [50, 45, 5], [10, 10, 4])
    array([20, 18,  2])
    """
    share = allocation_shares(size, spread, cost)
    low = np.full(share.size, int(least))
    high = np.full(share.size, plots) if most is None else np.asarray(most, dtype=np.float64)
    if high.shape != share.shape:
        raise DomainError("'most' must have one value for each stratum.")
    high = np.minimum(np.floor(high), plots).astype(np.int64)
    low = np.minimum(low, high)
    if not low.sum() <= plots <= high.sum():
        raise DomainError(
            f"{plots} plots cannot be shared out: the bounds take {low.sum()} to {high.sum()}."
        )
    out = np.zeros(share.size, dtype=np.int64)
    free = np.ones(share.size, dtype=bool)
    while free.any():
        left = plots - int(out[~free].sum())
        weight = np.where(free, share, 0.0)
        # Strata that do not vary still take what the others cannot.
        weight = weight if weight.sum() > 0 else free.astype(np.float64)
        out[free] = allocate(left, weight)[free]
        under, over = free & (out < low), free & (out > high)
        if not (under.any() or over.any()):
            break
        # Fix the side that is further out first; the other may come right by itself.
        lacking, beyond = int((low - out)[under].sum()), int((out - high)[over].sum())
        fix = under if lacking >= beyond else over
        out[fix] = np.where(under, low, high)[fix]
        free &= ~fix
    return out


def plots_for_budget(
    budget: float,
    size: ArrayLike,
    spread: ArrayLike,
    cost: ArrayLike,
    *,
    fixed_cost: float = 0.0,
) -> int:
    r"""Count the plots that a budget pays for under the optimum allocation.

    Parameters
    ----------
    budget : float
        Money (or hours) for the whole cruise.
    size, spread : array_like
        Size of each stratum and standard deviation between its plots.
    cost : array_like
        Cost of one plot in each stratum, in the unit of the budget.
    fixed_cost : float
        What is spent before the first plot.

    Returns
    -------
    int
        Plots in all, rounded down; share them out by :func:`optimum_allocation`.

    Raises
    ------
    DomainError
        As for :func:`allocation_shares`, or if nothing is left for plots.

    Notes
    -----
    .. math:: n = (C - c_0) \frac{\sum W s / \sqrt c}{\sum W s \sqrt c}

    References
    ----------
    .. [1] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, section 5.5 (from memory).

    Examples
    --------
    >>> plots_for_budget(1200, [50, 50], [10, 10], [10, 40], fixed_cost=200)
    50
    """
    share = allocation_shares(size, spread, cost)
    each = float(share @ column("cost", cost, least=1))
    left = budget - fixed_cost
    if not left >= each:
        raise DomainError(f"Nothing is left for plots: {left:g} after fixed cost.")
    return math.floor(left / each * (1 + 1e-12))


def stratified_plots_needed(
    size: ArrayLike,
    spread: ArrayLike,
    bound: float,
    *,
    t: float = 2.0,
    rule: Rule = "optimum",
    population_units: float | None = None,
) -> int:
    r"""Find the plots that hold a stratified mean within a bound.

    Parameters
    ----------
    size : array_like
        Size of each stratum: acres or units.
    spread : array_like
        Standard deviation between plots in each stratum.
    bound : float
        Half-width wanted, in the unit of the mean.
    t : float
        Student's t; 2 stands for 95 percent.
    rule : {"optimum", "proportional"}
        How the plots will be shared out.
    population_units : float, optional
        Plots that would cover the tract; applies the finite population correction.

    Returns
    -------
    int
        Plots, rounded up.

    Raises
    ------
    DomainError
        If the columns do not match, or ``bound`` or ``t`` is not above 0.

    Notes
    -----
    With V = (bound / t)^2: optimum :math:`(\sum W s)^2 / (V + \sum W s^2 / N)`, proportional
    :math:`\sum W s^2 / (V + \sum W s^2 / N)`. The first is never the greater.

    References
    ----------
    .. [1] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, section 5.9 (from memory).
    .. [2] Berthouex, P.M., and L.C. Brown. 2002. Statistics for environmental engineers, 2nd ed.,
       example 23.10: 263 by the proportional rule.

    Examples
    --------
    >>> stratified_plots_needed([50, 25, 25], [6, 13, 3], 1.0)
    196
    """
    if rule not in get_args(Rule):
        raise DomainError(f"'rule' must be one of {', '.join(get_args(Rule))}; got {rule!r}.")
    s = column("spread", spread, least=1)
    share = allocation_shares(size)
    same_length(size=share, spread=s)
    wanted = (positive("bound", bound) / positive("t", t)) ** 2
    within = float(share @ s**2)
    top = float(share @ s) ** 2 if rule == "optimum" else within
    extra = (
        0.0 if population_units is None else within / positive("population_units", population_units)
    )
    return math.ceil(top / (wanted + extra) * (1 - 1e-12))


def allocated_se(
    size: ArrayLike,
    spread: ArrayLike,
    plots: ArrayLike,
    *,
    population_units: ArrayLike | None = None,
) -> float:
    """Foretell the standard error of the stratified mean under an allocation.

    Parameters
    ----------
    size, spread : array_like
        Size of each stratum and standard deviation between its plots.
    plots : array_like
        Plots of each stratum.
    population_units : array_like, optional
        Plots that would cover each stratum; applies the finite population correction.

    Returns
    -------
    float
        In the unit of ``spread``.

    Raises
    ------
    DomainError
        If the columns do not match, or a stratum with acres has no plot.

    References
    ----------
    .. [1] Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232, stratified
       random sampling (from memory).

    Examples
    --------
    >>> round(allocated_se([50, 50], [10, 20], [10, 20]), 2)
    2.74
    """
    s, n = column("spread", spread, least=1), column("plots", plots, least=1)
    share = allocation_shares(size)
    same_length(size=share, spread=s, plots=n)
    if not np.all((n > 0) | (share == 0)):
        raise DomainError("Every stratum with acres needs a plot.")
    left = np.ones(n.size)
    if population_units is not None:
        covers = column("population_units", population_units, least=1)
        same_length(size=share, population_units=covers)
        if not np.all(covers >= n):
            raise DomainError("A stratum has more plots than would cover it.")
        left = 1 - n / covers
    used = share > 0
    return float(np.sqrt((share[used] ** 2 * s[used] ** 2 / n[used] * left[used]).sum()))
