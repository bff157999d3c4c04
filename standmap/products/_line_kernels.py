"""Array kernels of buyers' lines: what the best of them leaves for one log."""

from __future__ import annotations

import math

from standmap._jit import njit
from standmap.logs._kernels import bf_log
from standmap.products._kernels import SLACK_IN, Floats
from standmap.products._plan_kernels import CORD, N_RULES, NOWHERE, TON, LineArrays
from standmap.products._span_kernels import Spans, net_of_spans_bf
from standmap.units import BF_PER_MBF


@njit()
def scale_for_lines(
    defect_pct: float, begin: int, end: int, bottom_ft: float, length_ft: float,
    small_dib_in: float, large_dib_in: float, decimal_c: Floats, spans: Spans, scaled_mbf: Floats,
) -> None:  # fmt: skip
    """Write a log's net MBF by rule where its tree has defects; NaN, not yet scaled, elsewhere."""
    scaled_mbf[:] = math.nan
    if begin == end:
        return
    for rule in range(N_RULES):
        gross_bf = bf_log(rule, small_dib_in, large_dib_in, length_ft, decimal_c)
        net_bf = net_of_spans_bf(
            rule, gross_bf, defect_pct, begin, end, bottom_ft, length_ft, small_dib_in, spans
        )
        scaled_mbf[rule] = net_bf / BF_PER_MBF


@njit()
def best_net_usd(
    begin: int, end: int, place: int, small_dib_in: float, large_dib_in: float, length_ft: float,
    sound_mbf: float, tons: float, cords: float, decimal_c: Floats, lines: LineArrays,
    scaled_mbf: Floats,
) -> float:  # fmt: skip
    """Return the most that lines ``begin`` to ``end`` leave for a log; -inf where none takes it.

    Within a mill the narrowest line that takes the log's size pays, though a wider one were
    higher. Of a price by the tree only the cost of bringing the log is counted here.
    ``sound_mbf`` turns gross board feet into net MBF; ``scaled_mbf`` keeps the log's MBF by rule,
    NaN for the rules by which nobody has scaled it yet.
    """
    best = NOWHERE
    mill = -1
    narrowest = math.inf
    for line in range(begin, end):
        if lines.mill[line] != mill:
            mill, narrowest = lines.mill[line], math.inf
        if (
            lines.width[line] > narrowest
            or not lines.takes[line, place]
            or small_dib_in < lines.min_dib_in[line] - SLACK_IN
            or large_dib_in > lines.max_large_in[line] + SLACK_IN
        ):
            continue
        narrowest = lines.width[line]
        if not lines.buys[line]:
            continue
        unit = lines.unit[line]
        amount = 0.0
        if unit < N_RULES:
            if math.isnan(scaled_mbf[unit]):
                gross_bf = bf_log(unit, small_dib_in, large_dib_in, length_ft, decimal_c)
                scaled_mbf[unit] = sound_mbf * gross_bf
            amount = scaled_mbf[unit]
        elif unit == TON:
            amount = tons
        elif unit == CORD:
            amount = cords
        net = lines.price_usd[line] * amount - lines.cost_usd_per_ton[line] * tons
        best = max(best, net)
    return best
