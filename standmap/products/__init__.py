"""Products: what buyers take, and the logs that stems are cut into for them."""

from standmap.products.best_value import buck_best_value, goes_into_half_log
from standmap.products.bucking import buck_field, buck_top_down
from standmap.products.cut_logs import YIELD_MEASURES, Logs
from standmap.products.cutting import Recorded
from standmap.products.defects import DEFECT_KINDS, DEFECT_SIZES, SIZE_LIMITS, StemDefects
from standmap.products.eligibility import eligibility, saw_top_from_logs
from standmap.products.line_prices import LinePrices, PriceLine
from standmap.products.second_best import SecondBest, second_best
from standmap.products.spec_sheet import example_products, specs_from_frame
from standmap.products.specs import ProductSpec
from standmap.products.stem_prices import PRICE_UNITS, StemPrices, log_usd
from standmap.products.yields import per_acre_by_plot, tree_yields

__all__ = [
    "DEFECT_KINDS",
    "DEFECT_SIZES",
    "PRICE_UNITS",
    "SIZE_LIMITS",
    "YIELD_MEASURES",
    "LinePrices",
    "Logs",
    "PriceLine",
    "ProductSpec",
    "Recorded",
    "SecondBest",
    "StemDefects",
    "StemPrices",
    "buck_best_value",
    "buck_field",
    "buck_top_down",
    "eligibility",
    "example_products",
    "goes_into_half_log",
    "log_usd",
    "per_acre_by_plot",
    "saw_top_from_logs",
    "second_best",
    "specs_from_frame",
    "tree_yields",
]
