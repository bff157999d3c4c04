"""Every way to choose trees, cruised two thousand times on one mapped stand with edges.

The stand is made up, and seeded: 1,320 x 990 ft, its trees in clumps, skewed in diameter, bigger
and thicker by its lines; its corners are open ground. Points fall anywhere inside and trees are met
by their distance alone, so that what a tree stands for, what the edge takes away, the mean and its
interval are all on trial together. Each row is printed in the guide page ``redrawn``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pandas as pd
import pytest
import shapely
from scipy.spatial import cKDTree

from standmap.cruise import (
    Design,
    EstimateTable,
    Part,
    Sample,
    estimate,
    mirage_times,
    plot_matrix,
    tree_limits_ft,
    walkthrough_times,
)
from standmap.trees import fit_heights
from standmap.units import SQFT_PER_ACRE

DRAWS, PER_CRUISE = 2_000, 24
WIDE, HIGH = 1_320.0, 990.0
STAND = shapely.box(0, 0, WIDE, HIGH)
ACRES = STAND.area / SQFT_PER_ACRE
REACH = 66.0  # of the biggest tree, 24 inches, at BAF 10

POINT = (Part(design="point", baf=10),)
FIFTH = (Part(design="fixed", plot_acres=0.2),)
BAFS = (
    Part(design="point", baf=10, max_dbh_in=10),
    Part(design="point", baf=30, min_dbh_in=10),
)
NESTED = (
    Part(design="fixed", plot_acres=0.05, max_dbh_in=6),
    Part(design="fixed", plot_acres=0.1, min_dbh_in=6, max_dbh_in=12),
    Part(design="fixed", plot_acres=0.2, min_dbh_in=12),
)
"""Nested by DBH range."""


@dataclass(frozen=True)
class Wood:
    """The trees of the stand."""

    xy: np.ndarray
    dbh_in: np.ndarray
    volume_cuft: np.ndarray

    @property
    def truth(self) -> float:
        """Cubic feet to the acre."""
        return float(self.volume_cuft.sum() / ACRES)


def inside(xy: np.ndarray) -> np.ndarray:
    return ((xy >= 0) & (xy <= (WIDE, HIGH))).all(axis=1)


def to_line(xy: np.ndarray) -> np.ndarray:
    """Distance to the nearest line, from inside."""
    return np.minimum(xy, np.array([WIDE, HIGH]) - xy).min(axis=1)


@cache
def wood() -> Wood:
    rng = np.random.default_rng(1966)
    clumps = rng.uniform(0, (WIDE, HIGH), (150, 2))
    xy = clumps[rng.integers(0, 150, 1_500)] + rng.normal(0, 55, (1_500, 2))
    edge = np.column_stack([rng.uniform(0, WIDE, 500), rng.uniform(0, HIGH, 500)])
    xy = np.concatenate([xy, edge[to_line(edge) < 60]])
    corners = np.array([(0, 0), (WIDE, 0), (0, HIGH), (WIDE, HIGH)])
    open_ground = np.hypot(*(xy[:, None] - corners).transpose(2, 0, 1)).min(axis=1) < REACH
    xy = xy[inside(xy) & ~open_ground]
    dbh = np.clip(2 + rng.gamma(4, 2.0, len(xy)), 4, 19)
    dbh = np.where(to_line(xy) < 40, 1.25 * dbh, dbh)
    volume = 0.11 * dbh**2.2 * rng.gamma(25, 1 / 25, len(xy))
    return Wood(xy, dbh, volume)


@dataclass(frozen=True)
class Met:
    """Points, the trees near them, and how often walkthrough would count each."""

    points: np.ndarray
    point: np.ndarray
    tree: np.ndarray
    distance: np.ndarray
    times: np.ndarray


def meet(points: np.ndarray) -> Met:
    trees = wood()
    near = cKDTree(points).sparse_distance_matrix(
        cKDTree(trees.xy), REACH, output_type="coo_matrix"
    )
    point, tree = near.row.astype(np.intp), near.col.astype(np.intp)
    times = walkthrough_times(points[point], trees.xy[tree], STAND)
    return Met(points, point, tree, near.data, times)


@cache
def at_random() -> Met:
    rng = np.random.default_rng(2004)
    return meet(rng.uniform(0, (WIDE, HIGH), (DRAWS * PER_CRUISE, 2)))


COLUMNS, ROWS = 6, 4  # of a grid of 220 x 247.5 ft


@cache
def on_grids() -> Met:
    """Grids of random start: every line walked from south to north."""
    rng = np.random.default_rng(1962)
    step = np.array([WIDE / COLUMNS, HIGH / ROWS])
    nodes = np.array([(i, j) for i in range(COLUMNS) for j in range(ROWS)])
    start = rng.uniform(0, step, (DRAWS, 1, 2))
    return meet((start + nodes * step).reshape(-1, 2))


def per_plot(met: Met, parts: tuple[Part, ...], edge: str) -> np.ndarray:
    """Cubic feet per acre of every plot."""
    trees, n = wood(), len(met.points)
    laid = Design(parts).lay_out([""] * n)
    limit = tree_limits_ft(laid, met.point, trees.dbh_in[met.tree])
    here, there = met.points[met.point], trees.xy[met.tree]
    met_once = met.distance <= limit
    if edge == "none":
        times = met_once.astype(float)
    elif edge == "walkthrough":
        times = np.where(met_once, met.times, 0)
    elif edge == "half_plot":  # turned away from a line nearer than the widest circle
        away = ((there - here) * facing(here) >= 0).all(axis=1)
        fold = 2.0 ** (facing(here) != 0).sum(axis=1)
        times = np.where(met_once & away, fold, 0)
    else:
        return mirage(met, laid, limit)
    return summed(laid, met.point, met.tree, times, n)


def facing(here: np.ndarray) -> np.ndarray:
    """Way from the near lines to the middle of the stand, 0 along an axis where none is near."""
    return np.where(here < REACH, 1, 0) - np.where(here > np.array([WIDE, HIGH]) - REACH, 1, 0)


def mirage(met: Met, laid: object, limit: np.ndarray) -> np.ndarray:
    """Far from the lines a plain tally; near them from the points' images, too."""
    trees, n = wood(), len(met.points)
    close = np.flatnonzero(to_line(met.points) < REACH)
    plain = ~np.isin(met.point, close)
    times = (met.distance[plain] <= limit[plain]).astype(float)
    far = summed(laid, met.point[plain], met.tree[plain], times, n)
    pairs = cKDTree(met.points[close]).sparse_distance_matrix(
        cKDTree(trees.xy), 2 * REACH, output_type="coo_matrix"
    )
    point, tree = close[pairs.row], pairs.col.astype(np.intp)
    reach = tree_limits_ft(laid, point, trees.dbh_in[tree])
    times = mirage_times(met.points[point], trees.xy[tree], reach, STAND)
    return far + summed(laid, point, tree, times, n)


