"""Stems by Girard form class, and the tree volumes of the form-class tables.

Girard form class is the diameter inside bark at the top of the first 16-foot log (17.3 ft above
ground: 1-foot stump, 0.3 foot of trim) as a percentage of DBH. The logs above taper by
their number and the size of the tree (Mesavage and Girard 1946).
"""

from __future__ import annotations

from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

from .._tables import load_table
from ..errors import DomainError
from ..logs import board_feet
from ..units import BREAST_HEIGHT_FT, LOG_FT, LOG_RULES, STUMP_FT, TRIM_FT
from . import _kernels as kernels
from ._checks import Array, attribute, columns, require, require_dbh
from .stems import Stems

_TABLE = "upper_log_taper_fitted_1946"
_SMALLEST_DBH_IN = 10.0
_LARGEST_DBH_IN = 40.0
_CLASS_IN = 2.0
_MOST_LOGS_IN_TABLE = 5

MAX_LOGS: Final = kernels.MAX_KNOTS - 1
"""Most 16-foot logs in a form-class stem."""

TIP_TAPER_RATIO: Final = 2.0
"""How much faster a stem tapers above its last tallied log than along it, where total height is
not known. A paraboloid that carries on the last log's taper ends at half the distance the straight
line would (assumption, no source)."""


@cache
def _taper_table() -> Array:
    """Return tapers by [logs in tree, log number, 2-inch class]; both counts up to MAX_LOGS."""
    table = load_table(_TABLE)
    classes = int((_LARGEST_DBH_IN - _SMALLEST_DBH_IN) / _CLASS_IN) + 1
    out = np.full((MAX_LOGS + 1, MAX_LOGS + 1, classes), np.nan)
    which = ((table["dbh_in"] - _SMALLEST_DBH_IN) / _CLASS_IN).to_numpy(dtype=np.int64)
    out[table["logs"], table["log_number"], which] = table["taper_in"]
    top = _MOST_LOGS_IN_TABLE
    step = out[top, top] - out[top, top - 1]
    for logs in range(top + 1, MAX_LOGS + 1):  # taller trees: the table's last step carries on
        out[logs] = out[top]
        for number in range(top + 1, logs + 1):
            out[logs, number] = out[top, top] + (number - top) * step
    return out


def _taper(dbh_in: Array, logs: npt.NDArray[np.int64], number: npt.NDArray[np.int64]) -> Array:
    """Return the taper of a log in a tree of whole logs, straight between 2-inch classes."""
    table = _taper_table()
    inside = np.clip(dbh_in, _SMALLEST_DBH_IN, _LARGEST_DBH_IN)
    place = (inside - _SMALLEST_DBH_IN) / _CLASS_IN
    low = np.where(np.isnan(place), 0.0, np.minimum(np.floor(place), table.shape[2] - 2))
    low_class = low.astype(np.int64)
    near, far = table[logs, number, low_class], table[logs, number, low_class + 1]
    # Beyond the table a tree has the form of its smallest or largest tree.
    return (near + (far - near) * (place - low)) * dbh_in / inside


def upper_log_taper_in(
    dbh_in: npt.ArrayLike, logs: npt.ArrayLike, log_number: npt.ArrayLike
) -> Array:
    """Return the taper of an upper log: diameter inside bark lost over its 16 feet.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height, outside bark. [in]
    logs : array_like
        16-foot logs in the tree, to the half, above 1 and up to 9.
    log_number : array_like of int
        2 for the log above the butt log, and so on; no more than ``logs`` rounded up.

    Returns
    -------
    ndarray
        Taper of the whole log. [in] A half log at the top takes half of it.

    Raises
    ------
    DomainError
        If a DBH is not above 0, or the log is not an upper log of the tree.

    Notes
    -----
    The tapers printed by Mesavage and Girard (1946) were not at hand. These are fitted so that
    they rebuild the tree totals of their form class 78 tables; the method and the fit are told
    in the head of the data table. Straight between even inches; a tree with a half log lies midway
    between its neighbours. Under 10 and over 40 in, and above 5 logs, they are
    carried on in proportion.

    Examples
    --------
    >>> upper_log_taper_in(20.0, 4, [2, 3, 4]).round(1).tolist()
    [1.4, 1.8, 2.2]
    """
    dbh, count, number = columns(dbh_in, logs, log_number)
    require_dbh(dbh)
    require(
        (count > 1) & (count <= MAX_LOGS), "logs", f"above 1 and at most {MAX_LOGS}", count,
        "Count 16-foot logs.",
    )  # fmt: skip
    require(
        (number >= 2) & (number <= np.ceil(count)) & (number % 1 == 0), "log_number",
        "a whole number from 2 to the number of logs", number, "The butt log is number 1.",
    )  # fmt: skip
    missing = np.isnan(dbh) | np.isnan(count) | np.isnan(number)
    out = _taper_of(dbh, np.where(missing, 2.0, count), np.where(missing, 2.0, number))
    return np.where(missing, np.nan, out)


