"""Polygons as people draw them: crossed rings, overlaps, gaps and slivers, found and mended.

Lengths and areas are measured in the layer's local projection (:func:`standmap.land.local_crs`);
polygons are cut in their own coordinates, so that borders that were shut stay shut. The tolerances
are the constants below; every function takes its own.
"""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from standmap.land._overlay import (
    GRID_DEGREES,
    GRID_M,
    Geometries,
    overlapping_pairs,
    polygons_only,
    union_by,
)
from standmap.land.acres import M_PER_FT, geodesic_acres, local_crs, require_crs, to_local
from standmap.units import FT_PER_M, SQM_PER_ACRE

SLIVER_WIDTH_FT: Final = 6.6
"""Narrower than this on average, a polygon is a sliver: a tenth of a chain, about the reach of a
hand-held receiver's error. Common practice, no source. [ft]"""

OVERLAP_ACRES: Final = 0.1
"""Overlaps up to this are drawing errors and may be mended; larger ones are for the owner of the
map to settle. Common practice, no source."""

NOISE_ACRES: Final = 1e-5
"""Overlaps and gaps below this (0.4 square feet) are arithmetic, not drawing."""

NOISE_WIDTH_FT: Final = 0.1
"""Overlaps and gaps narrower than this on average are arithmetic too: a straight border in one
projection bends by an inch or two in its first mile in another. [ft]"""

SAME_CLAIM: Final = 1e-6
"""Two claims on an overlap that differ by less than this share are equal."""

READINGS_AGREE: Final = 1e-6
"""Two ways of mending a ring agree when their areas differ by less than this share."""


def mend_polygons(
    layer: gpd.GeoDataFrame, id_column: str, *, sliver_width_ft: float = SLIVER_WIDTH_FT
) -> tuple[gpd.GeoDataFrame, list[dict[str, Any]]]:
    """Repair what can be read only one way, set aside what has no area, report the rest.

    Parameters
    ----------
    layer : GeoDataFrame
        Polygons and multipolygons; heights on the vertices are dropped.
    id_column : str
        Column that names each polygon in the report.
    sliver_width_ft : float
        Parts with a mean width (twice the area over the perimeter) below this are reported.

    Returns
    -------
    layer : GeoDataFrame
        The same rows without those set aside; every geometry valid, multiparts kept.
    mends : list of dict
        ``row`` (``source_row`` where the layer has one, else the feature number from 1), ``id``,
        ``action`` ("repaired", "set aside" or "noted"), ``what``, ``unambiguous`` (False where the
        outline can be read two ways that differ in acres: look at it), ``acres_before``,
        ``acres_after``. Before a repair, loops of a crossed ring cancel each other.

    Raises
    ------
    DomainError
        If the layer has no CRS.

    Notes
    -----
    A crossed ring keeps every loop it encloses, and a ring inside another of the same polygon is
    filled, as GEOS's "structure" repair does. Where the "linework" repair (each crossing switches
    between in and out) gives other acres, the mend is marked ambiguous and both are stated.

    Examples
    --------
    >>> bow_tie = shapely.Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])
    >>> stands = gpd.GeoDataFrame({"stand": ["A"]}, geometry=[bow_tie], crs="EPSG:32617")
    >>> mended, mends = mend_polygons(stands, "stand")
    >>> mends[0]["action"], mends[0]["what"]
    ('repaired', 'the outline crosses itself')
    """
    require_crs(layer)
    geometry = shapely.force_2d(np.asarray(layer.geometry.to_numpy(), dtype=object))
    before = np.zeros(len(layer))
    broken = ~(shapely.is_valid(geometry) | shapely.is_missing(geometry))
    after_linework = np.zeros(len(layer))
    if broken.any():
        crossed = gpd.GeoSeries(geometry[broken], crs=layer.crs)
        before[broken] = geodesic_acres(crossed)
        linework = shapely.make_valid(geometry[broken], method="linework")
        after_linework[broken] = geodesic_acres(gpd.GeoSeries(linework, crs=layer.crs))
        geometry[broken] = shapely.make_valid(
            geometry[broken], method="structure", keep_collapsed=False
        )
    geometry = polygons_only(geometry)
    after = geodesic_acres(gpd.GeoSeries(geometry, crs=layer.crs))
    before[~broken] = after[~broken]
    gone = after == 0
    two_ways = broken & ~np.isclose(after, after_linework, rtol=READINGS_AGREE, atol=0)

    rows = feature_rows(layer)
    names = layer[id_column].astype(str).to_numpy()

    def mend(i: np.integer[Any], action: str, what: str, *, sure: bool = True) -> dict[str, Any]:
        return {
            "row": int(rows[i]),
            "id": names[i],
            "action": action,
            "what": what,
            "unambiguous": sure,
            "acres_before": float(before[i]),
            "acres_after": float(after[i]),
        }

    mends = [mend(i, "set aside", "there is no polygon here") for i in np.flatnonzero(gone)]
    for i in np.flatnonzero(broken & ~gone):
        what = "the outline crosses itself"
        if two_ways[i]:
            what += f" and can be read as {after[i]:.4g} or as {after_linework[i]:.4g} acres"
        mends.append(mend(i, "repaired", what, sure=not two_ways[i]))
    mended = layer.loc[~gone].copy()
    mended = mended.set_geometry(gpd.GeoSeries(geometry[~gone], index=mended.index, crs=layer.crs))
    position = np.flatnonzero(~gone)
    slivers = find_slivers(mended, id_column, max_width_ft=sliver_width_ft)
    for i, acres, width in zip(
        slivers["position"], slivers["acres"], slivers["width_ft"], strict=True
    ):
        what = f"a part of {acres:.4g} acres is only {width:.2g} ft wide on average"
        mends.append(mend(position[i], "noted", what))
    return mended, mends


