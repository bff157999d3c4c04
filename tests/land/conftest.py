"""Fixtures of the land's tests: rasters of ground whose height is a formula."""

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio import Affine

from standmap.land import local_crs

PLANE = local_crs(gpd.GeoSeries([shapely.box(-80.01, 37.99, -79.99, 38.01)], crs=4326))


def draw_dem(path: Path, height, *, half: int = 250, cell: float = 2.0, nodata=None) -> Path:
    """A raster of ``height(x, y)``, cell centres on whole cells, so that (0, 0) is one."""
    steps = np.arange(-half, half + 1) * cell
    x, y = np.meshgrid(steps, -steps)
    size, corner = 2 * half + 1, (half + 0.5) * cell
    with rasterio.open(
        path, "w", driver="GTiff", width=size, height=size, count=1, dtype="float64",
        crs=PLANE.to_wkt(), nodata=nodata, transform=Affine(cell, 0, -corner, 0, -cell, corner),
    ) as target:  # fmt: skip
        target.write(np.broadcast_to(height(x, y), x.shape), 1)
    return path


@pytest.fixture
def dem() -> Callable[..., Path]:
    return draw_dem
