"""Reading a taper table of the user's own: diameters by height, species and DBH class."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..errors import InputError, Problem
from ..species import UnknownSpeciesError, entry_codes
from ._checks import Array

HEIGHT_COLUMNS: Final = ("height_share", "height_ft")
DIAMETER_COLUMNS: Final = (("dib_pct", "dob_pct"), ("dib_in", "dob_in"))


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeciesTaper:
    """The taper of one species entry of a table.

    Attributes
    ----------
    entry : str
        The species or groups as written.
    codes : frozenset of int, or None
        Their codes; None stands for every species.
    by_share : bool
        True where heights are shares of total height, False where they are feet.
    heights : ndarray, shape (k,)
        Heights, rising from the ground.
    dbh_in : ndarray, shape (c,)
        DBH classes, rising; one NaN where the taper is for every size. [in]
    dib_per_dbh, dob_per_dbh : ndarray, shape (c, k)
        Diameters over DBH.
    """

    entry: str
    codes: frozenset[int] | None
    by_share: bool
    heights: Array
    dbh_in: Array
    dib_per_dbh: Array
    dob_per_dbh: Array

    def per_dbh(self, dbh_in: Array) -> tuple[Array, Array]:
        """Return diameters over DBH (n, k), straight between DBH classes, held beyond them."""
        if len(self.dbh_in) == 1:
            shape = (len(dbh_in), len(self.heights))
            return np.broadcast_to(self.dib_per_dbh, shape), np.broadcast_to(
                self.dob_per_dbh, shape
            )
        inside = np.clip(dbh_in, self.dbh_in[0], self.dbh_in[-1])
        low = np.clip(np.searchsorted(self.dbh_in, inside, side="right") - 1, 0, None)
        low = np.minimum(low, len(self.dbh_in) - 2)
        share = ((inside - self.dbh_in[low]) / (self.dbh_in[low + 1] - self.dbh_in[low]))[:, None]
        return tuple(  # type: ignore[return-value]
            ratio[low] + (ratio[low + 1] - ratio[low]) * share
            for ratio in (self.dib_per_dbh, self.dob_per_dbh)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class TaperTable:
    """A user's taper table, read by `taper_table`.

    Attributes
    ----------
    tapers : tuple of SpeciesTaper
        Species entries, in the order of the table; a tree takes the first that names its species,
        else the one for every species.
    """

    tapers: tuple[SpeciesTaper, ...]

    def __repr__(self) -> str:
        """One line: the species entries and their heights."""
        shown = ", ".join(f"{t.entry or 'any'} ({len(t.heights)} heights)" for t in self.tapers)
        return f"TaperTable({shown})"

    def place(self, species_code: npt.ArrayLike) -> npt.NDArray[np.int64]:
        """Return which of `tapers` each species takes; -1 where none covers it."""
        return first_that_names(species_code, [taper.codes for taper in self.tapers])

    def covers(self, species_code: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Tell which species the table has a taper for."""
        return self.place(species_code) >= 0


def taper_table(
    df: pd.DataFrame, *, file: str = "taper", aliases: Mapping[str, Any] | None = None
) -> TaperTable:
    """Read a taper table of the user's own.

    Parameters
    ----------
    df : DataFrame
        One row per species, DBH class and height:

        - ``species``: species or groups, as in a product sheet ("oak; hickory"); blank or "any"
          for the rest;
        - ``dbh_in``: DBH class, or blank for every size;
        - ``height_share`` (share of total height, 0 at the ground and 1 at the tip) or
          ``height_ft`` (feet above ground);
        - ``dib_pct`` and ``dob_pct`` (percent of DBH), or ``dib_in`` and ``dob_in`` (inches; they
          need the DBH class).

        Other columns are not read.
    file : str
        File as the user named it, for messages.
    aliases : mapping, optional
        The tract's own species names.

    Returns
    -------
    TaperTable
        To be given to `taper_stems`.

    Raises
    ------
    InputError
        With every problem of the table; rows are counted as in a spreadsheet (header is row 1).

    Examples
    --------
    >>> table = taper_table(pd.DataFrame({
    ...     "species": "oak", "height_share": [0.0, 0.05, 0.2, 0.5, 0.8],
    ...     "dib_pct": [110, 93, 80, 61, 30], "dob_pct": [120, 100, 86, 65, 33]}))
    >>> from standmap.trees import taper_stems
    >>> taper_stems(802, 20.0, 90.0, table).dib_in([[18.0, 45.0, 90.0]]).round(1).tolist()
    [[16.0, 12.2, 0.0]]
    """
    problems = list(_column_problems(df, file))
    if problems:
        raise InputError(problems)
    height = next(c for c in HEIGHT_COLUMNS if c in df)
    dib, dob = next(pair for pair in DIAMETER_COLUMNS if pair[0] in df)
    rows = _rows(df, height, dib, dob)
    codes: dict[str, frozenset[int] | None] = {}
    for entry, part in rows.groupby("species", sort=False):
        try:
            codes[str(entry)] = entry_or_any(str(entry), aliases)
        except UnknownSpeciesError as error:
            problems.append(
                fault(file, part["row"].iloc[0], "species", entry, "unknown species", str(error))
            )
    problems += _row_problems(rows, file, height, dib, dob)
    problems += _repeats(codes, file)
    if problems:
        raise InputError(problems)
    return TaperTable(
        tapers=tuple(
            _species_taper(str(entry), codes[str(entry)], part, height)
            for entry, part in rows.groupby("species", sort=False)
        )
    )


