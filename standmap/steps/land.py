"""From the tract's layers to the land laid out: buffers, pieces, acres, units."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import CRS

from standmap.errors import Problem
from standmap.land import (
    CONFLICT_ACRES,
    STREAM_BUFFER,
    UnitCheck,
    acre_table,
    check_units,
    exclude,
    line_strip,
    steep_ground,
    unit_table,
)
from standmap.steps.acreage import Acreage, lay_acreage
from standmap.steps.roads import RoadsLaid, lay_roads
from standmap.steps.water import WaterLaid, lay_water
from standmap.tract import Ground, no_water

WGS84 = "EPSG:4326"
"""What every layer is handed out in. [degrees]"""

PASSES: Final = "pass"
CONFLICT: Final = "conflict"
PART_ONLY: Final = "part only"
NOT_SETTLED: Final = "not settled"
"""What the check of a unit against a rule may say: it keeps off; it enters ground where nothing
may be cut; it enters ground where only part may be cut; whatever it does, nobody read the rule."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Land:
    """The tract's ground, each acre once.

    Attributes
    ----------
    pieces : GeoDataFrame
        Stands cut by what must stay and by harvest units.
    acres : DataFrame
        By stand: gross, buffer, exclusion and net acres.
    reasons : DataFrame
        ``reason``, ``class``, ``zone``, ``cutting``, ``acres``: where the acres go, in the order
        in which ground is claimed, strictest first; net ground last.
    unit_acres : DataFrame
        By harvest unit, every acre accounted for.
    unit_check : DataFrame
        Every harvest unit against every rule: ``unit``, ``reason``, ``class``, ``zone``,
        ``cutting``, ``acres``, ``nearest_ft``, ``verified`` and ``verdict`` ("pass", "conflict",
        "part only", "not settled").
    conflicts, units_clipped : GeoDataFrame
        The ground of each unit that must stay, and each unit without it.
    water : WaterLaid
        Streams, buffers, rules and widths.
    roads : RoadsLaid
        Roads and landings, and where they lie too near water.
    streams, buffers, exclusions : GeoDataFrame
        The layers, in degrees; empty where the tract has none.
    partial_harvest : DataFrame
        What may be cut in buffers of which part may be; empty until the plots are worked out.
    residuals : DataFrame
        What the rules ask to remain there, each figure by its own measure; likewise.
    problems : list of Problem
        Units that reach into what must stay, leave the tract, or overlap.
    acreage : Acreage
        The stands' acres on the ellipsoid, on a map grid and by the deed.
    """

    pieces: gpd.GeoDataFrame
    acres: pd.DataFrame
    reasons: pd.DataFrame
    unit_acres: pd.DataFrame
    unit_check: pd.DataFrame
    conflicts: gpd.GeoDataFrame
    units_clipped: gpd.GeoDataFrame
    water: WaterLaid
    roads: RoadsLaid
    streams: gpd.GeoDataFrame
    buffers: gpd.GeoDataFrame
    exclusions: gpd.GeoDataFrame
    problems: list[Problem]
    acreage: Acreage
    partial_harvest: pd.DataFrame = field(default_factory=pd.DataFrame)
    residuals: pd.DataFrame = field(default_factory=pd.DataFrame)

    @property
    def has_conflict(self) -> bool:
        """Whether a unit enters ground where nothing may be cut, or a road is too near water."""
        entered = bool((self.unit_check["verdict"] == CONFLICT).any())
        return entered or self.roads.has_conflict

    @property
    def is_settled(self) -> bool:
        """Whether the check has an answer.

        It has none without units, without streams, by a rule nobody read, where a unit enters
        ground of which part may be cut, or a road crosses water where no crossing is mapped.
        """
        unsure = self.unit_check["verdict"].isin([PART_ONLY, NOT_SETTLED]).any()
        lacking = self.water.rules.empty or self.unit_acres.empty
        return not (unsure or lacking) and self.roads.is_settled


def lay_out(tract: Ground) -> Land:
    """Buffer the streams, take out what must stay, and account for every acre."""
    water = lay_water(tract)
    exclusions = _exclusions(tract)
    order = list(dict.fromkeys(exclusions["reason"]))
    units = _or_empty(tract.units, ["unit"], tract.crs)
    pieces = exclude(tract.stands, water.zones, exclusions, units, reasons=order)
    unit_acres = unit_table(units, pieces, tract.stands, water.buffers)
    check = check_units(units, water.zones, exclusions, crs=tract.crs, reasons=order)
    verdicts = _judged(check)
    file = tract.settings.units.file if tract.settings.units else ""
    return Land(
        pieces=in_degrees(pieces),
        acres=acre_table(pieces).reindex(tract.stands["stand"], fill_value=0.0),
        reasons=_reasons(pieces, check.claims),
        unit_acres=unit_acres,
        unit_check=verdicts,
        conflicts=in_degrees(_conflicts(check, verdicts)),
        units_clipped=in_degrees(check.clipped),
        water=water,
        roads=lay_roads(tract, water),
        streams=in_degrees(water.streams),
        buffers=in_degrees(water.buffers),
        exclusions=in_degrees(exclusions),
        acreage=lay_acreage(tract),
        problems=[*_water_problems(tract, water), *_unit_problems(unit_acres, verdicts, file)],
    )


def in_degrees(layer: gpd.GeoDataFrame) -> gpd.GeoDataFrame:
    """Return a layer in degrees; polygons that cross themselves by a rounding there are mended."""
    there = layer.to_crs(WGS84)
    shapes = np.asarray(there.geometry.to_numpy(), dtype=object)
    crossed = (shapely.get_dimensions(shapes) == 2) & ~shapely.is_valid(shapes)
    if crossed.any():
        shapes[crossed] = shapely.make_valid(
            shapes[crossed], method="structure", keep_collapsed=False
        )
        there = there.set_geometry(gpd.GeoSeries(shapes, index=there.index, crs=WGS84))
    return there


