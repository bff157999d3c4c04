"""Water: stream lines, ponds, rivers and wetlands, the class and the rule of each."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from standmap.errors import Problem
from standmap.land import OWN_WIDTH, StreamRule
from standmap.tract.buffer_rules import Place, rules_of_classes
from standmap.tract.columns import Column, find_columns
from standmap.tract.findings import Findings
from standmap.tract.land_settings import StreamsTable, WaterTable
from standmap.tract.layers import placed_only, to_stands
from standmap.tract.settings import GroundSettings
from standmap.tract.sources import Sources
from standmap.tract.stands import mend_layer, text_column
from standmap.tract.vectors import open_layer
from standmap.units import FT_PER_M

CHANNEL_COLUMNS: Final = {"width_ft": 1.0, "width_m": FT_PER_M}
"""Columns that may hold the width of the channel, and feet in their unit."""

WIDEST_CHANNEL_FT: Final = 5280.0
"""A channel wider than a mile is a mistyped number, or one in another unit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """The water of a tract.

    Attributes
    ----------
    streams : GeoDataFrame or None
        See :class:`standmap.tract.Tract`.
    rules : mapping
        Class of water to its rule.
    """

    streams: gpd.GeoDataFrame | None = None
    rules: Mapping[str, StreamRule | None] = field(default_factory=dict)


def read_water(
    settings: GroundSettings, sources: Sources, stands: gpd.GeoDataFrame | None, *, ground: bool
) -> Water:
    """Read ``[streams]`` and ``[water]`` and settle the rule of every class.

    Parameters
    ----------
    settings : GroundSettings
        The tract file.
    sources : Sources
        Where files are found and faults gathered.
    stands : GeoDataFrame or None
        The stands; their CRS is taken.
    ground : bool
        Whether there is an elevation raster.
    """
    tables: list[tuple[StreamsTable | WaterTable, str]] = []
    if settings.streams is not None:
        tables.append((settings.streams, "[streams]"))
    if settings.water is not None:
        tables.append((settings.water, "[water]"))
    if not tables:
        return Water()
    layers = [_read(table, key, sources, stands) for table, key in tables]
    read = [layer for layer in layers if layer is not None]
    if len(read) < len(tables):
        return Water()
    places: dict[str, Place] = {}
    for layer in read:
        firsts = layer.drop_duplicates("class")
        for name, file, row, column in firsts[
            ["class", "file", "source_row", "_column"]
        ].to_numpy():
            places.setdefault(str(name), (file, int(row), column))
    ground = ground or settings.buffers.slope_pct is not None
    rules = rules_of_classes(settings.buffers, places, sources, ground=ground)
    streams = gpd.GeoDataFrame(pd.concat(read, ignore_index=True), crs=read[0].crs)
    own = {
        name: 0.0
        if rule is None
        else rule.rows[0].width_ft
        if rule.jurisdiction == OWN_WIDTH
        else np.nan
        for name, rule in (rules or {}).items()
    }
    streams["width_ft"] = streams["class"].map(own).astype(float)
    kept = ["class", "width_ft", "channel_ft", "geometry", "source_row", "file"]
    return Water(streams=streams[kept], rules=rules or {})


def no_water(settings: GroundSettings, file: str, found: str = "") -> list[Problem]:
    """Return the warning that no acre is kept along water; nothing where the tract names water.

    Parameters
    ----------
    settings : GroundSettings
        The tract file.
    file : str
        Its name.
    found : str
        What else there is to say of water here.
    """
    if settings.streams is not None or settings.water is not None:
        return []
    said = f"no stream layer is named, so no acre is kept along water. {found}"
    return [
        Problem(
            severity="warning",
            file=file,
            column="streams",
            what=said.strip().rstrip("."),
            mend="Walk the ground, ask the state forestry agency for its stream layer, and name it "
            "in [streams].",
        )
    ]


def _read(
    table: StreamsTable | WaterTable,
    key: str,
    sources: Sources,
    stands: gpd.GeoDataFrame | None,
) -> gpd.GeoDataFrame | None:
    """Read one layer of water."""
    findings, file = sources.findings, table.file
    kinds = ("line", "polygon") if isinstance(table, StreamsTable) else ("polygon",)
    layer = open_layer(file, table, sources, key=key, kinds=kinds)
    if layer is None:
        return None
    columns = _columns(layer, table, file, findings)
    if "class" not in columns:
        return None
    water = gpd.GeoDataFrame(
        {
            "class": text_column(layer, columns["class"]),
            "channel_ft": _channel_ft(layer, columns, file, findings),
            "source_row": layer["source_row"].to_numpy(),
        },
        geometry=layer.geometry.to_numpy(),
        crs=layer.crs,
    )
    water = _mended(placed_only(water, file, findings), file, findings)
    water = to_stands(water, stands, file, findings, key)
    return water.assign(file=file, _column=columns["class"])


def _columns(
    layer: gpd.GeoDataFrame, table: StreamsTable | WaterTable, file: str, findings: Findings
) -> dict[str, str]:
    """Return the layer's own names of the columns wanted."""
    header = [str(c) for c in layer.columns if c not in ("geometry", "source_row")]
    mapped = {}
    if "class_" in table.model_fields_set and table.class_:
        mapped["class"] = table.class_
    wanted = [Column("class", required=True, number=False)]
    if isinstance(table, StreamsTable):
        for name in CHANNEL_COLUMNS:
            # Only where named: a column called "width" may well be the buffer's.
            if getattr(table, name):
                mapped[name] = getattr(table, name)
                wanted.append(Column(name))
    found = find_columns(header, tuple(wanted), mapped, file=file, findings=findings)
    return {name: column.header for name, column in found.items()}


def _channel_ft(
    layer: gpd.GeoDataFrame, columns: dict[str, str], file: str, findings: Findings
) -> npt.NDArray[np.float64]:
    """Return the width of each channel; NaN where it is not known."""
    width = np.full(len(layer), np.nan)
    for name, feet in CHANNEL_COLUMNS.items():
        if name not in columns:
            continue
        typed = layer[columns[name]]
        number = pd.to_numeric(typed, errors="coerce").to_numpy(dtype=float) * feet
        blank = typed.isna().to_numpy() | (typed.astype(str).str.strip() == "").to_numpy()
        wrong = ~blank & ~((number >= 0) & (number <= WIDEST_CHANNEL_FT))
        findings.rows(
            "error",
            file,
            f"the width of a channel must be between 0 and {WIDEST_CHANNEL_FT:,.0f} ft",
            "Mend it, or blank the cell: the mapped line then stands for the bank.",
            rows=layer["source_row"].to_numpy(dtype=np.int64)[wrong],
            column=columns[name],
            values=typed.to_numpy(dtype=object)[wrong],
        )
        width = np.where(np.isnan(width), number, width)
    return width


def _mended(water: gpd.GeoDataFrame, file: str, findings: Findings) -> gpd.GeoDataFrame:
    """Mend the polygons of a layer; lines are kept as drawn."""
    flat = shapely.get_dimensions(water.geometry.to_numpy()) == 2
    if not flat.any():
        return water
    ponds = mend_layer(water[flat].reset_index(drop=True), "class", file, findings)
    both = pd.concat([water[~flat], ponds], ignore_index=True)
    both = both.sort_values("source_row", kind="stable", ignore_index=True)
    return gpd.GeoDataFrame(both, geometry="geometry", crs=water.crs)
