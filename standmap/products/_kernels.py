"""Array kernels of bucking: where a log may lie, and the cuts of the two ways that follow a rule.

A cut is a spec, a place among the lengths of that spec counted from the shortest, and where gaps
are possible a height. Cuts are ragged: tree ``t`` owns the slots from ``first[t]``, of which
``count[t]`` are used.

Nothing is checked here. Kernels write into arrays given to them, one tree per iteration, so that
the answer does not depend on the number of threads.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from standmap._jit import njit, prange
from standmap.products._span_kernels import (
    CUT_OUT,
    FORK,
    SLACK_FT,
    Spans,
    defect_pct_of_log,
    is_barred,
    next_top_ft,
)
from standmap.trees._kernels import dib_at, height_at_dib, height_at_dob
from standmap.units import LOG_FT

SLACK_IN = 1e-9
"""The same for a large end measured at a height made by addition. [in]"""

SLACK_PCT = 1e-9
"""The same for a percent made of shares. [%]"""

TOP_DOWN = 0
FIELD = 1
"""Codes of the ways to buck that follow a rule."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Int8s = NDArray[np.int8]
Int16s = NDArray[np.int16]
Int32s = NDArray[np.int32]
Bools = NDArray[np.bool_]


class SpecArrays(NamedTuple):
    """Product specs as arrays, one entry per spec in the order given; ``order`` is by rank.

    Lengths lie one spec after another, shortest first; ``length_step_ft`` is 0 for a list.
    """

    order: Ints
    saw: Bools
    top_outside_bark: Bools
    min_top_in: Floats
    max_large_in: Floats
    lengths_ft: Floats
    first_length: Ints
    n_lengths: Ints
    length_step_ft: Floats
    trim_ft: Floats
    butt_only: Bools
    min_logs: Ints
    max_grade: Floats
    max_cull_pct: Floats


class TreeArrays(NamedTuple):
    """What is known of each tree before it is cut.

    ``takes`` (trees, specs) holds species, DBH, grade, cull and the call. ``saw_from_ft`` is the
    lowest place for saw logs other than the called product's. ``defect_pct`` is the tree's own,
    on top of what its spans take.
    """

    kind: Int8s
    params: Floats
    usable_top_ft: Floats
    saw_top_ft: Floats
    takes: Bools
    called: Int32s
    saw_from_ft: Floats
    defect_pct: Floats


@njit()
def top_limit_ft(kind: int, p: Floats, s: int, specs: SpecArrays) -> float:
    """Greatest height where the stem is still as thick as spec ``s`` asks of a small end."""
    if specs.top_outside_bark[s]:
        return height_at_dob(kind, p, specs.min_top_in[s])
    return height_at_dib(kind, p, specs.min_top_in[s])


@njit()
def ceiling_ft(
    kind: int, p: Floats, usable_ft: float, saw_top_ft: float, call: int, s: int, specs: SpecArrays
) -> float:
    """Greatest height where a log of spec ``s`` may end on this tree."""
    limit_ft = usable_ft
    if specs.saw[s] and not math.isnan(saw_top_ft):
        limit_ft = min(limit_ft, saw_top_ft)
        if s == call:
            return limit_ft
    return min(limit_ft, top_limit_ft(kind, p, s, specs))


@njit()
def length_ft_of(s: int, k: int, specs: SpecArrays) -> float:
    """Length of the cut at place ``k`` among the lengths of spec ``s``, in feet."""
    length_ft: float = specs.lengths_ft[specs.first_length[s] + k]
    return length_ft


@njit()
def longest_fit(bottom_ft: float, limit_ft: float, s: int, specs: SpecArrays) -> int:
    """Place among the lengths of spec ``s`` of the longest that ends, with its trim, below a limit.

    -1 if not even the shortest does.
    """
    shortest_top_ft = bottom_ft + length_ft_of(s, 0, specs) + specs.trim_ft[s]
    if not shortest_top_ft <= limit_ft + SLACK_FT:
        return -1
    if specs.length_step_ft[s] > 0.0:
        # As floats: the whole number of steps to a limit without end would overflow.
        steps = (limit_ft + SLACK_FT - shortest_top_ft) / specs.length_step_ft[s]
        return int(min(math.floor(steps), float(specs.n_lengths[s] - 1)))
    longest = 0
    for k in range(1, specs.n_lengths[s]):
        if bottom_ft + length_ft_of(s, k, specs) + specs.trim_ft[s] <= limit_ft + SLACK_FT:
            longest = k
    return longest


@njit()
def place_of_length(length_ft: float, s: int, specs: SpecArrays) -> int:
    """Place of a length among those of spec ``s``; -1 where it is none of them."""
    for k in range(specs.n_lengths[s]):
        if abs(length_ft_of(s, k, specs) - length_ft) <= SLACK_FT:
            return k
    return -1


