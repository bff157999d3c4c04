"""Tables as the report prints them: strings ready to be set, units in the headings."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

import pandas as pd

from standmap.report.cells import Column, Printed, errors, estimates, numbers, words, words_once
from standmap.report.names import (
    head_measure,
    head_rule_name,
    is_valued,
    tallies_small_trees_on_points,
)
from standmap.report.numbers import acres, count, dollars, figure, percent
from standmap.report.words import SHORT_RULES
from standmap.units import BF_PER_MBF

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal
    from standmap.cruise import Estimate

MOST_CLASSES: Final = 14
"""DBH classes printed across a page; larger ones are added into the last."""
MOST_SPECIES: Final = 18
MOST_STANDS_BY_PRODUCT: Final = 40
LEAST_QUANTITY: Final = 0.05
"""Smaller quantities print as 0.0 and are left out of printed lists; the workbook has them."""
LEAST_ACRES: Final = 0.005


BORROWED_MARKS: Final = {"": "", "stratum": " †", "tract": " ‡"}


def marked_as_borrowed(frame: pd.DataFrame, column: str) -> list[str]:
    """Return names with a mark after each whose figures are borrowed, in whole or in part."""
    pairs = zip(words(frame, column), words(frame, "borrowed"), strict=True)
    return [name + BORROWED_MARKS.get(of, "") for name, of in pairs]


def stands_table(appraisal: Appraisal) -> Printed:
    """Return the stands: acres, plots, the crop per acre, volume and value with errors."""
    stands = appraisal.stands
    head = head_measure(appraisal)
    columns = [
        Column(name="Stand", cells=marked_as_borrowed(stands, "stand"), words=True),
        Column(name="Stratum", cells=words(stands, "stratum"), words=True),
        Column(name="Gross", unit="ac", cells=[acres(v) for v in numbers(stands, "gross_acres")]),
        Column(name="Net", unit="ac", cells=[acres(v) for v in numbers(stands, "net_acres")]),
        Column(name="Plots", cells=[count(v) for v in numbers(stands, "plots")]),
        Column(
            name=f"Trees{' §' if tallies_small_trees_on_points(appraisal) else ''}",
            unit="/ac",
            cells=estimates(stands, "trees_per_acre", "trees_error_pct"),
        ),
        Column(
            name="Basal area",
            unit="sq ft/ac",
            cells=estimates(stands, "basal_area_sqft_per_acre", "basal_area_sqft_error_pct"),
        ),
        Column(name="QMD", unit="in", cells=[figure(v, most=1) for v in numbers(stands, "qmd_in")]),
        Column(
            name="Sawtimber",
            unit="bf/ac",
            cells=estimates(stands, f"{head}_per_acre", f"{head}_error_pct"),
        ),
        *(
            Column(
                name="MBF",
                unit=name,
                cells=estimates(
                    stands, f"{scale}_total", f"{head}_error_pct", most=1, divide=BF_PER_MBF
                ),
            )
            for name, scale in (("gross", f"gross_{head}"), ("net", head))
        ),
        Column(name="Error", unit="±", cells=errors(stands, f"{head}_error_pct", f"{head}_total")),
    ]
    volume = appraisal.total(head).times(1 / BF_PER_MBF)
    gross = appraisal.total(f"gross_{head}").times(1 / BF_PER_MBF)
    foot = [
        "Tract",
        "",
        acres(appraisal.gross_acres),
        acres(appraisal.net_acres),
        count(stands["plots"].sum()),
        "",
        "",
        "",
        "",
        figure(gross.mean, volume.sampling_error_pct, most=1),
        figure(volume.mean, volume.sampling_error_pct, most=1),
        percent(volume.sampling_error_pct),
    ]
    if is_valued(appraisal):
        value = appraisal.total("value_usd")
        columns += [
            Column(
                name="Value",
                unit="$/ac",
                cells=estimates(stands, "value_usd_per_acre", "value_usd_error_pct", money=True),
            ),
            Column(
                name="Value",
                unit="$",
                cells=estimates(stands, "value_usd_total", "value_usd_error_pct", money=True),
            ),
            Column(
                name="Error",
                unit="±",
                cells=errors(stands, "value_usd_error_pct", "value_usd_total"),
            ),
        ]
        error = value.sampling_error_pct
        foot += ["", dollars(value.mean, error), percent(error)]
    return Printed(columns=columns, foot=foot, loud=[b != "" for b in stands["borrowed"]])


def _product_columns(appraisal: Appraisal, rows: pd.DataFrame, *, with_price: bool) -> list[Column]:
    quantity = estimates(rows, "quantity", "quantity_error_pct", most=1)
    columns = [
        Column(name="Product", cells=words(rows, "product"), words=True),
        Column(name="Quantity", cells=quantity),
        Column(name="Unit", cells=words(rows, "quantity_label"), words=True),
        Column(name="Error", unit="±", cells=errors(rows, "quantity_error_pct", "quantity")),
        *_scale_columns(appraisal, rows),
    ]
    if not is_valued(appraisal):
        return columns
    priced = [bool(u) for u in rows["unit"]]

    def where_priced(cells: list[str], otherwise: str = "") -> list[str]:
        return [cell if p else otherwise for cell, p in zip(cells, priced, strict=True)]

    if with_price:
        prices = [dollars(v, cents=v < 100) for v in numbers(rows, "price_usd")]
        columns.append(Column(name="Mean price", unit="$ per unit", cells=where_priced(prices)))
    return [
        *columns,
        Column(
            name="Value",
            unit="$",
            cells=where_priced(
                estimates(rows, "value_usd", "value_error_pct", money=True), "no price"
            ),
        ),
        Column(
            name="Error",
            unit="±",
            cells=where_priced(errors(rows, "value_error_pct", "value_usd")),
        ),
    ]


def _scale_columns(appraisal: Appraisal, rows: pd.DataFrame) -> list[Column]:
    """Return board feet before and after defect by the leading rule; blank for bulk wood."""
    head, rule = head_measure(appraisal), appraisal.settings.volume.log_rule
    sawn = [v > 0 for v in numbers(rows, f"gross_{head}")]

    def where_sawn(cells: list[str]) -> list[str]:
        return [cell if saw else "" for cell, saw in zip(cells, sawn, strict=True)]

    return [
        *(
            Column(
                name=SHORT_RULES[rule],
                unit=f"{name} MBF",
                cells=where_sawn(
                    estimates(rows, scale, "quantity_error_pct", most=1, divide=BF_PER_MBF)
                ),
            )
            for name, scale in (("gross", f"gross_{head}"), ("net", head))
        ),
        Column(
            name="Defect",
            unit="%",
            cells=where_sawn([figure(v, most=1) for v in numbers(rows, f"defect_{rule}_pct")]),
        ),
    ]


def products_table(appraisal: Appraisal) -> Printed:
    """Return the products of the whole tract, best first, with their share of the value."""
    rows = appraisal.products[
        (appraisal.products["stand"] == "") & (appraisal.products["quantity"] >= LEAST_QUANTITY)
    ]
    columns = _product_columns(appraisal, rows, with_price=True)
    if not is_valued(appraisal):
        return Printed(columns=columns)
    value = appraisal.total("value_usd")
    shares = [
        f"{100 * v / value.mean:.0f}%" if u else ""
        for v, u in zip(rows["value_usd"], rows["unit"], strict=True)
    ]
    columns.append(Column(name="Share", cells=shares))
    error = value.sampling_error_pct
    head = head_measure(appraisal)
    scaled = appraisal.total(head).sampling_error_pct
    gross, net = appraisal.total(f"gross_{head}").mean, appraisal.total(head).mean
    scale = [figure(v / BF_PER_MBF, scaled, most=1) for v in (gross, net)]
    defect = f"{100 * (1 - net / gross):.1f}" if gross > 0 else ""
    foot = ["Tract", "", "", "", *scale, defect, "", dollars(value.mean, error), percent(error), ""]
    return Printed(columns=columns, foot=foot, loud=[not u for u in rows["unit"]])


def products_by(appraisal: Appraisal, frame: pd.DataFrame, by: str, title: str) -> Printed | None:
    """Return products by stand or by unit; None where there are too many to print, or none."""
    rows = frame[(frame[by] != "") & (frame["quantity"] >= LEAST_QUANTITY)]
    if rows.empty or rows[by].nunique() > MOST_STANDS_BY_PRODUCT:
        return None
    return Printed(
        columns=[
            Column(name=title, cells=words_once(rows, by), words=True),
            *_product_columns(appraisal, rows, with_price=False),
        ]
    )


def crop_table(table: pd.DataFrame, column: str, *, most: int) -> Printed | None:
    """Return a stand or stock table as species down and DBH classes across.

    Parameters
    ----------
    table : DataFrame
        Long table with ``species``, ``dbh_class_in`` and ``column``.
    column : str
        What to print, per acre.
    most : int
        Decimals printed.
    """
    if table.empty or not (table[column] > 0).any():
        return None
    wide = table.pivot_table(
        index="species", columns="dbh_class_in", values=column, aggfunc="sum", fill_value=0.0
    )
    wide = wide.loc[:, wide.sum() > 0]
    if wide.shape[1] > MOST_CLASSES:
        last = wide.columns[MOST_CLASSES - 1]
        wide[last] = wide.loc[:, last:].sum(axis=1)
        wide = wide.loc[:, :last]
    over = wide.shape[1] == MOST_CLASSES
    wide = wide.loc[wide.sum(axis=1).sort_values(ascending=False).index]
    wide = wide[wide.sum(axis=1) > 0]
    if len(wide) > MOST_SPECIES:
        rest = wide.iloc[MOST_SPECIES - 1 :].sum()
        wide = wide.iloc[: MOST_SPECIES - 1]
        wide.loc["all other species"] = rest

    def cell(value: float) -> str:
        text = figure(value, most=most)
        # An empty class prints nothing; a trace prints as a trace.
        return "" if value == 0 else text if float(text.replace(",", "")) > 0 else "·"

    classes = [
        Column(
            name=f"{float(c):g}{'+' if over and at == wide.shape[1] - 1 else ''}",
            cells=[cell(v) for v in wide[c]],
        )
        for at, c in enumerate(wide.columns)
    ]
    return Printed(
        columns=[
            Column(
                name="Species",
                unit="DBH class, in:",
                cells=[str(n) for n in wide.index],
                words=True,
            ),
            *classes,
            Column(name="All", cells=[cell(v) for v in wide.sum(axis=1)]),
        ],
        foot=["All species", *(cell(v) for v in wide.sum()), cell(float(wide.to_numpy().sum()))],
    )


def units_table(appraisal: Appraisal) -> Printed | None:
    """Return the harvest units: where every acre goes, volume and value, conflicts set off."""
    units = appraisal.units
    if units is None or units.empty:
        return None
    head = head_measure(appraisal)
    columns = [
        Column(name="Unit", cells=marked_as_borrowed(units, "unit"), words=True),
        Column(
            name="Plots", unit="in it", cells=[count(v) for v in numbers(units, "plots_inside")]
        ),
    ]
    for name, column in (
        ("Gross", "gross_acres"),
        ("In buffers", "buffer_acres"),
        ("In exclusions", "exclusion_acres"),
        ("Outside stands", "outside_acres"),
        ("In another unit", "overlap_acres"),
        ("Net", "net_acres"),
    ):
        always = column in ("gross_acres", "net_acres")
        if column in units and (always or (units[column] >= LEAST_ACRES).any()):
            columns.append(
                Column(name=name, unit="ac", cells=[acres(v) for v in numbers(units, column)])
            )
    columns += [
        *(
            Column(
                name=head_rule_name(appraisal),
                unit=f"{name} MBF",
                cells=estimates(
                    units, f"{scale}_total", f"{head}_error_pct", most=1, divide=BF_PER_MBF
                ),
            )
            for name, scale in (("gross", f"gross_{head}"), ("net", head))
        ),
        Column(name="Error", unit="±", cells=errors(units, f"{head}_error_pct", f"{head}_total")),
    ]
    if is_valued(appraisal):
        columns += [
            Column(
                name="Value",
                unit="$",
                cells=estimates(units, "value_usd_total", "value_usd_error_pct", money=True),
            ),
            Column(
                name="Error",
                unit="±",
                cells=errors(units, "value_usd_error_pct", "value_usd_total"),
            ),
        ]
    return Printed(columns=columns, loud=[bool(c) for c in units["conflict"]])


def must_stay_table(appraisal: Appraisal) -> Printed | None:
    """Return what stands in stream buffers and exclusions."""
    rows = appraisal.must_stay
    if rows is None or rows.empty:
        return None
    head = head_measure(appraisal)
    bare = rows["bare"].astype(bool)

    def timber(cells: list[str]) -> list[str]:
        return ["" if none else cell for none, cell in zip(bare, cells, strict=True)]

    columns = [
        Column(
            name="Why it stays",
            words=True,
            cells=[
                (f"{reason}, {name}" if name else reason) + (" (no timber)" if none else "")
                for reason, name, none in zip(
                    words(rows, "reason"), words(rows, "class"), bare, strict=True
                )
            ],
        ),
        Column(name="Acres", unit="ac", cells=[acres(v) for v in numbers(rows, "acres")]),
        Column(
            name=head_rule_name(appraisal),
            unit="MBF",
            cells=timber(estimates(rows, head, f"{head}_error_pct", most=1, divide=BF_PER_MBF)),
        ),
        Column(name="Error", unit="±", cells=errors(rows, f"{head}_error_pct", head)),
    ]
    if is_valued(appraisal):
        columns += [
            Column(
                name="Value",
                unit="$",
                cells=timber(estimates(rows, "value_usd", "value_usd_error_pct", money=True)),
            ),
            Column(name="Error", unit="±", cells=errors(rows, "value_usd_error_pct", "value_usd")),
        ]
    return Printed(columns=columns)


def ground_table(appraisal: Appraisal) -> Printed | None:
    """Return slope and canopy height by stand; None without rasters."""
    stands = appraisal.stands
    columns = [Column(name="Stand", cells=words(stands, "stand"), words=True)]
    for column, name, unit in (
        ("slope_pct", "Mean slope", "%"),
        ("canopy_height_ft", "Top height from canopy", "ft"),
        ("canopy_error_ft", "Its error", "ft"),
    ):
        if column in stands and stands[column].notna().any():
            columns.append(
                Column(name=name, unit=unit, cells=[figure(v) for v in numbers(stands, column)])
            )
    return Printed(columns=columns) if len(columns) > 1 else None


def heights_table(appraisal: Appraisal) -> Printed | None:
    """Return the height curves fitted to the tract's own trees."""
    curves = appraisal.height_curves
    if curves is None or curves.empty:
        return None
    used = curves[curves["filled"] > 0] if "filled" in curves else curves
    if used.empty:
        return None
    columns = [
        Column(name="Curve for", cells=words(used, "name"), words=True),
        Column(name="Form", cells=words(used, "form"), words=True),
        Column(name="Measured", unit="trees", cells=[count(v) for v in numbers(used, "n")]),
        Column(
            name="DBH range",
            unit="in",
            cells=[
                f"{low:.0f} to {high:.0f}"
                for low, high in zip(used["min_dbh_in"], used["max_dbh_in"], strict=True)
            ],
        ),
        Column(
            name="Residual error",
            unit="ft, rmse",
            cells=[figure(v, most=1) for v in numbers(used, "rmse_ft")],
        ),
        Column(
            name="On trees left out",
            unit="ft, rmse",
            cells=[figure(v, most=1) for v in numbers(used, "cv_rmse_ft")],
        ),
    ]
    if "stand_sd_pct" in used:
        spread = [f"{v:.0f}%" if v > 0 else "" for v in numbers(used, "stand_sd_pct")]
        columns.append(Column(name="Stands differ by", unit="sd", cells=spread))
    for column, name in (("filled", "Heights filled"), ("extrapolated", "Of them, beyond range")):
        if column in used:
            columns.append(
                Column(name=name, unit="trees", cells=[count(v) for v in numbers(used, column)])
            )
    return Printed(columns=columns)


