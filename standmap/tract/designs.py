"""From the tract file's ``[cruise]`` to the cruise design, checked against plots and trees."""

from __future__ import annotations

import math
import re
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from standmap.cruise import Design, Part
from standmap.errors import DomainError
from standmap.tract.findings import Findings, did_you_mean
from standmap.tract.settings import CruisePart, CruiseTable
from standmap.tract.tally import set_aside

MEETS_IN: Final = 0.1
"""Ranges written 0 to 4.9 and 5.0 up meet: diameters are taped to a tenth of an inch. [in]"""


def cruise_design(
    cruise: CruiseTable, *, own_sizes: bool, file: str, findings: Findings
) -> Design | None:
    """Return the design the tract file describes; contradictions become problems.

    The tract file's DBH ranges include both ends. A range that ends within a tenth of an inch of
    the next one's start runs up to that start, so that no tree falls between them.

    Parameters
    ----------
    cruise : CruiseTable
        ``[cruise]`` and its parts.
    own_sizes : bool
        Whether the plot list gives plots a factor or size of their own.
    file : str
        The tract file, for messages.
    """
    keys = [p.column or "" for p in findings.problems if p.severity == "error"]
    if any(key.startswith("cruise.") for key in keys):
        return None  # told of already; what is left of the cruise would be misread
    before = len(findings.problems)
    tables: list[tuple[str, CruiseTable | CruisePart]] = [("cruise", cruise)]
    tables += [(f"cruise.parts {n}", part) for n, part in enumerate(cruise.parts, start=1)]
    for key, table in tables:
        _check_sizes(key, table, table.design or cruise.design, file, findings)
    sized = cruise.baf is not None or cruise.acres is not None
    base = sized or cruise.design == "complete" or own_sizes or not cruise.parts
    if len(findings.problems) > before:
        return None
    try:
        parts = [_part(cruise, part) for part in cruise.parts]
        if base:
            baf, acres = _size(cruise.design, cruise, cruise)
            parts.append(Part(design=cruise.design, baf=baf, plot_acres=acres))
        return Design(tuple(parts))
    except DomainError as error:
        findings.error(
            file,
            f"the cruise contradicts itself: {_first(error)}",
            "Correct [cruise] or its parts.",
            column="cruise",
        )
        return None


def _first(error: DomainError) -> str:
    """Return the error's words without their closing stop."""
    return str(error).rstrip(".")


def _check_sizes(
    key: str, table: CruiseTable | CruisePart, design: str, file: str, findings: Findings
) -> None:
    area = "plot_acres" if table.plot_acres is not None else "plot_radius_ft"
    if table.plot_acres is not None and table.plot_radius_ft is not None:
        findings.error(
            file,
            "both plot_acres and plot_radius_ft are given",
            "Keep one of the two.",
            column=f"{key}.plot_radius_ft",
            value=f"{table.plot_radius_ft:g}",
        )
    elif design == "point" and table.acres is not None:
        findings.error(
            file,
            "a point sample has no plot size",
            'Give baf, or design = "fixed".',
            column=f"{key}.{area}",
            value=f"{getattr(table, area):g}",
        )
    if design != "point" and table.baf is not None:
        findings.error(
            file,
            f"a {design} design has no basal area factor",
            'Give plot_acres or plot_radius_ft, or design = "point".',
            column=f"{key}.baf",
            value=f"{table.baf:g}",
        )


def _size(design: str, table: CruiseTable | CruisePart, cruise: CruiseTable) -> tuple[float, float]:
    """Return factor and acres of a part: its own, else those of ``[cruise]``, else NaN."""
    if design == "point":
        own = table.baf if table.baf is not None else cruise.baf
        return (math.nan if own is None else own), math.nan
    own = table.acres if table.acres is not None else cruise.acres
    return math.nan, (math.nan if own is None else own)


