"""Any part of a stand: estimated from the plots that fall in it where there are enough."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standmap.cruise import _kernels
from standmap.cruise.estimator import StandEstimates
from standmap.cruise.results import EstimateTable
from standmap.errors import DomainError

Floats = NDArray[np.float64]

MIN_PLOTS: Final = 5
"""Plots that a part of a stand needs to stand by its own. Common practice, no source: with fewer
its t alone is over 2.1, and what is won in likeness is lost in error."""


@dataclass(frozen=True, eq=False, kw_only=True, repr=False)
class DomainEstimates:
    """Estimates of parts of stands, and of each domain over its stands.

    Attributes
    ----------
    cells : DataFrame
        A row for each domain and stand that share acres: ``domain, stand, acres, plots`` (of the
        stand, inside the domain) and ``source`` ("own plots" or "stand").
    per_acre : EstimateTable
        Mean per acre of each cell, in the same order.
    totals : EstimateTable
        Totals of each domain. ``n`` counts every plot a total rests on.
    """

    cells: pd.DataFrame
    per_acre: EstimateTable
    totals: EstimateTable

    def __repr__(self) -> str:
        own = int((self.cells["source"] == "own plots").sum())
        return (
            f"DomainEstimates({len(self.totals.rows):,} domains, {len(self.cells):,} parts of "
            f"stands, {own:,} by plots of their own)"
        )


@dataclass(frozen=True, slots=True)
class _Own:
    """Cells that stand by their own plots: a list of (cell, plot) pairs, and their figures."""

    cell: NDArray[np.intp]
    plot: NDArray[np.intp]
    share: Floats
    mean: Floats
    variance: Floats
    df: Floats


def estimate_domains(
    found: StandEstimates, acres: pd.DataFrame, inside: ArrayLike, *, min_plots: int = MIN_PLOTS
) -> DomainEstimates:
    r"""Estimate domains from the plots inside them, else from their stands.

    Parameters
    ----------
    found : StandEstimates
        The stands, and the sample they rest on.
    acres : DataFrame
        Acres of each domain (rows) by stand (columns), as for :meth:`StandEstimates.total`.
    inside : array_like of bool, shape (domains, plots)
        Whether each plot of the sample lies in each domain, domains in the order of ``acres``.
    min_plots : int
        Plots of a stand inside the domain from which on they are used, 2 or more.

    Returns
    -------
    DomainEstimates

    Raises
    ------
    DomainError
        If ``min_plots`` is below 2 or the shapes do not match.

    Notes
    -----
    The part of stand h inside a domain has known acres A and n plots, its mean is theirs, and
    given n its variance is s^2 / n, n - 1 degrees of freedom: the stand post-stratified by the
    domain's line [1]_ [2]_. Plots of unequal acres weigh by them, as in a ratio of means. That n
    is itself a draw adds to the variance by the order of 1 / n^2; it is left out, as is usual once
    n is known.

    With fewer plots the part takes the stand's mean and error, and so the same figures as a total
    over the stand's acres. A stand tallied to the last tree is not a sample of its parts, and
    lends its mean as well; so does one cruised in clusters, or by way of something cheaper. Where
    such a borrowed part and an own one rest on the same plots (a stand that lends to its stratum),
    their covariance, A s^2 x (weight in the borrowed total) / n, is counted. Degrees of freedom are
    Satterthwaite's over the parts.

    Parts by plots of their own do not add up to the stand's own estimate exactly, nor should they:
    the stand's weighs its plots alike, wherever they fell.

    References
    ----------
    .. [1] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, sections 2.12 (estimates over
       subpopulations) and 5A.9 (stratification after selection) (from memory).
    .. [2] Saerndal, C.-E., B. Swensson, and J. Wretman. 1992. Model assisted survey sampling.
       Springer, chapter 10, estimation for domains (from memory).

    Examples
    --------
    Three of stand A's plots lie in a ten-acre hollow:

    >>> from standmap.cruise import Sample, estimate
    >>> found = estimate(Sample(
    ...     values=[[8.0], [12.0], [10.0], [20.0]], plots=list("1234"), stand=list("AAAA"),
    ...     attributes=["cords"],
    ...     stands=pd.DataFrame({"stand": ["A"], "stratum": "", "acres": [40.0]})))
    >>> hollow = pd.DataFrame({"A": [10.0]}, index=["hollow"])
    >>> here = [[True, True, True, False]]
    >>> estimate_domains(found, hollow, here, min_plots=3).totals.one("hollow", "cords").mean
    100.0
    >>> estimate_domains(found, hollow, here).totals.one("hollow", "cords").mean
    125.0
    """
    if min_plots < 2:
        raise DomainError(f"'min_plots' must be 2 or more, to have an error; got {min_plots}.")
    sample = found.sample
    held = np.asarray(inside, dtype=bool)
    if held.shape != (len(acres), sample.plots.size):
        raise DomainError(
            f"'inside' must be domains x plots, {(len(acres), sample.plots.size)}; got "
            f"{held.shape}."
        )
    frame = acres.reindex(columns=list(found.stands), fill_value=0.0).astype(np.float64)
    area = frame.to_numpy()
    domain, stand = np.nonzero(area > 0)
    number = np.full(area.shape, -1, dtype=np.intp)
    number[domain, stand] = np.arange(domain.size)

    of_domain, plot = np.nonzero(held)
    cell = number[of_domain, sample.stand_index[plot]]
    cell, plot = cell[cell >= 0], plot[cell >= 0]
    n = np.bincount(cell, minlength=domain.size)
    complete = np.bincount(sample.stand_index[sample.is_complete], minlength=area.shape[1]) > 0
    # Plots in clusters, or that lean on something cheaper, say little of a part by themselves.
    plain = sample.indirect is None and sample.cluster is None
    own = (n >= min_plots) & ~complete[stand] & plain
    mine = _own_figures(found, cell, plot, n, own)
    cells = pd.DataFrame(
        {
            "domain": frame.index.astype(str).to_numpy(dtype=object)[domain],
            "stand": np.asarray(found.stands, dtype=object)[stand],
            "acres": area[domain, stand],
            "plots": n,
            "source": np.where(own, "own plots", "stand"),
        }
    )
    return DomainEstimates(
        cells=cells,
        per_acre=_per_acre(found, stand, cells, n, own, mine),
        totals=_totals(found, frame, domain, stand, n, own, mine),
    )


def _own_figures(
    found: StandEstimates,
    cell: NDArray[np.intp],
    plot: NDArray[np.intp],
    n: NDArray[np.int64],
    own: NDArray[np.bool_],
) -> _Own:
    keep = own[cell]
    cell, plot = np.ascontiguousarray(cell[keep]), np.ascontiguousarray(plot[keep])
    weight = found.sample.plot_weight[plot]
    share = weight / np.bincount(cell, weights=weight, minlength=n.size)[cell]
    values = np.ascontiguousarray(found.sample.values[plot])  # noqa: PD011 - not a frame
    mean = _kernels.sum_rows(cell, share, values, n.size)
    df = np.where(own, n - 1, 0).astype(np.float64)
    factor = share**2 * n[cell] / np.maximum(df[cell], 1)
    variance = _kernels.sum_squares(cell, factor, values, mean)
    return _Own(cell, plot, share, mean, variance, df)


def _per_acre(
    found: StandEstimates,
    stand: NDArray[np.intp],
    cells: pd.DataFrame,
    n: NDArray[np.int64],
    own: NDArray[np.bool_],
    mine: _Own,
) -> EstimateTable:
    base = found.per_acre()
    pick = own[:, None]
    rows = [f"{d} | {s}" for d, s in zip(cells["domain"], cells["stand"], strict=True)]
    return EstimateTable(
        rows=tuple(rows),
        attributes=base.attributes,
        estimate=np.where(pick, mine.mean, base.estimate[stand]),
        se=np.where(pick, np.sqrt(mine.variance), base.se[stand]),
        df=np.where(pick, np.maximum(mine.df, 1)[:, None], base.df[stand]),
        n=np.where(own, n, base.n[stand]),
        borrowed=np.where(own, "", base.borrowed[stand]),
        confidence=base.confidence,
    )


def _totals(
    found: StandEstimates,
    frame: pd.DataFrame,
    domain: NDArray[np.intp],
    stand: NDArray[np.intp],
    n: NDArray[np.int64],
    own: NDArray[np.bool_],
    mine: _Own,
) -> EstimateTable:
    """Add the parts up: borrowed acres by the stands' own formula, own parts beside them."""
    area = frame.to_numpy()
    borrowed = area.copy()
    borrowed[domain[own], stand[own]] = 0.0
    base = found.total(pd.DataFrame(borrowed, index=frame.index, columns=frame.columns))
    at = np.flatnonzero(own)
    many = len(frame)
    mean, variance = base.estimate.copy(), base.se**2
    with np.errstate(divide="ignore", invalid="ignore"):
        over_df = np.where(np.isfinite(base.df), variance**2 / base.df, 0.0)
    part = area[domain[at], stand[at]][:, None]
    np.add.at(mean, domain[at], part * mine.mean[at])
    np.add.at(variance, domain[at], part**2 * mine.variance[at])
    np.add.at(over_df, domain[at], (part**2 * mine.variance[at]) ** 2 / mine.df[at, None])
    variance = variance + 2 * _shared(found, frame, borrowed, domain, stand, n, mine)
    plots = _plots_used(found, base, borrowed, domain, mine, many)
    df_sum = np.bincount(domain[at], weights=mine.df[at], minlength=many)[:, None]
    with np.errstate(divide="ignore", invalid="ignore"):
        df = np.where(over_df > 0, variance**2 / over_df, np.where(df_sum > 0, df_sum, base.df))
    return EstimateTable(
        rows=tuple(str(d) for d in frame.index),
        attributes=base.attributes,
        estimate=mean,
        se=np.sqrt(np.maximum(variance, 0.0)),
        df=np.where(np.isin(np.arange(many), domain[at])[:, None], df, base.df),
        n=plots,
        borrowed=base.borrowed,
        confidence=base.confidence,
    )


