"""Deductions for defect: what of a log's scale is not sound wood.

Each function says how surely its rule is known; the table ``log_defects.csv`` lists them side by
side. Scalers are told to check one method against another, and buyers and agencies have rules of
their own: where a contract names one, it wins.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap._tables import load_table
from standmap.errors import DomainError
from standmap.logs import _defect_formulas as formulas
from standmap.logs._columns import column, like
from standmap.logs.scale import Form, board_feet


def defect_rules() -> pd.DataFrame:
    """Return the deduction rules with their evidence and source.

    Returns
    -------
    DataFrame
        Indexed by ``function``; columns ``defect``, ``rule``, ``evidence``, ``source``. A copy.

    Examples
    --------
    >>> defect_rules().loc["share_crook", "evidence"]
    'from memory'
    """
    return load_table("log_defects").set_index("function")


def net_after_cull(gross: npt.ArrayLike, defect_pct: npt.ArrayLike) -> Any:
    """Volume left when a percentage is taken off.

    Parameters
    ----------
    gross : array_like
        Gross volume, in any unit.
    defect_pct : array_like
        Defect as a percentage of the gross volume, 0 to 100. [%]

    Returns
    -------
    float, ndarray or Series
        Net volume in the unit given.

    Raises
    ------
    DomainError
        If the percentage is outside 0 to 100 or the volume negative.

    Examples
    --------
    >>> net_after_cull(200, 15)
    170.0
    """
    share = column("defect_pct", defect_pct) / 100.0
    net = column("gross_bf", gross) * (1.0 - share)
    return like(np.asarray(net), gross, defect_pct, name="net")


def net_after_length_cut(
    dib_in: npt.ArrayLike,
    length_ft: npt.ArrayLike,
    cut_ft: npt.ArrayLike,
    rule: str,
    *,
    form: Form | None = None,
) -> Any:
    """Board feet of a log scaled as if its unsound length were cut off.

    Parameters
    ----------
    dib_in : array_like
        Small-end diameter inside bark of the sound part. Where the cut is at the small end, the
        diameter at the cut. [in]
    length_ft, cut_ft : array_like
        Length of the log without trim, and the length taken off it. [ft]
    rule : {"international", "doyle", "scribner", "scribner_c"}
        The log rule.
    form : {"formula", "table"}, optional
        As for :func:`standmap.logs.board_feet`.

    Returns
    -------
    float, ndarray or Series
        Net board feet. [bf]

    Raises
    ------
    DomainError
        If the cut is longer than the log, or a value is out of bounds.

    Notes
    -----
    The length deduction of [1]_.

    References
    ----------
    .. [1] USDA Forest Service, National Forest Log Scaling Handbook (FSH 2409.11) ch. 20, 1985.

    Examples
    --------
    >>> net_after_length_cut(12, 16, 4, "doyle")
    48.0
    """
    length, cut = column("length_ft", length_ft), column("cut_ft", cut_ft)
    if np.any(cut > length):
        raise DomainError("'cut_ft' must not be longer than the log. Call the log cull instead.")
    net = board_feet(column("dib_in", dib_in), length - cut, rule, form=form)
    return like(np.asarray(net), dib_in, length_ft, cut_ft, name="net")


def net_after_diameter_cut(
    dib_in: npt.ArrayLike,
    length_ft: npt.ArrayLike,
    cut_in: npt.ArrayLike,
    rule: str,
    *,
    form: Form | None = None,
) -> Any:
    """Board feet of a log scaled as if its unsound outside were peeled off.

    Parameters
    ----------
    dib_in : array_like
        Small-end diameter inside bark. [in]
    length_ft : array_like
        Length without trim. [ft]
    cut_in : array_like
        Taken off the diameter: twice the depth of the unsound sapwood, char or check. [in]
    rule : {"international", "doyle", "scribner", "scribner_c"}
        The log rule.
    form : {"formula", "table"}, optional
        As for :func:`standmap.logs.board_feet`.

    Returns
    -------
    float, ndarray or Series
        Net board feet. [bf] 0 where nothing sound is left.

    Raises
    ------
    DomainError
        If a value is out of bounds.

    Notes
    -----
    The diameter deduction of [1]_.

    References
    ----------
    .. [1] USDA Forest Service, National Forest Log Scaling Handbook (FSH 2409.11) ch. 20, 1985.

    Examples
    --------
    >>> net_after_diameter_cut(14, 16, 2, "doyle")
    64.0
    """
    sound = np.maximum(column("dib_in", dib_in) - column("cut_in", cut_in), 0.0)
    net = board_feet(sound, column("length_ft", length_ft), rule, form=form)
    return like(np.asarray(net), dib_in, length_ft, cut_in, name="net")


def loss_squared_defect_bf(
    width_in: npt.ArrayLike, height_in: npt.ArrayLike, defect_length_ft: npt.ArrayLike
) -> Any:
    """Scribner board feet lost to a defect boxed in by a squared timber.

    Parameters
    ----------
    width_in, height_in : array_like
        Sides of the box about the defect, as measured; the rule adds an inch of waste to each. [in]
    defect_length_ft : array_like
        Length of log affected. [ft]

    Returns
    -------
    float, ndarray or Series
        Board feet lost, Scribner; 0 where there is no defect. [bf]

    Raises
    ------
    DomainError
        If a value is out of bounds.

    Notes
    -----
    (W + 1)(H + 1) l / 15: board feet of the box less a fifth for kerf and edging. The method is of
    [1]_; the formula is from memory. For Scribner and Decimal C only; for other rules use a
    share of the log (:func:`share_interior` and its kin), which suits any rule.

    References
    ----------
    .. [1] USDA Forest Service, National Forest Log Scaling Handbook (FSH 2409.11) ch. 20, 1985.

    Examples
    --------
    >>> round(loss_squared_defect_bf(5, 6, 8), 1)
    22.4
    """
    loss = formulas.squared_loss_bf(
        column("width_in", width_in),
        column("height_in", height_in),
        column("defect_length_ft", defect_length_ft),
    )
    return like(np.asarray(loss), width_in, height_in, defect_length_ft, name="loss")


def share_section(defect_length_ft: npt.ArrayLike, length_ft: npt.ArrayLike) -> Any:
    """Share of a log lost where its whole cross-section is unsound for part of its length.

    Parameters
    ----------
    defect_length_ft, length_ft : array_like
        Length affected and length of the log. [ft]

    Returns
    -------
    float, ndarray or Series
        Share of the log's scale, 0 to 1: l / L.

    Raises
    ------
    DomainError
        If a value is out of bounds.

    Notes
    -----
    Rule 1 of Grosenbaugh 1952 (Southern Forest Experiment Station Occasional Paper 126), from
    memory. A share of the whole log's scale, it suits any log rule.

    Examples
    --------
    >>> share_section(2, 16)
    0.125
    """
    share = formulas.section_share(*_lengths(defect_length_ft, length_ft))
    return like(np.asarray(share), defect_length_ft, length_ft, name="share")


def share_wedge(
    defect_length_ft: npt.ArrayLike, length_ft: npt.ArrayLike, angle_deg: npt.ArrayLike
) -> Any:
    """Share of a log lost in a wedge: fire scar, lightning, a straight crack.

    Parameters
    ----------
    defect_length_ft, length_ft : array_like
        Length affected and length of the log. [ft]
    angle_deg : array_like
        Angle at the pith of the wedge that holds the defect. [deg]

    Returns
    -------
    float, ndarray or Series
        Share of the log's scale, 0 to 1: (l / L)(angle / 360).

    Raises
    ------
    DomainError
        If a value is out of bounds.

    Notes
    -----
    Rule 2 of Grosenbaugh 1952 (Southern Forest Experiment Station Occasional Paper 126), from
    memory; the pie cut of the National Forest Log Scaling Handbook ch. 20.

    Examples
    --------
    >>> round(share_wedge(8, 16, 60), 4)
    0.0833
    """
    lengths = _lengths(defect_length_ft, length_ft)
    share = formulas.wedge_share(*lengths, column("angle_deg", angle_deg))
    return like(np.asarray(share), defect_length_ft, length_ft, angle_deg, name="share")


def share_sweep(
    departure_in: npt.ArrayLike, dib_in: npt.ArrayLike, length_ft: npt.ArrayLike
) -> Any:
    """Share of a log lost to sweep.

    Parameters
    ----------
    departure_in : array_like
        Greatest departure of the log's side from a straight line between its ends. [in]
    dib_in : array_like
        Scaling diameter. [in]
    length_ft : array_like
        Length of the log. [ft]

    Returns
    -------
    float, ndarray or Series
        Share of the log's scale, 0 to 1.

    Raises
    ------
    DomainError
        If a value is out of bounds.

    Notes
    -----
    (departure - 2) / d for logs of about 16 ft and (departure - 1) / d for about 8 ft: rule 3 of
    Grosenbaugh 1952 (Southern Forest Experiment Station Occasional Paper 126), from memory. The
    allowance in between, an inch for each 8 ft, is our reading.

    Examples
    --------
    >>> share_sweep(5, 16, 16)
    0.1875
    >>> share_sweep(1, 16, 16)
    0.0
    """
    share = formulas.sweep_share(
        column("departure_in", departure_in),
        column("dib_in", dib_in),
        column("length_ft", length_ft),
    )
    return like(np.asarray(share), departure_in, dib_in, length_ft, name="share")


def share_crook(
    deflection_in: npt.ArrayLike,
    dib_in: npt.ArrayLike,
    defect_length_ft: npt.ArrayLike,
    length_ft: npt.ArrayLike,
) -> Any:
    """Share of a log lost to crook.

    Parameters
    ----------
    deflection_in : array_like
        Greatest deflection of the crooked part from the line of the log. [in]
    dib_in : array_like
        Scaling diameter. [in]
    defect_length_ft, length_ft : array_like
        Length of the crooked part and of the log. [ft]

    Returns
    -------
    float, ndarray or Series
        Share of the log's scale, 0 to 1: (deflection / d)(l / L).

    Raises
    ------
    DomainError
        If a value is out of bounds.

    Notes
    -----
    Rule 4 of Grosenbaugh 1952 (Southern Forest Experiment Station Occasional Paper 126), from
    memory.

    Examples
    --------
    >>> share_crook(6, 16, 4, 16)
    0.09375
    """
    share = formulas.crook_share(
        column("deflection_in", deflection_in),
        column("dib_in", dib_in),
        *_lengths(defect_length_ft, length_ft),
    )
    inputs = (deflection_in, dib_in, defect_length_ft, length_ft)
    return like(np.asarray(share), *inputs, name="share")


def share_interior(
    long_axis_in: npt.ArrayLike,
    short_axis_in: npt.ArrayLike,
    dib_in: npt.ArrayLike,
    defect_length_ft: npt.ArrayLike,
    length_ft: npt.ArrayLike,
) -> Any:
    """Share of a log lost to rot, shake or a ring inside it.

    Parameters
    ----------
    long_axis_in, short_axis_in : array_like
        Axes of the ellipse about the defect; the rule adds an inch of waste to each. [in]
    dib_in : array_like
        Scaling diameter. [in]
    defect_length_ft, length_ft : array_like
        Length affected and length of the log. [ft]

    Returns
    -------
    float, ndarray or Series
        Share of the log's scale, 0 to 1: ((a + 1)(b + 1) / (d - 1)^2)(l / L); 0 without defect.

    Raises
    ------
    DomainError
        If a value is out of bounds.

    Notes
    -----
    Rule 5 of Grosenbaugh 1952 (Southern Forest Experiment Station Occasional Paper 126), from
    memory.

    Examples
    --------
    >>> share_interior(6, 8, 16, 4, 16)
    0.07
    """
    share = formulas.interior_share(
        column("long_axis_in", long_axis_in),
        column("short_axis_in", short_axis_in),
        column("dib_in", dib_in),
        *_lengths(defect_length_ft, length_ft),
    )
    inputs = (long_axis_in, short_axis_in, dib_in, defect_length_ft, length_ft)
    return like(np.asarray(share), *inputs, name="share")


def net_after_shares(gross: npt.ArrayLike, *shares: npt.ArrayLike) -> Any:
    """Volume left after several defects, each as a share of the whole log.

    Parameters
    ----------
    gross : array_like
        Gross volume, in any unit.
    *shares : array_like
        Shares of the log lost, each 0 to 1, from the ``share_`` functions. Count a part of the log
        that two defects share once only.

    Returns
    -------
    float, ndarray or Series
        Net volume in the unit given; never negative.

    Raises
    ------
    DomainError
        If a share is outside 0 to 1 or the volume negative.

    Notes
    -----
    Shares add, and stop at the whole log. Many contracts call a log cull well before that: compare
    the net share with the limit in use.

    Examples
    --------
    >>> net_after_shares(200, 0.125, 0.1875)
    137.5
    """
    lost: npt.NDArray[np.float64] = np.asarray(0.0)
    for share in shares:
        numbers = np.asarray(share, dtype=np.float64)
        if np.any((numbers < 0) | (numbers > 1)):
            raise DomainError("each share must be from 0 to 1. Divide percentages by 100.")
        lost = lost + numbers
    net = column("gross_bf", gross) * (1.0 - np.minimum(lost, 1.0))
    return like(np.asarray(net), gross, *shares, name="net")


def _lengths(
    defect_length_ft: npt.ArrayLike, length_ft: npt.ArrayLike
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return the length affected and the length of the log, checked against each other."""
    part, whole = column("defect_length_ft", defect_length_ft), column("length_ft", length_ft)
    if np.any(part > whole):
        raise DomainError("'defect_length_ft' must not be longer than the log.")
    return part, whole
