"""Exclusions and rasters: what must stay, and the ground and canopy from above."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from rasterio.windows import Window, from_bounds

from standmap._rasters import RasterUnits, ft_per_unit, open_raster, stated_units
from standmap.errors import InputError
from standmap.land import set_back
from standmap.tract.columns import Column, find_columns
from standmap.tract.findings import Findings, did_you_mean
from standmap.tract.land_settings import ExclusionsTable, RastersTable, SetbackTable
from standmap.tract.sources import Sources
from standmap.tract.stands import mend_layer, text_column
from standmap.tract.vectors import open_layer

NEAR_M: Final = 1609.344
"""A layer with nothing within a mile of the stands is not of this tract. [m]"""
WHOLLY: Final = 0.999
"""Share of the stands' acres a raster must cover to be said to cover the tract."""
LAND_FT: Final = (-1_450.0, 29_100.0)
"""Lowest shore (the Dead Sea) and highest summit, with some room. Common knowledge. [ft]"""
MOST_CELLS: Final = 512
"""Elevations are looked through in so many rows and columns at most."""


def read_exclusions(
    table: ExclusionsTable, sources: Sources, stands: gpd.GeoDataFrame | None
) -> gpd.GeoDataFrame | None:
    """Read the acres that must stay, their setback put on.

    Returns
    -------
    GeoDataFrame or None
        ``reason``, ``source_row``, geometry (polygons), in the stands' CRS.
    """
    findings, file = sources.findings, table.file
    layer = open_layer(file, table, sources, key="[exclusions]", kinds=("polygon", "line", "point"))
    if layer is None:
        return None
    mapped = {}
    if "reason" in table.model_fields_set and table.reason is not None:
        mapped["reason"] = table.reason
    name = find_one(layer, "reason", mapped, file, findings)
    if name is None:
        return None
    out = gpd.GeoDataFrame(
        {"reason": text_column(layer, name), "source_row": layer["source_row"].to_numpy()},
        geometry=layer.geometry.to_numpy(),
        crs=layer.crs,
    )
    blank = (out["reason"] == "").to_numpy(dtype=bool)
    findings.rows(
        "warning",
        file,
        "the exclusion has no reason",
        "It is excluded as 'unnamed'; name it.",
        rows=out["source_row"].to_numpy()[blank],
        column=name,
    )
    out.loc[blank, "reason"] = "unnamed"
    reasons = [str(r) for r in out["reason"].unique()]
    for name_of_bare in table.bare:
        if name_of_bare not in reasons:
            findings.error(
                file,
                "no exclusion has this reason, so it cannot be bare of timber",
                did_you_mean(name_of_bare, reasons, all_known="Reasons"),
                column="exclusions.bare",
                value=name_of_bare,
            )
    flat = shapely.get_dimensions(out.geometry.to_numpy()) == 2
    thin = ~flat & ~shapely.is_missing(out.geometry.to_numpy())
    if table.setback_ft == 0:
        findings.rows(
            "error",
            file,
            "a line or point has no acres to exclude",
            "Give setback_ft in [exclusions], or draw it as a polygon.",
            rows=out["source_row"].to_numpy()[thin],
            column=name,
            values=out["reason"].to_numpy(dtype=object)[thin],
        )
    mended = mend_layer(out[~thin].reset_index(drop=True), "reason", file, findings)
    out = gpd.GeoDataFrame(
        {
            c: np.r_[mended[c].to_numpy(dtype=object), out[c].to_numpy(dtype=object)[thin]]
            for c in ("reason", "source_row")
        },
        geometry=np.r_[mended.geometry.to_numpy(), out.geometry.to_numpy()[thin]],
        crs=layer.crs,
    ).astype({"source_row": np.int64})
    out = to_stands(out, stands, file, findings, "[exclusions]")
    if table.setback_ft > 0 and len(out):
        out = set_back(out, table.setback_ft, crs=out.crs if stands is not None else None)
    return out[["reason", "geometry", "source_row"]]


def read_setbacks(
    tables: Sequence[SetbackTable], sources: Sources, stands: gpd.GeoDataFrame | None
) -> gpd.GeoDataFrame | None:
    """Read the layers of ``[[setbacks]]``, each kept away from by its own distance.

    Returns
    -------
    GeoDataFrame or None
        As :func:`read_exclusions`, in the order of the tables; None where there are none.
    """
    layers = [_read_setback(table, sources, stands) for table in tables]
    read = [layer for layer in layers if layer is not None]
    if not read:
        return None
    return gpd.GeoDataFrame(pd.concat(read, ignore_index=True), crs=read[0].crs)


