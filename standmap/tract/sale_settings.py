"""The tables of the tract file on products, prices, buyers and the harvest."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from standmap.products import goes_into_half_log
from standmap.tract.setting_kinds import (
    FILE,
    Column,
    KeyTable,
    Name,
    Names,
    NotNegative,
    Positive,
)


def _into_half_log(step_ft: float) -> float:
    """Refuse a length step that half logs do not lie on."""
    if not goes_into_half_log(step_ft):
        raise ValueError("should go into 8 feet a whole number of times")
    return step_ft


class ProductsTable(KeyTable):
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


class PricesTable(KeyTable):
    """``[prices]``: the price sheet; each key names your own column."""

    file: str = FILE
    sheet: str | None = Field(default=None, description="the worksheet's name")
    product: Column = None
    species: Column = None
    price_usd: Column = None
    unit: Column = None
    log_rule: Column = None


class BuckingTable(KeyTable):
    """``[bucking]``: how stems are cut into logs on paper."""

    method: Literal["top_down", "field", "best_value"] = Field(
        default="top_down", description='"top_down", "field" or "best_value"'
    )
    length_step_ft: Annotated[Positive, AfterValidator(_into_half_log)] = Field(
        default=1.0, description="a length in feet that goes into 8, such as 0.5, 1 or 2"
    )


class MillsTable(KeyTable):
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


class CostsTable(KeyTable):
    """``[costs]``: what turns a delivered price into stumpage. None has a default."""

    cut_load_usd_per_ton: NotNegative | None = Field(
        default=None, description="dollars to fell, skid and load a ton"
    )
    haul_usd_per_loaded_mile: NotNegative | None = Field(
        default=None, description="dollars for each loaded mile"
    )
    load_tons: Positive | None = Field(default=None, description="green tons on a truck")


class OffersTable(KeyTable):
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


class PrescriptionTable(KeyTable):
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


class AlternativeTable(KeyTable):
    """``[[alternatives]]``: another plan to hold beside the one above it."""

    name: Name = Field(description="a name for it in quotes")
    leave_out: Names = Field(default=(), description='harvest units in a list, such as ["C"]')
    wider_buffers_ft: NotNegative = Field(
        default=0.0, description="feet more on every side of every stream buffer"
    )
    prescriptions: Annotated[tuple[PrescriptionTable, ...], Field(strict=False)] = Field(
        default=(), description="tables as under [[prescriptions]], for the units that differ"
    )


class HarvestTable(KeyTable):
    """``[harvest]``: rates of the work, which have no default, and how ways are chosen."""

    tons_per_day: Positive | None = Field(
        default=None, description="green tons that the crew brings to the landing in a day"
    )
    skid_usd_per_ton_1000_ft: NotNegative | None = Field(
        default=None, description="dollars to skid a ton 1,000 feet"
    )
    skid_slope_penalty: NotNegative | None = Field(
        default=None,
        description="how much more a foot at the ground-based limit counts than a level one",
    )
    skid_slope_power: Positive | None = Field(
        default=None, description="the power of slope that the penalty grows with"
    )
    max_opening_acres: Positive | None = Field(
        default=None, description="the most net acres that neighbours may be cut clear together"
    )
    opening_apart_ft: NotNegative = Field(
        default=0.0, description="feet between units that still count as neighbours"
    )
