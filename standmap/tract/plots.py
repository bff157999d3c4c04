"""The plots: read from a table or a point layer, and set in their stands."""

from __future__ import annotations

from pathlib import Path
from typing import Final, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from standmap.tract.columns import (
    INDIRECT_COLUMNS,
    PLOT_COLUMNS,
    Found,
    find_columns,
    mapped_names,
)
from standmap.tract.edges import check_edge_columns
from standmap.tract.findings import Findings, some
from standmap.tract.placing import place
from standmap.tract.settings import PlotsTable
from standmap.tract.sources import Sources
from standmap.tract.tables import Table, read_table
from standmap.tract.vectors import is_vector, parse_crs, read_layer

AXIS_WORDS: Final = {
    "x": ("lon", "long", "longitude", "easting", "x_coord", "point_x"),
    "y": ("lat", "latitude", "northing", "y_coord", "point_y"),
}
"""Headers that most likely hold a coordinate: named in the hint, never taken unasked."""

ObjectArray = npt.NDArray[np.object_]


class Listed(NamedTuple):
    """A plot list as read, and whether its stands can be found (its coordinates mean something)."""

    plots: gpd.GeoDataFrame
    placeable: bool


def read_plots(
    table: PlotsTable, sources: Sources, stands: gpd.GeoDataFrame | None
) -> gpd.GeoDataFrame | None:
    """Read the plots and find their stands.

    Parameters
    ----------
    table : PlotsTable
        ``[plots]`` of the tract file.
    sources : Sources
        Where files are found and faults go.
    stands : GeoDataFrame or None
        The stands, if they could be read; without them plots are not placed.

    Returns
    -------
    GeoDataFrame or None
        ``plot``, ``stand`` ("" where outside), ``baf``, ``plot_acres`` (NaN unless given),
        ``edge`` ("" unless given), ``share`` (1 for a whole plot), ``recorded`` (stand of the
        record), what only some designs need (`INDIRECT_COLUMNS`), ``source_row``, geometry (None
        where not mapped), in the stands' CRS.
    """
    path = sources.find(table.file, "[plots]")
    if path is None:
        return None
    reader = _from_layer if is_vector(path) else _from_table
    listed = reader(table, sources, path)
    if listed is None:
        return None
    plots = _one_of_each(listed.plots, table.file, sources.findings)
    _remark_shared_places(plots, table.file, sources.findings)
    if stands is None or not listed.placeable:
        return plots
    return place(plots, stands, table.file, sources.findings, wins=table.stand_wins)


def _from_layer(table: PlotsTable, sources: Sources, path: Path) -> Listed | None:
    findings, file = sources.findings, table.file
    layer = read_layer(
        path, file, findings, key="[plots]", kinds=("point",), layer=table.layer, crs=table.crs
    )
    if layer is None:
        return None
    header = [str(c) for c in layer.columns if c not in ("geometry", "source_row")]
    columns = tuple(c for c in PLOT_COLUMNS if c.name not in ("x", "y"))
    found = find_columns(
        header, columns, mapped_names(table, columns), file=file, findings=findings
    )
    if "plot" not in found:
        return None
    points = layer.geometry.to_numpy()
    many = shapely.get_num_geometries(points) > 1
    rows = layer["source_row"].to_numpy()
    findings.rows(
        "error",
        file,
        "the feature holds several points",
        "Split it into one plot a feature.",
        rows=rows[many],
    )
    placed = ~(shapely.is_missing(points) | shapely.is_empty(points))
    points[placed] = shapely.get_geometry(points[placed], 0)
    points[~placed] = None
    attributes = layer[header].set_axis(range(len(header)), axis=1)
    read = Table(file, header, pd.DataFrame(attributes), rows)
    return Listed(_frame(read, found, points, layer.crs, findings), placeable=True)