def _taper_of(dbh_in: Array, logs: Array, number: Array) -> Array:
    """Return tapers where logs may end in a half: midway between the whole-log neighbours."""
    which = number.astype(np.int64)
    above = np.maximum(np.ceil(logs), which).astype(np.int64)
    below = np.maximum(np.floor(logs), which).astype(np.int64)
    share = np.where(above > below, logs - below, 0.0)
    low = _taper(dbh_in, below, which)
    return low + (_taper(dbh_in, above, which) - low) * share


def _check_logs(logs: Array) -> None:
    require(
        (logs >= 0) & (logs <= MAX_LOGS) & (logs * 2 % 1 == 0), "saw_logs",
        f"16-foot logs to the nearest half, 0 to {MAX_LOGS}", logs,
        "Record 2.5 for two and a half logs.",
    )  # fmt: skip


def _check_form_class(form_class: Array) -> None:
    require(
        (form_class >= 40) & (form_class <= 100), "form_class", "between 40 and 100", form_class,
        "Form class is a percentage, such as 78.",
    )  # fmt: skip


def form_class_stems(
    species_code: npt.ArrayLike,
    dbh_in: npt.ArrayLike,
    saw_logs: npt.ArrayLike,
    *,
    form_class: float | npt.ArrayLike = 78.0,
    height_ft: npt.ArrayLike | None = None,
    broken_height_ft: npt.ArrayLike | None = None,
    height_source: str | npt.ArrayLike = "measured",
    stump_ft: float = STUMP_FT,
    trim_ft: float = TRIM_FT,
) -> Stems:
    r"""Shape stems by form class from species, DBH and the tally of 16-foot logs.

    Parameters
    ----------
    species_code : array_like of int
        Species codes; they set the bark only.
    dbh_in : array_like
        Diameter at breast height, outside bark. [in]
    saw_logs : array_like
        16-foot logs to the nearest half, 0 to 9.
    form_class : float or array_like
        Girard form class: diameter inside bark at 17.3 ft as a percentage of DBH.
    height_ft : array_like, optional
        Total height where known; NaN otherwise. [ft]
    broken_height_ft : array_like, optional
        Height of a break or fork; nothing above it is used. [ft]
    height_source : str or array_like of str
        Where given heights came from: "measured" or "fitted". Trees without one get "form_class".
    stump_ft, trim_ft : float
        Stump height and trim per log of the tally; they place the log tops. [ft]

    Returns
    -------
    Stems
        One stem per tree. A missing DBH or log count gives a stem whose every answer is NaN.

    Raises
    ------
    DomainError
        If a DBH is not above 0, logs are not halves from 0 to 9, form class is not 40 to 100,
        a total height lies at or below the last log's top, or the logs do not fit on the tree.

    Notes
    -----
    Diameter inside bark runs straight between these points:

    - breast height: DBH less bark, where outside over inside bark is
      :math:`\sqrt{1 + p/100}` and p the species' bark volume as a percentage of wood volume
      (Miles and Smith 2009, Res. Note NRS-38);
    - the top of the butt log: form class x DBH / 100. That line is carried down to the ground, so
      no butt swell is counted (the cubic volume of butt logs is if anything low; scaling
      diameters are not touched by it);
    - the top of each further log, by `upper_log_taper_in`; a half log takes half of its taper;
    - the tip: total height. Where it is not known, the stem runs on at twice the taper of its last
      log (assumption, no source; a paraboloid tangent to the last log ends there). With fewer
      than two logs the second log's taper stands for the last. A 20-inch, four-log tree is then
      about 103 ft tall. Measure heights where topwood matters.

    Trees forked or broken above the tally should carry ``broken_height_ft``.

    References
    ----------
    .. [1] Mesavage, C. and Girard, J.W. 1946. Tables for estimating board-foot volume of timber.
       USDA Forest Service.

    Examples
    --------
    >>> oak = form_class_stems(802, 20.0, 3.0)
    >>> oak.dib_in([[17.3, 33.6, 49.9]]).round(1).tolist()
    [[15.6, 13.9, 12.0]]
    """
    code_column, dbh, logs, form, height, broken = columns(
        species_code,
        dbh_in,
        saw_logs,
        form_class,
        np.nan if height_ft is None else height_ft,
        np.nan if broken_height_ft is None else broken_height_ft,
    )
    codes = code_column.astype(np.int64)
    require_dbh(dbh)
    _check_logs(logs)
    _check_form_class(form)
    bark_ratio = np.sqrt(1.0 + attribute(codes, "bark_volume_pct") / 100.0)
    params = _knots(dbh, logs, form, bark_ratio, stump_ft=stump_ft, trim_ft=trim_ft)
    params[:, 0] = _tip(params, dbh, logs, height, LOG_FT + trim_ft)

    source = np.broadcast_to(np.asarray(height_source, dtype=object), len(dbh))
    return Stems(
        kind=np.full(len(dbh), kernels.FORM_CLASS, dtype=np.int8),
        params=params,
        dbh_in=dbh,
        species_code=codes,
        total_height_ft=params[:, 0].copy(),
        usable_top_ft=np.where(np.isnan(params[:, 0]), np.nan, np.fmin(broken, params[:, 0])),
        height_source=np.where(np.isnan(height), "form_class", source).astype(object),
    )


