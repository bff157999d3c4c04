"""Tables of the cruise page: strata, ratios, stands, intervals, weighty plots, cells."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import pandas as pd

from standmap.report.cells import Column, Printed, estimates, numbers, words
from standmap.report.names import head_measure, head_rule_name
from standmap.report.numbers import NOT_KNOWN, count, dollars, figure, percent, plus_minus, signed
from standmap.report.words import RULE_NAMES
from standmap.steps.leverage import FAR_SD

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

MOST_CELL_ERROR_PCT: Final = 50.0
"""A cell of a stand table is printed with its error up to this, and grey past it."""
MOST_SPECIES: Final = 15
MOST_STANDS: Final = 60
MOST_RATIOS: Final = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class CropCell:
    """One cell of a stand or stock table.

    Attributes
    ----------
    text : str
        The figure; blank for none.
    error : str
        Its error; blank where it is past the limit.
    faint : bool
        Past the limit: too few trees to lean on.
    """

    text: str = ""
    error: str = ""
    faint: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Crop:
    """A stand or stock table with the error of each cell.

    Attributes
    ----------
    title : str
        What it shows, with its unit.
    classes : list of str
        DBH classes, and the margin.
    rows : list of (str, list of CropCell)
        Species, and all of them together last.
    left_out : int
        Species with too little to be printed; they are in the last row.
    """

    title: str
    classes: list[str]
    rows: list[tuple[str, list[CropCell]]]
    left_out: int


def measure_words(measure: str) -> tuple[str, str]:
    """Return a measure's name and its unit per acre."""
    if measure == "value_usd":
        return "Value", "$/ac"
    if measure == "volume_cuft":
        return "Volume", "cu ft/ac"
    return RULE_NAMES[measure.removeprefix("bf_")], "bf/ac"


def _money(measure: str) -> bool:
    return measure == "value_usd"


def strata_table(appraisal: Appraisal) -> Printed:
    """Return how each stratum was cruised."""
    strata = appraisal.cruise.strata
    columns = [
        Column(name="Stratum", cells=words(strata, "stratum"), words=True),
        Column(name="Stands", cells=[count(v) for v in numbers(strata, "stands")]),
        Column(name="Plots", cells=[count(v) for v in numbers(strata, "plots")]),
    ]
    if (strata["plots"] != strata["measured"]).any():
        columns.append(Column(name="Measured", cells=[count(v) for v in strata["measured"]]))
    columns.append(Column(name="Trees chosen by", cells=words(strata, "design"), words=True))
    return Printed(columns=columns)


def ratios_table(appraisal: Appraisal) -> Printed | None:
    """Return the ratios or lines that figures come by, with their errors."""
    ratios = appraisal.cruise.ratios
    wanted = [head_measure(appraisal), "volume_cuft"]
    ratios = ratios[ratios["measure"].isin(wanted)].head(MOST_RATIOS)
    if ratios.empty:
        return None
    units = {"volume_cuft": "cu ft", head_measure(appraisal): f"bf {head_rule_name(appraisal)}"}
    named = [" of ".join(n for n in pair if n) or "the tract" for pair in
             zip(words(ratios, "class"), words(ratios, "group"), strict=True)]  # fmt: skip
    per = zip(words(ratios, "measure"), words(ratios, "per"), strict=True)
    columns = [
        Column(name="Of", cells=named, words=True),
        Column(name="Measured", cells=[count(v) for v in numbers(ratios, "measured")]),
        Column(name="Unit", cells=[f"{units[m]} per {p}" for m, p in per], words=True),
    ]
    if ratios["intercept"].notna().any():
        columns.append(
            Column(name="At zero", cells=[figure(v, most=1) for v in numbers(ratios, "intercept")])
        )
    columns += [
        Column(name="Coefficient", cells=estimates(ratios, "coefficient", "error_pct", most=3)),
        Column(name="Error", unit="±", cells=[percent(v) for v in numbers(ratios, "error_pct")]),
    ]
    return Printed(columns=columns)


