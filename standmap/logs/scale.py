"""Board feet of logs by the four rules."""

from __future__ import annotations

from typing import Any, Final, Literal, cast, get_args

import numpy as np
import numpy.typing as npt

from standmap.errors import DomainError
from standmap.logs._columns import MAX_LENGTH_FT, check_ends, column, flat, like
from standmap.logs._kernels import MAX_SEGMENT_FT, SCRIBNER_C, bf_logs, top_segment_ft
from standmap.logs.tables import check_rule, round_to, rule_table
from standmap.units import LOG_RULES

Form = Literal["formula", "table"]
DibRounding = Literal["none", "tenth", "inch", "inch_down"]

TAPER_NOTES: Final = {
    "international": "half an inch in 4 feet, as the rule itself allows",
    "doyle": "none: the small-end diameter runs through, as Doyle tables print",
    "scribner": "none: the small-end diameter runs through",
    "scribner_c": "none: the small-end diameter runs through",
}
"""Taper allowed to a log longer than the longest scaling length whose large end is not given."""


def board_feet(
    dib_in: npt.ArrayLike,
    length_ft: npt.ArrayLike,
    rule: str,
    *,
    form: Form | None = None,
    large_dib_in: npt.ArrayLike | None = None,
    dib_rounding: DibRounding | None = None,
    max_segment_ft: float = MAX_SEGMENT_FT,
) -> Any:
    """Board feet of logs by a log rule, gross of defect.

    Parameters
    ----------
    dib_in : array_like
        Small-end diameter inside bark. [in]
    length_ft : array_like
        Length without trim. [ft]
    rule : {"international", "doyle", "scribner", "scribner_c"}
        International 1/4-inch, Doyle, Scribner, or Scribner Decimal C.
    form : {"formula", "table"}, optional
        Scale by the rule's formula or by its printed table. Default: the formula; the table for
        Decimal C, which is a table by definition (its "formula" is Scribner's rounded to 10).
    large_dib_in : array_like, optional
        Large-end diameter inside bark, used for logs longer than ``max_segment_ft``; NaN where not
        measured. [in]
    dib_rounding : {"none", "tenth", "inch", "inch_down"}, optional
        What is done to the diameter first: nothing, nearest 0.1 in, nearest inch with exact halves
        to the lower inch, or the fraction dropped. Default: nothing for a formula, the nearest inch
        for a table.
    max_segment_ft : float, default 20
        Longest piece scaled as one. [ft]

    Returns
    -------
    float, ndarray or Series
        Board feet, of the kind given. [bf] Never negative; NaN where a value is missing.

    Raises
    ------
    DomainError
        If a diameter or length is negative or absurd (over 120 in or 150 ft), a large end is below
        its small end, or the rule, form or rounding is not one of those named.

    Notes
    -----
    With D the diameter in inches and L the length in feet:

    International 1/4-inch [1]_
        0.904762 (0.22 D^2 - 0.71 D) for each 4-foot section from the small end, D growing half an
        inch a section. A remainder counts in proportion of the next section (2 ft: half of it).
        Some cells of the printed table are 5 above this formula rounded to 5.
    Doyle [2]_
        ((D - 4) / 4)^2 L; 0 at 4 inches and below.
    Scribner [3]_
        (0.79 D^2 - 2 D - 4) L / 16; 0 below 3.85 inches, where it would be negative. The
        formula smooths the original table, and differs from it by up to 9 percent from 12 in up.
    Scribner Decimal C
        The table of :func:`standmap.logs.decimal_c_table`.

    A table takes lengths down to the whole foot. Nearest inch follows early Forest Service scaling
    [4]_; the lower inch on exact halves is common practice, no source.

    Logs longer than ``max_segment_ft`` with a measured large end are scaled in segments, nearly
    equal and in even feet, the longer ones toward the butt, each at its own small end along an even
    taper. Published segment rules differ: 16 ft and 32 ft [4]_, taper only from 22 ft [5]_; the
    longest piece of 20 ft is that of the printed tables. Without a large end, ``TAPER_NOTES``
    tells what each rule allows.

    References
    ----------
    .. [1] Michigan Compiled Laws 290.401 (Act 208 of 1941); Massachusetts General Laws ch. 96
       s. 11A.
    .. [2] Chase, E.A. 1913. Timber Cruising Manual and Record. American Lumberman, p. 11.
    .. [3] Bruce, D. and Schumacher, F.X. 1950. Forest Mensuration. From memory.
    .. [4] Boerker, R.H.D. 1918. Our National Forests.
    .. [5] Nix, S. 2014. Biltmore stick article, About.com Forestry.

    Examples
    --------
    >>> board_feet(12, 16, "doyle")
    64.0
    >>> board_feet([15, float("nan")], 16, "international").round(1)
    array([157.3,   nan])
    >>> board_feet(15, 16, "international", form="table")
    160.0
    >>> board_feet(10, 32, "doyle"), board_feet(10, 32, "doyle", large_dib_in=14)
    (72.0, 100.0)
    """
    name = check_rule(rule)
    chosen = _check_form(form, name)
    rounding = _check_rounding(dib_rounding, chosen)
    if not 0 < max_segment_ft <= MAX_LENGTH_FT:
        raise DomainError(f"'max_segment_ft' must be above 0 ft; got {max_segment_ft:g}.")
    ends = np.nan if large_dib_in is None else large_dib_in
    dib, length, large = np.broadcast_arrays(
        column("dib_in", dib_in), column("length_ft", length_ft), column("large_dib_in", ends)
    )
    check_ends(dib, large)
    code, table = _kernel_choice(name, chosen)
    dib_scaled = flat(_rounded(dib, rounding))
    scaled = bf_logs(code, dib_scaled, flat(large), flat(length), table, float(max_segment_ft))
    scaled = scaled.reshape(dib.shape)
    if name == "scribner_c" and chosen == "formula":
        scaled = round_to(scaled, 10.0, half="up")
    return like(scaled, dib_in, length_ft, large_dib_in, name="board_feet")


