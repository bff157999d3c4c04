"""Scalar kernels of the log rules and cubic formulas: floats in, floats out, nothing checked.

Compiled one log at a time so that the kernels of other rooms can call them inside their own loops.
Diameters are inside bark in inches, lengths in feet without trim. A missing value (NaN) in any
argument comes out as NaN. Sources and conventions are told in :mod:`standmap.logs.scale`.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from standmap._jit import njit
from standmap.units import BASAL_AREA_CONSTANT

INTERNATIONAL = 0
DOYLE = 1
SCRIBNER = 2
SCRIBNER_C = 3
"""Codes of the rules in kernels: their place in ``units.LOG_RULES``."""

SMALIAN = 0
HUBER = 1
NEWTON = 2
"""Codes of the cubic formulas in kernels."""

MAX_SEGMENT_FT = 20.0
"""Longest piece scaled as one. [ft]"""

_FLOAT_SLACK = 1e-6  # so that 15.999999 ft, made by subtraction, still scales as 16


@njit()
def _bf_international_section(dib_in: float) -> float:
    """Board feet of one 4-foot section by the statute's formula; 0 where it would be negative."""
    return max(0.0, 0.904762 * (0.22 * dib_in * dib_in - 0.71 * dib_in))


@njit()
def bf_international(dib_in: float, length_ft: float) -> float:
    """International 1/4-inch board feet, by formula, of a log of any length."""
    if math.isnan(dib_in) or math.isnan(length_ft):
        return math.nan
    sections = int(length_ft / 4.0)
    volume = 0.0
    for i in range(sections):
        volume += _bf_international_section(dib_in + 0.5 * i)
    remainder_ft = length_ft - 4.0 * sections
    return volume + 0.25 * remainder_ft * _bf_international_section(dib_in + 0.5 * sections)


@njit()
def bf_doyle(dib_in: float, length_ft: float) -> float:
    """Doyle board feet, by formula; 0 at 4 inches and below."""
    if math.isnan(dib_in) or math.isnan(length_ft):
        return math.nan
    if dib_in <= 4.0:
        return 0.0
    quarter = 0.25 * (dib_in - 4.0)
    return quarter * quarter * length_ft


@njit()
def bf_scribner(dib_in: float, length_ft: float) -> float:
    """Scribner board feet, by formula; 0 where it would be negative (below 3.85 inches)."""
    if math.isnan(dib_in) or math.isnan(length_ft):
        return math.nan
    return max(0.0, (0.79 * dib_in * dib_in - 2.0 * dib_in - 4.0) * length_ft / 16.0)


@njit()
def whole_inch(dib_in: float) -> float:
    """Scaling diameter in whole inches: the nearest, exact halves to the lower inch."""
    return math.ceil(dib_in - 0.5 - _FLOAT_SLACK)


@njit()
def bf_from_table(dib_in: float, length_ft: float, table: npt.NDArray[np.float64]) -> float:
    """Board feet from a table of whole inches (rows) and whole feet (columns).

    The diameter goes to the nearest inch (exact halves down), the length down to the whole foot.
    Longer than the table: 20-foot pieces of the same diameter until the rest fits. Thicker than
    the table: its last row.
    """
    if math.isnan(dib_in) or math.isnan(length_ft):
        return math.nan
    row = min(max(int(whole_inch(dib_in)), 0), table.shape[0] - 1)
    feet = int(length_ft + _FLOAT_SLACK)
    volume = 0.0
    while feet > table.shape[1] - 1:
        volume += table[row, 20]
        feet -= 20
    return volume + float(table[row, feet])


@njit()
def bf_scribner_c(dib_in: float, length_ft: float, table: npt.NDArray[np.float64]) -> float:
    """Scribner Decimal C board feet (tens times ten) from ``decimal_c_table()``."""
    return bf_from_table(dib_in, length_ft, table)


@njit()
def top_segment_ft(length_ft: float, max_segment_ft: float) -> float:
    """Length of the top segment of a log scaled in pieces, cut from the small end, in feet.

    As many pieces as the longest scaling length requires, nearly equal and in even feet; what is
    over goes to the pieces nearer the butt.
    """
    pieces = math.ceil(length_ft / max_segment_ft - _FLOAT_SLACK)
    if pieces <= 1.0:
        return length_ft
    even_ft = 2.0 * math.floor(length_ft / (2.0 * pieces) + _FLOAT_SLACK)
    return max(even_ft, length_ft - (pieces - 1.0) * max_segment_ft)


