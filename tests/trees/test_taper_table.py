"""Tapers of the user's own: tables and functions, as stems like any other."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError, ExtrapolationWarning, InputError, StandmapWarning
from standmap.trees import (
    TABLE,
    form_class_stems,
    join_stems,
    national_stems,
    taper_stems,
    taper_table,
)
from standmap.trees import _kernels as kernels
from standmap.units import BASAL_AREA_CONSTANT

OAK = pd.DataFrame(
    {
        "species": "oak",
        "height_share": [0.0, 0.05, 0.2, 0.5, 0.8],
        "dib_pct": [110.0, 93, 80, 61, 30],
        "dob_pct": [120.0, 100, 86, 65, 33],
    }
)


def cone(dbh_in, height_ft, at_ft):
    """A cone through the DBH, bark an eighth of the wood's diameter."""
    dob = dbh_in * (height_ft - at_ft) / (height_ft - 4.5)
    return dob / 1.125, dob


class TestTableByShareOfHeight:
    def test_rows_are_read_as_they_stand(self):
        stem = taper_stems(802, 20.0, 90.0, taper_table(OAK))
        at = OAK["height_share"].to_numpy()[None, :] * 90.0
        np.testing.assert_allclose(stem.dib_in(at)[0], OAK["dib_pct"] * 0.2, rtol=1e-12)
        np.testing.assert_allclose(stem.dob_in(at)[0], OAK["dob_pct"] * 0.2, rtol=1e-12)

    def test_straight_between_rows_and_on_to_the_tip(self):
        stem = taper_stems(802, 20.0, 100.0, taper_table(OAK))
        # Half-way from 80 to 61 percent, and half-way from 30 percent to the tip.
        np.testing.assert_allclose(stem.dib_in([[35.0, 90.0]]), [[14.1, 3.0]], rtol=1e-12)
        np.testing.assert_allclose(stem.height_to_dib_ft([[14.1, 3.0]]), [[35.0, 90.0]], rtol=1e-12)

    def test_volume_is_the_frustums_between_rows(self):
        stem = taper_stems(802, 20.0, 100.0, taper_table(OAK))
        d1, d2 = 16.0, 12.2
        frustum = BASAL_AREA_CONSTANT / 3 * 30 * (d1 * d1 + d1 * d2 + d2 * d2)
        np.testing.assert_allclose(stem.wood_cuft(20, 50), frustum, rtol=1e-12)
        d1, d2 = 17.2, 13.0
        both = BASAL_AREA_CONSTANT / 3 * 30 * (d1 * d1 + d1 * d2 + d2 * d2)
        np.testing.assert_allclose(stem.bark_cuft(20, 50), both - frustum, rtol=1e-12)
        np.testing.assert_allclose(stem.bark_share(20, 50), 1 - frustum / both, rtol=1e-12)

    def test_a_ground_row_is_held_down_where_the_table_starts_higher(self):
        stem = taper_stems(802, 20.0, 100.0, taper_table(OAK.iloc[1:]))
        np.testing.assert_allclose(stem.dib_in([[0.0, 2.0, 5.0]]), [[18.6] * 3], rtol=1e-12)

    def test_dbh_classes_are_straight_in_percent_of_dbh(self):
        classes = pd.concat(
            [OAK.assign(dbh_in=10.0), OAK.assign(dbh_in=20.0, dib_pct=OAK["dib_pct"] - 10)]
        )
        stems = taper_stems(802, [10.0, 16.0, 20.0], 90.0, taper_table(classes))
        np.testing.assert_allclose(stems.dib_in(18.0) / stems.dbh_in, [0.80, 0.74, 0.70], rtol=1e-9)

    def test_beyond_the_classes_the_nearest_form_stands_and_is_told(self):
        classes = pd.concat([OAK.assign(dbh_in=10.0), OAK.assign(dbh_in=20.0)])
        with pytest.warns(ExtrapolationWarning, match="1 trees are beyond the DBH classes"):
            stems = taper_stems(802, [10.0, 24.0], 90.0, taper_table(classes))
        np.testing.assert_allclose(stems.dib_in(18.0), [8.0, 19.2], rtol=1e-9)

    def test_inches_need_and_use_their_dbh_class(self):
        inches = OAK.assign(dbh_in=20.0, dib_in=OAK["dib_pct"] / 5, dob_in=OAK["dob_pct"] / 5)
        inches = inches.drop(columns=["dib_pct", "dob_pct"])
        stem = taper_stems(802, 20.0, 90.0, taper_table(inches))
        np.testing.assert_allclose(stem.dib_in(18.0), 16.0, rtol=1e-12)
        with pytest.raises(InputError, match="need the DBH they belong to"):
            taper_table(inches.drop(columns="dbh_in"))


