"""Height-diameter curves fitted to measured trees."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError, SmallSampleWarning
from standmap.trees import (
    FORM_NAMES,
    fit_heights,
    height_curtis1967,
    height_naslund1937,
    height_richards1959,
    height_wykoff1982,
    height_yang1978,
)

REFERENCE = Path(__file__).parents[1] / "reference"
DBH = np.linspace(5.0, 28.0, 30)


def naslund(dbh_in, a, b):
    return 4.5 + (dbh_in / (a + b * dbh_in)) ** 2


EXACT = {
    "naslund": (height_naslund1937, (0.8, 0.09)),
    "curtis": (height_curtis1967, (4.6, 7.0)),
    "wykoff": (height_wykoff1982, (4.6, -7.0)),
    "chapman_richards": (height_richards1959, (85.0, 0.09, 1.3)),
    "weibull": (height_yang1978, (85.0, 0.05, 1.2)),
}


@pytest.mark.parametrize("form", FORM_NAMES)
class TestEveryForm:
    def test_starts_at_breast_height_rises_and_levels_off(self, form):
        height, coefficients = EXACT[form]
        heights = height(np.array([1e-9, 1.0, 5.0, 20.0, 60.0, 1e6, 1e7]), *coefficients)
        assert heights[0] == pytest.approx(4.5, abs=0.1)
        assert np.all(np.diff(heights) >= -1e-9)
        assert heights[-1] == pytest.approx(heights[-2], rel=1e-3)

    def test_it_is_found_among_the_others_and_its_coefficients_with_it(self, form):
        height, coefficients = EXACT[form]
        curve = fit_heights(DBH, height(DBH, *coefficients), np.full(30, 802)).by_species[802]
        assert curve.form == form
        np.testing.assert_allclose(curve.coefficients, coefficients, rtol=1e-3)
        assert curve.cv_rmse_ft < 1e-2

    def test_any_form_will_do_for_the_black_cherries(self, form):
        """31 of them (Ryan, Joiner and Ryan 1976): each foretells within 10 percent of the best."""
        dbh, height = cherries()
        curve = fit_heights(dbh, height, np.full(31, 762), forms=[form]).by_species[762]
        best = fit_heights(dbh, height, np.full(31, 762)).by_species[762]
        assert curve.form == form
        assert best.cv_rmse_ft <= curve.cv_rmse_ft < 1.10 * best.cv_rmse_ft


def cherries():
    cherry = pd.read_csv(REFERENCE / "tree_black_cherry_ryan_1976.csv", comment="#")
    return cherry["dbh_in"].to_numpy(), cherry["height_ft"].to_numpy()


def test_exact_heights_give_the_coefficients_back():
    curve = fit_heights(DBH, naslund(DBH, 0.8, 0.09), np.full(30, 802)).by_species[802]
    assert curve.form == "naslund"
    np.testing.assert_allclose(curve.coefficients, [0.8, 0.09], rtol=1e-5)
    assert curve.rmse_ft < 1e-3


def test_black_cherry_fit_is_no_worse_than_the_best_straight_line_by_much():
    """31 felled black cherries (Ryan, Joiner and Ryan 1976): RMSE against a line of DBH."""
    dbh, height = cherries()
    curve = fit_heights(dbh, height, np.full(31, 762)).by_species[762]
    line = np.polyval(np.polyfit(dbh, height, 1), dbh)
    line_rmse = np.sqrt(((height - line) ** 2).sum() / 29)
    assert curve.n == 31
    assert curve.rmse_ft < 1.02 * line_rmse


class TestRedwoods:
    """21 California redwoods (after Levine and others, a business statistics text)."""

    DBH = np.array(
        [20, 36, 18, 10, 21, 29, 51, 11, 26, 12, 13, 40, 52, 30, 22, 42, 45, 54, 39, 36, 8.0]
    )
    HEIGHT = np.array(
        [122, 193.5, 166.5, 82, 133.5, 156, 172.5, 81, 148, 113, 84, 164, 203.3, 174, 159, 205,
         223.5, 195, 232.5, 190.5, 100]
    )  # fmt: skip

    def test_the_text_s_own_line(self):
        """Its printed standard error of the straight line of DBH: 24.747 ft."""
        line = np.polyfit(self.DBH, self.HEIGHT, 1)
        squares = ((self.HEIGHT - np.polyval(line, self.DBH)) ** 2).sum()
        assert np.sqrt(squares / 19) == pytest.approx(24.74708533, abs=5e-9)

    def test_a_curve_that_levels_off_beats_the_line(self):
        curve = fit_heights(self.DBH, self.HEIGHT, np.full(21, 211)).by_species[211]
        assert curve.rmse_ft < 22.0

    def test_heights_read_back_from_logarithms_are_right_on_the_whole(self):
        """Wykoff's form: a straight line of ln(H - 4.5); read back bare, it falls 1 percent short.

        With the ratio of Snowdon (1991) the heights above breast height add up.
        """
        fitted = fit_heights(self.DBH, self.HEIGHT, np.full(21, 211), forms=["wykoff"])
        curve = fitted.by_species[211]
        slope, level = np.polyfit(1 / (self.DBH + 1), np.log(self.HEIGHT - 4.5), 1)
        np.testing.assert_allclose(curve.coefficients, [level, slope], rtol=1e-9)
        bare = height_wykoff1982(self.DBH, level, slope)
        ratio = (self.HEIGHT - 4.5).sum() / (bare - 4.5).sum()
        assert 1.005 < ratio < 1.02
        assert curve.bias_correction == pytest.approx(ratio, rel=1e-9)
        assert fitted.predict(211, self.DBH).sum() == pytest.approx(self.HEIGHT.sum(), rel=1e-9)


class TestStands:
    """Partial pooling: a stand's own trees shift its curve as far as they bear it out."""

    @staticmethod
    def tract(sizes, *, sd=0.08, noise_ft=4.0, seed=11, form="chapman_richards"):
        rng = np.random.default_rng(seed)
        height, coefficients = EXACT[form]
        effect = rng.normal(0, sd, len(sizes))
        stand = np.repeat(np.arange(len(sizes)), sizes)
        dbh = rng.uniform(5, 28, len(stand))
        above = (height(dbh, *coefficients) - 4.5) * (1 + effect[stand])
        return dbh, 4.5 + above + rng.normal(0, noise_ft, len(stand)), stand, effect

    def test_the_effects_that_were_put_in_come_out(self):
        dbh, height, stand, effect = self.tract([20] * 15)
        curve = fit_heights(dbh, height, np.full(len(dbh), 802), stand=stand).all_trees
        found = curve.heights(np.full(15, 15.0), np.arange(15).astype(object))
        factor = (found - 4.5) / (curve.heights(np.array([15.0])) - 4.5)
        assert np.corrcoef(factor, effect)[0, 1] > 0.95
        assert curve.stand_sd_pct == pytest.approx(100 * effect.std(), rel=0.35)
        assert curve.stands == 15

    def test_stands_known_beat_stands_ignored(self):
        dbh, height, stand, _ = self.tract([20] * 15)
        codes = np.full(len(dbh), 802)
        known = fit_heights(dbh, height, codes, stand=stand).all_trees
        ignored = fit_heights(dbh, height, codes).all_trees
        assert known.cv_rmse_ft < 0.85 * ignored.cv_rmse_ft

    @pytest.mark.parametrize("form", ["naslund", "wykoff"])
    def test_a_stand_of_few_trees_is_drawn_to_the_curve(self, form):
        """One tree of 85 ft moves its stand's curve less than ten of them move theirs."""
        dbh, height, stand, _ = self.tract([12] * 10, form=form)
        dbh = np.concatenate([dbh, [15.0], np.full(10, 15.0)])
        height = np.concatenate([height, np.full(11, 85.0)])
        stand = np.concatenate([stand, [100], np.full(10, 101)])
        curves = fit_heights(dbh, height, np.full(len(dbh), 802), stand=stand, forms=[form])
        nowhere, one, ten = curves.predict(802, [15.0] * 3, [999, 100, 101])
        assert nowhere + 1 < one < ten - 1
        assert ten < 85.0

    def test_a_stand_not_measured_or_not_told_takes_the_curve_of_all(self):
        dbh, height, stand, _ = self.tract([20] * 5)
        curves = fit_heights(dbh, height, np.full(100, 802), stand=stand)
        plain = curves.predict(802, [12.0, 12.0])
        np.testing.assert_array_equal(curves.predict(802, [12.0, 12.0], [77, None]), plain)

    def test_stands_that_do_not_differ_are_left_alone(self):
        dbh, height, stand, _ = self.tract([20] * 10, sd=0.0)
        curve = fit_heights(dbh, height, np.full(200, 802), stand=stand).all_trees
        assert curve.stand_sd_pct < 2.0

    def test_two_stands_are_too_few_to_tell_how_stands_differ(self):
        dbh, height, stand, _ = self.tract([20, 20], sd=0.2)
        curve = fit_heights(dbh, height, np.full(40, 802), stand=stand).all_trees
        assert curve.stand_sd_pct == 0.0

    def test_one_stand_label_per_tree(self):
        with pytest.raises(DomainError, match="'stand' must have one value or 30"):
            fit_heights(DBH, naslund(DBH, 0.8, 0.09), np.full(30, 802), stand=["a", "b"])