def _check_form(form: str | None, rule: str) -> Form:
    if form is None:
        return "table" if rule == "scribner_c" else "formula"
    if form not in get_args(Form):
        raise DomainError(f"'form' must be 'formula' or 'table'; got {form!r}.")
    return cast(Form, form)


def _check_rounding(rounding: str | None, form: Form) -> str:
    """Return what to do to the diameters before the kernel, whose tables take the nearest inch."""
    if rounding is None:
        return "none"
    allowed = get_args(DibRounding) if form == "formula" else ("inch", "inch_down")
    if rounding not in allowed:
        raise DomainError(
            f"'dib_rounding' must be one of {', '.join(allowed)} with the {form}; got {rounding!r}."
        )
    return "none" if form == "table" and rounding == "inch" else rounding


def _rounded(dib_in: npt.NDArray[np.float64], rounding: str) -> npt.NDArray[np.float64]:
    slack = 1e-6  # a 12.5 that arithmetic made 12.500000001 is still a half
    if rounding == "tenth":
        return np.asarray(np.round(dib_in, 1))
    if rounding == "inch":
        return np.maximum(round_to(dib_in - slack, 1.0, half="down"), 0.0)
    if rounding == "inch_down":
        return np.asarray(np.floor(dib_in + slack))
    return dib_in


def _kernel_choice(rule: str, form: Form) -> tuple[int, npt.NDArray[np.float64]]:
    """Return the kernel's rule code and table: a table of any rule is looked up the same way."""
    if form == "table":
        return SCRIBNER_C, rule_table(rule)
    code = LOG_RULES.index("scribner" if rule == "scribner_c" else rule)
    return code, np.empty((0, 0))


def segments_ft(length_ft: float, *, max_segment_ft: float = MAX_SEGMENT_FT) -> list[float]:
    """Lengths of the pieces a long log is scaled in, from the small end to the butt.

    Parameters
    ----------
    length_ft : float
        Length without trim. [ft]
    max_segment_ft : float, default 20
        Longest piece scaled as one. [ft]

    Returns
    -------
    list of float
        Lengths that add to the log. [ft]

    Raises
    ------
    DomainError
        If the length is negative or over 150 ft, or no piece can be cut.

    Notes
    -----
    As few pieces as the longest scaling length allows, nearly equal and in even feet (Boerker
    1918), what is over going to the pieces nearer the butt (common practice, no source).

    Examples
    --------
    >>> segments_ft(16), segments_ft(22), segments_ft(42)
    ([16.0], [10.0, 12.0], [14.0, 14.0, 14.0])
    """
    if max_segment_ft <= 0:
        raise DomainError(f"'max_segment_ft' must be above 0 ft; got {max_segment_ft:g}.")
    left = float(column("length_ft", length_ft))
    pieces = []
    while left > 1e-6:
        pieces.append(float(top_segment_ft(left, max_segment_ft)))
        left -= pieces[-1]
    return pieces