@njit()
def may_begin(
    kind: int, p: Floats, bottom_ft: float, stump_ft: float, saw_from_ft: float, call: int, s: int,
    specs: SpecArrays,
) -> bool:  # fmt: skip
    """Whether a log of spec ``s`` may have its large end at a height."""
    if specs.butt_only[s] and bottom_ft > stump_ft + SLACK_FT:
        return False
    if s == call:
        return True
    if specs.saw[s] and bottom_ft < saw_from_ft - SLACK_FT:
        return False
    if specs.max_large_in[s] < math.inf:
        return bool(dib_at(kind, p, bottom_ft) <= specs.max_large_in[s] + SLACK_IN)
    return True


@njit()
def may_hold(
    kind: int, p: Floats, begin: int, end: int, bottom_ft: float, k: int, call: int, s: int,
    defect_pct: float, specs: SpecArrays, spans: Spans,
) -> bool:  # fmt: skip
    """Whether the spans of a tree leave a log to spec ``s``: kept out of, graded, not too bad.

    The call wins over grade and cull; nobody saws what is to be cut out.
    """
    length_ft = length_ft_of(s, k, specs)
    top_ft = bottom_ft + length_ft + specs.trim_ft[s]
    max_grade = math.inf if s == call else specs.max_grade[s]
    if is_barred(begin, end, bottom_ft, top_ft, specs.saw[s], max_grade, spans):
        return False
    if s == call or not specs.saw[s] or specs.max_cull_pct[s] >= 100.0:
        return True
    small_in = dib_at(kind, p, top_ft)
    lost_pct = defect_pct_of_log(defect_pct, begin, end, bottom_ft, length_ft, small_in, spans)
    return bool(lost_pct <= specs.max_cull_pct[s] + SLACK_PCT)


@njit()
def longest_that_may(
    kind: int, p: Floats, begin: int, end: int, bottom_ft: float, most: int, call: int, s: int,
    defect_pct: float, specs: SpecArrays, spans: Spans,
) -> int:  # fmt: skip
    """Place of the longest length, up to place ``most``, that spans leave to spec ``s``; or -1."""
    for k in range(most, -1, -1):
        if may_hold(kind, p, begin, end, bottom_ft, k, call, s, defect_pct, specs, spans):
            return k
    return -1


@njit()
def saws_at(
    t: int, bottom_ft: float, stump_ft: float, trees: TreeArrays, spans: Spans, specs: SpecArrays
) -> bool:
    """Whether some saw product takes its shortest log at a height of tree ``t``."""
    kind, p, call = trees.kind[t], trees.params[t], trees.called[t]
    for s in range(specs.saw.shape[0]):
        if not (specs.saw[s] and trees.takes[t, s]):
            continue
        limit_ft = ceiling_ft(kind, p, trees.usable_top_ft[t], trees.saw_top_ft[t], call, s, specs)
        if longest_fit(bottom_ft, limit_ft, s, specs) < 0:
            continue
        if not may_begin(kind, p, bottom_ft, stump_ft, trees.saw_from_ft[t], call, s, specs):
            continue
        if may_hold(
            kind, p, spans.first[t], spans.first[t + 1], bottom_ft, 0, call, s,
            trees.defect_pct[t], specs, spans,
        ):  # fmt: skip
            return True
    return False


@njit()
def find_stops(
    t: int, stump_ft: float, trees: TreeArrays, spans: Spans, specs: SpecArrays
) -> Floats:
    """Return, for each span of a tree, where it stops saw logs, where bulk wood, and up to where.

    Bulk wood ends at a fork, and at the top of a stretch cut out where a saw log can follow there
    or at a later top. Infinite where nothing stops.
    """
    begin, end = spans.first[t], spans.first[t + 1]
    stops = np.full((end - begin, 3), math.inf)
    for i in range(begin, end):
        kind = spans.kind[i]
        if kind != CUT_OUT and kind != FORK:
            continue
        from_ft, to_ft = spans.from_ft[i], spans.to_ft[i]
        stops[i - begin, 0] = from_ft
        stops[i - begin, 2] = to_ft
        if kind == FORK:
            stops[i - begin, 1] = from_ft
            continue
        for j in range(spans.first_top[t], spans.first_top[t + 1]):
            top_ft = spans.top_ft[j]
            if top_ft >= to_ft and saws_at(t, top_ft, stump_ft, trees, spans, specs):
                stops[i - begin, 1] = to_ft
                break
    return stops


@njit()
def first_stop(height_ft: float, stops: Floats, column: int) -> float:
    """Lowest height where logs begun at a height must stop, by a column of `find_stops`."""
    stop_ft = math.inf
    for i in range(stops.shape[0]):
        if stops[i, 2] > height_ft + SLACK_FT:
            stop_ft = min(stop_ft, stops[i, column])
    return stop_ft


