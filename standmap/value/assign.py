"""Which mill each log goes to, and how firm that choice is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.errors import DomainError
from standmap.value.amounts import BoolArray, FloatArray, IntArray, LogLot
from standmap.value.mills import MillSheet

LINE_COLUMNS: Final = (
    "mill", "product", "species", "unit", "log_rule", "quantity_label", "line", "quantity", "tons",
    "loads", "delivered_usd", "stumpage_usd",
)  # fmt: skip
"""Columns of `mill_totals`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Assigned:
    """Logs sent to mills.

    Attributes
    ----------
    line : ndarray of int, shape (n,)
        Line of the sheet that each log is sold on; -1 for a log left in the woods.
    stumpage_usd : ndarray, shape (n,)
        What it brings the landowner: price less cutting, loading and hauling. 0 where left. [USD]
    delivered_usd : ndarray, shape (n,)
        What the mill pays at its gate; NaN where it pays stumpage, 0 where left. [USD]
    second_line : ndarray of int, shape (n,)
        Best line of another mill; -1 where no other would pay.
    second_usd : ndarray, shape (n,)
        Stumpage there; NaN where no other would pay. [USD]
    not_taken : ndarray of bool, shape (n,)
        No mill takes such a log.
    at_a_loss : ndarray of bool, shape (n,)
        Mills take it, and none pays what it costs to bring: it is left in the woods.
    """

    line: IntArray
    stumpage_usd: FloatArray
    delivered_usd: FloatArray
    second_line: IntArray
    second_usd: FloatArray
    not_taken: BoolArray
    at_a_loss: BoolArray


@dataclass(slots=True)
class _Choice:
    """Best and second-best lines so far; -inf dollars where there is none."""

    line: IntArray
    usd: FloatArray
    second_line: IntArray
    second_usd: FloatArray

    @classmethod
    def none(cls, n: int) -> _Choice:
        return cls(np.full(n, -1), np.full(n, -np.inf), np.full(n, -1), np.full(n, -np.inf))

    def offer(self, line: IntArray, usd: FloatArray) -> None:
        """Let another mill's best line for each log compete; on a tie the earlier mill stays."""
        beats = usd > self.usd
        runs_up = usd > self.second_usd
        self.second_line = np.where(beats, self.line, np.where(runs_up, line, self.second_line))
        self.second_usd = np.where(beats, self.usd, np.where(runs_up, usd, self.second_usd))
        self.line = np.where(beats, line, self.line)
        self.usd = np.where(beats, usd, self.usd)


