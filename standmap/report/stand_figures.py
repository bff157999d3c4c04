"""Pictures with a line for each stand: its value with its interval, its plots with their mean."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import matplotlib as mpl
import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from standmap.report import colours
from standmap.report.figures import STYLE

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

MOST_STANDS_DRAWN: Final = 45
"""Stands shown in a picture, the most valuable first."""


def interval_figure(appraisal: Appraisal, names: list[str]) -> Figure:
    """Draw each stand's value per acre with its interval, best first.

    Parameters
    ----------
    appraisal : Appraisal
        What to draw.
    names : list of str
        Stands to show, best first.
    """
    stands = appraisal.stands.set_index("stand").loc[names]
    value = stands["value_usd_per_acre"].to_numpy(dtype=float)
    half = np.nan_to_num(value * stands["value_usd_error_pct"].to_numpy(dtype=float) / 100)
    borrowed = (stands["borrowed"] != "").to_numpy()
    at = np.arange(len(names))[::-1]
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(7.2, 0.5 + 0.2 * len(names)), layout="constrained")
        axes = figure.add_subplot()
        low = np.maximum(value - half, 0.0)  # timber is never worth less than nothing here
        axes.hlines(at, low, value + half, color="#8fb79a", linewidth=4)
        for some, fill in ((~borrowed, colours.RAMP[4]), (borrowed, "white")):
            axes.plot(
                value[some],
                at[some],
                linestyle="none",
                marker="o",
                markersize=4.5,
                markerfacecolor=fill,
                markeredgecolor=colours.RAMP[4],
            )
        _list_stands(axes, at, names, "Stumpage value per net acre, with its interval", money=True)
    return figure


def plots_figure(appraisal: Appraisal) -> Figure | None:
    """Draw every measured plot's figure by stand, with the stand's mean.

    Parameters
    ----------
    appraisal : Appraisal
        What to draw.

    Returns
    -------
    Figure or None
        None where no stand has sample plots.
    """
    cruise = appraisal.cruise
    stands = cruise.stands[cruise.stands["cv_pct"].notna()]
    stands = stands.sort_values("per_acre", ascending=False).head(MOST_STANDS_DRAWN)
    if stands.empty:
        return None
    names = stands["stand"].astype(str).tolist()
    column = f"{cruise.measure}_per_acre"
    plots = appraisal.plots[appraisal.plots["used"] & appraisal.plots[column].notna()]
    at = {name: len(names) - 1 - k for k, name in enumerate(names)}
    plots = plots[plots["stand"].isin(names)]
    height = plots["stand"].map(at).to_numpy(dtype=float)
    order = np.argsort(np.argsort(plots["plot"].astype(str).to_numpy()))
    nudge = 0.16 * ((order % 3) - 1)  # so that plots alike do not hide each other
    money = cruise.measure == "value_usd"
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(7.2, 0.6 + 0.21 * len(names)), layout="constrained")
        axes = figure.add_subplot()
        axes.plot(
            plots[column].to_numpy(dtype=float),
            height + nudge,
            linestyle="none",
            marker="o",
            markersize=3.4,
            markerfacecolor="#8fb79a",
            markeredgecolor="white",
            markeredgewidth=0.4,
            clip_on=False,  # a plot with nothing stands on the axis
        )
        mean = stands["per_acre"].to_numpy(dtype=float)
        place = np.array([at[name] for name in names], dtype=float)
        axes.vlines(mean, place - 0.34, place + 0.34, color=colours.RAMP[4], linewidth=2.2)
        label = "Stumpage value per acre" if money else "Board feet per acre"
        label = f"{label}: each plot, and the stand's figure"
        _list_stands(axes, place, names, label, money=money)
    return figure


def _list_stands(
    axes: Axes,
    at: npt.NDArray[np.float64] | npt.NDArray[np.int64],
    names: list[str],
    label: str,
    *,
    money: bool,
) -> None:
    """Name a line for each stand down the side, and what an acre holds along the foot."""
    axes.set_yticks(at, labels=names, fontsize=7)
    axes.set_xlim(left=0.0)
    axes.xaxis.set_major_formatter(lambda v, _: f"${v:,.0f}" if money else f"{v:,.0f}")
    axes.xaxis.set_major_locator(mpl.ticker.MaxNLocator(6))
    axes.set_xlabel(label, fontsize=7.5)
    axes.grid(axis="x", color="#dfe5e0", linewidth=0.6)
    axes.set_axisbelow(True)
    for side in ("top", "right", "left"):
        axes.spines[side].set_visible(False)
    axes.tick_params(axis="y", length=0)
    axes.margins(y=0.6 / max(len(names), 1))
