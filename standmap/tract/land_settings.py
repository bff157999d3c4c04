"""The tables of the tract file on water, what must stay, units and terrain."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import AliasChoices, Field

from standmap._rasters import RasterUnits
from standmap.cruise import MIN_PLOTS
from standmap.land import REACH_FT, STEP_FT
from standmap.tract.setting_kinds import (
    CRS,
    Column,
    KeyTable,
    LayerTable,
    Name,
    NotNegative,
    Positive,
)

COVER_ABOVE_FT: Final = 10.0
"""Canopy over this height counts as crown cover where a rule asks for some to remain. Common
practice, no source. [ft]"""


class StreamsTable(LayerTable):
    """``[streams]``: streams, lines or polygons, and the column that holds their class."""

    class_: Column = Field(default="class", alias="class")
    width_ft: Column = None
    width_m: Column = None


class WaterTable(LayerTable):
    """``[water]``: ponds, rivers and wetlands drawn as polygons, and the column of their class."""

    class_: Column = Field(default="class", alias="class")


class BuffersTable(KeyTable):
    """``[buffers]``: the rule that sets the width along each class of water, or your widths."""

    rule: Name | None = Field(default=None, description='whose rule it is, such as "SC"')
    rules: str | None = Field(
        default=None, min_length=1, description="a file name of your own table of rules"
    )
    option: Name | None = Field(default=None, description="which alternative of the rule")
    limits: Literal["harvest", "soil", "equipment", "openings"] = Field(
        default="harvest", description='"harvest", "soil", "equipment" or "openings"'
    )
    classes: dict[str, Name] = Field(
        default_factory=dict,
        description='pairs such as "3" = "perennial": your class = the rule\'s class of water, or '
        '"none" where nothing must stay',
    )
    widths_ft: dict[str, NotNegative] = Field(
        default_factory=dict, description="pairs such as perennial = 50, in feet on each side"
    )
    slope_pct: NotNegative | None = Field(
        default=None, description="a slope in percent, for banks the raster does not know"
    )
    step_ft: Positive = Field(default=STEP_FT, description="a distance in feet along the bank")
    reach_ft: Positive = Field(default=REACH_FT, description="a distance in feet out from the bank")
    cover_above_ft: NotNegative = Field(
        default=COVER_ABOVE_FT,
        description="the height in feet from which canopy counts as crown cover",
    )


class RoadsTable(LayerTable):
    """``[roads]``: roads and skid trails as lines, and the columns of their names and kinds."""

    name: Column = "name"
    kind: Column = "kind"
    kinds: dict[str, Literal["road", "skid trail"]] = Field(
        default_factory=dict,
        description='pairs such as "haul road" = "road": your kind = "road" or "skid trail"',
    )


class RoadSetbacksTable(KeyTable):
    """``[road_setbacks]``: how far roads, skid trails and landings keep from water."""

    rule: Name | None = Field(default=None, description='whose rule it is, such as "TX"')
    road_ft: NotNegative | None = Field(default=None, description="a distance in feet")
    skid_trail_ft: NotNegative | None = Field(default=None, description="a distance in feet")
    landing_ft: NotNegative | None = Field(default=None, description="a distance in feet")


class ExclusionsTable(LayerTable):
    """``[exclusions]``: acres that must stay, and why."""

    reason: Column = "reason"
    bare: Annotated[tuple[Name, ...], Field(strict=False)] = Field(
        default=(), description='reasons in a list, such as ["power line"]'
    )
    setback_ft: NotNegative = Field(default=0.0, description="a distance in feet")


class SetbackTable(LayerTable):
    """``[[setbacks]]``: one layer of things to keep away from, and how far."""

    reason: Name = Field(description='what stays and why, such as "road"')
    distance_ft: NotNegative | None = Field(default=None, description="a distance in feet")
    distance_column: Column = None
    bare: bool = Field(default=False, description="true where the ground holds no timber")


class PropertyLineTable(KeyTable):
    """``[property_line]``: a strip inside the stands' outer boundary in which nothing is cut."""

    setback_ft: Positive = Field(description="a distance in feet")


class SteepGroundTable(KeyTable):
    """``[steep_ground]``: ground steeper than a limit, by the elevation raster."""

    over_pct: Positive = Field(description="a slope in percent")
    least_acres: NotNegative = Field(default=0.1, description="the smallest patch, in acres")


class ChannelsTable(KeyTable):
    """``[channels]``: candidate channels drained from the elevation raster."""

    feeding_acres: Positive = Field(default=10.0, description="acres that feed a channel's head")


class UnitsTable(LayerTable):
    """``[units]``: harvest units."""

    id: Column = Field(default="unit", validation_alias=AliasChoices("id", "unit"))


class DomainsTable(KeyTable):
    """``[domains]``: parts of stands that get an estimate of their own, and from how many plots."""

    file: str | None = Field(
        default=None, min_length=1, description="a file name, from the tract file's own folder"
    )
    layer: str | None = Field(default=None, description="the layer's name within the file")
    crs: str | None = CRS
    id: Column = Field(default="domain", validation_alias=AliasChoices("id", "domain"))
    slope_pct: Positive | None = Field(default=None, description="a slope in percent")
    min_plots: int = Field(
        default=MIN_PLOTS, ge=2, description="a whole number of plots, 2 or more"
    )


class TerrainTable(KeyTable):
    """``[terrain]``: slopes up to which machines work."""

    ground_pct: Positive | None = Field(
        default=None, description="the steepest slope for ground-based machines, percent"
    )
    cable_pct: Positive | None = Field(
        default=None, description="the steepest slope for cable or tethered machines, percent"
    )


class LandingsTable(LayerTable):
    """``[landings]``: where logs are brought to; a blank unit serves them all."""

    unit: Column = "unit"


class CrossingsTable(LayerTable):
    """``[crossings]``: where skidding may cross what must stay."""


class RastersTable(KeyTable):
    """``[rasters]``: elevation and canopy height."""

    elevation: str | None = Field(default=None, min_length=1, description="a raster file")
    elevation_units: RasterUnits = Field(default="m", description='"m", "ft" or "us_ft"')
    canopy: str | None = Field(default=None, min_length=1, description="a raster file")
    canopy_units: RasterUnits = Field(default="m", description='"m", "ft" or "us_ft"')
