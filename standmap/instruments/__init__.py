"""Field instruments to print: the tree scale stick, the pace card, limiting distances."""

from standmap.instruments.files import write_stick
from standmap.instruments.pacing import CHAIN_FT, pace_card, paces
from standmap.instruments.points import limiting_distance_table
from standmap.instruments.stick import (
    Stick,
    diameter_from_mark_in,
    diameter_mark_in,
    diameter_read_in,
    height_mark_in,
    log_height_ft,
)

__all__ = [
    "CHAIN_FT",
    "Stick",
    "diameter_from_mark_in",
    "diameter_mark_in",
    "diameter_read_in",
    "height_mark_in",
    "limiting_distance_table",
    "log_height_ft",
    "pace_card",
    "paces",
    "write_stick",
]