def find_slivers(
    layer: gpd.GeoDataFrame, id_column: str, *, max_width_ft: float = SLIVER_WIDTH_FT
) -> pd.DataFrame:
    """List the parts of polygons whose mean width, 2 x area / perimeter, is under a tolerance.

    Returns
    -------
    DataFrame
        One row per sliver: ``position`` (of the polygon in the layer, from 0), ``id``, ``acres``,
        ``width_ft``. A strip of length L and width w measures wL / (w + L), just under w.
    """
    empty = pd.DataFrame({"position": [], "id": [], "acres": [], "width_ft": []})
    if layer.empty:
        return empty
    local = np.asarray(to_local(layer.geometry).to_numpy(), dtype=object)
    parts, owner = shapely.get_parts(local, return_index=True)
    width_ft = mean_width_ft(parts)
    thin = width_ft < max_width_ft
    return pd.DataFrame(
        {
            "position": owner[thin],
            "id": layer[id_column].astype(str).to_numpy()[owner[thin]],
            "acres": shapely.area(parts[thin]) / SQM_PER_ACRE,
            "width_ft": width_ft[thin],
        }
    )


def find_overlaps(
    layer: gpd.GeoDataFrame, id_column: str, *, min_acres: float = NOISE_ACRES
) -> gpd.GeoDataFrame:
    """Find every pair of polygons that cover the same ground.

    Parameters
    ----------
    layer : GeoDataFrame
        Valid polygons.
    id_column : str
        Column that names them.
    min_acres : float
        Overlaps below this are not reported, nor any narrower than 0.1 ft on average.

    Returns
    -------
    GeoDataFrame
        In the layer's CRS, largest overlap first: ``a``, ``b`` (ids), ``position_a``,
        ``position_b`` (rows from 0, a before b), ``acres``, ``width_ft`` (mean width), geometry.

    Examples
    --------
    >>> squares = [shapely.box(0, 0, 100, 100), shapely.box(90, 0, 200, 100)]
    >>> stands = gpd.GeoDataFrame({"stand": ["A", "B"]}, geometry=squares, crs="EPSG:32617")
    >>> found = find_overlaps(stands, "stand")
    >>> found[["a", "b"]].to_numpy().tolist(), found["acres"].round(2).item()
    ([['A', 'B']], 0.25)
    """
    crs = require_crs(layer)
    geometry = np.asarray(layer.geometry.to_numpy(), dtype=object)
    first, second, shared = overlapping_pairs(geometry, grid=_grid(layer))
    plane = _in_plane(shared, layer)
    acres, width_ft = shapely.area(plane) / SQM_PER_ACRE, mean_width_ft(plane)
    names = layer[id_column].astype(str).to_numpy()
    found = gpd.GeoDataFrame(
        {
            "a": names[first],
            "b": names[second],
            "position_a": first,
            "position_b": second,
            "acres": acres,
            "width_ft": width_ft,
        },
        geometry=shared,
        crs=crs,
    )[(acres >= min_acres) & (width_ft >= NOISE_WIDTH_FT)]
    return found.sort_values("acres", ascending=False, kind="stable", ignore_index=True)


