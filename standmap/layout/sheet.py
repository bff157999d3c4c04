"""The field sheet: one page file to print, with no network."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from importlib import resources
from itertools import pairwise
from typing import Any, Final

import numpy as np
import pandas as pd
from jinja2 import Environment, FunctionLoader, StrictUndefined, Template

from standmap.cruise import plot_radius_factor, plot_radius_ft
from standmap.errors import DomainError
from standmap.instruments import CHAIN_FT, Paper, limiting_distance_table, paces, paper_size_in
from standmap.layout.figures import curve_figure, map_figure
from standmap.layout.plan import LEAST_PER_STAND
from standmap.layout.work import CruiseLayout
from standmap.report.figures import as_image
from standmap.report.offline import seal
from standmap.report.words import RULE_NAMES

PLOTS_PER_MAP: Final = 36
"""Plots on one close map: about a day's walk."""

MOST_ON_ONE_MAP: Final = 48
TALLY_ROWS: Final = 14
SLOPES_PCT: Final = (0, 10, 20, 30, 40, 50, 60, 80)

MOST_ERROR_PCT: Final = 100.0
"""A wider error than this tells a stand's timber from nothing no better, whatever it is."""

_METHOD_WORDS: Final = {
    "grid": "A square grid with a random start in each stratum (one over the whole tract where "
    "plots are shared out by acres): every net acre has the same chance in its stratum. A stratum "
    "with too few plots for a grid gets random points spread evenly. The appraisal treats both as "
    "a random sample, which as a rule overstates the error.",
    "random": "Independent random points in each stand, every net acre of it as likely as any "
    "other.",
    "balanced": "Random points spread evenly in each stand, every net acre of it as likely as any "
    "other (local pivotal method, Grafström, Lundström and Schelin 2012). The appraisal treats "
    "them as a simple random sample, which as a rule overstates their error.",
}
_BY_WORDS: Final = {
    "optimum": "by acres × spread between plots, the smallest error for the number of plots "
    "(Neyman)",
    "acres": "by acres: the same density everywhere",
}
_BY_COST: Final = (
    "by acres × spread between plots over the root of a plot's cost, the smallest error for the "
    "money"
)
_CV_MARKS: Final = {"tract": " *", "stated": " †"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Radius:
    """What decides whether a tree is in: one point factor or plot size of the design."""

    title: str
    head: list[str]
    columns: list[list[list[str]]]
    notes: list[str]


def field_sheet_html(
    layout: CruiseLayout,
    *,
    paces_per_chain: float | None = None,
    declination_deg: float | None = None,
    paper: Paper = "letter",
) -> str:
    """Return the field sheet as one HTML page that fetches nothing.

    Parameters
    ----------
    layout : CruiseLayout
        What to print.
    paces_per_chain : float, optional
        Adds a column of the walker's own paces.
    declination_deg : float, optional
        How far a compass needle points east of true north here and now, west negative: adds
        magnetic bearings. [degrees]
    paper : {"letter", "a4"}
        What it will be printed on.

    Returns
    -------
    str
        Map pages, the walk, what is in and out, blank tally forms, and the plan.

    Raises
    ------
    DomainError
        If the pace count, the declination or the paper is out of range.
    """
    width, height = paper_size_in(paper)
    if declination_deg is not None and not -90 <= declination_deg <= 90:
        raise DomainError(
            f"'declination' must be -90 to 90 degrees, east positive; got {declination_deg:g}."
        )
    basis, curve = layout.basis, curve_figure(layout)
    page = _template().render(
        name=basis.name,
        style=_static("field_sheet.css"),
        page_size=f"{width:.4g}in {height:.4g}in",
        layout=layout,
        measure=_measure_words(layout),
        confidence=f"{basis.confidence:.0%}",
        error=_percent(layout.expected_error_pct),
        rests_on=_rests_on(layout),
        design=_design_words(layout),
        maps=_maps(layout),
        walk=_walk(layout, paces_per_chain, declination_deg),
        paced=paces_per_chain,
        declination=None if declination_deg is None else _declination_words(declination_deg),
        radii=_radii(layout),
        tally_rows=range(TALLY_ROWS),
        copies=math.ceil(len(layout.plots) / 2),
        method_words=_method_words(layout),
        by_words=_by_words(layout),
        stands=_stand_rows(layout),
        strata=_stratum_rows(layout),
        marks="".join(sorted({_CV_MARKS.get(c, "").strip() for c in layout.strata["cv_from"]})),
        curve=None if curve is None else as_image(curve),
    )
    return seal(page)


def _by_words(layout: CruiseLayout) -> str:
    costed = layout.by == "optimum" and "cost_usd" in layout.strata
    return _BY_COST if costed else _BY_WORDS[layout.by]


def _rests_on(layout: CruiseLayout) -> str:
    """Say whose spread the expected error rests on."""
    sources = set(layout.strata["cv_from"])
    if sources == {"stated"}:
        return "as the planner stated"
    if "stated" in sources:
        return "as the last cruise's did, and as stated where marked"
    return "as the last cruise's did"


def _declination_words(degrees: float) -> str:
    return f"{abs(degrees):g}° {'east' if degrees >= 0 else 'west'}"


def _method_words(layout: CruiseLayout) -> str:
    words = _METHOD_WORDS[layout.method]
    inside = f"acre {layout.off_edge_ft:g} ft or more inside the edge"
    return words.replace("net acre", inside) if layout.off_edge_ft else words


@cache
def _static(name: str) -> str:
    return (resources.files("standmap.layout") / "static" / name).read_text(encoding="utf-8")


@cache
def _template() -> Template:
    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        loader=FunctionLoader(_static),
    )
    return environment.get_template("field_sheet.html.jinja")


