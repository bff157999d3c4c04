"""3P: sampling with probability proportional to prediction, tree by tree and at points.

The cruiser looks at a tree and calls a prediction (KPI) of its volume, value or height. The tree is
measured when a random number between 0 and the ceiling (KZ) does not exceed the prediction, so a
tree twice as big is twice as likely to be measured. Trees predicted at or above the ceiling are
always measured ("sure to be measured") and enter the total by themselves.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.cruise._checks import column, positive, same_length
from standmap.cruise.combining import product_of
from standmap.cruise.results import Estimate
from standmap.cruise.simple import simple_random_mean
from standmap.errors import DomainError

Floats = NDArray[np.float64]


def three_p_ceiling(prediction_sum: float, sample_trees: float) -> float:
    """Random-number ceiling (KZ) that a wanted number of sample trees takes.

    Parameters
    ----------
    prediction_sum : float
        Sum of the predictions expected over all trees.
    sample_trees : float
        Trees to measure, on average.

    Returns
    -------
    float
        One sample tree for this much prediction, in its unit.

    Raises
    ------
    DomainError
        If either is not above 0.

    Notes
    -----
    The number measured is itself left to chance: about its square root either way. A ceiling below
    the biggest prediction makes sure-to-be-measured trees.

    References
    ----------
    .. [1] Iles, K. 1995. Point-3P sampling. John Bell and Associates newsletter archive, July 1995.

    Examples
    --------
    Iles: 120 trees of about 100 feet, 20 to be measured:

    >>> three_p_ceiling(120 * 100, 20)
    600.0
    """
    return positive("prediction_sum", prediction_sum) / positive("sample_trees", sample_trees)


def three_p_expected(prediction: ArrayLike, ceiling: float) -> float:
    """Trees that will be measured, on average.

    Parameters
    ----------
    prediction : array_like
        Prediction of every tree.
    ceiling : float
        Random-number ceiling (KZ), in the unit of the predictions.

    Returns
    -------
    float
        Sum of prediction / ceiling, at most 1 for each tree.

    Raises
    ------
    DomainError
        If a prediction is not above 0, or the ceiling is not.

    References
    ----------
    .. [1] Iles, K. 1995. Point-3P sampling. John Bell and Associates newsletter archive, July 1995.

    Examples
    --------
    >>> three_p_expected([100.0] * 120, 600.0).__round__(9)
    20.0
    """
    return float(_chances(_predictions(prediction), ceiling).sum())


def three_p_draw(
    prediction: ArrayLike, ceiling: float, *, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Draw which trees to measure.

    Parameters
    ----------
    prediction : array_like
        Prediction of every tree, called before the draw is seen.
    ceiling : float
        Random-number ceiling (KZ).
    rng : numpy.random.Generator
        Source of chance; seed it to draw the same list again.

    Returns
    -------
    ndarray of bool
        True for the trees to measure.

    Raises
    ------
    DomainError
        As for :func:`three_p_expected`.

    References
    ----------
    .. [1] Grosenbaugh, L.R. 1965. Three-pee sampling theory and program THRP for computer
       generation of selection criteria. USDA Forest Service Research Paper PSW-21 (from memory).

    Examples
    --------
    >>> int(three_p_draw([100.0] * 1200, 600.0, rng=np.random.default_rng(3)).sum())
    202
    """
    chance = _chances(_predictions(prediction), ceiling)
    return np.asarray(rng.uniform(size=chance.size) < chance)


