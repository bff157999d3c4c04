"""A tract's ground: what is known of it before anyone cruises it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyproj

from standmap.cruise import Design
from standmap.errors import Problem
from standmap.land import StreamRule
from standmap.tract.ledger import Ledger
from standmap.tract.settings import GroundSettings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class Ground:
    """Stands, water and what must stay: enough to lay out plots.

    Attributes
    ----------
    path : Path
        The tract file.
    settings : GroundSettings
        What it says.
    crs : pyproj.CRS
        Local equal-area projection in metres, centred on the stands; every layer is in it.
    stands : GeoDataFrame
        ``stand``, ``stratum``, ``gross_acres`` (on the ellipsoid), geometry, ``source_row``.
    design : Design or None
        How trees are to be chosen; None where the tract file does not say.
    streams : GeoDataFrame or None
        Water, lines and polygons: ``class``, ``width_ft`` (each side, where the user set one; else
        NaN), ``channel_ft`` (width of the channel, NaN unknown), ``source_row``, ``file``.
    stream_rules : mapping of str to StreamRule or None
        The rule of each class of water; None where nothing must stay.
    exclusions, units : GeoDataFrame or None
        ``reason`` (setback put on); ``unit``.
    rasters : mapping of str to Path
        "elevation" and "canopy", where given.
    problems : tuple of Problem
        Warnings; ground with errors is never made.
    ledger : Ledger
        Every row changed, set aside, filled in or repaired.
    hashes : mapping of str to str
        SHA-256 of every input file.
    grid : pyproj.CRS
        The map grid that acres are compared on: the tract file's, else that of the stand layer.
    mends : DataFrame
        Every change to a stand's outline: ``stand, row, action, what, acres_before, acres_after``.
    """

    path: Path
    settings: GroundSettings
    crs: pyproj.CRS
    stands: gpd.GeoDataFrame
    design: Design | None
    streams: gpd.GeoDataFrame | None
    stream_rules: Mapping[str, StreamRule | None]
    exclusions: gpd.GeoDataFrame | None
    units: gpd.GeoDataFrame | None
    rasters: Mapping[str, Path]
    problems: tuple[Problem, ...]
    ledger: Ledger
    hashes: Mapping[str, str]
    grid: pyproj.CRS
    mends: pd.DataFrame

    @property
    def name(self) -> str:
        """The tract's name, or its folder's."""
        return self.settings.tract.name or self.path.resolve().parent.name

    @property
    def gross_acres(self) -> float:
        """Acres of all stands."""
        return float(self.stands["gross_acres"].sum())

    def __repr__(self) -> str:
        return f"<Ground of {self.name}: {len(self.stands)} stands, {self.gross_acres:,.1f} acres>"