@njit()
def bf_piece(rule: int, dib_in: float, length_ft: float, table: npt.NDArray[np.float64]) -> float:
    """Board feet of one piece by a rule's code; the table serves Decimal C only."""
    if rule == INTERNATIONAL:
        return bf_international(dib_in, length_ft)
    if rule == DOYLE:
        return bf_doyle(dib_in, length_ft)
    if rule == SCRIBNER:
        return bf_scribner(dib_in, length_ft)
    return bf_scribner_c(dib_in, length_ft, table)


@njit()
def bf_log(
    rule: int,
    dib_in: float,
    large_dib_in: float,
    length_ft: float,
    table: npt.NDArray[np.float64],
    max_segment_ft: float = MAX_SEGMENT_FT,
) -> float:
    """Board feet of a log of any length, longer ones in segments with their taper.

    Logs up to the longest scaling length are one piece, whatever their taper. Longer: segments of
    ``top_segment_ft``, each scaled at its small end, which grows evenly from ``dib_in`` to
    ``large_dib_in``. Large end not measured (NaN): the rule carries on along the log, which allows
    International its own half inch in 4 feet and the other rules no taper.
    """
    if math.isnan(large_dib_in) or not length_ft > max_segment_ft:
        return bf_piece(rule, dib_in, length_ft, table)
    taper = max(0.0, large_dib_in - dib_in) / length_ft
    volume = 0.0
    done_ft = 0.0
    while length_ft - done_ft > _FLOAT_SLACK:
        segment_ft = top_segment_ft(length_ft - done_ft, max_segment_ft)
        volume += bf_piece(rule, dib_in + taper * done_ft, segment_ft, table)
        done_ft += segment_ft
    return volume


@njit()
def bf_logs(
    rule: int,
    dib_in: npt.NDArray[np.float64],
    large_dib_in: npt.NDArray[np.float64],
    length_ft: npt.NDArray[np.float64],
    table: npt.NDArray[np.float64],
    max_segment_ft: float,
) -> npt.NDArray[np.float64]:
    """Board feet of a column of logs: ``bf_log`` for each."""
    board_feet = np.empty(dib_in.size)
    for i in range(dib_in.size):
        board_feet[i] = bf_log(
            rule, dib_in[i], large_dib_in[i], length_ft[i], table, max_segment_ft
        )
    return board_feet


@njit()
def smalian_cuft(small_in: float, large_in: float, length_ft: float) -> float:
    """Cubic feet from both ends, in cubic feet."""
    return BASAL_AREA_CONSTANT * 0.5 * (small_in * small_in + large_in * large_in) * length_ft


@njit()
def huber_cuft(mid_in: float, length_ft: float) -> float:
    """Cubic feet from the middle, in cubic feet."""
    return BASAL_AREA_CONSTANT * mid_in * mid_in * length_ft


@njit()
def newton_cuft(small_in: float, mid_in: float, large_in: float, length_ft: float) -> float:
    """Cubic feet from both ends and the middle, in cubic feet."""
    squares = small_in * small_in + 4.0 * mid_in * mid_in + large_in * large_in
    return BASAL_AREA_CONSTANT * squares * length_ft / 6.0


@njit()
def cuft_logs(
    formula: int,
    small_in: npt.NDArray[np.float64],
    mid_in: npt.NDArray[np.float64],
    large_in: npt.NDArray[np.float64],
    length_ft: npt.NDArray[np.float64],
) -> npt.NDArray[np.float64]:
    """Cubic feet of a column of logs by one of the three formulas."""
    cubic_feet = np.empty(small_in.size)
    for i in range(small_in.size):
        if formula == SMALIAN:
            cubic_feet[i] = smalian_cuft(small_in[i], large_in[i], length_ft[i])
        elif formula == HUBER:
            cubic_feet[i] = huber_cuft(mid_in[i], length_ft[i])
        else:
            cubic_feet[i] = newton_cuft(small_in[i], mid_in[i], large_in[i], length_ft[i])
    return cubic_feet
