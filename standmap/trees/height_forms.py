"""Forms of height-diameter curves: one published equation, one function.

Every form starts at breast height (Wykoff's a hair above it), rises with DBH and levels off.
Coefficients are fitted to the tract's own trees by `standmap.trees.fit_heights`; none are taken
from the sources. The citations are from memory: the forms are in general use, the papers were not
at hand.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from ..units import BREAST_HEIGHT_FT
from ._checks import Array

TALLEST_FT: Final = 400.0
"""Where the rising forms may level off at most: above any tree on record. [ft]"""


def height_naslund1937(dbh_in: npt.ArrayLike, a: float, b: float) -> Array:
    r"""Return total height by Naslund's curve.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height. [in]
    a, b : float
        Coefficients, 0 or above.

    Returns
    -------
    ndarray
        :math:`4.5 + (D / (a + b D))^2`. [ft] Levels off at :math:`4.5 + 1/b^2`.

    References
    ----------
    .. [1] Naslund, M. 1937. Skogsforsoksanstaltens gallringsforsok i tallskog. Meddelanden fran
       Statens Skogsforsoksanstalt 29. (From memory.)

    Examples
    --------
    >>> height_naslund1937([10.0, 20.0], 0.8, 0.09).round(1).tolist()
    [39.1, 63.7]
    """
    dbh = np.asarray(dbh_in, dtype=np.float64)
    return np.asarray(BREAST_HEIGHT_FT + (dbh / (a + b * dbh)) ** 2)


def height_curtis1967(dbh_in: npt.ArrayLike, a: float, b: float) -> Array:
    r"""Return total height by Curtis's curve.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height. [in]
    a, b : float
        Coefficients; b is 0 or above.

    Returns
    -------
    ndarray
        :math:`4.5 + e^a (D / (1 + D))^b`, D in inches. [ft] Levels off at :math:`4.5 + e^a`.

    References
    ----------
    .. [1] Curtis, R.O. 1967. Height-diameter and height-diameter-age equations for second-growth
       Douglas-fir. Forest Science 13:365-375. (From memory.)

    Examples
    --------
    >>> height_curtis1967([10.0, 20.0], 4.6, 6.0).round(1).tolist()
    [60.7, 78.7]
    """
    dbh = np.asarray(dbh_in, dtype=np.float64)
    return np.asarray(BREAST_HEIGHT_FT + np.exp(a) * (dbh / (1.0 + dbh)) ** b)


def height_wykoff1982(dbh_in: npt.ArrayLike, a: float, b: float) -> Array:
    r"""Return total height by the curve of Wykoff, Crookston and Stage.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height. [in]
    a, b : float
        Coefficients; b is 0 or below.

    Returns
    -------
    ndarray
        :math:`4.5 + e^{a + b / (D + 1)}`, D in inches. [ft] Levels off at :math:`4.5 + e^a`.

    References
    ----------
    .. [1] Wykoff, W.R., Crookston, N.L. and Stage, A.R. 1982. User's guide to the Stand Prognosis
       Model. Gen. Tech. Rep. INT-133. USDA Forest Service. (From memory.)

    Examples
    --------
    >>> height_wykoff1982([10.0, 20.0], 4.6, -6.0).round(1).tolist()
    [62.2, 79.3]
    """
    dbh = np.asarray(dbh_in, dtype=np.float64)
    return np.asarray(BREAST_HEIGHT_FT + np.exp(a + b / (dbh + 1.0)))


def height_richards1959(dbh_in: npt.ArrayLike, a: float, b: float, c: float) -> Array:
    r"""Return total height by the Chapman-Richards curve.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height. [in]
    a, b, c : float
        Coefficients, 0 or above.

    Returns
    -------
    ndarray
        :math:`4.5 + a (1 - e^{-b D})^c`. [ft] Levels off at :math:`4.5 + a`.

    References
    ----------
    .. [1] Richards, F.J. 1959. A flexible growth function for empirical use. Journal of
       Experimental Botany 10:290-301. (From memory.)
    .. [2] Chapman, D.G. 1961. Statistical problems in dynamics of exploited fisheries
       populations. Proceedings of the 4th Berkeley Symposium 4:153-168. (From memory.)

    Examples
    --------
    >>> height_richards1959([10.0, 20.0], 90.0, 0.1, 1.2).round(1).tolist()
    [56.4, 80.1]
    """
    dbh = np.asarray(dbh_in, dtype=np.float64)
    return np.asarray(BREAST_HEIGHT_FT + a * (-np.expm1(-b * dbh)) ** c)


def height_yang1978(dbh_in: npt.ArrayLike, a: float, b: float, c: float) -> Array:
    r"""Return total height by the Weibull curve of Yang, Kozak and Smith.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height. [in]
    a, b, c : float
        Coefficients, 0 or above.

    Returns
    -------
    ndarray
        :math:`4.5 + a (1 - e^{-b D^c})`. [ft] Levels off at :math:`4.5 + a`.

    References
    ----------
    .. [1] Yang, R.C., Kozak, A. and Smith, J.H.G. 1978. The potential of Weibull-type functions
       as flexible growth curves. Canadian Journal of Forest Research 8:424-431. (From memory.)

    Examples
    --------
    >>> height_yang1978([10.0, 20.0], 90.0, 0.06, 1.2).round(1).tolist()
    [59.7, 84.4]
    """
    dbh = np.asarray(dbh_in, dtype=np.float64)
    return np.asarray(BREAST_HEIGHT_FT - a * np.expm1(-b * dbh**c))


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightForm:
    """A form and how it is fitted.

    Attributes
    ----------
    name, equation : str
        As a report prints them.
    height : callable
        ``height(dbh_in, *coefficients)``.
    logged : callable or None
        For a form that is a straight line in ln(H - 4.5): the DBH's place on that line, so that
        ``ln(H - 4.5) = a + b logged(D)``. None for a form fitted to heights as they are.
    rising : float
        Sign of b for which a logged form rises with DBH.
    lower, upper : tuple of float
        Bounds of the coefficients of a form fitted to heights.
    """

    name: str
    equation: str
    height: Callable[..., Array]
    logged: Callable[[Array], Array] | None = None
    rising: float = 1.0
    lower: tuple[float, ...] = ()
    upper: tuple[float, ...] = ()

    @property
    def n_coefficients(self) -> int:
        """How many coefficients the form has."""
        return 2 if self.logged is not None else len(self.lower)


_LEAST = 1e-6

FORMS: Final[dict[str, HeightForm]] = {
    "naslund": HeightForm(
        name="Naslund",
        equation="H = 4.5 + (D / (a + b D))^2",
        height=height_naslund1937,
        lower=(_LEAST, _LEAST),
        upper=(np.inf, np.inf),
    ),
    "curtis": HeightForm(
        name="Curtis",
        equation="H = 4.5 + exp(a) (D / (1 + D))^b",
        height=height_curtis1967,
        logged=lambda dbh: np.asarray(np.log(dbh / (1.0 + dbh))),
    ),
    "wykoff": HeightForm(
        name="Wykoff",
        equation="H = 4.5 + exp(a + b / (D + 1))",
        height=height_wykoff1982,
        logged=lambda dbh: np.asarray(1.0 / (dbh + 1.0)),
        rising=-1.0,
    ),
    "chapman_richards": HeightForm(
        name="Chapman-Richards",
        equation="H = 4.5 + a (1 - exp(-b D))^c",
        height=height_richards1959,
        lower=(1.0, 1e-4, 0.05),
        upper=(TALLEST_FT, 2.0, 5.0),
    ),
    "weibull": HeightForm(
        name="Weibull",
        equation="H = 4.5 + a (1 - exp(-b D^c))",
        height=height_yang1978,
        lower=(1.0, 1e-5, 0.05),
        upper=(TALLEST_FT, 5.0, 4.0),
    ),
}
"""The forms a curve is chosen from, those of fewer coefficients first."""


def first_guess(form: str, dbh_in: Array, above_ft: Array) -> Array:
    """Return coefficients to start a fit from, for a form fitted to heights.

    ``above_ft`` is height above breast height. [ft]
    """
    if form == "naslund":
        b, a = np.polyfit(dbh_in, dbh_in / np.sqrt(np.maximum(above_ft, 0.1)), 1)
        return np.maximum([a, b], 1e-3)
    top = float(np.quantile(above_ft, 0.95))
    return np.array([min(1.15 * top, 0.9 * TALLEST_FT), 1.5 / float(np.median(dbh_in)), 1.0])
