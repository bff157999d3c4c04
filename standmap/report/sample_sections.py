"""Sections on whether the sample is right: edges, places, borderline trees, parts of stands.

Fragments for a page that carries ``parts.html.jinja`` and ``report.css``; see
`standmap.report.merchandising` for how such a page is put together.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd
from markupsafe import Markup

from standmap.report.cells import Column, Printed, errors, estimates, numbers, words
from standmap.report.names import head_measure, head_rule_name, is_valued
from standmap.report.numbers import NOT_KNOWN, acres, count, figure, percent
from standmap.report.offline import template
from standmap.steps.cruise_words import estimator_key
from standmap.units import BF_PER_MBF

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

EDGE_WORDS: Final = {
    "": "not said",
    "none": "nothing",
    "walkthrough": "walked through",
    "mirage": "mirage",
    "half_plot": "part of a plot",
}
MOST_LISTED: Final = 40
"""Plots or trees listed on a page; the workbook has them all."""


def sample_sections_html(appraisal: Appraisal) -> Markup:
    """Return the sections of a page that tell whether the sample is right.

    Parameters
    ----------
    appraisal : Appraisal
        What to show. A section with nothing to tell is left out.

    Returns
    -------
    Markup
        ``section`` elements with the ids ``parts``, ``edges``, ``places`` and ``borderline``.
        Every name from the data is escaped.
    """
    checks = appraisal.sample_checks
    crossing = checks.edges[checks.edges["crosses"].astype(bool)]
    return Markup(
        template("sample_sections.html.jinja").render(
            {
                "parts": parts_table(appraisal),
                "how_parts": how_parts(appraisal),
                "bias": bias_table(appraisal),
                "bare": bool((checks.bias["possible_bias_pct"] < 0).any()),
                "crossing": crossing_table(appraisal),
                "crossing_all": len(crossing),
                "plots": len(checks.edges),
                "listed": MOST_LISTED,
                "places": places_table(appraisal),
                "borderline": borderline_table(appraisal),
                "borderline_all": len(checks.borderline),
                "checked": checks.checked_trees,
                "near_ft": appraisal.settings.cruise.borderline_ft,
                "aside": appraisal.settings.cruise.borderline == "set_aside",
            }
        )
    )


def how_parts(appraisal: Appraisal) -> str:
    """Say by what the parts of this cruise's stands were estimated."""
    tract, least = appraisal.tract, appraisal.domains.min_plots
    if {part.design for part in tract.design.parts} == {"complete"}:
        return (
            "Stands were tallied whole, and a tally does not say where in its stand a tree stood: "
            "a part takes the figures of its stand, acre for acre."
        )
    key = estimator_key(tract, tract.design.parts)
    if key in ("mapped_ratio", "mapped_regression", "post_stratified"):
        return (
            "What the map says is known for whole stands and not for their parts: a part takes the "
            "figures of its stand, acre for acre."
        )
    what = "clusters of plots" if bool((tract.plots["cluster"] != "").any()) else "plots"
    text = (
        f"A part takes the figures of the {what} that fell in it where a stand has {least} or more "
        "of them there, and otherwise the figures of its stand (or of whatever its stand borrows "
        "from), acre for acre."
    )
    if appraisal.cruise.ratios.empty:
        return text
    return text + " The ratio or line that ties cheap figures to timber stays that of its group."


def parts_table(appraisal: Appraisal) -> Printed | None:
    """Return the parts of stands: each as a whole, and those stands in it with plots enough."""
    table = appraisal.domains.table
    if table.empty:
        return None
    whole = table["stand"] == ""
    rows = table[whole | (table["source"] == "own plots")]
    whole = rows["stand"] == ""
    head = head_measure(appraisal)
    names = [
        "" if not is_whole else f"unit {domain}" if kind == "harvest unit" else domain
        for kind, domain, is_whole in zip(
            words(rows, "kind"), words(rows, "domain"), whole, strict=True
        )
    ]
    stands = ["" if w else f"stand {s}" for w, s in zip(whole, words(rows, "stand"), strict=True)]
    columns = [
        Column(name="Part", cells=names, words=True),
        Column(name="Of it", cells=stands, words=True),
        Column(name="Acres", unit="ac", cells=[acres(v) for v in numbers(rows, "acres")]),
        Column(name="Plots in it", cells=[count(v) for v in numbers(rows, "plots")]),
        Column(name="Figures from", cells=words(rows, "source"), words=True),
        Column(
            name=head_rule_name(appraisal),
            unit="bf/ac",
            cells=estimates(rows, f"{head}_per_acre", f"{head}_error_pct"),
        ),
        Column(
            name=head_rule_name(appraisal),
            unit="MBF",
            cells=estimates(rows, f"{head}_total", f"{head}_error_pct", most=1, divide=BF_PER_MBF),
        ),
        Column(name="Error", unit="±", cells=errors(rows, f"{head}_error_pct", f"{head}_total")),
    ]
    if is_valued(appraisal):
        columns += [
            Column(
                name="Value",
                unit="$",
                cells=estimates(rows, "value_usd_total", "value_usd_error_pct", money=True),
            ),
            Column(
                name="Error",
                unit="±",
                cells=errors(rows, "value_usd_error_pct", "value_usd_total"),
            ),
        ]
    return Printed(columns=columns)


