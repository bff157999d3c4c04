"""From what a crew wrote to a species code."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap._tables import load_table
from standmap.errors import DomainError
from standmap.species.catalogue import Species, catalogue, species_by_code

Aliases = Mapping[str, Any]
"""A tract's own names: what the crew writes to any species name, symbol or code."""

_WHOLE_NUMBER = re.compile(r"\s*\d+(\.0*)?\s*")
_GENERIC = re.compile(r"\s+spp?\.?$")


class UnknownSpeciesError(DomainError):
    """A name is no species of the catalogue, or could be several.

    Attributes
    ----------
    name : str
        The name as written.
    suggestions : list of str
        The nearest names, best first.
    mend : str
        What to write instead.
    """

    def __init__(self, name: str, suggestions: list[str], *, kind: str = "species") -> None:
        self.name = name
        self.suggestions = suggestions
        hint = f"Did you mean {_spoken(suggestions)}? " if suggestions else ""
        self.mend = (
            f"{hint}Write an FIA code, a PLANTS symbol, a common or a scientific name, or give the "
            f"name under [species.aliases]."
        )
        super().__init__(f"unknown {kind} {name!r}. {self.mend}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Resolved:
    """Species codes of a column of names.

    Attributes
    ----------
    codes : ndarray of int64
        One code per value; -1 where the value is unknown or blank.
    unknown : dict of str to list of str
        Each unknown value as written (``""`` for blanks), with the nearest species names.
    """

    codes: npt.NDArray[np.int64]
    unknown: dict[str, list[str]] = field(default_factory=dict)


def name_key(text: str) -> str:
    """Return a name stripped to its letters and digits, in lower case and without accents."""
    plain = unicodedata.normalize("NFKD", text).casefold()
    return "".join(ch for ch in plain if ch.isascii() and ch.isalnum())


def _spoken(names: list[str]) -> str:
    return " or ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _full_names(row: Any) -> list[str]:
    return [row.symbol, row.common_name, row.scientific_name]


def _short_names(row: Any) -> list[str]:
    """Either half of "paulownia, empress-tree", and "hickory" for "hickory spp."."""
    parts = [part.strip() for part in row.common_name.split(",")]
    return [*parts, *(_GENERIC.sub("", name) for name in (*parts, row.scientific_name))]


@cache
def _index() -> tuple[dict[str, int], dict[str, tuple[int, ...]]]:
    """Keys that mean one species, and keys that could mean several."""
    one: dict[str, int] = {}
    several: dict[str, tuple[int, ...]] = {}
    row: Any
    for row in load_table("species_other_names").itertuples():
        codes = tuple(int(code) for code in str(row.species_codes).split(";"))
        key = name_key(str(row.name))
        if len(codes) == 1:
            one[key] = codes[0]
        else:
            several[key] = codes
    rows: list[Any] = list(catalogue().itertuples())
    for spellings in (_full_names, _short_names):  # a full name wins over another's short one
        for row in rows:
            for spelling in spellings(row):
                if name_key(spelling) not in several:
                    one.setdefault(name_key(spelling), int(row.Index))
    initials: dict[str, list[int]] = {}
    for row in rows:
        genus, _, rest = str(row.scientific_name).partition(" ")
        initials.setdefault(name_key(genus[0] + rest), []).append(int(row.Index))
    for key, codes_of_key in initials.items():  # "Q. alba", where no other genus shares it
        if key not in one and len(codes_of_key) == 1:
            one[key] = codes_of_key[0]
    return one, several


@cache
def _known_codes() -> frozenset[int]:
    return frozenset(int(code) for code in catalogue().index)


def _as_text(value: object) -> str:
    """Return a cell as text: whole numbers without a decimal point, blanks as ''."""
    if value is None or value is pd.NA or (isinstance(value, float) and np.isnan(value)):
        return ""
    text = str(value).strip()
    return str(int(float(text))) if _WHOLE_NUMBER.fullmatch(text) else text


def _code_of(text: str) -> int:
    """Return the code a name stands for without aliases, or -1."""
    if text.isdecimal():
        return int(text) if int(text) in _known_codes() else -1
    return _index()[0].get(name_key(text), -1)


SHORTEST_GUESSED: Final = 4
"""Letters a code must have before a likeness is guessed: every three letters resemble a symbol."""


def suggest(text: str, *, n: int = 3) -> list[str]:
    """Return up to ``n`` common names near an unknown name, best first."""
    names = catalogue()["common_name"]
    codes = list(_index()[1].get(name_key(text), ()))
    words = set(re.findall(r"[a-z]+", text.casefold()))
    if words and not codes:
        table = catalogue().sort_values("east", ascending=False, kind="stable")
        found = [words <= set(re.findall(r"[a-z]+", name.casefold())) for name in table.common_name]
        codes = [int(code) for code in table.index[found]]
    if not codes and not text.isdecimal() and len(name_key(text)) >= SHORTEST_GUESSED:
        one, several = _index()
        known = several | {key: (code,) for key, code in one.items()}
        near = difflib.get_close_matches(name_key(text), list(known), n=n, cutoff=0.75)
        codes = list(dict.fromkeys(code for key in near for code in known[key]))
    return [str(names[code]) for code in codes[:n]]


def _alias_codes(aliases: Aliases | None) -> dict[str, int]:
    codes = {}
    for alias, target in (aliases or {}).items():
        code = _code_of(_as_text(target))
        if code < 0:
            raise UnknownSpeciesError(
                str(target), suggest(str(target)), kind=f"species for alias {alias!r}:"
            )
        codes[name_key(str(alias))] = code
    return codes


def resolve(values: Iterable[object], *, aliases: Aliases | None = None) -> Resolved:
    """Species codes of a column, each as an FIA code, PLANTS symbol or name.

    Parameters
    ----------
    values : iterable
        Codes (numbers or text), symbols, common or scientific names, in any case, with hyphens,
        spaces and points as you like; blanks allowed.
    aliases : mapping, optional
        The tract's own names, looked up first: ``{"YP": "yellow-poplar"}``.

    Returns
    -------
    Resolved
        The codes, and every value that is unknown with its nearest names.

    Raises
    ------
    UnknownSpeciesError
        If an alias leads to no known species.

    Notes
    -----
    A bare genus name ("hickory") is the catalogue's genus row, save where only one eastern species
    is ever meant ("walnut" is black walnut; ``species_other_names.csv`` lists these). A trade name
    that stands for several species ("red oak", "white pine", "cypress") is unknown on purpose;
    its suggestions name the candidates, and an alias settles it for the tract.

    Examples
    --------
    >>> resolve(["white oak", "QUAL", 802, "Q. alba", "red oak", None]).codes
    array([802, 802, 802, 802,  -1,  -1])
    >>> resolve(["yelow poplar"]).unknown
    {'yelow poplar': ['yellow-poplar']}
    >>> resolve(["YP"], aliases={"yp": "yellow-poplar"}).codes
    array([621])
    """
    labels, uniques = pd.factorize(np.asarray(list(values), dtype=object), use_na_sentinel=False)
    own = _alias_codes(aliases)
    unknown: dict[str, list[str]] = {}
    codes = np.full(len(uniques), -1, dtype=np.int64)
    for i, value in enumerate(uniques):
        text = _as_text(value)
        code = own.get(name_key(text), -1)
        codes[i] = code if code >= 0 else _code_of(text)
        if codes[i] < 0:
            unknown[text] = suggest(text) if text else []
    return Resolved(codes=codes[labels] if len(labels) else codes, unknown=unknown)


def lookup(name: object, *, aliases: Aliases | None = None) -> Species:
    """Return the species a code, symbol or name stands for.

    Parameters
    ----------
    name : int or str
        As one value of :func:`resolve`.
    aliases : mapping, optional
        The tract's own names, looked up first.

    Returns
    -------
    Species

    Raises
    ------
    UnknownSpeciesError
        If the name is unknown or stands for several species; it names the nearest.

    Examples
    --------
    >>> lookup("yellow poplar").symbol
    'LITU'
    >>> lookup(131).common_name
    'loblolly pine'
    >>> lookup("red oak")
    Traceback (most recent call last):
        ...
    standmap.species.names.UnknownSpeciesError: unknown species 'red oak'. Did you mean northern
    red oak, southern red oak or cherrybark oak? Write an FIA code, ...
    """
    found = resolve([name], aliases=aliases)
    if found.codes[0] < 0:
        (text, suggestions), *_ = found.unknown.items()
        raise UnknownSpeciesError(text, suggestions)
    return species_by_code(int(found.codes[0]))