def stands_table(appraisal: Appraisal) -> Printed:
    """Return plots, spread and error by stand, the least sure first."""
    cruise = appraisal.cruise
    stands = cruise.stands.assign(_none=cruise.stands["error_pct"].isna())
    stands = stands.sort_values(["_none", "error_pct"], ascending=[True, False]).head(MOST_STANDS)
    name, unit = measure_words(cruise.measure)
    marks = {"": "", "stratum": " †", "tract": " ‡"}
    named = [n + marks.get(b, "") for n, b in
             zip(words(stands, "stand"), words(stands, "borrowed"), strict=True)]  # fmt: skip
    columns = [
        Column(name="Stand", cells=named, words=True),
        Column(name="Stratum", cells=words(stands, "stratum"), words=True),
        Column(name="Plots", cells=[count(v) for v in numbers(stands, "plots")]),
    ]
    if (stands["plots"] != stands["measured"]).any():
        columns.append(Column(name="Measured", cells=[count(v) for v in stands["measured"]]))
    if stands["cv_pct"].notna().any():
        spread = [percent(v) if math.isfinite(v) else NOT_KNOWN for v in stands["cv_pct"]]
        columns.append(Column(name="Plots differ by", unit="cv", cells=spread))
    columns += [
        Column(
            name=name,
            unit=unit,
            cells=estimates(stands, "per_acre", "error_pct", money=_money(cruise.measure)),
        ),
        Column(name="Error", unit="±", cells=[percent(v) for v in numbers(stands, "error_pct")]),
    ]
    return Printed(columns=columns, loud=[b != "" for b in stands["borrowed"]])


def checks_table(appraisal: Appraisal) -> Printed:
    """Return the intervals of the tract's leading measures, made in several ways."""
    checks = appraisal.cruise.checks
    rows = [_check_cells(appraisal, row) for row in checks.to_dict("records")]
    made = [list(cells) for cells in zip(*rows, strict=True)] if rows else [[]] * 7
    columns = [
        Column(name="Tract", cells=made[0], words=True),
        Column(name="Estimate", cells=made[1]),
        Column(name="Error", unit="±", cells=made[2]),
        Column(name="Interval", unit="Student's t", cells=made[3]),
        Column(name="Interval", unit="bootstrap", cells=made[4]),
        Column(name="Error as random", unit="±", cells=made[5]),
        Column(name="Error of neighbours", unit="±", cells=made[6]),
    ]
    told = [c for c in columns if c.name == "Tract" or any(v != NOT_KNOWN for v in c.cells)]
    return Printed(columns=told)


def _check_cells(appraisal: Appraisal, row: Mapping[Hashable, Any]) -> list[str]:
    measure, error = str(row["measure"]), float(row["error_pct"])
    divide = 1000.0 if measure.startswith("bf_") else 1.0

    def shown(value: float) -> str:
        if not math.isfinite(value):
            return NOT_KNOWN
        # Every figure of the row is rounded to what the half-width supports.
        share = abs(float(row["estimate"]) * error / value) if value else math.nan
        return (dollars if _money(measure) else figure)(value / divide, share)

    def ends(low: str, high: str) -> str:
        known = math.isfinite(row[low])
        return f"{shown(row[low])} to {shown(row[high])}" if known else NOT_KNOWN

    names = {"value_usd": "Value, $", "volume_cuft": "Volume, cu ft"}
    return [
        names.get(measure, f"{head_rule_name(appraisal)}, MBF"),
        shown(row["estimate"]),
        percent(error),
        ends("low", "high"),
        ends("bootstrap_low", "bootstrap_high"),
        percent(row["random_error_pct"]),
        percent(row["neighbour_error_pct"]),
    ]


def leverage_table(appraisal: Appraisal) -> Printed | None:
    """Return the plots that move the total most."""
    table = appraisal.cruise.leverage
    if table.empty:
        return None
    measure = appraisal.cruise.measure
    name, unit = measure_words(measure)
    show = dollars if _money(measure) else figure
    columns = [
        Column(name="Plot", cells=words(table, "plot"), words=True),
        Column(name="Stand", cells=words(table, "stand"), words=True),
        Column(name="Total without it", unit="% change", cells=_signed(table["change_pct"])),
        Column(name=f"{name} on it", unit=unit, cells=[show(v) for v in table["per_acre"]]),
        Column(name="Speaks for", unit="ac", cells=[figure(v, most=1) for v in table["acres"]]),
        Column(name="Share of total", unit="%", cells=[figure(v, most=1) for v in
                                                       table["share_pct"]]),
    ]  # fmt: skip
    if table["off_sd"].notna().any():
        columns.insert(4, Column(name="Off its stand", unit="sd", cells=_signed(table["off_sd"])))
    return Printed(columns=columns, loud=(table["off_sd"].abs() >= FAR_SD).tolist())


