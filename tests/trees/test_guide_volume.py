"""What the guide says of stems, held to the code; and its examples, run."""

from __future__ import annotations

import re
from io import StringIO

import numpy as np
import pandas as pd
import pytest

from standmap.guide import page
from standmap.species import form_class_default
from standmap.trees import TAPER_FORMS, TaperForms, TaperTable, national_stems, own_taper

COMMON = [131, 110, 121, 129, 202, 122, 263, 802, 833, 837, 621, 611, 541, 318, 316, 762, 400, 951,
          531]  # fmt: skip
"""Nineteen common species, by the national rows for all divisions."""


def over_dbh(dbh_in, height_ft):
    """Return the national diameter outside bark at 4.5 ft over DBH, a row for each species."""
    dbh, height = (v.ravel() for v in np.meshgrid(dbh_in, height_ft))
    stems = (national_stems(code, dbh, height) for code in COMMON)
    return np.array([stem.dob_in(4.5) / dbh for stem in stems])


def test_the_national_profile_is_not_held_to_the_tape():
    """8 to 26 in and 50 to 100 ft: from 7 percent under DBH to 18 percent over it."""
    ratio = over_dbh([8.0, 14, 20, 26], [50.0, 75, 100])
    assert ratio.min() == pytest.approx(0.93, abs=0.005)
    assert ratio.max() == pytest.approx(1.18, abs=0.005)
    usual = over_dbh([20.0], [75.0])
    assert 1.005 < usual.min() < usual.max() < 1.075
    said = page("volume")
    assert "7 percent under" in said and "18 percent over" in said and "1 to 7 percent over" in said


def test_default_form_classes_are_those_told():
    told = "78 for all species but eastern white pine and yellow-poplar (80), water tupelo (72)"
    assert told in page("volume")
    assert form_class_default([802, 131, 129, 621, 691]).tolist() == [78, 78, 80, 80, 72]
    assert form_class_default([221, 222, 67, 68]).tolist() == [70] * 4


def blocks(topic, word=""):
    return [text for kind, text in re.findall(r"```(\w*)\n(.*?)```", page(topic), re.DOTALL)
            if kind == word]  # fmt: skip


def test_the_taper_sheets_of_the_guide_are_read():
    _, table, coefficients = blocks("taper")
    assert isinstance(own_taper(pd.read_csv(StringIO(table))), TaperTable)
    forms = own_taper(pd.read_csv(StringIO(coefficients)))
    assert isinstance(forms, TaperForms)
    assert forms.place([802, 131, 621]).tolist() == [0, 1, -1]


def test_the_function_of_the_guide_is_a_cone():
    (code,) = blocks("taper", "python")
    known: dict = {}
    exec(code, known)
    np.testing.assert_allclose(known["stems"].dob_in(44.5), 10.0, rtol=1e-12)


def test_the_guide_lists_every_form():
    for name in TAPER_FORMS:
        assert f"| `{name}` |" in page("taper")


def test_how_near_it_is_is_told_as_it_is_tested():
    """The figures are held in the tests of the national stems and of green weight."""
    said = page("volume")
    for bias, rmse in (("+7.7", "11.2"), ("+3.4", "9.2"), ("−10.6", "29.4"), ("+1.6", "16.3")):
        assert f"| {bias} % | {rmse} % |" in said