def _from_table(table: PlotsTable, sources: Sources, path: Path) -> Listed | None:
    findings, file = sources.findings, table.file
    if table.layer is not None:
        findings.error(file, "a table has no layers", "Delete the layer key.", column="plots.layer")
    read = read_table(path, file, findings, sheet=table.sheet)
    if read is None:
        return None
    found = find_columns(
        read.header, PLOT_COLUMNS, mapped_names(table, PLOT_COLUMNS), file=file, findings=findings
    )
    absent = [name for name in ("x", "y") if name not in found]
    if absent and not (len(absent) == 2 and "stand" in found):
        for name in absent:
            if getattr(table, name) is not None:  # mapped to no column, and told of as such
                continue
            theirs = next((h for h in read.header if h.casefold() in AXIS_WORDS[name]), None)
            findings.error(
                file,
                "the column is missing",
                f'Map yours in [plots] ({name} = "{theirs or "your column"}"), or give every '
                f"plot a stand column. The header has: {some([h for h in read.header if h])}.",
                column=name,
            )
        return None
    if "plot" not in found:
        return None
    n = len(read)
    nowhere = np.full(n, None, dtype=object)
    if absent:
        why = "no coordinates: each plot is in the stand its record names"
        findings.ledger.add(file, action="noted", why=why)
        return Listed(_frame(read, found, nowhere, None, findings), placeable=True)
    crs = None
    if table.crs is None:
        findings.error(
            file,
            "a table of coordinates does not say their coordinate system",
            'Write crs in [plots], such as crs = "EPSG:4326" for longitude and latitude.',
            column="plots.crs",
        )
    else:
        crs = parse_crs(table.crs, sources.tract_file, findings, column="plots.crs")
    x = numbers(read, found["x"], findings)
    y = numbers(read, found["y"], findings)
    if crs is None:
        return Listed(_frame(read, found, nowhere, None, findings), placeable=False)
    known = ~(np.isnan(x) | np.isnan(y))
    points = np.full(n, None, dtype=object)
    points[known] = shapely.points(x[known], y[known])
    recorded = read.text(found["stand"].at).to_numpy(dtype=object) if "stand" in found else ""
    lost = ~known & (np.full(n, recorded, dtype=object) == "")
    blank = np.logical_or(*((read.text(found[c].at) == "").to_numpy(dtype=bool) for c in "xy"))
    findings.rows(
        "error",
        file,
        "the plot has no coordinates and no stand",
        "Type x and y, or the stand it was taken in.",
        rows=read.rows[lost & blank],
        column="x",
    )
    return Listed(_frame(read, found, points, crs, findings), placeable=True)


def numbers(table: Table, where: Found, findings: Findings) -> npt.NDArray[np.float64]:
    """Return a number column in its canonical unit; text in it is an error on its row."""
    values, bad = table.number(where.at)
    if bad.any():
        findings.rows(
            "error",
            table.file,
            "not a number",
            "Type the number alone, or blank the cell if it was not measured.",
            rows=table.rows[bad],
            column=where.header,
            values=table.text(where.at).to_numpy(dtype=object)[bad],
        )
    return values * where.factor


def _frame(
    read: Table,
    found: dict[str, Found],
    points: ObjectArray,
    crs: pyproj.CRS | None,
    findings: Findings,
) -> gpd.GeoDataFrame:
    """Put the columns of a plot list together."""
    n = len(read)
    nan = np.full(n, np.nan)
    plots = gpd.GeoDataFrame(
        {
            "plot": read.text(found["plot"].at).to_numpy(dtype=object),
            "stand": read.text(found["stand"].at).to_numpy(dtype=object)
            if "stand" in found
            else np.full(n, "", dtype=object),
            "baf": numbers(read, found["baf"], findings) if "baf" in found else nan,
            "plot_acres": numbers(read, found["plot_acres"], findings)
            if "plot_acres" in found
            else nan,
            "edge": read.text(found["edge"].at).to_numpy(dtype=object)
            if "edge" in found
            else np.full(n, "", dtype=object),
            "share": numbers(read, found["share"], findings) if "share" in found else nan,
            **_cheap_columns(read, found, findings),
            "source_row": read.rows,
        },
        geometry=points,
        crs=crs,
    )
    for name in ("baf", "plot_acres"):
        wrong = (plots[name] <= 0).to_numpy(dtype=bool)
        findings.rows(
            "error",
            read.file,
            "must be above zero",
            "Type the plot's own factor or size, or blank the cell to take that of [cruise].",
            rows=read.rows[wrong],
            column=name,
            values=plots[name].to_numpy(dtype=object)[wrong],
        )
    check_edge_columns(plots, found, read.file, findings)
    return plots


