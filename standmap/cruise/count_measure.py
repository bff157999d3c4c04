"""Points where most trees are only counted, and few are measured for their volume ratios."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.cruise._checks import column, positive
from standmap.cruise.combining import product_of
from standmap.cruise.double import double_ratio_mean
from standmap.cruise.field import basal_area_sqft
from standmap.cruise.results import Estimate
from standmap.cruise.simple import simple_random_mean
from standmap.errors import DomainError

Floats = NDArray[np.float64]


def volume_basal_ratio(volume: ArrayLike, dbh_in: ArrayLike) -> Floats:
    """Volume to basal area ratio (VBAR) of trees.

    Parameters
    ----------
    volume : array_like
        Volume (or value) of each tree, any unit.
    dbh_in : array_like
        Diameter at breast height. [in]

    Returns
    -------
    ndarray
        Volume per square foot of basal area.

    Raises
    ------
    DomainError
        If a diameter is not above 0.

    References
    ----------
    .. [1] Bell, J.F., and J.R. Dilworth. 1988. Log scaling and timber cruising. Oregon State
       University Book Stores (from memory).

    Examples
    --------
    A 22-inch tree of 174 board feet:

    >>> volume_basal_ratio([174.0], [22.0]).round(2)
    array([65.91])
    """
    return np.asarray(np.asarray(volume, dtype=np.float64) / basal_area_sqft(dbh_in))


def count_measure_mean(
    count: ArrayLike, volume_per_acre: ArrayLike, *, baf: float, confidence: float = 0.90
) -> Estimate:
    """Volume per acre from count points and measure points of one basal area factor.

    Parameters
    ----------
    count : array_like
        Trees counted at every point, measure points included, zeros included.
    volume_per_acre : array_like
        Volume per acre at the measure points; NaN at count points. [unit/acre]
    baf : float
        Basal area factor of all points. [sq ft/acre]
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Volume per acre; ``n`` is the number of measure points.

    Raises
    ------
    DomainError
        If there are fewer than two measure points, a count is below 0, or no trees were counted at
        the measure points.

    Notes
    -----
    Use it where every k-th point is measured and the trees of the others are only counted: basal
    area varies much from point to point, volume per square foot little. Measure points must be
    chosen before they are seen. Tally columns: plot, count of "in" trees at every point; species,
    DBH, logs or height of every "in" tree at measure points.

    The estimate is mean basal area x (volume / basal area at the measure points), which is double
    sampling with a ratio; its variance counts that trees of one point are alike and that the
    measured points were counted too, which Bruce's rule for independent errors
    (:func:`big_baf_mean`) does not.

    References
    ----------
    .. [1] Bell, J.F., and J.R. Dilworth. 1988. Log scaling and timber cruising. Oregon State
       University Book Stores (from memory).
    .. [2] Thompson, S.K. 2012. Sampling, 3rd ed. Wiley, chapter 14 (variance; see
       :func:`double_ratio_mean`).

    Examples
    --------
    Four points, two of them measured at BAF 10:

    >>> nan = float("nan")
    >>> count_measure_mean([10, 8, 12, 6], [2500, nan, 2900, nan], baf=10).mean.__round__(1)
    2209.1
    """
    counted = _counts(count)
    volume = np.asarray(volume_per_acre, dtype=np.float64)
    if volume.shape != counted.shape:
        raise DomainError(
            f"'volume_per_acre' must have one figure (or NaN) for each of {counted.size} points."
        )
    measured = ~np.isnan(volume)
    if np.count_nonzero(measured) < 2 or not counted[measured].any():
        raise DomainError(
            "Measure two points or more, with a tree on one of them at least; the others carry NaN."
        )
    basal = positive("baf", baf) * counted
    return double_ratio_mean(volume[measured], basal[measured], basal, confidence=confidence)


def big_baf_mean(
    count: ArrayLike, volume_basal_ratio: ArrayLike, *, baf: float, confidence: float = 0.90
) -> Estimate:
    """Volume per acre from counts by a small factor and trees measured by a big one.

    Parameters
    ----------
    count : array_like
        Trees counted at every point with the small factor, zeros included.
    volume_basal_ratio : array_like
        Volume per square foot of basal area of every measured tree. [unit/sq ft]
    baf : float
        The small factor, of the counts. [sq ft/acre]
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Volume per acre: mean basal area x mean ratio.

    Raises
    ------
    DomainError
        If there are fewer than two points or measured trees, or a count is below 0.

    Notes
    -----
    Use it where at every point the "in" trees are counted with a small factor, and those that are
    still "in" with a factor several times as big are measured: measured trees are spread over the
    whole tract. Tally columns: plot, count of "in" trees; species, DBH, logs or height of the
    measured trees.

    The two relative errors combine as the root of their squares (Bruce), as if measured trees were
    independent of each other and of the counts. With so big a factor that few points measure more
    than two trees the rule is near enough; trees measured by whole points belong in
    :func:`count_measure_mean`.

    References
    ----------
    .. [1] Marshall, D.D., K. Iles and J.F. Bell. 2004. Using a large-angle gauge to select trees
       for measurement in variable plot sampling. Can. J. For. Res. 34:840-845 (formula from
       memory; the abstract seen).
    .. [2] Gove, J.H., T.G. Gregoire, M.J. Ducey and T.B. Lynch. 2020. A note on the estimation of
       variance for big BAF sampling. Forest Ecosystems 7:62 (the abstract seen).

    Examples
    --------
    >>> big_baf_mean([10, 12, 8, 10], [24.0, 25.0, 26.0], baf=10).mean
    2500.0
    """
    basal = simple_random_mean(positive("baf", baf) * _counts(count), confidence=confidence)
    ratio = simple_random_mean(
        column("volume_basal_ratio", volume_basal_ratio), confidence=confidence
    )
    return product_of(basal, ratio)


def _counts(count: ArrayLike) -> Floats:
    counted = column("count", count)
    if not np.all(counted >= 0):
        raise DomainError(f"'count' must be 0 or more; got {counted.min():g}.")
    return counted
