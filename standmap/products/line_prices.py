"""What several mills pay for logs, line by line, as arrays that bucking can read.

A price sheet says one price for a product. A mills table says several, each with its own unit,
sizes and haul, and which is best depends on the very log. Bucking asks the lines for every log
that it tries, so the cut is the best at the mills and not at an average of them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError
from standmap.products._plan_kernels import CORD, N_RULES, TON, TREE, LineArrays, PriceArrays
from standmap.products.specs import ProductSpec
from standmap.products.stem_prices import PRICE_UNITS, rows_of_species

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

LENGTH_SLACK_FT: Final = 0.05
"""How far a log may be from a length that a mill names; half of a tenth of a foot. [ft]"""

MOST_MARKETS: Final = 64
"""Most ways to choose between prices by the tree and others, for one species."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PriceLine:
    """One line that a buyer pays by, as bucking sees it.

    Attributes
    ----------
    mill : int
        Number of the buyer, from 0.
    product : int
        Place of the product among the specs.
    price_usd : float
        Price of one unit. [USD]
    unit : int
        Place in ``PRICE_UNITS``.
    cost_usd_per_ton : float
        What it costs to bring a ton there. [USD/ton]
    width : float
        How many species the line is for: within a mill the narrowest that takes a log pays.
    min_dib_in, max_large_in : float
        Smallest small end and largest large end, inside bark. [in]
    min_length_ft : float
        Shortest log. [ft]
    lengths_ft : tuple of float
        Lengths taken; empty for any. [ft]

    Raises
    ------
    DomainError
        If a price or cost is negative or not a number, or the unit has no code.
    """

    mill: int
    product: int
    price_usd: float
    unit: int
    cost_usd_per_ton: float = 0.0
    width: float = math.inf
    min_dib_in: float = 0.0
    max_large_in: float = math.inf
    min_length_ft: float = 0.0
    lengths_ft: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        """Check the figures."""
        for name in ("price_usd", "cost_usd_per_ton"):
            if not 0 <= getattr(self, name) < math.inf:
                raise DomainError(f"'{name}' must be 0 or more; got {getattr(self, name)!r}.")
        if not 0 <= self.unit < len(PRICE_UNITS):
            raise DomainError(
                f"'unit' must be 0 to {len(PRICE_UNITS) - 1}, a place in PRICE_UNITS; "
                f"got {self.unit!r}."
            )


@dataclass(frozen=True, kw_only=True, eq=False)
class LinePrices:
    """Lines of several buyers, by species.

    Attributes
    ----------
    species_code : ndarray of int, shape (rows,)
        Species of each row, each once.
    lines : tuple of PriceLine
        What the buyers pay.
    pays : ndarray of bool, shape (rows, lines)
        Which lines are for each species.

    Raises
    ------
    DomainError
        If shapes disagree or a species comes twice.

    Notes
    -----
    A log brings price x its amount in the line's unit - cost per ton x its tons, on the line of
    all mills that nets most; a log that would net less than nothing is left. A price by the tree
    buys all the logs that its product has in a tree, or none.

    Examples
    --------
    >>> prices = LinePrices(species_code=[802], pays=[[True, True]], lines=(
    ...     PriceLine(mill=0, product=0, price_usd=500, unit=PRICE_UNITS.index("mbf doyle")),
    ...     PriceLine(mill=1, product=0, price_usd=60, unit=PRICE_UNITS.index("ton"),
    ...               cost_usd_per_ton=24.0)))
    >>> prices.rows_of([802, 802])
    array([0, 0])
    """

    species_code: Ints
    lines: tuple[PriceLine, ...]
    pays: Bools

    def __post_init__(self) -> None:
        """Make arrays of what was given, and check them."""
        codes = np.array(self.species_code, dtype=np.int64)
        pays = np.array(self.pays, dtype=np.bool_).reshape(len(codes), -1)
        if pays.shape != (len(codes), len(self.lines)):
            raise DomainError(
                f"'pays' must have a row per species and a column per line "
                f"{(len(codes), len(self.lines))}; got {pays.shape}."
            )
        if len(np.unique(codes)) < len(codes):
            raise DomainError("'species_code' must name each species once.")
        object.__setattr__(self, "species_code", codes)
        object.__setattr__(self, "pays", pays)

    def rows_of(self, species_code: ArrayLike) -> Ints:
        """Return the row of each tree's species.

        Raises
        ------
        DomainError
            If a species has no row.
        """
        return rows_of_species(self.species_code, species_code)

    def bought(self, product: int) -> Bools:
        """Return the species for which somebody pays for a product, shape (rows,)."""
        of_product = np.array([line.product == product for line in self.lines], dtype=np.bool_)
        return np.asarray(self.pays[:, of_product].any(axis=1))