def _percent(value: float) -> str:
    if not np.isfinite(value):
        return "not known"
    return f"{value:.1f} %" if value <= MOST_ERROR_PCT else f"over {MOST_ERROR_PCT:.0f} %"


def _measure_words(layout: CruiseLayout) -> str:
    measure = layout.basis.measure
    if not measure:
        return "timber"
    rule = measure.removeprefix("bf_")
    if rule in RULE_NAMES:
        return f"board feet, {RULE_NAMES[rule]}"
    return measure.replace("_", " ")


def _maps(layout: CruiseLayout) -> list[dict[str, str]]:
    """Return the map of the tract, and close maps where it is crowded."""
    n = len(layout.plots)
    maps = [{"title": "The tract", "image": as_image(map_figure(layout))}]
    if n <= MOST_ON_ONE_MAP:
        return maps
    parts = math.ceil(n / PLOTS_PER_MAP)
    ends = np.linspace(0, n, parts + 1).round().astype(int)
    for low, high in pairwise(ends.tolist()):
        image = as_image(map_figure(layout, slice(low, high)))
        maps.append({"title": f"Plots {low + 1} to {high}", "image": image})
    return maps


def _walk(
    layout: CruiseLayout, paces_per_chain: float | None, declination_deg: float | None
) -> list[dict[str, str]]:
    plots = layout.plots
    feet = plots["chains"].to_numpy(dtype=float) * CHAIN_FT
    steps = (
        paces(np.nan_to_num(feet), paces_per_chain) if paces_per_chain else np.full(len(feet), 0.0)
    )
    rows = []
    every: Any = plots.itertuples(index=False)
    for at, row in enumerate(every):
        first = math.isnan(row.chains)  # no start was given: the walk begins at the first plot
        rows.append(
            {
                "plot": row.plot,
                "stand": row.stand,
                "stratum": row.stratum,
                "bearing": "start" if first else _degrees(row.bearing_deg),
                "magnetic": "" if first else _degrees(row.bearing_deg - (declination_deg or 0.0)),
                "chains": "" if first else f"{row.chains:.2f}",
                "feet": "" if first else f"{feet[at]:,.0f}",
                "paces": "" if first else f"{steps[at]:.0f}",
                "lat": f"{row.lat:.5f}",
                "lon": f"{row.lon:.5f}",
            }
        )
    return rows


def _degrees(bearing: float) -> str:
    return f"{round(bearing) % 360:03d}°"


def _design_words(layout: CruiseLayout) -> str:
    words = []
    for part in layout.basis.design.parts if layout.basis.design else ():
        point = part.design == "point"
        size = f"{part.size:g}"
        if math.isnan(part.size):  # every plot states its own
            size = _sizes(layout, "baf" if point else "plot_acres")
        what = f"points of BAF {size}" if point else f"{size}-acre plots"
        if part.stratum:
            what += f" in {part.stratum}"
        if part.bounded:
            top = "up" if math.isinf(part.max_dbh_in) else f"to {part.max_dbh_in:g} in"
            what += f", DBH {part.min_dbh_in:g} in {top}"
        words.append(what)
    return "; ".join(words)


