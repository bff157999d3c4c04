"""Stand and stock tables against a published one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standmap.cruise import basal_area_sqft, dbh_class, stand_table, stock_table
from standmap.errors import DomainError

# Larsen, D.R. FOR 8515, Unit 3, Table 1; the single trees are not printed, so each class enters
# as trees alike, of the diameter that its printed basal area gives.
LARSEN = pd.read_csv(
    Path(__file__).parents[1] / "reference" / "cruise_stand_table_larsen.csv", comment="#"
)
EACH = LARSEN["basal_area_sqft_per_acre"] / LARSEN["trees_per_acre"]
DBH = np.sqrt(EACH / basal_area_sqft(1.0)).repeat(LARSEN["trees"]).to_numpy()
PRINTED = ["5.300629", "7.172992", "10.91925", "13.26593", "15.2", "16.2"]
"""Mean diameters of the classes, with the digits printed."""
FACTOR = np.full(DBH.size, 5.0)
SPECIES = np.full(DBH.size, "hardwood", dtype=object)


def test_larsen_classes() -> None:
    classes = dbh_class(DBH, midpoint_in=1)
    assert classes.tolist() == LARSEN["dbh_class_in"].repeat(LARSEN["trees"]).tolist()


def test_larsen_stand_table() -> None:
    table = stand_table(SPECIES, DBH, FACTOR, by=["dbh_class_in"], midpoint_in=1)
    assert table["dbh_class_in"].tolist() == LARSEN["dbh_class_in"].tolist()
    assert table["trees_per_acre"].tolist() == LARSEN["trees_per_acre"].tolist()
    np.testing.assert_allclose(
        table["basal_area_sqft_per_acre"], LARSEN["basal_area_sqft_per_acre"], rtol=1e-12
    )


@pytest.mark.parametrize("place", range(6))
def test_larsen_mean_diameters(place: int) -> None:
    table = stand_table(SPECIES, DBH, FACTOR, by=["dbh_class_in"], midpoint_in=1)
    found, digits = float(table["qmd_in"].iloc[place]), PRINTED[place]
    unit = 10.0 ** -len(digits.partition(".")[2])
    if digits == "7.172992":  # cut off: 7.1729929
        found = np.floor(found / unit) * unit
    assert found == pytest.approx(float(digits), abs=unit / 2)


def test_larsen_totals() -> None:
    # Printed: 21 trees, 105 trees/acre, 50.54365 sq ft/acre, mean diameter 9.394527 in, which is
    # 9.3945276 cut off.
    total = stand_table(SPECIES, DBH, FACTOR, by=[]).iloc[0]
    assert DBH.size == 21
    assert total["trees_per_acre"] == 105
    assert total["basal_area_sqft_per_acre"] == pytest.approx(50.54365, abs=5e-6)
    assert np.floor(total["qmd_in"] * 1e6) / 1e6 == 9.394527


def test_larsen_diameters_from_basal_area() -> None:
    # One 15.2-inch tree on a fifth-acre plot: 6.300639 sq ft/acre.
    assert 5 * float(basal_area_sqft(15.2)) == pytest.approx(6.300639, abs=5e-7)


def test_larsen_stock_table() -> None:
    # Printed totals: 786.3969 cu ft and 2,459.561 bd ft per acre.
    per_tree = LARSEN.assign(
        volume_cuft=LARSEN["volume_cuft_per_acre"] / LARSEN["trees_per_acre"],
        volume_bf=LARSEN["volume_bf_per_acre"] / LARSEN["trees_per_acre"],
    )
    amounts = per_tree[["volume_cuft", "volume_bf"]].loc[LARSEN.index.repeat(LARSEN["trees"])]
    table = stock_table(SPECIES, DBH, FACTOR, amounts, by=["dbh_class_in"], midpoint_in=1)
    np.testing.assert_allclose(
        table["volume_cuft_per_acre"], LARSEN["volume_cuft_per_acre"], rtol=1e-9
    )
    assert table["volume_cuft_per_acre"].sum() == pytest.approx(786.3969, abs=5e-5)
    assert table["volume_bf_per_acre"].sum() == pytest.approx(2459.561, abs=5e-4)


def test_two_inch_classes_take_their_lower_limit() -> None:
    # Forest inventory 2-inch classes (from memory): the 6-inch class holds 5.0 to 6.9 inches.
    assert dbh_class([4.9, 5.0, 6.9, 7.0]).tolist() == [4, 6, 6, 8]


def test_a_metric_diameter_on_the_line_goes_up() -> None:
    assert dbh_class(np.arange(3, 60, 2) * 2.54 / 2.54).tolist() == list(range(4, 61, 2))
    assert dbh_class(0.1 * 3 * 10 - 1e-9).tolist() == 4


def test_inch_classes() -> None:
    assert dbh_class([9.4, 9.5, 10.4], width_in=1).tolist() == [9, 10, 10]


def test_cells_add_to_their_margins_and_total() -> None:
    rng = np.random.default_rng(5)
    species = rng.choice(["oak", "pine", "ash"], 300)
    dbh, factor = rng.uniform(4, 30, 300), rng.uniform(0, 20, 300)
    amounts = {"volume_cuft": rng.uniform(0, 90, 300), "value_usd": rng.uniform(0, 50, 300)}
    cells = stock_table(species, dbh, factor, amounts)
    for by in (["species"], ["dbh_class_in"], []):
        margin = stock_table(species, dbh, factor, amounts, by=by)
        for name in ("trees_per_acre", "volume_cuft_per_acre", "value_usd_per_acre"):
            assert margin[name].sum() == pytest.approx(cells[name].sum(), rel=1e-12)
    assert cells["value_usd_per_acre"].sum() == pytest.approx(
        float(factor @ amounts["value_usd"]), rel=1e-12
    )


def test_no_trees_make_an_empty_table() -> None:
    table = stand_table([], [], [])
    assert table.empty
    assert list(table.columns) == [
        "species", "dbh_class_in", "trees_per_acre", "basal_area_sqft_per_acre", "qmd_in",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: stand_table(["oak"], [9.0], [1.0, 2.0]), "one value for each tree"),
        (lambda: stand_table(["oak"], [9.0], [1.0], by=["colour"]), "'by' takes"),
        (lambda: stock_table(["oak"], [9.0], [1.0], {"bf": [1.0, 2.0]}), "'bf' must have one"),
        (lambda: dbh_class([9.0], width_in=0), "'width_in' must be above 0"),
    ],
)
def test_tables_that_cannot_be(call: object, message: str) -> None:
    with pytest.raises(DomainError, match=message):
        call()  # type: ignore[operator]
