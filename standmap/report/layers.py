"""The GIS layers: one GeoPackage, the results as columns, for any GIS."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import shapely

from standmap.report.colours import shade_stands
from standmap.report.layer_styles import write_layers_styled
from standmap.steps.land import in_degrees

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal
    from standmap.steps.land import Land

LAYERS = ("stands", "plots", "streams", "buffers", "exclusions", "units")
"""Layers of ``appraisal.gpkg``, in order; one that the tract does not have is left out."""

LAND_LAYERS = (
    *("buffer_zones", "candidate_channels", "unit_conflicts", "units_clipped"),
    *("roads", "landings", "roads_too_near"),
)
"""Layers of the land page, after those."""


def land_layers(land: Land) -> dict[str, gpd.GeoDataFrame]:
    """Return the layers that go with the land page, by name; empty ones left out."""
    roads = land.roads
    checked = [c for c in roads.table if c not in ("name", "kind")]
    ways = roads.ways.join(roads.table[checked])
    # A layer of one kind of shape each: points and lines in one open poorly in a GIS.
    is_point = shapely.get_dimensions(ways.geometry.to_numpy()) == 0
    landings = ways[is_point].dropna(axis="columns", how="all")  # a point has no length
    layers = (
        *(land.water.zones, land.water.candidates, land.conflicts, land.units_clipped),
        *(ways[~is_point], landings, roads.too_near),
    )
    # Zones repeat the buffers where no rule has more than one.
    shown = [land.water.has_zones, True, True, not land.conflicts.empty, True, True, True]
    named = zip(LAND_LAYERS, layers, shown, strict=True)
    return {name: layer for name, layer, wanted in named if wanted and not layer.empty}


def write_layers(appraisal: Appraisal, path: Path) -> Path:
    """Write ``appraisal.gpkg`` in EPSG:4326, with how each layer is drawn.

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
    own: dict[str, gpd.GeoDataFrame | None] = {name: getattr(appraisal, name) for name in LAYERS}
    layers = {name: in_degrees(layer) for name, layer in own.items() if layer is not None}
    layers |= {name: in_degrees(layer) for name, layer in land_layers(appraisal.land).items()}
    write_layers_styled(layers, path, shading=shade_stands(appraisal))
    return path