@njit()
def cut_tree_top_down(
    kind: int,
    p: Floats,
    usable_ft: float,
    saw_top_ft: float,
    call: int,
    saw_from_ft: float,
    defect_pct: float,
    begin: int,
    end: int,
    takes: Bools,
    stump_ft: float,
    specs: SpecArrays,
    spans: Spans,
    stops: Floats,
    at: int,
    cut_product: Int16s,
    cut_length: Int16s,
    cut_bottom_ft: Floats,
) -> int:
    """Write one tree's cuts from slot ``at`` on: the best product first, its longest length.

    A spec that failed for want of length or diameter fails at every greater height too, and is
    not tried again (``start``); one that failed for another cause may fit above (``waiting``).
    The tree owns spans ``begin`` to ``end``, which stop logs as `find_stops` says. Returns the
    number of cuts.

    The tree comes as numbers on purpose: taking them out of arrays in a tuple costs as much as a
    cut.
    """
    saw_limit_ft = usable_ft if math.isnan(saw_top_ft) else min(usable_ft, saw_top_ft)
    height_ft = stump_ft
    n = 0
    start = -1  # -1 is the called product, tried before all others
    known = -1  # the spec whose limit is at hand: finding a height is the costly step
    known_limit_ft = 0.0
    cutting = True
    while cutting:
        cutting = False
        waiting = False
        saw_stop_ft = bulk_stop_ft = math.inf
        if begin < end:
            saw_stop_ft = first_stop(height_ft, stops, 0)
            bulk_stop_ft = first_stop(height_ft, stops, 1)
        for j in range(start, specs.order.shape[0]):
            s = call if j < 0 else specs.order[j]
            if s < 0 or not takes[s] or (j >= 0 and s == call):
                continue
            limit_ft = saw_limit_ft if specs.saw[s] else usable_ft
            if longest_fit(height_ft, limit_ft, s, specs) < 0:
                continue
            if s != known:
                known = s
                known_limit_ft = ceiling_ft(kind, p, usable_ft, saw_top_ft, call, s, specs)
            limit_ft = min(limit_ft, known_limit_ft)
            k = longest_fit(height_ft, limit_ft, s, specs)
            if k < 0:
                continue
            if begin < end:
                stop_ft = saw_stop_ft if specs.saw[s] else bulk_stop_ft
                k = longest_fit(height_ft, min(limit_ft, stop_ft), s, specs)
                k = longest_that_may(
                    kind, p, begin, end, height_ft, k, call, s, defect_pct, specs, spans
                )
            if k < 0 or not may_begin(kind, p, height_ft, stump_ft, saw_from_ft, call, s, specs):
                if not waiting:
                    waiting = True
                    start = j
                continue
            cut_product[at + n] = s
            cut_length[at + n] = k
            if cut_bottom_ft.shape[0] > 0:
                cut_bottom_ft[at + n] = height_ft
            n += 1
            height_ft += length_ft_of(s, k, specs) + specs.trim_ft[s]
            if not waiting:
                start = j
            cutting = True
            break
        if not cutting and begin < end:
            height_ft = next_top_ft(begin, end, height_ft, spans)
            cutting = height_ft < usable_ft
    return n


@njit()
def cut_tree_field(
    t: int,
    trees: TreeArrays,
    spans: Spans,
    takes: Bools,
    stump_ft: float,
    topwood_ft: float,
    specs: SpecArrays,
    at: int,
    cut_product: Int16s,
    cut_length: Int16s,
    cut_bottom_ft: Floats,
) -> int:
    """Write one tree's cuts from slot ``at`` on: 16-foot logs, half logs, topwood in sticks.

    Returns the number of cuts.
    """
    kind, p, call = trees.kind[t], trees.params[t], trees.called[t]
    usable_ft, saw_top_ft = trees.usable_top_ft[t], trees.saw_top_ft[t]
    begin, end = spans.first[t], spans.first[t + 1]
    n_specs = specs.order.shape[0]
    limit_ft = np.full(n_specs, -math.inf)
    saw_limit_ft = -math.inf
    for s in range(n_specs):
        if takes[s]:
            limit_ft[s] = ceiling_ft(kind, p, usable_ft, saw_top_ft, call, s, specs)
            if specs.saw[s]:
                saw_limit_ft = max(saw_limit_ft, limit_ft[s])
    if saw_limit_ft > -math.inf and not math.isnan(saw_top_ft):
        saw_limit_ft = min(usable_ft, saw_top_ft)
    height_ft = stump_ft
    n = 0
    while True:
        sawing = height_ft + 0.5 * LOG_FT <= saw_limit_ft + SLACK_FT
        cut = False
        # Saw logs, half logs, then bulk wood in half logs; above the sawtimber sticks of bulk.
        for want in range(0 if sawing else 3, 3 if sawing else 4):
            for j in range(-1, n_specs):
                s = call if j < 0 else specs.order[j]
                if s < 0 or not takes[s] or (j >= 0 and s == call) or specs.saw[s] != (want < 2):
                    continue
                if want == 3:
                    k = stick_place(topwood_ft, s, specs)
                else:
                    k = place_of_length(LOG_FT if want == 0 else 0.5 * LOG_FT, s, specs)
                if k < 0:
                    continue
                top_ft = height_ft + length_ft_of(s, k, specs) + specs.trim_ft[s]
                if not top_ft <= limit_ft[s] + SLACK_FT:
                    continue
                if begin < end and not may_hold(
                    kind, p, begin, end, height_ft, k, call, s, trees.defect_pct[t], specs,
                    spans,
                ):  # fmt: skip
                    continue
                if not may_begin(
                    kind, p, height_ft, stump_ft, trees.saw_from_ft[t], call, s, specs
                ):
                    continue
                cut_product[at + n] = s
                cut_length[at + n] = k
                cut_bottom_ft[at + n] = height_ft
                n += 1
                height_ft = top_ft
                cut = True
                break
            if cut:
                break
        if not cut:
            if sawing:
                height_ft += 0.5 * LOG_FT
                continue
            # Above the sawtimber sticks go on from the top of the span in their way.
            height_ft = next_top_ft(begin, end, height_ft, spans)
            if not height_ft < usable_ft:
                return n


