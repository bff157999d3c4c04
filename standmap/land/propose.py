"""Harvest units proposed: pieces of stands put together or split, within acre limits."""

from __future__ import annotations

import heapq
from dataclasses import dataclass, field
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS
from shapely.geometry.base import BaseGeometry

from standmap.errors import DomainError
from standmap.land._overlay import GRID_M, Geometries, polygons_only, sound_polygons
from standmap.land.acres import M_PER_FT, geodesic_acres, local_crs

LEAST_BORDER_FT: Final = 33.0
"""Pieces that share less border than this (half a chain) are neighbours on paper only: nothing can
be hauled through. Common practice, no source."""

DUST_ACRES: Final = 0.005
"""Smaller scraps (about 218 square feet) are drawing, and are left out unlisted."""

_TOUCH_M: Final = 1e-3
_HALVINGS: Final = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedUnits:
    """Units proposed, and what is left for a person.

    Attributes
    ----------
    units : GeoDataFrame
        ``unit``, ``acres``, ``stands`` (joined by ", "), ``stratum`` (that of most of its acres),
        ``parts``, ``entry`` (1, 2, ...: no two units of one entry touch), geometry: one polygon
        each, in the stands' local plane.
    left_out : GeoDataFrame
        ``acres``, ``stands``, ``why`` and geometry of net ground that is in no unit.
    """

    units: gpd.GeoDataFrame
    left_out: gpd.GeoDataFrame


def propose_units(
    stands: gpd.GeoDataFrame,
    net_ground: gpd.GeoDataFrame,
    *,
    min_acres: float = 10.0,
    max_acres: float = 40.0,
) -> ProposedUnits:
    """Propose harvest units: contiguous groups of stand pieces within acre limits.

    Parameters
    ----------
    stands : GeoDataFrame
        Column ``stand``; ``stratum`` where known.
    net_ground : GeoDataFrame
        Column ``stand``; polygons of what may be cut, tiling, with nothing that must stay.
    min_acres, max_acres : float
        Limits of a unit.

    Returns
    -------
    ProposedUnits
        The same for the same layers, whatever the order of their rows.

    Raises
    ------
    DomainError
        If the limits are not 0 < min <= max / 2, or a layer has no CRS.

    Notes
    -----
    A piece over the upper limit is split across its longer side into parts of like size. The
    smallest part under the lower limit then joins a neighbour that it does not bring over the
    upper one: of its own stratum first, then by the longest shared border; and so on until no part
    can join. Loose scraps of up to 0.005 acre are in no unit and not listed. ``min <= max / 2``, or
    the halves of a split piece could be too small.
    """
    if not 0 < min_acres <= max_acres / 2:
        raise DomainError(
            "'min_acres' must be over 0 and at most half of 'max_acres', so that a stand over the "
            f"limit can be split; got {min_acres:g} and {max_acres:g}."
        )
    crs = local_crs(stands)
    parts = _parts(stands, net_ground, crs, max_acres)
    groups, stuck = _grouped(parts, min_acres, max_acres)
    return _named(parts, groups, stuck, crs)


def _parts(
    stands: gpd.GeoDataFrame, net_ground: gpd.GeoDataFrame, crs: CRS, max_acres: float
) -> gpd.GeoDataFrame:
    """Return single polygons, none over the upper limit, in an order of their own."""
    shapes, owner = shapely.get_parts(
        sound_polygons(net_ground, crs, "net ground"), return_index=True
    )
    stand = net_ground["stand"].astype(str).to_numpy(dtype=object)[owner]
    shapes, of_shape = _split(shapes, crs, max_acres)
    stand = stand[of_shape]
    if "stratum" in stands:
        kind = pd.Series(
            stands["stratum"].astype(str).to_numpy(), index=stands["stand"].astype(str)
        )
        stratum = kind.reindex(stand).fillna("").to_numpy(dtype=object)
    else:
        stratum = np.full(len(stand), "", dtype=object)
    made = gpd.GeoDataFrame({"stand": stand, "stratum": stratum}, geometry=shapes, crs=crs)
    made["acres"] = geodesic_acres(made)
    made = made[made["acres"] > DUST_ACRES]
    middle = shapely.centroid(made.geometry.to_numpy())
    north, east = -shapely.get_y(middle).round(3), shapely.get_x(middle).round(3)
    order = np.lexsort((east, north, made["stand"].to_numpy(dtype=str)))
    return made.iloc[order].reset_index(drop=True)