def ledger_table(appraisal: Appraisal, *, most: int = 40) -> Printed | None:
    """Return the ledger, like entries counted together, the most frequent first."""
    ledger = appraisal.ledger
    if ledger is None or ledger.empty:
        return None
    keys = ["action", "file", "column", "why"]
    counts = ledger[keys].astype(str).value_counts().rename("rows").reset_index().head(most)
    return Printed(
        columns=[
            Column(name="Done", cells=words(counts, "action"), words=True),
            Column(name="File", cells=words(counts, "file"), words=True),
            Column(name="Column", cells=words(counts, "column"), words=True),
            Column(name="Why", cells=words(counts, "why"), words=True),
            Column(name="Rows", cells=[count(v) for v in counts["rows"]]),
        ]
    )


FLOOR_MARK: Final = " *"
FLOOR_NOTE: Final = (
    "* The interval reaches below zero, as a wide one can; a figure that cannot be negative is "
    "printed with 0 as its low end."
)
"""Said wherever an interval was cut off at zero."""


def interval_floored(found: Estimate) -> bool:
    """Tell whether the low end of an interval falls below zero and is printed as 0."""
    return found.mean >= 0 > found.interval[0]


def interval_text(found: Estimate, *, money: bool) -> tuple[str, str]:
    """Return both ends of an interval, to the place the error supports; no end is below zero.

    Examples
    --------
    >>> from standmap.cruise import Estimate
    >>> interval_text(Estimate(mean=100_000, se=7_300, n=41, df=40), money=True)
    ('$88,000', '$112,000')
    """
    ends = []
    for end in (max(found.interval[0], 0.0), found.interval[1]):
        spread = 100 * found.half_width / end if end > 0 else math.nan
        ends.append(dollars(end, spread) if money else figure(end, spread, most=1))
    return ends[0], ends[1]
