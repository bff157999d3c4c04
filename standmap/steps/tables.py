"""From estimates to the tables people read: stands, strata, products, units, what must stay."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Final

import numpy as np
import pandas as pd

from standmap.cruise import EstimateTable
from standmap.steps.sampling import LINE_MEASURES, MEASURES, line_attribute, quantity_measure
from standmap.units import BASAL_AREA_CONSTANT, LOG_RULES

TOTAL_COLUMNS: Final = ("estimate", "se", "error_pct", "low", "high", "df", "n_plots")


def measure_columns(per_acre: EstimateTable, totals: EstimateTable) -> pd.DataFrame:
    """Return every measure per acre, its sampling error and its total, a row a domain.

    Parameters
    ----------
    per_acre : EstimateTable
        Means per acre; rows are the domains.
    totals : EstimateTable
        Totals on the domains' net acres, in the same order of rows.

    Returns
    -------
    DataFrame
        Columns ``{m}_per_acre``, ``{m}_error_pct`` and ``{m}_total`` for each of `MEASURES`,
        ``defect_{rule}_pct``, the share that defect takes, and ``qmd_in``, the quadratic mean
        diameter.
    """
    columns: dict[str, np.ndarray] = {}
    for measure in MEASURES:
        at = list(per_acre.attributes).index(measure)
        columns[f"{measure}_per_acre"] = per_acre.estimate[:, at]
        columns[f"{measure}_error_pct"] = per_acre.error_pct[:, at]
        columns[f"{measure}_total"] = totals.estimate[:, at]
    frame = pd.DataFrame(columns, index=list(per_acre.rows))
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_section = frame["basal_area_sqft_per_acre"] / frame["trees_per_acre"]
        qmd = np.sqrt(mean_section / BASAL_AREA_CONSTANT)
    frame = pd.concat([frame, defect_shares(frame, "_per_acre")], axis=1)
    return frame.assign(qmd_in=qmd)


def defect_shares(figures: pd.DataFrame, ending: str = "") -> pd.DataFrame:
    """Return the share of the gross board feet that defect takes, by rule.

    Parameters
    ----------
    figures : DataFrame
        Holds ``gross_bf_{rule}`` and ``bf_{rule}``, each with `ending`.
    ending : str
        Such as ``"_total"``.

    Returns
    -------
    DataFrame
        ``defect_{rule}_pct``; NaN where there are no board feet. [%]

    Examples
    --------
    >>> one = pd.DataFrame({f"gross_bf_{r}": [200.0] for r in LOG_RULES})
    >>> net = {f"bf_{r}": 150.0 for r in LOG_RULES}
    >>> defect_shares(one.assign(**net))["defect_doyle_pct"].tolist()
    [25.0]
    """
    shares: dict[Hashable, pd.Series] = {}
    for rule in LOG_RULES:
        gross, net = figures[f"gross_bf_{rule}{ending}"], figures[f"bf_{rule}{ending}"]
        shares[f"defect_{rule}_pct"] = 100.0 * (1.0 - net / gross.where(gross > 0))
    return pd.DataFrame(shares, index=figures.index)


def total_table(totals: EstimateTable, row: int = 0) -> pd.DataFrame:
    """Return one domain's totals of `MEASURES` with their errors, a row a measure."""
    at = [list(totals.attributes).index(m) for m in MEASURES]
    return pd.DataFrame(
        {
            "estimate": totals.estimate[row, at],
            "se": totals.se[row, at],
            "error_pct": totals.error_pct[row, at],
            "low": totals.low[row, at],
            "high": totals.high[row, at],
            "df": totals.df[row, at],
            "n_plots": int(totals.n[row]),
        },
        index=pd.Index(MEASURES, name="measure"),
    )


def product_table(
    totals: EstimateTable, lines: pd.DataFrame, *, lead_rule: str, domain: str
) -> pd.DataFrame:
    """Return quantity and value by product for each domain.

    Parameters
    ----------
    totals : EstimateTable
        Totals on net acres; rows are the domains.
    lines : DataFrame
        The sale lines.
    lead_rule : str
        Rule that an unpriced saw product is counted by.
    domain : str
        Name of the column that holds the domain.

    Returns
    -------
    DataFrame
        One row for each domain and sale line, best product first. ``quantity`` (net of defect) is
        in ``quantity_label``; ``price_usd`` is the mean price of one unit (NaN where nothing is
        priced); ``defect_{rule}_pct`` is the share of the gross board feet that defect takes.
    """
    names = list(totals.attributes)
    rows: list[pd.DataFrame] = []
    order = lines.sort_values(["rank", "unit", "log_rule"], kind="stable").index
    for line in order:
        record = lines.loc[line]
        measure, divisor, label = quantity_measure(
            record["unit"], record["log_rule"], record["kind"], lead_rule
        )
        at = {m: names.index(line_attribute(int(line), m)) for m in LINE_MEASURES}
        quantity = totals.estimate[:, at[measure]] / divisor
        value = totals.estimate[:, at["value_usd"]]
        with np.errstate(divide="ignore", invalid="ignore"):
            price = np.where(record["unit"] != "", value / quantity, np.nan)
        frame = pd.DataFrame(
            {
                domain: list(totals.rows),
                "product": record["product"],
                "kind": record["kind"],
                "unit": record["unit_label"],
                "quantity": quantity,
                "quantity_label": label,
                "quantity_error_pct": totals.error_pct[:, at[measure]],
                "price_usd": price,
                **{m: totals.estimate[:, at[m]] for m in LINE_MEASURES},
                "value_error_pct": totals.error_pct[:, at["value_usd"]],
            }
        )
        rows.append(pd.concat([frame, defect_shares(frame)], axis=1))
    if not rows:  # a cruise that found no tree sells nothing
        numbers = ("quantity", "quantity_error_pct", "price_usd", *LINE_MEASURES, "value_error_pct",
                   *(f"defect_{rule}_pct" for rule in LOG_RULES))  # fmt: skip
        words = (domain, "product", "kind", "unit", "quantity_label")
        return pd.DataFrame(
            {name: pd.Series(dtype=object) for name in words}
            | {name: pd.Series(dtype=float) for name in numbers}
        )
    table = pd.concat(rows, ignore_index=True)
    place = {name: at for at, name in enumerate(totals.rows)}
    return (
        table.assign(_at=table[domain].map(place))
        .sort_values("_at", kind="stable")
        .drop(columns="_at")
        .reset_index(drop=True)
    )


def acres_by_stand(
    pieces: pd.DataFrame, stands: Sequence[str], by: Sequence[str] | None = None
) -> pd.DataFrame:
    """Return acres as domains x stands, the shape that the estimators take.

    Parameters
    ----------
    pieces : DataFrame
        Pieces of land with ``stand`` and ``acres``.
    stands : sequence of str
        Every stand, in the sample's order.
    by : sequence of str, optional
        Columns that make the domains; None makes one domain named "tract".
    """
    if by is None:
        acres = pieces.groupby("stand")["acres"].sum().to_frame("tract").T
    else:
        acres = pieces.pivot_table(
            index=list(by), columns="stand", values="acres", aggfunc="sum", fill_value=0.0
        )
    return acres.reindex(columns=list(stands), fill_value=0.0).fillna(0.0)
