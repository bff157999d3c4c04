"""Overlay of many polygons at once, on arrays of geometries in a plane.

Every step works on whole arrays of pairs from a spatial index; the only loop is over priority
levels (how many different reasons meet in one polygon), never over polygons.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from standmap.errors import DomainError
from standmap.land.acres import to_local

Geometries = NDArray[np.object_]
Ints = NDArray[np.int64]

CHUNK: Final = 2_000
"""Pairs of geometries worked on at a time: enough to be worth a thread, few enough that no core
waits long for another at the end."""

DUST_SHARE: Final = 1e-9
"""Pieces below this share of the polygon they came from are arithmetic, and are dropped."""


GRID_M: Final = 1e-6
"""Overlays in the plane are worked on a grid of a thousandth of a millimetre. Without one, GEOS
now and then takes two polygons that merely touch for one inside the other."""

GRID_DEGREES: Final = 1e-11
"""The same for layers in degrees: about a thousandth of a millimetre."""


class Carved(NamedTuple):
    """Pieces of polygons: whose they are, what took them (-1: nothing did), and where."""

    owner: Ints
    group: Ints
    geometry: Geometries


def on_every_core(work: Callable[..., Any], *arrays: Geometries, chunk: int = CHUNK) -> Geometries:
    """Run an element-wise geometry function over chunks of arrays, a thread to a core.

    GEOS works outside Python's lock, and each result depends on its own elements alone: the result
    is the same, in the same order, as ``work(*arrays)``.
    """
    n = len(arrays[0])
    if n <= chunk:
        return np.asarray(work(*arrays), dtype=object)
    starts = range(0, n, chunk)
    with ThreadPoolExecutor(max_workers=os.cpu_count()) as pool:
        parts = pool.map(lambda at: work(*(array[at : at + chunk] for array in arrays)), starts)
        return np.concatenate(list(parts))


def polygons_only(geometry: Geometries) -> Geometries:
    """Return the polygonal part of each geometry; an empty polygon where there is none."""
    kind = shapely.get_type_id(geometry)
    areal = (kind == shapely.GeometryType.POLYGON) | (kind == shapely.GeometryType.MULTIPOLYGON)
    if areal.all():
        return geometry
    kept = geometry.copy()
    kept[~areal] = shapely.Polygon()
    mixed = np.flatnonzero(kind == shapely.GeometryType.GEOMETRYCOLLECTION)
    parts, owner = shapely.get_parts(geometry[mixed], return_index=True)
    parts, nested = shapely.get_parts(parts, return_index=True)  # multipolygons inside
    owner = owner[nested]
    flat = shapely.get_type_id(parts) == shapely.GeometryType.POLYGON
    owners, index = np.unique(owner[flat], return_inverse=True)
    kept[mixed[owners]] = shapely.multipolygons(parts[flat], indices=index)
    return kept


def union_by(
    keys: Ints, geometry: Geometries, *, grid: float | None = GRID_M
) -> tuple[Ints, Geometries]:
    """Return the distinct keys in order, and the union of the geometries under each."""
    order = np.argsort(keys, kind="stable")
    distinct, index, count = np.unique(keys[order], return_inverse=True, return_counts=True)
    first = np.r_[0, np.cumsum(count)[:-1]].astype(np.int64)
    united = geometry[order][first] if len(keys) else geometry
    several = count > 1
    if several.any():
        member = several[index]
        renumbered = np.cumsum(several)[index[member]] - 1
        bundles = shapely.geometrycollections(geometry[order][member], indices=renumbered)
        united = united.copy()
        united[several] = polygons_only(
            on_every_core(
                lambda some: shapely.union_all(some[:, None], grid_size=grid, axis=1),
                bundles,
                chunk=CHUNK // 4,
            )
        )
    return distinct, united


def meet(one: Geometries, other: Geometries, *, grid: float = GRID_M) -> Geometries:
    """Return the ground each pair of polygons shares, worked on the grid."""
    shared = on_every_core(lambda a, b: shapely.intersection(a, b, grid_size=grid), one, other)
    return polygons_only(shared)


def without(one: Geometries, other: Geometries, *, grid: float = GRID_M) -> Geometries:
    """Return what of the first polygon of each pair the second leaves, worked on the grid."""
    left = on_every_core(lambda a, b: shapely.difference(a, b, grid_size=grid), one, other)
    return polygons_only(left)


def overlapping_pairs(
    geometry: Geometries, *, grid: float = GRID_M
) -> tuple[Ints, Ints, Geometries]:
    """Return positions (first < second) and shared ground of polygons that overlap each other."""
    left, right = shapely.STRtree(geometry).query(geometry, predicate="intersects")
    once = left < right
    first, second = left[once], right[once]
    shared = meet(geometry[first], geometry[second], grid=grid)
    size = shapely.area(geometry)
    real = shapely.area(shared) > DUST_SHARE * np.minimum(size[first], size[second])
    first, second, shared = first[real], second[real], shared[real]
    order = np.lexsort((second, first))
    return first[order], second[order], shared[order]


def carve(base: Geometries, shapes: Geometries, group: Ints) -> Carved:
    """Cut polygons by shapes, each bit of ground going to the lowest group that covers it.

    Parameters
    ----------
    base : ndarray
        (n,) valid polygons to cut.
    shapes : ndarray
        (m,) valid polygons to cut by; they may overlap each other.
    group : ndarray
        (m,) group of each shape from 0; a lower group wins.

    Returns
    -------
    Carved
        At most one piece per base polygon and group, ordered by polygon, the uncut rest
        (group -1) first. Together the pieces of a polygon tile it.
    """
    size = shapely.area(base)
    n_groups = int(group.max()) + 1 if len(group) else 1
    i, j = shapely.STRtree(shapes).query(base, predicate="intersects")
    clipped = meet(base[i], shapes[j])
    real = shapely.area(clipped) > DUST_SHARE * size[i]
    keys, cutters = union_by(i[real] * n_groups + group[j[real]], clipped[real])
    owner, taker = keys // n_groups, keys % n_groups

    rest, taken = base.copy(), cutters.copy()
    level = np.arange(len(owner)) - np.searchsorted(owner, owner)
    for step in range(int(level.max(initial=-1)) + 1):
        at = level == step
        here = owner[at]
        if step:  # at the first level the cutter, clipped to the polygon, is what it takes
            taken[at] = meet(rest[here], cutters[at])
        rest[here] = without(rest[here], cutters[at])

    owner = np.r_[np.arange(len(base)), owner]
    taker = np.r_[np.full(len(base), -1), taker]
    pieces = np.r_[rest, taken]
    keep = shapely.area(pieces) > DUST_SHARE * size[owner]
    owner, taker, pieces = owner[keep], taker[keep], pieces[keep]
    order = np.lexsort((taker, owner))
    return Carved(owner[order], taker[order], pieces[order])


def sound_polygons(layer: gpd.GeoDataFrame, crs: CRS, name: str) -> Geometries:
    """Return a layer's polygons in the plane, or say which of them cannot be measured."""
    drawn = np.asarray(layer.geometry.to_numpy(), dtype=object)
    here = ~(shapely.is_missing(drawn) | shapely.is_empty(drawn))
    kind = shapely.get_type_id(drawn)
    areal = (kind == shapely.GeometryType.POLYGON) | (kind == shapely.GeometryType.MULTIPOLYGON)
    flawed = np.flatnonzero(here & ~areal)
    if len(flawed):
        raise DomainError(
            f"{len(flawed)} of the {len(drawn)} {name} have no area: rows {flawed[:5].tolist()} "
            "(from 0) are lines or points. Give them a setback (set_back) to make polygons."
        )
    flawed = np.flatnonzero(here & ~shapely.is_valid(drawn))
    if len(flawed):
        why = shapely.is_valid_reason(drawn[flawed[0]])
        raise DomainError(
            f"{len(flawed)} of the {len(drawn)} {name} are not valid polygons: rows "
            f"{flawed[:5].tolist()} (from 0; {why}). Mend them first with mend_polygons."
        )
    local = shapely.force_2d(np.asarray(to_local(layer.geometry, crs).to_numpy(), dtype=object))
    # Valid as drawn; a near-touching vertex can cross by a nanometre when brought to the plane.
    crossed = np.flatnonzero(here & ~shapely.is_valid(local))
    local[crossed] = polygons_only(shapely.make_valid(local[crossed], method="structure"))
    local[~here] = shapely.Polygon()
    return np.asarray(local, dtype=object)
