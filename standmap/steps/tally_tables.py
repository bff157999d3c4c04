"""Stand and stock tables of the whole tract, per net acre."""

from __future__ import annotations

import pandas as pd

from standmap.cruise import StandEstimates, stand_table, stock_table
from standmap.steps.plots import TallyFigures
from standmap.units import LOG_RULES

STOCK_AMOUNTS = (
    "volume_cuft",
    "volume_cum",
    *(f"{scale}bf_{rule}" for rule in LOG_RULES for scale in ("gross_", "")),
    "cords",
    "weight_tons",
    "value_usd",
)


def stand_and_stock(
    tally: TallyFigures, found: StandEstimates, net_acres: pd.Series
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return trees and volumes per net acre by species and 2-inch class.

    Each plot's trees count by the acres they speak for, so that the tables add up to the
    tract's estimates, borrowed stands included.
    """
    total = float(net_acres.sum())
    acres = found.row_weights(net_acres)
    used = tally.all_trees[tally.all_trees["used"]]
    row_at = pd.Series(tally.trees["row_at"].to_numpy(), index=tally.trees["source_row"])
    row = used["source_row"].map(row_at).to_numpy(dtype=int)
    share = acres[row] / (total if total > 0 else 1.0)
    trees = used["trees_per_acre"].to_numpy(dtype=float) * share
    species = used["common_name"].to_numpy(dtype=object)
    dbh = used["dbh_in"].to_numpy(dtype=float)
    return (
        stand_table(species, dbh, trees),
        stock_table(species, dbh, trees, used[list(STOCK_AMOUNTS)]),
    )
