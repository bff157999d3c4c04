"""How firm a cut is: what each log would bring from the next buyer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Unpack

import numpy as np
from numpy.typing import NDArray

from standmap.errors import DomainError
from standmap.products import _second_kernels as kernels
from standmap.products.best_value import priced
from standmap.products.cut_logs import Logs
from standmap.products.cutting import Recorded, make_job
from standmap.products.line_prices import LinePrices
from standmap.products.specs import ProductSpec
from standmap.products.stem_prices import StemPrices
from standmap.trees import Stems


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SecondBest:
    """The best other product of each log.

    Attributes
    ----------
    product : ndarray of int, shape (logs,)
        Place among the specs; -1 where nobody else takes the log.
    usd : ndarray, shape (logs,)
        What it brings; 0 where nobody else takes the log. [USD]
    """

    product: NDArray[np.int32]
    usd: NDArray[np.float64]


def second_best(
    logs: Logs,
    stems: Stems,
    specs: Sequence[ProductSpec],
    prices: StemPrices | LinePrices,
    **recorded: Unpack[Recorded],
) -> SecondBest:
    """Value of each log, as it lies, to the best buyer other than its own.

    Parameters
    ----------
    logs : Logs
        From any way of bucking these stems with these specs.
    stems, specs
        What was bucked.
    prices : StemPrices or LinePrices
        What each product pays, or what mills leave for it.
    saw_top_ft, called_product, defect_pct, cull, grade, waste_from_ft, waste_to_ft, defects
        As they were bucked.
    stump_ft, eligible, cuft_per_cord, aliases
        As they were bucked.

    Returns
    -------
    SecondBest

    Raises
    ------
    DomainError
        As in :func:`buck_best_value`, or if the logs are not of these stems and specs.

    Notes
    -----
    Another buyer takes the piece under the limits of his own spec, at the longest of his lengths
    that it holds with his trim, scaled back by 2 feet at most: more than that is another cut. Its
    small end stays where it was cut. A call binds the cut and not the fallback: a veneer log that
    is refused may still be a grade log. Products paid by the tree, or taken from so many pieces
    on, are no fallback for one log.

    A log whose second product pays nearly as much is a firm cut; where it pays little, much hangs
    on the buyer's own judgement of the log.

    Examples
    --------
    >>> from standmap.products import PRICE_UNITS, buck_top_down, saw_top_from_logs
    >>> from standmap.trees import form_class_stems
    >>> oak = form_class_stems([833], [20.0], [1.0])
    >>> specs = [
    ...     ProductSpec(product=name, kind="saw", rank=rank, min_top_in=top, min_length_ft=8,
    ...                 max_length_ft=16, trim_ft=0.3)
    ...     for rank, (name, top) in enumerate([("grade log", 12), ("tie log", 9)], start=1)
    ... ]
    >>> prices = StemPrices(species_code=[833], price_usd=[[600.0, 250.0]],
    ...                     unit=[PRICE_UNITS.index("mbf doyle")] * 2)
    >>> logs = buck_top_down(oak, specs, saw_top_ft=saw_top_from_logs([1.0]))
    >>> second_best(logs, oak, specs, prices).product
    array([1], dtype=int32)
    """
    if logs.n_trees != len(stems) or logs.products != tuple(spec.product for spec in specs):
        raise DomainError(
            "'logs' must come from bucking these stems with these specs; "
            f"got {logs.n_trees} trees for {len(stems)} stems."
        )
    job = make_job(stems, specs, recorded)
    takes = np.array(job.eligible, dtype=np.bool_)
    rows = np.flatnonzero(job.trees.called >= 0)
    takes[rows, job.trees.called[rows]] = True
    trees = job.trees._replace(takes=takes, saw_from_ft=np.full(len(stems), -np.inf))
    product = np.full(len(logs), -1, dtype=np.int32)
    usd = np.zeros(len(logs))
    if len(logs):
        price_arrays, lines, factors = priced(job, prices)
        kernels.second_best_of_logs(
            logs.tree_offsets, job.stump_ft, trees, job.spans, job.spec_arrays, price_arrays,
            lines, factors, logs.arrays, product, usd,
        )  # fmt: skip
    return SecondBest(product=product, usd=usd)