def mend_overlaps(
    layer: gpd.GeoDataFrame, id_column: str, *, max_acres: float = OVERLAP_ACRES
) -> tuple[gpd.GeoDataFrame, list[dict[str, Any]], gpd.GeoDataFrame]:
    """Give each small overlap to one of its two polygons; leave the large ones and list them.

    Parameters
    ----------
    layer : GeoDataFrame
        Valid polygons.
    id_column : str
        Column that names them.
    max_acres : float
        Overlaps up to this are mended.

    Returns
    -------
    layer : GeoDataFrame
        With the small overlaps taken from the losing polygon.
    mends : list of dict
        As in :func:`mend_polygons`, one for each overlap mended; row and id are of the polygon
        that lost the ground.
    left : GeoDataFrame
        The overlaps too large to mend, as from :func:`find_overlaps`.

    Notes
    -----
    An overlap goes to the polygon with which it shares the longer border; a polygon that lies
    whole inside another keeps its ground. Where three or more polygons meet in one overlap,
    borders could leave a hole: there the larger polygon wins. Ties go to the id that sorts first,
    so the order of the rows never matters. An overlap whose mending would leave a polygon with
    nothing (the same stand drawn twice) is left, whatever its size.
    """
    found = find_overlaps(layer, id_column)
    if found.empty:
        return layer.copy(), [], found
    geometry = np.asarray(layer.geometry.to_numpy(), dtype=object)
    shared = np.asarray(found.geometry.to_numpy(), dtype=object)
    a, b = found["position_a"].to_numpy(), found["position_b"].to_numpy()
    names = layer[id_column].astype(str).to_numpy()
    a_wins = _first_wins(layer, names, a, b, shared)
    winner, loser = np.where(a_wins, a, b), np.where(a_wins, b, a)
    small = (found["acres"] <= max_acres).to_numpy(copy=True)
    emptied = _emptied(layer, *_less(layer, loser[small], shared[small]))
    small &= ~np.isin(loser, emptied)
    left = found[~small].reset_index(drop=True)
    if not small.any():
        return layer.copy(), [], left

    losers, remains = _less(layer, loser[small], shared[small])
    trimmed = geometry.copy()
    trimmed[losers] = remains
    mended = layer.set_geometry(gpd.GeoSeries(trimmed, index=layer.index, crs=layer.crs))
    before, after = geodesic_acres(layer), geodesic_acres(mended)
    rows = feature_rows(layer)
    mends = [
        {
            "row": int(rows[lose]),
            "id": names[lose],
            "action": "repaired",
            "what": f"{acres:.4g} acres also inside {names[win]} were given to {names[win]}",
            "unambiguous": True,
            "acres_before": float(before[lose]),
            "acres_after": float(after[lose]),
        }
        for lose, win, acres in zip(
            loser[small], winner[small], found["acres"].to_numpy()[small], strict=True
        )
    ]
    return mended, mends, left


def find_gaps(
    layer: gpd.GeoDataFrame,
    id_column: str,
    *,
    max_width_ft: float = SLIVER_WIDTH_FT,
    min_acres: float = NOISE_ACRES,
) -> gpd.GeoDataFrame:
    """Find narrow ground between polygons that belongs to none, and the holes they enclose.

    Parameters
    ----------
    layer : GeoDataFrame
        Valid polygons.
    id_column : str
        Column that names them.
    max_width_ft : float
        Gaps open to the outside are found up to this width.
    min_acres : float
        Gaps below this are not reported, nor any narrower than 0.1 ft on average.

    Returns
    -------
    GeoDataFrame
        In the layer's CRS, largest first: ``between`` (ids, joined by ", "), ``acres``,
        ``width_ft`` (mean width), ``enclosed`` (True for a hole, of any width, which may well be
        an inholding and meant), geometry.
    """
    crs = require_crs(layer)
    if layer.empty:
        columns = ["between", "acres", "width_ft", "enclosed"]
        return gpd.GeoDataFrame(columns=[*columns, "geometry"], geometry="geometry", crs=crs)
    local = to_local(layer.geometry)
    geometry = np.asarray(local.to_numpy(), dtype=object)
    union = shapely.union_all(geometry, grid_size=GRID_M)
    outlines = shapely.union_all(
        shapely.polygons(shapely.get_exterior_ring(shapely.get_parts(union)))
    )
    # Closing: out by half the width and back; mitred, so that ordinary corners come back as drawn.
    half = max_width_ft * M_PER_FT / 2
    swollen = shapely.buffer(union, half, join_style="mitre", mitre_limit=2)
    closed = shapely.buffer(swollen, -half, join_style="mitre", mitre_limit=2)
    filled = shapely.union(closed, outlines, grid_size=GRID_M)
    gaps = shapely.difference(filled, union, grid_size=GRID_M)
    gaps = shapely.get_parts(polygons_only(np.array([gaps], dtype=object)))
    gaps = gaps[shapely.area(gaps) / SQM_PER_ACRE >= min_acres]

    near = shapely.buffer(gaps, 1e-3)  # a millimetre: borders need not coincide to the last bit
    gap, neighbour = shapely.STRtree(geometry).query(near, predicate="intersects")
    names = layer[id_column].astype(str).to_numpy()
    meets = pd.DataFrame({"gap": gap, "name": names[neighbour]}).drop_duplicates()
    by_gap = meets.sort_values("name").groupby("gap")["name"]
    every = np.arange(len(gaps))
    between = by_gap.agg(", ".join).reindex(every, fill_value="").to_numpy()
    sides = by_gap.size().reindex(every, fill_value=0).to_numpy()
    enclosed = shapely.contains(outlines, shapely.point_on_surface(gaps))
    found = gpd.GeoDataFrame(
        {
            "between": between,
            "acres": shapely.area(gaps) / SQM_PER_ACRE,
            "width_ft": mean_width_ft(gaps),
            "enclosed": enclosed,
        },
        geometry=gaps,
        crs=local.crs,
    )
    found = found[((sides >= 2) | enclosed) & (found["width_ft"] >= NOISE_WIDTH_FT)]
    found = found.sort_values("acres", ascending=False, kind="stable", ignore_index=True)
    return found.to_crs(crs)


