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
from standmap.products._line_kernels import best_net_usd, scale_for_lines
from standmap.products._log_kernels import LogArrays
from standmap.products._plan_kernels import (
    N_RULES,
    TON,
    TREE,
    Factors,
    LineArrays,
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
    t: int, market: int, row: int, s: int, limit_ft: float, stump_ft: float, trees: TreeArrays,
    spans: Spans, specs: SpecArrays, prices: PriceArrays, lines: LineArrays, factors: Factors,
    logs: LogArrays, scaled_mbf: Floats,
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
    price, unit = prices.price_usd[market, s], prices.unit[market, s]
    small_in, large_in = logs.small_dib_in[row], logs.large_dib_in[row]
    sound_mbf = (1.0 - trees.defect_pct[t] / 100.0) / BF_PER_MBF
    cords = 0.0
    if not specs.saw[s]:
        wood = wood_cuft_between(kind, p, bottom_ft, bottom_ft + length_ft)
        cords = wood * factors.per_cuft[factors.species[t], 2]
    if prices.by_line[market, s]:
        scale_for_lines(
            trees.defect_pct[t], begin, end, bottom_ft, length_ft, small_in, large_in,
            factors.decimal_c, spans, scaled_mbf,
        )  # fmt: skip
        net = best_net_usd(
            lines.first[market, s], lines.first[market, s + 1], k, small_in,
            large_in, length_ft, sound_mbf, logs.weight_tons[row], cords, factors.decimal_c,
            lines, scaled_mbf,
        )  # fmt: skip
        return math.nan if net < 0.0 else net
    if unit < N_RULES:
        gross_bf = bf_log(unit, small_in, large_in, length_ft, factors.decimal_c)
        net_bf = net_of_spans_bf(
            unit, gross_bf, trees.defect_pct[t], begin, end, bottom_ft, length_ft, small_in, spans
        )
        return float(price * net_bf / BF_PER_MBF)
    if unit == TON:
        return float(price * logs.weight_tons[row])
    return float(price * cords)


@njit()
def second_of_tree(
    t: int, begin: int, end: int, stump_ft: float, trees: TreeArrays, spans: Spans,
    specs: SpecArrays, prices: PriceArrays, lines: LineArrays, factors: Factors, logs: LogArrays,
    product: Int32s, usd: Floats,
) -> None:  # fmt: skip
    """Find the best other product of each log of one tree."""
    if begin == end:
        return
    n_specs = specs.saw.shape[0]
    limit_ft = np.full(n_specs, -math.inf)
    scaled_mbf = np.empty(N_RULES)
    market = prices.first_market[prices.row[t]]  # the first sells log by log wherever it can
    for s in range(n_specs):
        by_tree = prices.unit[market, s] == TREE or specs.min_logs[s] > 1
        if not by_tree and sells(t, market, s, trees, specs, prices):
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
                t, market, row, s, limit_ft[s], stump_ft, trees, spans, specs, prices, lines,
                factors, logs, scaled_mbf,
            )  # fmt: skip
            if worth > usd[row] or (worth == 0.0 and product[row] < 0):
                product[row] = s
                usd[row] = worth


@njit(parallel=True)
def second_best_of_logs(
    offsets: Ints, stump_ft: float, trees: TreeArrays, spans: Spans, specs: SpecArrays,
    prices: PriceArrays, lines: LineArrays, factors: Factors, logs: LogArrays, product: Int32s,
    usd: Floats,
) -> None:  # fmt: skip
    """Find the best other product of every log."""
    for t in prange(offsets.shape[0] - 1):
        second_of_tree(
            t, offsets[t], offsets[t + 1], stump_ft, trees, spans, specs, prices, lines, factors,
            logs, product, usd,
        )  # fmt: skip
