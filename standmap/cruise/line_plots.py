"""Line-plot cruises: plots at even steps along even lines, planned by their intensity."""

from __future__ import annotations

import math
from dataclasses import dataclass

from standmap.cruise._checks import positive
from standmap.errors import DomainError
from standmap.units import SQFT_PER_ACRE

FT_PER_CHAIN = 66.0
_SQ_CHAINS_PER_ACRE = SQFT_PER_ACRE / FT_PER_CHAIN**2


@dataclass(frozen=True, slots=True, kw_only=True)
class LinePlotPlan:
    """A line-plot cruise on paper.

    Attributes
    ----------
    sampled_acres : float
        Acres inside plots. [acres]
    plots : int
        Plots, rounded up.
    acres_per_plot : float
        Acres each plot speaks for. [acres]
    square_chains_per_plot : float
        The same. [square chains]
    between_plots_ch, between_lines_ch : float
        Steps along a line, and from line to line. [chains of 66 ft]
    """

    sampled_acres: float
    plots: int
    acres_per_plot: float
    square_chains_per_plot: float
    between_plots_ch: float
    between_lines_ch: float


def cruise_intensity_pct(
    plot_acres: float, between_plots_ch: float, between_lines_ch: float
) -> float:
    """Share of the ground that a line-plot cruise sees.

    Parameters
    ----------
    plot_acres : float
        Acres of one plot. [acres]
    between_plots_ch, between_lines_ch : float
        Steps along a line, and from line to line. [chains of 66 ft]

    Returns
    -------
    float
        Nominal intensity. [percent]

    Raises
    ------
    DomainError
        If a figure is not above 0.

    Notes
    -----
    Intensity says how much was looked at, not how good the cruise is: that is its sampling error.

    References
    ----------
    .. [1] Forest Measurements II, lecture on fixed-area plot sampling, slide 5.

    Examples
    --------
    >>> cruise_intensity_pct(0.1, 2, 5)
    10.0
    """
    steps = positive("between_plots_ch", between_plots_ch) * positive(
        "between_lines_ch", between_lines_ch
    )
    return 100 * positive("plot_acres", plot_acres) / (steps / _SQ_CHAINS_PER_ACRE)


def line_plot_plan(
    acres: float, cruise_pct: float, plot_acres: float, *, between_plots_ch: float | None = None
) -> LinePlotPlan:
    """Lay out a line-plot cruise of a wanted intensity, on paper.

    Parameters
    ----------
    acres : float
        Acres of the tract. [acres]
    cruise_pct : float
        Intensity wanted. [percent]
    plot_acres : float
        Acres of one plot. [acres]
    between_plots_ch : float, optional
        Step along a line; without it the whole root of the square chains per plot, less one, so
        that lines lie further apart than plots. [chains of 66 ft]

    Returns
    -------
    LinePlotPlan

    Raises
    ------
    DomainError
        If a figure is not above 0, or the intensity is above 100 percent.

    References
    ----------
    .. [1] Forest Measurements II, lecture on fixed-area plot sampling, slides 6 to 9.

    Examples
    --------
    >>> plan = line_plot_plan(60, 5, 0.2)
    >>> plan.plots, plan.between_plots_ch, plan.between_lines_ch
    (15, 5.0, 8.0)
    """
    share = positive("cruise_pct", cruise_pct)
    if share > 100:
        raise DomainError(f"'cruise_pct' must be 100 or less; got {share:g}.")
    sampled = positive("acres", acres) * share / 100
    exact = sampled / positive("plot_acres", plot_acres)
    per_plot = acres / exact
    square = per_plot * _SQ_CHAINS_PER_ACRE
    if between_plots_ch is None:
        step = max(math.isqrt(math.floor(square * (1 + 1e-12))) - 1.0, 1.0)
    else:
        step = positive("between_plots_ch", between_plots_ch)
    return LinePlotPlan(
        sampled_acres=sampled,
        plots=math.ceil(exact * (1 - 1e-12)),
        acres_per_plot=per_plot,
        square_chains_per_plot=square,
        between_plots_ch=step,
        between_lines_ch=square / step,
    )