def _shared(
    found: StandEstimates,
    frame: pd.DataFrame,
    borrowed: Floats,
    domain: NDArray[np.intp],
    stand: NDArray[np.intp],
    n: NDArray[np.int64],
    mine: _Own,
) -> Floats:
    """Covariance of each domain's own parts with what it borrows from the same plots."""
    out = np.zeros((len(frame), len(found.sample.attributes)))
    area = frame.to_numpy()
    lends = {int(donor) for pool in found.pools for donor in pool.donors}
    if not lends:
        return out
    for d in np.unique(domain[mine.cell]):
        weights = found.plot_weights(
            pd.Series(borrowed[d], index=frame.columns, name="part")
        ).to_numpy()
        for c in np.unique(mine.cell[domain[mine.cell] == d]):
            rows = mine.cell == c
            lent = weights[mine.plot[rows]]
            if not lent.any():
                continue
            # Plots are drawn each by itself: cov = sum of (weight x weight) x variance of a plot.
            squares = (mine.share[rows] ** 2).sum()
            plot_variance = mine.variance[c] / squares
            out[d] += area[d, stand[c]] * (mine.share[rows] * lent).sum() * plot_variance
    return out


def _plots_used(
    found: StandEstimates,
    base: EstimateTable,
    borrowed: Floats,
    domain: NDArray[np.intp],
    mine: _Own,
    many: int,
) -> NDArray[np.int64]:
    """Count the plots behind each domain, those behind a borrowed part and an own one once."""
    out = base.n.copy()
    names = list(found.stands)
    for d in np.unique(domain[mine.cell]):
        weights = found.plot_weights(pd.Series(borrowed[d], index=names, name="part")).to_numpy()
        plots = np.unique(mine.plot[domain[mine.cell] == d])
        out[d] += int((weights[plots] == 0).sum())
    return np.asarray(out)
