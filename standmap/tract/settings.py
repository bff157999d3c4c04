"""The tables and keys of the tract file, and what each may hold."""

from __future__ import annotations

import datetime
from typing import Annotated, Final, Literal

from pydantic import AliasChoices, BeforeValidator, Field

from standmap.cruise import EdgeMethod, circle_acres
from standmap.land import OVERLAP_ACRES, SLIVER_WIDTH_FT
from standmap.tract.land_settings import (
    BuffersTable,
    ChannelsTable,
    CrossingsTable,
    DomainsTable,
    ExclusionsTable,
    LandingsTable,
    PropertyLineTable,
    RastersTable,
    RoadSetbacksTable,
    RoadsTable,
    SetbackTable,
    SteepGroundTable,
    StreamsTable,
    TerrainTable,
    UnitsTable,
    WaterTable,
)
from standmap.tract.layout_settings import LayoutTable
from standmap.tract.sale_settings import (
    AlternativeTable,
    BuckingTable,
    CostsTable,
    HarvestTable,
    MillsTable,
    OffersTable,
    PrescriptionTable,
    PricesTable,
    ProductsTable,
)
from standmap.tract.setting_kinds import (
    CRS,
    FILE,
    Column,
    KeyTable,
    LayerTable,
    Name,
    NotNegative,
    Positive,
)
from standmap.units import STUMP_FT, TRIM_FT


def _as_date(value: object) -> object:
    """Let a quoted ISO date stand for a TOML date."""
    return datetime.date.fromisoformat(value) if isinstance(value, str) else value


BORDERLINE_FT: Final = 0.2
"""A tree this near its limit could be called either way: a tape is read to a tenth of a foot at
either end. Common practice, no source. [ft]"""


class TractTable(KeyTable):
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
    grid: str | None = CRS
    prepared_by: str | None = Field(default=None, description="a name in quotes")
    prepared_for: str | None = Field(default=None, description="a name in quotes")


class StandsTable(LayerTable):
    """``[stands]``: the stand polygons."""

    id: Column = Field(default="stand", validation_alias=AliasChoices("id", "stand"))
    stratum: Column = "stratum"
    covariate: Column = None
    deed_acres: Column = None
    sliver_ft: Positive = Field(default=SLIVER_WIDTH_FT, description="a width in feet")
    overlap_acres: NotNegative = Field(default=OVERLAP_ACRES, description="a number of acres")
    give_slivers: bool = Field(default=False, description="true or false")


class PlotsTable(LayerTable):
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


class TreesTable(KeyTable):
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


class DefectsTable(KeyTable):
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


class SpeciesTable(KeyTable):
    """``[species]``: the tract's own species names."""

    aliases: dict[str, Name] = Field(
        default_factory=dict, description='pairs such as YP = "yellow-poplar"'
    )


class _PlotSize(KeyTable):
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


class TypesTable(LayerTable):
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


class VolumeTable(KeyTable):
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


class GroundSettings(KeyTable):
    """A tract file, checked; `[stands]` is all that a tract never cruised needs."""

    tract: TractTable = Field(default_factory=TractTable)
    stands: StandsTable
    plots: PlotsTable | None = None
    trees: TreesTable | None = None
    defects: DefectsTable | None = None
    species: SpeciesTable = Field(default_factory=SpeciesTable)
    cruise: CruiseTable | None = None
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
    roads: RoadsTable | None = None
    road_setbacks: RoadSetbacksTable | None = None
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
    layout: LayoutTable = Field(default_factory=LayoutTable)


class Settings(GroundSettings):
    """A whole tract file, checked; `[stands]`, `[plots]`, `[trees]`, `[cruise]` are required."""

    plots: PlotsTable
    trees: TreesTable
    cruise: CruiseTable
