"""Errors and warnings: what went wrong, where, and how to mend it.

Every error standmap raises on purpose descends from :class:`StandmapError`, so a caller can catch
one thing. Each also inherits the builtin that a Python programmer would expect.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from difflib import get_close_matches
from typing import Final, Literal

Severity = Literal["error", "warning"]

MOST_SHOWN: Final = 20
"""Problems of one kind that are printed; all of them are kept and counted."""


class StandmapError(Exception):
    """Root of every error standmap raises on purpose."""


class DomainError(StandmapError, ValueError):
    """A number or a choice lies outside what a function is defined for."""


class OutputError(StandmapError, OSError):
    """Results could not be written; whatever was there before is untouched."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing wrong with the input, and how to mend it.

    Attributes
    ----------
    severity : {"error", "warning"}
        An error stops the run; a warning is printed and carried into the report.
    file : str
        File as the user named it.
    what : str
        What is wrong, in a plain sentence.
    mend : str
        What the user can do about it.
    row : int or None
        Row as the user sees it in a spreadsheet: the header is row 1, the first record row 2.
        For vector layers, the feature number from 1.
    column : str or None
        Column or tract-file key.
    value : str or None
        The offending value as read.
    """

    severity: Severity
    file: str
    what: str
    mend: str
    row: int | None = None
    column: str | None = None
    value: str | None = None

    def __str__(self) -> str:
        """One line: where, what, value, mend."""
        where = [self.file]
        if self.row is not None:
            where.append(f"row {self.row}")
        if self.column is not None:
            where.append(f"column '{self.column}'")
        got = "" if self.value is None else f" (got {self.value!r})"
        return f"{', '.join(where)}: {self.what}{got}. {self.mend}"

    def as_row(self) -> dict[str, object]:
        """Return the fields as a plain dictionary, for a table."""
        return asdict(self)


def missing_column(
    column: str, spare: Sequence[str], *, file: str, what: str, mend: str
) -> tuple[Problem, str]:
    """Return the problem of a column that is not there, and the spare header most like it.

    Parameters
    ----------
    column : str
        The column looked for.
    spare : sequence of str
        Headers that mean nothing yet.
    file, what, mend : str
        As in `Problem`; ``mend`` is for where no spare header is like it (then ``""``).

    Examples
    --------
    >>> problem, near = missing_column("price_usd", ["price", "remarks"], file="prices.csv",
    ...                                what="the column is missing", mend="Add it.")
    >>> print(problem.mend)
    If it is 'price', rename it, or write price_usd = "price" in the tract file.
    """
    folded = {name.casefold(): name for name in spare}
    close = get_close_matches(column, list(folded), n=1)
    near = folded[close[0]] if close else ""
    if near:
        mend = f"If it is '{near}', rename it, or write {column} = \"{near}\" in the tract file."
    problem = Problem(severity="error", file=file, column=column, what=what, mend=mend)
    return problem, near


def problem_lines(problems: Iterable[Problem], *, most: int = MOST_SHOWN) -> list[str]:
    """Return one line per problem, the same complaint at most ``most`` times.

    Complaints are the same when file, column and what is wrong are. Of many, each different value
    is shown before any is shown again, so that a common one does not hide the others; the rest are
    counted in one closing line. Nothing is dropped from the problems themselves.

    Examples
    --------
    >>> bad = [Problem(severity="error", file="tally.csv", row=row, column="dbh_in", value="x",
    ...                what="not a number", mend="Type it.") for row in range(2, 9)]
    >>> for line in problem_lines(bad, most=1):
    ...     print(line)
    tally.csv, row 2, column 'dbh_in': not a number (got 'x'). Type it.
    tally.csv, column 'dbh_in': not a number: and 6 more
    """
    every = list(problems)
    kinds: dict[tuple[str, str | None, str], list[int]] = {}
    for at, problem in enumerate(every):
        kinds.setdefault((problem.file, problem.column, problem.what), []).append(at)
    shown: set[int] = set()
    closing: list[str] = []
    for (file, column, what), members in kinds.items():
        order = _each_value_first([every[at].value for at in members])
        shown.update(members[at] for at in order[:most])
        if len(members) > most:
            where = file if column is None else f"{file}, column '{column}'"
            closing.append(f"{where}: {what}: and {len(members) - most} more")
    return [str(problem) for at, problem in enumerate(every) if at in shown] + closing


def _each_value_first(values: list[str | None]) -> list[int]:
    """Return places of values, the first of each before the repeats, else in order."""
    first: dict[str | None, int] = {}
    for at, value in enumerate(values):
        first.setdefault(value, at)
    return sorted(range(len(values)), key=lambda at: first[values[at]] != at)


class InputError(StandmapError, ValueError):
    """The input cannot be appraised; all its problems are listed together.

    Parameters
    ----------
    problems : iterable of Problem
        Everything found wrong, warnings included; at least one is an error.

    Examples
    --------
    >>> err = InputError([Problem(severity="error", file="tally.csv", row=7, column="dbh_in",
    ...                           value="abc", what="not a number", mend="Type the diameter.")])
    >>> print(err)
    1 problem to mend:
      tally.csv, row 7, column 'dbh_in': not a number (got 'abc'). Type the diameter.
    """

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        errors = [p for p in self.problems if p.severity == "error"]
        head = f"{len(errors)} problem{'' if len(errors) == 1 else 's'} to mend:"
        super().__init__("\n".join([head, *(f"  {line}" for line in problem_lines(errors))]))


class StandmapWarning(UserWarning):
    """Root of standmap's warnings: a judgement call the user should know of."""


class ExtrapolationWarning(StandmapWarning):
    """A model was used outside the range it was fitted for."""


class SmallSampleWarning(StandmapWarning):
    """An estimate rests on too few plots or trees to be leaned on."""
