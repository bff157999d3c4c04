"""cruise.html: how the woods were sampled, and what the errors of the report rest on.

A page of its own beside the report: the report gives each figure with its error; this one shows a
landowner, or another forester, why that error is what it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from standmap.guide import topics as guide_topics
from standmap.report import cruise_tables
from standmap.report.answer import Line, kept_whole
from standmap.report.figures import as_image
from standmap.report.guide_pages import guide_sections
from standmap.report.heights_alone import heights_sentence, heights_table
from standmap.report.names import confidence_text, head_rule_name, letterhead
from standmap.report.numbers import count, percent, plus_minus
from standmap.report.offline import seal, template
from standmap.report.sample_sections import sample_sections_html
from standmap.report.stand_figures import plots_figure
from standmap.report.words import DESIGN_PHRASES
from standmap.steps.cruise_results import FEW_MEASURED
from standmap.steps.leverage import FAR_SD

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal


def cruise_html(appraisal: Appraisal) -> str:
    """Return the cruise page of an appraisal as one file that needs no network.

    Parameters
    ----------
    appraisal : Appraisal
        What to show.

    Returns
    -------
    str
        HTML with no script at all. Every name from the data is escaped.

    Raises
    ------
    OutputError
        If the page would fetch anything from outside itself.
    """
    return seal(template("cruise.html.jinja").render(_context(appraisal)))


def _context(appraisal: Appraisal) -> dict[str, Any]:
    settings, cruise = appraisal.settings, appraisal.cruise
    strata = cruise.strata
    drawn = plots_figure(appraisal)
    return {
        **letterhead(appraisal.tract),
        "warnings": len(appraisal.problems),
        "short": cruise_lines(appraisal),
        "strata": cruise_tables.strata_table(appraisal),
        "estimators": list(zip(*(strata[c].unique() for c in ("estimator", "source")), strict=True))
        if len(strata)
        else [],
        "variances": strata["variance"].unique().tolist() if len(strata) else [],
        "ratios": cruise_tables.ratios_table(appraisal),
        "shared": settings.cruise.ratio_by,
        "stands": cruise_tables.stands_table(appraisal),
        "borrowed": sorted(set(cruise.stands["borrowed"]) - {""}),
        "plots_image": as_image(drawn) if drawn is not None else None,
        "measure": measure_name(appraisal),
        "checks": cruise_tables.checks_table(appraisal),
        "leverage": cruise_tables.leverage_table(appraisal),
        "whole": tallied_whole(appraisal),
        "spread": bool(cruise.stands["cv_pct"].notna().any()),
        "as_random": bool(cruise.checks["random_error_pct"].notna().any()),
        "again": bool(cruise.checks["bootstrap_low"].notna().any()),
        "counted": bool(cruise.leverage["per_acre"].isna().any()),
        "far": int((cruise.leverage["off_sd"].abs() >= FAR_SD).sum()),
        "far_sd": f"{FAR_SD:g}",
        "heavy_trees": cruise_tables.heavy_trees_table(appraisal),
        "few": cruise_tables.few_table(appraisal),
        "heights": heights_table(appraisal),
        "heights_told": heights_sentence(appraisal),
        "sample_sections": sample_sections_html(appraisal),
        "crops": cruise_tables.crops(appraisal),
        "cell_width": f"{cruise.cell_width_in:g}",
        "most_error": f"{cruise_tables.MOST_CELL_ERROR_PCT:g}",
        "guide": guide_sections(guide_pages(appraisal)),
    }


def guide_pages(appraisal: Appraisal) -> tuple[str, ...]:
    """Return the guide pages that this cruise needs: the general ones and those of its designs."""
    cruise = appraisal.settings.cruise
    designs = sorted({part.design for part in appraisal.tract.design.parts})
    names: list[str] = [*designs, cruise.estimator]
    if any(part.bounded for part in appraisal.tract.design.parts):
        names.append("nested")
    if bool((appraisal.tract.plots["cluster"] != "").any()):
        names.append("clusters")
    if appraisal.tract.stands["stratum"].nunique() > 1:
        names.append("stratified")
    if cruise.variance == "successive_differences":
        names.append("systematic")
    known = guide_topics()
    pages = [f"design_{name}" for name in dict.fromkeys(names)]
    return ("cruise", *(page for page in pages if page in known), "designs", "edges")


def measure_name(appraisal: Appraisal) -> str:
    """Return what the page measures sureness by, in words."""
    if appraisal.cruise.measure == "value_usd":
        return "stumpage value"
    return f"board feet, {head_rule_name(appraisal)}"


def cruise_lines(appraisal: Appraisal) -> list[Line]:
    """Return the cruise in a line each: what was done, how sure it is, what it hangs on.

    Parameters
    ----------
    appraisal : Appraisal
        What to tell.
    """
    tell = (_sure_line, _poor_line, _done_line, _figure_line, _spread_line, _plot_line, _few_line)
    return kept_whole(line(appraisal) for line in tell)


def _sure_line(appraisal: Appraisal) -> Line:
    error = appraisal.total(appraisal.cruise.measure).sampling_error_pct
    if error == 0:
        heights = heights_sentence(appraisal)
        told = f"Every tree was tallied, so no error comes from sampling. {heights}"
        return ("How sure", told.rstrip())
    luck = "draw" if tallied_whole(appraisal) else "plots"
    return (
        "How sure",
        f"The tract's {measure_name(appraisal)} is known to {plus_minus(error)} at "
        f"{confidence_text(appraisal)} confidence, as far as the luck of the {luck} goes.",
    )


def _poor_line(appraisal: Appraisal) -> Line | None:
    """Say that few plots tell little of their own error."""
    measured = int(appraisal.cruise.strata["measured"].sum())
    if measured >= FEW_MEASURED or tallied_whole(appraisal):
        return None
    return (
        "Few measured",
        f"Only {count(measured)} plots were measured: the error itself is poorly known, and "
        f"the interval is wide for it. Measure {FEW_MEASURED} or more before money changes hands.",
    )


def tallied_whole(appraisal: Appraisal) -> bool:
    """Return whether every stand was tallied to the last tree, so that trees alone were drawn."""
    return {part.design for part in appraisal.tract.design.parts} == {"complete"}


def _done_line(appraisal: Appraisal) -> Line:
    stands, strata = appraisal.cruise.stands, appraisal.cruise.strata
    plots, measured = int(stands["plots"].sum()), int(strata["measured"].sum())
    visited = int((stands["plots"] > 0).sum())
    kinds = sorted({part.design for part in appraisal.tract.design.parts})
    text = f"{count(plots)} plots in {visited} of {len(stands)} stands"
    if tallied_whole(appraisal):
        text = f"{visited} of {len(stands)} stands tallied whole"
    elif measured < plots:
        text += f", {count(measured)} of them measured"
    trees = appraisal.tract.accounting()
    text += f"; {count(trees['used'])} trees measured. "
    return ("The cruise", text + " ".join(DESIGN_PHRASES[kind] for kind in kinds))


def _figure_line(appraisal: Appraisal) -> Line | None:
    names = appraisal.cruise.strata["estimator"].unique()
    return ("A stand's figure", f"is {'; or '.join(names)}.") if len(names) else None


def _spread_line(appraisal: Appraisal) -> Line | None:
    known = appraisal.cruise.stands["cv_pct"].dropna()
    if known.empty:
        return None
    text = f"Within a stand, plots differ from their mean by {percent(float(known.median()))} "
    text += f"(coefficient of variation of the middle stand; {percent(float(known.min()))} to "
    text += f"{percent(float(known.max()))})." if len(known) > 1 else ")."
    return ("The spread", text.replace("; )", ")"))


def _plot_line(appraisal: Appraisal) -> Line | None:
    table = appraisal.cruise.leverage
    table = table[table["change_pct"].notna()]
    what = "plot"
    if table.empty:
        table, what = appraisal.cruise.heavy_trees, "tree"
        table = table[table["change_pct"].notna()]
    if table.empty:
        return None
    first = table.iloc[0]
    turn = "lower" if first["change_pct"] < 0 else "higher"
    named = f"plot {first['plot']}"
    if what == "tree":
        named = f"the {first['dbh_in']:g}-inch {first['species']} (tree {first['tree']})"
    return (
        "Most weight",
        f"Without {named} in stand {first['stand']} the tract's total would be "
        f"{abs(first['change_pct']):.1f}% {turn}. No other {what} moves it further.",
    )


def _few_line(appraisal: Appraisal) -> Line | None:
    few = appraisal.cruise.products
    few = few[few["few"].astype(bool)]
    if few.empty:
        return None
    named = ", ".join(f"{r.product} ({r.plots})" for r in few.itertuples())
    return ("Few plots", f"Met on so few plots that their error is understated: {named}.")
