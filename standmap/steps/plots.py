"""From the checked tally to a figure for every plot: stems, logs, sale lines, per-acre sums."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise import PlotParts, share_acres
from standmap.errors import Problem
from standmap.products import Logs
from standmap.species import catalogue
from standmap.steps.cutting import cut
from standmap.steps.indirect import Rows, measured_rows
from standmap.steps.money import Market, SoldLogs, sell
from standmap.steps.sampling import attribute_names, plot_values
from standmap.steps.stems import GrownTally, grow_stems
from standmap.steps.unbought import never_cut, unpriced_by_offers
from standmap.tract import Ledger, Tract
from standmap.units import CUM_PER_CUFT, LOG_RULES
from standmap.value import LogLot

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class TallyFigures:
    """The tally worked out, tree by tree and plot by plot.

    Attributes
    ----------
    plots : DataFrame
        The plots used, numbered from 0: ``plot``, ``stand``, ``stratum``.
    parts : PlotParts
        The design spelt out for those plots.
    rows : Rows
        What was measured together: the plots, unless figures come by way of something cheaper.
    per_acre : ndarray, shape (rows, attributes)
        Per-acre figures.
    attributes : tuple of str
        Their names.
    trees : DataFrame
        The trees used, with ``plot_at`` (row of `plots`), ``row_at`` (of `per_acre`) and
        ``trees_per_acre``.
    all_trees : DataFrame
        The whole tally: used or not and why, heights, volumes.
    grown : GrownTally
        The trees and their stems.
    logs : Logs
        The logs of `trees`.
    lot : LogLot
        The same as buyers see them.
    market : Market
        What they are sold by.
    log_table : DataFrame
        The same, a row each, ready to be looked at.
    sold : SoldLogs
        Their sale lines and values.
    height_curves : DataFrame
        Report of the height curves; empty where none was needed.
    problems : list of Problem
        Warnings.
    """

    plots: pd.DataFrame
    parts: PlotParts
    rows: Rows
    per_acre: FloatArray
    attributes: tuple[str, ...]
    trees: pd.DataFrame
    all_trees: pd.DataFrame
    grown: GrownTally
    logs: Logs
    lot: LogLot
    market: Market
    log_table: pd.DataFrame
    sold: SoldLogs
    height_curves: pd.DataFrame
    problems: list[Problem]


def figure_tally(tract: Tract, *, ledger: Ledger) -> TallyFigures:
    """Grow, cut, price and sum the tally of a tract.

    Parameters
    ----------
    tract : Tract
        The checked input.
    ledger : Ledger
        Heights filled in and trees set aside are entered here.
    """
    settings = tract.settings
    plots, parts = _plots_used(tract)
    used = _trees_used(tract, plots, parts)
    rows = measured_rows(tract, plots, parts, used)
    used = used.assign(row_at=rows.row_of_tree, trees_per_acre=rows.factor)
    grown = grow_stems(used, settings, taper=tract.taper, file=settings.trees.file, ledger=ledger)
    logs = cut(tract, grown)
    names = common_names()
    market = market_of(tract)
    lot = LogLot.of(logs, grown.trees["species_code"].to_numpy(dtype=np.int64))
    sold = sell(lot, tract.products, market, names)
    row_of_tree = grown.trees["row_at"].to_numpy(dtype=np.int64)
    factor = grown.trees["trees_per_acre"].to_numpy(dtype=float)
    per_acre = plot_values(
        n_plots=len(rows.plot_of_row),
        plot_of_tree=row_of_tree,
        factor=factor,
        dbh_in=grown.trees["dbh_in"].to_numpy(dtype=float),
        logs=logs,
        sold=sold,
    )
    return TallyFigures(
        plots=plots,
        parts=parts,
        rows=rows,
        per_acre=per_acre,
        attributes=attribute_names(len(sold.lines)),
        trees=grown.trees,
        all_trees=_whole_tally(tract.trees, grown.trees, logs, sold),
        grown=grown,
        logs=logs,
        lot=lot,
        market=market,
        log_table=_log_table(grown.trees, logs, sold, names),
        sold=sold,
        height_curves=_curve_report(grown),
        problems=[
            *grown.problems,
            *never_cut(tract, grown, logs, names),
            *sold.problems,
            *unpriced_by_offers(tract, lot, names),
        ],
    )


def _curve_report(grown: GrownTally) -> pd.DataFrame:
    """Return the height curves, how many heights each filled and how many it extrapolated."""
    if grown.curves is None:
        return pd.DataFrame()
    fitted = grown.trees[grown.trees["height_source"] == "fitted"]
    return grown.curves.report_of(fitted["species_code"].to_numpy(), fitted["dbh_in"].to_numpy())


def common_names() -> dict[int, str]:
    """Return the common name of every species code."""
    names = catalogue()["common_name"]
    return dict(zip(names.index.astype(int).tolist(), names.tolist(), strict=True))


def market_of(tract: Tract) -> Market:
    """Return what the tract's logs are sold by."""
    settings = tract.settings
    sheet = settings.prices or settings.mills
    return Market(
        prices=tract.prices,
        mills=tract.mills,
        file=sheet.file if sheet is not None else "",
        tract_file=tract.path.name,
    )