def three_p_total(
    volume: ArrayLike,
    prediction: ArrayLike,
    *,
    ceiling: float,
    prediction_sum: float | None = None,
    confidence: float = 0.90,
) -> Estimate:
    r"""Total of a tract whose every tree was predicted and some were measured.

    Parameters
    ----------
    volume : array_like
        Measured volume (or value) of the sample trees.
    prediction : array_like
        Their predictions; those at or above the ceiling are the sure-to-be-measured trees.
    ceiling : float
        Random-number ceiling (KZ), in the unit of the predictions.
    prediction_sum : float, optional
        Sum of the predictions of all trees that were not sure to be measured, sampled ones
        included: gives the adjusted estimate. Without it, the unadjusted.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Total; degrees of freedom n - 1 of the trees left to chance.

    Raises
    ------
    DomainError
        If fewer than two trees left to chance were measured, a prediction is not above 0, or the
        sum of predictions is smaller than the sample's own.

    Notes
    -----
    Use it where trees are few, dear and unlike, and each will be visited anyway, as when they are
    marked. Tally columns: tree, species, prediction of every tree; DBH, logs or height and defect
    of the sample trees.

    Adjusted [1]_, with ratios :math:`r_i = y_i / p_i` of n trees and chances
    :math:`\pi_i = p_i / KZ`:

    .. math:: \sum p \, \bar r, \quad
       v = \frac{(\sum p)^2}{n (n - 1)} \sum (1 - \pi_i) (r_i - \bar r)^2

    The factor :math:`1 - \pi_i` is the finite population correction of each tree. Unadjusted [2]_:
    :math:`\sum y_i / \pi_i` with :math:`v = \sum (1 - \pi_i) (y_i / \pi_i)^2`; exactly unbiased,
    but it carries the chance of the number drawn. The adjusted one has a bias of the order 1 / n
    and is far the steadier: prefer it.

    References
    ----------
    .. [1] Grosenbaugh, L.R. 1965. Three-pee sampling theory and program THRP for computer
       generation of selection criteria. USDA Forest Service Research Paper PSW-21 (from memory).
    .. [2] Gregoire, T.G., and H.T. Valentine. 2007. Sampling strategies for natural resources and
       the environment. Chapman and Hall/CRC, Poisson and 3P sampling (from memory).

    Examples
    --------
    >>> total = three_p_total([105, 230, 310], [100, 200, 300], ceiling=1000,
    ...                       prediction_sum=20_000)
    >>> round(total.mean)
    21556
    """
    y, p = column("volume", volume), _predictions(prediction)
    same_length(volume=y, prediction=p)
    chance = _chances(p, ceiling)
    sure = chance >= 1
    left, called, pi = y[~sure], p[~sure], chance[~sure]
    n = left.size
    if n < 2:
        raise DomainError("Measure two trees or more that were left to chance.")
    if prediction_sum is None:
        estimate = float((left / pi).sum())
        variance = float(((1 - pi) * (left / pi) ** 2).sum())
    else:
        if not called.sum() <= prediction_sum < np.inf:
            raise DomainError(
                f"'prediction_sum' must hold the sample's own {called.sum():g}; got "
                f"{prediction_sum:g}."
            )
        ratio = left / called
        estimate = prediction_sum * float(ratio.mean())
        spread = float(((1 - pi) * (ratio - ratio.mean()) ** 2).sum())
        variance = prediction_sum**2 * spread / (n * (n - 1))
    return Estimate(
        mean=estimate + float(y[sure].sum()),
        se=math.sqrt(variance),
        n=y.size,
        df=n - 1,
        confidence=confidence,
    )


def point_three_p_mean(
    prediction_sum: ArrayLike,
    volume_basal_ratio: ArrayLike,
    prediction: ArrayLike,
    *,
    baf: float,
    confidence: float = 0.90,
) -> Estimate:
    """Volume per acre from points whose "in" trees were predicted and sampled by 3P.

    Parameters
    ----------
    prediction_sum : array_like
        Sum of the predictions of the "in" trees at every point, 0 where there were none.
    volume_basal_ratio : array_like
        Volume per square foot of basal area of each measured tree. [unit/sq ft]
    prediction : array_like
        Prediction of each measured tree.
    baf : float
        Basal area factor of the points. [sq ft/acre]
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Volume per acre: BAF x mean of the points' sums x mean of ratio / prediction.

    Raises
    ------
    DomainError
        If there are fewer than two points or measured trees, a prediction is not above 0, or the
        columns do not match.

    Notes
    -----
    Use it where heights cost more than the walk: at each point every "in" tree is called a height
    (the prediction, since a point already picks trees by basal area and volume per square foot goes
    with height), and the random list says which to measure. Tally columns: plot, prediction of
    every "in" tree; DBH, logs or height of the measured trees.

    The errors of the points' sums and of the measured ratios combine as the root of their squares;
    a tree predicted at or above the ceiling must be left out of both, and added by itself.

    References
    ----------
    .. [1] Iles, K. 1995. Point-3P sampling. John Bell and Associates newsletter archive, July 1995
       (sampling rate seen; estimator from memory).
    .. [2] Grosenbaugh, L.R. 1971. STX 1-11-71 for dendrometry of multistage 3P samples. USDA Forest
       Service (from memory).

    Examples
    --------
    >>> point_three_p_mean([480, 600, 520, 560], [26.0, 30.0, 33.0], [80, 100, 110],
    ...                    baf=20).mean.__round__(1)
    3330.0
    """
    heights = column("prediction_sum", prediction_sum)
    if not np.all(heights >= 0):
        raise DomainError(f"'prediction_sum' must be 0 or more; got {heights.min():g}.")
    measured, called = column("volume_basal_ratio", volume_basal_ratio), _predictions(prediction)
    same_length(volume_basal_ratio=measured, prediction=called)
    sums = simple_random_mean(positive("baf", baf) * heights, confidence=confidence)
    return product_of(sums, simple_random_mean(measured / called, confidence=confidence))


def _predictions(prediction: ArrayLike) -> Floats:
    called = column("prediction", prediction, least=1)
    if not np.all(called > 0):
        raise DomainError(f"'prediction' must be above 0; got {called.min():g}.")
    return called


def _chances(prediction: Floats, ceiling: float) -> Floats:
    return np.asarray(np.minimum(prediction / positive("ceiling", ceiling), 1.0))