@njit()
def stick_place(topwood_ft: float, s: int, specs: SpecArrays) -> int:
    """Place of the shortest length of spec ``s`` not under ``topwood_ft``, else of its longest."""
    for k in range(specs.n_lengths[s]):
        if length_ft_of(s, k, specs) >= topwood_ft - SLACK_FT:
            return k
    return int(specs.n_lengths[s]) - 1


@njit()
def too_few(at: int, n: int, cut_product: Int16s, specs: SpecArrays) -> int:
    """Return the best-ranked spec with fewer cuts than it asks for; -1 where there is none."""
    for j in range(specs.order.shape[0]):
        s = specs.order[j]
        if specs.min_logs[s] <= 1:
            continue
        pieces = 0
        for i in range(at, at + n):
            if cut_product[i] == s:
                pieces += 1
        if 0 < pieces < specs.min_logs[s]:
            return int(s)
    return -1


@njit()
def cut_tree(
    method: int,
    t: int,
    trees: TreeArrays,
    spans: Spans,
    stump_ft: float,
    topwood_ft: float,
    specs: SpecArrays,
    counted: bool,
    no_stops: Floats,
    at: int,
    cut_product: Int16s,
    cut_length: Int16s,
    cut_bottom_ft: Floats,
) -> int:
    """Cut one tree; a product with too few pieces is left out and the tree is cut again.

    ``counted``: some product asks for a number of pieces. ``no_stops``: those of a sound tree.
    """
    takes = trees.takes[t]
    begin, end = spans.first[t], spans.first[t + 1]
    stops = find_stops(t, stump_ft, trees, spans, specs) if begin < end else no_stops
    while True:
        if method == FIELD:
            n = cut_tree_field(
                t, trees, spans, takes, stump_ft, topwood_ft, specs, at, cut_product, cut_length,
                cut_bottom_ft,
            )  # fmt: skip
        else:
            n = cut_tree_top_down(
                trees.kind[t], trees.params[t], trees.usable_top_ft[t], trees.saw_top_ft[t],
                trees.called[t], trees.saw_from_ft[t], trees.defect_pct[t], begin, end, takes,
                stump_ft, specs, spans, stops, at, cut_product, cut_length, cut_bottom_ft,
            )  # fmt: skip
        short = too_few(at, n, cut_product, specs) if counted else -1
        if short < 0:
            return n
        takes = takes.copy()
        takes[short] = False


@njit(parallel=True)
def cut_by_rule(
    method: int,
    trees: TreeArrays,
    spans: Spans,
    stump_ft: float,
    topwood_ft: float,
    specs: SpecArrays,
    first: Ints,
    cut_product: Int16s,
    cut_length: Int16s,
    cut_bottom_ft: Floats,
    count: Ints,
) -> None:
    """Choose the cuts of every tree; heights are kept where ``cut_bottom_ft`` has room."""
    counted = False
    for s in range(specs.min_logs.shape[0]):
        counted |= specs.min_logs[s] > 1
    no_stops = np.empty((0, 3))
    for t in prange(first.shape[0] - 1):
        count[t] = cut_tree(
            method, t, trees, spans, stump_ft, topwood_ft, specs, counted, no_stops, first[t],
            cut_product, cut_length, cut_bottom_ft,
        )  # fmt: skip
