"""An appraisal in a notebook: the ten lines and the stands."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from standmap.report.answer import ten_lines
from standmap.report.cells import Printed
from standmap.report.names import confidence_text, tract_name
from standmap.report.printed import stands_table

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal


def notebook_html(appraisal: Appraisal) -> str:
    """Return the appraisal as a piece of HTML, every name escaped.

    Parameters
    ----------
    appraisal : Appraisal
        What to show.
    """
    lines = "".join(
        f"<tr><th style='text-align:left'>{escape(name)}</th>"
        f"<td style='text-align:left'>{escape(text)}</td></tr>"
        for name, text in ten_lines(appraisal)
    )
    return (
        f"<div><h3>{escape(tract_name(appraisal))}</h3><table>{lines}</table>"
        f"{_table(stands_table(appraisal))}"
        f"<p>± is the sampling error at {escape(confidence_text(appraisal))} confidence.</p></div>"
    )


def _table(printed: Printed) -> str:
    head = "".join(
        f"<th>{escape(c.name)}{'<br>' + escape(c.unit) if c.unit else ''}</th>"
        for c in printed.columns
    )
    rows = [*printed.rows, *([printed.foot] if printed.foot else [])]
    body = "".join(
        "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"
