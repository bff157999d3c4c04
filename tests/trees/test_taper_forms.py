"""Taper coefficients of the user's own, against solids whose measures are known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError, InputError
from standmap.trees import TAPER_FORMS, TaperTable, own_taper, taper_stems
from standmap.units import BASAL_AREA_CONSTANT

MAX_BURKHART = {"b1": -3.0257, "b2": 1.4586, "b3": -1.4464, "b4": 39.1081, "a1": 0.7431,
                "a2": 0.1125}  # fmt: skip
"""Loblolly pine (Max and Burkhart 1976), from memory: a smoke check of the form, no more."""


def sheet(**row):
    """One row for every species; bark an eighth of the wood's diameter."""
    return pd.DataFrame([{"species": "", "dob_over_dib": 1.125} | row])


def grown(dbh_in=20.0, height_ft=84.5, code=802, **row):
    return taper_stems(code, dbh_in, height_ft, own_taper(sheet(**row)))


class TestForms:
    def test_ormerod_of_exponent_one_is_a_cone(self):
        stem = grown(form="ormerod", bark="ob", b0=1.0, b1=1.0)
        at = np.linspace(0.5, 84.5, 100)[None, :]
        np.testing.assert_allclose(stem.dob_in(at), 20 * (84.5 - at) / 80, rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(stem.dob_in(at), 1.125 * stem.dib_in(at), rtol=1e-12)

    def test_ormerod_passes_through_breast_height(self):
        stem = grown(form="ormerod", b0=0.9, b1=0.7)
        np.testing.assert_allclose(stem.dib_in(4.5), 18.0, atol=0.01)

    def test_kozak_may_be_a_paraboloid_of_half_its_cylinder(self):
        """(d/D)^2 = 1 - z; volume half of base times height, within its 41 straight pieces."""
        stem = grown(form="kozak", b0=1.0, b1=-1.0, b2=0.0)
        np.testing.assert_allclose(stem.dib_in(0.75 * 84.5), 10.0, atol=0.05)
        np.testing.assert_allclose(
            stem.wood_cuft(), BASAL_AREA_CONSTANT * 400 * 84.5 / 2, rtol=0.002
        )

    def test_max_and_burkhart_by_hand(self):
        """At three tenths of the height: 2.11799 - 1.32733 - 1.4464 x 0.19634 = 0.50668.

        At a twentieth: 2.874415 - 1.4549535 - 1.4464 x 0.48038 + 39.1081 x 0.0039063 = 0.87741.
        """
        stem = grown(height_ft=80.0, form="max_burkhart", **MAX_BURKHART)
        by_hand = 20 * np.sqrt([[0.50668, 0.87741]])
        np.testing.assert_allclose(stem.dib_in([[24.0, 4.0]]), by_hand, atol=0.02)

    @pytest.mark.parametrize("form", TAPER_FORMS)
    def test_every_form_ends_at_the_tip(self, form):
        rows = {
            "ormerod": {"b0": 0.9, "b1": 0.7},
            "kozak": {"b0": 1.0, "b1": -1.4, "b2": 0.4},
            "max_burkhart": MAX_BURKHART,
        }
        stem = grown(form=form, **rows[form])
        assert stem.dib_in(84.5)[0] == 0.0
        assert stem.dib_in(80.0)[0] > 0.0


@settings(max_examples=40, deadline=None)
@given(st.floats(6, 40), st.floats(30, 140), st.floats(0.4, 1.4), st.floats(0.8, 1.0))
def test_what_a_form_gives_is_what_the_stem_says(dbh, height, b1, b0):
    """Up to nine tenths of the height, within the tenth of an inch that is warned of."""
    stem = grown(dbh, height, form="ormerod", b0=b0, b1=b1)
    at = np.linspace(1.0, 0.9 * height, 40)
    curve = b0 * dbh * ((height - at) / (height - 4.5)) ** b1
    np.testing.assert_allclose(stem.dib_in(at[None, :])[0], curve, atol=0.1)


def test_two_rows_give_both_sides_of_the_bark():
    rows = pd.DataFrame(
        [
            {"species": "oak", "form": "ormerod", "bark": "ib", "b0": 0.9, "b1": 0.8},
            {"species": "oak", "form": "ormerod", "bark": "ob", "b0": 1.0, "b1": 0.9},
        ]
    )
    stem = taper_stems(802, 20.0, 84.5, own_taper(rows))
    np.testing.assert_allclose(stem.dob_in(44.5), 20 * 0.5**0.9, atol=0.02)
    np.testing.assert_allclose(stem.dib_in(44.5), 18 * 0.5**0.8, atol=0.02)
    # Near the tip the two cross: no bark there, and never more wood than stem.
    assert stem.dib_in(83.0)[0] == stem.dob_in(83.0)[0]


def test_a_species_takes_its_own_row_and_the_rest_the_blank_one():
    rows = pd.concat(
        [
            sheet(form="ormerod", b0=0.9, b1=0.8),
            sheet(form="ormerod", b0=0.8, b1=0.8).assign(species="white oak"),
        ]
    )
    taper = own_taper(rows)
    assert repr(taper) == "TaperForms(any (ormerod), white oak (ormerod))"
    both = taper_stems([802, 131], 20.0, 84.5, taper).dib_in(4.5)
    np.testing.assert_allclose(both, [16.0, 18.0], atol=0.01)


def test_a_species_without_a_row_is_named():
    oak = sheet(form="ormerod", b0=0.9, b1=0.8).assign(species="oak")
    with pytest.raises(DomainError, match=r"no rows for species \[131\]"):
        taper_stems([802, 131], 20.0, 84.5, own_taper(oak))


def test_a_sheet_of_diameters_is_still_a_table():
    rows = {"species": "", "height_share": [0.1, 0.6], "dib_pct": [90, 40], "dob_pct": [99, 43]}
    assert isinstance(own_taper(pd.DataFrame(rows)), TaperTable)


def test_coefficients_that_make_no_stem_are_refused_by_the_species_name():
    oak = sheet(form="kozak", b0=0.2, b1=1.0, b2=-1.2).assign(species="oak")
    with pytest.raises(DomainError, match=r"The taper of 'oak' grows with height: dib .* ft tall"):
        taper_stems(802, 20.0, 84.5, own_taper(oak))


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ({"form": "conical", "b0": 1.0}, "row 2, column 'form': no such form of taper"),
        ({"form": "ormerod", "b0": 1.0}, "column 'b1': the form ormerod needs this coefficient"),
        ({"form": "ormerod", "b0": 1.0, "b1": "x"}, "column 'b1': not a number"),
        (
            {"form": "ormerod", "b0": 1.0, "b1": 1.0, "b2": 3.0},
            "column 'b2': the form ormerod has no such coefficient",
        ),
        ({"form": "ormerod", "b0": 1, "b1": 1, "bark": "inside"}, "column 'bark': must be ib or"),
        ({"form": "ormerod", "b0": 1, "b1": 1, "dob_over_dib": 0.9}, "cannot be less than inside"),
        ({"form": "ormerod", "b0": 1, "b1": 1, "dob_over_dib": None}, "does not tell the bark"),
        ({"form": "ormerod", "b0": 1, "b1": 1, "species": "okk"}, "unknown species"),
    ],
)
def test_a_faulty_row_is_told_with_its_place(row, message):
    with pytest.raises(InputError, match=message):
        own_taper(sheet(**row), file="my_stems.csv")


def test_every_fault_of_a_sheet_is_told_together():
    rows = pd.concat([sheet(form="conical"), sheet(form="ormerod", b0=1.0)])
    with pytest.raises(InputError, match=r"(?s)row 2, column 'form'.*row 3, column 'b1'"):
        own_taper(rows)


def test_a_species_given_twice_is_told():
    rows = pd.concat([sheet(form="ormerod", b0=1.0, b1=1.0)] * 2)
    with pytest.raises(InputError, match="a second row of this species for ib"):
        own_taper(rows)


@pytest.mark.parametrize(
    ("frame", "message"),
    [
        (pd.DataFrame({"form": ["kozak"]}), "column 'species': this column is missing"),
        (pd.DataFrame({"form": [], "species": []}), "the table has no rows"),
    ],
)
def test_a_sheet_without_species_or_rows_is_told(frame, message):
    with pytest.raises(InputError, match=message):
        own_taper(frame)
