"""What the choices are worth: ways of cutting, mills, offers, and the conversion sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from standmap.products import Logs, second_best
from standmap.steps.cutting import METHODS, cut, recorded, stem_prices
from standmap.steps.plot_sums import PlotSums
from standmap.steps.plots import TallyFigures
from standmap.steps.sale_risks import UNSOLD_COLUMNS, SaleRisks, firmness, unsold
from standmap.tract import Tract
from standmap.value import (
    LogLot,
    MillSheet,
    Offer,
    assign_mills,
    break_even_table,
    sell_under_limits,
    tract_conversions,
    value_offers,
)

FloatArray = npt.NDArray[np.float64]

BUCKING_COLUMNS = (
    "stand",
    "method",
    "value_usd",
    "value_error_pct",
    "more_than_field_usd",
    "more_error_pct",
)
OFFER_COLUMNS = (
    "offer",
    "value_usd",
    "value_error_pct",
    "rank",
    "less_than_best_usd",
    "less_error_pct",
    "unpriced_logs",
)


MILL_COLUMNS = (
    "mill",
    "product",
    "species",
    "unit",
    "log_rule",
    "quantity_label",
    "quantity",
    "quantity_error_pct",
    "tons",
    "loads",
    "delivered_usd",
    "stumpage_usd",
    "stumpage_error_pct",
    "limit",
    "limit_loads",
    "limited",
    "shadow_usd",
    "shadow_usd_per_unit",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Merchandising:
    """The tables of the merchandising page; see `standmap.appraisal.Appraisal`."""

    bucking_values: pd.DataFrame
    offers: pd.DataFrame
    break_even: pd.DataFrame
    mills: pd.DataFrame
    conversions: pd.DataFrame
    log_columns: pd.DataFrame
    risks: SaleRisks


def merchandise(tract: Tract, tally: TallyFigures, plots: PlotSums) -> Merchandising:
    """Work out every comparison on the same plots.

    Parameters
    ----------
    tract : Tract
        The checked input.
    tally : TallyFigures
        The tally, cut and priced.
    plots : PlotSums
        What estimates sums over its logs.
    """
    lot = tally.lot
    weight = plots.tract_weight(tally.logs)
    dbh = tally.trees["dbh_in"].to_numpy(dtype=float)[tally.logs.tree]
    cuft_per_cord = tract.settings.volume.cuft_per_cord
    mills, of_mills, left, limits_cost_usd = _mills(tract.mills, lot, weight, plots, tally.logs)
    second = _second_products(tract, tally)
    return Merchandising(
        bucking_values=_bucking_values(tract, tally, plots),
        offers=_offers(tract.offers, lot, weight, plots, tally.logs),
        break_even=break_even_table(lot, weight, tract.offers),
        mills=mills,
        conversions=tract_conversions(lot, dbh_in=dbh, weight=weight, cuft_per_cord=cuft_per_cord),
        log_columns=pd.concat([of_mills, second], axis=1),
        risks=SaleRisks(
            firmness=firmness(tally, second, plots),
            unsold=left,
            limits_cost_usd=limits_cost_usd,
        ),
    )


def _bucking_values(tract: Tract, tally: TallyFigures, plots: PlotSums) -> pd.DataFrame:
    """Return the value of each way of cutting, and what it brings over the cruiser's own."""
    if tract.prices is None and tract.mills is None:
        return pd.DataFrame(columns=list(BUCKING_COLUMNS))
    columns: dict[str, FloatArray] = {}
    species = tally.trees["species_code"].to_numpy(dtype=np.int64)
    for method in METHODS:
        own = method == tract.settings.bucking.method
        logs = tally.logs if own else cut(tract, tally.grown, method=method)
        usd = tally.market.value_usd(LogLot.of(logs, species))
        if usd is not None:
            columns[method] = plots.per_acre(logs, usd[:, np.newaxis])[:, 0]
    more = {f"{m} more": columns[m] - columns["field"] for m in METHODS[1:]}
    table = plots.totals({**columns, **more}, plots.tract_and_stands)
    value, error = table.wide("estimate"), table.wide("error_pct")
    parts = []
    for method in METHODS:
        gain = f"{method} more"
        parts.append(
            pd.DataFrame(
                {
                    "stand": list(table.rows),
                    "method": method,
                    "value_usd": value[method].to_numpy(),
                    "value_error_pct": error[method].to_numpy(),
                    "more_than_field_usd": value[gain].to_numpy() if gain in value else 0.0,
                    "more_error_pct": error[gain].to_numpy() if gain in error else np.nan,
                }
            )
        )
    frame = pd.concat(parts, ignore_index=True)
    place = {name: at for at, name in enumerate(table.rows)}
    order = frame["stand"].map(place).argsort(kind="stable")
    return frame.iloc[order].reset_index(drop=True)[list(BUCKING_COLUMNS)]


