"""The field sheet's pictures: the map of the walk, and error against plots."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import matplotlib as mpl
import numpy as np
import pandas as pd
import shapely
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from matplotlib.patheffects import withStroke

from standmap.instruments import CHAIN_FT
from standmap.layout.work import CruiseLayout
from standmap.report.figures import STYLE, label_places
from standmap.units import FT_PER_M

INK: Final = "#1b2420"
WATER: Final = "#2f6f9f"
KEPT: Final = "#dfe3e6"
GROUND: Final = "#f4f8f1"
WALK: Final = "#b4500f"
_WIDTH_IN: Final = 7.4
_TALLEST_IN: Final = 8.3
_FOOT_IN: Final = 0.42
_BAR_CHAINS: Final = (1, 2, 5, 10, 20, 40, 80, 160)


def map_figure(layout: CruiseLayout, rows: slice | None = None) -> Figure:
    """Draw the plots in walking order.

    Parameters
    ----------
    layout : CruiseLayout
        What to draw.
    rows : slice, optional
        Draw only the ground around these plots; others on it are drawn faint. By default the
        whole tract.
    """
    crs = layout.basis.crs
    points = layout.plots.geometry.to_crs(crs)
    xy = np.column_stack([points.x, points.y])
    chosen = np.zeros(len(xy), dtype=bool)
    chosen[rows or slice(None)] = True
    stands = layout.basis.stands.to_crs(crs)
    box = stands.total_bounds if rows is None else _around(xy[chosen])
    left, bottom, right, top = box
    margin = 0.02 * max(right - left, top - bottom)
    wide, high = right - left + 2 * margin, top - bottom + 2 * margin
    height = _WIDTH_IN * high / wide
    width = _WIDTH_IN if height <= _TALLEST_IN else _TALLEST_IN * wide / high
    height = min(height, _TALLEST_IN)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(width, height + _FOOT_IN), layout=None)
        share = _FOOT_IN / (height + _FOOT_IN)
        axes = figure.add_axes((0, share, 1, 1 - share))
        axes.set_axis_off()
        axes.set_xlim(left - margin, right + margin)
        axes.set_ylim(bottom - margin, top + margin)
        axes.set_aspect("equal", adjustable="datalim")
        _draw_land(axes, layout, stands, crs)
        _draw_walk(axes, xy, chosen, layout.plots["plot"].tolist())
        _north(axes)
        _foot(figure, axes, layout, share, width)
        axes.set_xlim(left - margin, right + margin)
        axes.set_ylim(bottom - margin, top + margin)
    return figure


def _around(xy: np.ndarray) -> np.ndarray:
    """Return a box around some plots, never narrower than 0.65 of its height or 10 chains."""
    low, high = xy.min(axis=0), xy.max(axis=0)
    least = max(10 * CHAIN_FT / FT_PER_M, 0.65 * float((high - low).max()))
    grow = np.maximum(least - (high - low), 0) / 2 + 1.5 * CHAIN_FT / FT_PER_M
    return np.concatenate([low - grow, high + grow])


def _draw_land(axes: Axes, layout: CruiseLayout, stands: gpd.GeoDataFrame, crs: Any) -> None:
    pieces = layout.basis.pieces.to_crs(crs)
    net = pieces[pieces["reason"] == ""]
    kept = pieces[pieces["reason"] != ""]
    net.plot(ax=axes, facecolor=GROUND, edgecolor="none")
    if len(kept):
        kept.plot(ax=axes, facecolor=KEPT, edgecolor="#8b9499", hatch="////", linewidth=0.2)
    streams = layout.basis.streams
    if streams is not None and len(streams):
        streams.to_crs(crs).plot(ax=axes, color=WATER, linewidth=1.2)
    stands.boundary.plot(ax=axes, color="#5a655f", linewidth=0.7)
    outline = shapely.boundary(shapely.union_all(shapely.make_valid(stands.geometry.to_numpy())))
    gpd.GeoSeries([outline], crs=crs).plot(ax=axes, color=INK, linewidth=1.8)
    frame = shapely.box(*axes.viewLim.extents)
    shown = stands.geometry.intersection(frame)
    for name, (x, y) in zip(stands["stand"], label_places(shown), strict=True):
        if np.isfinite(x):
            axes.text(x, y, str(name), ha="center", va="center", fontsize=13, color="#9aa69e",
                      fontweight="bold", zorder=2)  # fmt: skip


def _draw_walk(axes: Axes, xy: np.ndarray, chosen: np.ndarray, names: list[str]) -> None:
    axes.plot(xy[:, 0], xy[:, 1], color=WALK, linewidth=0.8, linestyle=(0, (4, 2)), zorder=3)
    style: dict[str, Any] = {"linestyle": "none", "marker": "o", "markersize": 4.2}
    style["markeredgecolor"] = INK
    axes.plot(xy[~chosen, 0], xy[~chosen, 1], markerfacecolor="white", zorder=4,
              **{**style, "markeredgecolor": "#8b9499"})  # fmt: skip
    axes.plot(xy[chosen, 0], xy[chosen, 1], markerfacecolor=INK, zorder=4, **style)
    if chosen[0]:
        axes.plot(xy[:1, 0], xy[:1, 1], **{**style, "marker": "s", "markersize": 6.5,
                  "markerfacecolor": WALK}, zorder=4)  # fmt: skip
    size = 8.5 if chosen.sum() <= 45 else 7.5 if chosen.sum() <= 90 else 6
    outline = withStroke(linewidth=2.4, foreground="white")
    for (x, y), name in zip(xy[chosen], np.asarray(names, dtype=object)[chosen], strict=True):
        note = axes.annotate(
            name, (x, y), xytext=(3.2, 2.6), textcoords="offset points", fontsize=size,
            color=INK, fontweight="bold", zorder=5, annotation_clip=True,
        )  # fmt: skip
        note.set_path_effects([outline])


def _north(axes: Axes) -> None:
    axes.annotate(
        "N", (0.965, 0.985), (0.965, 0.915), xycoords="axes fraction", textcoords="axes fraction",
        ha="center", va="top", fontsize=11, fontweight="bold", color=INK,
        arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.6}, zorder=6,
    )  # fmt: skip


def _foot(figure: Figure, axes: Axes, layout: CruiseLayout, share: float, width: float) -> None:
    """Draw a scale bar in chains and say what the signs mean, under the map."""
    chain_m = CHAIN_FT / FT_PER_M
    (left, right) = axes.get_xlim()
    fit = [c for c in _BAR_CHAINS if c * chain_m <= 0.3 * (right - left)] or [_BAR_CHAINS[0]]
    chains = fit[-1]
    long = chains * chain_m / (right - left)
    line, below = 0.72 * share, 0.30 * share
    for part in range(4):
        x = 0.01 + long * np.array([part, part + 1]) / 4
        colour = INK if part % 2 == 0 else "#c8cfca"
        figure.add_artist(Line2D(x, [line, line], color=colour, linewidth=4, solid_capstyle="butt"))
    feet = f"{chains * CHAIN_FT:,.0f} ft"
    figure.text(0.01, below, f"0 to {chains} chain{'s' * (chains > 1)} ({feet})", fontsize=7.5)
    signs: list[Any] = [
        Line2D([], [], color=INK, marker="o", markersize=4, linestyle="none", label="plot"),
        Line2D([], [], color=WALK, marker="s", markersize=5.5, markeredgecolor=INK,
               linestyle="none", label="first plot"),
        Line2D([], [], color=WALK, linewidth=0.9, linestyle=(0, (4, 2)), label="walk"),
        Patch(facecolor=KEPT, edgecolor="#8b9499", hatch="////", label="must stay: no plots"),
        Line2D([], [], color="#5a655f", linewidth=0.8, label="stand line"),
    ]  # fmt: skip
    streams = layout.basis.streams
    if streams is not None and len(streams):
        signs.append(Line2D([], [], color=WATER, linewidth=1.3, label="stream"))
    figure.legend(
        handles=signs, loc="lower right", bbox_to_anchor=(1.0, 0.0), frameon=False, fontsize=7.5,
        ncols=6 if width > 6.5 else 3, handlelength=1.6, columnspacing=1.2, borderaxespad=0.1,
    )  # fmt: skip


def _spot(
    axes: Axes, plots: int, error: float, words: str, marker: str, fill: str, above: float
) -> None:
    """Mark a cruise on the curve, and name it above or below."""
    axes.plot([plots], [error], marker=marker, color=INK, markerfacecolor=fill, markersize=5.5)
    axes.annotate(words, (plots, error), xytext=(8, above), textcoords="offset points", fontsize=8)


def curve_figure(layout: CruiseLayout) -> Figure | None:
    """Draw the expected error against the number of plots, and against cost where it is known.

    None where no error can be promised of any number of plots.
    """
    curve: pd.DataFrame = layout.curve
    if curve.empty:
        return None
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(_WIDTH_IN, 2.7), layout="constrained")
        axes = figure.add_subplot()
        axes.plot(curve["plots"], curve["error_pct"], color="#265331", linewidth=1.8)
        last, now = layout.basis.last, layout.expected_error_pct
        if last is not None and np.isfinite(last.sampling_error_pct):
            words = f"last cruise: {last.n} plots, ± {last.sampling_error_pct:.1f} %"
            # Named on the side away from the curve.
            usual = np.interp(last.n, curve["plots"], curve["error_pct"])
            above = 7 if last.sampling_error_pct >= usual else -14
            _spot(axes, last.n, last.sampling_error_pct, words, "D", "white", above)
        if np.isfinite(now):
            words = f"this layout: {len(layout.plots)} plots, ± {now:.1f} %"
            _spot(axes, len(layout.plots), now, words, "o", WALK, 9)
        axes.set_xlabel("Plots", fontsize=8)
        axes.set_ylabel(f"Error, ± % at {layout.basis.confidence:.0%}", fontsize=8)
        axes.set_ylim(bottom=0)
        axes.set_xlim(left=0)
        axes.grid(color="#dfe5e0", linewidth=0.6)
        axes.set_axisbelow(True)
        for side in ("top", "right"):
            axes.spines[side].set_visible(False)
        if "cost_usd" in curve:
            _cost_axis(axes, curve)
    return figure


def _cost_axis(axes: Axes, curve: pd.DataFrame) -> None:
    """Put what the plots cost above them; plots of one number cost what their allocation does."""
    plots = curve["plots"].to_numpy(dtype=float)
    cost = np.maximum.accumulate(curve["cost_usd"].to_numpy(dtype=float))
    beyond = 10.0  # past the curve, and before it, at the price of its ends
    n = np.concatenate([[0.0], plots, [plots[-1] * beyond]])
    usd = np.concatenate([[0.0], cost, [cost[-1] * beyond]])
    usd += np.arange(len(usd)) * 1e-6  # so that it can be turned round

    def to_usd(count: Any) -> Any:
        return np.interp(count, n, usd)

    def to_plots(dollars: Any) -> Any:
        return np.interp(dollars, usd, n)

    top = axes.secondary_xaxis("top", functions=(to_usd, to_plots))
    top.xaxis.set_major_formatter(lambda v, _: f"${v:,.0f}")
    top.set_xlabel("Cost of the plots", fontsize=8)
