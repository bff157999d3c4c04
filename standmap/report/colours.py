"""The few colours everything is drawn with, and how stands are sorted into shades.

The ramp is one green, evenly spaced in lightness (OKLCH: hue 150, lightness 0.95 down to 0.40), so
its order holds for colour-blind eyes, in grey and on a photocopy.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np
import numpy.typing as npt

from standmap.report.names import head_measure, head_rule_name, is_valued
from standmap.report.numbers import class_breaks, count, dollars

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

RAMP: Final = ("#ddf4e1", "#a5ccac", "#72a47c", "#477b53", "#265331")
"""Five shades from least to most per acre."""

NO_FIGURE: Final = "#eceae4"
"""A stand with no figure."""

INK: Final = "#22302a"
WATER: Final = "#2f6f9f"
BUFFER: Final = "#7fb2d6"
PART_BUFFER: Final = "#cfe2f0"
EXCLUSION: Final = "#8c6f5a"
ROAD: Final = "#7a5c3e"
CONFLICT: Final = "#b3261e"
"""Ground, or a road, where what must stay would not."""
UNIT: Final = "#b4500f"
PLOT: Final = "#22302a"
CANOPY_RAMP: Final = ("#fbf5df", "#d9cda1", "#b6a66b", "#92813d", "#6d5d1c", "#493c06")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shading:
    """How stands are shaded.

    Attributes
    ----------
    title : str
        What the shade shows, with its unit.
    colours : list of str
        One colour for each class, least first.
    labels : list of str
        What each class holds, in words.
    of_stand : ndarray of int
        Class of each stand; -1 where it has no figure.
    column : str
        Column of the stands that the shade shows.
    breaks : list of float
        Where each class but the first begins.
    """

    title: str
    colours: list[str]
    labels: list[str]
    of_stand: npt.NDArray[np.int64]
    column: str
    breaks: list[float]


def shade_stands(appraisal: Appraisal) -> Shading:
    """Sort stands into at most five shades by value per acre, or by volume if nothing is priced."""
    valued = is_valued(appraisal)
    measure = "value_usd" if valued else head_measure(appraisal)
    values = appraisal.stands[f"{measure}_per_acre"].to_numpy(dtype=float)
    breaks = class_breaks(values)
    show = dollars if valued else count
    classes = len(breaks) + 1
    at = np.linspace(0, len(RAMP) - 1, classes).round().astype(int) if classes > 1 else [2]
    of_stand = np.where(np.isfinite(values), np.searchsorted(breaks, values, side="right"), -1)
    title = (
        "Stumpage value per net acre"
        if valued
        else f"Board feet per net acre, {head_rule_name(appraisal)}"
    )
    return Shading(
        title=title,
        colours=[RAMP[int(i)] for i in at],
        labels=_class_labels([show(b) for b in breaks]),
        of_stand=of_stand.astype(np.int64),
        column=f"{measure}_per_acre",
        breaks=[float(b) for b in breaks],
    )


def _class_labels(breaks: list[str]) -> list[str]:
    """Name classes by their breaks.

    Examples
    --------
    >>> _class_labels(["$800", "$1,500"])
    ['under $800', '$800 to $1,500', '$1,500 and over']
    """
    if not breaks:
        return ["all stands alike"]
    between = [f"{low} to {high}" for low, high in pairwise(breaks)]
    return [f"under {breaks[0]}", *between, f"{breaks[-1]} and over"]
