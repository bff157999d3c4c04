"""How much of each log a price can pay for: board feet by four rules, tons, cords, trees.

Every unit of sale has a code, its column in the amounts: MBF by the rules in the order of
`units.LOG_RULES` (0 to 3), ton (4), cord (5), tree (6).
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from typing import Final

import numpy as np
import numpy.typing as npt

from standmap.errors import DomainError
from standmap.products import Logs
from standmap.units import BF_PER_MBF, LOG_RULES

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

UNITS: Final = ("mbf", "ton", "cord", "tree")
"""The units a price may be quoted by."""

SALE_UNITS: Final = (
    *(("mbf", rule) for rule in LOG_RULES),
    ("ton", ""),
    ("cord", ""),
    ("tree", ""),
)
"""Unit and log rule of each unit code, in order."""

TON: Final = SALE_UNITS.index(("ton", ""))
CORD: Final = SALE_UNITS.index(("cord", ""))
TREE: Final = SALE_UNITS.index(("tree", ""))


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


def unit_code(unit: str, log_rule: str = "") -> int:
    """Return the code of a unit of sale: its column in the amounts.

    Raises
    ------
    DomainError
        If there is no such unit, or an MBF names no log rule.

    Examples
    --------
    >>> unit_code("mbf", "doyle"), unit_code("ton"), unit_code("tree")
    (1, 4, 6)
    """
    key = (unit, log_rule if unit == "mbf" else "")
    if key not in SALE_UNITS:
        known = ", ".join(unit_label(*pair) for pair in SALE_UNITS)
        raise DomainError(f"the unit must be one of {known}; got {unit_label(unit, log_rule)!r}.")
    return SALE_UNITS.index(key)


def sale_amounts(
    bf: FloatArray, cords: FloatArray, weight_tons: FloatArray, first_of_product: BoolArray
) -> FloatArray:
    """Return how much of each log every unit of sale counts.

    Parameters
    ----------
    bf : ndarray, shape (n, 4)
        Net board feet, in the order of `units.LOG_RULES`.
    cords, weight_tons : ndarray, shape (n,)
        Cords, and green short tons.
    first_of_product : ndarray of bool, shape (n,)
        True for the first log of its product in its tree: a price by the tree is paid there, once.

    Returns
    -------
    ndarray, shape (n, 7)
        In the order of `SALE_UNITS`: MBF by four rules, tons, cords, trees.

    Examples
    --------
    >>> sale_amounts(np.array([[180.0, 144, 160, 160]]), np.zeros(1), np.array([1.2]),
    ...              np.array([True]))
    array([[0.18 , 0.144, 0.16 , 0.16 , 1.2  , 0.   , 1.   ]])
    """
    return np.column_stack([bf / BF_PER_MBF, weight_tons, cords, first_of_product.astype(float)])


def first_logs(tree: npt.ArrayLike, product: npt.ArrayLike) -> BoolArray:
    """Mark the first log of each product in each tree.

    Parameters
    ----------
    tree, product : array_like of int, shape (n,)
        Tree and product of each log; within a tree the logs are in order from the stump.

    Returns
    -------
    ndarray of bool, shape (n,)

    Examples
    --------
    >>> first_logs([0, 0, 0, 1], [2, 2, 5, 2])
    array([ True, False,  True,  True])
    """
    of_tree = np.asarray(tree, dtype=np.int64)
    of_product = np.asarray(product, dtype=np.int64)
    first = np.zeros(len(of_tree), dtype=np.bool_)
    key = of_tree * (int(of_product.max(initial=0)) + 1) + of_product
    first[np.unique(key, return_index=True)[1]] = True
    return first


@dataclass(frozen=True, kw_only=True, repr=False)
class LogLot:
    """Logs offered for sale, as buyers see them: one value for each of n logs.

    Attributes
    ----------
    products : tuple of str
        Names of the products; ``product`` counts them from 0.
    tree, product, species_code : ndarray of int, shape (n,)
        Which tree each log is of, which product it makes, its species code. Within a tree the
        logs are in order from the stump.
    small_dib_in, large_dib_in : ndarray
        Diameter inside bark of the two ends. [in]
    length_ft : ndarray
        Scaled length. [ft]
    bf : ndarray, shape (n, 4)
        Net board feet, in the order of `units.LOG_RULES`. [bf]
    cords, weight_tons, volume_cuft : ndarray
        Cords, green short tons, solid wood. [cords, tons, cu ft]

    Raises
    ------
    DomainError
        If an array has not one value for each log.
    """

    products: tuple[str, ...]
    tree: IntArray
    product: IntArray
    species_code: IntArray
    small_dib_in: FloatArray
    large_dib_in: FloatArray
    length_ft: FloatArray
    bf: FloatArray
    cords: FloatArray
    weight_tons: FloatArray
    volume_cuft: FloatArray

    def __post_init__(self) -> None:
        """Check that every array speaks of the same logs."""
        n = len(self.tree)
        for name in (f.name for f in fields(self)[1:]):
            shape = (n, len(LOG_RULES)) if name == "bf" else (n,)
            if getattr(self, name).shape != shape:
                raise DomainError(f"'{name}' must be {shape}; got {getattr(self, name).shape}.")

    @classmethod
    def of(cls, logs: Logs, species_code: npt.ArrayLike) -> LogLot:
        """Make a lot of bucked logs.

        Parameters
        ----------
        logs : Logs
            From any way of bucking.
        species_code : array_like of int, shape (trees,)
            Species of each tree.
        """
        return cls(
            products=logs.products,
            tree=logs.tree.astype(np.int64),
            product=logs.product.astype(np.int64),
            species_code=np.asarray(species_code, dtype=np.int64)[logs.tree],
            small_dib_in=logs.small_dib_in,
            large_dib_in=logs.large_dib_in,
            length_ft=logs.length_ft,
            bf=logs.bf,
            cords=logs.cords,
            weight_tons=logs.weight_tons,
            volume_cuft=logs.volume_cuft,
        )

    def __len__(self) -> int:
        """Count the logs."""
        return len(self.tree)

    def __repr__(self) -> str:
        """One line."""
        return f"<LogLot: {len(self)} logs of {len(self.products)} products>"

    @cached_property
    def group(self) -> IntArray:
        """Which logs are the same product of the same tree: numbers from 0."""
        key = self.tree * len(self.products) + self.product
        return np.asarray(np.unique(key, return_inverse=True)[1], dtype=np.int64)

    @cached_property
    def amounts(self) -> FloatArray:
        """How much of each log every unit of sale counts, shape (n, 7); see `sale_amounts`."""
        first = first_logs(self.tree, self.product)
        return sale_amounts(self.bf, self.cords, self.weight_tons, first)
