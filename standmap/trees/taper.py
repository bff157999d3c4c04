"""Stems by a taper of the user's own: a table of diameters, or a function that gives them."""

from __future__ import annotations

import math
import warnings
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

from ..errors import DomainError, ExtrapolationWarning, StandmapWarning
from ..units import BREAST_HEIGHT_FT
from . import _kernels as kernels
from ._checks import Array, Codes, attribute, columns, require, require_dbh
from .stems import Stems
from .taper_forms import TaperForms
from .taper_table import TaperTable

BUTT_FT: Final = (0.0, *(0.5 * 2 ** (i / 3) for i in range(16)))
"""Heights at which a taper function is tabulated in the butt: half a foot, then a quarter as much
again (the cube root of two) each time, to 16 feet."""

UPPER_KNOTS: Final = 24
"""Heights at which it is tabulated above the butt, closing up toward the tip."""

CHECKED_SHARE: Final = 0.95
"""Share of total height up to which a tabulated profile is checked: above it is no product."""

WORST_MISS_IN: Final = 0.1
"""A tabulated profile further than this from its function is told of: the tenth of an inch that
scaling diameters are written to."""


class Profile(Protocol):
    """What a taper function of the user's own must be.

    ``profile(dbh_in, height_ft, at_ft)`` returns diameters inside and outside bark. [in] It is
    called with NumPy arrays of one shape (trees, heights): DBH and total height repeated along
    each row, and heights above ground between the ground and the tip. The two it returns must
    have that shape, and a diameter may not grow with height.
    """

    def __call__(self, dbh_in: Array, height_ft: Array, at_ft: Array) -> tuple[Array, Array]:
        """Return diameters inside and outside bark."""
        ...


def taper_stems(
    species_code: npt.ArrayLike,
    dbh_in: npt.ArrayLike,
    height_ft: npt.ArrayLike,
    taper: TaperTable | TaperForms | Profile,
    *,
    broken_height_ft: npt.ArrayLike | None = None,
    height_source: str | npt.ArrayLike = "measured",
) -> Stems:
    """Shape stems by a taper table, coefficients or a function of the user's own.

    Parameters
    ----------
    species_code : array_like of int
        Species codes; they pick the rows of a table or of coefficients.
    dbh_in : array_like
        Diameter at breast height, outside bark. [in]
    height_ft : array_like
        Total height to the tip; for a broken tree, the height it would have had. [ft]
    taper : TaperTable, TaperForms or Profile
        What `own_taper` read, or a function ``profile(dbh_in, height_ft, at_ft)`` that
        returns diameters inside and outside bark (see `Profile`).
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
        If a DBH is not above 0, a height is under 4.5 ft, a species has no taper, or a function
        or form gives diameters that are missing, negative, thicker inside than outside bark, or
        growing with height.

    Warns
    -----
    ExtrapolationWarning
        If a tree is beyond the DBH classes of its taper; the nearest class's form is used.
    StandmapWarning
        If straight lines between the heights a function is tabulated at miss it by more than
        0.1 in anywhere half-way between them.

    Notes
    -----
    A table is read as it stands: straight lines between its heights (and between its DBH
    classes, in percent of DBH), from the last height straight to the tip, and the lowest diameter
    held down to the ground. Nothing is resampled, so it has no error of its own. Volumes are the
    cone frustums between the heights. Heights in feet at or above a tree's tip are left out.

    DBH is what the tally measured and the table is taken at its word: a table whose outside-bark
    diameter at 4.5 ft is not 100 percent of DBH is a taper that does not pass through the DBH.

    A function or form is tabulated at 41 heights, close together at the butt and the tip. The
    national profiles of trees of 6 to 40 in put through this come back within 0.06 in of their own
    diameters from half a foot up, and within 0.2 percent of their volume above a 1-foot stump.

    Examples
    --------
    >>> def cone(dbh_in, height_ft, at_ft):
    ...     dob = dbh_in * (height_ft - at_ft) / (height_ft - 4.5)
    ...     return 0.92 * dob, dob
    >>> taper_stems(802, 20.0, 84.5, cone).dob_in([[4.5, 44.5, 84.5]]).round(3).tolist()
    [[20.0, 10.0, 0.0]]
    """
    broken_ft = np.nan if broken_height_ft is None else broken_height_ft
    code_column, dbh, height, broken = columns(species_code, dbh_in, height_ft, broken_ft)
    codes: Codes = code_column.astype(np.int64)
    require_dbh(dbh)
    require(
        height >= BREAST_HEIGHT_FT, "height_ft", "at least breast height, 4.5 ft", height,
        "Give total height from the ground, or blank the cell.",
    )  # fmt: skip
    attribute(codes, "species_group")  # raises for unknown codes
    known = ~np.isnan(dbh) & ~np.isnan(height)
    if isinstance(taper, TaperTable):
        params = _from_table(codes, dbh, height, known, taper)
    elif isinstance(taper, TaperForms):
        params = _from_forms(codes, dbh, height, known, taper)
    else:
        params = _from_profile(dbh, height, known, taper)
    params[~known] = np.nan
    params[~known, 2] = 1.0
    source = np.atleast_1d(np.asarray(height_source, dtype=object))
    return Stems(
        kind=np.full(len(codes), kernels.TABLE, dtype=np.int8),
        params=params,
        dbh_in=dbh,
        species_code=codes,
        total_height_ft=height,
        usable_top_ft=np.where(known, np.fmin(broken, height), np.nan),
        height_source=np.array(np.broadcast_to(source, len(codes))),
    )


