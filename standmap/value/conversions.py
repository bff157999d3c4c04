"""Conversion sheet: what an MBF weighs and how far the rules part, on a tract's own logs.

Beside each figure stand the published rules of thumb. They are averages of other tracts; the point
of the sheet is to show how far this tract is from them.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap._tables import load_table
from standmap.errors import DomainError
from standmap.species import species_mask
from standmap.trees import cords
from standmap.units import LB_PER_TON, LOG_RULES
from standmap.value.amounts import CORD, TON, BoolArray, FloatArray, LogLot, unit_label

DBH_CLASSES_IN: Final = (0.0, 11.0, 13.0, 15.0, 17.0, 19.0, 21.0, 29.0, math.inf)
"""Edges of the DBH classes of the overrun table: those of the Manual for the Appraisal of
Timberland, Texas Comptroller 2004, Table 4, and smaller trees. [in]"""

_LOBLOLLY: Final = 131

_UNPRINTED_GROUP: Final = "other softwood"
"""The figures that name no group were found on pine and hardwood."""

_COLUMNS: Final = (
    "kind", "group", "item", "condition", "here", "here_n", "published_low", "published",
    "published_high", "source",
)  # fmt: skip


def published_conversions() -> pd.DataFrame:
    """Return the published rules of thumb, each with its source.

    Returns
    -------
    DataFrame
        As in ``data/conversions_published.csv``: ``kind``, ``group``, ``product``, ``rule``,
        ``to_rule``, ``size_from_in``, ``size_to_in``, ``condition``, ``value``, ``low``, ``high``,
        ``status``, ``compare``, ``source``, ``note``; figures as printed.

    Examples
    --------
    >>> table = published_conversions()
    >>> pine = table[(table.kind == "tons_per_mbf") & (table["product"] == "pine sawlogs")]
    >>> sorted(set(pine.value))
    [8.0]
    """
    table = load_table("conversions_published").copy()
    text = ["rule", "to_rule", "condition", "note"]
    table[text] = table[text].fillna("")
    return table


def overrun_pct(bf: npt.ArrayLike, other_bf: npt.ArrayLike) -> FloatArray:
    """How much more one rule counts than another in the same logs.

    Parameters
    ----------
    bf, other_bf : array_like
        Board feet by the two rules.

    Returns
    -------
    ndarray
        100 x (bf / other_bf - 1). [%] NaN where the other rule counts nothing.

    Examples
    --------
    >>> overrun_pct([100.0, 10.0], [80.0, 0.0])
    array([25., nan])
    """
    one, other = np.broadcast_arrays(
        np.asarray(bf, dtype=np.float64), np.asarray(other_bf, dtype=np.float64)
    )
    ratio = np.divide(one, other, out=np.full(one.shape, np.nan), where=other > 0)
    return np.asarray(100.0 * (ratio - 1.0))


def tract_conversions(
    lot: LogLot,
    *,
    dbh_in: npt.ArrayLike,
    weight: npt.ArrayLike,
    cuft_per_cord: float | None = None,
) -> pd.DataFrame:
    """Return the conversion factors of a tract's own logs beside the published ones.

    Parameters
    ----------
    lot : LogLot
        The tallied logs.
    dbh_in : array_like, shape (n,)
        Diameter of each log's tree. [in]
    weight : array_like, shape (n,)
        How many logs of the tract each stands for.
    cuft_per_cord : float, optional
        Solid wood in a cord, for the cords that sawlogs would stack to; by species where not
        given. [cu ft]

    Returns
    -------
    DataFrame
        ``kind`` (such as ``tons per MBF Doyle``), ``group`` (pine, hardwood or other softwood),
        ``item``, ``condition``, ``here``, ``here_n`` (tallied logs behind it), ``published_low``,
        ``published`` (the middle one of the figures printed), ``published_high``, ``source``.

    Raises
    ------
    DomainError
        If an array has not one value for each log.

    Notes
    -----
    Every factor is a ratio of weighted sums over the logs. Board feet are net of defect and tons
    are not, as a mill scales and weighs them. The pine figures in print are of southern pine.
    """
    dbh = np.asarray(dbh_in, dtype=np.float64)
    stands_for = np.asarray(weight, dtype=np.float64)
    for name, array in (("dbh_in", dbh), ("weight", stands_for)):
        if array.shape != (len(lot),):
            raise DomainError(f"'{name}' must have one value per log ({len(lot)}).")
    bulk = np.bincount(lot.product, weights=lot.cords, minlength=len(lot.products)) > 0
    saw = ~bulk[lot.product]
    pine = species_mask("pine", lot.species_code)
    hard = species_mask("hardwood", lot.species_code)
    groups = {"pine": pine, "hardwood": hard, _UNPRINTED_GROUP: ~pine & ~hard}
    weighted = lot.amounts * stands_for[:, np.newaxis]
    stacked = stands_for * cords(lot.species_code, lot.volume_cuft, cuft_per_cord=cuft_per_cord)
    rows: list[tuple[object, ...]] = []
    for group, mine in groups.items():
        rows += _per_mbf(lot, weighted, stacked, mine & saw, group)
        rows += _per_cord(lot, weighted, mine & ~saw, group)
        rows += _overrun(weighted, mine & saw, group, dbh)
    rows += _loblolly(lot, weighted, saw)
    return pd.DataFrame(rows, columns=list(_COLUMNS))


def _ratio(above: FloatArray, below: FloatArray) -> float:
    total = float(below.sum())
    return float(above.sum()) / total if total > 0 else math.nan


def _items(lot: LogLot, mine: BoolArray, together: str) -> Iterator[tuple[str, BoolArray]]:
    """Yield all of a group's logs, then those of each of its products if it has several."""
    if mine.any():
        yield together, mine
    made = np.unique(lot.product[mine])
    for product in made if len(made) > 1 else ():
        yield lot.products[product], mine & (lot.product == product)


