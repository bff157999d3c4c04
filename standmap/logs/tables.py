"""The log rules as printed tables: whole inches, whole feet, and each cell's standing.

The printed cells are packaged with their sources. Around them the rule's formula is rounded the way
the table rounds, and held between the printed cells so that no longer or thicker log scales less.
"""

from __future__ import annotations

from functools import cache
from typing import Any, Literal, cast, get_args

import numpy as np
import numpy.typing as npt

from standmap._tables import load_table
from standmap.errors import DomainError
from standmap.logs._columns import MAX_DIB_IN, MAX_LENGTH_FT, column
from standmap.logs._kernels import (
    MAX_SEGMENT_FT,
    bf_doyle,
    bf_international,
    bf_scribner,
    top_segment_ft,
    whole_inch,
)

Rule = Literal["international", "doyle", "scribner", "scribner_c"]
"""Names of the log rules, in the order of ``units.LOG_RULES``."""

Grid = npt.NDArray[np.float64]

_DIB_IN = np.arange(MAX_DIB_IN + 1)
_LENGTH_FT = np.arange(MAX_LENGTH_FT + 1)
_DECIMAL_C_FT = 40
_PRINTED = {
    "international": "international_quarter_table",
    "scribner": "log_scribner_16ft",
    "scribner_c": "scribner_decimal_c_table",
}
_FORMULAS = {
    "international": bf_international,
    "doyle": bf_doyle,
    "scribner": bf_scribner,
    "scribner_c": bf_scribner,
}


def check_rule(rule: str) -> Rule:
    """Return the rule's name, or say which there are."""
    if rule not in get_args(Rule):
        raise DomainError(f"no log rule {rule!r}. Choose one of {', '.join(get_args(Rule))}.")
    return cast(Rule, rule)


def round_to(values: Grid, step: float, *, half: Literal["up", "down"]) -> Grid:
    """Round to the nearest multiple of a step, exact halves as told."""
    steps = values / step
    whole = np.floor(steps + 0.5) if half == "up" else np.ceil(steps - 0.5)
    return np.asarray(step * whole + 0.0)  # + 0.0: no negative zeros


@cache
def _formula_grid(rule: Rule) -> Grid:
    """Board feet by formula at every whole inch and whole foot."""
    formula = _FORMULAS[rule]
    return np.array([[formula(float(dib), float(ft)) for ft in _LENGTH_FT] for dib in _DIB_IN])


@cache
def _printed_grid(rule: Rule) -> Grid:
    """Lay out the packaged cells, NaN elsewhere."""
    grid = np.full((len(_DIB_IN), len(_LENGTH_FT)), np.nan)
    cells = load_table(_PRINTED[rule])
    grid[cells.dib_in.to_numpy(), cells.length_ft.to_numpy()] = cells.board_feet
    return grid


def _held_between(base: Grid, printed: Grid) -> Grid:
    """Fill a printed table from a base that grows, without ever shrinking.

    Each cell lies no lower than every printed cell of a thinner and shorter log, and no higher than
    every one of a thicker and longer log; printed cells thereby come out as printed.
    """
    low = np.where(np.isnan(printed), -np.inf, printed)
    high = np.where(np.isnan(printed), np.inf, printed)
    for axis in (0, 1):
        low = np.maximum.accumulate(low, axis=axis)
        high = np.flip(np.minimum.accumulate(np.flip(high, axis=axis), axis=axis), axis=axis)
    return np.clip(base, low, high)


def _fill_odd_feet(grid: Grid, step: float) -> Grid:
    """Set each odd length to the mean of its even neighbours, rounded, exact halves down."""
    filled = grid.copy()
    before, after = grid[:, 0:-1:2], grid[:, 2::2]
    mean = round_to((before + after) / 2, step, half="down")
    filled[:, 1:-1:2] = np.clip(mean, before, after)
    return filled


@cache
def _international() -> Grid:
    base = round_to(_formula_grid("international"), 5.0, half="up")
    return _fill_odd_feet(_held_between(base, _printed_grid("international")), 5.0)


@cache
def _doyle() -> Grid:
    return round_to(_formula_grid("doyle"), 1.0, half="up")


@cache
def _scribner() -> Grid:
    sixteen = _printed_grid("scribner")[:, 16]
    base = np.where(np.isnan(sixteen), _formula_grid("scribner")[:, 16], sixteen)
    base = np.where(_DIB_IN < 6, np.minimum(base, sixteen[6]), base)
    base = np.where(_DIB_IN > 40, np.maximum(base, sixteen[40]), base)
    return round_to(base[:, np.newaxis] * _LENGTH_FT / 16.0, 1.0, half="up")


@cache
def _decimal_c() -> Grid:
    base = round_to(_formula_grid("scribner_c"), 10.0, half="up")
    whole = int(MAX_SEGMENT_FT)
    table = _held_between(base, _printed_grid("scribner_c"))[:, : whole + 1]
    table = _fill_odd_feet(table, 10.0)
    tops = [int(top_segment_ft(float(ft), MAX_SEGMENT_FT)) for ft in range(_DECIMAL_C_FT + 1)]
    pieces = [
        table[:, ft] if ft <= whole else table[:, tops[ft]] + table[:, ft - tops[ft]]
        for ft in range(_DECIMAL_C_FT + 1)
    ]
    return np.asarray(np.maximum.accumulate(np.stack(pieces, axis=1), axis=1))