def _read_setback(
    table: SetbackTable, sources: Sources, stands: gpd.GeoDataFrame | None
) -> gpd.GeoDataFrame | None:
    findings, file = sources.findings, table.file
    layer = open_layer(file, table, sources, key="[[setbacks]]", kinds=("polygon", "line", "point"))
    if layer is None:
        return None
    distance = _distances(layer, table, sources)
    if distance is None:
        return None
    out = gpd.GeoDataFrame(
        {
            "reason": np.full(len(layer), table.reason, dtype=object),
            "distance_ft": distance,
            "source_row": layer["source_row"].to_numpy(),
        },
        geometry=layer.geometry.to_numpy(),
        crs=layer.crs,
    )
    out = placed_only(out, file, findings)
    flat = shapely.get_dimensions(out.geometry.to_numpy()) == 2
    bare = ~flat & ~(out["distance_ft"] > 0).to_numpy(dtype=bool)
    findings.rows(
        "error",
        file,
        "a line or point has no acres to keep away from",
        "Give it a distance of more than 0 ft, or draw it as a polygon.",
        rows=out["source_row"].to_numpy()[bare],
        column=table.distance_column or "setbacks.distance_ft",
    )
    # Joined as drawn: lines and points have nothing to mend.
    mended = mend_layer(out[flat].reset_index(drop=True), "reason", file, findings)
    both = gpd.GeoDataFrame(pd.concat([mended, out[~flat]], ignore_index=True), crs=layer.crs)
    both = to_stands(both, stands, file, findings, "[[setbacks]]")
    plane = both.crs if stands is not None else None
    if not bare.any() and len(both):
        both = set_back(both, both["distance_ft"].to_numpy(dtype=float), crs=plane)
    return both[["reason", "geometry", "source_row"]]


def _distances(
    layer: gpd.GeoDataFrame, table: SetbackTable, sources: Sources
) -> npt.NDArray[np.float64] | None:
    """Return the distance kept from each feature, from its column or the one stated."""
    findings = sources.findings
    if table.distance_column is None and table.distance_ft is None:
        findings.error(
            sources.tract_file,
            f"no distance is given for {table.reason!r}",
            "Give distance_ft, or name the column that holds it, distance_column.",
            column="setbacks.distance_ft",
        )
        return None
    if table.distance_column is None:
        return np.full(len(layer), table.distance_ft, dtype=float)
    header = [str(c) for c in layer.columns if c not in ("geometry", "source_row")]
    found = find_columns(
        header,
        (Column("distance_column", required=True),),
        {"distance_column": table.distance_column},
        file=table.file,
        findings=findings,
    )
    if "distance_column" not in found:
        return None
    typed = layer[found["distance_column"].header]
    number = pd.to_numeric(typed, errors="coerce").to_numpy(dtype=float)
    blank = typed.isna().to_numpy() | (typed.astype(str).str.strip() == "").to_numpy()
    if table.distance_ft is not None:  # stands in for blank cells
        number = np.where(blank, table.distance_ft, number)
    wrong = ~((number >= 0) & np.isfinite(number))
    findings.rows(
        "error",
        table.file,
        "the distance to keep away must be 0 ft or more",
        "Mend it, or blank the cell and give distance_ft for such rows.",
        rows=layer["source_row"].to_numpy(dtype=np.int64)[wrong],
        column=table.distance_column,
        values=typed.to_numpy(dtype=object)[wrong],
    )
    return None if wrong.any() else number


def find_one(
    layer: gpd.GeoDataFrame, wanted: str, mapped: dict[str, str], file: str, findings: Findings
) -> str | None:
    """Return the layer's own name of one text column, or report that there is none."""
    header = [str(c) for c in layer.columns if c not in ("geometry", "source_row")]
    column = Column(wanted, required=True, number=False)
    found = find_columns(header, (column,), mapped, file=file, findings=findings)
    return found[wanted].header if wanted in found else None


def placed_only(layer: gpd.GeoDataFrame, file: str, findings: Findings) -> gpd.GeoDataFrame:
    """Set aside features without geometry."""
    shapes = layer.geometry.to_numpy()
    empty = shapely.is_missing(shapes) | shapely.is_empty(shapes)
    rows = layer["source_row"].to_numpy()[empty]
    what = "the feature has no geometry"
    findings.rows("warning", file, what, "It is set aside; redraw or delete it.", rows=rows)
    findings.ledger.add_rows(file, rows=rows, action="set aside", why=what)
    return layer[~empty].reset_index(drop=True)


