"""Tables of the land page: acres by reason, rules, widths as drawn, units checked, what may go."""

from __future__ import annotations

import math
from collections.abc import Hashable
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from standmap.land import OWN_WIDTH, STREAM_BUFFER
from standmap.report.cells import (
    Column,
    Printed,
    errors,
    estimates,
    numbers,
    words,
    words_if_any,
    words_once,
)
from standmap.report.numbers import count, figure, hundredths
from standmap.steps.land import NOT_SETTLED, PART_ONLY, PASSES, is_entered
from standmap.units import BF_PER_MBF

if TYPE_CHECKING:
    from standmap.steps.land import Land

Row = dict[Hashable, Any]

CUTTING_WORDS: Final = {
    "none": "nothing",
    "": "not stated: none here",
    "partial": "part",
    "any": "all",
}
BINDING_WORDS: Final = {
    "regulatory": "law",
    "voluntary": "recommended practice",
    "mixed": "law in part",
    "setting": "your setting",
    "": "",
}
ENTERS: Final = {False: "enters", True: "enters, part may be cut"}
"""What is said of a unit inside ground that must stay, by whether part of it may be cut."""
MILE_FT: Final = 5280.0
UNSURE: Final = "unverified"


def feet(value: float) -> str:
    """Print a distance to a tenth of a foot, or blank."""
    return figure(value, most=1) if math.isfinite(value) else ""


def ground_name(reason: str, water: str, zone: str) -> str:
    """Name ground that must stay, as every table does.

    Examples
    --------
    >>> ground_name("stream buffer", "perennial", "primary")
    'stream buffer, perennial, primary'
    """
    return ", ".join(part for part in (reason, water, zone) if part)


def _grounds(rows: pd.DataFrame) -> list[str]:
    return [
        ground_name(*three)
        for three in zip(
            words(rows, "reason"), words(rows, "class"), words(rows, "zone"), strict=True
        )
    ]


def reasons_table(land: Land) -> Printed:
    """Return where the acres go: each once, in the order in which ground is claimed."""
    rows = land.reasons[land.reasons["reason"] != ""]
    gross, net = float(land.acres["gross_acres"].sum()), float(land.acres["net_acres"].sum())
    cutting = [
        CUTTING_WORDS[cut] if reason == STREAM_BUFFER else "nothing"
        for reason, cut in zip(words(rows, "reason"), words(rows, "cutting"), strict=True)
    ]
    cells = [*numbers(rows, "acres"), net]
    share = [f"{100 * v / gross:.1f}%" if gross > 0 else "" for v in cells]
    return Printed(
        columns=[
            Column(name="Ground", cells=[*_grounds(rows), "net ground"], words=True),
            Column(name="What may be cut", cells=[*cutting, "what the harvest takes"], words=True),
            Column(name="Acres", unit="ac", cells=[hundredths(v) for v in cells]),
            Column(name="Share", cells=share),
        ],
        foot=["Stands, gross", "", hundredths(gross), "100.0%"],
    )


def rules_table(land: Land) -> Printed | None:
    """Return every row of the rules applied, a class of water over its rows."""
    rules = land.water.rules
    if rules.empty:
        return None
    sources = source_list(land)
    first = ~rules["class"].duplicated()
    heads = [
        f"{name}: {_whose(row)}" if new else ""
        for name, new, row in zip(
            words(rules, "class"), first, rules.to_dict("records"), strict=True
        )
    ]
    read = [
        "" if not row["width"] or not row["jurisdiction"]
        else (f"[{sources.index(_cited(row)) + 1}]" + ("" if row["verified"] else f" {UNSURE}"))
        for row in rules.to_dict("records")
    ]  # fmt: skip
    return Printed(
        columns=[
            Column(name="Class of water", cells=heads, words=True),
            *words_if_any(rules.assign(zone=_plain_zone(rules)), "zone", "Zone"),
            *words_if_any(rules, "slope", "Bank slope"),
            Column(name="Width each side", cells=words(rules, "width"), words=True),
            Column(name="From", cells=words(rules, "measured_from"), words=True),
            Column(
                name="May be cut",
                cells=[CUTTING_WORDS.get(cut, cut) for cut in words(rules, "cutting")],
                words=True,
            ),
            *words_if_any(rules, "must_stay", "Must stay"),
            *words_if_any(rules, "equipment", "Machines"),
            Column(name="Source", cells=read, words=True),
        ],
        loud=[not bool(v) for v in rules["verified"]],
    )


def _whose(row: Row) -> str:
    """Say whose rule a class of water falls under."""
    if not row["jurisdiction"]:
        return "nothing must stay"
    if row["jurisdiction"] == OWN_WIDTH:
        return "a width of your own, not a rule"
    binding = BINDING_WORDS[str(row["binding"])]
    as_named = "" if row["water_class"] == row["class"] else f", as {row['water_class']}"
    limits = "" if row["limits"] == "harvest" else f", limits {row['limits']}"
    return f"rule of {row['jurisdiction']}{as_named} ({binding}{limits})"


