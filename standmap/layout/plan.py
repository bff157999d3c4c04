"""How many plots, and which stands they go to, from the spread that was found or is expected.

The stands are the cells of the estimate, as in `standmap.cruise.estimate`: each stand's plots are a
sample of it, and the variances of the stands add. What is planned here is the spread *between the
plots of one stand*, pooled over the stands of its stratum, since one stand's few plots tell little.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standmap.cruise import Estimate, allocate, plots_needed, satterthwaite, t_quantile
from standmap.errors import DomainError

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
By = Literal["optimum", "acres"]

LEAST_PER_STAND: Final = 2
"""With fewer, a stand has no error of its own and takes its stratum's figures."""

LEAST_DF: Final = 4
"""A stratum whose spread rests on fewer degrees of freedom takes the tract's."""

MOST_PLOTS: Final = 20_000
WALK_CONSTANT: Final = 0.7124
"""Length of a shortest path through n random points on area A, over sqrt(n A), n large (Beardwood,
Halton and Hammersley 1959; the constant from memory)."""


def stratum_spread(
    plots: pd.DataFrame, stands: pd.DataFrame, stated_cv_pct: pd.Series | None = None
) -> pd.DataFrame:
    """Coefficient of variation between plots, by stratum.

    Parameters
    ----------
    plots : DataFrame
        The last cruise: ``stand`` and ``value``, what each plot holds per acre.
    stands : DataFrame
        ``stand``, ``stratum``, ``acres`` and ``mean``, what the stand is estimated to hold per
        acre.
    stated_cv_pct : Series, optional
        By stratum, what stands in place of what the plots say; NaN for nothing. [percent]

    Returns
    -------
    DataFrame
        ``stratum``, ``acres``, ``mean``, ``sd`` (between plots of one stand), ``cv_pct``,
        ``between_sd`` (between the means of the stands; 0 where fewer than two were cruised),
        ``plots``, ``df``, ``cv_from`` ("stratum", "tract", "stated", or "" where there are no plots
        and nothing was stated: then the spread is NaN).

    Raises
    ------
    DomainError
        If there are plots, and a stratum with no CV stated for it, and no stand has two plots or
        the measure is zero everywhere.

    Examples
    --------
    >>> plots = pd.DataFrame({"stand": list("AAABBB"), "value": [8.0, 10, 12, 18, 20, 22]})
    >>> stands = pd.DataFrame({"stand": list("AB"), "stratum": "pine", "acres": [10.0, 30.0],
    ...                        "mean": [10.0, 20.0]})
    >>> stratum_spread(plots, stands)[["mean", "sd", "df"]].to_numpy().tolist()
    [[17.5, 2.0, 4.0]]
    """
    by = plots.groupby("stand")["value"]
    own = pd.DataFrame(
        {"n": by.size(), "own_mean": by.mean(), "squares": by.var(ddof=0) * by.size()}
    )
    joined = stands.join(own, on="stand").fillna({"n": 0, "squares": 0.0})
    joined["df"] = (joined["n"] - 1).clip(lower=0)
    joined["value"] = joined["acres"] * joined["mean"]
    by_stratum = joined.groupby("stratum", sort=False)
    frame = by_stratum[["acres", "value", "squares", "df", "n"]].sum().reset_index()
    frame["mean"] = frame.pop("value") / frame["acres"]
    said = frame["stratum"].map(stated_cv_pct if stated_cv_pct is not None else {}).astype(float)
    firm = (frame["df"] >= LEAST_DF) & (frame["mean"] > 0)
    tells = bool(frame["df"].sum() > 0) and bool((frame["mean"] > 0).any())
    if len(plots) and not tells and said.isna().any():
        raise DomainError(
            "The last cruise gives no spread to plan with: it needs a stand with two plots or "
            "more, and some timber on them."
        )
    with np.errstate(divide="ignore", invalid="ignore"):
        frame["sd"] = np.sqrt(frame.pop("squares") / frame["df"])
        cv = frame["sd"] / frame["mean"]
    # The plots' own CVs, each by its degrees of freedom, stand in where a stratum has too few.
    known = firm if firm.any() else (frame["df"] > 0) & (frame["mean"] > 0)
    pooled = np.nan
    if known.any():
        pooled = float(np.sqrt(np.average(cv[known] ** 2, weights=frame.loc[known, "df"])))
    cv = (said / 100).where(said.notna(), cv.where(firm, pooled))
    frame["sd"] = frame["sd"].where(firm & said.isna(), cv * frame["mean"])
    frame["cv_pct"] = 100 * cv
    between = joined[joined["n"] >= LEAST_PER_STAND].groupby("stratum")["own_mean"].std(ddof=1)
    frame["between_sd"] = frame["stratum"].map(between).fillna(0.0)
    plotted = np.where(firm, "stratum", "tract" if known.any() else "")
    frame["cv_from"] = np.where(said.notna(), "stated", plotted)
    frame["plots"] = frame.pop("n").astype(np.int64)
    frame["df"] = frame["df"].astype(np.int64)
    order = ["stratum", "acres", "mean", "sd", "cv_pct", "between_sd", "plots", "df", "cv_from"]
    return frame[order]


