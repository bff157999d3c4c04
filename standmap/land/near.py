"""Which water can matter to some ground: none farther off than the widest buffer reaches."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

import geopandas as gpd
import numpy as np
import shapely
from numpy.typing import NDArray

from standmap.land.acres import M_PER_FT
from standmap.land.rules import StreamRule

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STEEPEST_PCT: Final = 300
"""No bank is taken to be steeper when it is asked how wide a buffer could be at most. [%]"""

LOOK_AROUND_FT: Final = 1320.0
"""Water is kept so far around the ground, whatever its rule, to tell how near it is. [ft]"""


def widest_ft(rules: Iterable[StreamRule | None]) -> float:
    """Return how wide a buffer of any of the rules can be, on any bank; 0 without a rule.

    Parameters
    ----------
    rules : iterable of StreamRule or None
        Rules that fix a width.

    Examples
    --------
    >>> from standmap.land import stream_rule
    >>> widest_ft([stream_rule("SC", "perennial"), None])
    160.0
    """
    slopes = np.arange(STEEPEST_PCT + 1.0)
    widths = [rule.plan_widths_ft(slopes).sum(axis=0).max() for rule in rules if rule is not None]
    return float(max(widths, default=0.0))


def lies_within(xy: Floats, ground: gpd.GeoSeries, reach_m: Floats) -> Bools:
    """Return which points lie within their reach of the ground, all in one plane of metres."""
    points = shapely.points(xy)
    tree = shapely.STRtree(np.asarray(ground.to_numpy(), dtype=object))
    near = np.zeros(len(points), dtype=bool)
    near[tree.query(points, predicate="dwithin", distance=reach_m)[0]] = True
    return near


def water_near(
    streams: gpd.GeoDataFrame, ground: gpd.GeoSeries, reach_ft: float = LOOK_AROUND_FT
) -> gpd.GeoDataFrame:
    """Return the water near some ground: parts of it that lie farther off are left out.

    Parts are kept whole, so that stations along them, and so widths, are those of the whole layer.

    Parameters
    ----------
    streams : GeoDataFrame
        Lines and polygons.
    ground : GeoSeries
        Polygons, lines or points, in the same plane of metres.
    reach_ft : float
        How far off is near. [ft]

    Examples
    --------
    >>> wood = gpd.GeoSeries([shapely.box(0, 0, 100, 100)], crs=32617)
    >>> water = gpd.GeoDataFrame({"class": ["creek", "creek"]}, crs=32617, geometry=[
    ...     shapely.LineString([(120, 0), (120, 100)]), shapely.LineString([(9e3, 0), (9e3, 100)])])
    >>> len(water_near(water, wood))
    1
    """
    parts, row = shapely.get_parts(
        np.asarray(streams.geometry.to_numpy(), dtype=object), return_index=True
    )
    tree = shapely.STRtree(np.asarray(ground.to_numpy(), dtype=object))
    near = np.zeros(len(parts), dtype=bool)
    near[tree.query(parts, predicate="dwithin", distance=reach_ft * M_PER_FT)[0]] = True
    if near.all():
        return streams
    shapes = np.asarray(streams.geometry.to_numpy(), dtype=object).copy()
    for at in np.unique(row[~near]):  # only rows that lose a part
        kept = parts[(row == at) & near]
        shapes[at] = _gathered(kept) if len(kept) else None
    there = np.array([shape is not None for shape in shapes], dtype=bool)
    found = streams.set_geometry(gpd.GeoSeries(shapes, index=streams.index, crs=streams.crs))
    return found[there]


def _gathered(parts: NDArray[np.object_]) -> shapely.Geometry:
    """Return the parts of one row as one shape."""
    if len(parts) == 1:
        return parts[0]
    size = shapely.get_dimensions(parts)
    if (size == 2).all():
        return shapely.multipolygons(parts)
    return shapely.multilinestrings(parts) if (size == 1).all() else shapely.union_all(parts)
