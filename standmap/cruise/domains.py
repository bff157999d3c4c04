"""Any part of a stand: estimated from the plots that fall in it where there are enough."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standmap.cruise import _kernels
from standmap.cruise.cells import OwnParts, Shared
from standmap.cruise.estimator import StandEstimates
from standmap.cruise.results import EstimateTable
from standmap.cruise.sample import Sample
from standmap.errors import DomainError

Floats = NDArray[np.float64]
SIDES: Final[tuple[Literal["left"], Literal["right"]]] = ("left", "right")

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


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class _Own:
    """Parts that stand by their own plots: (part, plot) pairs, and their figures.

    ``scale`` times a figure's distance from its part's mean, summed by what was drawn (``unit``),
    has squares that sum to the variance of that mean.
    """

    cell: NDArray[np.intp]
    plot: NDArray[np.intp]
    unit: NDArray[np.intp]
    scale: Floats
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

    Where figures come by way of something cheaper, the part is a stand of its own in the same
    estimate: the cheap figure is the mean over the plots inside it, the ratio or line that of its
    group, and the error counts the spread of the one, the error of the other (shared with whatever
    else of the domain leans on it) and the covariance of the two. Of clusters it is the clusters
    that fell in it that are counted and compared. Plots or strips of known acres take their finite
    population correction by the acres of the part; of neighbours' differences none is made, since
    a line cut at a part's edges has few left: parts take their plots as random.

    With fewer plots the part takes the stand's mean and error, and so the same figures as a total
    over the stand's acres. A stand tallied to the last tree is not a sample of its parts, and
    lends its mean as well; so does one whose cheap figure is known from a map for the stand and
    not for the part. Where such a borrowed part and an own one rest on the same plots (a stand
    that lends to its stratum), their covariance, the sum over plots of the products of the two
    weights times the plot's variance, is counted. Degrees of freedom are Satterthwaite's over the
    parts.

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
    drawn, unit = _drawn(sample, cell, plot, domain.size)
    # Sure of its own figure, a stand is no sample of its parts.
    sure = (found.cells.complete | found.cells.known)[stand]
    own = (drawn >= min_plots) & ~sure
    mine = _own_figures(found, cell, plot, unit, drawn, own, stand, area[domain, stand])
    cells = pd.DataFrame(
        {
            "domain": frame.index.astype(str).to_numpy(dtype=object)[domain],
            "stand": np.asarray(found.stands, dtype=object)[stand],
            "acres": area[domain, stand],
            "plots": n,
            "source": np.where(own, "own plots", "stand"),
        }
    )
    lent = area.copy()
    lent[domain[own], stand[own]] = 0.0
    borrowed = pd.DataFrame(lent, index=frame.index, columns=frame.columns)
    parts = _own_parts(found, frame, borrowed, domain[own], stand[own], mine)
    totals = found.total(borrowed, parts=parts)
    plots = _plots_used(found, totals, borrowed, domain[own], mine)
    return DomainEstimates(
        cells=cells,
        per_acre=_per_acre(found, stand, cells, own, parts),
        totals=replace(totals, n=plots),
    )


def _drawn(
    sample: Sample, cell: NDArray[np.intp], plot: NDArray[np.intp], many: int
) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """Count what was drawn in each cell, plots or clusters of them, and number it."""
    if sample.cluster is None:
        return np.bincount(cell, minlength=many), np.arange(cell.size)
    of_plot = pd.factorize(sample.cluster)[0]
    key, unit = np.unique(cell * (of_plot.max() + 1) + of_plot[plot], return_inverse=True)
    return np.bincount(key // (of_plot.max() + 1), minlength=many), unit.astype(np.intp)


def _own_figures(
    found: StandEstimates,
    cell: NDArray[np.intp],
    plot: NDArray[np.intp],
    unit: NDArray[np.intp],
    drawn: NDArray[np.int64],
    own: NDArray[np.bool_],
    stand: NDArray[np.intp],
    acres: Floats,
) -> _Own:
    keep, sample = own[cell], found.sample
    place = np.cumsum(own) - 1  # cells that stand by their own, numbered among themselves
    cell, plot, unit = (np.ascontiguousarray(v[keep]) for v in (place[cell], plot, unit))
    many = int(own.sum())
    weight = sample.plot_weight[plot]
    whole = np.bincount(cell, weights=weight, minlength=many)
    share = weight / whole[cell]
    values = np.ascontiguousarray(found.cells.values[plot])  # noqa: PD011 - not a frame
    mean = _kernels.sum_rows(cell, share, values, many)
    units = drawn[own]
    df = (units - 1).astype(np.float64)
    left = _left(found, stand[own], whole.astype(np.float64), acres[own])
    scale = np.asarray(share * np.sqrt((units / df) * left)[cell], dtype=np.float64)
    if sample.cluster is None:
        variance = _kernels.sum_squares(cell, scale**2, values, mean)
    else:
        _, first, unit = np.unique(unit, return_index=True, return_inverse=True)
        apart = _kernels.sum_rows(unit, scale, values - mean[cell], first.size)
        variance = _kernels.sum_squares(cell[first], np.ones(first.size), apart, 0 * mean)
    return _Own(
        cell=cell,
        plot=plot,
        unit=unit,
        scale=scale,
        share=share,
        mean=mean,
        variance=variance,
        df=df,
    )


def _left(found: StandEstimates, stand: NDArray[np.intp], weight: Floats, acres: Floats) -> Floats:
    """Return what the finite population correction leaves of each part's variance."""
    sample, cells = found.sample, found.cells
    if sample.seen is None:
        return np.ones(stand.size)
    whole = np.bincount(cells.stand_index, weights=sample.plot_weight, minlength=cells.n.size)
    seen = sample.seen * sample.stands["acres"].to_numpy(dtype=np.float64)
    return np.asarray(np.clip(1 - (seen / whole)[stand] * weight / acres, 0.0, 1.0))


