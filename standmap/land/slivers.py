"""Slivers given away: narrow gaps between polygons, and narrow parts of them, by a stated width."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from standmap.land._overlay import GRID_M, Geometries, polygons_only, union_by
from standmap.land.acres import geodesic_acres, local_crs, to_local
from standmap.land.mend import SLIVER_WIDTH_FT, feature_rows, find_gaps, mean_width_ft
from standmap.units import SQM_PER_ACRE

TOUCH_M: Final = 1e-3
"""A border runs along another where it is within a millimetre of it."""


def give_slivers(
    layer: gpd.GeoDataFrame, id_column: str, *, max_width_ft: float = SLIVER_WIDTH_FT
) -> tuple[gpd.GeoDataFrame, list[dict[str, Any]]]:
    """Give each narrow gap, and each narrow loose part, to the neighbour it borders longest.

    Parameters
    ----------
    layer : GeoDataFrame
        Valid polygons that do not overlap.
    id_column : str
        Column that names them.
    max_width_ft : float
        Gaps and parts with a mean width (twice the area over the perimeter) below this are given.

    Returns
    -------
    layer : GeoDataFrame
        The same rows, in the layer's CRS.
    mends : list of dict
        As from :func:`standmap.land.mend_polygons`, one for each polygon that gained or lost.

    Notes
    -----
    The layer gains the acres of the gaps and nothing else. A part that borders no other polygon,
    or is all there is of its own, stays. Ties go to the id that sorts first.
    """
    local = to_local(layer.geometry, local_crs(layer))
    own = np.asarray(local.to_numpy(), dtype=object)
    names = layer[id_column].astype(str).to_numpy()
    shapes, giver = _loose_parts(own, max_width_ft)
    gaps = find_gaps(layer.set_geometry(local), id_column, max_width_ft=max_width_ft)
    narrow = gaps[gaps["width_ft"] < max_width_ft]
    shapes = np.r_[shapes, np.asarray(narrow.geometry.to_numpy(), dtype=object)]
    giver = np.r_[giver, np.full(len(narrow), -1)]
    winner = _longest_border(shapes, giver, own, names)
    given = winner >= 0
    shapes, giver, winner = shapes[given], giver[given], winner[given]
    if not len(shapes):
        return layer.copy(), []

    after = own.copy()
    lost = giver >= 0
    losers, gone = union_by(giver[lost], shapes[lost])
    after[losers] = polygons_only(shapely.difference(own[losers], gone, grid_size=GRID_M))
    winners = np.unique(winner)
    keys, made = union_by(np.r_[winners, winner], np.r_[after[winners], shapes])
    after[keys] = made
    there = gpd.GeoSeries(after, index=layer.index, crs=local.crs).to_crs(layer.crs)
    touched = np.unique(np.r_[losers, winners])
    # Polygons that neither gain nor lose keep their outlines to the last bit.
    shown = np.asarray(layer.geometry.to_numpy(), dtype=object).copy()
    shown[touched] = there.to_numpy()[touched]
    mended = layer.set_geometry(gpd.GeoSeries(shown, index=layer.index, crs=layer.crs))
    acres = shapely.area(shapes) / SQM_PER_ACRE
    return mended, _entries(layer, mended, names, giver, winner, acres, max_width_ft)


def _loose_parts(own: Geometries, width_ft: float) -> tuple[Geometries, NDArray[np.int64]]:
    """Return the narrow parts of polygons that have wider ones, and whose they are."""
    parts, owner = shapely.get_parts(own, return_index=True)
    thin = mean_width_ft(parts) < width_ft
    wide = np.zeros(len(own), dtype=bool)
    wide[owner[~thin]] = True
    loose = thin & wide[owner]
    return parts[loose], owner[loose].astype(np.int64)


def _longest_border(
    shapes: Geometries, giver: NDArray[np.int64], own: Geometries, names: NDArray[np.object_]
) -> NDArray[np.int64]:
    """Return which polygon each sliver borders longest, its own aside; -1 for none."""
    sliver, at = shapely.STRtree(own).query(shapes, predicate="dwithin", distance=TOUCH_M)
    other = at != giver[sliver]
    sliver, at = sliver[other], at[other]
    along = shapely.intersection(shapely.boundary(shapes[sliver]), shapely.buffer(own[at], TOUCH_M))
    claims = pd.DataFrame(
        {"sliver": sliver, "at": at, "length": shapely.length(along).round(3), "name": names[at]}
    )
    claims = claims[claims["length"] > 2 * TOUCH_M]
    best = claims.sort_values(["length", "name"], ascending=[False, True]).drop_duplicates("sliver")
    winner = np.full(len(shapes), -1, dtype=np.int64)
    winner[best["sliver"]] = best["at"]
    return winner


def _entries(
    layer: gpd.GeoDataFrame,
    mended: gpd.GeoDataFrame,
    names: NDArray[np.object_],
    giver: NDArray[np.int64],
    winner: NDArray[np.int64],
    acres: NDArray[np.float64],
    width_ft: float,
) -> list[dict[str, Any]]:
    """Say what each polygon gained and lost."""
    before, after = geodesic_acres(layer), geodesic_acres(mended)
    rows = feature_rows(layer)
    said: dict[int, list[str]] = {}
    for source, to, size in zip(giver.tolist(), winner.tolist(), acres.tolist(), strict=True):
        start = f"{size:.4g} acres narrower than {width_ft:g} ft"
        if source < 0:
            said.setdefault(to, []).append(f"{start} that no polygon held were added")
        else:
            said.setdefault(to, []).append(f"{start} were taken over from {names[source]}")
            said.setdefault(source, []).append(f"{start} were given to {names[to]}")
    return [
        {
            "row": int(rows[i]),
            "id": names[i],
            "action": "repaired",
            "what": "; ".join(said[i]),
            "unambiguous": True,
            "acres_before": float(before[i]),
            "acres_after": float(after[i]),
        }
        for i in sorted(said)
    ]
