"""Reading the rows of price, mill and offer tables, gathering every fault."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Final

import numpy as np
import pandas as pd

from standmap.errors import Problem, Severity, missing_column
from standmap.species import UnknownSpeciesError, species_mask
from standmap.units import LOG_RULES
from standmap.value.amounts import UNITS

UNIT_WORDS: Final = {
    "mbf": "mbf",
    "thousand board feet": "mbf",
    "ton": "ton",
    "tons": "ton",
    "cord": "cord",
    "cords": "cord",
    "tree": "tree",
    "trees": "tree",
    "each": "tree",
}


@dataclass(slots=True)
class Row:
    """One row of a table while it is read; faults gather in `problems`.

    Attributes
    ----------
    cells : mapping
        The row's cells by column; a column that is not there reads as blank.
    file : str
        File name, for messages.
    row : int
        Spreadsheet row: the header is row 1.
    problems : list of Problem
        Everything found wrong so far.
    """

    cells: Mapping[str, object]
    file: str
    row: int
    problems: list[Problem] = field(default_factory=list)

    @property
    def sound(self) -> bool:
        """Whether nothing worse than a warning was found."""
        return all(p.severity != "error" for p in self.problems)

    def add(
        self, column: str, value: str, what: str, mend: str, severity: Severity = "error"
    ) -> None:
        """Note a fault of this row."""
        self.problems.append(
            Problem(
                severity=severity,
                file=self.file,
                row=self.row,
                column=column,
                value=value,
                what=what,
                mend=mend,
            )
        )

    def text(self, column: str) -> str:
        """Return a cell as trimmed text; blank for missing."""
        value = self.cells.get(column)
        return "" if value is None or value is pd.NA or value != value else str(value).strip()

    def number(self, column: str, *, blank: float = math.nan, above: float = -math.inf) -> float:
        """Return a cell as a number more than ``above``; ``blank`` where nothing is written."""
        text = self.text(column)
        if not text:
            return blank
        value = as_number(text)
        if not math.isfinite(value):
            self.add(column, text, "not a number", "Type the number alone, or blank the cell.")
        elif value <= above:
            self.add(column, text, f"must be more than {above:g}", "Mend it, or blank the cell.")
        return value

    def size(self, column: str, *, blank: float) -> float:
        """Return a cell as a number of 0 or more; ``blank`` where nothing is written."""
        value = self.number(column, blank=blank)
        if value < 0:
            self.add(column, self.text(column), "must be 0 or more", "Mend it, or blank the cell.")
        return value

    def product(self, name: str, products: Sequence[str]) -> str:
        """Return a product's name as the specs spell it; a fault if no spec has it."""
        known = {spec.casefold(): spec for spec in products}
        if name.casefold() in known:
            return known[name.casefold()]
        near = get_close_matches(name.casefold(), list(known), n=1)
        hint = f" Did you mean '{known[near[0]]}'?" if near else ""
        self.add("product", name, "no product spec has this name", f"Name a product.{hint}")
        return name

    def price(self, column: str = "price_usd") -> float:
        """Return a price in dollars; a leading $ and commas are allowed."""
        raw = self.text(column)
        price = as_number(raw)
        if not math.isfinite(price):
            self.add(column, raw, "not a number", "Type the price in dollars, or delete the row.")
        elif price < 0:
            self.add(column, raw, "a price cannot be negative", "Type 0 or more.")
        elif price == 0:
            self.add(
                column,
                raw,
                "the price is zero: this product will count for nothing in the value",
                "Type the price, or keep 0 if it truly brings nothing.",
                "warning",
            )
        return price

    def unit(self) -> tuple[str, str]:
        """Return the unit and, for MBF, its log rule."""
        word = self.text("unit").lower()
        if word not in UNIT_WORDS:
            self.add("unit", word, "unknown unit", f"Use one of {', '.join(UNITS)}.")
            return "", ""
        unit = UNIT_WORDS[word]
        if unit != "mbf":
            return unit, ""
        rule = self.text("log_rule").lower()
        if rule not in LOG_RULES:
            self.add(
                "log_rule",
                rule,
                "an MBF price must name its log rule",
                f"Use one of {', '.join(LOG_RULES)}.",
            )
        return unit, rule

    def species(self, aliases: Mapping[str, str]) -> str:
        """Return the species entry, checked against the catalogue."""
        entry = self.text("species")
        try:
            species_mask(entry, np.array([802]), aliases=dict(aliases))
        except UnknownSpeciesError as error:
            one = "" if error.name == entry else f" '{error.name}'"
            self.add("species", entry, f"unknown species or group{one}", error.mend)
        return entry

    def check_kind(self, product: str, unit: str, bulk_products: Sequence[str]) -> None:
        """Refuse board feet of bulk wood and cords of saw logs: there are none."""
        bulk = product.casefold() in {name.casefold() for name in bulk_products}
        if (unit == "mbf" and bulk) or (unit == "cord" and not bulk):
            scaled = "weighed or stacked" if bulk else "scaled in board feet"
            self.add(
                "unit",
                unit,
                f"'{product}' is {scaled} in the product specs and has no {unit} volume",
                "Price it by the ton or the tree, or change the product's kind in the specs.",
            )


def as_number(text: str) -> float:
    """Return text as a number, NaN where it is none; a leading $ and commas are allowed."""
    try:
        return float(text.lstrip("$").replace(",", ""))
    except ValueError:
        return math.nan


def rows_of(frame: pd.DataFrame, file: str) -> Iterator[Row]:
    """Yield the rows of a table; the first record is row 2."""
    for at, record in enumerate(frame.to_dict("records")):
        yield Row({str(name): cell for name, cell in record.items()}, file, at + 2)


def column_problems(
    frame: pd.DataFrame, needed: Sequence[str], known: Sequence[str], *, file: str, sheet: str
) -> list[Problem]:
    """Return a fault for each needed column that is missing and each that is misspelt.

    A column of the user's own, unlike any known one, is let be.
    """
    problems = []
    spare = [column for column in map(str, frame.columns) if column not in known]
    for column in needed:
        if column not in frame.columns:
            listed = f"{', '.join(needed[:-1])} and {needed[-1]}" if len(needed) > 1 else needed[0]
            problem, near_header = missing_column(
                column,
                spare,
                file=file,
                what=f"the {sheet} has no such column",
                mend=f"Add it; a {sheet} needs {listed}.",
            )
            problems.append(problem)
            spare = [name for name in spare if name != near_header]
    missing = [name for name in known if name not in frame.columns]
    for column in spare:
        near = get_close_matches(column.lower(), missing, n=1, cutoff=0.75)
        if near:
            problems.append(
                Problem(
                    severity="error",
                    file=file,
                    column=column,
                    what="unknown column",
                    mend=f"Did you mean '{near[0]}'?",
                )
            )
    return problems
