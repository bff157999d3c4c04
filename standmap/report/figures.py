"""Pictures for the report, drawn as SVG and held inside the page as images."""

from __future__ import annotations

import io
import warnings
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import shapely
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection, PathCollection
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch, Polygon
from matplotlib.path import Path
from matplotlib.patheffects import withStroke

from standmap.report import colours
from standmap.report.offline import data_uri
from standmap.units import FT_PER_M

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

STYLE: Final[Any] = {
    "font.family": "sans-serif",
    "font.size": 8,
    "svg.fonttype": "path",
    "svg.hashsalt": "standmap",  # the same appraisal gives the same bytes
    "axes.unicode_minus": False,
    "hatch.linewidth": 0.6,
    "text.parse_math": False,  # dollars and names are never mathematics
}
_MOST_VECTOR_POINTS: Final = 150_000  # beyond this the shapes go in as pixels, the words do not
_MOST_LABELS: Final = 120
_LEAST_LABEL_SHARE: Final = 0.00035  # of the picture, for a stand to carry its name
_STREAM_WIDTHS: Final = (1.7, 1.2, 0.8)


def as_image(figure: Figure, *, dpi: int = 200) -> str:
    """Return a figure as the address of an SVG image a page can hold in itself."""
    out = io.BytesIO()
    with mpl.rc_context(STYLE), warnings.catch_warnings():
        # A name in a script the font lacks prints as boxes on the picture; tables have it right.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        figure.savefig(out, format="svg", dpi=dpi, metadata={"Date": None, "Creator": None})
    return data_uri(out.getvalue(), "image/svg+xml")


def tract_figure(appraisal: Appraisal) -> Figure:
    """Draw the tract: stands shaded, what must stay, units, a scale bar and a north arrow.

    Parameters
    ----------
    appraisal : Appraisal
        What to draw. The picture is in the tract's own equal-area projection, so that its scale
        bar holds everywhere on it.
    """
    crs = appraisal.tract.crs
    stands = appraisal.stands.to_crs(crs)
    shading = colours.shade_stands(appraisal)
    left, bottom, right, top = stands.total_bounds
    margin = 0.03 * max(right - left, top - bottom)
    width_in = 7.2
    height_in = min(max(width_in * (top - bottom) / (right - left), 2.6), 7.2)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(width_in, height_in + 1.0), layout=None)
        share = 1.0 / (height_in + 1.0)
        axes = figure.add_axes((0.0, share, 1.0, 1 - share))
        axes.set_axis_off()
        axes.set_aspect("equal")
        axes.set_xlim(left - margin, right + margin)
        axes.set_ylim(bottom - margin, top + margin)
        _draw_stands(axes, stands, shading)
        _draw_kept(axes, appraisal)
        _draw_units(axes, appraisal)
        outline = shapely.boundary(shapely.coverage_union_all(_valid(stands)))
        axes.add_collection(_lines([outline], colour=colours.INK, width=1.6))
        _draw_plots(axes, appraisal)
        _label_stands(axes, stands)
        draw_scale_bar(axes)
        _north_arrow(axes)
        _legend(figure, appraisal, shading)
    return figure


def _valid(layer: gpd.GeoDataFrame) -> np.ndarray:
    return np.asarray(shapely.make_valid(layer.geometry.to_numpy()))


def _path(shape: Any) -> Path:
    """Return a polygon or multipolygon as one matplotlib path, holes and all."""
    rings = shapely.get_rings(shapely.get_parts(shape))
    paths = [Path(shapely.get_coordinates(ring), closed=True) for ring in rings]
    return Path.make_compound_path(*paths) if paths else Path(np.empty((0, 2)))


def draw_areas(axes: Axes, layer: gpd.GeoDataFrame, **style: Any) -> None:
    """Draw a layer's polygons, in the layer's own coordinates."""
    axes.add_collection(_areas(layer, layer.crs, **style))


