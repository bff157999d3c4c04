"""Readers for tables: CSV, XLSX and Parquet, each to one kind of table that knows its rows."""

from __future__ import annotations

import csv
import io
import warnings
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.tract.findings import Findings, some

TABLE_SUFFIXES: Final = (".csv", ".txt", ".tsv", ".xlsx", ".xlsm", ".parquet")
DELIMITERS: Final = (",", ";", "\t", "|")
BLANKS: Final = ("", "NA", "N/A", "n/a", "#N/A", "NaN", "nan", "null", "NULL", "None")
"""Cells of a number column that mean "not recorded"."""

FloatArray = npt.NDArray[np.float64]
BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Table:
    """A table as read.

    Attributes
    ----------
    file : str
        File as the user named it.
    header : list of str
        Column names, in order; they may repeat.
    cells : DataFrame
        Columns numbered from 0. Text is trimmed; typed columns of a Parquet file keep their type.
    rows : ndarray of int
        Row of each record as seen in a spreadsheet; the header is row 1.
    decimal_comma : bool
        Whether numbers may be written with a comma (semicolon-separated files).
    """

    file: str
    header: list[str]
    cells: pd.DataFrame
    rows: IntArray
    decimal_comma: bool = False

    def __len__(self) -> int:
        return len(self.cells)

    def text(self, at: int) -> pd.Series:
        """Return a column as trimmed text; blank where missing."""
        return as_text(self.cells[at])

    def number(self, at: int) -> tuple[FloatArray, BoolArray]:
        """Return a column as floats, NaN where blank, and which cells are not numbers."""
        return as_number(self.cells[at], decimal_comma=self.decimal_comma)

    def named(self) -> pd.DataFrame:
        """Return the cells under their header, for readers that take a plain frame."""
        frame = self.cells.copy()
        frame.columns = pd.Index(self.header)
        return frame


def as_text(values: pd.Series) -> pd.Series:
    """Return cells as trimmed text, blank where missing; 101.0 reads as 101."""
    if pd.api.types.is_float_dtype(values.dtype):
        whole = values.to_numpy(dtype=float, na_value=np.nan)
        if np.all(np.isnan(whole) | (whole == np.floor(whole))):
            values = pd.Series(whole).astype("Int64")
    text = values.astype("str") if values.dtype != object else values.map(_cell_text).astype("str")
    return text.where(values.notna().to_numpy(), "").str.strip().reset_index(drop=True)


def as_number(values: pd.Series, *, decimal_comma: bool = False) -> tuple[FloatArray, BoolArray]:
    """Return cells as floats, NaN where blank, and which of them are neither.

    Examples
    --------
    >>> as_number(pd.Series(["12.4", "", "abc", "inf"], dtype="str"))
    (array([12.4,  nan,  nan,  nan]), array([False, False,  True,  True]))
    """
    if pd.api.types.is_numeric_dtype(values.dtype) and not pd.api.types.is_bool_dtype(values.dtype):
        numbers = values.to_numpy(dtype=float, na_value=np.nan).copy()
        bad = np.isinf(numbers)
    else:
        text = as_text(values)
        blank = text.isin(BLANKS).to_numpy(dtype=bool)
        if decimal_comma:
            text = text.str.replace(",", ".", regex=False)
        numbers = np.array(pd.to_numeric(text.mask(blank), errors="coerce"), dtype=float, copy=True)
        bad = ~blank & ~np.isfinite(numbers)
    numbers[bad] = np.nan
    return numbers, bad


def read_table(
    path: Path, file: str, findings: Findings, *, sheet: str | None = None
) -> Table | None:
    """Read a table by its suffix; faults go to ``findings``.

    Parameters
    ----------
    path : Path
        An existing file.
    file : str
        File as the user named it.
    sheet : str, optional
        Worksheet; needed only where a workbook has several.

    Returns
    -------
    Table or None
        None where the file could not be read.
    """
    suffix = path.suffix.lower()
    if path.stat().st_size == 0:
        findings.error(file, "the file is empty", "Export it again, with its header row.")
        return None
    if suffix not in TABLE_SUFFIXES:
        findings.error(
            file,
            f"a {suffix or 'nameless'} file is not a table that can be read",
            "Save it as .csv, .xlsx or .parquet.",
        )
        return None
    if sheet is not None and suffix not in (".xlsx", ".xlsm"):
        findings.error(file, "only a workbook has sheets", "Delete the sheet key.", value=sheet)
    if suffix in (".xlsx", ".xlsm"):
        return _read_workbook(path, file, findings, sheet)
    if suffix == ".parquet":
        return _read_parquet(path, file, findings)
    return _read_delimited(path, file, findings)


def _read_delimited(path: Path, file: str, findings: Findings) -> Table | None:
    text = _decode(path.read_bytes(), file, findings)
    if text is None:
        return None
    lead = 0  # source notes above the header, as in the packaged tables
    start = 0
    while text.startswith("#", start):
        start = text.find("\n", start) + 1 or len(text)
        lead += 1
    body = text[start:]
    delimiter = _delimiter(body)
    try:
        cells = pd.read_csv(
            io.StringIO(body),
            sep=delimiter,
            header=None,
            index_col=False,
            dtype=str,
            na_filter=False,
            skip_blank_lines=False,
        )
    except pd.errors.EmptyDataError:
        cells = pd.DataFrame()
    except pd.errors.ParserError as error:
        if "EOF inside string" in str(error):
            findings.error(
                file,
                "a quotation mark is opened and never closed",
                "Close or delete it.",
                row=_open_quote(body, delimiter) + lead,
            )
            return None
        cells = _ragged(body, delimiter, lead, file, findings)
    return _from_cells(cells, lead + 1, file, findings, decimal_comma=delimiter == ";")


