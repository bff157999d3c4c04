"""Stems: profiles of single trees, their volume, height curves, green weight and cords."""

from ._kernels import FORM_CLASS, N_PARAMS, NATIONAL, TABLE
from .form_class import (
    MAX_LOGS,
    form_class_stems,
    holds_logs,
    tree_board_feet,
    upper_log_taper_in,
)
from .height_error import HeightError, MeasuredHeights, height_error
from .height_forms import (
    height_curtis1967,
    height_naslund1937,
    height_richards1959,
    height_wykoff1982,
    height_yang1978,
)
from .heights import FORM_NAMES, HeightCurve, HeightCurves, fit_heights
from .measured_form import FormClasses, measured_form_class
from .national import has_national_model, national_stems
from .stems import Stems, join_stems
from .taper import Profile, taper_stems
from .taper_forms import TAPER_FORMS, TaperForms, own_taper
from .taper_table import TaperTable, taper_table
from .weight import cords, green_weight

__all__ = [
    "FORM_CLASS",
    "FORM_NAMES",
    "MAX_LOGS",
    "NATIONAL",
    "N_PARAMS",
    "TABLE",
    "TAPER_FORMS",
    "FormClasses",
    "HeightCurve",
    "HeightCurves",
    "HeightError",
    "MeasuredHeights",
    "Profile",
    "Stems",
    "TaperForms",
    "TaperTable",
    "cords",
    "fit_heights",
    "form_class_stems",
    "green_weight",
    "has_national_model",
    "height_curtis1967",
    "height_error",
    "height_naslund1937",
    "height_richards1959",
    "height_wykoff1982",
    "height_yang1978",
    "holds_logs",
    "join_stems",
    "measured_form_class",
    "national_stems",
    "own_taper",
    "taper_stems",
    "taper_table",
    "tree_board_feet",
    "upper_log_taper_in",
]
