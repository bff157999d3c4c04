"""What a printed table is made of: columns of strings ready to be set."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd

from standmap.report.numbers import dollars, figure, percent


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a printed table.

    Attributes
    ----------
    name : str
        Heading.
    unit : str
        Unit, set small under the heading.
    cells : list of str
        One for each row.
    words : bool
        Set to the left; figures are set to the right.
    """

    name: str
    unit: str = ""
    cells: list[str]
    words: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Printed:
    """A printed table.

    Attributes
    ----------
    columns : list of Column
        Left to right.
    foot : list of str
        A last row of totals; empty for none.
    loud : list of bool
        Rows to set off; empty for none.
    """

    columns: list[Column]
    foot: list[str] = field(default_factory=list)
    loud: list[bool] = field(default_factory=list)

    @property
    def rows(self) -> list[list[str]]:
        """The cells, row by row."""
        return [list(row) for row in zip(*(c.cells for c in self.columns), strict=True)]


def numbers(frame: pd.DataFrame, column: str) -> list[float]:
    """Return a column as numbers."""
    return [float(v) for v in frame[column]]


def words(frame: pd.DataFrame, column: str) -> list[str]:
    """Return a column as words."""
    return [str(v) for v in frame[column]]


def words_once(frame: pd.DataFrame, column: str) -> list[str]:
    """Return a column as words, each only where it first stands: the head of its rows."""
    again = frame[column].duplicated()
    return ["" if told else word for word, told in zip(words(frame, column), again, strict=True)]


def estimates(
    frame: pd.DataFrame,
    column: str,
    error: str,
    *,
    money: bool = False,
    most: int = 0,
    divide: float = 1.0,
) -> list[str]:
    """Print estimates, each to the place its error supports."""
    pairs = zip(numbers(frame, column), numbers(frame, error), strict=True)
    if money:
        return [dollars(v / divide, e) for v, e in pairs]
    return [figure(v / divide, e, most=most) for v, e in pairs]


def errors(frame: pd.DataFrame, error: str, of: str) -> list[str]:
    """Print sampling errors; none beside a zero."""
    return [
        "" if value == 0 else percent(e)
        for value, e in zip(numbers(frame, of), numbers(frame, error), strict=True)
    ]


def first_of_each(names: pd.Series) -> list[str]:
    """Return names with repeats left blank, for tables grouped by their first column."""
    again = names.eq(names.shift())
    return ["" if a else str(name) for name, a in zip(names, again, strict=True)]


def words_if_any(rows: pd.DataFrame, column: str, name: str) -> list[Column]:
    """Return a column of words if it is there and holds any."""
    if column not in rows:
        return []
    cells = ["" if pd.isna(v) else str(v) for v in rows[column]]
    return [Column(name=name, cells=cells, words=True)] if any(cells) else []
