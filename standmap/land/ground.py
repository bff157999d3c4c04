"""Buffers that follow the ground: wide where the bank is steep, narrow where it is not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from os import PathLike
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS

from standmap._rasters import RasterUnits
from standmap.errors import DomainError
from standmap.land._bank_kernels import (
    LEFT,
    RIGHT,
    SIGN,
    at_measure,
    left_normals,
    rise_by_least_squares,
)
from standmap.land._overlay import Geometries
from standmap.land._strips import Banks, lay_banks, lay_strips
from standmap.land.acres import M_PER_FT, to_local
from standmap.land.elevation import elevation_at
from standmap.land.near import lies_within, widest_ft
from standmap.land.rules import CUTTING_STRICTNESS, StreamRule
from standmap.units import FT_PER_M

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

STEP_FT: Final = 50.0
"""Distance between the stations along a bank at which its slope is taken. Common practice, no
source. [ft]"""

REACH_FT: Final = 100.0
"""How far out from the bank its slope is taken, on the flat. Common practice, no source. [ft]"""

PROFILE_FT: Final = 10.0
"""Distance between the elevations of one profile. [ft]"""

SIDES: Final = ("left", "right")
"""Sides of a line, looking the way it was drawn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GroundBuffers:
    """Buffers by rule and ground, with the slopes they rest on.

    Attributes
    ----------
    buffers : GeoDataFrame
        One row per stream that has a buffer, channel included; the streams' columns and
        ``width_ft`` (mean over banks, on the flat, beyond the channel), ``min_width_ft``,
        ``max_width_ft``, ``jurisdiction``, ``source``, ``binding``, ``verified`` (every width was
        read in its source), ``measured_share`` (of bank slopes, from the raster), ``starts_at``.
        Fit for :func:`standmap.land.exclude`.
    zones : GeoDataFrame
        One row per stream and zone, the ground of that zone alone; ``row`` (position of the
        stream in the layer), ``zone``, ``zone_number``, ``cutting``, ``must_stay``, ``limits``.
    banks : DataFrame
        One row per station and side: ``row``, ``part``, ``station_ft`` (along the line),
        ``side``, ``x``, ``y`` (in ``crs``), ``rise_pct`` (away from the water, signed),
        ``slope_pct`` (as used), ``measured``, ``width_ft``, ``verified``.
    crs : CRS
        The plane of ``x`` and ``y``.
    """

    buffers: gpd.GeoDataFrame
    zones: gpd.GeoDataFrame
    banks: pd.DataFrame
    crs: CRS


