"""harvest.html: what each unit cuts and leaves, loads and days, the ground, and other plans."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, Final

from standmap.report import harvest_tables
from standmap.report.answer import Line, kept_whole
from standmap.report.figures import as_image
from standmap.report.guide_pages import guide_sections
from standmap.report.harvest_figures import unit_figure
from standmap.report.names import head_rule_name, is_valued, letterhead
from standmap.report.numbers import acres, count, dollars, figure, plus_minus
from standmap.report.offline import seal, template
from standmap.report.words import HARVEST_CAUTIONS
from standmap.steps.skidding import slope_cost

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

GUIDE_TOPICS: Final = ("prescriptions", "units", "terrain", "buffers")
"""Guide pages that the page carries inside."""

MOST_UNITS_DRAWN: Final = 24


def harvest_html(appraisal: Appraisal) -> str:
    """Return the harvest page of an appraisal as one file that needs no network.

    Parameters
    ----------
    appraisal : Appraisal
        What to show. A part the tract has no data for is left out.

    Returns
    -------
    str
        HTML with no script at all. Every name from the data is escaped.

    Raises
    ------
    OutputError
        If the page would fetch anything from outside itself.
    """
    return seal(template("harvest.html.jinja").render(_context(appraisal)))


def has_harvest(appraisal: Appraisal) -> bool:
    """Tell whether the tract has harvest units, so that there is a page to write."""
    return len(appraisal.units) > 0


def _context(appraisal: Appraisal) -> dict[str, Any]:
    settings = appraisal.settings
    alternatives = harvest_tables.alternatives_table(appraisal)
    products = harvest_tables.loads_table(appraisal)
    cut_leave = harvest_tables.cut_leave_table(appraisal)
    drawn = [str(u) for u in appraisal.units["unit"]][:MOST_UNITS_DRAWN]
    planned = set(appraisal.tract.plan.prescriptions)
    return {
        **letterhead(appraisal.tract),
        "rule": head_rule_name(appraisal),
        "warnings": len(appraisal.problems),
        "short": harvest_lines(appraisal),
        "units_borrowed": set(appraisal.units["borrowed"]),
        "openings": [
            (row["units"], row["n_units"], acres(row["acres"]))
            for row in appraisal.harvest.openings.to_dict("records")
        ],
        "max_opening": settings.harvest.max_opening_acres,
        "by_unit": appraisal.harvest.judged_by_unit,
        "conflicts": [str(u) for u in appraisal.units["unit"][appraisal.units["conflict"]]],
        "plan": harvest_tables.plan_table(appraisal),
        "unplanned": [u for u in map(str, appraisal.units["unit"]) if u not in planned],
        "cut_leave": cut_leave,
        "set_by_rule": cut_leave is not None and any("set" in c.cells for c in cut_leave.columns),
        "products": products,
        "load_tons": settings.costs.load_tons,
        "tons_per_day": settings.harvest.tons_per_day,
        "terrain": harvest_tables.terrain_table(appraisal, "units"),
        "stand_terrain": harvest_tables.terrain_table(appraisal, "stands"),
        "skid": harvest_tables.skid_table(appraisal),
        "skid_rate": settings.harvest.skid_usd_per_ton_1000_ft,
        "skid_cell": _skid_cell(appraisal),
        "slope_cost": _slope_cost(appraisal),
        "limits": appraisal.terrain.limits_pct,
        "own_limits": appraisal.terrain.own_limits,
        "alternatives": alternatives,
        "unsure": alternatives is not None
        and any(cell.endswith(harvest_tables.UNSURE) for row in alternatives.rows for cell in row),
        "changes": _changes(appraisal),
        "maps": [
            (f"Unit {unit}", harvest_tables.unit_facts(appraisal, unit),
             as_image(unit_figure(appraisal, unit)))
            for unit in drawn
        ],
        "landings": appraisal.tract.landings is not None,
        "crossings": appraisal.tract.crossings is not None,
        "cautions": HARVEST_CAUTIONS,
        "guide": guide_sections(GUIDE_TOPICS),
    }  # fmt: skip


def harvest_lines(appraisal: Appraisal) -> list[Line]:
    """Return what matters to a harvest in a line each: the cut, what is left, work, ground, plans.

    Parameters
    ----------
    appraisal : Appraisal
        What to tell.
    """
    tell = (_cut_line, _left_line, _work_line, _ground_line, _plans_line)
    return kept_whole(line(appraisal) for line in tell)


def _whole(appraisal: Appraisal, part: str) -> dict[str, Any] | None:
    rows = appraisal.harvest.cut_leave
    if rows.empty:
        return None
    rows = rows[rows["part"] == part]
    # All units together come last.
    return {str(name): value for name, value in rows.iloc[-1].items()}


def _cut_line(appraisal: Appraisal) -> Line | None:
    cut = _whole(appraisal, "cut")
    if cut is None:
        return None
    units = appraisal.harvest.units
    n = int((units["unit"] != "").sum())
    text = f"{n} unit{'' if n == 1 else 's'}, {acres(cut['net_acres'])} net acres: "
    if is_valued(appraisal):
        error = cut["value_usd_error_pct"]
        text += f"{dollars(cut['value_usd_total'], error)} of timber cut {plus_minus(error)}, "
    error = cut["weight_tons_error_pct"]
    text += f"{figure(cut['weight_tons_total'], error)} green tons {plus_minus(error)}."
    return ("Cut", text)


def _left_line(appraisal: Appraisal) -> Line | None:
    left = _whole(appraisal, "left")
    if left is None:
        return None
    error = left["basal_area_sqft_error_pct"]
    text = f"{figure(left['basal_area_sqft_per_acre'], error)} sq ft of basal area per acre"
    text += f" {plus_minus(error)}" if math.isfinite(error) and error > 1e-6 else ""
    if is_valued(appraisal) and left["value_usd_total"] > 0:
        error = left["value_usd_error_pct"]
        text += f", and {dollars(left['value_usd_total'], error)} of timber {plus_minus(error)}"
    return ("Left standing", f"{text}, over the same acres.")


def _work_line(appraisal: Appraisal) -> Line | None:
    units = appraisal.harvest.units
    if units.empty or not units[["loads", "days"]].notna().any(axis=None):
        return None
    row = units.iloc[-1]
    error = float(row["cut_tons_error_pct"])
    said = []
    if math.isfinite(row["loads"]):
        load = appraisal.settings.costs.load_tons
        said.append(f"{figure(row['loads'], error)} truckloads of {load:g} tons")
    if math.isfinite(row["days"]):
        pace = appraisal.settings.harvest.tons_per_day
        said.append(f"{figure(row['days'], error)} days of logging at {pace:g} tons a day")
    return (
        "Work",
        f"{' and '.join(said)} {plus_minus(error)}; days lost to weather are not in it.",
    )


def _ground_line(appraisal: Appraisal) -> Line | None:
    terrain = appraisal.terrain
    if not terrain.known or not len(terrain.units):
        return None
    area = appraisal.units.set_index("unit")["net_acres"].reindex(terrain.units.index)
    share = {
        name: float((terrain.units[name] * area).sum() / area.sum()) if area.sum() > 0 else math.nan
        for name in ("slope_pct", "ground_share_pct", "cable_share_pct", "steeper_share_pct")
    }
    if not math.isfinite(share["slope_pct"]):
        return None
    ground, cable = terrain.limits_pct
    text = f"Slopes average {figure(share['slope_pct'])}%. {figure(share['ground_share_pct'])}% of "
    text += f"the units' net ground is no steeper than {ground:g}% (ground-based machines)"
    if share["cable_share_pct"] + share["steeper_share_pct"] >= 0.5:
        text += f", {figure(share['cable_share_pct'])}% no steeper than {cable:g}% (cable or "
        text += "tethered)"
        if share["steeper_share_pct"] >= 0.5:
            text += f", {figure(share['steeper_share_pct'])}% steeper"
    return ("Ground", f"{text}.")


def _plans_line(appraisal: Appraisal) -> Line | None:
    plans = appraisal.harvest.alternatives
    if len(plans) < 2 or not is_valued(appraisal):
        return None
    cells = harvest_tables.alternatives_table(appraisal)
    assert cells is not None
    apart = cells.columns[-1].cells
    said = [f"{name}, {cell}" for name, cell in zip(plans["plan"], apart, strict=True) if cell]
    n = count(len(said))
    return (
        "Other plans",
        f"{n} held beside this one, against its value: {'; '.join(said)}."
        + (" * within its error." if any(c.endswith(harvest_tables.UNSURE) for c in apart) else ""),
    )


def _skid_cell(appraisal: Appraisal) -> str:
    rows = appraisal.skidding.units
    return figure(float(rows["cell_ft"].max())) if len(rows) else ""


def _slope_cost(appraisal: Appraisal) -> str:
    """Say what steep ground counts for when a way is chosen, and who says so."""
    penalty, power = slope_cost(appraisal.tract)
    said = appraisal.settings.harvest
    own = said.skid_slope_penalty is not None or said.skid_slope_power is not None
    if penalty == 0:
        return "The tract file sets no penalty on slope: the shortest way is taken."
    limit = appraisal.terrain.limits_pct[0]
    text = f"When the way is chosen, a foot on ground of {limit:g}% counts as {1 + penalty:g}"
    text += f" (growing with slope to the power of {power:g}): "
    return text + ("the tract file's own figures." if own else "common practice, no source.")


def _changes(appraisal: Appraisal) -> list[tuple[str, str]]:
    """Say in words what each alternative changes."""
    planned = list(appraisal.tract.plan.prescriptions)
    told = []
    for plan, row in zip(
        appraisal.tract.plan.alternatives,
        appraisal.harvest.alternatives.iloc[1:].to_dict("records"),
        strict=False,
    ):
        said = []
        out = [u for u in planned if u not in plan.prescriptions]
        if out:
            said.append(f"unit{'' if len(out) == 1 else 's'} {', '.join(out)} left out")
        if plan.wider_buffers_ft > 0:
            said.append(f"every stream buffer {plan.wider_buffers_ft:g} ft wider on each side")
        if row["prescriptions"]:
            said.append(str(row["prescriptions"]))
        told.append((plan.name, "; ".join(said)))
    return told