class TestTableByFeet:
    FEET = OAK.drop(columns="height_share").assign(height_ft=[1.0, 4.5, 17.3, 33.6, 49.9])

    def test_heights_in_feet_are_the_same_in_every_tree(self):
        stems = taper_stems(802, [20.0, 20.0], [80.0, 110.0], taper_table(self.FEET))
        np.testing.assert_allclose(stems.dib_in(17.3), [16.0, 16.0], rtol=1e-12)
        # 30 percent at 49.9 ft, then straight to each tip.
        np.testing.assert_allclose(
            stems.dib_in([[64.95], [64.95]])[:, 0], [3.0, 6 * 45.05 / 60.1], rtol=1e-12
        )

    def test_rows_above_a_short_trees_tip_are_left_out(self):
        stem = taper_stems(802, 20.0, 40.0, taper_table(self.FEET))
        np.testing.assert_allclose(
            stem.dib_in([[33.6, 36.8, 40.0, 49.9]]), [[12.2, 6.1, 0, 0]], rtol=1e-9, atol=1e-12
        )


class TestSpecies:
    def test_named_species_first_then_the_rest(self):
        rest = OAK.assign(species=np.nan, dib_pct=OAK["dib_pct"] - 5)
        table = taper_table(pd.concat([rest, OAK]))
        stems = taper_stems([802, 621], 20.0, 90.0, table)
        np.testing.assert_allclose(stems.dib_in(18.0), [16.0, 15.0], rtol=1e-12)
        assert table.covers([802, 621, 131]).all()

    def test_a_species_without_a_taper_is_named(self):
        table = taper_table(OAK)
        assert table.covers([802, 621]).tolist() == [True, False]
        with pytest.raises(DomainError, match=r"no rows for species \[621\]"):
            taper_stems([802, 621], 20.0, 90.0, table)

    def test_the_tracts_own_names_are_understood(self):
        table = taper_table(OAK.assign(species="WO"), aliases={"WO": "white oak"})
        assert table.covers([802, 833]).tolist() == [True, False]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"dib_pct": [110.0, 79, 80, 61, 30]}, "row 4, column 'dib_pct'.*thicker here than below"),
        ({"dob_pct": [120.0, 100, 79, 65, 33]}, "row 4, column 'dob_pct'.*cannot be less"),
        ({"height_share": [0.0, 0.05, 0.05, 0.5, 0.8]}, "row 4.*given twice"),
        ({"height_share": [0.0, 5, 20, 50, 80]}, "from 0 to 1 of total height"),
        ({"dib_pct": ["110", "x", "80", "61", "30"]}, "row 3, column 'dib_pct'"),
        ({"species": "oka"}, "row 2, column 'species': unknown species"),
    ],
)
def test_faults_of_a_table_name_row_and_column(change, message):
    with pytest.raises(InputError, match=message):
        taper_table(OAK.assign(**change))


def test_missing_columns_are_named_together():
    with pytest.raises(InputError, match=r"(?s)'species'.*'height_share'.*'dib_pct'"):
        taper_table(pd.DataFrame({"height": [1.0], "dib": [2.0]}))


