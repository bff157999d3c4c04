"""The acres three ways on the land page, with what to make of them, and outlines mended."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import pandas as pd

from standmap.report.cells import Column, Printed, numbers, words
from standmap.report.numbers import acres, figure, hundredths, signed
from standmap.tract.stands import DEED_DIFFERENCE

if TYPE_CHECKING:
    from standmap.steps.acreage import Acreage
    from standmap.tract.settings import StandsTable

MOST_STANDS: Final = 60
"""Longest list of stands on the page; the rest are in the tables."""

USELESS_GRID_PCT: Final = 1.0
"""A grid this far off is for looking at, not for acres: state plane zones and UTM stay within a
fifth of a percent."""


def _deed(value: float) -> str:
    return hundredths(value) if math.isfinite(value) else ""


def _off(value: float, places: int = 2) -> str:
    return f"{signed(value, places=places)}%" if math.isfinite(value) else ""


def acreage_table(found: Acreage) -> Printed:
    """Return stands by the acres of the ellipsoid, the grid and the deed; the tract below."""
    rows = found.stands if len(found.stands) <= MOST_STANDS else found.stands.iloc[:0]
    whole = found.tract
    columns = [
        Column(name="Stand", cells=[str(name) for name in rows.index], words=True),
        Column(name="Ellipsoid", unit="ac", cells=[hundredths(v) for v in rows["ellipsoid_acres"]]),
        Column(name="Grid", unit="ac", cells=[hundredths(v) for v in rows["grid_acres"]]),
        Column(name="Grid differs", cells=[_off(v, 3) for v in rows["grid_differs_pct"]]),
        Column(name="Grid scale", cells=[f"{v:.5f}" for v in rows["grid_scale"]]),
    ]
    foot = [
        "Tract",
        hundredths(whole["ellipsoid_acres"]),
        hundredths(whole["grid_acres"]),
        _off(whole["grid_differs_pct"], 3),
        f"{whole['grid_scale']:.5f}",
    ]
    if math.isfinite(whole["deed_acres"]) or rows["deed_acres"].notna().any():
        columns += [
            Column(name="Deed", unit="ac", cells=[_deed(v) for v in rows["deed_acres"]]),
            Column(name="Deed differs", cells=[_off(v) for v in rows["deed_differs_pct"]]),
        ]
        foot += [_deed(whole["deed_acres"]), _off(whole["deed_differs_pct"])]
    return Printed(columns=columns, foot=foot)


def acreage_notes(found: Acreage) -> list[str]:
    """Say what each of the acres is, and which to go by."""
    whole = found.tract
    off = float(whole["grid_differs_pct"])
    side = "more" if off >= 0 else "less"
    grid = (
        f"Grid acres are what the plane coordinates of {found.grid} enclose: here "
        f"{abs(off):.3f}% {side}. That is the map projection's doing, not the ground's: a mile on "
        f"this grid stands for {1 / whole['grid_scale']:.5f} miles."
    )
    if abs(off) > USELESS_GRID_PCT:
        grid += " This grid is for looking at maps: never measure, buy or sell acres on it."
    notes = [
        "This appraisal uses the ellipsoid acres: level ground at the height of the ellipsoid, the "
        "same in every map projection. Land 1,000 feet up holds about 0.01% more; slopes add "
        "nothing, since acres are level.",
        grid,
    ]
    deed, gap = float(whole["deed_acres"]), float(whole["deed_differs_pct"])
    if not math.isfinite(deed):
        notes.append(
            "No deed acres were given for the whole tract. Where land changes hands by the acre, "
            "the deed and a licensed surveyor's plat rule, not this map."
        )
        return notes
    said = f"The deed says {acres(deed)}, {abs(gap):.2f}% {'more' if gap >= 0 else 'less'}. "
    said += (
        "That is within what stand lines drawn by hand allow. "
        if abs(gap) <= 100 * DEED_DIFFERENCE
        else "Look for land left off the map, a line in the wrong place, or a deed that was an "
        "estimate. "
    )
    notes.append(
        f"{said}Where land changes hands by the acre, the deed and a licensed surveyor's plat "
        "rule, not this map."
    )
    return notes


def mends_table(found: Acreage) -> Printed | None:
    """Return each change to a stand's outline with the acres before and after."""
    rows: pd.DataFrame = found.mends
    if rows.empty:
        return None
    return Printed(
        columns=[
            Column(name="Stand", cells=words(rows, "stand"), words=True),
            Column(name="Feature", cells=[f"{v:d}" for v in rows["row"]]),
            Column(name="What", cells=words(rows, "what"), words=True),
            Column(name="Done", cells=words(rows, "action"), words=True),
            Column(name="Before", unit="ac", cells=_fine(rows, "acres_before")),
            Column(name="After", unit="ac", cells=_fine(rows, "acres_after")),
        ]
    )


def _fine(rows: pd.DataFrame, column: str) -> list[str]:
    return [figure(v, most=4) for v in numbers(rows, column)]


def tolerance_words(settings: StandsTable) -> str:
    """Say by what tolerances outlines were mended."""
    given = (
        "given to the stand they border longest"
        if settings.give_slivers
        else "told of and left as drawn"
    )
    return (
        f"Overlaps up to {settings.overlap_acres:g} acres were given to one of their two stands; "
        f"gaps and loose parts narrower than {settings.sliver_ft:g} ft on average were {given}."
    )