def _empty_rows(trees: int, knots: int) -> Array:
    return np.zeros((trees, max(kernels.N_PARAMS, kernels.KNOT_HEIGHT + 3 * knots)))


def _write_rows(
    params: Array, trees: npt.NDArray[np.intp], tip: Array, at: Array, dib: Array, dob: Array
) -> None:
    """Write knots, all rows with as many of them, into the parameter rows of some trees."""
    n = at.shape[1]
    params[trees, 0] = tip
    params[trees, 2] = n
    for block, values in enumerate((at, dib, dob)):
        start = kernels.KNOT_HEIGHT + block * n
        params[trees[:, None], np.arange(start, start + n)] = values


def _placed(codes: Codes, taper: TaperTable | TaperForms) -> npt.NDArray[np.int64]:
    """Return which entry each tree takes; every species needs one."""
    place = taper.place(codes)
    if (place < 0).any():
        bad = np.unique(codes[place < 0])
        raise DomainError(
            f"The taper table has no rows for species {bad.tolist()}. "
            "Add them, or rows with a blank species for all the rest."
        )
    return place


def _from_forms(
    codes: Codes, dbh: Array, height: Array, known: npt.NDArray[np.bool_], forms: TaperForms
) -> Array:
    place = _placed(codes, forms)
    params = _empty_rows(len(codes), len(BUTT_FT) + UPPER_KNOTS)
    for i, form in enumerate(forms.forms):
        mine = (place == i) & known
        if mine.any():
            what = f"taper of {form.entry or 'any species'!r}"
            params[mine] = _from_profile(dbh, height, mine, form, what=what)[mine]
    return params


def _from_table(
    codes: Codes, dbh: Array, height: Array, known: npt.NDArray[np.bool_], table: TaperTable
) -> Array:
    place = _placed(codes, table)
    params = _empty_rows(len(codes), max(len(t.heights) for t in table.tapers))
    beyond = 0
    for i, taper in enumerate(table.tapers):
        mine = np.flatnonzero((place == i) & known)
        if not mine.size:
            continue
        if not np.isnan(taper.dbh_in).any():
            outside = (dbh[mine] < taper.dbh_in[0]) | (dbh[mine] > taper.dbh_in[-1])
            beyond += int(outside.sum())
        dib, dob = (ratio * dbh[mine, None] for ratio in taper.per_dbh(dbh[mine]))
        if taper.by_share:
            at = taper.heights * height[mine, None]
            _write_rows(params, mine, height[mine], at, dib, dob)
            continue
        below = (taper.heights < height[mine, None]).sum(axis=1)
        for n in np.unique(below):  # trees of one count of knots under their tip at a time
            rows = np.flatnonzero(below == n)
            at = np.broadcast_to(taper.heights[:n], (rows.size, n))
            _write_rows(params, mine[rows], height[mine[rows]], at, dib[rows, :n], dob[rows, :n])
    if beyond:
        warnings.warn(
            f"{beyond} trees are beyond the DBH classes of the taper table; they take the form "
            "of its nearest class.",
            ExtrapolationWarning,
            stacklevel=3,
        )
    return params


