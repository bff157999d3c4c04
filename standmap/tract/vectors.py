"""Readers for vector layers, and the checks of their coordinate systems."""

from __future__ import annotations

import glob
import re
import warnings
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pyogrio
import pyproj
import shapely
from pyogrio.errors import DataLayerError, DataSourceError

from standmap.tract.findings import Findings, did_you_mean, some
from standmap.tract.land_settings import DomainsTable
from standmap.tract.setting_kinds import LayerTable
from standmap.tract.sources import Sources

VECTOR_SUFFIXES: Final = (".gpkg", ".shp", ".geojson", ".json", ".fgb", ".gdb", ".kml", ".gml")
FURTHEST_FOREST_LAT: Final = 73.0
"""No forest grows nearer a pole (about 72.5 degrees north, the Taymyr larches). From memory."""
OUT_OF_AREA_DEGREES: Final = 6.0
"""How far outside its CRS's area of use a layer may lie before it is remarked on: a UTM zone."""

KINDS: Final = {
    "point": (shapely.GeometryType.POINT, shapely.GeometryType.MULTIPOINT),
    "line": (shapely.GeometryType.LINESTRING, shapely.GeometryType.MULTILINESTRING),
    "polygon": (shapely.GeometryType.POLYGON, shapely.GeometryType.MULTIPOLYGON),
}


def is_vector(path: Path) -> bool:
    """Return whether a file is read as a layer (else as a table)."""
    return path.suffix.lower() in VECTOR_SUFFIXES


def open_layer(
    file: str,
    table: LayerTable | DomainsTable,
    sources: Sources,
    *,
    key: str,
    kinds: tuple[str, ...],
) -> gpd.GeoDataFrame | None:
    """Find and read the layer that a table of the tract file names; None where it cannot be."""
    path = sources.find(file, key)
    if path is None:
        return None
    return read_layer(
        path, file, sources.findings, key=key, kinds=kinds, layer=table.layer, crs=table.crs
    )


def read_layer(
    path: Path,
    file: str,
    findings: Findings,
    *,
    key: str,
    kinds: tuple[str, ...],
    layer: str | None = None,
    crs: str | None = None,
) -> gpd.GeoDataFrame | None:
    """Read a layer whose coordinate system is known and believable.

    Parameters
    ----------
    path : Path
        Anything pyogrio reads, or GeoParquet.
    file : str
        File as the user named it.
    key : str
        Table of the tract file, such as ``[stands]``, for messages.
    kinds : tuple of str
        What its features may be: "point", "line", "polygon".
    layer : str, optional
        Layer name; needed only where the file has several.
    crs : str, optional
        The coordinate system, for a file that carries none.

    Returns
    -------
    GeoDataFrame or None
        With ``source_row``, the feature number from 1; None where it could not be read.
    """
    frame = _read(path, file, findings, layer)
    if frame is None:
        return None
    if len(frame) == 0:
        findings.error(file, "the layer has no features", f"Export it again, or mend {key}.")
        return None
    if frame.active_geometry_name is None:
        findings.error(file, "the layer has no geometry", f"Name a map layer in {key}.")
        return None
    frame = frame.rename_geometry("geometry") if frame.geometry.name != "geometry" else frame
    frame["geometry"] = shapely.force_2d(frame.geometry.to_numpy())
    frame["source_row"] = np.arange(1, len(frame) + 1, dtype=np.int64)
    if not _right_kind(frame, file, findings, kinds, key):
        return None
    return _placed(frame, file, findings, crs=crs, key=key)


def _read(path: Path, file: str, findings: Findings, layer: str | None) -> gpd.GeoDataFrame | None:
    if path.is_file() and path.stat().st_size == 0:
        findings.error(file, "the file is empty", "Export the layer again.")
        return None
    if path.suffix.lower() in (".parquet", ".geoparquet"):
        try:
            return gpd.read_parquet(path)
        except (OSError, ValueError) as error:
            findings.error(file, f"cannot be read as GeoParquet: {error}", "Export it again.")
            return None
    lacking = _lacking_parts(path)
    if lacking:
        findings.error(
            file,
            f"the shapefile lacks its {' and its '.join(lacking)}",
            "A shapefile is several files of one name: copy its .shp, .shx, .dbf and .prj "
            "together, or export it as GeoPackage.",
        )
        return None
    try:
        names = [str(name) for name, kind in pyogrio.list_layers(path) if kind is not None]
        if layer is not None and layer not in names:
            findings.error(
                file,
                "the file has no such layer",
                did_you_mean(layer, names, all_known="It has"),
                value=layer,
            )
            return None
        if layer is None and len(names) > 1:
            findings.error(
                file,
                "the file has several layers",
                f'Name one in the tract file, layer = "...": {some(names)}.',
            )
            return None
        with warnings.catch_warnings():
            # GDAL's remarks (measured geometries, field types) concern nothing that is used here.
            warnings.simplefilter("ignore")
            frame = pyogrio.read_dataframe(path, layer=layer or (names[0] if names else None))
    except (DataSourceError, DataLayerError, OSError, ValueError) as error:
        said = re.sub(re.escape(str(path)), file, str(error)).split(";")[0].rstrip(".")
        findings.error(
            file,
            f"cannot be read as a map layer: {said}",
            "Export it again as GeoPackage, shapefile, GeoJSON or FlatGeobuf.",
        )
        return None
    return frame if isinstance(frame, gpd.GeoDataFrame) else gpd.GeoDataFrame(frame)


def _lacking_parts(path: Path) -> list[str]:
    """Return the suffixes of a shapefile's necessary parts that are not there, in any case."""
    if path.suffix.lower() != ".shp":
        return []
    there = {p.suffix.lower() for p in path.parent.glob(f"{glob.escape(path.stem)}.*")}
    return [suffix for suffix in (".shx", ".dbf") if suffix not in there]


