"""Array kernels of the logs themselves: measure, scale and weigh the cuts, then add them up.

However the cuts were chosen, they are measured here. Nothing is checked; kernels write into arrays
given to them, one tree (or plot) per iteration, so that the answer does not depend on the number
of threads.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from standmap._jit import njit, prange
from standmap.logs._kernels import bf_log
from standmap.products._kernels import (
    Floats,
    Int8s,
    Int16s,
    Int32s,
    Ints,
    SpecArrays,
    length_ft_of,
)
from standmap.products._span_kernels import SLACK_FT, Spans, defect_pct_of_log, net_of_spans_bf
from standmap.trees._kernels import profile_at
from standmap.units import LB_PER_TON

N_RULES = 4


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
    bf: Floats
    volume_cuft: Floats
    bark_cuft: Floats
    cords: Floats
    weight_tons: Floats
    defect_pct: Floats


@njit()
def scale_log(
    saw: bool,
    defect_pct: float,
    begin: int,
    end: int,
    spans: Spans,
    cords_per_cuft: float,
    decimal_c: Floats,
    row: int,
    out: LogArrays,
) -> None:
    """Fill in a measured log's scale: board feet for saw logs, cords for bulk wood."""
    bottom_ft, length_ft, small_in = out.bottom_ft[row], out.length_ft[row], out.small_dib_in[row]
    for r in range(N_RULES):
        gross = 0.0
        if saw:
            gross = bf_log(r, small_in, out.large_dib_in[row], length_ft, decimal_c)
        net = gross * (1.0 - defect_pct / 100.0)
        if saw and begin < end:
            net = net_of_spans_bf(
                r, gross, defect_pct, begin, end, bottom_ft, length_ft, small_in, spans
            )
        out.gross_bf[row, r] = gross
        out.bf[row, r] = net
    out.cords[row] = 0.0 if saw else out.volume_cuft[row] * cords_per_cuft
    out.defect_pct[row] = defect_pct if saw else 0.0
    if saw and begin < end:
        out.defect_pct[row] = defect_pct_of_log(
            defect_pct, begin, end, bottom_ft, length_ft, small_in, spans
        )


@njit()
def measure_tree(
    kind: int,
    p: Floats,
    stump_ft: float,
    specs: SpecArrays,
    first: int,
    cut_product: Int16s,
    cut_length: Int16s,
    cut_bottom_ft: Floats,
    tree: int,
    begin: int,
    end: int,
    defect_pct: float,
    span_begin: int,
    span_end: int,
    spans: Spans,
    wood_lb_per_cuft: float,
    bark_lb_per_cuft: float,
    cords_per_cuft: float,
    decimal_c: Floats,
    out: LogArrays,
) -> None:
    """Measure, scale and weigh one tree's cuts into rows ``begin:end``.

    Without room in ``cut_bottom_ft`` each log begins where the one below ends.

    A function of its own on purpose: a parallel loop drops stores into the arrays of a tuple.
    """
    bottom_ft = stump_ft
    # Volumes are differences of the volume below: each height is worked out once, and the parts
    # of a stem add up to the whole.
    large_in, _, bottom_wood, bottom_all = profile_at(kind, p, bottom_ft)
    for row in range(begin, end):
        s = cut_product[first + row - begin]
        k = cut_length[first + row - begin]
        length_ft = length_ft_of(s, k, specs)
        if cut_bottom_ft.shape[0] > 0 and (
            abs(cut_bottom_ft[first + row - begin] - bottom_ft) > 2.0 * SLACK_FT
        ):  # a gap below this log
            bottom_ft = cut_bottom_ft[first + row - begin]
            large_in, _, bottom_wood, bottom_all = profile_at(kind, p, bottom_ft)
        end_ft = bottom_ft + length_ft
        small_in, small_dob_in, end_wood, end_all = profile_at(kind, p, end_ft)
        top_ft, top_wood, top_all = end_ft, end_wood, end_all
        if specs.trim_ft[s] > 0.0:
            top_ft = end_ft + specs.trim_ft[s]
            small_in, small_dob_in, top_wood, top_all = profile_at(kind, p, top_ft)
        hauled_wood = top_wood - bottom_wood
        hauled_bark = top_all - bottom_all - hauled_wood
        out.tree[row] = tree
        out.log[row] = row - begin + 1
        out.product[row] = s
        out.bottom_ft[row] = bottom_ft
        out.length_ft[row] = length_ft
        out.large_dib_in[row] = large_in
        out.small_dib_in[row] = small_in
        out.small_dob_in[row] = small_dob_in
        out.volume_cuft[row] = end_wood - bottom_wood
        out.bark_cuft[row] = (end_all - bottom_all) - (end_wood - bottom_wood)
        out.weight_tons[row] = (
            hauled_wood * wood_lb_per_cuft + hauled_bark * bark_lb_per_cuft
        ) / LB_PER_TON
        scale_log(
            specs.saw[s], defect_pct, span_begin, span_end, spans, cords_per_cuft, decimal_c, row,
            out,
        )  # fmt: skip
        bottom_ft, bottom_wood, bottom_all = top_ft, top_wood, top_all
        large_in = small_in


@njit(parallel=True)
def measure_cuts(
    kind: Int8s,
    params: Floats,
    stump_ft: float,
    specs: SpecArrays,
    first: Ints,
    cut_product: Int16s,
    cut_length: Int16s,
    cut_bottom_ft: Floats,
    offsets: Ints,
    defect_pct: Floats,
    spans: Spans,
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
            kind[t], params[t], stump_ft, specs, first[t], cut_product, cut_length, cut_bottom_ft,
            t, offsets[t], offsets[t + 1], defect_pct[t], spans.first[t], spans.first[t + 1],
            spans, wood_lb_per_cuft[species[t]], bark_lb_per_cuft[species[t]],
            cords_per_cuft[species[t]], decimal_c, out,
        )  # fmt: skip


@njit()
def add_log(out: Floats, weight: float, row: int, logs: LogArrays) -> None:
    """Add one log, times ``weight``, to a (measures,) row in the order of ``YIELD_MEASURES``."""
    out[0] += weight * logs.volume_cuft[row]
    for r in range(N_RULES):
        out[1 + r] += weight * logs.bf[row, r]
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
