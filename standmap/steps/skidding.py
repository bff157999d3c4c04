"""From each harvest unit to its landing along the ground, and what that costs at a stated rate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from standmap.errors import Problem
from standmap.land import LANDING_REACH_FT, SLOPE_PENALTY, SLOPE_POWER, SkidWay, skid_way
from standmap.steps.harvest import Harvest
from standmap.steps.land import Land
from standmap.steps.terrain import limits_of
from standmap.tract import Tract

SKID_COLUMNS: Final = (
    "unit", "mean_ft", "max_ft", "reached_pct", "cell_ft", "cut_tons", "cost_usd",
    "cost_error_pct", "cost_usd_per_ton",
)  # fmt: skip

REACHED_PCT: Final = 99.0
"""A unit of which less than this can be reached is told of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Skidding:
    """The way to the landing.

    Attributes
    ----------
    units : DataFrame
        A row a unit with a landing: mean and longest way along the ground, share of the unit that
        a way leads to, tons cut, and the cost at the tract file's rate (NaN without one).
    ways : GeoDataFrame
        ``unit`` and the way from its farthest part, in degrees.
    problems : list of Problem
        Units without a landing, or with ground that no way leads to.
    """

    units: pd.DataFrame
    ways: gpd.GeoDataFrame
    problems: list[Problem]


def skid_units(tract: Tract, land: Land, harvest: Harvest) -> Skidding:
    """Find each unit's way to its landing.

    Parameters
    ----------
    tract : Tract
        The checked input.
    land : Land
        The ground laid out.
    harvest : Harvest
        What is cut.
    """
    rows, ways, problems = [], [], []
    landings, path = tract.landings, tract.rasters.get("elevation")
    file = tract.settings.landings.file if tract.settings.landings else ""

    def warn(unit: str | None, what: str, mend: str) -> None:
        problems.append(
            Problem(severity="warning", file=file, column="unit", value=unit, what=what, mend=mend)
        )

    if landings is not None and path is None:
        warn(None, "landings are given and no elevation raster, so no way to them is found",
             "Name one in [rasters] elevation.")  # fmt: skip
    if landings is not None and path is not None:
        for unit, ground in _net_ground(tract, land).items():
            own = landings[landings["unit"] == unit]
            own = own if len(own) else landings[landings["unit"] == ""]
            if own.empty:
                warn(unit, "the harvest unit has no landing", "Add one, or one with a blank unit.")
                continue
            way = _way(tract, land, ground, gpd.GeoDataFrame(own))
            rows.append({"unit": unit, **_cost(tract, harvest, unit, way)})
            if way.farthest is not None:
                ways.append({"unit": unit, "geometry": way.farthest})
            for what, mend in _told(way):
                warn(unit, what, mend)
    layer = gpd.GeoDataFrame(
        {"unit": [w["unit"] for w in ways]},
        geometry=[w["geometry"] for w in ways],
        crs=tract.crs,
    )
    return Skidding(
        units=pd.DataFrame(rows, columns=list(SKID_COLUMNS)),
        ways=layer.to_crs("EPSG:4326"),
        problems=problems,
    )


def _told(way: SkidWay) -> list[tuple[str, str]]:
    """Say what keeps a unit, or part of it, from its landing, and what would mend it."""
    if way.trouble == "landing unknown":
        return [
            (
                "its landing is outside the elevation raster, so no way to it is found",
                "Move the landing, check its coordinate system, or name a raster that covers it.",
            )
        ]
    if way.trouble == "landing off":
        return [(f"its landing is farther than {LANDING_REACH_FT:g} ft from ground that may be "
                 "skidded over: off the tract, in what must stay, or too steep all around",
                 "Move the landing, or map the crossing that leads to it.")]  # fmt: skip
    said = []
    if way.unknown_pct > 100 - REACHED_PCT:
        part = "" if way.trouble else f"{way.unknown_pct:.0f} % of "
        said.append(
            (f"the elevation raster does not know {part}the harvest unit's ground, and no way is "
             "found from there", "Name a raster that covers the tract without holes."),
        )  # fmt: skip
    shut = 100 - way.reached_pct - way.unknown_pct
    if not way.trouble and shut > 100 - REACHED_PCT:
        said.append(
            (f"no way leads from {shut:.0f} % of the harvest unit to its landing without crossing "
             "what must stay, leaving the tract, or over ground too steep",
             "Map a crossing, add a landing, or redraw the unit."),
        )  # fmt: skip
    return said


def _net_ground(tract: Tract, land: Land) -> dict[str, gpd.GeoSeries]:
    """Return the net ground of each unit, in the tract's plane."""
    pieces = gpd.GeoDataFrame(land.pieces[(land.pieces["reason"] == "")]).to_crs(tract.crs)
    by_unit = pieces[pieces["unit"] != ""].groupby("unit").geometry
    return {str(unit): gpd.GeoSeries(some, crs=tract.crs) for unit, some in by_unit}


def _way(tract: Tract, land: Land, ground: gpd.GeoSeries, landings: gpd.GeoDataFrame) -> SkidWay:
    crs = tract.crs
    penalty, power = slope_cost(tract)
    kept = [layer.to_crs(crs).geometry for layer in (land.buffers, land.exclusions) if len(layer)]
    return skid_way(
        tract.rasters["elevation"],
        ground,
        landings.geometry,
        inside=tract.stands.geometry,
        keep_off=gpd.GeoSeries(pd.concat(kept, ignore_index=True), crs=crs) if kept else None,
        crossings=None if tract.crossings is None else tract.crossings.geometry,
        units=tract.settings.rasters.elevation_units,
        slope_limits_pct=limits_of(tract),
        slope_penalty=penalty,
        slope_power=power,
    )


def slope_cost(tract: Tract) -> tuple[float, float]:
    """Return the slope penalty and its power: the tract's, or those of common practice."""
    said = tract.settings.harvest
    penalty, power = said.skid_slope_penalty, said.skid_slope_power
    return (
        SLOPE_PENALTY if penalty is None else penalty,
        SLOPE_POWER if power is None else power,
    )


def _cost(tract: Tract, harvest: Harvest, unit: str, way: SkidWay) -> dict[str, float]:
    rate = tract.settings.harvest.skid_usd_per_ton_1000_ft
    per_ton = way.mean_ft / 1000 * rate if rate is not None else np.nan
    plan = harvest.units[harvest.units["unit"] == unit]
    tons = float(plan["cut_tons"].iloc[0]) if len(plan) else np.nan
    error = float(plan["cut_tons_error_pct"].iloc[0]) if len(plan) else np.nan
    return {
        "mean_ft": way.mean_ft,
        "max_ft": way.max_ft,
        "reached_pct": way.reached_pct,
        "cell_ft": way.cell_ft,
        "cut_tons": tons,
        "cost_usd": per_ton * tons,
        "cost_error_pct": error if np.isfinite(per_ton) else np.nan,
        "cost_usd_per_ton": per_ton,
    }
