"""Reading the table of what mills buy, gathering every fault."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Final, cast

import pandas as pd

from standmap.errors import Problem
from standmap.value._reading import Row, column_problems, rows_of
from standmap.value.mills import Basis, Costs, MillLine, MillSheet

OLD_DAYS: Final = 365
"""Age of a price that calls for a warning; common practice, no source. A state average of delivered
log prices moved by 16 to 30 % a year from 2021 to 2023 (Kentucky, forestry.ca.uky.edu). [days]"""

_NEEDED: Final = ("mill", "product", "price_usd", "unit", "basis")
_COLUMNS: Final = (
    *_NEEDED, "species", "log_rule", "haul_miles", "min_dib_in", "max_large_in", "min_length_ft",
    "lengths_ft", "date", "limit", "limit_loads",
)  # fmt: skip


def mills_from_frame(
    frame: pd.DataFrame,
    *,
    file: str,
    products: Sequence[str],
    aliases: Mapping[str, str] | None = None,
    bulk_products: Sequence[str] = (),
    costs: Costs | None = None,
    as_of: date | None = None,
) -> tuple[MillSheet, list[Problem]]:
    """Read a mills table, gathering every problem.

    Parameters
    ----------
    frame : DataFrame
        Columns ``mill``, ``product``, ``price_usd``, ``unit``, ``basis``, and optionally
        ``species``, ``log_rule``, ``haul_miles``, ``min_dib_in``, ``max_large_in``,
        ``min_length_ft``, ``lengths_ft`` (between semicolons), ``date`` (YYYY-MM-DD), ``limit``,
        ``limit_loads``. The first record is spreadsheet row 2.
    file : str
        File name, for messages.
    products, bulk_products : sequence of str
        Names of the product specs, and of those weighed or stacked.
    aliases : mapping, optional
        The tract's own species names.
    costs : Costs, optional
        Without them a delivered price is an error.
    as_of : date, optional
        Date of the cruise; prices more than a year older, or later, are warned of.

    Returns
    -------
    MillSheet
        The lines without fault.
    list of Problem
        Everything wrong, in row order.
    """
    names = dict(aliases or {})
    problems = column_problems(frame, _NEEDED, _COLUMNS, file=file, sheet="mills table")
    if problems:
        return MillSheet(lines=(), costs=costs, aliases=names), problems
    lines: list[MillLine] = []
    spelt: dict[str, str] = {}
    loads: dict[str, MillLine] = {}
    for row in rows_of(frame, file):
        line = _line(row, products, names, bulk_products, costs, spelt)
        if line is not None:
            _check_date(row, line.date, as_of)
            if _agrees_on_loads(row, line, loads):
                lines.append(line)
        problems += row.problems
    return MillSheet(lines=tuple(lines), costs=costs, aliases=names), problems


def _line(
    row: Row,
    products: Sequence[str],
    aliases: Mapping[str, str],
    bulk_products: Sequence[str],
    costs: Costs | None,
    spelt: dict[str, str],
) -> MillLine | None:
    """Read one line; None where it has a fault."""
    mill = row.text("mill")
    if not mill:
        row.add("mill", "", "is blank", "Name the mill; any name that you will know it by.")
    product = row.product(row.text("product"), products)
    price_usd = row.price()
    unit, log_rule = row.unit()
    species = row.species(aliases)
    basis = row.text("basis").lower()
    if basis not in ("delivered", "stumpage"):
        row.add(
            "basis",
            basis,
            "must say whether the price is delivered (at the gate) or stumpage (standing)",
            "Type delivered or stumpage; ask the mill if unsure.",
        )
    miles = row.size("haul_miles", blank=math.nan)
    if basis == "delivered":
        _check_delivered(row, miles, costs)
    sizes = {
        "min_dib_in": row.size("min_dib_in", blank=0.0),
        "max_large_in": row.number("max_large_in", blank=math.inf, above=0),
        "min_length_ft": row.size("min_length_ft", blank=0.0),
        "limit": row.number("limit", blank=math.inf, above=0),
        "limit_loads": row.number("limit_loads", blank=math.inf, above=0),
    }
    if sizes["max_large_in"] < sizes["min_dib_in"]:
        got = row.text("max_large_in")
        row.add("max_large_in", got, "is less than min_dib_in", "Mend one of the two.")
    if sizes["limit_loads"] < math.inf and costs is None:
        row.add(
            "limit_loads",
            row.text("limit_loads"),
            "a limit in loads needs the tons of one load",
            "Give load_tons and the other costs under [costs] in the tract file.",
        )
    lengths = _lengths(row)
    quoted = _date(row)
    if row.sound:
        row.check_kind(product, unit, bulk_products)
    if not row.sound:
        return None
    return MillLine(
        mill=spelt.setdefault(mill.casefold(), mill),
        product=product,
        price_usd=price_usd,
        unit=unit,
        basis=cast(Basis, basis),
        log_rule=log_rule,
        species=species,
        haul_miles=miles,
        lengths_ft=lengths,
        date=quoted,
        row=row.row,
        **sizes,
    )


def _check_delivered(row: Row, miles: float, costs: Costs | None) -> None:
    if math.isnan(miles) and not row.text("haul_miles"):
        row.add(
            "haul_miles",
            "",
            "a delivered price needs the loaded miles to the mill",
            "Fill the cell, or give a stumpage price.",
        )
    if costs is None:
        row.add(
            "basis",
            "delivered",
            "a delivered price cannot become stumpage without your costs",
            "Give cut_load_usd_per_ton, haul_usd_per_loaded_mile and load_tons under [costs] in "
            "the tract file; standmap has no defaults for them. Ask loggers near the tract.",
        )


def _lengths(row: Row) -> tuple[float, ...]:
    """Read a list of lengths between semicolons."""
    lengths = []
    text = row.text("lengths_ft")
    for part in filter(None, (part.strip() for part in text.split(";"))):
        try:
            length = float(part)
        except ValueError:
            length = math.nan
        if not 0 < length < math.inf:
            row.add("lengths_ft", text, "must be lengths in feet between semicolons", "Mend it.")
            break
        lengths.append(length)
    return tuple(lengths)


def _date(row: Row) -> date | None:
    text = row.text("date")
    if not text:
        return None
    try:
        return date.fromisoformat(text[:10])
    except ValueError:
        row.add("date", text, "not a date", "Write it as YYYY-MM-DD, such as 2025-03-14.")
        return None


def _check_date(row: Row, quoted: date | None, as_of: date | None) -> None:
    """Warn of a price that is old, or later than the cruise."""
    if quoted is None or as_of is None:
        return
    days = (as_of - quoted).days
    if days > OLD_DAYS:
        row.add(
            "date",
            quoted.isoformat(),
            f"this price is {days} days older than the cruise",
            "Ask the mill again: prices can move by a fifth in a year.",
            "warning",
        )
    elif days < 0:
        row.add(
            "date",
            quoted.isoformat(),
            "this price is of a later date than the cruise",
            "Check the year; else carry on.",
            "warning",
        )


def _agrees_on_loads(row: Row, line: MillLine, loads: dict[str, MillLine]) -> bool:
    """Hold the loads of a mill to one figure."""
    if line.limit_loads == math.inf:
        return True
    first = loads.setdefault(line.mill, line)
    if first.limit_loads != line.limit_loads:
        row.add(
            "limit_loads",
            row.text("limit_loads"),
            f"'{line.mill}' has another limit on row {first.row}; a mill has one, over all lines",
            "Write the same figure on both rows, or on one only.",
        )
    return row.sound
