"""The cruise of the sample tract: points laid in every cruised stand, and the trees they pick.

How edges are handled. A stand's points are drawn over its cruised ground (the stand less the
exclusions), and only trees on that ground count for it. A tree near the edge of the ground could be
picked from fewer points than its size entitles it to, so the walkthrough rule is used: go from the
point through the tree as far again; if that lands off the ground, the tree is tallied twice, as
``count`` 2 (Ducey, Gove and Valentine 2004, A walkthrough solution to the boundary overlap
problem, Forest Science 50(4):427-435). Without it these stands would be estimated 2 to 11 % low.
With it they are estimated without edge bias, except where ground is so narrow that a tree's circle
sticks out on both sides: in stand 7, along the creek, about 1 % stays.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from make_stems import ECODIVISION, KINDS
from make_terrain import FT, Grid
from scipy.spatial import cKDTree

from standmap.trees import national_stems
from standmap.units import LOG_FT, SQFT_PER_ACRE, SQM_PER_ACRE, STUMP_FT, TRIM_FT

BAF = 10.0
"""Basal area factor of every point. [sq ft/acre]"""
GRID_SCALE = 0.9996
"""Map metres to a metre on the ground: the scale of UTM along its middle."""
ACRES_A_POINT = 5.5
FEWEST_POINTS = 5
BEARING_DEG = 24.0
"""Bearing of the cruise lines: across the main creek and most of the draws."""
HEIGHT_EVERY = 3
"""Total height is measured on the first of every so many trees of a point."""
BUTT_EVERY = 4
"""The top of the butt log is measured on one of so many of those that have a log."""
BEST_GRADE_DBH_IN = 16.0
"""A sound tree this thick that was not called for veneer has a butt log of grade 2, not 3."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cruise:
    """One cruise drawn from the stem map.

    Attributes
    ----------
    plots : DataFrame
        ``plot, stand, x, y``; points with no trees are there too.
    tally : DataFrame
        ``plot, tree, species, dbh_in, count, saw_logs, height_ft, defect_pct, product, status`` as
        written down in the woods, and ``stem``, the row of the tree in the stem map.
    """

    plots: pd.DataFrame
    tally: pd.DataFrame


def limiting_distance_m(dbh_in: Grid, *, baf: float = BAF) -> Grid:
    """Return the farthest map distance, in metres, at which a tree of this diameter is in.

    One acre of a tree's own circle holds ``baf`` square feet of basal area: the radius in feet is
    DBH x sqrt(43,560 / (576 BAF)), 2.75 ft for each inch at BAF 10.
    """
    distance: Grid = np.asarray(dbh_in) * np.sqrt(SQFT_PER_ACRE / (576 * baf)) * FT * GRID_SCALE
    return distance


def lay_points(
    ground: shapely.Geometry, n: int, rng: np.random.Generator, *, layout: Literal["grid", "random"]
) -> Grid:
    """Points on a stand's ground: a square grid from a random start, or n points anywhere.

    A grid is spaced for n points, but holds as many as its start gives it. Every spot of the
    ground has the same chance of a point.
    """
    west, south, east, north = ground.bounds
    shapely.prepare(ground)
    if layout == "random":
        points = np.empty((0, 2))
        while len(points) < n:
            tried = rng.uniform((west, south), (east, north), (4 * n, 2))
            points = np.vstack([points, tried[shapely.contains_xy(ground, tried)]])
        return points[:n]
    gap = np.sqrt(ground.area / n)
    reach = np.hypot(east - west, north - south) / 2 + gap
    line = np.arange(-reach, reach, gap)
    u, v = (g.ravel() for g in np.meshgrid(line + rng.uniform(0, gap), line + rng.uniform(0, gap)))
    turn = np.radians(BEARING_DEG)
    x = (west + east) / 2 + u * np.cos(turn) + v * np.sin(turn)
    y = (south + north) / 2 - u * np.sin(turn) + v * np.cos(turn)
    points = np.column_stack([x, y])
    return points[shapely.contains_xy(ground, points)]


def draw_points(
    grounds: gpd.GeoSeries, rng: np.random.Generator, *, layout: Literal["grid", "random"]
) -> pd.DataFrame:
    """Points of a whole cruise, numbered by stand: the third point of stand 7 is plot 703."""
    parts = []
    for stand, ground in grounds.items():
        n = max(round(ground.area / SQM_PER_ACRE / ACRES_A_POINT), FEWEST_POINTS)
        xy = lay_points(ground, n, rng, layout=layout).round(2)
        plot = 100 * int(str(stand)) + 1 + np.arange(len(xy))
        parts.append(pd.DataFrame({"plot": plot, "stand": stand, "x": xy[:, 0], "y": xy[:, 1]}))
    return pd.concat(parts, ignore_index=True)


