"""Tables of the sale: offers, break-even prices, mills, ways to buck."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import pandas as pd

from standmap.report.cells import (
    Column,
    Printed,
    errors,
    estimates,
    first_of_each,
    numbers,
    words,
    words_if_any,
)
from standmap.report.numbers import (
    NOT_KNOWN,
    count,
    dollars,
    dollars_apart,
    figure,
    percent,
    told_apart,
)
from standmap.report.printed import LEAST_QUANTITY, MOST_STANDS_BY_PRODUCT
from standmap.report.risk_tables import limit_words
from standmap.report.words import METHOD_NAMES, SHORT_RULES
from standmap.units import LOG_RULES
from standmap.value import SALE_UNITS, unit_label

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

_UNSURE: Final = " *"
"""Marks a difference that the cruise cannot tell from nothing."""


def offers_table(appraisal: Appraisal) -> Printed | None:
    """Return the offers on the same logs, best first, with how far each is behind the best."""
    offers = appraisal.offers
    if offers.empty:
        return None
    offers = offers.sort_values("rank", kind="stable")
    unpriced = offers["unpriced_logs"] > 0
    columns = [
        Column(name="Rank", cells=[count(v) for v in numbers(offers, "rank")], words=True),
        Column(name="Offer", cells=words(offers, "offer"), words=True),
        Column(
            name="Worth on these logs",
            unit="$",
            cells=estimates(offers, "value_usd", "value_error_pct", money=True),
        ),
        Column(
            name="Error",
            unit="±",
            cells=[
                "none" if error == 0 else percent(error)
                for error in numbers(offers, "value_error_pct")
            ],
        ),
        Column(
            name="Behind the best",
            unit="$ ± paired error",
            cells=[
                _difference(less, error) if less else ""
                for less, error in zip(
                    numbers(offers, "less_than_best_usd"),
                    numbers(offers, "less_error_pct"),
                    strict=True,
                )
            ],
        ),
    ]
    if unpriced.any():
        columns.append(
            Column(
                name="Logs not priced",
                unit="tallied",
                cells=[count(v) if v else "" for v in numbers(offers, "unpriced_logs")],
            )
        )
    return Printed(columns=columns, loud=unpriced.tolist())


def _difference(more: float, error_pct: float) -> str:
    """Print a difference in dollars and mark it if it cannot be told from nothing."""
    return dollars_apart(more, error_pct) + ("" if told_apart(error_pct) else _UNSURE)


def has_unsure(printed: Printed | None) -> bool:
    """Tell whether a table marks any difference as too small for the cruise to tell."""
    return printed is not None and any(
        cell.endswith(_UNSURE) for row in [*printed.rows, printed.foot] for cell in row
    )


def break_even_table(appraisal: Appraisal) -> Printed | None:
    """Return prices that pay the same for the same logs: one row a quoted price."""
    rows = appraisal.break_even
    if rows.empty:
        return None
    keys = [key for key in ("offer", "product", "species", "rule_b", "price_b_usd") if key in rows]
    wide = rows.pivot_table(
        index=keys, columns="rule_a", values="price_a_usd", aggfunc="first", sort=False
    )
    there = [str(unit) for unit in dict.fromkeys(rows["rule_a"])]
    known = [unit_label(unit, rule) for unit, rule in SALE_UNITS]
    units = sorted(there, key=lambda unit: known.index(unit) if unit in known else len(known))
    wide = wide[units].reset_index()
    columns = [
        *([Column(name="Offer", cells=first_of_each(wide["offer"]), words=True)]
          if "offer" in keys else []),
        Column(
            name="Product",
            cells=[
                ", ".join(filter(None, (name, kind))) or "all"
                for name, kind in zip(
                    words(wide, "product"),
                    words(wide, "species") if "species" in keys else [""] * len(wide),
                    strict=True,
                )
            ],
            words=True,
        ),
        Column(
            name="Quoted",
            cells=[
                f"{_price(price)} per {_unit_name(unit)}"
                for unit, price in zip(
                    words(wide, "rule_b"), numbers(wide, "price_b_usd"), strict=True
                )
            ],
        ),
        *(
            Column(
                name=_unit_name(unit),
                unit="$",
                cells=[
                    "" if math.isnan(price) else _price(price) for price in numbers(wide, unit)
                ],
            )
            for unit in units
        ),
    ]  # fmt: skip
    return Printed(columns=columns)


def same_money(appraisal: Appraisal) -> str:
    """Say what $100 by the tract's leading rule comes to by the others, on all its sawlogs."""
    lead = appraisal.settings.volume.log_rule
    bf = {rule: appraisal.total(f"bf_{rule}").mean for rule in LOG_RULES}
    if not all(bf.values()):
        return ""
    others = [
        f"{dollars(100 * bf[lead] / bf[rule], cents=True)} {SHORT_RULES[rule]}"
        for rule in LOG_RULES
        if rule != lead
    ]
    said = f"{', '.join(others[:-1])} or {others[-1]}"
    return (
        f"On all the sawlogs of this tract together, $100 per MBF {SHORT_RULES[lead]} is the same "
        f"money as {said}."
    )