def _signed(values: pd.Series) -> list[str]:
    return [signed(v) for v in values]


def heavy_trees_table(appraisal: Appraisal) -> Printed | None:
    """Return the trees of whole tallies that move the total most."""
    table = appraisal.cruise.heavy_trees
    if table.empty:
        return None
    measure = appraisal.cruise.measure
    name, unit = measure_words(measure)
    show = dollars if _money(measure) else figure
    columns = [
        Column(name="Sheet", cells=words(table, "plot"), words=True),
        Column(name="Tree", cells=words(table, "tree"), words=True),
        Column(name="Species", cells=words(table, "species"), words=True),
        Column(name="DBH", unit="in", cells=[figure(v, most=1) for v in table["dbh_in"]]),
        Column(name="Stand", cells=words(table, "stand"), words=True),
        Column(
            name=f"{name} in it",
            unit=unit.removesuffix("/ac"),
            cells=[show(v) for v in table["figure"]],
        ),
        Column(
            name="Stands for",
            unit="trees",
            cells=[figure(v, most=1) for v in table["stands_for"]],
        ),
        Column(
            name="Share of total",
            unit="%",
            cells=[figure(v, most=1) for v in table["share_pct"]],
        ),
        Column(name="Total without it", unit="% change", cells=_signed(table["change_pct"])),
    ]
    return Printed(columns=columns)


def few_table(appraisal: Appraisal) -> Printed | None:
    """Return the products met on few plots, with their stated errors."""
    few = appraisal.cruise.products
    few = few[few["few"].astype(bool)]
    if few.empty:
        return None
    rows = appraisal.products[appraisal.products["stand"] == ""]
    rows = rows.merge(few[["product", "plots"]], on="product").sort_values("plots")
    columns = [
        Column(name="Product", cells=words(rows, "product"), words=True),
        Column(name="Plots that hold it", cells=[count(v) for v in numbers(rows, "plots")]),
        Column(name="Quantity", cells=estimates(rows, "quantity", "quantity_error_pct", most=1)),
        Column(name="Unit", cells=words(rows, "quantity_label"), words=True),
        Column(
            name="Stated error",
            unit="±",
            cells=[percent(v) for v in numbers(rows, "quantity_error_pct")],
        ),
    ]
    return Printed(columns=columns)


def crops(appraisal: Appraisal) -> list[Crop]:
    """Return the stand and stock tables with the error of each cell that can be leant on."""
    cells, head = appraisal.cruise.cells, head_measure(appraisal)
    if cells.empty:
        return []
    wanted = (
        ("Trees per net acre", "trees_per_acre", "trees_error_pct", 1),
        (
            f"Board feet per net acre, {head_rule_name(appraisal)}",
            f"{head}_per_acre",
            f"{head}_error_pct",
            0,
        ),
    )
    made = [_crop(cells, title, column, error, most) for title, column, error, most in wanted]
    return [one for one in made if one is not None]


def _crop(cells: pd.DataFrame, title: str, column: str, error: str, most: int) -> Crop | None:
    held = cells[cells[column] > 0]
    if held.empty:
        return None
    whole = held["dbh_class_in"].isna()
    single = held["species"] != ""
    species = held[whole & single].sort_values(column, ascending=False)["species"].tolist()
    classes = sorted(held.loc[~whole, "dbh_class_in"].unique())
    place = {
        (str(row["species"]), row["dbh_class_in"] if row["dbh_class_in"] >= 0 else -1.0): row
        for row in held.to_dict("records")
    }

    def cell(name: str, dbh: float) -> CropCell:
        row = place.get((name, dbh))
        if row is None:
            return CropCell()
        sure = np.isfinite(row[error]) and row[error] <= MOST_CELL_ERROR_PCT
        text = figure(row[column], row[error] if sure else math.nan, most=most)
        if not float(text.replace(",", "")) > 0:  # met, and too little to print
            return CropCell(text="·", faint=True)
        return CropCell(
            text=text,
            error=plus_minus(row[error]) if sure and row[error] > 0 else "",
            faint=not bool(sure),
        )

    across = [*classes, -1.0]
    shown = species[:MOST_SPECIES]
    rows = [(name, [cell(name, dbh) for dbh in across]) for name in shown]
    rows.append(("All species", [cell("", dbh) for dbh in across]))
    return Crop(
        title=title,
        classes=[*(f"{c:g}" for c in classes), "All"],
        rows=rows,
        left_out=len(species) - len(shown),
    )
