"""Tables of the harvest page: the plan, cut and leave, loads, ground, skidding, other plans."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import numpy as np
import pandas as pd

from standmap.report.cells import Column, Printed, errors, estimates, first_of_each, numbers, words
from standmap.report.names import head_measure, head_rule_name, is_valued
from standmap.report.numbers import (
    NOT_KNOWN,
    acres,
    count,
    dollars,
    dollars_apart,
    figure,
    percent,
    told_apart,
)
from standmap.report.printed import marked_as_borrowed
from standmap.units import BF_PER_MBF

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

PART_NAMES: Final = {"before": "Now", "cut": "Cut", "left": "Left"}
ALL_UNITS: Final = "All units"
UNSURE: Final = " *"
"""Marks a difference that the cruise cannot tell from nothing."""

LEAST_QUANTITY: Final = 0.05
"""A product with less than this in a unit is left out of print."""

_POINTS: Final = ("north", "northeast", "east", "southeast", "south", "southwest", "west",
                  "northwest")  # fmt: skip


def facing(aspect_deg: float) -> str:
    """Return a bearing as one of eight points of the compass.

    Examples
    --------
    >>> facing(350.0), facing(100.0), facing(float("nan"))
    ('north', 'east', '–')
    """
    if not math.isfinite(aspect_deg):
        return NOT_KNOWN
    return _POINTS[round(aspect_deg / 45) % 8]


def _named(units: list[str]) -> list[str]:
    return [name or ALL_UNITS for name in units]


def _any_known(frame: pd.DataFrame, column: str) -> bool:
    return column in frame and bool(frame[column].notna().any())


def _plots_in(plots: pd.Series) -> list[str]:
    """Print how many plots stand in each unit; the row of all units adds them up."""
    each = plots.to_numpy(dtype=float)
    return [count(v if math.isfinite(v) else float(np.nansum(each))) for v in each]


def plan_table(appraisal: Appraisal) -> Printed | None:
    """Return a row a unit: what is done there, on how many acres, and what it brings."""
    units = appraisal.harvest.units
    if units.empty:
        return None
    drawn = appraisal.units.set_index("unit", drop=False).reindex(units["unit"])
    drawn["unit"], drawn["borrowed"] = units["unit"].to_numpy(), drawn["borrowed"].fillna("")
    columns = [
        Column(name="Unit", cells=_named(marked_as_borrowed(drawn, "unit")), words=True),
        Column(name="Plots", unit="in it", cells=_plots_in(drawn["plots_inside"])),
        Column(name="Prescription", cells=words(units, "prescription"), words=True),
        Column(name="Net acres", unit="ac", cells=[acres(v) for v in numbers(units, "net_acres")]),
    ]
    if is_valued(appraisal):
        columns += [
            Column(
                name="Value cut",
                unit="$",
                cells=estimates(units, "cut_value_usd", "cut_value_error_pct", money=True),
            ),
            Column(
                name="Error", unit="±", cells=errors(units, "cut_value_error_pct", "cut_value_usd")
            ),
        ]
    columns.append(
        Column(name="Tons cut", cells=estimates(units, "cut_tons", "cut_tons_error_pct"))
    )
    for name, column in (("Truckloads", "loads"), ("Days", "days")):
        if _any_known(units, column):
            columns.append(
                Column(name=name, cells=estimates(units, column, "cut_tons_error_pct", most=0))
            )
    columns.append(
        Column(name="Error", unit="±", cells=errors(units, "cut_tons_error_pct", "cut_tons"))
    )
    return _footed(columns, units)


def _footed(columns: list[Column], frame: pd.DataFrame) -> Printed:
    """Set the row of all units together as the foot, where there is one."""
    if frame["unit"].iloc[-1] != "":
        return Printed(columns=columns)
    foot = [column.cells[-1] for column in columns]
    shorter = [Column(name=c.name, unit=c.unit, cells=c.cells[:-1], words=c.words) for c in columns]
    return Printed(columns=shorter, foot=foot)


def cut_leave_table(appraisal: Appraisal) -> Printed | None:
    """Return what stands now, what is cut and what is left, in each unit."""
    rows = appraisal.harvest.cut_leave
    if rows.empty:
        return None
    head = head_measure(appraisal)

    def per_acre(measure: str, most: int) -> list[str]:
        return estimates(rows, f"{measure}_per_acre", f"{measure}_error_pct", most=most)

    columns = [
        Column(name="Unit", cells=first_of_each(pd.Series(_named(words(rows, "unit")))),
               words=True),
        Column(name="", cells=[PART_NAMES[p] for p in words(rows, "part")], words=True),
        Column(name="Trees", unit="per ac", cells=per_acre("trees", 0)),
        Column(name="Basal area", unit="sq ft/ac", cells=per_acre("basal_area_sqft", 0)),
        Column(name="Error", unit="±", cells=_errors(rows, "basal_area_sqft")),
        Column(name="QMD", unit="in", cells=[figure(v, most=1) for v in numbers(rows, "qmd_in")]),
        Column(
            name=head_rule_name(appraisal),
            unit="MBF",
            cells=estimates(rows, f"{head}_total", f"{head}_error_pct", most=1, divide=BF_PER_MBF),
        ),
        Column(name="Error", unit="±", cells=_errors(rows, head)),
        Column(name="Tons",
               cells=estimates(rows, "weight_tons_total", "weight_tons_error_pct")),
        Column(name="Error", unit="±", cells=_errors(rows, "weight_tons")),
    ]  # fmt: skip
    if is_valued(appraisal):
        columns += [
            Column(
                name="Value",
                unit="$",
                cells=estimates(rows, "value_usd_total", "value_usd_error_pct", money=True),
            ),
            Column(name="Error", unit="±", cells=_errors(rows, "value_usd")),
        ]
    return Printed(columns=columns)


def _errors(rows: pd.DataFrame, measure: str) -> list[str]:
    """Print errors; a figure that the prescription itself holds to has none."""
    pairs = zip(
        numbers(rows, f"{measure}_total"), numbers(rows, f"{measure}_error_pct"), strict=True
    )
    shown = []
    for total, error in pairs:
        held = math.isfinite(error) and error < 1e-6
        shown.append("" if abs(total) < 1e-9 else "set" if held else percent(error))
    return shown


def loads_table(appraisal: Appraisal) -> Printed | None:
    """Return the products cut in each unit, with tons and truckloads."""
    rows = appraisal.harvest.products
    if rows.empty:
        return None
    rows = rows[rows["quantity"] >= LEAST_QUANTITY]
    columns = [
        Column(name="Unit", cells=first_of_each(pd.Series(_named(words(rows, "unit_id")))),
               words=True),
        Column(name="Product", cells=words(rows, "product"), words=True),
        Column(name="Quantity", cells=estimates(rows, "quantity", "quantity_error_pct", most=1)),
        Column(name="Unit of sale", cells=words(rows, "quantity_label"), words=True),
        Column(name="Error", unit="±", cells=errors(rows, "quantity_error_pct", "quantity")),
        Column(name="Tons", cells=estimates(rows, "weight_tons", "quantity_error_pct")),
    ]  # fmt: skip
    if _any_known(rows, "loads"):
        columns.append(
            Column(name="Truckloads", cells=estimates(rows, "loads", "quantity_error_pct", most=1))
        )
    if is_valued(appraisal):
        columns += [
            Column(
                name="Value",
                unit="$",
                cells=estimates(rows, "value_usd", "value_error_pct", money=True),
            ),
            Column(name="Error", unit="±", cells=errors(rows, "value_error_pct", "value_usd")),
        ]
    return Printed(columns=columns)


def terrain_table(appraisal: Appraisal, kind: str) -> Printed | None:
    """Return the ground of each stand or unit: slope, steepest tenth, what machines it suits.

    Parameters
    ----------
    appraisal : Appraisal
        What to show.
    kind : {"stands", "units"}
        Which.
    """
    frame: pd.DataFrame = getattr(appraisal.terrain, kind)
    if not appraisal.terrain.known or frame.empty:
        return None
    ground, cable = appraisal.terrain.limits_pct
    columns = [
        Column(name=kind[:-1].capitalize(), cells=[str(n) for n in frame.index], words=True),
        Column(name="Mean slope", unit="%",
               cells=[figure(v) for v in numbers(frame, "slope_pct")]),
        Column(name="Steepest tenth over", unit="%",
               cells=[figure(v) for v in numbers(frame, "steepest_tenth_pct")]),
        Column(name="Faces", cells=[facing(v) for v in numbers(frame, "aspect_deg")], words=True),
        Column(name=f"To {ground:g}%", unit="ground-based, % of acres",
               cells=[figure(v) for v in numbers(frame, "ground_share_pct")]),
        Column(name=f"To {cable:g}%", unit="cable, % of acres",
               cells=[figure(v) for v in numbers(frame, "cable_share_pct")]),
        Column(name="Steeper", unit="% of acres",
               cells=[figure(v) for v in numbers(frame, "steeper_share_pct")]),
    ]  # fmt: skip
    return Printed(columns=columns)


def skid_table(appraisal: Appraisal) -> Printed | None:
    """Return the way from each unit to its landing, and what it costs at the stated rate."""
    rows = appraisal.skidding.units
    if rows.empty:
        return None
    columns = [
        Column(name="Unit", cells=words(rows, "unit"), words=True),
        Column(name="Mean way", unit="ft", cells=[_tens(v) for v in numbers(rows, "mean_ft")]),
        Column(name="Longest", unit="ft", cells=[_tens(v) for v in numbers(rows, "max_ft")]),
        Column(name="Ground reached", unit="%",
               cells=[figure(v) for v in numbers(rows, "reached_pct")]),
    ]  # fmt: skip
    if _any_known(rows, "cost_usd_per_ton"):
        per_ton = [dollars(v, cents=True) for v in numbers(rows, "cost_usd_per_ton")]
        columns.append(Column(name="Skidding", unit="$ per ton", cells=per_ton))
    if _any_known(rows, "cost_usd"):
        columns += [
            Column(name="Tons cut", cells=estimates(rows, "cut_tons", "cost_error_pct")),
            Column(name="Skidding", unit="$",
                   cells=estimates(rows, "cost_usd", "cost_error_pct", money=True)),
            Column(name="Error", unit="±", cells=errors(rows, "cost_error_pct", "cost_usd")),
        ]  # fmt: skip
    return Printed(columns=columns, loud=[v < 99 for v in numbers(rows, "reached_pct")])


def _tens(feet: float) -> str:
    """Print a way to ten feet: no raster knows it closer."""
    return figure(round(feet, -1)) if math.isfinite(feet) else NOT_KNOWN


def alternatives_table(appraisal: Appraisal) -> Printed | None:
    """Return the plans side by side, and how far each is from the first."""
    plans = appraisal.harvest.alternatives
    if plans.empty:
        return None
    columns = [
        Column(name="Plan", cells=words(plans, "plan"), words=True),
        Column(name="Units cut", cells=words(plans, "units"), words=True),
        Column(name="Acres", unit="ac", cells=[acres(v) for v in numbers(plans, "acres")]),
        Column(
            name=head_rule_name(appraisal),
            unit="MBF",
            cells=estimates(plans, "bf_cut", "volume_error_pct", most=1, divide=BF_PER_MBF),
        ),
        Column(name="Error", unit="±", cells=errors(plans, "volume_error_pct", "bf_cut")),
        Column(
            name="Against the plan",
            unit="MBF ± paired error",
            cells=["", *_apart(plans, "bf_more", "bf_more_error_pct", money=False)],
        ),
    ]
    if is_valued(appraisal):
        columns += [
            Column(
                name="Value cut",
                unit="$",
                cells=estimates(plans, "value_usd", "value_error_pct", money=True),
            ),
            Column(name="Error", unit="±", cells=errors(plans, "value_error_pct", "value_usd")),
            Column(
                name="Against the plan",
                unit="$ ± paired error",
                cells=["", *_apart(plans, "more_usd", "more_error_pct", money=True)],
            ),
        ]
    return Printed(columns=columns)


def _apart(plans: pd.DataFrame, column: str, error: str, *, money: bool) -> list[str]:
    """Print the differences of all plans but the first."""
    shown = []
    rest = plans.iloc[1:]
    for more, pct in zip(numbers(rest, column), numbers(rest, error), strict=True):
        mark = "" if told_apart(pct) or more == 0 else UNSURE
        if money:
            shown.append(dollars_apart(more, pct) + mark)
            continue
        half = abs(more * pct) / 100 / BF_PER_MBF
        text = figure(more / BF_PER_MBF, pct, most=1)
        if math.isfinite(half):
            text += f"\N{NO-BREAK SPACE}±\N{NO-BREAK SPACE}{figure(half, 100.0, most=1)}"
        shown.append(text + mark)
    return shown


def unit_facts(appraisal: Appraisal, unit: str) -> str:
    """Return the figures below a unit's map, in one sentence."""
    row = appraisal.units[appraisal.units["unit"] == unit].iloc[0]
    said = [f"{acres(float(row['net_acres']))} net of {acres(float(row['gross_acres']))} acres"]
    plan = appraisal.harvest.units
    mine = plan[plan["unit"] == unit] if len(plan) else plan
    if len(mine) and is_valued(appraisal):
        one = mine.iloc[0]
        said.append(f"{dollars(one['cut_value_usd'], one['cut_value_error_pct'])} cut")
        if math.isfinite(one["loads"]):
            said.append(f"{count(one['loads'])} loads")
    return ", ".join(said)