def rule_table(rule: str) -> Grid:
    """Return a rule's table of board feet: rows whole inches from 0, columns whole feet from 0.

    Parameters
    ----------
    rule : {"international", "doyle", "scribner", "scribner_c"}
        The log rule.

    Returns
    -------
    ndarray of float64
        ``table[dib_in, length_ft]``. A copy.

    Raises
    ------
    DomainError
        If there is no such rule.

    Notes
    -----
    International 1/4-inch
        The table as printed, 6 to 40 in by even feet from 6 (above 26 in, from 8) to 20, to the
        nearest 5 board feet. Beyond it the statute's formula rounded to the nearest 5.
    Doyle
        Its formula to the nearest board foot, halves up. The printed tables differ among
        themselves on the halves.
    Scribner
        The 16-foot column of the original table, 6 to 40 in (one cell published, the rest from
        memory), in proportion to length, to the nearest board foot. Beyond it the formula.
    Scribner Decimal C
        :func:`decimal_c_table`.

    Odd lengths take the mean of the even lengths about them, rounded as the table is, exact halves
    down. What a single cell rests on: :func:`table_status`.

    Examples
    --------
    >>> float(rule_table("international")[15, 16])  # the formula gives 157.3
    160.0
    """
    makers = {
        "international": _international,
        "doyle": _doyle,
        "scribner": _scribner,
        "scribner_c": _decimal_c,
    }
    return makers[check_rule(rule)]().copy()


def decimal_c_table() -> Grid:
    """Return the Scribner Decimal C table, in board feet: rows 0 to 120 in, columns 0 to 40 ft.

    Returns
    -------
    ndarray of float64, shape (121, 41)
        ``table[dib_in, length_ft]``: tens of board feet times ten. A copy.

    Notes
    -----
    Printed cells: 6 to 20 in by even feet from 6 to 16, published [1]_; the rest of 6 to 40 in and
    8 to 20 ft from memory (30 in by 16 ft published [2]_). Below, between and beyond the printed
    cells the Scribner formula is rounded to the nearest 10 and held between the printed cells
    about it. Odd lengths: mean of the even lengths about them, to the nearest 10, halves down.
    Longer than 20 ft, the longest scaling length: two pieces, nearly equal, in even feet, both at
    the small-end diameter, and no less than a shorter log. No taper is allowed; where the large
    end is measured, :func:`standmap.logs.board_feet` gives the butt piece its own diameter.

    References
    ----------
    .. [1] Wengert, G. 2001. Log volume. WoodWeb Knowledge Base.
    .. [2] Bailey, L.H. 1911. Farm and Garden Rule-Book, Forest Yields.

    Examples
    --------
    >>> float(decimal_c_table()[12, 16])  # the formula gives 85.8
    80.0
    """
    return _decimal_c().copy()


@cache
def _status_grid(rule: Rule) -> npt.NDArray[np.object_]:
    shape = (len(_DIB_IN), len(_LENGTH_FT))
    status = np.full(shape, "formula", dtype=object)
    if rule == "doyle":
        return status
    cells = load_table(_PRINTED[rule])
    status[cells.dib_in.to_numpy(), cells.length_ft.to_numpy()] = cells.status
    if rule == "scribner":
        status[6:41] = np.where(status[6:41] == "formula", "between", status[6:41])
        return status
    printed = np.isin(status, ("published", "memory"))
    between = np.zeros(shape, dtype=bool)
    between[:, 1:-1] = printed[:, :-2] & printed[:, 2:]
    status[between & ~printed] = "between"
    if rule == "scribner_c":
        status[:, int(MAX_SEGMENT_FT) + 1 :] = "segments"
    return status


def table_status(dib_in: npt.ArrayLike, length_ft: npt.ArrayLike, rule: str) -> Any:
    """Tell what a cell of a rule's table rests on.

    Parameters
    ----------
    dib_in : array_like
        Small-end diameter inside bark; taken to the nearest inch, halves down. [in]
    length_ft : array_like
        Length without trim; taken down to the whole foot. [ft]
    rule : {"international", "doyle", "scribner", "scribner_c"}
        The log rule.

    Returns
    -------
    str or ndarray of str
        "published" (read in print), "memory" (recalled, not seen), "between" (worked out from the
        printed cells beside it), "formula" (beyond the printed cells), "segments" (longer than
        the table, scaled in pieces).

    Raises
    ------
    DomainError
        If a diameter or length is out of bounds or missing.

    Examples
    --------
    >>> table_status([12, 12, 30], [16, 15, 16], "international").tolist()
    ['published', 'between', 'memory']
    """
    dib, length = np.broadcast_arrays(column("dib_in", dib_in), column("length_ft", length_ft))
    if np.isnan(dib).any() or np.isnan(length).any():
        raise DomainError("'dib_in' and 'length_ft' must be given to name a table cell.")
    rows = np.array([max(0, int(whole_inch(float(d)))) for d in dib.ravel()], dtype=np.int64)
    feet = np.floor(length + 1e-6).astype(np.int64)
    found = _status_grid(check_rule(rule))[rows.reshape(dib.shape), feet]
    return str(found) if dib.ndim == 0 else found.astype(str)
