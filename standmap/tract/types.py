"""Mapped types that plots are sorted by afterwards."""

from __future__ import annotations

import geopandas as gpd

from standmap.tract.layers import find_one, placed_only, to_stands
from standmap.tract.settings import TypesTable
from standmap.tract.sources import Sources
from standmap.tract.stands import mend_layer, text_column
from standmap.tract.vectors import open_layer


def read_types(
    table: TypesTable, sources: Sources, stands: gpd.GeoDataFrame | None
) -> gpd.GeoDataFrame | None:
    """Read the mapped types.

    Returns
    -------
    GeoDataFrame or None
        ``type``, ``source_row``, geometry (polygons), in the stands' CRS.
    """
    findings, file = sources.findings, table.file
    layer = open_layer(file, table, sources, key="[cruise.types]", kinds=("polygon",))
    if layer is None:
        return None
    mapped = {}
    if "type" in table.model_fields_set and table.type is not None:
        mapped["type"] = table.type
    name = find_one(layer, "type", mapped, file, findings)
    if name is None:
        return None
    types = gpd.GeoDataFrame(
        {"type": text_column(layer, name), "source_row": layer["source_row"].to_numpy()},
        geometry=layer.geometry.to_numpy(),
        crs=layer.crs,
    )
    types = mend_layer(placed_only(types, file, findings), "type", file, findings)
    types = to_stands(types, stands, file, findings, "[cruise.types]")
    return types[["type", "geometry", "source_row"]]
