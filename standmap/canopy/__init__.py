"""The canopy: height metrics under footprints, and top height fitted to them."""

from standmap.canopy.metrics import METRICS, cover_above, footprint_metrics
from standmap.canopy.top_height import (
    MIN_PLOTS,
    TOP_TREES_PER_ACRE,
    CanopyFit,
    fit_top_height,
    plot_top_height_ft,
    stand_top_heights,
)

__all__ = [
    "METRICS",
    "MIN_PLOTS",
    "TOP_TREES_PER_ACRE",
    "CanopyFit",
    "cover_above",
    "fit_top_height",
    "footprint_metrics",
    "plot_top_height_ft",
    "stand_top_heights",
]