def _unit_name(unit: str) -> str:
    """Print a unit of sale; a bare log rule is a thousand board feet by it."""
    return f"MBF {SHORT_RULES[unit]}" if unit in SHORT_RULES else unit


def _price(price_usd: float) -> str:
    return dollars(price_usd, cents=abs(price_usd) < 100)


def mills_table(appraisal: Appraisal) -> Printed | None:
    """Return where the products go: quantity, loads, delivered and stumpage value by mill."""
    if appraisal.mills.empty:
        return None
    rows = appraisal.mills[appraisal.mills["quantity"] >= LEAST_QUANTITY]
    best_mill = rows.groupby("mill")["stumpage_usd"].transform("sum")
    rows = rows.assign(_of_mill=best_mill).sort_values(
        ["_of_mill", "mill", "stumpage_usd"], ascending=False, kind="stable"
    )
    limited = rows["limited"].astype(bool)
    columns = [
        Column(name="Mill", cells=first_of_each(rows["mill"]), words=True),
        Column(name="Product", cells=words(rows, "product"), words=True),
        *_mill_species(rows),
        Column(name="Quantity", cells=estimates(rows, "quantity", "quantity_error_pct", most=1)),
        Column(name="Unit", cells=words(rows, "quantity_label"), words=True),
        Column(name="Error", unit="±", cells=errors(rows, "quantity_error_pct", "quantity")),
        Column(name="Tons", cells=estimates(rows, "tons", "quantity_error_pct")),
        Column(name="Loads", cells=estimates(rows, "loads", "quantity_error_pct")),
        Column(
            name="Delivered",
            unit="$",
            cells=estimates(rows, "delivered_usd", "quantity_error_pct", money=True),
        ),
        Column(
            name="Stumpage",
            unit="$",
            cells=estimates(rows, "stumpage_usd", "stumpage_error_pct", money=True),
        ),
        Column(name="Error", unit="±", cells=errors(rows, "stumpage_error_pct", "stumpage_usd")),
    ]
    columns = [c for c in columns if c.name not in ("Loads", "Delivered") or _any_known(c)]
    # A sum of mills is rounded as the tract's own figure is: their errors are not independent.
    weighed = appraisal.total("weight_tons").sampling_error_pct
    worth = appraisal.total("value_usd").sampling_error_pct
    sums = {
        "Mill": "All mills",
        "Tons": figure(rows["tons"].sum(), weighed),
        "Loads": figure(rows["loads"].sum(), weighed),
        "Stumpage": dollars(rows["stumpage_usd"].sum(), worth),
    }
    foot = [sums.get(column.name, "") for column in columns]
    return Printed(columns=columns, foot=foot, loud=limited.tolist())


