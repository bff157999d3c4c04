"""Height-diameter curves fitted to a tract's own measured trees."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..errors import DomainError, SmallSampleWarning
from ..species import catalogue
from ..units import BREAST_HEIGHT_FT
from ._checks import Array, Codes, attribute, columns, require, require_dbh
from ._height_fit import Fit, Places, cross_validated_rmse, fit_form, levels_off, tried
from .height_forms import FORMS

Level = Literal["species", "group", "all"]

FORM_NAMES: Final = tuple(FORMS)
"""Names of the forms a curve may take."""

_FEWEST_TREES = 4
_FEWEST_DIAMETERS = 3
_TREES_PER_COEFFICIENT = 5
"""Measured trees for each coefficient of a form of three (assumption, no source)."""

_AS_GOOD = 1.05
"""How much worse a form that levels off may foretell, and still be taken for one that does not
(assumption, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightCurve:
    """One fitted curve.

    Attributes
    ----------
    level : {"species", "group", "all"}
        What the curve was fitted to.
    name : str
        Common name, "softwood", "hardwood" or "all".
    form : str
        One of `FORM_NAMES`.
    coefficients : tuple of float
        Coefficients of the form, as its function takes them.
    n : int
        Measured trees.
    rmse_ft : float
        Root of the residual sum of squares over n less the coefficients, with the effects of
        stands. [ft]
    cv_rmse_ft : float
        Root mean square error of trees foretold by the curve of the others; NaN where too few
        trees to leave any out. [ft]
    bias_correction : float
        Factor on heights above breast height for a form fitted to logarithms; 1 for the others.
    stand_sd_pct : float
        Spread of stands about the curve, as a percentage of height above breast height; 0 where
        stands do not differ or are not told apart.
    stands : int
        Stands with measured trees.
    min_dbh_in, max_dbh_in : float
        Range of the measured trees. [in]
    fit : Fit
        The fit itself.
    stand_place : dict of object to int
        Place of each stand's effect in the fit.
    """

    level: Level
    name: str
    form: str
    coefficients: tuple[float, ...]
    n: int
    rmse_ft: float
    cv_rmse_ft: float
    bias_correction: float
    stand_sd_pct: float
    stands: int
    min_dbh_in: float
    max_dbh_in: float
    fit: Fit
    stand_place: dict[object, int]

    def heights(self, dbh_in: Array, stand: npt.NDArray[np.object_] | None = None) -> Array:
        """Return heights [ft] of trees, shifted to their stands where those were measured."""
        place = np.full(len(dbh_in), -1)
        if stand is not None:
            place = pd.Series(stand).map(self.stand_place).fillna(-1).to_numpy(dtype=np.int64)
        return self.fit.heights(dbh_in, place)


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
        """One row per curve.

        ``level``, ``name``, ``n``, ``rmse_ft``, ``cv_rmse_ft``, ``form``, ``equation``, ``a``,
        ``b``, ``c``, ``bias_correction``, ``stands``, ``stand_sd_pct`` and the DBH range fitted.
        """
        rows = [
            {
                "level": c.level, "name": c.name, "n": c.n, "rmse_ft": c.rmse_ft,
                "cv_rmse_ft": c.cv_rmse_ft, "form": FORMS[c.form].name,
                "equation": FORMS[c.form].equation,
                **dict(zip("abc", (*c.coefficients, np.nan), strict=False)),
                "bias_correction": c.bias_correction, "stands": c.stands,
                "stand_sd_pct": c.stand_sd_pct,
                "min_dbh_in": c.min_dbh_in, "max_dbh_in": c.max_dbh_in,
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

    def predict(
        self,
        species_code: npt.ArrayLike,
        dbh_in: npt.ArrayLike,
        stand: npt.ArrayLike | None = None,
    ) -> Array:
        """Return total height from DBH.

        Parameters
        ----------
        species_code : array_like of int
            Species codes.
        dbh_in : array_like
            Diameter at breast height. [in]
        stand : array_like, optional
            Stand of each tree, as given to `fit_heights`. A stand without measured trees of the
            curve, or a missing one, takes the curve of all stands.

        Returns
        -------
        ndarray
            Total height, above 4.5 ft; NaN where DBH is missing. [ft]

        Raises
        ------
        DomainError
            If a DBH is not above 0, a species code is not in the catalogue, or stands are not one
            for each tree.
        """
        codes, dbh = _codes_and_dbh(species_code, dbh_in)
        stands = None if stand is None else _stand_column(stand, len(dbh))
        out = np.empty(len(dbh))
        chosen, inverse = self._chosen(codes)
        for curve in {id(c): c for c in chosen}.values():
            mine = np.array([c is curve for c in chosen], dtype=bool)[inverse]
            out[mine] = curve.heights(dbh[mine], None if stands is None else stands[mine])
        return out

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

    def curve_points(self, *, points: int = 60) -> pd.DataFrame:
        """Return every curve as points to draw, over the DBH range it was fitted on.

        Parameters
        ----------
        points : int
            Points to a curve.

        Returns
        -------
        DataFrame
            ``level``, ``name``, ``form``, ``dbh_in`` and ``height_ft``, the curve of all stands.
        """
        parts = []
        for c in self.curves:
            dbh = np.linspace(c.min_dbh_in, c.max_dbh_in, points)
            parts.append(
                pd.DataFrame(
                    {"level": c.level, "name": c.name, "form": FORMS[c.form].name,
                     "dbh_in": dbh, "height_ft": c.heights(dbh)}
                )
            )  # fmt: skip
        return pd.concat(parts, ignore_index=True)

    def _chosen(self, codes: Codes) -> tuple[list[HeightCurve], npt.NDArray[np.intp]]:
        unique, inverse = np.unique(codes, return_inverse=True)
        return [self.curve_for(int(code)) for code in unique], inverse


def _codes_and_dbh(species_code: npt.ArrayLike, dbh_in: npt.ArrayLike) -> tuple[Codes, Array]:
    code, dbh = columns(species_code, dbh_in)
    require_dbh(dbh)
    return code.astype(np.int64), dbh


def _stand_column(stand: npt.ArrayLike, trees: int) -> npt.NDArray[np.object_]:
    given = np.atleast_1d(np.asarray(stand, dtype=object)).ravel()
    if len(given) not in (1, trees):
        raise DomainError(
            f"'stand' must have one value or {trees}, one per tree; got {len(given)}."
        )
    return np.array(np.broadcast_to(given, trees))


def _fit(
    level: Level,
    name: str,
    dbh_in: Array,
    height_ft: Array,
    stand: npt.NDArray[np.object_],
    forms: Sequence[str],
    min_trees: int,
) -> HeightCurve:
    """Fit every form that the trees can carry, and keep the one that foretells best."""
    code, labels = pd.factorize(stand)
    place = code.astype(np.int64)  # -1 where no stand is given
    n_stands = len(labels)
    fit, score = _best_form(dbh_in, height_ft, place, n_stands, forms, min_trees)
    residual = height_ft - fit.heights(dbh_in, place)
    freedom = max(len(dbh_in) - len(fit.coefficients), 1)
    return HeightCurve(
        level=level,
        name=name,
        form=fit.form,
        coefficients=tuple(float(c) for c in fit.coefficients),
        n=len(dbh_in),
        rmse_ft=float(np.sqrt(residual @ residual / freedom)),
        cv_rmse_ft=score,
        bias_correction=fit.factor,
        stand_sd_pct=100.0 * fit.effect_sd,
        stands=n_stands,
        min_dbh_in=float(dbh_in.min()),
        max_dbh_in=float(dbh_in.max()),
        fit=fit,
        stand_place={label: i for i, label in enumerate(labels)},
    )


def _best_form(
    dbh_in: Array,
    height_ft: Array,
    place: Places,
    n_stands: int,
    forms: Sequence[str],
    min_trees: int,
) -> tuple[Fit, float]:
    """Return the fit of the form that foretells best, and its error; with few trees the first."""
    trees = len(dbh_in)
    if trees < max(min_trees, 2 * _FEWEST_TREES):
        return fit_form(forms[0], dbh_in, height_ft, place, n_stands, like=None), float("nan")
    able = [
        form
        for form in forms
        if FORMS[form].n_coefficients == 2
        or trees >= _TREES_PER_COEFFICIENT * FORMS[form].n_coefficients
    ]
    part = tried(dbh_in)
    dbh, height, where = dbh_in[part], height_ft[part], place[part]
    found = []
    for form in able or forms[:1]:
        fit = fit_form(form, dbh, height, where, n_stands, like=None)
        found.append((fit, cross_validated_rmse(fit, dbh, height, where, n_stands)))
    fit, score = min(found, key=lambda pair: pair[1])
    if not levels_off(fit):
        settled = [pair for pair in found if levels_off(pair[0]) and pair[1] <= _AS_GOOD * score]
        fit, score = min(settled, key=lambda pair: pair[1], default=(fit, score))
    if len(part) < trees:
        fit = fit_form(fit.form, dbh_in, height_ft, place, n_stands, like=None)
    return fit, score


def fit_heights(
    dbh_in: npt.ArrayLike,
    height_ft: npt.ArrayLike,
    species_code: npt.ArrayLike,
    *,
    stand: npt.ArrayLike | None = None,
    forms: Sequence[str] = FORM_NAMES,
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
    stand : array_like, optional
        Stand of each tree. With it, a curve is shifted in each stand as far as the stand's own
        measured trees bear out.
    forms : sequence of str
        Forms to choose from, of `FORM_NAMES`.
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
    Five forms are fitted: Naslund, Curtis, Wykoff, Chapman-Richards and Weibull (their functions
    in ``standmap.trees.height_forms`` carry the equations and citations). Each curve takes the
    form with the least error in cross-validation: the trees are dealt by DBH into five parts, and
    each part is foretold by the curve of the other four, stands included (of more than 2,000
    trees, on an even part of them). A form that levels off only at its bound of 400 ft says
    nothing beyond the measured trees, and gives way to one that does where that foretells as
    well within 5 percent. Forms of three
    coefficients are tried from 15 trees on; with fewer than ``min_trees`` the first form is
    taken as it is.

    Curtis's and Wykoff's forms are fitted as straight lines in :math:`\ln(H - 4.5)`, and heights
    read back from logarithms are too low: they are multiplied by the sum of the measured heights
    over the sum of the fitted ones, both above breast height (the ratio estimator of Snowdon
    1991 [1]_). The others are fitted by least squares on height and need none.

    **Stands.** Trees of one stand are taller or shorter than the curve together, by a factor
    :math:`1 + u_j` (:math:`e^{u_j}` in logarithms), with :math:`u_j` random, of a variance
    estimated by maximum likelihood. The stand gets its best linear unbiased prediction

    .. math:: \hat u_j = \frac{\sum_i z_i (y_i - \hat y_i)}
                              {\sigma^2/\sigma_u^2 + \sum_i z_i^2}

    which is near nothing for a stand of one or two measured trees and near the stand's own ratio
    for one of many [2]_ (:math:`z` is the fitted height above breast height, or 1 in logarithms).
    Curves with trees in fewer than 3 stands are not shifted.

    Ten trees to a curve is common practice, no source.

    References
    ----------
    .. [1] Snowdon, P. 1991. A ratio estimator for bias correction in logarithmic regressions.
       Canadian Journal of Forest Research 21:720-724. (From memory.)
    .. [2] Lappi, J. 1997. A longitudinal analysis of height/diameter curves. Forest Science
       43:555-570. (From memory.)

    Examples
    --------
    >>> dbh = np.array([6.0, 8, 10, 12, 14, 16, 18, 20, 22, 24])
    >>> curves = fit_heights(dbh, 4.5 + (dbh / (0.6 + 0.08 * dbh)) ** 2, np.full(10, 802))
    >>> curves.predict(802, [15.0]).round(1).tolist()
    [73.9]
    """
    if min_trees < _FEWEST_TREES:
        raise DomainError(f"'min_trees' must be at least {_FEWEST_TREES}; got {min_trees}.")
    if not forms or any(form not in FORMS for form in forms):
        raise DomainError(f"'forms' must be some of {list(FORMS)}; got {list(forms)}.")
    dbh, height, code = columns(dbh_in, height_ft, species_code)
    stands = _stand_column(np.nan if stand is None else stand, len(dbh))
    require_dbh(dbh)
    require(
        height > BREAST_HEIGHT_FT, "height_ft", "above breast height, 4.5 ft", height,
        "Give total height from the ground, or blank the cell.",
    )  # fmt: skip
    measured = ~np.isnan(dbh) & ~np.isnan(height) & ~np.isnan(code)
    dbh, height, codes = dbh[measured], height[measured], code[measured].astype(np.int64)
    stands = stands[measured]
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

    done: dict[bytes, HeightCurve] = {}

    def fit(level: Level, name: str, here: npt.NDArray[np.bool_]) -> HeightCurve:
        trees = here.tobytes()  # one species alone is its group, and all trees, too
        if trees not in done:
            done[trees] = _fit(level, name, dbh[here], height[here], stands[here], forms, min_trees)
        return replace(done[trees], level=level, name=name)

    return HeightCurves(
        by_species={
            int(c): fit("species", str(names[c]), here)
            for c in np.unique(codes)
            if _enough(dbh[here := codes == c], min_trees)
        },
        by_group={
            soft: fit("group", "softwood" if soft else "hardwood", here)
            for soft in (True, False)
            if _enough(dbh[here := softwood == soft], min_trees)
        },
        all_trees=fit("all", "all", np.ones(len(dbh), dtype=bool)),
    )


def _enough(dbh_in: Array, trees: int) -> bool:
    return len(dbh_in) >= trees and len(np.unique(dbh_in)) >= _FEWEST_DIAMETERS
