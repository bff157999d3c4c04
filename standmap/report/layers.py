"""The GIS layers: one GeoPackage, the results as columns, for any GIS."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd

from standmap.steps.land import in_degrees

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal
    from standmap.steps.land import Land

LAYERS = ("stands", "plots", "streams", "buffers", "exclusions", "units")
"""Layers of ``appraisal.gpkg``, in order; one that the tract does not have is left out."""

LAND_LAYERS = (
    *("buffer_zones", "candidate_channels", "unit_conflicts", "units_clipped"),
    *("roads", "roads_too_near"),
)
"""Layers of the land page, after those."""


def land_layers(land: Land) -> dict[str, gpd.GeoDataFrame]:
    """Return the layers that go with the land page, by name; empty ones left out."""
    roads = land.roads
    checked = [c for c in roads.table if c not in ("name", "kind")]
    layers = (
        *(land.water.zones, land.water.candidates, land.conflicts, land.units_clipped),
        *(roads.ways.join(roads.table[checked]), roads.too_near),
    )
    # Zones repeat the buffers where no rule has more than one.
    shown = [land.water.has_zones, True, True, not land.conflicts.empty, True, True]
    named = zip(LAND_LAYERS, layers, shown, strict=True)
    return {name: layer for name, layer, wanted in named if wanted and not layer.empty}


def write_layers(appraisal: Appraisal, path: Path) -> Path:
    """Write ``appraisal.gpkg`` in EPSG:4326.

    Parameters
    ----------
    appraisal : Appraisal
        What to write.
    path : Path
        File to write; must not exist.

    Returns
    -------
    Path
        The file.
    """
    for name in LAYERS:
        layer: gpd.GeoDataFrame | None = getattr(appraisal, name)
        if layer is None or layer.empty:
            continue
        write_layer(layer, path, name)
    for name, layer in land_layers(appraisal.land).items():
        write_layer(layer, path, name)
    return path


def write_layer(layer: gpd.GeoDataFrame, path: Path, name: str) -> None:
    """Write one layer in EPSG:4326."""
    in_degrees(layer).to_file(path, layer=name, driver="GPKG", engine="pyogrio", index=False)
