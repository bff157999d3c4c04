"""Field geometry of plots and points: radii, limiting distances, areas."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.errors import DomainError
from standmap.units import BASAL_AREA_CONSTANT, SQFT_PER_ACRE

Floats = NDArray[np.float64]
To = Literal["centre", "face"]


def _positive(name: str, values: ArrayLike, *, unit: str, allow_zero: bool = False) -> Floats:
    array = np.asarray(values, dtype=np.float64)
    bad = ~(array >= 0) if allow_zero else ~(array > 0)
    if np.any(bad | np.isinf(array)):
        first = np.atleast_1d(array)[np.flatnonzero(np.atleast_1d(bad | np.isinf(array)))[0]]
        least = ">= 0" if allow_zero else "> 0"
        raise DomainError(
            f"'{name}' must be a number {least} {unit}; got {first:g} "
            f"({np.count_nonzero(bad | np.isinf(array))} of {array.size})."
        )
    return array


def basal_area_sqft(dbh_in: ArrayLike) -> Floats:
    """Cross-section of a stem at breast height.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height, outside bark. [in]

    Returns
    -------
    ndarray
        Basal area, pi / 576 x DBH squared. [sq ft]

    Raises
    ------
    DomainError
        If a diameter is negative or not a number.

    Examples
    --------
    >>> float(basal_area_sqft(12).round(4))
    0.7854
    """
    dbh = _positive("dbh_in", dbh_in, unit="in", allow_zero=True)
    return np.asarray(BASAL_AREA_CONSTANT * dbh**2)


def plot_radius_factor(baf: ArrayLike, *, to: To = "centre") -> Floats:
    """Feet of limiting distance for each inch of DBH on a point sample.

    Parameters
    ----------
    baf : array_like
        Basal area factor. [sq ft/acre]
    to : {"centre", "face"}
        Where the tape is held on the tree at breast height: the middle of the stem seen from the
        side, or the near face. The face is half a diameter nearer: 1/24 ft per inch of DBH.

    Returns
    -------
    ndarray
        Plot radius factor. [ft/in]

    Raises
    ------
    DomainError
        If ``baf`` is not above 0, or ``to`` is neither word.

    Notes
    -----
    A tree of DBH d inches is counted within R = PRF x d feet, where its basal area is BAF parts of
    an acre in the area of that circle, so PRF = sqrt(43,560 / (576 BAF)).

    References
    ----------
    .. [1] Iles, K. Wrong plot radius factor. John Bell and Associates newsletter archive no. 12.

    Examples
    --------
    >>> float(plot_radius_factor(10))
    2.75
    >>> float(plot_radius_factor(40, to="face").round(4))
    1.3333
    """
    if to not in ("centre", "face"):
        raise DomainError(f"'to' must be 'centre' or 'face'; got {to!r}.")
    factor = np.sqrt(SQFT_PER_ACRE / (576 * _positive("baf", baf, unit="sq ft/acre")))
    return np.asarray(factor - (1 / 24 if to == "face" else 0.0))


def limiting_distance_ft(
    dbh_in: ArrayLike, baf: ArrayLike, *, to: To = "centre", slope_pct: ArrayLike = 0.0
) -> Floats:
    """Farthest a tree can stand from the point and still be counted.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height, outside bark. [in]
    baf : array_like
        Basal area factor. [sq ft/acre]
    to : {"centre", "face"}
        Where the tape is held on the tree; see :func:`plot_radius_factor`.
    slope_pct : array_like
        Slope of the tape from the point to that tree (not of the plot as a whole). [percent]

    Returns
    -------
    ndarray
        Distance along the tape: the horizontal limiting distance x sqrt(1 + (slope/100)^2). [ft]

    Raises
    ------
    DomainError
        If a diameter or BAF is not above 0.

    Examples
    --------
    >>> float(limiting_distance_ft(12, 10))
    33.0
    >>> float(limiting_distance_ft(12, 10, slope_pct=50).round(1))
    36.9
    """
    slope = np.asarray(slope_pct, dtype=np.float64) / 100
    flat = plot_radius_factor(baf, to=to) * _positive("dbh_in", dbh_in, unit="in")
    return np.asarray(flat * np.sqrt(1 + slope**2))


def plot_radius_ft(plot_acres: ArrayLike, *, slope_pct: ArrayLike = 0.0) -> Floats:
    """Radius of a circular plot.

    Parameters
    ----------
    plot_acres : array_like
        Horizontal area of the plot. [acres]
    slope_pct : array_like
        Slope of the plot, where the circle is laid out on the slope. [percent]

    Returns
    -------
    ndarray
        Radius measured along the ground. [ft]

    Raises
    ------
    DomainError
        If ``plot_acres`` is not above 0.

    Notes
    -----
    On a slope this is the circle on the ground whose horizontal projection, an ellipse, has the
    nominal area: r (1 + s^2)^(1/4) [1]_. It is not the correction of one tree's distance, which
    takes the square root (:func:`limiting_distance_ft`).

    References
    ----------
    .. [1] USDA Forest Service, Common Stand Exam field guide, Appendix I, Table 1.

    Examples
    --------
    >>> plot_radius_ft([0.1, 0.2]).round(1)
    array([37.2, 52.7])
    >>> float(plot_radius_ft(1 / 300, slope_pct=50).round(1))
    7.2
    """
    acres = _positive("plot_acres", plot_acres, unit="acres")
    slope = np.asarray(slope_pct, dtype=np.float64) / 100
    return np.asarray(np.sqrt(SQFT_PER_ACRE * acres / np.pi) * (1 + slope**2) ** 0.25)


def circle_acres(plot_radius_ft: ArrayLike) -> Floats:
    """Acres in a circular plot of a horizontal radius.

    Parameters
    ----------
    plot_radius_ft : array_like
        Horizontal radius. [ft]

    Returns
    -------
    ndarray
        Plot area. [acres]

    Raises
    ------
    DomainError
        If a radius is not above 0.

    Examples
    --------
    >>> float(circle_acres(37.2365).round(4))
    0.1
    """
    radius = _positive("plot_radius_ft", plot_radius_ft, unit="ft")
    return np.asarray(np.pi * radius**2 / SQFT_PER_ACRE)


def strip_acres(length_ft: ArrayLike, width_ft: ArrayLike) -> Floats:
    """Acres in a cruise strip.

    Parameters
    ----------
    length_ft, width_ft : array_like
        Horizontal length and full width. [ft]

    Returns
    -------
    ndarray
        Strip area. [acres]

    Raises
    ------
    DomainError
        If a length or width is not above 0.

    Examples
    --------
    A strip one chain (66 ft) wide and 10 chains long is an acre.

    >>> float(strip_acres(660, 66))
    1.0
    """
    length = _positive("length_ft", length_ft, unit="ft")
    return np.asarray(length * _positive("width_ft", width_ft, unit="ft") / SQFT_PER_ACRE)
