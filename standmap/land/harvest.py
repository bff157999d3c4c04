"""Harvest units against the stands and what must stay: acres, and conflicts to settle."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray

from standmap.land._overlay import (
    GRID_M,
    Geometries,
    carve,
    overlapping_pairs,
    sound_polygons,
    union_by,
)
from standmap.land.acres import geodesic_acres, local_crs
from standmap.land.mend import NOISE_ACRES
from standmap.land.stay import acres_by, ranked_units
from standmap.units import SQM_PER_ACRE

CONFLICT_ACRES: Final = 0.01
"""A unit with more than this inside stream buffers is flagged; below it (436 square feet) lies
the drawing of a shared line, not a conflict. Common practice, no source."""


def unit_table(
    units: gpd.GeoDataFrame,
    pieces: pd.DataFrame,
    stands: gpd.GeoDataFrame,
    buffers: gpd.GeoDataFrame | None = None,
    *,
    conflict_acres: float = CONFLICT_ACRES,
) -> pd.DataFrame:
    """Account for every acre of each harvest unit.

    Parameters
    ----------
    units : GeoDataFrame
        Column ``unit``; valid polygons. Rows of the same unit count as one.
    pieces : DataFrame
        From ``exclude(stands, buffers, exclusions, units)``.
    stands : GeoDataFrame
        The stands that were cut.
    buffers : GeoDataFrame, optional
        The stream buffers: a unit that leaves the stands and enters one there is flagged too.
    conflict_acres : float
        A unit with more than this inside stream buffers is a conflict.

    Returns
    -------
    DataFrame
        Indexed by unit, sorted: ``gross_acres``, ``net_acres``, ``buffer_acres``,
        ``exclusion_acres``, ``outside_acres`` (in no stand), ``overlap_acres`` (counted in a unit
        that sorts before it), ``outside_buffer_acres`` (of the outside acres, those inside a
        stream buffer), ``overlaps`` (units that cover some of the same ground, joined by ", ")
        and ``conflict``. Gross is the sum of net, buffer, exclusion, outside and overlap.

    Raises
    ------
    DomainError
        If a layer has no CRS or a polygon is not valid.
    """
    crs = local_crs(stands)
    rows, rank, names = ranked_units(units, crs)
    _, whole = union_by(rank, rows)
    gross = geodesic_acres(gpd.GeoSeries(whole, crs=crs))
    scale = gross * SQM_PER_ACRE / np.maximum(shapely.area(whole), np.finfo(float).tiny)

    own, overlaps = _without_earlier(whole, np.array(names, dtype=object))
    outside = _rest(own, sound_polygons(stands, crs, "stands"))
    dry = outside
    if buffers is not None and len(buffers):
        dry = _rest(outside, sound_polygons(buffers, crs, "stream buffers"))

    def acres(geometry: Geometries) -> NDArray[np.float64]:
        return np.asarray(shapely.area(geometry) * scale / SQM_PER_ACRE)

    inside = acres_by(pieces[pieces["unit"] != ""], "unit").reindex(names, fill_value=0.0)
    table = pd.DataFrame(
        {
            "gross_acres": gross,
            "net_acres": inside["net_acres"].to_numpy(),
            "buffer_acres": inside["buffer_acres"].to_numpy(),
            "exclusion_acres": inside["exclusion_acres"].to_numpy(),
            "outside_acres": acres(outside),
            "overlap_acres": np.maximum(gross - acres(own), 0),
            "outside_buffer_acres": acres(outside) - acres(dry),
            "overlaps": overlaps,
        },
        index=pd.Index(names, name="unit"),
    )
    in_buffers = table["buffer_acres"] + table["outside_buffer_acres"]
    return table.assign(conflict=in_buffers > conflict_acres)


def _rest(base: Geometries, shapes: Geometries) -> Geometries:
    """Return what of each polygon no shape covers, possibly empty."""
    cut = carve(base, shapes, np.zeros(len(shapes), dtype=np.int64))
    rest = np.full(len(base), shapely.Polygon(), dtype=object)
    uncut = cut.group == -1
    rest[cut.owner[uncut]] = cut.geometry[uncut]
    return rest


def _without_earlier(whole: Geometries, names: NDArray[np.object_]) -> tuple[Geometries, list[str]]:
    """Return each polygon less those before it, and the names of all it overlaps."""
    first, second, shared = overlapping_pairs(whole)
    real = shapely.area(shared) > NOISE_ACRES * SQM_PER_ACRE
    first, second, shared = first[real], second[real], shared[real]
    own = whole.copy()
    later, lost = union_by(second, shared)
    own[later] = shapely.difference(own[later], lost, grid_size=GRID_M)
    pairs = pd.DataFrame({"at": np.r_[first, second], "name": names[np.r_[second, first]]})
    listed = pairs.sort_values("name").groupby("at")["name"].agg(", ".join)
    return own, listed.reindex(range(len(whole)), fill_value="").tolist()
