"""Groups of species, as products and price sheets name them."""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap._tables import load_table
from standmap.species.catalogue import catalogue
from standmap.species.names import Aliases, UnknownSpeciesError, name_key, resolve, suggest

_SOFT_HARDWOOD_GRAVITY = 0.50
"""Hardwoods up to this specific gravity are soft hardwoods (FIA glossary, from memory)."""


@cache
def _members() -> dict[str, frozenset[int]]:
    """Each group's codes, the computed groups first."""
    table = catalogue()
    soft_wood = table.wood_specific_gravity <= _SOFT_HARDWOOD_GRAVITY
    masks = {
        "any": np.ones(len(table), dtype=bool),
        "softwood": table.softwood,
        "hardwood": ~table.softwood,
        "soft hardwood": ~table.softwood & soft_wood,
        "hard hardwood": ~table.softwood & ~soft_wood,
    }
    groups = {name: _codes(table.index[np.asarray(mask)]) for name, mask in masks.items()}
    rows = load_table("species_groups")
    listed = {str(name): rows[rows.group == name] for name in rows.group.unique()}
    waiting = dict(listed)
    while waiting:  # groups may be made of groups listed later
        ready = [name for name, part in waiting.items() if _nested(part) <= groups.keys()]
        for name in ready:
            groups[name] = _gather(waiting.pop(name), groups, table)
    return groups


def _codes(index: pd.Index) -> frozenset[int]:
    return frozenset(int(code) for code in index)


def _nested(part: pd.DataFrame) -> set[str]:
    return set(part.member[part.member_kind == "group"])


def _gather(
    part: pd.DataFrame, groups: dict[str, frozenset[int]], table: pd.DataFrame
) -> frozenset[int]:
    genera = part.member[part.member_kind == "genus"]
    listed = part.member[part.member_kind == "code"]
    codes = _codes(table.index[table.genus.isin(genera)]) | {int(code) for code in listed}
    return frozenset(codes.union(*(groups[name] for name in _nested(part))))


def _plural(name: str) -> str:
    if name.endswith("y"):
        return name[:-1] + "ies"
    return name + ("es" if name.endswith(("s", "sh", "ch")) else "s")


@cache
def _keys() -> dict[str, str]:
    """Every spelling of a group's name, singular and plural."""
    keys = {name_key(name): name for name in _members()}
    for name in _members():
        keys.setdefault(name_key(_plural(name)), name)
    return {**keys, "": "any", "all": "any"}


def species_groups() -> pd.DataFrame:
    """Return the named groups with their number of species and their source.

    Returns
    -------
    DataFrame
        Indexed by ``group``; columns ``species`` (how many), ``codes`` (sorted tuple), ``source``.

    Examples
    --------
    >>> species_groups().loc["hard maple", "codes"]
    (314, 318)
    """
    rows = load_table("species_groups").groupby("group").source
    sources = rows.agg(lambda column: "; ".join(dict.fromkeys(column))).to_dict()
    computed = "computed from the catalogue"
    frame = pd.DataFrame(
        {
            "group": list(_members()),
            "species": [len(codes) for codes in _members().values()],
            "codes": [tuple(sorted(codes)) for codes in _members().values()],
            "source": [sources.get(name, computed) for name in _members()],
        }
    )
    return frame.set_index("group")


def group_codes(name: str) -> frozenset[int]:
    """Species codes of a named group.

    Parameters
    ----------
    name : str
        A group of :func:`species_groups`, in any case, singular or plural. Blank means any.

    Returns
    -------
    frozenset of int

    Raises
    ------
    UnknownSpeciesError
        If there is no such group.

    Examples
    --------
    >>> sorted(group_codes("Hard maples"))
    [314, 318]
    >>> 837 in group_codes("red oak"), 837 in group_codes("white oak")
    (True, False)
    """
    group = _keys().get(name_key(name))
    if group is None:
        raise UnknownSpeciesError(name, _near_groups(name), kind="species group")
    return _members()[group]


def _near_groups(name: str) -> list[str]:
    words = set(name.casefold().split())
    return [group for group in _members() if words & set(group.split())][:3]


def entry_codes(entry: str, *, aliases: Aliases | None = None) -> frozenset[int]:
    """Species codes an entry of a product or price sheet covers.

    Parameters
    ----------
    entry : str
        Species and group names, separated by semicolons. Blank, "any" or "all": every species.
    aliases : mapping, optional
        The tract's own names, looked up first; an alias means the one species it stands for.

    Returns
    -------
    frozenset of int

    Raises
    ------
    UnknownSpeciesError
        If a part is neither a species nor a group.

    Notes
    -----
    A name that is both ("white oak", "baldcypress", "hackberry", "cypress") is the group here, as
    in the lumber trade; for the one species write its scientific name, symbol or code.

    Examples
    --------
    >>> sorted(entry_codes("hard maple; black cherry"))
    [314, 318, 762]
    >>> sorted(entry_codes("QUAL"))
    [802]
    """
    codes: set[int] = set()
    for part in entry.split(";"):
        codes |= _part_codes(part.strip(), aliases)
    return frozenset(codes)


def _part_codes(part: str, aliases: Aliases | None) -> frozenset[int]:
    aliased = name_key(part) in {name_key(str(alias)) for alias in aliases or {}}
    group = None if aliased else _keys().get(name_key(part))
    if group is not None:
        return _members()[group]
    code = int(resolve([part], aliases=aliases).codes[0])
    if code < 0:
        near = list(dict.fromkeys([*_near_groups(part), *suggest(part)]))
        raise UnknownSpeciesError(part, near[:4], kind="species or group")
    return frozenset({code})


def species_mask(
    entry: str | None, codes: npt.ArrayLike, *, aliases: Aliases | None = None
) -> npt.NDArray[np.bool_]:
    """Which trees an entry of a product or price sheet covers.

    Parameters
    ----------
    entry : str or None
        As for :func:`entry_codes`. Blank, None, "any" or "all" covers every tree, those of unknown
        species included.
    codes : array_like of int
        Species codes; -1 is unknown and belongs to no group but "any".
    aliases : mapping, optional
        The tract's own names.

    Returns
    -------
    ndarray of bool

    Raises
    ------
    UnknownSpeciesError
        If a part is neither a species nor a group.

    Examples
    --------
    >>> species_mask("oak; yellow-poplar", [802, 621, 316, -1])
    array([ True,  True, False, False])
    >>> species_mask("", [802, -1])
    array([ True,  True])
    """
    codes = np.asarray(codes, dtype=np.int64)
    parts = (entry or "").split(";")
    if any(_keys().get(name_key(part)) == "any" for part in parts):
        return np.ones(codes.shape, dtype=bool)
    wanted = entry_codes(entry or "", aliases=aliases)
    return np.isin(codes, np.fromiter(wanted, dtype=np.int64))
