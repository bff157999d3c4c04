"""Reading product specifications from a table, every fault with its row and column."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, fields
from difflib import get_close_matches
from typing import Final

import numpy as np
import pandas as pd

from standmap._tables import load_table
from standmap.errors import InputError, Problem, missing_column
from standmap.products.specs import NUMBERS, WHOLE, ProductSpec, faults, shown
from standmap.species import UnknownSpeciesError, species_mask

_YES_NO: Final = {
    **dict.fromkeys(("yes", "y", "true", "1"), True),
    **dict.fromkeys(("no", "n", "false", "0"), False),
}
_REQUIRED: Final = ("product", "kind", "min_top_in")
_BY_STEPS: Final = ("min_length_ft", "max_length_ft")
"""Required where the lengths are steps and not a list."""
_DEFAULTS: Final = {f.name: f.default for f in fields(ProductSpec) if f.default is not MISSING}
_FLAGS: Final = tuple(name for name, default in _DEFAULTS.items() if isinstance(default, bool))
_COLUMNS: Final = tuple(f.name for f in fields(ProductSpec))
_KNOWN: Final = {*_COLUMNS, "source"}


def specs_from_frame(
    df: pd.DataFrame, *, file: str = "products", aliases: Mapping[str, str] | None = None
) -> list[ProductSpec]:
    """Product specs from a table, one per row.

    Parameters
    ----------
    df : DataFrame
        Columns named as the attributes of :class:`ProductSpec`. ``product``, ``kind`` and
        ``min_top_in`` are required, and either ``lengths_ft`` (a list such as ``8;10;12;16``) or
        ``min_length_ft`` and ``max_length_ft``; ``rank`` defaults to the order of the rows. Blank
        cells take the default. ``source`` is allowed and not read.
    file : str
        File as the user named it, for messages.
    aliases : mapping, optional
        The tract's own species names.

    Returns
    -------
    list of ProductSpec
        In the order of the rows.

    Raises
    ------
    InputError
        With every problem of the table; rows are counted as in a spreadsheet (header is row 1).

    Examples
    --------
    >>> table = pd.DataFrame({"product": ["oak sawlog", "pulpwood"], "kind": ["saw", "bulk"],
    ...                       "species": ["oak", "any"], "min_top_in": [10, 4],
    ...                       "min_length_ft": [8, 8], "max_length_ft": [16, 40]})
    >>> [(spec.product, spec.rank) for spec in specs_from_frame(table)]
    [('oak sawlog', 1), ('pulpwood', 2)]
    """
    problems = list(_table_problems(df, file))
    if any(p.severity == "error" for p in problems):
        raise InputError(problems)
    specs: list[ProductSpec] = []
    first_row: dict[str, int] = {}
    for position, record in enumerate(df.to_dict("records")):
        row = position + 2
        values, found = _read_row(record, default_rank=position + 1, file=file, row=row)
        if not found:
            found = [
                Problem(
                    severity="error",
                    file=file,
                    row=row,
                    column=column,
                    value=shown(got),
                    what=what,
                    mend="Correct the product's limits.",
                )
                for column, what, got in faults(values)
            ]
        found += _species_problems(str(values["species"]), aliases, file, row)
        name = str(values["product"]).casefold()
        if name in first_row:
            found.append(
                Problem(
                    severity="error",
                    file=file,
                    row=row,
                    column="product",
                    value=str(values["product"]),
                    what=f"this product is already on row {first_row[name]}",
                    mend="Give each row its own name, such as 'oak sawlog' and 'poplar sawlog'.",
                )
            )
        first_row.setdefault(name, row)
        problems += found
        if not found:
            specs.append(ProductSpec(**values))  # type: ignore[arg-type]
    if problems:
        raise InputError(problems)
    return specs


def example_products() -> list[ProductSpec]:
    """Return example products of the eastern United States.

    An illustration to be replaced by the buyer's own specifications: mills decide what they take,
    and there is no one industry standard. Each row of ``data/products_example.csv`` names its
    source, or says that it has none.

    Examples
    --------
    >>> [spec.product for spec in example_products() if spec.kind == "saw"]
    ['face veneer', 'hardwood sawtimber', 'softwood sawtimber', 'pallet and tie']
    """
    return specs_from_frame(load_table("products_example"), file="products_example.csv")


def _table_problems(df: pd.DataFrame, file: str) -> Iterator[Problem]:
    by_steps = () if "lengths_ft" in df.columns else _BY_STEPS
    spare = [column for column in map(str, df.columns) if column not in _KNOWN]
    for column in (*_REQUIRED, *by_steps):
        if column not in df.columns:
            problem, near_header = missing_column(
                column,
                spare,
                file=file,
                what="column is missing",
                mend="Add the column, or map it to your own name in the tract file.",
            )
            yield problem
            spare = [name for name in spare if name != near_header]
    for column in spare:
        near = get_close_matches(column, _KNOWN, n=1)
        yield Problem(
            severity="error",
            file=file,
            column=column,
            what="unknown column",
            mend=f"Did you mean '{near[0]}'?"
            if near
            else "Remove it, or move it to 'description'.",
        )
    if df.empty:
        yield Problem(
            severity="error",
            file=file,
            what="the table has no products",
            mend="Add a row for each product the buyers take.",
        )


def _read_row(
    record: Mapping[object, object], *, default_rank: int, file: str, row: int
) -> tuple[dict[str, object], list[Problem]]:
    """Turn one row's cells into keyword arguments of ProductSpec; unreadable cells are problems."""
    values: dict[str, object] = {**_DEFAULTS, "rank": default_rank}
    found: list[Problem] = []

    def fault(column: str, what: str, mend: str, value: str | None = None) -> None:
        found.append(
            Problem(
                severity="error",
                file=file,
                row=row,
                column=column,
                what=what,
                mend=mend,
                value=value,
            )
        )
        values[column] = math.nan if column in NUMBERS else ""

    text = {column: _text(record.get(column)) for column in _COLUMNS}
    listed = _lengths(text["lengths_ft"])
    required = _REQUIRED if text["lengths_ft"] else (*_REQUIRED, *_BY_STEPS)
    for column, cell in text.items():
        if not cell:
            if column in required:
                fault(column, "is blank", "Fill the cell: every product needs it.")
        elif column == "lengths_ft":
            values[column] = listed or ()
            if listed is None:
                fault(column, "not a list of lengths", "Type lengths like 8;10;12;16.", cell)
        elif column in NUMBERS:
            try:
                values[column] = float(cell)
            except ValueError:
                fault(column, "not a number", "Type the number alone, without units.", cell)
        elif column in _FLAGS:
            if cell.lower() in _YES_NO:
                values[column] = _YES_NO[cell.lower()]
            else:
                fault(column, "must be yes or no", "Type yes or no.", cell)
        else:
            values[column] = cell.lower() if column in ("kind", "top_bark") else cell
    for column, end in zip(_BY_STEPS, (min, max), strict=True):
        if listed and not text[column]:
            values[column] = end(listed)
    for column in WHOLE:
        number = float(values[column])  # type: ignore[arg-type]
        if number.is_integer():
            values[column] = int(number)
    return values, found


def _text(cell: object) -> str:
    return "" if cell is None or pd.isna(cell) else str(cell).strip()  # type: ignore[call-overload]


def _lengths(text: str) -> tuple[float, ...] | None:
    """Read lengths between semicolons; None where one is not a number."""
    try:
        return tuple(sorted(float(part) for part in text.split(";") if part.strip()))
    except ValueError:
        return None


def _species_problems(
    entry: str, aliases: Mapping[str, str] | None, file: str, row: int
) -> list[Problem]:
    try:
        species_mask(entry, np.empty(0, dtype=np.int64), aliases=aliases)
    except UnknownSpeciesError as error:
        return [
            Problem(
                severity="error",
                file=file,
                row=row,
                column="species",
                value=entry,
                what=f"unknown species or group '{error.name}'",
                mend=error.mend,
            )
        ]
    return []
