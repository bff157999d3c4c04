"""What a tract brings where mills take only so much: a linear programme over classes of logs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.optimize import linprog
from scipy.sparse import csr_matrix, vstack

from standmap.errors import DomainError, StandmapError
from standmap.value.amounts import TREE, BoolArray, FloatArray, IntArray, LogLot
from standmap.value.assign import LINE_COLUMNS, line_row
from standmap.value.mills import MillSheet

LIMIT_COLUMNS: Final = ("limited", "shadow_usd", "shadow_usd_per_unit")
"""Columns of `LimitedSale.mills` beyond those of `mill_totals`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedOut:
    """Classes of wood shared out among outlets.

    Attributes
    ----------
    share : ndarray, shape (classes, outlets)
        Share of each class that goes to each outlet; a row adds up to 1 or less.
    value_usd : float
        What it all brings. [USD]
    shadow_usd : ndarray, shape (limits,)
        What one more of each limit's own unit would bring; 0 where the limit does not bind. [USD]
    used : ndarray, shape (limits,)
        How much of each limit is used.
    """

    share: FloatArray
    value_usd: float
    shadow_usd: FloatArray
    used: FloatArray


def share_out(net_usd: FloatArray, uses: FloatArray, limits: FloatArray) -> SharedOut:
    """Share classes of wood among outlets so that they bring the most within limits.

    Parameters
    ----------
    net_usd : ndarray, shape (classes, outlets)
        What a whole class brings at each outlet; NaN where it is not taken. [USD]
    uses : ndarray, shape (limits, classes, outlets)
        How much of each limit a whole class would use at each outlet.
    limits : ndarray, shape (limits,)
        The most of each; inf for no limit.

    Returns
    -------
    SharedOut

    Raises
    ------
    DomainError
        If a limit is negative or a use negative or not a number.

    Notes
    -----
    Maximise the sum of ``share x net_usd`` with every class's shares adding up to 1 or less and
    every limit kept: the transportation problem of linear programming, solved by HiGHS [1]_. Wood
    may be left standing. The shadow price is the dual of a limit, the gain from one more unit of
    it while the same limits bind.

    References
    ----------
    .. [1] Huangfu, Q. and Hall, J.A.J. 2018. Parallelizing the dual revised simplex method.
       Mathematical Programming Computation 10: 119-142.

    Examples
    --------
    Ten loads; the near mill nets $100 a load and takes four, the far mill nets $70.

    >>> plan = share_out(np.array([[1000.0, 700.0]]), np.array([[[10.0, 0.0]]]), np.array([4.0]))
    >>> plan.share, plan.value_usd, plan.shadow_usd
    (array([[0.4, 0.6]]), 820.0, array([30.]))
    """
    if (np.isnan(limits) | (limits < 0)).any() or not (uses >= 0).all():
        raise DomainError("'limits' and 'uses' must be 0 or more.")
    classes = len(net_usd)
    at_class, at_outlet = np.nonzero(net_usd >= 0)  # NaN is not taken; a loss is never worth while
    gain = net_usd[at_class, at_outlet]
    finite = np.flatnonzero(np.isfinite(limits))
    share = np.zeros(net_usd.shape)
    shadow = np.zeros(len(limits))
    if len(gain) and gain.max() > 0:
        # Rows and gains near 1 keep the solver's absolute tolerances far below a dollar in a sale.
        row_scale = np.where(limits[finite] > 0, limits[finite], 1.0)
        gain_scale = gain.max()
        columns = np.arange(len(gain))
        whole = csr_matrix((np.ones(len(gain)), (at_class, columns)), shape=(classes, len(gain)))
        limited = uses[finite][:, at_class, at_outlet] / row_scale[:, np.newaxis]
        solved = linprog(
            -gain / gain_scale,
            A_ub=vstack([whole, csr_matrix(limited)]),
            b_ub=np.concatenate([np.ones(classes), limits[finite] / row_scale]),
            bounds=(0, None),
            method="highs",
        )
        if solved.status != 0:
            raise StandmapError(f"the sale under limits could not be solved: {solved.message}")
        share[at_class, at_outlet] = np.clip(solved.x, 0.0, 1.0)
        shadow[finite] = -solved.ineqlin.marginals[classes:] * gain_scale / row_scale
    return SharedOut(
        share=share,
        value_usd=float(np.nansum(np.where(share > 0, share * net_usd, 0.0))),
        shadow_usd=shadow + 0.0,
        used=np.einsum("kco,co->k", uses, share),
    )


