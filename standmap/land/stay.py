"""What must stay: stream buffers and exclusions cut out of the stands, and acres by reason."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS

from standmap.errors import DomainError, StandmapError
from standmap.land._overlay import Geometries, carve, sound_polygons, union_by
from standmap.land.acres import M_PER_FT, geodesic_acres, local_crs, require_crs, to_local
from standmap.units import SQM_PER_ACRE

STREAM_BUFFER: Final = "stream buffer"
"""The reason given to ground inside a stream buffer."""

UNNAMED_EXCLUSION: Final = "exclusion"
"""The reason given to exclusions that state none."""

Claim = tuple[str, str, str, str]
"""A reason, and for a stream buffer the stream's class, the zone, and what may be cut there."""

NOTHING: Final[Claim] = ("", "", "", "")

TIERS: Final = {"none": 0, "": 0, "partial": 2, "any": 3}
"""How strict a buffer is, by what may be cut in it; exclusions stand between."""

EXCLUSION_TIER: Final = 1

QUARTER_SEGMENTS: Final = 24
"""Straight pieces to a quarter circle at ends and bends: a full circle drawn so is a polygon of
96 sides inside the true one, 0.071 % short in area (1 - sin(2 pi/96) / (2 pi/96))."""

CONSERVED: Final = 1e-6
"""The pieces of a stand must add up to the stand within this share ..."""

CONSERVED_SQM: Final = 1e-4
"""... or, where a stand is a mere scrap, within a square centimetre. [m2]"""


def set_back(
    layer: gpd.GeoDataFrame, distance_ft: ArrayLike, *, crs: CRS | None = None
) -> gpd.GeoDataFrame:
    """Widen every geometry by a horizontal distance on all sides, with round ends and corners.

    Parameters
    ----------
    layer : GeoDataFrame
        Lines, points or polygons.
    distance_ft : array_like
        One distance, or one for each row; 0 or more. [ft]
    crs : CRS, optional
        Plane to work in, in metres; by default the layer's own :func:`local_crs`.

    Returns
    -------
    GeoDataFrame
        The same rows and columns in the layer's CRS, polygons; empty where a line or point was
        given no width. Circles are short of their true area by 0.071 %, straight reaches exact.

    Raises
    ------
    DomainError
        If the layer has no CRS, or a distance is negative or missing.
    """
    distance = np.broadcast_to(np.asarray(distance_ft, dtype=np.float64), (len(layer),))
    wrong = np.flatnonzero(~(distance >= 0) | np.isinf(distance))
    if len(wrong):
        raise DomainError(
            f"'distance_ft' must be 0 ft or more; got {distance[wrong[0]]} at rows "
            f"{wrong[:5].tolist()} ({len(wrong)} of {len(distance)}). Give every class a width, "
            "0 where nothing must stay."
        )
    if layer.empty:
        require_crs(layer)
        return layer.copy()
    local = to_local(layer.geometry, crs)
    drawn = shapely.force_2d(np.asarray(local.to_numpy(), dtype=object))
    wide = shapely.buffer(drawn, distance * M_PER_FT, quad_segs=QUARTER_SEGMENTS)
    tangled = (shapely.get_dimensions(drawn) == 1) & ~shapely.is_simple(drawn)
    if tangled.any():
        wide[tangled] = _by_segment(drawn[tangled], distance[tangled] * M_PER_FT)
    wide = gpd.GeoSeries(wide, index=layer.index, crs=local.crs).to_crs(layer.crs)
    return layer.set_geometry(wide)


def _by_segment(lines: Geometries, distance_m: NDArray[np.float64]) -> Geometries:
    """Widen lines that cross themselves, segment by segment.

    Of such a line whole, GEOS may lose a fifth of the ground, inside its loops.
    """
    parts, row = shapely.get_parts(lines, return_index=True)
    xy, part = shapely.get_coordinates(parts, return_index=True)
    start = np.flatnonzero(np.diff(part) == 0)
    segments = shapely.linestrings(np.stack([xy[start], xy[start + 1]], axis=1))
    of = row[part[start]]
    _, wide = union_by(of, shapely.buffer(segments, distance_m[of], quad_segs=QUARTER_SEGMENTS))
    return wide


