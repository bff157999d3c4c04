"""Complete tally of the trees with a sample of them measured."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import ArrayLike, NDArray

from standmap.cruise._checks import column, labelled, same_length
from standmap.cruise.combining import total_of
from standmap.cruise.results import Estimate
from standmap.cruise.simple import ratio_of_means, simple_random_mean
from standmap.errors import DomainError

Floats = NDArray[np.float64]


def sample_tree_total(
    volume: ArrayLike,
    group: ArrayLike,
    tallied: Mapping[str, int],
    *,
    size: ArrayLike | None = None,
    size_total: Mapping[str, float] | None = None,
    confidence: float = 0.90,
) -> Estimate:
    """Total of a tract whose every tree was tallied and some were measured.

    Parameters
    ----------
    volume : array_like
        Volume (or value) of each measured tree, any unit.
    group : array_like of str
        Sample group of each measured tree: a species, or a species and product.
    tallied : mapping of str to int
        Trees of each group in the complete tally, those measured included.
    size : array_like, optional
        A size of each measured tree that was also tallied for every tree, such as basal area; the
        volume then follows by the ratio to it.
    size_total : mapping of str to float, optional
        Sum of that size over all tallied trees of each group; needed with ``size``.
    confidence : float
        Confidence of the interval.

    Returns
    -------
    Estimate
        Total over all groups. A group whose every tree was measured has no sampling error.

    Raises
    ------
    DomainError
        If a group was tallied and none (or one of several) of it measured, more trees were measured
        than tallied, or a measured tree's group was not tallied.

    Notes
    -----
    Use it on a small tract, or for few and valuable trees, where the whole is walked: every tree is
    counted by sample group, and each k-th (by chance, not by eye) is measured. Tally columns:
    species (group), count, and DBH where ``size`` is used, of every tree; DBH, logs or height and
    defect of the measured trees.

    Within a group the total is N x mean with variance N^2 (1 - n/N) s^2 / n, or by the ratio of
    means to ``size`` with the tally's own mean of it; groups are independent.

    References
    ----------
    .. [1] USDA Forest Service. 2000. FSH 2409.12 Timber Cruising Handbook, chapter 30, sample-tree
       method (from memory).
    .. [2] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, chapters 2, 5 and 6 (from
       memory).

    Examples
    --------
    Forty oaks tallied and three measured; two walnuts, both measured:

    >>> total = sample_tree_total([100, 140, 120, 300, 260],
    ...                           ["oak", "oak", "oak", "walnut", "walnut"],
    ...                           {"oak": 40, "walnut": 2})
    >>> total.mean
    5360.0
    """
    y = column("volume", volume, least=1)
    names, place = labelled("group", group, y.size)
    many = {str(k): int(v) for k, v in tallied.items()}
    stray = [name for name in names if name not in many]
    if stray:
        raise DomainError(f"Trees of group {stray[0]!r} were measured, but it is not in 'tallied'.")
    unseen = [name for name, trees in many.items() if trees > 0 and name not in names]
    if unseen:
        raise DomainError(
            f"Group {unseen[0]!r} was tallied, but none of its trees measured. Measure some, or "
            "put them in the group they are most like."
        )
    x = None if size is None else column("size", size, least=1)
    if x is not None:
        same_length(volume=y, size=x)
        if size_total is None or any(name not in size_total for name in names):
            raise DomainError("With 'size', give 'size_total' for every group.")
    parts = []
    for g, name in enumerate(names):
        mine = place == g
        sums = None if x is None or size_total is None else (x[mine], float(size_total[name]))
        parts.append(_group_total(name, y[mine], many[name], sums, confidence))
    return total_of(parts)


def _group_total(
    name: str, y: Floats, trees: int, sums: tuple[Floats, float] | None, confidence: float
) -> Estimate:
    if y.size == trees:
        return Estimate(
            mean=float(y.sum()), se=0.0, n=trees, df=float("inf"), confidence=confidence
        )
    if not 2 <= y.size < trees:
        raise DomainError(
            f"Group {name!r}: measure two trees or more, up to the {trees} tallied; got {y.size}."
        )
    if sums is None:
        return simple_random_mean(y, population_units=trees, confidence=confidence).times(trees)
    x, total = sums
    if not total > 0:
        raise DomainError(f"Group {name!r}: 'size_total' must be above 0; got {total:g}.")
    ratio = ratio_of_means(
        y, x, population_units=trees, x_mean=total / trees, confidence=confidence
    )
    return ratio.times(total)