def draw_lines(axes: Axes, shapes: Any, *, colour: str, width: float, dash: Any = "solid") -> None:
    """Draw lines."""
    axes.add_collection(_lines(shapes, colour=colour, width=width, dash=dash))


def _areas(layer: gpd.GeoDataFrame, crs: Any, **style: Any) -> PathCollection:
    shapes = layer.to_crs(crs).geometry.dropna()
    shapes = shapes[~shapes.is_empty]
    rasterized = int(shapely.get_num_coordinates(shapes.to_numpy()).sum()) > _MOST_VECTOR_POINTS
    paths = [_path(s) for s in shapes]
    collection = PathCollection(paths, rasterized=rasterized, **style)
    return collection


def _lines(shapes: Any, *, colour: str, width: float, dash: Any = "solid") -> LineCollection:
    parts = shapely.get_parts(np.asarray(shapes, dtype=object))
    segments = [shapely.get_coordinates(p) for p in parts]
    return LineCollection(
        segments, colors=colour, linewidths=width, linestyles=dash, capstyle="round"
    )


def _draw_stands(axes: Axes, stands: gpd.GeoDataFrame, shading: colours.Shading) -> None:
    fills = [colours.NO_FIGURE if c < 0 else shading.colours[c] for c in shading.of_stand]
    there = ~(stands.geometry.isna() | stands.geometry.is_empty).to_numpy()
    collection = _areas(
        stands,
        stands.crs,
        facecolor=[f for f, t in zip(fills, there, strict=True) if t],
        edgecolor="white",
        linewidth=0.8,
    )
    axes.add_collection(collection)


def _draw_kept(axes: Axes, appraisal: Appraisal) -> None:
    """Draw buffers, exclusions and streams."""
    crs = appraisal.tract.crs
    if _has_rows(appraisal.buffers):
        axes.add_collection(
            _areas(appraisal.buffers, crs, facecolor=colours.BUFFER, alpha=0.6, edgecolor="none")
        )
    if _has_rows(appraisal.exclusions):
        axes.add_collection(
            _areas(
                appraisal.exclusions,
                crs,
                facecolor="#ffffffb0",
                edgecolor=colours.EXCLUSION,
                hatch="////",
                linewidth=0.7,
            )
        )
    if _has_rows(appraisal.streams):
        streams = appraisal.streams.to_crs(crs)
        widths = stream_widths(appraisal.streams)
        flat = shapely.get_dimensions(streams.geometry.to_numpy()) == 2
        if flat.any():
            axes.add_collection(_areas(streams[flat], crs, facecolor=colours.WATER))
        for width in np.unique(widths[~flat]):
            shapes = streams.geometry[~flat & (widths == width)].dropna()
            axes.add_collection(_lines(shapes, colour=colours.WATER, width=float(width)))


def label_places(shapes: gpd.GeoSeries) -> np.ndarray:
    """Return where each polygon's name goes: the middle of the largest circle inside it.

    Parameters
    ----------
    shapes : GeoSeries
        Polygons; a missing or empty one gets NaN.

    Returns
    -------
    ndarray, shape (shapes, 2)
        x and y in the units of the shapes.
    """
    places = np.full((len(shapes), 2), np.nan)
    there = ~np.asarray(shapes.isna() | shapes.is_empty)
    if there.any():
        within = np.asarray(shapely.make_valid(shapes.to_numpy()[there]))
        # A radius of the circle, drawn from its middle outward.
        spokes = shapely.maximum_inscribed_circle(within)
        places[there] = shapely.get_coordinates(shapely.get_point(spokes, 0))
    return places


