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


def misses(model, measured):
    """Return bias of the sum and RMSE, both in percent of the mean measured volume."""
    bias = 100 * (model.sum() / measured.sum() - 1)
    return bias, 100 * np.sqrt(np.mean((model - measured) ** 2)) / measured.mean()


@pytest.mark.parametrize(
    ("division", "stump_ft", "bias_pct", "rmse_pct"),
    [
        (None, 0.0, 7.7, 11.2),
        (None, 1.0, 3.4, 9.2),
        ("210", 1.0, 7.0, 11.2),
        ("M220", 1.0, 0.1, 8.1),
        ("230", 1.0, -5.6, 11.4),
    ],
)
def test_black_cherry_volumes(division, stump_ft, bias_pct, rmse_pct):
    """31 felled black cherries (Ryan, Joiner and Ryan 1976) against species 762.

    The source tells neither where the measured volume begins nor where the trees stood. With the
    rows for all divisions: from the ground 7.7 percent high, RMSE 11.2 percent of the mean volume
    of 30.2 cubic feet; from a 1-foot stump 3.4 and 9.2. The divisions run from 5.6 percent low to
    7.0 high. A line of D2H fitted to these same trees has an RMSE of 8.0 percent.
    """
    cherry = pd.read_csv(REFERENCE / "tree_black_cherry_ryan_1976.csv", comment="#")
    stems = national_stems(762, cherry["dbh_in"], cherry["height_ft"], ecodivision=division)
    bias, rmse = misses(stems.wood_cuft(stump_ft), cherry["volume_cuft"].to_numpy())
    assert bias == pytest.approx(bias_pct, abs=0.1)
    assert rmse == pytest.approx(rmse_pct, abs=0.1)


@pytest.fixture(scope="module")
def oaks():
    return pd.read_csv(REFERENCE / "tree_red_oak_beers_1958.csv", comment="#")


class TestRedOaks:
    """236 northern red oaks of Pennsylvania (Beers and Gingrich 1958): volume below a 4.5-in top.

    The source gives no total height, which the national models need, so the comparison cannot be
    fair to them. Read backwards (the height whose profile is 4.5 in outside bark at the measured
    merchantable height) the height takes up every error of the profile's tip: oaks over 22 in come
    out 7 ft taller than their 4.5-in tops, where the crown of a real oak has its greater part.
    What can be bounded is bounded: the volumes on those heights, the heights that the measured
    volumes ask for, and the error on heights that are one constant above the top.
    """

    @staticmethod
    def height_where(oaks, too_low):
        """Return total heights by halving, from a test that tells heights that are too low."""
        low, high = oaks["height_to_top_ft"].to_numpy() + 0.01, np.full(len(oaks), 400.0)
        low = np.maximum(low, 4.6)
        for _ in range(60):
            middle = (low + high) / 2
            short = too_low(national_stems(833, oaks["dbh_in"], middle))
            low, high = np.where(short, middle, low), np.where(short, high, middle)
        return (low + high) / 2

    def test_the_measurements_are_those_of_the_published_fit(self, oaks):
        """Gregoire and Valentine 2007: V = 0.1403 + 0.0028376 D2H; its RMSE is 12.6 percent."""
        d2h = oaks["dbh_in"] ** 2 * oaks["height_to_top_ft"]
        slope, level = np.polyfit(d2h, oaks["volume_cuft"], 1)
        assert slope == pytest.approx(0.0028376, abs=5e-8)
        assert level == pytest.approx(0.1403, abs=5e-5)
        rmse = misses(level + slope * d2h, oaks["volume_cuft"])[1]
        assert rmse == pytest.approx(12.6, abs=0.1)

    def test_on_heights_read_back_from_the_profile(self, oaks):
        """10.6 percent low, RMSE 29.4 percent of the mean 34.4 cubic feet; high in small trees."""
        top = oaks["height_to_top_ft"].to_numpy()
        height = self.height_where(oaks, lambda stems: stems.height_to_dob_ft(4.5) < top)
        stems = national_stems(833, oaks["dbh_in"], height)
        np.testing.assert_allclose(stems.height_to_dob_ft(4.5), top, atol=1e-6)
        wood = stems.wood_cuft(0.0, top)
        bias, rmse = misses(wood, oaks["volume_cuft"].to_numpy())
        assert bias == pytest.approx(-10.6, abs=0.1)
        assert rmse == pytest.approx(29.4, abs=0.1)
        large = (oaks["dbh_in"] > 22).to_numpy()
        assert np.median((height - top)[large]) == pytest.approx(7.4, abs=0.5)

    def test_heights_that_the_volumes_ask_for_are_those_of_oaks(self, oaks):
        """By DBH class they rise from 31 ft under 6 in to 108 ft over 26 in, without a fall."""
        top, wood = oaks["height_to_top_ft"].to_numpy(), oaks["volume_cuft"].to_numpy()
        height = self.height_where(oaks, lambda stems: stems.wood_cuft(0.0, top) < wood)
        classes = pd.cut(oaks["dbh_in"], [0, 6, 8, 10, 12, 15, 18, 22, 26, 35])
        median = pd.Series(height).groupby(classes, observed=True).median()
        assert median.is_monotonic_increasing
        assert median.iloc[0] == pytest.approx(31.3, abs=0.5)
        assert median.iloc[-1] == pytest.approx(108.2, abs=0.5)

    def test_on_heights_one_constant_above_the_top(self, oaks):
        """25 ft above it (chosen to fit: the bias is no test) RMSE is 14.8 percent."""
        top = oaks["height_to_top_ft"].to_numpy()
        wood = national_stems(833, oaks["dbh_in"], top + 25.0).wood_cuft(0.0, top)
        bias, rmse = misses(wood, oaks["volume_cuft"].to_numpy())
        assert abs(bias) < 0.5
        assert rmse == pytest.approx(14.8, abs=0.1)


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
