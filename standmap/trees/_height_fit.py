"""Fitting one height curve: its form's coefficients, a shrunken effect of each stand, its errors.

A stand makes its trees taller or shorter by one factor. On the scale a form is fitted on (heights,
or their logarithms) the residual of tree i of stand j is ``u_j z_i + e_i``, with ``z`` the curve's
own height (or 1 for logarithms), u of variance ``ratio`` times that of e. The coefficients come
from weighted least squares under that covariance, the ratio from its likelihood, and each u from
its best linear unbiased prediction, which is nothing for a stand without trees.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares, minimize_scalar

from ..units import BREAST_HEIGHT_FT
from ._checks import Array
from .height_forms import FORMS, HeightForm, first_guess

Places = npt.NDArray[np.int64]

FOLDS: Final = 5
"""Parts the trees are dealt into, each foretold by the curve of the others."""

MOST_TRIED: Final = 2000
"""Trees a form is chosen on; of more, every so-manieth by DBH."""

FEWEST_STANDS: Final = 3
"""Stands with measured trees that an effect of stands needs."""

_ROUNDS = 2
_SAME_SQUARES = 1e-6  # a gain of squares below a part in a million is no gain
_LEAST_ABOVE_FT = 0.1
_AT_BOUND = 0.001


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """A fitted curve, on the trees it was given.

    ``effects`` are NaN for stands without trees. ``factor`` and ``factor_alone`` are the
    corrections for bias of heights above breast height, with the stand's effect and without it;
    1 for a form fitted to heights.
    """

    form: str
    coefficients: Array
    ratio: float
    effects: Array
    effect_sd: float
    factor: float
    factor_alone: float

    def heights(self, dbh_in: Array, place: Places) -> Array:
        """Return heights, with the effect of the stand at each place (-1 none)."""
        form = FORMS[self.form]
        above = form.height(dbh_in, *self.coefficients) - BREAST_HEIGHT_FT
        u = np.append(self.effects, np.nan)[place]
        own = (np.exp(u) if form.logged is not None else 1.0 + u) * self.factor
        return np.asarray(BREAST_HEIGHT_FT + above * np.where(np.isnan(u), self.factor_alone, own))


def fit_form(
    form: str, dbh_in: Array, height_ft: Array, place: Places, n_stands: int, *, like: Fit | None
) -> Fit:
    """Fit a form; ``like`` gives a start and the ratio, which is then not sought again."""
    above = np.maximum(height_ft - BREAST_HEIGHT_FT, _LEAST_ABOVE_FT)
    chosen = FORMS[form]
    y = np.log(above) if chosen.logged is not None else above
    ratio = 0.0 if like is None else like.ratio
    weights = np.ones(len(y)) if like is None else slope_of_effect(chosen, dbh_in, like)
    coefficients = _coefficients(chosen, dbh_in, y, place, n_stands, ratio, weights, like)
    if like is None and len(np.unique(place[place >= 0])) >= FEWEST_STANDS:
        for _ in range(_ROUNDS):
            now = _bare(form, coefficients)
            weights = slope_of_effect(chosen, dbh_in, now)
            residual = y - _on_scale(chosen, dbh_in, coefficients)
            ratio = _likeliest_ratio(residual, weights, place, n_stands)
            coefficients = _coefficients(chosen, dbh_in, y, place, n_stands, ratio, weights, now)
    return _finished(form, coefficients, ratio, dbh_in, y, place, n_stands)


def _bare(form: str, coefficients: Array) -> Fit:
    return Fit(
        form=form, coefficients=coefficients, ratio=0.0, effects=np.zeros(0), effect_sd=0.0,
        factor=1.0, factor_alone=1.0,
    )  # fmt: skip


def _on_scale(form: HeightForm, dbh_in: Array, coefficients: Array) -> Array:
    above = form.height(dbh_in, *coefficients) - BREAST_HEIGHT_FT
    return np.log(np.maximum(above, 1e-12)) if form.logged is not None else above


def slope_of_effect(form: HeightForm, dbh_in: Array, fit: Fit) -> Array:
    """Return what one unit of a stand's effect adds to each tree on the scale of the fit."""
    if form.logged is not None:
        return np.ones(len(dbh_in))
    return form.height(dbh_in, *fit.coefficients) - BREAST_HEIGHT_FT


def _sums(values: Array, place: Places, n_stands: int) -> Array:
    inside = place >= 0
    sums = np.bincount(place[inside], weights=values[inside], minlength=n_stands)
    return np.asarray(sums, dtype=np.float64)


def _whitened(values: Array, weights: Array, place: Places, n_stands: int, ratio: float) -> Array:
    """Return values times the inverse root of their covariance, ``1 + ratio z z'`` by stand."""
    if ratio == 0.0:
        return values
    size = _sums(weights**2, place, n_stands)
    shrink = np.divide(
        1.0 - 1.0 / np.sqrt(1.0 + ratio * size), size, out=np.zeros(n_stands), where=size > 0
    )
    shared = np.append(shrink * _sums(weights * values, place, n_stands), 0.0)[place]
    return np.asarray(values - weights * shared)


