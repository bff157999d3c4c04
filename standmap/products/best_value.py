"""Cutting stems into the logs that bring the most money."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, Unpack

import numpy as np
from numpy.typing import NDArray

from standmap.errors import DomainError
from standmap.logs import decimal_c_table
from standmap.products import _best_kernels as kernels
from standmap.products import _plan_kernels as plans
from standmap.products._kernels import SpecArrays
from standmap.products._span_kernels import SLACK_FT
from standmap.products.cut_logs import Logs
from standmap.products.cutting import CuttingJob, Recorded, make_job
from standmap.products.line_prices import LinePrices, line_price_arrays
from standmap.products.specs import ProductSpec
from standmap.products.stem_prices import StemPrices, stem_price_arrays
from standmap.trees import Stems
from standmap.units import LB_PER_TON, LOG_FT

MOST_COUNTS: Final = 512
"""Most combinations of counted pieces that are kept at one height."""


def buck_best_value(
    stems: Stems,
    specs: Sequence[ProductSpec],
    *,
    prices: StemPrices | LinePrices,
    length_step_ft: float = 1.0,
    **recorded: Unpack[Recorded],
) -> Logs:
    """Cut every stem into the logs of greatest total value, out of every legal cut.

    Parameters
    ----------
    stems, specs
        As in :func:`buck_top_down`.
    prices : StemPrices or LinePrices
        What each product pays, one column per spec, or the lines of several mills: each log is
        then worth what it leaves at the mill that nets most for that very log. What nobody buys
        is not cut.
    length_step_ft : float
        Pieces left as waste are whole multiples of this. [ft] It must go into 8 feet a whole
        number of times. Logs are cut to every length of their spec, whatever the step.
    saw_top_ft, called_product, defect_pct, cull, grade, waste_from_ft, waste_to_ft, defects
        As in :func:`buck_top_down`.
    stump_ft, eligible, cuft_per_cord, aliases
        As in :func:`buck_top_down`.

    Returns
    -------
    Logs

    Raises
    ------
    DomainError
        As in :func:`buck_top_down`; if the prices do not fit the specs or the species; if the
        length step does not go into 8 feet; or if too many products count their pieces.

    Notes
    -----
    A legal cut is a row of logs from the stump up, each of a spec and one of its lengths with its
    trim, under the very limits of :func:`buck_top_down`, with gaps of waste between them: any
    number of length steps, up to the top of a stretch that is cut out, of a fork, or of one grade,
    or as long as a log that nobody buys. The dynamic programme keeps the best value at every height
    such a cut can reach (steps, odd lengths and sums of trims are carried exactly), each log net of
    the defects it holds, and so finds the greatest value of all of them.

    With ``LinePrices`` every log that is tried is valued on all the lines that take it: price x
    amount - cost per ton x tons, the best of the mills. A price by the tree, which buys all the
    logs of its product or none, is tried as a market of its own.

    It is never below the value of the other two ways at the same prices, since their cuts are
    legal cuts: top-down leaves gaps only up to such tops; the field way leaves gaps of 8 feet,
    which is a whole number of length steps, or up to such tops.

    Where cuts tie, the longer log wins, and bulk wood is cut in the fewest pieces.

    The optimum is of the stem as modelled and the prices as given. It is a plan on paper: sweep,
    knots and rot that nobody recorded are seen only at the saw.

    Examples
    --------
    Doyle scales a 16-foot log of a small top low; two short logs may bring more.

    >>> from standmap.products import PRICE_UNITS, buck_top_down, log_usd, saw_top_from_logs
    >>> from standmap.trees import form_class_stems
    >>> oak = form_class_stems([833], [18.0], [2.5])
    >>> specs = [
    ...     ProductSpec(product="grade log", kind="saw", rank=1, min_top_in=12, min_length_ft=8,
    ...                 max_length_ft=16, trim_ft=0.3),
    ...     ProductSpec(product="tie log", kind="saw", rank=2, min_top_in=9, lengths_ft=(8, 16),
    ...                 trim_ft=0.3),
    ... ]
    >>> prices = StemPrices(species_code=[833], price_usd=[[600.0, 250.0]],
    ...                     unit=[PRICE_UNITS.index("mbf doyle")] * 2)
    >>> top = saw_top_from_logs([2.5])
    >>> plain = buck_top_down(oak, specs, saw_top_ft=top)
    >>> best = buck_best_value(oak, specs, prices=prices, saw_top_ft=top)
    >>> bool(log_usd(best, [833], prices).sum() >= log_usd(plain, [833], prices).sum())
    True
    """
    if not goes_into_half_log(length_step_ft):
        raise DomainError(
            "'length_step_ft' must go into 8 ft a whole number of times, so that half logs lie on "
            f"the steps; got {length_step_ft}. Use 1, 0.5 or 2."
        )
    job = make_job(stems, specs, recorded)
    n = len(stems)
    cut_product, cut_length = job.room_for_cuts()
    cut_bottom_ft = np.empty(job.first[-1])
    count = np.zeros(n, dtype=np.int64)
    tallest_ft = float(np.nanmax(stems.usable_top_ft, initial=0.0))
    price_arrays, lines, factors = priced(job, prices)
    if specs and tallest_ft > job.stump_ft:
        n_counts = plans.count_states(job.trees, job.spec_arrays, price_arrays)
        if n_counts > MOST_COUNTS:
            raise DomainError(
                f"{n_counts} combinations of pieces must be kept apart on one tree; the most is "
                f"{MOST_COUNTS}. Price fewer products by the tree, or ask for fewer min_logs."
            )
        length_ft = tallest_ft - job.stump_ft
        lattice = make_lattice(job.spec_arrays, length_ft, float(length_step_ft))
        kernels.cut_best(
            n_counts, math.floor(length_ft / length_step_ft) + 2,
            1 + int(np.diff(job.spans.first_top).max(initial=0)), job.stump_ft, job.trees,
            job.spans, job.spec_arrays, lattice, price_arrays, lines, factors, job.first,
            cut_product, cut_length, cut_bottom_ft, count,
        )  # fmt: skip
    return job.measure(cut_product, cut_length, cut_bottom_ft, count)


def goes_into_half_log(length_step_ft: float) -> bool:
    """Whether a length step goes into 8 feet a whole number of times.

    Examples
    --------
    >>> goes_into_half_log(0.5), goes_into_half_log(3)
    (True, False)
    """
    steps = LOG_FT / 2 / length_step_ft if 0 < length_step_ft < math.inf else 0.5
    return abs(steps - round(steps)) <= SLACK_FT and steps > 0.5


def priced(
    job: CuttingJob, prices: StemPrices | LinePrices
) -> tuple[plans.PriceArrays, plans.LineArrays, plans.Factors]:
    """Return the prices of a job's trees, and what turns their wood into what is paid for.

    Raises
    ------
    DomainError
        If the prices have not one column per spec, or name a spec that is not there, or a species
        has no row.
    """
    row = prices.rows_of(job.stems.species_code)
    arrays, lines = (
        line_price_arrays(prices, job.specs, row)
        if isinstance(prices, LinePrices)
        else stem_price_arrays(prices, len(job.specs), row)
    )
    return (
        arrays,
        lines,
        plans.Factors(
            species=job.species,
            per_cuft=np.column_stack(
                [job.wood_lb / LB_PER_TON, job.bark_lb / LB_PER_TON, job.cords_per_cuft]
            ),
            decimal_c=decimal_c_table(),
        ),
    )


def make_lattice(specs: SpecArrays, tallest_ft: float, step_ft: float) -> plans.Lattice:
    """Lay out the heights, above a base, where a row of logs and steps of waste can end.

    Parameters
    ----------
    specs : SpecArrays
        The specs.
    tallest_ft : float
        Longest stem above its base. [ft]
    step_ft : float
        Length step. [ft]
    """
    of_move = np.repeat(np.arange(len(specs.saw)), specs.n_lengths)
    advance = specs.lengths_ft + specs.trim_ft[of_move]
    odd = np.unique(np.round(np.mod(advance, step_ft), 6) % step_ft)
    odd = odd[(odd > 2 * SLACK_FT) & (odd < step_ft - 2 * SLACK_FT)]
    offset = np.zeros(1)
    for _ in range(int(tallest_ft / advance.min())):
        sums = np.round(np.mod(offset[:, np.newaxis] + np.append(0.0, odd), step_ft), 6) % step_ft
        more = np.unique(sums)
        if len(more) == len(offset):
            break
        offset = more
    # One advance (length and trim) may serve many specs.
    distinct_ft, advance_of = np.unique(np.round(advance, 6), return_inverse=True)
    end_ft = distinct_ft[:, np.newaxis] + offset
    over = end_ft - np.floor((end_ft + SLACK_FT) / step_ft) * step_ft
    near = np.abs(over[:, :, np.newaxis] - offset).argmin(axis=2)
    found = np.abs(over - offset[near]) < 2 * SLACK_FT
    # The logs of an advance by rank, so that the better product wins a tie.
    rank = np.argsort(specs.order)
    log = np.lexsort((rank[of_move], advance_of))
    place = np.arange(len(of_move)) - specs.first_length[of_move]
    every, least, most = _runs(specs, step_ft)
    return plans.Lattice(
        step_ft=step_ft,
        offset_ft=offset,
        after=np.where(found, near, -1).astype(np.int64),
        steps=np.rint((end_ft - offset[near]) / step_ft).astype(np.int64),
        first_log=np.searchsorted(advance_of[log], np.arange(len(distinct_ft) + 1)),
        log_spec=of_move[log],
        log_place=place[log],
        run_every=every,
        run_least=least,
        run_most=most,
    )


def _runs(
    specs: SpecArrays, step_ft: float
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64]]:
    """Return, in length steps, the spacing, least and most of bulk specs that are cut as runs.

    A run needs pieces that butt on each other with no trim and no limit of their own, and lengths
    such that every total from the least on is a sum of them: steps that go into the shortest, up
    to nearly twice the shortest.
    """
    shortest = specs.lengths_ft[specs.first_length]
    longest = specs.lengths_ft[specs.first_length + specs.n_lengths - 1]
    spacing = np.where(specs.n_lengths > 1, specs.length_step_ft, shortest)
    every, least, most = (np.rint(x / step_ft) for x in (spacing, shortest, longest))
    on_steps = np.abs(every * step_ft - spacing) + np.abs(least * step_ft - shortest) < SLACK_FT
    sums = (every > 0) & (np.mod(least, np.maximum(every, 1)) == 0) & (most >= 2 * least - every)
    plain = ~specs.saw & ~specs.butt_only & (specs.trim_ft == 0) & np.isinf(specs.max_large_in)
    return (
        np.where(on_steps & sums & plain, every, 0).astype(np.int64),
        least.astype(np.int64),
        most.astype(np.int64),
    )
