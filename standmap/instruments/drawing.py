"""The stick drawn to scale: an inch on the drawing is an inch of paper.

Everything is placed in inches. `strips` draws a stretch of the stick; `stick_pages` lays stretches
on pages that are joined on marked lines, alike on letter and A4; `stick_strip` draws the whole
stick in one piece.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Any, Final

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Polygon

from standmap.instruments.paper import Paper, paper_size_in
from standmap.instruments.stick import Stick, diameter_read_in

STYLE: Final[Any] = {
    "font.family": "sans-serif",
    "font.size": 8,
    "svg.fonttype": "path",
    "svg.hashsalt": "standmap",  # the same stick gives the same bytes
    "pdf.fonttype": 42,
    "text.parse_math": False,
    "path.simplify": False,
}

MARGIN_IN: Final = 0.6
JOIN_EVERY_IN: Final = 9.0
"""Stick on each page up to the next join. [in]"""

OVERLAP_IN: Final = 0.6
"""Stick drawn on past a join, to be glued under the next page. [in]"""

LAST_IN: Final = 9.8
"""The most that the last page holds: all the paper between its margins. [in]"""

REGISTER_IN: Final = 0.4
"""Where the second mark of an overlap stands, past the join. [in]"""

RULER_IN: Final = 6
INK: Final = "black"
_FACE_IN: Final = 1.2  # width of the stick
_DIAMETER_TOP: Final = 6.55  # of the faces on a page, from its foot
_HEIGHT_TOP: Final = 4.35
_RULER_AT: Final = 1.1
_HEAD_IN: Final = 0.8  # of an upright page's title, below its upper edge
_LINE_LETTERS: Final = 98  # to a line of instructions
_NUDGE: Final = 1e-9


def _sheet(width_in: float, height_in: float) -> tuple[Figure, Axes]:
    """Return a sheet whose coordinates are inches from its lower left corner."""
    figure = Figure(figsize=(width_in, height_in), layout=None)
    axes = figure.add_axes((0, 0, 1, 1))
    axes.set_xlim(0, width_in)
    axes.set_ylim(0, height_in)
    axes.set_axis_off()
    return figure, axes


def _line(
    axes: Axes,
    x: tuple[float, float],
    y: tuple[float, float],
    *,
    width: float = 0.8,
    gid: str | None = None,
    dash: Any = "solid",
    colour: str = INK,
) -> None:
    line = Line2D(x, y, color=colour, linewidth=width, linestyle=dash, solid_capstyle="butt")
    line.set_gid(gid)
    axes.add_line(line)


def _say(axes: Axes, x: float, y: float, text: str, **style: Any) -> None:
    axes.text(x, y, text, **{"color": INK, "fontsize": 8, **style})


def strips(
    axes: Axes,
    stick: Stick,
    *,
    start_in: float,
    end_in: float,
    left_in: float,
    diameter_top_in: float,
    height_top_in: float,
) -> None:
    """Draw both faces of the stick from one place on it to another.

    Parameters
    ----------
    axes : Axes
        A sheet in inches.
    stick : Stick
        What to draw.
    start_in, end_in : float
        The stretch of the stick. [in from its zero]
    left_in : float
        Where the stretch starts on the sheet. [in]
    diameter_top_in, height_top_in : float
        Where the upper edges of the two faces lie on the sheet. [in]
    """
    end = min(end_in, stick.length_in)
    for top in (diameter_top_in, height_top_in):
        for y in (top, top - _FACE_IN):
            _line(axes, (left_in, left_in + end - start_in), (y, y), width=0.7)
    marks = stick.graduations()
    inside = marks[marks["mark_in"].between(start_in - _NUDGE, end + _NUDGE)]
    for scale, value, mark, numbered in inside.itertuples(index=False):
        x = left_in + float(mark) - start_in
        _mark(axes, str(scale), float(value), x, bool(numbered), diameter_top_in, height_top_in)
    _face_names(axes, stick, left_in - start_in, diameter_top_in, height_top_in, start_in)
    for at in (0.0, stick.length_in):
        if start_in <= at <= end:
            x = left_in + at - start_in
            for top, name in ((diameter_top_in, "diameter"), (height_top_in, "height")):
                # The zero end and the far end are the stick's own ends: cut on them.
                place = "zero" if at == 0 else "end"
                _line(axes, (x, x), (top, top - _FACE_IN), width=1.0, gid=f"{place}-{name}")


def _face_names(
    axes: Axes, stick: Stick, zero_x: float, top_d: float, top_h: float, start_in: float
) -> None:
    """Write on the stick itself what it was made for, beside its zero."""
    if start_in > 0:
        return
    _say(axes, zero_x + 0.15, top_d - 0.62,
         f"DIAMETER  inches\nreach {stick.reach_in:g} in", va="center", fontsize=9.5,
         fontweight="bold", linespacing=1.5)  # fmt: skip
    _say(axes, zero_x + 0.55, top_h - 0.6,
         f"LOGS · FEET\nat {stick.distance_ft:g} ft\nreach {stick.reach_in:g} in", rotation=-90,
         ha="center", va="center", fontsize=8.5, fontweight="bold", linespacing=1.4)  # fmt: skip


def _mark(
    axes: Axes, scale: str, value: float, x: float, numbered: bool, top_d: float, top_h: float
) -> None:
    gid = f"{scale}-{value:g}"
    if scale == "dbh_in":
        every_fifth = numbered and value % 5 == 0
        long = 0.52 if every_fifth else 0.40 if numbered else 0.22
        _line(axes, (x, x), (top_d, top_d - long), width=0.9 if numbered else 0.6, gid=gid)
        if numbered:
            _say(axes, x, top_d - long - 0.04, f"{value:g}", ha="center", va="top",
                 fontsize=11 if every_fifth else 9.5, fontweight="bold")  # fmt: skip
    elif scale == "saw_logs":
        whole = value % 1 == 0
        long = 0.52 if whole else 0.34
        _line(axes, (x, x), (top_h, top_h - long), width=1.2 if whole else 0.8, gid=gid)
        # Numbers stand upright when the stick does, its zero end down.
        words = f"{value:g}" if whole else f"{int(value)}½" if value > 1 else "½"
        _say(axes, x - 0.03, top_h - 0.16, words, rotation=-90, ha="right", va="center",
             fontsize=13 if whole else 9, fontweight="bold")  # fmt: skip
    else:
        foot = top_h - _FACE_IN
        _line(axes, (x, x), (foot, foot + (0.26 if numbered else 0.14)), width=0.6, gid=gid)
        if numbered:
            _say(axes, x, foot + 0.30, f"{value:g}", rotation=-90, ha="center", va="bottom",
                 fontsize=8)  # fmt: skip


def _ruler(axes: Axes, left_in: float, y: float, *, words_below: bool = False) -> None:
    """Draw six true inches, and say what they are for."""
    _line(axes, (left_in, left_in + RULER_IN), (y, y), width=0.8)
    for eighth in range(RULER_IN * 8 + 1):
        long = 0.22 if eighth % 8 == 0 else 0.14 if eighth % 4 == 0 else 0.08
        x = left_in + eighth / 8
        _line(axes, (x, x), (y, y + long), width=0.7, gid=f"ruler-{eighth / 8:g}")
        if eighth % 8 == 0:
            _say(axes, x, y + 0.26, f"{eighth // 8}", ha="center", va="bottom", fontsize=8)
    x, dy = (left_in, -0.28) if words_below else (left_in + RULER_IN + 0.2, 0.12)
    _say(axes, x, y + dy,
         "Check ruler: lay a real ruler on it. If these are not 6 inches,\n"
         "print again at 100 % (\"actual size\", no fitting to the page).",
         va="center", fontsize=8)  # fmt: skip


def _titles(axes: Axes, stick: Stick, left_in: float, top_d: float, top_h: float) -> None:
    """Name the faces, above each."""
    _say(axes, left_in, top_d + 0.09,
         f"DIAMETER, inches outside bark at 4.5 ft.  For a reach of {stick.reach_in:g} inches, "
         "eye to stick. Stick level, flat against the tree.", fontsize=8)  # fmt: skip
    _say(axes, left_in, top_h + 0.09,
         f"LOGS of 16 ft + 0.3 ft trim above the stump (long marks), and FEET above the zero "
         f"(lower edge).  Stand {stick.distance_ft:g} ft off, level; reach {stick.reach_in:g} "
         "in; stick plumb, zero end down.", fontsize=8)  # fmt: skip


def _join(axes: Axes, x: float, letter: str, *, low: float, high: float, side: str) -> None:
    """Draw a join line and its second mark, as both pages of an overlap show them."""
    ha = "right" if side == "next" else "left"
    _line(axes, (x, x), (low, high), width=0.5, dash=(0, (6, 3)), gid=f"join-{letter}-{side}")
    at = x + REGISTER_IN
    for y, way in ((high, 1), (low, -1)):
        axes.add_patch(
            Polygon(
                [(at, y), (at - 0.07, y + way * 0.14), (at + 0.07, y + way * 0.14)],
                closed=True,
                facecolor=INK,
                edgecolor="none",
            )
        )
    if side == "before":
        _say(axes, x + 0.04, low + 0.04, f"glue under {letter}", ha="left", fontsize=5.5)
    words = f"cut {letter} " if side == "next" else f" {letter}"
    _say(axes, x, high + 0.03, words, ha=ha, va="bottom", fontsize=7, fontweight="bold")


def stick_pages(stick: Stick, paper: Paper = "letter") -> Iterator[Figure]:
    """Yield the pages that, joined on their marks, make the stick.

    Parameters
    ----------
    stick : Stick
        What to draw.
    paper : {"letter", "a4"}
        What it will be printed on; the marks and joins are in the same places on both.

    Yields
    ------
    Figure
        A page on its side.
    """
    page_high, page_wide = paper_size_in(paper)  # on its side
    pages = max(int(np.ceil((stick.length_in - LAST_IN) / JOIN_EVERY_IN)) + 1, 1)
    for page in range(pages):
        start = page * JOIN_EVERY_IN
        last = page == pages - 1
        end = stick.length_in if last else start + JOIN_EVERY_IN + OVERLAP_IN
        figure, axes = _sheet(page_wide, page_high)
        _say(axes, MARGIN_IN, 7.85, "Tree scale stick", fontsize=15, fontweight="bold")
        _say(axes, MARGIN_IN, 7.58,
             f"Page {page + 1} of {pages}. Made for a reach of {stick.reach_in:g} in and a "
             f"distance of {stick.distance_ft:g} ft; wrong in any other hands unless their reach "
             "is the same.", fontsize=8.5)  # fmt: skip
        _titles(axes, stick, MARGIN_IN, _DIAMETER_TOP + 0.28, _HEIGHT_TOP + 0.28)
        strips(
            axes,
            stick,
            start_in=start,
            end_in=end,
            left_in=MARGIN_IN,
            diameter_top_in=_DIAMETER_TOP,
            height_top_in=_HEIGHT_TOP,
        )
        for top in (_DIAMETER_TOP, _HEIGHT_TOP):
            low, high = top - _FACE_IN, top
            if page:
                _join(axes, MARGIN_IN, chr(64 + page), low=low, high=high, side="next")
            if not last:
                x = MARGIN_IN + JOIN_EVERY_IN
                _join(axes, x, chr(65 + page), low=low, high=high, side="before")
        _say(axes, MARGIN_IN, 2.15, _joining(page, pages), va="top", fontsize=8.5)
        _ruler(axes, MARGIN_IN, _RULER_AT)
        yield figure


def _joining(page: int, pages: int) -> str:
    if pages == 1:
        return "Cut out both faces on their outlines and glue one to each side of a flat lath."
    before = (
        f"Cut this page exactly on line {chr(64 + page)} and lay the cut on line {chr(64 + page)} "
        f"of page {page}: the triangles must meet. "
        if page
        else "Cut exactly on the zero end. "
    )
    after = "" if page == pages - 1 else f"Leave the strip past line {chr(65 + page)} on, for glue."
    return (
        f"{before}{after}\nGlue one face to each side of a flat lath "
        f"{_FACE_IN:g} in wide, zero ends together. Check the joined stick with a tape: the ends "
        "are written on the page after the stick's."
    )


def stick_strip(stick: Stick) -> Figure:
    """Draw the whole stick in one piece, with its check ruler, for a wide printer or an engraver.

    Parameters
    ----------
    stick : Stick
        What to draw.
    """
    width = max(stick.length_in + 2 * MARGIN_IN, RULER_IN + 5.5)
    figure, axes = _sheet(width, 5.0)
    top_d, top_h = 4.45, 2.75
    _titles(axes, stick, MARGIN_IN, top_d, top_h)
    strips(
        axes,
        stick,
        start_in=0.0,
        end_in=stick.length_in,
        left_in=MARGIN_IN,
        diameter_top_in=top_d,
        height_top_in=top_h,
    )
    _ruler(axes, MARGIN_IN, 0.45)
    return figure


def use_page(stick: Stick, paper: Paper = "letter") -> Figure:
    """Draw the page that says how to use the stick, its cautions, and what its marks rest on."""
    wide, high = paper_size_in(paper)
    figure, axes = _sheet(wide, high)
    marks = stick.graduations()
    y = high - _HEAD_IN
    _say(axes, 0.8, y, "Using the stick", fontsize=15, fontweight="bold")
    for head, lines in _instructions(stick, marks):
        y -= 0.34
        _say(axes, 0.8, y, head, fontsize=10.5, fontweight="bold")
        for line in lines:
            text = textwrap.fill(line, _LINE_LETTERS)
            count = text.count("\n") + 1
            y -= 0.215
            _say(axes, 0.8, y, "•", va="baseline", fontsize=9)
            _say(axes, 0.95, y + 0.125, text, va="top", fontsize=9, linespacing=1.3)
            y -= 0.165 * (count - 1)
    _ruler(axes, 0.8, 1.0, words_below=True)
    return figure


def _instructions(stick: Stick, marks: pd.DataFrame) -> list[tuple[str, list[str]]]:
    reach, off = stick.reach_in, stick.distance_ft
    far = float(diameter_read_in(20, held_at_in=reach + 2, reach_in=reach))
    near = float(diameter_read_in(20, held_at_in=reach - 2, reach_in=reach))
    last = marks[marks["numbered"]].groupby("scale")["mark_in"].idxmax()
    ends = marks.loc[last].set_index("scale")
    dbh, logs = ends.loc["dbh_in"], ends.loc["saw_logs"]
    return [
        ("Check it first", [
            "Every page's check ruler must measure 6 inches. Printers shrink pages unless told not "
            "to.",
            f"Joined, from the zero end: the {dbh['value']:g}-inch mark stands at "
            f"{dbh['mark_in']:.2f} in, the {logs['value']:g}-log mark at {logs['mark_in']:.2f} in, "
            f"the far end at {stick.length_in:.2f} in.",
            "Tape ten trees of all sizes and read them with the stick before you cruise with it.",
        ]),
        ("Diameter", [
            f"Hold the stick level against the tree at 4.5 ft above the ground on the uphill side, "
            f"your eye {reach:g} in from it and level with it. Have someone tape the reach.",
            "Line up the zero end with one edge of the stem; without moving your head, read where "
            "the other edge cuts the stick.",
            f"Held 2 in too near, a 20-inch tree reads {near:.1f}; 2 in too far, {far:.1f}.",
            "Stems are not round: read twice, a quarter turn apart, and take the mean. Tape the "
            "trees that matter most: a stick is for tallying, not for settling a borderline tree "
            "or a disputed diameter.",
        ]),
        ("Logs", [
            f"Stand {off:g} ft from the tree, level distance, where its top limit can be seen; on "
            "a slope, go along the contour.",
            f"Hold the stick plumb, zero end down, {reach:g} in from your eye. Put the zero on the "
            "stump height (1 ft); read the log mark at the first defect that stops sawlogs or at "
            "the top limit, to the nearest half.",
            "A log on this stick is 16 ft and 0.3 ft of trim: 16.3 ft; a half log at the top, "
            "8.3 ft. The appraisal reads a tally in the same lengths. Sticks marked at 16.0 ft "
            f"differ: their 3-log mark would stand at {48 * reach / off:.2f} in here, not "
            f"{48.9 * reach / off:.2f}.",
            "A tree that leans toward you or away reads wrong. Go to its side, square to the lean.",
        ]),
        ("In the woods", [
            "Look up before you look at the stick: dead limbs, hung tops, leaning snags. Do not "
            "stand under them, nor near active felling, and leave the woods when the wind gets up.",
        ]),
        ("What the marks rest on", [
            "Diameter (Biltmore): mark = D × square root of (R / (R + D)); D diameter, R reach, "
            "inches. Geometry of two lines of sight grazing a round stem.",
            "Height (Merritt): mark = height × reach / distance. Similar triangles, stick and tree "
            "both plumb.",
            "Names of the rules from memory; no published table of marks was found. Log length: "
            "Mesavage and Girard 1946, 16 ft and 0.3 ft of trim.",
        ]),
    ]  # fmt: skip


def card_page(
    title: str,
    notes: list[str],
    table: pd.DataFrame,
    decimals: dict[str, int],
    paper: Paper = "letter",
) -> Figure:
    """Draw a table to cut out and carry, in one or two columns of rows.

    Parameters
    ----------
    title : str
        What stands above it.
    notes : list of str
        What stands below, each from a line of its own.
    table : DataFrame
        Its columns' names are printed as headings.
    decimals : dict
        Decimals of each column.
    paper : {"letter", "a4"}
        What it will be printed on.
    """
    page_wide, page_high = paper_size_in(paper)
    figure, axes = _sheet(page_wide, page_high)
    top = page_high - _HEAD_IN
    _say(axes, 0.8, top, title, fontsize=15, fontweight="bold")
    halves = 1 if len(table) <= 22 else 2
    rows = int(np.ceil(len(table) / halves))
    wide = 3.2 if halves == 2 else 6.6
    for half in range(halves):
        left = 0.8 + half * 3.6
        part = table.iloc[half * rows : (half + 1) * rows]
        step = wide / len(table.columns)
        for column, name in enumerate(table.columns):
            _say(axes, left + (column + 1) * step - 0.1, top - 0.48, name, ha="right", va="bottom",
                 fontsize=8.5, fontweight="bold")  # fmt: skip
        _line(axes, (left, left + wide), (top - 0.54, top - 0.54), width=1.0)
        for row, values in enumerate(part.itertuples(index=False)):
            y = top - 0.76 - row * 0.27
            for column, (name, value) in enumerate(zip(table.columns, values, strict=True)):
                _say(axes, left + (column + 1) * step - 0.1, y, f"{value:.{decimals[name]}f}",
                     ha="right", va="baseline", fontsize=11,
                     fontweight="bold" if column == 0 else "normal")  # fmt: skip
            if row % 5 == 4 or row == len(part) - 1:
                _line(axes, (left, left + wide), (y - 0.075, y - 0.075), width=0.4)
    foot = top - 0.76 - rows * 0.27 - 0.15
    words = "\n".join(textwrap.fill(note, _LINE_LETTERS) for note in notes)
    _say(axes, 0.8, foot, words, va="top", fontsize=9, linespacing=1.4)
    return figure


def in_style() -> Any:
    """Return the drawing style, as a context."""
    return mpl.rc_context(STYLE)
