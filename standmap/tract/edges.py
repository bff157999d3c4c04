"""Stand edges in the input: how a tree is counted there, half plots, distances to trees."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, Protocol

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise.edges import EDGE_METHODS, MOST_TIMES
from standmap.tract.columns import Found
from standmap.tract.findings import Findings, did_you_mean
from standmap.tract.settings import CruiseTable

MOST_SLOPE_PCT: Final = 250.0
"""Steepest believable slope of a tape; 250 percent is 68 degrees. Common practice, no source."""
MOST_DISTANCE_FT: Final = 500.0
"""No plot or point reaches so far: a 60-inch tree at BAF 3 counts to 301 ft. [ft]"""

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]


class _Checks(Protocol):
    """What reports cells of the tally; see `standmap.tract.tree_checks`."""

    def value(self, name: str) -> FloatArray: ...

    def error(self, mask: BoolArray, name: str, what: str, mend: str | Sequence[str]) -> None: ...

    def warn(self, name: str, what: str, mend: str) -> None: ...


def check_field_columns(check: _Checks) -> None:
    """Check how often a tree counts, and its distance from the point."""
    times = check.value("times")
    most = max(MOST_TIMES.values())
    check.error(
        (times < 1) | (times % 1 != 0) & np.isfinite(times) | (times > most),
        "times",
        f"a tree counts a whole number of times at one point, 1 to {most}",
        "Type 1, or 2 where it was walked through and its far side is off the stand; blank is 1.",
    )
    distance = check.value("distance_ft")
    check.error(
        (distance < 0) | (distance > MOST_DISTANCE_FT),
        "distance_ft",
        f"a distance from the point to a tree lies between 0 and {MOST_DISTANCE_FT:g} feet",
        "Look for a missing decimal point; blank the cell if it was not measured.",
    )
    slope = check.value("slope_pct")
    check.error(
        np.abs(slope) > MOST_SLOPE_PCT,
        "slope_pct",
        f"the slope is over {MOST_SLOPE_PCT:g} percent",
        "Type percent, not minutes or degrees; blank is a level distance.",
    )
    bare = np.isfinite(slope) & (slope != 0) & np.isnan(distance)
    if bare.any() and np.isnan(distance).all():
        check.warn(
            "slope_pct",
            "slopes were tallied, and no distance: nothing is corrected by them",
            "A slope goes with the taped distance of its tree; limits on a slope are set in the "
            "woods (`standmap distances`).",
        )


def check_edge_columns(
    plots: pd.DataFrame, found: Mapping[str, Found], file: str, findings: Findings
) -> None:
    """Settle the ``edge`` and ``share`` columns of a plot list in place; faults are errors."""
    rows = plots["source_row"].to_numpy()
    words = (
        plots["edge"]
        .astype(object)
        .str.strip()
        .str.casefold()
        .str.replace(r"[ -]", "_", regex=True)
    )
    unknown = (~words.isin(["", *EDGE_METHODS])).to_numpy(dtype=bool)
    typed = plots["edge"].to_numpy(dtype=object)[unknown]
    findings.rows(
        "error",
        file,
        "unknown way to count trees by an edge",
        [did_you_mean(str(v), EDGE_METHODS, all_known="Ways") for v in typed],
        rows=rows[unknown],
        column=found["edge"].header if "edge" in found else "edge",
        values=typed,
    )
    plots["edge"] = np.where(unknown, "", words)
    share = plots["share"].to_numpy(dtype=float)
    wrong = (share <= 0) | (share > 1)
    findings.rows(
        "error",
        file,
        "the share of a plot lies above 0 and up to 1",
        "Type 0.5 for a half plot, 0.25 for a quarter; blank is a whole plot.",
        rows=rows[wrong],
        column=found["share"].header if "share" in found else "share",
        values=np.array([f"{v:g}" for v in share[wrong]], dtype=object),
    )
    plots["share"] = np.where(wrong | np.isnan(share), 1.0, share)


def check_edges(
    cruise: CruiseTable,
    plots: gpd.GeoDataFrame,
    trees: pd.DataFrame | None,
    *,
    file: str,
    plots_file: str,
    tally_file: str,
    findings: Findings,
) -> None:
    """Settle each plot's way with edges in place, and report what contradicts it.

    A plot without a word takes that of ``[cruise]``; a half plot without either is one.
    """
    edge = plots["edge"].where(plots["edge"] != "", cruise.edge or "").to_numpy(dtype=object)
    part = (plots["share"] < 1).to_numpy(dtype=bool)
    edge = np.where(part & (edge == ""), "half_plot", edge)
    plots["edge"] = edge
    rows = plots["source_row"].to_numpy()
    shares = np.array([f"{v:g}" for v in plots["share"]], dtype=object)
    twice = part & np.isin(edge, ("walkthrough", "mirage"))
    stated = (edge == "none") & part
    findings.rows(
        "error",
        plots_file,
        "a part of a plot whose trees are also tallied more than once: its edge is made up twice",
        "Give the plot edge half_plot, or share 1.",
        rows=rows[twice],
        column="share",
        values=shares[twice],
    )
    findings.rows(
        "error",
        plots_file,
        "a part of a plot, though nothing is made up for edges",
        "Give the plot edge half_plot, or share 1.",
        rows=rows[stated],
        column="share",
        values=shares[stated],
    )
    if cruise.design == "complete":
        findings.rows(
            "error",
            plots_file,
            "a complete tally has no half plots",
            "Blank the share, or correct the design.",
            rows=rows[part],
            column="share",
            values=shares[part],
        )
    if cruise.edge == "half_plot" and not part.any() and len(plots):
        findings.warn(
            file,
            "half plots are named for edges, and no plot has a share below 1",
            'Give the half plots a share of 0.5 in the plot list, or write edge = "none".',
            column="cruise.edge",
            value=cruise.edge,
        )
    if trees is not None:
        _check_times(plots, trees, tally_file, findings)


def _check_times(
    plots: gpd.GeoDataFrame, trees: pd.DataFrame, file: str, findings: Findings
) -> None:
    """Report trees that count more often than their plot's way with edges allows."""
    way = trees["plot"].map(dict(zip(plots["plot"], plots["edge"], strict=True))).fillna("")
    times = trees["times"].to_numpy(dtype=float)
    times = np.where(times <= max(MOST_TIMES.values()), times, 1.0)  # told of already
    rows = trees["source_row"].to_numpy(dtype=np.int64)
    shown = np.array([f"{v:g}" for v in times], dtype=object)
    for method, most in MOST_TIMES.items():
        over = (way == method).to_numpy(dtype=bool) & (times > most)
        words = {
            "none": "the tree counts more than once, though nothing is made up for edges",
            "walkthrough": "walked through, a tree counts once or twice",
            "mirage": f"by mirage a tree counts at most {most} times",
            "half_plot": "the tree counts more than once on a plot that is weighted for its edge",
        }[method]
        findings.rows(
            "error",
            file,
            words,
            "Correct times, or the plot's edge (edge in [cruise] or in the plot list).",
            rows=rows[over],
            column="times",
            values=shown[over],
        )
    unsaid = (way == "").to_numpy(dtype=bool) & (times > 1)
    if unsaid.any():
        findings.warn(
            file,
            f"trees of {unsaid.sum()} of the tally's rows count more than once, and the cruise "
            "does not say why",
            'They are taken as typed. Write edge = "walkthrough" or "mirage" in [cruise].',
            row=int(rows[unsaid][0]),
            column="times",
            value=shown[unsaid][0],
        )
