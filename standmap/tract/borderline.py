"""Borderline trees: tallied distances held against how far a tree may stand and still count."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise import Design, PlotParts, tree_limits_ft
from standmap.errors import DomainError
from standmap.tract.findings import Findings
from standmap.tract.phases import measured_plots
from standmap.tract.settings import CruiseTable
from standmap.tract.tally import set_aside

OUT: Final = "it stands farther from the plot's centre than a tree of its diameter counts"
IN_PER_HALF_STEM: Final = 24.0
"""Inches of diameter to a foot of half a diameter."""

FloatArray = npt.NDArray[np.float64]


def has_circles(design: Design) -> bool:
    """Whether every part of a design takes trees within a circle."""
    return all(part.design not in ("strip", "complete") for part in design.parts)


def level_distance_ft(trees: pd.DataFrame, *, to_face: bool) -> FloatArray:
    """Return the level distance from the plot's centre to the middle of each stem.

    A distance with a slope lies along it; a distance to the near face is half a diameter short.

    Examples
    --------
    >>> trees = pd.DataFrame({"distance_ft": [50.0], "slope_pct": [75.0], "dbh_in": [12.0]})
    >>> level_distance_ft(trees, to_face=False), level_distance_ft(trees, to_face=True)
    (array([40.]), array([40.5]))
    """
    slope = np.nan_to_num(trees["slope_pct"].to_numpy(dtype=float)) / 100
    level = trees["distance_ft"].to_numpy(dtype=float) / np.sqrt(1 + slope**2)
    half = trees["dbh_in"].to_numpy(dtype=float) / IN_PER_HALF_STEM
    return np.asarray(level + half if to_face else level)


def borderline_trees(
    trees: pd.DataFrame, parts: PlotParts, plot_index: npt.NDArray[np.intp], cruise: CruiseTable
) -> pd.DataFrame:
    """List trees at or beyond the limit of their plot.

    Parameters
    ----------
    trees : DataFrame
        The tally; those without ``distance_ft`` are passed over.
    parts : PlotParts
        The design, spelt out for the plots.
    plot_index : ndarray of int
        Row of each tree's plot; negative for none.
    cruise : CruiseTable
        Where distances were taken to, and how near the limit is borderline.

    Returns
    -------
    DataFrame
        ``plot, tree, species, dbh_in, distance_ft`` (level, to the middle of the stem),
        ``limit_ft, over_ft`` (negative where inside), ``call`` ("out" or "borderline"),
        ``source_row``; farthest over first.
    """
    dbh = trees["dbh_in"].to_numpy(dtype=float)
    limit = tree_limits_ft(parts, np.where(np.isnan(dbh), -1, plot_index), dbh)
    level = level_distance_ft(trees, to_face=cruise.distance_to == "face")
    over = level - limit
    with np.errstate(invalid="ignore"):
        near = np.abs(over) <= cruise.borderline_ft
        listed = near | (over > 0)
    table = trees.loc[listed, ["plot", "tree", "species", "dbh_in"]].assign(
        distance_ft=level[listed],
        limit_ft=limit[listed],
        over_ft=over[listed],
        call=np.where(near[listed], "borderline", "out"),
        source_row=trees["source_row"].to_numpy()[listed],
    )
    return table.sort_values("over_ft", ascending=False, kind="stable", ignore_index=True)


def check_borderline(
    design: Design,
    cruise: CruiseTable,
    plots: gpd.GeoDataFrame,
    trees: pd.DataFrame,
    stands: gpd.GeoDataFrame,
    *,
    plots_file: str,
    tally_file: str,
    findings: Findings,
) -> None:
    """Warn of tallied trees beyond their limit, or set them aside if the cruise says so.

    A tree set aside is taken out of its point's ``tree_count`` too, in place.
    """
    if trees["distance_ft"].isna().all():
        return
    if not has_circles(design):
        findings.ledger.add(
            tally_file,
            column="distance_ft",
            action="noted",
            why="distances are not held against a limit: a strip or complete tally has no circle",
        )
        return
    used = plots[plots["stand"] != ""].reset_index(drop=True)
    laid = lay_out_plots(design, used, stands)
    if laid is None:
        return
    place = pd.Series(np.arange(len(used)), index=used["plot"])
    at = trees["plot"].map(place).fillna(-1).to_numpy(dtype=np.intp)
    at = np.where(trees["used"].to_numpy(dtype=bool), at, -1)
    table = borderline_trees(trees, laid, at, cruise)
    out = table[table["call"] == "out"].sort_values("source_row")
    away = cruise.borderline == "set_aside"
    done = (
        "It is set aside."
        if away
        else 'It is used all the same; borderline = "set_aside" in [cruise] sets such trees aside.'
    )
    mends = [
        f"A tree of {d:g} in counts to {limit:.1f} ft, level; this one is {over:.1f} ft beyond. "
        f"Check both. {done}"
        for d, limit, over in zip(out["dbh_in"], out["limit_ft"], out["over_ft"], strict=True)
    ]
    rows = out["source_row"].to_numpy(dtype=np.int64)
    shown = [f"{v:.1f}" for v in out["distance_ft"]]
    findings.rows("warning", tally_file, OUT, mends, rows=rows, column="distance_ft", values=shown)
    if away:
        mask = trees["source_row"].isin(rows).to_numpy(dtype=bool)
        set_aside(trees, mask, OUT, tally_file, findings)
        _settle_counts(cruise, plots, trees, plots_file, findings)
    near = table[table["call"] == "borderline"]
    findings.ledger.add_rows(
        tally_file,
        rows=near["source_row"].to_numpy(dtype=np.int64),
        column="distance_ft",
        action="noted",
        old=[f"{v:.2f}" for v in near["distance_ft"]],
        why=[
            f"borderline: within {cruise.borderline_ft:g} ft of its limit of {limit:.2f} ft, and "
            "taken as tallied"
            for limit in near["limit_ft"]
        ],
    )


def _settle_counts(
    cruise: CruiseTable,
    plots: gpd.GeoDataFrame,
    trees: pd.DataFrame,
    plots_file: str,
    findings: Findings,
) -> None:
    """Take trees set aside out of the counts of their points, where the count still holds them.

    Counts by a factor of their own (``count_baf``) stay: a tree beyond its limit by the big factor
    may well be "in" by the small one.
    """
    if cruise.estimator != "count_measure" or cruise.count_baf is not None:
        return
    each = (trees["count"] * trees["times"]).where(trees["status"] != "dead", 0.0)
    out = (trees["why_not"] == OUT).to_numpy(dtype=bool)
    tallied, gone = (
        plots["plot"].map(each[mask].groupby(trees.loc[mask, "plot"]).sum()).fillna(0.0).to_numpy()
        for mask in (np.ones(len(trees), dtype=bool), out)
    )
    count = plots["tree_count"].to_numpy(dtype=float)
    held = (gone > 0) & (np.abs(count - tallied) < 1e-9)
    if not held.any():
        return
    plots["tree_count"] = np.where(held, count - gone, count)
    findings.ledger.add_rows(
        plots_file,
        rows=plots["source_row"].to_numpy(dtype=np.int64)[held],
        column="tree_count",
        action="changed",
        old=[f"{v:g}" for v in count[held]],
        new=[f"{v:g}" for v in (count - gone)[held]],
        why="trees of the point were set aside, beyond their limit, and leave its count too",
    )
    measured = measured_plots(plots, trees) & (plots["stand"] != "").to_numpy(dtype=bool)
    bare = int((~measured & (plots["stand"] != "").to_numpy(dtype=bool)).sum())
    if bare:
        share = 100 * gone[held].sum() / (count[measured].sum() - gone[held].sum())
        findings.warn(
            plots_file,
            f"{gone[held].sum():g} trees beyond their limit were taken out of the counts of "
            f"measured points; the counts of the {bare} other points cannot be checked",
            f"If trees were called as freely there, their counts are some {share:.1f} % too high: "
            "check a few of them on the ground.",
            column="tree_count",
        )


def lay_out_plots(design: Design, used: pd.DataFrame, stands: pd.DataFrame) -> PlotParts | None:
    """Spell a design out for plots that lie in stands; None where it does not fit them."""
    stratum_of = dict(zip(stands["stand"], stands["stratum"], strict=True))
    try:
        return design.lay_out(
            [stratum_of.get(stand, "") for stand in used["stand"]],
            baf=used["baf"].to_numpy(),
            plot_acres=used["plot_acres"].to_numpy(),
            tally_acres=np.ones(len(used)),
        )
    except DomainError:
        return None  # told of already, where the design is checked
