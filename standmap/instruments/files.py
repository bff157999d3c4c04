"""The instruments as files: PDF pages, one SVG, and their figures as CSV."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure

from standmap._writing import write_folder
from standmap.cruise import plot_radius_factor
from standmap.instruments.drawing import (
    card_page,
    in_style,
    stick_pages,
    stick_strip,
    use_page,
)
from standmap.instruments.pacing import CARD_SLOPES_PCT, pace_card
from standmap.instruments.paper import Paper, paper_size_in
from standmap.instruments.points import limiting_distance_table
from standmap.instruments.stick import Stick

RECORD: Final = "stick.json"


def write_stick(
    stick: Stick,
    out: str | Path,
    *,
    baf: float | None = None,
    paces_per_chain: float | None = None,
    paper: Paper = "letter",
) -> dict[str, Path]:
    """Write a stick and its cards to a folder, all files or none.

    Parameters
    ----------
    stick : Stick
        What to draw.
    out : path
        The folder: new, empty, or holding an earlier stick, which is replaced.
    baf : float, optional
        Adds the limiting-distance table of this basal area factor. [sq ft/acre]
    paces_per_chain : float, optional
        Adds the pace card for this count.
    paper : {"letter", "a4"}
        What ``stick.pdf`` will be printed on.

    Returns
    -------
    dict of str to Path
        ``stick.pdf``, ``stick.svg``, ``stick_marks.csv``, and ``limiting_distance.csv`` and
        ``pace_card.csv`` where asked for.

    Raises
    ------
    OutputError
        If the folder cannot be written, or holds a file of one of those names from elsewhere.
    DomainError
        If the factor, the count or the paper is out of range.
    """
    paper_size_in(paper)
    tables = {"stick_marks.csv": (stick.graduations(), 4)}
    if baf is not None:
        tables["limiting_distance.csv"] = (limiting_distance_table(baf), 3)
    if paces_per_chain is not None:
        tables["pace_card.csv"] = (pace_card(paces_per_chain), 2)

    def make(folder: Path) -> None:
        nothing = {"CreationDate": None, "Creator": None}
        with in_style():
            with PdfPages(folder / "stick.pdf", metadata=nothing) as pdf:
                for page in figures(stick, baf, paces_per_chain, paper):
                    pdf.savefig(page)
            strip = stick_strip(stick)
            strip.savefig(folder / "stick.svg", metadata={"Date": None, "Creator": None})
        for name, (table, places) in tables.items():
            table.round(places).to_csv(folder / name, index=False, lineterminator="\n")

    about: dict[str, object] = {
        "made_by": "standmap stick",
        "reach_in": stick.reach_in,
        "distance_ft": stick.distance_ft,
        "length_in": stick.length_in,
        "baf": baf,
        "paces_per_chain": paces_per_chain,
        "paper": paper,
    }
    return write_folder(out, make, record=RECORD, about=about)


def _slope_words() -> str:
    """Return how much longer than level a tape lies on slopes."""
    steps = (20, 30, 40, 50, 60, 80)
    return "; ".join(f"{s} %, {math.hypot(1, s / 100):.3f}" for s in steps)


def figures(
    stick: Stick, baf: float | None, paces_per_chain: float | None, paper: Paper
) -> Iterator[Figure]:
    """Yield the pages of ``stick.pdf``: the stick, how to use it, and the cards asked for."""
    yield from stick_pages(stick, paper)
    yield use_page(stick, paper)
    if baf is not None:
        table = limiting_distance_table(baf)
        heads = {"dbh_in": "DBH, in", "to_centre_ft": "centre, ft", "to_face_ft": "face, ft"}
        yield card_page(
            f"Limiting distance, BAF {baf:g}",
            [
                "Level feet from the point to the tree at breast height; a tree at this distance "
                "or nearer counts.",
                "Centre: to the middle of the stem, seen from the side. Face: to the near side. "
                "Use one, always.",
                f"Between inches: {plot_radius_factor(baf):.4f} ft per inch of DBH to the centre, "
                f"{plot_radius_factor(baf, to='face'):.4f} to the face. Tape the diameter.",
                f"Where the tape itself slopes, multiply: {_slope_words()}.",
            ],
            table.rename(columns=heads),
            dict(zip(heads.values(), (0, 2, 2), strict=True)),
            paper,
        )
    if paces_per_chain is not None:
        card = pace_card(paces_per_chain)
        heads = {"chains": "chains", "feet": "feet"}
        slopes = {
            f"paces_{s}_pct": f"paces, {s} %" if s else "paces, flat" for s in CARD_SLOPES_PCT
        }
        yield card_page(
            f"Pace card, {paces_per_chain:g} paces to the chain",
            [
                "A chain is 66 ft; 80 chains to the mile. The columns give paces over level "
                "distances when the ground itself slopes so many percent along your line: the "
                "ground is longer by the square root of 1 + slope². Most people's steps shorten on "
                "slopes and in brush as well: count yours over a taped chain in woods like these, "
                "and tape where a distance decides something (plot radius, borderline trees, "
                "anything near a line)."
            ],
            card.rename(columns={**heads, **slopes}),
            {"chains": 2, "feet": 1, **dict.fromkeys(slopes.values(), 1)},
            paper,
        )