class TestFunction:
    def test_a_cone_is_a_cone(self):
        stem = taper_stems(802, 20.0, 84.5, cone)
        at = np.linspace(0.5, 84.5, 200)[None, :]
        np.testing.assert_allclose(stem.dob_in(at), 20 * (84.5 - at) / 80, rtol=1e-9, atol=1e-12)
        whole = BASAL_AREA_CONSTANT / 3 * 84.5 * (20 * 84.5 / 80) ** 2
        np.testing.assert_allclose(stem.wood_cuft() + stem.bark_cuft(), whole, rtol=1e-9)
        np.testing.assert_allclose(stem.bark_share(), 1 - 1 / 1.125**2, rtol=1e-9)

    @pytest.mark.parametrize("code", [802, 131, 202, 762, 129])
    def test_the_national_profile_put_through_it_comes_back(self, code):
        """Within 0.06 in from half a foot to 0.95 of the height, 0.2 percent of volume."""
        dbh, height = (v.ravel() for v in np.meshgrid(np.arange(6.0, 41, 2), [50.0, 80, 130]))
        national = national_stems(code, dbh, height)

        def again(dbh_in, height_ft, at_ft):
            stems = national_stems(code, dbh_in[:, 0], height_ft[:, 0])
            return stems.dib_in(at_ft), stems.dob_in(at_ft)

        ours = taper_stems(code, dbh, height, again)
        at = 0.5 + np.linspace(0, 1, 300) * (0.95 * height[:, None] - 0.5)
        np.testing.assert_allclose(ours.dib_in(at), national.dib_in(at), atol=0.06)
        np.testing.assert_allclose(ours.dob_in(at), national.dob_in(at), atol=0.06)
        np.testing.assert_allclose(ours.wood_cuft(1.0), national.wood_cuft(1.0), rtol=0.002)

    def test_a_curve_too_sharp_for_its_heights_is_told(self):
        def step(dbh_in, height_ft, at_ft):
            dob = np.where(at_ft < 41.0, dbh_in, 0.5 * dbh_in)
            return dob, dob

        with pytest.warns(StandmapWarning, match="miss it by up to"):
            taper_stems(802, 20.0, 90.0, step)

    @pytest.mark.parametrize(
        ("profile", "message"),
        [
            (lambda d, h, at: (d, d[:, :1]), "must return dob of shape"),
            (lambda d, h, at: (d + 0 * at, 0.9 * d), "thicker inside than outside bark"),
            (lambda d, h, at: (at, at), "grows with height"),
            (lambda d, h, at: (-d, d), "missing or negative"),
        ],
    )
    def test_a_function_that_is_no_stem_is_refused(self, profile, message):
        with pytest.raises(DomainError, match=message):
            taper_stems(802, 20.0, 90.0, profile)


def test_missing_and_broken_trees():
    stems = taper_stems(
        802, [20.0, np.nan, 20.0], [90.0, 90.0, np.nan], taper_table(OAK),
        broken_height_ft=[40.0, 30.0, np.nan],
    )  # fmt: skip
    for answer in (stems.dib_in(18.0), stems.wood_cuft(), stems.height_to_dib_ft(6.0)):
        np.testing.assert_array_equal(np.isnan(answer), [False, True, True])
    np.testing.assert_array_equal(stems.usable_top_ft, [40.0, np.nan, np.nan])


def test_all_kinds_stand_in_one_tally():
    """A table of many heights has a wider row; the others keep their answers beside it."""
    parts = [
        national_stems(802, 20.0, 85.0),
        taper_stems(802, 20.0, 84.5, cone),
        form_class_stems(802, 20.0, 3),
    ]
    both = join_stems(parts, [2, 0, 1])
    assert both.kind.tolist() == [TABLE, kernels.FORM_CLASS, kernels.NATIONAL]
    assert repr(both) == "Stems(3 trees: 1 national, 1 form class, 1 taper table)"
    for row, part in ((2, parts[0]), (0, parts[1]), (1, parts[2])):
        np.testing.assert_array_equal(both.dib_in(17.3)[row], part.dib_in(17.3)[0])
        np.testing.assert_array_equal(both.surface_sqft()[row], part.surface_sqft()[0])


@settings(max_examples=30, deadline=None)
@given(
    st.floats(5.0, 40.0),
    st.floats(20.0, 140.0),
    st.lists(st.floats(0.0, 1.0), min_size=4, max_size=4),
    st.floats(0.0, 1.0),
)
def test_a_table_stem_inverts_and_adds_up(dbh, height, drops, at):
    """Height to a diameter is where the stem last has it; parts add up to the whole."""
    ratio = np.concatenate([[1.2], 1.2 * np.cumprod(1 - 0.5 * np.array(drops))])
    rows = OAK.assign(dib_pct=100 * ratio / 1.1, dob_pct=100 * ratio)
    stem = taper_stems(802, dbh, height, taper_table(rows))
    where = at * height
    back = stem.height_to_dib_ft(stem.dib_in(where))
    np.testing.assert_allclose(stem.dib_in(back), stem.dib_in(where), rtol=1e-9, atol=1e-9)
    assert back[0] >= where - 1e-6 * height
    for part in (stem.wood_cuft, stem.bark_cuft, stem.surface_sqft):
        np.testing.assert_allclose(part(0, where) + part(where), part(), rtol=1e-9)