def allocate_to_stands(
    plots: int, stands: pd.DataFrame, strata: pd.DataFrame, *, by: By = "optimum"
) -> Ints:
    """Share plots out: among strata, then among the stands of each by their acres.

    Parameters
    ----------
    plots : int
        Plots to share out.
    stands : DataFrame
        ``stand``, ``stratum``, ``acres``.
    strata : DataFrame
        From `stratum_spread`; with ``cost_usd``, plots go where they are cheap.
    by : {"optimum", "acres"}
        Among strata in proportion to acres x spread between plots, the smallest error for the
        number of plots (Neyman), over the root of a plot's cost where that is known, the smallest
        error for the money (`standmap.cruise.allocation_shares`); or to acres alone, the same
        density everywhere.

    Returns
    -------
    ndarray of int
        Plots of each stand; they sum to ``plots``. Every stand has at least 2, where there are
        that many plots; else every stratum, where there are that many.

    Raises
    ------
    DomainError
        If there are no plots to share out.
    """
    if plots < 1:
        raise DomainError(f"'plots' must be 1 or more; got {plots}.")
    acres = stands["acres"].to_numpy(dtype=np.float64)
    stratum = pd.Index(strata["stratum"]).get_indexer(pd.Index(stands["stratum"]))
    least = LEAST_PER_STAND if plots >= LEAST_PER_STAND * len(stands) else 0
    size = np.zeros(len(strata))
    np.add.at(size, stratum, acres)
    weight: Floats = size
    if by == "optimum":
        weight = size * strata["sd"].to_numpy(dtype=np.float64)
        if "cost_usd" in strata:
            weight = weight / np.sqrt(strata["cost_usd"].to_numpy(dtype=np.float64))
    held = np.bincount(stratum, minlength=len(strata))
    fewest = least * held
    if not least and plots >= LEAST_PER_STAND * np.count_nonzero(held):
        fewest = np.where(held > 0, LEAST_PER_STAND, 0)
    of_stratum = _at_least(plots, weight, fewest)
    out = np.zeros(len(stands), dtype=np.int64)
    for h, many in enumerate(of_stratum):
        mine = np.flatnonzero(stratum == h)
        if len(mine) and many:
            out[mine] = _at_least(int(many), acres[mine], np.full(len(mine), least))
    return out


def _at_least(total: int, weight: Floats, least: NDArray[np.int64]) -> Ints:
    """Share out a total by weight, none less than its least; ``least`` sums to no more."""
    held = np.zeros(len(weight), dtype=bool)
    while True:
        out = least.astype(np.int64).copy()
        rest = total - int(least[held].sum())
        open_weight = np.where(held, 0.0, weight)
        if not open_weight.sum() > 0:  # strata without timber or spread share the rest by number
            open_weight = np.where(held, 0.0, 1.0)
        if not held.all():
            shared = allocate(rest, open_weight)
            out = np.where(held, out, shared)
        short = (out < least) & ~held
        if not short.any():
            return np.asarray(out, dtype=np.int64)
        held |= short


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """What a number of plots can be expected to find.

    Attributes
    ----------
    tract : Estimate or None
        The tract total with its expected error; None where some stratum would have fewer than two
        plots or has no known spread: no error can be promised then.
    stand_error_pct : ndarray
        Expected sampling error of each stand. [percent] NaN where it would borrow, or holds
        nothing.
    borrows : ndarray of bool
        Stands with fewer than two plots: they take their stratum's figures.
    """

    tract: Estimate | None
    stand_error_pct: Floats
    borrows: NDArray[np.bool_]


