"""Array kernels of bucking: choose the cuts, measure the logs, add them up.

Choosing and measuring are apart, so that every way of choosing shares one way of measuring. A cut
is a spec and a place among the lengths of that spec, counted from the shortest. Cuts are ragged:
tree ``t`` owns the slots from ``first[t]``, of which ``count[t]`` are used.

Nothing is checked here. Kernels write into arrays given to them, one tree (or plot) per iteration,
so that the answer does not depend on the number of threads.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from standmap._jit import njit, prange
from standmap.logs._kernels import bf_log
from standmap.trees._kernels import (
    dib_at,
    dob_at,
    height_at_dib,
    height_at_dob,
    ob_cuft_between,
    wood_cuft_between,
)
from standmap.units import LB_PER_TON

SLACK_FT = 1e-6
"""So that a length equal to the limit fits although both were made by addition. [ft]"""

N_RULES = 4

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Int16s = NDArray[np.int16]
Int32s = NDArray[np.int32]
Bools = NDArray[np.bool_]


class SpecArrays(NamedTuple):
    """Product specs as arrays, one entry per spec in the order given; ``order`` is by rank."""

    order: Ints
    saw: Bools
    top_outside_bark: Bools
    min_top_in: Floats
    max_large_in: Floats
    min_length_ft: Floats
    length_step_ft: Floats
    n_lengths: Ints
    trim_ft: Floats


class LogArrays(NamedTuple):
    """Columns of the logs, written by `measure_cuts`."""

    tree: Int32s
    log: Int32s
    product: Int32s
    bottom_ft: Floats
    length_ft: Floats
    small_dib_in: Floats
    large_dib_in: Floats
    small_dob_in: Floats
    gross_bf: Floats
    volume_cuft: Floats
    bark_cuft: Floats
    cords: Floats
    weight_tons: Floats
    defect_pct: Floats


@njit()
def top_limit_ft(kind: int, p: Floats, s: int, specs: SpecArrays) -> float:
    """Greatest height where the stem is still as thick as spec ``s`` asks of a small end."""
    if specs.top_outside_bark[s]:
        return height_at_dob(kind, p, specs.min_top_in[s])
    return height_at_dib(kind, p, specs.min_top_in[s])


@njit()
def longest_fit(bottom_ft: float, limit_ft: float, s: int, specs: SpecArrays) -> int:
    """Place among the lengths of spec ``s`` of the longest that ends, with its trim, below a limit.

    -1 if not even the shortest does.
    """
    shortest_top_ft = bottom_ft + specs.min_length_ft[s] + specs.trim_ft[s]
    if not shortest_top_ft <= limit_ft + SLACK_FT:
        return -1
    # As floats: the whole number of steps to a limit without end would overflow.
    steps = (limit_ft + SLACK_FT - shortest_top_ft) / specs.length_step_ft[s]
    return int(min(math.floor(steps), float(specs.n_lengths[s] - 1)))


@njit()
def cut_tree_top_down(
    kind: int,
    p: Floats,
    usable_ft: float,
    saw_top_ft: float,
    eligible: Bools,
    call: int,
    stump_ft: float,
    specs: SpecArrays,
    at: int,
    cut_product: Int16s,
    cut_length: Int16s,
) -> int:
    """Write one tree's cuts from slot ``at`` on: the best product first, its longest length.

    A spec that failed for want of length or diameter fails at every greater height too, and is
    not tried again (``start``); one that failed because the large end is too big may fit above.
    Returns the number of cuts.
    """
    recorded = not math.isnan(saw_top_ft)
    saw_limit_ft = min(usable_ft, saw_top_ft) if recorded else usable_ft
    height_ft = stump_ft
    n = 0
    start = -1  # -1 is the called product, tried before all others
    known = -1  # the spec whose limit is at hand: finding a height is the costly step
    known_limit_ft = 0.0
    cutting = True
    while cutting:
        cutting = False
        waiting = False
        for j in range(start, specs.order.shape[0]):
            by_call = j < 0
            s = call if by_call else specs.order[j]
            if s < 0 or (not by_call and s == call):
                continue
            if not by_call and (not eligible[s] or (call >= 0 and specs.saw[s])):
                continue
            limit_ft = saw_limit_ft if specs.saw[s] else usable_ft
            if longest_fit(height_ft, limit_ft, s, specs) < 0:
                continue
            if not (by_call and specs.saw[s] and recorded):
                if s != known:
                    known = s
                    known_limit_ft = top_limit_ft(kind, p, s, specs)
                limit_ft = min(limit_ft, known_limit_ft)
            k = longest_fit(height_ft, limit_ft, s, specs)
            if k < 0:
                continue
            if not by_call and specs.max_large_in[s] < math.inf:
                if dib_at(kind, p, height_ft) > specs.max_large_in[s]:
                    if not waiting:
                        waiting = True
                        start = j
                    continue
            cut_product[at + n] = s
            cut_length[at + n] = k
            n += 1
            height_ft += specs.min_length_ft[s] + k * specs.length_step_ft[s] + specs.trim_ft[s]
            if not waiting:
                start = j
            cutting = True
            break
    return n


@njit(parallel=True)
def cut_top_down(
    kind: NDArray[np.int8],
    params: Floats,
    usable_top_ft: Floats,
    saw_top_ft: Floats,
    eligible: Bools,
    called: Int32s,
    stump_ft: float,
    specs: SpecArrays,
    first: Ints,
    cut_product: Int16s,
    cut_length: Int16s,
    count: Ints,
) -> None:
    """Choose the cuts of every tree by `cut_tree_top_down`."""
    for t in prange(kind.shape[0]):
        count[t] = cut_tree_top_down(
            kind[t], params[t], usable_top_ft[t], saw_top_ft[t], eligible[t], called[t],
            stump_ft, specs, first[t], cut_product, cut_length,
        )  # fmt: skip


@njit()
def scale_log(
    saw: bool,
    defect_pct: float,
    cords_per_cuft: float,
    decimal_c: Floats,
    row: int,
    out: LogArrays,
) -> None:
    """Fill in a measured log's scale: board feet for saw logs, cords for bulk wood."""
    for r in range(N_RULES):
        gross = 0.0
        if saw:
            gross = bf_log(
                r, out.small_dib_in[row], out.large_dib_in[row], out.length_ft[row], decimal_c
            )
        out.gross_bf[row, r] = gross
    out.cords[row] = 0.0 if saw else out.volume_cuft[row] * cords_per_cuft
    out.defect_pct[row] = defect_pct if saw else 0.0


