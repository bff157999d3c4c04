"""Estimators that lean on something known of the whole tract: ratio, regression, difference, maps.

``y`` is measured on the sample; ``x`` is known on the sample and, as a mean, for the whole tract
(a canopy metric, a photo count, last cruise's volume). All of them pay only where y follows x.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike

from standmap.cruise import _moments
from standmap.cruise._checks import column, correction, labelled, same_length
from standmap.cruise.fits import fit_line
from standmap.cruise.results import Estimate, satterthwaite
from standmap.cruise.simple import ratio_of_means
from standmap.errors import DomainError


def ratio_mean(
    y: ArrayLike,
    x: ArrayLike,
    x_mean: float,
    *,
    population_units: float | None = None,
    confidence: float = 0.90,
) -> Estimate:
    """Mean of ``y`` by its ratio to ``x``, whose mean over the tract is known.

    Parameters
    ----------
    y, x : array_like
        Two figures of the same sampling units.
    x_mean : float
        Mean of ``x`` over the whole tract, known without error.
    population_units : float, optional
        Units in the population; applies the finite population correction.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Mean per unit; ``.times(units)`` is the total.

    Raises
    ------
    DomainError
        As for :func:`ratio_of_means`.

    Notes
    -----
    Use it where y is about proportional to x, through the origin. Tally columns: plot, stand, the
    trees that make ``y``; ``x`` by plot. Slightly biased in small samples, of the order 1 / n.

    Two variances are in print, by the known mean of x and by the sample's; they differ by the
    square of the two means' ratio. This one takes the known mean, as [1]_ prints it; with a sample
    far off centre the two can differ several times over.

    References
    ----------
    .. [1] Scheaffer, R.L., W. Mendenhall and L. Ott. 1986. Elementary survey sampling, 3rd ed.
       Duxbury, chapter 6.

    Examples
    --------
    >>> ratio_mean([6, 9, 19], [0.3, 0.5, 0.9], 0.5).mean.__round__(6)
    10.0
    """
    ratio = ratio_of_means(
        y, x, population_units=population_units, x_mean=x_mean, confidence=confidence
    )
    return ratio.times(x_mean)


def regression_mean(
    y: ArrayLike,
    x: ArrayLike,
    x_mean: ArrayLike,
    *,
    population_units: float | None = None,
    off_centre: bool = True,
    confidence: float = 0.90,
) -> Estimate:
    r"""Mean of ``y`` by its line on ``x``, whose mean over the tract is known.

    Parameters
    ----------
    y : array_like, shape (n,)
        Measured on the sampling units.
    x : array_like, shape (n,) or (n, k)
        Known on the same units; one column or several.
    x_mean : float or array_like, shape (k,)
        Mean of each ``x`` over the whole tract, known without error.
    population_units : float, optional
        Units in the population; applies the finite population correction.
    off_centre : bool
        Count what a sample whose mean of x is off the tract's adds to the error.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Mean per unit; degrees of freedom n - 1 - k.

    Raises
    ------
    DomainError
        As for :func:`fit_line`, or if ``x_mean`` does not match ``x``.

    Notes
    -----
    Use it where y follows x along a line that need not pass through the origin. Tally columns:
    plot, stand, the trees that make ``y``; ``x`` by plot.

    .. math:: \bar y + b (\mu_x - \bar x), \quad
       v = s_{y \cdot x}^2 \left(\frac1n + \frac{(\mu_x - \bar x)^2}{SS_x}\right)
       \left(1 - \frac nN\right)

    Biased by the order of 1 / n where y bends away from the line or spreads with x: in a clustered
    forest of 60 plots by 0.1 percent, less than a tenth of the standard error.

    Two variances are in print: this one [1]_, and one without the second term [2]_, which holds for
    large samples; ``off_centre=False`` gives that. Both divide by n - 2.

    References
    ----------
    .. [1] Freese, F. 1962. Elementary forest sampling. USDA Agriculture Handbook 232, regression
       estimation (from memory).
    .. [2] Scheaffer, R.L., W. Mendenhall and L. Ott. 1986. Elementary survey sampling, 3rd ed.
       Duxbury, chapter 6.

    Examples
    --------
    >>> photo = [12, 30, 24, 24, 18, 30, 12, 6, 36, 42]
    >>> ground = [18, 42, 24, 36, 24, 36, 14, 10, 48, 54]
    >>> round(regression_mean(ground, photo, 21, population_units=200).times(200).mean, 1)
    5515.5
    """
    fit = fit_line(y, x)
    known = np.atleast_1d(np.asarray(x_mean, dtype=np.float64))
    if known.shape != fit.slopes.shape or not np.all(np.isfinite(known)):
        raise DomainError(f"'x_mean' must give the mean of each of the {fit.slopes.size} 'x'.")
    stretch = 1 / fit.n + (fit.off_centre(known) if off_centre else 0.0)
    variance = fit.residual_variance * stretch * correction(fit.n, population_units)
    return Estimate(
        mean=float(fit.predict(known.reshape(1, -1))[0]),
        se=math.sqrt(variance),
        n=fit.n,
        df=fit.residual_df,
        confidence=confidence,
    )


def difference_mean(
    y: ArrayLike,
    x: ArrayLike,
    x_mean: float,
    *,
    population_units: float | None = None,
    confidence: float = 0.90,
) -> Estimate:
    """Mean of ``y`` as the known mean of ``x`` plus the mean difference on the sample.

    Parameters
    ----------
    y, x : array_like
        Two figures of the same sampling units, in one unit.
    x_mean : float
        Mean of ``x`` over the whole tract, known without error.
    population_units : float, optional
        Units in the population; applies the finite population correction.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Mean per unit.

    Raises
    ------
    DomainError
        If the columns differ in length, or have fewer than two values.

    Notes
    -----
    Use it where x is itself a guess of y: a model's volume by plot, an ocular estimate, a check
    cruise. Unbiased at any sample size. Tally columns: plot, the trees that make ``y``; the guess
    by plot.

    References
    ----------
    .. [1] Scheaffer, R.L., W. Mendenhall and L. Ott. 1986. Elementary survey sampling, 3rd ed.
       Duxbury, chapter 6.

    Examples
    --------
    >>> difference_mean([18, 42, 24], [12, 30, 24], 20).mean
    26.0
    """
    top, base = column("y", y), column("x", x)
    same_length(y=top, x=base)
    apart = top - base
    variance = float(apart.var(ddof=1)) / apart.size * correction(apart.size, population_units)
    return Estimate(
        mean=float(x_mean + apart.mean()),
        se=math.sqrt(variance),
        n=apart.size,
        df=apart.size - 1,
        confidence=confidence,
    )


def post_stratified_mean(
    values: ArrayLike,
    stratum: ArrayLike,
    sizes: Mapping[str, float],
    *,
    population_units: float | None = None,
    conditional: bool = False,
    confidence: float = 0.90,
) -> Estimate:
    r"""Mean over mapped types that the plots fell into by chance.

    Parameters
    ----------
    values : array_like
        One figure per plot, zeros included.
    stratum : array_like of str
        Mapped type of each plot.
    sizes : mapping of str to float
        Acres (or units) of every type of the tract, those no plot fell in included.
    population_units : float, optional
        Units in the population; applies the finite population correction.
    conditional : bool
        Take the plots as they fell: what an appraisal does.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Degrees of freedom by Satterthwaite.

    Raises
    ------
    DomainError
        If a plot's type has no size, or a type with acres has fewer than two plots: merge it with
        its like.

    Notes
    -----
    Use it where one simple random (or grid) cruise was laid over the whole tract and a type map
    came later. Where plots were laid out type by type it is :func:`stratified_mean` that holds.
    Tally columns: plot, stand, the type of the plot; acres by type from the map.

    .. math:: v = \left(1 - \frac nN\right) \frac1n \sum W_h s_h^2
       + \frac1{n^2} \sum (1 - W_h) s_h^2

    The second sum is the price of plots having fallen by chance. Given how they did fall, the
    variance is that of a stratified sample [3]_, :math:`\sum W_h^2 s_h^2 / n_h`.

    References
    ----------
    .. [1] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, section 5A.9 (from memory).
    .. [2] Bechtold, W.A., and P.L. Patterson, eds. 2005. The enhanced Forest Inventory and Analysis
       program. USDA Forest Service GTR SRS-80, chapter 4 (from memory).
    .. [3] Holt, D., and T.M.F. Smith. 1979. Post stratification. J. Royal Statistical Society A
       142:33-46 (from memory).

    Examples
    --------
    >>> post_stratified_mean([10, 12, 14, 30, 34], ["oak", "oak", "oak", "pine", "pine"],
    ...                      {"oak": 50, "pine": 50}).mean
    22.0
    """
    y = column("values", values)
    names, place = labelled("stratum", stratum, y.size)
    known = {str(k): float(v) for k, v in sizes.items()}
    if any(not 0 <= v < np.inf for v in known.values()) or not sum(known.values()) > 0:
        raise DomainError("'sizes' must give every stratum a size of 0 or more, not all 0.")
    lost = [name for name in names if name not in known]
    if lost:
        raise DomainError(f"'sizes' has no stratum {lost[0]!r}, in which plots fell.")
    n, mean, s2 = _moments.by_group(place, y, len(names))
    many = dict(zip(names, n, strict=True))
    thin = [name for name, size in known.items() if size > 0 and many.get(name, 0) < 2]
    if thin:
        raise DomainError(
            f"Fewer than two plots fell in stratum {thin[0]!r}. Merge it with the stratum it is "
            "most like."
        )
    share = np.array([known[name] for name in names]) / sum(known.values())
    used = share > 0
    share, mean, s2, n = share[used], mean[used], s2[used], n[used]
    whole = y.size
    correct = correction(whole, population_units)
    if conditional:
        weight = share**2 / n * correct
    else:
        weight = share / whole * correct + (1 - share) / whole**2
    parts = weight * s2
    return Estimate(
        mean=float(share @ mean),
        se=math.sqrt(float(parts.sum())),
        n=whole,
        df=satterthwaite(parts, n - 1),
        confidence=confidence,
    )