def test_points_to_draw_run_over_the_measured_range():
    curves = fit_heights(DBH, naslund(DBH, 0.8, 0.09), np.full(30, 802))
    points = curves.curve_points(points=20)
    assert points["level"].tolist() == ["species"] * 20 + ["group"] * 20 + ["all"] * 20
    assert (points["dbh_in"].min(), points["dbh_in"].max()) == (5.0, 28.0)
    own = points[points["level"] == "species"]
    np.testing.assert_allclose(own["height_ft"], curves.predict(802, own["dbh_in"]), rtol=1e-12)


def test_forms_are_named():
    with pytest.raises(DomainError, match=r"'forms' must be some of .*got \['linear'\]"):
        fit_heights(DBH, naslund(DBH, 0.8, 0.09), np.full(30, 802), forms=["linear"])


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


class TestFormsThatNeverLevelOff:
    """Heights in a power of DBH draw the forms of three coefficients to their bound of 400 ft."""

    @staticmethod
    def tract(noise_ft):
        noise = np.random.default_rng(3).normal(0, 1, 30)
        return 4.5 + 13.0 * DBH**0.62 + noise_ft * noise, np.full(30, 802)

    def test_they_give_way_to_one_that_does_and_foretells_as_well(self):
        height, codes = self.tract(noise_ft=8.0)
        alone = fit_heights(DBH, height, codes, forms=["chapman_richards"]).by_species[802]
        chosen = fit_heights(DBH, height, codes).by_species[802]
        assert alone.coefficients[0] > 399
        assert alone.cv_rmse_ft < chosen.cv_rmse_ft <= 1.05 * alone.cv_rmse_ft
        assert chosen.form == "naslund"

    def test_they_are_kept_where_nothing_else_comes_near(self):
        height, codes = self.tract(noise_ft=0.0)
        chosen = fit_heights(DBH, height, codes).by_species[802]
        assert chosen.coefficients[0] > 399
        assert chosen.cv_rmse_ft < 1.0
