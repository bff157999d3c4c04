"""From streams and rules to buffers on the ground, or to channels that only might be there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from standmap.land import (
    CHECK_THE_RULE,
    LOOK_AROUND_FT,
    OWN_WIDTH,
    UNVERIFIED,
    StreamRule,
    candidate_channels,
    follow_ground,
    geodesic_acres,
    road_setbacks,
    set_back,
    water_near,
    widest_ft,
)
from standmap.tract import Ground, Tract

Rules = Mapping[str, StreamRule | None]

OWN_WIDTHS: Final = (
    "Widths of your own are settings of the tract file, not law: check them against the current "
    "rule with the state forestry agency."
)
"""Printed beside widths the user set."""

WIDTH_COLUMNS: Final = (
    *("class", "side", "stations", "least_ft", "mean_ft", "most_ft"),
    *("mean_slope_pct", "steepest_pct", "measured_share", "unverified_share", "starts_at"),
)
RULE_FRAME_COLUMNS: Final = (
    *("class", "jurisdiction", "water_class", "limits", "zone", "slope", "width"),
    *("measured_from", "cutting", "must_stay", "equipment", "binding", "verified", "source"),
    *("year", "evidence", "caution"),
)
BUFFER_COLUMNS: Final = (
    *("class", "width_ft", "min_width_ft", "max_width_ft", "channel_ft", "jurisdiction"),
    *("source", "binding", "verified", "measured_share", "starts_at", "cutting", "must_stay"),
    *("source_row", "geometry"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterLaid:
    """Water on the ground, in the tract's own plane.

    Attributes
    ----------
    streams : GeoDataFrame
        As read, but for water too far off to matter; ``width_ft`` the mean width on each side
        as drawn (0 where nothing must stay).
    buffers : GeoDataFrame
        One row per stream that has a buffer: ``class``, ``width_ft`` (mean), ``min_width_ft``,
        ``max_width_ft``, ``channel_ft``, and the rule it rests on.
    zones : GeoDataFrame
        The buffers zone by zone: ``class``, ``zone`` ("" where a rule has one zone),
        ``zone_number``, ``cutting``, ``must_stay``, ``width_ft``, ``verified``.
    widths : DataFrame
        Widths and slopes as drawn, by class and side.
    rules : DataFrame
        The rules applied, a row for each class of water, zone and class of slope.
    cautions : tuple of str
        To be printed beside the rules.
    roads : DataFrame
        Published distances that roads and landings keep from water, in the rules' jurisdictions.
    candidates : GeoDataFrame
        Candidate channels; empty where the tract names its streams.
    surface_acres : float
        Acres of the buffers, inside the stands, that are the water itself: channels as wide as
        the data say, and ponds.
    """

    streams: gpd.GeoDataFrame
    buffers: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    widths: pd.DataFrame
    rules: pd.DataFrame
    cautions: tuple[str, ...]
    roads: pd.DataFrame
    candidates: gpd.GeoDataFrame
    surface_acres: float = 0.0

    @property
    def has_zones(self) -> bool:
        """Whether any buffer has more than one zone."""
        return bool((self.zones["zone"] != "").any())


def lay_water(tract: Ground) -> WaterLaid:
    """Buffer the water of a tract by its rules; without a stream layer, look for channels."""
    if tract.streams is None:
        return _no_water(tract)
    settings = tract.settings.buffers
    rules = tract.stream_rules
    ground, around_ft = _ground_that_matters(tract)
    reach_ft = max(LOOK_AROUND_FT, widest_ft(rules.values()) + around_ft)
    streams = water_near(tract.streams, ground, reach_ft).reset_index(drop=True)
    by_slope = any(rule is not None and rule.depends_on_slope for rule in rules.values())
    channel = streams["channel_ft"].fillna(0.0).to_numpy(dtype=float)
    found = follow_ground(
        streams,
        rules,
        # The raster is read only where a width depends on it.
        dem_path=tract.rasters.get("elevation") if by_slope else None,
        units=tract.settings.rasters.elevation_units,
        slope_pct=settings.slope_pct,
        channel_width_ft=channel if channel.any() else None,
        step_ft=settings.step_ft,
        reach_ft=settings.reach_ft,
        crs=tract.crs,
        near=ground,
        near_ft=around_ft,
    )
    # `follow_ground` says where each width starts; `file` is the layer's, not the rule's source.
    buffers = found.buffers
    zones = _zones(found.zones, buffers, streams, rules)
    strictest = zones.sort_values("zone_number").drop_duplicates("row").set_index("row")
    buffers = buffers.assign(
        cutting=strictest["cutting"].reindex(buffers.index),
        must_stay=strictest["must_stay"].reindex(buffers.index),
    )
    mean = buffers["width_ft"].reindex(streams.index).fillna(0.0)
    return WaterLaid(
        streams=streams.assign(width_ft=mean.to_numpy(dtype=float)),
        buffers=buffers[list(BUFFER_COLUMNS)].reset_index(drop=True),
        zones=zones.drop(columns="row"),
        widths=_widths(found.banks, streams, buffers),
        rules=_rules(rules),
        cautions=_cautions(rules),
        roads=_roads(rules),
        candidates=_no_candidates(tract),
        surface_acres=_surface_acres(tract, streams),
    )


def _surface_acres(tract: Ground, streams: gpd.GeoDataFrame) -> float:
    """Return the acres of buffered water inside the stands; a line of no width has none."""
    kept = [tract.stream_rules.get(name) is not None for name in streams["class"]]
    water = streams[np.array(kept, dtype=bool)]
    areal = shapely.get_dimensions(water.geometry.to_numpy()) == 2
    wide = ~areal & (water["channel_ft"] > 0).to_numpy(dtype=bool)
    half_ft = water.loc[wide, "channel_ft"].to_numpy(dtype=float) / 2
    channels = set_back(water[wide], half_ft, crs=tract.crs).geometry.to_crs(tract.crs)
    shapes = np.r_[water.geometry[areal].to_numpy(), channels.to_numpy()]
    stands = np.asarray(tract.stands.geometry.to_numpy(), dtype=object)
    near, stand = shapely.STRtree(stands).query(shapes, predicate="intersects")
    inside = shapely.union_all(shapely.intersection(shapes[near], stands[stand]))
    return float(geodesic_acres(gpd.GeoSeries([inside], crs=tract.crs)).sum())


def _ground_that_matters(tract: Ground) -> tuple[gpd.GeoSeries, float]:
    """Return the ground whose water counts, and how many feet around it buffers do."""
    shapes = [tract.stands.geometry]
    if tract.units is not None:
        shapes.append(tract.units.geometry)
    around_ft = 0.0
    if isinstance(tract, Tract):
        shapes += [
            layer.geometry for layer in (tract.roads.ways, tract.landings) if layer is not None
        ]
        around_ft = widest_ft(rule.rule for rule in tract.roads.rules.values())
        around_ft = max([around_ft, *(plan.wider_buffers_ft for plan in tract.plan.alternatives)])
    return gpd.GeoSeries(pd.concat(shapes, ignore_index=True), crs=tract.crs), around_ft


def _no_water(tract: Ground) -> WaterLaid:
    """Return empty layers, and the channels the ground suggests."""
    text = {name: pd.Series(dtype=object) for name in ("class", "source", "jurisdiction")}
    empty = gpd.GeoDataFrame(text | {"width_ft": pd.Series(dtype=float)}, geometry=[],
                             crs=tract.crs)  # fmt: skip
    path = tract.rasters.get("elevation")
    candidates = (
        _no_candidates(tract)
        if path is None
        else candidate_channels(
            path,
            tract.stands,
            crs=tract.crs,
            feeding_acres=tract.settings.channels.feeding_acres,
        )
    )
    zones = empty.assign(zone="", zone_number=1, cutting="", must_stay="", verified=True)
    return WaterLaid(
        streams=empty[["class", "width_ft", "geometry"]],
        buffers=empty,
        zones=zones,
        widths=pd.DataFrame(columns=list(WIDTH_COLUMNS)),
        rules=pd.DataFrame(columns=list(RULE_FRAME_COLUMNS)),
        cautions=(),
        roads=pd.DataFrame(),
        candidates=candidates,
    )


def _no_candidates(tract: Ground) -> gpd.GeoDataFrame:
    columns = {
        "feeding_acres": pd.Series(dtype=float),
        "length_ft": pd.Series(dtype=float),
        "status": pd.Series(dtype=object),
    }
    return gpd.GeoDataFrame(columns, geometry=[], crs=tract.crs)


def _zones(
    zones: gpd.GeoDataFrame, buffers: gpd.GeoDataFrame, streams: gpd.GeoDataFrame, rules: Rules
) -> gpd.GeoDataFrame:
    """Give each zone the class of its stream; the one zone of a rule needs no name."""
    row = zones["row"].to_numpy()
    kind = streams["class"].to_numpy(dtype=object)[row]
    single = {name for name, rule in rules.items() if rule is not None and len(rule.zones) == 1}
    alone = np.array([name in single for name in kind], dtype=bool)
    return zones.assign(
        **{
            "class": kind,
            "zone": np.where(alone, "", zones["zone"].to_numpy(dtype=object)),
            "width_ft": buffers["width_ft"].reindex(row).to_numpy(dtype=float),
            "verified": buffers["verified"].reindex(row).to_numpy(dtype=bool),
        }
    )


def _widths(
    banks: pd.DataFrame, streams: gpd.GeoDataFrame, buffers: gpd.GeoDataFrame
) -> pd.DataFrame:
    """Return widths and slopes as drawn, by class and side."""
    if banks.empty:
        return pd.DataFrame(columns=list(WIDTH_COLUMNS))
    row = banks["row"].to_numpy()
    areal = shapely.get_dimensions(streams.geometry.to_numpy()) == 2
    side = np.where(areal[row], "shore", banks["side"].to_numpy(dtype=object))
    frame = banks.assign(**{"class": streams["class"].to_numpy(dtype=object)[row], "side": side})
    frame = frame.assign(unverified=~frame["verified"])
    starts = buffers.groupby("class")["starts_at"].agg(lambda said: "; ".join(pd.unique(said)))
    table = frame.groupby(["class", "side"], sort=False).agg(
        stations=("width_ft", "size"),
        least_ft=("width_ft", "min"),
        mean_ft=("width_ft", "mean"),
        most_ft=("width_ft", "max"),
        mean_slope_pct=("slope_pct", "mean"),
        steepest_pct=("slope_pct", "max"),
        measured_share=("measured", "mean"),
        unverified_share=("unverified", "mean"),
    )
    table = table.reset_index()
    table["starts_at"] = table["class"].map(starts).fillna("")
    # Widest class first, left before right.
    widest = table.groupby("class")["most_ft"].transform("max")
    order = table.assign(_wide=-widest).sort_values(["_wide", "class", "side"], kind="stable").index
    return table.loc[order, list(WIDTH_COLUMNS)].reset_index(drop=True)


def _rules(rules: Rules) -> pd.DataFrame:
    """Return every row of every rule applied, in words."""
    frames = []
    for name, rule in rules.items():
        if rule is None:
            frames.append(pd.DataFrame([{"class": name, "width": "nothing must stay"}]))
            continue
        frame = rule.to_frame()
        evidence = [row.evidence for row in rule.rows]
        head = {
            "class": name,
            "jurisdiction": rule.jurisdiction,
            "water_class": rule.water_class,
            "limits": rule.limits,
        }
        frames.append(frame.assign(**head, evidence=evidence))
    if not frames:
        return pd.DataFrame(columns=list(RULE_FRAME_COLUMNS))
    table = pd.concat(frames, ignore_index=True).reindex(columns=list(RULE_FRAME_COLUMNS))
    # A class with no rule has nothing unread.
    verified = [value is not False for value in table["verified"]]
    return table.astype(object).fillna("").assign(verified=verified)


def _cautions(rules: Rules) -> tuple[str, ...]:
    """Return what to print beside the rules; a caution of one row stands in its row."""
    kept = [rule for rule in rules.values() if rule is not None]
    if not kept:
        return ()
    unsure = any(not rule.verified for rule in kept)
    published = any(rule.jurisdiction != OWN_WIDTH for rule in kept)
    own = any(rule.jurisdiction == OWN_WIDTH for rule in kept)
    said = (
        (CHECK_THE_RULE, published),
        (UNVERIFIED, unsure),
        (OWN_WIDTHS, own),
    )
    return tuple(words for words, wanted in said if wanted)


def _roads(rules: Rules) -> pd.DataFrame:
    places = {r.jurisdiction for r in rules.values() if r is not None} - {OWN_WIDTH}
    frames = [road_setbacks(place) for place in sorted(places)]
    return pd.concat(frames, ignore_index=True) if frames else pd.DataFrame()
