"""The layout as files: GPX for a receiver, GeoPackage, CSV, and the field sheet."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Final

import geopandas as gpd
import pandas as pd
import shapely

from standmap._writing import check_folder, write_folder
from standmap.instruments import Paper
from standmap.layout.placement import net_ground
from standmap.layout.sheet import field_sheet_html
from standmap.layout.work import CruiseLayout
from standmap.report.layer_styles import write_layers_styled
from standmap.report.tables import write_csv
from standmap.steps.land import WGS84

RECORD: Final = "layout.json"
FILES: Final = (
    "field_sheet.html",
    "next_plots.csv",
    "next_plots.gpx",
    "layout.gpkg",
    "allocation.csv",
    "strata.csv",
    "error_curve.csv",
)
"""What `write_layout` writes; none has the name of a tract's own file."""

_GPX: Final = "http://www.topografix.com/GPX/1/1"


def write_layout(
    layout: CruiseLayout,
    out: str | Path,
    *,
    paces_per_chain: float | None = None,
    declination_deg: float | None = None,
    paper: Paper = "letter",
) -> dict[str, Path]:
    """Write a layout to a folder, all files or none.

    Parameters
    ----------
    layout : CruiseLayout
        What to write.
    out : path
        The folder; an earlier layout in it is replaced, other files are left.
    paces_per_chain, declination_deg, paper
        For the field sheet; see `field_sheet_html`.

    Returns
    -------
    dict of str to Path
        File name to path; see `FILES`.

    Raises
    ------
    OutputError
        If the folder cannot be written or holds such a file from elsewhere.
    DomainError
        If the pace count, the declination or the paper is out of range.
    """

    def make(folder: Path) -> None:
        sheet = field_sheet_html(
            layout, paces_per_chain=paces_per_chain, declination_deg=declination_deg, paper=paper
        )
        (folder / "field_sheet.html").write_text(sheet, encoding="utf-8")
        (folder / "next_plots.gpx").write_bytes(gpx(layout))
        _write_layers(layout, folder / "layout.gpkg")
        plots = pd.DataFrame(layout.plots.drop(columns="geometry"))
        write_csv(plots.round({"bearing_deg": 1, "chains": 2}), folder / "next_plots.csv")
        rounded = {"acres": 2, "ground_acres": 2, "mean": 1, "expected_error_pct": 1}
        write_csv(layout.stands.round(rounded), folder / "allocation.csv")
        some = {"acres": 2, "mean": 1, "sd": 1, "cv_pct": 1, "between_sd": 1, "spacing_chains": 2}
        write_csv(layout.strata.round(some), folder / "strata.csv")
        curve = {"error_pct": 2, "walk_miles": 1, "cost_usd": 2}
        write_csv(layout.curve.round(curve), folder / "error_curve.csv")

    stated = layout.strata[layout.strata["cv_from"] == "stated"].set_index("stratum")
    about: dict[str, object] = {
        "made_by": "standmap layout",
        "tract": layout.basis.name,
        "method": layout.method,
        "shared_out_by": layout.by,
        "seed": layout.seed,
        "target_error_pct": layout.target_pct,
        "budget_usd": layout.budget_usd,
        "planned_plots": layout.planned,
        "placed_plots": len(layout.plots),
        "off_edge_ft": layout.off_edge_ft,
        "measure": layout.basis.measure or None,
        "stated_cv_pct": stated["cv_pct"].to_dict(),
    }
    return write_folder(out, make, record=RECORD, about=about)


def check_layout_folder(out: str | Path) -> Path:
    """Return the folder a layout may go to, or raise OutputError; for before the work is done."""
    return check_folder(out, FILES, record=RECORD)


def gpx(layout: CruiseLayout) -> bytes:
    """Return the plots as GPX 1.1: a waypoint each, and a route in walking order."""
    ET.register_namespace("", _GPX)
    root = ET.Element(f"{{{_GPX}}}gpx", version="1.1", creator="standmap")
    rows = list(layout.plots[["plot", "stand", "lon", "lat"]].itertuples(index=False))

    def point(parent: ET.Element, kind: str, row: tuple[str, str, float, float]) -> None:
        place = {"lat": f"{row[3]:.7f}", "lon": f"{row[2]:.7f}"}
        made = ET.SubElement(parent, f"{{{_GPX}}}{kind}", place)
        ET.SubElement(made, f"{{{_GPX}}}name").text = _plain(row[0])
        ET.SubElement(made, f"{{{_GPX}}}desc").text = _plain(f"stand {row[1]}")

    for row in rows:
        point(root, "wpt", row)
    route = ET.SubElement(root, f"{{{_GPX}}}rte")
    ET.SubElement(route, f"{{{_GPX}}}name").text = _plain(f"{layout.basis.name}: plots")
    for row in rows:
        point(route, "rtept", row)
    ET.indent(root)
    text: bytes = ET.tostring(root, encoding="utf-8", xml_declaration=True)
    return text + b"\n"


def _plain(text: str) -> str:
    """Return text without the control characters XML cannot hold."""
    return "".join(c if c.isprintable() else " " for c in text)


def _write_layers(layout: CruiseLayout, path: Path) -> None:
    walk = gpd.GeoDataFrame(
        {"leg_to": layout.plots["plot"].to_numpy()[1:]},
        geometry=[
            shapely.LineString(pair)
            for pair in zip(layout.plots.geometry[:-1], layout.plots.geometry[1:], strict=True)
        ],
        crs=WGS84,
    )
    ground = net_ground(
        layout.basis.pieces, layout.basis.crs, off_edge_ft=layout.off_edge_ft
    ).to_crs(WGS84)
    write_layers_styled({"next_plots": layout.plots, "walk": walk, "ground": ground}, path)
