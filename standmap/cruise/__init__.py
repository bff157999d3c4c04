"""Cruise designs, and estimates with their sampling errors."""

from standmap.cruise.designs import Design, Part, PlotParts, share_acres, trees_per_acre
from standmap.cruise.estimator import StandEstimates, acres_by, estimate
from standmap.cruise.field import (
    basal_area_sqft,
    circle_acres,
    limiting_distance_ft,
    plot_radius_factor,
    plot_radius_ft,
    strip_acres,
)
from standmap.cruise.planning import allocate, plots_needed, weighted_cv_pct
from standmap.cruise.results import Estimate, EstimateTable, satterthwaite, t_quantile
from standmap.cruise.sample import Sample, plot_matrix
from standmap.cruise.simple import ratio_of_means, simple_random_mean, stratified_mean
from standmap.cruise.tables import dbh_class, stand_table, stock_table

__all__ = [
    "Design",
    "Estimate",
    "EstimateTable",
    "Part",
    "PlotParts",
    "Sample",
    "StandEstimates",
    "acres_by",
    "allocate",
    "basal_area_sqft",
    "circle_acres",
    "dbh_class",
    "estimate",
    "limiting_distance_ft",
    "plot_matrix",
    "plot_radius_factor",
    "plot_radius_ft",
    "plots_needed",
    "ratio_of_means",
    "satterthwaite",
    "share_acres",
    "simple_random_mean",
    "stand_table",
    "stock_table",
    "stratified_mean",
    "strip_acres",
    "t_quantile",
    "trees_per_acre",
    "weighted_cv_pct",
]