@njit()
def measure_tree(
    kind: int,
    p: Floats,
    stump_ft: float,
    specs: SpecArrays,
    first: int,
    cut_product: Int16s,
    cut_length: Int16s,
    tree: int,
    begin: int,
    end: int,
    defect_pct: float,
    wood_lb_per_cuft: float,
    bark_lb_per_cuft: float,
    cords_per_cuft: float,
    decimal_c: Floats,
    out: LogArrays,
) -> None:
    """Measure, scale and weigh one tree's cuts into rows ``begin:end``.

    A function of its own on purpose: a parallel loop drops stores into the arrays of a tuple.
    """
    bottom_ft = stump_ft
    large_in = dib_at(kind, p, bottom_ft)
    # Volumes are differences of the volume below: each height is worked out once, and the parts
    # of a stem add up to the whole.
    bottom_wood = wood_cuft_between(kind, p, 0.0, bottom_ft)
    bottom_all = ob_cuft_between(kind, p, 0.0, bottom_ft)
    for row in range(begin, end):
        s = cut_product[first + row - begin]
        k = cut_length[first + row - begin]
        length_ft = specs.min_length_ft[s] + k * specs.length_step_ft[s]
        end_ft = bottom_ft + length_ft
        end_wood = wood_cuft_between(kind, p, 0.0, end_ft)
        end_all = ob_cuft_between(kind, p, 0.0, end_ft)
        top_ft, top_wood, top_all = end_ft, end_wood, end_all
        if specs.trim_ft[s] > 0.0:
            top_ft = end_ft + specs.trim_ft[s]
            top_wood = wood_cuft_between(kind, p, 0.0, top_ft)
            top_all = ob_cuft_between(kind, p, 0.0, top_ft)
        hauled_wood = top_wood - bottom_wood
        hauled_bark = top_all - bottom_all - hauled_wood
        out.tree[row] = tree
        out.log[row] = row - begin + 1
        out.product[row] = s
        out.bottom_ft[row] = bottom_ft
        out.length_ft[row] = length_ft
        out.large_dib_in[row] = large_in
        out.small_dib_in[row] = dib_at(kind, p, top_ft)
        out.small_dob_in[row] = dob_at(kind, p, top_ft)
        out.volume_cuft[row] = end_wood - bottom_wood
        out.bark_cuft[row] = (end_all - bottom_all) - (end_wood - bottom_wood)
        out.weight_tons[row] = (
            hauled_wood * wood_lb_per_cuft + hauled_bark * bark_lb_per_cuft
        ) / LB_PER_TON
        scale_log(specs.saw[s], defect_pct, cords_per_cuft, decimal_c, row, out)
        bottom_ft, bottom_wood, bottom_all = top_ft, top_wood, top_all
        large_in = out.small_dib_in[row]


