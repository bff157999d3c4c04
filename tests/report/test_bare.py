"""A tract that has only what a tract must have still gets a whole set of results."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

import standmap
from standmap.report import map_html, notebook_html, report_html, summary_text, write_all

EMPTIED = ("streams", "buffers", "exclusions", "units", "unit_products", "must_stay", "ledger",
           "height_curves", "height_points", "height_lines", "offers", "break_even", "mills",
           "bucking_values", "conversions", "form_classes", "form_class_effect", "typical_trees",
           "stem_outlines")  # fmt: skip


@pytest.fixture(scope="module")
def bare(sample_appraisal: standmap.Appraisal) -> standmap.Appraisal:
    """No streams, exclusions, units, rasters, prices or places of plots; one stand's name blank."""
    one = sample_appraisal
    totals = one.totals.copy()
    totals.loc["value_usd"] = [0.0, 0.0, np.nan, 0.0, 0.0, 40.0, 111]
    settings = one.settings.model_copy(
        update={"rasters": type(one.settings.rasters)(), "prices": None}
    )
    stands = one.stands.assign(
        slope_pct=np.nan, canopy_height_ft=np.nan, canopy_error_ft=np.nan,
        value_usd_total=0.0, value_usd_per_acre=0.0, value_usd_error_pct=np.nan,
    )  # fmt: skip
    products = one.products.assign(unit="", price_usd=np.nan, value_usd=0.0, value_error_pct=np.nan)
    return replace(
        one,
        tract=replace(one.tract, settings=settings),
        totals=totals,
        stands=stands,
        products=products,
        plots=one.plots.set_geometry(gpd.GeoSeries([None] * len(one.plots), crs=4326)),
        canopy_fit=None,
        problems=(),
        **{name: getattr(one, name).iloc[:0] for name in EMPTIED},
    )


def test_every_file_is_written(bare: standmap.Appraisal, tmp_path: Path) -> None:
    written = write_all(bare, tmp_path / "out")
    assert {
        "report.html",
        "merchandising.html",
        "map.html",
        "tables.xlsx",
        "appraisal.gpkg",
    } <= set(written)
    assert "tables/units.csv" not in written


def test_the_pages_leave_out_what_there_is_not(bare: standmap.Appraisal) -> None:
    page = report_html(bare)
    for section in ("warnings", "units", "must-stay", "heights"):
        assert f'id="{section}"' not in page
    assert "every input row was used as it came" in page
    assert "data:image/png" not in map_html(bare).split("standmap-data")[1]


def test_nothing_is_worth_zero_dollars_where_nothing_was_priced(
    bare: standmap.Appraisal,
) -> None:
    for text in (summary_text(bare), notebook_html(bare), map_html(bare).split("standmap-data")[1]):
        assert "$0" not in text


def test_a_tract_where_everything_must_stay_is_still_reported(
    sample_appraisal: standmap.Appraisal,
) -> None:
    one = sample_appraisal
    totals = one.totals.assign(estimate=0.0, se=0.0, error_pct=np.nan, low=0.0, high=0.0)
    figures = [c for c in one.stands if c.endswith(("_per_acre", "_total", "_pct"))]
    stands = one.stands.assign(net_acres=0.0, **dict.fromkeys(figures, 0.0))
    kept = replace(
        one,
        totals=totals,
        stands=stands,
        products=one.products.iloc[:0],
        stand_table=one.stand_table.iloc[:0],
        stock_table=one.stock_table.iloc[:0],
    )
    assert "everything mapped must stay" in report_html(kept)
    assert len(map_html(kept)) > 100_000


def test_one_stand_and_one_species_are_enough(sample_appraisal: standmap.Appraisal) -> None:
    one = sample_appraisal
    name = one.stands["stand"].iloc[0]
    small = replace(
        one,
        stands=one.stands.iloc[:1],
        products=one.products[one.products["stand"].isin(["", name])],
        stand_table=pd.DataFrame(one.stand_table.iloc[:1]),
        stock_table=pd.DataFrame(one.stock_table.iloc[:1]),
    )
    assert f"Stand {name} holds" in report_html(small)