def _sizes(layout: CruiseLayout, column: str) -> str:
    return " or ".join(f"{v:g}" for v in layout.basis.own_sizes[column]) or "not yet chosen"


def _radii(layout: CruiseLayout) -> list[Radius]:
    """Return a table for each factor and plot size in the design."""
    factors = set(layout.basis.own_sizes["baf"])
    sizes = set(layout.basis.own_sizes["plot_acres"])
    for part in layout.basis.design.parts if layout.basis.design else ():
        if part.design in ("point", "fixed") and not math.isnan(part.size):
            (factors if part.design == "point" else sizes).add(part.size)
    return [*(_point_table(f) for f in sorted(factors)), *(_plot_table(s) for s in sorted(sizes))]


def _point_table(baf: float) -> Radius:
    table = limiting_distance_table(baf)
    rows = [
        [f"{d:.0f}", f"{c:.2f}", f"{f:.2f}"] for d, c, f in table.itertuples(index=False, name=None)
    ]
    third = math.ceil(len(rows) / 3)
    longer = "; ".join(f"{s} %, × {math.hypot(1, s / 100):.3f}" for s in SLOPES_PCT[1:])
    return Radius(
        title=f"Limiting distance, BAF {baf:g}",
        head=["DBH", "centre, ft", "face, ft"],
        columns=[rows[i : i + third] for i in range(0, len(rows), third)],
        notes=[
            "A tree at this level distance or nearer, taped at 4.5 ft, is in. Centre: the middle "
            "of the stem seen from the side; face: its near side. Keep to one of the two.",
            f"Between inches: {float(plot_radius_factor(baf)):.4f} ft per inch of DBH to the "
            f"centre, {float(plot_radius_factor(baf, to='face')):.4f} to the face. Tape the DBH of "
            "every borderline tree.",
            f"Where the tape itself slopes, multiply: {longer}.",
        ],
    )


def _plot_table(acres: float) -> Radius:
    rows = [[f"{s} %", f"{float(plot_radius_ft(acres, slope_pct=s)):.2f}"] for s in SLOPES_PCT]
    return Radius(
        title=f"Radius of a {acres:g}-acre plot",
        head=["slope", "radius along the ground, ft"],
        columns=[rows],
        notes=[
            "A tree is in where its middle at breast height is this far from the plot's centre, "
            "or nearer. On a slope the circle is laid out along the ground with the longer radius "
            "all round. Tape the borderline trees."
        ],
    )


def _stand_rows(layout: CruiseLayout) -> list[list[str]]:
    columns = ["stand", "stratum", "acres", "last_plots", "planned", "placed", "expected_error_pct"]
    rows: Any = layout.stands[columns].itertuples(index=False, name=None)
    return [
        [
            str(stand),
            str(stratum),
            f"{acres:.1f}",
            f"{last}",
            f"{planned}",
            f"{placed}",
            "borrows" if placed < LEAST_PER_STAND else _percent(error),
        ]
        for stand, stratum, acres, last, planned, placed, error in rows
    ]


def _stratum_rows(layout: CruiseLayout) -> list[list[str]]:
    strata: pd.DataFrame = layout.strata
    for absent in {"spacing_chains", "cost_usd"} - set(strata.columns):
        strata = strata.assign(**{absent: np.nan})
    known = layout.basis.is_cruised or layout.basis.has_guess
    columns = ["stratum", "acres", "plots", "mean", "cv_pct", "cv_from", "planned", "placed"]
    rows: Any = strata[[*columns, "spacing_chains", "cost_usd"]].itertuples(index=False, name=None)
    return [
        [
            str(stratum),
            f"{acres:.1f}",
            f"{last}",
            (f"{mean:,.0f}" if mean >= 100 else f"{mean:.3g}") if known else "not known",
            f"{cv:.0f} %{_CV_MARKS.get(cv_from, '')}" if np.isfinite(cv) else "not known",
            f"{planned}",
            f"{placed}",
            f"{chains:.1f}" if np.isfinite(chains) else "",
            f"{cost:,.2f}" if np.isfinite(cost) else "",
        ]
        for stratum, acres, last, mean, cv, cv_from, planned, placed, chains, cost in rows
    ]