def assign_mills(
    lot: LogLot, sheet: MillSheet, *, mill: str | Sequence[str] | None = None
) -> Assigned:
    """Send each log to the mill that nets the most.

    Parameters
    ----------
    lot : LogLot
        The logs.
    sheet : MillSheet
        What the mills buy.
    mill : str or sequence of str, optional
        A stated mill for all logs, or one for each log (blank: whichever nets most).

    Returns
    -------
    Assigned

    Raises
    ------
    DomainError
        If a stated mill is not on the sheet.

    Notes
    -----
    Within a mill the narrowest species entry that takes the log's size pays (`MillSheet.accepts`);
    of several lines as narrow, the one that nets most. A log that would cost more to bring than it
    pays is left. Limits of demand are not looked at here; see `sell_under_limits`.

    A price by the tree buys all the logs that its product has in a tree, and is paid once: it wins
    where it takes them all and nets more than selling each of them by itself.

    Examples
    --------
    >>> from standmap.value import Costs, MillLine
    >>> lot = LogLot(products=("saw",), tree=np.array([0, 1]), product=np.array([0, 0]),
    ...     species_code=np.array([802, 802]), small_dib_in=np.array([10.0, 20.0]),
    ...     large_dib_in=np.array([12.0, 22.0]), length_ft=np.array([16.0, 16.0]),
    ...     bf=np.array([[65.0, 36, 55, 60], [290, 256, 272, 280]]), cords=np.zeros(2),
    ...     weight_tons=np.array([0.4, 1.5]), volume_cuft=np.array([12.0, 45.0]))
    >>> sheet = MillSheet(costs=Costs(cut_load_usd_per_ton=20, haul_usd_per_loaded_mile=5,
    ...                               load_tons=25), lines=(
    ...     MillLine(mill="north", product="saw", price_usd=700, unit="mbf", log_rule="doyle",
    ...              basis="delivered", haul_miles=25),
    ...     MillLine(mill="river", product="saw", price_usd=560, unit="mbf",
    ...              log_rule="international", basis="delivered", haul_miles=25)))
    >>> sold = assign_mills(lot, sheet)
    >>> [sheet.lines[line].mill for line in sold.line], sold.stumpage_usd, sold.second_usd
    (['river', 'north'], array([ 26.4, 141.7]), array([ 15.2, 124.9]))
    """
    accepts = sheet.accepts(lot)
    if mill is not None:
        stated = _stated(mill, sheet.mills, len(lot))[:, np.newaxis]
        accepts &= (stated < 0) | (stated == sheet.mill_of_line)
    choice = _by_the_log(lot, sheet, accepts)
    for line in np.flatnonzero(sheet.by_tree):
        _offer_by_tree(choice, lot, sheet, int(line), accepts[:, line])
    sold = choice.line >= 0
    runner = choice.second_line >= 0
    taken = np.asarray(accepts.any(axis=1))
    return Assigned(
        line=choice.line,
        stumpage_usd=np.where(sold, choice.usd, 0.0),
        delivered_usd=_delivered(lot, sheet, choice.line),
        second_line=choice.second_line,
        second_usd=np.where(runner, choice.second_usd, np.nan),
        not_taken=~taken,
        at_a_loss=taken & ~sold,
    )


def _stated(mill: str | Sequence[str], mills: Sequence[str], n: int) -> IntArray:
    """Return the place of each log's stated mill; -1 for none."""
    named = np.full(n, mill, dtype=object) if isinstance(mill, str) else np.asarray(mill, object)
    if named.shape != (n,):
        raise DomainError(f"'mill' must name one mill for each log ({n}); got {named.shape}.")
    place = {name.casefold(): at for at, name in enumerate(mills)} | {"": -1}
    of_log, names = pd.factorize(named)  # missing is -1: the last of the list below
    at = []
    for name in names:
        key = str(name).strip().casefold()
        if key not in place:
            near = get_close_matches(key, list(place), n=1)
            hint = f" Did you mean {mills[place[near[0]]]!r}?" if near else ""
            raise DomainError(f"'mill' must name a mill of the sheet; got {name!r}.{hint}")
        at.append(place[key])
    return np.array([*at, -1], dtype=np.int64)[of_log]


def _by_the_log(lot: LogLot, sheet: MillSheet, accepts: BoolArray) -> _Choice:
    """Choose among the lines that pay for each log by itself."""
    choice = _Choice.none(len(lot))
    for mill in range(len(sheet.mills)):
        best = _Choice.none(len(lot))
        for line in np.flatnonzero((sheet.mill_of_line == mill) & ~sheet.by_tree):
            net = sheet.net_usd(lot, int(line))
            worth = accepts[:, line] & (net >= 0)
            best.offer(np.full(len(lot), line), np.where(worth, net, -np.inf))
        choice.offer(best.line, best.usd)
    return choice


