"""Array kernels of best-value bucking: the worthiest of all legal cuts of a stem.

A dynamic programme from the stump up. Its states are the heights where a cut can fall. Heights lie
in *classes*: a class is what is left of a height above its base after whole length steps, so that
trims and odd lengths, which fall between the steps, are carried exactly (see `Lattice`). Further
bases stand at the tops of stretches cut out, of forks and of grades. The best value of the stem
below a state is the best over the logs that end there, each net of the defects in it and added to
the best below its own bottom, and over waste: one step left, or the whole way to a higher base.

Products that need a count (paid by the tree, or taken from so many pieces on) multiply the states
by how many of their pieces lie below, up to the number needed: a mixed-radix number ``q``.

Where the stem never thickens upward and nothing stands in the way, any row of logs is worth no
less moved down the stem (`sinks`). Waste is then never worth leaving, and of two states the higher
is dropped if it is worth less: whatever lies above it could lie above the lower.

Bulk wood paid by volume or weight is worth the same in one piece or many, so where every total
length is a sum of legal pieces the best start of a run is one running maximum and no search.
"""

from __future__ import annotations

import math

from standmap._jit import njit, prange
from standmap.logs._kernels import bf_log
from standmap.products._kernels import (
    SLACK_IN,
    SLACK_PCT,
    Floats,
    Int16s,
    Ints,
    SpecArrays,
    TreeArrays,
)
from standmap.products._line_kernels import best_net_usd, scale_for_lines
from standmap.products._plan_kernels import (
    N_RULES,
    NOWHERE,
    TON,
    TREE,
    Factors,
    Lattice,
    LineArrays,
    Plan,
    PriceArrays,
    Work,
    make_plan,
    make_work,
)
from standmap.products._span_kernels import (
    SLACK_FT,
    Spans,
    above_forks_ft,
    defect_pct_of_log,
    forks_at,
    is_barred,
    net_of_spans_bf,
)
from standmap.trees._kernels import profile_at, wood_cuft_between
from standmap.units import BF_PER_MBF

TREES_IN_A_CHUNK = 64

SLACK_USD = 1e-9
"""Less than this is rounding. [USD]"""

WASTE = -1
BASE = -2
"""What lies below a state where it is no log: waste, or the stump."""


@njit()
def look(
    c: int, i: int, height_ft: float, kind: int, p: Floats, per_cuft: Floats,
    dib_in: Floats, tons: Floats, cords: Floats,
) -> None:  # fmt: skip
    """Write the diameter at state (c, i), and the green tons and cords of the stem below.

    ``per_cuft``: tons of wood, tons of bark, and cords of wood, in a cubic foot.
    """
    dib_in[c, i], _, wood, with_bark = profile_at(kind, p, height_ft)
    tons[c, i] = wood * per_cuft[0] + (with_bark - wood) * per_cuft[1]
    cords[c, i] = wood * per_cuft[2]