def _shared_with(found: StandEstimates, stand: NDArray[np.intp], mine: _Own) -> tuple[Shared, ...]:
    """Return the stands' coefficients with what they and then the parts multiply them by."""
    indirect, n_stands = found.sample.indirect, found.cells.n.size
    if indirect is None:
        return ()
    here = replace(indirect, x_stand=None, group_of_stand=indirect.group_of_stand[stand])
    x_plot = np.ascontiguousarray(indirect.x_plot[mine.plot])
    x = _kernels.sum_rows(mine.cell, mine.share, x_plot, stand.size)
    found_shared = []
    for shared in found.cells.shared:
        fit = shared.fit
        pair, row = _rows_on(mine.plot, indirect.plot_of_row[fit.rows])
        if indirect.kind == "line":  # its slope and the mean it is taken at do not covary
            pair, row = pair[:0], row[:0]
        values = found.cells.values[mine.plot[pair]]  # noqa: PD011 - not a frame
        own_rows = mine.share[pair, None] * (values - mine.mean[mine.cell[pair]])
        m = fit.rows.size
        rows = fit.influence[row] * np.sqrt(m / max(m - 1, 1))
        cross = np.zeros_like(mine.mean)
        np.add.at(cross, mine.cell[pair], own_rows * rows)
        found_shared.append(
            replace(
                shared,
                loading=np.hstack([shared.loading, here.by_stand(x, fit)]),
                stand=np.concatenate([shared.stand, n_stands + mine.cell[pair]]),
                own_rows=np.concatenate([shared.own_rows, own_rows]),
                rows=np.concatenate([shared.rows, rows]),
                cross=np.concatenate([shared.cross, cross]),
            )
        )
    return tuple(found_shared)


