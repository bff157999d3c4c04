"""The national-scale models against their source and against felled trees."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standmap.errors import DomainError
from standmap.trees import has_national_model, national_stems

REFERENCE = Path(__file__).parents[1] / "reference"


def test_douglas_fir_of_the_source():
    """Westfall and others 2024, GTR WO-104, example 1: code 202, division 240, 20 in, 110 ft."""
    fir = national_stems(202, 20.0, 110.0, ecodivision="240")
    np.testing.assert_allclose(fir.wood_cuft(), 88.45228, rtol=1e-5)
    np.testing.assert_allclose(fir.height_to_dob_ft(4.0), 98.28127, rtol=1e-5)
    # The bark coefficient is printed to three figures only.
    np.testing.assert_allclose(fir.bark_cuft(), 13.19, atol=0.01)


def hand(code, dbh_in, height_ft, **where):
    return national_stems(code, dbh_in, height_ft, **where).wood_cuft()[0]


class TestRowChoice:
    """Rows of the GTR WO-104 supplement, wood volume inside bark, worked by hand."""

    def test_species_and_division_and_origin(self):
        natural = 0.00126518 * 14.0**1.924197683 * 80.0**1.179503155
        planted = 0.001141513 * 9.0 ** (1.902700511 - 2.037892774) * 14.0**2.037892774
        planted *= 80.0**1.195155008
        where = {"ecodivision": "230"}
        assert hand(131, 14.0, 80.0, **where) == pytest.approx(natural, rel=1e-9)
        assert hand(131, 14.0, 80.0, planted=True, **where) == pytest.approx(planted, rel=1e-9)

    def test_small_softwoods_stay_on_the_first_limb_of_form_2(self):
        expected = 0.001141513 * 8.0**1.902700511 * 60.0**1.195155008
        got = hand(131, 8.0, 60.0, ecodivision="230", planted=True)
        assert got == pytest.approx(expected, rel=1e-9)

    def test_division_without_a_row_falls_back_to_all_divisions(self):
        everywhere = 0.001143214 * 9.0 ** (1.901569242 - 2.038424885) * 14.0**2.038424885
        everywhere *= 80.0**1.195341345
        got = hand(131, 14.0, 80.0, ecodivision="M330", planted=True)
        assert got == pytest.approx(everywhere, rel=1e-9)

    def test_form_4_eastern_white_pine(self):
        expected = 0.002766541 * 16.0**1.941352268 * 90.0**1.014721582
        expected *= np.exp(-0.006566437 * 16.0)
        assert hand(129, 16.0, 90.0) == pytest.approx(expected, rel=1e-9)

    def test_species_without_rows_uses_its_group(self):
        """Black maple (314) is of group 9."""
        expected = 0.002653263 * 16.0**1.8973528 * 80.0**1.015463475
        assert hand(314, 16.0, 80.0) == pytest.approx(expected, rel=1e-9)

    def test_mixed_tally_equals_trees_one_by_one(self):
        codes, dbh, height = [131, 802, 314, 131], [14.0, 20.0, 16.0, 9.0], [80.0, 85, 80, 60]
        division, planted = ["230", None, "M220", "230"], [True, False, False, False]
        together = national_stems(codes, dbh, height, ecodivision=division, planted=planted)
        alone = [
            national_stems(c, d, h, ecodivision=e, planted=p).params[0]
            for c, d, h, e, p in zip(codes, dbh, height, division, planted, strict=True)
        ]
        np.testing.assert_array_equal(together.params, alone)


def test_black_cherry_volumes():
    """31 felled black cherries (Ryan, Joiner and Ryan 1976) against species 762, all divisions.

    The model reads 7.7 percent high with an RMSE of 11.2 percent of the mean volume; where the
    trees' measured volume ends (stump, top) is not told in the source.
    """
    cherry = pd.read_csv(REFERENCE / "tree_black_cherry_ryan_1976.csv", comment="#")
    model = national_stems(762, cherry["dbh_in"], cherry["height_ft"]).wood_cuft()
    measured = cherry["volume_cuft"].to_numpy()
    bias_pct = 100 * (model.sum() / measured.sum() - 1)
    rmse_pct = 100 * np.sqrt(np.mean((model - measured) ** 2)) / measured.mean()
    assert bias_pct == pytest.approx(7.7, abs=0.1)
    assert rmse_pct == pytest.approx(11.2, abs=0.1)
    assert np.corrcoef(model, measured)[0, 1] > 0.985


def test_broken_tree_is_usable_to_the_break_only():
    stems = national_stems(802, [20.0, 20.0], 85.0, broken_height_ft=[40.0, np.nan])
    np.testing.assert_array_equal(stems.usable_top_ft, [40.0, 85.0])
    np.testing.assert_array_equal(stems.total_height_ft, [85.0, 85.0])


def test_woodland_species_have_no_model():
    assert has_national_model([802, 314, 106, 66]).tolist() == [True, True, False, False]
    with pytest.raises(DomainError, match=r"106.*root collar"):
        national_stems(106, 10.0, 20.0)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"dbh_in": [12.0, -3.1]}, r"'dbh_in' must be above 0 in; got -3\.1 at rows \[1\]"),
        ({"height_ft": [3.0, 60.0]}, r"'height_ft' must be at least breast height"),
        ({"species_code": [802, 5]}, r"\[5\] are not in the catalogue"),
        ({"ecodivision": "M999"}, r"'ecodivision' must be .* got \['M999'\]"),
        ({"dbh_in": [1.0, 2.0, 3.0]}, "same length"),
    ],
)
def test_input_out_of_range_is_named(given, message):
    usual = {"species_code": [802, 802], "dbh_in": [12.0, 14.0], "height_ft": [60.0, 70.0]}
    with pytest.raises(DomainError, match=message):
        national_stems(**(usual | given))


def test_missing_in_is_missing_out():
    stems = national_stems(802, [np.nan, 12.0, 12.0], [60.0, np.nan, 60.0])
    for answer in (stems.dib_in(17.3), stems.height_to_dib_ft(6.0), stems.wood_cuft(1.0, 40.0)):
        np.testing.assert_array_equal(np.isnan(answer), [True, True, False])


def test_no_trees():
    stems = national_stems([], [], [])
    assert len(stems) == 0
    assert stems.dib_in(4.5).shape == (0,)
