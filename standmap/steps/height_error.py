"""What heights from a curve do to the total of a tally that has no other error."""

from __future__ import annotations

import warnings
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise import StandEstimates, t_quantile
from standmap.errors import Problem, StandmapWarning
from standmap.products import Logs
from standmap.steps.cutting import cut
from standmap.steps.money import SoldLogs, sell
from standmap.steps.plots import TallyFigures, common_names
from standmap.steps.stems import with_heights
from standmap.tract import Tract
from standmap.trees import MeasuredHeights, height_error
from standmap.units import BREAST_HEIGHT_FT, LOG_RULES
from standmap.value import LogLot

FloatArray = npt.NDArray[np.float64]

COLUMNS: Final = ("measure", "estimate", "se", "df", "error_pct", "measured", "filled")
STEP: Final = 0.1
"""Every filled height is made so much taller and shorter, as a share of its height above breast
height, to see what a foot of it is worth: about as far as single trees stray from a curve."""


def heights_alone(
    tract: Tract, tally: TallyFigures, found: StandEstimates, acres: pd.Series, measures: list[str]
) -> pd.DataFrame:
    """Return the error that filled heights alone bring to stands tallied whole.

    Such stands have no sampling error, and their totals still stray with the height curve. All
    other errors stay as they are: this one is stated beside them.

    Parameters
    ----------
    tract : Tract
        The checked input.
    tally : TallyFigures
        The tally worked out.
    found : StandEstimates
        The estimates.
    acres : Series
        Net acres by stand.
    measures : list of str
        ``value_usd``, ``volume_cuft`` or board feet by a rule.

    Returns
    -------
    DataFrame
        ``measure, estimate`` (the tract's), ``se, df, error_pct`` at the tract file's confidence,
        ``measured, filled`` (trees of the stands tallied whole). Empty where no stand was tallied
        whole by the plain mean, or no height was filled in.
    """
    nothing = pd.DataFrame(columns=list(COLUMNS))
    trees, grown = tally.trees, tally.grown
    fitted = (trees["height_source"] == "fitted").to_numpy()
    whole = tally.parts.complete[trees["plot_at"].to_numpy(dtype=np.int64)]
    filled = fitted & whole
    if grown.curves is None or tally.rows.indirect is not None or not filled.any():
        return nothing
    height = trees["height_used_ft"].to_numpy(dtype=float)
    step = np.where(filled, STEP * (height - BREAST_HEIGHT_FT), 0.0)
    taller, shorter = (_worth(tract, tally, height + by, measures) for by in (step, -step))
    weight = found.row_weights(acres)[trees["row_at"].to_numpy(dtype=np.int64)]
    stands_for = weight * trees["trees_per_acre"].to_numpy(dtype=float)
    count = np.where(np.isnan(trees["count"]), 1.0, trees["count"]).astype(float)
    total = found.total(acres)
    told = (trees["height_source"] == "measured") & trees["broken_height_ft"].isna()
    code, dbh, stand = (trees[c].to_numpy() for c in ("species_code", "dbh_in", "stand"))
    on = told.to_numpy()
    measured = MeasuredHeights(dbh[on], height[on], code[on].astype(np.int64), stand[on])
    rows = []
    for k, measure in enumerate(measures):
        slope = (taller[filled, k] - shorter[filled, k]) / (2.0 * step[filled])
        error = height_error(
            grown.curves, measured, species_code=code[filled], dbh_in=dbh[filled],
            stand=stand[filled], per_ft=stands_for[filled] * slope, count=count[filled],
        )  # fmt: skip
        estimate = float(total.estimate[0, found.sample.attributes.index(measure)])
        half = float(t_quantile(error.df, found.sample.confidence)) * error.se
        share = 100.0 * half / estimate if estimate > 0 else np.nan
        here = (float(count[whole & on].sum()), float(count[filled].sum()))
        rows.append((measure, estimate, error.se, error.df, share, *here))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _worth(
    tract: Tract, tally: TallyFigures, height_ft: FloatArray, measures: list[str]
) -> FloatArray:
    """Return the measures of every tree, cut and sold again with other heights."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", StandmapWarning)  # said already of the heights as they are
        grown = with_heights(tally.grown, height_ft, tract.settings, tract.taper)
    logs = cut(tract, grown)
    lot = LogLot.of(logs, grown.trees["species_code"].to_numpy(dtype=np.int64))
    sold = sell(lot, tract.products, tally.market, common_names())
    n = len(grown.trees)
    made = [np.bincount(logs.tree, _by_log(name, logs, sold), minlength=n) for name in measures]
    return np.column_stack(made)


def _by_log(measure: str, logs: Logs, sold: SoldLogs) -> FloatArray:
    if measure == "value_usd":
        return sold.value_usd
    if measure == "volume_cuft":
        return logs.volume_cuft
    return np.asarray(logs.bf[:, LOG_RULES.index(measure.removeprefix("bf_"))])


def height_problems(tract: Tract, alone: pd.DataFrame) -> list[Problem]:
    """Return the warning that goes with the error of the heights.

    Parameters
    ----------
    tract : Tract
        The checked input.
    alone : DataFrame
        From `heights_alone`.
    """
    if alone.empty or not alone["error_pct"].notna().any():
        return []
    first = alone[alone["error_pct"].notna()].iloc[0]
    what = "value" if first["measure"] == "value_usd" else "board feet"
    if first["measure"] == "volume_cuft":
        what = "cubic feet"
    heights = f"{first['filled']:,.0f} of {first['filled'] + first['measured']:,.0f}"
    return [
        Problem(
            severity="warning",
            file=tract.settings.trees.file,
            column="height_ft",
            what=f"the heights of {heights} trees of stands tallied whole come from a curve: by "
            f"that alone the tract's {what} may be off by {first['error_pct']:.1f} % at "
            f"{tract.settings.cruise.confidence:.0%} confidence, which is in no stated error",
            mend="Measure more heights over the range of diameters, or cruise it as sample trees "
            "(guide page 'design_sample_tree').",
        )
    ]
