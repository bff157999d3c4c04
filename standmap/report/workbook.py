"""The workbook: every table on its own sheet, units in the headings, nothing ever a formula."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd
import xlsxwriter
from xlsxwriter.format import Format
from xlsxwriter.workbook import Workbook
from xlsxwriter.worksheet import Worksheet

from standmap.report.columns import Heading, Kind, heading
from standmap.report.names import tract_name
from standmap.report.tables import Table, result_tables
from standmap.report.words import CAUTIONS, GLOSSARY

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

MOST_ROWS: Final = 200_000
"""Longest table given a sheet; a longer one is in ``tables/`` only, and the first sheet says so."""

_LONGEST_TEXT: Final = 32_000  # a cell holds 32,767 characters
_FORMATS: Final[dict[Kind, str]] = {
    "text": "@",
    "whole": "#,##0",
    "tenth": "#,##0.0",
    "hundredth": "#,##0.00",
    "money": "$#,##0",
    "cents": "$#,##0.00",
    "percent": "0.0",
    "scale": "0.00000",
    "yes_no": "@",
}


def write_workbook(appraisal: Appraisal, path: Path) -> Path:
    """Write ``tables.xlsx``.

    Parameters
    ----------
    appraisal : Appraisal
        What to write.
    path : Path
        File to write.

    Returns
    -------
    Path
        The file.
    """
    tables = [*result_tables(appraisal), _ledger_table(appraisal)]
    options = {
        "strings_to_formulas": False,
        "strings_to_numbers": False,
        "strings_to_urls": False,
        "constant_memory": True,
    }
    with xlsxwriter.Workbook(str(path), options) as book:
        book.set_properties({"title": tract_name(appraisal), "comments": "Written by standmap"})
        styles = _styles(book)
        _write_read_me(book, appraisal, tables, styles)
        for table in tables:
            if len(table.frame) <= MOST_ROWS:
                _write_table(book, table, styles)
    return path


def _ledger_table(appraisal: Appraisal) -> Table:
    return Table(
        key="ledger",
        title="Ledger",
        note="Every input row changed, filled in or set aside, and why",
        frame=appraisal.ledger,
    )


def _styles(book: Workbook) -> dict[str, Format]:
    base = {"font_name": "Calibri", "font_size": 10, "valign": "top"}
    styles: dict[str, Format] = {
        kind: book.add_format({**base, "num_format": shown}) for kind, shown in _FORMATS.items()
    }
    styles["head"] = book.add_format(
        {**base, "bold": True, "text_wrap": True, "bottom": 1, "bg_color": "#E9EFEA"}
    )
    styles["title"] = book.add_format({**base, "bold": True, "font_size": 15})
    styles["strong"] = book.add_format({**base, "bold": True, "text_wrap": True})
    styles["prose"] = book.add_format({**base, "text_wrap": True})
    return styles


def _write_read_me(
    book: Workbook, appraisal: Appraisal, tables: list[Table], styles: dict[str, Format]
) -> None:
    """First sheet: what this is, what each sheet holds, terms and cautions."""
    sheet = book.add_worksheet("Read me")
    sheet.hide_gridlines(2)
    sheet.set_column(0, 0, 26)
    sheet.set_column(1, 1, 96)
    confidence = f"{appraisal.confidence:.0%}"
    rows: list[tuple[str, str]] = [
        (
            "Estimates",
            "Every estimate is from a sample. Its sampling error is the half-width of "
            f"the {confidence} confidence interval, as a percent of the estimate.",
        ),
        (
            "Rounding",
            "Cells hold unrounded values; the format only shortens what is shown. The "
            "report prints no more digits than the error supports.",
        ),
        ("Blank cells", "Not known or not recorded; never zero."),
        ("", ""),
        ("Sheets", ""),
        *((t.title, _sheet_note(t)) for t in tables),
        ("", ""),
        ("Terms", ""),
        *GLOSSARY,
        ("", ""),
        ("Cautions", ""),
        *CAUTIONS,
    ]
    sheet.write_string(0, 0, _text(tract_name(appraisal)), styles["title"])
    for at, (left, right) in enumerate(rows, start=2):
        sheet.write_string(at, 0, left, styles["strong"])
        sheet.write_string(at, 1, right, styles["prose"])


def _sheet_note(table: Table) -> str:
    if len(table.frame) > MOST_ROWS:
        return (
            f"{table.note}. {len(table.frame):,} rows, too many for a sheet: "
            f"see tables/{table.key}.csv"
        )
    return table.note


def _write_table(book: Workbook, table: Table, styles: dict[str, Format]) -> None:
    sheet = book.add_worksheet(table.title)
    frame = table.frame
    heads = [_heading_for(frame[column], str(column)) for column in frame.columns]
    sheet.freeze_panes(1, 1)
    for at, (column, head) in enumerate(zip(frame.columns, heads, strict=True)):
        sheet.set_column(at, at, _width(frame[column], head))
    sheet.set_row(0, 45)
    for at, head in enumerate(heads):
        sheet.write_string(0, at, head.text, styles["head"])
    columns = [frame[column].tolist() for column in frame.columns]
    for row, values in enumerate(zip(*columns, strict=True), start=1):
        for at, value in enumerate(values):
            _write_cell(sheet, row, at, value, styles[heads[at].kind])
    if len(frame):
        sheet.autofilter(0, 0, len(frame), len(heads) - 1)
    sheet.set_landscape()
    sheet.repeat_rows(0)
    sheet.fit_to_pages(1, 0)


def _heading_for(values: pd.Series, column: str) -> Heading:
    """Head a column; numbers without a known format are shown as they come."""
    head = heading(column)
    if pd.api.types.is_bool_dtype(values.dtype):
        return Heading(head.name, head.unit, "yes_no")
    if head.kind == "yes_no" and pd.api.types.is_numeric_dtype(values.dtype):
        return Heading(head.name, head.unit, "tenth")
    if head.kind == "text" and pd.api.types.is_integer_dtype(values.dtype):
        return Heading(head.name, head.unit, "whole")
    if head.kind == "text" and pd.api.types.is_float_dtype(values.dtype):
        whole = bool((values.dropna() % 1 == 0).all())
        return Heading(head.name, head.unit, "whole" if whole else "hundredth")
    return head


def _width(values: pd.Series, head: Heading) -> float:
    """Return a column width that fits the first rows and a heading on three lines."""
    words = max(len(word) for word in head.text.split())
    if head.kind != "text":
        return max(11, words + 2)
    longest = values.head(500).map(lambda v: len(str(v))).max() if len(values) else 0
    return float(min(60, max(8, words + 2, longest + 2)))


def _write_cell(sheet: Worksheet, row: int, at: int, value: Any, style: Format) -> None:
    """Write one value as what it is; missing values stay blank."""
    if value is None or value is pd.NA or value is pd.NaT:
        return
    if isinstance(value, bool | np.bool_):
        sheet.write_string(row, at, "yes" if value else "no", style)
    elif isinstance(value, int | float | np.number):
        if math.isfinite(value):
            sheet.write_number(row, at, float(value), style)
    else:
        sheet.write_string(row, at, _text(str(value)), style)


def _text(value: str) -> str:
    return value if len(value) <= _LONGEST_TEXT else f"{value[:_LONGEST_TEXT]}..."
