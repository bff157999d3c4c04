"""How far height curves may carry a total, by themselves: the error of filled heights."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from ..errors import DomainError
from ..units import BREAST_HEIGHT_FT
from ._checks import Array, Codes, attribute, columns
from ._height_fit import Fit, Places, slope_of_effect
from .height_forms import FORMS
from .heights import HeightCurve, HeightCurves

Names = npt.NDArray[np.object_]

_STEP = 1e-5
_LEAST_LEFT = 0.05  # a tree that the curve follows by itself tells little of its misses


@dataclass(frozen=True, slots=True, kw_only=True)
class HeightError:
    """The error that filled heights bring to a total.

    Attributes
    ----------
    se : float
        Standard error, in the unit of the total.
    df : float
        Degrees of freedom: trees the curves rest on, less the coefficients fitted to them.
    """

    se: float
    df: float


@dataclass(frozen=True, slots=True)
class MeasuredHeights:
    """The trees that the curves were fitted to."""

    dbh_in: Array
    height_ft: Array
    species_code: Codes
    stand: Names


def height_error(
    curves: HeightCurves,
    measured: MeasuredHeights,
    *,
    species_code: npt.ArrayLike,
    dbh_in: npt.ArrayLike,
    stand: npt.ArrayLike,
    per_ft: npt.ArrayLike,
    count: npt.ArrayLike = 1.0,
) -> HeightError:
    r"""Return the standard error that heights taken from curves bring to a total.

    Parameters
    ----------
    curves : HeightCurves
        The curves.
    measured : MeasuredHeights
        The trees they were fitted to.
    species_code, dbh_in, stand : array_like
        The trees whose heights were filled in. [DBH in inches]
    per_ft : array_like
        What a foot of height adds to the total through each row. [unit of the total per ft]
    count : array_like, default 1
        Trees in each row: each strays from the curve by itself, and is a part of ``per_ft``.

    Returns
    -------
    HeightError
        Standard error and degrees of freedom.

    Raises
    ------
    DomainError
        If the curves rest on trees that are not among the measured.

    Notes
    -----
    A total is nearly a sum of :math:`a_i H_i`, and a filled height nearly a line in the measured
    ones, so the total leans on measured height k by a number :math:`c_k`. Its error is

    .. math:: \sum_k c_k^2 e_k^2 + \sum_j G_j^2 + \sum_i a_i^2 s^2 / n_i

    the misses :math:`e_k` of the measured trees (each over the root of 1 less its leverage, so
    that uneven spread is taken as it is); the stands' effects, by which :math:`G_j` is the part
    that was not seen, times their spread; and the trees of each row about the curve (spread s).
    One tree may serve the curve of its species, its group and of all trees: its leanings add up
    before they are squared. The choice of the form is taken as known [1]_ [2]_.

    References
    ----------
    .. [1] Henderson, C.R. 1975. Best linear unbiased estimation and prediction under a selection
       model. Biometrics 31:423-447. (From memory.)
    .. [2] MacKinnon, J.G. and White, H. 1985. Some heteroskedasticity-consistent covariance matrix
       estimators with improved finite sample properties. Journal of Econometrics 29:305-325.
       (From memory.)

    Examples
    --------
    >>> from standmap.trees import fit_heights
    >>> rng = np.random.default_rng(1)
    >>> dbh = np.linspace(6.0, 24.0, 30)
    >>> height = 4.5 + 95 * np.exp(-5.5 / (dbh + 1)) + rng.normal(0, 5, 30)
    >>> code, stand = np.full(30, 802), np.full(30, "1", dtype=object)
    >>> curves = fit_heights(dbh, height, code)
    >>> error = height_error(
    ...     curves, MeasuredHeights(dbh, height, code, stand),
    ...     species_code=[802], dbh_in=[15.0], stand=["1"], per_ft=[1.0],
    ... )
    >>> round(error.se, 1)  # feet: mostly how one tree strays from the curve
    4.4
    """
    code, dbh, slope, trees = columns(species_code, dbh_in, per_ft, count)
    where = np.asarray(stand, dtype=object)
    lean, miss = np.zeros(len(measured.dbh_in)), np.zeros(len(measured.dbh_in))
    used = np.zeros(len(miss), dtype=bool)
    gaps = pd.Series(dtype=float)
    alone, coefficients = 0.0, 0
    for curve, served in _serving(curves, code[slope != 0]):
        on = _fitted_to(curve, served[0], measured)
        if int(on.sum()) != curve.n:
            raise DomainError(
                f"The curve of {curve.name} rests on {curve.n} measured trees and {int(on.sum())} "
                "of them were given. Give the trees it was fitted to."
            )
        mine = np.isin(code, served) & (slope != 0)
        rest = _resting(curve, measured.dbh_in[on], measured.height_ft[on], measured.stand[on])
        scaled = slope[mine] * _per_step(curve.fit, dbh[mine])
        by_tree, by_stand = rest.leaning(dbh[mine], where[mine], scaled)
        lean[on] += by_tree
        gaps = gaps.add(by_stand, fill_value=0.0)
        # A tree's miss is told by the curve nearest its species.
        miss[on] = np.where(used[on], miss[on], rest.misses)
        used |= on
        alone += float(np.mean(rest.misses**2) * (scaled**2 / trees[mine]).sum())
        coefficients += len(curve.coefficients)
    variance = float(((lean * miss) ** 2).sum()) + float((gaps**2).sum()) + alone
    return HeightError(se=float(np.sqrt(variance)), df=max(float(used.sum()) - coefficients, 1.0))


def _serving(curves: HeightCurves, code: Array) -> list[tuple[HeightCurve, list[int]]]:
    """Return the curves that serve the species and their codes; curves of a species first."""
    found: dict[int, tuple[HeightCurve, list[int]]] = {}
    for one in np.unique(code).astype(np.int64).tolist():
        curve = curves.curve_for(one)
        found.setdefault(id(curve), (curve, []))[1].append(one)
    order = ("species", "group", "all")
    return sorted(found.values(), key=lambda pair: order.index(pair[0].level))


def _fitted_to(curve: HeightCurve, served: int, measured: MeasuredHeights) -> npt.NDArray[np.bool_]:
    """Tell which measured trees a curve rests on, from one species that it serves."""
    if curve.level == "species":
        return np.asarray(measured.species_code == served)
    if curve.level == "all":
        return np.ones(len(measured.dbh_in), dtype=bool)
    soft = attribute(np.append(measured.species_code, served), "softwood")
    return np.asarray(soft[:-1] == soft[-1])


def _per_step(fit: Fit, dbh_in: Array) -> Array:
    """Return feet of height per unit of the scale that the form was fitted on."""
    form = FORMS[fit.form]
    if form.logged is None:
        return np.ones(len(dbh_in))
    return (form.height(dbh_in, *fit.coefficients) - BREAST_HEIGHT_FT) * fit.factor_alone


def _slopes(fit: Fit, dbh_in: Array) -> Array:
    """Return what one more of each coefficient adds, on the scale of the fit."""
    form = FORMS[fit.form]
    if form.logged is not None:
        return np.column_stack([np.ones(len(dbh_in)), form.logged(dbh_in)])
    out = np.empty((len(dbh_in), len(fit.coefficients)))
    for k, value in enumerate(fit.coefficients):
        step = np.zeros(len(fit.coefficients))
        step[k] = _STEP * abs(value)
        up, down = (form.height(dbh_in, *(fit.coefficients + s)) for s in (step, -step))
        out[:, k] = (up - down) / (2.0 * step[k])
    return out


@dataclass(frozen=True, slots=True)
class _Resting:
    """A curve's measured trees: slopes, what a stand's effect adds to each, and its misses."""

    fit: Fit
    slopes: Array
    of_stand: Array
    place: Places
    stands: list[object]
    size: Array
    inverse: Array
    misses: Array

    def leaning(self, dbh_in: Array, stand: Names, scaled: Array) -> tuple[Array, pd.Series]:
        """Return how the total leans on each measured tree, and each stand's effect unseen."""
        ratio = self.fit.ratio
        b = scaled @ _slopes(self.fit, dbh_in)
        adds = slope_of_effect(FORMS[self.fit.form], dbh_in, self.fit)
        asked = pd.Series(scaled * adds).groupby(stand).sum()
        g = asked.reindex(self.stands, fill_value=0.0).to_numpy(dtype=float)
        # Vi Z g, with Vi the inverse covariance: shrunk to 1 / (1 + ratio x size) stand by stand.
        seen = ratio * self.of_stand * (g / (1.0 + ratio * self.size))[self.place]
        lean = self._whitened(self.slopes) @ (self.inverse @ (b - self.slopes.T @ seen)) + seen
        told = np.bincount(self.place, lean * self.of_stand, minlength=len(self.stands))
        gap = asked.mul(-1.0).add(pd.Series(told, index=self.stands), fill_value=0.0)
        return lean, gap * self.fit.effect_sd

    def _whitened(self, values: Array) -> Array:
        return _unshared(values, self.of_stand, self.place, self.size, self.fit.ratio)


