"""Drawings for the merchandising page: stems with their cuts, and height-diameter curves."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import Any, Final

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from standmap.report.colours import INK, RAMP
from standmap.report.figures import STYLE
from standmap.report.numbers import count, dollars, figure

# Okabe and Ito 2008, Color Universal Design: told apart by colour-blind eyes (values from memory);
# the last two are ours. Hatches and letters carry the same on a photocopy.
_COLOURS: Final = ("#e69f00", "#56b4e9", "#009e73", "#f0e442", "#cc79a7", "#d55e00", "#0072b2",
                   "#999999", "#c9b38c", "#e8e4da")  # fmt: skip
_HATCHES: Final = ("", "////", "....", "\\\\\\\\", "xxxx", "----", "++++", "oooo", "||||", "**")
_LETTERS: Final = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
_BARK: Final = "#8b6f52"
_WOOD: Final = "#f6efe2"
_TREE_SIZE_IN: Final = (2.3, 3.55)
_AXES: Final = (0.11, 0.05, 0.88, 0.93)
_ACROSS: Final = (-0.62, 2.35)
"""Ends of a drawing to the left and right of the stem's middle, in largest diameters."""
_LABEL_GAP: Final = 0.066
"""Least share of the picture's height between two labels."""
_POINT: Final = "#5f7a69"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductMark:
    """How a product is drawn: told apart by colour, by hatch and by letter.

    Attributes
    ----------
    product : str
        Its name.
    letter : str
        Written on its logs.
    colour : str
        Fill.
    hatch : str
        matplotlib hatch.
    """

    product: str
    letter: str
    colour: str
    hatch: str


