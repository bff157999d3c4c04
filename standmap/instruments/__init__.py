"""Field instruments to print: the tree scale stick, the pace card, limiting distances."""

from standmap.instruments.files import write_stick
from standmap.instruments.pacing import CHAIN_FT, pace_card, paces
from standmap.instruments.paper import PAPERS, Paper, paper_size_in
from standmap.instruments.points import (
    TABLE_DBH_IN,
    TABLE_SLOPES_PCT,
    distance_table,
    distance_text,
    limiting_distance_table,
    plot_circle_table,
)
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
    "PAPERS",
    "TABLE_DBH_IN",
    "TABLE_SLOPES_PCT",
    "Paper",
    "Stick",
    "diameter_from_mark_in",
    "diameter_mark_in",
    "diameter_read_in",
    "distance_table",
    "distance_text",
    "height_mark_in",
    "limiting_distance_table",
    "log_height_ft",
    "pace_card",
    "paces",
    "paper_size_in",
    "plot_circle_table",
    "write_stick",
]
