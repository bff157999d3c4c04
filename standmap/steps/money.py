"""From logs to sale lines: which price each log is sold at, and what it brings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import Problem
from standmap.products import ProductSpec
from standmap.steps.unbought import species_text
from standmap.value import (
    LogLot,
    MillSheet,
    PriceSheet,
    assign_mills,
    first_logs,
    log_values,
    unit_label,
)
from standmap.value.stated import SEND_KEY

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


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
        no one price), ``log_rule``, ``unit_label``.
    problems : list of Problem
        A loud warning for every product and species with volume and no price.
    """

    line: IntArray
    value_usd: FloatArray
    lines: pd.DataFrame
    problems: list[Problem]


@dataclass(frozen=True, slots=True, kw_only=True)
class Market:
    """What logs are sold by: the price sheet, else the mills, else nothing.

    Attributes
    ----------
    prices : PriceSheet or None
        Stumpage prices. They value the timber where there are any.
    mills : MillSheet or None
        Mills; without a price sheet each log is worth what the mill that nets most leaves.
    file : str
        Name of the sheet, for messages.
    tract_file : str
        Name of the tract file, for messages.
    """

    prices: PriceSheet | None
    mills: MillSheet | None
    file: str
    tract_file: str = "tract.toml"

    def value_usd(self, lot: LogLot) -> FloatArray | None:
        """Return the stumpage value of each log; None where nothing is priced."""
        if self.prices is not None:
            return value_at_prices(self.prices, lot, self.prices.line_of_log(lot))
        if self.mills is not None:
            return assign_mills(lot, self.mills).stumpage_usd
        return None


def value_at_prices(sheet: PriceSheet, lot: LogLot, price: IntArray) -> FloatArray:
    """Return what each log brings at its price."""
    return log_values(
        sheet,
        price,
        bf=lot.bf,
        cords=lot.cords,
        weight_tons=lot.weight_tons,
        first_of_product=first_logs(lot.tree, lot.product),
    )


def sell(
    lot: LogLot, specs: list[ProductSpec], market: Market, species_name: dict[int, str]
) -> SoldLogs:
    """Price every log and sort the logs into sale lines.

    Parameters
    ----------
    lot : LogLot
        The logs of the tally, in tree order.
    specs : list of ProductSpec
        The products, in the order that ``lot.product`` counts them.
    market : Market
        What they are sold by; with neither prices nor mills every log is worth nothing, which the
        reader of the tract has warned of.
    species_name : dict
        Common name of each code, for messages.
    """
    prices = market.prices
    price = np.full(len(lot), -1) if prices is None else prices.line_of_log(lot)
    problems: list[Problem] = []
    if prices is not None:
        value = value_at_prices(prices, lot, price)
        what = "no price for this product in {who}: {n} tallied logs count for nothing in the value"
        problems = _unsold(lot, price < 0, market.file, species_name, what, "Add a price line.")
    elif market.mills is not None:
        sold = assign_mills(lot, market.mills)
        value = sold.stumpage_usd
        what = "no mill takes this product in {who}: {n} tallied logs count for nothing"
        loose = sold.not_taken & ~_is_sent(lot, market.mills)
        problems = _unsold(lot, loose, market.file, species_name, what, "Add a mill that takes it.")
        what = "this product in {who} costs more to bring than any mill pays: {n} tallied logs left"
        problems += _unsold(
            lot, sold.at_a_loss, market.file, species_name, what, "Check the costs and the miles."
        )
    else:
        value = np.zeros(len(lot))
    if market.mills is not None:
        problems += _sent_amiss(lot, market.mills, market, species_name)
    units = [] if prices is None else [_key(p.unit, p.log_rule) for p in prices.prices]
    unit_of_price, unit_names = pd.factorize(np.array(["", *units], dtype=object))
    key = lot.product * len(unit_names) + unit_of_price[price + 1]
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


def _of_product(lot: LogLot, product: str) -> BoolArray:
    names = [name.casefold() for name in lot.products]
    return np.asarray(lot.product == names.index(product.casefold()))


def _is_sent(lot: LogLot, sheet: MillSheet) -> BoolArray:
    """Return which logs are of a product that is sent to a stated mill."""
    sent = np.zeros(len(lot), dtype=np.bool_)
    for product in sheet.stated:
        sent |= _of_product(lot, product)
    return sent


def _sent_amiss(
    lot: LogLot, sheet: MillSheet, market: Market, species_name: dict[int, str]
) -> list[Problem]:
    """Return a warning for each product whose stated mill does not take all of it.

    Where a price sheet values the timber, only if it takes none.
    """
    taken = sheet.accepts(lot).any(axis=1)
    problems = []
    for product, mill in sheet.stated.items():
        own = _of_product(lot, product)
        left = own & ~taken
        if not left.any() or (market.prices is not None and (own & taken).any()):
            continue
        some = "does not take" if (own & taken).any() else "takes none of"
        what = f"'{mill}', where this product is sent, {some} {{n}} tallied logs of {{who}}"
        what += "" if market.prices is not None else ": they count for nothing"
        mend = "Check that mill's species and sizes, or send the product elsewhere."
        key = f"{SEND_KEY}.{product}"
        problems += _unsold(lot, left, market.tract_file, species_name, what, mend, key)
    return problems


def _unsold(
    lot: LogLot,
    loose: BoolArray,
    file: str,
    species_name: dict[int, str],
    what: str,
    mend: str,
    column: str = "product",
) -> list[Problem]:
    """Return one warning for each product with logs that bring nothing, naming the species."""
    problems = []
    for product in np.unique(lot.product[loose]):
        here = loose & (lot.product == product)
        shown = species_text(lot.species_code[here], species_name)
        problems.append(
            Problem(
                severity="warning",
                file=file,
                column=column,
                value=lot.products[int(product)],
                what=what.format(who=shown, n=int(here.sum())),
                mend=mend,
            )
        )
    return problems
