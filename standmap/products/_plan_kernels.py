"""Types of best-value bucking, and what one tree brings to it.

Arrays only, as in every kernel file. The programme itself is in `_best_kernels`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from standmap._jit import njit
from standmap.products._kernels import (
    Bools,
    Floats,
    Int16s,
    Int32s,
    Ints,
    SpecArrays,
    TreeArrays,
    ceiling_ft,
    length_ft_of,
)
from standmap.products._span_kernels import SLACK_FT, Spans
from standmap.trees._kernels import thins_upward

TON = 4
CORD = 5
TREE = 6
"""Codes of the units of a price; 0 to 3 are MBF by the rules in the order of ``LOG_RULES``."""

N_RULES = 4
NOWHERE = -math.inf
"""Value of a state that no cut reaches."""


class Lattice(NamedTuple):
    """Heights where a cut can fall: base + class offset + whole steps.

    An *advance* is a length with its trim. One that begins in class ``c`` ends in class
    ``after[advance, c]`` (-1: above every stem), ``steps[advance, c]`` whole steps higher. Its
    logs, by spec and place among that spec's lengths, are ``log_spec`` and ``log_place`` from
    ``first_log[advance]`` on, the better rank first. ``run_every`` is 0 for specs whose bulk wood
    cannot be cut as a run; else totals of ``run_least`` steps and every ``run_every`` above can
    be, in pieces of up to ``run_most``.
    """

    step_ft: float
    offset_ft: Floats
    after: Ints
    steps: Ints
    first_log: Ints
    log_spec: Ints
    log_place: Ints
    run_every: Ints
    run_least: Ints
    run_most: Ints


class LineArrays(NamedTuple):
    """Lines that buyers pay by, those of one (market, spec) in a row: by mill, narrowest first.

    ``first`` (markets, specs + 1): where the lines of each spec begin and end. ``takes`` (lines,
    lengths): whether a line takes the spec's length at each place. ``buys``: False for a line that
    only bars the wider ones of its mill.
    """

    first: Ints
    mill: Ints
    width: Floats
    buys: Bools
    price_usd: Floats
    unit: Ints
    cost_usd_per_ton: Floats
    min_dib_in: Floats
    max_large_in: Floats
    takes: Bools


class PriceArrays(NamedTuple):
    """What a log brings, by market and spec.

    A *market* is one way to sell a species. Species ``row[tree]`` has those from
    ``first_market[row]`` on: one, or one for each choice between a price by the tree and others.
    ``price_usd`` is NaN where nobody buys. ``by_line``: the lines must be asked for each log; else
    price and unit say all. ``one_free``: one buyer, who takes any piece, at ``price_usd`` less
    ``cost_usd_per_ton``. ``sinks``: no line pays less for a log from farther down a stem.
    """

    price_usd: Floats
    unit: Ints
    cost_usd_per_ton: Floats
    by_line: Bools
    one_free: Bools
    sinks: Bools
    row: Ints
    first_market: Ints


class Factors(NamedTuple):
    """What turns wood into what is paid for: amounts in a cubic foot by species.

    ``per_cuft``: green tons of wood, green tons of bark, cords of wood.
    """

    species: Ints
    per_cuft: Floats
    decimal_c: Floats


class Work(NamedTuple):
    """Scratch of one tree: states are (count, class, step), the classes of each base together.

    ``base_ft`` is the height of each base.
    """

    base_ft: Floats

    best_usd: Floats
    via_spec: Int16s
    via_place: Int16s
    via_class: Int16s
    via_step: Int16s
    via_count: Int16s
    dib_in: Floats
    tons: Floats
    cords: Floats
    is_reached: Bools
    run_usd: Floats
    run_from: Int32s
    in_play: Bools
    begins: Bools
    is_run: Bools
    runs: Ints
    advances: Ints
    limit_ft: Floats
    need: Ints
    stride: Ints
    end_usd: Floats
    end_class: Ints
    end_step: Ints
    pick_spec: Ints
    pick_steps: Ints
    pick_bottom_ft: Floats
    scaled_mbf: Floats


class Plan(NamedTuple):
    """How much of the scratch one tree uses, and the heights where logs begin and end at most.

    ``sinks``: every legal row of logs stays legal, and worth no less, moved down the stem.
    """

    n_runs: int
    n_advances: int
    n_counts: int
    top_ft: float
    last_start_ft: float
    sinks: bool


@njit()
def make_work(n_counts: int, n_bases: int, n_steps: int, n_specs: int, lattice: Lattice) -> Work:
    """Room for the largest tree."""
    n_classes = n_bases * lattice.offset_ft.shape[0]
    states = (n_counts, n_classes, n_steps)
    runs = (n_counts, n_specs, n_classes, max(1, lattice.run_every.max()))
    return Work(
        base_ft=np.empty(n_bases),
        best_usd=np.empty(states),
        via_spec=np.empty(states, dtype=np.int16),
        via_place=np.empty(states, dtype=np.int16),
        via_class=np.empty(states, dtype=np.int16),
        via_step=np.empty(states, dtype=np.int16),
        via_count=np.empty(states, dtype=np.int16),
        dib_in=np.empty(states[1:]),
        tons=np.empty(states[1:]),
        cords=np.empty(states[1:]),
        is_reached=np.empty(n_classes, dtype=np.bool_),
        run_usd=np.empty(runs),
        run_from=np.empty(runs, dtype=np.int32),
        in_play=np.empty(n_specs, dtype=np.bool_),
        begins=np.empty(n_specs, dtype=np.bool_),
        is_run=np.empty(n_specs, dtype=np.bool_),
        runs=np.empty(n_specs, dtype=np.int64),
        advances=np.empty(lattice.after.shape[0], dtype=np.int64),
        limit_ft=np.empty(n_specs),
        need=np.empty(n_specs, dtype=np.int64),
        stride=np.empty(n_specs, dtype=np.int64),
        end_usd=np.empty(n_counts),
        end_class=np.empty(n_counts, dtype=np.int64),
        end_step=np.empty(n_counts, dtype=np.int64),
        pick_spec=np.empty(2 * n_classes * n_steps, dtype=np.int64),
        pick_steps=np.empty(2 * n_classes * n_steps, dtype=np.int64),
        pick_bottom_ft=np.empty(2 * n_classes * n_steps),
        scaled_mbf=np.empty(N_RULES),
    )


@njit()
def pieces_needed(unit: int, min_logs: int) -> int:
    """How many pieces of a product must be counted; 0 where the count does not matter."""
    if unit == TREE or min_logs > 1:
        return max(min_logs, 1)
    return 0


@njit()
def sells(
    t: int, market: int, s: int, trees: TreeArrays, specs: SpecArrays, prices: PriceArrays
) -> bool:
    """Whether spec ``s`` takes the tree and is paid for in a market.

    Saw logs have no cords and bulk wood has no board feet.
    """
    if not trees.takes[t, s] or not prices.price_usd[market, s] >= 0.0:
        return False
    if specs.saw[s]:
        return bool(prices.unit[market, s] != CORD)
    return bool(prices.unit[market, s] >= N_RULES)


@njit()
def count_states(trees: TreeArrays, specs: SpecArrays, prices: PriceArrays) -> int:
    """Most states that counting pieces makes of one height, over all trees."""
    most = 1
    for t in range(trees.kind.shape[0]):
        row = prices.row[t]
        for market in range(prices.first_market[row], prices.first_market[row + 1]):
            states = 1
            for s in range(specs.saw.shape[0]):
                if sells(t, market, s, trees, specs, prices):
                    states *= 1 + pieces_needed(prices.unit[market, s], specs.min_logs[s])
            most = max(most, states)
    return most


@njit()
def make_plan(
    t: int, market: int, trees: TreeArrays, spans: Spans, stump_ft: float, specs: SpecArrays,
    lattice: Lattice, prices: PriceArrays, work: Work,
) -> Plan:  # fmt: skip
    """Write down which specs and advances this tree can make, and up to where.

    A log that nobody buys is left, but the next one may begin where it ends: where logs do not
    sink, its spec is in play too.
    """
    n_runs, n_advances, n_counts = 0, 0, 1
    top_ft = last_start_ft = NOWHERE
    is_marked = spans.first[t] < spans.first[t + 1]
    sinks = (
        prices.sinks[market]
        and not is_marked
        and trees.saw_from_ft[t] == NOWHERE
        and thins_upward(trees.kind[t], trees.params[t], stump_ft)
    )
    for j in range(specs.order.shape[0]):
        s = specs.order[j]
        work.in_play[s] = False
        work.is_run[s] = False
        if not trees.takes[t, s]:
            continue
        limit_ft = ceiling_ft(
            trees.kind[t], trees.params[t], trees.usable_top_ft[t], trees.saw_top_ft[t],
            trees.called[t], s, specs,
        )  # fmt: skip
        start_ft = limit_ft - length_ft_of(s, 0, specs) - specs.trim_ft[s]
        if not start_ft >= stump_ft - SLACK_FT:
            continue
        work.limit_ft[s] = limit_ft
        if not sells(t, market, s, trees, specs, prices):
            work.in_play[s] = True
            work.need[s] = 0
            continue
        if specs.max_large_in[s] < math.inf and s != trees.called[t]:
            sinks = False
        need = pieces_needed(prices.unit[market, s], specs.min_logs[s])
        work.need[s] = need
        work.stride[s] = n_counts
        n_counts *= need + 1
        top_ft = max(top_ft, limit_ft)
        last_start_ft = max(last_start_ft, start_ft)
        is_graded = is_marked and specs.max_grade[s] < math.inf  # a run is not graded by pieces
        free = prices.one_free[market, s] and not is_graded
        if lattice.run_every[s] > 0 and need == 0 and free:
            work.is_run[s] = True
            work.runs[n_runs] = s
            n_runs += 1
        else:
            work.in_play[s] = True
    if top_ft == NOWHERE:
        return Plan(0, 0, 1, top_ft, last_start_ft, sinks)
    if sinks:
        for s in range(specs.saw.shape[0]):
            work.in_play[s] &= sells(t, market, s, trees, specs, prices)
    for a in range(lattice.after.shape[0] - 1, -1, -1):  # longest first: it wins a tie
        for m in range(lattice.first_log[a], lattice.first_log[a + 1]):
            if work.in_play[lattice.log_spec[m]]:
                work.advances[n_advances] = a
                n_advances += 1
                break
    return Plan(n_runs, n_advances, n_counts, top_ft, last_start_ft, sinks)
