"""The tally: read, checked, and every tree either used or set aside with its reason."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.tract.columns import TREE_COLUMNS, Found, find_columns, mapped_names
from standmap.tract.findings import Findings
from standmap.tract.plans import settle_marked
from standmap.tract.plots import numbers
from standmap.tract.settings import TreesTable, VolumeTable
from standmap.tract.sources import Sources
from standmap.tract.tables import Table, read_table
from standmap.tract.tree_checks import check_tally

COUNTED_ONLY: Final = "counted only: its figures come from the trees measured"
"""Why a tree of a 3P or sample-tree cruise is not among those measured."""
YES: Final = frozenset({"yes", "y", "true", "1", "measured"})
NO: Final = frozenset({"no", "n", "false", "0", "counted"})

BoolArray = npt.NDArray[np.bool_]


def read_tally(
    table: TreesTable,
    volume: VolumeTable,
    sources: Sources,
    *,
    aliases: Mapping[str, str],
    plot_names: Sequence[str] | None,
    products: Sequence[str] | None,
    counting: bool = False,
) -> pd.DataFrame | None:
    """Read the tally and check it row by row.

    Parameters
    ----------
    table, volume : TreesTable, VolumeTable
        ``[trees]`` and ``[volume]`` of the tract file.
    sources : Sources
        Where files are found and faults go.
    aliases : mapping
        The tract's own species names.
    plot_names : sequence of str or None
        Every plot listed, outside ones included; None where the plots could not be read.
    products : sequence of str or None
        Names of the product specs; None where they could not be read.
    counting : bool
        Trees may be counted and not measured: those marked so, or without a diameter.

    Returns
    -------
    DataFrame or None
        ``plot, tree, species, species_code, dbh_in, count, times, distance_ft, slope_pct,
        saw_logs, saw_height_ft, height_ft, broken_height_ft, form_class, defect_pct, product,
        status, marked, kpi, sample_group, used, why_not, source_row``; NaN is "not recorded". None
        where the table could not be read.
    """
    findings, file = sources.findings, table.file
    path = sources.find(file, "[trees]")
    read = None if path is None else read_table(path, file, findings, sheet=table.sheet)
    if read is None:
        return None
    found = find_columns(
        read.header, TREE_COLUMNS, mapped_names(table, TREE_COLUMNS), file=file, findings=findings
    )
    if any(column.required and column.name not in found for column in TREE_COLUMNS):
        return None
    trees = _frame(read, found, findings)
    trees, blank_dbh = _pass_over_empty(trees, read, found, findings)
    if trees.empty:
        findings.error(file, "the tally has no trees", "Name the file that holds the trees.")
        return None
    counted = _counted_only(trees, blank_dbh, file, findings, counting=counting)
    check_tally(
        trees,
        found,
        volume,
        file=file,
        findings=findings,
        blank_dbh=blank_dbh & ~counted,
        aliases=aliases,
        plot_names=plot_names,
        products=products,
    )
    marked = found["marked"].header if "marked" in found else "marked"
    settle_marked(trees, file, findings, marked)
    return _finish(trees, counted, file, findings)


def _counted_only(
    trees: pd.DataFrame, blank_dbh: BoolArray, file: str, findings: Findings, *, counting: bool
) -> BoolArray:
    """Tell which rows are of trees that were counted and not measured."""
    said = trees["measured"].str.strip().str.casefold()
    if not counting:
        if unmeasured := int(said.isin(list(NO)).sum()):
            findings.warn(
                file,
                f"{unmeasured} rows are said not to be measured, and the estimator takes every "
                "tree of the tally as measured",
                'Write estimator = "sample_tree" or "three_p" in [cruise] if the cruise was made '
                "so.",
                column="measured",
            )
        return np.zeros(len(trees), dtype=bool)
    rows = trees["source_row"].to_numpy(dtype=np.int64)
    strange = (~said.isin([*YES, *NO, ""])).to_numpy(dtype=bool)
    findings.rows(
        "error",
        file,
        "this does not say whether the tree was measured",
        "Type yes or no; blank is yes for a tree with a diameter.",
        rows=rows[strange],
        column="measured",
        values=trees["measured"].to_numpy(dtype=object)[strange],
    )
    no = said.isin(list(NO)).to_numpy(dtype=bool)
    return no | (blank_dbh & ~said.isin(list(YES)).to_numpy(dtype=bool))


def _frame(read: Table, found: Mapping[str, Found], findings: Findings) -> pd.DataFrame:
    """Return every canonical column, blank or NaN where the table has none."""
    columns: dict[str, object] = {}
    for column in TREE_COLUMNS:
        where = found.get(column.name)
        if column.number:
            columns[column.name] = (
                np.full(len(read), np.nan) if where is None else numbers(read, where, findings)
            )
        else:
            columns[column.name] = (
                pd.Series("", index=range(len(read)), dtype="str")
                if where is None
                else read.text(where.at)
            )
    return pd.DataFrame({**columns, "source_row": read.rows})


def _pass_over_empty(
    trees: pd.DataFrame, read: Table, found: Mapping[str, Found], findings: Findings
) -> tuple[pd.DataFrame, BoolArray]:
    """Take out rows that name a plot and no tree; also return which diameters are blank."""
    dbh_text = read.text(found["dbh_in"].at)
    blank_dbh = trees["dbh_in"].isna().to_numpy() & (
        (dbh_text == "") | dbh_text.str.upper().isin(["NA", "N/A", "NAN"])
    ).to_numpy(dtype=bool)
    nothing = (
        blank_dbh
        & (trees["species"] == "").to_numpy(dtype=bool)
        & (trees["plot"] != "").to_numpy(dtype=bool)
        & ~(trees["count"].to_numpy() > 0)
        & ~(trees["saw_logs"].to_numpy() > 0)
    )
    findings.ledger.add_rows(
        read.file,
        rows=read.rows[nothing],
        action="noted",
        column="plot",
        old=trees["plot"].to_numpy(dtype=object)[nothing],
        why="a row with a plot and no tree: the plot has no tree on this row",
    )
    return trees[~nothing].reset_index(drop=True), blank_dbh[~nothing]


def _finish(trees: pd.DataFrame, counted: BoolArray, file: str, findings: Findings) -> pd.DataFrame:
    """Fill defaults, number the trees, and set aside those that do not count."""
    trees["count"] = trees["count"].fillna(1.0)
    trees["times"] = trees["times"].fillna(1.0)
    trees["defect_pct"] = trees["defect_pct"].fillna(0.0)
    rows = trees["source_row"].to_numpy(dtype=np.int64)
    if (trees["tree"] == "").all():
        trees["tree"] = (trees.groupby("plot", sort=False).cumcount() + 1).astype("str")
    else:
        twice = trees.duplicated(["plot", "tree"]).to_numpy() & (trees["tree"] != "").to_numpy()
        findings.rows(
            "warning",
            file,
            "a second tree of this number on its plot",
            "Both are used; delete the row if it was typed twice.",
            rows=rows[twice],
            column="tree",
            values=trees["tree"].to_numpy(dtype=object)[twice],
        )
    trees["why_not"] = pd.Series("", index=trees.index, dtype="str")
    set_aside(trees, (trees["count"] == 0).to_numpy(), "the count is zero", file, findings)
    set_aside(trees, (trees["status"] == "dead").to_numpy(), "a dead tree", file, findings)
    # Not set aside: they are in the estimate by their count or prediction, so no ledger entry.
    trees.loc[counted & trees["used"].to_numpy(dtype=bool), "why_not"] = COUNTED_ONLY
    trees["used"] = (trees["why_not"] == "").to_numpy(dtype=bool)
    return trees[
        [
            "plot",
            "tree",
            "species",
            "species_code",
            "dbh_in",
            "count",
            "times",
            "distance_ft",
            "slope_pct",
            "saw_logs",
            "saw_height_ft",
            "height_ft",
            "broken_height_ft",
            "form_class",
            "butt_dib_in",
            "grade",
            "defect_pct",
            "defect_from_ft",
            "defect_to_ft",
            "product",
            "status",
            "marked",
            "kpi",
            "sample_group",
            "used",
            "why_not",
            "source_row",
        ]
    ]


def set_aside(
    trees: pd.DataFrame, mask: BoolArray, why: str, file: str, findings: Findings
) -> None:
    """Mark trees as not used, in place; the first reason stays, and every one is in the ledger."""
    mask = mask & (trees["why_not"] == "").to_numpy(dtype=bool)
    trees.loc[mask, "why_not"] = why
    trees["used"] = (trees["why_not"] == "").to_numpy(dtype=bool)
    gone = trees[mask]
    old = gone["plot"] + " / " + gone["tree"] + " / " + gone["species"]
    findings.ledger.add_rows(
        file,
        rows=gone["source_row"].to_numpy(dtype=np.int64),
        action="set aside",
        why=why,
        old=[f"plot / tree / species: {tree}" for tree in old],
    )