def stream_widths(streams: gpd.GeoDataFrame) -> np.ndarray:
    """Return a line width for each stream: the wider its buffer, the thicker its line."""
    # By class: widths that follow the ground differ from stream to stream.
    buffers = streams.groupby("class")["width_ft"].transform("max").to_numpy(dtype=float)
    steps = np.sort(np.unique(buffers[np.isfinite(buffers)]))[::-1]
    place = np.searchsorted(-steps, -np.nan_to_num(buffers, nan=-1.0))
    widths: np.ndarray = np.take(_STREAM_WIDTHS, np.minimum(place, len(_STREAM_WIDTHS) - 1))
    return widths


def _has_rows(layer: gpd.GeoDataFrame | None) -> bool:
    return layer is not None and not layer.empty


def _draw_units(axes: Axes, appraisal: Appraisal) -> None:
    if not _has_rows(appraisal.units):
        return
    units = appraisal.units.to_crs(appraisal.tract.crs)
    axes.add_collection(
        _lines(shapely.boundary(_valid(units)), colour=colours.UNIT, width=1.5, dash=(0, (4, 2)))
    )
    for name, (x, y) in zip(units["unit"], label_places(units.geometry), strict=True):
        # Set low, so that it does not sit on the stand's own name.
        say(axes, str(name), x, y, colour=colours.UNIT, va="top", offset=-6)


def _draw_plots(axes: Axes, appraisal: Appraisal) -> None:
    if not _has_rows(appraisal.plots):
        return
    points = appraisal.plots.geometry.to_crs(appraisal.tract.crs).dropna()
    axes.plot(
        points.x,
        points.y,
        linestyle="none",
        marker="o",
        markersize=1.9,
        markerfacecolor=colours.PLOT,
        markeredgecolor="white",
        markeredgewidth=0.35,
    )


def _label_stands(axes: Axes, stands: gpd.GeoDataFrame) -> None:
    """Name the stands that are large enough to carry a name."""
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    least = _LEAST_LABEL_SHARE * (right - left) * (top - bottom)
    large = stands[stands.area > least]
    if len(large) > _MOST_LABELS:
        return
    for name, (x, y) in zip(large["stand"], label_places(large.geometry), strict=True):
        say(axes, str(name), x, y, colour=colours.INK, weight="bold")


def say(
    axes: Axes,
    text: str,
    x: float,
    y: float,
    *,
    colour: str,
    weight: str = "normal",
    va: str = "center",
    offset: float = 0.0,
) -> None:
    """Write a name, legible on any shade."""
    note = axes.annotate(
        text,
        (x, y),
        xytext=(0, offset),
        textcoords="offset points",
        ha="center",
        va=va,
        fontsize=7,
        color=colour,
        fontweight=weight,
    )
    note.set_path_effects([withStroke(linewidth=2.2, foreground="white", alpha=0.85)])


def scale_length(width_m: float) -> tuple[float, str]:
    """Return a round length for a scale bar on a picture this wide, in metres, and its words.

    Examples
    --------
    >>> scale_length(2_000.0)
    (402.336, '1/4 mile')
    >>> scale_length(600.0)
    (152.4, '500 ft')
    """
    steps = [
        *((feet / FT_PER_M, f"{feet:,} ft") for feet in (50, 100, 200, 500, 1000)),
        *(
            (5280 * share / FT_PER_M, words)
            for share, words in (
                (0.25, "1/4 mile"),
                (0.5, "1/2 mile"),
                (1, "1 mile"),
                (2, "2 miles"),
                (5, "5 miles"),
                (10, "10 miles"),
            )
        ),
    ]
    fit = [step for step in steps if step[0] <= 0.28 * width_m] or steps[:1]
    length, words = fit[-1]
    return round(length, 6), words


