"""Whether the sample is right: plots by an edge, in the wrong place, and borderline trees."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from standmap.cruise import edge_shortfall, tree_limits_ft
from standmap.errors import InputError, Problem
from standmap.land import STREAM_BUFFER
from standmap.steps.land import Land
from standmap.steps.plots import TallyFigures
from standmap.tract import Ledger, Tract
from standmap.tract.borderline import borderline_trees, has_circles, level_distance_ft
from standmap.tract.estimators import check_estimator
from standmap.tract.findings import Findings
from standmap.tract.tally import set_aside
from standmap.units import BASAL_AREA_CONSTANT, FT_PER_M

SEGMENTS: Final = 32
"""Straight pieces to a quarter of a circle that is held against a line: 0.04 % of its area."""
SHORT_PCT: Final = 1.0
"""An expected shortfall of a stand from here up is warned of. Our choice, no source. [%]"""
IN_EXCLUSION: Final = "its plot lies in an exclusion, and the tract file sets such plots aside"
IN_BUFFER: Final = "its plot lies in a stream buffer, and the tract file sets such plots aside"

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]

EDGE_COLUMNS: Final = (
    "plot", "stand", "edge", "share", "edge_ft", "reach_ft", "crosses", "outside_pct"
)  # fmt: skip
BIAS_COLUMNS: Final = (
    "stand", "plots", "crossing_plots", "uncorrected_plots", "reach_ft", "shortfall_pct",
    "possible_bias_pct",
)  # fmt: skip
PLACE_COLUMNS: Final = ("plot", "stand", "by_map", "recorded", "recorded_ft", "ground", "used")
TREE_COLUMNS: Final = (
    "plot", "tree", "species", "dbh_in", "distance_ft", "limit_ft", "over_ft", "call", "used",
    "source_row",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleChecks:
    """What was looked at in the sample before it was estimated from.

    Attributes
    ----------
    edges : DataFrame
        A row for each plot used whose circle can be drawn: distance to its stand's nearest line,
        reach of its circle, whether it crosses the line, share of the circle outside, how trees
        there were counted.
    bias : DataFrame
        A row for each stand with plots: mean reach of its trees, shortfall expected if nothing
        made up for its edges, and the possible bias left after what was done on its plots.
    places : DataFrame
        Plots off the stand of their record, in an exclusion, in a buffer or outside.
    borderline : DataFrame
        Tallied trees at their limit or beyond it.
    checked_trees : int
        Trees whose distance was held against their limit.
    problems : tuple of Problem
        Warnings.
    """

    edges: pd.DataFrame
    bias: pd.DataFrame
    places: pd.DataFrame
    borderline: pd.DataFrame
    checked_trees: int
    problems: tuple[Problem, ...]


def settle_places(tract: Tract, land: Land, *, ledger: Ledger) -> Tract:
    """Set aside plots in exclusions or buffers where the tract file asks for it; note the others.

    A plot there measures timber of its stand like any other, and by default it is kept: what must
    stay is valued at its stand's figures, and so the stand's sample is of all its ground. Where
    the ground is unlike the rest (a power line), plots in it are better set aside.

    Parameters
    ----------
    tract : Tract
        As read.
    land : Land
        Its ground, laid out.
    ledger : Ledger
        Gains an entry for every such plot, and for every tree set aside.

    Returns
    -------
    Tract
        The same, or one whose plots there lie in no stand and whose trees are not used.

    Raises
    ------
    InputError
        If too little is left to estimate from.
    """
    kind = ground_of_plots(tract, land)
    inside = (tract.plots["stand"] != "").to_numpy(dtype=bool)
    plots, settings = tract.plots, tract.settings
    file = settings.plots.file
    rows = plots["source_row"].to_numpy(dtype=np.int64)
    findings = Findings(ledger=ledger)
    trees = tract.trees
    stand = plots["stand"].to_numpy(dtype=object).copy()
    for ground, action, why in (
        ("buffer", settings.plots.in_buffer, IN_BUFFER),
        ("exclusion", settings.plots.in_exclusion, IN_EXCLUSION),
    ):
        there = inside & np.array([_class_of(k) == ground for k in kind], dtype=bool)
        if not there.any():
            continue
        named = plots["plot"].to_numpy(dtype=object)[there]
        if action == "keep":
            ledger.add_rows(
                file,
                rows=rows[there],
                column="plot",
                action="noted",
                old=list(named),
                why=[f"lies in {_words(k)}; kept as a plot of its stand" for k in kind[there]],
            )
            continue
        ledger.add_rows(
            file,
            rows=rows[there],
            column="plot",
            action="set aside",
            old=list(named),
            why=[f"lies in {_words(k)}, and in_{ground} says aside" for k in kind[there]],
        )
        stand[there] = ""
        if trees is tract.trees:
            trees = trees.copy()
        mask = trees["plot"].isin(list(named)).to_numpy(dtype=bool)
        set_aside(trees, mask, why, settings.trees.file, findings)
    if trees is tract.trees:
        return tract
    settled = replace(tract, plots=plots.assign(stand=stand), trees=trees)
    _still_enough(settled)
    return settled


def _still_enough(tract: Tract) -> None:
    """Refuse a cruise that cannot be estimated from without the plots set aside."""
    findings = Findings()
    check_estimator(
        tract.design,
        tract.settings,
        tract.plots,
        tract.trees,
        tract.stands,
        tract.types,
        tract.path.name,
        findings,
    )
    errors = [
        replace(
            p,
            what=f"once plots in exclusions or buffers are set aside, {p.what}",
            mend=f"{p.mend} Or keep such plots: in_exclusion or in_buffer in [plots].",
        )
        for p in findings.problems
        if p.severity == "error"
    ]
    if errors:
        raise InputError(errors)


def ground_of_plots(tract: Tract, land: Land) -> npt.NDArray[np.object_]:
    """Return why the ground under each plot must stay; "" where it need not, or is not mapped."""
    kept = land.pieces[land.pieces["reason"] != ""].to_crs(tract.crs)
    points = tract.plots.geometry.to_numpy()
    out = np.full(len(points), "", dtype=object)
    plot, piece = shapely.STRtree(kept.geometry.to_numpy()).query(points, predicate="intersects")
    out[plot[::-1]] = kept["reason"].to_numpy(dtype=object)[piece[::-1]]
    return out


def _class_of(reason: str) -> str:
    return "" if not reason else "buffer" if reason == STREAM_BUFFER else "exclusion"


def _words(reason: str) -> str:
    return "a stream buffer" if reason == STREAM_BUFFER else f"an exclusion ({reason})"


def check_sample(tract: Tract, tally: TallyFigures, land: Land) -> SampleChecks:
    """Look the sample over: edges, places and borderline trees.

    Parameters
    ----------
    tract : Tract
        Its plots settled.
    tally : TallyFigures
        The plots and trees used.
    land : Land
        The ground laid out.
    """
    places = _places(tract, land)
    problems = _place_problems(tract, places)
    borderline, checked = _borderline(tract, tally)
    edges = pd.DataFrame(columns=list(EDGE_COLUMNS))
    bias = pd.DataFrame(columns=list(BIAS_COLUMNS))
    if has_circles(tract.design):
        edges, bias = _edges(tract, tally)
        problems += _edge_problems(tract, edges, bias)
    return SampleChecks(
        edges=edges,
        bias=bias,
        places=places,
        borderline=borderline,
        checked_trees=checked,
        problems=tuple(problems),
    )


# -- edges ----------------------------------------------------------------------------------------


def _edges(tract: Tract, tally: TallyFigures) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Hold every plot's circle against its stand's lines."""
    located = tract.plots.set_index("plot").loc[tally.plots["plot"]]
    points = located.geometry.to_numpy()
    mapped = ~(shapely.is_missing(points) | shapely.is_empty(points))
    stands = tract.stands.set_index("stand")
    stand = tally.plots["stand"].to_numpy(dtype=object)
    shapes = stands.geometry.reindex(stand).to_numpy()
    reach, mean_reach = _reaches(tract, tally)
    edge_ft = shapely.distance(points, shapely.boundary(shapes)) * FT_PER_M
    off = mapped & ~shapely.intersects(points, shapes)
    crosses = mapped & (reach > 0) & ((edge_ft < reach) | off)
    outside = np.zeros(len(points))
    circles = shapely.buffer(points[crosses], reach[crosses] / FT_PER_M, quad_segs=SEGMENTS)
    area = shapely.area(circles)
    within = shapely.area(shapely.intersection(circles, shapes[crosses]))
    outside[crosses] = np.clip(100 * (1 - within / area), 0.0, 100.0)
    edges = pd.DataFrame(
        {
            "plot": tally.plots["plot"].to_numpy(dtype=object),
            "stand": stand,
            "edge": located["edge"].to_numpy(dtype=object),
            "share": located["share"].to_numpy(dtype=float),
            "edge_ft": edge_ft,
            "reach_ft": reach,
            "crosses": crosses,
            "outside_pct": np.where(mapped, outside, np.nan),
        }
    )
    return edges, _bias(stands, edges, mean_reach)