@dataclass(frozen=True, kw_only=True)
class LimitedSale:
    """A tract sold to mills that take only so much.

    Attributes
    ----------
    share : ndarray, shape (n, lines)
        Share of each tallied log (of the logs of the tract like it) that goes to each line.
    stumpage_usd : ndarray, shape (n,)
        What each log brings by those shares; weighted, they add up to ``value_usd``. [USD]
    value_usd : float
        The sale. [USD]
    unlimited_usd : float
        The same sale if no mill had a limit. [USD]
    mills : DataFrame
        The columns of `mill_totals`, and ``limited`` (the line's limit or its mill's loads are
        used up), ``shadow_usd`` (what one more load would bring there; NaN without a load's tons),
        ``shadow_usd_per_unit`` (what one more of the line's own unit under its own limit would).
    classes : int
        Classes of logs that the tract was sorted into.
    """

    share: FloatArray
    stumpage_usd: FloatArray
    value_usd: float
    unlimited_usd: float
    mills: pd.DataFrame
    classes: int


def sell_under_limits(
    lot: LogLot, sheet: MillSheet, weight: npt.ArrayLike, *, dib_class_in: float = 1.0
) -> LimitedSale:
    """Sell a whole tract to mills that take only so much, for the most it can bring.

    Parameters
    ----------
    lot : LogLot
        The tallied logs.
    sheet : MillSheet
        What the mills buy, with ``limit`` and ``limit_loads``.
    weight : array_like, shape (n,)
        How many logs of the tract each tallied log stands for.
    dib_class_in : float
        Width of the diameter classes that a mill's share is decided by. [in]

    Returns
    -------
    LimitedSale

    Raises
    ------
    DomainError
        If a weight is negative or not a number, or the class width is not above 0.

    Notes
    -----
    Logs are sorted into classes alike in product, species, small end, the lines that would pay for
    them and the line that pays most; a class is shared out among lines by `share_out`. Without
    limits this is `assign_mills`. A price by the tree is spread over the logs of its product in
    the tree by their weight, since part of a class may go elsewhere.

    The sampling error of the cruise is not in the plan: quantities are the estimates.
    """
    stands_for = np.asarray(weight, dtype=np.float64)
    if stands_for.shape != (len(lot),) or not (stands_for >= 0).all():
        raise DomainError(f"'weight' must be {len(lot)} numbers of 0 or more.")
    if not dib_class_in > 0:
        raise DomainError(f"'dib_class_in' must be above 0; got {dib_class_in!r}.")
    amounts = _with_trees_spread(lot)
    accepts = sheet.accepts(lot)
    net = np.full(accepts.shape, np.nan)
    for line in range(len(sheet.lines)):
        usd = sheet.net_usd(lot, line, amounts)
        worth = accepts[:, line] & (usd >= 0)
        net[worth, line] = usd[worth]
    of_log, n_classes = _classes(lot, net, dib_class_in)

    def by_class(values: FloatArray) -> FloatArray:
        held = np.bincount(of_log, weights=stands_for * values, minlength=n_classes)
        return np.asarray(held, dtype=np.float64)

    class_net = np.empty((n_classes, len(sheet.lines)))
    for line, usd in enumerate(net.T):
        class_net[:, line] = by_class(usd)
    limits = _Limits.of(lot, sheet, amounts)
    used = [by_class(use) for use in limits.unit_uses]
    unit_uses = np.array(used).reshape(len(used), n_classes)
    held = limits.lines_held(sheet)
    uses = unit_uses[:, :, np.newaxis] * held[:, np.newaxis, :]
    plan = share_out(class_net, uses, limits.most)
    share = plan.share[of_log]
    return LimitedSale(
        share=share,
        stumpage_usd=np.where(share > 0, share * np.nan_to_num(net), 0.0).sum(axis=1),
        value_usd=plan.value_usd,
        unlimited_usd=float(np.nan_to_num(class_net).max(axis=1, initial=0.0).sum()),
        mills=_mills(lot, sheet, stands_for[:, np.newaxis] * share, amounts, plan, limits),
        classes=n_classes,
    )


