"""Cruise designs, and estimates with their sampling errors."""

from standmap.cruise.acres import acres_by
from standmap.cruise.allocation import (
    allocated_se,
    allocation_shares,
    optimum_allocation,
    plots_for_budget,
    stratified_plots_needed,
)
from standmap.cruise.auxiliary import (
    difference_mean,
    post_stratified_mean,
    ratio_mean,
    regression_mean,
)
from standmap.cruise.combining import (
    combined_error_pct,
    finite_population_correction,
    plots_in_tract,
    product_of,
    total_of,
)
from standmap.cruise.count_measure import big_baf_mean, count_measure_mean, volume_basal_ratio
from standmap.cruise.designs import Design, Part, PlotParts, share_acres, trees_per_acre
from standmap.cruise.domains import MIN_PLOTS, DomainEstimates, estimate_domains
from standmap.cruise.double import double_ratio_mean, double_regression_mean
from standmap.cruise.edges import (
    EdgeMethod,
    edge_shortfall,
    mirage_times,
    share_inside_line,
    tree_limits_ft,
    walkthrough_times,
)
from standmap.cruise.estimator import StandEstimates, estimate
from standmap.cruise.field import (
    basal_area_sqft,
    circle_acres,
    limiting_distance_ft,
    plot_radius_factor,
    plot_radius_ft,
    strip_acres,
)
from standmap.cruise.fits import LinearFit, fit_line
from standmap.cruise.indirect import DIRECT, UNUSED, Indirect
from standmap.cruise.influence import plot_leverage
from standmap.cruise.line_plots import LinePlotPlan, cruise_intensity_pct, line_plot_plan
from standmap.cruise.planning import (
    THUMB_ACRES,
    allocate,
    plots_needed,
    points_by_area,
    weighted_cv_pct,
)
from standmap.cruise.proportions import proportion, proportion_interval
from standmap.cruise.resampling import (
    BootstrapInterval,
    bootstrap_mean,
    bootstrap_ratio,
    bootstrap_total,
)
from standmap.cruise.results import Estimate, EstimateTable, satterthwaite, t_quantile
from standmap.cruise.sample import Sample, plot_matrix
from standmap.cruise.sample_tree import sample_tree_total
from standmap.cruise.simple import ratio_of_means, simple_random_mean, stratified_mean
from standmap.cruise.systematic import successive_difference_mean
from standmap.cruise.tables import dbh_class, stand_table, stock_table
from standmap.cruise.three_p import (
    point_three_p_mean,
    three_p_ceiling,
    three_p_draw,
    three_p_expected,
    three_p_total,
)
from standmap.cruise.two_stage import two_stage_mean, two_stage_ratio_mean, two_stage_total

__all__ = [
    "DIRECT",
    "MIN_PLOTS",
    "THUMB_ACRES",
    "UNUSED",
    "BootstrapInterval",
    "Design",
    "DomainEstimates",
    "EdgeMethod",
    "Estimate",
    "EstimateTable",
    "Indirect",
    "LinePlotPlan",
    "LinearFit",
    "Part",
    "PlotParts",
    "Sample",
    "StandEstimates",
    "acres_by",
    "allocate",
    "allocated_se",
    "allocation_shares",
    "basal_area_sqft",
    "big_baf_mean",
    "bootstrap_mean",
    "bootstrap_ratio",
    "bootstrap_total",
    "circle_acres",
    "combined_error_pct",
    "count_measure_mean",
    "cruise_intensity_pct",
    "dbh_class",
    "difference_mean",
    "double_ratio_mean",
    "double_regression_mean",
    "edge_shortfall",
    "estimate",
    "estimate_domains",
    "finite_population_correction",
    "fit_line",
    "limiting_distance_ft",
    "line_plot_plan",
    "mirage_times",
    "optimum_allocation",
    "plot_leverage",
    "plot_matrix",
    "plot_radius_factor",
    "plot_radius_ft",
    "plots_for_budget",
    "plots_in_tract",
    "plots_needed",
    "point_three_p_mean",
    "points_by_area",
    "post_stratified_mean",
    "product_of",
    "proportion",
    "proportion_interval",
    "ratio_mean",
    "ratio_of_means",
    "regression_mean",
    "sample_tree_total",
    "satterthwaite",
    "share_acres",
    "share_inside_line",
    "simple_random_mean",
    "stand_table",
    "stock_table",
    "stratified_mean",
    "stratified_plots_needed",
    "strip_acres",
    "successive_difference_mean",
    "t_quantile",
    "three_p_ceiling",
    "three_p_draw",
    "three_p_expected",
    "three_p_total",
    "total_of",
    "tree_limits_ft",
    "trees_per_acre",
    "two_stage_mean",
    "two_stage_ratio_mean",
    "two_stage_total",
    "volume_basal_ratio",
    "walkthrough_times",
    "weighted_cv_pct",
]
