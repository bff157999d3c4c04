"""Value: price sheets, and what the logs bring at each price."""

from standmap.value.prices import (
    Price,
    PriceSheet,
    log_values,
    price_sheet_from_frame,
    unit_label,
)

__all__ = ["Price", "PriceSheet", "log_values", "price_sheet_from_frame", "unit_label"]
