"""What a mill or a yard will take: product specifications, checked once."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from standmap.errors import DomainError

Kind = Literal["saw", "bulk"]
Bark = Literal["ib", "ob"]

LONGEST_LOG_FT: Final = 125.0
"""Longest pole of ANSI O5.1, from memory; a longer product is a slip, inches most likely. [ft]"""

SHORTEST_LOG_FT: Final = 1.0
SHORTEST_STEP_FT: Final = 0.1
LONGEST_TRIM_FT: Final = 2.0
"""Bounds that catch slips of the unit: common practice, no source. [ft]"""

NUMBERS: Final = (
    "rank",
    "min_dbh_in",
    "max_dbh_in",
    "min_top_in",
    "min_length_ft",
    "max_length_ft",
    "length_step_ft",
    "trim_ft",
    "max_large_in",
    "max_grade",
    "max_cull_pct",
    "min_logs",
)
WHOLE: Final = ("rank", "min_logs")
"""Attributes that are numbers, and those of them that are whole."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductSpec:
    """One product and the logs it takes.

    Attributes
    ----------
    product : str
        Name, as priced and as the cruiser calls it.
    kind : {"saw", "bulk"}
        A saw log is scaled in board feet, net of defect, and never lies above the recorded saw
        height. Bulk wood is weighed or stacked: tons and cords, no board feet.
    rank : int
        1 is the best; a log goes to the best product that takes it.
    min_top_in : float
        Smallest diameter of the small end, where the saw cuts (above the trim). [in]
    min_length_ft, max_length_ft, length_step_ft : float
        Lengths taken: the shortest, and every step up to the longest. [ft] With ``lengths_ft``
        they are the ends of that list.
    lengths_ft : tuple of float
        Lengths taken, where they are a list and not steps: ``(8, 10, 12, 16)``. [ft]
    species : str
        Species or group names between semicolons; blank or "any" takes all.
    min_dbh_in, max_dbh_in : float
        Trees taken, both ends included. [in]
    top_bark : {"ib", "ob"}
        Whether ``min_top_in`` is inside or outside bark.
    trim_ft : float
        Length left over the scaled length on each log. [ft]
    max_large_in : float
        Largest diameter inside bark of the large end that the buyer can handle. [in]
    max_grade : float
        Worst grade of the butt log, 1 the best, of the trees taken. A tree that nobody graded is
        not taken: size alone never makes a grade. The butt log speaks for the tree, as in the
        hardwood tree grades of Hanks 1976 (from memory); an upper log is seldom better. Where
        stretches of a stem are graded (`StemDefects`), a log has the grade of its worst part.
    butt_only : bool
        True where only the first log, cut at the stump, is taken.
    max_cull_pct : float
        Most defect that a tree taken, or a log of a stem with recorded defects, may have. [%]
    min_logs : int
        Fewest pieces of the product that make it worth sorting: a tree that yields fewer yields
        none.
    called_only : bool
        True where size alone cannot make the product (face veneer): only trees that the cruiser
        called by this name are cut for it.
    description : str
        For people.

    Raises
    ------
    DomainError
        If the limits contradict each other; every contradiction is named.

    Examples
    --------
    >>> oak = ProductSpec(product="oak sawlog", kind="saw", rank=1, species="oak", min_dbh_in=12,
    ...                   min_top_in=10, min_length_ft=8, max_length_ft=16)
    >>> oak.legal_lengths_ft
    array([ 8., 10., 12., 14., 16.])
    >>> ProductSpec(product="tie log", kind="saw", rank=2, min_top_in=10,
    ...             lengths_ft=(17, 8.5)).legal_lengths_ft
    array([ 8.5, 17. ])
    >>> ProductSpec(product="post", kind="bulk", rank=2, min_top_in=9, max_dbh_in=7,
    ...             min_length_ft=8, max_length_ft=6)
    Traceback (most recent call last):
    standmap.errors.DomainError: product 'post': 'min_top_in' is wider than max_dbh_in (7 in):
    no tree can make it; got 9. 'max_length_ft' must be >= min_length_ft (8 ft); got 6.
    """

    product: str
    kind: Kind
    rank: int
    min_top_in: float
    min_length_ft: float = math.nan
    max_length_ft: float = math.nan
    species: str = "any"
    min_dbh_in: float = 0.0
    max_dbh_in: float = math.inf
    top_bark: Bark = "ib"
    length_step_ft: float = 2.0
    lengths_ft: tuple[float, ...] = ()
    trim_ft: float = 0.0
    max_large_in: float = math.inf
    max_grade: float = math.inf
    butt_only: bool = False
    max_cull_pct: float = 100.0
    min_logs: int = 1
    called_only: bool = False
    description: str = ""

    def __post_init__(self) -> None:
        """Check the limits against each other; a list of lengths sets its own ends."""
        listed = tuple(sorted(float(length) for length in self.lengths_ft))
        object.__setattr__(self, "lengths_ft", listed)
        for name, end in (("min_length_ft", listed[:1]), ("max_length_ft", listed[-1:])):
            if end and math.isnan(getattr(self, name)):
                object.__setattr__(self, name, end[0])
        found = list(faults({f.name: getattr(self, f.name) for f in fields(self)}))
        if found:
            said = " ".join(f"'{column}' {what}; got {shown(got)}." for column, what, got in found)
            raise DomainError(f"product {self.product!r}: {said}")

    @property
    def n_lengths(self) -> int:
        """How many lengths the product is cut to."""
        if self.lengths_ft:
            return len(self.lengths_ft)
        # 1e-9: steps such as 0.1 ft are not whole in binary.
        return 1 + math.floor(
            (self.max_length_ft - self.min_length_ft) / self.length_step_ft + 1e-9
        )

    @property
    def legal_lengths_ft(self) -> NDArray[np.float64]:
        """Lengths taken, shortest first, without trim, in feet."""
        if self.lengths_ft:
            return np.array(self.lengths_ft)
        return self.min_length_ft + self.length_step_ft * np.arange(
            self.n_lengths, dtype=np.float64
        )