def _decode(raw: bytes, file: str, findings: Findings) -> str | None:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", errors="replace")
    if b"\x00" in raw[:4096]:
        findings.error(
            file,
            "this is not a text table, whatever its name ends in",
            "Export it again as CSV, or give it its true suffix.",
        )
        return None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        row = raw.count(b"\n", 0, error.start) + 1
        why = "not UTF-8 text; read as Latin-1 (Western European)"
        findings.warn(file, why, "Check accented names, or save the file as UTF-8.", row=row)
        findings.ledger.add(file, row=row, action="noted", why=why)
        return raw.decode("latin-1")


def _delimiter(body: str) -> str:
    """Return the separator that stands most often in the first line that is not blank."""
    line = next((line for line in io.StringIO(body) if line.strip()), "")
    outside = "".join(line.split('"')[::2])  # a comma within quotes separates nothing
    return max(DELIMITERS, key=outside.count)


def _open_quote(body: str, delimiter: str) -> int:
    """Return the row where the unclosed quotation begins."""
    return sum(1 for _ in csv.reader(io.StringIO(body), delimiter=delimiter))


def _ragged(body: str, delimiter: str, lead: int, file: str, findings: Findings) -> pd.DataFrame:
    """Read a file some of whose rows have more cells than its header, and report those."""
    records = list(csv.reader(io.StringIO(body), delimiter=delimiter))
    width = len(next((record for record in records if any(record)), []))
    for row, record in enumerate(records, start=lead + 1):
        if any(cell.strip() for cell in record[width:]):
            findings.error(
                file,
                f"the row has more cells than the header's {width}",
                "Put text that holds the separator in double quotes, or delete the extra cells.",
                row=row,
                value=delimiter.join(record[width:]),
            )
    square = [(record + [""] * width)[:width] for record in records]
    return pd.DataFrame(square, dtype="str")


def _read_workbook(path: Path, file: str, findings: Findings, sheet: str | None) -> Table | None:
    import openpyxl
    from openpyxl.utils.exceptions import InvalidFileException

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # openpyxl tells of styles and filters it passes over
            book = openpyxl.load_workbook(path, read_only=True, data_only=True)
            names = book.sheetnames
            if sheet is None and len(names) > 1:
                findings.error(
                    file,
                    "the workbook has several sheets",
                    f'Name one in the tract file, sheet = "...": {some(names)}.',
                )
                return None
            if sheet is not None and sheet not in names:
                findings.error(
                    file, "the workbook has no such sheet", f"It has: {some(names)}.", value=sheet
                )
                return None
            rows = list(book[sheet or names[0]].values)
            book.close()
    except (InvalidFileException, zipfile.BadZipFile, KeyError, OSError, ValueError) as error:
        findings.error(
            file, f"cannot be read as a workbook: {error}", "Save it again as .xlsx or as CSV."
        )
        return None
    cells = pd.DataFrame(rows, dtype=object)
    for at in cells.columns:
        cells[at] = as_text(cells[at])
    return _from_cells(cells, 1, file, findings)


def _read_parquet(path: Path, file: str, findings: Findings) -> Table | None:
    import pyarrow as pa

    try:
        frame = pd.read_parquet(path)
    except (OSError, ValueError, pa.ArrowException) as error:
        findings.error(
            file, f"cannot be read as Parquet: {error}", "Write it again, or save it as CSV."
        )
        return None
    header = [str(name).strip() for name in frame.columns]
    cells = frame.set_axis(range(frame.shape[1]), axis=1).reset_index(drop=True)
    if cells.empty:
        findings.error(file, "the table has no rows", "Export it again.")
        return None
    return Table(file, header, cells, np.arange(len(cells), dtype=np.int64) + 2)


def _from_cells(
    cells: pd.DataFrame,
    first_row: int,
    file: str,
    findings: Findings,
    *,
    decimal_comma: bool = False,
) -> Table | None:
    """Split the header from the records and pass over blank rows, keeping row numbers."""
    blank = np.ones(len(cells), dtype=bool)
    for at in cells.columns:
        cells[at] = cells[at].astype("str").str.strip()
        blank &= (cells[at] == "").to_numpy(dtype=bool)
    filled = np.flatnonzero(~blank)
    if len(filled) == 0:
        findings.error(file, "the file is empty", "Export it again, with its header row.")
        return None
    header = [str(name) for name in cells.iloc[filled[0]]]
    if len(filled) == 1:
        findings.error(
            file, "the table has a header and no rows", "Export it again.", row=first_row
        )
        return None
    body = cells.iloc[filled[1:]].reset_index(drop=True)
    rows = filled[1:].astype(np.int64) + first_row
    return Table(file, header, body, rows, decimal_comma)


def _cell_text(value: object) -> str:
    """Return a spreadsheet cell as it is seen: 101.0 reads as 101."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return "" if value is None else str(value)