def expected_errors(
    counts: ArrayLike, stands: pd.DataFrame, strata: pd.DataFrame, *, confidence: float
) -> Expected:
    r"""Return the sampling errors to expect of the tract and each stand.

    Parameters
    ----------
    counts : array_like of int
        Plots in each stand.
    stands : DataFrame
        ``stand``, ``stratum``, ``acres``, ``mean``; with ``plot_share``, the share of the stand
        that one plot covers, the finite population correction is made.
    strata : DataFrame
        From `stratum_spread`.
    confidence : float
        Of the errors.

    Returns
    -------
    Expected

    Raises
    ------
    DomainError
        If the confidence is not between 0 and 1.

    Notes
    -----
    With s_h the spread between plots of one stand in stratum h, the variance of the total is

    .. math:: \sum_i A_i^2 s_h^2 / n_i

    over stands of A_i acres with n_i plots (Cochran 1977, chapter 5, from memory), each stand with
    n_i - 1 degrees of freedom, combined by Satterthwaite's rule. With a finite population each term
    is less by the share of the stand that its plots cover. Stands with fewer than two plots
    take the mean of the other stands of their stratum, whose acres then count as theirs, and add
    the spread between stands.
    """
    n = np.asarray(counts, dtype=np.int64)
    acres = stands["acres"].to_numpy(dtype=np.float64)
    mean = stands["mean"].to_numpy(dtype=np.float64)
    at = pd.Index(strata["stratum"]).get_indexer(pd.Index(stands["stratum"]))
    spread = strata["sd"].to_numpy(dtype=np.float64)
    between = strata["between_sd"].to_numpy(dtype=np.float64)
    own = n >= LEAST_PER_STAND
    left = np.ones(len(n))
    if "plot_share" in stands:
        left = np.clip(1 - n * stands["plot_share"].to_numpy(dtype=np.float64), 0, 1)
    parts: list[float] = []
    df: list[float] = []
    promised = True
    for h in range(len(strata)):
        mine = at == h
        if not mine.any():
            continue
        donors, takers = mine & own, mine & ~own
        lent = acres[takers]
        if not donors.any():
            many = int(n[mine].sum())
            if many < LEAST_PER_STAND:
                promised = False
                continue
            whole = acres[mine].sum()
            parts.append(whole**2 * (spread[h] ** 2 + between[h] ** 2) / many)
            df.append(many - 1)
            continue
        share = acres[donors] / acres[donors].sum()
        reach = acres[donors] + lent.sum() * share
        parts += (reach**2 * spread[h] ** 2 / n[donors] * left[donors]).tolist()
        df += (n[donors] - 1).tolist()
        if len(lent):
            parts.append(between[h] ** 2 * float((lent**2).sum() + lent.sum() ** 2 * share @ share))
            df.append(max(int(donors.sum()) - 1, 1))
    tract = None
    if promised and np.isfinite(parts).all():
        tract = Estimate(
            mean=float(acres @ mean),
            se=float(np.sqrt(sum(parts))),
            n=int(n.sum()),
            df=satterthwaite(parts, df),
            confidence=confidence,
        )
    t = t_quantile(np.where(own, n - 1, 1), confidence)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_stand = 100 * t * spread[at] * np.sqrt(left / np.maximum(n, 1)) / mean
    by_stand = np.where(own & (mean > 0), by_stand, np.nan)
    return Expected(tract=tract, stand_error_pct=by_stand, borrows=~own)


