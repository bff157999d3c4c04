"""The check of harvest units alone: what `standmap buffers` prints and writes."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING, Final

from rich.console import Console
from rich.table import Table
from rich.text import Text

from standmap._writing import check_folder, write_folder
from standmap.report.land_page import land_lines, page_of
from standmap.report.land_tables import check_rows, source_list
from standmap.report.layer_styles import write_layers_styled
from standmap.report.layers import land_layers
from standmap.report.numbers import hundredths
from standmap.report.road_tables import road_rows, road_sources
from standmap.report.tables import write_csv
from standmap.steps.land import in_degrees

if TYPE_CHECKING:
    from standmap.steps.land import Land
    from standmap.tract import Tract

FILES: Final = ("land.html", "buffers.gpkg", "unit_check.csv", "road_check.csv")
RECORD: Final = "buffers.json"
_WIDTH: Final = 100


def check_text(tract: Tract, land: Land) -> str:
    """Return the check of every harvest unit as plain text.

    Parameters
    ----------
    tract : Tract
        The tract.
    land : Land
        Its ground, laid out.
    """
    out = io.StringIO()
    console = Console(file=out, width=_WIDTH, highlight=False, markup=False)
    console.print(tract.name)
    for head, text in land_lines(tract, land):
        console.print(Text.assemble(f"{head}: ", text))
    rows = check_rows(land)
    if len(rows):
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        for name in ("unit", "ground"):
            table.add_column(name)
        table.add_column("acres", justify="right", no_wrap=True)
        for name in ("finding", "what must change"):
            table.add_column(name)
        for row in rows.to_dict("records"):
            inside = hundredths(row["acres"]) if row["acres"] > 0 else ""
            cells = (row["unit"], row["ground"], inside, row["finding"], row["change"])
            # As text, so that a name from the data is never read as markup.
            table.add_row(*(Text(str(cell)) for cell in cells))
        console.print(table)
    roads = road_rows(land)
    if len(roads):
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        table.add_column("road or landing")
        table.add_column("too near, ft", justify="right", no_wrap=True)
        for name in ("finding", "what must change"):
            table.add_column(name)
        for cells in roads[["name", "too_near", "finding", "change"]].itertuples(index=False):
            table.add_row(*(Text(str(cell)) for cell in cells))
        console.print(table)
    for source in [*source_list(land), *road_sources(land)]:
        console.print(Text(f"Source: {source}"))
    for caution in land.water.cautions:
        console.print(Text(caution))
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines())


def write_check(tract: Tract, land: Land, out: str | Path) -> dict[str, Path]:
    """Write the check: the land page, its layers and a table.

    Parameters
    ----------
    tract : Tract
        The tract.
    land : Land
        Its ground, laid out.
    out : path
        The folder; an earlier check in it is replaced, other files are left.

    Returns
    -------
    dict of str to Path
        File name to path; see `FILES`.

    Raises
    ------
    OutputError
        If the folder cannot be written or holds such a file from elsewhere.
    """

    def make(folder: Path) -> None:
        (folder / "land.html").write_text(page_of(tract, land), encoding="utf-8")
        layers = {"buffers": land.buffers, "exclusions": land.exclusions, **land_layers(land)}
        there = {name: in_degrees(layer) for name, layer in layers.items()}
        write_layers_styled(there, folder / "buffers.gpkg")
        if len(land.roads.table):
            write_csv(land.roads.table.round(1), folder / "road_check.csv")
        rounded = {"acres": 4, "nearest_ft": 1}
        write_csv(land.unit_check.round(rounded), folder / "unit_check.csv")

    about: dict[str, object] = {
        "made_by": "standmap buffers",
        "tract": tract.name,
        "conflict": land.has_conflict,
        "settled": land.is_settled,
    }
    return write_folder(out, make, record=RECORD, about=about)


def check_check_folder(out: str | Path) -> Path:
    """Return the folder a check may go to, or raise OutputError; for before the work is done."""
    return check_folder(out, FILES, record=RECORD)
