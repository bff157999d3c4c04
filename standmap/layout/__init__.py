"""The next cruise, or the first: how many plots, in which stands, where, and in what order."""

from standmap.layout.basis import Basis, basis_of
from standmap.layout.files import FILES, check_layout_folder, write_layout
from standmap.layout.placement import (
    METHODS,
    Method,
    balanced_points,
    grid_points,
    local_pivotal,
    net_ground,
    random_points,
)
from standmap.layout.plan import (
    allocate_to_stands,
    error_curve,
    expected_errors,
    plots_for_error,
    plots_in_budget,
    stratum_spread,
)
from standmap.layout.sheet import field_sheet_html
from standmap.layout.walk import nearest_neighbour_order, path_length, walking_order
from standmap.layout.work import CruiseLayout, lay_out_cruise

__all__ = [
    "FILES",
    "METHODS",
    "Basis",
    "CruiseLayout",
    "Method",
    "allocate_to_stands",
    "balanced_points",
    "basis_of",
    "check_layout_folder",
    "error_curve",
    "expected_errors",
    "field_sheet_html",
    "grid_points",
    "lay_out_cruise",
    "local_pivotal",
    "nearest_neighbour_order",
    "net_ground",
    "path_length",
    "plots_for_error",
    "plots_in_budget",
    "random_points",
    "stratum_spread",
    "walking_order",
    "write_layout",
]