def _knots(
    dbh_in: Array,
    logs: Array,
    form_class: Array,
    bark_ratio: Array,
    *,
    stump_ft: float,
    trim_ft: float,
) -> Array:
    """Return parameter rows with every knot placed; the tip is still to come."""
    params = np.zeros((len(dbh_in), kernels.N_PARAMS))
    heights = params[:, kernels.KNOT_HEIGHT : kernels.KNOT_DIB]
    dibs = params[:, kernels.KNOT_DIB :]
    params[:, 1] = bark_ratio
    heights[:, 1] = stump_ft + LOG_FT + trim_ft
    dibs[:, 1] = form_class / 100.0 * dbh_in
    at_breast = np.fmax(dbh_in / bark_ratio, dibs[:, 1])  # a stem never widens upward
    slope = (at_breast - dibs[:, 1]) / (heights[:, 1] - BREAST_HEIGHT_FT)
    dibs[:, 0] = at_breast + slope * BREAST_HEIGHT_FT

    known = ~np.isnan(dbh_in) & ~np.isnan(logs)
    params[:, 2] = np.where(known, np.maximum(np.ceil(logs), 1.0), 1.0) + 1
    for number in range(2, MAX_LOGS + 1):
        rows = np.flatnonzero(known & (np.ceil(logs) >= number))
        length = np.minimum(logs[rows] - (number - 1), 1.0)
        taper = _taper_of(dbh_in[rows], logs[rows], np.full(rows.size, float(number)))
        heights[rows, number] = heights[rows, number - 1] + length * LOG_FT + trim_ft
        dibs[rows, number] = dibs[rows, number - 1] - length * taper
    dibs[~known] = np.nan
    return params


def _tip(params: Array, dbh_in: Array, logs: Array, height_ft: Array, log_ft: float) -> Array:
    """Return tip heights: as given, or run on from the last log."""
    every = np.arange(len(params))
    last = params[:, 2].astype(np.int64) - 1
    top_ft = params[every, kernels.KNOT_HEIGHT + last]
    top_dib = params[every, kernels.KNOT_DIB + last]
    require(
        ~(top_dib <= 0), "saw_logs", "no more logs than the tree can hold", logs,
        "Check the log count against the diameter.",
    )  # fmt: skip
    require(
        ~(height_ft <= top_ft), "height_ft", "above the top of the last tallied log", height_ft,
        "Check total height against saw_logs (a stump and 16.3 ft per log).",
    )  # fmt: skip
    counted = np.where(np.isnan(logs), 2.0, np.maximum(logs, 2.0))
    taper = _taper_of(dbh_in, counted, np.ceil(counted))
    implied = top_ft + top_dib / (TIP_TAPER_RATIO * taper) * log_ft
    return np.where(np.isnan(height_ft), implied, height_ft) + 0.0 * top_dib


def holds_logs(
    dbh_in: npt.ArrayLike, saw_logs: npt.ArrayLike, *, form_class: float | npt.ArrayLike = 78.0
) -> npt.NDArray[np.bool_]:
    """Tell whether a tree of this diameter can hold so many logs before it tapers to nothing.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height, outside bark. [in]
    saw_logs : array_like
        16-foot logs to the nearest half, 0 to 9.
    form_class : float or array_like
        Girard form class.

    Returns
    -------
    ndarray of bool
        False where the form-class tapers run out below the last log's top; True where a DBH or
        log count is missing.

    Raises
    ------
    DomainError
        If a DBH is not above 0, or logs are not halves from 0 to 9.

    Examples
    --------
    >>> holds_logs([8.0, 20.0], [7.0, 4.0]).tolist()
    [False, True]
    """
    dbh, logs, form = columns(dbh_in, saw_logs, form_class)
    require_dbh(dbh)
    _check_logs(logs)
    ones = np.ones(len(dbh))
    params = _knots(dbh, logs, form, ones, stump_ft=STUMP_FT, trim_ft=TRIM_FT)
    last = params[:, 2].astype(np.int64) - 1
    top_dib = params[np.arange(len(params)), kernels.KNOT_DIB + last]
    return np.asarray(~(top_dib <= 0))