def follow_ground(
    streams: gpd.GeoDataFrame,
    rules: StreamRule | Mapping[str, StreamRule | None],
    *,
    dem_path: str | PathLike[str] | None = None,
    units: RasterUnits = "m",
    slope_pct: float | None = None,
    channel_width_ft: ArrayLike | None = None,
    step_ft: float = STEP_FT,
    reach_ft: float = REACH_FT,
    crs: CRS | None = None,
    near: gpd.GeoSeries | None = None,
    near_ft: float = 0.0,
) -> GroundBuffers:
    """Buffer water by rules whose widths follow the slope of each bank.

    Parameters
    ----------
    streams : GeoDataFrame
        Lines, or polygons of water (ponds, wide rivers), which are set back from their bank;
        islands too. Column ``class`` where ``rules`` is by class.
    rules : StreamRule or mapping
        One rule, or one for each value of ``class``; None for a class with no buffer.
    dem_path : path, optional
        Elevation raster.
    units : {"m", "ft"}
        Unit of its elevations.
    slope_pct : float, optional
        Slope taken for every bank the raster does not know, or for all without a raster.
    channel_width_ft : array_like, optional
        Width of the channel, one or one per row; banks lie half of it from a line. Without it,
        and for polygons, the drawn line itself is the bank.
    step_ft : float
        Distance between stations along the bank. [ft]
    reach_ft : float
        Distance over which the slope is taken, out from the bank on the flat. [ft]
    crs : CRS, optional
        Plane to work in, in metres; by default the layer's own ``local_crs``.
    near : GeoSeries, optional
        Ground that matters. Banks so far from it that no buffer of these rules comes within
        ``near_ft`` of it need no slope (those unknown are drawn as level), and are in ``banks``
        only where none of their water comes nearer.
    near_ft : float
        How far around that ground a buffer still matters. [ft]

    Returns
    -------
    GroundBuffers
        Buffers, zones, and the slope and width of every bank.

    Raises
    ------
    DomainError
        If a class has no rule, a rule fixes no width, a needed slope is unknown and none stands
        in, a polygon is not valid, or a number is out of range.
    InputError
        If the raster cannot be read.

    Notes
    -----
    At each station, profiles run out perpendicular to the water on both sides (the direction of
    the line there is that of a chord one step long); elevations are taken every 10 ft from the
    bank to ``reach_ft``, bilinear, and the bank's slope is that of the straight line fitted to
    them, up or down alike. A profile that crosses unknown ground is unknown. Widths are straight
    between stations, so that where a class of slope begins, the width passes over within one step.
    Bends and ends are round.
    A distance along the ground is made horizontal on the bank's own slope.

    Examples
    --------
    A creek without a raster, its banks taken at 27 %:

    >>> from standmap.land import stream_rule
    >>> creek = gpd.GeoDataFrame(geometry=[shapely.LineString([(5e5, 0), (5e5, 300)])], crs=32617)
    >>> found = follow_ground(creek, stream_rule("MN", "trout", limits="soil"), slope_pct=27)
    >>> found.buffers["width_ft"].round(1).tolist()
    [81.1]
    """
    _require_positive(step_ft=step_ft, reach_ft=reach_ft)
    by_row = _rules_by_row(streams, rules)
    local = to_local(streams.geometry, crs)
    plane = CRS.from_user_input(local.crs)
    drawn = shapely.force_2d(np.asarray(local.to_numpy(), dtype=object))
    drawn[[rule is None for rule in by_row]] = None
    half = _half_channel(streams, drawn, channel_width_ft, by_row)
    banks = lay_banks(drawn, half, step_ft * M_PER_FT)
    rise = _rises(banks, dem_path, units, plane, step_ft, reach_ft)
    if slope_pct is not None and not slope_pct >= 0:
        raise DomainError(f"'slope_pct' must be 0 or more; got {slope_pct}.")
    stand_in = np.nan if slope_pct is None else float(slope_pct)
    slope = np.where(np.isnan(rise), stand_in, np.abs(rise))
    matters = np.ones(len(banks.row), dtype=bool)
    if near is not None:
        reach = banks.half + (widest_ft(by_row) + near_ft + step_ft) * M_PER_FT
        foot = at_measure(banks.lines, banks.stations.measure)
        matters = lies_within(foot, to_local(near, plane), reach)
        slope[~matters] = np.nan_to_num(slope[~matters])
        # Water that matters nowhere still has a width to be drawn with.
        matters |= ~np.isin(banks.row, banks.row[matters])

    width, sure = _widths(banks, by_row, slope)
    whole, bands = lay_strips(banks, drawn, by_row, width)
    table = _bank_table(banks, rise, slope, width.sum(axis=0), sure, matters)
    buffers = _buffer_table(streams, by_row, whole, table, half, plane)
    return GroundBuffers(
        buffers=buffers, zones=_zone_table(by_row, bands, plane, streams), banks=table, crs=plane
    )


def _require_positive(**numbers: float) -> None:
    for name, value in numbers.items():
        if not (value > 0 and np.isfinite(value)):
            raise DomainError(f"'{name}' must be more than 0; got {value}.")


