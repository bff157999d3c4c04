"""Tables of the logs: scale before and after defect, trees log by log, conversions, form class."""

from __future__ import annotations

import math
import re
from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from standmap.report.cells import (
    Column,
    Printed,
    first_of_each,
    numbers,
    words,
    words_if_any,
)
from standmap.report.names import head_measure, head_rule_name
from standmap.report.numbers import (
    NOT_KNOWN,
    count,
    dollars,
    figure,
)
from standmap.report.printed import LEAST_QUANTITY, MOST_STANDS_BY_PRODUCT
from standmap.report.words import SHORT_RULES
from standmap.units import BF_PER_MBF, LOG_RULES

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

_SCALES: Final = [f"{scale}bf_{rule}" for rule in LOG_RULES for scale in ("gross_", "")]
_RULE_IN_WORDS: Final = re.compile(
    r"\s+((?:over )?(?:International|Doyle|Scribner C|Scribner))(?=[,\s]|$)"
)


def gross_net_table(appraisal: Appraisal) -> Printed | None:
    """Return the tract's MBF before and after defect and its share, by product and rule."""
    rows = appraisal.products
    if rows.empty:
        return None
    rows = rows[(rows["stand"] == "") & (rows["kind"] == "saw")]
    by_product = rows.groupby("product", sort=False)
    return _gross_and_net(
        appraisal,
        by_product[_SCALES].sum(),
        {rule: by_product["quantity_error_pct"].max() for rule in LOG_RULES},
        title="Product",
        foot="All saw products",
    )


def gross_net_by_stand(appraisal: Appraisal) -> Printed | None:
    """Return the stands' MBF before and after defect and the share it takes, by rule."""
    stands = appraisal.stands.set_index("stand")
    if len(stands) > MOST_STANDS_BY_PRODUCT:
        return None
    return _gross_and_net(
        appraisal,
        pd.DataFrame({name: stands[f"{name}_total"] for name in _SCALES}),
        {rule: stands[f"bf_{rule}_error_pct"] for rule in LOG_RULES},
        title="Stand",
        foot="Tract",
    )


def _gross_and_net(
    appraisal: Appraisal,
    sums: pd.DataFrame,
    errors: Mapping[str, pd.Series],
    *,
    title: str,
    foot: str,
) -> Printed | None:
    """Return gross and net MBF and the defect share by each rule; None without board feet."""
    sums = (
        sums[sums[f"gross_{head_measure(appraisal)}"] >= LEAST_QUANTITY * BF_PER_MBF] / BF_PER_MBF
    )
    if sums.empty:
        return None
    columns = [Column(name=title, cells=[str(name) for name in sums.index], words=True)]
    last = [foot]
    for rule in LOG_RULES:
        total_error = appraisal.total(f"bf_{rule}").sampling_error_pct
        error = errors[rule].reindex(sums.index)
        gross, net = sums[f"gross_bf_{rule}"], sums[f"bf_{rule}"]
        for name, scale in (("gross", gross), ("net", net)):
            cells = [figure(v, e, most=1) for v, e in zip(scale, error, strict=True)]
            columns.append(Column(name=SHORT_RULES[rule], unit=f"{name} MBF", cells=cells))
            last.append(figure(scale.sum(), total_error, most=1))
        columns.append(
            Column(
                name="Defect",
                unit="%",
                cells=[_lost_pct(g, n) for g, n in zip(gross, net, strict=True)],
            )
        )
        last.append(_lost_pct(gross.sum(), net.sum()))
    return Printed(columns=columns, foot=last)


def _lost_pct(gross: float, net: float) -> str:
    return f"{100 * (1 - net / gross):.1f}" if gross > 0 else NOT_KNOWN


