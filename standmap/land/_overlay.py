"""Overlay of many polygons at once, on arrays of geometries in a plane.

Every step works on whole arrays of pairs from a spatial index; the only loops are over levels (how
many shapes meet in one polygon) and over tiles of thousands of polygons, never over polygons.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from standmap.errors import DomainError
from standmap.land._clear_kernels import corners_clear
from standmap.land.acres import to_local

Geometries = NDArray[np.object_]
Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CHUNK: Final = 2_000
"""Pairs of geometries worked on at a time: enough to be worth a thread, few enough that no core
waits long for another at the end."""

TILE: Final = 20_000
"""Polygons carved at a time: what is held on the way grows with a tile, not with the layer."""

CROWD: Final = 16
"""Shapes over one polygon that are taken from it one after the other; more are united first."""

DUST_SHARE: Final = 1e-9
"""Pieces below this share of the polygon they came from are arithmetic, and are dropped."""

GRID_M: Final = 1e-6
"""Layers are laid in the plane on a grid of a thousandth of a millimetre, so that neighbours share
their corners to the last bit. Polygons with a corner of one near a line of the other are overlaid
on it too, at three times the cost: without it GEOS now and then takes two polygons that merely
touch for one inside the other."""

GRID_DECIMALS: Final = 6

INSIDES_MEET: Final = "T********"
"""What two polygons are to each other (DE-9IM) that share more than a border."""

NEAR_GRIDS: Final = 1_000
"""A corner is near a line within this many cells of the grid (a millimetre in the plane): a
million times the rounding of coordinates, so that beyond it lines cross cleanly or not at all."""

MOST_DISTANCES: Final = 2_000_000
"""Distances from corners to lines taken to learn this of one pair; a larger pair is overlaid on
the grid unasked."""

STEP_APART: Final = 1.5
"""Steps of the grid within which two rounded crossings are one: a diagonal step is 1.41."""

MARK_STRIDE: Final = 2_147_483_647 * 1_000_003
"""Odd, and much longer than a tract is high on the grid: x times it plus y, wrapped at 64 bits, is
all but surely one corner's alone."""

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
    """Return the ground each pair of polygons shares."""
    return _overlaid(shapely.intersection, one, other, grid)


def without(one: Geometries, other: Geometries, *, grid: float = GRID_M) -> Geometries:
    """Return what of the first polygon of each pair the second leaves."""
    return _overlaid(shapely.difference, one, other, grid)


def _overlaid(
    work: Callable[..., Any], one: Geometries, other: Geometries, grid: float
) -> Geometries:
    """Overlay pairs, on the grid where corners of one come near lines of the other."""
    clear = are_clear(one, other, grid=grid)
    found = np.empty(len(one), dtype=object)
    found[clear] = on_every_core(work, one[clear], other[clear])
    found[~clear] = on_every_core(
        lambda a, b: work(a, b, grid_size=grid), one[~clear], other[~clear]
    )
    return polygons_only(found)


def are_clear(one: Geometries, other: Geometries, *, grid: float = GRID_M) -> Bools:
    """Return whether the corners of each pair of polygons keep clear of each other's lines.

    The leap from one ring of a polygon to its next counts as a line too; at worst the pair goes on
    the grid for nothing.
    """
    return corners_clear(*_chains(one), *_chains(other), NEAR_GRIDS * grid, MOST_DISTANCES)


def _chains(geometry: Geometries) -> tuple[Floats, Ints]:
    """Return x and y of the vertices of all geometries, and where each geometry begins."""
    xy, owner = shapely.get_coordinates(geometry, return_index=True)
    return np.ascontiguousarray(xy.T), np.searchsorted(owner, np.arange(len(geometry) + 1))


def overlapping_pairs(
    geometry: Geometries, *, grid: float = GRID_M
) -> tuple[Ints, Ints, Geometries]:
    """Return positions (first < second) and shared ground of polygons that overlap each other."""
    shapely.prepare(geometry)
    left, right = shapely.STRtree(geometry).query(geometry, predicate="intersects")
    once = left < right
    first, second = left[once], right[once]
    inside = shapely.relate_pattern(geometry[first], geometry[second], INSIDES_MEET)
    first, second = first[inside], second[inside]
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
    tree = shapely.STRtree(shapes)
    starts = range(0, max(len(base), 1), TILE)
    tiles = [_carve_tile(base[at : at + TILE], shapes, group, tree) for at in starts]
    pieces = np.concatenate([tile.geometry for tile in tiles])
    return Carved(
        np.concatenate([tile.owner + at for at, tile in zip(starts, tiles, strict=True)]),
        np.concatenate([tile.group for tile in tiles]),
        share_corners(pieces, np.r_[base, shapes]),
    )