def _coefficients(
    form: HeightForm,
    dbh_in: Array,
    y: Array,
    place: Places,
    n_stands: int,
    ratio: float,
    weights: Array,
    like: Fit | None,
) -> Array:
    def whiten(values: Array) -> Array:
        return _whitened(values, weights, place, n_stands, ratio)

    if form.logged is not None:
        columns = np.column_stack([whiten(np.ones(len(y))), whiten(form.logged(dbh_in))])
        goal = whiten(y)
        line = np.asarray(np.linalg.lstsq(columns, goal, rcond=None)[0], dtype=np.float64)
        if line[1] * form.rising < 0:  # heights that fall with DBH: level is as near as it may be
            line = np.array([(columns[:, 0] @ goal) / (columns[:, 0] @ columns[:, 0]), 0.0])
        return line
    start = first_guess(_key(form), dbh_in, y) if like is None else like.coefficients
    fit = least_squares(
        lambda c: whiten(form.height(dbh_in, *c) - BREAST_HEIGHT_FT - y),
        x0=np.clip(start, form.lower, form.upper),
        bounds=(form.lower, form.upper),
        x_scale=np.maximum(np.abs(start), 1e-3),
        ftol=_SAME_SQUARES,
    )
    return np.asarray(fit.x, dtype=np.float64)


def _key(form: HeightForm) -> str:
    return next(key for key, value in FORMS.items() if value is form)


def _likeliest_ratio(residual: Array, weights: Array, place: Places, n_stands: int) -> float:
    """Return the variance ratio of stands to trees that makes the residuals likeliest."""
    size = _sums(weights**2, place, n_stands)
    cross = _sums(weights * residual, place, n_stands)
    total = float(residual @ residual)

    def unlikely(ratio: float) -> float:
        kept = total - float((ratio * cross**2 / (1.0 + ratio * size)).sum())
        return float(np.log1p(ratio * size).sum() + len(residual) * np.log(max(kept, 1e-300)))

    if total <= 1e-12 * len(residual):
        return 0.0
    scale = float(size[size > 0].mean())
    best = minimize_scalar(
        lambda log: unlikely(float(np.exp(log)) / scale), bounds=(-8.0, 8.0), method="bounded"
    )
    ratio = float(np.exp(best.x)) / scale
    return ratio if unlikely(ratio) < unlikely(0.0) else 0.0


def _finished(
    form: str, coefficients: Array, ratio: float, dbh_in: Array, y: Array, place: Places,
    n_stands: int,
) -> Fit:  # fmt: skip
    """Add the stands' effects, and the correction that makes heights right on the whole."""
    chosen = FORMS[form]
    fitted = _on_scale(chosen, dbh_in, coefficients)
    weights = np.ones(len(y)) if chosen.logged is not None else fitted
    size = _sums(weights**2, place, n_stands)
    effects = ratio * _sums(weights * (y - fitted), place, n_stands) / (1.0 + ratio * size)
    factor = factor_alone = 1.0
    if chosen.logged is not None:
        u = np.append(effects, 0.0)[place]  # every tree fitted to is of a stand with trees
        above = float(np.exp(y).sum())
        factor = above / float(np.exp(fitted + u).sum())
        factor_alone = above / float(np.exp(fitted).sum())
    residual = y - fitted
    freedom = max(len(y) - chosen.n_coefficients, 1)
    kept = residual @ residual - (ratio * _sums(weights * residual, place, n_stands) ** 2
                                  / (1.0 + ratio * size)).sum()  # fmt: skip
    return Fit(
        form=form,
        coefficients=coefficients,
        ratio=ratio,
        effects=np.where(size > 0, effects, np.nan),
        effect_sd=float(np.sqrt(ratio * max(kept, 0.0) / freedom)),
        factor=factor,
        factor_alone=factor_alone,
    )


def levels_off(fit: Fit) -> bool:
    """Tell whether the trees settle where the form levels off, not its bound of `TALLEST_FT`."""
    upper = FORMS[fit.form].upper
    return not upper or not fit.coefficients[0] >= (1.0 - _AT_BOUND) * upper[0]


def tried(dbh_in: Array) -> npt.NDArray[np.intp]:
    """Return the trees, in order of DBH, that a form is chosen on: all, or an even part of many."""
    order = np.argsort(dbh_in, kind="stable")
    return order[:: -(-len(order) // MOST_TRIED)]


def cross_validated_rmse(
    fit: Fit, dbh_in: Array, height_ft: Array, place: Places, n_stands: int
) -> float:
    """Return the error of foretelling trees the curve has not seen, a fifth of them at a time.

    Folds are dealt by DBH, so that each spans the range and none depends on chance.
    """
    order = np.argsort(dbh_in, kind="stable")
    dbh, height, where = dbh_in[order], height_ft[order], place[order]
    fold = np.arange(len(order)) % FOLDS
    miss = np.empty(len(order))
    for k in range(FOLDS):
        out = fold == k
        seen = fit_form(fit.form, dbh[~out], height[~out], where[~out], n_stands, like=fit)
        miss[out] = height[out] - seen.heights(dbh[out], where[out])
    return float(np.sqrt(np.mean(miss**2)))