@njit()
def fill_base(
    t: int, market: int, base_class: int, base_ft: float, stump_ft: float, plan: Plan,
    trees: TreeArrays, spans: Spans, specs: SpecArrays, lattice: Lattice, prices: PriceArrays,
    lines: LineArrays, factors: Factors, work: Work,
) -> None:  # fmt: skip
    """Fill the states above one base, from below: the best way to every count of every state.

    When its turn comes a state has heard from every log that ends there; what remains is to hear
    from runs and waste, and to offer its value to the logs that begin there. Offsets rise within a
    step, so lower states come first.

    One long function on purpose: taking an array out of a tuple costs more than a state does, so
    all are taken out here, once a tree.
    """
    kind, p = trees.kind[t], trees.params[t]
    called, saw_from_ft = trees.called[t], trees.saw_from_ft[t]
    begin, end = spans.first[t], spans.first[t + 1]
    is_marked, low_ft = begin < end, NOWHERE
    price_usd, unit = prices.price_usd[market], prices.unit[market]
    cost_usd_per_ton, by_line = prices.cost_usd_per_ton[market], prices.by_line[market]
    first_line, scaled_mbf = lines.first[market], work.scaled_mbf
    defect_pct = trees.defect_pct[t]
    sound_mbf = (1.0 - defect_pct / 100.0) / BF_PER_MBF
    per_cuft, decimal_c = factors.per_cuft[factors.species[t]], factors.decimal_c
    saw, trim_ft, butt_only = specs.saw, specs.trim_ft, specs.butt_only
    max_large_in, lengths_ft, first_length = (
        specs.max_large_in, specs.lengths_ft, specs.first_length
    )  # fmt: skip
    max_grade, max_cull_pct = specs.max_grade, specs.max_cull_pct
    step_ft, offset_ft, after, whole = (
        lattice.step_ft, lattice.offset_ft, lattice.after, lattice.steps
    )  # fmt: skip
    first_log, log_spec, log_place = lattice.first_log, lattice.log_spec, lattice.log_place
    run_every, run_least = lattice.run_every, lattice.run_least
    best_usd, via_spec, via_place = work.best_usd, work.via_spec, work.via_place
    via_class, via_step, via_count = work.via_class, work.via_step, work.via_count
    dib_in, tons, cords = work.dib_in, work.tons, work.cords
    run_usd, run_from, runs = work.run_usd, work.run_from, work.runs
    advances, in_play, begins, limit_ft = work.advances, work.in_play, work.begins, work.limit_ft
    need, stride, is_reached = work.need, work.stride, work.is_reached
    end_usd, end_class, end_step = work.end_usd, work.end_class, work.end_step
    top_ft, last_start_ft, sinks = plan.top_ft, plan.last_start_ft, plan.sinks
    n_counts, n_runs, n_advances = plan.n_counts, plan.n_runs, plan.n_advances
    n_classes, n_specs = offset_ft.shape[0], saw.shape[0]
    look(base_class, 0, base_ft, kind, p, per_cuft, dib_in, tons, cords)
    known_ft, known_tons, known_cords = base_ft, tons[base_class, 0], cords[base_class, 0]
    tons_per_ft = cords_per_ft = math.inf
    for i in range(steps_below(base_ft, top_ft, step_ft)):
        for c in range(n_classes):
            at = base_class + c
            height_ft = base_ft + offset_ft[c] + i * step_ft
            if not is_reached[at] or height_ft > top_ft + SLACK_FT:
                continue
            if height_ft > known_ft and not math.isnan(dib_in[at, i]):
                # A stem that thins upward holds no more in a foot above than in a foot below.
                rise_ft = height_ft - known_ft
                tons_per_ft = (tons[at, i] - known_tons) / rise_ft
                cords_per_ft = (cords[at, i] - known_cords) / rise_ft
                known_ft, known_tons, known_cords = height_ft, tons[at, i], cords[at, i]
            asked = False
            if is_marked:
                low_ft = above_forks_ft(begin, end, height_ft, spans)
            for q in range(n_counts):
                best = best_usd[q, at, i]
                for u in range(n_runs):
                    s = runs[u]
                    i0 = i - run_least[s]
                    if i0 < 0 or height_ft > limit_ft[s] + SLACK_FT:
                        continue
                    price, cost = price_usd[s], cost_usd_per_ton[s]
                    paid_below = tons if unit[s] == TON else cords
                    r = i0 % run_every[s] if run_every[s] > 1 else 0
                    usd = best_usd[q, at, i0]
                    if low_ft > base_ft:  # a fork: what began below it cannot end here
                        first_ft = low_ft - SLACK_FT - base_ft - offset_ft[c]
                        if run_usd[q, s, at, r] > NOWHERE:
                            if run_from[q, s, at, r] * step_ft < first_ft:
                                run_usd[q, s, at, r] = NOWHERE
                        if i0 * step_ft < first_ft:
                            usd = NOWHERE
                    if usd > NOWHERE:
                        usd -= price * paid_below[at, i0] - cost * tons[at, i0]
                        if usd > run_usd[q, s, at, r]:
                            run_usd[q, s, at, r] = usd
                            run_from[q, s, at, r] = i0
                    usd = run_usd[q, s, at, r]
                    if usd == NOWHERE:
                        continue
                    if math.isnan(dib_in[at, i]):
                        if sinks:  # no more than this can be in the stem below
                            rise_ft = height_ft - known_ft
                            most = known_tons + rise_ft * tons_per_ft
                            if unit[s] != TON:
                                most = known_cords + rise_ft * cords_per_ft
                            if usd + price * most < end_usd[q] - SLACK_USD:
                                continue
                        look(at, i, height_ft, kind, p, per_cuft, dib_in, tons, cords)
                    usd += price * paid_below[at, i] - cost * tons[at, i]
                    if usd > best:
                        best = usd
                        via_spec[q, at, i] = s
                        via_class[q, at, i] = at
                        via_step[q, at, i] = run_from[q, s, at, r]
                        via_count[q, at, i] = q
                if sinks:
                    if best < end_usd[q]:  # a lower state is worth more: nothing begins here
                        best = NOWHERE
                elif i > 0 and best_usd[q, at, i - 1] > best:
                    best = best_usd[q, at, i - 1]
                    via_spec[q, at, i] = WASTE
                    via_class[q, at, i] = at
                    via_step[q, at, i] = i - 1
                    via_count[q, at, i] = q
                best_usd[q, at, i] = best
                if best == NOWHERE:
                    continue
                if best > end_usd[q] or (best == end_usd[q] and via_spec[q, at, i] >= 0):
                    end_usd[q], end_class[q], end_step[q] = best, at, i
                if height_ft > last_start_ft + SLACK_FT:
                    continue
                if math.isnan(dib_in[at, i]):
                    look(at, i, height_ft, kind, p, per_cuft, dib_in, tons, cords)
                if not asked:
                    asked = True
                    for s in range(n_specs):
                        begins[s] = in_play[s] and (
                            not butt_only[s] or height_ft <= stump_ft + SLACK_FT
                        )
                        if s != called:
                            begins[s] &= not saw[s] or height_ft >= saw_from_ft - SLACK_FT
                            begins[s] &= dib_in[at, i] <= max_large_in[s] + SLACK_IN
                for u in range(n_advances):
                    a = advances[u]
                    c1 = after[a, c]
                    i1 = i + whole[a, c]
                    end_ft = base_ft + offset_ft[c1] + i1 * step_ft
                    if c1 < 0 or end_ft > top_ft + SLACK_FT:
                        continue
                    at1 = base_class + c1
                    scaled_by, scaled_ft, net_mbf = -1, 0.0, 0.0
                    lines_ft, left = 0.0, False
                    for m in range(first_log[a], first_log[a + 1]):
                        s = log_spec[m]
                        if not begins[s] or end_ft > limit_ft[s] + SLACK_FT:
                            continue
                        rule, price, k = unit[s], price_usd[s], log_place[m]
                        length_ft = lengths_ft[first_length[s] + k]
                        if is_marked:
                            worst = math.inf if s == called else max_grade[s]
                            if is_barred(begin, end, height_ft, end_ft, saw[s], worst, spans):
                                continue
                        if math.isnan(dib_in[at1, i1]):
                            look(at1, i1, end_ft, kind, p, per_cuft, dib_in, tons, cords)
                        if is_marked and saw[s] and max_cull_pct[s] < 100.0 and s != called:
                            lost_pct = defect_pct_of_log(
                                defect_pct, begin, end, height_ft, length_ft, dib_in[at1, i1],
                                spans,
                            )  # fmt: skip
                            if lost_pct > max_cull_pct[s] + SLACK_PCT:
                                continue
                        q1, tree_usd = q, 0.0
                        if need[s] > 0:
                            digit = (q // stride[s]) % (need[s] + 1)
                            if digit < need[s]:
                                q1 += stride[s]
                                if digit + 1 == need[s]:
                                    tree_usd = price
                        if by_line[s]:
                            if lines_ft != length_ft:
                                lines_ft = length_ft
                                scale_for_lines(
                                    defect_pct, begin, end, height_ft, length_ft,
                                    dib_in[at1, i1], dib_in[at, i], decimal_c, spans, scaled_mbf,
                                )  # fmt: skip
                            cord_wood = cords[at1, i1] - cords[at, i]
                            if trim_ft[s] > 0.0:
                                wood = wood_cuft_between(kind, p, height_ft, height_ft + length_ft)
                                cord_wood = wood * per_cuft[2]
                            usd = best_net_usd(
                                first_line[s], first_line[s + 1], k, dib_in[at1, i1],
                                dib_in[at, i], length_ft, sound_mbf, tons[at1, i1] - tons[at, i],
                                cord_wood, decimal_c, lines, scaled_mbf,
                            )  # fmt: skip
                            if usd < 0.0 and (need[s] == 0 or (rule == TREE and usd == NOWHERE)):
                                left = True
                                continue
                            usd = usd + tree_usd if rule == TREE else max(usd, 0.0)
                        elif rule < N_RULES:
                            # Products that share an advance and a rule share the scale too.
                            if scaled_by != rule or scaled_ft != length_ft:
                                gross_bf = bf_log(
                                    rule, dib_in[at1, i1], dib_in[at, i], length_ft, decimal_c
                                )
                                net_mbf = gross_bf * sound_mbf
                                scaled_by, scaled_ft = rule, length_ft
                                if is_marked:
                                    net_mbf = net_of_spans_bf(
                                        rule, gross_bf, defect_pct, begin, end, height_ft,
                                        length_ft, dib_in[at1, i1], spans,
                                    ) / BF_PER_MBF  # fmt: skip
                            usd = price * net_mbf
                        elif rule == TREE:
                            usd = tree_usd
                        elif rule == TON:
                            usd = price * (tons[at1, i1] - tons[at, i])
                        elif trim_ft[s] == 0.0:
                            usd = price * (cords[at1, i1] - cords[at, i])
                        else:
                            scaled_ft = height_ft + length_ft
                            wood = wood_cuft_between(kind, p, height_ft, scaled_ft)
                            usd = price * wood * per_cuft[2]
                        if best + usd > best_usd[q1, at1, i1]:
                            best_usd[q1, at1, i1] = best + usd
                            is_reached[at1] = True
                            via_spec[q1, at1, i1] = s
                            via_place[q1, at1, i1] = k
                            via_class[q1, at1, i1] = at
                            via_step[q1, at1, i1] = i
                            via_count[q1, at1, i1] = q
                    if left and not sinks and best > best_usd[q, at1, i1]:
                        best_usd[q, at1, i1] = best  # a log that nobody buys is left
                        is_reached[at1] = True
                        via_spec[q, at1, i1] = WASTE
                        via_class[q, at1, i1] = at
                        via_step[q, at1, i1] = i
                        via_count[q, at1, i1] = q


@njit()
def steps_below(base_ft: float, top_ft: float, step_ft: float) -> int:
    """How many whole steps, none included, fit between a base and the top."""
    return math.floor((top_ft + SLACK_FT - base_ft) / step_ft) + 1


@njit()
def clear_base(base_class: int, base_ft: float, plan: Plan, lattice: Lattice, work: Work) -> None:
    """Forget the last tree's states above a base."""
    classes = slice(base_class, base_class + lattice.offset_ft.shape[0])
    n_steps = steps_below(base_ft, plan.top_ft, lattice.step_ft)
    work.best_usd[: plan.n_counts, classes, :n_steps] = NOWHERE
    work.dib_in[classes, :n_steps] = math.nan
    work.is_reached[classes] = False
    work.is_reached[base_class] = True
    work.end_usd[: plan.n_counts] = NOWHERE
    for u in range(plan.n_runs):
        work.run_usd[: plan.n_counts, work.runs[u], classes] = NOWHERE


@njit()
def start_above_spans(base: int, plan: Plan, lattice: Lattice, work: Work) -> None:
    """Give a base above others, for every count, the best value of the stem below it."""
    n_classes, step_ft = lattice.offset_ft.shape[0], lattice.step_ft
    start, start_ft = base * n_classes, work.base_ft[base]
    for q in range(plan.n_counts):
        for at in range(start):
            low_ft = work.base_ft[at // n_classes] + lattice.offset_ft[at % n_classes]
            i = steps_below(low_ft, start_ft, step_ft) - 1
            # Waste is free, so the highest state of a class is its best.
            if i >= 0 and work.best_usd[q, at, i] > work.best_usd[q, start, 0]:
                work.best_usd[q, start, 0] = work.best_usd[q, at, i]
                work.via_spec[q, start, 0] = WASTE
                work.via_class[q, start, 0] = at
                work.via_step[q, start, 0] = i
                work.via_count[q, start, 0] = q


@njit()
def counts_are_met(q: int, work: Work) -> bool:
    """Whether every counted product has none or all of the pieces it needs."""
    for s in range(work.in_play.shape[0]):
        if work.in_play[s] and work.need[s] > 0:
            digit = (q // work.stride[s]) % (work.need[s] + 1)
            if 0 < digit < work.need[s]:
                return False
    return True


@njit()
def pick_up_cuts(
    q: int, at: int, i: int, begin: int, end: int, spans: Spans, lattice: Lattice, work: Work
) -> int:
    """Walk back from the best end and list its logs and runs from the top down; return how many.

    A run carries its steps, a log its place among lengths as -1 - place.
    """
    n_classes = lattice.offset_ft.shape[0]
    n = 0
    touching = False
    while work.via_spec[q, at, i] != BASE:
        s = work.via_spec[q, at, i]
        place = work.via_place[q, at, i]
        steps = i - work.via_step[q, at, i]
        q, at, i = work.via_count[q, at, i], work.via_class[q, at, i], work.via_step[q, at, i]
        if s == WASTE:
            touching = False
            continue
        if work.is_run[s]:
            if touching and work.pick_spec[n - 1] == s:
                if not forks_at(begin, end, work.pick_bottom_ft[n - 1], spans):
                    n -= 1
                    steps += work.pick_steps[n]
            work.pick_steps[n] = steps
        else:
            work.pick_steps[n] = -1 - place
        height_ft = lattice.offset_ft[at % n_classes] + i * lattice.step_ft
        work.pick_spec[n] = s
        work.pick_bottom_ft[n] = height_ft + work.base_ft[at // n_classes]
        n += 1
        touching = True
    return n


@njit()
def write_cuts(
    n_picks: int, slot: int, lattice: Lattice, work: Work, cut_product: Int16s,
    cut_length: Int16s, cut_bottom_ft: Floats,
) -> int:  # fmt: skip
    """Write the picked logs from the stump up; a run in as few pieces as it takes, longest first.

    Returns the number of cuts.
    """
    n = 0
    for j in range(n_picks - 1, -1, -1):
        s = work.pick_spec[j]
        bottom_ft = work.pick_bottom_ft[j]
        left = work.pick_steps[j]
        if left < 0:
            cut_product[slot + n] = s
            cut_length[slot + n] = -1 - left
            cut_bottom_ft[slot + n] = bottom_ft
            n += 1
            continue
        least, most = lattice.run_least[s], lattice.run_most[s]
        for pieces in range(-(-left // most), 0, -1):
            steps = min(most, left - (pieces - 1) * least)
            cut_product[slot + n] = s
            cut_length[slot + n] = (steps - least) // lattice.run_every[s]
            cut_bottom_ft[slot + n] = bottom_ft
            n += 1
            bottom_ft += steps * lattice.step_ft
            left -= steps
    return n


@njit()
def cut_tree_best(
    t: int, market: int, more_than_usd: float, stump_ft: float, trees: TreeArrays, spans: Spans,
    specs: SpecArrays, lattice: Lattice, prices: PriceArrays, lines: LineArrays, factors: Factors,
    work: Work, slot: int, cut_product: Int16s, cut_length: Int16s, cut_bottom_ft: Floats,
) -> tuple[int, float]:  # fmt: skip
    """Write the cuts of greatest value of one tree in one market; return their number and value.

    Nothing is written, and -1 returned, unless they are worth more than ``more_than_usd``.
    """
    plan = make_plan(t, market, trees, spans, stump_ft, specs, lattice, prices, work)
    if plan.n_runs + plan.n_advances == 0:
        return -1, more_than_usd
    n_classes = lattice.offset_ft.shape[0]
    tops = spans.top_ft[spans.first_top[t] : spans.first_top[t + 1]]
    best, best_q, best_class, best_step = NOWHERE, 0, 0, 0
    for base in range(1 + tops.shape[0]):
        base_ft = tops[base - 1] if base > 0 else stump_ft
        if base > 0 and not base_ft < plan.top_ft:
            break
        work.base_ft[base] = base_ft
        clear_base(base * n_classes, base_ft, plan, lattice, work)
        if base > 0:
            start_above_spans(base, plan, lattice, work)
        else:
            work.best_usd[0, 0, 0] = 0.0
            work.via_spec[0, 0, 0] = BASE
        fill_base(
            t, market, base * n_classes, base_ft, stump_ft, plan, trees, spans, specs, lattice,
            prices, lines, factors, work,
        )  # fmt: skip
        for q in range(plan.n_counts):
            if counts_are_met(q, work) and work.end_usd[q] > best:
                best, best_q = work.end_usd[q], q
                best_class, best_step = work.end_class[q], work.end_step[q]
    if not best > more_than_usd:
        return -1, more_than_usd
    picks = pick_up_cuts(
        best_q, best_class, best_step, spans.first[t], spans.first[t + 1], spans, lattice, work
    )
    return write_cuts(picks, slot, lattice, work, cut_product, cut_length, cut_bottom_ft), best


@njit()
def cut_chunk_best(
    begin: int, end: int, n_counts: int, n_steps: int, n_bases: int, stump_ft: float,
    trees: TreeArrays, spans: Spans, specs: SpecArrays, lattice: Lattice, prices: PriceArrays,
    lines: LineArrays, factors: Factors, first: Ints, cut_product: Int16s, cut_length: Int16s,
    cut_bottom_ft: Floats, count: Ints,
) -> None:  # fmt: skip
    """Cut some trees one after another in the same scratch."""
    work = make_work(n_counts, n_bases, n_steps, specs.saw.shape[0], lattice)
    for t in range(begin, end):
        count[t] = 0
        usd = NOWHERE
        row = prices.row[t]
        for market in range(prices.first_market[row], prices.first_market[row + 1]):
            n, usd = cut_tree_best(
                t, market, usd, stump_ft, trees, spans, specs, lattice, prices, lines, factors,
                work, first[t], cut_product, cut_length, cut_bottom_ft,
            )  # fmt: skip
            if n >= 0:
                count[t] = n


@njit(parallel=True)
def cut_best(
    n_counts: int, n_steps: int, n_bases: int, stump_ft: float, trees: TreeArrays,
    spans: Spans, specs: SpecArrays, lattice: Lattice, prices: PriceArrays, lines: LineArrays,
    factors: Factors,
    first: Ints, cut_product: Int16s, cut_length: Int16s, cut_bottom_ft: Floats, count: Ints,
) -> None:  # fmt: skip
    """Choose the cuts of greatest value of every tree, in chunks that share scratch."""
    n = count.shape[0]
    for chunk in prange(-(-n // TREES_IN_A_CHUNK)):
        begin = chunk * TREES_IN_A_CHUNK
        cut_chunk_best(
            begin, min(n, begin + TREES_IN_A_CHUNK), n_counts, n_steps, n_bases, stump_ft, trees,
            spans, specs, lattice, prices, lines, factors, first, cut_product, cut_length,
            cut_bottom_ft, count,
        )  # fmt: skip
