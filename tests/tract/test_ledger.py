"""The ledger: append-only, one row per entry, whatever the number."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.tract import Ledger, LedgerEntry


def test_an_empty_ledger_is_a_frame_with_its_columns():
    frame = Ledger().to_frame()
    assert list(frame.columns) == ["file", "row", "column", "old", "new", "why", "action"]
    assert len(frame) == 0
    assert repr(Ledger()) == "Ledger(empty)"


def test_entries_come_back_as_they_were_made():
    ledger = Ledger()
    ledger.add("plots.csv", action="noted", why="no coordinates")
    ledger.add("tally.csv", row=9, column="height_ft", new=81.25, action="filled in", why="curve")
    assert list(ledger) == [
        LedgerEntry(file="plots.csv", action="noted", why="no coordinates"),
        LedgerEntry(
            file="tally.csv",
            row=9,
            column="height_ft",
            new="81.25",
            action="filled in",
            why="curve",
        ),
    ]
    assert ledger.counts() == {"filled in": 1, "noted": 1}


def test_an_unknown_action_is_refused():
    with pytest.raises(DomainError, match="'action' must be one of changed, set aside"):
        Ledger().add("a.csv", action="deleted", why="no")  # type: ignore[arg-type]


def test_a_copy_grows_alone():
    ledger = Ledger()
    ledger.add("a.csv", action="noted", why="one")
    other = ledger.copy()
    other.extend_filled(
        file="t.csv",
        rows=np.array([2, 3]),
        column="height_ft",
        values=np.array([70.0, 82.5]),
        why="curve",
    )
    assert (len(ledger), len(other)) == (1, 3)
    assert list(other.to_frame()["new"]) == ["", "70", "82.5"]


@given(st.lists(st.lists(st.integers(1, 10**6), max_size=5), max_size=6))
def test_every_row_given_is_in_the_ledger(blocks):
    ledger = Ledger()
    for rows in blocks:
        ledger.add_rows("t.csv", rows=rows, action="set aside", why="dead")
    assert ledger.to_frame()["row"].tolist() == [row for rows in blocks for row in rows]
    assert len(ledger) == sum(map(len, blocks))
