"""A small map of each harvest unit: its ground, what stays around it, where its logs go."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.figure import Figure

from standmap.report import colours
from standmap.report.figures import (
    STYLE,
    draw_areas,
    draw_lines,
    draw_scale_bar,
    label_places,
    say,
    stream_widths,
)

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

WIDTH_IN: Final = 3.4
ROUND_IT: Final = 0.22
"""How far the map reaches beyond the unit, as a share of its size."""


def unit_figure(appraisal: Appraisal, unit: str) -> Figure:
    """Draw one harvest unit: stands, what must stay, streams, plots, landings and crossings.

    Parameters
    ----------
    appraisal : Appraisal
        What to draw from, in the tract's own plane, so that the scale bar holds.
    unit : str
        Which unit.
    """
    crs = appraisal.tract.crs
    units = appraisal.units.to_crs(crs)
    own = units[units["unit"] == unit]
    landings, crossings = appraisal.tract.landings, appraisal.tract.crossings
    mine = None if landings is None else landings[landings["unit"].isin([unit, ""])]
    ways = appraisal.skidding.ways
    way = ways[ways["unit"] == unit].to_crs(crs)
    left, bottom, right, top = own.total_bounds
    for drawn in (mine, way):
        if drawn is not None and len(drawn):
            far = drawn.total_bounds
            left, bottom = min(left, far[0]), min(bottom, far[1])
            right, top = max(right, far[2]), max(top, far[3])
    side = (1 + 2 * ROUND_IT) * max(right - left, top - bottom)
    x, y = (left + right) / 2, (bottom + top) / 2
    window = shapely.box(x - side / 2, y - side / 2, x + side / 2, y + side / 2)

    def here(layer: gpd.GeoDataFrame | None) -> gpd.GeoDataFrame | None:
        if layer is None or layer.empty:
            return None
        near = layer.to_crs(crs)
        near = near[near.intersects(window).to_numpy()]
        return near if len(near) else None

    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_IN, WIDTH_IN), layout=None)
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set_axis_off()
        axes.set_xlim(x - side / 2, x + side / 2)
        axes.set_ylim(y - side / 2, y + side / 2)
        stands = here(appraisal.stands)
        if stands is not None:
            draw_areas(axes, stands, facecolor="#eef3ee", edgecolor="#b9c4bc", linewidth=0.7)
        draw_areas(axes, own, facecolor=colours.RAMP[1], edgecolor="none", alpha=0.75)
        exclusions, buffers = here(appraisal.exclusions), here(appraisal.buffers)
        if buffers is not None:
            draw_areas(axes, buffers, facecolor=colours.BUFFER, alpha=0.6, edgecolor="none")
        if exclusions is not None:
            draw_areas(axes, exclusions, facecolor="#ffffffb0", edgecolor=colours.EXCLUSION,
                       hatch="////", linewidth=0.7)  # fmt: skip
        streams = here(appraisal.streams)
        if streams is not None:
            for width in np.unique(stream_widths(streams)):
                lines = streams.geometry[stream_widths(streams) == width]
                draw_lines(axes, lines, colour=colours.WATER, width=float(width))
        draw_lines(axes, shapely.boundary(units.geometry.to_numpy()), colour=colours.UNIT,
                   width=1.4, dash=(0, (4, 2)))  # fmt: skip
        if len(way):
            draw_lines(axes, way.geometry, colour=colours.INK, width=1.1, dash=(0, (1, 2)))
        _marks(axes, here(appraisal.plots), marker="o", size=2.2, fill=colours.PLOT)
        _marks(axes, here(mine), marker="^", size=8.0, fill=colours.UNIT)
        _crossings(axes, here(crossings))
        for name, (at_x, at_y) in zip(own["unit"], label_places(own.geometry), strict=True):
            say(axes, str(name), at_x, at_y, colour=colours.UNIT, weight="bold")
        draw_scale_bar(axes)
    return figure


def _marks(
    axes: Any, layer: gpd.GeoDataFrame | None, *, marker: str, size: float, fill: str
) -> None:
    if layer is None:
        return
    middle = layer.geometry.representative_point()
    axes.plot(
        middle.x,
        middle.y,
        linestyle="none",
        marker=marker,
        markersize=size,
        markerfacecolor=fill,
        markeredgecolor="white",
        markeredgewidth=0.5,
        zorder=5,
    )


def _crossings(axes: Any, layer: gpd.GeoDataFrame | None) -> None:
    """Draw crossings: lines as drawn, points as a bar."""
    if layer is None:
        return
    lines = layer[shapely.get_dimensions(layer.geometry.to_numpy()) == 1]
    if len(lines):
        draw_lines(axes, lines.geometry, colour=colours.INK, width=2.4)
    points = layer[shapely.get_dimensions(layer.geometry.to_numpy()) == 0]
    _marks(axes, points if len(points) else None, marker="s", size=5.0, fill=colours.INK)
