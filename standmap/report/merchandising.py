"""merchandising.html: stems and their cuts, mills, offers and the conversion sheet.

A page of its own beside the report: the report goes to the owner, the bank and the file; this one
goes to the table where timber is sold, and can be left out of what is handed over.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from standmap.report import log_tables, risk_tables, sale_tables
from standmap.report.answer import Line, kept_whole, wood_text
from standmap.report.figures import as_image
from standmap.report.guide_pages import guide_sections
from standmap.report.names import (
    bucking_method,
    head_measure,
    head_rule_name,
    letterhead,
)
from standmap.report.numbers import count, dollars, dollars_apart, figure, plus_minus, told_apart
from standmap.report.offline import seal, template
from standmap.report.stem_figures import (
    ProductMark,
    height_figure,
    product_marks,
    stem_exaggeration,
    stem_figure,
    swatch_figure,
)
from standmap.report.words import METHOD_PHRASES, SALE_CAUTIONS
from standmap.species import catalogue

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

GUIDE_TOPICS: Final = ("offers", "mills", "products", "volume")
"""Guide pages that the page carries inside."""

MOST_TREES_DRAWN: Final = 12
MOST_CURVES_DRAWN: Final = 18

Picture = tuple[str, str, str]
"""A title, what stands below it, and the image."""


def merchandising_html(appraisal: Appraisal) -> str:
    """Return the merchandising page of an appraisal as one file that needs no network.

    Parameters
    ----------
    appraisal : Appraisal
        What to show. A part the tract has no data for is left out.

    Returns
    -------
    str
        HTML with no script at all. Every name from the data is escaped.

    Raises
    ------
    OutputError
        If the page would fetch anything from outside itself.
    """
    return seal(template("merchandising.html.jinja").render(_context(appraisal)))


def _context(appraisal: Appraisal) -> dict[str, Any]:
    settings = appraisal.settings
    offers = sale_tables.offers_table(appraisal)
    error_of_offers = appraisal.offers.get("value_error_pct", pd.Series(dtype=float))
    bucking = sale_tables.bucking_table(appraisal)
    conversions, sources = log_tables.conversion_tables(appraisal)
    marks = _marks(appraisal)
    return {
        **letterhead(appraisal.tract),
        "rule": head_rule_name(appraisal),
        "warnings": len(appraisal.problems),
        "short": sale_lines(appraisal),
        "offers": offers,
        "offers_unsure": sale_tables.has_unsure(offers),
        "offers_unpriced": bool(len(appraisal.offers) and appraisal.offers["unpriced_logs"].any()),
        "lump_sum": bool((error_of_offers == 0).any()),
        "break_even": sale_tables.break_even_table(appraisal),
        "mills": sale_tables.mills_table(appraisal),
        "sent": sale_tables.sent_sentence(appraisal),
        "mills_limited": bool(len(appraisal.mills) and appraisal.mills["limited"].any()),
        "limits": sale_tables.limits_table(appraisal),
        "limits_cost": risk_tables.limits_cost(appraisal),
        "unsold": risk_tables.unsold_table(appraisal),
        "priced": settings.prices is not None,
        "firm_products": risk_tables.firmness_table(appraisal, by="product"),
        "firm_stands": risk_tables.firmness_table(appraisal, by="stand"),
        "firm_sentences": risk_tables.firmness_sentences(appraisal),
        "same_money": sale_tables.same_money(appraisal),
        "bucking": bucking,
        "bucking_unsure": sale_tables.has_unsure(bucking),
        "method": METHOD_PHRASES[bucking_method(appraisal)],
        "key": [(mark, as_image(swatch_figure(mark))) for mark in marks.values()],
        "trees": _tree_pictures(appraisal, marks),
        "exaggeration": _exaggeration(appraisal),
        "tree_logs": log_tables.tree_logs_table(appraisal),
        "gross_net": log_tables.gross_net_table(appraisal),
        "gross_net_stands": log_tables.gross_net_by_stand(appraisal),
        "wood": wood_text(appraisal),
        "conversions": conversions,
        "sources": sources,
        "curves": _curve_pictures(appraisal),
        "form_class": log_tables.form_class_table(appraisal),
        "by_height": settings.volume.source != "form_class",
        "form_class_moves": _trees_moved(appraisal),
        "own_taper": settings.volume.source == "taper",
        "cautions": SALE_CAUTIONS,
        "guide": guide_sections(GUIDE_TOPICS),
    }


def sale_lines(appraisal: Appraisal) -> list[Line]:
    """Return what matters to a sale in a line each: offers, cuts, firmness, mills, scale.

    Parameters
    ----------
    appraisal : Appraisal
        What to tell.
    """
    tell = (_offer_line, _cuts_line, _firm_line, _mills_line, _scale_line)
    return kept_whole(line(appraisal) for line in tell)


def _offer_line(appraisal: Appraisal) -> Line | None:
    """Say which offer is best and whether the cruise can tell."""
    if appraisal.offers.empty:
        return None
    rows = appraisal.offers.sort_values("rank", kind="stable").to_dict("records")
    best = rows[0]
    error = best["value_error_pct"]
    text = f"Best on these logs is {best['offer']}, at {dollars(best['value_usd'], error)}"
    text += f" {plus_minus(error)}" if error > 0 else ", a lump sum"
    if len(rows) > 1:
        second = rows[1]
        apart = dollars_apart(second["less_than_best_usd"], second["less_error_pct"])
        text += (
            f": {apart} more than the next, {second['offer']}"
            if told_apart(second["less_error_pct"])
            else f". The next, {second['offer']}, is {apart} behind: the cruise cannot tell the "
            "two apart"
        )
    text += f". {len(rows)} offers compared." if len(rows) > 2 else "."
    return ("Offers", text)


def _cuts_line(appraisal: Appraisal) -> Line | None:
    """Say what cutting for best value is worth over the cruiser's fixed logs."""
    values = appraisal.bucking_values
    if values.empty:
        return None
    tract = {row["method"]: row for row in values[values["stand"] == ""].to_dict("records")}
    if not {"field", "best_value"} <= set(tract) or not tract["field"]["value_usd"] > 0:
        return None
    more, error = tract["best_value"]["more_than_field_usd"], tract["best_value"]["more_error_pct"]
    share = 100 * more / tract["field"]["value_usd"]
    used = METHOD_PHRASES[bucking_method(appraisal)]
    return (
        "The cuts",
        f"Cut for best value, the stems bring {dollars_apart(more, error)} ({share:+.1f}%) more "
        f"than in fixed 16-foot logs and half logs. The report's figures are cut {used}.",
    )


