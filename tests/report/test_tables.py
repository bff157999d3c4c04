"""The workbook and the CSV tables: whole numbers kept, text never run."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pyogrio
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import standmap
from standmap.report import workbook
from standmap.report.columns import heading
from standmap.report.layer_styles import STYLE_TABLE
from standmap.report.layers import LAYERS, write_layers
from standmap.report.tables import harmless, result_tables, write_csv, write_tables
from standmap.report.workbook import write_workbook

RISKY = ("=", "+", "-", "@", "\t", "\r", "\n")


@pytest.fixture(scope="module")
def tables(sample_appraisal: standmap.Appraisal, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("tables")
    write_tables(sample_appraisal, folder)
    return folder


@pytest.fixture(scope="module")
def hostile_tables(
    hostile_appraisal: standmap.Appraisal, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    write_tables(hostile_appraisal, folder)
    write_csv(hostile_appraisal.ledger, folder / "ledger.csv")
    return folder


def _is_number(cell: str) -> bool:
    try:
        float(cell)
    except ValueError:
        return False
    return True


def test_no_cell_of_any_csv_can_run(hostile_tables: Path) -> None:
    seen = 0
    for path in sorted(hostile_tables.glob("*.csv")):
        with path.open(encoding="utf-8-sig", newline="") as handle:
            for row in csv.reader(handle):
                for cell in row:
                    risky = cell.startswith(RISKY)
                    assert not risky or _is_number(cell), (path.name, cell)
                    seen += cell.startswith("'")
    assert seen > 100  # the hostile names are there, made harmless


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=30))
def test_a_harmless_cell_keeps_its_text(text: str) -> None:
    made = harmless(text)
    assert not str(made).startswith(RISKY)
    assert made in (text, f"'{text}")


def test_negative_numbers_stay_numbers_and_text_that_looks_like_them_does_not(
    tmp_path: Path,
) -> None:
    frame = pd.DataFrame({"change_acres": [-1.5, 2.0], "old": ["-1.5", "2"]})
    write_csv(frame, tmp_path / "t.csv")
    back = pd.read_csv(tmp_path / "t.csv")
    assert back["change_acres"].tolist() == [-1.5, 2.0]
    assert back["old"].tolist() == ["'-1.5", "2"]


def test_the_csv_holds_every_figure_whole(
    tables: Path, sample_appraisal: standmap.Appraisal
) -> None:
    back = pd.read_csv(tables / "stands.csv", encoding="utf-8-sig")
    for column in ("net_acres", "value_usd_total", "value_usd_error_pct"):
        np.testing.assert_allclose(
            back[column], sample_appraisal.stands[column].astype(float), rtol=1e-14, atol=0
        )


def test_every_log_of_every_tallied_tree_is_a_row(
    tables: Path, sample_appraisal: standmap.Appraisal
) -> None:
    assert len(pd.read_csv(tables / "logs.csv")) == len(sample_appraisal.logs)


NAMES_OF_THINGS = {
    "plot",
    "stand",
    "by_map",
    "recorded",
    "tree",
    "unit",
    "species_code",
    "row",
    "line",
}
COUNTS = {"count", "times", "crossing_plots", "uncorrected_plots",
          "n", "plots", "plots_inside", "n_plots", "stands", "trees", "cords", "saw_logs", "log",
          "tally_row", "source_row", "df", "filled", "extrapolated", "tons", "loads", "rank",
          "unpriced_logs", "stands_for", "here_n", "logs", "limit_loads", "days",
          "measured"}  # fmt: skip
NO_UNIT = {"form_class", "share", "grid_scale", "a", "b", "c", "bias_correction",
           "longitude", "latitude", "grade",
           "mean", "used", "used_se", "default", "form_class_default",
           "form_class_used", "form_class_of_stems", "off_sd"}  # fmt: skip
UNIT_IN_THE_NEXT_COLUMN = {"quantity", "estimate", "se", "low", "high", "here", "published_low",
                           "published", "published_high", "limit", "coefficient", "intercept",
                           "bootstrap_low", "bootstrap_high", "total_without", "figure",
                           "per_acre"}  # fmt: skip


def test_a_csv_names_its_units(tables: Path) -> None:
    units = ("_ft", "_in", "acres", "_usd", "_tons", "_cuft", "_cum", "_sqft", "_pct", "_per_acre",
             "_usd_per_unit", "_usd_per_ton", "_deg")  # fmt: skip
    bare = NAMES_OF_THINGS | COUNTS | NO_UNIT | UNIT_IN_THE_NEXT_COLUMN
    for path in sorted(tables.glob("*.csv")):
        for column in pd.read_csv(path).dropna(axis="columns", how="all").select_dtypes("number"):
            stem = column.removesuffix("_total")
            named = stem.endswith(units) or stem.startswith(("bf_", "gross_bf_"))
            assert named or stem in bare, (path.name, column)


@pytest.fixture(scope="module")
def book(
    hostile_appraisal: standmap.Appraisal, tmp_path_factory: pytest.TempPathFactory
) -> openpyxl.Workbook:
    path = tmp_path_factory.mktemp("book") / "tables.xlsx"
    write_workbook(hostile_appraisal, path)
    return openpyxl.load_workbook(path)


def test_no_cell_of_the_workbook_is_a_formula_or_a_link(book: openpyxl.Workbook) -> None:
    texts = 0
    for sheet in book.worksheets:
        for row in sheet.iter_rows():
            for cell in row:
                assert cell.data_type != "f", (sheet.title, cell.coordinate, cell.value)
                assert cell.hyperlink is None
                texts += str(cell.value).startswith("=HYPERLINK")
    assert texts > 10  # there as text, letter by letter


def test_each_sheet_has_units_in_a_frozen_heading(book: openpyxl.Workbook) -> None:
    stands = book["Stands"]
    heads = [cell.value for cell in stands[1]]
    assert stands.freeze_panes == "B2"
    assert "Net acres (ac)" in heads
    assert "Stumpage value per acre (USD/ac)" in heads
    assert "Doyle (board feet)" in heads
    assert "Error of stumpage value (± %)" in heads


def test_the_first_sheet_lists_every_other(book: openpyxl.Workbook) -> None:
    assert book.sheetnames[0] == "Read me"
    listed = {row[0].value for row in book["Read me"].iter_rows()}
    assert set(book.sheetnames[1:]) <= listed


def test_numbers_in_the_workbook_are_numbers_with_a_format(
    book: openpyxl.Workbook, hostile_appraisal: standmap.Appraisal
) -> None:
    sheet = book["Stands"]
    at = [cell.value for cell in sheet[1]].index("Stumpage value (USD)") + 1
    cells = [sheet.cell(row, at) for row in range(2, sheet.max_row + 1)]
    assert {cell.number_format for cell in cells} == {"$#,##0"}
    assert [cell.value for cell in cells] == pytest.approx(
        hostile_appraisal.stands["value_usd_total"].tolist(), rel=1e-12
    )


def test_what_is_not_known_is_a_blank_cell(
    sample_appraisal: standmap.Appraisal, tmp_path: Path
) -> None:
    stands = sample_appraisal.stands.assign(slope_pct=np.nan)
    write_workbook(replace(sample_appraisal, stands=stands), tmp_path / "t.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "t.xlsx")["Stands"]
    at = [cell.value for cell in sheet[1]].index("Slope (%)") + 1
    assert {sheet.cell(row, at).value for row in range(2, sheet.max_row + 1)} == {None}


def test_a_table_too_long_for_a_sheet_is_named_on_the_first(
    sample_appraisal: standmap.Appraisal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workbook, "MOST_ROWS", 500)
    write_workbook(sample_appraisal, tmp_path / "t.xlsx")
    book = openpyxl.load_workbook(tmp_path / "t.xlsx")
    notes = {row[0].value: row[1].value for row in book["Read me"].iter_rows()}
    assert "Logs" not in book.sheetnames
    assert "see tables/logs.csv" in notes["Logs"]


def test_every_column_of_every_table_has_words_for_a_heading(
    sample_appraisal: standmap.Appraisal,
) -> None:
    for table in result_tables(sample_appraisal):
        heads = [heading(str(column)).text for column in table.frame.columns]
        assert "" not in heads
        assert len(set(heads)) == len(heads), (table.key, sorted(heads))


def test_the_layers_open_in_degrees_with_the_results_as_columns(
    sample_appraisal: standmap.Appraisal, tmp_path: Path
) -> None:
    path = write_layers(sample_appraisal, tmp_path / "appraisal.gpkg")
    assert [name for name, _ in pyogrio.list_layers(path)] == [
        *LAYERS,
        "buffer_zones",
        "unit_conflicts",
        "units_clipped",
        "roads",
        "landings",
        "roads_too_near",
        STYLE_TABLE,
    ]
    stands = pyogrio.read_dataframe(path, layer="stands")
    assert stands.crs.to_epsg() == 4326
    assert stands["value_usd_total"].tolist() == pytest.approx(
        sample_appraisal.stands["value_usd_total"].tolist(), rel=1e-14
    )
    units = pyogrio.read_dataframe(path, layer="units")
    assert units["conflict"].tolist() == sample_appraisal.units["conflict"].tolist()