def _reaches(tract: Tract, tally: TallyFigures) -> tuple[FloatArray, pd.Series]:
    """Return the reach of each plot's circle, and the mean reach of the trees of each stand.

    A plot reaches as far as its farthest-counting tree (or a stated diameter) would; one with no
    tree, as far as its stand's. Means weigh trees by basal area, as the figures do.
    """
    trees, n = tally.trees, len(tally.plots)
    at = trees["plot_at"].to_numpy(dtype=np.intp)
    limit = tree_limits_ft(tally.parts, at, trees["dbh_in"].to_numpy(dtype=float))
    reach = np.zeros(n)
    np.maximum.at(reach, at, np.nan_to_num(limit))
    stated = tract.settings.cruise.edge_dbh_in
    if stated is not None:
        every = np.arange(n)
        reach = np.nan_to_num(tree_limits_ft(tally.parts, every, np.full(n, stated)))
    stand = tally.plots["stand"].to_numpy(dtype=object)
    by_stand = pd.Series(reach).groupby(stand).transform("max").to_numpy()
    reach = np.where(reach > 0, reach, np.where(by_stand > 0, by_stand, reach.max(initial=0.0)))
    weight = trees["trees_per_acre"].to_numpy() * trees["dbh_in"].to_numpy(dtype=float) ** 2
    weight = weight * BASAL_AREA_CONSTANT
    known = np.isfinite(limit) & (weight > 0)
    sums = pd.DataFrame({"w": weight[known], "wr": (weight * limit)[known]})
    sums = sums.groupby(stand[at[known]]).sum()
    return reach, (sums["wr"] / sums["w"]).rename("reach_ft")


