"""The tables and keys of the tract file, and what each may hold."""

from __future__ import annotations

import datetime
from typing import Annotated, Final, Literal

from pydantic import AfterValidator, AliasChoices, BaseModel, BeforeValidator, ConfigDict, Field

from standmap.cruise import MIN_PLOTS, EdgeMethod, circle_acres
from standmap.land import REACH_FT, STEP_FT
from standmap.products import goes_into_half_log
from standmap.units import STUMP_FT, TRIM_FT


def _as_text(value: object) -> object:
    """Let a whole number stand for a name (``ecodivision = 230``, ``WO = 802``)."""
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _as_date(value: object) -> object:
    """Let a quoted ISO date stand for a TOML date."""
    return datetime.date.fromisoformat(value) if isinstance(value, str) else value


def _into_half_log(step_ft: float) -> float:
    """Refuse a length step that half logs do not lie on."""
    if not goes_into_half_log(step_ft):
        raise ValueError("should go into 8 feet a whole number of times")
    return step_ft


Name = Annotated[str, Field(min_length=1), BeforeValidator(_as_text)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Column = Annotated[str | None, Field(min_length=1, description="the name of your column")]
FILE: Final = Field(min_length=1, description="a file name, from the tract file's own folder")
BORDERLINE_FT: Final = 0.2
"""A tree this near its limit could be called either way: a tape is read to a tenth of a foot at
either end. Common practice, no source. [ft]"""
CRS: Final = Field(
    default=None, min_length=1, description='a coordinate system such as "EPSG:4326"'
)


class _Table(BaseModel):
    """A table of the tract file: unknown keys and wrong kinds are errors."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


class _Layer(_Table):
    """A table that names a vector layer."""

    file: str = FILE
    layer: str | None = Field(default=None, description="the layer's name within the file")
    crs: str | None = CRS


class TractTable(_Table):
    """``[tract]``: what is printed on everything."""

    name: Name | None = Field(default=None, description="the tract's name in quotes")
    date: Annotated[datetime.date | None, BeforeValidator(_as_date)] = Field(
        default=None, description="the cruise date as YYYY-MM-DD"
    )
    ecodivision: Name | None = Field(
        default=None, description='an ecodivision number such as "230"'
    )
    planted: bool = Field(default=False, description="true or false")
    deed_acres: Positive | None = Field(default=None, description="the acres in the deed")
    prepared_by: str | None = Field(default=None, description="a name in quotes")
    prepared_for: str | None = Field(default=None, description="a name in quotes")


class StandsTable(_Layer):
    """``[stands]``: the stand polygons."""

    id: Column = Field(default="stand", validation_alias=AliasChoices("id", "stand"))
    stratum: Column = "stratum"
    covariate: Column = None


class PlotsTable(_Layer):
    """``[plots]``: the plot list, a table or a point layer; each key names your own column."""

    sheet: str | None = Field(default=None, description="the worksheet's name")
    plot: Column = None
    x: Column = None
    y: Column = None
    stand: Column = None
    baf: Column = None
    baf_sqm_ha: Column = None
    plot_acres: Column = None
    plot_ha: Column = None
    edge: Column = None
    share: Column = None
    stand_wins: Literal["map", "note"] | None = Field(default=None, description='"map" or "note"')
    in_exclusion: Literal["keep", "aside"] = Field(default="keep", description='"keep" or "aside"')
    in_buffer: Literal["keep", "aside"] = Field(default="keep", description='"keep" or "aside"')
    tree_count: Column = None
    covariate: Column = None
    measured: Column = None
    cluster: Column = None
    line: Column = None
    type: Column = None


class TreesTable(_Table):
    """``[trees]``: the tally; each key names your own column."""

    file: str = FILE
    sheet: str | None = Field(default=None, description="the worksheet's name")
    plot: Column = None
    tree: Column = None
    species: Column = None
    dbh_in: Column = None
    dbh_cm: Column = None
    count: Column = None
    times: Column = None
    distance_ft: Column = None
    distance_m: Column = None
    slope_pct: Column = None
    saw_logs: Column = None
    saw_height_ft: Column = None
    saw_height_m: Column = None
    height_ft: Column = None
    height_m: Column = None
    broken_height_ft: Column = None
    broken_height_m: Column = None
    form_class: Column = None
    butt_dib_in: Column = None
    butt_dib_cm: Column = None
    grade: Column = None
    defect_pct: Column = None
    defect_from_ft: Column = None
    defect_from_m: Column = None
    defect_to_ft: Column = None
    defect_to_m: Column = None
    product: Column = None
    status: Column = None
    marked: Column = None
    kpi: Column = None
    measured: Column = None
    sample_group: Column = None


class DefectsTable(_Table):
    """``[defects]``: defects of tallied trees; each key names your own column."""

    file: str = FILE
    sheet: str | None = Field(default=None, description="the worksheet's name")
    plot: Column = None
    tree: Column = None
    kind: Column = None
    from_ft: Column = None
    from_m: Column = None
    to_ft: Column = None
    to_m: Column = None
    width_in: Column = None
    width_cm: Column = None
    height_in: Column = None
    height_cm: Column = None
    departure_in: Column = None
    departure_cm: Column = None
    angle_deg: Column = None
    percent: Column = None
    grade: Column = None


class SpeciesTable(_Table):
    """``[species]``: the tract's own species names."""

    aliases: dict[str, Name] = Field(
        default_factory=dict, description='pairs such as YP = "yellow-poplar"'
    )


class _PlotSize(_Table):
    """How a plot picks its trees."""

    baf: Positive | None = Field(default=None, description="the basal area factor, sq ft per acre")
    plot_acres: Positive | None = Field(default=None, description="the plot's area in acres")
    plot_radius_ft: Positive | None = Field(default=None, description="the plot's radius in feet")

    @property
    def acres(self) -> float | None:
        """Plot area in acres, from whichever of the two was given."""
        if self.plot_radius_ft is not None:
            return float(circle_acres(self.plot_radius_ft))
        return self.plot_acres


class CruisePart(_PlotSize):
    """``[[cruise.parts]]``: a design of its own for a stratum or a range of DBH."""

    stratum: Name | None = Field(default=None, description="a stratum of the stands layer")
    min_dbh_in: NotNegative | None = Field(default=None, description="a diameter in inches")
    max_dbh_in: Positive | None = Field(default=None, description="a diameter in inches")
    design: Literal["point", "fixed", "strip", "complete"] | None = Field(
        default=None, description='one of "point", "fixed", "strip", "complete"'
    )


class TypesTable(_Layer):
    """``[cruise.types]``: the mapped types that plots are sorted by afterwards."""

    type: Column = "type"


ESTIMATORS: Final = (
    "mean",
    "count_measure",
    "ratio",
    "regression",
    "three_p",
    "sample_tree",
    "post_stratified",
)
"""Ways from what was measured to a stand's figures; each has a guide page."""


class CruiseTable(_PlotSize):
    """``[cruise]``: the design and the confidence of every stated error."""

    design: Literal["point", "fixed", "strip", "complete"] = Field(
        description='one of "point", "fixed", "strip", "complete"'
    )
    confidence: float = Field(default=0.90, ge=0.5, lt=1, description="a fraction such as 0.90")
    edge: EdgeMethod | None = Field(
        default=None, description='one of "none", "walkthrough", "mirage", "half_plot"'
    )
    edge_dbh_in: Positive | None = Field(
        default=None, description="the diameter whose circle is held against the lines, in inches"
    )
    distance_to: Literal["centre", "face"] = Field(
        default="centre", description='"centre" or "face": where tree distances were taken to'
    )
    borderline: Literal["warn", "set_aside"] = Field(
        default="warn", description='"warn" or "set_aside"'
    )
    borderline_ft: NotNegative = Field(default=BORDERLINE_FT, description="a distance in feet")
    parts: Annotated[tuple[CruisePart, ...], Field(strict=False)] = ()
    estimator: Literal[
        "mean",
        "count_measure",
        "ratio",
        "regression",
        "three_p",
        "sample_tree",
        "post_stratified",
    ] = Field(default="mean", description='one of "' + '", "'.join(ESTIMATORS) + '"')
    ratio_by: Literal["stand", "stratum", "tract"] = Field(
        default="stratum", description='"stand", "stratum" or "tract"'
    )
    count_baf: Positive | None = Field(
        default=None, description="the basal area factor of the counts, sq ft per acre"
    )
    kpi_ceiling: Positive | None = Field(
        default=None, description="the ceiling of the random numbers (KZ), in the unit of kpi"
    )
    sample_by: Literal["count", "basal_area"] = Field(
        default="count", description='"count" or "basal_area"'
    )
    variance: Literal["random", "successive_differences"] = Field(
        default="random", description='"random" or "successive_differences"'
    )
    finite_population: bool = Field(default=False, description="true or false")
    types: TypesTable | None = None


class VolumeTable(_Table):
    """``[volume]``: where stem volume comes from, and the log rule tables are headed with."""

    source: Literal["national", "form_class", "taper"] = Field(
        default="national", description='"national", "form_class" or "taper"'
    )
    taper: str | None = Field(
        default=None, min_length=1, description="a file with your own stem profiles"
    )
    form_class: float | None = Field(
        default=None, ge=50, le=100, description="a Girard form class such as 78"
    )
    log_rule: Literal["international", "doyle", "scribner", "scribner_c"] = Field(
        default="international",
        description='one of "international", "doyle", "scribner", "scribner_c"',
    )
    stump_ft: NotNegative = Field(default=STUMP_FT, description="a height in feet")
    trim_ft: NotNegative = Field(default=TRIM_FT, description="a length in feet")
    cuft_per_cord: Positive | None = Field(default=None, description="solid cubic feet in a cord")


class ProductsTable(_Table):
    """``[products]``: the product specs; each key names your own column."""

    file: str = FILE
    sheet: str | None = Field(default=None, description="the worksheet's name")
    product: Column = None
    kind: Column = None
    rank: Column = None
    species: Column = None
    min_dbh_in: Column = None
    max_dbh_in: Column = None
    min_top_in: Column = None
    top_bark: Column = None
    min_length_ft: Column = None
    max_length_ft: Column = None
    length_step_ft: Column = None
    trim_ft: Column = None
    max_large_in: Column = None
    lengths_ft: Column = None
    max_grade: Column = None
    butt_only: Column = None
    max_cull_pct: Column = None
    min_logs: Column = None
    called_only: Column = None
    description: Column = None


class PricesTable(_Table):
    """``[prices]``: the price sheet; each key names your own column."""

    file: str = FILE
    sheet: str | None = Field(default=None, description="the worksheet's name")
    product: Column = None
    species: Column = None
    price_usd: Column = None
    unit: Column = None
    log_rule: Column = None


class BuckingTable(_Table):
    """``[bucking]``: how stems are cut into logs on paper."""

    method: Literal["top_down", "field", "best_value"] = Field(
        default="top_down", description='"top_down", "field" or "best_value"'
    )
    length_step_ft: Annotated[Positive, AfterValidator(_into_half_log)] = Field(
        default=1.0, description="a length in feet that goes into 8, such as 0.5, 1 or 2"
    )


class MillsTable(_Table):
    """``[mills]``: what mills pay, delivered or standing; each key names your own column."""

    file: str = FILE
    sheet: str | None = Field(default=None, description="the worksheet's name")
    mill: Column = None
    product: Column = None
    species: Column = None
    price_usd: Column = None
    unit: Column = None
    log_rule: Column = None
    basis: Column = None
    haul_miles: Column = None
    min_dib_in: Column = None
    max_large_in: Column = None
    min_length_ft: Column = None
    lengths_ft: Column = None
    date: Column = None
    limit: Column = None
    limit_loads: Column = None
    send: dict[str, Name] = Field(
        default_factory=dict, description='pairs such as sawtimber = "Ridge Mill"'
    )


class CostsTable(_Table):
    """``[costs]``: what turns a delivered price into stumpage. None has a default."""

    cut_load_usd_per_ton: NotNegative | None = Field(
        default=None, description="dollars to fell, skid and load a ton"
    )
    haul_usd_per_loaded_mile: NotNegative | None = Field(
        default=None, description="dollars for each loaded mile"
    )
    load_tons: Positive | None = Field(default=None, description="green tons on a truck")


class OffersTable(_Table):
    """``[offers]``: what buyers offer for the standing timber; keys name your own columns."""

    file: str = FILE
    sheet: str | None = Field(default=None, description="the worksheet's name")
    offer: Column = None
    product: Column = None
    species: Column = None
    price_usd: Column = None
    unit: Column = None
    log_rule: Column = None
    lump_sum_usd: Column = None


class StreamsTable(_Layer):
    """``[streams]``: streams, lines or polygons, and the column that holds their class."""

    class_: Column = Field(default="class", alias="class")
    width_ft: Column = None
    width_m: Column = None


class WaterTable(_Layer):
    """``[water]``: ponds, rivers and wetlands drawn as polygons, and the column of their class."""

    class_: Column = Field(default="class", alias="class")


class BuffersTable(_Table):
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


class ExclusionsTable(_Layer):
    """``[exclusions]``: acres that must stay, and why."""

    reason: Column = "reason"
    bare: Annotated[tuple[Name, ...], Field(strict=False)] = Field(
        default=(), description='reasons in a list, such as ["power line"]'
    )
    setback_ft: NotNegative = Field(default=0.0, description="a distance in feet")


class SetbackTable(_Layer):
    """``[[setbacks]]``: one layer of things to keep away from, and how far."""

    reason: Name = Field(description='what stays and why, such as "road"')
    distance_ft: NotNegative | None = Field(default=None, description="a distance in feet")
    distance_column: Column = None
    bare: bool = Field(default=False, description="true where the ground holds no timber")


class PropertyLineTable(_Table):
    """``[property_line]``: a strip inside the stands' outer boundary in which nothing is cut."""

    setback_ft: Positive = Field(description="a distance in feet")


class SteepGroundTable(_Table):
    """``[steep_ground]``: ground steeper than a limit, by the elevation raster."""

    over_pct: Positive = Field(description="a slope in percent")
    least_acres: NotNegative = Field(default=0.1, description="the smallest patch, in acres")


class ChannelsTable(_Table):
    """``[channels]``: candidate channels drained from the elevation raster."""

    feeding_acres: Positive = Field(default=10.0, description="acres that feed a channel's head")


class UnitsTable(_Layer):
    """``[units]``: harvest units."""

    id: Column = Field(default="unit", validation_alias=AliasChoices("id", "unit"))


class DomainsTable(_Table):
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


def _as_names(value: object) -> object:
    """Let one name stand for a list of one (``unit = "B"``)."""
    return [value] if isinstance(value, str | int) else value


Names = Annotated[tuple[Name, ...], BeforeValidator(_as_names), Field(strict=False)]


class PrescriptionTable(_Table):
    """``[[prescriptions]]``: what is cut in one or more harvest units, and what is left."""

    unit: Names = Field(min_length=1, description='a harvest unit, or a list such as ["A", "C"]')
    cut: Literal[
        "clearcut", "thin_below", "thin_above", "diameter_limit", "seed_tree", "marked"
    ] = Field(
        description='one of "clearcut", "thin_below", "thin_above", "diameter_limit", "seed_tree", '
        '"marked"'
    )
    residual_ba_sqft: Positive | None = Field(
        default=None, description="square feet of basal area per acre to be left"
    )
    seed_trees_per_acre: Positive | None = Field(
        default=None, description="trees per acre to be left for seed"
    )
    min_dbh_in: NotNegative | None = Field(default=None, description="a diameter in inches")
    max_dbh_in: Positive | None = Field(default=None, description="a diameter in inches")
    leave_species: Names = Field(default=(), description="species in a list, never cut")
    seed_species: Names = Field(default=(), description="species in a list, left for seed")
    products: Names = Field(default=(), description="product names in a list")


class AlternativeTable(_Table):
    """``[[alternatives]]``: another plan to hold beside the one above it."""

    name: Name = Field(description="a name for it in quotes")
    leave_out: Names = Field(default=(), description='harvest units in a list, such as ["C"]')
    wider_buffers_ft: NotNegative = Field(
        default=0.0, description="feet more on every side of every stream buffer"
    )
    prescriptions: Annotated[tuple[PrescriptionTable, ...], Field(strict=False)] = Field(
        default=(), description="tables as under [[prescriptions]], for the units that differ"
    )


class HarvestTable(_Table):
    """``[harvest]``: rates of the work. None has a default."""

    tons_per_day: Positive | None = Field(
        default=None, description="green tons that the crew brings to the landing in a day"
    )
    skid_usd_per_ton_1000_ft: NotNegative | None = Field(
        default=None, description="dollars to skid a ton 1,000 feet"
    )


class TerrainTable(_Table):
    """``[terrain]``: slopes up to which machines work."""

    ground_pct: Positive | None = Field(
        default=None, description="the steepest slope for ground-based machines, percent"
    )
    cable_pct: Positive | None = Field(
        default=None, description="the steepest slope for cable or tethered machines, percent"
    )


class LandingsTable(_Layer):
    """``[landings]``: where logs are brought to; a blank unit serves them all."""

    unit: Column = "unit"


class CrossingsTable(_Layer):
    """``[crossings]``: where skidding may cross what must stay."""


class RastersTable(_Table):
    """``[rasters]``: elevation and canopy height."""

    elevation: str | None = Field(default=None, min_length=1, description="a raster file")
    elevation_units: Literal["m", "ft"] = Field(default="m", description='"m" or "ft"')
    canopy: str | None = Field(default=None, min_length=1, description="a raster file")
    canopy_units: Literal["m", "ft"] = Field(default="m", description='"m" or "ft"')


class Settings(_Table):
    """A whole tract file, checked; `[stands]`, `[plots]`, `[trees]`, `[cruise]` are required."""

    tract: TractTable = Field(default_factory=TractTable)
    stands: StandsTable
    plots: PlotsTable
    trees: TreesTable
    defects: DefectsTable | None = None
    species: SpeciesTable = Field(default_factory=SpeciesTable)
    cruise: CruiseTable
    volume: VolumeTable = Field(default_factory=VolumeTable)
    products: ProductsTable | None = None
    prices: PricesTable | None = None
    bucking: BuckingTable = Field(default_factory=BuckingTable)
    mills: MillsTable | None = None
    costs: CostsTable = Field(default_factory=CostsTable)
    offers: OffersTable | None = None
    streams: StreamsTable | None = None
    water: WaterTable | None = None
    buffers: BuffersTable = Field(default_factory=BuffersTable)
    channels: ChannelsTable = Field(default_factory=ChannelsTable)
    exclusions: ExclusionsTable | None = None
    setbacks: Annotated[tuple[SetbackTable, ...], Field(strict=False)] = ()
    property_line: PropertyLineTable | None = None
    steep_ground: SteepGroundTable | None = None
    units: UnitsTable | None = None
    domains: DomainsTable = Field(default_factory=DomainsTable)
    prescriptions: Annotated[tuple[PrescriptionTable, ...], Field(strict=False)] = ()
    alternatives: Annotated[tuple[AlternativeTable, ...], Field(strict=False)] = ()
    harvest: HarvestTable = Field(default_factory=HarvestTable)
    terrain: TerrainTable = Field(default_factory=TerrainTable)
    landings: LandingsTable | None = None
    crossings: CrossingsTable | None = None
    rasters: RastersTable = Field(default_factory=RastersTable)
