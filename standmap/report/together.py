"""Several tracts added up, for the command line and for a table."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import pandas as pd

from standmap.appraisal import combine
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
        ``tract`` ("" for all), ``net_acres``, ``measure`` and the columns of `Appraisal.totals`.
    """
    parts = [(one.name, one.net_acres, one.totals) for one in appraisals]
    parts.append(("", sum(one.net_acres for one in appraisals), combine(appraisals)))
    tables = []
    for name, net, totals in parts:
        table = totals.rename_axis("measure").reset_index()
        table.insert(0, "net_acres", net)
        table.insert(0, "tract", name)
        tables.append(table)
    return pd.concat(tables, ignore_index=True)


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
    names = [*(one.name for one in appraisals), "Together"]
    rows = [["", "net acres", f"MBF {head_rule_name(first)}", "", "cords", ""]]
    rows[0] += ["value", ""] if valued else []
    for name, label in zip(names, [*names[:-1], ""], strict=True):
        mine = table[table["tract"] == label].drop_duplicates("measure").set_index("measure")
        row = [name, acres(float(mine["net_acres"].iloc[0]))]
        for measure in measures:
            found = mine.loc[measure].to_dict()
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
        ]
    )


def _shown(measure: str, value: float, error_pct: float) -> str:
    if measure == "value_usd":
        return dollars(value, error_pct)
    divide = BF_PER_MBF if measure.startswith("bf_") else 1.0
    return figure(value / divide, error_pct, most=1)