@dataclass(frozen=True, slots=True)
class _Line:
    """A line beside one spec: the lengths of the spec that it takes, and whether it pays here."""

    line: PriceLine
    takes: Bools
    buys: bool

    @property
    def cost_usd_per_ton(self) -> float:
        return 0.0 if self.line.unit == TON else self.line.cost_usd_per_ton

    @property
    def price_usd(self) -> float:
        """Price of a unit; of a ton, less what it costs to bring."""
        own = self.line
        return own.price_usd - own.cost_usd_per_ton if own.unit == TON else own.price_usd

    @property
    def free(self) -> bool:
        """Whether any log of the spec is of its size."""
        own = self.line
        return own.min_dib_in <= 0 and math.isinf(own.max_large_in) and bool(self.takes.all())

    def beats(self, other: _Line) -> bool:
        """Whether it takes every log that another takes, and never pays less."""
        mine, theirs = self.line, other.line
        return (
            self.buys
            and mine.unit == theirs.unit
            and self.price_usd >= other.price_usd
            and self.cost_usd_per_ton <= other.cost_usd_per_ton
            and mine.min_dib_in <= theirs.min_dib_in
            and mine.max_large_in >= theirs.max_large_in
            and bool((self.takes | ~other.takes).all())
        )


def line_price_arrays(
    prices: LinePrices, specs: Sequence[ProductSpec], row: Ints
) -> tuple[PriceArrays, LineArrays]:
    """Return the lines as the kernels take them, without those that can never pay.

    Parameters
    ----------
    prices : LinePrices
        The lines.
    specs : sequence of ProductSpec
        The specs that ``PriceLine.product`` counts.
    row : ndarray of int, shape (trees,)
        Row of each tree's species.

    Raises
    ------
    DomainError
        If a line's product is not a place among the specs, or a species can be sold in too many
        ways.
    """
    for line in prices.lines:
        if not 0 <= line.product < len(specs):
            raise DomainError(
                f"'product' must be 0 to {len(specs) - 1}, a place among the specs; "
                f"got {line.product}."
            )
    markets: list[tuple[tuple[_Line, ...], ...]] = []
    first_market = [0]
    for pays in prices.pays:
        own = [line for line, on in zip(prices.lines, pays, strict=True) if on]
        choices = [
            list(_choices([x for x in own if x.product == s], spec)) or [()]
            for s, spec in enumerate(specs)
        ]
        if math.prod(map(len, choices)) > MOST_MARKETS:
            raise DomainError(
                f"one species can be sold in {math.prod(map(len, choices))} ways by the tree; the "
                f"most is {MOST_MARKETS}. Price fewer of its products by the tree."
            )
        markets += itertools.product(*choices)
        first_market.append(len(markets))
    return _arrays(markets, specs, row, np.array(first_market, dtype=np.int64))


def _choices(lines: list[PriceLine], spec: ProductSpec) -> Iterator[tuple[_Line, ...]]:
    """Yield the ways to sell one product of one species: log by log, then by the tree."""
    lengths = spec.legal_lengths_ft
    no_amount = (CORD,) if spec.kind == "saw" else tuple(range(N_RULES))
    fits = [(line, _takes(line, lengths)) for line in lines]
    fits = [(line, takes) for line, takes in fits if takes.any()]
    by_log = [_Line(x, takes, x.unit not in (TREE, *no_amount)) for x, takes in fits]
    by_log = [x if x.price_usd >= 0 else _Line(x.line, x.takes, False) for x in by_log]
    kept = _without_idle(by_log)
    if kept:
        yield kept
    for tree, _ in fits:
        if tree.unit == TREE:
            of_mill = [_Line(x, takes, x is tree) for x, takes in fits if x.mill == tree.mill]
            yield _without_idle(of_mill)


def _takes(line: PriceLine, lengths: Floats) -> Bools:
    """Return which lengths of a spec a line takes."""
    takes = lengths >= line.min_length_ft - LENGTH_SLACK_FT
    if line.lengths_ft:
        apart = np.abs(lengths[:, np.newaxis] - np.array(line.lengths_ft))
        takes &= apart.min(axis=1) <= LENGTH_SLACK_FT
    return np.asarray(takes)


