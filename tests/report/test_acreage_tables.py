"""The acres three ways on the land page, in the tables and in the workbook."""

import dataclasses

import numpy as np
import openpyxl
import pandas as pd
import pytest

from standmap.report.acreage_tables import (
    acreage_notes,
    acreage_table,
    mends_table,
    tolerance_words,
)
from standmap.report.land_page import land_html
from standmap.report.tables import result_tables
from standmap.report.workbook import write_workbook
from standmap.tract.settings import StandsTable


@pytest.fixture
def found(sample_appraisal):
    return sample_appraisal.land.acreage


def test_the_page_has_them_side_by_side(sample_appraisal, read_page):
    html = land_html(sample_appraisal)
    assert "The same acres three ways" in html and "NAD83 / UTM zone 17N (EPSG:26917)" in html
    assert "Outlines mended" not in html  # nothing was
    table = acreage_table(sample_appraisal.land.acreage)
    assert [c.name for c in table.columns] == [
        "Stand", "Ellipsoid", "Grid", "Grid differs", "Grid scale", "Deed", "Deed differs",
    ]  # fmt: skip
    assert len(table.rows) == len(sample_appraisal.stands)
    assert table.foot == ["Tract", "639.79", "639.29", "−0.079%", "0.99961", "638.00", "−0.28%"]


def test_the_appraisal_uses_the_ellipsoid(found, sample_appraisal):
    np.testing.assert_allclose(
        found.stands["ellipsoid_acres"], sample_appraisal.stands["gross_acres"], rtol=1e-8
    )
    first = acreage_notes(found)[0]
    assert "uses the ellipsoid acres" in first


def test_a_thousand_feet_up(found):
    # Level ground at height h holds (1 + h/R)^2 as much; R = 6,371 km (IUGG mean radius).
    more = 100 * ((1 + 304.8 / 6_371_000) ** 2 - 1)
    assert f"about {more:.2f}% more" in acreage_notes(found)[0]


def test_deeds_near_far_and_none(found):
    def last(deed: float) -> str:
        gap = 100 * (deed / found.tract["ellipsoid_acres"] - 1)
        tract = found.tract.to_dict() | {"deed_acres": deed, "deed_differs_pct": gap}
        return acreage_notes(dataclasses.replace(found, tract=pd.Series(tract)))[-1]

    assert "0.28% less. That is within" in last(638)
    assert "more. Look for land left off the map" in last(700)
    assert "No deed acres were given" in last(np.nan)
    for deed in (638, 700, np.nan):
        assert "licensed surveyor's plat rule" in last(deed)


def test_a_web_map_is_no_grid_for_acres(found):
    tract = found.tract.to_dict() | {"grid_differs_pct": 51.2, "grid_scale": 1.23}
    assert (
        "never measure, buy or sell"
        in acreage_notes(dataclasses.replace(found, tract=pd.Series(tract)))[1]
    )
    assert "never measure" not in acreage_notes(found)[1]


def test_mends_are_shown_before_and_after(found, sample_appraisal):
    mends = pd.DataFrame(
        {
            "stand": ["<b>7"], "row": [7], "action": ["repaired"], "what": ["0.2 acres & more"],
            "acres_before": [12.34567], "acres_after": [12.14567],
        }
    )  # fmt: skip
    mended = dataclasses.replace(found, mends=mends)
    assert mends_table(found) is None
    assert mends_table(mended).rows == [
        ["<b>7", "7", "0.2 acres & more", "repaired", "12.3457", "12.1457"]
    ]
    land = dataclasses.replace(sample_appraisal.land, acreage=mended)
    html = land_html(dataclasses.replace(sample_appraisal, land=land))
    assert "Outlines mended" in html and "&lt;b&gt;7" in html and "Overlaps up to 0.1 acres" in html


def test_tolerances_in_words():
    table = StandsTable(file="s.gpkg", sliver_ft=5, overlap_acres=0.3, give_slivers=True)
    assert "up to 0.3 acres" in tolerance_words(table)
    assert "narrower than 5 ft on average were given" in tolerance_words(table)
    assert "left as drawn" in tolerance_words(StandsTable(file="s.gpkg"))


def test_tables_and_workbook_hold_them_unrounded(sample_appraisal, found, tmp_path):
    frame = {t.key: t.frame for t in result_tables(sample_appraisal)}["acres_compared"]
    assert frame["stand"].tolist() == [*found.stands.index, ""]
    assert frame["grid_acres"].iloc[-1] == found.tract["grid_acres"]
    book = openpyxl.load_workbook(write_workbook(sample_appraisal, tmp_path / "t.xlsx"))
    heads = [c.value for c in book["Acres compared"][1]]
    assert "Ellipsoid acres (ac)" in heads and "Map grid" in heads
