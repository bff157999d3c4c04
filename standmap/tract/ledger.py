"""The ledger: every input row changed, set aside, filled in, repaired or noted, and why."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal, get_args

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import DomainError

Action = Literal["changed", "set aside", "filled in", "repaired", "noted"]
ACTIONS: Final = get_args(Action)
COLUMNS: Final = ("file", "row", "column", "old", "new", "why", "action")


@dataclass(frozen=True, slots=True, kw_only=True)
class LedgerEntry:
    """One thing done to one input row.

    Attributes
    ----------
    file : str
        File as the user named it.
    action : {"changed", "set aside", "filled in", "repaired", "noted"}
        What was done.
    why : str
        The reason, in a plain sentence.
    row : int or None
        Row as seen in a spreadsheet (header is row 1); feature number in a vector layer; None for
        the whole file.
    column : str
        Column or tract-file key; blank for the whole row.
    old, new : str
        The value as read, and the value used.
    """

    file: str
    action: Action
    why: str
    row: int | None = None
    column: str = ""
    old: str = ""
    new: str = ""


@dataclass(slots=True)
class Ledger:
    """An append-only record of what was done to the input.

    Entries are kept as blocks of arrays, so that a million rows cost no more than their values.

    Examples
    --------
    >>> ledger = Ledger()
    >>> ledger.add("plots.csv", row=7, action="set aside", why="outside every stand")
    >>> ledger.add_rows("tally.csv", rows=[2, 9], action="set aside", why="dead tree")
    >>> len(ledger)
    3
    >>> ledger.to_frame()[["file", "row", "why"]]
            file  row                  why
    0  plots.csv    7  outside every stand
    1  tally.csv    2            dead tree
    2  tally.csv    9            dead tree
    """

    _blocks: list[pd.DataFrame] = field(default_factory=list)

    def add(
        self,
        file: str,
        *,
        action: Action,
        why: str,
        row: int | None = None,
        column: str = "",
        old: object = "",
        new: object = "",
    ) -> None:
        """Add one entry."""
        self.add_rows(file, rows=[row], action=action, why=why, column=column, old=[old], new=[new])

    def add_rows(
        self,
        file: str,
        *,
        rows: Sequence[int | None] | npt.NDArray[np.int64],
        action: Action,
        why: str | Sequence[str],
        column: str = "",
        old: object = "",
        new: object = "",
    ) -> None:
        """Add one entry for each row; ``why``, ``old`` and ``new`` are one for all or one each.

        Raises
        ------
        DomainError
            If ``action`` is not one of the five.
        """
        if action not in ACTIONS:
            raise DomainError(f"'action' must be one of {', '.join(ACTIONS)}; got {action!r}.")
        n = len(rows)
        if n == 0:
            return
        self._blocks.append(
            pd.DataFrame(
                {
                    "file": np.full(n, file, dtype=object),
                    "row": pd.array(list(rows), dtype="Int64"),
                    "column": np.full(n, column, dtype=object),
                    "old": _texts(old, n),
                    "new": _texts(new, n),
                    "why": _texts(why, n),
                    "action": np.full(n, action, dtype=object),
                }
            )
        )

    def extend_filled(
        self,
        *,
        file: str,
        rows: npt.NDArray[np.int64],
        column: str,
        values: npt.NDArray[np.float64],
        why: str,
    ) -> None:
        """Enter values that were filled in where the input had a blank."""
        self.add_rows(file, rows=rows, column=column, new=values, why=why, action="filled in")

    def to_frame(self) -> pd.DataFrame:
        """Return the whole ledger, one row per entry, in the order they were made."""
        if not self._blocks:
            empty = pd.DataFrame({c: pd.Series(dtype=object) for c in COLUMNS})
            return empty.astype({"row": "Int64"})
        return pd.concat(self._blocks, ignore_index=True)

    def counts(self) -> dict[str, int]:
        """Return the number of entries by action, in a fixed order."""
        found = self.to_frame()["action"].value_counts()
        return {action: int(found[action]) for action in ACTIONS if action in found.index}

    def copy(self) -> Ledger:
        """Return a ledger that can grow without changing this one."""
        return Ledger(list(self._blocks))

    def __len__(self) -> int:
        return sum(len(block) for block in self._blocks)

    def __iter__(self) -> Iterator[LedgerEntry]:
        for record in self.to_frame().to_dict("records"):
            row = record.pop("row")
            yield LedgerEntry(
                row=None if pd.isna(row) else int(row),
                **{str(key): value for key, value in record.items()},
            )

    def __repr__(self) -> str:
        made = ", ".join(f"{count} {action}" for action, count in self.counts().items())
        return f"Ledger({made or 'empty'})"


def _texts(value: object, n: int) -> npt.NDArray[np.object_]:
    """Return one text per row from a scalar or a sequence."""
    if isinstance(value, str) or not isinstance(value, Sequence | np.ndarray | pd.Series):
        return np.full(n, _text(value), dtype=object)
    return np.array([_text(item) for item in value], dtype=object)


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, float | np.floating):
        return "" if np.isnan(value) else f"{value:.10g}"
    return str(value)