def _rows_on(
    plot: NDArray[np.intp], plot_of_row: NDArray[np.intp]
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Return the places at which the two lists hold the same plot, each with each."""
    order = np.argsort(plot_of_row, kind="stable")
    low, high = (np.searchsorted(plot_of_row[order], plot, side) for side in SIDES)
    pair = np.repeat(np.arange(plot.size), high - low)
    step = np.arange(pair.size) - np.repeat(np.cumsum(high - low) - (high - low), high - low)
    return pair, order[np.repeat(low, high - low) + step]


def _per_acre(
    found: StandEstimates,
    stand: NDArray[np.intp],
    cells: pd.DataFrame,
    own: NDArray[np.bool_],
    parts: OwnParts,
) -> EstimateTable:
    base = found.per_acre()
    at, many = np.flatnonzero(own), int(own.sum())
    estimate, se, df = (v[stand].copy() for v in (base.estimate, base.se, base.df))
    if many:
        alone = replace(parts, acres=np.eye(many), covariance=np.zeros((many, estimate.shape[1])))
        nothing = pd.DataFrame(0.0, index=range(many), columns=list(found.stands))
        made = found.total(nothing, parts=alone)
        estimate[at], se[at], df[at] = made.estimate, made.se, made.df
    rows = [f"{d} | {s}" for d, s in zip(cells["domain"], cells["stand"], strict=True)]
    return EstimateTable(
        rows=tuple(rows),
        attributes=base.attributes,
        estimate=estimate,
        se=se,
        df=df,
        n=np.where(own, cells["plots"].to_numpy(), base.n[stand]),
        borrowed=np.where(own, "", base.borrowed[stand]),
        confidence=base.confidence,
    )


def _own_parts(
    found: StandEstimates,
    frame: pd.DataFrame,
    borrowed: pd.DataFrame,
    domain: NDArray[np.intp],
    stand: NDArray[np.intp],
    mine: _Own,
) -> OwnParts:
    """Put the parts that stand by their own plots beside what their domains borrow.

    ``domain`` and ``stand`` are those of the parts alone.
    """
    acres = np.zeros((len(frame), domain.size))
    acres[domain, np.arange(domain.size)] = frame.to_numpy()[domain, stand]
    return OwnParts(
        acres=acres,
        mean=mine.mean,
        variance=mine.variance,
        df=mine.df,
        shared=_shared_with(found, stand, mine),
        covariance=_lent(found, borrowed, acres, domain, mine),
    )


def _lent(
    found: StandEstimates,
    borrowed: pd.DataFrame,
    acres: Floats,
    domain: NDArray[np.intp],
    mine: _Own,
) -> Floats:
    """Covariance of each domain's own parts with what it borrows from the same plots."""
    out = np.zeros((len(borrowed), len(found.sample.attributes)))
    if not found.pools:
        return out
    for d in np.unique(domain):
        weights = found.plot_weights(borrowed.iloc[d].rename("part")).to_numpy()
        mine_here = domain[mine.cell] == d
        rows = np.flatnonzero(mine_here & (weights[mine.plot] != 0))
        if not rows.size:
            continue
        cell, plot = mine.cell[rows], mine.plot[rows]
        apart = found.cells.values[plot] - mine.mean[cell]  # noqa: PD011 - not a frame
        _, unit = np.unique(mine.unit[rows], return_inverse=True)
        # What was drawn was drawn each by itself: the products of its two weights, summed.
        one = _kernels.sum_rows(unit, acres[d, cell] * mine.scale[rows], apart, unit.max() + 1)
        stretch = mine.scale[rows] / mine.share[rows]
        other = _kernels.sum_rows(unit, weights[plot] * stretch, apart, unit.max() + 1)
        out[d] = (one * other).sum(axis=0)
    return out


def _plots_used(
    found: StandEstimates,
    base: EstimateTable,
    borrowed: pd.DataFrame,
    domain: NDArray[np.intp],
    mine: _Own,
) -> NDArray[np.int64]:
    """Count the plots behind each domain, those behind a borrowed part and an own one once."""
    out = base.n.copy()
    for d in np.unique(domain):
        weights = found.plot_weights(borrowed.iloc[d].rename("part")).to_numpy()
        plots = np.unique(mine.plot[domain[mine.cell] == d])
        out[d] += int((weights[plots] == 0).sum())
    return np.asarray(out)
