"""Tables of the land page on roads, skid trails and landings near water."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import pandas as pd

from standmap.report.cells import Column, Printed, words
from standmap.report.land_tables import UNSURE
from standmap.report.numbers import count
from standmap.steps.roads import NO_CROSSING, NO_WATER, TOO_NEAR

if TYPE_CHECKING:
    from standmap.steps.land import Land


def road_check_table(land: Land) -> Printed | None:
    """Return each road and landing against its setback: what is too near, and what must change."""
    rows = road_rows(land)
    if rows.empty:
        return None
    return Printed(
        columns=[
            Column(name="Road or landing", cells=words(rows, "name"), words=True),
            Column(name="Kind", cells=words(rows, "kind"), words=True),
            Column(name="Keeps off", cells=words(rows, "setback"), words=True),
            Column(name="Too near", unit="ft", cells=words(rows, "too_near")),
            Column(name="Nearest water", unit="ft", cells=words(rows, "nearest")),
            Column(name="Finding", cells=words(rows, "finding"), words=True),
            Column(name="What must change", cells=words(rows, "change"), words=True),
        ],
        loud=[v in (TOO_NEAR, NO_CROSSING) for v in rows["verdict"]],
    )


def road_rows(land: Land) -> pd.DataFrame:
    """Return the check of roads and landings in words.

    Returns
    -------
    DataFrame
        ``name``, ``kind``, ``setback``, ``too_near``, ``nearest``, ``finding``, ``change``,
        ``verdict``; no row where there are neither roads nor landings to check.
    """
    made = []
    for row in land.roads.table.to_dict("records"):
        near, unmapped = float(row["too_near_ft"]), int(row["unmapped_crossings"])
        nearest = float(row["nearest_ft"])
        finding = str(row["verdict"])
        if row["verdict"] == TOO_NEAR and unmapped:
            finding += f"; {NO_CROSSING}"
        if near > 0 and not row["verified"]:
            finding += "; the rule is unverified"
        made.append(
            {
                "name": row["name"],
                "kind": row["kind"],
                "setback": row["setback"],
                "too_near": f"{near:,.0f}" if near > 0 else "",
                "nearest": f"{nearest:,.0f}" if math.isfinite(nearest) else "",
                "finding": finding,
                "change": _change(str(row["kind"]), near, unmapped),
                "verdict": row["verdict"],
            }
        )
    columns = ["name", "kind", "setback", "too_near", "nearest", "finding", "change", "verdict"]
    return pd.DataFrame(made, columns=columns)


def _change(kind: str, near_ft: float, unmapped: int) -> str:
    """Say what to do about it."""
    said = []
    if kind == "landing" and near_ft > 0:
        said.append(f"Move it {math.ceil(near_ft):,.0f} ft away from the water.")
    elif near_ft > 0:
        said.append(f"Move {near_ft:,.0f} ft of it away from the water.")
    if unmapped:
        places = "1 place" if unmapped == 1 else f"{count(unmapped)} places"
        said.append(f"Map a crossing, or go round, in {places}.")
    return " ".join(said)


def road_sources(land: Land) -> list[str]:
    """Return the sources of the setbacks, each once."""
    said = [
        f"{row['source']}{', ' + row['year'] if row['year'] else ''}"
        + ("" if row["verified"] else f" ({UNSURE})")
        for row in land.roads.rules.to_dict("records")
    ]
    return list(dict.fromkeys(said))


def roads_line(land: Land) -> tuple[str, str] | None:
    """Return what matters of roads and landings in a line; None where none were checked."""
    table = land.roads.table
    checked = table[table["setback"] != ""]
    if checked.empty:
        return None
    bad = checked[checked["verdict"] == TOO_NEAR]
    if (checked["verdict"] == NO_WATER).any():
        return ("Roads", "No stream layer was given: nothing is settled of roads and landings.")
    if bad.empty:
        text = "All checked keep their setbacks from mapped water."
    else:
        text = f"{count(len(bad))} of {count(len(checked))} checked lie nearer water than they may."
    unmapped = int(checked["unmapped_crossings"].sum())
    if unmapped:
        once = "once" if unmapped == 1 else f"{count(unmapped)} times"
        text += f" They cross water {once} where no crossing is mapped."
    if not checked["verified"].all():
        text += " Some of it rests on a rule nobody read."
    return ("Roads", text)


def roads_table(land: Land) -> Printed | None:
    """Return published distances that roads and landings keep from water."""
    roads = land.water.roads
    if roads.empty:
        return None
    distance = [
        ""
        if math.isnan(v)
        else f"{v:g}" + ("" if math.isnan(p) or p == 0 else f" + {p:g} x slope %")
        for v, p in zip(roads["distance_ft"], roads["distance_ft_per_pct"], strict=True)
    ]
    plain = roads.astype(object).where(roads.notna(), "")
    return Printed(
        columns=[
            Column(name="Of", cells=words(plain, "feature"), words=True),
            Column(name="Where", cells=words(plain, "condition"), words=True),
            Column(name="Distance", unit="ft", cells=distance),
            Column(name="What", cells=words(plain, "what"), words=True),
            Column(
                name="Source",
                cells=[
                    ", ".join(t for t in (s, y) if t) + ("" if v else f" ({UNSURE})")
                    for s, y, v in zip(
                        words(plain, "source"), words(plain, "year"), roads["verified"], strict=True
                    )
                ],
                words=True,
            ),
        ]
    )
