"""What a sale hangs on: what each log would bring as its next best product, and what is unsold."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.cruise import EstimateTable
from standmap.products import Logs
from standmap.steps.plot_sums import PlotSums
from standmap.steps.plots import TallyFigures
from standmap.value import Assigned, LimitedSale, LogLot

FloatArray = npt.NDArray[np.float64]

FIRMNESS_COLUMNS: Final = (
    "stand",
    "product",
    "logs",
    "value_usd",
    "value_error_pct",
    "second_usd",
    "second_error_pct",
    "less_usd",
    "less_error_pct",
    "kept_pct",
    "no_other_usd",
    "mostly_as",
)
UNSOLD_COLUMNS: Final = (
    "product",
    "reason",
    "logs",
    "tons",
    "tons_error_pct",
    "forgone_usd",
    "forgone_error_pct",
)
MILLS_FULL: Final = "mills full"
NOBODY: Final = "no mill takes it"
AT_A_LOSS: Final = "costs more than it pays"
"""Why wood is left unsold."""

_LEAST_SHARE: Final = 1e-6  # the solver's own tolerance is 1e-7


@dataclass(frozen=True, slots=True, kw_only=True)
class SaleRisks:
    """What hangs on single buyers, and what their limits leave standing.

    Attributes
    ----------
    firmness : DataFrame
        A row for the tract (``stand`` and ``product`` blank), for each product of the tract and
        for each stand: ``logs`` tallied; ``value_usd`` as sold; ``second_usd`` if every log went
        to the best product other than its own, nothing where nobody else takes it; ``less_usd``,
        the difference, with its paired error; ``kept_pct``, the second as a percent of the first;
        ``no_other_usd``, the part of the value in logs that nobody else takes; ``mostly_as``, the
        product that would take the most of that second value. Empty where nothing is priced.
    unsold : DataFrame
        What no mill ends up with, by product and ``reason``: ``tons`` with their error, and
        ``forgone_usd``, what it would bring if the mills had no limits. Empty without mills.
    limits_cost_usd : float
        What the sale would bring beyond what it brings, if no mill had a limit; 0 without mills.
    """

    firmness: pd.DataFrame
    unsold: pd.DataFrame
    limits_cost_usd: float


def firmness(tally: TallyFigures, second: pd.DataFrame, plots: PlotSums) -> pd.DataFrame:
    """Add up the second-best products of the logs: how firm the cuts are.

    Parameters
    ----------
    tally : TallyFigures
        The tally, cut and priced.
    second : DataFrame
        A row a log: ``second_product`` (blank: nobody else takes it) and ``second_usd``.
    plots : PlotSums
        What estimates the sums.

    Returns
    -------
    DataFrame
        As `SaleRisks.firmness`.

    Notes
    -----
    Both values ride on the same logs of the same plots, so their difference is an attribute of
    each plot like any other, and its error is found from the plots' own differences.
    """
    if second.empty or not tally.sold.value_usd.any():
        return pd.DataFrame(columns=list(FIRMNESS_COLUMNS))
    logs, value = tally.logs, tally.sold.value_usd
    after = second["second_usd"].fillna(0.0).to_numpy(dtype=float)
    alone = np.where(second["second_product"].to_numpy() == "", value, 0.0)
    figures = np.column_stack([value, after, value - after, alone])
    product_of_log = np.array(logs.products, dtype=object)[logs.product]
    products = tally.sold.lines.sort_values("rank", kind="stable")["product"].unique()
    columns: dict[str, FloatArray] = {}
    for product in ["", *products]:
        here = np.ones(len(logs)) if product == "" else (product_of_log == product).astype(float)
        summed = plots.per_acre(logs, figures * here[:, np.newaxis])
        columns |= {f"{name}|{product}": summed[:, at] for at, name in enumerate(_SUMS)}
    of_tract = _rows(plots.tract_total(columns), stands=[""])
    whole = {name: figure for name, figure in columns.items() if name.endswith("|")}
    by_stand = plots.totals(whole, plots.tract_and_stands.iloc[1:])
    frame = pd.concat([of_tract, _rows(by_stand, stands=by_stand.rows)], ignore_index=True)

    stand_of_log = tally.trees["stand"].to_numpy(dtype=object)[logs.tree]
    brought = after * plots.tract_weight(logs)
    heldby = [
        ((stand_of_log == stand) | (stand == "")) & ((product_of_log == product) | (product == ""))
        for stand, product in zip(frame["stand"], frame["product"], strict=True)
    ]
    frame["logs"] = [int(here.sum()) for here in heldby]
    frame["mostly_as"] = [_mostly(second["second_product"], brought * here) for here in heldby]
    return frame[list(FIRMNESS_COLUMNS)]


_SUMS: Final = ("value", "second", "less", "no_other")


def _rows(table: EstimateTable, *, stands: Sequence[str]) -> pd.DataFrame:
    """Return a row for each domain and product of a table of the sums."""
    found, error = table.wide("estimate"), table.wide("error_pct")
    rows = []
    for at, stand in enumerate(stands):
        usd, pct = found.iloc[at], error.iloc[at]
        for product in dict.fromkeys(name.partition("|")[2] for name in table.attributes):
            row: dict[str, object] = {"stand": stand, "product": product}
            for name in _SUMS:
                row[f"{name}_usd"] = usd[f"{name}|{product}"]
                row[f"{name}_error_pct"] = pct[f"{name}|{product}"]
            worth = usd[f"value|{product}"]
            share = 100.0 * usd[f"second|{product}"] / worth if worth > 0 else np.nan
            rows.append({**row, "kept_pct": share})
    return pd.DataFrame(rows)


def _mostly(products: pd.Series, brought_usd: FloatArray) -> str:
    """Return the product that would take the most of the second value; blank where none would."""
    by_product = pd.Series(brought_usd).groupby(products.to_numpy(dtype=object)).sum()
    return str(by_product.idxmax()) if len(by_product) and by_product.max() > 0 else ""


def unsold(
    lot: LogLot, logs: Logs, sale: LimitedSale, first: Assigned, plots: PlotSums
) -> pd.DataFrame:
    """Add up what no mill ends up with, by product and reason.

    Parameters
    ----------
    lot, logs : LogLot and Logs
        The same logs, as buyers and as the tally see them.
    sale : LimitedSale
        What goes where within the limits.
    first : Assigned
        What would go where without any.
    plots : PlotSums
        What estimates the sums.

    Returns
    -------
    DataFrame
        As `SaleRisks.unsold`.
    """
    left = np.clip(1.0 - sale.share.sum(axis=1), 0.0, 1.0)
    reasons = {MILLS_FULL: first.line >= 0, AT_A_LOSS: first.at_a_loss, NOBODY: first.not_taken}
    columns: dict[str, FloatArray] = {}
    found: list[dict[str, object]] = []
    for at, product in enumerate(lot.products):
        for reason, why in reasons.items():
            here = why & (lot.product == at) & (left > _LEAST_SHARE)
            if not here.any():
                continue
            share = np.where(here, left, 0.0)
            both = np.column_stack([share * lot.weight_tons, share * first.stumpage_usd])
            summed = plots.per_acre(logs, both)
            columns |= {f"tons {len(found)}": summed[:, 0], f"forgone {len(found)}": summed[:, 1]}
            found.append({"product": product, "reason": reason, "logs": int(here.sum())})
    if not found:
        return pd.DataFrame(columns=list(UNSOLD_COLUMNS))
    table = plots.tract_total(columns)
    total, error = table.wide("estimate").iloc[0], table.wide("error_pct").iloc[0]
    for at, row in enumerate(found):
        row["tons"], row["tons_error_pct"] = total[f"tons {at}"], error[f"tons {at}"]
        row["forgone_usd"] = total[f"forgone {at}"]
        row["forgone_error_pct"] = error[f"forgone {at}"]
    frame = pd.DataFrame(found)[list(UNSOLD_COLUMNS)]
    order = ["forgone_usd", "tons"]
    return frame.sort_values(order, ascending=False, kind="stable", ignore_index=True)
