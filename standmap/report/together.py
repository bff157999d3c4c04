"""Several tracts added up, for the command line and for a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from standmap.appraisal import combine
from standmap.report.heights_alone import heights_sentence
from standmap.report.names import confidence_text, head_measure, head_rule_name, is_valued
from standmap.report.numbers import acres, dollars, figure, plus_minus
from standmap.units import BF_PER_MBF

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal


def together_table(appraisals: Sequence[Appraisal]) -> pd.DataFrame:
    """Return the totals of every tract, and of all together.

    Parameters
    ----------
    appraisals : sequence of Appraisal
        The tracts.

    Returns
    -------
    DataFrame
        ``tract`` ("" for all; with its file where two have one name), ``net_acres``, ``measure``,
        the columns of `Appraisal.totals`, and the ``confidence`` of errors and intervals.
    """
    whole = combine(appraisals)
    named = zip(_names(appraisals), appraisals, strict=True)
    parts = [(name, one.net_acres, one.totals) for name, one in named]
    parts.append(("", sum(one.net_acres for one in appraisals), whole))
    tables = []
    for name, net, totals in parts:
        table = totals.rename_axis("measure").reset_index()
        table.insert(0, "net_acres", net)
        table.insert(0, "tract", name)
        tables.append(table.assign(confidence=appraisals[0].confidence))
    return pd.concat(tables, ignore_index=True)


def _names(appraisals: Sequence[Appraisal]) -> list[str]:
    """Return the tracts' names, with folder and file where two tracts have one name."""
    names = [one.name for one in appraisals]
    return [
        f"{one.name} ({one.tract.path.parent.name}/{one.tract.path.name})"
        if names.count(one.name) > 1
        else one.name
        for one in appraisals
    ]


def together_text(appraisals: Sequence[Appraisal]) -> str:
    """Return the one-screen summary of several tracts.

    Parameters
    ----------
    appraisals : sequence of Appraisal
        The tracts; the first says by which log rule board feet are shown.
    """
    first, table = appraisals[0], together_table(appraisals)
    valued = any(is_valued(one) for one in appraisals)
    measures = [head_measure(first), "cords", *(["value_usd"] if valued else [])]
    labels = [*_names(appraisals), ""]
    priced = [*(is_valued(one) for one in appraisals), True]
    rows = [["", "net acres", f"MBF {head_rule_name(first)}", "", "cords", ""]]
    rows[0] += ["value", ""] if valued else []
    for label, has_price in zip(labels, priced, strict=True):
        mine = table[table["tract"] == label].set_index("measure")
        row = [label or "Together", acres(float(mine["net_acres"].iloc[0]))]
        for measure in measures:
            found = mine.loc[measure].to_dict()
            if measure == "value_usd" and not has_price:
                row += ["not priced", ""]
                continue
            row += [_shown(measure, found["estimate"], found["error_pct"]),
                    plus_minus(found["error_pct"])]  # fmt: skip
        rows.append(row)
    wide = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
    lines = [
        "  ".join(
            [row[0].ljust(wide[0]), *(c.rjust(w) for c, w in zip(row[1:], wide[1:], strict=True))]
        ).rstrip()
        for row in rows
    ]
    return "\n".join(
        [
            *lines,
            f"\u00b1 is the sampling error at {confidence_text(first)} confidence. Tracts cruised "
            "apart err apart, so the whole",
            "is surer than its parts; a price or a cruiser's habit that they share errs in all of "
            "them alike.",
            *_notes(appraisals),
        ]
    )


def _notes(appraisals: Sequence[Appraisal]) -> list[str]:
    """Return what the figures leave out, tract by tract."""
    named = list(zip(_names(appraisals), appraisals, strict=True))
    unpriced = [name for name, one in named if not is_valued(one)]
    notes = []
    if unpriced and len(unpriced) < len(named):
        notes.append(f"Not priced, and in no value above: {', '.join(unpriced)}.")
    notes += [f"{name}: {told}" for name, one in named if (told := heights_sentence(one))]
    return notes


def _shown(measure: str, value: float, error_pct: float) -> str:
    if measure == "value_usd":
        return dollars(value, error_pct)
    divide = BF_PER_MBF if measure.startswith("bf_") else 1.0
    return figure(value / divide, error_pct, most=1)
