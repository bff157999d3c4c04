"""From the tract's layers to the land laid out: buffers, pieces, acres, units."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import pandas as pd
from pyproj import CRS

from standmap.errors import Problem
from standmap.land import acre_table, buffer_streams, exclude, unit_table
from standmap.tract import Tract

WGS84 = "EPSG:4326"
"""What every layer is handed out in. [degrees]"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Land:
    """The tract's ground, each acre once.

    Attributes
    ----------
    pieces : GeoDataFrame
        Stands cut by what must stay and by harvest units.
    acres : DataFrame
        By stand: gross, buffer, exclusion and net acres.
    unit_acres : DataFrame
        By harvest unit, every acre accounted for.
    streams, buffers, exclusions : GeoDataFrame
        The layers, in degrees; empty where the tract has none.
    problems : list of Problem
        Units that reach into what must stay, leave the tract, or overlap.
    """

    pieces: gpd.GeoDataFrame
    acres: pd.DataFrame
    unit_acres: pd.DataFrame
    streams: gpd.GeoDataFrame
    buffers: gpd.GeoDataFrame
    exclusions: gpd.GeoDataFrame
    problems: list[Problem]


def lay_out(tract: Tract) -> Land:
    """Buffer the streams, take out what must stay, and account for every acre."""
    streams = _or_empty(tract.streams, ["class", "width_ft"], tract.crs)
    buffers = (
        buffer_streams(streams, streams["width_ft"], crs=tract.crs)
        if len(streams)
        else streams.copy()
    )
    exclusions = _or_empty(tract.exclusions, ["reason"], tract.crs)
    units = _or_empty(tract.units, ["unit"], tract.crs)
    pieces = exclude(tract.stands, buffers, exclusions, units)
    unit_acres = unit_table(units, pieces, tract.stands, buffers)
    file = tract.settings.units.file if tract.settings.units else ""
    return Land(
        pieces=pieces.to_crs(WGS84),
        acres=acre_table(pieces).reindex(tract.stands["stand"], fill_value=0.0),
        unit_acres=unit_acres,
        streams=streams.to_crs(WGS84),
        buffers=buffers.to_crs(WGS84),
        exclusions=exclusions.to_crs(WGS84),
        problems=_unit_problems(unit_acres, file),
    )


def _or_empty(layer: gpd.GeoDataFrame | None, columns: list[str], crs: CRS) -> gpd.GeoDataFrame:
    """Return a layer, or one with the right columns and no rows."""
    if layer is not None:
        return layer
    return gpd.GeoDataFrame({name: [] for name in columns}, geometry=[], crs=crs)


def _unit_problems(unit_acres: pd.DataFrame, file: str) -> list[Problem]:
    """Say which units reach where they should not."""
    problems = []

    def warn(unit: str, what: str, mend: str) -> None:
        problems.append(
            Problem(severity="warning", file=file, column="unit", value=unit, what=what, mend=mend)
        )

    for unit, row in unit_acres.iterrows():
        name = str(unit)
        if row["conflict"]:
            acres = row["buffer_acres"] + row["outside_buffer_acres"]
            warn(
                name,
                f"the harvest unit enters a stream buffer: {acres:.2f} acres must stay",
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
