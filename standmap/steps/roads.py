"""From roads and landings to where they lie nearer water than their setback lets them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from standmap.land import (
    ROAD_CHECK_COLUMNS,
    SHORT_FT,
    RoadRule,
    check_roads,
    follow_ground,
    set_back,
)
from standmap.steps.water import WaterLaid
from standmap.tract import Ground, Tract

CLEAR: Final = "keeps off"
TOO_NEAR: Final = "too near"
NO_CROSSING: Final = "crosses, no crossing mapped"
AT_CROSSINGS: Final = "near water at mapped crossings only"
NO_WATER: Final = "not settled, no water mapped"
NO_SETBACK: Final = "no setback given"
UNSETTLED: Final = "keeps off, rule unread"
"""What the check of a road or landing may say."""

ROAD_COLUMNS: Final = (*ROAD_CHECK_COLUMNS, "setback", "verified", "verdict")
RULE_COLUMNS: Final = ("kind", "setback", "source", "year", "binding", "verified")


@dataclass(frozen=True, slots=True, kw_only=True)
class RoadsLaid:
    """Roads and landings near water.

    Attributes
    ----------
    ways : GeoDataFrame
        Roads, skid trails and landings: ``name``, ``kind``; the tract's plane.
    table : DataFrame
        One row for each: ``ROAD_COLUMNS``.
    too_near : GeoDataFrame
        What of them lies too near water.
    rules : DataFrame
        ``kind``, ``setback``, ``source``, ``year``, ``binding``, ``verified``.
    """

    ways: gpd.GeoDataFrame
    table: pd.DataFrame
    too_near: gpd.GeoDataFrame
    rules: pd.DataFrame

    @property
    def has_conflict(self) -> bool:
        """Whether a road or landing lies nearer water than a setback that somebody read."""
        near = self.table["verdict"] == TOO_NEAR
        return bool((near & self.table["verified"].astype(bool)).any())

    @property
    def is_settled(self) -> bool:
        """Whether nothing rests on a rule nobody read, or on a crossing nobody mapped."""
        near = self.table["verdict"] == TOO_NEAR
        unread = near & ~self.table["verified"].astype(bool)
        unsure = self.table["verdict"].isin([UNSETTLED, NO_CROSSING, NO_WATER])
        return not (unsure | unread).any()


def lay_roads(tract: Ground, water: WaterLaid) -> RoadsLaid:
    """Hold the tract's roads, skid trails and landings against their setbacks from water.

    Ground that no one has cruised has none yet.
    """
    if not isinstance(tract, Tract):
        nothing = gpd.GeoDataFrame({"name": [], "kind": []}, geometry=[], crs=tract.crs)
        table = pd.DataFrame(columns=list(ROAD_COLUMNS))
        asked = pd.DataFrame(columns=list(RULE_COLUMNS))
        return RoadsLaid(ways=nothing, table=table, too_near=nothing, rules=asked)
    ways = _ways(tract)
    rules = tract.roads.rules
    has_rule = [tract.stream_rules.get(name) is not None for name in water.streams["class"]]
    kept = water.streams[np.array(has_rule, dtype=bool)]
    drawn = {
        str(kind): _keep_off(rule, tract, water, kept, ways)
        for kind, rule in rules.items()
        if len(kept) and (ways["kind"] == kind).any()
    }
    found = check_roads(
        ways,
        drawn,
        kept.geometry,
        None if tract.crossings is None else tract.crossings.geometry,
        crs=tract.crs,
    )
    table = found.table
    said = {str(kind): rule.words for kind, rule in rules.items()}
    read = {str(kind): rule.rule.verified for kind, rule in rules.items()}
    table = table.assign(
        setback=[said.get(kind, "") for kind in table["kind"]],
        verified=[read.get(kind, True) for kind in table["kind"]],
    )
    dry = tract.streams is None
    verdicts = [NO_WATER if dry else _verdict(row) for row in table.to_dict("records")]
    return RoadsLaid(
        ways=ways,
        table=table.assign(verdict=verdicts)[list(ROAD_COLUMNS)],
        too_near=found.ground,
        rules=_rules(tract),
    )


def _ways(tract: Tract) -> gpd.GeoDataFrame:
    """Return roads and landings as one layer; empty where no setback is asked for."""
    columns = ["name", "kind", "geometry"]
    layers = []
    if tract.roads.ways is not None:
        layers.append(tract.roads.ways[columns])
    if tract.landings is not None and tract.roads.rules:
        names = [f"landing {u}".strip() for u in tract.landings["unit"].astype(str)]
        layers.append(tract.landings.assign(name=names, kind="landing")[columns])
    if not layers:
        return gpd.GeoDataFrame({"name": [], "kind": []}, geometry=[], crs=tract.crs)
    return gpd.GeoDataFrame(pd.concat(layers, ignore_index=True), crs=layers[0].crs)


def _keep_off(
    rule: RoadRule,
    tract: Tract,
    water: WaterLaid,
    streams: gpd.GeoDataFrame,
    ways: gpd.GeoDataFrame,
) -> tuple[shapely.Geometry, float]:
    """Return the ground one kind of way keeps off, and its greatest setback in feet."""
    if rule.starts_at == "zone":
        beyond = rule.rule.rows[0].width_ft
        zones = set_back(water.buffers, beyond, crs=tract.crs) if beyond else water.buffers
        ground = shapely.union_all(zones.geometry.to_crs(tract.crs).to_numpy())
        return ground, float(water.buffers["max_width_ft"].max()) + beyond
    settings = tract.settings
    sloped = rule.rule.depends_on_slope
    channel = streams["channel_ft"].fillna(0.0).to_numpy(dtype=float)
    drawn = follow_ground(
        streams,
        rule.rule,
        dem_path=tract.rasters.get("elevation") if sloped else None,
        units=settings.rasters.elevation_units,
        slope_pct=settings.buffers.slope_pct,
        channel_width_ft=channel if channel.any() else None,
        step_ft=settings.buffers.step_ft,
        reach_ft=settings.buffers.reach_ft,
        crs=tract.crs,
        near=ways.geometry,
    ).buffers
    ground = shapely.union_all(drawn.geometry.to_crs(tract.crs).to_numpy())
    return ground, float(drawn["max_width_ft"].max()) if len(drawn) else 0.0


def _verdict(row: dict[object, object]) -> str:
    if not row["setback"]:
        return NO_SETBACK
    if float(str(row["too_near_ft"])) > 0:
        return TOO_NEAR
    if int(str(row["unmapped_crossings"])) > 0:
        return NO_CROSSING
    if not row["verified"]:
        return UNSETTLED
    return AT_CROSSINGS if float(str(row["inside_ft"])) > SHORT_FT else CLEAR


def _rules(tract: Tract) -> pd.DataFrame:
    rows = [
        {
            "kind": kind,
            "setback": rule.words,
            "source": rule.rule.rows[-1].source,
            "year": rule.rule.rows[-1].year,
            "binding": rule.rule.rows[-1].binding,
            "verified": rule.rule.verified,
        }
        for kind, rule in tract.roads.rules.items()
    ]
    return pd.DataFrame(rows, columns=list(RULE_COLUMNS))
