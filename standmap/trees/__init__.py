"""Stems: profiles of single trees, their volume, height curves, green weight and cords."""

from ._kernels import FORM_CLASS, N_PARAMS, NATIONAL
from .form_class import (
    MAX_LOGS,
    form_class_stems,
    holds_logs,
    tree_board_feet,
    upper_log_taper_in,
)
from .heights import HeightCurves, fit_heights
from .national import has_national_model, national_stems
from .stems import Stems, join_stems
from .weight import cords, green_weight

__all__ = [
    "FORM_CLASS",
    "MAX_LOGS",
    "NATIONAL",
    "N_PARAMS",
    "HeightCurves",
    "Stems",
    "cords",
    "fit_heights",
    "form_class_stems",
    "green_weight",
    "has_national_model",
    "holds_logs",
    "join_stems",
    "national_stems",
    "tree_board_feet",
    "upper_log_taper_in",
]
