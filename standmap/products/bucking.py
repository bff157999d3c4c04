"""Cutting stems into logs on paper by a rule: best product first, or as the cruiser tallied."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Unpack

import numpy as np

from standmap.errors import DomainError
from standmap.products import _kernels as kernels
from standmap.products.cut_logs import Logs
from standmap.products.cutting import CuttingJob, Recorded, make_job
from standmap.products.specs import ProductSpec
from standmap.trees import Stems
from standmap.units import LOG_FT


def buck_top_down(
    stems: Stems,
    specs: Sequence[ProductSpec],
    **recorded: Unpack[Recorded],
) -> Logs:
    """Cut every stem from the stump up: at each height the best product that takes a log.

    Parameters
    ----------
    stems : Stems
        n stems.
    specs : sequence of ProductSpec
        The products; ties of rank go to the earlier.
    saw_top_ft : array_like, shape (n,), optional
        Recorded top of the sawtimber above ground; NaN where none was recorded. [ft]
    called_product : array_like of str, shape (n,), optional
        The cruiser's own call, blank for none.
    defect_pct : array_like, shape (n,), optional
        Percent of board feet lost to defect; NaN counts as 0. [%]
    cull : array_like of bool, shape (n,), optional
        Trees that no saw log is cut from, whatever was called.
    grade : array_like, shape (n,), optional
        Grade of the butt log, 1 the best; NaN where nobody graded.
    waste_from_ft, waste_to_ft : array_like, shape (n,), optional
        Ends above ground of one bad stretch that no saw log may hold: rot, crook, shake. NaN for
        none. [ft]
    defects : StemDefects, optional
        Any number of defects of each stem: stretches to cut out, forks, grades, deductions.
    stump_ft : float
        Stump height. [ft]
    eligible : ndarray of bool, shape (n, specs), optional
        Which trees each product takes; :func:`eligibility` by default.
    cuft_per_cord : float, optional
        Solid wood in a cord for every species; by species group where not given. [cu ft]
    aliases : mapping, optional
        The tract's own species names.

    Returns
    -------
    Logs

    Raises
    ------
    DomainError
        If a called product is not among the specs, a defect is outside 0 to 100, the stump is
        negative, a waste span has one end or is upside down, or an array has not one value per
        stem.

    Notes
    -----
    At each height the products are tried by rank and, within a product, the longest length first.
    A log must end, trim included, below the top of the stem (or its break), at or above the
    product's smallest top diameter, and for saw products at or below the recorded saw height. The
    large end must not pass ``max_large_in``. Cutting stops when nothing fits.

    A bad stretch is bucked out: saw logs end below it and, where some saw product has a log above
    it, cutting starts again at its top, with whatever bulk wood fits in between; where none has,
    bulk wood runs through. At a fork every log ends. Where a stretch of stem is graded, or a log's
    own defect passes ``max_cull_pct``, shorter lengths and then other products are tried. A product
    that comes to fewer pieces than its ``min_logs`` is left out
    and the tree is cut again.

    A called saw product takes the sawtimber of its tree whatever the DBH, species, grade, top and
    large end (lengths are kept; the smallest top is kept too where no saw height was recorded,
    since nothing else would end the sawtimber); above it bulk products as usual. One that takes
    the butt log only leaves the logs above it to the other saw products. A called bulk product is
    tried first and no saw log is cut.

    Defect is taken off the board feet of saw logs only: the truck scale weighs the bad wood too.
    Common practice, no source.

    Examples
    --------
    >>> from standmap.trees import form_class_stems
    >>> from standmap.products import saw_top_from_logs
    >>> pine = form_class_stems([131], [16.0], [2.0])
    >>> specs = [ProductSpec(product="sawlog", kind="saw", rank=1, min_top_in=8, min_length_ft=8,
    ...                      max_length_ft=16, trim_ft=0.3)]
    >>> logs = buck_top_down(pine, specs, saw_top_ft=saw_top_from_logs([2.0]))
    >>> logs
    <Logs: 2 from 1 trees: sawlog 2>
    >>> logs.length_ft
    array([16., 16.])
    """
    job = make_job(stems, specs, recorded)
    return _cut_by_rule(job, kernels.TOP_DOWN, gaps=bool(len(job.spans.kind)))


def buck_field(
    stems: Stems,
    specs: Sequence[ProductSpec],
    *,
    topwood_ft: float = LOG_FT / 2,
    **recorded: Unpack[Recorded],
) -> Logs:
    """Cut every stem as it was tallied: 16-foot logs and half logs, topwood in sticks above.

    Parameters
    ----------
    stems, specs
        As in :func:`buck_top_down`.
    saw_top_ft : array_like, shape (n,), optional
        Recorded top of the sawtimber above ground; where NaN, the greatest height at which some
        saw product of the tree is still thick enough. [ft]
    topwood_ft : float
        Length of the sticks above the sawtimber: each bulk product is cut to its shortest length
        that is no shorter, else to its longest. [ft]
    called_product, defect_pct, cull, grade, waste_from_ft, waste_to_ft, stump_ft, eligible
        As in :func:`buck_top_down`.
    cuft_per_cord, aliases
        As in :func:`buck_top_down`.

    Returns
    -------
    Logs

    Raises
    ------
    DomainError
        As in :func:`buck_top_down`, or if ``topwood_ft`` is not a positive length.

    Notes
    -----
    From the stump up, while a half log ends below the saw height: a 16-foot log goes to the best
    saw product that takes it; if none does, a half log goes to the best that takes one; if none
    does, those 8 feet go to the best bulk product cut to 8 feet; if none is, they are left. Each
    log has the trim of its own product. The same limits hold as in :func:`buck_top_down`; a log
    that reaches into a bad stretch is no saw log, and the tally is not shifted to avoid it.

    Examples
    --------
    >>> from standmap.trees import form_class_stems
    >>> from standmap.products import saw_top_from_logs
    >>> oak = form_class_stems([833], [23.0], [2.5])
    >>> specs = [ProductSpec(product="sawlog", kind="saw", rank=1, min_top_in=8, min_length_ft=8,
    ...                      max_length_ft=16, trim_ft=0.3)]
    >>> buck_field(oak, specs, saw_top_ft=saw_top_from_logs([2.5])).length_ft
    array([16., 16.,  8.])
    """
    if not 0 < topwood_ft < math.inf:
        raise DomainError(f"'topwood_ft' must be a positive length in feet; got {topwood_ft}.")
    job = make_job(stems, specs, recorded)
    return _cut_by_rule(job, kernels.FIELD, gaps=True, topwood_ft=float(topwood_ft))


def _cut_by_rule(
    job: CuttingJob, method: int, *, gaps: bool, topwood_ft: float = LOG_FT / 2
) -> Logs:
    """Choose the cuts by a rule and measure them; heights are kept only where gaps can be."""
    cut_product, cut_length = job.room_for_cuts()
    cut_bottom_ft = np.empty(job.first[-1] if gaps else 0)
    count = np.empty(len(job.stems), dtype=np.int64)
    kernels.cut_by_rule(
        method, job.trees, job.spans, job.stump_ft, topwood_ft, job.spec_arrays, job.first,
        cut_product, cut_length, cut_bottom_ft, count,
    )  # fmt: skip
    return job.measure(cut_product, cut_length, cut_bottom_ft, count)