def _rules_by_row(
    streams: gpd.GeoDataFrame, rules: StreamRule | Mapping[str, StreamRule | None]
) -> list[StreamRule | None]:
    """Return the rule of each row, or say which classes have none."""
    if isinstance(rules, StreamRule):
        by_row: list[StreamRule | None] = [rules] * len(streams)
    else:
        if "class" not in streams:
            raise DomainError(
                "the streams have no column 'class' to choose their rule by. Add it, or give one "
                "rule for all."
            )
        kinds = streams["class"].astype(str)
        missing = sorted(set(kinds) - set(rules))
        if missing:
            listed = ", ".join(repr(name) for name in missing)
            raise DomainError(
                f"no rule for the stream classes {listed}. Give each a rule, or None where "
                "nothing must stay."
            )
        by_row = [rules[kind] for kind in kinds]
    for rule in dict.fromkeys(rule for rule in by_row if rule is not None):
        if not rule.fixed:
            raise DomainError(
                f"the rule of {rule.jurisdiction} for {rule.water_class!r} fixes no width "
                f"({rule.rows[0].caution or rule.rows[0].keep.text}). Decide one on the ground and "
                "give it in a table of your own."
            )
    return by_row


def _half_channel(
    streams: gpd.GeoDataFrame,
    drawn: Geometries,
    channel_width_ft: ArrayLike | None,
    by_row: list[StreamRule | None],
) -> Floats:
    """Return how far each row's banks lie from its line, in metres."""
    if channel_width_ft is None:
        return np.zeros(len(streams))
    width = np.broadcast_to(np.asarray(channel_width_ft, dtype=np.float64), (len(streams),))
    wrong = np.flatnonzero(~(width >= 0) | np.isinf(width))
    if len(wrong):
        raise DomainError(
            f"'channel_width_ft' must be 0 ft or more; got {width[wrong[0]]} at rows "
            f"{wrong[:5].tolist()} ({len(wrong)} of {len(width)}). Use 0 where it is not known."
        )
    centreline = np.array([rule is not None and rule.from_centreline for rule in by_row])
    return np.where(centreline | (shapely.get_dimensions(drawn) == 2), 0, width / 2) * M_PER_FT


def _rises(
    banks: Banks,
    dem_path: str | PathLike[str] | None,
    units: RasterUnits,
    plane: CRS,
    step_ft: float,
    reach_ft: float,
) -> Floats:
    """Return the rise of the ground away from each bank, (stations, 2) in percent."""
    rise = np.full((len(banks.row), 2), np.nan)
    if dem_path is None or not len(rise):
        return rise
    out = np.linspace(0, reach_ft * M_PER_FT, max(int(np.ceil(reach_ft / PROFILE_FT)), 2) + 1)
    foot = at_measure(banks.lines, banks.stations.measure)
    normal = left_normals(banks.lines, banks.stations, step_ft / 2 * M_PER_FT)
    for side in (LEFT, RIGHT):
        far = banks.half[:, None] + out
        point = foot[:, None, :] + SIGN[side] * normal[:, None, :] * far[:, :, None]
        x, y = point.reshape(-1, 2).T
        elevation = elevation_at(dem_path, x, y, plane, units=units).reshape(far.shape)
        rise[:, side] = 100 * rise_by_least_squares(out, elevation)
    return rise


def _widths(banks: Banks, by_row: list[StreamRule | None], slope: Floats) -> tuple[Floats, Bools]:
    """Return the width on the map of every zone at every bank, and whether it was read."""
    kinds = list(dict.fromkeys(rule for rule in by_row if rule is not None))
    width = np.zeros((max((len(rule.zones) for rule in kinds), default=1), len(banks.row), 2))
    sure = np.ones((len(banks.row), 2), dtype=bool)
    wet = banks.land[:, None] & np.array([True, False])  # the left of an outline is water
    for rule in kinds:
        rows = np.array([other == rule for other in by_row])
        mine = rows[banks.row][:, None] & ~wet
        zones = len(rule.zones)
        width[:zones, mine] = rule.plan_widths_ft(slope[mine])
        sure[mine] = rule.verified_at(slope[mine])
    return width, sure


