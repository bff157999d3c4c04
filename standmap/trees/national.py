"""Stems by the US national-scale volume models (Westfall and others 2024, GTR WO-104)."""

from __future__ import annotations

from functools import cache
from typing import Literal, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from .._tables import load_table
from ..errors import DomainError
from ..species import catalogue
from . import _kernels as kernels
from ._checks import Array, Codes, attribute, columns, require, require_dbh
from .stems import Stems

_TABLE = "national_volume_westfall_2024"
_LARGEST_SOFTWOOD_CODE = 299
_BREAK_SOFTWOOD_IN = 9.0
_BREAK_HARDWOOD_IN = 11.0

Quantity = Literal[
    "wood_volume_cuft",
    "bark_volume_cuft",
    "stem_volume_outside_bark_cuft",
    "cumulative_ratio_inside_bark",
    "cumulative_ratio_outside_bark",
]


class Coefficients(NamedTuple):
    """One row of the coefficient table."""

    form: float
    a: float
    a1: float
    b: float
    b1: float
    c: float
    c1: float


@cache
def _rows(quantity: Quantity) -> dict[tuple[str, int, str, str], Coefficients]:
    """Return coefficients keyed by ("species" or "group", code, ecodivision, origin)."""
    table = load_table(_TABLE)
    part = table[table["quantity"] == quantity]
    rows: dict[tuple[str, int, str, str], Coefficients] = {}
    for record in part.to_dict("records"):
        known = {name: "" if pd.isna(value) else value for name, value in record.items()}
        kind, column = ("group", "species_group")
        if known["species_code"] != "":
            kind, column = ("species", "species_code")
        code = int(known[column])
        origin = "" if known["planted"] == "" else str(int(known["planted"]))
        values = [float(record[name]) for name in Coefficients._fields]
        rows[(kind, code, str(known["ecodivision"]), origin)] = Coefficients(*values)
    return rows


@cache
def _choose(quantity: Quantity, code: int, division: str, planted: bool) -> Coefficients:
    """Return the row to use: species in its division, species anywhere, then species group."""
    rows = _rows(quantity)
    origin = "1" if planted else "0"
    for where in dict.fromkeys((division, "")):
        for how in (origin, ""):
            if (found := rows.get(("species", code, where, how))) is not None:
                return found
    names, groups = catalogue()["common_name"], catalogue()["species_group"]
    group = int(groups[code])
    if (found := rows.get(("group", group, "", ""))) is None:
        raise DomainError(
            f"The national models have no volume row for species {code} "
            f"({names[code]}): woodland species are measured at the root "
            "collar by other equations. Tally it as a similar forest species through "
            "[species.aliases], or give saw_logs and use form class."
        )
    return found


def has_national_model(species_code: npt.ArrayLike) -> npt.NDArray[np.bool_]:
    """Tell which species the national models can shape, by their own row or their group's.

    Parameters
    ----------
    species_code : array_like of int
        Species codes.

    Returns
    -------
    ndarray of bool
        False for codes not in the catalogue and for woodland species measured at the root collar.

    Examples
    --------
    >>> has_national_model([802, 106, -1]).tolist()  # white oak, common pinyon, unknown
    [True, False, False]
    """
    codes = np.atleast_1d(np.asarray(species_code, dtype=np.int64))
    group = catalogue()["species_group"].reindex(codes).to_numpy(dtype=np.float64, na_value=-1.0)
    quantity: Quantity = "wood_volume_cuft"
    kept = {key[1] for key in _rows(quantity) if key[0] == "group"}
    return np.isin(group, sorted(kept))


def _volume(row: Coefficients, dbh_in: Array, height_ft: Array, code: int) -> Array:
    """Return a total stem volume by the row's own equation (forms 1 to 4)."""
    a, b, c = row.a, row.b, row.c
    tall = height_ft**c
    if row.form == 1:
        return a * dbh_in**b * tall
    if row.form == 2:
        k = _BREAK_SOFTWOOD_IN if code <= _LARGEST_SOFTWOOD_CODE else _BREAK_HARDWOOD_IN
        large = k ** (b - row.b1) * dbh_in**row.b1
        return a * np.where(dbh_in < k, dbh_in**b, large) * tall
    if row.form == 3:
        return a * dbh_in ** (row.a1 * (1.0 - np.exp(-b * dbh_in)) ** row.c1) * tall
    return a * dbh_in**b * tall * np.exp(-row.b1 * dbh_in)


def _profiles(code: int, division: str, planted: bool, dbh_in: Array, height_ft: Array) -> Array:
    """Return profile parameters 1 to 7 of trees that share species, division and origin."""

    def pick(quantity: Quantity) -> Coefficients:
        return _choose(quantity, code, division, planted)

    def total(quantity: Quantity) -> Array:
        return _volume(pick(quantity), dbh_in, height_ft, code)

    inside, outside = pick("cumulative_ratio_inside_bark"), pick("cumulative_ratio_outside_bark")
    out = np.empty((len(dbh_in), 7))
    out[:, 0] = total("wood_volume_cuft")
    out[:, 1], out[:, 2] = inside.a, inside.b
    out[:, 3] = total("stem_volume_outside_bark_cuft")
    out[:, 4], out[:, 5] = outside.a, outside.b
    out[:, 6] = total("bark_volume_cuft")
    return out


