"""One place where a reading gathers what it found: problems to show and a ledger to keep."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches

import numpy as np
import numpy.typing as npt

from standmap.errors import Problem, Severity
from standmap.tract.ledger import Ledger


@dataclass(slots=True)
class Findings:
    """Problems and ledger of one reading, in the order they were found."""

    problems: list[Problem] = field(default_factory=list)
    ledger: Ledger = field(default_factory=Ledger)

    @property
    def errors(self) -> int:
        """How many of the problems stop the run."""
        return sum(p.severity == "error" for p in self.problems)

    @property
    def failed(self) -> bool:
        """Whether anything found so far stops the run."""
        return self.errors > 0

    def add(
        self,
        severity: Severity,
        file: str,
        what: str,
        mend: str,
        *,
        row: int | None = None,
        column: str | None = None,
        value: object = None,
    ) -> None:
        """Add one problem."""
        self.problems.append(
            Problem(
                severity=severity,
                file=file,
                what=what,
                mend=mend,
                row=row,
                column=column,
                value=None if value is None else str(value),
            )
        )

    def error(
        self,
        file: str,
        what: str,
        mend: str,
        *,
        row: int | None = None,
        column: str | None = None,
        value: object = None,
    ) -> None:
        """Add a problem that stops the run."""
        self.add("error", file, what, mend, row=row, column=column, value=value)

    def warn(
        self,
        file: str,
        what: str,
        mend: str,
        *,
        row: int | None = None,
        column: str | None = None,
        value: object = None,
    ) -> None:
        """Add a problem that is shown and carried into the report."""
        self.add("warning", file, what, mend, row=row, column=column, value=value)

    def rows(
        self,
        severity: Severity,
        file: str,
        what: str,
        mend: str | Sequence[str],
        *,
        rows: npt.NDArray[np.int64],
        column: str | None = None,
        values: Sequence[object] | npt.NDArray[np.object_] | None = None,
    ) -> None:
        """Add the same problem for many rows; ``mend`` is one for all or one each."""
        for at, row in enumerate(rows.tolist()):
            self.problems.append(
                Problem(
                    severity=severity,
                    file=file,
                    what=what,
                    mend=mend if isinstance(mend, str) else mend[at],
                    row=row,
                    column=column,
                    value=None if values is None else str(values[at]),
                )
            )


def nearest(name: str, known: Sequence[str], *, cutoff: float = 0.6) -> str | None:
    """Return the known name most like ``name`` in any case, or None.

    Examples
    --------
    >>> nearest("dbh", ["plot", "dbh_in", "species"])
    'dbh_in'
    >>> nearest("colour", ["plot", "species"]) is None
    True
    """
    folded = {k.casefold(): k for k in known}
    close = get_close_matches(name.casefold(), list(folded), n=1, cutoff=cutoff)
    return folded[close[0]] if close else None


def did_you_mean(name: str, known: Sequence[str], *, all_known: str = "Known") -> str:
    """Return a sentence that names the nearest known name, or else lists them."""
    near = nearest(name, known)
    if near is not None:
        return f"Did you mean '{near}'?"
    return f"{all_known}: {some(known)}."


def toml_key(name: str) -> str:
    """Return a name as a key of the tract file, quoted where it must be.

    Examples
    --------
    >>> print(toml_key("LOB"), toml_key("wite oak"))
    LOB "wite oak"
    """
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else json.dumps(name, ensure_ascii=False)


def some(names: Sequence[object], most: int = 12) -> str:
    """Return a comma-separated list cut to ``most`` names.

    Examples
    --------
    >>> some(["a", "b", "c"], most=2)
    'a, b and 1 more'
    """
    shown = ", ".join(str(name) for name in names[:most])
    return shown if len(names) <= most else f"{shown} and {len(names) - most} more"