def _carve_tile(base: Geometries, shapes: Geometries, group: Ints, tree: shapely.STRtree) -> Carved:
    """Carve some of the polygons; owners count from the first of them."""
    size = shapely.area(base)
    n_groups = int(group.max()) + 1 if len(group) else 1
    owner, j = tree.query(base, predicate="intersects")
    order = np.lexsort((j, group[j], owner))  # by shape last: neighbours are cut in one order
    owner, j = owner[order], j[order]
    taker, cutters = group[j], shapes[j]
    crowded = np.bincount(owner, minlength=len(base))[owner] > CROWD
    if crowded.any():
        few = ~crowded
        clipped = meet(base[owner[crowded]], cutters[crowded])
        keys, united = union_by(owner[crowded] * n_groups + taker[crowded], clipped)
        owner = np.r_[owner[few], keys // n_groups]
        taker = np.r_[taker[few], keys % n_groups]
        cutters = np.r_[cutters[few], united]
        order = np.argsort(owner, kind="stable")
        owner, taker, cutters = owner[order], taker[order], cutters[order]
    key = owner * n_groups + taker
    rest, taken = _peel(base, owner, cutters, key)
    key = np.unique(key)
    owner = np.r_[np.arange(len(base)), key // n_groups]
    taker = np.r_[np.full(len(base), -1), key % n_groups]
    pieces = on_grid(np.r_[rest, taken])
    keep = shapely.area(pieces) > DUST_SHARE * size[owner]
    owner, taker, pieces = owner[keep], taker[keep], pieces[keep]
    order = np.lexsort((taker, owner))
    return Carved(owner[order], taker[order], pieces[order])


def _peel(
    base: Geometries, owner: Ints, cutters: Geometries, key: Ints
) -> tuple[Geometries, Geometries]:
    """Take cutters, sorted by key and so by owner, from their polygons one after the other.

    Returns the rest of each polygon, and what the cutters of each distinct key took of it together.
    """
    rest = base.copy()
    distinct, first, count = np.unique(key, return_index=True, return_counts=True)
    found_whole, left = np.empty(len(distinct), dtype=object), np.empty(len(distinct), dtype=object)
    level = np.arange(len(owner)) - np.searchsorted(owner, owner)
    at_key = np.repeat(np.arange(len(distinct)), count)
    for step in range(int(level.max(initial=-1)) + 1):
        at = np.flatnonzero(level == step)
        here, of = owner[at], at_key[at]
        opens = at == first[of]
        found_whole[of[opens]] = rest[here[opens]]
        rest[here] = without(rest[here], cutters[at])
        left[of] = rest[here]
    alone = count == 1
    taken = np.empty(len(distinct), dtype=object)
    taken[alone] = meet(found_whole[alone], cutters[first[alone]])
    taken[~alone] = without(found_whole[~alone], left[~alone])
    return rest, taken


def on_grid(geometry: Geometries) -> Geometries:
    """Return polygons with every corner on the grid, those that then cross themselves mended."""
    laid = shapely.transform(geometry, lambda xy: np.round(xy, GRID_DECIMALS))
    crossed = np.flatnonzero(~(shapely.is_valid(laid) | shapely.is_missing(laid)))
    mended = shapely.make_valid(laid[crossed], method="structure", keep_collapsed=False)
    laid[crossed] = polygons_only(mended)
    return np.asarray(laid, dtype=object)


def share_corners(pieces: Geometries, drawn: Geometries) -> Geometries:
    """Return pieces whose new corners, where two are a step of the grid apart, are one.

    A line of ``drawn`` that crosses a border is met once from either side, and the two rounded
    crossings now and then fall in neighbouring cells of the grid. Only corners that ``drawn`` does
    not have are moved: to the lowest of those near, whatever the order of the pieces.
    """
    xy, owner = shapely.get_coordinates(pieces, return_index=True)
    marks = _marks(xy)
    at = np.flatnonzero(~pd.Series(marks).isin(_marks(shapely.get_coordinates(drawn))))
    place, _ = pd.factorize(marks[at])
    first = np.full(place.max(initial=-1) + 1, len(at))
    np.minimum.at(first, place, np.arange(len(at)))
    new = xy[at[first]]
    pairs = cKDTree(new).query_pairs(STEP_APART * GRID_M, output_type="ndarray")
    if not len(pairs):
        return pieces
    became = _lowest_of_linked(new, pairs)[place]
    moved = at[(became != xy[at]).any(axis=1)]
    xy[at] = became
    changed = np.unique(owner[moved])
    shared = pieces.copy()
    shared[changed] = on_grid(
        shapely.set_coordinates(pieces[changed].copy(), xy[np.isin(owner, changed)])
    )
    return shared


def _lowest_of_linked(xy: Floats, pairs: Ints) -> Floats:
    """Return for each corner the lowest, by x and then y, of those that pairs link it to."""
    links = coo_array((np.ones(len(pairs)), pairs.T), shape=(len(xy), len(xy)))
    _, cluster = connected_components(links, directed=False)
    order = np.lexsort((xy[:, 1], xy[:, 0]))
    lowest = order[np.unique(cluster[order], return_index=True)[1]]
    return np.asarray(xy[lowest[cluster]])


def _marks(xy: Floats) -> Ints:
    """Return a whole number for each corner, the same for the same corner of the grid."""
    x, y = np.rint(xy / GRID_M).astype(np.int64).T
    return np.asarray(x * MARK_STRIDE + y)


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
    local[~here] = shapely.Polygon()
    # Valid as drawn; a near-touching vertex can cross by a nanometre when brought to the plane.
    return on_grid(local)
