"""An elevation raster as a north-up plane true to scale, read window by window."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import numpy as np
from numpy.typing import NDArray
from pyproj import CRS, Transformer
from pyproj.enums import TransformDirection
from rasterio import Affine
from rasterio.enums import Resampling
from rasterio.io import DatasetReader
from rasterio.vrt import WarpedVRT

from standmap._rasters import Grid, read_grid
from standmap.land.acres import local_crs, to_local

TRUE_SCALE: Final = 1e-3
"""A raster is used on its own grid when its cells are within this share of their size on the
ground (state plane and UTM are; Web Mercator and degrees are not)."""

NO_ELEVATION: Final = -1e30
"""Marks cells without data while a raster is brought to another projection."""

PAD_CELLS: Final = 2
"""Cells read beyond the polygons: one for the 3 x 3 window, one for resampling."""

NORTHWARD_DEG: Final = 1e-4
"""A step of some ten metres along a meridian."""

Bounds = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Plane:
    """A north-up raster true to scale, and polygons brought to it.

    Attributes
    ----------
    source : rasterio dataset
        To read windows from.
    shapes : GeoSeries
        The polygons in the raster's CRS.
    metres : float
        Metres in one unit of that CRS.
    """

    source: DatasetReader | WarpedVRT
    shapes: gpd.GeoSeries
    metres: float

    @property
    def bounds(self) -> Bounds:
        """Left, bottom, right, top of the polygons, in the units of the plane."""
        return _bounds(self.shapes)

    @property
    def north_leans_deg(self) -> float:
        """How far clockwise of the plane's own north true north lies at the polygons' middle."""
        crs = CRS.from_user_input(self.source.crs)
        left, bottom, right, top = self.bounds
        to_globe = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
        lon, lat = to_globe.transform((left + right) / 2, (bottom + top) / 2)
        x, y = to_globe.transform(
            [lon, lon], [lat, lat + NORTHWARD_DEG], direction=TransformDirection.INVERSE
        )
        return float(np.degrees(np.arctan2(x[1] - x[0], y[1] - y[0])))

    def read(self, bounds: Bounds) -> Grid:
        """Read the cells that meet a rectangle and ``PAD_CELLS`` around them."""
        return read_grid(self.source, bounds, pad=PAD_CELLS)


@contextmanager
def plane_of(source: DatasetReader, shapes: gpd.GeoSeries) -> Iterator[Plane]:
    """Open an elevation raster as a plane for some polygons.

    A north-up raster in a projection true to scale within 0.1 % is used as it is; any other
    (degrees, Web Mercator, rotated) is brought to the polygons' local projection as it is read,
    bilinear, with square cells of the shorter side of its own on the ground.
    """
    local = local_crs(shapes)
    cell_m = _ground_cell_m(source, shapes)
    if _true_to_scale(source, cell_m):
        on_grid = shapes.to_crs(source.crs)
        yield Plane(source, on_grid, _metres_per_unit(source.crs))
    else:
        on_grid = to_local(shapes, local)
        # The shorter side: longer cells would be averaged unevenly, which makes false relief.
        with _warped(source, local, _bounds(on_grid), float(cell_m.min())) as warped:
            yield Plane(warped, on_grid, 1.0)


def _bounds(shapes: gpd.GeoSeries) -> Bounds:
    left, bottom, right, top = (float(side) for side in shapes.total_bounds)
    return left, bottom, right, top


def _metres_per_unit(crs: object) -> float:
    """Return metres in one linear unit of a projected CRS."""
    return float(CRS.from_user_input(crs).axis_info[0].unit_conversion_factor)


def _ground_cell_m(source: DatasetReader, shapes: gpd.GeoSeries) -> NDArray[np.float64]:
    """Return the width and height on the ground of the raster's cell nearest the polygons."""
    left, bottom, right, top = _bounds(shapes.to_crs(source.crs))
    x, y = (left + right) / 2, (bottom + top) / 2
    across, down = source.transform.a, source.transform.e
    skew_y, skew_x = source.transform.d, source.transform.b
    crs = CRS.from_user_input(source.crs)
    to_globe = Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True)
    lon, lat = to_globe.transform(
        np.array([x, x + across, x + skew_x]), np.array([y, y + skew_y, y + down])
    )
    geod = crs.get_geod()
    assert geod is not None  # every earth CRS has an ellipsoid
    _, _, distance = geod.inv(lon[[0, 0]], lat[[0, 0]], lon[1:], lat[1:])
    return np.asarray(distance)


def _true_to_scale(source: DatasetReader, ground_cell_m: NDArray[np.float64]) -> bool:
    """Return whether the raster is north-up and its cells have their size on the ground."""
    grid = source.transform
    if not source.crs.is_projected or grid.b or grid.d or grid.a <= 0 or grid.e >= 0:
        return False
    nominal = np.array([grid.a, -grid.e]) * _metres_per_unit(source.crs)
    return bool(np.allclose(nominal, ground_cell_m, rtol=TRUE_SCALE, atol=0))


def _warped(source: DatasetReader, crs: CRS, bounds: Bounds, cell_m: float) -> WarpedVRT:
    """Return a raster brought, as it is read, to a plane in metres around some bounds."""
    pad = PAD_CELLS * cell_m
    left, top = bounds[0] - pad, bounds[3] + pad
    width = int(np.ceil((bounds[2] + pad - left) / cell_m))
    height = int(np.ceil((top - bounds[1] + pad) / cell_m))
    return WarpedVRT(
        source,
        crs=crs.to_wkt(),
        transform=Affine(cell_m, 0.0, left, 0.0, -cell_m, top),
        width=width,
        height=height,
        resampling=Resampling.bilinear,
        tolerance=1e-3,  # of a cell; by default an eighth, to save time
        src_nodata=source.nodata,
        nodata=NO_ELEVATION,
        dtype="float64",  # or whole metres would be interpolated to whole metres
        # Plain bilinear: GDAL would guess a scale from bounding boxes, and average a turned raster
        # unevenly, which makes false relief.
        XSCALE=1,
        YSCALE=1,
    )