Fault = tuple[str, str, object]


def shown(value: object) -> str:
    """Return a cell as messages show it."""
    if isinstance(value, tuple):
        return ";".join(map(shown, value))
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def faults(v: Mapping[str, object]) -> Iterator[Fault]:
    """Yield (column, what it must be, value) for each contradiction in one row of limits."""
    if not str(v["product"]).strip():
        yield "product", "must be a name", v["product"]
    if v["kind"] not in ("saw", "bulk"):
        yield "kind", "must be 'saw' (scaled) or 'bulk' (weighed or stacked)", v["kind"]
    if v["top_bark"] not in ("ib", "ob"):
        yield "top_bark", "must be 'ib' (inside bark) or 'ob' (outside bark)", v["top_bark"]
    number = {name: float(v[name]) for name in NUMBERS}  # type: ignore[arg-type]
    lengths: tuple[float, ...] = v["lengths_ft"]  # type: ignore[assignment]
    blank = [name for name, x in number.items() if math.isnan(x)]
    yield from ((name, "must be a number", math.nan) for name in blank)
    if not blank:
        yield from _size_faults(number)
        yield from _length_faults(number)
        yield from _list_faults(lengths, number)
        yield from _quality_faults(number)


def _size_faults(v: Mapping[str, float]) -> Iterator[Fault]:
    if v["rank"] < 1 or not v["rank"].is_integer():
        yield "rank", "must be a whole number, 1 for the best", v["rank"]
    for name in ("min_dbh_in", "min_top_in"):
        if not 0 <= v[name] < math.inf:
            yield name, "must be >= 0 in", v[name]
    if v["max_dbh_in"] < v["min_dbh_in"]:
        yield "max_dbh_in", f"must be >= min_dbh_in ({v['min_dbh_in']:g} in)", v["max_dbh_in"]
    if v["max_large_in"] < v["min_top_in"]:
        yield "max_large_in", f"must be >= min_top_in ({v['min_top_in']:g} in)", v["max_large_in"]
    if v["min_top_in"] > v["max_dbh_in"]:
        limit = f"{v['max_dbh_in']:g} in"
        yield (
            "min_top_in",
            f"is wider than max_dbh_in ({limit}): no tree can make it",
            v["min_top_in"],
        )


def _length_faults(v: Mapping[str, float]) -> Iterator[Fault]:
    for name in ("min_length_ft", "max_length_ft"):
        if not SHORTEST_LOG_FT <= v[name] <= LONGEST_LOG_FT:
            yield name, f"must be {SHORTEST_LOG_FT:g} to {LONGEST_LOG_FT:g} ft", v[name]
    if v["max_length_ft"] < v["min_length_ft"]:
        least = f"{v['min_length_ft']:g} ft"
        yield "max_length_ft", f"must be >= min_length_ft ({least})", v["max_length_ft"]
    if not SHORTEST_STEP_FT <= v["length_step_ft"] <= LONGEST_LOG_FT:
        yield "length_step_ft", f"must be at least {SHORTEST_STEP_FT:g} ft", v["length_step_ft"]
    if not 0 <= v["trim_ft"] <= LONGEST_TRIM_FT:
        yield "trim_ft", f"must be 0 to {LONGEST_TRIM_FT:g} ft (feet, not inches)", v["trim_ft"]


def _list_faults(lengths: tuple[float, ...], v: Mapping[str, float]) -> Iterator[Fault]:
    if not lengths:
        return
    if len(set(lengths)) < len(lengths):
        yield "lengths_ft", "must name each length once", lengths
    ends = (v["min_length_ft"], v["max_length_ft"])
    if ends != (min(lengths), max(lengths)):
        told = f"must run from min_length_ft to max_length_ft ({ends[0]:g} to {ends[1]:g} ft)"
        yield "lengths_ft", f"{told}; leave those two blank", lengths


def _quality_faults(v: Mapping[str, float]) -> Iterator[Fault]:
    if not v["max_grade"] >= 1:
        yield "max_grade", "must be 1 (the best) or more", v["max_grade"]
    if not 0 <= v["max_cull_pct"] <= 100:
        yield "max_cull_pct", "must be 0 to 100 %", v["max_cull_pct"]
    if v["min_logs"] < 1 or not v["min_logs"].is_integer():
        yield "min_logs", "must be a whole number of pieces, at least 1", v["min_logs"]