def _offers(
    offers: tuple[Offer, ...], lot: LogLot, weight: FloatArray, plots: PlotSums, logs: Logs
) -> pd.DataFrame:
    """Rank the offers on the same logs; a difference has the error of the plots' differences."""
    if not offers:
        return pd.DataFrame(columns=list(OFFER_COLUMNS))
    values = value_offers(lot, offers)
    ranked = values.totals(weight)
    per_acre = plots.per_acre(logs, values.log_usd)
    at = {name: k for k, name in enumerate(values.offers)}
    best = at[str(ranked["offer"].iloc[0])]
    columns = {f"value {k}": per_acre[:, k] for k in at.values()}
    columns |= {f"less {k}": per_acre[:, best] - per_acre[:, k] for k in at.values()}
    half = plots.tract_total(columns).wide("half_width").iloc[0]
    order = [at[str(name)] for name in ranked["offer"]]
    # A lump sum adds dollars and no error: percents are of the whole value.
    value_half = half[[f"value {k}" for k in order]].to_numpy(dtype=float)
    less_half = half[[f"less {k}" for k in order]].to_numpy(dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        ranked["value_error_pct"] = 100 * value_half / ranked["value_usd"].to_numpy(dtype=float)
        less = ranked["less_than_best_usd"].to_numpy(dtype=float)
        ranked["less_error_pct"] = np.where(less > 0, 100 * less_half / less, np.nan)
    return ranked[list(OFFER_COLUMNS)]


def _mills(
    sheet: MillSheet | None, lot: LogLot, weight: FloatArray, plots: PlotSums, logs: Logs
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, float]:
    """Return what goes to each mill with its error, the mill of each log, and what is left."""
    if sheet is None:
        none = pd.DataFrame(columns=list(UNSOLD_COLUMNS))
        return (
            pd.DataFrame(columns=list(MILL_COLUMNS)),
            pd.DataFrame(index=range(len(lot))),
            none,
            0.0,
        )
    sale = sell_under_limits(lot, sheet, weight)
    first = assign_mills(lot, sheet)
    table = sale.mills.assign(
        quantity_error_pct=np.nan,
        stumpage_error_pct=np.nan,
        limit=_finite([sheet.lines[line].limit for line in sale.mills["line"]]),
        limit_loads=_finite(
            [sheet.loads_limit[sheet.mill_of_line[line]] for line in sale.mills["line"]]
        ),
    )
    columns: dict[str, FloatArray] = {}
    for line in table["line"]:
        sent = sale.share[:, line]
        code = sheet.unit_code[line]
        usd = sheet.net_usd(lot, int(line))
        both = np.column_stack([sent * lot.amounts[:, code], sent * usd])
        summed = plots.per_acre(logs, both)
        columns[f"quantity {line}"], columns[f"stumpage {line}"] = summed[:, 0], summed[:, 1]
    if columns:
        error = plots.tract_total(columns).wide("error_pct").iloc[0]
        for name in ("quantity", "stumpage"):
            table[f"{name}_error_pct"] = [error[f"{name} {line}"] for line in table["line"]]
    goes = sale.share.argmax(axis=1) if sale.share.shape[1] else np.zeros(len(lot), dtype=int)
    sold = sale.share.sum(axis=1) > 0
    names = np.array([line.mill for line in sheet.lines], dtype=object)
    # A limit may have sent a log past the mill that would net most: that one is then its second.
    moved = sold & (first.line >= 0) & (names[goes] != names[first.line])
    second = np.where(moved, first.line, first.second_line)
    of_log = pd.DataFrame(
        {
            "mill": np.where(sold, names[goes], ""),
            "mill_usd": sale.stumpage_usd,
            "second_mill": np.where(second >= 0, names[second], ""),
            "second_mill_usd": np.where(moved, first.stumpage_usd, first.second_usd),
        }
    )
    left = unsold(lot, logs, sale, first, plots)
    return table[list(MILL_COLUMNS)], of_log, left, sale.unlimited_usd - sale.value_usd


def _finite(limits: Sequence[float]) -> FloatArray:
    """Return limits with NaN where there is none."""
    most = np.array(limits, dtype=np.float64)
    return np.where(np.isfinite(most), most, np.nan)


def _second_products(tract: Tract, tally: TallyFigures) -> pd.DataFrame:
    """Return the best other product of each log and what it would bring: how firm a cut is."""
    prices = stem_prices(tract, tally.grown)
    if prices is None:
        return pd.DataFrame(index=range(len(tally.logs)))
    how = recorded(tract, tally.grown)
    found = second_best(tally.logs, tally.grown.stems, tract.products, prices, **how)
    names = np.array([*(spec.product for spec in tract.products), ""], dtype=object)
    return pd.DataFrame(
        {
            "second_product": names[found.product],
            "second_usd": np.where(found.product >= 0, found.usd, np.nan),
        }
    )
