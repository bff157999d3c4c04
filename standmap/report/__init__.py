"""The report room: an appraisal as a map, a report, a workbook, tables and GIS layers.

It computes nothing; it formats what `standmap.appraisal` found. Pages are single files that open
with no network.
"""

from __future__ import annotations

from standmap.report.answer import summary_text, ten_lines
from standmap.report.harvest_page import harvest_html
from standmap.report.land_page import land_html
from standmap.report.layers import write_layers
from standmap.report.merchandising import merchandising_html
from standmap.report.notebook import notebook_html
from standmap.report.page import report_html
from standmap.report.tables import result_tables, write_tables
from standmap.report.tract_map import map_html
from standmap.report.workbook import write_workbook
from standmap.report.write import check_target, write_all

__all__ = [
    "check_target",
    "harvest_html",
    "land_html",
    "map_html",
    "merchandising_html",
    "notebook_html",
    "report_html",
    "result_tables",
    "summary_text",
    "ten_lines",
    "write_all",
    "write_layers",
    "write_tables",
    "write_workbook",
]