def bias_table(appraisal: Appraisal) -> Printed | None:
    """Return what each stand's lines take from a cruise, and what may still be missing."""
    bias = appraisal.sample_checks.bias
    if bias.empty:
        return None
    return Printed(
        columns=[
            Column(name="Stand", cells=words(bias, "stand"), words=True),
            Column(name="Plots", cells=[count(v) for v in numbers(bias, "plots")]),
            Column(
                name="Circles over the line",
                unit="plots",
                cells=[count(v) for v in numbers(bias, "crossing_plots")],
            ),
            Column(
                name="Mean reach",
                unit="ft",
                cells=[figure(v) for v in numbers(bias, "reach_ft")],
            ),
            Column(
                name="Missing if nothing is made up",
                unit="%",
                cells=[figure(v, most=1) for v in numbers(bias, "shortfall_pct")],
            ),
            Column(
                name="Possible bias left",
                unit="%",
                cells=[_signed(v) for v in numbers(bias, "possible_bias_pct")],
            ),
        ],
        loud=[v < 0 for v in numbers(bias, "possible_bias_pct")],
    )


def crossing_table(appraisal: Appraisal) -> Printed | None:
    """Return the plots whose circle crosses their stand's line, those farthest over it first."""
    edges = appraisal.sample_checks.edges
    rows = edges[edges["crosses"].astype(bool)]
    if rows.empty:
        return None
    rows = rows.sort_values("outside_pct", ascending=False, kind="stable").head(MOST_LISTED)
    done = [EDGE_WORDS[w] for w in words(rows, "edge")]
    part = [
        f"{word}, {share:g}" if share < 1 else word
        for word, share in zip(done, numbers(rows, "share"), strict=True)
    ]
    return Printed(
        columns=[
            Column(name="Plot", cells=words(rows, "plot"), words=True),
            Column(name="Stand", cells=words(rows, "stand"), words=True),
            Column(
                name="To the line", unit="ft", cells=[figure(v) for v in numbers(rows, "edge_ft")]
            ),
            Column(name="Reach", unit="ft", cells=[figure(v) for v in numbers(rows, "reach_ft")]),
            Column(
                name="Of the circle outside",
                unit="%",
                cells=[figure(v, most=1) for v in numbers(rows, "outside_pct")],
            ),
            Column(name="Trees there", cells=part, words=True),
        ]
    )


def places_table(appraisal: Appraisal) -> Printed | None:
    """Return the plots that lie where a plot should be looked at twice."""
    places = appraisal.sample_checks.places
    if places.empty:
        return None
    used = places["used"].astype(bool)
    columns = [
        Column(name="Plot", cells=words(places, "plot"), words=True),
        Column(
            name="Counts in",
            cells=[
                f"stand {s}" if u else "none: set aside"
                for s, u in zip(words(places, "stand"), used, strict=True)
            ],
            words=True,
        ),
        Column(
            name="By the map in",
            cells=[f"stand {s}" if s else "no stand" for s in words(places, "by_map")],
            words=True,
        ),
    ]
    if (places["recorded"] != "").any():
        away = [
            f"{figure(ft)} ft off" if ft > 0 else "inside" if ft == 0 else ""
            for ft in numbers(places, "recorded_ft")
        ]
        columns += [
            Column(name="By its record in", cells=words(places, "recorded"), words=True),
            Column(name="From there", cells=away),
        ]
    columns.append(Column(name="Ground", cells=words(places, "ground"), words=True))
    return Printed(columns=columns, loud=[not u for u in used])


def borderline_table(appraisal: Appraisal) -> Printed | None:
    """Return the trees at their limit or beyond it, the farthest over first."""
    rows: pd.DataFrame = appraisal.sample_checks.borderline.head(MOST_LISTED)
    if rows.empty:
        return None
    used = rows["used"].astype(bool)
    return Printed(
        columns=[
            Column(name="Plot", cells=words(rows, "plot"), words=True),
            Column(name="Tree", cells=words(rows, "tree"), words=True),
            Column(name="Species", cells=words(rows, "species"), words=True),
            Column(
                name="DBH", unit="in", cells=[figure(v, most=1) for v in numbers(rows, "dbh_in")]
            ),
            Column(name="Stands at", unit="ft", cells=_hundredths(rows, "distance_ft")),
            Column(name="Counts to", unit="ft", cells=_hundredths(rows, "limit_ft")),
            Column(name="Beyond", unit="ft", cells=_hundredths(rows, "over_ft")),
            Column(name="Call", cells=words(rows, "call"), words=True),
            Column(
                name="In the figures", cells=["yes" if u else "set aside" for u in used], words=True
            ),
        ],
        loud=[c == "out" for c in words(rows, "call")],
    )


def _hundredths(frame: pd.DataFrame, column: str) -> list[str]:
    return [f"{v:,.2f}".replace("-", "−") for v in numbers(frame, column)]


def _signed(value: float) -> str:
    if value == 0:
        return "none"
    return NOT_KNOWN if pd.isna(value) else f"−{percent(-value)}".rstrip("%")