def _cheap_columns(
    read: Table, found: dict[str, Found], findings: Findings
) -> dict[str, ObjectArray | npt.NDArray[np.float64]]:
    """Return what only some designs need: NaN or blank where the list does not have it."""
    number = {column.name: column.number for column in PLOT_COLUMNS}
    made: dict[str, ObjectArray | npt.NDArray[np.float64]] = {}
    for name in INDIRECT_COLUMNS:
        if number[name]:
            none = np.full(len(read), np.nan)
            made[name] = numbers(read, found[name], findings) if name in found else none
        elif name in found:
            made[name] = read.text(found[name].at).to_numpy(dtype=object)
        else:
            made[name] = np.full(len(read), "", dtype=object)
    return made


def _one_of_each(plots: gpd.GeoDataFrame, file: str, findings: Findings) -> gpd.GeoDataFrame:
    """Report plots without a name and plots listed twice; identical repeats are set aside."""
    blank = (plots["plot"] == "").to_numpy(dtype=bool)
    rows = plots["source_row"].to_numpy()
    findings.rows(
        "error",
        file,
        "the plot has no name",
        "Type the plot's name, as in the tally.",
        rows=rows[blank],
        column="plot",
    )
    first = plots.drop_duplicates("plot").set_index("plot")
    again = plots["plot"].duplicated().to_numpy(dtype=bool) & ~blank
    keep = ~blank & ~again
    for at in np.flatnonzero(again):
        one, original = plots.iloc[at], first.loc[plots["plot"].iloc[at]]
        same = all(
            one[c] == original[c] or (pd.isna(one[c]) and pd.isna(original[c]))
            for c in ("stand", "baf", "plot_acres", "edge", "share", *INDIRECT_COLUMNS)
        ) and _same_point(one.geometry, original.geometry)
        row, name = int(rows[at]), str(one["plot"])
        if same:
            why = f"the same plot, listed already on row {original['source_row']}"
            findings.warn(
                file,
                why,
                "The second listing is set aside; delete it.",
                row=row,
                column="plot",
                value=name,
            )
            findings.ledger.add(file, row=row, column="plot", old=name, action="set aside", why=why)
        else:
            findings.error(
                file,
                f"a second plot of this name (the first is on row {original['source_row']})",
                "Rename one of them, here and in the tally.",
                row=row,
                column="plot",
                value=name,
            )
    return plots[keep].reset_index(drop=True)


def _remark_shared_places(plots: gpd.GeoDataFrame, file: str, findings: Findings) -> None:
    """Tell of plots that stand on the very point of an earlier one."""
    mapped = plots[plots.geometry.notna().to_numpy(dtype=bool)]
    again = pd.Series(shapely.to_wkb(mapped.geometry.to_numpy())).duplicated().to_numpy()
    if again.any():
        names = some(list(mapped["plot"][again]))
        findings.warn(
            file,
            f"{again.sum()} plots have the very coordinates of another",
            f"All are used; correct the places that were copied: {names}.",
            column="plot",
        )


def _same_point(one: object, other: object) -> bool:
    return (one is None and other is None) or bool(
        one is not None and other is not None and shapely.equals(one, other)
    )