def _firm_line(appraisal: Appraisal) -> Line | None:
    """Say what is lost if the buyer walks away whose product loses most."""
    said = risk_tables.firmness_sentences(appraisal)
    return ("How firm", said[0]) if said else None


def _mills_line(appraisal: Appraisal) -> Line | None:
    """Say which mills take the most, and which are full."""
    mills = appraisal.mills
    if mills.empty or not mills["stumpage_usd"].sum() > 0:
        return None
    by_mill = mills.groupby("mill")["stumpage_usd"].sum().sort_values(ascending=False)
    shares = [f"{name} {100 * v / by_mill.sum():.0f}%" for name, v in by_mill.head(3).items()]
    n = int((by_mill > 0).sum())
    text = f"{n} mill{'' if n == 1 else 's'} take{'s' if n == 1 else ''} the logs. "
    text += f"Share of the stumpage: {', '.join(shares)}."
    full = list(dict.fromkeys(mills.loc[mills["limited"].astype(bool), "mill"].astype(str)))
    if full:
        text += f" Full: {', '.join(full)}."
    return ("Mills", text)


def _scale_line(appraisal: Appraisal) -> Line | None:
    """Say gross and net scale of the tract."""
    head = head_measure(appraisal)
    if log_tables.gross_net_table(appraisal) is None:
        return None
    rows = appraisal.products[appraisal.products["stand"] == ""]
    gross, net = float(rows[f"gross_{head}"].sum()) / 1000, float(rows[head].sum()) / 1000
    error = appraisal.total(head).sampling_error_pct
    return (
        "Scale",
        f"{figure(gross, error, most=1)} MBF {head_rule_name(appraisal)} gross, "
        f"{figure(net, error, most=1)} net {plus_minus(error)}: defect takes "
        f"{100 * (1 - net / gross):.1f}%.",
    )