def tree_logs_table(appraisal: Appraisal) -> Printed | None:
    """Return the drawn trees log by log: where cut, scale before and after defect, value, mill."""
    trees, logs = appraisal.typical_trees, appraisal.logs
    if trees.empty:
        return None
    head = head_measure(appraisal)
    rows = trees[["tally_row"]].reset_index(drop=True).merge(logs, on="tally_row", how="inner")
    rows = rows.assign(_name=[tree_name(r) for r in rows.to_dict("records")])
    columns = [
        Column(name="Tree", cells=first_of_each(rows["_name"]), words=True),
        Column(name="Log", cells=[count(v) for v in numbers(rows, "log")]),
        Column(
            name="From", unit="ft", cells=[figure(v, most=1) for v in numbers(rows, "bottom_ft")]
        ),
        Column(name="Length", unit="ft", cells=[f"{v:g}" for v in numbers(rows, "length_ft")]),
        Column(
            name="Small end",
            unit="in",
            cells=[figure(v, most=1) for v in numbers(rows, "small_dib_in")],
        ),
        Column(name="Product", cells=words(rows, "product"), words=True),
        Column(
            name="Gross",
            unit="bf",
            cells=[count(v) if v else "" for v in numbers(rows, f"gross_{head}")],
        ),
        Column(name="Net", unit="bf", cells=[count(v) if v else "" for v in numbers(rows, head)]),
        Column(
            name="Value",
            unit="$",
            cells=[dollars(v, cents=True) for v in numbers(rows, "value_usd")],
        ),
    ]
    nets = words_if_any(rows, "mill", "Nets most at")
    if nets:
        columns += [
            *nets,
            Column(
                name="Nets",
                unit="$",
                cells=_cents(rows[rows["mill"] != ""].reindex(rows.index), "mill_usd"),
            ),
            Column(
                name="Next best mill",
                cells=_at(rows, "second_mill_usd", "at", "second_mill"),
                words=True,
            ),
        ]
    if words_if_any(rows, "second_product", ""):
        columns.append(
            Column(
                name="Next best product",
                cells=_at(rows, "second_usd", "as", "second_product"),
                words=True,
            )
        )
    return Printed(columns=columns)


def _cents(rows: pd.DataFrame, column: str) -> list[str]:
    """Print money of single logs; nothing where there is none."""
    return ["" if math.isnan(v) else dollars(v, cents=True) for v in numbers(rows, column)]


def _at(rows: pd.DataFrame, usd: str, joined: str, name: str) -> list[str]:
    """Print what a log would bring and where or as what."""
    return [
        f"{money} {joined} {where}" if money else ""
        for money, where in zip(_cents(rows, usd), rows[name], strict=True)
    ]


def tree_name(record: Mapping[Hashable, Any]) -> str:
    """Name a tree by its plot, number, species and DBH."""
    return (
        f"Plot {record['plot']}, tree {record['tree']}: {record['species']}, "
        f"{record['dbh_in']:.1f} in"
    )


def conversion_tables(appraisal: Appraisal) -> tuple[list[tuple[str, Printed]], list[str]]:
    """Return the conversion sheet beside the rules of thumb, and the sources by number.

    Kinds that differ by a log rule alone, such as tons per MBF Doyle and per MBF Scribner, make one
    table with a column for each rule.
    """
    rows = appraisal.conversions
    if rows.empty:
        return [], []
    parted = [_part_rule(str(kind)) for kind in rows["kind"]]
    rows = rows.assign(
        _title=[title for title, _ in parted],
        _rule=[rule for _, rule in parted],
        condition=rows["condition"].fillna(""),
        source=rows["source"].fillna(""),
    )
    named = dict.fromkeys(s for cell in rows["source"] for s in _each_source(cell))
    sources = list(named)
    return [
        (str(title), _conversion_table(part, sources))
        for title, part in rows.groupby("_title", sort=False)
    ], sources


def _part_rule(kind: str) -> tuple[str, str]:
    """Part a kind of conversion from the last log rule it names.

    Examples
    --------
    >>> _part_rule("tons per MBF Doyle"), _part_rule("tons per cord")
    (('tons per MBF', 'Doyle'), ('tons per cord', ''))
    >>> _part_rule("overrun of International over Scribner, %")
    ('overrun of International, %', 'over Scribner')
    """
    found = list(_RULE_IN_WORDS.finditer(kind))
    if not found:
        return kind, ""
    last = found[-1]
    return kind[: last.start()] + kind[last.end() :], last[1]


def _each_source(cell: str) -> list[str]:
    return [source for source in str(cell).split("; ") if source]


