"""Pictures of the land page: the tract with what must stay, and each conflict close up."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch

from standmap.report import colours
from standmap.report.figures import (
    STYLE,
    _areas,
    _has_rows,
    _label_stands,
    _lines,
    _north_arrow,
    _valid,
    draw_scale_bar,
    label_places,
    say,
)
from standmap.steps.land import CONFLICT

if TYPE_CHECKING:
    from standmap.steps.land import Land
    from standmap.tract import Tract

PART_FILL: Final = "#d98a1f"
WIDE_IN: Final = 7.2
FINENESS: Final = 3000
"""Parts of the picture's width that can be told apart: shapes are drawn no finer."""
Box = tuple[float, float, float, float]
_MARGIN: Final = 0.12
_LEAST_SIDE_M: Final = 120.0


def land_figure(tract: Tract, land: Land, *, width_in: float = WIDE_IN) -> Figure:
    """Draw the tract: stands, streams, buffers by what may be cut, exclusions, units, channels.

    Parameters
    ----------
    tract : Tract
        With the stands; the picture is in its equal-area plane.
    land : Land
        The ground laid out.
    width_in : float
        Width of the picture.
    """
    left, bottom, right, top = tract.stands.total_bounds
    margin = 0.03 * max(right - left, top - bottom)
    height_in = min(max(width_in * (top - bottom) / (right - left), 2.6), WIDE_IN)
    key = _key(land)
    columns = 4 if width_in >= WIDE_IN else 2
    below = 0.1 + 0.17 * -(-len(key) // columns)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(width_in, height_in + below), layout=None)
        share = below / (height_in + below)
        axes = figure.add_axes((0.0, share, 1.0, 1 - share))
        box = (left - margin, bottom - margin, right + margin, top + margin)
        _frame(axes, box)
        _ground(axes, tract, land, box)
        _label_stands(axes, tract.stands)
        draw_scale_bar(axes)
        _north_arrow(axes)
        figure.legend(
            handles=key,
            loc="lower center",
            ncols=columns,
            frameon=False,
            fontsize=7 if columns > 2 else 8,
            handlelength=2.0,
            borderaxespad=0.2,
        )
    return figure


def conflict_figure(tract: Tract, land: Land, unit: str) -> Figure:
    """Draw one harvest unit and the ground of it that must stay.

    Parameters
    ----------
    tract : Tract
        With the stands.
    land : Land
        The ground laid out.
    unit : str
        The unit.
    """
    crs = tract.crs
    assert tract.units is not None  # a unit that has a conflict
    outline = tract.units[tract.units["unit"].astype(str) == unit]
    issue = land.conflicts[land.conflicts["unit"] == unit].to_crs(crs)
    left, bottom, right, top = outline.total_bounds
    margin = max(_MARGIN * max(right - left, top - bottom), _LEAST_SIDE_M / 4)
    box = (left - margin, bottom - margin, right + margin, top + margin)
    width_in = 3.5
    height_in = min(max(width_in * (box[3] - box[1]) / (box[2] - box[0]), 1.8), 4.6)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(width_in, height_in), layout=None)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        _frame(axes, box)
        _ground(axes, tract, land, box, named=False)
        part = (issue["verdict"] != CONFLICT).to_numpy()
        for some, fill in ((issue[part], PART_FILL), (issue[~part], colours.CONFLICT)):
            if len(some):
                axes.add_collection(
                    _areas(some, crs, facecolor=fill, alpha=0.75, edgecolor="none", zorder=4)
                )
        draw_scale_bar(axes)
    return figure


def _seen(layer: gpd.GeoDataFrame, crs: Any, box: Box) -> gpd.GeoDataFrame:
    """Return what of a layer is in the picture, no finer than it can be seen."""
    width, height = box[2] - box[0], box[3] - box[1]
    wide = (box[0] - width, box[1] - height, box[2] + width, box[3] + height)
    there = layer.to_crs(crs)
    shapes = there.geometry.clip_by_rect(*wide).simplify(width / FINENESS)
    there = there.set_geometry(shapes)
    return there[~(shapes.isna() | shapes.is_empty)]


def _frame(axes: Axes, box: Box) -> None:
    axes.set_axis_off()
    axes.set_aspect("equal")
    axes.set_xlim(box[0], box[2])
    axes.set_ylim(box[1], box[3])