def plots_for_error(
    error_pct: float,
    stands: pd.DataFrame,
    strata: pd.DataFrame,
    *,
    confidence: float,
    by: By = "optimum",
) -> int:
    """Fewest plots whose expected error on the tract total is within a target.

    Parameters
    ----------
    error_pct : float
        Sampling error wanted. [percent]
    stands, strata : DataFrame
        As for `expected_errors`.
    confidence : float
        Of the error.
    by : {"optimum", "acres"}
        How they are shared out.

    Returns
    -------
    int
        At least two to each stand, so that each keeps figures of its own.

    Raises
    ------
    DomainError
        If the target is not above 0, or takes more than 20,000 plots.

    Notes
    -----
    The handbook's n = (t CV / E)^2 (`standmap.cruise.plots_needed`), the strata's coefficients
    weighted by what they hold, gives a first number (with 1 / N where the population is finite); it
    is raised until the expected error of the whole allocation, with its own t, is within the
    target.
    """
    if not 0 < error_pct < np.inf:
        raise DomainError(f"'error' must be a percentage above 0; got {error_pct:g}.")
    worth = (strata["acres"] * strata["mean"]).sum()
    cv = float(100 * (strata["acres"] * strata["sd"]).sum() / worth)
    least = LEAST_PER_STAND * len(stands)
    n = least
    if cv > 0:
        t = float(t_quantile(np.inf, confidence))
        units = float((1 / stands["plot_share"]).sum()) if "plot_share" in stands else np.inf
        first = 1 / (1 / units + (error_pct / (t * cv)) ** 2)
        if first < MOST_PLOTS:
            n = max(least, plots_needed(cv, error_pct, t=t, population_units=units))
        else:
            n = MOST_PLOTS + 1
    while n <= MOST_PLOTS:
        counts = allocate_to_stands(n, stands, strata, by=by)
        found = expected_errors(counts, stands, strata, confidence=confidence)
        if found.tract is not None and found.tract.sampling_error_pct <= error_pct:
            return n
        n += 1
    raise DomainError(
        f"An error of {error_pct:g} % would take more than {MOST_PLOTS:,} plots. Ask for a wider "
        "one."
    )


def plots_in_budget(
    budget_usd: float, stands: pd.DataFrame, strata: pd.DataFrame, *, by: By = "optimum"
) -> int:
    """Find the plots that a sum of money pays for, shared out as they will be.

    Parameters
    ----------
    budget_usd : float
        For all plots together; what is spent before the first plot is the planner's to take off.
        [USD]
    stands, strata, by
        As for `allocate_to_stands`, with ``cost_usd``.

    Raises
    ------
    DomainError
        If the budget does not pay for one plot.
    """
    dearest, cheapest = float(strata["cost_usd"].max()), float(strata["cost_usd"].min())
    if not cheapest <= budget_usd < np.inf:
        raise DomainError(
            f"'budget' must pay for at least a plot, {cheapest:,.2f} dollars; got {budget_usd:g}."
        )
    n = int(min(budget_usd / cheapest, MOST_PLOTS))
    while n > 1:
        over = plot_cost_usd(allocate_to_stands(n, stands, strata, by=by), stands, strata)
        over -= budget_usd
        if over <= 1e-9:
            break
        n -= max(1, int(over / dearest))
    return max(n, 1)


def plot_cost_usd(counts: Ints, stands: pd.DataFrame, strata: pd.DataFrame) -> float:
    """Return what plots cost in dollars, each at the price of its stratum."""
    each = stands["stratum"].map(strata.set_index("stratum")["cost_usd"]).to_numpy(dtype=float)
    return float(counts @ each)


def error_curve(
    stands: pd.DataFrame,
    strata: pd.DataFrame,
    *,
    confidence: float,
    around: int,
    by: By = "optimum",
) -> pd.DataFrame:
    """Return the expected error against the number of plots, and what they cost.

    Parameters
    ----------
    stands, strata, confidence, by
        As for `plots_for_error`; ``cost_usd`` in the strata adds the cost of the plots.
    around : int
        The number planned; the curve runs from a few plots to three times it.

    Returns
    -------
    DataFrame
        ``plots``, ``error_pct``, ``walk_miles`` (about 0.71 x the square root of plots x area,
        straight legs), and ``cost_usd`` where it is known. Numbers of plots too few for an error
        to be promised are left out.
    """
    least = max(LEAST_PER_STAND * len(stands), 4)
    top = max(3 * around, 2 * least)
    counts = np.unique(np.append(np.geomspace(least, top, 24).round(), max(around, 1)))
    rows = []
    square_miles = float(stands["acres"].sum()) / 640
    for n in counts.astype(int):
        share = allocate_to_stands(int(n), stands, strata, by=by)
        found = expected_errors(share, stands, strata, confidence=confidence)
        if found.tract is None:
            continue
        walk = WALK_CONSTANT * float(np.sqrt(n * square_miles))
        cost = plot_cost_usd(share, stands, strata) if "cost_usd" in strata else np.nan
        rows.append((int(n), found.tract.sampling_error_pct, walk, cost))
    frame = pd.DataFrame(rows, columns=["plots", "error_pct", "walk_miles", "cost_usd"])
    return frame if "cost_usd" in strata else frame.drop(columns="cost_usd")