def _exclusions(tract: Ground) -> gpd.GeoDataFrame:
    """Return every exclusion: those drawn, then the property line, then steep ground."""
    settings = tract.settings
    layers = [_or_empty(tract.exclusions, ["reason"], tract.crs)]
    if settings.property_line is not None:
        layers.append(line_strip(tract.stands, settings.property_line.setback_ft, crs=tract.crs))
    if settings.steep_ground is not None and "elevation" in tract.rasters:
        layers.append(
            steep_ground(
                tract.rasters["elevation"],
                tract.stands,
                settings.steep_ground.over_pct,
                units=settings.rasters.elevation_units,
                least_acres=settings.steep_ground.least_acres,
            )
        )
    there = [layer for layer in layers if len(layer)]
    if not there:
        return layers[0]
    return gpd.GeoDataFrame(pd.concat(there, ignore_index=True), crs=tract.crs)


def _or_empty(layer: gpd.GeoDataFrame | None, columns: list[str], crs: CRS) -> gpd.GeoDataFrame:
    """Return a layer, or one with the right columns and no rows."""
    if layer is not None:
        return layer
    return gpd.GeoDataFrame({name: [] for name in columns}, geometry=[], crs=crs)


def _reasons(pieces: gpd.GeoDataFrame, claims: pd.DataFrame) -> pd.DataFrame:
    """Return acres by reason in the order ground is claimed, net ground last."""
    names = ["reason", "class", "zone", "cutting"]
    acres = pieces.groupby(names)["acres"].sum()
    net = pd.DataFrame([("", "", "", "")], columns=names)
    table = pd.concat([claims[names], net], ignore_index=True)
    found = acres.reindex(pd.MultiIndex.from_frame(table), fill_value=0.0)
    return table.assign(acres=found.to_numpy())


def _judged(check: UnitCheck) -> pd.DataFrame:
    """Give every unit and rule a verdict."""
    table = check.table
    enters = table["acres"] > CONFLICT_ACRES
    part = table["cutting"].isin(["partial", "any"])
    verdict = pd.Series(PASSES, index=table.index, dtype=object)
    verdict = verdict.mask(enters & ~part, CONFLICT).mask(~table["verified"], NOT_SETTLED)
    return table.assign(verdict=verdict.mask(enters & part, PART_ONLY))


def is_entered(verdicts: pd.DataFrame) -> pd.Series:
    """Return which rows are of a unit on ground that must stay, if only by a rule nobody read."""
    return (verdicts["verdict"] != PASSES) & (verdicts["acres"] > CONFLICT_ACRES)


def _conflicts(check: UnitCheck, verdicts: pd.DataFrame) -> gpd.GeoDataFrame:
    """Return the ground of the units that is at issue, with its verdict."""
    keys = ["unit", "reason", "class", "zone", "cutting"]
    ground = check.ground.merge(verdicts[[*keys, "verdict"]], on=keys, how="left")
    return ground[is_entered(ground)].reset_index(drop=True)


def _water_problems(tract: Ground, water: WaterLaid) -> list[Problem]:
    """Say loudly where nothing is kept along water."""
    if tract.streams is not None and len(tract.streams) and water.streams.empty:
        tables = (tract.settings.streams, tract.settings.water)
        return [
            Problem(
                severity="warning",
                file=", ".join(table.file for table in tables if table is not None),
                what="no water comes near the stands, so no acre is kept along water",
                mend="Check that the layer is of this tract, and walk the ground: maps miss small "
                "channels.",
            )
        ]
    found = (
        f"{len(water.candidates)} candidate channels are drained from the elevation raster, to be "
        "looked at on the ground; they keep no acre"
        if len(water.candidates)
        else ""
    )
    return no_water(tract.settings, tract.path.name, found)


def _unit_problems(unit_acres: pd.DataFrame, verdicts: pd.DataFrame, file: str) -> list[Problem]:
    """Say which units reach where they should not."""
    in_part = verdicts[(verdicts["reason"] == STREAM_BUFFER) & (verdicts["verdict"] == PART_ONLY)]
    part = in_part.groupby("unit")["acres"].sum()
    problems = []

    def warn(unit: str, what: str, mend: str) -> None:
        problems.append(
            Problem(severity="warning", file=file, column="unit", value=unit, what=what, mend=mend)
        )

    for unit, row in unit_acres.iterrows():
        name = str(unit)
        if row["conflict"]:
            acres = row["buffer_acres"] + row["outside_buffer_acres"]
            some = float(part.get(name, 0.0))
            ground = f"{acres:.2f} acres must stay"
            if some > 0:
                ground = f"{acres:.2f} acres, on {some:.2f} of which part may be cut"
            warn(
                name,
                f"the harvest unit enters a stream buffer: {ground}",
                "Pull the unit's line back to the buffer, or check the width against the "
                "current rule.",
            )
        if row["outside_acres"] > 0.1:
            warn(
                name,
                f"{row['outside_acres']:.1f} acres of the harvest unit lie outside every stand "
                "and carry no volume here",
                "Check the unit's line against the tract boundary.",
            )
        if row["overlap_acres"] > 0.1:
            warn(
                name,
                f"{row['overlap_acres']:.1f} acres of the harvest unit also lie in another "
                f"({row['overlaps']}) and are counted there",
                "Draw the units so that they do not overlap.",
            )
    return problems
