"""From sold logs to a sample: one row of per-acre figures for every plot."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from standmap.products import Logs
from standmap.steps.money import SoldLogs
from standmap.units import BASAL_AREA_CONSTANT, BF_PER_MBF, CUM_PER_CUFT, LOG_RULES
from standmap.value import unit_label

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

LINE_MEASURES: Final = (
    "trees",
    "volume_cuft",
    "volume_cum",
    *(f"{scale}bf_{rule}" for rule in LOG_RULES for scale in ("gross_", "")),
    "cords",
    "weight_tons",
    "value_usd",
)
"""What is known of each sale line, board feet gross and net by each rule; ``trees`` counts trees
that yield the product."""

MEASURES: Final = ("trees", "basal_area_sqft", *LINE_MEASURES[1:])
"""What is known of each stand, in the order every table shows it."""


def line_attribute(line: int, measure: str) -> str:
    """Return the name of one sale line's measure among the attributes.

    Examples
    --------
    >>> line_attribute(3, "cords")
    'line3.cords'
    """
    return f"line{line}.{measure}"


def attribute_names(n_lines: int) -> tuple[str, ...]:
    """Return every attribute of a plot: the totals, then each sale line's."""
    lines = (line_attribute(k, m) for k in range(n_lines) for m in LINE_MEASURES)
    return (*MEASURES, *lines)


def plot_values(
    *,
    n_plots: int,
    plot_of_tree: IntArray,
    factor: FloatArray,
    dbh_in: FloatArray,
    logs: Logs,
    sold: SoldLogs,
) -> FloatArray:
    """Sum trees and logs to per-acre figures of each plot.

    Parameters
    ----------
    n_plots : int
        Plots, those with no trees included.
    plot_of_tree : ndarray of int, shape (trees,)
        Position of each tree's plot.
    factor : ndarray, shape (trees,)
        Trees per acre each tally row stands for.
    dbh_in : ndarray, shape (trees,)
        Diameters. [in]
    logs : Logs
        Logs of those trees.
    sold : SoldLogs
        Their sale lines and values.

    Returns
    -------
    ndarray, shape (plots, attributes)
        In the order of `attribute_names`. Totals of volume are the sums of the sale lines.
    """
    n_lines = len(sold.lines)
    by_line = _line_values(n_plots, n_lines, plot_of_tree, factor, logs, sold)
    totals = np.empty((n_plots, len(MEASURES)))
    totals[:, 0] = np.bincount(plot_of_tree, weights=factor, minlength=n_plots)
    section = BASAL_AREA_CONSTANT * dbh_in**2
    totals[:, 1] = np.bincount(plot_of_tree, weights=factor * section, minlength=n_plots)
    totals[:, 2:] = by_line[:, :, 1:].sum(axis=1)
    return np.concatenate([totals, by_line.reshape(n_plots, -1)], axis=1)


def _line_values(
    n_plots: int,
    n_lines: int,
    plot_of_tree: IntArray,
    factor: FloatArray,
    logs: Logs,
    sold: SoldLogs,
) -> FloatArray:
    """Return plots x sale lines x `LINE_MEASURES`."""
    cell = plot_of_tree[logs.tree] * n_lines + sold.line
    weight = factor[logs.tree]
    columns = (
        _first_of_line(logs.tree, sold.line, n_lines),
        logs.volume_cuft,
        logs.volume_cuft * CUM_PER_CUFT,
        *(column for both in zip(logs.gross_bf.T, logs.bf.T, strict=True) for column in both),
        logs.cords,
        logs.weight_tons,
        sold.value_usd,
    )
    out = np.empty((n_plots * n_lines, len(LINE_MEASURES)))
    for at, column in enumerate(columns):
        out[:, at] = np.bincount(cell, weights=weight * column, minlength=n_plots * n_lines)
    return out.reshape(n_plots, n_lines, len(LINE_MEASURES))


def _first_of_line(tree: npt.NDArray[np.int32], line: IntArray, n_lines: int) -> FloatArray:
    """Return 1.0 for the first log of each sale line in each tree, else 0.0."""
    first = np.zeros(len(tree))
    first[np.unique(tree.astype(np.int64) * n_lines + line, return_index=True)[1]] = 1.0
    return first


def quantity_measure(unit: str, log_rule: str, kind: str, lead_rule: str) -> tuple[str, float, str]:
    """Return the measure a sale line is counted by, its divisor, and its label.

    A line with no price is counted in MBF of the tract's leading rule (saw) or tons (bulk).

    Examples
    --------
    >>> quantity_measure("mbf", "doyle", "saw", "international")
    ('bf_doyle', 1000.0, 'MBF Doyle')
    >>> quantity_measure("", "", "bulk", "international")
    ('weight_tons', 1.0, 'tons')
    """
    if unit == "mbf" or (unit == "" and kind == "saw"):
        rule = log_rule or lead_rule
        return f"bf_{rule}", BF_PER_MBF, unit_label("mbf", rule)
    if unit == "cord":
        return "cords", 1.0, "cords"
    if unit == "tree":
        return "trees", 1.0, "trees"
    return "weight_tons", 1.0, "tons"