def _split(shapes: Geometries, crs: CRS, max_acres: float) -> tuple[Geometries, NDArray[np.int64]]:
    """Split polygons over the upper limit; also return which polygon each part is of."""
    waiting = [(shape, at) for at, shape in enumerate(shapes)]
    done: list[BaseGeometry] = []
    owner: list[int] = []
    while waiting:
        acres = geodesic_acres(gpd.GeoSeries([shape for shape, _ in waiting], crs=crs))
        again = []
        for (shape, at), size in zip(waiting, acres, strict=True):
            if size <= max_acres:
                done.append(shape)
                owner.append(at)
                continue
            wanted = int(np.ceil(size / max_acres))
            cut = _halves(shape, (wanted // 2) / wanted)
            again += [(part, at) for part in cut]
        waiting = again
    return np.array(done, dtype=object), np.array(owner, dtype=np.int64)


def _halves(shape: BaseGeometry, share: float) -> list[BaseGeometry]:
    """Cut a polygon across its longer side, so that so much of it lies on one hand."""
    box = shapely.get_coordinates(shapely.minimum_rotated_rectangle(shape))
    sides = np.diff(box[:3], axis=0)
    long = sides[np.argmax(np.hypot(*sides.T))]
    along = long / np.hypot(*long)
    along = along if (along[0], along[1]) > (0.0, 0.0) else -along
    across = np.array([-along[1], along[0]])
    ring = shapely.get_coordinates(shape)
    reach, wide = ring @ along, ring @ across
    low, high, far = reach.min(), reach.max(), wide.max() - wide.min() + 1.0
    side = wide.min() - far, wide.max() + far

    def first(to: float) -> BaseGeometry:
        corners = [
            along * a + across * b
            for a, b in ((low - far, side[0]), (to, side[0]), (to, side[1]), (low - far, side[1]))
        ]
        drawn = np.array([shapely.intersection(shape, shapely.polygons(corners), grid_size=GRID_M)])
        return polygons_only(drawn)[0]

    below, above, area = low, high, shape.area
    for _ in range(_HALVINGS):
        middle = (below + above) / 2
        if first(middle).area < share * area:
            below = middle
        else:
            above = middle
    one = first((below + above) / 2)
    other = shapely.difference(shape, one, grid_size=GRID_M)
    return [
        part
        for half in (one, other)
        for part in shapely.get_parts(half)
        if part.geom_type == "Polygon" and part.area > 0
    ]


@dataclass(slots=True)
class _Group:
    """Parts put together, with the border they share with each neighbour."""

    parts: list[int]
    acres: float
    shape: BaseGeometry
    borders: dict[int, float] = field(default_factory=dict)


def _borders(shapes: Geometries) -> list[tuple[int, int, float]]:
    """Return pairs of polygons that share a border, and its length in metres."""
    left, right = shapely.STRtree(shapes).query(shapes, predicate="dwithin", distance=_TOUCH_M)
    once = left < right
    left, right = left[once], right[once]
    strips = shapely.buffer(shapes[right], 2 * _TOUCH_M, cap_style="flat", join_style="mitre")
    shared = shapely.length(shapely.intersection(shapely.boundary(shapes[left]), strips))
    long = shared >= LEAST_BORDER_FT * M_PER_FT
    found = zip(left[long].tolist(), right[long].tolist(), shared[long].tolist(), strict=True)
    return sorted(found)


def _grouped(
    parts: gpd.GeoDataFrame, min_acres: float, max_acres: float
) -> tuple[dict[int, _Group], dict[int, str]]:
    """Join parts that are too small to neighbours; also say why some could not be joined."""
    acres = parts["acres"].to_numpy(dtype=float)
    stratum = parts["stratum"].to_numpy(dtype=object)
    shapes = np.asarray(parts.geometry.to_numpy(), dtype=object)
    groups = {
        at: _Group(parts=[at], acres=float(acres[at]), shape=shapes[at]) for at in range(len(parts))
    }
    for a, b, length in _borders(shapes):
        groups[a].borders[b] = groups[b].borders[a] = length
    small = [(group.acres, at) for at, group in groups.items() if group.acres < min_acres]
    heapq.heapify(small)
    stuck: dict[int, str] = {}
    while small:
        size, at = heapq.heappop(small)
        if at not in groups or groups[at].acres != size:
            continue  # joined since
        one = groups[at]
        kinds = {stratum[p] for p in one.parts}
        fits = [n for n in one.borders if one.acres + groups[n].acres <= max_acres]
        order = sorted(
            fits,
            key=lambda n: (
                not kinds & {stratum[p] for p in groups[n].parts},
                -round(one.borders[n], 3),
                n,
            ),
        )
        joined = None
        for other in order:
            shape = shapely.union_all([one.shape, groups[other].shape], grid_size=GRID_M)
            if shape.geom_type == "Polygon":
                joined = other
                break
        if joined is None:
            stuck[at] = (
                "it borders no other net ground"
                if not one.borders
                else f"every unit that it borders would come over {max_acres:g} acres with it"
            )
            continue
        kept = _join(groups, at, joined, shape)
        stuck.pop(joined, None)
        stuck.pop(kept, None)
        if groups[kept].acres < min_acres:
            heapq.heappush(small, (groups[kept].acres, kept))
    return groups, stuck


def _join(groups: dict[int, _Group], a: int, b: int, shape: BaseGeometry) -> int:
    """Put two groups together under the lower number; return it."""
    kept, gone = min(a, b), max(a, b)
    one, other = groups[kept], groups.pop(gone)
    one.parts = sorted([*one.parts, *other.parts])
    one.acres += other.acres
    one.shape = shape
    one.borders.pop(gone, None)
    for neighbour, length in other.borders.items():
        if neighbour == kept:
            continue
        far = groups[neighbour]
        far.borders.pop(gone, None)
        far.borders[kept] = one.borders[neighbour] = one.borders.get(neighbour, 0.0) + length
    return kept


def _named(
    parts: gpd.GeoDataFrame, groups: dict[int, _Group], stuck: dict[int, str], crs: CRS
) -> ProposedUnits:
    """Name units from north to south and give touching ones different entries."""

    def place(at: int) -> tuple[float, float]:
        middle = groups[at].shape.centroid
        return -round(middle.y, 3), round(middle.x, 3)

    order = sorted((at for at in groups if at not in stuck), key=place)
    entry: dict[int, int] = {}
    for at in order:
        taken = {entry[n] for n in groups[at].borders if n in entry}
        entry[at] = next(k for k in range(1, len(order) + 1) if k not in taken)
    rows = []
    for number, at in enumerate(order, start=1):
        own = parts.iloc[groups[at].parts]
        rows.append(
            {
                "unit": f"P{number}",
                "acres": groups[at].acres,
                "stands": ", ".join(dict.fromkeys(own["stand"])),
                "stratum": str(own.groupby("stratum")["acres"].sum().idxmax()),
                "parts": len(own),
                "entry": entry[at],
            }
        )
    left = sorted(stuck, key=lambda at: (-groups[at].acres, place(at)))
    rest = [
        {
            "acres": groups[at].acres,
            "stands": ", ".join(dict.fromkeys(parts.iloc[groups[at].parts]["stand"])),
            "why": stuck[at],
        }
        for at in left
    ]
    columns = ["unit", "acres", "stands", "stratum", "parts", "entry"]
    return ProposedUnits(
        units=gpd.GeoDataFrame(
            pd.DataFrame(rows, columns=columns).astype({"acres": float}),
            geometry=[groups[at].shape for at in order],
            crs=crs,
        ),
        left_out=gpd.GeoDataFrame(
            pd.DataFrame(rest, columns=["acres", "stands", "why"]).astype({"acres": float}),
            geometry=[groups[at].shape for at in left],
            crs=crs,
        ),
    )
