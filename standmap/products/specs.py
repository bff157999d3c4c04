"""What a mill or a yard will take: product specifications, checked once."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import MISSING, dataclass, fields
from difflib import get_close_matches
from typing import Final, Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from standmap._tables import load_table
from standmap.errors import DomainError, InputError, Problem
from standmap.species import UnknownSpeciesError, species_mask

Kind = Literal["saw", "bulk"]
Bark = Literal["ib", "ob"]

LONGEST_LOG_FT: Final = 125.0
"""Longest pole of ANSI O5.1, from memory; a longer product is a slip, inches most likely. [ft]"""

SHORTEST_LOG_FT: Final = 1.0
SHORTEST_STEP_FT: Final = 0.1
LONGEST_TRIM_FT: Final = 2.0
"""Bounds that catch slips of the unit: common practice, no source. [ft]"""

_NUMBERS: Final = (
    "rank",
    "min_dbh_in",
    "max_dbh_in",
    "min_top_in",
    "min_length_ft",
    "max_length_ft",
    "length_step_ft",
    "trim_ft",
    "max_large_in",
)
_YES_NO: Final = {
    **dict.fromkeys(("yes", "y", "true", "1"), True),
    **dict.fromkeys(("no", "n", "false", "0"), False),
}


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
        Lengths taken: the shortest, and every step up to the longest. [ft]
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
    >>> oak.lengths_ft
    array([ 8., 10., 12., 14., 16.])
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
    min_length_ft: float
    max_length_ft: float
    species: str = "any"
    min_dbh_in: float = 0.0
    max_dbh_in: float = math.inf
    top_bark: Bark = "ib"
    length_step_ft: float = 2.0
    trim_ft: float = 0.0
    max_large_in: float = math.inf
    called_only: bool = False
    description: str = ""

    def __post_init__(self) -> None:
        """Check the limits against each other."""
        faults = list(_faults({f.name: getattr(self, f.name) for f in fields(self)}))
        if faults:
            said = " ".join(
                f"'{column}' {what}; got {_shown(got)}." for column, what, got in faults
            )
            raise DomainError(f"product {self.product!r}: {said}")

    @property
    def n_lengths(self) -> int:
        """How many lengths the product is cut to."""
        # 1e-9: steps such as 0.1 ft are not whole in binary.
        return 1 + math.floor(
            (self.max_length_ft - self.min_length_ft) / self.length_step_ft + 1e-9
        )

    @property
    def lengths_ft(self) -> NDArray[np.float64]:
        """Lengths taken, shortest first, without trim, in feet."""
        return self.min_length_ft + self.length_step_ft * np.arange(
            self.n_lengths, dtype=np.float64
        )


Fault = tuple[str, str, object]


def _shown(value: object) -> str:
    return f"{value:g}" if isinstance(value, int | float) else str(value)


def _faults(v: Mapping[str, object]) -> Iterator[Fault]:
    """Yield (column, what it must be, value) for each contradiction in one row of limits."""
    if not str(v["product"]).strip():
        yield "product", "must be a name", v["product"]
    if v["kind"] not in ("saw", "bulk"):
        yield "kind", "must be 'saw' (scaled) or 'bulk' (weighed or stacked)", v["kind"]
    if v["top_bark"] not in ("ib", "ob"):
        yield "top_bark", "must be 'ib' (inside bark) or 'ob' (outside bark)", v["top_bark"]
    number = {name: float(v[name]) for name in _NUMBERS}  # type: ignore[arg-type]
    blank = [name for name, x in number.items() if math.isnan(x)]
    yield from ((name, "must be a number", math.nan) for name in blank)
    if not blank:
        yield from _size_faults(number)
        yield from _length_faults(number)


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


def specs_from_frame(
    df: pd.DataFrame, *, file: str = "products", aliases: Mapping[str, str] | None = None
) -> list[ProductSpec]:
    """Product specs from a table, one per row.

    Parameters
    ----------
    df : DataFrame
        Columns named as the attributes of :class:`ProductSpec`. ``product``, ``kind``,
        ``min_top_in``, ``min_length_ft`` and ``max_length_ft`` are required; ``rank`` defaults to
        the order of the rows. Blank cells take the default. ``source`` is allowed and not read.
    file : str
        File as the user named it, for messages.
    aliases : mapping, optional
        The tract's own species names.

    Returns
    -------
    list of ProductSpec
        In the order of the rows.

    Raises
    ------
    InputError
        With every problem of the table; rows are counted as in a spreadsheet (header is row 1).

    Examples
    --------
    >>> table = pd.DataFrame({"product": ["oak sawlog", "pulpwood"], "kind": ["saw", "bulk"],
    ...                       "species": ["oak", "any"], "min_top_in": [10, 4],
    ...                       "min_length_ft": [8, 8], "max_length_ft": [16, 40]})
    >>> [(spec.product, spec.rank) for spec in specs_from_frame(table)]
    [('oak sawlog', 1), ('pulpwood', 2)]
    """
    problems = list(_table_problems(df, file))
    if any(p.severity == "error" for p in problems):
        raise InputError(problems)
    specs: list[ProductSpec] = []
    first_row: dict[str, int] = {}
    for position, record in enumerate(df.to_dict("records")):
        row = position + 2
        values, found = _read_row(record, default_rank=position + 1, file=file, row=row)
        if not found:
            found = [
                Problem(
                    severity="error",
                    file=file,
                    row=row,
                    column=column,
                    value=_shown(got),
                    what=what,
                    mend="Correct the product's limits.",
                )
                for column, what, got in _faults(values)
            ]
        found += _species_problems(str(values["species"]), aliases, file, row)
        name = str(values["product"]).casefold()
        if name in first_row:
            found.append(
                Problem(
                    severity="error",
                    file=file,
                    row=row,
                    column="product",
                    value=str(values["product"]),
                    what=f"this product is already on row {first_row[name]}",
                    mend="Give each row its own name, such as 'oak sawlog' and 'poplar sawlog'.",
                )
            )
        first_row.setdefault(name, row)
        problems += found
        if not found:
            specs.append(ProductSpec(**values))  # type: ignore[arg-type]
    if problems:
        raise InputError(problems)
    return specs


def example_products() -> list[ProductSpec]:
    """Return example products of the eastern United States.

    An illustration to be replaced by the buyer's own specifications: mills decide what they take,
    and there is no one industry standard. Each row of ``data/products_example.csv`` names its
    source, or says that it has none.

    Examples
    --------
    >>> [spec.product for spec in example_products() if spec.kind == "saw"]
    ['face veneer', 'hardwood sawtimber', 'softwood sawtimber', 'pallet and tie']
    """
    return specs_from_frame(load_table("products_example"), file="products_example.csv")


_REQUIRED = tuple(f.name for f in fields(ProductSpec) if f.default is MISSING and f.name != "rank")
_DEFAULTS = {f.name: f.default for f in fields(ProductSpec) if f.default is not MISSING}
_KNOWN = {f.name for f in fields(ProductSpec)} | {"source"}


def _table_problems(df: pd.DataFrame, file: str) -> Iterator[Problem]:
    for column in _REQUIRED:
        if column not in df.columns:
            yield Problem(
                severity="error",
                file=file,
                column=column,
                what="column is missing",
                mend="Add the column, or map it to your own name in the tract file.",
            )
    for column in map(str, df.columns):
        if column not in _KNOWN:
            near = get_close_matches(column, _KNOWN, n=1)
            yield Problem(
                severity="error",
                file=file,
                column=column,
                what="unknown column",
                mend=f"Did you mean '{near[0]}'?"
                if near
                else "Remove it, or move it to 'description'.",
            )
    if df.empty:
        yield Problem(
            severity="error",
            file=file,
            what="the table has no products",
            mend="Add a row for each product the buyers take.",
        )


def _read_row(
    record: Mapping[object, object], *, default_rank: int, file: str, row: int
) -> tuple[dict[str, object], list[Problem]]:
    """Turn one row's cells into keyword arguments of ProductSpec; unreadable cells are problems."""
    values: dict[str, object] = {**_DEFAULTS, "rank": default_rank}
    found: list[Problem] = []

    def fault(column: str, what: str, mend: str, value: str | None = None) -> None:
        found.append(
            Problem(
                severity="error",
                file=file,
                row=row,
                column=column,
                what=what,
                mend=mend,
                value=value,
            )
        )
        values[column] = math.nan if column in _NUMBERS else ""

    for column in (f.name for f in fields(ProductSpec)):
        cell = record.get(column)
        text = "" if cell is None or pd.isna(cell) else str(cell).strip()  # type: ignore[call-overload]
        if not text:
            if column in _REQUIRED:
                fault(column, "is blank", "Fill the cell: every product needs it.")
        elif column in _NUMBERS:
            try:
                values[column] = float(text)
            except ValueError:
                fault(column, "not a number", "Type the number alone, without units.", text)
        elif column == "called_only":
            if text.lower() in _YES_NO:
                values[column] = _YES_NO[text.lower()]
            else:
                fault(column, "must be yes or no", "Type yes or no.", text)
        else:
            values[column] = text.lower() if column in ("kind", "top_bark") else text
    rank = float(values["rank"])  # type: ignore[arg-type]
    if rank.is_integer():
        values["rank"] = int(rank)
    return values, found


def _species_problems(
    entry: str, aliases: Mapping[str, str] | None, file: str, row: int
) -> list[Problem]:
    try:
        species_mask(entry, np.empty(0, dtype=np.int64), aliases=aliases)
    except UnknownSpeciesError as error:
        return [
            Problem(
                severity="error",
                file=file,
                row=row,
                column="species",
                value=entry,
                what=str(error),
                mend="Name species or groups between semicolons.",
            )
        ]
    return []