def product_marks(products: list[str]) -> dict[str, ProductMark]:
    """Give each product its mark, in the order given.

    Examples
    --------
    >>> [m.letter for m in product_marks(["veneer", "sawlog", "veneer"]).values()]
    ['A', 'B']
    """
    return {
        name: ProductMark(
            product=name,
            letter=_LETTERS[at % len(_LETTERS)] + "'" * (at // len(_LETTERS)),
            colour=_COLOURS[at % len(_COLOURS)],
            # The hatch moves on one when the colours come round again.
            hatch=_HATCHES[(at + at // len(_COLOURS)) % len(_HATCHES)],
        )
        for at, name in enumerate(dict.fromkeys(products))
    }


def swatch_figure(mark: ProductMark) -> Figure:
    """Draw the key of one product."""
    with mpl.rc_context(STYLE):
        drawn = Figure(figsize=(0.42, 0.24), layout=None)
        axes = drawn.add_axes((0, 0, 1, 1))
        axes.set_axis_off()
        axes.add_patch(
            Rectangle(
                (0.02, 0.03), 0.96, 0.94, facecolor=mark.colour, edgecolor=INK, linewidth=0.8,
                hatch=mark.hatch,
            )
        )  # fmt: skip
        _letter(axes, 0.5, 0.47, mark.letter, size=8)
    return drawn


def stem_exaggeration(*, top_ft: float, widest_in: float) -> int:
    """Return how many times too wide the stems are drawn.

    Examples
    --------
    >>> stem_exaggeration(top_ft=100.0, widest_in=30.0)
    8
    """
    inches_per_in = _TREE_SIZE_IN[0] * _AXES[2] / (_ACROSS[1] - _ACROSS[0]) / widest_in
    inches_per_ft = _TREE_SIZE_IN[1] * _AXES[3] / (1.02 * top_ft)
    return round(12 * inches_per_in / inches_per_ft)


def stem_figure(
    outline: pd.DataFrame,
    logs: pd.DataFrame,
    marks: dict[str, ProductMark],
    *,
    top_ft: float,
    widest_in: float,
    head: str,
) -> Figure:
    """Draw one stem with its logs, each marked with its product, size, scale and value.

    Parameters
    ----------
    outline : DataFrame
        ``height_ft``, ``dib_in`` and ``dob_in`` from the ground up.
    logs : DataFrame
        The tree's logs, from the stump up.
    marks : dict
        From `product_marks`.
    top_ft, widest_in : float
        Tallest height and largest diameter of all the stems drawn beside this one, so that all
        have one scale.
    head : str
        Board-foot measure to print.
    """
    with mpl.rc_context(STYLE):
        drawn = Figure(figsize=_TREE_SIZE_IN, layout=None)
        axes = drawn.add_axes(_AXES)
        draw_stem(axes, outline, logs, marks, top_ft=top_ft, widest_in=widest_in, head=head)
    return drawn


def draw_stem(
    axes: Axes,
    outline: pd.DataFrame,
    logs: pd.DataFrame,
    marks: dict[str, ProductMark],
    *,
    top_ft: float,
    widest_in: float,
    head: str,
) -> None:
    """Draw one stem with its logs on axes of the caller's, as `stem_figure` does.

    Parameters
    ----------
    axes : Axes
        Where to draw; about 2.3 inches wide and 3.5 high suit the lettering.
    outline, logs, marks, top_ft, widest_in, head
        As in `stem_figure`.
    """
    outline = outline.sort_values("height_ft", kind="stable")
    height, dib, dob = (outline[c].to_numpy(dtype=float) for c in ("height_ft", "dib_in", "dob_in"))
    axes.set_xlim(_ACROSS[0] * widest_in, _ACROSS[1] * widest_in)
    axes.set_ylim(0, 1.02 * top_ft)
    axes.fill_betweenx(height, -dob / 2, dob / 2, color=_BARK, linewidth=0)
    axes.fill_betweenx(height, -dib / 2, dib / 2, color=_WOOD, linewidth=0)
    for row in logs.to_dict("records"):
        _draw_log(axes, row, height, dib, marks)
    _label_logs(axes, logs, head=head, top_ft=top_ft, widest_in=widest_in)
    _height_scale(axes, top_ft)


def _draw_log(
    axes: Axes,
    row: Mapping[Hashable, Any],
    height: np.ndarray,
    dib: np.ndarray,
    marks: dict[str, ProductMark],
) -> None:
    """Fill the log's part of the stem inside bark."""
    mark = marks[str(row["product"])]
    low = float(row["bottom_ft"])
    high = low + float(row["length_ft"])
    at = np.unique(np.concatenate([[low, high], height[(height > low) & (height < high)]]))
    half = np.interp(at, height, dib) / 2
    axes.fill_betweenx(
        at, -half, half, facecolor=mark.colour, edgecolor=INK, linewidth=0.5, hatch=mark.hatch
    )
    _letter(axes, 0.0, (low + high) / 2, mark.letter, size=7)


def _letter(axes: Axes, x: float, y: float, letter: str, *, size: float) -> None:
    """Write a product's letter on white, legible on any hatch."""
    axes.text(
        x, y, letter, ha="center", va="center", fontsize=size, fontweight="bold", color=INK,
        bbox={"boxstyle": "round,pad=0.12", "facecolor": "white", "edgecolor": "none"},
    )  # fmt: skip


def label_heights(middles: list[float], *, gap: float, top: float) -> list[float]:
    """Move labels apart until each has room, keeping their order and as near as may be.

    Parameters
    ----------
    middles : list of float
        Where the labels would stand, ascending.
    gap : float
        Least distance between two.
    top : float
        Highest a label may stand.

    Examples
    --------
    >>> label_heights([10.0, 12.0, 40.0], gap=6.0, top=100.0)
    [10.0, 16.0, 40.0]
    >>> label_heights([10.0, 97.0, 99.0], gap=6.0, top=98.0)
    [10.0, 92.0, 98.0]
    """
    placed: list[float] = []
    for middle in middles:
        placed.append(max(middle, placed[-1] + gap) if placed else middle)
    ceiling = top
    for at in range(len(placed) - 1, -1, -1):
        placed[at] = min(placed[at], ceiling)
        ceiling = placed[at] - gap
    return placed


def _label_logs(
    axes: Axes,
    logs: pd.DataFrame,
    *,
    head: str,
    top_ft: float,
    widest_in: float,
) -> None:
    """Write each log's length, small end, scale and value beside it."""
    rows = logs.sort_values("bottom_ft", kind="stable").to_dict("records")
    middles = [float(r["bottom_ft"]) + float(r["length_ft"]) / 2 for r in rows]
    places = label_heights(middles, gap=_LABEL_GAP * top_ft, top=0.98 * top_ft)
    for row, middle, place in zip(rows, middles, places, strict=True):
        feet = float(row[head])
        scale = f"{count(feet)} bf" if feet > 0 else f"{figure(row['weight_tons'], most=2)} tons"
        first = f"{row['length_ft']:g} ft, {row['small_dib_in']:.1f} in"
        value = float(row["value_usd"])
        second = f"{scale}, {dollars(value, cents=value < 10)}" if value > 0 else scale
        edge = 0.62 * float(row["large_dib_in"])
        axes.plot([edge, 0.78 * widest_in], [middle, place], color="#9aa79f", linewidth=0.5)
        axes.text(0.83 * widest_in, place, f"{first}\n{second}", fontsize=6.6, va="center",
                  linespacing=1.15, color=INK)  # fmt: skip


def _height_scale(axes: Axes, top_ft: float) -> None:
    """Draw heights at the left in steps of 20 feet, and the ground."""
    axes.set_yticks(np.arange(0, top_ft + 1, 20))
    axes.tick_params(axis="y", length=2, labelsize=6.5, color="#9aa79f", pad=1.5)
    axes.set_xticks([])
    axes.text(-0.025, 1.0, "ft", transform=axes.transAxes, ha="right", va="top", fontsize=6.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    axes.spines["left"].set_color("#9aa79f")
    axes.spines["bottom"].set_color("#6d5d1c")
    axes.spines["bottom"].set_linewidth(1.5)


def height_figure(
    points: pd.DataFrame, line: pd.DataFrame, *, most_dbh_in: float, most_height_ft: float
) -> Figure:
    """Draw a height curve through the trees it was fitted to.

    Parameters
    ----------
    points : DataFrame
        ``dbh_in`` and ``height_ft`` of the measured trees.
    line : DataFrame
        The same of the curve.
    most_dbh_in, most_height_ft : float
        Ends of the axes, alike on every panel. The curve is dashed beyond the measured trees.
    """
    dbh, height = (points[c].to_numpy(dtype=float) for c in ("dbh_in", "height_ft"))
    line = line.sort_values("dbh_in", kind="stable")
    x, y = (line[c].to_numpy(dtype=float) for c in ("dbh_in", "height_ft"))
    inside = (x >= dbh.min()) & (x <= dbh.max()) if len(dbh) else np.zeros(len(x), dtype=bool)
    with mpl.rc_context(STYLE):
        drawn = Figure(figsize=(2.9, 2.0), layout="constrained")
        axes = drawn.add_subplot()
        axes.plot(dbh, height, linestyle="none", marker="o", markersize=2.6, markerfacecolor=_POINT,
                  markeredgecolor="white", markeredgewidth=0.3)  # fmt: skip
        axes.plot(x, y, color=RAMP[4], linewidth=1.1, linestyle=(0, (3, 2)))
        axes.plot(x, np.where(inside, y, np.nan), color=RAMP[4], linewidth=1.7)
        axes.set_xlim(0, most_dbh_in)
        axes.set_ylim(0, most_height_ft)
        axes.set_xlabel("DBH, inches", fontsize=7)
        axes.set_ylabel("Height, feet", fontsize=7)
        axes.tick_params(labelsize=6.5, length=2)
        axes.grid(color="#e6ebe7", linewidth=0.5)
        axes.set_axisbelow(True)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
    return drawn


__all__ = [
    "ProductMark",
    "draw_stem",
    "height_figure",
    "label_heights",
    "product_marks",
    "stem_exaggeration",
    "stem_figure",
    "swatch_figure",
]
