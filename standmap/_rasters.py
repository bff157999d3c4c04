"""Opening and cutting rasters, with errors that a person holding a GIS file can act on."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from os import PathLike
from typing import Final, Literal

import geopandas as gpd
import numpy as np
import pandas as pd
import rasterio
from exactextract import exact_extract
from exactextract.raster import NumPyRasterSource
from pyproj import CRS
from rasterio.errors import NotGeoreferencedWarning, RasterioError, RasterioIOError
from rasterio.io import DatasetReader
from rasterio.vrt import WarpedVRT
from rasterio.windows import Window, from_bounds

from standmap.errors import DomainError, InputError, Problem
from standmap.units import FT_PER_M

RasterUnits = Literal["m", "ft", "us_ft"]

_FT_PER_UNIT: Final[dict[str, float]] = {
    "m": FT_PER_M,
    "ft": 1.0,
    "us_ft": FT_PER_M * 1200 / 3937,  # the US survey foot by its definition, 1200/3937 m
}


def ft_per_unit(units: str) -> float:
    """Return feet in one vertical unit of a raster.

    Raises
    ------
    DomainError
        If ``units`` is none of them.
    """
    if units not in _FT_PER_UNIT:
        raise DomainError(f"'units' of a raster must be 'm', 'ft' or 'us_ft'; got {units!r}.")
    return _FT_PER_UNIT[units]


def stated_units(source: DatasetReader) -> RasterUnits | None:
    """Return the unit that a raster itself says its heights are in; None where it says nothing.

    Said with the band, or by the vertical part of a compound coordinate reference system.
    """
    crs = CRS.from_user_input(source.crs)
    vertical = [part for part in crs.sub_crs_list if part.is_vertical]
    words = [source.units[0] or "", *(axis.unit_name for p in vertical for axis in p.axis_info)]
    for said in (word.strip().casefold() for word in words):
        if "foot" in said or "feet" in said or said in ("ft", "ftus", "us-ft", "us_ft"):
            return "us_ft" if "us" in said else "ft"
        if said in ("m", "metre", "metres", "meter", "meters"):
            return "m"
    return None


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """A north-up piece of raster in memory.

    Attributes
    ----------
    cells : ndarray
        float64, (rows, columns); NaN where the raster has no data.
    left, top : float
        Upper left corner, in the units of ``crs_wkt``.
    cell_x, cell_y : float
        Cell width and height, positive.
    crs_wkt : str
        Coordinate reference system.
    """

    cells: np.ndarray
    left: float
    top: float
    cell_x: float
    cell_y: float
    crs_wkt: str

    def with_cells(self, cells: np.ndarray) -> Grid:
        """Return the same grid with other values in its cells."""
        return Grid(
            cells=cells,
            left=self.left,
            top=self.top,
            cell_x=self.cell_x,
            cell_y=self.cell_y,
            crs_wkt=self.crs_wkt,
        )


@contextmanager
def open_raster(path: str | PathLike[str]) -> Iterator[DatasetReader]:
    """Open a raster for reading; whatever goes wrong inside is told as bad input.

    Raises
    ------
    InputError
        If the file is missing, is no raster, is damaged, or has no CRS.
    """

    def refuse(what: str, mend: str) -> InputError:
        return InputError([Problem(severity="error", file=str(path), what=what, mend=mend)])

    try:
        with warnings.catch_warnings():
            # Said below in our own words, as an error.
            warnings.simplefilter("ignore", NotGeoreferencedWarning)
            source = rasterio.open(path)
    except RasterioIOError as err:
        raise refuse(
            f"cannot be read as a raster ({err})",
            "Check the path, and that the file opens in a GIS; GeoTIFF always works.",
        ) from err
    with source:
        if source.crs is None:
            raise refuse(
                "the raster has no coordinate reference system",
                "Assign the one it was made in (in a GIS: define projection), and save it.",
            )
        try:
            yield source
        except RasterioError as err:
            raise refuse(
                f"the raster is damaged and cannot be read through ({err})",
                "Copy or export it again.",
            ) from err


def read_grid(
    source: DatasetReader | WarpedVRT, bounds: tuple[float, float, float, float], *, pad: int = 0
) -> Grid:
    """Read band 1 of a north-up raster where it meets ``bounds``, plus ``pad`` cells around.

    Parameters
    ----------
    source : rasterio dataset
        North-up raster.
    bounds : tuple
        left, bottom, right, top in the raster's CRS.
    pad : int
        Cells added on every side, as far as the raster reaches.

    Returns
    -------
    Grid
        With no cells at all where the raster does not meet ``bounds``. Scale and offset stored
        with the band are applied; nodata and masked cells are NaN.
    """
    place = source.transform
    window = from_bounds(*bounds, transform=place)
    left = max(int(np.floor(window.col_off)) - pad, 0)
    top = max(int(np.floor(window.row_off)) - pad, 0)
    right = min(int(np.ceil(window.col_off + window.width)) + pad, source.width)
    bottom = min(int(np.ceil(window.row_off + window.height)) + pad, source.height)
    width, height = max(right - left, 0), max(bottom - top, 0)
    if width and height:
        band = source.read(1, window=Window(left, top, width, height), masked=True)
        cells = band.astype(np.float64).filled(np.nan) * source.scales[0] + source.offsets[0]
    else:
        cells = np.empty((0, 0))
    return Grid(
        cells=cells,
        left=place.c + left * place.a,
        top=place.f + top * place.e,
        cell_x=place.a,
        cell_y=-place.e,
        crs_wkt=source.crs.to_wkt(),
    )


def require_data(grid: Grid, path: str | PathLike[str]) -> None:
    """Raise a teachable error where a raster knows nothing of the ground under the polygons.

    Raises
    ------
    InputError
        If the grid has no cells, or none with a value.
    """
    if np.isnan(grid.cells).all():
        raise InputError(
            [
                Problem(
                    severity="error",
                    file=str(path),
                    what="the raster has no data anywhere on the polygons",
                    mend="Check that it covers the tract, and that its CRS is the right one.",
                )
            ]
        )


def zonal(grids: dict[str, Grid], polygons: gpd.GeoSeries, operations: list[str]) -> pd.DataFrame:
    """Summarise grids under polygons, each cell weighted by the share of it that is covered.

    Parameters
    ----------
    grids : dict of str to Grid
        All of the same shape and place.
    polygons : GeoSeries
        In the CRS of the grids. Missing and empty ones get NaN.
    operations : list of str
        exactextract operations, e.g. ``"p90=quantile(q=0.9)"``.

    Returns
    -------
    DataFrame
        Indexed as ``polygons``; columns ``<grid>_<operation>``, or just the operation's name
        where there is one grid.

    References
    ----------
    .. [1] Baston, D., exactextract: coverage-weighted zonal statistics (ISciences).
    """
    there = np.asarray(~(polygons.isna() | polygons.is_empty))
    zones = gpd.GeoDataFrame(
        {"zone": np.flatnonzero(there)},
        geometry=polygons.to_numpy()[there],
        crs=next(iter(grids.values())).crs_wkt,
    )
    crs_wkt = zones.crs.to_wkt()  # both sides in the same words, or exactextract warns
    sources = [
        NumPyRasterSource(
            grid.cells,
            grid.left,
            grid.top - grid.cells.shape[0] * grid.cell_y,
            grid.left + grid.cells.shape[1] * grid.cell_x,
            grid.top,
            nodata=np.nan,
            name=name,
            srs_wkt=crs_wkt,
        )
        for name, grid in grids.items()
    ]
    found = exact_extract(
        sources if len(sources) > 1 else sources[0],
        zones,
        operations,
        include_cols=["zone"],
        output="pandas",
    )
    table = pd.DataFrame(found).set_index("zone").astype(float)
    table = table.reindex(np.arange(len(polygons)))
    table.index = polygons.index
    return table
