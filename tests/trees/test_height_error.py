"""What heights from a curve do to a total: held to tallies measured again and again."""

from __future__ import annotations

import numpy as np
import pytest

from standmap.errors import DomainError
from standmap.trees import MeasuredHeights, fit_heights, height_error

TREES = 900
PINE, OAK = 131, 802


def stated(curves, code, dbh, height, stand, some, *, count=1.0):
    """Error of the sum of DBH squared x height, ``some`` of the trees measured."""
    rest = np.setdiff1d(np.arange(len(dbh)), some)
    told = MeasuredHeights(dbh[some], height[some], code[some], stand[some])
    return height_error(
        curves, told, species_code=code[rest], dbh_in=dbh[rest], stand=stand[rest],
        per_ft=dbh[rest] ** 2, count=count,
    )  # fmt: skip


def redrawn(heights: int, draws: int, **wood) -> tuple[float, float, float]:
    """Stated over true error, coverage of 90 percent intervals, true error in percent."""
    rng = np.random.default_rng(3)
    dbh = np.clip(rng.gamma(9, 1.6, TREES), 6, None)
    code = rng.choice(wood.get("species", [PINE]), TREES)
    names = [f"{k}" for k in range(wood.get("of", 6))]
    stand = rng.choice(np.array(names, dtype=object), TREES)
    asked = np.flatnonzero(np.isin(stand, names[: wood.get("visited", len(names))]))
    clean = 95 * np.exp(-5.5 / (dbh + 1)) * np.where(code == OAK, 0.8, 1.0)
    off, se, held, whole = [], [], [], []
    for _ in range(draws):
        taller = dict(zip(names, rng.normal(0, wood.get("stands", 0), len(names)), strict=True))
        stray = rng.normal(0, 0.1, TREES) + np.array([taller[s] for s in stand])
        height = 4.5 + clean * np.exp(stray)
        some = rng.choice(asked, heights, replace=False)
        by_stand = stand[some] if "stands" in wood else None
        curves = fit_heights(
            dbh[some], height[some], code[some], stand=by_stand, forms=["curtis"], min_trees=4
        )
        made = curves.predict(code, dbh, stand if "stands" in wood else None)
        made[some] = height[some]
        error = stated(curves, code, dbh, height, stand, some)
        off.append(float((dbh**2 * (made - height)).sum()))
        se.append(error.se)
        held.append(abs(off[-1]) <= 1.7 * error.se)
        whole.append(float((dbh**2 * height).sum()))
    true = float(np.std(off))
    return (
        float(np.sqrt(np.mean(np.square(se)))) / true,
        float(np.mean(held)),
        100 * true / float(np.mean(whole)),
    )


@pytest.mark.parametrize("heights", [15, 30, 60])
def test_the_stated_error_is_the_true_one(heights: int) -> None:
    ratio, held, _ = redrawn(heights, 400)
    assert ratio == pytest.approx(1, abs=0.08)
    assert 0.86 <= held <= 0.94


def test_stands_taller_and_shorter_than_the_curve() -> None:
    ratio, held, _ = redrawn(60, 200, stands=0.12)
    assert ratio == pytest.approx(1, abs=0.12)
    assert 0.84 <= held <= 0.96


def test_stands_where_no_height_was_measured() -> None:
    # Their own effects are unknown: with them left out the error would be half of the true one.
    ratio, held, _ = redrawn(80, 200, stands=0.12, of=24, visited=12)
    assert ratio == pytest.approx(1, abs=0.15)
    assert 0.82 <= held <= 0.96


def test_a_tree_that_serves_two_curves_leans_on_both() -> None:
    # Oaks too few for a curve of their own take that of all trees, pines their own.
    ratio, held, _ = redrawn(40, 200, species=[PINE] * 9 + [OAK])
    assert ratio == pytest.approx(1, abs=0.15)
    assert 0.84 <= held


def test_one_stand_by_hand() -> None:
    # A form of two coefficients fitted to logarithms is a line: the textbook's error of a line
    # foretelling one new tree, s^2 (1 + 1/n + (x - mean)^2 / Sxx), times feet per unit of log.
    dbh = np.array([8.0, 10, 12, 14, 16, 18, 20, 22])
    miss = 0.05 * np.array([1, -1, -1, 1, 1, -1, -1, 1.0])
    height = 4.5 + np.exp(4.6 - 6.0 / (dbh + 1) + miss)
    curves = fit_heights(dbh, height, np.full(8, PINE), forms=["wykoff"], min_trees=4)
    x = 1 / (dbh + 1)
    line = np.polyfit(x, np.log(height - 4.5), 1)
    new = 1 / 16.0
    slopes = np.column_stack([np.ones(8), x])
    inverse = np.linalg.inv(slopes.T @ slopes)
    leverage = np.einsum("ij,jk,ik->i", slopes, inverse, slopes)
    e2 = (np.log(height - 4.5) - np.polyval(line, x)) ** 2 / (1 - leverage)
    lean = slopes @ inverse @ np.array([1, new])
    above = curves.all_trees.heights(np.array([15.0]))[0] - 4.5
    by_hand = above * np.sqrt((lean**2 * e2).sum() + e2.mean())
    told = MeasuredHeights(dbh, height, np.full(8, PINE), np.full(8, "a", dtype=object))
    found = height_error(
        curves, told, species_code=[PINE], dbh_in=[15.0], stand=["a"], per_ft=[1.0]
    )
    assert found.se == pytest.approx(by_hand, rel=1e-6)
    assert found.df == 6


def test_a_curve_needs_the_trees_it_was_fitted_to() -> None:
    dbh = np.linspace(6.0, 24.0, 12)
    height, code = 4.5 + 3 * dbh, np.full(12, PINE)
    curves = fit_heights(dbh, height, code)
    told = MeasuredHeights(dbh[:9], height[:9], code[:9], np.full(9, "a", dtype=object))
    with pytest.raises(DomainError, match="rests on 12 measured trees and 9 of them were given"):
        height_error(curves, told, species_code=[PINE], dbh_in=[9.0], stand=["a"], per_ft=[1.0])
