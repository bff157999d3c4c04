"""Other ground that must stay: strips along the property line, and ground too steep to work."""

from __future__ import annotations

from os import PathLike
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio.features
import shapely
from pyproj import CRS
from rasterio import Affine

from standmap._rasters import RasterUnits
from standmap.errors import DomainError
from standmap.land._overlay import polygons_only, sound_polygons
from standmap.land.acres import M_PER_FT, geodesic_acres
from standmap.land.relief import terrain_blocks
from standmap.land.stay import QUARTER_SEGMENTS

PROPERTY_LINE: Final = "property line"
STEEP_GROUND: Final = "steep ground"


def line_strip(stands: gpd.GeoDataFrame, distance_ft: float, *, crs: CRS) -> gpd.GeoDataFrame:
    """Return the strip inside the stands' outer boundary, holes and inholdings included.

    Parameters
    ----------
    stands : GeoDataFrame
        Valid polygons; borders between stands are not property lines.
    distance_ft : float
        Width of the strip, on the flat. [ft]
    crs : CRS
        Plane to work in, in metres.

    Returns
    -------
    GeoDataFrame
        One row, ``reason`` "property line", in the CRS of the stands; no row where there is none.

    Raises
    ------
    DomainError
        If the distance is not more than 0 ft.

    Examples
    --------
    >>> square = gpd.GeoDataFrame(geometry=[shapely.box(0, 0, 100, 100)], crs=32617)
    >>> strip = line_strip(square, 10 / 0.3048, crs=CRS.from_epsg(32617))
    >>> strip.area.round(6).tolist()
    [3600.0]
    """
    if not (distance_ft > 0 and np.isfinite(distance_ft)):
        raise DomainError(f"'distance_ft' must be more than 0; got {distance_ft}.")
    tract = shapely.union_all(sound_polygons(stands, crs, "stands"), grid_size=1e-6)
    inner = shapely.buffer(tract, -distance_ft * M_PER_FT, quad_segs=QUARTER_SEGMENTS)
    strip = polygons_only(np.array([shapely.difference(tract, inner)], dtype=object))
    layer = gpd.GeoDataFrame({"reason": [PROPERTY_LINE]}, geometry=strip, crs=crs)
    return layer[~layer.geometry.is_empty].to_crs(stands.crs)


def steep_ground(
    dem_path: str | PathLike[str],
    stands: gpd.GeoDataFrame,
    over_pct: float,
    *,
    units: RasterUnits = "m",
    least_acres: float = 0.0,
) -> gpd.GeoDataFrame:
    """Return the ground around the stands that is steeper than a limit.

    Parameters
    ----------
    dem_path : path
        Elevation raster; any CRS.
    stands : GeoDataFrame
        The window of their bounds is read.
    over_pct : float
        Slope over which ground is steep. [%]
    units : {"m", "ft"}
        Unit of the elevations.
    least_acres : float
        Smaller patches, cells joined by their sides, are left out.

    Returns
    -------
    GeoDataFrame
        One row per patch, ``reason`` "steep ground", outlines along the cells, in the CRS of the
        stands.

    Raises
    ------
    DomainError
        If the limit is not more than 0 %.
    InputError
        If the raster cannot be read.

    Notes
    -----
    Slope by Horn (1981) over 3 x 3 cells (see :func:`terrain_blocks`): a raster of wide cells
    flattens short steep pitches.
    """
    if not (over_pct > 0 and np.isfinite(over_pct)):
        raise DomainError(f"'over_pct' must be more than 0; got {over_pct}.")
    cells: list[gpd.GeoSeries] = []
    for block in terrain_blocks(dem_path, stands, units=units):
        steep = np.nan_to_num(block.slope_pct) > over_pct
        grid = Affine(block.cell_x, 0, block.left, 0, -block.cell_y, block.top)
        drawn = rasterio.features.shapes(steep.astype(np.uint8), mask=steep, transform=grid)
        outlines = [shapely.geometry.shape(outline) for outline, _ in drawn]
        cells.append(gpd.GeoSeries(outlines, crs=block.crs_wkt))
    # Joined again where a patch was cut by the edge of a block.
    every = pd.concat(cells, ignore_index=True)
    patches = shapely.get_parts(shapely.union_all(every.to_numpy()))
    layer = gpd.GeoDataFrame(
        {"reason": np.full(len(patches), STEEP_GROUND, dtype=object)},
        geometry=patches,
        crs=every.crs,
    ).to_crs(stands.crs)
    return layer[geodesic_acres(layer) >= least_acres].reset_index(drop=True)