def _ground(axes: Axes, tract: Tract, land: Land, box: Box, *, named: bool = True) -> None:
    """Draw stands, what must stay, water and units."""
    crs, water = tract.crs, land.water
    stands = _seen(tract.stands, crs, box)
    axes.add_collection(
        _areas(stands, crs, facecolor="#f3f1ea", edgecolor="#b9bfb6", linewidth=0.6)
    )
    zones = _seen(water.zones, crs, box)
    if _has_rows(zones):
        part = zones["cutting"].isin(["partial", "any"]).to_numpy()
        for some, fill in ((zones[part], colours.PART_BUFFER), (zones[~part], colours.BUFFER)):
            if len(some):
                axes.add_collection(_areas(some, crs, facecolor=fill, edgecolor="none"))
    if _has_rows(land.exclusions):
        axes.add_collection(
            _areas(
                _seen(land.exclusions, crs, box),
                crs,
                facecolor="#ffffffb0",
                edgecolor=colours.EXCLUSION,
                hatch="////",
                linewidth=0.7,
            )
        )
    _draw_water(axes, _seen(water.streams, crs, box))
    if _has_rows(water.candidates):
        axes.add_collection(
            _lines(water.candidates.geometry, colour=colours.WATER, width=0.9, dash=(0, (3, 2)))
        )
    _draw_roads(axes, tract, land)
    tract_line = shapely.boundary(shapely.union_all(_valid(tract.stands)))
    axes.add_collection(_lines([tract_line], colour=colours.INK, width=1.4))
    if tract.units is not None and len(tract.units):
        outlines = shapely.boundary(_valid(tract.units))
        axes.add_collection(_lines(outlines, colour=colours.UNIT, width=1.5, dash=(0, (4, 2))))
        if named:
            places = label_places(tract.units.geometry)
            for name, (x, y) in zip(tract.units["unit"], places, strict=True):
                say(axes, str(name), x, y, colour=colours.UNIT, va="top", offset=-6)


def _draw_roads(axes: Axes, tract: Tract, land: Land) -> None:
    """Draw roads as lines and landings as squares; what is too near water over them."""
    for layer, colour, width in (
        (land.roads.ways, colours.ROAD, 1.0),
        (land.roads.too_near, colours.CONFLICT, 2.6),
    ):
        if not _has_rows(layer):
            continue
        shapes = layer.geometry.to_crs(tract.crs).to_numpy()
        line = shapely.get_dimensions(shapes) == 1
        if line.any():
            axes.add_collection(_lines(shapes[line], colour=colour, width=width))
        if (~line).any():
            x, y = shapely.get_coordinates(shapely.centroid(shapes[~line])).T
            axes.plot(
                x, y, linestyle="none", marker="s", markersize=4, markerfacecolor=colour,
                markeredgecolor="white", markeredgewidth=0.5, zorder=3,
            )  # fmt: skip


def _draw_water(axes: Axes, streams: gpd.GeoDataFrame) -> None:
    """Draw lines of water as lines, and ponds filled."""
    if not _has_rows(streams):
        return
    shapes = np.asarray(streams.geometry.to_numpy())
    flat = shapely.get_dimensions(shapes) == 2
    if flat.any():
        ponds = streams[flat]
        axes.add_collection(
            _areas(ponds, streams.crs, facecolor=colours.WATER, edgecolor=colours.WATER)
        )
    if (~flat).any():
        axes.add_collection(_lines(shapes[~flat], colour=colours.WATER, width=1.1))


def _key(land: Land) -> list[Any]:
    """Return a key of what is on the picture."""
    water, zones = land.water, land.water.zones
    key: list[Any] = []
    if _has_rows(water.streams):
        key.append(Line2D([], [], color=colours.WATER, linewidth=1.3, label="Water"))
    part = zones["cutting"].isin(["partial", "any"])
    if (~part).any():
        key.append(Patch(facecolor=colours.BUFFER, label="Buffer, nothing cut"))
    if part.any():
        key.append(Patch(facecolor=colours.PART_BUFFER, label="Buffer, part may be cut"))
    if _has_rows(water.candidates):
        key.append(
            Line2D(
                [], [], color=colours.WATER, linewidth=0.9, linestyle=(0, (3, 2)),
                label="Candidate channel, unverified",
            )
        )  # fmt: skip
    if _has_rows(land.exclusions):
        key.append(
            Patch(
                facecolor="white", edgecolor=colours.EXCLUSION, hatch="////", linewidth=0.7,
                label="Exclusion",
            )
        )  # fmt: skip
    kinds = set(land.roads.ways["kind"]) if _has_rows(land.roads.ways) else set()
    if kinds - {"landing"}:
        key.append(Line2D([], [], color=colours.ROAD, linewidth=1.2, label="Road or skid trail"))
    if "landing" in kinds:
        key.append(
            Line2D(
                [], [], linestyle="none", marker="s", markersize=4.5, markerfacecolor=colours.ROAD,
                markeredgecolor="white", label="Landing",
            )
        )  # fmt: skip
    if _has_rows(land.roads.too_near):
        key.append(Line2D([], [], color=colours.CONFLICT, linewidth=2.6, label="Too near water"))
    if len(land.units_clipped):
        key.append(
            Line2D(
                [], [], color=colours.UNIT, linewidth=1.5, linestyle=(0, (4, 2)),
                label="Harvest unit",
            )
        )  # fmt: skip
    return key
