"""land.html: what must stay and by whose rule, widths as drawn, and each unit held against it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pandas as pd

from standmap.land import OWN_WIDTH
from standmap.report import acreage_tables, land_tables, road_tables
from standmap.report.answer import Line, kept_whole
from standmap.report.figures import as_image
from standmap.report.guide_pages import guide_sections
from standmap.report.land_figures import conflict_figure, land_figure
from standmap.report.names import letterhead
from standmap.report.numbers import acres, count, hundredths
from standmap.report.offline import seal, template
from standmap.report.words import LAND_CAUTIONS, RULE_NAMES
from standmap.steps.land import CONFLICT, NOT_SETTLED, PART_ONLY, is_entered

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal
    from standmap.steps.land import Land
    from standmap.tract import Tract

GUIDE_TOPICS: Final = ("acres", "buffers", "rules")
MOST_CONFLICTS_DRAWN: Final = 24
NARROW_IN: Final = 3.9
"""The map for a phone: drawn as wide as it is shown, so that its words can be read."""


def land_html(appraisal: Appraisal) -> str:
    """Return the land page of an appraisal as one file that needs no network.

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
    return page_of(appraisal.tract, appraisal.land, warnings=len(appraisal.problems), linked=True)


def page_of(tract: Tract, land: Land, *, warnings: int = 0, linked: bool = False) -> str:
    """Return the land page of a tract that was laid out, appraised or not.

    Parameters
    ----------
    tract : Tract
        The tract.
    land : Land
        Its ground.
    warnings : int
        How many warnings the report has.
    linked : bool
        Whether a report lies beside the page.
    """
    settings = tract.settings
    lead = settings.volume.log_rule
    wet = land.water.surface_acres
    return seal(
        template("land.html.jinja").render(
            **letterhead(tract),
            warnings=warnings,
            linked=linked,
            short=land_lines(tract, land),
            map_image=as_image(land_figure(tract, land)),
            narrow_map=as_image(land_figure(tract, land, width_in=NARROW_IN)),
            no_streams=tract.streams is None,
            units=tract.units is not None,
            check=land_tables.check_table(land),
            conflicts=_conflicts(tract, land),
            part_only=bool((land.unit_check["verdict"] == PART_ONLY).any()),
            reasons=land_tables.reasons_table(land),
            surface=hundredths(wet) if wet > 0 else "",
            acreage=acreage_tables.acreage_table(land.acreage),
            acreage_notes=acreage_tables.acreage_notes(land.acreage),
            mends=acreage_tables.mends_table(land.acreage),
            tolerances=acreage_tables.tolerance_words(settings.stands),
            rules=land_tables.rules_table(land),
            sources=land_tables.source_list(land),
            cautions_of_rules=[*land.water.cautions, *land_tables.row_cautions(land)],
            widths=land_tables.widths_table(land),
            step_ft=settings.buffers.step_ft,
            reach_ft=settings.buffers.reach_ft,
            stated_slope=settings.buffers.slope_pct,
            partial=land_tables.partial_table(
                land,
                f"bf_{lead}",
                RULE_NAMES[lead],
                valued=tract.prices is not None or tract.mills is not None,
            ),
            residuals=land_tables.residuals_table(land),
            partial_notes=land_tables.partial_notes(land),
            candidates=land_tables.candidate_words(land, settings.channels.feeding_acres),
            road_check=road_tables.road_check_table(land),
            road_sources=road_tables.road_sources(land),
            roads=road_tables.roads_table(land),
            cautions=LAND_CAUTIONS,
            guide=guide_sections(GUIDE_TOPICS),
        )
    )


def land_lines(tract: Tract, land: Land) -> list[Line]:
    """Return what matters on the ground in a line each.

    Parameters
    ----------
    tract : Tract
        The tract.
    land : Land
        Its ground.
    """
    tell = (_check_line, _roads_line, _acres_line, _rule_line, _channel_line)
    return kept_whole(line(tract, land) for line in tell)


