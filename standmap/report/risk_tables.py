"""What a sale hangs on, in tables and plain sentences: next best products, limits, unsold wood."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import pandas as pd

from standmap.report.cells import Column, Printed, errors, estimates, numbers, words
from standmap.report.numbers import count, dollars, dollars_apart, figure
from standmap.report.printed import LEAST_QUANTITY, MOST_STANDS_BY_PRODUCT

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

_LEAST_USD: Final = 0.5
_MOST_SENTENCES: Final = 2


def firmness_table(appraisal: Appraisal, *, by: str) -> Printed | None:
    """Return what the logs would bring as their next best products, by product or by stand.

    Parameters
    ----------
    appraisal : Appraisal
        What to print.
    by : {"product", "stand"}
        What the rows are; the tract comes last.
    """
    found = appraisal.risks.firmness
    other = "stand" if by == "product" else "product"
    rows = found[(found[by] != "") & (found[other] == "") & (found["value_usd"] >= _LEAST_USD)]
    if rows.empty or len(rows) > MOST_STANDS_BY_PRODUCT:
        return None
    whole = found[(found["stand"] == "") & (found["product"] == "")]
    rows = pd.concat([rows, whole])
    columns = [
        Column(name=by.capitalize(), cells=[*words(rows, by)[:-1], "Tract"], words=True),
        Column(
            name="Worth as cut",
            unit="$",
            cells=estimates(rows, "value_usd", "value_error_pct", money=True),
        ),
        Column(
            name="As its next best",
            unit="$",
            cells=[
                dollars(v, e) if v >= _LEAST_USD else "nothing"
                for v, e in zip(
                    numbers(rows, "second_usd"), numbers(rows, "second_error_pct"), strict=True
                )
            ],
        ),
        Column(
            name="Less by",
            unit="$ ± paired error",
            cells=[
                dollars_apart(less, error)
                for less, error in zip(
                    numbers(rows, "less_usd"), numbers(rows, "less_error_pct"), strict=True
                )
            ],
        ),
        Column(
            name="Kept", cells=[f"{v:.0f}%" if v >= 0.5 else "" for v in numbers(rows, "kept_pct")]
        ),
        Column(
            name="No other taker",
            unit="$",
            cells=[
                dollars(alone, error) if alone >= _LEAST_USD else ""
                for alone, error in zip(
                    numbers(rows, "no_other_usd"), numbers(rows, "value_error_pct"), strict=True
                )
            ],
        ),
        Column(name="Mostly as", cells=words(rows, "mostly_as"), words=True),
    ]
    if by == "stand":
        columns.pop()
    return Printed(
        columns=[
            Column(name=c.name, unit=c.unit, cells=c.cells[:-1], words=c.words) for c in columns
        ],
        foot=[c.cells[-1] for c in columns],
    )


def firmness_sentences(appraisal: Appraisal) -> list[str]:
    """Return what is lost if a buyer walks away, for the products that lose most."""
    found = appraisal.risks.firmness
    rows = found[(found["product"] != "") & (found["less_usd"] > 0)]
    rows = rows.sort_values("less_usd", ascending=False, kind="stable").head(_MOST_SENTENCES)
    said = []
    for row in rows.to_dict("records"):
        who = f"If the {row['product']} buyer walked away"
        now = dollars(row["value_usd"], row["value_error_pct"])
        if row["second_usd"] < _LEAST_USD:
            said.append(f"{who}, nobody here would take these logs: all {now} would be lost.")
            continue
        as_what = f", mostly as {row['mostly_as']}" if row["mostly_as"] else ""
        said.append(
            f"{who}, these logs would still bring "
            f"{dollars(row['second_usd'], row['second_error_pct'])} of their {now}{as_what}: "
            f"{dollars_apart(row['less_usd'], row['less_error_pct'])} less."
        )
    return said


def unsold_table(appraisal: Appraisal) -> Printed | None:
    """Return what no mill ends up with: product, why, tons, and what limits keep it from."""
    rows = appraisal.risks.unsold
    rows = rows[rows["tons"] >= LEAST_QUANTITY] if len(rows) else rows
    if rows.empty:
        return None
    return Printed(
        columns=[
            Column(name="Left unsold", cells=words(rows, "product"), words=True),
            Column(name="Why", cells=words(rows, "reason"), words=True),
            Column(name="Tons", cells=estimates(rows, "tons", "tons_error_pct")),
            Column(name="Error", unit="±", cells=errors(rows, "tons_error_pct", "tons")),
            Column(
                name="Would bring",
                unit="$, without limits",
                cells=[
                    dollars(v, e) if v >= _LEAST_USD else ""
                    for v, e in zip(
                        numbers(rows, "forgone_usd"),
                        numbers(rows, "forgone_error_pct"),
                        strict=True,
                    )
                ],
            ),
        ]
    )


def limits_cost(appraisal: Appraisal) -> str:
    """Return what the mills' limits cost the sale, in dollars; blank where they cost nothing."""
    cost = appraisal.risks.limits_cost_usd
    sold = appraisal.mills["stumpage_usd"].sum() if len(appraisal.mills) else 0.0
    error = appraisal.total("value_usd").sampling_error_pct if sold > 0 else math.nan
    return dollars(cost, error) if cost >= _LEAST_USD else ""


def limit_words(limit: float, limit_loads: float, unit: str) -> str:
    """Print a mill's limit: of one product in its own unit, or of the mill in loads.

    Examples
    --------
    >>> limit_words(200.0, float("nan"), "MBF Doyle"), limit_words(float("nan"), 500.0, "tons")
    ('200 MBF', '500 loads in all')
    """
    said = []
    if math.isfinite(limit):
        said.append(f"{figure(limit)} {unit.split()[0]}")
    if math.isfinite(limit_loads):
        said.append(f"{count(limit_loads)} loads in all")
    return ", ".join(said)