def _bias(stands: gpd.GeoDataFrame, edges: pd.DataFrame, mean_reach: pd.Series) -> pd.DataFrame:
    """Return what is missing by the lines of each stand, expected and possibly left."""
    grouped = edges.groupby("stand", sort=False)
    bare = edges["edge"].isin(["", "none"])
    frame = pd.DataFrame(
        {
            "plots": grouped.size(),
            "crossing_plots": grouped["crosses"].sum().astype(int),
            "uncorrected_plots": (edges["crosses"] & bare).groupby(edges["stand"]).sum(),
        }
    )
    open_share = bare.groupby(edges["stand"]).mean().reindex(frame.index)
    here = stands.reindex(frame.index)
    perimeter = shapely.length(here.geometry.to_numpy()) * FT_PER_M
    frame["reach_ft"] = mean_reach.reindex(frame.index).fillna(0.0)
    acres = here["gross_acres"].to_numpy(dtype=float)
    frame["shortfall_pct"] = 100 * edge_shortfall(perimeter, acres, frame["reach_ft"])
    frame["possible_bias_pct"] = 0.0 - frame["shortfall_pct"] * open_share
    frame = frame.reindex([s for s in stands.index if s in frame.index])
    return frame.rename_axis("stand").reset_index()[list(BIAS_COLUMNS)]


def _edge_problems(tract: Tract, edges: pd.DataFrame, bias: pd.DataFrame) -> list[Problem]:
    """Say how low the figures may be where nothing made up for edges."""
    worst = bias[bias["possible_bias_pct"] <= -SHORT_PCT]
    bare = edges["crosses"] & edges["edge"].isin(["", "none"])
    if worst.empty or not bare.any():
        return []
    acres = tract.stands.set_index("stand")["gross_acres"].reindex(bias["stand"]).to_numpy()
    whole = float(np.average(bias["possible_bias_pct"], weights=acres))
    low = worst.sort_values("possible_bias_pct").iloc[0]
    unsaid = tract.settings.cruise.edge is None
    return [
        Problem(
            severity="warning",
            file=tract.path.name,
            column="cruise.edge",
            value=tract.settings.cruise.edge,
            what=f"{bare.sum()} plots reach over their stand's line and "
            + ("the cruise does not say what was done there" if unsaid else "nothing was made up")
            + f": if trees beyond the line were left out, figures are low by some {-whole:.1f} %, "
            f"in stand {low['stand']} by {-low['possible_bias_pct']:.1f} %",
            mend="Walk trees through at the next cruise"
            + (
                ', or write edge = "walkthrough" or "mirage" in [cruise] if that was done.'
                if unsaid
                else "; the cruise page lists the plots."
            ),
        )
    ]