def _bank_table(
    banks: Banks,
    rise: Floats,
    slope: Floats,
    width_ft: Floats,
    sure: Bools,
    matters: Bools,
) -> pd.DataFrame:
    """Return one row per station that matters and side with land on it."""
    xy = at_measure(banks.lines, banks.stations.measure)
    start = banks.lines.measure[banks.lines.first][banks.stations.line]
    table = pd.DataFrame(
        {
            "row": np.repeat(banks.row, 2),
            "part": np.repeat(banks.part, 2),
            "station_ft": np.repeat((banks.stations.measure - start) * FT_PER_M, 2),
            "side": np.tile(np.array(SIDES, dtype=object), len(banks.row)),
            "x": np.repeat(xy[:, 0], 2),
            "y": np.repeat(xy[:, 1], 2),
            "rise_pct": rise.ravel(),
            "slope_pct": slope.ravel(),
            "measured": ~np.isnan(rise.ravel()),
            "width_ft": width_ft.ravel(),
            "verified": sure.ravel(),
        }
    )
    there = ~np.repeat(banks.land, 2) | (table["side"] == "right")
    return table[there & np.repeat(matters, 2)].reset_index(drop=True)


def _buffer_table(
    streams: gpd.GeoDataFrame,
    by_row: list[StreamRule | None],
    whole: Geometries,
    banks: pd.DataFrame,
    half: Floats,
    plane: CRS,
) -> gpd.GeoDataFrame:
    """Return the streams that have a buffer, with its width and what it rests on."""
    by_bank = banks.groupby("row")
    every = pd.RangeIndex(len(streams))
    width = by_bank["width_ft"].agg(["mean", "min", "max"]).reindex(every)
    starts = [
        "" if rule is None else _starts_at(rule, bool(outline), wide)
        for rule, outline, wide in zip(
            by_row, streams.geometry.geom_type.str.contains("Polygon"), half, strict=True
        )
    ]
    shapes = gpd.GeoSeries(whole, index=streams.index, crs=plane).to_crs(streams.crs)
    table = streams.set_geometry(shapes).assign(
        width_ft=width["mean"].to_numpy(),
        min_width_ft=width["min"].to_numpy(),
        max_width_ft=width["max"].to_numpy(),
        jurisdiction=["" if rule is None else rule.jurisdiction for rule in by_row],
        source=["" if rule is None else "; ".join(rule.citations) for rule in by_row],
        binding=["" if rule is None else rule.rows[0].binding for rule in by_row],
        verified=by_bank["verified"].all().reindex(every, fill_value=False).to_numpy(),
        measured_share=by_bank["measured"].mean().reindex(every).to_numpy(),
        starts_at=starts,
    )
    return table[~shapely.is_empty(whole)]


def _starts_at(rule: StreamRule, outline: bool, half: float) -> str:
    """Return in words where the width starts."""
    if outline:
        return "drawn bank"
    if rule.from_centreline:
        return "centreline, as the rule says"
    if half > 0:
        return "bank, half the channel's width from the line"
    return "mapped line, channel width not known"


def _zone_table(
    by_row: list[StreamRule | None],
    bands: list[Geometries],
    plane: CRS,
    streams: gpd.GeoDataFrame,
) -> gpd.GeoDataFrame:
    """Return one row per stream and zone that has ground."""
    records, shapes = [], []
    for number, band in enumerate(bands):
        for row in np.flatnonzero(~shapely.is_empty(band)):
            rule = by_row[row]
            assert rule is not None  # a row without a rule has no ground
            zone = rule.zones[number]
            rows = [r for r in rule.rows if r.zone == zone]
            cutting = min((r.cutting for r in rows), key=CUTTING_STRICTNESS.__getitem__)
            keep = "; ".join(dict.fromkeys(r.keep.words for r in rows if r.keep.words))
            records.append((row, zone, number + 1, cutting, keep, rule.limits))
            shapes.append(band[row])
    columns = ["row", "zone", "zone_number", "cutting", "must_stay", "limits"]
    table = pd.DataFrame(records, columns=columns).astype(
        {"row": np.int64, "zone_number": np.int64}
    )
    layer = gpd.GeoDataFrame(table, geometry=shapes, crs=plane).to_crs(streams.crs)
    return layer.sort_values(["row", "zone_number"], kind="stable", ignore_index=True)
