"""Taper coefficients of the user's own: published forms, filled in by species."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..errors import InputError, Problem
from ..species import UnknownSpeciesError
from ..units import BREAST_HEIGHT_FT
from ._checks import Array
from .taper_table import TaperTable, entry_or_any, fault, first_that_names, taper_table

Coefficients = Mapping[str, float]


def _ormerod1973(share: Array, over_breast: Array, c: Coefficients) -> Array:
    return np.asarray(c["b0"] * over_breast ** c["b1"])


def _kozak1969(share: Array, over_breast: Array, c: Coefficients) -> Array:
    squared = c["b0"] + c["b1"] * share + c["b2"] * share**2
    return np.sqrt(np.maximum(squared, 0.0))


def _max_burkhart1976(share: Array, over_breast: Array, c: Coefficients) -> Array:
    squared = c["b1"] * (share - 1.0) + c["b2"] * (share**2 - 1.0)
    for join, weight in (("a1", "b3"), ("a2", "b4")):
        squared = squared + c[weight] * np.maximum(c[join] - share, 0.0) ** 2
    return np.sqrt(np.maximum(squared, 0.0))


@dataclass(frozen=True, slots=True, kw_only=True)
class TaperForm:
    """A published form of taper.

    Attributes
    ----------
    equation : str
        As the guide prints it: d and D are the diameter and DBH, z is height over total height.
    needs : tuple of str
        Its coefficients.
    ratio : callable
        ``ratio(z, (H - h) / (H - 4.5), coefficients)``: diameter over DBH.
    """

    equation: str
    needs: tuple[str, ...]
    ratio: Callable[[Array, Array, Coefficients], Array]


TAPER_FORMS: Final[dict[str, TaperForm]] = {
    "ormerod": TaperForm(
        equation="d/D = b0 ((H - h) / (H - 4.5))^b1", needs=("b0", "b1"), ratio=_ormerod1973
    ),
    "kozak": TaperForm(
        equation="(d/D)^2 = b0 + b1 z + b2 z^2", needs=("b0", "b1", "b2"), ratio=_kozak1969
    ),
    "max_burkhart": TaperForm(
        equation="(d/D)^2 = b1 (z - 1) + b2 (z^2 - 1) + b3 (a1 - z)^2 [z < a1] "
        "+ b4 (a2 - z)^2 [z < a2]",
        needs=("b1", "b2", "b3", "b4", "a1", "a2"),
        ratio=_max_burkhart1976,
    ),
}
"""The forms a row of coefficients may be of: Ormerod 1973, Forestry Chronicle 49:136-138; Kozak,
Munro and Smith 1969, Forestry Chronicle 45:278-283; Max and Burkhart 1976, Forest Science
22:283-289 (all from memory)."""

_COEFFICIENTS: Final = ("a1", "a2", "b0", "b1", "b2", "b3", "b4")


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeciesForm:
    """The taper of one species entry: a `standmap.trees.Profile`.

    Attributes
    ----------
    entry : str
        The species or groups as written.
    codes : frozenset of int, or None
        Their codes; None stands for every species.
    inside, outside : (str, mapping) or None
        Name of the form and its coefficients, inside and outside bark.
    dob_over_dib : float
        What makes one of the other where only one is given; NaN where both are.
    """

    entry: str
    codes: frozenset[int] | None
    inside: tuple[str, Coefficients] | None
    outside: tuple[str, Coefficients] | None
    dob_over_dib: float

    def __call__(self, dbh_in: Array, height_ft: Array, at_ft: Array) -> tuple[Array, Array]:
        """Return diameters inside and outside bark. [in] Where the two cross there is no bark."""
        share = at_ft / height_ft
        over_breast = (height_ft - at_ft) / np.maximum(height_ft - BREAST_HEIGHT_FT, 1e-9)

        def diameters(given: tuple[str, Coefficients]) -> Array:
            form, coefficients = given
            return np.asarray(dbh_in * TAPER_FORMS[form].ratio(share, over_breast, coefficients))

        if self.inside is None:
            dob = diameters(self.outside)  # type: ignore[arg-type]  # one of the two is there
            return dob / self.dob_over_dib, dob
        dib = diameters(self.inside)
        if self.outside is None:
            return dib, dib * self.dob_over_dib
        dob = diameters(self.outside)
        return np.minimum(dib, dob), dob


@dataclass(frozen=True, slots=True, kw_only=True)
class TaperForms:
    """A user's taper coefficients, read by `own_taper`.

    Attributes
    ----------
    forms : tuple of SpeciesForm
        Species entries, in the order of the table; a tree takes the first that names its species,
        else the one for every species.
    """

    forms: tuple[SpeciesForm, ...]

    def __repr__(self) -> str:
        """One line: the species entries and their forms."""
        shown = (f"{f.entry or 'any'} ({(f.inside or f.outside or ('',))[0]})" for f in self.forms)
        return f"TaperForms({', '.join(shown)})"

    def place(self, species_code: npt.ArrayLike) -> npt.NDArray[np.int64]:
        """Return which of `forms` each species takes; -1 where none covers it."""
        return first_that_names(species_code, [form.codes for form in self.forms])


def own_taper(
    df: pd.DataFrame, *, file: str = "taper", aliases: Mapping[str, Any] | None = None
) -> TaperTable | TaperForms:
    """Read a taper of the user's own: a table of diameters, or coefficients of a published form.

    Parameters
    ----------
    df : DataFrame
        With a column ``form``, a row of coefficients for each species:

        - ``species``: as in `taper_table`; blank or "any" for the rest;
        - ``form``: one of `TAPER_FORMS`;
        - ``bark``: "ib" (the default) or "ob", whether the row gives diameters inside or outside
          bark; a species may have a row of each;
        - ``dob_over_dib``: outside over inside bark, needed where a species has one row;
        - ``b0`` to ``b4``, ``a1``, ``a2``: the coefficients that the form names, others blank.

        Without it, what `taper_table` reads.
    file : str
        File as the user named it, for messages.
    aliases : mapping, optional
        The tract's own species names.

    Returns
    -------
    TaperTable or TaperForms
        To be given to `taper_stems`.

    Raises
    ------
    InputError
        With every problem of the table; rows are counted as in a spreadsheet (header is row 1).

    Examples
    --------
    >>> sheet = pd.DataFrame({"species": "oak", "form": "ormerod", "b0": [0.93], "b1": [0.75],
    ...                       "dob_over_dib": [1.08]})
    >>> taper = own_taper(sheet)
    >>> from standmap.trees import taper_stems
    >>> taper_stems(802, 20.0, 84.5, taper).dib_in([[4.5, 44.5]]).round(2).tolist()
    [[18.6, 11.06]]
    """
    if "form" not in df:
        return taper_table(df, file=file, aliases=aliases)
    if "species" not in df or df.empty:
        what = "the table has no rows" if "species" in df else "this column is missing"
        mend = "Give a row for each species; leave the cell blank for all the rest."
        raise InputError([fault(file, None, "species", None, what, mend)])
    problems: list[Problem] = []
    rows: dict[str, list[_Row]] = {}
    for number, record in enumerate(df.to_dict("records"), start=2):
        row = _row(file, number, {str(k): v for k, v in record.items()}, problems)
        rows.setdefault(row.species, []).append(row)
    forms = [_species_form(file, group, aliases, problems) for group in rows.values()]
    if problems:
        raise InputError(problems)
    return TaperForms(forms=tuple(forms))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One row as read."""

    number: int
    species: str
    form: str
    bark: str
    dob_over_dib: float
    coefficients: Coefficients


