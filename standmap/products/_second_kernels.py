"""Array kernels of the second-best product: what a piece would bring from another buyer."""

from __future__ import annotations

import math

import numpy as np

from standmap._jit import njit, prange
from standmap.logs._kernels import bf_log
from standmap.products._kernels import (
    Floats,
    Int32s,
    Ints,
    SpecArrays,
    TreeArrays,
    ceiling_ft,
    length_ft_of,
    longest_fit,
    may_begin,
    may_hold,
)
from standmap.products._log_kernels import LogArrays
from standmap.products._plan_kernels import (
    N_RULES,
    TON,
    TREE,
    Factors,
    PriceArrays,
    sells,
)
from standmap.products._span_kernels import SLACK_FT, Spans, net_of_spans_bf
from standmap.trees._kernels import wood_cuft_between
from standmap.units import BF_PER_MBF

MOST_LEFT_OVER_FT = 2.0
"""Length that a buyer scales a piece back by; more than this is another cut. [ft]"""


@njit()
def other_usd(
    t: int, row: int, s: int, limit_ft: float, stump_ft: float, trees: TreeArrays,
    spans: Spans,
    specs: SpecArrays, prices: PriceArrays, factors: Factors, logs: LogArrays,
) -> float:  # fmt: skip
    """Value of log ``row`` as spec ``s``; NaN where that buyer does not take it."""
    kind, p, called = trees.kind[t], trees.params[t], trees.called[t]
    bottom_ft = logs.bottom_ft[row]
    top_ft = bottom_ft + logs.length_ft[row] + specs.trim_ft[logs.product[row]]
    k = longest_fit(bottom_ft, top_ft, s, specs)
    if k < 0 or top_ft > limit_ft + SLACK_FT:
        return math.nan
    length_ft = length_ft_of(s, k, specs)
    if top_ft - bottom_ft - length_ft - specs.trim_ft[s] > MOST_LEFT_OVER_FT + SLACK_FT:
        return math.nan
    begin, end = spans.first[t], spans.first[t + 1]
    if not may_hold(
        kind, p, begin, end, bottom_ft, k, called, s, trees.defect_pct[t], specs, spans
    ):
        return math.nan
    if not may_begin(kind, p, bottom_ft, stump_ft, trees.saw_from_ft[t], called, s, specs):
        return math.nan
    price, unit = prices.price_usd[prices.row[t], s], prices.unit[prices.row[t], s]
    if unit < N_RULES:
        gross_bf = bf_log(
            unit, logs.small_dib_in[row], logs.large_dib_in[row], length_ft, factors.decimal_c
        )
        net_bf = net_of_spans_bf(
            unit, gross_bf, trees.defect_pct[t], begin, end, bottom_ft, length_ft,
            logs.small_dib_in[row], spans,
        )  # fmt: skip
        return float(price * net_bf / BF_PER_MBF)
    if unit == TON:
        return float(price * logs.weight_tons[row])
    wood = wood_cuft_between(kind, p, bottom_ft, bottom_ft + length_ft)
    return float(price * wood * factors.per_cuft[factors.species[t], 2])


@njit()
def second_of_tree(
    t: int, begin: int, end: int, stump_ft: float, trees: TreeArrays, spans: Spans,
    specs: SpecArrays, prices: PriceArrays, factors: Factors, logs: LogArrays,
    product: Int32s, usd: Floats,
) -> None:  # fmt: skip
    """Find the best other product of each log of one tree."""
    if begin == end:
        return
    n_specs = specs.saw.shape[0]
    limit_ft = np.full(n_specs, -math.inf)
    for s in range(n_specs):
        by_tree = prices.unit[prices.row[t], s] == TREE or specs.min_logs[s] > 1
        if not by_tree and sells(t, s, trees, specs, prices):
            limit_ft[s] = ceiling_ft(
                trees.kind[t], trees.params[t], trees.usable_top_ft[t], trees.saw_top_ft[t],
                trees.called[t], s, specs,
            )  # fmt: skip
    for row in range(begin, end):
        product[row] = -1
        usd[row] = 0.0
        for j in range(n_specs):
            s = specs.order[j]
            if s == logs.product[row]:
                continue
            worth = other_usd(
                t, row, s, limit_ft[s], stump_ft, trees, spans, specs, prices, factors, logs
            )
            if worth > usd[row] or (worth == 0.0 and product[row] < 0):
                product[row] = s
                usd[row] = worth


@njit(parallel=True)
def second_best_of_logs(
    offsets: Ints, stump_ft: float, trees: TreeArrays, spans: Spans, specs: SpecArrays,
    prices: PriceArrays, factors: Factors, logs: LogArrays, product: Int32s, usd: Floats,
) -> None:  # fmt: skip
    """Find the best other product of every log."""
    for t in prange(offsets.shape[0] - 1):
        second_of_tree(
            t, offsets[t], offsets[t + 1], stump_ft, trees, spans, specs, prices, factors, logs,
            product, usd,
        )  # fmt: skip
