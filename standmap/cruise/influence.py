"""Which plot moves the total most."""

from __future__ import annotations

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standmap.cruise.estimator import StandEstimates
from standmap.errors import DomainError


def plot_leverage(stands: StandEstimates, acres: pd.Series, attribute: str) -> pd.DataFrame:
    """Show what each plot brings to a total, and what the total would be without it.

    Parameters
    ----------
    stands : StandEstimates
        From :func:`estimate`.
    acres : Series
        Acres by stand of the domain: tract, stratum, unit.
    attribute : str
        What to total.

    Returns
    -------
    DataFrame
        One row per plot that bears on the domain, that which moves the total most first: ``plot,
        stand, per_acre`` (its figure), ``acres`` (it speaks for), ``share_pct`` (of the total),
        ``total_without``, ``change_pct`` (of the total, when the plot is left out). NaN in the last
        two for the only plot of its stand.

    Raises
    ------
    DomainError
        If there is no such attribute, or as for :meth:`StandEstimates.total`.

    Notes
    -----
    A plot left out hands its acres to the other plots of its stand in proportion to their weights;
    no new borrowing is worked out. Where figures come by way of something cheaper, what its trees
    did to the ratio or line is taken out too, and its share is that of the trees measured on it.

    A plot that moves a total by several times its fair share, 1/n, is worth a second look in the
    field notes. It is never dropped for that: a big plot is part of the sample.

    References
    ----------
    .. [1] Efron, B., and R.J. Tibshirani. 1993. An introduction to the bootstrap. Chapman and Hall,
       chapter 11, the jackknife (from memory).

    Examples
    --------
    >>> from standmap.cruise import Sample, estimate
    >>> sample = Sample(values=[[8.0], [12.0], [40.0]], plots=["1", "2", "3"], stand=["A"] * 3,
    ...                 attributes=["cords"],
    ...                 stands=pd.DataFrame({"stand": ["A"], "stratum": "", "acres": 30.0}))
    >>> found = plot_leverage(estimate(sample), pd.Series({"A": 30.0}, name="tract"), "cords")
    >>> found[["plot", "share_pct", "total_without", "change_pct"]].round(1)
      plot  share_pct  total_without  change_pct
    0    3       66.7          300.0       -50.0
    1    1       13.3          780.0        30.0
    2    2       20.0          720.0        20.0
    """
    sample, cells = stands.sample, stands.cells
    if attribute not in sample.attributes:
        raise DomainError(
            f"No attribute {attribute!r} in the sample; it has {', '.join(sample.attributes[:8])}."
        )
    figure = cells.values[:, sample.attributes.index(attribute)]  # noqa: PD011 - not a frame
    spoken = np.where(cells.known[cells.stand_index], 0.0, stands.plot_weights(acres).to_numpy())
    brought, through = _of_rows(stands, acres, attribute, spoken * figure)
    total = float(brought.sum())
    index = cells.stand_index
    stand_acres = np.bincount(index, weights=spoken, minlength=cells.n.size)[index]
    mean = np.bincount(index, weights=cells.share * figure, minlength=cells.n.size)[index]
    with np.errstate(divide="ignore", invalid="ignore"):
        rest = np.where(cells.n[index] > 1, cells.share / (1 - cells.share), np.nan)
        change = np.where(spoken > 0, stand_acres * rest * (mean - figure), 0.0) + through
        table = pd.DataFrame(
            {
                "plot": sample.plots,
                "stand": sample.stand,
                "per_acre": figure,
                "acres": spoken,
                "share_pct": 100 * brought / np.float64(total),
                "total_without": total + change,
                "change_pct": 100 * change / np.float64(total),
            }
        )
    table = table[(spoken > 0) | (brought != 0) | (through != 0)]
    order = table["change_pct"].abs().sort_values(ascending=False, kind="stable").index
    found: pd.DataFrame = table.loc[order].reset_index(drop=True)
    return found


def _of_rows(
    stands: StandEstimates, acres: pd.Series, attribute: str, plain: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what each plot's measured trees bring, and the change without them, by plot."""
    sample, cells = stands.sample, stands.cells
    if sample.indirect is None:
        return plain, np.zeros_like(plain)
    a, n = sample.attributes.index(attribute), plain.size
    plot = sample.indirect.plot_of_row
    figure = sample.values[:, a]  # noqa: PD011 - not a frame
    weighed = stands.row_weights(acres) * figure
    brought = np.asarray(np.bincount(plot, weights=weighed, minlength=n), dtype=np.float64)
    c = stands.coefficients(acres)
    through = np.zeros(n)
    for shared in cells.shared:
        change = shared.fit.change_without(shared.loading @ c)[:, a]
        through += np.bincount(plot[shared.fit.rows], weights=change, minlength=n)
    return brought, through