# -- places ---------------------------------------------------------------------------------------


def _places(tract: Tract, land: Land) -> pd.DataFrame:
    """List plots that lie where a plot should be looked at twice."""
    plots = tract.plots
    kind = ground_of_plots(tract, land)
    recorded = plots["recorded"].to_numpy(dtype=object)
    stand = plots["stand"].to_numpy(dtype=object)
    shapes = tract.stands.set_index("stand").geometry
    points = plots.geometry.to_numpy()
    mapped = ~(shapely.is_missing(points) | shapely.is_empty(points))
    noted = shapes.reindex(recorded).to_numpy()
    away = shapely.distance(points, noted) * FT_PER_M
    by_map = np.full(len(points), "", dtype=object)
    hit, at = shapely.STRtree(shapes.to_numpy()).query(points, predicate="intersects")
    by_map[hit] = shapes.index.to_numpy(dtype=object)[at]
    off_record = mapped & (recorded != "") & (away > 0)
    ground = np.where(mapped & (by_map == ""), "outside every stand", kind)
    listed = off_record | (ground != "")
    frame = pd.DataFrame(
        {
            "plot": plots["plot"].to_numpy(dtype=object),
            "stand": stand,
            "by_map": by_map,
            "recorded": recorded,
            "recorded_ft": away,
            "ground": ground,
            "used": stand != "",
        }
    )
    return pd.DataFrame(frame[listed].reset_index(drop=True)[list(PLACE_COLUMNS)])


def _place_problems(tract: Tract, places: pd.DataFrame) -> list[Problem]:
    """Warn of plots kept on ground that the tract file says holds no timber, and of lost stands."""
    problems: list[Problem] = []
    file = tract.settings.plots.file
    on_bare = places[places["used"] & places["ground"].isin(tract.bare)]
    if len(on_bare):
        names = ", ".join(on_bare["plot"].astype(str).head(8))
        problems.append(
            Problem(
                severity="warning",
                file=file,
                column="plot",
                value=str(on_bare["plot"].iloc[0]),
                what=f"{len(on_bare)} plots lie on ground without timber ({names}) and still "
                "count in their stand, which makes its other acres look poorer",
                mend='Write in_exclusion = "aside" in [plots] to leave such plots out.',
            )
        )
    aside = {"in_exclusion", "in_buffer"} & tract.settings.plots.model_fields_set
    if aside:
        count = tract.plots.loc[tract.plots["stand"] != "", "stand"].value_counts()
        lost = [
            str(s)
            for s in dict.fromkeys(places.loc[~places["used"], "by_map"])
            if s and count.get(s, 0) < 2
        ]
        problems += [
            Problem(
                severity="warning",
                file=file,
                column="plot",
                value=s,
                what="plots were set aside, and this stand has too few left",
                mend="It takes the figures of its stratum; keep the plots or cruise it again.",
            )
            for s in lost
        ]
    return problems


# -- borderline trees -----------------------------------------------------------------------------


def _borderline(tract: Tract, tally: TallyFigures) -> tuple[pd.DataFrame, int]:
    """List the trees at their limit or beyond, those set aside for it included."""
    trees, cruise = tract.trees, tract.settings.cruise
    empty = pd.DataFrame(columns=list(TREE_COLUMNS))
    if trees["distance_ft"].isna().all() or not has_circles(tract.design):
        return empty, 0
    place = pd.Series(np.arange(len(tally.plots)), index=tally.plots["plot"])
    at = trees["plot"].map(place).fillna(-1).to_numpy(dtype=np.intp)
    table = borderline_trees(trees, tally.parts, at, cruise)
    used = trees.set_index("source_row")["used"].reindex(table["source_row"]).to_numpy()
    level = level_distance_ft(trees, to_face=False)
    checked = int((np.isfinite(level) & (at >= 0)).sum())
    return pd.DataFrame(table.assign(used=used)[list(TREE_COLUMNS)]), checked
