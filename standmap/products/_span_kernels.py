"""Array kernels of defects: what a stretch of stem forbids, and what it takes off a log's scale.

A tree owns the spans ``first[t]`` to ``first[t + 1]``, the lowest first. Most trees own none, and
then nothing here is called.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from standmap._jit import njit

# By name, not by module: compiled code is kept under the sources that such lines name.
from standmap.logs._defect_formulas import (
    arc_departure_in,
    crook_share,
    interior_share,
    section_share,
    squared_loss_bf,
    sweep_share,
    wedge_share,
)
from standmap.logs._kernels import SCRIBNER

SLACK_FT = 1e-6
"""So that a length equal to the limit fits although both were made by addition. [ft]"""

CUT_OUT = 0
FORK = 1
GRADE = 2
SQUARED = 3
SWEEP = 4
CROOK = 5
WEDGE = 6
PERCENT = 7
"""Codes of kinds: the first two are kept out of logs, the third grades them, the rest scale."""

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Int8s = NDArray[np.int8]

_section_share = njit()(section_share)
_wedge_share = njit()(wedge_share)
_sweep_share = njit()(sweep_share)
_crook_share = njit()(crook_share)
_interior_share = njit()(interior_share)
_squared_loss_bf = njit()(squared_loss_bf)
_arc_departure_in = njit()(arc_departure_in)


class Spans(NamedTuple):
    """Defects by tree, and the heights where a stretch cut out, a fork or a grade ends.

    ``size`` and ``other`` hold a grade (infinite where nobody graded), a width and a height, a
    departure, an angle or a percent. Tops are distinct and rise: tree ``t`` owns ``first_top[t]``
    to ``first_top[t + 1]``.
    """

    first: Ints
    kind: Int8s
    from_ft: Floats
    to_ft: Floats
    size: Floats
    other: Floats
    first_top: Ints
    top_ft: Floats


@njit()
def is_clear(bottom_ft: float, top_ft: float, from_ft: float, to_ft: float) -> bool:
    """Whether a log lies wholly below or wholly above a span."""
    return top_ft <= from_ft + SLACK_FT or bottom_ft >= to_ft - SLACK_FT


@njit()
def is_barred(
    begin: int, end: int, bottom_ft: float, top_ft: float, saw: bool, max_grade: float,
    spans: Spans,
) -> bool:  # fmt: skip
    """Whether a span keeps a product out of a log, trim included.

    A fork stops every log, a stretch to cut out every saw log, and a stretch of too poor a grade
    every log of a product with a worst grade: a log is graded by its worst part.
    """
    for i in range(begin, end):
        kind = spans.kind[i]
        if kind > GRADE or (kind == CUT_OUT and not saw):
            continue
        if kind == GRADE and spans.size[i] <= max_grade:
            continue
        if not is_clear(bottom_ft, top_ft, spans.from_ft[i], spans.to_ft[i]):
            return True
    return False


@njit()
def share_lost(
    begin: int, end: int, bottom_ft: float, length_ft: float, dib_in: float, squared: bool,
    spans: Spans,
) -> float:  # fmt: skip
    """Share of a log's scale lost to its spans; squared defects as a share only if asked for.

    Shares add; the caller holds them to the whole log.
    """
    lost = 0.0
    for i in range(begin, end):
        kind = spans.kind[i]
        low_ft, high_ft = spans.from_ft[i], spans.to_ft[i]
        part_ft = min(high_ft, bottom_ft + length_ft) - max(low_ft, bottom_ft)
        if kind < SQUARED or part_ft <= SLACK_FT:
            continue
        size = spans.size[i]
        if kind == SQUARED:
            if squared:
                lost += _interior_share(size, spans.other[i], dib_in, part_ft, length_ft)
        elif kind == SWEEP:
            bent_in = _arc_departure_in(size, high_ft - low_ft, part_ft)
            lost += _sweep_share(bent_in, dib_in, length_ft)
        elif kind == CROOK:
            lost += _crook_share(size, dib_in, part_ft, length_ft)
        elif kind == WEDGE:
            lost += _wedge_share(part_ft, length_ft, size)
        else:
            lost += size / 100.0 * _section_share(part_ft, length_ft)
    return lost


@njit()
def squared_bf(begin: int, end: int, bottom_ft: float, length_ft: float, spans: Spans) -> float:
    """Scribner board feet of the squared defects in a log."""
    lost_bf = 0.0
    for i in range(begin, end):
        part_ft = min(spans.to_ft[i], bottom_ft + length_ft) - max(spans.from_ft[i], bottom_ft)
        if spans.kind[i] == SQUARED and part_ft > SLACK_FT:
            lost_bf += _squared_loss_bf(spans.size[i], spans.other[i], part_ft)
    return lost_bf


@njit()
def net_of_spans_bf(
    rule: int, gross_bf: float, defect_pct: float, begin: int, end: int, bottom_ft: float,
    length_ft: float, dib_in: float, spans: Spans,
) -> float:  # fmt: skip
    """Board feet of a log net of the tree's own percent and of every span in it.

    Scribner rules have a formula of their own for squared defects; others take them as a share.
    """
    own = rule >= SCRIBNER
    lost = share_lost(begin, end, bottom_ft, length_ft, dib_in, not own, spans)
    net_bf = gross_bf * (1.0 - defect_pct / 100.0 - lost)
    if own:
        net_bf -= squared_bf(begin, end, bottom_ft, length_ft, spans)
    return max(0.0, net_bf)


@njit()
def defect_pct_of_log(
    defect_pct: float, begin: int, end: int, bottom_ft: float, length_ft: float, dib_in: float,
    spans: Spans,
) -> float:  # fmt: skip
    """Percent of a log's scale that is lost, as a share that suits any rule; 100 at most."""
    lost = share_lost(begin, end, bottom_ft, length_ft, dib_in, True, spans)
    return min(100.0, defect_pct + 100.0 * lost)


@njit()
def next_top_ft(begin: int, end: int, height_ft: float, spans: Spans) -> float:
    """Lowest top of a span above a height; infinite where there is none.

    Cutting goes on there where nothing fits below: a deduction alone never stops it.
    """
    top_ft = math.inf
    for i in range(begin, end):
        if spans.kind[i] <= GRADE and spans.to_ft[i] > height_ft + SLACK_FT:
            top_ft = min(top_ft, spans.to_ft[i])
    return top_ft


@njit()
def above_forks_ft(begin: int, end: int, height_ft: float, spans: Spans) -> float:
    """Top of the highest fork that begins below a height; a log that ends there begins no lower."""
    low_ft = -math.inf
    for i in range(begin, end):
        if spans.kind[i] == FORK and spans.from_ft[i] < height_ft - SLACK_FT:
            low_ft = max(low_ft, spans.to_ft[i])
    return low_ft


@njit()
def forks_at(begin: int, end: int, height_ft: float, spans: Spans) -> bool:
    """Whether a fork stands at a height."""
    for i in range(begin, end):
        if spans.kind[i] == FORK and (
            spans.from_ft[i] - SLACK_FT <= height_ft <= spans.to_ft[i] + SLACK_FT
        ):
            return True
    return False
