"""One log and one tree: the cards add up, and the national and form-class stems are told apart."""

from __future__ import annotations

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
