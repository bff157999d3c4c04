"""Form class from measured butt logs: means, errors, and how far few trees are believed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.trees import measured_form_class
from standmap.trees.measured_form import CLASS_SD, SPECIES_SD, TREE_SD


def measure(form, *, dbh=20.0, code=802, weight=1.0):
    form = np.asarray(form, dtype=float)
    return measured_form_class(code, dbh, form * np.asarray(dbh) / 100, weight)


def of_species(classes, code=802):
    report = classes.report
    rows = report[(report["species_code"] == code) & report["dbh_class_in"].isna()]
    return rows.iloc[0]


def test_form_class_is_the_dib_at_17_3_ft_over_dbh():
    """The worked tree of 21.9 in and 17.08 in inside bark is class 78 (Girard form class)."""
    tree = measured_form_class(802, 21.9, 17.08)
    assert of_species(tree)["mean"] == pytest.approx(78.0, abs=0.05)


def test_weighted_mean_and_its_error_by_hand():
    """80 standing for 1 tree and 84 for 3: mean 83; se sqrt(2 (1 x 9 + 9 x 1)) / 4 = 1.5."""
    row = of_species(measure([80.0, 84.0], weight=[1.0, 3.0]))
    assert row["n"] == 2
    assert row["mean"] == pytest.approx(83.0, rel=1e-12)
    assert row["se"] == pytest.approx(1.5, rel=1e-12)


def test_with_equal_weights_the_error_is_the_textbooks():
    form = np.array([76.0, 79, 80, 83, 85])
    row = of_species(measure(form))
    assert row["se"] == pytest.approx(form.std(ddof=1) / np.sqrt(5), rel=1e-12)


def test_one_tree_moves_its_species_part_of_the_way_by_hand():
    """One white oak of 86: weight 16 / (16 + 16 + 4) of the 8 points above the default 78."""
    row = of_species(measure([86.0]))
    share = SPECIES_SD**2 / (SPECIES_SD**2 + TREE_SD**2 + CLASS_SD**2)
    assert row["used"] == pytest.approx(78 + 8 * share, rel=1e-12)
    assert np.isnan(row["se"])
    assert row["default"] == 78


def test_many_trees_are_taken_at_their_word():
    rng = np.random.default_rng(7)
    form = rng.normal(84.0, 3.0, 200)
    classes = measure(form)
    used = classes.predict(802, 20.0)[0]
    mean = of_species(classes)["mean"]
    assert abs(used - mean) < 0.1
    assert classes.tree_sd == pytest.approx(form.std(ddof=1), rel=1e-9)
    se = form.std(ddof=1) / np.sqrt(200)
    assert classes.predict_se(802, 20.0)[0] == pytest.approx(se, rel=0.02)


def test_class_then_species_then_default():
    classes = measure([84.0] * 6 + [80.0] * 6, dbh=np.repeat([16.0, 24.0], 6))
    used = classes.predict([802, 802, 802, 621, 131], [16.9, 20.0, 24.0, 20.0, 20.0])
    assert 83 < used[0] < 84  # the 16-inch class, 15.0 to 16.9 in
    assert used[2] < used[1] < used[0]  # no 20-inch tree was measured: the species
    assert used[3] == 80.0  # yellow-poplar's default
    assert used[4] == 78.0
    assert classes.predict_se(621, 20.0)[0] == SPECIES_SD
    assert repr(classes) == "FormClasses(12 trees of 1 species)"


def test_report_has_a_row_per_species_and_class():
    classes = measure([80.0, 82, 84, 78], dbh=[16.0, 16.4, 20, 14], code=[802, 802, 802, 131])
    report = classes.report
    assert report["species"].tolist() == ["loblolly pine"] * 2 + ["white oak"] * 3
    assert report["dbh_class_in"].fillna(0).tolist() == [0, 14, 0, 16, 20]
    assert report["n"].tolist() == [1, 1, 3, 2, 1]


def test_unmeasured_trees_are_left_out():
    classes = measure([80.0, np.nan, 84.0], dbh=[16.0, 18.0, 16.0])
    assert of_species(classes)["n"] == 2


@settings(max_examples=50, deadline=None)
@given(
    st.lists(
        st.tuples(st.sampled_from([802, 621, 131]), st.floats(10, 30), st.floats(60, 95)),
        min_size=1, max_size=25,
    )
)  # fmt: skip
def test_what_is_used_lies_between_the_default_and_the_measured_extremes(trees):
    code, dbh, form = (np.array(v) for v in zip(*trees, strict=True))
    classes = measured_form_class(code, dbh, form * dbh / 100)
    for species, rows in classes.report.groupby("species_code"):
        mine = form[code == species]
        low, high = min(mine.min(), rows["default"].min()), max(mine.max(), rows["default"].max())
        assert rows["used"].between(low - 1e-9, high + 1e-9).all()
        assert rows["used_se"].between(0, np.hypot(SPECIES_SD, CLASS_SD)).all()


@settings(max_examples=30, deadline=None)
@given(st.floats(60, 95), st.integers(1, 20), st.integers(1, 20))
def test_more_trees_that_say_the_same_are_believed_more(form, few, more):
    """In one class, its spread assumed: the used class comes no further from the measured."""
    one, other = measure([form] * few), measure([form] * (few + more))
    assert abs(other.predict(802, 20.0)[0] - form) <= abs(one.predict(802, 20.0)[0] - form) + 1e-9


@pytest.mark.parametrize(
    ("given_trees", "message"),
    [
        (([20.0], [22.0]), "'butt_dib_in' must be 40 to 100 percent of DBH"),
        (([20.0], [np.nan]), "No tree has both"),
        (([0.0], [15.0]), "'dbh_in' must be above 0"),
    ],
)
def test_faults_are_named(given_trees, message):
    with pytest.raises(DomainError, match=message):
        measured_form_class(802, *given_trees)


def test_a_measured_tree_stands_for_something():
    with pytest.raises(DomainError, match="'weight' must be above 0"):
        measured_form_class(802, 20.0, 16.0, 0.0)
