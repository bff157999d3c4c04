"""The tract in ten lines: the answer first, in words a landowner reads."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import pandas as pd

from standmap.report.heights_alone import heights_sentence
from standmap.report.names import (
    confidence_text,
    head_measure,
    head_rule_name,
    is_valued,
    tract_name,
)
from standmap.report.numbers import acres, count, dollars, figure, plus_minus
from standmap.report.printed import FLOOR_MARK, FLOOR_NOTE, interval_floored, interval_text
from standmap.report.words import DESIGN_NAMES, RULE_NAMES
from standmap.units import BF_PER_MBF, LOG_RULES

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal
    from standmap.cruise import Estimate

Line = tuple[str, str]

_MAIN_SPECIES = 4


def ten_lines(appraisal: Appraisal) -> list[Line]:
    """Return the tract in ten lines or fewer: a short name and a sentence each.

    Parameters
    ----------
    appraisal : Appraisal
        What to tell.
    """
    lines = [
        _worth(appraisal),
        _sureness(appraisal),
        _ground(appraisal),
        _sawtimber(appraisal),
        _bulk(appraisal),
        _money(appraisal),
        _woods(appraisal),
        _cruise(appraisal),
        _units(appraisal),
        _must_stay(appraisal),
    ]
    return kept_whole(lines)


def kept_whole(lines: Iterable[Line | None]) -> list[Line]:
    """Return the lines there are, no error parted from its figure at the end of a row."""
    return [(line[0], line[1].replace(" ±", "\N{NO-BREAK SPACE}±")) for line in lines if line]


def _worth(appraisal: Appraisal) -> Line | None:
    if not is_valued(appraisal):
        return ("Value", "Not computed: no price was met. The volumes below stand.")
    value = appraisal.total("value_usd")
    error = value.sampling_error_pct
    net = appraisal.net_acres
    return (
        "Value",
        f"{dollars(value.mean, error)} standing on {acres(net)} net acres, at the price sheet's "
        f"stumpage prices: about {dollars(value.mean / net, error)} per net acre "
        f"{plus_minus(error)}.",
    )


def _sureness(appraisal: Appraisal) -> Line:
    """Say the interval in plain words, at its confidence."""
    valued = is_valued(appraisal)
    measure = "value_usd" if valued else head_measure(appraisal)
    found = appraisal.total(measure)
    low, high = interval_text(found if valued else found.times(1 / BF_PER_MBF), money=valued)
    note = f" {FLOOR_NOTE}" if interval_floored(found) else ""
    low += FLOOR_MARK if note else ""
    unit = "" if valued else f" MBF {head_rule_name(appraisal)}"
    confidence = confidence_text(appraisal)
    if found.sampling_error_pct == 0:
        told = [
            "Every tree was tallied, so no error comes from sampling.",
            heights_sentence(appraisal),
            "Prices, missed trees, missed defect and growth are in no error.",
        ]
        return ("How sure", " ".join(t for t in told if t))
    return (
        "How sure",
        f"Between {low} and {high}{unit} at {confidence} confidence (sampling error "
        f"{plus_minus(found.sampling_error_pct)}). If the plots were drawn again many times, about "
        f"{confidence} of such intervals would hold the true figure. Prices, missed defect and "
        f"growth are not in it.{note}",
    )


def _ground(appraisal: Appraisal) -> Line:
    stands = appraisal.stands
    gross, net = appraisal.gross_acres, appraisal.net_acres
    text = f"{acres(gross)} mapped in {len(stands)} stands; {acres(net)} net"
    taken = [
        f"{acres(stands[column].sum())} of {name}"
        for column, name in (("buffer_acres", "stream buffers"), ("exclusion_acres", "exclusions"))
        if stands[column].sum() > 0
    ]
    text += f" after {' and '.join(taken)}." if taken else "; nothing was taken out."
    deed = appraisal.settings.tract.deed_acres
    if deed:
        gap = gross - deed
        text += (
            f" The deed says {acres(deed)}: the map holds {acres(abs(gap))} "
            f"{'more' if gap >= 0 else 'less'} ({100 * gap / deed:+.1f}%)."
        )
    return ("Acres", text)


def _sawtimber(appraisal: Appraisal) -> Line:
    mbf = {rule: appraisal.total(f"bf_{rule}").times(1 / BF_PER_MBF) for rule in LOG_RULES}
    head = mbf.pop(appraisal.settings.volume.log_rule)
    others = [f"{RULE_NAMES[rule]} {_with_error(found)}" for rule, found in mbf.items()]
    return (
        "Sawtimber",
        f"{_with_error(head, most=1, unit=f' MBF {head_rule_name(appraisal)}')}. The same logs in "
        f"MBF by the other rules: {', '.join(others)}.",
    )


def _with_error(found: Estimate, *, most: int = 0, unit: str = "") -> str:
    error = found.sampling_error_pct
    return f"{figure(found.mean, error, most=most)}{unit} {plus_minus(error)}"


def _bulk(appraisal: Appraisal) -> Line:
    cords, tons = appraisal.total("cords"), appraisal.total("weight_tons")
    return (
        "Bulk wood",
        f"{_with_error(cords, unit=' cords')} in products that are weighed or stacked. All logs "
        f"together weigh {_with_error(tons, unit=' green tons')} and hold "
        f"{wood_text(appraisal)}.",
    )


def _money(appraisal: Appraisal) -> Line | None:
    """Say which products and stands hold the value."""
    if not is_valued(appraisal):
        return None
    total = appraisal.total("value_usd").mean
    rows = appraisal.products[appraisal.products["stand"] == ""]
    by_product = rows.groupby("product")["value_usd"].sum().sort_values(ascending=False)
    stands = appraisal.stands.set_index("stand")["value_usd_total"].sort_values(ascending=False)
    top = stands.head(3)
    names = [f"{100 * v / total:.0f}% in {name}" for name, v in by_product.head(2).items()]
    return (
        "Where it is",
        f"{' and '.join(names)}. {_stands_named([str(s) for s in top.index])} "
        f"{100 * top.sum() / total:.0f}% of the value.",
    )


def _stands_named(names: list[str]) -> str:
    if len(names) == 1:
        return f"Stand {names[0]} holds"
    return f"Stands {', '.join(names[:-1])} and {names[-1]} hold"


def _woods(appraisal: Appraisal) -> Line:
    if appraisal.net_acres <= 0:
        return ("The woods", "No net acres: everything mapped must stay.")
    per_acre = 1 / appraisal.net_acres
    trees = appraisal.total("trees").times(per_acre)
    area = appraisal.total("basal_area_sqft").times(per_acre)
    text = (
        f"{_with_error(trees, unit=' trees per net acre')}; basal area "
        f"{_with_error(area, unit=' sq ft per acre')}"
    )
    column = f"{head_measure(appraisal)}_per_acre"
    stock = appraisal.stock_table
    if column in stock and stock[column].sum() > 0:
        shares = stock.groupby("species")[column].sum() / stock[column].sum()
        most = shares.sort_values(ascending=False).head(_MAIN_SPECIES)
        named = [f"{name} {share:.0%}" for name, share in most.items()]
        text += f". Most of the sawtimber: {', '.join(named)}"
    return ("The woods", f"{text}.")


def _cruise(appraisal: Appraisal) -> Line:
    cruise, trees = appraisal.settings.cruise, appraisal.trees
    size = ""
    if not cruise.parts:
        if cruise.design == "point" and cruise.baf:
            size = f", basal area factor {cruise.baf:g}"
        elif cruise.acres:
            size = f", {cruise.acres:.3g} acre each"
    used = appraisal.plots[appraisal.plots["used"]] if len(appraisal.plots) else appraisal.plots
    tallied = float(trees.loc[trees["used"], "count"].sum())
    aside = int((~trees["used"]).sum())
    text = f"{count(len(used))} plots ({DESIGN_NAMES[cruise.design]}{size}), "
    text += f"{count(tallied)} trees tallied"
    text += f"; {count(aside)} tally rows set aside" if aside else ""
    when = appraisal.settings.tract.date
    text += f". Cruised {when}." if when else ". The tract file gives no cruise date."
    borrowed = appraisal.stands[appraisal.stands["borrowed"] != ""]
    if len(borrowed):
        n = len(borrowed)
        text += (
            f" {n} stand{'' if n == 1 else 's'} with fewer than two plots "
            f"{'takes' if n == 1 else 'take'} borrowed figures."
        )
    return ("Cruise", text)


def _units(appraisal: Appraisal) -> Line | None:
    units = appraisal.units
    if units is None or units.empty:
        return None
    conflicts = [str(u) for u in units.loc[units["conflict"].astype(bool), "unit"]]
    n = len(units)
    text = f"{n} harvest unit{'' if n == 1 else 's'}, {acres(units['net_acres'].sum())} net acres"
    if is_valued(appraisal):
        best = units.sort_values("value_usd_total", ascending=False).iloc[0]
        text += (
            f"; the richest is {best['unit']}, "
            f"{dollars(best['value_usd_total'], best['value_usd_error_pct'])} "
            f"{plus_minus(best['value_usd_error_pct'])}"
        )
    if conflicts:
        reach = "reaches" if len(conflicts) == 1 else "reach"
        text += f". {', '.join(conflicts)} {reach} into a stream buffer"
    return ("Harvest units", f"{text}.")


def _must_stay(appraisal: Appraisal) -> Line | None:
    kept = appraisal.must_stay
    if kept is None or kept.empty:
        return None
    head = head_measure(appraisal)
    text = (
        f"{acres(kept['acres'].sum())} acres in stream buffers and exclusions, holding about "
        f"{_sum_text(appraisal.must_stay_totals, head, BF_PER_MBF)} of "
        f"{head_rule_name(appraisal)} sawtimber"
    )
    if is_valued(appraisal):
        text += f" and {_sum_text(appraisal.must_stay_totals, 'value_usd', 1.0)}"
    return ("Must stay", f"{text}. None of it is counted above.")


def _sum_text(totals: pd.DataFrame, measure: str, divide: float) -> str:
    """Print one total with its sampling error."""
    row = totals.loc[measure].to_dict()
    total, error = float(row["estimate"]), float(row["error_pct"])
    if measure == "value_usd":
        return f"{dollars(total, error)} {plus_minus(error)}"
    return f"{figure(total / divide, error, most=1)} MBF {plus_minus(error)}"


def summary_text(appraisal: Appraisal) -> str:
    """Return the one-screen summary that the command line ends with.

    Parameters
    ----------
    appraisal : Appraisal
        What to tell.
    """
    stands = appraisal.stands
    lines = [
        (
            "Acres",
            f"{acres(appraisal.gross_acres)} acres mapped, {acres(appraisal.net_acres)} net of "
            f"{acres(stands['buffer_acres'].sum())} in stream buffers and "
            f"{acres(stands['exclusion_acres'].sum())} in exclusions",
        ),
        ("Sawtimber", _total_text(appraisal, head_measure(appraisal))),
        ("Bulk wood", _total_text(appraisal, "cords")),
        ("Weight", f"{_total_text(appraisal, 'weight_tons')}, all logs"),
        ("Wood", wood_text(appraisal)),
    ]
    floored = False
    if is_valued(appraisal):
        found = appraisal.total("value_usd")
        low, high = interval_text(found, money=True)
        floored = interval_floored(found)
        span = f"{low}{FLOOR_MARK if floored else ''} to {high}"
        lines.append(("Value", f"{_total_text(appraisal, 'value_usd')} ({span})"))
    conflicts = appraisal.units.loc[appraisal.units["conflict"].astype(bool), "unit"].astype(str)
    if len(conflicts):
        reach = "reaches" if len(conflicts) == 1 else "reach"
        lines.append(("Units", f"{', '.join(conflicts)} {reach} into a stream buffer"))
    heights = appraisal.cruise.heights_alone["error_pct"].dropna()
    if len(heights):
        error = plus_minus(float(heights.iloc[0]))
        lines.append(("Heights", f"{error} by heights from a curve alone, in no other \u00b1"))
    body = "\n".join(f"  {name:<10} {text}" for name, text in lines)
    return (
        f"{tract_name(appraisal)}\n{body}\n"
        f"  ± is the sampling error at {confidence_text(appraisal)} confidence."
        + (f"\n  {FLOOR_NOTE}" if floored else "")
    )


def wood_text(appraisal: Appraisal) -> str:
    """Print the solid wood of all logs in cubic feet and cubic metres, with their one error."""
    wood, metric = appraisal.total("volume_cuft"), appraisal.total("volume_cum")
    error = wood.sampling_error_pct
    return (
        f"{figure(wood.mean, error)} cubic feet ({figure(metric.mean, error)} m³) "
        f"of solid wood {plus_minus(error)}"
    )


def _total_text(appraisal: Appraisal, measure: str) -> str:
    """Print a tract total and its error, in the unit people use."""
    row = appraisal.totals.loc[measure].to_dict()
    error = plus_minus(row["error_pct"])
    if measure == "value_usd":
        return f"{dollars(row['estimate'], row['error_pct'])} {error}"
    if measure.startswith("bf_"):
        rule = RULE_NAMES[measure.removeprefix("bf_")]
        return (
            f"{figure(row['estimate'] / BF_PER_MBF, row['error_pct'], most=1)} MBF {rule} {error}"
        )
    unit = {"cords": "cords", "weight_tons": "green tons"}[measure]
    return f"{figure(row['estimate'], row['error_pct'], most=1)} {unit} {error}"
