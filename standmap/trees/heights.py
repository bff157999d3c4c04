"""Height-diameter curves fitted to a tract's own measured trees."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import least_squares

from ..errors import DomainError, SmallSampleWarning
from ..species import catalogue
from ..units import BREAST_HEIGHT_FT
from ._checks import Array, Codes, attribute, columns, require, require_dbh

Level = Literal["species", "group", "all"]

FORM: Final = "H = 4.5 + (D / (a + b D))^2"
"""Naslund's height curve, as printed in the report."""

_PARAMETERS = 2
_FEWEST_TREES = 4
_FEWEST_DIAMETERS = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightCurve:
    """One fitted curve.

    Attributes
    ----------
    level : {"species", "group", "all"}
        What the curve was fitted to.
    name : str
        Common name, "softwood", "hardwood" or "all".
    a, b : float
        Coefficients of Naslund's curve.
    n : int
        Measured trees.
    rmse_ft : float
        Root of the residual sum of squares over n - 2. [ft]
    min_dbh_in, max_dbh_in : float
        Range of the measured trees. [in]
    """

    level: Level
    name: str
    a: float
    b: float
    n: int
    rmse_ft: float
    min_dbh_in: float
    max_dbh_in: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightCurves:
    """The height curves of a tract: by species, by group, and for all trees.

    Attributes
    ----------
    by_species : dict of int to HeightCurve
        Curves of species with enough measured trees.
    by_group : dict of bool to HeightCurve
        Curves of the groups with enough: True for softwoods, False for hardwoods.
    all_trees : HeightCurve
        Curve of all measured trees together.
    """

    by_species: dict[int, HeightCurve]
    by_group: dict[bool, HeightCurve]
    all_trees: HeightCurve

    def __repr__(self) -> str:
        """One line: how many curves, on how many trees."""
        return (
            f"HeightCurves({len(self.by_species)} species, {len(self.by_group)} groups, "
            f"{self.all_trees.n} measured trees, rmse {self.all_trees.rmse_ft:.1f} ft)"
        )

    @property
    def curves(self) -> list[HeightCurve]:
        """Every curve: species, then groups, then all trees."""
        return [*self.by_species.values(), *self.by_group.values(), self.all_trees]

    @property
    def report(self) -> pd.DataFrame:
        """One row per curve: level, name, n, rmse_ft, form, a, b and the DBH range fitted."""
        rows = [
            {
                "level": c.level, "name": c.name, "n": c.n, "rmse_ft": c.rmse_ft, "form": FORM,
                "a": c.a, "b": c.b, "min_dbh_in": c.min_dbh_in, "max_dbh_in": c.max_dbh_in,
            }
            for c in self.curves
        ]  # fmt: skip
        return pd.DataFrame(rows)

    def curve_for(self, species_code: int) -> HeightCurve:
        """Return the curve a species uses: its own, else its group's, else that of all trees."""
        if (own := self.by_species.get(int(species_code))) is not None:
            return own
        softwood = bool(attribute(np.array([species_code], dtype=np.int64), "softwood")[0])
        return self.by_group.get(softwood, self.all_trees)

    def predict(self, species_code: npt.ArrayLike, dbh_in: npt.ArrayLike) -> Array:
        """Return total height from DBH.

        Parameters
        ----------
        species_code : array_like of int
            Species codes.
        dbh_in : array_like
            Diameter at breast height. [in]

        Returns
        -------
        ndarray
            Total height, above 4.5 ft; NaN where DBH is missing. [ft]

        Raises
        ------
        DomainError
            If a DBH is not above 0 or a species code is not in the catalogue.
        """
        codes, dbh = _codes_and_dbh(species_code, dbh_in)
        chosen, inverse = self._chosen(codes)
        a = np.array([c.a for c in chosen])[inverse]
        b = np.array([c.b for c in chosen])[inverse]
        return _naslund(dbh, a, b)

    def extrapolated(
        self, species_code: npt.ArrayLike, dbh_in: npt.ArrayLike
    ) -> npt.NDArray[np.bool_]:
        """Tell which trees lie outside the DBH range their curve was fitted on."""
        codes, dbh = _codes_and_dbh(species_code, dbh_in)
        chosen, inverse = self._chosen(codes)
        low = np.array([c.min_dbh_in for c in chosen])[inverse]
        high = np.array([c.max_dbh_in for c in chosen])[inverse]
        return (dbh < low) | (dbh > high)

    def report_of(self, species_code: npt.ArrayLike, dbh_in: npt.ArrayLike) -> pd.DataFrame:
        """Return `report` with the trees each curve fills in, and how many it extrapolates.

        Parameters
        ----------
        species_code, dbh_in : array_like
            The trees whose heights are filled in.

        Returns
        -------
        DataFrame
            `report` with the columns ``filled`` and ``extrapolated`` (trees).
        """
        codes, dbh = _codes_and_dbh(species_code, dbh_in)
        chosen, inverse = self._chosen(codes)
        beyond = self.extrapolated(codes, dbh)
        frame = self.report.assign(filled=0, extrapolated=0)
        for row, curve in enumerate(self.curves):
            mine = np.array([c is curve for c in chosen], dtype=bool)[inverse]
            frame.loc[row, "filled"] = int(mine.sum())
            frame.loc[row, "extrapolated"] = int((mine & beyond).sum())
        return frame

    def _chosen(self, codes: Codes) -> tuple[list[HeightCurve], npt.NDArray[np.intp]]:
        unique, inverse = np.unique(codes, return_inverse=True)
        return [self.curve_for(int(code)) for code in unique], inverse