def tree_board_feet(
    dbh_in: npt.ArrayLike, logs: npt.ArrayLike, rule: str, *, form_class: float = 78.0
) -> Array:
    """Return board feet of whole trees as the form-class tables print them.

    Parameters
    ----------
    dbh_in : array_like
        Diameter at breast height, outside bark. [in]
    logs : array_like
        16-foot logs to the nearest half, 0 to 9.
    rule : str
        One of ``units.LOG_RULES``.
    form_class : float
        Girard form class.

    Returns
    -------
    ndarray
        Board feet; whole numbers at whole inches. NaN where DBH or logs are missing.

    Raises
    ------
    DomainError
        If a DBH is not above 0, logs are not halves from 0 to 9, form class is not 40 to 100, or
        the rule is unknown.

    Notes
    -----
    Built as the published form class 78 tables are: whole logs of even-inch trees are scaled log by
    log (butt diameter to 0.1 in) and the sum rounded; a half-log entry is the mean of its
    neighbours; an odd inch is the mean of the even inches beside it; means that end in a half
    go to the even number. Between inches the table is read straight.

    An appraisal does not use these entries: it scales each log of the stem, a half log as the
    8-foot log it is, and gives other volumes for trees with a half log. For form classes other
    than 78 the stem is rebuilt on the new butt diameter with the same upper tapers; Mesavage and
    Girard's own rule of thumb is 3 percent of tree volume per point.

    References
    ----------
    .. [1] Mesavage, C. and Girard, J.W. 1946. Tables for estimating board-foot volume of timber.
       USDA Forest Service.

    Examples
    --------
    >>> tree_board_feet([25.0, 23.0, 23.0], [5, 1, 2], "international").tolist()
    [930.0, 231.0, 404.0]
    """
    if rule not in LOG_RULES:
        raise DomainError(f"'rule' must be one of {list(LOG_RULES)}; got {rule!r}.")
    dbh, count = columns(dbh_in, logs)
    require_dbh(dbh)
    _check_logs(count)
    _check_form_class(np.array([float(form_class)]))
    missing = np.isnan(dbh) | np.isnan(count)
    dbh, count = np.where(missing, 10.0, dbh), np.where(missing, 1.0, count)

    inch = np.floor(dbh)
    low = _inch_entry(inch, count, rule, form_class)
    high = _inch_entry(inch + 1.0, count, rule, form_class)
    return np.where(missing, np.nan, low + (high - low) * (dbh - inch))


def _inch_entry(inch: Array, logs: Array, rule: str, form_class: float) -> Array:
    """Return table entries at whole inches: odd ones midway between the even ones."""
    even_below = 2.0 * np.floor(inch / 2.0)
    below = _even_entry(even_below, logs, rule, form_class)
    above = _even_entry(even_below + 2.0, logs, rule, form_class)
    return np.where(inch == even_below, below, np.round((below + above) / 2.0))


def _even_entry(even_in: Array, logs: Array, rule: str, form_class: float) -> Array:
    """Return table entries at even inches: half logs midway between whole logs."""
    down = _whole_logs(even_in, np.floor(logs), rule, form_class)
    up = _whole_logs(even_in, np.ceil(logs), rule, form_class)
    return np.where(logs % 1 == 0, down, np.round((down + up) / 2.0))


def _whole_logs(even_in: Array, logs: Array, rule: str, form_class: float) -> Array:
    """Return the rounded sum of a tree's whole logs, each scaled at its small end."""
    # Half an inch stands in for a tree of no diameter, whose logs all scale zero.
    dbh = np.maximum(even_in, 0.5)
    dib = np.round(form_class / 100.0 * dbh, 1)
    total = np.zeros(len(dbh))
    for number in range(1, int(logs.max(initial=0.0)) + 1):
        rows = np.flatnonzero(logs >= number)
        if number > 1:
            taper = _taper_of(dbh[rows], logs[rows], np.full(rows.size, float(number)))
            dib[rows] = np.maximum(dib[rows] - taper, 0.0)
        total[rows] += board_feet(dib[rows], LOG_FT, rule)
    return np.round(total)
