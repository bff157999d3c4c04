"""Price sheets: what each product brings, in the unit its buyer pays by.

A price has a product, a species entry (a species, a named group or blank for any) and a unit:
MBF by a named log rule, ton, cord or tree. Where several entries fit a log, the narrowest wins: a
named species before a group, a small group before a large one, any group before "any".
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import DomainError, Problem
from standmap.species import catalogue, species_mask
from standmap.units import BF_PER_MBF, LOG_RULES

UNITS: Final = ("mbf", "ton", "cord", "tree")
"""The units a price may be quoted by."""

_UNIT_WORDS: Final = {
    "mbf": "mbf",
    "thousand board feet": "mbf",
    "ton": "ton",
    "tons": "ton",
    "cord": "cord",
    "cords": "cord",
    "tree": "tree",
    "trees": "tree",
    "each": "tree",
}

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]


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
        if self.unit not in UNITS:
            raise DomainError(f"'unit' must be one of {', '.join(UNITS)}; got {self.unit!r}.")
        if not math.isfinite(self.price_usd) or self.price_usd < 0:
            raise DomainError(f"'price_usd' must be 0 or more; got {self.price_usd!r}.")
        if self.unit == "mbf" and self.log_rule not in LOG_RULES:
            raise DomainError(
                f"an MBF price needs 'log_rule', one of {', '.join(LOG_RULES)}; "
                f"got {self.log_rule!r}. The same dollars mean different money under each rule."
            )

    @property
    def unit_label(self) -> str:
        """The unit as printed, such as ``MBF Doyle`` or ``ton``."""
        return unit_label(self.unit, self.log_rule)


def unit_label(unit: str, log_rule: str = "") -> str:
    """Return a price unit as it is printed.

    Examples
    --------
    >>> unit_label("mbf", "scribner_c"), unit_label("cord"), unit_label("")
    ('MBF Scribner C', 'cord', '')
    """
    if unit == "mbf":
        words = "Scribner C" if log_rule == "scribner_c" else log_rule.capitalize()
        return f"MBF {words}"
    return unit


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
            width = _entry_width(price.species, self.aliases)
            for row, product in enumerate(products):
                if product.casefold() != price.product.casefold():
                    continue
                wins = fits & (width < best[row])
                found[row, wins] = at
                best[row, wins] = width
        return found


def _entry_width(entry: str, aliases: Mapping[str, str]) -> float:
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
    value = np.zeros(len(price_index))
    for at, price in enumerate(sheet.prices):
        here = price_index == at
        if price.unit == "mbf":
            quantity = bf[here, LOG_RULES.index(price.log_rule)] / BF_PER_MBF
        elif price.unit == "ton":
            quantity = weight_tons[here]
        elif price.unit == "cord":
            quantity = cords[here]
        else:
            quantity = first_of_product[here].astype(float)
        value[here] = price.price_usd * quantity
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
    problems: list[Problem] = []
    missing = [c for c in ("product", "price_usd", "unit") if c not in frame.columns]
    for column in missing:
        problems.append(
            Problem(
                severity="error",
                file=file,
                column=column,
                what="the price sheet has no such column",
                mend="Add it; a price sheet needs product, price_usd and unit.",
            )
        )
    if missing:
        return PriceSheet(prices=(), aliases=aliases), problems
    prices: list[Price] = []
    seen: dict[tuple[str, str], int] = {}
    bulk = {name.casefold() for name in bulk_products}
    records: list[dict[str, object]] = [
        {str(name): cell for name, cell in record.items()} for record in frame.to_dict("records")
    ]
    for at, record in enumerate(records):
        row = at + 2
        found = _row_problems(record, file=file, row=row, products=products, aliases=aliases)
        problems += found
        if any(p.severity == "error" for p in found):
            continue
        price = _price(record, row=row)
        if price.unit in ("mbf", "cord") and (price.unit == "mbf") == (
            price.product.casefold() in bulk
        ):
            problems.append(_wrong_unit(price, file))
            continue
        key = (price.product.casefold(), price.species.casefold())
        if key in seen:
            problems.append(
                Problem(
                    severity="error",
                    file=file,
                    row=row,
                    column="product",
                    value=price.product,
                    what=f"a second price for the same product and species (first at row "
                    f"{seen[key]})",
                    mend="Keep one of the two.",
                )
            )
            continue
        seen[key] = row
        prices.append(price)
    return PriceSheet(prices=tuple(prices), aliases=aliases), problems


def _text(value: object) -> str:
    """Return a cell as trimmed text; blank for missing."""
    return "" if value is None or value is pd.NA or value != value else str(value).strip()


def _number(value: object) -> float:
    """Return a cell as a number, NaN where it is none; a leading $ and commas are allowed."""
    try:
        return float(_text(value).lstrip("$").replace(",", ""))
    except ValueError:
        return math.nan


def _price(record: Mapping[str, object], *, row: int) -> Price:
    unit = _UNIT_WORDS[_text(record["unit"]).lower()]
    return Price(
        product=_text(record["product"]),
        price_usd=_number(record["price_usd"]),
        unit=unit,
        log_rule=_text(record.get("log_rule")).lower() if unit == "mbf" else "",
        species=_text(record.get("species")),
        row=row,
    )


def _wrong_unit(price: Price, file: str) -> Problem:
    scaled = "weighed or stacked" if price.unit == "mbf" else "scaled in board feet"
    return Problem(
        severity="error",
        file=file,
        row=price.row,
        column="unit",
        value=price.unit,
        what=f"'{price.product}' is {scaled} in the product specs and has no {price.unit} volume",
        mend="Price it by the ton or the tree, or change the product's kind in the specs.",
    )


def _row_problems(
    record: Mapping[str, object],
    *,
    file: str,
    row: int,
    products: Sequence[str],
    aliases: Mapping[str, str],
) -> list[Problem]:
    """Return everything wrong with one price row."""
    found: list[Problem] = []

    def add(column: str, value: str, what: str, mend: str, severity: str = "error") -> None:
        found.append(
            Problem(
                severity="error" if severity == "error" else "warning",
                file=file,
                row=row,
                column=column,
                value=value,
                what=what,
                mend=mend,
            )
        )

    product = _text(record["product"])
    known = {name.casefold(): name for name in products}
    if product.casefold() not in known:
        near = get_close_matches(product.casefold(), list(known), n=1)
        hint = f" Did you mean '{known[near[0]]}'?" if near else ""
        add("product", product, "no product spec has this name", f"Name a product.{hint}")
    raw = _text(record["price_usd"])
    price = _number(record["price_usd"])
    if not math.isfinite(price):
        add("price_usd", raw, "not a number", "Type the price in dollars, or delete the row.")
    elif price < 0:
        add("price_usd", raw, "a price cannot be negative", "Type 0 or more.")
    elif price == 0:
        add(
            "price_usd",
            raw,
            "the price is zero: this product will count for nothing in the value",
            "Type the price, or keep 0 if it truly brings nothing.",
            "warning",
        )
    unit = _text(record["unit"]).lower()
    if unit not in _UNIT_WORDS:
        add("unit", unit, "unknown unit", f"Use one of {', '.join(UNITS)}.")
    elif _UNIT_WORDS[unit] == "mbf":
        rule = _text(record.get("log_rule")).lower()
        if rule not in LOG_RULES:
            add(
                "log_rule",
                rule,
                "an MBF price must name its log rule",
                f"Use one of {', '.join(LOG_RULES)}.",
            )
    species = _text(record.get("species"))
    try:
        species_mask(species, np.array([802]), aliases=dict(aliases))
    except DomainError as error:
        add("species", species, "unknown species or group", str(error))
    return found