def _text(record: Mapping[str, object], name: str) -> str:
    value = record.get(name)
    return "" if value is None or value != value else str(value).strip().lower()


def _number(record: Mapping[str, object], name: str) -> float:
    """Return a cell as a number: NaN where it is blank, infinite where it is no number."""
    text = _text(record, name)
    try:
        return float(text) if text else math.nan
    except ValueError:
        return math.inf


def _row(file: str, number: int, record: Mapping[str, object], problems: list[Problem]) -> _Row:
    form, bark = _text(record, "form"), _text(record, "bark") or "ib"
    values = {name: _number(record, name) for name in (*_COEFFICIENTS, "dob_over_dib")}

    def wrong(column: str, what: str, mend: str) -> None:
        problems.append(fault(file, number, column, record.get(column), what, mend))

    if form not in TAPER_FORMS:
        wrong("form", "no such form of taper", f"Use one of {', '.join(TAPER_FORMS)}.")
    if bark not in ("ib", "ob"):
        wrong("bark", "must be ib or ob", "Say whether the row is inside or outside bark.")
    for name, value in values.items():
        if math.isinf(value):
            wrong(name, "not a number", "Type the coefficient as it is printed.")
    if values["dob_over_dib"] < 1.0:
        wrong("dob_over_dib", "outside bark cannot be less than inside bark", "Give 1 or more.")
    needs = TAPER_FORMS[form].needs if form in TAPER_FORMS else ()
    for name in needs:
        if math.isnan(values[name]):
            wrong(
                name, f"the form {form} needs this coefficient", f"Its needs: {', '.join(needs)}."
            )
    for name in sorted(set(_COEFFICIENTS) - set(needs)) if needs else ():
        if math.isfinite(values[name]):
            wrong(name, f"the form {form} has no such coefficient", "Blank the cell.")
    return _Row(
        number=number, species=_text(record, "species"), form=form, bark=bark,
        dob_over_dib=values["dob_over_dib"], coefficients={name: values[name] for name in needs},
    )  # fmt: skip


def _species_form(
    file: str, rows: Sequence[_Row], aliases: Mapping[str, Any] | None, problems: list[Problem]
) -> SpeciesForm:
    entry, codes = rows[0].species, None
    try:
        codes = entry_or_any(entry, aliases)
    except UnknownSpeciesError as error:
        problems.append(
            fault(file, rows[0].number, "species", entry, "unknown species", str(error))
        )
    problems += _pair_problems(file, rows)
    of_bark = {row.bark: (row.form, row.coefficients) for row in rows}
    return SpeciesForm(
        entry=entry, codes=codes, inside=of_bark.get("ib"), outside=of_bark.get("ob"),
        dob_over_dib=rows[0].dob_over_dib,
    )  # fmt: skip


def _pair_problems(file: str, rows: Sequence[_Row]) -> Iterator[Problem]:
    """Tell of a species whose bark is given twice or not at all."""
    first = rows[0]
    if len(rows) == 1 and math.isnan(first.dob_over_dib):
        yield fault(
            file, first.number, "dob_over_dib", None, "one row alone does not tell the bark",
            "Give dob_over_dib, or a second row for the other side of the bark.",
        )  # fmt: skip
    seen: set[str] = set()
    for row in rows:
        if row.bark in seen:
            yield fault(
                file, row.number, "species", row.species or "any",
                f"a second row of this species for {row.bark}", "Keep one.",
            )  # fmt: skip
        seen.add(row.bark)
