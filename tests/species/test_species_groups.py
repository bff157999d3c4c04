"""Groups of species, and entries of product and price sheets."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap._tables import load_table
from standmap.species import (
    UnknownSpeciesError,
    catalogue,
    entry_codes,
    group_codes,
    species_groups,
    species_mask,
)

GROUPS = st.sampled_from(species_groups().index.tolist())
quick = settings(max_examples=60, deadline=None)


def test_every_group_has_members_of_the_catalogue_and_a_source():
    groups = species_groups()
    known = set(catalogue().index)
    for name, row in groups.iterrows():
        assert row.codes, name
        assert set(row.codes) <= known
        assert row.source.strip()
    assert load_table("species_groups").source.notna().all()


def test_softwood_and_hardwood_share_the_catalogue():
    assert group_codes("softwood") | group_codes("hardwood") == group_codes("any")
    assert not group_codes("softwood") & group_codes("hardwood")
    assert group_codes("soft hardwood") | group_codes("hard hardwood") == group_codes("hardwood")
    assert not group_codes("soft hardwood") & group_codes("hard hardwood")


@pytest.mark.parametrize(
    ("group", "within"),
    [
        ("red oak", "oak"),
        ("white oak", "oak"),
        ("select red oak", "red oak"),
        ("other red oak", "red oak"),
        ("select white oak", "white oak"),
        ("other white oak", "white oak"),
        ("yellow pine", "pine"),
        ("white pine", "pine"),
        ("hard maple", "maple"),
        ("soft maple", "maple"),
        ("redcedar", "cedar"),
        ("tupelo", "gum"),
        ("pine", "softwood"),
        ("oak", "hardwood"),
    ],
)
def test_groups_lie_within_their_kind(group, within):
    assert group_codes(group) <= group_codes(within)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("red oak", "white oak"),
        ("select red oak", "other red oak"),
        ("select white oak", "other white oak"),
        ("hard maple", "soft maple"),
        ("yellow pine", "white pine"),
        ("red oak", "live oaks"),
        ("white oak", "live oaks"),
    ],
)
def test_groups_that_share_no_species(one, other):
    assert not group_codes(one) & group_codes(other)


def test_every_eastern_oak_of_its_own_name_is_red_white_or_live():
    table = catalogue()
    oaks = set(table.index[(table.genus == "Quercus") & table.east]) - {800}
    assert oaks <= group_codes("red oak") | group_codes("white oak") | group_codes("live oaks")


@pytest.mark.parametrize(
    ("group", "inside", "outside"),
    [
        # Flora of North America vol. 3 (1997), sections of Quercus, from memory
        ("red oak", [833, 837, 806, 812, 813, 827, 830], [802, 832, 835, 800]),
        ("white oak", [802, 832, 835, 823, 826], [833, 837, 838, 800]),
        # Wood Handbook (Forest Products Laboratory), from memory
        ("yellow pine", [131, 110, 121, 111, 132], [129, 125, 105]),
        ("hard maple", [318, 314], [316, 317]),
        # FIA glossary, from memory: gums, yellow-poplar, red maple; oaks, hickories, beech
        ("soft hardwood", [611, 621, 316, 951], [802, 407, 531, 318]),
        ("redcedar", [68], [241]),
        ("walnut", [602, 600], [601]),
    ],
)
def test_what_the_trade_means_by_a_group(group, inside, outside):
    assert set(inside) <= group_codes(group)
    assert not set(outside) & group_codes(group)


@quick
@given(GROUPS, GROUPS)
def test_an_entry_of_two_groups_covers_both(one, other):
    assert entry_codes(f"{one}; {other}") == group_codes(one) | group_codes(other)


@quick
@given(GROUPS, st.lists(st.sampled_from([-1, *catalogue().index.tolist()]), max_size=8))
def test_a_mask_is_membership(group, codes):
    mask = species_mask(group.upper(), codes)
    expected = [group == "any" or code in group_codes(group) for code in codes]
    np.testing.assert_array_equal(mask, np.array(expected, dtype=bool))


@pytest.mark.parametrize("entry", ["", None, "any", "All", " "])
def test_a_blank_entry_covers_every_tree(entry):
    assert species_mask(entry, [802, 131, -1]).all()


def test_singular_plural_case_and_hyphens_do_not_matter():
    for written in ("Red Oaks", "red-oak", "REDOAK"):
        assert group_codes(written) == group_codes("red oak")
    assert group_codes("hickories") == group_codes("hickory")
    assert group_codes("ashes") == group_codes("ash")


def test_a_name_that_is_both_is_the_group_and_its_symbol_the_species():
    both = {"white oak": "QUAL", "baldcypress": "TADI2", "hackberry": "CEOC"}
    for name, symbol in both.items():
        assert entry_codes(name) == group_codes(name)
        assert len(entry_codes(name)) > len(entry_codes(symbol)) == 1


def test_an_alias_means_its_species():
    assert entry_codes("WO", aliases={"WO": "white oak"}) == {802}
    assert species_mask("poplar; oak", [621, 833], aliases={"poplar": "LITU"}).all()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: group_codes("frog"), "unknown species group 'frog'"),
        (lambda: group_codes("pin oak group"), "Did you mean oak"),
        (
            lambda: entry_codes("oak; poplar"),
            "unknown species or group 'poplar'. Did you mean yellow",
        ),
        (lambda: species_mask("oakk", [802]), "unknown species or group 'oakk'"),
    ],
)
def test_unknown_groups_are_refused_with_the_nearest(call, message):
    with pytest.raises(UnknownSpeciesError, match=message):
        call()
