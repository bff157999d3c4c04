"""One log and one tree: the cards add up, and the national and form-class stems are told apart."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.single import scale_log, scale_tree
from standmap.units import LOG_RULES


def test_a_cards_totals_are_its_logs() -> None:
    card = scale_tree("yellow-poplar", 20, 3.5, form_class=80)
    assert card.totals["bf_doyle"] == pytest.approx(card.logs["bf_doyle"].sum())
    assert card.logs["length_ft"].tolist() == [16, 16, 16, 8]
    assert card.logs["bottom_ft"].tolist() == pytest.approx([1.0, 17.3, 33.6, 49.9])


def test_butt_log_dib_is_form_class_of_dbh() -> None:
    # Girard form class: dib at 17.3 ft as a percent of DBH (Mesavage and Girard 1946).
    card = scale_tree("white oak", 20, 2, form_class=78)
    assert card.logs["dib_in"].iloc[0] == pytest.approx(15.6)


def test_both_cards_give_the_wood_in_cubic_metres() -> None:
    # 35.3147 cubic feet to the cubic metre (from memory; exactly 1 / 0.3048 ** 3).
    tree, log = scale_tree("white oak", 23, 2.5, form_class=78), scale_log(12.4, 16)
    wood = tree.totals["volume_cuft"]
    assert f"{wood / 35.3147:.2f} cubic metres" in str(tree)
    assert f"({log.smalian_cuft / 35.3147:.3f} cubic metres)" in str(log)


def test_the_default_form_class_is_the_species_own() -> None:
    assert "default for the species" in scale_tree("white oak", 20, 2).stem
    assert "default" not in scale_tree("white oak", 20, 2, form_class=78).stem


def test_defect_shows_gross_and_net() -> None:
    text = str(scale_tree("white oak", 20, 2, form_class=78, defect_pct=10))
    assert "total" in text
    assert "net of 10 % defect" in text


@settings(deadline=None)
@given(st.floats(8, 40), st.sampled_from([1, 1.5, 2, 2.5, 3, 3.5, 4]), st.integers(65, 90))
def test_diameters_fall_up_the_stem_and_nothing_is_negative(
    dbh_in: float, logs: float, form_class: int
) -> None:
    card = scale_tree(802, dbh_in, logs, form_class=form_class)
    assert (card.logs["dib_in"].diff().dropna() < 0).all()
    assert (card.logs[[f"bf_{rule}" for rule in LOG_RULES]] >= 0).all(axis=None)
    assert (card.logs["weight_tons"] > 0).all()


@settings(deadline=None)
@given(st.floats(4, 60), st.floats(1, 40))
def test_smalian_of_an_assumed_taper_exceeds_the_small_cylinder(
    dib_in: float, length_ft: float
) -> None:
    card = scale_log(dib_in, length_ft)
    assert card.taper_assumed
    assert card.smalian_cuft > 0.005454154 * dib_in**2 * length_ft


def test_the_large_end_cannot_be_the_smaller() -> None:
    with pytest.raises(DomainError, match="Swap the two"):
        scale_log(12, 16, large_dib_in=10)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"large_dib_in": float("nan")}, "'large dib' must be above 0 and at most 120 in; got nan"),
        ({"large_dib_in": 0.0}, "'large dib' must be above 0"),
        ({"large_dib_in": 500.0}, "'large dib' must be above 0 and at most 120 in; got 500"),
    ],
)
def test_a_large_end_that_is_no_number_is_refused(asked: dict[str, float], said: str) -> None:
    with pytest.raises(DomainError, match=said):
        scale_log(12.4, 16, **asked)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        ({"height_ft": float("nan")}, "'height' must be above 0 and at most 400 ft; got nan"),
        ({"height_ft": 500.0}, "'height' must be above 0 and at most 400 ft; got 500"),
        ({"stump_ft": -1.0}, "'stump' must be 0 or more and at most 4 ft; got -1"),
        ({"trim_ft": 6.0}, "'trim' must be 0 or more and at most 2 ft; got 6"),
        ({"form_class": float("nan")}, "'form class' is a percent"),
        ({"defect_pct": float("nan")}, "'defect' must be from 0 to 100 percent"),
        ({"height_ft": 40.0}, "3 logs reach 49.9 ft, above the total height of 40 ft"),
    ],
)
def test_a_tree_that_cannot_be_is_refused(asked: dict[str, float], said: str) -> None:
    with pytest.raises(DomainError, match=said):
        scale_tree("white oak", 20, 3, **asked)


def test_a_long_log_tells_its_pieces_and_the_taper_allowed() -> None:
    assert "pieces of 20 + 20 ft" in str(scale_log(12.4, 40, large_dib_in=16))
    text = str(scale_log(12.4, 40))
    assert re.search(r"Doyle +none: the small-end diameter runs through", text)
    assert re.search(r"International 1/4-inch +half an inch in 4 feet", text)


def test_stump_and_trim_move_the_logs() -> None:
    card = scale_tree("white oak", 20, 2.5, height_ft=90, stump_ft=0.5, trim_ft=0.5)
    assert card.logs["bottom_ft"].tolist() == pytest.approx([0.5, 17.0, 33.5])
    usual = scale_tree("white oak", 20, 2.5, height_ft=90)
    assert card.logs["dib_in"].iloc[0] > usual.logs["dib_in"].iloc[0]


def test_the_card_says_what_the_table_shows() -> None:
    card = scale_tree("white oak", 25, 5, height_ft=98)
    said = card.remarks()
    share = 100 * card.logs["bf_international"].iloc[0] / card.totals["bf_international"]
    assert said[0] == f"The butt log holds {share:.0f} % of the tree by International."
    assert "Log 5 is 5.8 in at its small end" in said[1]
    assert len(scale_tree("white oak", 25, 5).remarks()) == 1
    assert scale_tree("white oak", 25, 1).remarks() == []


def test_a_national_stem_tells_the_form_class_it_comes_to() -> None:
    card = scale_tree("white oak", 25, 5, height_ft=98)
    assert card.form_class == pytest.approx(100 * card.logs["dib_in"].iloc[0] / 25)
    assert f"its form class comes to {card.form_class:.0f}" in str(card)
