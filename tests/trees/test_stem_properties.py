"""What must hold of every stem: national, form class, or a taper function of the user's own."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.species import catalogue
from standmap.trees import _kernels as kernels
from standmap.trees import (
    form_class_stems,
    has_national_model,
    join_stems,
    national_stems,
    taper_stems,
)
from standmap.units import BASAL_AREA_CONSTANT

CODES = [int(c) for c in catalogue().index if has_national_model(int(c))[0]]
DIVISIONS = ["", "210", "220", "230", "240", "M210", "M220", "M230", "M240", "M260", "M330"]


@st.composite
def national(draw):
    dbh = draw(st.floats(3.0, 45.0))
    height = draw(st.floats(30.0, 150.0))
    return national_stems(
        draw(st.sampled_from(CODES)), dbh, height,
        ecodivision=draw(st.sampled_from(DIVISIONS)), planted=draw(st.booleans()),
    )  # fmt: skip


@st.composite
def form_class(draw):
    return form_class_stems(
        draw(st.sampled_from([131, 621, 802, 833])),
        draw(st.floats(8.0, 45.0)),
        draw(st.integers(0, 10)) / 2,
        form_class=draw(st.floats(70.0, 92.0)),
    )


@st.composite
def own_taper(draw):
    power = draw(st.floats(0.7, 1.5))
    bark = draw(st.floats(1.0, 1.2))

    def profile(dbh_in, height_ft, at_ft):
        dob = dbh_in * ((height_ft - at_ft) / (height_ft - 4.5)) ** power
        return dob / bark, dob

    height = draw(st.floats(30.0, 120.0))
    return taper_stems(802, height * draw(st.floats(0.1, 0.25)), height, profile)


stems = st.one_of(national(), form_class(), own_taper())
share = st.floats(0.0, 1.0)
quick = settings(max_examples=80, deadline=None)


@quick
@given(stems)
def test_diameter_falls_from_breast_height_to_nothing_at_the_tip(stem):
    heights = np.linspace(4.5, stem.total_height_ft[0], 60)[None, :]
    for diameters in (stem.dib_in(heights)[0], stem.dob_in(heights)[0]):
        assert np.all(np.diff(diameters) <= 1e-12)
        assert diameters[-1] == 0.0


@quick
@given(stems, share)
def test_outside_bark_is_never_under_inside_bark(stem, at):
    height = at * stem.total_height_ft
    assert stem.dob_in(height)[0] >= stem.dib_in(height)[0]
    assert stem.bark_cuft(height)[0] >= 0


@quick
@given(stems, st.floats(0.05, 0.999))
def test_height_to_a_diameter_inverts_the_diameter_at_a_height(stem, at):
    height = np.maximum(at * stem.total_height_ft, 4.5)
    assume(height[0] < 0.999 * stem.total_height_ft[0])
    for there, back in (
        (stem.dib_in, stem.height_to_dib_ft),
        (stem.dob_in, stem.height_to_dob_ft),
    ):
        found = back(there(height))
        np.testing.assert_allclose(there(found), there(height), rtol=1e-7)
        # A form class as large as the bark allows makes a butt log of one diameter, and the
        # greatest height with it is the log's top.
        if there(height + 0.01)[0] < there(height)[0]:
            np.testing.assert_allclose(found, height, rtol=1e-7)
        else:
            assert found[0] >= height[0]


@quick
@given(stems, st.floats(0.1, 60.0))
def test_height_to_a_diameter_is_where_the_stem_has_it_or_the_ground(stem, diameter):
    for there, back in (
        (stem.dib_in, stem.height_to_dib_ft),
        (stem.dob_in, stem.height_to_dob_ft),
    ):
        height = back(diameter)
        if height[0] == 0.0:
            assert there(1.0)[0] <= diameter
        else:
            np.testing.assert_allclose(there(height), diameter, rtol=1e-7)


@quick
@given(stems, share, share)
def test_volumes_of_pieces_add_up(stem, one, other):
    low, high = sorted((one, other))
    low_ft, high_ft = low * stem.total_height_ft, high * stem.total_height_ft
    for volume in (stem.wood_cuft, stem.bark_cuft):
        parts = volume(0.0, low_ft) + volume(low_ft, high_ft) + volume(high_ft)
        np.testing.assert_allclose(parts, volume(), rtol=1e-9)
        assert volume(low_ft, high_ft)[0] >= -1e-12


@quick
@given(stems)
def test_wood_volume_is_the_sum_of_its_sections(stem):
    """Volume between two heights is the integral of basal area inside bark over height."""
    edges = np.linspace(1.0, 0.75 * stem.total_height_ft[0], 4001)
    middles = (edges[1:] + edges[:-1]) / 2
    inside = stem.dib_in(middles[None, :])[0]
    assume(np.all(inside < stem.dob_in(middles[None, :])[0]))  # where the two fits have not crossed
    slices = BASAL_AREA_CONSTANT * inside**2 * np.diff(edges)
    np.testing.assert_allclose(slices.sum(), stem.wood_cuft(1.0, edges[-1])[0], rtol=1e-4)


@quick
@given(stems, st.floats(0.0, 1.05))
def test_a_height_asked_all_at_once_is_the_same_as_one_by_one(stem, at):
    height = at * stem.total_height_ft[0]
    kind, p = stem.kind[0], stem.params[0]
    one_by_one = [
        stem.dib_in(height)[0],
        stem.dob_in(height)[0],
        stem.wood_cuft(0, height)[0],
        stem.wood_cuft(0, height)[0] + stem.bark_cuft(0, height)[0],
    ]
    np.testing.assert_allclose(
        kernels.profile_at(kind, p, height), one_by_one, rtol=1e-9, atol=1e-12
    )


@quick
@given(stems, share, share)
def test_bark_surface_is_girth_over_height(stem, one, other):
    """Against two thousand slices; the national stem by Gauss's rule."""
    low, high = sorted((one, other))
    edges = np.linspace(low, high, 2_001) * stem.total_height_ft[0]
    middles = (edges[1:] + edges[:-1]) / 2
    girth_ft = np.pi / 12 * stem.dob_in(middles[None, :])[0]
    slices = (girth_ft * np.diff(edges)).sum()
    np.testing.assert_allclose(
        stem.surface_sqft(edges[0], edges[-1])[0], slices, rtol=2e-5, atol=1e-9
    )
    parts = stem.surface_sqft(0, edges[0]) + stem.surface_sqft(edges[0])
    np.testing.assert_allclose(parts, stem.surface_sqft(), rtol=1e-5)