def _trees_moved(appraisal: Appraisal) -> str:
    """Print how many tallied trees the measured form class moves; blank for none."""
    effect = appraisal.form_class_effect
    if effect.empty:
        return ""
    return count(effect.set_index("species")["trees"]["all"])


def _marks(appraisal: Appraisal) -> dict[str, ProductMark]:
    """Give a mark to each product that a drawn tree holds, best product first."""
    trees = appraisal.typical_trees
    if trees.empty:
        return {}
    held = appraisal.logs.loc[appraisal.logs["tally_row"].isin(trees["tally_row"]), "product"]
    ranked = [str(p) for p in appraisal.products["product"].unique()]
    there = set(held.astype(str))
    return product_marks([*[p for p in ranked if p in there], *sorted(there - set(ranked))])


def _drawn_outlines(appraisal: Appraisal) -> pd.DataFrame:
    drawn = appraisal.typical_trees["tally_row"].head(MOST_TREES_DRAWN)
    return appraisal.stem_outlines[appraisal.stem_outlines["tally_row"].isin(drawn)]


def _exaggeration(appraisal: Appraisal) -> int:
    if appraisal.typical_trees.empty:
        return 1
    outlines = _drawn_outlines(appraisal)
    return stem_exaggeration(
        top_ft=float(outlines["height_ft"].max()), widest_in=float(outlines["dob_in"].max())
    )


def _tree_pictures(appraisal: Appraisal, marks: dict[str, ProductMark]) -> list[Picture]:
    """Draw the typical trees, all to one scale."""
    if appraisal.typical_trees.empty:
        return []
    outlines = _drawn_outlines(appraisal)
    top_ft, widest_in = float(outlines["height_ft"].max()), float(outlines["dob_in"].max())
    pictures = []
    for tree in appraisal.typical_trees.head(MOST_TREES_DRAWN).to_dict("records"):
        own = tree["tally_row"]
        logs = appraisal.logs[appraisal.logs["tally_row"] == own]
        drawn = stem_figure(
            outlines[outlines["tally_row"] == own],
            logs,
            marks,
            top_ft=top_ft,
            widest_in=widest_in,
            head=head_measure(appraisal),
        )
        title = f"{tree['species']}, {tree['dbh_in']:.1f} in"
        value = float(logs["value_usd"].sum())
        below = f"{tree['height_ft']:.0f} ft tall, stand {tree['stand']}"
        below += f"; {dollars(value, cents=value < 10)} in all" if value > 0 else ""
        pictures.append((title, below, as_image(drawn)))
    return pictures


def _curve_pictures(appraisal: Appraisal) -> list[Picture]:
    """Draw the height curves: species by number of trees measured, then the groups."""
    points, lines = appraisal.height_points, appraisal.height_lines
    if lines.empty:
        return []
    seen = pd.concat([lines[["dbh_in", "height_ft"]], points[["dbh_in", "height_ft"]]]).max()
    most_dbh, most_height = 1.04 * float(seen["dbh_in"]), 1.06 * float(seen["height_ft"])
    n = points["species"].value_counts()
    curves = appraisal.height_curves
    filling = curves[curves["filled"] > 0]
    used = set(zip(filling["level"], filling["name"], strict=True))
    named = [
        pair
        for pair in dict.fromkeys(zip(lines["level"], lines["name"], strict=True))
        if pair in used
    ]
    named.sort(key=lambda pair: (pair[0] != "species", -n.get(pair[1], 0)))
    pictures = []
    for level, name in named[:MOST_CURVES_DRAWN]:
        line = lines[(lines["level"] == level) & (lines["name"] == name)]
        shown = points[_fitted_to(points["species"], str(level), str(name))]
        drawn = height_figure(shown, line, most_dbh_in=most_dbh, most_height_ft=most_height)
        below = f"{line['form'].iloc[0]}; {count(len(shown))} measured"
        below += "" if level == "species" else ", for species with no curve of their own"
        pictures.append((str(name), below, as_image(drawn)))
    return pictures


def _fitted_to(species: pd.Series, level: str, name: str) -> pd.Series:
    """Tell which measured trees a curve was fitted to: a species, a group or all of them."""
    if level == "species":
        return species == name
    known = catalogue()
    softwood = species.isin(known.loc[known["softwood"], "common_name"])
    return {"softwood": softwood, "hardwood": ~softwood}.get(name, species == species)