def _per_mbf(
    lot: LogLot, weighted: FloatArray, stacked: FloatArray, mine: BoolArray, group: str
) -> Iterator[tuple[object, ...]]:
    for item, here in _items(lot, mine, "all sawlogs"):
        for r, rule in enumerate(LOG_RULES):
            label, n = unit_label("mbf", rule), int(here.sum())
            tons = _ratio(weighted[here, TON], weighted[here, r])
            printed = _printed("tons_per_mbf", group, rule=rule)
            yield f"tons per {label}", group, item, "", tons, n, *printed
    for r, rule in enumerate(LOG_RULES if mine.any() else ()):
        cord = _ratio(stacked[mine], weighted[mine, r])
        label, n = unit_label("mbf", rule), int(mine.sum())
        yield f"cords per {label}", group, "all sawlogs", "", cord, n, *_NOT_PRINTED


def _per_cord(
    lot: LogLot, weighted: FloatArray, mine: BoolArray, group: str
) -> Iterator[tuple[object, ...]]:
    for item, here in _items(lot, mine, "all bulk wood"):
        tons = _ratio(weighted[here, TON], weighted[here, CORD])
        printed = _printed("tons_per_cord", group)
        yield "tons per cord", group, item, "", tons, int(here.sum()), *printed


def _overrun(
    weighted: FloatArray, mine: BoolArray, group: str, dbh: FloatArray
) -> Iterator[tuple[object, ...]]:
    classes = [(0.0, math.inf), *itertools.pairwise(DBH_CLASSES_IN)]
    for other in ("doyle", "scribner"):
        for low, high in classes:
            # A diameter converted from centimetres may fall a hair short of the line it stands on.
            here = mine & (np.round(dbh, 6) >= low) & (np.round(dbh, 6) < high)
            if not here.any():
                continue
            total = weighted[here].sum(axis=0)
            over = overrun_pct(total[LOG_RULES.index("international")],
                               total[LOG_RULES.index(other)])  # fmt: skip
            whole = (low, high) == (0.0, math.inf)
            printed = _printed(
                "rule_to_rule", group, rule="international", to_rule=other,
                size_in=math.nan if whole else low,
            )  # fmt: skip
            yield (
                f"overrun of International over {other.capitalize()}, %", group, "all sawlogs",
                _class_words(low, high), float(over), int(here.sum()), *printed,
            )  # fmt: skip


def _class_words(low: float, high: float) -> str:
    if math.isinf(high):
        return f"DBH {low:.1f} in and more" if low > 0 else "all DBH classes"
    return f"DBH {low:.1f} to {high - 0.1:.1f} in" if low > 0 else f"DBH under {high:.1f} in"


def _loblolly(lot: LogLot, weighted: FloatArray, saw: BoolArray) -> Iterator[tuple[object, ...]]:
    """Yield the weight of loblolly sawlogs by scaling diameter, as its table is printed."""
    mine = saw & (lot.species_code == _LOBLOLLY)
    inch = np.floor(lot.small_dib_in + 0.5)  # scaled to the nearest inch
    for size in np.unique(inch[mine]):
        here = mine & (inch == size)
        tons = _ratio(weighted[here, TON], weighted[here, LOG_RULES.index("international")])
        printed = _printed("tons_per_mbf", "pine", rule="international", size_in=size)
        yield (
            "tons per MBF International", "pine", "loblolly pine sawlogs",
            f"small end {size:.0f} in", tons, int(here.sum()), *printed,
        )  # fmt: skip


_NOT_PRINTED: Final = (math.nan, math.nan, math.nan, "")


def _printed(
    kind: str, group: str, *, rule: str = "", to_rule: str = "", size_in: float = math.nan
) -> tuple[float, float, float, str]:
    """Return the lowest, the middle and the highest figure printed, and who prints them."""
    table = published_conversions()
    kinds = {kind, kind.replace("tons", "lb")}
    of_size = table["size_from_in"].isna() if math.isnan(size_in) else (
        table["size_from_in"] == size_in
    )  # fmt: skip
    fits = table["kind"].isin(kinds) & table["group"].isin([group, "any"]) & of_size
    fits &= (table["rule"] == rule) & (table["to_rule"] == to_rule) & (table["compare"] == "yes")
    rows = table[fits]
    if rows.empty or group == _UNPRINTED_GROUP:
        return _NOT_PRINTED
    per_unit = np.where(rows["kind"].str.startswith("lb"), 1.0 / LB_PER_TON, 1.0)[:, np.newaxis]
    figures = rows[["value", "low", "high"]].to_numpy(dtype=np.float64) * per_unit
    if kind == "rule_to_rule":  # printed as the share that the other rule counts
        figures = 100.0 * (1.0 / figures - 1.0)
    middle = np.sort(figures[:, 0])[(len(figures) - 1) // 2]
    who = "; ".join(dict.fromkeys(rows["source"]))
    return float(np.nanmin(figures)), float(middle), float(np.nanmax(figures)), who