def _check_line(tract: Tract, land: Land) -> Line | None:
    """Say which harvest units are in conflict."""
    if tract.units is None:
        return None
    check = land.unit_check
    n = check["unit"].nunique() if len(check) else len(land.units_clipped)
    bad = check[check["verdict"] == CONFLICT]
    part = check[check["verdict"] == PART_ONLY]
    unread = check[is_entered(check) & (check["verdict"] == NOT_SETTLED)]
    if bad.empty and part.empty and unread.empty:
        text = "It keeps" if n == 1 else f"All {count(n)} keep"
        text += " off all ground that must stay, as mapped."
    else:
        text = f"{count(bad['unit'].nunique())} of {count(n)} enter ground where nothing may be cut"
        text += f" ({_by_unit(bad)} acres)." if len(bad) else "."
        if len(part):
            text += f" Buffers of which part may be cut hold {_by_unit(part)} acres."
        if len(unread):
            text += f" Buffers by rules nobody read hold {_by_unit(unread)} acres."
    if tract.streams is None:
        text += " No stream layer was given: nothing is settled along water."
    elif not land.is_settled:
        text += " Not all of it is settled: see below."
    return ("Harvest units", text)


def _by_unit(rows: pd.DataFrame) -> str:
    """Say how many acres of each unit."""
    acres_of = rows.groupby("unit", sort=False)["acres"].sum()
    said = [f"unit {name} {hundredths(v)}" for name, v in acres_of.items()]
    return f"{', '.join(said[:6])}{' ...' if len(said) > 6 else ''}"


def _roads_line(_tract: Tract, land: Land) -> Line | None:
    return road_tables.roads_line(land)


def _acres_line(_tract: Tract, land: Land) -> Line:
    total = land.acres.sum()
    buffers, other = float(total["buffer_acres"]), float(total["exclusion_acres"])
    kept = [f"{acres(buffers)} in stream buffers"] if buffers > 0 else []
    kept += [f"{acres(other)} in exclusions"] if other > 0 else []
    text = f"{acres(total['gross_acres'])} gross"
    text += f", less {' and '.join(kept)}," if kept else ","
    return ("Acres", f"{text} leave {acres(total['net_acres'])} net.")


def _rule_line(_tract: Tract, land: Land) -> Line | None:
    rules = land.water.rules
    if rules.empty:
        return None
    named = [str(j) for j in rules["jurisdiction"].unique() if j and j != OWN_WIDTH]
    own = OWN_WIDTH in set(rules["jurisdiction"])
    parts = [f"by the rule of {name}" for name in named] + (["your own"] if own else [])
    text = f"Widths are {' or '.join(parts)}." if parts else "Nothing must stay along water."
    if not rules["verified"].all():
        text += " Some of it is unverified and settles nothing by itself."
    return ("Rule", f"{text} Check the current rule.")


def _channel_line(tract: Tract, land: Land) -> Line | None:
    words = land_tables.candidate_words(land, tract.settings.channels.feeding_acres)
    return ("Channels", f"{words}: unverified, to be looked at on the ground.") if words else None


def _conflicts(tract: Tract, land: Land) -> list[tuple[str, str, str]]:
    """Draw each unit that enters ground that must stay."""
    pictures: list[tuple[str, str, str]] = []
    for unit, rows in land.conflicts.groupby("unit", sort=False):
        if len(pictures) == MOST_CONFLICTS_DRAWN:
            break
        said = [
            f"{hundredths(row['acres'])} ac "
            + land_tables.ground_name(row["reason"], row["class"], row["zone"])
            for row in rows.to_dict("records")
        ]
        image = as_image(conflict_figure(tract, land, str(unit)))
        pictures.append((f"Unit {unit}", "; ".join(said), image))
    return pictures


__all__ = ["land_html", "land_lines", "page_of"]
