"""What a cruise's total hangs on: the plots, or the trees of a whole tally, that move it most."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise import StandEstimates, plot_leverage
from standmap.steps.plots import TallyFigures

MOST_LISTED: Final = 12
"""Plots or trees listed for what they do to the total."""
MOST_FAR: Final = 12
"""Plots listed besides for standing off their stand."""
FAR_SD: Final = 3.0
"""Standard deviations off its stand's other plots from which a plot is pointed out. Common
practice, no source."""
LEAST_DF: Final = 10
"""Degrees of freedom that a usual spread takes. Common practice, no source."""
TREE_COLUMNS: Final = (
    "plot", "tree", "species", "dbh_in", "stand", "figure", "stands_for", "share_pct", "change_pct",
)  # fmt: skip

FloatArray = npt.NDArray[np.float64]


def measured_figures(tally: TallyFigures, found: StandEstimates, at: int) -> FloatArray:
    """Sum what was measured to a figure of each plot."""
    figure = np.zeros(len(tally.plots))
    np.add.at(figure, tally.rows.plot_of_row, found.sample.values[:, at])  # noqa: PD011
    return figure


def heavy_plots(
    tally: TallyFigures, found: StandEstimates, acres: pd.Series, measure: str
) -> pd.DataFrame:
    """Return the sample plots that move the total most, and those far off their stand.

    Parameters
    ----------
    tally : TallyFigures
        The tally worked out.
    found : StandEstimates
        The estimates.
    acres : Series
        Net acres by stand.
    measure : str
        What is totalled.

    Returns
    -------
    DataFrame
        As `standmap.cruise.plot_leverage`, ``per_acre`` as measured on the plot itself, and
        ``off_sd``: how far the plot lies off the other plots of its stand, in standard deviations
        between plots of a stand pooled without it; NaN where too few plots tell.
    """
    table = plot_leverage(found, acres, measure)
    figure = measured_figures(tally, found, found.sample.attributes.index(measure))
    sampled = tally.rows.measured & ~tally.parts.complete
    own = pd.DataFrame(
        {
            "per_acre": np.where(tally.rows.measured, figure, np.nan),
            "off_sd": _off_stand(figure, found.cells.stand_index, sampled),
            "complete": tally.parts.complete,
        },
        index=tally.plots["plot"],
    ).loc[table["plot"]]
    table = table.assign(per_acre=own["per_acre"].to_numpy(), off_sd=own["off_sd"].to_numpy())
    # A sheet of a whole tally is no plot of a sample: its trees are listed instead.
    table = table[~own["complete"].to_numpy(dtype=bool)].reset_index(drop=True)
    far = np.flatnonzero(table["off_sd"].abs() >= FAR_SD)
    far = far[far >= MOST_LISTED][:MOST_FAR]
    listed = np.concatenate([np.arange(min(MOST_LISTED, len(table))), far])
    return table.iloc[listed].reset_index(drop=True)


def _off_stand(
    figure: FloatArray, stand: npt.NDArray[np.intp], sampled: npt.NDArray[np.bool_]
) -> FloatArray:
    """Return each plot's distance from its stand's others in pooled standard deviations.

    Externally studentised residuals of a one-way layout.
    """
    n = np.bincount(stand[sampled], minlength=stand.max(initial=0) + 1)
    sums = np.bincount(stand[sampled], weights=figure[sampled], minlength=n.size)
    mine = n[stand]
    on = sampled & (mine > 1)
    apart = np.where(on, figure - (sums / np.maximum(n, 1))[stand], 0.0)
    stretched = apart**2 * mine / np.maximum(mine - 1, 1)
    df = int((n[n > 1] - 1).sum()) - 1
    if df < LEAST_DF:
        return np.full(figure.size, np.nan)
    spread = np.sqrt(np.maximum((apart**2).sum() - stretched, 0.0) / df)
    with np.errstate(divide="ignore", invalid="ignore"):
        off = np.sign(apart) * np.sqrt(stretched) / spread
    return np.where(on & (spread > 0), off, np.nan)


def heavy_trees(
    tally: TallyFigures, found: StandEstimates, acres: pd.Series, measure: str
) -> pd.DataFrame:
    """Return the trees of whole tallies that move the total most.

    Where each tree was tallied there is no plot to leave out. A tree drawn by 3P or as one of its
    group stands for others, and without it their ratio would be another; a tree that stands for
    itself alone takes its own figure with it.

    Parameters
    ----------
    tally, found, acres, measure
        As for `heavy_plots`.

    Returns
    -------
    DataFrame
        ``plot, tree, species, dbh_in, stand, figure`` (of one tree), ``stands_for`` (trees),
        ``share_pct`` (of the total), ``change_pct`` (of the total, without it). Empty where no
        stand was tallied whole.
    """
    trees, at = tally.trees, found.sample.attributes.index(measure)
    whole = tally.parts.complete[trees["plot_at"].to_numpy(dtype=np.intp)]
    total = float(found.total(acres).estimate[0, at])
    if not whole.any() or not total > 0:
        return pd.DataFrame(columns=list(TREE_COLUMNS))
    row = trees["row_at"].to_numpy(dtype=np.intp)
    each = tally.all_trees.set_index("source_row").loc[
        trees["source_row"], [measure, "common_name"]
    ]
    figure = each[measure].to_numpy(dtype=float)
    for_trees = found.row_weights(acres)[row] * trees["trees_per_acre"].to_numpy(dtype=float)
    brought = for_trees * figure
    change = -brought
    if found.sample.indirect is not None:
        fitted = found.sample.indirect.class_of_row >= 0
        without = _without_rows(found, acres, at)
        change = np.where(fitted[row], without[row], change)
    table = pd.DataFrame(
        {
            "plot": trees["plot"].to_numpy(dtype=object),
            "tree": trees["tree"].to_numpy(dtype=object),
            "species": each["common_name"].to_numpy(dtype=object),
            "dbh_in": trees["dbh_in"].to_numpy(dtype=float),
            "stand": trees["stand"].to_numpy(dtype=object),
            "figure": figure,
            "stands_for": for_trees,
            "share_pct": 100 * brought / total,
            "change_pct": 100 * change / total,
        }
    )[whole & (for_trees > 0)]
    order = table["change_pct"].abs().sort_values(ascending=False, kind="stable").index
    return pd.DataFrame(table.loc[order].head(MOST_LISTED).reset_index(drop=True))


def _without_rows(found: StandEstimates, acres: pd.Series, at: int) -> FloatArray:
    """Return the change of the total when each row is left out of its ratio."""
    out = np.zeros(len(found.sample.values))
    c = found.coefficients(acres)
    for shared in found.cells.shared:
        out[shared.fit.rows] = shared.fit.change_without(shared.loading @ c)[:, at]
    return out
