"""Logs: board feet by the four rules, cubic feet, and deductions for defect."""

from standmap.logs._kernels import MAX_SEGMENT_FT
from standmap.logs.cubic import cubic_feet
from standmap.logs.defects import (
    defect_rules,
    loss_squared_defect_bf,
    net_after_cull,
    net_after_diameter_cut,
    net_after_length_cut,
    net_after_shares,
    share_crook,
    share_interior,
    share_section,
    share_sweep,
    share_wedge,
)
from standmap.logs.scale import TAPER_NOTES, board_feet, segments_ft
from standmap.logs.tables import decimal_c_table, rule_table, table_status

__all__ = [
    "MAX_SEGMENT_FT",
    "TAPER_NOTES",
    "board_feet",
    "cubic_feet",
    "decimal_c_table",
    "defect_rules",
    "loss_squared_defect_bf",
    "net_after_cull",
    "net_after_diameter_cut",
    "net_after_length_cut",
    "net_after_shares",
    "rule_table",
    "segments_ft",
    "share_crook",
    "share_interior",
    "share_section",
    "share_sweep",
    "share_wedge",
    "table_status",
]
