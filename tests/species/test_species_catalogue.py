"""The catalogue, and the default form class."""

import numpy as np
import pytest

from standmap._tables import load_table
from standmap.species import Species, catalogue, form_class_default, lookup


def test_the_catalogue_is_whole():
    table = catalogue()
    assert len(table) == 460
    assert table.index.is_unique
    assert table.index.is_monotonic_increasing
    assert 10 <= table.index.min() and table.index.max() <= 999
    for column in ("symbol", "common_name", "scientific_name"):
        assert table[column].notna().all()
        assert not table[column].str.casefold().duplicated().any()


@pytest.mark.parametrize(
    ("column", "low", "high"),
    [
        ("wood_specific_gravity", 0.2, 1.0),
        ("bark_specific_gravity", 0.2, 1.0),
        ("wood_moisture_pct", 20, 200),
        ("bark_moisture_pct", 10, 200),
        ("bark_volume_pct", 3, 35),
        ("species_group", 1, 10),
    ],
)
def test_properties_are_of_wood(column, low, high):
    assert catalogue()[column].dropna().between(low, high).all()


def test_softwoods_are_the_codes_below_300():
    """The Forest Service's own numbering."""
    table = catalogue()
    assert (table.softwood == (table.index < 300)).all()


@pytest.mark.parametrize(
    ("code", "symbol", "common_name", "gravity"),
    [
        # FIADB species reference table; specific gravity after Miles and Smith 2009, NRS-38
        (131, "PITA", "loblolly pine", 0.47),
        (129, "PIST", "eastern white pine", 0.34),
        (802, "QUAL", "white oak", 0.60),
        (621, "LITU", "yellow-poplar", 0.40),
        (202, "PSME", "Douglas-fir", 0.45),
    ],
)
def test_well_known_species(code, symbol, common_name, gravity):
    row = catalogue().loc[code]
    assert (row.symbol, row.common_name) == (symbol, common_name)
    np.testing.assert_allclose(row.wood_specific_gravity, gravity, rtol=0, atol=0.005)


def test_a_species_carries_plain_values():
    oak = lookup(802)
    assert isinstance(oak, Species)
    assert type(oak.softwood) is bool and not oak.softwood
    assert type(oak.wood_specific_gravity) is float
    assert str(oak) == "white oak"
    with pytest.raises(AttributeError, match="cannot assign"):
        oak.code = 1


def test_the_callers_catalogue_is_its_own():
    mine = catalogue()
    mine.loc[802, "common_name"] = "spoiled"
    assert catalogue().loc[802, "common_name"] == "white oak"


def test_form_class_is_78_unless_the_table_says_otherwise():
    classes = form_class_default(catalogue().index)
    listed = load_table("form_class_default").query("species_code > 0")
    assert (classes != 78).sum() == (listed.form_class != 78).sum() == 7
    assert form_class_default([-1]).tolist() == [78]
    assert form_class_default(802).shape == ()
    assert form_class_default([[802, 221]]).shape == (1, 2)


def test_form_classes_other_than_78_are_marked_as_remembered():
    listed = load_table("form_class_default").query("form_class != 78")
    assert (listed.source == "from memory").all()
    assert listed.form_class.between(65, 90).all()
    assert set(listed.species_code) <= set(catalogue().index)