def _plots_used(tract: Tract) -> tuple[pd.DataFrame, PlotParts]:
    """Return the plots inside a stand, and how trees were chosen on each."""
    plots = pd.DataFrame(tract.plots.drop(columns="geometry"))
    plots = plots[plots["stand"] != ""].reset_index(drop=True)
    by_stand = tract.stands.set_index("stand")
    plots["stratum"] = plots["stand"].map(by_stand["stratum"])
    gross = plots["stand"].map(by_stand["gross_acres"]).to_numpy(dtype=float)
    parts = tract.design.lay_out(
        plots["stratum"].to_numpy(dtype=object),
        baf=plots["baf"].to_numpy(dtype=float),
        plot_acres=plots["plot_acres"].to_numpy(dtype=float),
        tally_acres=share_acres(plots["stand"].to_numpy(dtype=object), gross),
    )
    return plots, parts


def _trees_used(tract: Tract, plots: pd.DataFrame, parts: PlotParts) -> pd.DataFrame:
    """Return the trees that count, with their plot and trees per acre."""
    trees = tract.trees[tract.trees["used"]].copy()
    place = pd.Series(np.arange(len(plots)), index=plots["plot"])
    trees["plot_at"] = trees["plot"].map(place).astype(np.int64)
    trees["stand"] = plots["stand"].to_numpy(dtype=object)[trees["plot_at"].to_numpy()]
    # A tree walked through counts twice; a tree of a half plot stands for twice as many.
    share = plots["share"].to_numpy(dtype=float)[trees["plot_at"].to_numpy()]
    trees["trees_per_acre"] = parts.trees_per_acre(
        trees["plot_at"].to_numpy(),
        trees["dbh_in"].to_numpy(),
        trees["count"].to_numpy() * trees["times"].to_numpy() / share,
    )
    return trees


def _whole_tally(
    tally: pd.DataFrame, used: pd.DataFrame, logs: Logs, sold: SoldLogs
) -> pd.DataFrame:
    """Return every tally row with what became of it."""
    frame = tally.copy()
    n = len(used)
    wood = np.bincount(logs.tree, weights=logs.volume_cuft, minlength=n)
    scales = {"gross_": logs.gross_bf, "": logs.bf}
    made = pd.DataFrame(
        {
            "source_row": used["source_row"].to_numpy(),
            "height_used_ft": used["height_used_ft"].to_numpy(),
            "height_source": used["height_source"].to_numpy(),
            "trees_per_acre": used["trees_per_acre"].to_numpy(),
            "volume_cuft": wood,
            "volume_cum": wood * CUM_PER_CUFT,
            **{
                f"{scale}bf_{rule}": np.bincount(logs.tree, weights=board_feet[:, at], minlength=n)
                for at, rule in enumerate(LOG_RULES)
                for scale, board_feet in scales.items()
            },
            "cords": np.bincount(logs.tree, weights=logs.cords, minlength=n),
            "weight_tons": np.bincount(logs.tree, weights=logs.weight_tons, minlength=n),
            "value_usd": np.bincount(logs.tree, weights=sold.value_usd, minlength=n),
        }
    )
    frame = frame.merge(made, on="source_row", how="left", validate="one_to_one")
    frame["common_name"] = frame["species_code"].map(catalogue()["common_name"])
    return frame


def _log_table(
    trees: pd.DataFrame, logs: Logs, sold: SoldLogs, names: dict[int, str]
) -> pd.DataFrame:
    """Return the logs with the plot, tree and species they came from, and their value."""
    frame = logs.to_frame().rename(columns={"tree": "_at"})
    at = frame.pop("_at").to_numpy()
    after_cuft = frame.columns.to_list().index("volume_cuft") + 1
    frame.insert(after_cuft, "volume_cum", logs.volume_cuft * CUM_PER_CUFT)
    who = trees[["plot", "tree", "species_code", "dbh_in", "trees_per_acre", "grade", "source_row"]]
    who = who.iloc[at].reset_index(drop=True)
    who.insert(3, "species", who["species_code"].map(names))
    who = who.rename(columns={"source_row": "tally_row"})
    return pd.concat([who, frame], axis=1).assign(value_usd=sold.value_usd)