def _offer_by_tree(
    choice: _Choice, lot: LogLot, sheet: MillSheet, line: int, accepts: BoolArray
) -> None:
    """Let a price by the tree compete for all the logs of its product in each tree."""
    group, n_groups = lot.group, int(lot.group.max(initial=-1)) + 1

    def total(usd: FloatArray) -> FloatArray:
        worth = np.where(np.isfinite(usd), usd, 0.0)
        return np.asarray(np.bincount(group, weights=worth, minlength=n_groups), dtype=np.float64)

    net = sheet.net_usd(lot, line)
    takes_all = np.bincount(group, weights=~accepts, minlength=n_groups) == 0
    offered = np.where(takes_all, total(net), -np.inf)
    held = np.bincount(group, weights=choice.line >= 0, minlength=n_groups) > 0
    wins = (offered >= 0) & ((offered > total(choice.usd)) | ~held)
    other = sheet.mill_of_line[choice.line] != sheet.mill_of_line[line]
    elsewhere = np.bincount(group, weights=~other, minlength=n_groups) == 0
    has_second = np.bincount(group, weights=choice.second_line >= 0, minlength=n_groups) > 0
    runs_up = (offered >= 0) & ~wins & elsewhere
    runs_up &= (offered > total(choice.second_usd)) | ~has_second
    won, ran = wins[group], runs_up[group]
    demoted = won & other & (choice.line >= 0)
    choice.second_line = np.where(demoted, choice.line, np.where(ran, line, choice.second_line))
    choice.second_usd = np.where(demoted, choice.usd, np.where(ran, net, choice.second_usd))
    choice.line = np.where(won, line, choice.line)
    choice.usd = np.where(won, net, choice.usd)


def _delivered(lot: LogLot, sheet: MillSheet, line: IntArray) -> FloatArray:
    """Return what the mill pays at its gate; NaN where it pays stumpage."""
    paid = np.zeros(len(lot))
    sold = np.flatnonzero(line >= 0)
    on = line[sold]
    at_gate = np.array([x.basis == "delivered" for x in sheet.lines], dtype=np.bool_)[on]
    price = sheet.price_usd[on] * lot.amounts[sold, sheet.unit_code[on]]
    paid[sold] = np.where(at_gate, price, np.nan)
    return paid


def mill_totals(
    lot: LogLot, sheet: MillSheet, assigned: Assigned, weight: npt.ArrayLike
) -> pd.DataFrame:
    """Add up what goes to each mill.

    Parameters
    ----------
    lot, sheet, assigned
        The logs, the mills and where the logs go.
    weight : array_like, shape (n,)
        How many logs of the tract each tallied log stands for.

    Returns
    -------
    DataFrame
        One row for each line that gets any: `mill`, `product`, `species`, `unit`, `log_rule`,
        `quantity_label`, `line`, `quantity`, `tons`, `loads` (NaN without costs),
        `delivered_usd` (NaN where the mill pays stumpage), `stumpage_usd`.
    """
    stands_for = np.asarray(weight, dtype=np.float64)
    rows = [
        line_row(lot, sheet, int(line), stands_for * (assigned.line == line), lot.amounts)
        for line in np.unique(assigned.line[assigned.line >= 0])
    ]
    return pd.DataFrame(rows, columns=list(LINE_COLUMNS))


def line_row(
    lot: LogLot, sheet: MillSheet, line: int, held: FloatArray, amounts: FloatArray
) -> dict[str, Any]:
    """Return the totals of one line that gets ``held`` logs for each tallied log."""
    x = sheet.lines[line]
    quantity = float(held @ amounts[:, sheet.unit_code[line]])
    tons = float(held @ lot.weight_tons)
    label = x.unit_label if x.unit == "mbf" else f"{x.unit_label}s"
    return {
        "mill": x.mill,
        "product": x.product,
        "species": x.species,
        "unit": x.unit,
        "log_rule": x.log_rule,
        "quantity_label": label,
        "line": line,
        "quantity": quantity,
        "tons": tons,
        "loads": np.nan if sheet.costs is None else tons / sheet.costs.load_tons,
        "delivered_usd": x.price_usd * quantity if x.basis == "delivered" else np.nan,
        "stumpage_usd": x.price_usd * quantity - sheet.cost_usd_per_ton[line] * tons,
    }
