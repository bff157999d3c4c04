"""Reading a table of streamside rules, gathering every fault."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches
from itertools import pairwise
from os import PathLike
from pathlib import Path
from typing import Any, Final, cast, get_args

import numpy as np
import pandas as pd

from standmap.errors import InputError, Problem, Severity
from standmap.land.rules import (
    Binding,
    BufferRule,
    Cutting,
    Distance,
    Limits,
    Residual,
)

RULE_COLUMNS: Final = (
    *("jurisdiction", "water_class", "water", "option", "limits", "zone", "zone_number"),
    *("slope_from_pct", "slope_to_pct", "slope_from_included", "slope_to_included"),
    *("width_ft", "width_ft_per_pct", "slope_above_pct", "max_width_ft"),
    *("distance", "measured_from", "cutting"),
    *("keep_basal_area_sqft", "keep_canopy_pct", "keep_share_pct", "keep_share_of"),
    *("keep_stems_per_100_ft", "keep_min_dbh_in", "keep_how", "keep_years", "keep_text"),
    *("equipment", "binding", "source", "year", "evidence", "caution"),
)
"""Columns of a table of rules, in the order of the packaged one."""

REQUIRED: Final = ("jurisdiction", "water_class", "width_ft")
"""Columns a table must have; any other may be left out."""


@dataclass(slots=True)
class _Cells:
    """One row of a table while it is read; faults gather in `problems`."""

    cells: dict[str, str]
    file: str
    row: int
    problems: list[Problem] = field(default_factory=list)

    def add(self, column: str, what: str, mend: str, severity: Severity = "error") -> None:
        self.problems.append(
            Problem(
                severity=severity,
                file=self.file,
                row=self.row,
                column=column,
                value=self.text(column),
                what=what,
                mend=mend,
            )
        )

    def text(self, column: str) -> str:
        return self.cells.get(column, "")

    def number(self, column: str, blank: float, *, most: float = np.inf) -> float:
        text = self.text(column)
        if not text:
            return blank
        try:
            value = float(text)
        except ValueError:
            value = np.nan
        if not np.isfinite(value):
            self.add(column, "not a number", "Type the number alone, or blank the cell.")
        elif not 0 <= value <= most:
            span = "0 or more" if np.isinf(most) else f"between 0 and {most:g}"
            self.add(column, f"must be {span}", "Mend it, or blank the cell.")
        return value

    def word(self, column: str, words: Iterable[str], blank: str) -> str:
        text = self.text(column).casefold()
        if not text:
            return blank
        known = [word for word in words if word]
        if text not in known:
            self.add(column, "not one of " + ", ".join(known), "Type one of them.")
            return blank
        return text

    def flag(self, column: str, blank: bool) -> bool:
        return self.word(column, ("yes", "no"), "yes" if blank else "no") == "yes"


def rules_from_frame(
    frame: pd.DataFrame, *, file: str = "rules", first_row: int = 2
) -> tuple[list[BufferRule], list[Problem]]:
    """Turn a table into rules, with everything wrong with it.

    Parameters
    ----------
    frame : DataFrame
        Columns as ``RULE_COLUMNS``; ``jurisdiction``, ``water_class`` and ``width_ft`` at least.
    file : str
        Name of the file, for messages.
    first_row : int
        Spreadsheet row of the first record.

    Returns
    -------
    rules : list of BufferRule
        The rows without errors.
    problems : list of Problem
        Errors and warnings.

    Examples
    --------
    >>> mine = pd.DataFrame({"jurisdiction": ["mine"], "water_class": ["creek"],
    ...                      "width_ft": ["60"], "source": ["my plan"], "evidence": ["read"]})
    >>> rules, problems = rules_from_frame(mine)
    >>> rules[0].width_words, problems
    ('60 ft', [])
    """
    problems = _column_problems(frame, file)
    if any(problem.severity == "error" for problem in problems):
        return [], problems
    records = frame.astype(object).where(frame.notna(), "").to_dict("records")
    rules, places = [], []
    for offset, record in enumerate(records):
        cells = _Cells({str(k): _cell(v) for k, v in record.items()}, file, first_row + offset)
        rule = _rule(cells)
        problems += cells.problems
        if all(problem.severity == "warning" for problem in cells.problems):
            rules.append(rule)
            places.append(cells.row)
    return rules, problems + _stack_problems(rules, places, file)


def read_rules(path: str | PathLike[str]) -> tuple[tuple[BufferRule, ...], list[Problem]]:
    """Read a user's own table of rules from a CSV file.

    Parameters
    ----------
    path : path
        CSV with the columns of the packaged table; lines above the header that begin with ``#``
        are notes.

    Returns
    -------
    rules : tuple of BufferRule
        To be given to ``stream_rule(..., rules=rules)``.
    problems : list of Problem
        Warnings, to be printed and kept.

    Raises
    ------
    InputError
        If the file cannot be read or a row is wrong; every fault is listed.
    """
    name = str(path)
    try:
        with Path(path).open(encoding="utf-8-sig", newline="") as handle:
            lines = list(csv.reader(handle))
    except (OSError, UnicodeDecodeError, csv.Error) as err:
        raise InputError(
            [
                Problem(
                    severity="error",
                    file=name,
                    what=f"cannot be read ({err})",
                    mend="Check the path, and save the table as CSV in UTF-8.",
                )
            ]
        ) from err
    head = 0
    while head < len(lines) and (not lines[head] or lines[head][0].startswith("#")):
        head += 1
    columns = [cell.strip() for cell in lines[head]] if head < len(lines) else []
    body = [
        [*line, *[""] * (len(columns) - len(line))][: len(columns)] for line in lines[head + 1 :]
    ]
    frame = pd.DataFrame(body, columns=columns, dtype=object)
    rules, problems = rules_from_frame(frame, file=name, first_row=head + 2)
    if any(problem.severity == "error" for problem in problems):
        raise InputError(problems)
    return tuple(rules), problems


def _cell(value: Any) -> str:
    """Return a cell as text; whole numbers as typed."""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()


def _column_problems(frame: pd.DataFrame, file: str) -> list[Problem]:
    problems = [
        Problem(
            severity="error",
            file=file,
            column=name,
            what="the column is missing",
            mend="Add it; a copy of the packaged table is a good start.",
        )
        for name in REQUIRED
        if name not in frame
    ]
    for name in frame.columns:
        if name in RULE_COLUMNS:
            continue
        near = get_close_matches(str(name), RULE_COLUMNS, n=1)
        hint = f"Did you mean '{near[0]}'?" if near else "Delete it, or correct its name."
        problems.append(
            Problem(severity="error", file=file, column=str(name), what="no such column", mend=hint)
        )
    return problems


def _rule(cells: _Cells) -> BufferRule:
    """Read one row."""
    waters = tuple(w.strip() for w in cells.text("water_class").split(";") if w.strip())
    if not cells.text("jurisdiction"):
        cells.add("jurisdiction", "no jurisdiction", "Name whose rule it is.")
    if not waters:
        cells.add("water_class", "no class of water", "Name it as the stream layer does.")
    slope_from = cells.number("slope_from_pct", 0.0)
    slope_to = cells.number("slope_to_pct", np.inf)
    if slope_to < slope_from:
        cells.add("slope_to_pct", "less than slope_from_pct", "Swap the two.")
    zone_number = cells.number("zone_number", 1)
    if zone_number < 1 or zone_number % 1:
        cells.add("zone_number", "must be 1, 2, 3 ...", "Count the zones from the water.")
    evidence = cells.text("evidence").casefold()
    if not evidence.startswith("read"):
        cells.add(
            "evidence",
            "not read in its source: carried as unverified, settles nothing by itself",
            "Read the current rule, then type: read",
            "warning",
        )
    elif not cells.text("source"):
        cells.add("source", "no source is named", "Name where the rule was read.", "warning")
    return BufferRule(
        jurisdiction=cells.text("jurisdiction"),
        water_classes=waters,
        water=cells.text("water"),
        option=cells.text("option"),
        limits=cast(Limits, cells.word("limits", get_args(Limits), "harvest")),
        zone=cells.text("zone") or "total",
        zone_number=int(zone_number) if np.isfinite(zone_number) else 1,
        slope_from_pct=slope_from,
        slope_to_pct=slope_to,
        slope_from_included=cells.flag("slope_from_included", False),
        slope_to_included=cells.flag("slope_to_included", True),
        width_ft=cells.number("width_ft", np.nan),
        width_ft_per_pct=cells.number("width_ft_per_pct", 0.0),
        slope_above_pct=cells.number("slope_above_pct", 0.0),
        max_width_ft=cells.number("max_width_ft", np.inf),
        distance=cast(Distance, cells.word("distance", get_args(Distance), "")),
        measured_from=cells.text("measured_from").casefold(),
        cutting=cast(Cutting, cells.word("cutting", get_args(Cutting), "")),
        keep=_residual(cells),
        equipment=cells.text("equipment"),
        binding=cast(Binding, cells.word("binding", get_args(Binding), "voluntary")),
        source=cells.text("source"),
        year=cells.text("year"),
        evidence=evidence,
        caution=cells.text("caution"),
    )


def _residual(cells: _Cells) -> Residual:
    share = cells.number("keep_share_pct", np.nan, most=100)
    if np.isfinite(share) and not cells.text("keep_share_of"):
        cells.add("keep_share_of", "a share of nothing", "Say of what: basal area, stems, volume.")
    how = cells.word("keep_how", ("all", "any"), "all")
    return Residual(
        basal_area_sqft=cells.number("keep_basal_area_sqft", np.nan),
        canopy_pct=cells.number("keep_canopy_pct", np.nan, most=100),
        share_pct=share,
        share_of=cells.text("keep_share_of"),
        stems_per_100_ft=cells.number("keep_stems_per_100_ft", np.nan),
        min_dbh_in=cells.number("keep_min_dbh_in", np.nan),
        how="any" if how == "any" else "all",
        years=cells.number("keep_years", np.nan),
        text=cells.text("keep_text"),
    )


def _stack_problems(rules: list[BufferRule], rows: list[int], file: str) -> list[Problem]:
    """Check the rows that answer one look-up together: zones counted from 1, classes apart."""
    stacks: dict[tuple[str, ...], list[int]] = defaultdict(list)
    for i, rule in enumerate(rules):
        for water in rule.water_classes:
            key = (rule.jurisdiction, water, rule.option, rule.limits)
            stacks[tuple(part.casefold() for part in key)].append(i)
    found: dict[tuple[int, str], Problem] = {}

    def add(i: int, column: str, what: str, mend: str) -> None:
        found.setdefault(
            (i, column),
            Problem(severity="error", file=file, row=rows[i], column=column, what=what, mend=mend),
        )

    for members in stacks.values():
        numbers = sorted({rules[i].zone_number for i in members})
        if numbers != list(range(1, len(numbers) + 1)):
            add(members[0], "zone_number", "the zones of this water are not numbered 1, 2, 3 ...",
                "Count them from the water outward.")  # fmt: skip
        for number in numbers:
            zone = [i for i in members if rules[i].zone_number == number]
            if len({rules[i].zone for i in zone}) > 1:
                add(zone[-1], "zone", "two names for one zone number",
                    "Give each zone its own number.")  # fmt: skip
            zone.sort(key=lambda i: rules[i].slope_from_pct)
            for flat, steep in pairwise(zone):
                if rules[steep].slope_from_pct < rules[flat].slope_to_pct:
                    add(steep, "slope_from_pct",
                        "its class of slope overlaps another row of the same zone and water",
                        "Let one class begin where the other ends.")  # fmt: skip
    return list(found.values())