def buffer_streams(
    streams: gpd.GeoDataFrame, width_ft: ArrayLike, *, crs: CRS | None = None
) -> gpd.GeoDataFrame:
    """Buffer streams by a width on each side of the mapped line.

    Parameters
    ----------
    streams : GeoDataFrame
        Lines (or water polygons, which the buffer then includes).
    width_ft : array_like
        Width on each side, measured horizontally from the mapped line; one, or one per row. [ft]
    crs : CRS, optional
        Plane to work in, in metres: give the stands' :func:`local_crs` where the streams reach
        far beyond them.

    Returns
    -------
    GeoDataFrame
        One polygon per stream that has a width, other columns kept, ``width_ft`` added; round
        ends and bends, short of the true circle by 0.071 % of its area.

    Raises
    ------
    DomainError
        If the layer has no CRS, or a width is negative or missing.

    Examples
    --------
    A mile of straight creek, 50 ft on each side: 12.12 acres and two half circles.

    >>> creek = shapely.LineString([(500_000, 0), (500_000 + 5280 * 0.3048, 0)])
    >>> streams = gpd.GeoDataFrame({"class": ["perennial"]}, geometry=[creek], crs="EPSG:32617")
    >>> buffers = buffer_streams(streams, 50)
    >>> geodesic_acres(buffers.to_crs(local_crs(buffers))).round(2)
    array([12.31])
    """
    wide = set_back(streams, width_ft, crs=crs)
    wide["width_ft"] = np.broadcast_to(np.asarray(width_ft, dtype=np.float64), (len(wide),))
    return wide[~(wide.geometry.is_empty | wide.geometry.isna())]


def exclude(
    stands: gpd.GeoDataFrame,
    buffers: gpd.GeoDataFrame | None = None,
    exclusions: gpd.GeoDataFrame | None = None,
    units: gpd.GeoDataFrame | None = None,
    *,
    reasons: Sequence[str] | None = None,
) -> gpd.GeoDataFrame:
    """Cut stands into pieces, each with the one reason why it must stay, or none, and its unit.

    Parameters
    ----------
    stands : GeoDataFrame
        Column ``stand``; valid polygons that do not overlap (see ``find_overlaps``).
    buffers : GeoDataFrame, optional
        Stream buffers, or their zones; columns ``class``, ``width_ft``, ``zone``,
        ``zone_number`` and ``cutting`` ("none", "partial", "any"; "" not stated) where known.
    exclusions : GeoDataFrame, optional
        Polygons, any setback applied; column ``reason``.
    units : GeoDataFrame, optional
        Harvest units; column ``unit``.
    reasons : sequence of str, optional
        Order of the exclusion reasons, strictest first. Reasons not listed follow in the order in
        which the layer first has them.

    Returns
    -------
    GeoDataFrame
        One row per stand, reason, class, zone and unit, in the CRS of the stands: ``stand``,
        ``reason`` ("" for net ground, "stream buffer", or the exclusion's), ``class``, ``zone``
        and ``cutting`` (of the stream's rule, else ""), ``unit`` ("" outside every unit),
        ``acres``, geometry. The pieces tile the stands.

    Raises
    ------
    DomainError
        If a layer has no CRS or a polygon is not valid, or an exclusion is a line or point.
    StandmapError
        If the pieces of a stand do not add up to it within 1e-6 or a square centimetre (its
        geometry broke the overlay).

    Notes
    -----
    Each acre is excluded once, by the strictest reason: stream buffers in which nothing may be cut,
    or of which it is not stated; then exclusions; then buffers of which part may be cut; then those
    of which all may. Among buffers the zone nearer the water comes first, then the class with the
    widest buffer, then by name; among exclusions, the order of ``reasons``.
    Where two units overlap, the ground counts in the unit whose id sorts first
    (:func:`unit_table` states the acres).

    Acres are cut in the stands' equal-area plane and scaled, stand by stand, to the stand's
    acres on the ellipsoid; the two differ by about 1 part in 10^8 on a tract.
    """
    crs = local_crs(stands)
    base = sound_polygons(stands, crs, "stands")
    shapes, group, labels = reasons_to_stay(buffers, exclusions, crs, reasons)
    cut = carve(base, shapes, group)
    unit_names: list[str] = []
    in_unit = np.full(len(cut.owner), -1)
    owner, taker, geometry = cut
    if units is not None and len(units):
        by_unit, unit_group, unit_names = ranked_units(units, crs)
        again = carve(cut.geometry, by_unit, unit_group)
        owner, taker = cut.owner[again.owner], cut.group[again.owner]
        in_unit, geometry = again.group, again.geometry
    planar = shapely.area(geometry)
    _check_conserved(stands, base, owner, planar)
    whole = shapely.area(base)
    scale = np.where(whole > 0, geodesic_acres(stands), 0) / np.where(whole > 0, whole, 1)

    named = np.array([*labels, NOTHING], dtype=object)  # -1, nothing, is the last
    pieces = gpd.GeoDataFrame(
        {
            "stand": stands["stand"].astype(str).to_numpy()[owner],
            "reason": named[taker, 0],
            "class": named[taker, 1],
            "zone": named[taker, 2],
            "cutting": named[taker, 3],
            "unit": np.array([*unit_names, ""], dtype=object)[in_unit],
            "acres": planar * scale[owner],
        },
        geometry=geometry,
        crs=crs,
    )
    return pieces.to_crs(stands.crs)


