"""Value: price sheets, mills and offers, and what the logs bring at each."""

from standmap.value.amounts import (
    SALE_UNITS,
    UNITS,
    LogLot,
    first_logs,
    sale_amounts,
    unit_code,
    unit_label,
)
from standmap.value.assign import Assigned, assign_mills, mill_totals
from standmap.value.conversions import published_conversions, tract_conversions
from standmap.value.demand import LimitedSale, SharedOut, sell_under_limits, share_out
from standmap.value.mill_table import mills_from_frame
from standmap.value.mills import Costs, MillLine, MillSheet
from standmap.value.offers import (
    Offer,
    OfferValues,
    break_even,
    break_even_table,
    offers_from_frame,
    value_offers,
)
from standmap.value.prices import Price, PriceSheet, log_values, price_sheet_from_frame
from standmap.value.stated import send_to

__all__ = [
    "SALE_UNITS",
    "UNITS",
    "Assigned",
    "Costs",
    "LimitedSale",
    "LogLot",
    "MillLine",
    "MillSheet",
    "Offer",
    "OfferValues",
    "Price",
    "PriceSheet",
    "SharedOut",
    "assign_mills",
    "break_even",
    "break_even_table",
    "first_logs",
    "log_values",
    "mill_totals",
    "mills_from_frame",
    "offers_from_frame",
    "price_sheet_from_frame",
    "published_conversions",
    "sale_amounts",
    "sell_under_limits",
    "send_to",
    "share_out",
    "tract_conversions",
    "unit_code",
    "unit_label",
    "value_offers",
]