@njit(parallel=True)
def measure_cuts(
    kind: NDArray[np.int8],
    params: Floats,
    stump_ft: float,
    specs: SpecArrays,
    first: Ints,
    cut_product: Int16s,
    cut_length: Int16s,
    offsets: Ints,
    defect_pct: Floats,
    species: Ints,
    wood_lb_per_cuft: Floats,
    bark_lb_per_cuft: Floats,
    cords_per_cuft: Floats,
    decimal_c: Floats,
    out: LogArrays,
) -> None:
    """Measure, scale and weigh every cut; tree ``t`` fills rows ``offsets[t]:offsets[t + 1]``.

    ``species`` is each tree's place in the three factor arrays.
    """
    for t in prange(kind.shape[0]):
        measure_tree(
            kind[t], params[t], stump_ft, specs, first[t], cut_product, cut_length, t,
            offsets[t], offsets[t + 1], defect_pct[t], wood_lb_per_cuft[species[t]],
            bark_lb_per_cuft[species[t]], cords_per_cuft[species[t]], decimal_c, out,
        )  # fmt: skip


@njit()
def add_log(out: Floats, weight: float, row: int, logs: LogArrays) -> None:
    """Add one log, times ``weight``, to a (measures,) row in the order of ``YIELD_MEASURES``."""
    out[0] += weight * logs.volume_cuft[row]
    sound = 1.0 - logs.defect_pct[row] / 100.0
    for r in range(N_RULES):
        out[1 + r] += weight * logs.gross_bf[row, r] * sound
    out[1 + N_RULES] += weight * logs.cords[row]
    out[2 + N_RULES] += weight * logs.weight_tons[row]


@njit(parallel=True)
def sum_by_tree(offsets: Ints, logs: LogArrays, out: Floats) -> None:
    """Add logs up by tree and product into ``out`` (trees, products, measures)."""
    for t in prange(offsets.shape[0] - 1):
        for row in range(offsets[t], offsets[t + 1]):
            add_log(out[t, logs.product[row]], 1.0, row, logs)


@njit()
def trees_in_plot_order(plot: Ints, n_plots: int) -> tuple[Ints, Ints]:
    """Trees sorted by plot (stable), and where each plot begins; a plot of -1 is left out."""
    begins = np.zeros(n_plots + 1, dtype=np.int64)
    for i in range(plot.shape[0]):
        if plot[i] >= 0:
            begins[plot[i] + 1] += 1
    for i in range(n_plots):
        begins[i + 1] += begins[i]
    slot = begins[:-1].copy()
    trees = np.empty(begins[-1], dtype=np.int64)
    for i in range(plot.shape[0]):
        if plot[i] >= 0:
            trees[slot[plot[i]]] = i
            slot[plot[i]] += 1
    return trees, begins


@njit(parallel=True)
def sum_by_plot(
    trees: Ints, begins: Ints, per_acre: Floats, offsets: Ints, logs: LogArrays, out: Floats
) -> None:
    """Add logs up by plot and product, times trees per acre, into (plots, products, measures)."""
    for i in prange(begins.shape[0] - 1):
        for at in range(begins[i], begins[i + 1]):
            t = trees[at]
            for row in range(offsets[t], offsets[t + 1]):
                add_log(out[i, logs.product[row]], per_acre[t], row, logs)