def acre_table(pieces: pd.DataFrame) -> pd.DataFrame:
    """Add up the acres of each stand.

    Parameters
    ----------
    pieces : DataFrame
        From :func:`exclude`.

    Returns
    -------
    DataFrame
        Indexed by stand, in the order of the pieces: ``gross_acres``, ``buffer_acres``,
        ``exclusion_acres``, ``net_acres``; gross is the sum of the other three.
    """
    table = acres_by(pieces, "stand")
    table.insert(0, "gross_acres", table.sum(axis=1))
    return table


def acres_by(pieces: pd.DataFrame, column: str) -> pd.DataFrame:
    """Sum acres by one column into buffer, exclusion and net."""
    reason = pieces["reason"]
    fate = np.select(
        [reason == "", reason == STREAM_BUFFER], ["net_acres", "buffer_acres"], "exclusion_acres"
    )
    table = pd.pivot_table(
        pd.DataFrame({column: pieces[column], "fate": fate, "acres": pieces["acres"]}),
        index=column,
        columns="fate",
        values="acres",
        aggfunc="sum",
        fill_value=0.0,
    )
    order = pieces[column].drop_duplicates().to_numpy()
    table = table.reindex(
        index=order, columns=["buffer_acres", "exclusion_acres", "net_acres"], fill_value=0.0
    )
    return table.rename_axis(index=column, columns=None)


def _labels(layer: gpd.GeoDataFrame, column: str, blank: str) -> NDArray[np.object_]:
    """Return a text column, blanks filled."""
    if column not in layer:
        return np.full(len(layer), blank, dtype=object)
    text = layer[column].astype(object).where(layer[column].notna(), "").astype(str).str.strip()
    return np.asarray(text.mask(text == "", blank), dtype=object)


