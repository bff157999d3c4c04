"""From logs to sale lines: which price each log is sold at, and what it brings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import Problem
from standmap.products import Logs, ProductSpec
from standmap.value import PriceSheet, log_values, unit_label

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SoldLogs:
    """Logs with a price.

    Attributes
    ----------
    line : ndarray of int, shape (logs,)
        Sale line of each log: a row of `lines`.
    value_usd : ndarray, shape (logs,)
        Stumpage value of each log. [USD]
    lines : DataFrame
        One row for each product and unit it is sold by: ``product``, ``kind``, ``unit`` (blank:
        no price), ``log_rule``, ``unit_label``.
    problems : list of Problem
        A loud warning for every product and species with volume and no price.
    """

    line: IntArray
    value_usd: FloatArray
    lines: pd.DataFrame
    problems: list[Problem]


def sell(
    logs: Logs,
    specs: list[ProductSpec],
    species_code: IntArray,
    species_name: dict[int, str],
    sheet: PriceSheet | None,
    *,
    file: str,
) -> SoldLogs:
    """Price every log and sort the logs into sale lines.

    Parameters
    ----------
    logs : Logs
        The logs of the tally, in tree order.
    specs : list of ProductSpec
        The products, in the order that ``logs.product`` counts them.
    species_code : ndarray of int, shape (trees,)
        Species of each tree.
    species_name : dict
        Common name of each code, for messages.
    sheet : PriceSheet or None
        The prices; None values every log at zero, with one warning.
    file : str
        Name of the price sheet, for messages.
    """
    names = [spec.product for spec in specs]
    codes, at = np.unique(species_code, return_inverse=True)
    of_tree = at[logs.tree]
    if sheet is None:
        price = np.full(len(logs.tree), -1, dtype=np.int64)
        value = np.zeros(len(logs.tree))
        problems = [_no_sheet(file)]
    else:
        price = sheet.match(names, codes)[logs.product, of_tree]
        value = log_values(
            sheet,
            price,
            bf=logs.bf,
            cords=logs.cords,
            weight_tons=logs.weight_tons,
            first_of_product=_first_of_product(logs, len(specs)),
        )
        problems = _unpriced(logs, names, of_tree, codes, species_name, price, file=file)
    units = [""] if sheet is None else ["", *(_key(p.unit, p.log_rule) for p in sheet.prices)]
    unit_of_price, unit_names = pd.factorize(np.array(units, dtype=object))
    key = logs.product * len(unit_names) + unit_of_price[price + 1]
    used, line = np.unique(key, return_inverse=True)
    return SoldLogs(
        line=line.astype(np.int64),
        value_usd=value,
        lines=_lines(used, specs, list(unit_names)),
        problems=problems,
    )


def _key(unit: str, log_rule: str) -> str:
    return f"{unit}|{log_rule}"


def _lines(used: IntArray, specs: list[ProductSpec], unit_names: list[str]) -> pd.DataFrame:
    rows = []
    for key in used:
        spec = specs[int(key) // len(unit_names)]
        unit, _, rule = unit_names[int(key) % len(unit_names)].partition("|")
        rows.append(
            {
                "product": spec.product,
                "kind": spec.kind,
                "rank": spec.rank,
                "unit": unit,
                "log_rule": rule,
                "unit_label": unit_label(unit, rule),
            }
        )
    columns = ["product", "kind", "rank", "unit", "log_rule", "unit_label"]
    return pd.DataFrame(rows, columns=columns)


def _first_of_product(logs: Logs, n_products: int) -> npt.NDArray[np.bool_]:
    """Mark the first log of each product in each tree; logs come in tree order."""
    key = logs.tree.astype(np.int64) * n_products + logs.product
    first = np.zeros(len(key), dtype=bool)
    first[np.unique(key, return_index=True)[1]] = True
    return first


def _no_sheet(file: str) -> Problem:
    return Problem(
        severity="warning",
        file=file,
        column="prices",
        what="no price sheet is named, so no value is computed",
        mend='Add [prices] file = "prices.csv" to the tract file to value the timber.',
    )


def _unpriced(
    logs: Logs,
    names: list[str],
    of_tree: IntArray,
    codes: IntArray,
    species_name: dict[int, str],
    price: IntArray,
    *,
    file: str,
) -> list[Problem]:
    """Return one warning for each product that has logs and no price, naming the species."""
    loose = price < 0
    problems = []
    for product in np.unique(logs.product[loose]):
        here = loose & (logs.product == product)
        who = [species_name.get(int(c), str(c)) for c in codes[np.unique(of_tree[here])]]
        shown = ", ".join(who[:6]) + (f" and {len(who) - 6} more" if len(who) > 6 else "")
        problems.append(
            Problem(
                severity="warning",
                file=file,
                column="product",
                value=names[int(product)],
                what=f"no price for this product in {shown}: {int(here.sum())} tallied logs count "
                "for nothing in the value",
                mend="Add a price line for it.",
            )
        )
    return problems