def _divisions(ecodivision: object) -> tuple[npt.NDArray[np.intp], list[str]]:
    """Return the distinct divisions given, blank where none is, and each tree's place in them."""
    given = np.atleast_1d(np.asarray(ecodivision, dtype=object)).ravel()
    number, distinct = pd.factorize(given, use_na_sentinel=False)
    names = ["" if pd.isna(v) else str(v).strip().upper() for v in distinct]
    known = {key[2] for key in _rows("wood_volume_cuft")} | {""}
    if strange := sorted(set(names) - known):
        raise DomainError(
            f"'ecodivision' must be a Bailey division of the national models, one of "
            f"{sorted(known - {''})}; got {strange}. Leave it blank to use all divisions."
        )
    return number, names


def national_stems(
    species_code: npt.ArrayLike,
    dbh_in: npt.ArrayLike,
    height_ft: npt.ArrayLike,
    *,
    ecodivision: str | npt.ArrayLike | None = None,
    planted: bool | npt.ArrayLike = False,
    broken_height_ft: npt.ArrayLike | None = None,
    height_source: str | npt.ArrayLike = "measured",
) -> Stems:
    r"""Shape stems by the national-scale models from species, DBH and total height.

    Parameters
    ----------
    species_code : array_like of int
        Species codes.
    dbh_in : array_like
        Diameter at breast height, outside bark. [in]
    height_ft : array_like
        Total height to the tip; for a broken tree, the height it would have had. [ft]
    ecodivision : str or array_like of str, optional
        Bailey ecodivision such as "230" or "M220"; blank uses the rows for all divisions.
    planted : bool or array_like of bool
        True for planted trees (a few southern pines have rows of their own).
    broken_height_ft : array_like, optional
        Height of a break or fork; nothing above it is used. NaN where whole. [ft]
    height_source : str or array_like of str
        "measured" or "fitted", carried along.

    Returns
    -------
    Stems
        One stem per tree. A missing DBH or height gives a stem whose every answer is NaN.

    Raises
    ------
    DomainError
        If a DBH is not above 0, a height is under 4.5 ft, a species or division is unknown, or
        the models have no row for the species or its group.

    Notes
    -----
    Row choice, for each quantity by itself: species and division and origin; species and
    division; species and origin; species; species group [1]_. Total volumes follow the row's
    equation and the share of the stem below height :math:`h` is

    .. math:: R(h) = (1 - (1 - h/H)^a)^b,\quad d(h)^2 = V R'(h) / 0.005454154

    so the volume between two heights is exact. Outside-bark diameters come from the outside-bark
    volume and ratio. The two fits were made apart and cross in places, mostly near the tip: there
    ``dib`` is held at ``dob``, while wood volume stays the wood model's. Of 44 common species in
    nine divisions this touches 1 percent of stems at four tenths of their height and 6 percent at
    nine tenths. Bark volume is the bark model's total, spread as the outside-bark profile spreads
    volume.

    Nor is the profile held to the tape: the outside-bark diameter at 4.5 ft is what the fit to
    volume makes it, 0.93 to 1.18 of DBH over 19 common species of 8 to 26 in and 50 to 100 ft,
    nearest to it in large trees.

    Since b is below 1 for all but a few rows, diameters grow without bound toward the ground;
    the models do not promise them there, and they are used from the stump up. Nor do they promise
    the form of leaning, forked or broken trees.

    References
    ----------
    .. [1] Westfall, J.A. and others. 2024. A national-scale tree volume, biomass, and carbon
       modeling system for the United States. Gen. Tech. Rep. WO-104. USDA Forest Service.

    Examples
    --------
    Example 1 of the source: a Douglas-fir of 20 in and 110 ft in division 240.

    >>> fir = national_stems(202, 20.0, 110.0, ecodivision="240")
    >>> fir.wood_cuft().round(4).tolist(), fir.height_to_dob_ft(4.0).round(3).tolist()
    ([88.4523], [98.281])
    """
    broken_ft = np.nan if broken_height_ft is None else broken_height_ft
    code_column, dbh, height, broken = columns(species_code, dbh_in, height_ft, broken_ft)
    codes: Codes = code_column.astype(np.int64)
    require_dbh(dbh)
    require(
        height >= 4.5, "height_ft", "at least breast height, 4.5 ft", height,
        "Give total height from the ground, or blank the cell.",
    )  # fmt: skip
    attribute(codes, "species_group")  # raises for unknown codes
    place, divisions = _divisions(ecodivision)
    division = np.broadcast_to(place, len(codes))
    origin = np.broadcast_to(np.atleast_1d(np.asarray(planted, dtype=bool)), len(codes))

    params = np.zeros((len(codes), kernels.N_PARAMS))
    params[:, 0] = height
    combination, key = pd.factorize((codes * len(divisions) + division) * 2 + origin)
    # Small whole numbers sort in linear time: one sweep groups a million trees.
    order = np.argsort(combination.astype(np.int16), kind="stable")
    for rows in np.split(order, np.cumsum(np.bincount(combination))[:-1]) if len(key) else ():
        tree = rows[0]
        params[rows, 1:8] = _profiles(
            int(codes[tree]), divisions[division[tree]], bool(origin[tree]), dbh[rows], height[rows]
        )

    source = np.atleast_1d(np.asarray(height_source, dtype=object))
    return Stems(
        kind=np.full(len(codes), kernels.NATIONAL, dtype=np.int8),
        params=params,
        dbh_in=dbh,
        species_code=codes,
        total_height_ft=height,
        usable_top_ft=np.where(np.isnan(height), np.nan, np.fmin(broken, height)),
        height_source=np.array(np.broadcast_to(source, len(codes))),
    )