def _codes_and_dbh(species_code: npt.ArrayLike, dbh_in: npt.ArrayLike) -> tuple[Codes, Array]:
    code, dbh = columns(species_code, dbh_in)
    require_dbh(dbh)
    return code.astype(np.int64), dbh


def _naslund(dbh_in: Array, a: float | Array, b: float | Array) -> Array:
    return np.asarray(BREAST_HEIGHT_FT + (dbh_in / (a + b * dbh_in)) ** 2)


def _fit(level: Level, name: str, dbh_in: Array, height_ft: Array) -> HeightCurve:
    """Fit Naslund's curve by least squares on height, started from its straight-line form."""
    above = np.maximum(height_ft - BREAST_HEIGHT_FT, 0.1)
    b, a = np.polyfit(dbh_in, dbh_in / np.sqrt(above), 1)
    smallest = 1e-6  # both coefficients above zero: height rises with DBH and levels off
    fit = least_squares(
        lambda ab: _naslund(dbh_in, ab[0], ab[1]) - height_ft,
        x0=np.maximum([a, b], 1e-3),
        bounds=(smallest, np.inf),
        x_scale=[1.0, 0.1],
    )
    freedom = len(dbh_in) - _PARAMETERS
    return HeightCurve(
        level=level,
        name=name,
        a=float(fit.x[0]),
        b=float(fit.x[1]),
        n=len(dbh_in),
        rmse_ft=float(np.sqrt(2.0 * fit.cost / freedom)),
        min_dbh_in=float(dbh_in.min()),
        max_dbh_in=float(dbh_in.max()),
    )


def fit_heights(
    dbh_in: npt.ArrayLike,
    height_ft: npt.ArrayLike,
    species_code: npt.ArrayLike,
    *,
    min_trees: int = 10,
) -> HeightCurves:
    r"""Fit height-diameter curves to the measured trees of a tract.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height. [in]
    height_ft : array_like
        Total height; NaN where not measured, and of broken trees. [ft]
    species_code : array_like of int
        Species codes.
    min_trees : int
        Measured trees that a species, or the softwoods or hardwoods, need for their own curve.

    Returns
    -------
    HeightCurves
        A species uses its own curve, else its group's, else the curve of all trees.

    Raises
    ------
    DomainError
        If there are fewer than 4 measured trees of at least 3 different diameters, a measured
        height is not above 4.5 ft, or ``min_trees`` is below 4.

    Warns
    -----
    SmallSampleWarning
        If fewer than ``min_trees`` trees were measured on the whole tract.

    Notes
    -----
    .. math:: H = 4.5 + \left(\frac{D}{a + b D}\right)^2, \quad a, b > 0

    Naslund's curve [1]_: two coefficients, so that a dozen trees carry it; it starts at breast
    height, always rises and levels off at :math:`4.5 + 1/b^2`. Fitted by least squares on height.
    Ten trees to a curve is common practice, no source.

    References
    ----------
    .. [1] Naslund, M. 1937. Skogsforsoksanstaltens gallringsforsok i tallskog. Meddelanden fran
       Statens Skogsforsoksanstalt 29. (The form, from memory; the coefficients are the tract's.)

    Examples
    --------
    >>> dbh = np.array([6.0, 8, 10, 12, 14, 16, 18, 20, 22, 24])
    >>> curves = fit_heights(dbh, 4.5 + (dbh / (0.6 + 0.08 * dbh)) ** 2, np.full(10, 802))
    >>> curves.predict(802, [15.0]).round(1).tolist()
    [73.9]
    """
    if min_trees < _FEWEST_TREES:
        raise DomainError(f"'min_trees' must be at least {_FEWEST_TREES}; got {min_trees}.")
    dbh, height, code = columns(dbh_in, height_ft, species_code)
    require_dbh(dbh)
    require(
        height > BREAST_HEIGHT_FT, "height_ft", "above breast height, 4.5 ft", height,
        "Give total height from the ground, or blank the cell.",
    )  # fmt: skip
    measured = ~np.isnan(dbh) & ~np.isnan(height) & ~np.isnan(code)
    dbh, height, codes = dbh[measured], height[measured], code[measured].astype(np.int64)
    if not _enough(dbh, _FEWEST_TREES):
        raise DomainError(
            f"A height curve needs at least {_FEWEST_TREES} measured trees of "
            f"{_FEWEST_DIAMETERS} different diameters; got {len(dbh)}. Measure total height on "
            "more trees, over the range of diameters."
        )
    if len(dbh) < min_trees:
        warnings.warn(
            f"The height curve rests on {len(dbh)} measured trees; {min_trees} or more are wanted.",
            SmallSampleWarning,
            stacklevel=2,
        )
    softwood = attribute(codes, "softwood") == 1.0
    names = catalogue()["common_name"]
    by_species = {
        int(c): _fit("species", str(names[c]), dbh[here], height[here])
        for c in np.unique(codes)
        if _enough(dbh[here := codes == c], min_trees)
    }
    by_group = {
        soft: _fit("group", "softwood" if soft else "hardwood", dbh[here], height[here])
        for soft in (True, False)
        if _enough(dbh[here := softwood == soft], min_trees)
    }
    return HeightCurves(
        by_species=by_species, by_group=by_group, all_trees=_fit("all", "all", dbh, height)
    )


def _enough(dbh_in: Array, trees: int) -> bool:
    return len(dbh_in) >= trees and len(np.unique(dbh_in)) >= _FEWEST_DIAMETERS
