"""What each product pays for a stem, as arrays that bucking can read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError
from standmap.products._plan_kernels import CORD, TON, LineArrays, PriceArrays
from standmap.products.cut_logs import Logs
from standmap.units import BF_PER_MBF, LOG_RULES

PRICE_UNITS: Final = (*(f"mbf {rule}" for rule in LOG_RULES), "ton", "cord", "tree")
"""Units of a stem price; a unit's code is its place here."""


@dataclass(frozen=True, kw_only=True, eq=False)
class StemPrices:
    """Prices by species and product.

    Attributes
    ----------
    species_code : ndarray of int, shape (rows,)
        Species of each row, each once.
    price_usd : ndarray, shape (rows, specs)
        Price of one unit of each product, the specs in the order they are bucked with; NaN where
        it is not bought. [USD]
    unit : ndarray of int, shape (rows, specs)
        Place in ``PRICE_UNITS``: MBF by the four rules, ton, cord, tree. One row serves all.

    Raises
    ------
    DomainError
        If shapes disagree, a species comes twice, a price is negative or a unit has no code.

    Notes
    -----
    MBF prices pay board feet net of defect; ton prices pay the hauled weight, trim, bark and
    defect included; cord prices pay the cords of bulk wood. A tree price is paid once for each
    tree that yields the product.

    Examples
    --------
    >>> prices = StemPrices(species_code=[131, 802], price_usd=[[300.0, 9.0], [450.0, np.nan]],
    ...                     unit=[PRICE_UNITS.index("mbf doyle"), PRICE_UNITS.index("ton")])
    >>> prices.rows_of([802, 131, 131])
    array([1, 0, 0])
    """

    species_code: NDArray[np.int64]
    price_usd: NDArray[np.float64]
    unit: NDArray[np.int64]

    def __post_init__(self) -> None:
        """Make arrays of what was given, and check them."""
        # Copies: what is given may be read-only, which kernels would compile anew for.
        codes = np.array(self.species_code, dtype=np.int64)
        price = np.array(self.price_usd, dtype=np.float64)
        unit = np.array(self.unit, dtype=np.int64)
        if price.ndim != 2 or codes.shape != price.shape[:1]:
            raise DomainError(
                "'price_usd' must have a row per species and a column per product; "
                f"got {price.shape} for {codes.shape} species."
            )
        if unit.shape not in (price.shape, price.shape[1:]):
            raise DomainError(
                f"'unit' must be shaped like 'price_usd' {price.shape} or one row of it; "
                f"got {unit.shape}."
            )
        if len(np.unique(codes)) < len(codes):
            raise DomainError("'species_code' must name each species once.")
        if (price < 0).any():
            raise DomainError(
                f"'price_usd' must be >= 0; got {np.nanmin(price):g}. "
                "Use NaN for a product that is not bought."
            )
        if unit.size and not 0 <= unit.min() <= unit.max() < len(PRICE_UNITS):
            raise DomainError(
                f"'unit' must be 0 to {len(PRICE_UNITS) - 1}, a place in PRICE_UNITS; "
                f"got {unit.min()} to {unit.max()}."
            )
        object.__setattr__(self, "species_code", codes)
        object.__setattr__(self, "price_usd", price)
        object.__setattr__(self, "unit", np.broadcast_to(unit, price.shape).copy())

    def rows_of(self, species_code: ArrayLike) -> NDArray[np.int64]:
        """Return the row of each tree's species.

        Raises
        ------
        DomainError
            If a species has no row.
        """
        return rows_of_species(self.species_code, species_code)

    def bought(self, product: int) -> NDArray[np.bool_]:
        """Return the species for which a product has a price, shape (rows,)."""
        return ~np.isnan(self.price_usd[:, product])


def rows_of_species(known: NDArray[np.int64], species_code: ArrayLike) -> NDArray[np.int64]:
    """Return the row of each tree's species among the species that have prices."""
    codes = np.asarray(species_code, dtype=np.int64)
    order = np.argsort(known, kind="stable")
    at = np.searchsorted(known[order], codes)
    row = np.append(order, -1)[at]
    lost = (row < 0) | (np.append(known, -1)[row] != codes)
    if lost.any():
        raise DomainError(
            f"'prices' has no row for species {np.unique(codes[lost])[:5].tolist()}. "
            "Give a row per species; NaN prices where nothing is bought."
        )
    return row


def stem_price_arrays(
    prices: StemPrices, n_specs: int, row: NDArray[np.int64]
) -> tuple[PriceArrays, LineArrays]:
    """Return prices as the kernels take them: each species has one market, of one line a product.

    Raises
    ------
    DomainError
        If the prices have not one column per spec.
    """
    if prices.price_usd.shape[1] != n_specs:
        raise DomainError(
            f"'prices' must have a column per product ({n_specs}); got {prices.price_usd.shape[1]}."
        )
    n_rows = len(prices.species_code)
    bought = ~np.isnan(prices.price_usd)
    arrays = PriceArrays(
        price_usd=prices.price_usd,
        unit=prices.unit,
        cost_usd_per_ton=np.zeros(bought.shape),
        by_line=~bought,
        one_free=bought,
        sinks=np.ones(n_rows, dtype=np.bool_),
        row=row,
        first_market=np.arange(n_rows + 1),
    )
    return arrays, no_lines(n_rows, n_specs)


def no_lines(n_markets: int, n_specs: int) -> LineArrays:
    """Return the lines of markets where price and unit say all."""
    return LineArrays(
        first=np.zeros((n_markets, n_specs + 1), dtype=np.int64),
        mill=np.empty(0, dtype=np.int64),
        width=np.empty(0),
        buys=np.empty(0, dtype=np.bool_),
        price_usd=np.empty(0),
        unit=np.empty(0, dtype=np.int64),
        cost_usd_per_ton=np.empty(0),
        min_dib_in=np.empty(0),
        max_large_in=np.empty(0),
        takes=np.empty((0, 1), dtype=np.bool_),
    )


def log_usd(logs: Logs, species_code: ArrayLike, prices: StemPrices) -> NDArray[np.float64]:
    """Value of each log at the prices of its species and product.

    Parameters
    ----------
    logs : Logs
        From any way of bucking.
    species_code : array_like of int, shape (trees,)
        Species of the stems.
    prices : StemPrices
        Prices; their columns are the specs that the stems were bucked with.

    Returns
    -------
    ndarray, shape (logs,)
        Value; 0 where the product is not bought. A tree price stands on the first log of its
        product in the tree. [USD]

    Raises
    ------
    DomainError
        If the prices have not one column per product, or a species has no row.
    """
    if prices.price_usd.shape[1] != len(logs.products):
        raise DomainError(
            f"'prices' must have a column per product ({len(logs.products)}); "
            f"got {prices.price_usd.shape[1]}."
        )
    row = prices.rows_of(species_code)[logs.tree]
    unit = prices.unit[row, logs.product]
    key = logs.tree.astype(np.int64) * len(logs.products) + logs.product
    amount = np.zeros(len(logs))
    amount[np.unique(key, return_index=True)[1]] = 1.0
    scaled = unit < len(LOG_RULES)
    amount[scaled] = logs.bf[scaled, unit[scaled]] / BF_PER_MBF
    amount[unit == TON] = logs.weight_tons[unit == TON]
    amount[unit == CORD] = logs.cords[unit == CORD]
    return np.nan_to_num(prices.price_usd[row, logs.product], nan=0.0) * amount