def first_that_names(
    species_code: npt.ArrayLike, entries: Sequence[frozenset[int] | None]
) -> npt.NDArray[np.int64]:
    """Return the first entry that names each species, else the one for all (None); -1 for none."""
    codes = np.atleast_1d(np.asarray(species_code, dtype=np.int64))
    out = np.full(len(codes), -1)
    for wanted in (True, False):
        for i, entry in enumerate(entries):
            if (entry is not None) == wanted:
                mine = True if entry is None else np.isin(codes, sorted(entry))
                out[(out < 0) & mine] = i
    return out


def entry_or_any(entry: str, aliases: Mapping[str, Any] | None) -> frozenset[int] | None:
    """Return the species of an entry; None for every one of them."""
    return None if entry in ("", "any", "all") else entry_codes(entry, aliases=aliases)


def fault(file: str, row: object, column: str, value: object, what: str, mend: str) -> Problem:
    """Return what is wrong with a cell, as an error."""
    return Problem(
        severity="error", file=file, row=None if row is None else int(str(row)), column=column,
        value=None if value is None else str(value), what=what, mend=mend,
    )  # fmt: skip


def _column_problems(df: pd.DataFrame, file: str) -> Iterator[Problem]:
    """Tell of columns that are missing or given twice in different terms."""
    if df.empty:
        yield fault(file, None, "species", None, "the table has no rows", "Add the taper's rows.")
    if "species" not in df:
        yield fault(
            file, None, "species", None, "this column is missing",
            "Add it; leave its cells blank where a taper is for every species.",
        )  # fmt: skip
    if sum(c in df for c in HEIGHT_COLUMNS) != 1:
        yield fault(
            file, None, "height_share", None, "heights are needed, in one column",
            "Give 'height_share' (0 to 1 of total height) or 'height_ft', not both.",
        )  # fmt: skip
    if [sum(c in df for c in pair) for pair in DIAMETER_COLUMNS] not in ([2, 0], [0, 2]):
        yield fault(
            file, None, "dib_pct", None, "diameters are needed, inside and outside bark",
            "Give 'dib_pct' and 'dob_pct' (percent of DBH), or 'dib_in' and 'dob_in'.",
        )  # fmt: skip
    elif "dib_in" in df and "dbh_in" not in df:
        yield fault(
            file, None, "dbh_in", None, "diameters in inches need the DBH they belong to",
            "Add 'dbh_in', or give percent of DBH in 'dib_pct' and 'dob_pct'.",
        )  # fmt: skip


def _rows(df: pd.DataFrame, height: str, dib: str, dob: str) -> pd.DataFrame:
    """Return the rows as numbers, with the row a spreadsheet shows."""
    out = pd.DataFrame(
        {
            "species": df["species"].fillna("").astype(str).str.strip().str.lower().to_numpy(),
            "row": np.arange(2, len(df) + 2),
        }
    )
    given = {"height": height, "dib": dib, "dob": dob}
    for name, column in given.items():
        out[name] = pd.to_numeric(df[column], errors="coerce").to_numpy(dtype=np.float64)
    classes = pd.to_numeric(df["dbh_in"], errors="coerce") if "dbh_in" in df else np.nan
    out["dbh"] = np.asarray(classes, dtype=np.float64) if "dbh_in" in df else np.nan
    unit = out["dbh"] if dib == "dib_in" else 100.0
    return out.assign(dib_ratio=out["dib"] / unit, dob_ratio=out["dob"] / unit)