def limits_table(appraisal: Appraisal) -> Printed | None:
    """Return the mills that take only so much: the limit, what they get, what one more brings."""
    mills = appraisal.mills
    rows = mills[mills["limit"].notna() | mills["limit_loads"].notna()] if len(mills) else mills
    if rows.empty:
        return None
    limited = rows["limited"].astype(bool)
    gets = [
        f"{amount} {unit}"
        for amount, unit in zip(
            estimates(rows, "quantity", "quantity_error_pct", most=1),
            words(rows, "quantity_label"),
            strict=True,
        )
    ]
    most = [
        limit_words(own, loads, unit)
        for own, loads, unit in zip(
            numbers(rows, "limit"),
            numbers(rows, "limit_loads"),
            words(rows, "quantity_label"),
            strict=True,
        )
    ]
    more = [
        f"+{_price(v)}" if full and math.isfinite(v) else ""
        for full, v in zip(limited, numbers(rows, "shadow_usd"), strict=True)
    ]
    return Printed(
        columns=[
            Column(name="Mill", cells=first_of_each(rows["mill"]), words=True),
            Column(name="Product", cells=words(rows, "product"), words=True),
            Column(name="Takes at most", cells=most),
            Column(name="Gets", cells=gets),
            Column(name="Loads", cells=estimates(rows, "loads", "quantity_error_pct")),
            Column(name="Full", cells=["yes" if full else "no" for full in limited], words=True),
            Column(name="One more load", unit="$ to the tract", cells=more),
        ],
        loud=limited.tolist(),
    )


def sent_sentence(appraisal: Appraisal) -> str:
    """Say which products go to a mill that the tract file states; blank where none does."""
    sheet = appraisal.tract.mills
    if sheet is None or not sheet.stated:
        return ""
    sent = "; ".join(f"{product} to {mill}" for product, mill in sheet.stated.items())
    return f"Sent where the tract file says, whatever other mills would pay: {sent}."


def _mill_species(rows: pd.DataFrame) -> list[Column]:
    """Return the species a mill's line is for; beside such lines a blank one is for the others."""
    if not words_if_any(rows, "species", ""):
        return []
    some = rows["species"].astype(str)
    apart = (some != "").groupby([rows["mill"], rows["product"]]).transform("any")
    cells = [name or ("others" if a else "") for name, a in zip(some, apart, strict=True)]
    return [Column(name="Species", cells=cells, words=True)]


def _any_known(column: Column) -> bool:
    return any(cell != NOT_KNOWN for cell in column.cells)


def bucking_table(appraisal: Appraisal) -> Printed | None:
    """Return the value of each stand under each way to buck, and what a change is worth."""
    values = appraisal.bucking_values
    if values.empty or values["stand"].nunique() > MOST_STANDS_BY_PRODUCT + 1:
        values = values[values["stand"] == ""] if len(values) else values
    if values.empty or not values["value_usd"].sum() > 0:
        return None
    stands = list(dict.fromkeys(values.loc[values["stand"] != "", "stand"].astype(str)))
    by = {
        str(method): {str(row["stand"]): row for row in rows.to_dict("records")}
        for method, rows in values.groupby("method")
    }
    methods = [m for m in METHOD_NAMES if m in by]

    def cells(method: str, stand: str) -> list[str]:
        row = by[method].get(stand)
        if row is None:
            return [NOT_KNOWN] * (1 if method == "field" else 2)
        shown = [dollars(row["value_usd"], row["value_error_pct"])]
        if method != "field":
            shown.append(_difference(row["more_than_field_usd"], row["more_error_pct"]))
        return shown

    lines = [[cell for m in methods for cell in cells(m, stand)] for stand in [*stands, ""]]
    heads: list[tuple[str, str]] = []
    for method in methods:
        heads.append((METHOD_NAMES[method], "$"))
        if method != "field":
            heads.append(("More than field", "$ ± paired error"))
    columns = [Column(name="Stand", cells=stands, words=True)]
    columns += [
        Column(name=name, unit=unit, cells=[line[at] for line in lines[:-1]])
        for at, (name, unit) in enumerate(heads)
    ]
    foot = ["Tract", *lines[-1]] if "" in by[methods[0]] else []
    return Printed(columns=columns, foot=foot)
