"""From what a crew wrote to a species code."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap._tables import load_table
from standmap.species import UnknownSpeciesError, catalogue, lookup, resolve

CODES = st.sampled_from(catalogue().index.tolist())
quick = settings(max_examples=80, deadline=None)


def retype(draw_case, separators, name):
    """The same name in another hand."""
    return draw_case(separators.join(name.replace("-", " ").split()))


@quick
@given(CODES, st.sampled_from([str.upper, str.lower, str.title]), st.sampled_from([" ", "-", ""]))
def test_case_hyphens_and_spaces_do_not_matter(code, draw_case, separators):
    row = catalogue().loc[code]
    written = [
        code,
        float(code),
        str(code),
        f" {code}.0 ",
        draw_case(row.symbol),
        retype(draw_case, separators, row.scientific_name),
    ]
    if row.common_name != "cypress":  # several species to a crew, see below
        written.append(retype(draw_case, separators, row.common_name))
    assert set(resolve(written).codes) == {code}


def test_every_name_but_cypress_is_the_species_of_that_name():
    table = catalogue()
    for column in ("symbol", "common_name", "scientific_name"):
        codes = resolve(table[column]).codes
        assert set(table[column][codes != table.index]) <= {"cypress"}


@pytest.mark.parametrize(
    ("written", "code"),
    [
        ("Q. alba", 802),
        ("quercus alba", 802),
        ("hickory", 400),
        ("Quercus spp.", 800),
        ("Quercus", 800),
        ("tulip poplar", 621),
        ("Quercus montana", 832),
        ("walnut", 602),
        ("short leaf pine", 110),
        ("musclewood", 391),
        ("Carya tomentosa", 409),
        ("0131", 131),
    ],
)
def test_other_ways_to_write_a_species(written, code):
    assert lookup(written).code == code


@pytest.mark.parametrize(
    ("written", "first"),
    [
        ("red oak", "northern red oak"),
        ("white pine", "eastern white pine"),
        ("soft maple", "red maple"),
        ("cypress", "baldcypress"),
        ("poplar", "yellow-poplar"),
        ("yelow-popler", "yellow-poplar"),
        ("loblolly", "loblolly pine"),
        ("wht oak", "white oak"),
    ],
)
def test_doubtful_names_are_refused_with_the_nearest_first(written, first):
    found = resolve([written])
    assert found.codes.tolist() == [-1]
    assert found.unknown[written][0] == first
    with pytest.raises(
        UnknownSpeciesError, match=f"unknown species '{written}'. Did you mean {first}"
    ):
        lookup(written)


def test_blanks_and_nonsense_are_unknown_without_a_guess():
    found = resolve([None, np.nan, "  ", 5000, "-1", 802.5, "zzzz"])
    assert (found.codes == -1).all()
    assert found.unknown[""] == []
    assert found.unknown["5000"] == []
    assert resolve([]).codes.size == 0


def test_the_tracts_own_names_come_first():
    aliases = {"YP": "yellow-poplar", "12": 802, "red oak": "QURU", "cypress": "Taxodium distichum"}
    assert resolve(["yp", 12, "Red-Oak", "CYPRESS"], aliases=aliases).codes.tolist() == [
        621,
        802,
        833,
        221,
    ]
    assert lookup("YP", aliases=aliases).symbol == "LITU"


def test_an_alias_that_leads_nowhere_says_which():
    with pytest.raises(UnknownSpeciesError, match=r"alias 'RO'.*'red oak'.*northern red oak"):
        resolve(["RO"], aliases={"RO": "red oak"})


def test_no_species_is_guessed_from_three_letters():
    # LOB is loblolly to many a cruiser, and one letter from the symbol of Arizona alder, ALOB2.
    assert resolve(["LOB", "WOK"]).unknown == {"LOB": [], "WOK": []}


def test_each_unknown_value_is_told_once():
    assert list(resolve(["frog", "frog", "toad"]).unknown) == ["frog", "toad"]


def test_other_names_lead_to_the_catalogue_and_hide_no_species():
    table = load_table("species_other_names")
    for codes in table.species_codes.astype(str):
        assert {int(code) for code in codes.split(";")} <= set(catalogue().index)
    assert not table.name.str.casefold().duplicated().any()
    taken = set(table.name.str.casefold()) & set(catalogue().common_name.str.casefold())
    assert taken == {"cypress"}
    assert table.source.isin(["common practice, no source", "older scientific name"]).all()