@quick
@given(stems, share)
def test_bark_share_is_bark_over_wood_and_bark(stem, at):
    height = at * stem.total_height_ft
    share_above, bark, wood = (
        f(height)[0] for f in (stem.bark_share, stem.bark_cuft, stem.wood_cuft)
    )
    if at == 1.0:
        assert np.isnan(share_above)
    elif wood > 0:
        assert 0 <= share_above < 1
        np.testing.assert_allclose(share_above * (wood + bark), bark, rtol=1e-9)


def test_bark_surface_of_a_cylinder_and_a_cone():
    """A 12-inch cylinder has pi square feet of bark to the foot; a cone half of that."""
    rod = form_class_stems(802, 12.0, 1, form_class=100, height_ft=60.0)
    ratio = rod.dob_in(4.5)[0] / rod.dib_in(4.5)[0]
    np.testing.assert_allclose(rod.surface_sqft(1, 17.3), np.pi * 16.3 * ratio, rtol=1e-12)
    np.testing.assert_allclose(rod.surface_sqft(17.3), np.pi * 42.7 / 2 * ratio, rtol=1e-12)
    assert rod.surface_sqft(20, 10)[0] == 0.0


@quick
@given(national(), st.floats(1.02, 1.3))
def test_a_taller_tree_holds_more_wood(stem, times):
    taller = national_stems(stem.species_code, stem.dbh_in, stem.total_height_ft * times)
    same = national_stems(stem.species_code, stem.dbh_in, stem.total_height_ft)
    assert taller.wood_cuft()[0] > same.wood_cuft()[0]


def test_stems_answer_scalars_columns_and_tables_alike():
    both = join_stems(
        [national_stems([802, 131], [20.0, 14.0], 85.0), form_class_stems(833, 24.0, 3)], [2, 0, 1]
    )
    assert both.dbh_in.tolist() == [14.0, 24.0, 20.0]
    assert repr(both) == "Stems(3 trees: 2 national, 1 form class)"
    one = both.dib_in(17.3)
    np.testing.assert_array_equal(both.dib_in([17.3] * 3), one)
    np.testing.assert_array_equal(both.dib_in([[4.5, 17.3]])[:, 1], one)
    np.testing.assert_array_equal(both.take([1]).dib_in(17.3), one[1:2])
    with pytest.raises(DomainError, match="3 values"):
        both.dib_in([1.0, 2.0])


def test_join_needs_every_position_once():
    oak = national_stems([802, 802], [20.0, 14.0], 85.0)
    with pytest.raises(DomainError, match="positions 0 to 1 once"):
        join_stems([oak], [0, 0])


def test_an_outline_is_the_stem_from_half_a_foot_to_the_tip():
    both = join_stems([national_stems(802, 20.0, 85.0), form_class_stems(802, 24.0, 3)], [1, 0])
    outline = both.outline(points=11)
    assert outline["tree"].tolist() == [0] * 11 + [1] * 11
    for tree, part in outline.groupby("tree"):
        stem = both.take([int(str(tree))])
        at = part["height_ft"].to_numpy()[None, :]
        assert (at[0, 0], at[0, -1]) == (0.5, stem.total_height_ft[0])
        np.testing.assert_array_equal(part["dib_in"], stem.dib_in(at)[0])
        np.testing.assert_array_equal(part["dob_in"], stem.dob_in(at)[0])
