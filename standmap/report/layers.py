"""The GIS layers: one GeoPackage, the results as columns, for any GIS."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

LAYERS = ("stands", "plots", "streams", "buffers", "exclusions", "units")
"""Layers of ``appraisal.gpkg``, in order; one that the tract does not have is left out."""


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
        layer.to_crs(4326).to_file(path, layer=name, driver="GPKG", engine="pyogrio", index=False)
    return path