def _with_trees_spread(lot: LogLot) -> FloatArray:
    """Return the amounts with each tree spread over its product's logs by their weight."""
    total = np.bincount(lot.group, weights=lot.weight_tons)[lot.group]
    out = lot.amounts.copy()
    out[:, TREE] = np.divide(lot.weight_tons, total, out=out[:, TREE].copy(), where=total > 0)
    return out


def _classes(lot: LogLot, net: FloatArray, dib_class_in: float) -> tuple[IntArray, int]:
    """Sort logs into classes; logs of a class are alike in which lines pay, and which pays most."""
    pays = np.packbits(~np.isnan(net), axis=1).astype(np.int64)
    best = np.where(np.isnan(net), -np.inf, net)
    most = best.argmax(axis=1) if net.shape[1] else np.zeros(len(lot), dtype=np.int64)
    dib = np.floor(lot.small_dib_in / dib_class_in).astype(np.int64)
    key = np.column_stack([lot.product, lot.species_code, dib, most, pays])
    found, of_log = np.unique(key, axis=0, return_inverse=True)
    return of_log.ravel().astype(np.int64), len(found)


@dataclass(frozen=True, slots=True)
class _Limits:
    """The limits of a sheet: those of lines by their own unit, then those of mills by loads."""

    of_line: IntArray
    of_mill: IntArray
    most: FloatArray
    unit_uses: FloatArray

    @classmethod
    def of(cls, lot: LogLot, sheet: MillSheet, amounts: FloatArray) -> _Limits:
        limit = np.array([line.limit for line in sheet.lines], dtype=np.float64)
        of_line = np.flatnonzero(np.isfinite(limit))
        of_mill = np.flatnonzero(np.isfinite(sheet.loads_limit))
        uses = [amounts[:, sheet.unit_code[line]] for line in of_line]
        if len(of_mill) and sheet.costs is not None:
            uses += [lot.weight_tons / sheet.costs.load_tons] * len(of_mill)
        return cls(
            of_line,
            of_mill,
            np.concatenate([limit[of_line], sheet.loads_limit[of_mill]]),
            np.array(uses).reshape(len(uses), len(lot)),
        )

    def lines_held(self, sheet: MillSheet) -> BoolArray:
        """Return which lines each limit holds, shape (limits, lines)."""
        by_line = self.of_line[:, np.newaxis] == np.arange(len(sheet.lines))
        by_mill = self.of_mill[:, np.newaxis] == sheet.mill_of_line
        return np.concatenate([by_line, by_mill])


def _mills(
    lot: LogLot,
    sheet: MillSheet,
    sent: FloatArray,
    amounts: FloatArray,
    plan: SharedOut,
    limits: _Limits,
) -> pd.DataFrame:
    """Return the totals of each line that gets any, with its limit and what more would bring."""
    full = plan.used >= limits.most * (1 - 1e-6)  # the solver's own tolerance is 1e-7
    held = limits.lines_held(sheet)
    n_own = len(limits.of_line)
    rows = []
    for line in np.flatnonzero((sent > 0).any(axis=0)):
        row = line_row(lot, sheet, int(line), sent[:, line], amounts)
        per_unit = float(plan.shadow_usd[:n_own][held[:n_own, line]].sum())
        per_load = float(plan.shadow_usd[n_own:][held[n_own:, line]].sum())
        units_per_load = row["quantity"] / row["loads"] if row["loads"] > 0 else np.nan
        row |= {
            "limited": bool((full & held[:, line]).any()),
            "shadow_usd": per_load + per_unit * units_per_load,
            "shadow_usd_per_unit": per_unit,
        }
        rows.append(row)
    return pd.DataFrame(rows, columns=[*LINE_COLUMNS, *LIMIT_COLUMNS])