def _plain_zone(rules: pd.DataFrame) -> list[str]:
    return ["" if zone == "total" else zone for zone in words(rules, "zone")]


def _cited(row: Row) -> str:
    year = f", {row['year']}" if row["year"] else ""
    return f"{row['source'] or 'no source named'}{year}"


def source_list(land: Land) -> list[str]:
    """Return the sources of the rules, each once, in the order of the rules."""
    rows = land.water.rules.to_dict("records")
    return list(dict.fromkeys(_cited(row) for row in rows if row["jurisdiction"]))


def row_cautions(land: Land) -> list[str]:
    """Return what single rows of the rules warn of, each once."""
    rows = land.water.rules
    if rows.empty:
        return []
    said = rows.loc[rows["caution"] != "", ["class", "caution"]].drop_duplicates("caution")
    return [f"{c[0].upper()}{c[1:].rstrip('.')}." for c in said["caution"].astype(str)]


def widths_table(land: Land) -> Printed | None:
    """Return the widths as drawn, by class of water and side."""
    rows = land.water.widths
    if rows.empty:
        return None
    sloped = rows["mean_slope_pct"].notna().any()
    columns = [
        Column(
            name="Class of water",
            cells=words_once(rows, "class"),
            words=True,
        ),
        Column(name="Side", cells=words(rows, "side"), words=True),
        Column(name="Stations", cells=[count(v) for v in numbers(rows, "stations")]),
        Column(name="Least", unit="ft", cells=[feet(v) for v in numbers(rows, "least_ft")]),
        Column(name="Mean", unit="ft", cells=[feet(v) for v in numbers(rows, "mean_ft")]),
        Column(name="Most", unit="ft", cells=[feet(v) for v in numbers(rows, "most_ft")]),
    ]
    if sloped:
        columns += [
            Column(
                name="Mean slope",
                unit="%",
                cells=[feet(v) for v in numbers(rows, "mean_slope_pct")],
            ),
            Column(
                name="Steepest", unit="%", cells=[feet(v) for v in numbers(rows, "steepest_pct")]
            ),
            Column(
                name="Slope from raster",
                cells=[f"{100 * v:.0f}%" for v in numbers(rows, "measured_share")],
            ),
        ]
    columns.append(
        Column(
            name="Width starts at",
            cells=[
                start if name else ""
                for start, name in zip(
                    words(rows, "starts_at"), words_once(rows, "class"), strict=True
                )
            ],
            words=True,
        )
    )
    return Printed(columns=columns)


def check_table(land: Land) -> Printed | None:
    """Return each harvest unit against the rules: what it enters, or that it keeps off."""
    rows = check_rows(land)
    if rows.empty:
        return None
    return Printed(
        columns=[
            Column(
                name="Unit",
                cells=words_once(rows, "unit"),
                words=True,
            ),
            Column(name="Ground", cells=words(rows, "ground"), words=True),
            Column(
                name="Inside",
                unit="ac",
                cells=[hundredths(v) if v > 0 else "" for v in numbers(rows, "acres")],
            ),
            Column(name="Finding", cells=words(rows, "finding"), words=True),
            Column(name="What must change", cells=words(rows, "change"), words=True),
        ],
        loud=[bool(v) for v in is_entered(rows)],
    )


def check_rows(land: Land) -> pd.DataFrame:
    """Return what each unit enters, and one row for all it keeps off.

    Returns
    -------
    DataFrame
        ``unit``, ``ground``, ``acres``, ``finding``, ``change``, ``verdict``.
    """
    made = []
    for unit, rows in land.unit_check.groupby("unit", sort=False):
        entered = is_entered(rows)
        for row in rows[entered].to_dict("records"):
            made.append(_entered(str(unit), row))
        off = rows[~entered]
        if len(off):
            made.append(_kept_off(str(unit), off))
    columns = ["unit", "ground", "acres", "finding", "change", "verdict"]
    return pd.DataFrame(made, columns=columns)


def _entered(unit: str, row: Row) -> Row:
    acres = float(str(row["acres"]))
    finding = ENTERS[row["verdict"] == PART_ONLY]
    unread = "" if row["verified"] else "; the rule is unverified"
    change = f"Pull the line back: {hundredths(acres)} acres out"
    if row["verdict"] == PART_ONLY:
        change += ", or leave there what must stay"
    if row["reason"] == STREAM_BUFFER and not row["verified"]:
        change += ". Look the current rule up first"
    return {
        "unit": unit,
        "ground": ground_name(str(row["reason"]), str(row["class"]), str(row["zone"])),
        "acres": acres,
        "finding": finding + unread,
        "change": f"{change}.",
        "verdict": row["verdict"],
    }