def _unshared(values: Array, z: Array, place: Places, size: Array, ratio: float) -> Array:
    """Return values times the inverse of their covariance, ``1 + ratio z z'`` by stand."""
    summed = np.zeros((len(size), values.shape[1]))
    np.add.at(summed, place, z[:, None] * values)
    return values - z[:, None] * (summed * (ratio / (1.0 + ratio * size))[:, None])[place]


def _resting(curve: HeightCurve, dbh_in: Array, height_ft: Array, stand: Names) -> _Resting:
    fit, form = curve.fit, FORMS[curve.fit.form]
    code, labels = pd.factorize(stand)
    place = code.astype(np.int64)
    slopes, z = _slopes(fit, dbh_in), slope_of_effect(form, dbh_in, fit)
    size = np.asarray(np.bincount(place, z**2, minlength=len(labels)), dtype=np.float64)
    white = _unshared(slopes, z, place, size, fit.ratio)
    inverse = np.asarray(np.linalg.pinv(slopes.T @ white), dtype=np.float64)
    above = np.maximum(height_ft - BREAST_HEIGHT_FT, 1e-12)
    fitted = form.height(dbh_in, *fit.coefficients) - BREAST_HEIGHT_FT
    off = np.log(above / fitted) if form.logged is not None else above - fitted
    known = dict(zip(curve.stand_place, fit.effects[list(curve.stand_place.values())], strict=True))
    effects = np.array([known.get(one, 0.0) for one in labels])
    left = 1.0 - fit.ratio * z**2 / (1.0 + fit.ratio * size[place])
    left -= ((white @ inverse) * white).sum(axis=1)
    misses = np.asarray(off - z * effects[place]) / np.sqrt(np.maximum(left, _LEAST_LEFT))
    return _Resting(fit, slopes, z, place, list(labels), size, inverse, misses)