def _from_profile(
    dbh: Array,
    height: Array,
    known: npt.NDArray[np.bool_],
    profile: Profile,
    *,
    what: str = "taper function",
) -> Array:
    params = _empty_rows(len(dbh), len(BUTT_FT) + UPPER_KNOTS)
    trees = np.flatnonzero(known)
    at = _heights_asked(height[trees])
    dib, dob = _asked(profile, dbh[trees], height[trees], at, what)
    _write_rows(params, trees, height[trees], at, dib, dob)
    above = np.append(at, height[trees, None], axis=1)[:, 1:]  # the ground to half a foot is stump
    middle = (above[:, 1:] + above[:, :-1]) / 2.0
    between = _asked(profile, dbh[trees], height[trees], middle, what)
    kind = np.full(trees.size, kernels.TABLE, dtype=np.int8)
    straight = (
        kernels.dib_many(kind, params[trees], middle),
        kernels.dob_many(kind, params[trees], middle),
    )
    checked = middle < CHECKED_SHARE * height[trees, None]
    worst = max(
        float(np.abs(line - curve).max(initial=0.0, where=checked))
        for line, curve in zip(straight, between, strict=True)
    )
    if worst > WORST_MISS_IN:
        warnings.warn(
            f"Straight lines between the {at.shape[1]} heights the {what} is tabulated "
            f"at miss it by up to {worst:.2f} in.",
            StandmapWarning,
            stacklevel=3,
        )
    return params


def _heights_asked(height: Array) -> Array:
    """Return the heights a function is asked at (trees, knots), the tip left out."""
    butt = np.array(BUTT_FT) * np.minimum(1.0, height / (2.0 * BUTT_FT[-1]))[:, None]
    share = np.sin(np.linspace(0.0, math.pi / 2.0, UPPER_KNOTS + 2)[1:-1])
    top = butt[:, -1:]
    return np.concatenate([butt, top + share * (height[:, None] - top)], axis=1)


def _asked(
    profile: Profile, dbh: Array, height: Array, at: Array, what: str
) -> tuple[Array, Array]:
    """Ask the function, and hold it to what a stem must be."""
    tall = np.ascontiguousarray(np.broadcast_to(height[:, None], at.shape))
    thick = np.ascontiguousarray(np.broadcast_to(dbh[:, None], at.shape))
    given = profile(thick, tall, at)
    dib, dob = (np.asarray(value, dtype=np.float64) for value in given)
    for name, value in (("dib", dib), ("dob", dob)):
        if value.shape != at.shape:
            raise DomainError(
                f"The {what} must return {name} of shape {at.shape}, one diameter for "
                f"every height it is asked; got {value.shape}."
            )
    grows = np.zeros(at.shape, dtype=bool)
    grows[:, 1:] = (np.diff(dib, axis=1) > 1e-9) | (np.diff(dob, axis=1) > 1e-9)
    faults = {
        "gives a missing or negative diameter": ~((dib >= 0) & (dob >= 0)),
        "is thicker inside than outside bark": dib > dob + 1e-9,
        "grows with height": grows,
    }
    for fault, where in faults.items():
        if where.any():
            i, j = np.argwhere(where)[0]
            raise DomainError(
                f"The {what} {fault}: dib {dib[i, j]:g}, dob {dob[i, j]:g} in at "
                f"{at[i, j]:.1f} ft of a {dbh[i]:g}-in tree {height[i]:g} ft tall "
                f"({int(where.any(axis=1).sum())} of {len(at)} trees)."
            )
    return dib, dob