def _conversion_table(part: pd.DataFrame, sources: list[str]) -> Printed:
    """Return one table: what it is of down, this tract and print by each rule across."""
    keys = ["group", "item", "condition"]
    place = {group: at for at, group in enumerate(part["group"].unique())}
    part = part.sort_values("group", key=lambda groups: groups.map(place), kind="stable")
    lines = part.drop_duplicates(keys)[keys]
    columns = [
        Column(name="Group", cells=first_of_each(lines["group"]), words=True),
        Column(name="Logs", cells=words(lines, "item"), words=True),
        Column(name="Size", cells=words(lines, "condition"), words=True),
    ]
    by_rule = {
        str(rule): lines.merge(own.drop_duplicates(keys), on=keys, how="left")
        for rule, own in part.groupby("_rule", sort=False)
    }
    for rule, own in by_rule.items():
        here = ["" if math.isnan(v) else _factor(v) for v in numbers(own, "here")]
        columns.append(Column(name=rule or "This tract", unit="here" if rule else "", cells=here))
    for rule, own in by_rule.items():
        columns.append(Column(name="In print", unit=rule, cells=_in_print(own)))
    most = part.groupby(keys, sort=False)["here_n"].max()
    cited = part.groupby(keys, sort=False)["source"].agg("; ".join)
    columns += [
        Column(name="From", unit="logs", cells=[count(v) if v > 0 else "" for v in most]),
        Column(name="Source", cells=[_cite(cell, sources) for cell in cited]),
    ]
    unneeded = ("Size", "In print", "Source")
    return Printed(columns=[c for c in columns if c.name not in unneeded or any(c.cells)])


def _in_print(own: pd.DataFrame) -> list[str]:
    """Print the published figure and, where figures part, their range."""
    cells = []
    for row in own[["published", "published_low", "published_high"]].itertuples(index=False):
        middle, low, high = (float(v) for v in row)
        text = "" if math.isnan(middle) else _factor(middle)
        if text and low < high:
            text += f" ({_factor(low)} to {_factor(high)})"
        cells.append(text)
    return cells


def _cite(cell: str, sources: list[str]) -> str:
    at = sorted({sources.index(source) + 1 for source in _each_source(cell)})
    return f"[{', '.join(str(n) for n in at)}]" if at else ""


def _factor(value: float) -> str:
    """Print a conversion factor to three digits.

    Examples
    --------
    >>> _factor(7.4263), _factor(0.6031), _factor(12666.0), _factor(38.24)
    ('7.43', '0.603', '12,666', '38.2')
    """
    if not math.isfinite(value):
        return NOT_KNOWN
    size = 0 if value == 0 else math.floor(math.log10(abs(value)))
    return f"{value:,.{max(0, 2 - size)}f}"


def form_class_table(appraisal: Appraisal) -> Printed | None:
    """Return form class by species: measured, of the stems used, and what it does to the scale.

    What it does is left out where the measured form class moves no stem of this appraisal.
    """
    if appraisal.form_classes.empty:
        return None
    rows = appraisal.form_classes[appraisal.form_classes["dbh_class_in"].isna()]
    rows = rows.sort_values("n", ascending=False, kind="stable")
    columns = [
        Column(name="Species", cells=words(rows, "species"), words=True),
        Column(name="Measured", unit="trees", cells=[count(v) for v in numbers(rows, "n")]),
        Column(
            name="Mean",
            unit="± standard error",
            cells=[
                figure(m, most=1) + (f" ±\N{NO-BREAK SPACE}{s:.1f}" if math.isfinite(s) else "")
                for m, s in zip(numbers(rows, "mean"), numbers(rows, "se"), strict=True)
            ],
        ),
        Column(name="Default", cells=[figure(v, most=1) for v in numbers(rows, "default")]),
    ]
    measured = count(rows["n"].sum())
    if appraisal.form_class_effect.empty:
        of_stems = [figure(v, most=1) for v in numbers(rows, "form_class_of_stems")]
        columns.insert(3, Column(name="Their stems here", cells=of_stems))
        return Printed(columns=columns, foot=["All species measured", measured, "", "", ""])
    change = appraisal.form_class_effect.set_index("species")[
        f"{head_measure(appraisal)}_change_pct"
    ]
    columns += [
        Column(name="Used", cells=[figure(v, most=1) for v in numbers(rows, "used")]),
        Column(
            name="Board feet",
            unit=f"{head_rule_name(appraisal)}, change",
            cells=[_signed_pct(change.get(name, math.nan)) for name in rows["species"]],
        ),
    ]
    whole = _signed_pct(change.get("all", math.nan))
    foot = ["The whole tract", measured, "", "", "", whole]
    return Printed(columns=columns, foot=foot)


def _signed_pct(value: float) -> str:
    """Print a change with its sign.

    Examples
    --------
    >>> _signed_pct(4.8), _signed_pct(-0.003)
    ('+4.8%', '0.0%')
    """
    if not math.isfinite(value):
        return NOT_KNOWN
    rounded = round(float(value), 1)
    return f"{rounded:+.1f}%" if rounded else "0.0%"
