"""The tree scale stick: where its marks stand."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError
from standmap.products import saw_top_from_logs
from standmap.units import LOG_FT, TRIM_FT

Floats = NDArray[np.float64]

MAX_DBH_IN: Final = 60.0
"""The largest diameter ever marked: a stick for larger trees is too coarse to trust. [in]"""

FIRST_DBH_IN: Final = 4.0
"""The smallest diameter marked. [in]"""

LEAST_REACH_IN: Final = 18.0
MOST_REACH_IN: Final = 36.0
"""Reaches a person can have, eye to stick. [in] (common practice, no source)"""

_MENDS: Final = {
    "reach_in": "Have someone tape it from your eye to the stick as you hold it.",
    "distance_ft": "It is how far you stand from the tree when you read heights: 66 is one chain.",
    "length_in": "Leave it out for half an inch more than the reach.",
}


def _positive(name: str, values: ArrayLike, unit: str, *, zero: bool = False) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    fine = (array >= 0) if zero else (array > 0)
    if not np.all(fine & np.isfinite(array)):
        wrong = np.atleast_1d(array)[np.flatnonzero(~np.atleast_1d(fine & np.isfinite(array)))[0]]
        raise DomainError(
            f"'{name}' must be a number {'of 0 or more' if zero else 'above 0'} {unit}; "
            f"got {wrong:g}."
        )
    return array


def diameter_mark_in(dbh_in: ArrayLike, reach_in: ArrayLike) -> Floats:
    r"""Where a diameter is marked on the stick.

    Parameters
    ----------
    dbh_in : array_like
        Diameter outside bark, 0 or more. [in]
    reach_in : array_like
        From the eye to the stick, where it touches the tree. [in]

    Returns
    -------
    ndarray
        Distance of the mark from the stick's zero. [in]

    Raises
    ------
    DomainError
        If a diameter is negative, a reach not above 0, or either is not a number.

    Notes
    -----
    The stick touches a round stem of diameter D at reach R from the eye. The two lines of sight
    that graze the stem make an angle a each side of its middle, sin a = (D/2) / (R + D/2), and cut
    the stick 2 R tan a apart:

    .. math:: D \sqrt{R / (R + D)}

    the Biltmore stick of the handbooks (the formula from memory; its geometry is tested). No
    published table of marks was found to check against.

    Examples
    --------
    >>> diameter_mark_in([10, 20], 25).round(3)
    array([ 8.452, 14.907])
    >>> diameter_mark_in([], 25)
    array([], dtype=float64)
    """
    dbh = _positive("dbh_in", dbh_in, "in", zero=True)
    reach = _positive("reach_in", reach_in, "in")
    return np.asarray(dbh * np.sqrt(reach / (reach + dbh)))


def diameter_from_mark_in(mark_in: ArrayLike, reach_in: ArrayLike) -> Floats:
    """Diameter that a place on the stick stands for: `diameter_mark_in` turned round.

    Parameters
    ----------
    mark_in : array_like
        Distance from the stick's zero. [in]
    reach_in : array_like
        Reach the stick was made for. [in]

    Returns
    -------
    ndarray
        Diameter. [in]

    Raises
    ------
    DomainError
        If a mark is negative, a reach not above 0, or either is not a number.

    Examples
    --------
    >>> diameter_from_mark_in([8.452, 14.907], 25).round(2)
    array([10., 20.])
    """
    mark = _positive("mark_in", mark_in, "in", zero=True)
    reach = _positive("reach_in", reach_in, "in")
    return np.asarray(mark * (mark + np.sqrt(mark**2 + 4 * reach**2)) / (2 * reach))


def diameter_read_in(dbh_in: ArrayLike, *, held_at_in: ArrayLike, reach_in: ArrayLike) -> Floats:
    """Diameter that is read when the stick is held nearer or farther than it was made for.

    Parameters
    ----------
    dbh_in : array_like
        True diameter. [in]
    held_at_in : array_like
        Where the stick is held. [in from the eye]
    reach_in : array_like
        Where it should be. [in from the eye]

    Returns
    -------
    ndarray
        The reading. [in]

    Raises
    ------
    DomainError
        As for `diameter_mark_in`.

    Examples
    --------
    Held two inches too near, a 30-inch tree reads 29.1:

    >>> float(diameter_read_in(30, held_at_in=23, reach_in=25).round(1))
    29.1
    """
    return diameter_from_mark_in(diameter_mark_in(dbh_in, held_at_in), reach_in)


def height_mark_in(height_ft: ArrayLike, reach_in: ArrayLike, distance_ft: ArrayLike) -> Floats:
    """Where a height is marked on the stick held upright.

    Parameters
    ----------
    height_ft : array_like
        Height above the point the zero is held on, 0 or more. [ft]
    reach_in : array_like
        Level distance from the eye to the upright stick. [in]
    distance_ft : array_like
        Level distance from the eye to the tree. [ft]

    Returns
    -------
    ndarray
        Distance of the mark from the stick's zero. [in]

    Raises
    ------
    DomainError
        If a height is negative, a reach or distance not above 0, or any is not a number.

    Notes
    -----
    Similar triangles, with stick and tree both plumb: mark / reach = height / distance (Merritt's
    rule; the name from memory). It does not matter how high the eye is.

    Examples
    --------
    >>> height_mark_in([16.3, 65.2], 25, 66).round(3)
    array([ 6.174, 24.697])
    """
    height = _positive("height_ft", height_ft, "ft", zero=True)
    reach = _positive("reach_in", reach_in, "in")
    return np.asarray(height * reach / _positive("distance_ft", distance_ft, "ft"))


def log_height_ft(logs: ArrayLike) -> Floats:
    """Height above the stump that a count of logs stands for.

    A log on the stick is 16.3 ft: 16 ft and 0.3 ft of trim. A half log at the top is 8.3 ft, for it
    carries its trim too. So a count read off the stick means the very height that an appraisal
    takes it for (`standmap.products.saw_top_from_logs`; Mesavage and Girard 1946).

    Parameters
    ----------
    logs : array_like
        16-foot logs in halves, 0 or more.

    Returns
    -------
    ndarray
        Height above the stump. [ft]

    Raises
    ------
    DomainError
        If a count is negative or not in halves.

    Examples
    --------
    >>> log_height_ft([0.5, 1, 2.5])
    array([ 8.3, 16.3, 40.9])
    """
    return saw_top_from_logs(logs, stump_ft=0.0, trim_ft=TRIM_FT)


@dataclass(frozen=True, kw_only=True)
class Stick:
    """A stick for one person's reach and one distance.

    Attributes
    ----------
    reach_in : float
        From the eye to the stick. [in]
    distance_ft : float
        Level distance from the eye to the tree when heights are read. [ft]
    length_in : float
        Length of the stick. [in] By default the reach and half an inch: long enough for a tree as
        many inches through as 1.6 times the reach.

    Raises
    ------
    DomainError
        If the reach is not 18 to 36 in, the distance not 16.5 to 200 ft (a quarter chain to three
        chains), or the length not 6 to 60 in.

    Examples
    --------
    >>> stick = Stick(reach_in=25, distance_ft=66)
    >>> stick.graduations().query("scale == 'dbh_in' and value == 40")["mark_in"].round(3).item()
    24.807
    """

    reach_in: float
    distance_ft: float
    length_in: float = math.nan

    def __post_init__(self) -> None:
        if math.isnan(self.length_in):
            object.__setattr__(self, "length_in", self.reach_in + 0.5)
        for name, low, high, unit in (
            ("reach_in", LEAST_REACH_IN, MOST_REACH_IN, "in"),
            ("distance_ft", 16.5, 200.0, "ft"),
            ("length_in", 6.0, 60.0, "in"),
        ):
            value = getattr(self, name)
            if not low <= value <= high:
                raise DomainError(
                    f"'{name}' of a stick must be {low:g} to {high:g} {unit}; got {value:g}. "
                    + _MENDS[name]
                )

    @cached_property
    def dbh_in(self) -> Floats:
        """Whole inches of diameter that fit on the stick."""
        inches = np.arange(FIRST_DBH_IN, MAX_DBH_IN + 1)
        return inches[diameter_mark_in(inches, self.reach_in) <= self.length_in - 0.25]

    @cached_property
    def half_dbh_in(self) -> Floats:
        """Half inches between them, marked but not numbered."""
        return self.dbh_in[:-1] + 0.5

    @cached_property
    def logs(self) -> Floats:
        """Half and whole logs that fit on the stick."""
        counts = np.arange(1, 21) / 2
        marks = height_mark_in(log_height_ft(counts), self.reach_in, self.distance_ft)
        return counts[marks <= self.length_in - 0.25]

    @cached_property
    def heights_ft(self) -> Floats:
        """Heights above the zero that fit on the stick, every 5 feet."""
        feet = np.arange(5.0, 301.0, 5.0)
        marks = height_mark_in(feet, self.reach_in, self.distance_ft)
        return feet[marks <= self.length_in - 0.25]

    def graduations(self) -> pd.DataFrame:
        """Every mark on the stick.

        Returns
        -------
        DataFrame
            ``scale`` ("dbh_in", "saw_logs" or "height_ft"), ``value`` in that unit, ``mark_in``
            from the zero, ``numbered``.
        """
        diameters = np.concatenate([self.dbh_in, self.half_dbh_in])
        parts = (
            ("dbh_in", diameters, diameter_mark_in(diameters, self.reach_in)),
            ("saw_logs", self.logs, self._height(log_height_ft(self.logs))),
            ("height_ft", self.heights_ft, self._height(self.heights_ft)),
        )
        frames = [
            pd.DataFrame({"scale": scale, "value": value, "mark_in": mark})
            for scale, value, mark in parts
        ]
        frame = pd.concat(frames, ignore_index=True).sort_values(
            ["scale", "mark_in"], ignore_index=True
        )
        half_inch = (frame["scale"] == "dbh_in") & (frame["value"] % 1 != 0)
        odd_five = (frame["scale"] == "height_ft") & (frame["value"] % 10 != 0)
        return frame.assign(numbered=~(half_inch | odd_five))

    def _height(self, feet: Floats) -> Floats:
        return height_mark_in(feet, self.reach_in, self.distance_ft)


__all__ = [
    "FIRST_DBH_IN",
    "LOG_FT",
    "MAX_DBH_IN",
    "Stick",
    "diameter_from_mark_in",
    "diameter_mark_in",
    "diameter_read_in",
    "height_mark_in",
    "log_height_ft",
]
