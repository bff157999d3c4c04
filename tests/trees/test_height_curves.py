"""Height-diameter curves fitted to measured trees."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError, SmallSampleWarning
from standmap.trees import fit_heights

REFERENCE = Path(__file__).parents[1] / "reference"
DBH = np.linspace(5.0, 28.0, 30)


def naslund(dbh_in, a, b):
    return 4.5 + (dbh_in / (a + b * dbh_in)) ** 2


def test_exact_heights_give_the_coefficients_back():
    curve = fit_heights(DBH, naslund(DBH, 0.8, 0.09), np.full(30, 802)).by_species[802]
    np.testing.assert_allclose([curve.a, curve.b], [0.8, 0.09], rtol=1e-5)
    assert curve.rmse_ft < 1e-3


def test_black_cherry_fit_is_no_worse_than_the_best_straight_line_by_much():
    """31 felled black cherries (Ryan, Joiner and Ryan 1976): RMSE against a line of DBH."""
    cherry = pd.read_csv(REFERENCE / "tree_black_cherry_ryan_1976.csv", comment="#")
    dbh, height = cherry["dbh_in"].to_numpy(), cherry["height_ft"].to_numpy()
    curve = fit_heights(dbh, height, np.full(31, 762)).by_species[762]
    line = np.polyval(np.polyfit(dbh, height, 1), dbh)
    line_rmse = np.sqrt(((height - line) ** 2).sum() / 29)
    assert curve.n == 31
    assert curve.rmse_ft < 1.02 * line_rmse


def test_species_then_group_then_all():
    oak, gum, pine = naslund(DBH, 0.8, 0.09), naslund(DBH, 0.7, 0.10), naslund(DBH, 0.6, 0.08)
    dbh = np.concatenate([DBH, DBH[:4], DBH[:5]])
    height = np.concatenate([oak, gum[:4], pine[:5]])
    code = np.repeat([802, 611, 131], [30, 4, 5])
    curves = fit_heights(dbh, height, code)
    assert list(curves.by_species) == [802]
    assert curves.curve_for(802).name == "white oak"
    assert curves.curve_for(611).name == "hardwood"  # 4 sweetgums are too few
    assert curves.curve_for(131).level == "all"  # so are 5 pines, the only softwoods
    assert curves.curve_for(611).n == 34
    assert curves.report["level"].tolist() == ["species", "group", "all"]


def test_report_counts_what_was_filled_and_what_lies_beyond_the_measured_trees():
    curves = fit_heights(DBH, naslund(DBH, 0.8, 0.09), np.full(30, 802))
    report = curves.report_of([802, 802, 611], [12.0, 40.0, 4.0]).set_index("level")
    assert report["filled"].to_dict() == {"species": 2, "group": 1, "all": 0}
    assert report["extrapolated"].to_dict() == {"species": 1, "group": 1, "all": 0}
    assert report.loc["species", ["min_dbh_in", "max_dbh_in"]].tolist() == [5.0, 28.0]


def test_unmeasured_trees_are_left_out_and_missing_dbh_stays_missing():
    height = naslund(DBH, 0.8, 0.09)
    height[::2] = np.nan
    curves = fit_heights(DBH, height, np.full(30, 802))
    assert curves.all_trees.n == 15
    np.testing.assert_array_equal(np.isnan(curves.predict(802, [np.nan, 12.0])), [True, False])


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 200.0))
def test_heights_rise_with_dbh_and_never_fall_below_breast_height(seed, dbh_in):
    """Even where the measured trees show no pattern at all."""
    rng = np.random.default_rng(seed)
    curves = fit_heights(rng.uniform(4, 30, 12), rng.uniform(5, 120, 12), np.full(12, 802))
    low, high = curves.predict(802, [dbh_in, dbh_in * 1.1])
    assert 4.5 <= low <= high


def test_too_few_trees():
    with pytest.raises(DomainError, match="needs at least 4 measured trees"):
        fit_heights(DBH[:3], [50.0, 60, 70], [802] * 3)
    with pytest.raises(DomainError, match="3 different diameters"):
        fit_heights([10.0] * 8, np.arange(50.0, 58), [802] * 8)
    with pytest.warns(SmallSampleWarning, match="rests on 6 measured trees"):
        fit_heights(DBH[:6], naslund(DBH[:6], 0.8, 0.09), [802] * 6)


def test_height_at_or_below_breast_height_is_named():
    with pytest.raises(DomainError, match=r"'height_ft' must be above breast height, 4\.5 ft"):
        fit_heights(DBH[:5], [4.0, 50, 60, 70, 80], [802] * 5)