def pick_trees(stems: pd.DataFrame, plots: pd.DataFrame, grounds: gpd.GeoSeries) -> pd.DataFrame:
    """Trees that each point picks, with the walkthrough count, clockwise from north.

    Parameters
    ----------
    stems : DataFrame
        The stem map; trees whose ``ground`` is not the point's stand do not count for it.
    plots : DataFrame
        ``plot, stand, x, y``.
    grounds : GeoSeries
        Cruised ground by stand.

    Returns
    -------
    DataFrame
        ``at`` (row of ``plots``), ``stem`` (row of ``stems``), ``count`` (1 or 2).
    """
    tree_xy = stems[["x", "y"]].to_numpy()
    plot_xy = plots[["x", "y"]].to_numpy()
    reach = limiting_distance_m(stems["dbh_in"].to_numpy())
    near = cKDTree(tree_xy).query_ball_point(plot_xy, reach.max())
    at = np.repeat(np.arange(len(plots)), [len(k) for k in near])
    stem = np.concatenate([np.asarray(k, dtype=np.int64) for k in near])
    step = tree_xy[stem] - plot_xy[at]
    mine = stems["ground"].to_numpy()[stem] == plots["stand"].to_numpy()[at]
    is_in = mine & (np.hypot(step[:, 0], step[:, 1]) <= reach[stem])
    at, stem, step = at[is_in], stem[is_in], step[is_in]
    beyond = plot_xy[at] + 2 * step
    stand = plots["stand"].to_numpy()[at]
    count = np.ones(len(at), dtype=np.int64)
    for name in np.unique(stand):
        here = stand == name
        count[here] += ~shapely.contains_xy(grounds[name], beyond[here])
    bearing = np.arctan2(step[:, 0], step[:, 1]) % (2 * np.pi)
    order = np.lexsort((bearing, at))
    return pd.DataFrame({"at": at[order], "stem": stem[order], "count": count[order]})


def write_down(stems: pd.DataFrame, plots: pd.DataFrame, picked: pd.DataFrame) -> pd.DataFrame:
    """Write the tally as it would stand on the cruiser's sheet."""
    trees = stems.iloc[picked["stem"].to_numpy()].reset_index(drop=True)
    number = picked.groupby("at").cumcount().to_numpy() + 1
    live = (trees["status"] == "live").to_numpy()
    measured = live & ((number - 1) % HEIGHT_EVERY == 0)
    name_of = {code: kind.tally for code, kind in KINDS.items()}
    return pd.DataFrame(
        {
            "plot": plots["plot"].to_numpy()[picked["at"]],
            "tree": number,
            "species": trees["species_code"].map(name_of),
            "dbh_in": trees["dbh_in"],
            "count": picked["count"].to_numpy(),
            "saw_logs": trees["saw_logs"],
            "height_ft": trees["height_ft"].where(measured),
            "butt_dib_in": butt_dib_in(trees, measured),
            "grade": butt_grade(trees),
            "defect_pct": trees["defect_pct"],
            "product": trees["product"],
            "status": trees["status"],
            "stem": picked["stem"].to_numpy(),
        }
    )


def butt_dib_in(trees: pd.DataFrame, measured: np.ndarray) -> pd.Series:
    """Inches inside bark at the top of the butt log, on the few trees where it was taken."""
    chosen = measured & (trees["saw_logs"] >= 1).to_numpy() & (trees.index % BUTT_EVERY == 0)
    stems = national_stems(
        trees["species_code"].to_numpy(dtype=np.int64),
        trees["dbh_in"].to_numpy(dtype=float),
        trees["height_ft"].to_numpy(dtype=float),
        ecodivision=ECODIVISION,
    )
    return pd.Series(stems.dib_in(STUMP_FT + LOG_FT + TRIM_FT)).round(1).where(chosen)


def butt_grade(trees: pd.DataFrame) -> pd.Series:
    """Grade of the butt log on trees with sawlogs: 1 clear, 2 sound and large, 3 the rest."""
    fine = (trees["product"] == "veneer log").to_numpy()
    large = (trees["dbh_in"] >= BEST_GRADE_DBH_IN).to_numpy()
    sound = ~(trees["defect_pct"] > 0).to_numpy()
    grade = pd.Series(np.where(fine, 1.0, np.where(large & sound, 2.0, 3.0)))
    return grade.where((trees["saw_logs"] > 0).to_numpy())


def cruise_stands(
    stems: pd.DataFrame,
    grounds: gpd.GeoSeries,
    *,
    seed: int,
    layout: Literal["grid", "random"] = "grid",
) -> Cruise:
    """Draw one cruise of the given grounds from the stem map."""
    plots = draw_points(grounds, np.random.default_rng(seed), layout=layout)
    picked = pick_trees(stems, plots, grounds)
    return Cruise(plots=plots, tally=write_down(stems, plots, picked))
