"""report.html: one page to hand over, in one file that opens and prints with no network."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from standmap.land import OWN_WIDTH
from standmap.report import printed
from standmap.report.answer import ten_lines
from standmap.report.cells import Printed
from standmap.report.figures import as_image, tract_figure
from standmap.report.guide_pages import guide_sections
from standmap.report.harvest_page import harvest_lines, has_harvest
from standmap.report.merchandising import sale_lines
from standmap.report.names import (
    SMALL_TREE_IN,
    bucking_method,
    confidence_text,
    head_measure,
    head_rule_name,
    is_valued,
    letterhead,
    tallies_small_trees_on_points,
)
from standmap.report.numbers import count, figure, plus_minus
from standmap.report.offline import seal, template
from standmap.report.stand_figures import MOST_STANDS_DRAWN, interval_figure
from standmap.report.words import (
    CAUTIONS,
    DESIGN_NAMES,
    GLOSSARY,
    METHOD_WORDS,
    RULE_NAMES,
    SOURCES,
)

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

GUIDE_TOPICS: Final = ("report", "cruise", "volume", "products", "prices", "buffers", "tally")
"""Guide pages the report links to and carries inside."""

MOST_WARNINGS: Final = 25


def report_html(appraisal: Appraisal) -> str:
    """Return the report of an appraisal as one page that needs no network.

    Parameters
    ----------
    appraisal : Appraisal
        What to report.

    Returns
    -------
    str
        HTML with no script at all. Every name from the data is escaped.

    Raises
    ------
    OutputError
        If the page would fetch anything from outside itself.
    """
    return seal(template("report.html.jinja").render(_context(appraisal)))


def _context(appraisal: Appraisal) -> dict[str, Any]:
    """Gather everything the template prints."""
    settings = appraisal.settings
    valued, fit = is_valued(appraisal), appraisal.canopy_fit
    return {
        **letterhead(appraisal.tract),
        "rule": head_rule_name(appraisal),
        "valued": valued,
        "warnings": list(appraisal.problems[:MOST_WARNINGS]),
        "more_warnings": max(0, len(appraisal.problems) - MOST_WARNINGS),
        "answer": ten_lines(appraisal),
        "sale_lines": sale_lines(appraisal),
        "map_image": as_image(tract_figure(appraisal)),
        "interval_image": _interval_image(appraisal) if valued else None,
        "bars_floored": bool((appraisal.stands["value_usd_error_pct"] > 100).any()),
        "stands": printed.stands_table(appraisal),
        "small_trees": SMALL_TREE_IN if tallies_small_trees_on_points(appraisal) else None,
        "borrowed": sorted(set(appraisal.stands["borrowed"]) - {""}),
        "products": printed.products_table(appraisal),
        "by_stand": printed.products_by(appraisal, appraisal.products, "stand", "Stand"),
        "crops": _crops(appraisal),
        "units": printed.units_table(appraisal),
        "units_borrowed": set(appraisal.units["borrowed"]),
        "unit_products": printed.products_by(appraisal, appraisal.unit_products, "unit_id", "Unit")
        if len(appraisal.unit_products)
        else None,
        "harvest_lines": harvest_lines(appraisal) if has_harvest(appraisal) else [],
        "unit_conflicts": bool(len(appraisal.units) and appraisal.units["conflict"].any()),
        "must_stay": printed.must_stay_table(appraisal),
        "widths": list(settings.buffers.widths_ft.items()),
        "heights": printed.heights_table(appraisal),
        "height_plots": not appraisal.height_lines.empty,
        "ground": printed.ground_table(appraisal),
        "canopy_fit": fit,
        "canopy_bias": f"{round(fit.bias_ft, 1) + 0.0:+.1f}" if fit else "",
        "method": _method(appraisal),
        "sources": _sources(appraisal),
        "cautions": CAUTIONS,
        "ledger": printed.ledger_table(appraisal),
        "ledger_rows": count(len(appraisal.ledger)),
        "glossary": GLOSSARY,
        "guide": guide_sections(GUIDE_TOPICS),
    }


def _interval_image(appraisal: Appraisal) -> str:
    best = appraisal.stands.sort_values("value_usd_per_acre", ascending=False, kind="stable")
    return as_image(interval_figure(appraisal, best["stand"].head(MOST_STANDS_DRAWN).tolist()))


def _crops(appraisal: Appraisal) -> list[tuple[str, Printed]]:
    """Return the stand and stock tables that have anything in them."""
    head = head_measure(appraisal)
    mark = " §" if tallies_small_trees_on_points(appraisal) else ""
    wanted = (
        (f"Stand table: trees per net acre{mark}", appraisal.stand_table, "trees_per_acre", 1),
        (
            f"Stock table: board feet per net acre, {head_rule_name(appraisal)}",
            appraisal.stock_table,
            f"{head}_per_acre",
            0,
        ),
        (
            "Stock table: green tons of logs per net acre",
            appraisal.stock_table,
            "weight_tons_per_acre",
            1,
        ),
    )
    made = []
    for title, table, column, most in wanted:
        shown = printed.crop_table(table, column, most=most) if column in table else None
        if shown is not None:
            whole = appraisal.total(column.removesuffix("_per_acre"))
            error = whole.sampling_error_pct
            mean = figure(whole.mean / max(appraisal.net_acres, 1e-9), error, most=most)
            made.append((f"{title}; all species {mean} {plus_minus(error)}", shown))
    return made


def _method(appraisal: Appraisal) -> list[str]:
    """Say how the figures were made, with this tract's own settings."""
    settings = appraisal.settings
    volume, cruise = settings.volume, settings.cruise
    stems = {
        "national": "Trees with a total height, measured or filled from the tract's own height "
        "curve, take the US national-scale stem models; trees with only a log count take the "
        "form-class stem.",
        "form_class": "Stems are form-class stems"
        + (f" at form class {volume.form_class:g}" if volume.form_class else "")
        + ": the butt log's small end is form class percent of DBH, 17.3 feet up.",
        "taper": "Trees with a total height, measured or filled from the tract's own height "
        f"curve, take the stem profiles of {volume.taper}; trees with only a log count take the "
        "form-class stem.",
    }[volume.source]
    form = (
        f" Ecodivision {settings.tract.ecodivision}."
        if volume.source == "national" and settings.tract.ecodivision
        else ""
    )
    return [
        f"Plots. {DESIGN_NAMES[cruise.design].capitalize()}"
        + (f", basal area factor {cruise.baf:g}" if cruise.baf else "")
        + (f", {cruise.acres:.3g} acre each" if cruise.acres else "")
        + ". A plot with no trees counts as zero.",
        f"Stems. {stems}{form}",
        f"Logs. Each stem is cut on paper, above a {volume.stump_ft:g}-foot stump, "
        f"{METHOD_WORDS[bucking_method(appraisal)]}. Saw "
        "products stop at the sawlog height tallied or at their own top diameter, whichever comes "
        "first. "
        f"All four log rules are computed; tables lead with {RULE_NAMES[volume.log_rule]}. Defect "
        "takes board feet off sawlogs, not weight.",
        "Estimates. A stand's figure is the mean of its plots times its net acres. Its error "
        f"comes from how much its plots differ, at {confidence_text(appraisal)} confidence "
        "(Student's t). A stand with fewer than two plots borrows its stratum's figures, and is "
        "marked.",
        f"Acres. Streams are buffered on both sides {_width_words(appraisal)}, drawn on the flat "
        "from the bank, or from the mapped line where the channel's width is not known; exclusions "
        "are taken out whole; each acre is taken out once.",
        "Value. Price times quantity for each log, by product and species; a product with no "
        "price is warned of, and its value is left out.",
    ]


def _width_words(appraisal: Appraisal) -> str:
    """Say what sets the widths of stream buffers."""
    named = appraisal.land.water.rules["jurisdiction"].unique()
    places = [str(name) for name in named if name and name != OWN_WIDTH]
    own = "by the width set for their class"
    if not places:
        return own
    rule = f"by the rule of {' and '.join(places)}"
    return f"{rule}, or {own}" if OWN_WIDTH in named else rule


def _sources(appraisal: Appraisal) -> list[str]:
    # By form class, a tree without sawlogs still takes the national profile.
    wanted = {"national": ["national"], "form_class": ["national"], "taper": ["taper"]}
    first = wanted[appraisal.settings.volume.source]
    keys = [*first, "form_class", "weight", "rules", "estimates", "acres"]
    return [SOURCES[key] for key in keys]