def reasons_to_stay(
    buffers: gpd.GeoDataFrame | None,
    exclusions: gpd.GeoDataFrame | None,
    crs: CRS,
    reasons: Sequence[str] | None = None,
) -> tuple[Geometries, NDArray[np.int64], list[Claim]]:
    """Return all polygons that must stay, the priority of each, and what each priority is."""
    shapes: list[Geometries] = []
    claims: list[pd.DataFrame] = []
    if buffers is not None and len(buffers):
        shapes.append(sound_polygons(buffers, crs, "stream buffers"))
        claims.append(_buffer_claims(buffers))
    if exclusions is not None and len(exclusions):
        reason = _labels(exclusions, "reason", UNNAMED_EXCLUSION)
        present = pd.unique(reason)
        first = [name for name in reasons or () if name in set(present)]
        order = pd.Index([*first, *(name for name in present if name not in set(first))])
        shapes.append(sound_polygons(exclusions, crs, "exclusions"))
        rank = order.get_indexer(pd.Index(reason))
        claims.append(
            pd.DataFrame({"reason": reason, "tier": EXCLUSION_TIER, "place": rank, "wide": 0.0})
        )
    if not shapes:
        return np.empty(0, dtype=object), np.empty(0, dtype=np.int64), []
    every = pd.concat(claims, ignore_index=True).fillna({"class": "", "zone": "", "cutting": ""})
    names = ["reason", "class", "zone", "cutting"]
    names_there = [name for name in names if name in every]
    every = every.assign(**{name: "" for name in names if name not in names_there})
    ranked = every.drop_duplicates([*names, "tier"]).sort_values(
        ["tier", "place", "wide", "class", "zone"], ascending=[True, True, False, True, True]
    )
    place = pd.MultiIndex.from_frame(ranked[[*names, "tier"]])
    group = place.get_indexer(pd.MultiIndex.from_frame(every[[*names, "tier"]]))
    labels = [(str(a), str(b), str(c), str(d)) for a, b, c, d in ranked[names].to_numpy()]
    return np.concatenate(shapes), group.astype(np.int64), labels


def _buffer_claims(buffers: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return what each buffer or zone is, and what decides how strict it is."""
    kind = _labels(buffers, "class", "")
    width = buffers["width_ft"] if "width_ft" in buffers else pd.Series(0.0, buffers.index)
    cutting = _labels(buffers, "cutting", "")
    number = buffers["zone_number"] if "zone_number" in buffers else pd.Series(1, buffers.index)
    return pd.DataFrame(
        {
            "reason": STREAM_BUFFER,
            "class": kind,
            "zone": _labels(buffers, "zone", ""),
            "cutting": cutting,
            "tier": [TIERS.get(str(word), 0) for word in cutting],
            "place": number.to_numpy(),
            "wide": width.groupby(kind).transform("max").to_numpy(),
        }
    )


def ranked_units(
    units: gpd.GeoDataFrame, crs: CRS
) -> tuple[Geometries, NDArray[np.int64], list[str]]:
    """Return the units' polygons, the rank of each row's unit, and the unit ids in that order."""
    rank, names = pd.factorize(units["unit"].astype(str), sort=True)
    return (
        sound_polygons(units, crs, "harvest units"),
        rank.astype(np.int64),
        [str(n) for n in names],
    )


def _check_conserved(
    stands: gpd.GeoDataFrame, base: Geometries, owner: NDArray[np.int64], sqm: NDArray[np.float64]
) -> None:
    """Raise if the pieces of any stand do not add up to it."""
    whole = shapely.area(base)
    pieces = np.bincount(owner, weights=sqm, minlength=len(base))
    off = np.flatnonzero(np.abs(pieces - whole) > np.maximum(CONSERVED * whole, CONSERVED_SQM))
    if len(off):
        i = off[0]
        raise StandmapError(
            f"the pieces of stand {stands['stand'].iloc[i]} add up to "
            f"{pieces[i] / SQM_PER_ACRE:.6f} acres, the stand to {whole[i] / SQM_PER_ACRE:.6f}. "
            "Its outline, or one laid over it, defeats the overlay: snap the layer to 0.01 ft "
            "in a GIS and run again."
        )
