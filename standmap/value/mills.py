"""Mills: who buys which logs, at the gate or at the stump, and how far away.

A delivered price becomes stumpage by what it costs to fell, load and haul each ton. standmap knows
no such cost and has no default: rates differ by ground, crew, fuel and year, and no published
figure was found that would be right for anybody.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property
from typing import Literal

import numpy as np

from standmap.errors import DomainError
from standmap.products import LinePrices, PriceLine
from standmap.products.line_prices import LENGTH_SLACK_FT
from standmap.species import species_mask
from standmap.value.amounts import (
    TREE,
    BoolArray,
    FloatArray,
    IntArray,
    LogLot,
    unit_code,
    unit_label,
)
from standmap.value.prices import check_price, entry_width

Basis = Literal["delivered", "stumpage"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Costs:
    """What it costs to bring a ton from the stump to a mill; all three are the user's own.

    Attributes
    ----------
    cut_load_usd_per_ton : float
        Felling, skidding and loading. [USD/ton]
    haul_usd_per_loaded_mile : float
        Rate of one truck for each loaded mile. [USD/mile]
    load_tons : float
        Green tons that one truck carries. [tons]

    Raises
    ------
    DomainError
        If a cost is negative or the load is not above 0.

    Examples
    --------
    >>> Costs(cut_load_usd_per_ton=18, haul_usd_per_loaded_mile=4.5, load_tons=25).usd_per_ton(50)
    27.0
    """

    cut_load_usd_per_ton: float
    haul_usd_per_loaded_mile: float
    load_tons: float

    def __post_init__(self) -> None:
        """Check the signs."""
        for name in ("cut_load_usd_per_ton", "haul_usd_per_loaded_mile"):
            if not 0 <= getattr(self, name) < math.inf:
                raise DomainError(f"'{name}' must be 0 or more; got {getattr(self, name)!r}.")
        if not 0 < self.load_tons < math.inf:
            raise DomainError(f"'load_tons' must be above 0 tons; got {self.load_tons!r}.")

    def usd_per_ton(self, haul_miles: float) -> float:
        """Return what a ton costs, cut, loaded and hauled ``haul_miles`` loaded miles."""
        haul = haul_miles * self.haul_usd_per_loaded_mile / self.load_tons
        return self.cut_load_usd_per_ton + haul


@dataclass(frozen=True, slots=True, kw_only=True)
class MillLine:
    """One thing a mill buys.

    Attributes
    ----------
    mill, product : str
        Name of the mill; product as in the product specs.
    price_usd : float
        Price for one ``unit``. [USD]
    unit : {"mbf", "ton", "cord", "tree"}
        What the price is paid by.
    basis : {"delivered", "stumpage"}
        Paid at the mill's gate, or for the standing tree with the mill's own loggers.
    log_rule : str
        Log rule of an MBF price.
    species : str
        Species or groups separated by ``;``; blank means any.
    haul_miles : float
        Loaded miles to the gate; needed for a delivered price. [miles]
    min_dib_in : float
        Smallest small end inside bark. [in]
    max_large_in : float
        Largest large end inside bark. [in]
    min_length_ft : float
        Shortest log. [ft]
    lengths_ft : tuple of float
        Lengths taken; empty for any. [ft]
    date : date or None
        When the price was quoted.
    limit : float
        Most that the mill takes of this line, in its ``unit``.
    limit_loads : float
        Most truck loads that the mill takes of everything together; the same on all its lines.
    row : int or None
        Row in the mills file, for messages.

    Raises
    ------
    DomainError
        If the price, unit or rule is wrong, the basis is unknown, or a delivered price has no
        miles.
    """

    mill: str
    product: str
    price_usd: float
    unit: str
    basis: Basis
    log_rule: str = ""
    species: str = ""
    haul_miles: float = math.nan
    min_dib_in: float = 0.0
    max_large_in: float = math.inf
    min_length_ft: float = 0.0
    lengths_ft: tuple[float, ...] = ()
    date: date | None = None
    limit: float = math.inf
    limit_loads: float = math.inf
    row: int | None = None

    def __post_init__(self) -> None:
        """Check the line by itself."""
        check_price(self.price_usd, self.unit, self.log_rule)
        if self.basis not in ("delivered", "stumpage"):
            raise DomainError(f"'basis' must be delivered or stumpage; got {self.basis!r}.")
        if self.basis == "delivered" and not 0 <= self.haul_miles < math.inf:
            raise DomainError(
                f"a delivered price needs 'haul_miles' of 0 or more; got {self.haul_miles!r}."
            )
        if not (self.limit > 0 and self.limit_loads > 0):
            raise DomainError("'limit' and 'limit_loads' must be above 0; leave them out for none.")

    @property
    def unit_label(self) -> str:
        """The unit as printed, such as ``MBF Doyle`` or ``ton``."""
        return unit_label(self.unit, self.log_rule)

    def takes_size(self, lot: LogLot) -> BoolArray:
        """Return which logs are of the size the mill takes, whatever their product."""
        fits = (lot.small_dib_in >= self.min_dib_in) & (lot.large_dib_in <= self.max_large_in)
        fits &= lot.length_ft >= self.min_length_ft - LENGTH_SLACK_FT
        if self.lengths_ft:
            apart = np.abs(lot.length_ft[:, np.newaxis] - np.array(self.lengths_ft))
            fits &= apart.min(axis=1) <= LENGTH_SLACK_FT
        return np.asarray(fits)


@dataclass(frozen=True, kw_only=True)
class MillSheet:
    """All the mills a sale can go to.

    Attributes
    ----------
    lines : tuple of MillLine
        What they buy.
    costs : Costs or None
        Cutting, loading and hauling; needed where a price is delivered or loads are counted.
    aliases : mapping of str to str
        The tract's own species names, understood in ``species``.
    stated : mapping of str to str
        Mill of each product that is sent to a stated one; `send_to` has left out the others' lines.

    Raises
    ------
    DomainError
        If a line needs costs and there are none, or the lines of a mill disagree on its loads.
    """

    lines: tuple[MillLine, ...]
    costs: Costs | None = None
    aliases: Mapping[str, str] = field(default_factory=dict)
    stated: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        """Check the lines against the costs and each other."""
        if self.costs is None and any(
            line.basis == "delivered" or line.limit_loads < math.inf for line in self.lines
        ):
            raise DomainError(
                "delivered prices and limits in loads need 'costs': nobody knows what cutting and "
                "hauling cost here but you."
            )
        for mill in self.mills:
            if len({x.limit_loads for x in self.lines if x.mill == mill} - {math.inf}) > 1:
                raise DomainError(f"the lines of {mill!r} give more than one 'limit_loads'.")

    @cached_property
    def mills(self) -> tuple[str, ...]:
        """Names of the mills, in the order they come."""
        return tuple(dict.fromkeys(line.mill for line in self.lines))

    @cached_property
    def mill_of_line(self) -> IntArray:
        """Which of `mills` each line is of."""
        place = {mill: at for at, mill in enumerate(self.mills)}
        return np.array([place[line.mill] for line in self.lines], dtype=np.int64)

    @cached_property
    def unit_code(self) -> IntArray:
        """Unit of each line, as `amounts.SALE_UNITS` counts them."""
        return np.array([unit_code(x.unit, x.log_rule) for x in self.lines], dtype=np.int64)

    @cached_property
    def price_usd(self) -> FloatArray:
        """Dollars that each line pays for one of its unit."""
        return np.array([line.price_usd for line in self.lines], dtype=np.float64)

    @cached_property
    def cost_usd_per_ton(self) -> FloatArray:
        """Dollars to bring a ton to each line's mill; 0 where the price is stumpage."""
        return np.array(
            [
                self.costs.usd_per_ton(line.haul_miles)
                if self.costs is not None and line.basis == "delivered"
                else 0.0
                for line in self.lines
            ],
            dtype=np.float64,
        )

    @cached_property
    def loads_limit(self) -> FloatArray:
        """Most truck loads that each of `mills` takes; inf for no limit."""
        of_mill = np.full(len(self.mills), np.inf)
        loads = np.array([line.limit_loads for line in self.lines], dtype=np.float64)
        np.minimum.at(of_mill, self.mill_of_line, loads)
        return of_mill

    def net_usd(self, lot: LogLot, line: int, amounts: FloatArray | None = None) -> FloatArray:
        """Return what each log would bring the landowner on one line, whether it is taken or not.

        Stumpage = price x amount - tons x (cut and load + miles x rate / load).
        """
        held = lot.amounts if amounts is None else amounts
        paid = self.price_usd[line] * held[:, self.unit_code[line]]
        return np.asarray(paid - self.cost_usd_per_ton[line] * lot.weight_tons)

    def accepts(self, lot: LogLot) -> BoolArray:
        """Return which lines would pay for each log.

        A mill pays by the narrowest of its species entries that takes the log's size: by its price
        for white oak, not by its price for any hardwood, even if that were higher.

        Returns
        -------
        ndarray of bool, shape (n, lines)
        """
        codes, at = np.unique(lot.species_code, return_inverse=True)
        place = {name.casefold(): p for p, name in enumerate(lot.products)}
        fits = np.zeros((len(lot), len(self.lines)), dtype=np.bool_)
        narrowest = np.full((len(lot), len(self.mills)), np.inf)
        width = [entry_width(line.species, self.aliases) for line in self.lines]
        for at_line, line in enumerate(self.lines):
            kinds = species_mask(line.species, codes, aliases=self.aliases)
            right = lot.product == place.get(line.product.casefold(), -1)
            fits[:, at_line] = right & kinds[at] & line.takes_size(lot)
            least = narrowest[:, self.mill_of_line[at_line]]
            np.minimum(least, width[at_line], out=least, where=fits[:, at_line])
        fits &= narrowest[:, self.mill_of_line] == np.array(width)
        return fits

    def for_stems(self, products: Sequence[str], species_code: IntArray) -> LinePrices:
        """Return the lines as bucking takes them, so that stems are cut for these very mills.

        Parameters
        ----------
        products : sequence of str
            Names of the specs that stems are cut with, in order. Lines for others are left out.
        species_code : ndarray of int
            Species to be cut, each once.
        """
        place = {name.casefold(): at for at, name in enumerate(products)}
        at_line = [k for k, x in enumerate(self.lines) if x.product.casefold() in place]
        pays = [
            species_mask(self.lines[k].species, species_code, aliases=self.aliases) for k in at_line
        ]
        return LinePrices(
            species_code=species_code,
            lines=tuple(
                PriceLine(
                    mill=int(self.mill_of_line[k]),
                    product=place[self.lines[k].product.casefold()],
                    price_usd=self.lines[k].price_usd,
                    unit=int(self.unit_code[k]),
                    cost_usd_per_ton=float(self.cost_usd_per_ton[k]),
                    width=entry_width(self.lines[k].species, self.aliases),
                    min_dib_in=self.lines[k].min_dib_in,
                    max_large_in=self.lines[k].max_large_in,
                    min_length_ft=self.lines[k].min_length_ft,
                    lengths_ft=self.lines[k].lengths_ft,
                )
                for k in at_line
            ),
            pays=np.array(pays, dtype=np.bool_).reshape(len(at_line), len(species_code)).T,
        )

    @property
    def by_tree(self) -> BoolArray:
        """Which lines pay by the tree."""
        return np.asarray(self.unit_code == TREE)