def summed(laid: object, point: np.ndarray, tree: np.ndarray, times: np.ndarray, n: int):
    counted = np.flatnonzero(times)
    point, tree, times = point[counted], tree[counted], times[counted].astype(float)
    factor = laid.trees_per_acre(point, wood().dbh_in[tree], times)  # type: ignore[attr-defined]
    return plot_matrix(point, factor, wood().volume_cuft[tree][:, None], n)


def cruises(plots: np.ndarray, per_cruise: int = PER_CRUISE, **more: object) -> EstimateTable:
    """Estimate every cruise at once, each as a stand of its own."""
    names = np.arange(len(plots) // per_cruise).astype(str)
    sample = Sample(
        values=plots,
        plots=np.arange(len(plots)),
        stand=np.repeat(names, per_cruise),
        attributes=["volume_cuft"],
        stands=pd.DataFrame({"stand": names, "stratum": "", "acres": ACRES}),
        confidence=0.90,
        **more,
    )
    return estimate(sample).per_acre()


@cache
def strips() -> EstimateTable:
    """Twelve of the stand's forty strips, a half chain each, cut off by a slanting north line."""
    rng = np.random.default_rng(1977)
    edges = np.linspace(0, WIDE, 41)
    length = HIGH * (1 - 0.4 * (edges[:-1] + edges[1:]) / 2 / WIDE)
    trees = wood()
    strip = np.clip(np.searchsorted(edges, trees.xy[:, 0]) - 1, 0, 39)
    held = trees.xy[:, 1] <= length[strip]
    volume = np.bincount(strip[held], weights=trees.volume_cuft[held], minlength=40)
    acres = length * (WIDE / 40) / SQFT_PER_ACRE
    drawn = np.argsort(rng.random((DRAWS, 40)), axis=1)[:, :12].ravel()
    seen = acres[drawn].reshape(DRAWS, 12).sum(axis=1) / acres.sum()
    laid = Design.of(Part(design="strip")).lay_out([""] * drawn.size, plot_acres=acres[drawn])
    plots = volume[drawn] / acres[drawn]
    table = cruises(plots[:, None] * acres.sum() / volume.sum(), 12, weight=laid.weight, seen=seen)
    return table


def lines() -> list[str]:
    return [str(c) for _ in range(DRAWS) for c in range(COLUMNS) for _ in range(ROWS)]


DESIGNS = {
    "fixed plots of 0.2 acre": lambda: (at_random(), FIFTH, "walkthrough"),
    "points, BAF 10": lambda: (at_random(), POINT, "walkthrough"),
    "points, BAF 10 and 30 by DBH": lambda: (at_random(), BAFS, "walkthrough"),
    "nested plots of three sizes": lambda: (at_random(), NESTED, "walkthrough"),
    "fixed plots, mirage": lambda: (at_random(), FIFTH, "mirage"),
    "points, mirage": lambda: (at_random(), POINT, "mirage"),
    "fixed plots, edges not made up": lambda: (at_random(), FIFTH, "none"),
    "points, edges not made up": lambda: (at_random(), POINT, "none"),
    "points, half plots": lambda: (at_random(), POINT, "half_plot"),
    "grid of points, as random": lambda: (on_grids(), POINT, "walkthrough"),
}


@cache
def redrawn(name: str) -> tuple[EstimateTable, float]:
    """Every cruise of a design, and the truth."""
    if name == "strips":
        return strips(), 1.0
    if name == "grid of points, neighbours":
        plots = per_plot(on_grids(), POINT, "walkthrough")
        return cruises(plots, line=lines()), wood().truth
    return cruises(per_plot(*DESIGNS[name]())), wood().truth


BIASED = {
    "fixed plots, edges not made up": 4.5,
    "points, edges not made up": 3.4,
    "points, half plots": 1.7,
}
"""Percent that the mean is low, as the guide page says."""
CAUTIOUS = {"grid of points, as random", "grid of points, neighbours"}
EVERY = [*DESIGNS, "strips", "grid of points, neighbours"]


def figures(name: str) -> tuple[float, float, float]:
    """Bias in standard errors of the simulation, stated over true error, and coverage."""
    table, truth = redrawn(name)
    mean = table.estimate[:, 0]
    error = mean.std(ddof=1)
    held = (table.low[:, 0] <= truth) & (truth <= table.high[:, 0])
    stated = np.sqrt((table.se[:, 0] ** 2).mean())
    bias = (mean.mean() - truth) / error * np.sqrt(mean.size)
    return float(bias), float(stated / error), float(held.mean())


@pytest.mark.parametrize("name", [n for n in EVERY if n not in {*BIASED, *CAUTIOUS}])
def test_right_on_average_and_as_often_as_promised(name: str) -> None:
    bias, error, covered = figures(name)
    assert abs(bias) <= 3
    assert error == pytest.approx(1, abs=0.06)
    assert 0.88 <= covered <= 0.92


@pytest.mark.parametrize("name", BIASED)
def test_what_an_edge_left_alone_takes_away(name: str) -> None:
    bias, error, covered = figures(name)
    assert bias < -4
    table, truth = redrawn(name)
    assert 100 * (1 - table.estimate[:, 0].mean() / truth) == pytest.approx(BIASED[name], abs=0.1)
    assert error == pytest.approx(1, abs=0.06)  # the stated error knows nothing of it
    assert covered < 0.88


@pytest.mark.parametrize("name", sorted(CAUTIOUS))
def test_a_grid_is_right_on_average_and_its_error_overstated(name: str) -> None:
    bias, error, covered = figures(name)
    assert abs(bias) <= 3
    assert error > 1.1
    assert covered >= 0.90


def test_neighbours_come_nearer_to_the_error_of_a_grid_than_chance() -> None:
    random, neighbours = (figures(name)[1] for name in sorted(CAUTIOUS))
    assert 1.1 < neighbours < random


@pytest.mark.parametrize("name", EVERY)
def test_the_guide_prints_what_was_found(name: str, told: dict[str, tuple[float, ...]]) -> None:
    bias, error, covered = told[name]
    found = figures(name)
    assert found[0] == pytest.approx(bias, abs=0.15)
    assert found[1] == pytest.approx(error, abs=0.015)
    assert 100 * found[2] == pytest.approx(covered, abs=0.3)


@pytest.mark.parametrize(("plots", "percent"), [(2, 88), (4, 87), (8, 88), (16, 88), (24, 89)])
def test_few_plots_lean_on_t(plots: int, percent: float) -> None:
    # Student's t widens the interval of few plots by as much as their error is unsure; what is
    # left missing is the skew of the plots. Printed in the guide page ``redrawn``.
    met = per_plot(at_random(), FIFTH, "walkthrough")
    table = cruises(met[: len(met) // plots * plots], plots)
    held = (table.low[:, 0] <= wood().truth) & (wood().truth <= table.high[:, 0])
    assert 100 * held.mean() == pytest.approx(percent, abs=0.7)


@pytest.mark.parametrize(("heights", "strays_pct"), [(15, 2.8), (30, 2.1), (60, 1.4)])
def test_a_complete_tally_strays_by_its_height_curve(heights: int, strays_pct: float) -> None:
    # 900 trees tallied, few heights measured: no error is stated, and one standard error of what
    # the curve does to the total is this. Printed in the guide page ``redrawn``.
    rng = np.random.default_rng(3)
    dbh = np.clip(rng.gamma(9, 1.6, 900), 6, None)
    height = 4.5 + 95 * np.exp(-5.5 / (dbh + 1)) * np.exp(rng.normal(0, 0.1, 900))
    found = []
    for _ in range(DRAWS):
        some = rng.choice(900, heights, replace=False)
        curves = fit_heights(
            dbh[some], height[some], np.full(heights, 129), forms=["curtis"], min_trees=4
        )
        made = curves.all_trees.heights(dbh)
        made[some] = height[some]
        found.append(float((dbh**2 * made).sum()))
    error = np.array(found) / (dbh**2 * height).sum() - 1
    # A curve is biased by the order of 1 / n: less than a tenth of its own error.
    assert abs(error.mean()) <= 0.1 * error.std() + 3 * error.std() / np.sqrt(len(found))
    assert 100 * error.std() == pytest.approx(strays_pct, abs=0.15)