def _part(cruise: CruiseTable, part: CruisePart) -> Part:
    design = part.design or cruise.design
    top = math.inf
    if part.max_dbh_in is not None:
        starts = [
            other.min_dbh_in
            for other in cruise.parts
            if other.stratum == part.stratum and other.min_dbh_in is not None
        ]
        meets = [s for s in starts if 0 <= s - part.max_dbh_in <= MEETS_IN + 1e-9]
        top = min(meets) if meets else math.nextafter(part.max_dbh_in, math.inf)
    baf, acres = _size(design, part, cruise)
    return Part(
        design=design,
        stratum=part.stratum or "",
        min_dbh_in=part.min_dbh_in or 0.0,
        max_dbh_in=top,
        baf=baf,
        plot_acres=acres,
    )


def check_design(
    design: Design,
    cruise: CruiseTable,
    plots: gpd.GeoDataFrame,
    trees: pd.DataFrame | None,
    stands: gpd.GeoDataFrame,
    *,
    file: str,
    tally_file: str,
    findings: Findings,
) -> None:
    """Lay the design out over the plots, and set aside trees that no part of it takes."""
    strata = [str(s) for s in stands["stratum"].unique()]
    lost = [p.stratum for p in cruise.parts if p.stratum is not None and p.stratum not in strata]
    for name in lost:
        findings.error(
            file,
            "a part of the cruise names a stratum that no stand has",
            did_you_mean(name, [s for s in strata if s], all_known="Strata"),
            column="cruise.parts.stratum",
            value=name,
        )
    used = plots[plots["stand"] != ""].reset_index(drop=True)
    if lost or used.empty:
        return
    stratum_of = dict(zip(stands["stand"], stands["stratum"], strict=True))
    labels = [stratum_of.get(stand, "") for stand in used["stand"]]
    try:
        laid = design.lay_out(
            labels,
            baf=used["baf"].to_numpy(),
            plot_acres=used["plot_acres"].to_numpy(),
            tally_acres=np.ones(len(used)),
        )
    except DomainError as error:
        ids = used["plot"].to_list()
        what = re.sub(r"[Pp]lot row (\d+)", lambda m: f"plot {ids[int(m[1])]}", _first(error))
        findings.error(
            file,
            f"the cruise does not fit the plots: {what}",
            "Give [cruise] a baf, plot_acres or plot_radius_ft, or every plot its own.",
            column="cruise",
        )
        return
    if trees is None:
        return
    place = pd.Series(np.arange(len(used)), index=used["plot"])
    at = trees["plot"].map(place)
    dbh = trees["dbh_in"].to_numpy(dtype=float)
    live = at.notna().to_numpy() & trees["used"].to_numpy(dtype=bool) & (dbh > 0)
    index = at.to_numpy(dtype=float)[live].astype(np.intp)
    none = np.zeros(len(trees), dtype=bool)
    none[live] = laid.trees_per_acre(index, dbh[live]) == 0
    if not none.any():
        return
    what = "no part of the cruise takes a tree of this diameter"
    bounded = [p for p in design.parts if p.bounded]
    low, high = min(p.min_dbh_in for p in bounded), max(p.max_dbh_in for p in bounded)
    between = none & (dbh >= low) & (dbh < high)
    beyond = none & ~between
    rows = trees["source_row"].to_numpy(dtype=np.int64)
    shown = np.array([f"{d:g}" for d in dbh], dtype=object) if none.any() else dbh
    findings.rows(
        "error",
        tally_file,
        f"{what}: it falls between two DBH ranges",
        "Make the ranges of [[cruise.parts]] meet.",
        rows=rows[between],
        column="dbh_in",
        values=shown[between],
    )
    findings.rows(
        "warning",
        tally_file,
        what,
        "The tree is set aside; correct its DBH or the parts' ranges.",
        rows=rows[beyond],
        column="dbh_in",
        values=shown[beyond],
    )
    set_aside(trees, beyond, what, tally_file, findings)
