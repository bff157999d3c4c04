"""Harvest units as lines of text and as files: those drawn, and those proposed."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

import pandas as pd

from standmap._writing import check_folder, write_folder
from standmap.report.cells import Printed
from standmap.report.harvest_tables import facing, plan_table, skid_table, terrain_table
from standmap.report.layer_styles import write_layers_styled
from standmap.report.numbers import acres, figure
from standmap.report.printed import units_table
from standmap.steps.land import in_degrees

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal
    from standmap.land import ProposedUnits

RECORD: Final = "proposed_units.json"
FILES: Final = ("proposed_units.gpkg",)
_WIDEST: Final = 46
"""Widest column of words; the rest is in the report."""


def units_text(appraisal: Appraisal) -> str:
    """Return the harvest units as drawn: acres, plan, ground and way to the landing."""
    tables = [
        ("Harvest units", units_table(appraisal)),
        ("The plan", plan_table(appraisal)),
        ("The ground", terrain_table(appraisal, "units")),
        ("To the landing", skid_table(appraisal)),
    ]
    said = [f"{title}\n{_set(table)}" for title, table in tables if table is not None]
    if not said:
        return "This tract has no harvest units. Draw some, or add --propose."
    if (appraisal.units["borrowed"] != "").any():
        said.append("† ‡ Part of it takes borrowed figures: its stand has fewer than two plots.")
    return "\n\n".join(said)


def proposal_text(found: ProposedUnits, *, min_acres: float, max_acres: float) -> str:
    """Return the proposed units as a table, and what was left out with the reason."""
    units, rest = found.units, found.left_out
    lines = [
        f"{len(units)} units of {min_acres:g} to {max_acres:g} acres proposed, "
        f"{acres(float(units['acres'].sum()))} acres in all; "
        f"{acres(float(rest['acres'].sum()))} net acres left out."
    ]
    if len(units):
        frame = pd.DataFrame(
            {
                "Unit": units["unit"],
                "Acres": [acres(v) for v in units["acres"]],
                "Stands": units["stands"],
                "Stratum": units["stratum"],
                "Entry": units["entry"].astype(str),
            }
        )
        if "slope_pct" in units:
            frame["Slope %"] = [figure(v) for v in units["slope_pct"]]
            frame["Faces"] = [facing(v) for v in units["aspect_deg"]]
        lines.append(_columns(frame, right={"Acres", "Entry", "Slope %"}))
    if len(rest):
        lines.append("Left out:")
        lines += [
            f"  {acres(row['acres'])} acres of stand {row['stands']}: {row['why']}"
            for row in rest.to_dict("records")
        ]
    lines.append(
        "A first draft for a person with a map: look at each in the woods before it is flagged."
    )
    return "\n".join(lines)


def check_proposal_folder(out: str | Path) -> Path:
    """Return the folder that proposed units may go to, or say why not."""
    return check_folder(out, FILES, record=RECORD)


def write_proposal(found: ProposedUnits, out: str | Path, *, tract: str) -> dict[str, Path]:
    """Write the proposed units, and what was left out, as layers of a GeoPackage in degrees.

    Parameters
    ----------
    found : ProposedUnits
        What to write.
    out : path
        The folder; an earlier proposal in it is replaced, other files are left.
    tract : str
        The tract's name, for the record.

    Returns
    -------
    dict of str to Path
        File name to path.

    Raises
    ------
    OutputError
        If the folder cannot be written or holds such a file from elsewhere.
    """

    def make(folder: Path) -> None:
        layers = {"units": found.units, "left_out": found.left_out}
        there = {name: in_degrees(layer) for name, layer in layers.items()}
        write_layers_styled(there, folder / FILES[0])

    return write_folder(out, make, record=RECORD, about={"made_by": "standmap units --propose",
                                                         "tract": tract})  # fmt: skip


def _set(printed: Printed) -> str:
    """Return a printed table as columns of text."""
    frame = pd.DataFrame(
        {
            at: [*column.cells, *([printed.foot[at]] if printed.foot else [])]
            for at, column in enumerate(printed.columns)
        }
    )
    heads = [f"{c.name} {c.unit}".strip() for c in printed.columns]
    right = {heads[at] for at, c in enumerate(printed.columns) if not c.words}
    # Two columns may have the same head ("Error"); widths are by place.
    return _columns(frame.set_axis(heads, axis=1), right=right)


def _columns(frame: pd.DataFrame, *, right: set[str]) -> str:
    """Return a frame as aligned text, two blanks between columns."""
    heads = [str(c) for c in frame.columns]
    cells = [[_short(str(v)) for v in frame.iloc[:, at]] for at in range(len(heads))]
    widths = [
        max(len(head), *map(len, column), 0) for head, column in zip(heads, cells, strict=True)
    ]
    rows = [heads, *(list(row) for row in zip(*cells, strict=True))]
    return "\n".join(
        "  "
        + "  ".join(
            text.rjust(width) if head in right else text.ljust(width)
            for text, width, head in zip(row, widths, heads, strict=True)
        ).rstrip()
        for row in rows
    )


def _short(text: str) -> str:
    return text if len(text) <= _WIDEST else f"{text[: _WIDEST - 3]}..."