def to_stands(
    layer: gpd.GeoDataFrame,
    stands: gpd.GeoDataFrame | None,
    file: str,
    findings: Findings,
    key: str,
) -> gpd.GeoDataFrame:
    """Bring a layer to the stands' CRS; one that lies elsewhere is remarked on."""
    if stands is None:
        return layer
    layer = layer.to_crs(stands.crs)
    if len(layer) == 0:
        return layer
    tract = shapely.box(*stands.total_bounds)
    away = shapely.distance(layer.geometry.to_numpy(), tract)
    if not (away <= NEAR_M).any():
        findings.warn(
            file,
            f"nothing in this layer lies within a mile of the stands, though {key} names it",
            "Check its coordinate system, and that it is the layer of this tract.",
        )
    return layer


_UNIT_WORDS: Final = {"m": "metres", "ft": "feet", "us_ft": "US survey feet"}


def find_rasters(
    table: RastersTable, sources: Sources, stands: gpd.GeoDataFrame | None
) -> dict[str, Path]:
    """Return the rasters that can be read, by what they hold ("elevation", "canopy")."""
    rasters: dict[str, Path] = {}
    for kind in ("elevation", "canopy"):
        file = getattr(table, kind)
        if file is None:
            continue
        path = sources.find(file, f"[rasters] {kind}")
        if path is not None and _check_raster(path, file, sources.findings, stands):
            _check_units(path, table, kind, sources)
            if kind == "elevation":
                _check_heights(path, file, table.elevation_units, sources.findings, stands)
            rasters[kind] = path
    return rasters


def _check_units(path: Path, table: RastersTable, kind: str, sources: Sources) -> None:
    """Tell of a raster whose own word on its unit is not the tract file's."""
    key, used = f"{kind}_units", getattr(table, f"{kind}_units")
    with open_raster(path) as source:
        own = stated_units(source)
    if own is None or (own == "m") == (used == "m"):  # the two feet differ by 2 in a million
        return
    what = f"the raster says that its heights are in {_UNIT_WORDS[own]}, and they are read as "
    what += _UNIT_WORDS[used]
    mend = f'In [rasters], {key} = "{own}"'
    if key in table.model_fields_set:
        sources.findings.warn(path.name, what, f"{mend}, unless the file is wrong.")
    else:
        sources.findings.error(path.name, what, f'{mend} (or "{used}", if the file is wrong).')


def _check_heights(
    path: Path, file: str, units: RasterUnits, findings: Findings, stands: gpd.GeoDataFrame | None
) -> None:
    """Refuse elevations that no land has: most often cells with no data that do not say so."""
    with open_raster(path) as source:
        window = None
        if stands is not None:
            bounds = stands.geometry.to_crs(source.crs.to_wkt()).total_bounds
            here = from_bounds(*bounds, transform=source.transform)
            window = here.intersection(Window(0, 0, source.width, source.height))
        rows, columns = (window.height, window.width) if window else source.shape
        shape = (min(int(rows) + 1, MOST_CELLS), min(int(columns) + 1, MOST_CELLS))
        cells = source.read(1, window=window, out_shape=shape, masked=True)
        height = cells.compressed().astype(float) * source.scales[0] + source.offsets[0]
    feet = height[np.isfinite(height)] * ft_per_unit(units)
    odd = feet[(feet < LAND_FT[0]) | (feet > LAND_FT[1])]
    if len(odd):
        value = odd[int(np.argmax(np.abs(odd)))] / ft_per_unit(units)
        findings.error(
            file,
            f"{len(odd) / len(feet):.0%} of the elevations over the stands are of no land",
            f"If {value:g} stands for no data, say so in the raster (its nodata value); else check "
            "elevation_units in [rasters].",
            value=f"{value:g} {_UNIT_WORDS[units]}",
        )


def _check_raster(
    path: Path, file: str, findings: Findings, stands: gpd.GeoDataFrame | None
) -> bool:
    if path.is_file() and path.stat().st_size == 0:
        findings.error(file, "the file is empty", "Export the raster again.")
        return False
    try:
        with open_raster(path) as source:
            crs, box = source.crs, shapely.box(*source.bounds)
            centre = source.width // 2, source.height // 2
            source.read(1, window=((centre[1], centre[1] + 1), (centre[0], centre[0] + 1)))
    except InputError as error:
        for problem in error.problems:
            findings.error(file, problem.what.replace(str(path), file), problem.mend)
        return False
    if stands is None:
        return True
    shapes = stands.geometry.to_crs(crs.to_wkt()).to_numpy()
    total = shapely.area(shapes).sum()
    share = shapely.area(shapely.intersection(shapes, box)).sum() / total if total > 0 else 0.0
    if not share > 0:
        findings.error(
            file,
            "the raster does not reach the tract",
            "Check its coordinate system, and that it is the raster of this tract.",
        )
        return False
    if share < WHOLLY:
        findings.warn(
            file,
            f"the raster covers only {share:.0%} of the stands",
            "What it shows holds for that part; use one that covers the tract.",
        )
    return True