def _row_problems(
    rows: pd.DataFrame, file: str, height: str, dib: str, dob: str
) -> Iterator[Problem]:
    """Tell of cells out of range, then of tapers that widen upward or do not match up."""
    highest = 1.0 if height == "height_share" else math.inf
    wrong = {
        height: ~rows["height"].between(0.0, highest, inclusive="both"),
        dib: ~(rows["dib"] >= 0),
        dob: ~(rows["dob"] >= rows["dib"]) & (rows["dib"] >= 0),
        "dbh_in": (dib == "dib_in") & ~(rows["dbh"] > 0) | (rows["dbh"] <= 0),
    }
    mend = {
        height: "Give a share from 0 to 1 of total height." if highest == 1 else "Give feet.",
        dib: "Give a diameter of 0 or more.",
        dob: "Outside bark cannot be less than inside bark.",
        "dbh_in": "Give the DBH class in inches.",
    }
    cells = {height: "height", dib: "dib", dob: "dob", "dbh_in": "dbh"}
    bad = False
    for column, mask in wrong.items():
        for row in rows[mask.to_numpy(dtype=bool)].to_dict("records"):
            bad = True
            yield fault(
                file, row["row"], column, row[cells[column]], "not a value this column can hold",
                mend[column],
            )  # fmt: skip
    if bad:
        return
    for entry, part in rows.groupby("species", sort=False):
        if part["dbh"].isna().any() and part["dbh"].notna().any():
            yield fault(
                file, part["row"].iloc[0], "dbh_in", None,
                f"the taper of {entry or 'any'!r} has rows with a DBH class and rows without",
                "Give every row of a species a class, or none.",
            )  # fmt: skip
        groups = [g.sort_values("height") for _, g in part.groupby("dbh", dropna=False)]
        for group in groups:
            yield from _shape_problems(group, file, height, dib)
        if height == "height_ft" and len({tuple(g["height"]) for g in groups}) > 1:
            yield fault(
                file, part["row"].iloc[0], height, None,
                f"the DBH classes of {entry or 'any'!r} are given at different heights",
                "Give every class the same heights in feet, or use 'height_share'.",
            )  # fmt: skip


def _shape_problems(group: pd.DataFrame, file: str, height: str, dib: str) -> Iterator[Problem]:
    if len(group) < 2:
        yield fault(
            file, group["row"].iloc[0], height, None, "a taper needs at least two heights",
            "Add rows up the stem.",
        )  # fmt: skip
    steps = group[["height", "dib", "dob"]].diff().iloc[1:]
    for row in group.iloc[1:].loc[(steps["height"] == 0).to_numpy(), "row"]:
        yield fault(file, row, height, None, "this height is given twice", "Keep one.")
    for row in group.iloc[1:].loc[((steps["dib"] > 0) | (steps["dob"] > 0)).to_numpy(), "row"]:
        yield fault(
            file, row, dib, None, "the stem is thicker here than below",
            "Diameters may not grow with height: check this row and the one below it.",
        )  # fmt: skip


def _repeats(codes: Mapping[str, frozenset[int] | None], file: str) -> Iterator[Problem]:
    seen: dict[int, str] = {}
    for entry, mine in codes.items():
        if shared := [seen[c] for c in sorted(mine or ()) if c in seen and len(mine or ()) == 1]:
            yield fault(
                file, None, "species", entry, f"a species already listed under {shared[0]!r}",
                "Name each species once; list a species before the group it belongs to.",
            )  # fmt: skip
        seen |= {c: entry for c in (mine or ()) if c not in seen}


def _species_taper(
    entry: str, codes: frozenset[int] | None, part: pd.DataFrame, height: str
) -> SpeciesTaper:
    """Put the classes of a species on one set of heights, with a row at the ground."""
    by_share = height == "height_share"
    groups = [(dbh, g.sort_values("height")) for dbh, g in part.groupby("dbh", dropna=False)]
    heights = np.unique(np.concatenate([[0.0], *(g["height"] for _, g in groups)]))
    if by_share:
        heights = heights[heights < 1.0]

    def spread(column: str) -> Array:
        tables = []
        for _, group in groups:
            at, value = group["height"].to_numpy(), group[column].to_numpy()
            if by_share and at[-1] < 1.0:
                at, value = np.append(at, 1.0), np.append(value, 0.0)
            tables.append(np.interp(heights, at, value))
        return np.array(tables, dtype=np.float64)

    return SpeciesTaper(
        entry=entry, codes=codes, by_share=by_share, heights=heights,
        dbh_in=np.array([dbh for dbh, _ in groups], dtype=np.float64),
        dib_per_dbh=spread("dib_ratio"), dob_per_dbh=spread("dob_ratio"),
    )  # fmt: skip