def _right_kind(
    frame: gpd.GeoDataFrame,
    file: str,
    findings: Findings,
    kinds: tuple[str, ...],
    key: str,
) -> bool:
    """Report features of a kind the table cannot use."""
    types = shapely.get_type_id(frame.geometry.to_numpy())
    allowed = [int(kind) for name in kinds for kind in KINDS[name]]
    collection = int(shapely.GeometryType.GEOMETRYCOLLECTION)
    if "polygon" in kinds:
        allowed.append(collection)  # its polygons are kept by the mending
    wrong = ~np.isin(types, [*allowed, -1])
    names = " or ".join(f"{name}s" for name in kinds)
    if wrong.all():
        findings.error(
            file,
            f"the layer holds no {names}, which {key} needs",
            f"Export a layer of {names}, or name another file or layer.",
            value=some(sorted(set(frame.geom_type))),
        )
        return False
    findings.rows(
        "error",
        file,
        f"not one of the {names} that {key} holds",
        f"Export a layer of {names}.",
        rows=frame["source_row"].to_numpy()[wrong],
        values=frame.geom_type.to_numpy(dtype=object)[wrong],
    )
    return not wrong.any()


def parse_crs(text: str, file: str, findings: Findings, *, column: str) -> pyproj.CRS | None:
    """Return the CRS a tract file names, or report that there is none such."""
    try:
        return pyproj.CRS.from_user_input(text)
    except pyproj.exceptions.CRSError:
        findings.error(
            file,
            "no coordinate system is known by this name",
            'Write its EPSG code, such as crs = "EPSG:4326" (longitude and latitude, WGS 84) or '
            '"EPSG:26917" (UTM zone 17 north, NAD 83).',
            column=column,
            value=text,
        )
        return None


def _placed(
    frame: gpd.GeoDataFrame, file: str, findings: Findings, *, crs: str | None, key: str
) -> gpd.GeoDataFrame | None:
    """Settle the layer's coordinate system from the file and the tract file."""
    given = None
    if crs is not None:
        given = parse_crs(crs, file, findings, column=f"{key[1:-1]}.crs")
        if given is None:
            return None
    if frame.crs is None and given is None:
        findings.error(
            file,
            "the layer has no coordinate system, so nothing on it can be measured",
            f'Export it again with one, or write crs = "EPSG:..." in {key}.',
        )
        return None
    if frame.crs is None:
        frame = frame.set_crs(given)
        findings.ledger.add(
            file, action="noted", new=crs, why=f"no coordinate system in the file; taken from {key}"
        )
    elif given is not None and frame.crs != given:
        findings.error(
            file,
            f"the file says its coordinate system is {frame.crs.name}, {key} says otherwise",
            f"Delete crs from {key} if the file is right; else export the file again.",
            column=f"{key[1:-1]}.crs",
            value=crs,
        )
        return None
    return frame if _believable(frame, file, findings) else None


def _believable(frame: gpd.GeoDataFrame, file: str, findings: Findings) -> bool:
    """Report coordinates that the layer's CRS cannot have."""
    bounds = frame.total_bounds
    name = frame.crs.name
    if not np.isfinite(bounds).all():
        return True  # empty geometries are the mending's business
    as_degrees = bool((np.abs(bounds) <= [180, 90, 180, 90]).all())
    if frame.crs.is_geographic and not as_degrees:
        swapped = bool((np.abs(bounds) <= [90, 180, 90, 180]).all())
        findings.error(
            file,
            f"the coordinates are not degrees, though the coordinate system is {name}",
            "Longitude and latitude are swapped: export with x = longitude."
            if swapped
            else "Give the coordinate system that the layer was drawn in.",
            value=_spoken_bounds(bounds),
        )
        return False
    if frame.crs.is_projected and as_degrees:
        findings.error(
            file,
            f"the coordinates look like degrees, though the coordinate system is {name}",
            'Give the one that the layer was drawn in, most likely "EPSG:4326".',
            value=_spoken_bounds(bounds),
        )
        return False
    x, y = _lonlat_of_centre(frame, bounds)
    if not np.isfinite([x, y]).all() or abs(y) > FURTHEST_FOREST_LAT:
        findings.error(
            file,
            f"in {name} these coordinates lie where no forest grows",
            "Longitude and latitude are swapped, or the coordinate system is not the one that the "
            "layer was drawn in.",
            value=_spoken_bounds(bounds),
        )
        return False
    area = frame.crs.area_of_use
    if area is not None and not _near_area(area, x, y):
        findings.warn(
            file,
            f"the layer lies outside the area {name} is meant for ({area.name})",
            "Check that this is the coordinate system it was drawn in.",
            value=f"{y:.3f} N {x:.3f} E",
        )
    return True


def _spoken_bounds(bounds: Any) -> str:
    left, bottom, right, top = (f"{v:.6g}" for v in bounds)
    return f"x {left} to {right}, y {bottom} to {top}"


def _lonlat_of_centre(frame: gpd.GeoDataFrame, bounds: Any) -> tuple[float, float]:
    centre = shapely.points([(bounds[0] + bounds[2]) / 2, (bounds[1] + bounds[3]) / 2])
    there = gpd.GeoSeries([centre], crs=frame.crs).to_crs("EPSG:4326")
    return float(there.x.iloc[0]), float(there.y.iloc[0])


def _near_area(area: Any, x: float, y: float) -> bool:
    if area.west > area.east:  # the area crosses the 180th meridian
        return True
    slack = OUT_OF_AREA_DEGREES
    return bool(
        area.west - slack <= x <= area.east + slack
        and area.south - slack <= y <= area.north + slack
    )
