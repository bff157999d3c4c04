"""Products: what buyers take, and the logs that stems are cut into for them."""

from standmap.products.bucking import buck_top_down, eligibility, saw_top_from_logs
from standmap.products.cut_logs import YIELD_MEASURES, Logs
from standmap.products.specs import ProductSpec, example_products, specs_from_frame
from standmap.products.yields import per_acre_by_plot, tree_yields

__all__ = [
    "YIELD_MEASURES",
    "Logs",
    "ProductSpec",
    "buck_top_down",
    "eligibility",
    "example_products",
    "per_acre_by_plot",
    "saw_top_from_logs",
    "specs_from_frame",
    "tree_yields",
]
