"""The error of filled heights in words and as a table, for tallies that have no other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from standmap.report.cells import Column, Printed
from standmap.report.names import confidence_text, head_rule_name
from standmap.report.numbers import count, dollars, figure, percent, plus_minus
from standmap.units import BF_PER_MBF

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal


def heights_sentence(appraisal: Appraisal) -> str:
    """Return what filled heights do to stands tallied whole; blank where they do nothing.

    Parameters
    ----------
    appraisal : Appraisal
        What to tell.
    """
    table = appraisal.cruise.heights_alone
    known = table[table["error_pct"].notna()]
    if known.empty:
        return ""
    row = known.iloc[0]
    error = float(row["error_pct"])
    of = {"value_usd": "value", "volume_cuft": "cubic feet"}.get(row["measure"], "board feet")
    return (
        f"Heights were measured on {count(row['measured'])} of "
        f"{count(row['measured'] + row['filled'])} trees of stands tallied whole, and taken from a "
        f"curve for the others. The error of the heights alone is {plus_minus(error)} of the "
        f"tract's {of} at {confidence_text(appraisal)} confidence, and is in no other \u00b1."
    )


def heights_table(appraisal: Appraisal) -> Printed | None:
    """Return the error of the heights alone by measure; None where there is none.

    Parameters
    ----------
    appraisal : Appraisal
        What to show.
    """
    table = appraisal.cruise.heights_alone
    if table.empty:
        return None
    names = {"value_usd": "Value, $", "volume_cuft": "Volume, cu ft"}
    shown = []
    for row in table.to_dict("records"):
        divide = BF_PER_MBF if row["measure"].startswith("bf_") else 1.0
        show = dollars if row["measure"] == "value_usd" else figure
        shown.append(show(row["estimate"] / divide, row["error_pct"]))
    return Printed(
        columns=[
            Column(
                name="Tract",
                cells=[names.get(m, f"{head_rule_name(appraisal)}, MBF") for m in table["measure"]],
                words=True,
            ),
            Column(name="Estimate", cells=shown),
            Column(
                name="Error of the heights alone",
                unit="\u00b1",
                cells=[percent(v) for v in table["error_pct"]],
            ),
        ]
    )
