"""Price sheets: what each product brings, in the unit its buyer pays by.

A price has a product, a species entry (a species, a named group or blank for any) and a unit:
MBF by a named log rule, ton, cord or tree. Where several entries fit a log, the narrowest wins: a
named species before a group, a small group before a large one, any group before "any".
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import DomainError, Problem
from standmap.species import catalogue, species_mask
from standmap.units import LOG_RULES
from standmap.value._reading import Row, column_problems, rows_of
from standmap.value.amounts import (
    UNITS,
    FloatArray,
    IntArray,
    LogLot,
    sale_amounts,
    unit_code,
    unit_label,
)

_NEEDED = ("product", "price_usd", "unit")
_COLUMNS = (*_NEEDED, "species", "log_rule")


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """One line of a price sheet.

    Attributes
    ----------
    product : str
        Product name, as in the product specs.
    price_usd : float
        Stumpage price for one ``unit``. [USD]
    unit : {"mbf", "ton", "cord", "tree"}
        What the price is paid by. A tree price is paid once for each tree that yields the product.
    log_rule : str
        Log rule of an MBF price, one of `units.LOG_RULES`; blank for the other units.
    species : str
        Species or group names separated by ``;``; blank means any.
    row : int or None
        Row in the price file, for messages.

    Raises
    ------
    DomainError
        If the unit is unknown, the price negative or not a number, or an MBF price names no rule.
    """

    product: str
    price_usd: float
    unit: str
    log_rule: str = ""
    species: str = ""
    row: int | None = None

    def __post_init__(self) -> None:
        """Check the price against its unit."""
        check_price(self.price_usd, self.unit, self.log_rule)

    @property
    def unit_label(self) -> str:
        """The unit as printed, such as ``MBF Doyle`` or ``ton``."""
        return unit_label(self.unit, self.log_rule)


def check_price(price_usd: float, unit: str, log_rule: str) -> None:
    """Raise unless a price is 0 or more, in a known unit, and by a rule if by the MBF."""
    if unit not in UNITS:
        raise DomainError(f"'unit' must be one of {', '.join(UNITS)}; got {unit!r}.")
    if not math.isfinite(price_usd) or price_usd < 0:
        raise DomainError(f"'price_usd' must be 0 or more; got {price_usd!r}.")
    if unit == "mbf" and log_rule not in LOG_RULES:
        raise DomainError(
            f"an MBF price needs 'log_rule', one of {', '.join(LOG_RULES)}; "
            f"got {log_rule!r}. The same dollars mean different money under each rule."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceSheet:
    """All the prices of one sale or one mill.

    Attributes
    ----------
    prices : tuple of Price
        The lines of the sheet.
    aliases : mapping of str to str
        The tract's own species names, understood in the ``species`` column.

    Examples
    --------
    >>> sheet = PriceSheet(prices=(
    ...     Price(product="sawtimber", price_usd=250, unit="mbf", log_rule="doyle"),
    ...     Price(product="sawtimber", price_usd=600, unit="mbf", log_rule="doyle",
    ...           species="white oak"),
    ... ))
    >>> sheet.match(["sawtimber", "pulpwood"], np.array([802, 621]))
    array([[ 1,  0],
           [-1, -1]])
    """

    prices: tuple[Price, ...]
    aliases: Mapping[str, str] = field(default_factory=dict)

    def match(self, products: Sequence[str], species_code: IntArray) -> IntArray:
        """Return which price applies to each product and species.

        Parameters
        ----------
        products : sequence of str
            Product names.
        species_code : ndarray of int
            Species codes.

        Returns
        -------
        ndarray of int, shape (products, species)
            Index into `prices`; -1 where no price fits.
        """
        found = np.full((len(products), len(species_code)), -1, dtype=np.int64)
        best = np.full(found.shape, np.inf)
        for at, price in enumerate(self.prices):
            fits = species_mask(price.species, species_code, aliases=self.aliases)
            width = entry_width(price.species, self.aliases)
            for row, product in enumerate(products):
                if product.casefold() != price.product.casefold():
                    continue
                wins = fits & (width < best[row])
                found[row, wins] = at
                best[row, wins] = width
        return found

    def line_of_log(self, lot: LogLot) -> IntArray:
        """Return the line that pays for each log of a lot; -1 for none, shape (n,)."""
        codes, at = np.unique(lot.species_code, return_inverse=True)
        return np.asarray(self.match(lot.products, codes)[lot.product, at], dtype=np.int64)

    @property
    def price_usd(self) -> FloatArray:
        """Price of each line for one of its unit."""
        return np.array([price.price_usd for price in self.prices], dtype=np.float64)

    @property
    def unit_code(self) -> IntArray:
        """Unit of each line, as `amounts.SALE_UNITS` counts them."""
        return np.array([unit_code(p.unit, p.log_rule) for p in self.prices], dtype=np.int64)

    def rates(self, products: Sequence[str], species_code: IntArray) -> tuple[FloatArray, IntArray]:
        """Return the price and the unit that apply to each species and product.

        Parameters
        ----------
        products : sequence of str
            Product names.
        species_code : ndarray of int
            Species codes.

        Returns
        -------
        price_usd : ndarray, shape (species, products)
            NaN where nobody buys it.
        unit_code : ndarray of int, shape (species, products)
            As `amounts.SALE_UNITS` counts them; 0, without meaning, where nobody buys it. The two
            arrays are what `products.StemPrices` takes.

        Examples
        --------
        >>> sheet = PriceSheet(prices=(Price(product="saw", price_usd=27, unit="ton"),
        ...     Price(product="saw", price_usd=165, unit="mbf", log_rule="international",
        ...           species="eastern white pine")))
        >>> price, unit = sheet.rates(["saw", "pulp"], np.array([131, 129]))
        >>> price
        array([[ 27.,  nan],
               [165.,  nan]])
        >>> unit
        array([[4, 0],
               [0, 0]])
        """
        found = self.match(products, species_code).T
        price = np.append(self.price_usd, np.nan)
        unit = np.append(self.unit_code, 0)
        return price[found], unit[found]


def entry_width(entry: str, aliases: Mapping[str, str]) -> float:
    """Return how many catalogue species an entry covers; the fewer, the more specific."""
    codes = catalogue().index.to_numpy(dtype=np.int64)
    return float(species_mask(entry, codes, aliases=aliases).sum())


def log_values(
    sheet: PriceSheet,
    price_index: IntArray,
    *,
    bf: FloatArray,
    cords: FloatArray,
    weight_tons: FloatArray,
    first_of_product: npt.NDArray[np.bool_],
) -> FloatArray:
    """Return the stumpage value of each log at its own price.

    Parameters
    ----------
    sheet : PriceSheet
        The prices.
    price_index : ndarray of int, shape (n,)
        Which price each log is sold at; -1 where there is none (its value is 0, and the caller
        must warn).
    bf : ndarray, shape (n, 4)
        Net board feet by each rule, in the order of `units.LOG_RULES`.
    cords, weight_tons : ndarray, shape (n,)
        Cords, and green short tons.
    first_of_product : ndarray of bool, shape (n,)
        True for the first log of its product in its tree; a per-tree price is paid there.

    Returns
    -------
    ndarray, shape (n,)
        Value. [USD]

    Examples
    --------
    >>> sheet = PriceSheet(prices=(Price(product="saw", price_usd=400, unit="mbf",
    ...                                  log_rule="doyle"),))
    >>> log_values(sheet, np.array([0, -1]), bf=np.array([[160.0, 144, 150, 150]] * 2),
    ...            cords=np.zeros(2), weight_tons=np.ones(2),
    ...            first_of_product=np.array([True, True]))
    array([57.6,  0. ])
    """
    amounts = sale_amounts(bf, cords, weight_tons, first_of_product)
    value = np.zeros(len(price_index))
    sold = np.flatnonzero(price_index >= 0)
    line = price_index[sold]
    value[sold] = sheet.price_usd[line] * amounts[sold, sheet.unit_code[line]]
    return value


def price_sheet_from_frame(
    frame: pd.DataFrame,
    *,
    file: str,
    products: Sequence[str],
    aliases: Mapping[str, str] | None = None,
    bulk_products: Sequence[str] = (),
) -> tuple[PriceSheet, list[Problem]]:
    """Read a price table into a sheet, gathering every problem.

    Parameters
    ----------
    frame : DataFrame
        Columns ``product``, ``price_usd``, ``unit``, and optionally ``species`` and ``log_rule``.
        Row labels count from 0; messages name the spreadsheet row (label + 2).
    file : str
        File name, for messages.
    products : sequence of str
        Names of the product specs; a price for any other is a problem.
    aliases : mapping, optional
        The tract's own species names.
    bulk_products : sequence of str
        Products weighed or stacked; they have no board feet, so an MBF price cannot pay for them.

    Returns
    -------
    PriceSheet
        The lines that could be read.
    list of Problem
        Everything wrong, in row order.
    """
    aliases = dict(aliases or {})
    problems = column_problems(frame, _NEEDED, _COLUMNS, file=file, sheet="price sheet")
    if problems:
        return PriceSheet(prices=(), aliases=aliases), problems
    prices: list[Price] = []
    seen: dict[tuple[str, str], int] = {}
    for row in rows_of(frame, file):
        price = _price(row, products, aliases, bulk_products)
        if price is not None:
            key = (price.product.casefold(), price.species.casefold())
            if key in seen:
                row.add(
                    "product",
                    price.product,
                    f"a second price for the same product and species (first at row {seen[key]})",
                    "Keep one of the two.",
                )
            else:
                seen[key] = row.row
                prices.append(price)
        problems += row.problems
    return PriceSheet(prices=tuple(prices), aliases=aliases), problems


def _price(
    row: Row, products: Sequence[str], aliases: Mapping[str, str], bulk_products: Sequence[str]
) -> Price | None:
    """Read one line; None where it has a fault."""
    product = row.product(row.text("product"), products)
    price_usd = row.price()
    unit, log_rule = row.unit()
    species = row.species(aliases)
    if row.sound:
        row.check_kind(product, unit, bulk_products)
    if not row.sound:
        return None
    return Price(
        product=product,
        price_usd=price_usd,
        unit=unit,
        log_rule=log_rule,
        species=species,
        row=row.row,
    )