def _kept_off(unit: str, off: pd.DataFrame) -> Row:
    unread = bool((off["verdict"] == NOT_SETTLED).any())
    nearest = off.sort_values("nearest_ft", kind="stable").iloc[0]
    name = ground_name(str(nearest["reason"]), str(nearest["class"]), str(nearest["zone"]))
    n = len(off)
    return {
        "unit": unit,
        "ground": "all else" if n > 1 else name,
        "acres": 0.0,
        "finding": f"keeps off; nearest {name}, {nearest['nearest_ft']:,.0f} ft",
        "change": "Not settled: some rules are unverified. Look them up." if unread else "",
        "verdict": NOT_SETTLED if unread else PASSES,
    }


def partial_table(land: Land, head: str, rule_name: str, *, valued: bool) -> Printed | None:
    """Return what may be cut in zones of which part may be cut."""
    rows = land.partial_harvest
    if rows.empty:
        return None
    told = np.isfinite(rows["cut_share_pct"].to_numpy(dtype=float))

    def known(cells: list[str]) -> list[str]:
        return [cell if t else "" for cell, t in zip(cells, told, strict=True)]

    cut, cut_error = f"{head}_cut", f"{head}_cut_error_pct"
    columns = [
        Column(name="Zone", cells=_zone_names(rows), words=True),
        Column(name="Acres", unit="ac", cells=[hundredths(v) for v in numbers(rows, "acres")]),
        Column(
            name="Stands there",
            unit=f"MBF {rule_name}",
            cells=estimates(rows, head, f"{head}_error_pct", most=1, divide=BF_PER_MBF),
        ),
        Column(
            name="May be cut",
            unit=f"MBF {rule_name}",
            cells=known(estimates(rows, cut, cut_error, most=1, divide=BF_PER_MBF)),
        ),
        Column(name="Error", unit="±", cells=known(errors(rows, cut_error, cut))),
    ]
    if valued:
        value, value_error = "value_usd_cut", "value_usd_cut_error_pct"
        columns += [
            Column(
                name="Value of it",
                unit="$",
                cells=known(estimates(rows, value, value_error, money=True)),
            ),
            Column(name="Error", unit="±", cells=known(errors(rows, value_error, value))),
        ]
    columns.append(
        Column(
            name="Held by",
            cells=[h or ("all may go" if t else "not figured")
                   for h, t in zip(words(rows, "held_by"), told, strict=True)],
            words=True,
        )
    )  # fmt: skip
    return Printed(columns=columns)


def residuals_table(land: Land) -> Printed | None:
    """Return what the rules ask to remain, each figure by its own measure."""
    rows = land.residuals
    if rows.empty:
        return None
    seen = [
        f"{now} {unit}" if now else "not figured"
        for now, unit in zip(
            estimates(rows, "now", "now_error_pct", most=1), words(rows, "unit"), strict=True
        )
    ]
    return Printed(
        columns=[
            Column(name="Zone", cells=_zone_names(rows), words=True),
            Column(name="The rule asks for", cells=words(rows, "asked"), words=True),
            Column(name="There now", cells=seen),
            Column(name="Error", unit="±", cells=errors(rows, "now_error_pct", "now")),
            Column(
                name="Must stay",
                cells=[figure(v, most=1) if np.isfinite(v) else ""
                       for v in numbers(rows, "must_stay")],
            ),
            Column(
                name="May go",
                cells=["" if math.isnan(v) else f"{v:.0f}%" for v in numbers(rows, "may_go_pct")],
            ),
        ]
    )  # fmt: skip


def _zone_names(rows: pd.DataFrame) -> list[str]:
    """Name zones of water, and say which rest on a rule nobody read."""
    return [
        ground_name("", c, z) + ("" if v else f" ({UNSURE})")
        for c, z, v in zip(words(rows, "class"), words(rows, "zone"), rows["verified"], strict=True)
    ]


def partial_notes(land: Land) -> list[str]:
    """Return the rule's words and the way it was figured, for each zone."""
    notes = []
    for row in land.partial_harvest.to_dict("records"):
        mine = land.residuals[
            (land.residuals["class"] == row["class"]) & (land.residuals["zone"] == row["zone"])
        ]
        said = [
            f"{asked}: {note}"
            for asked, note in zip(words(mine, "asked"), words(mine, "note"), strict=True)
            if note
        ]
        # The rule's own words, unless the table above says them.
        own = [row["keep_text"]] if row["keep_text"] not in set(mine["asked"]) else []
        parts = [*own, *said, row["note"]]
        name = ground_name("", row["class"], row["zone"])
        notes.append(f"{name}: " + "; ".join(part for part in parts if part) + ".")
    return notes


def candidate_words(land: Land, feeding_acres: float) -> str:
    """Say how many candidate channels there are; blank where there are none."""
    found = land.water.candidates
    if found.empty:
        return ""
    miles = float(found["length_ft"].sum()) / MILE_FT
    return (
        f"{count(len(found))} candidate channels, {miles:.1f} miles, where more than "
        f"{feeding_acres:g} acres drain together by the elevation raster"
    )