def _in_plane(geometry: Geometries, layer: gpd.GeoDataFrame) -> Geometries:
    """Bring geometries in the CRS of a layer to the plane where they can be measured."""
    if not len(geometry):
        return geometry
    shapes = gpd.GeoSeries(geometry, crs=layer.crs)
    return np.asarray(to_local(shapes, local_crs(layer)).to_numpy(), dtype=object)


def _first_wins(
    layer: gpd.GeoDataFrame,
    names: NDArray[np.object_],
    a: NDArray[np.int64],
    b: NDArray[np.int64],
    shared: Geometries,
) -> NDArray[np.bool_]:
    """Return, for each overlap of a and b, whether a keeps it."""
    geometry = np.asarray(layer.geometry.to_numpy(), dtype=object)
    rank = np.empty(len(names), dtype=np.int64)
    rank[np.argsort(names, kind="stable")] = np.arange(len(names))
    outline = shapely.boundary(shared)

    def border(side: NDArray[np.int64]) -> NDArray[np.float64]:
        rest = shapely.difference(geometry[side], shared, grid_size=_grid(layer))
        common = shapely.intersection(outline, shapely.boundary(rest), grid_size=_grid(layer))
        length = shapely.length(_in_plane(common, layer))
        whole = shapely.area(_in_plane(rest, layer)) < NOISE_ACRES * SQM_PER_ACRE
        return np.where(whole, np.inf, length)  # it lies whole inside the other

    one, other, _ = overlapping_pairs(shared, grid=_grid(layer))
    crowded = np.isin(np.arange(len(shared)), np.r_[one, other])
    size = geodesic_acres(layer)
    claim_a = np.where(crowded, size[a], border(a))
    claim_b = np.where(crowded, size[b], border(b))
    # Both infinite, or equal but for arithmetic: the id decides.
    tie = (claim_a == claim_b) | np.isclose(claim_a, claim_b, rtol=SAME_CLAIM, atol=0)
    return np.where(tie, rank[a] < rank[b], claim_a > claim_b)


def _grid(layer: gpd.GeoDataFrame) -> float:
    """Return the grid that overlays in the layer's own coordinates are worked on."""
    return GRID_DEGREES if layer.crs.is_geographic else GRID_M


def _less(
    layer: gpd.GeoDataFrame, loser: NDArray[np.int64], shared: Geometries
) -> tuple[NDArray[np.int64], Geometries]:
    """Return which polygons lose ground, and what remains of them."""
    losers, lost = union_by(loser, shared, grid=_grid(layer))
    whole = np.asarray(layer.geometry.to_numpy(), dtype=object)[losers]
    return losers, polygons_only(shapely.difference(whole, lost, grid_size=_grid(layer)))


def _emptied(
    layer: gpd.GeoDataFrame, losers: NDArray[np.int64], remains: Geometries
) -> NDArray[np.int64]:
    """Return the polygons that would be left with nothing."""
    acres = shapely.area(_in_plane(remains, layer)) / SQM_PER_ACRE
    return np.asarray(losers[acres < NOISE_ACRES])


def mean_width_ft(polygons: Geometries) -> NDArray[np.float64]:
    """Return 2 x area / perimeter: the width of a long strip, in feet."""
    perimeter = shapely.length(polygons)
    width = 2 * shapely.area(polygons) / np.where(perimeter > 0, perimeter, 1)
    return np.asarray(width * FT_PER_M)


def feature_rows(layer: gpd.GeoDataFrame) -> NDArray[np.int64]:
    """Return the row a user sees: where the layer came with one, that; else counted from 1."""
    if "source_row" in layer:
        return np.asarray(layer["source_row"], dtype=np.int64)
    return np.arange(1, len(layer) + 1)