def _without_idle(lines: list[_Line]) -> tuple[_Line, ...]:
    """Return the lines that may pay for some log, or bar another, by mill and narrowest first."""
    kept: list[_Line] = []
    by_mill = sorted(lines, key=lambda x: (x.line.mill, x.line.width))
    for _, group in itertools.groupby(by_mill, key=lambda x: x.line.mill):
        of_mill = list(group)
        # Behind a line that takes every size the wider ones of its mill never pay.
        widest = min((x.line.width for x in of_mill if x.free), default=math.inf)
        of_mill = [x for x in of_mill if x.line.width <= widest]
        if any(x.buys for x in of_mill):
            kept += of_mill
    # A line can go if nothing wider stands behind it and it never pays, or never pays more than one
    # that nothing narrower bars.
    least: dict[int, float] = {}
    most: dict[int, float] = {}
    for x in kept:
        least[x.line.mill] = min(least.get(x.line.mill, math.inf), x.line.width)
        most[x.line.mill] = max(most.get(x.line.mill, 0.0), x.line.width)
    at = 0
    while at < len(kept):
        x = kept[at]
        last = x.line.width == most[x.line.mill]
        always = (
            y for y in kept if y is not x and y.line.width == least[y.line.mill] and y.beats(x)
        )
        if last and (not x.buys or any(always)):
            del kept[at]
        else:
            at += 1
    return tuple(kept)


def _sinks(lines: tuple[_Line, ...]) -> bool:
    """Whether a log from farther down a stem never brings less on these lines."""
    one_width = len({(x.line.mill, x.line.width) for x in lines}) == len(
        {x.line.mill for x in lines}
    )
    return one_width and all(
        x.cost_usd_per_ton == 0 and math.isinf(x.line.max_large_in) for x in lines
    )


def _arrays(
    markets: list[tuple[tuple[_Line, ...], ...]],
    specs: Sequence[ProductSpec],
    row: Ints,
    first_market: Ints,
) -> tuple[PriceArrays, LineArrays]:
    shape = (len(markets), len(specs))
    price = np.full(shape, np.nan)
    unit = np.full(shape, TON, dtype=np.int64)
    cost = np.zeros(shape)
    by_line = np.ones(shape, dtype=np.bool_)
    one_free = np.zeros(shape, dtype=np.bool_)
    first = np.zeros((shape[0], shape[1] + 1), dtype=np.int64)
    flat: list[_Line] = []
    for m, market in enumerate(markets):
        first[m, 0] = len(flat)
        for s, lines in enumerate(market):
            flat += lines
            first[m, s + 1] = len(flat)
            if not lines:
                continue
            price[m, s] = 0.0  # bought: the lines say for how much
            tree = [x for x in lines if x.buys and x.line.unit == TREE]
            if tree:
                price[m, s], unit[m, s] = tree[0].price_usd, TREE
            if len(lines) == 1 and lines[0].free:
                one_free[m, s] = True
                price[m, s], unit[m, s] = lines[0].price_usd, lines[0].line.unit
                cost[m, s] = lines[0].cost_usd_per_ton
                by_line[m, s] = cost[m, s] > 0
    widest = max((len(x.takes) for x in flat), default=1)
    takes = np.zeros((len(flat), widest), dtype=np.bool_)
    for at, x in enumerate(flat):
        takes[at, : len(x.takes)] = x.takes

    def floats(values: Iterator[float]) -> Floats:
        return np.array(list(values), dtype=np.float64)

    arrays = PriceArrays(
        price_usd=price,
        unit=unit,
        cost_usd_per_ton=cost,
        by_line=by_line,
        one_free=one_free,
        sinks=np.array([all(map(_sinks, market)) for market in markets], dtype=np.bool_),
        row=row,
        first_market=first_market,
    )
    return arrays, LineArrays(
        first=first,
        mill=np.array([x.line.mill for x in flat], dtype=np.int64),
        width=floats(x.line.width for x in flat),
        buys=np.array([x.buys for x in flat], dtype=np.bool_),
        price_usd=floats(x.price_usd for x in flat),
        unit=np.array([x.line.unit for x in flat], dtype=np.int64),
        cost_usd_per_ton=floats(x.cost_usd_per_ton for x in flat),
        min_dib_in=floats(x.line.min_dib_in for x in flat),
        max_large_in=floats(x.line.max_large_in for x in flat),
        takes=takes,
    )
