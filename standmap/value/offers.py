"""Offers of buyers, each by its own unit and rule, put on the same logs and ranked in dollars."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import DomainError, Problem
from standmap.species import species_mask
from standmap.value._reading import Row, as_number, column_problems, rows_of
from standmap.value.amounts import (
    SALE_UNITS,
    BoolArray,
    FloatArray,
    LogLot,
    unit_code,
    unit_label,
)
from standmap.value.prices import Price, PriceSheet

_NEEDED: Final = ("offer",)
_COLUMNS: Final = (
    "offer", "product", "species", "price_usd", "unit", "log_rule", "lump_sum_usd",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """What one buyer would pay for the standing timber.

    Attributes
    ----------
    offer : str
        Name of the offer.
    prices : PriceSheet
        Stumpage prices by the unit; may be empty.
    lump_sum_usd : float
        A sum paid whatever is cut. [USD]
    lump_buys : tuple of (str, str)
        Product and species entries that the sum pays for; blank is any.

    Raises
    ------
    DomainError
        If the lump sum is negative or not a number.
    """

    offer: str
    prices: PriceSheet = field(default_factory=lambda: PriceSheet(prices=()))
    lump_sum_usd: float = 0.0
    lump_buys: tuple[tuple[str, str], ...] = ()

    def __post_init__(self) -> None:
        """Check the sum."""
        if not 0 <= self.lump_sum_usd < math.inf:
            raise DomainError(f"'lump_sum_usd' must be 0 or more; got {self.lump_sum_usd!r}.")

    def covered_by_lump(self, lot: LogLot) -> BoolArray:
        """Return which logs the lump sum pays for."""
        covered = np.zeros(len(lot), dtype=np.bool_)
        place = {name.casefold(): at for at, name in enumerate(lot.products)}
        for product, species in self.lump_buys:
            kinds = species_mask(species, lot.species_code, aliases=self.prices.aliases)
            covered |= kinds & (
                (product == "") | (lot.product == place.get(product.casefold(), -1))
            )
        return covered


@dataclass(frozen=True, kw_only=True)
class OfferValues:
    """Offers on the same logs.

    Attributes
    ----------
    offers : tuple of str
        Names, in the order of the table.
    log_usd : ndarray, shape (n, offers)
        What each offer pays for each log by the unit; 0 for logs under a lump sum. [USD]
    lump_sum_usd : ndarray, shape (offers,)
        What each offer pays whatever is cut: a sum without sampling error. [USD]
    unpriced : ndarray of bool, shape (n, offers)
        Logs that an offer does not pay for, in dollars by the unit or under its lump sum.
    """

    offers: tuple[str, ...]
    log_usd: FloatArray
    lump_sum_usd: FloatArray
    unpriced: BoolArray

    def totals(self, weight: npt.ArrayLike) -> pd.DataFrame:
        """Return the offers for a whole tract, best first.

        Parameters
        ----------
        weight : array_like, shape (n,)
            How many logs of the tract each tallied log stands for.

        Returns
        -------
        DataFrame
            `offer`, `value_usd`, `rank`, `less_than_best_usd`, `unpriced_logs` (tallied).
        """
        value = np.asarray(weight, dtype=np.float64) @ self.log_usd + self.lump_sum_usd
        frame = pd.DataFrame(
            {
                "offer": list(self.offers),
                "value_usd": value,
                "rank": pd.Series(value).rank(ascending=False, method="min").astype(int),
                "less_than_best_usd": value.max(initial=0.0) - value,
                "unpriced_logs": self.unpriced.sum(axis=0),
            }
        )
        return frame.sort_values("rank", kind="stable", ignore_index=True)


def value_offers(lot: LogLot, offers: Sequence[Offer]) -> OfferValues:
    """Put every offer on the same logs.

    Parameters
    ----------
    lot : LogLot
        The logs.
    offers : sequence of Offer
        The offers.

    Returns
    -------
    OfferValues

    Notes
    -----
    Since all offers are summed over the same logs of the same plots, the difference between two of
    them is an attribute of each plot like any other, and its sampling error is found from the
    plots' own differences: it is far smaller than that of either offer, because a plot that is
    rich for one buyer is rich for the other. A lump sum adds a figure without error.

    Examples
    --------
    >>> lot = LogLot(products=("saw",), tree=np.array([0]), product=np.array([0]),
    ...     species_code=np.array([802]), small_dib_in=np.array([16.0]),
    ...     large_dib_in=np.array([18.0]), length_ft=np.array([16.0]),
    ...     bf=np.array([[181.0, 144, 166, 160]]), cords=np.zeros(1),
    ...     weight_tons=np.array([0.9]), volume_cuft=np.array([27.0]))
    >>> doyle, ton = (Offer(offer=unit, prices=PriceSheet(prices=(Price(product="saw",
    ...     price_usd=usd, unit=unit, log_rule=rule),)))
    ...     for unit, rule, usd in (("mbf", "doyle", 400), ("ton", "", 60)))
    >>> value_offers(lot, [doyle, ton]).log_usd
    array([[57.6, 54. ]])
    """
    usd = np.zeros((len(lot), len(offers)))
    unpriced = np.ones((len(lot), len(offers)), dtype=np.bool_)
    for at, offer in enumerate(offers):
        line = offer.prices.line_of_log(lot)
        sold = np.flatnonzero(line >= 0)
        amount = lot.amounts[sold, offer.prices.unit_code[line[sold]]]
        usd[sold, at] = offer.prices.price_usd[line[sold]] * amount
        unpriced[:, at] = (line < 0) & ~offer.covered_by_lump(lot)
    return OfferValues(
        offers=tuple(offer.offer for offer in offers),
        log_usd=usd,
        lump_sum_usd=np.array([offer.lump_sum_usd for offer in offers], dtype=np.float64),
        unpriced=unpriced,
    )


def break_even(
    price_usd: float,
    amounts: FloatArray,
    weight: npt.ArrayLike,
    *,
    unit: str,
    other_unit: str,
    log_rule: str = "",
    other_rule: str = "",
) -> float:
    """Price by another unit that brings the same dollars on these logs.

    Parameters
    ----------
    price_usd : float
        The price quoted, for one ``unit``. [USD]
    amounts : ndarray, shape (n, 7)
        `LogLot.amounts` of the logs.
    weight : array_like, shape (n,)
        How many logs each stands for.
    unit, log_rule : str
        Unit of the price quoted.
    other_unit, other_rule : str
        Unit wanted.

    Returns
    -------
    float
        NaN where the logs hold nothing of the other unit.

    Notes
    -----
    price x sum(amount by its unit) / sum(amount by the other unit). It holds for these logs and no
    others: Doyle counts small logs short, so the factor changes with their size.

    Examples
    --------
    $135 a thousand Doyle equals $100 a thousand International where 0.74 MBF Doyle come to one of
    International, the average of Texas price reports (Texas Timber Price Trends 20(4), 2002).

    >>> logs = np.array([[1.0, 0.74, 0.95, 0.9, 5.9, 0, 1]])
    >>> round(break_even(100, logs, [1.0], unit="mbf", log_rule="international",
    ...                  other_unit="mbf", other_rule="doyle"), 2)
    135.14
    """
    total = np.asarray(weight, dtype=np.float64) @ amounts
    other = total[unit_code(other_unit, other_rule)]
    if not other > 0:
        return math.nan
    return float(price_usd * total[unit_code(unit, log_rule)] / other)


def break_even_table(lot: LogLot, weight: npt.ArrayLike, offers: Sequence[Offer]) -> pd.DataFrame:
    """Return every quoted price in all the other units, on the logs that it would buy.

    Parameters
    ----------
    lot : LogLot
        The logs.
    weight : array_like, shape (n,)
        How many logs of the tract each stands for.
    offers : sequence of Offer
        The offers; lump sums have no price and no rows.

    Returns
    -------
    DataFrame
        `offer`, `product`, `species`, `rule_a`, `price_a_usd`, `rule_b`, `price_b_usd`: on these
        logs ``price_a_usd`` by ``rule_a`` equals the quoted ``price_b_usd`` by ``rule_b``.
    """
    stands_for = np.asarray(weight, dtype=np.float64)
    rows = []
    for offer in offers:
        line = offer.prices.line_of_log(lot)
        for at, price in enumerate(offer.prices.prices):
            held = stands_for * (line == at)
            for unit, rule in SALE_UNITS[:-1]:
                if (unit, rule) == (price.unit, price.log_rule):
                    continue
                same = break_even(
                    price.price_usd,
                    lot.amounts,
                    held,
                    unit=price.unit,
                    log_rule=price.log_rule,
                    other_unit=unit,
                    other_rule=rule,
                )
                if math.isfinite(same):
                    rows.append(
                        (offer.offer, price.product, price.species, unit_label(unit, rule), same,
                         price.unit_label, price.price_usd)
                    )  # fmt: skip
    columns = ["offer", "product", "species", "rule_a", "price_a_usd", "rule_b", "price_b_usd"]
    return pd.DataFrame(rows, columns=columns)


@dataclass(slots=True)
class _Draft:
    """An offer while its rows are read."""

    prices: dict[tuple[str, str], Price] = field(default_factory=dict)
    named: set[tuple[str, str]] = field(default_factory=set)
    lump_sum_usd: float = 0.0
    lump_buys: list[tuple[str, str]] = field(default_factory=list)


def offers_from_frame(
    frame: pd.DataFrame,
    *,
    file: str,
    products: Sequence[str],
    aliases: Mapping[str, str] | None = None,
    bulk_products: Sequence[str] = (),
) -> tuple[list[Offer], list[Problem]]:
    """Read an offers table, gathering every problem.

    Parameters
    ----------
    frame : DataFrame
        Column ``offer``, and ``product``, ``species``, ``price_usd``, ``unit``, ``log_rule``,
        ``lump_sum_usd`` as needed: each row has a price and a unit, or a lump sum. ``product`` may
        list several between semicolons; blank is every product that the unit can measure. The
        first record is spreadsheet row 2.
    file : str
        File name, for messages.
    products, bulk_products : sequence of str
        Names of the product specs, and of those weighed or stacked.
    aliases : mapping, optional
        The tract's own species names.

    Returns
    -------
    list of Offer
        In the order they come, without the rows that have faults.
    list of Problem
        Everything wrong, in row order.
    """
    names = dict(aliases or {})
    problems = column_problems(frame, _NEEDED, _COLUMNS, file=file, sheet="offers table")
    problems = [*problems, *_nothing_offered(frame, file)]
    if problems:
        return [], problems
    drafts: dict[str, _Draft] = {}
    spelt: dict[str, str] = {}
    for row in rows_of(frame, file):
        name = row.text("offer")
        if not name:
            row.add("offer", "", "is blank", "Name the offer on every row.")
        draft = drafts.setdefault(spelt.setdefault(name.casefold(), name), _Draft())
        if row.text("lump_sum_usd"):
            _add_lump(draft, row, products, names)
        else:
            _add_prices(draft, row, products, names, bulk_products)
        problems += row.problems
    offers = [
        Offer(
            offer=name,
            prices=PriceSheet(prices=tuple(draft.prices.values()), aliases=names),
            lump_sum_usd=draft.lump_sum_usd,
            lump_buys=tuple(draft.lump_buys),
        )
        for name, draft in drafts.items()
        if draft.prices or draft.lump_buys
    ]
    return offers, problems


def _nothing_offered(frame: pd.DataFrame, file: str) -> list[Problem]:
    if {"price_usd", "unit"} <= set(frame.columns) or "lump_sum_usd" in frame.columns:
        return []
    return [
        Problem(
            severity="error",
            file=file,
            column="price_usd",
            what="the offers table has neither prices nor lump sums",
            mend="Add price_usd and unit, or lump_sum_usd.",
        )
    ]


def _named_products(row: Row, products: Sequence[str]) -> list[str]:
    """Return the products a row names; none for a blank cell."""
    parts = filter(None, (part.strip() for part in row.text("product").split(";")))
    return [row.product(part, products) for part in parts]


def _add_lump(draft: _Draft, row: Row, products: Sequence[str], aliases: Mapping[str, str]) -> None:
    text = row.text("lump_sum_usd")
    sum_usd = as_number(text)
    if not 0 <= sum_usd < math.inf:
        row.add("lump_sum_usd", text, "not a sum of 0 or more", "Type the sum in dollars.")
    if row.text("price_usd") or row.text("unit"):
        row.add(
            "lump_sum_usd",
            text,
            "a row has a lump sum or a price by the unit, not both",
            "Put the other on a row of its own under the same offer name.",
        )
    species = row.species(aliases)
    named = _named_products(row, products)
    if row.sound:
        draft.lump_sum_usd += sum_usd
        draft.lump_buys += [(product, species) for product in named or [""]]


def _add_prices(
    draft: _Draft,
    row: Row,
    products: Sequence[str],
    aliases: Mapping[str, str],
    bulk_products: Sequence[str],
) -> None:
    """Add one row's prices; a blank product is every one not priced by name for that species."""
    price_usd = row.price()
    unit, log_rule = row.unit()
    species = row.species(aliases)
    named = _named_products(row, products)
    if row.sound:
        for product in named:
            row.check_kind(product, unit, bulk_products)
    if row.sound and not named and unit == "tree":
        row.add("product", "", "a price by the tree must name its product", "Name the product.")
    if not row.sound:
        return
    for product in named or _measured_by(unit, products, bulk_products):
        key = (product.casefold(), species.casefold())
        if key in draft.named and named:
            row.add(
                "product",
                product,
                "a second price of this offer for the same product and species",
                "Keep one of the two.",
            )
        elif named or key not in draft.prices:
            draft.prices[key] = Price(
                product=product,
                price_usd=price_usd,
                unit=unit,
                log_rule=log_rule,
                species=species,
                row=row.row,
            )
        if named:
            draft.named.add(key)


def _measured_by(unit: str, products: Sequence[str], bulk_products: Sequence[str]) -> list[str]:
    """Return the products that a unit can measure: board feet saw logs, cords bulk wood."""
    bulk = {name.casefold() for name in bulk_products}
    if unit == "ton":
        return list(products)
    return [name for name in products if (name.casefold() in bulk) == (unit == "cord")]