def draw_scale_bar(axes: Axes) -> None:
    """Draw a bar of a round length in four parts at the lower left."""
    (left, right), (bottom, top) = axes.get_xlim(), axes.get_ylim()
    length, words = scale_length(right - left)
    x, y = left + 0.015 * (right - left), bottom + 0.02 * (top - bottom)
    thick = 0.009 * (right - left)
    for part in range(4):
        axes.add_patch(
            Polygon(
                [
                    (x + length * part / 4, y),
                    (x + length * (part + 1) / 4, y),
                    (x + length * (part + 1) / 4, y + thick),
                    (x + length * part / 4, y + thick),
                ],
                closed=True,
                facecolor=colours.INK if part % 2 == 0 else "white",
                edgecolor=colours.INK,
                linewidth=0.6,
                zorder=6,
            )
        )
    for at, text in ((x, "0"), (x + length, words)):
        note = axes.text(
            at,
            y + 1.6 * thick,
            text,
            ha="center",
            va="bottom",
            fontsize=7,
            color=colours.INK,
            zorder=6,
        )
        note.set_path_effects([withStroke(linewidth=2, foreground="white")])


def _north_arrow(axes: Axes) -> None:
    """Draw an arrow at the upper right; the picture's up is north at the tract's middle."""
    centre = axes.transAxes.transform((0.965, 0.93))
    arrow = Path([(0, 0.5), (0.28, -0.5), (0, -0.28), (-0.28, -0.5), (0, 0.5)], closed=True)
    x, y = axes.transAxes.inverted().transform(centre)
    box = axes.get_window_extent()
    size = 22.0 * axes.figure.dpi / 72
    points = np.array(arrow.vertices) * size / np.array([box.width, box.height]) + (x, y)
    axes.add_patch(
        PathPatch(
            Path(points, arrow.codes),
            transform=axes.transAxes,
            facecolor=colours.INK,
            edgecolor="none",
            zorder=6,
        )
    )
    axes.text(
        x,
        y - 0.62 * size / box.height,
        "N",
        transform=axes.transAxes,
        ha="center",
        va="top",
        fontsize=9,
        fontweight="bold",
        color=colours.INK,
    )


def _legend(figure: Figure, appraisal: Appraisal, shading: colours.Shading) -> None:
    shades: list[Any] = [
        Patch(facecolor=c, edgecolor="#9aa79f", linewidth=0.4, label=text)
        for c, text in zip(shading.colours, shading.labels, strict=True)
    ]
    figure.legend(
        handles=shades,
        title=shading.title,
        loc="lower left",
        bbox_to_anchor=(0.005, 0.0),
        ncols=2 if len(shades) > 3 else 1,
        frameon=False,
        fontsize=7,
        title_fontsize=7.5,
        alignment="left",
        handlelength=1.6,
        borderaxespad=0.2,
    )
    things: list[Any] = []
    if _has_rows(appraisal.streams):
        things.append(Line2D([], [], color=colours.WATER, linewidth=1.5, label="Stream"))
    if _has_rows(appraisal.buffers):
        things.append(Patch(facecolor=colours.BUFFER, alpha=0.6, label="Stream buffer"))
    if _has_rows(appraisal.exclusions):
        things.append(
            Patch(
                facecolor="white",
                edgecolor=colours.EXCLUSION,
                hatch="////",
                linewidth=0.7,
                label="Exclusion",
            )
        )
    if _has_rows(appraisal.units):
        things.append(
            Line2D(
                [],
                [],
                color=colours.UNIT,
                linewidth=1.5,
                linestyle=(0, (4, 2)),
                label="Harvest unit",
            )
        )
    if _has_rows(appraisal.plots):
        things.append(
            Line2D(
                [],
                [],
                color=colours.PLOT,
                marker="o",
                markersize=2.5,
                linestyle="none",
                label="Plot",
            )
        )
    if things:
        figure.legend(
            handles=things,
            loc="lower right",
            bbox_to_anchor=(0.995, 0.0),
            ncols=2,
            frameon=False,
            fontsize=7,
            handlelength=2.0,
            borderaxespad=0.2,
        )


__all__ = [
    "as_image",
    "draw_areas",
    "draw_lines",
    "draw_scale_bar",
    "label_places",
    "say",
    "scale_length",
    "stream_widths",
    "tract_figure",
]
