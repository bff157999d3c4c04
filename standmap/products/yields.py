"""Adding logs up: by tree, and per acre by plot."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError
from standmap.products import _log_kernels as kernels
from standmap.products.cut_logs import YIELD_MEASURES, Logs


def tree_yields(logs: Logs) -> NDArray[np.float64]:
    """Add up the logs of each tree by product.

    Parameters
    ----------
    logs : Logs
        From :func:`buck_top_down`.

    Returns
    -------
    ndarray, shape (trees, products, measures)
        In the order of ``YIELD_MEASURES``; board feet are net of defect.
    """
    out = np.zeros((logs.n_trees, len(logs.products), len(YIELD_MEASURES)))
    kernels.sum_by_tree(logs.tree_offsets, logs.arrays, out)
    return out


def per_acre_by_plot(
    logs: Logs, plot_index: ArrayLike, trees_per_acre: ArrayLike, *, n_plots: int
) -> NDArray[np.float64]:
    """Per-acre products of each plot, straight from the logs.

    The same as :func:`tree_yields` expanded and added up by plot, without holding a figure for
    each tree.

    Parameters
    ----------
    logs : Logs
        From :func:`buck_top_down`.
    plot_index : array_like of int, shape (trees,)
        Place of each tree's plot from 0; -1 leaves the tree out. Any order.
    trees_per_acre : array_like, shape (trees,)
        What one tallied tree stands for on its plot. [1/acre]
    n_plots : int
        Plots, those without trees included: their rows are zero.

    Returns
    -------
    ndarray, shape (n_plots, products, measures)
        In the order of ``YIELD_MEASURES``, per acre.

    Raises
    ------
    DomainError
        If an array has not one value per tree, or a plot index is out of range.
    """
    plot = np.asarray(plot_index, dtype=np.int64)
    per_acre = np.asarray(trees_per_acre, dtype=np.float64)
    for name, array in (("plot_index", plot), ("trees_per_acre", per_acre)):
        if array.shape != (logs.n_trees,):
            raise DomainError(
                f"'{name}' must have one value per tree ({logs.n_trees}); got {array.shape}."
            )
    if len(plot) and not -1 <= plot.min() <= plot.max() < n_plots:
        raise DomainError(
            f"'plot_index' must be -1 to {n_plots - 1}; got {plot.min()} to {plot.max()}."
        )
    trees, begins = kernels.trees_in_plot_order(plot, n_plots)
    out = np.zeros((n_plots, len(logs.products), len(YIELD_MEASURES)))
    kernels.sum_by_plot(trees, begins, per_acre, logs.tree_offsets, logs.arrays, out)
    return out
