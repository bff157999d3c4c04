"""From plot figures and acres to the tables of an appraisal."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from standmap.cruise import EstimateTable, Sample, StandEstimates, acres_by, estimate
from standmap.errors import Problem
from standmap.steps.land import WGS84, Land
from standmap.steps.plots import TallyFigures
from standmap.steps.sampling import MEASURES
from standmap.steps.tables import (
    acres_by_stand,
    defect_shares,
    measure_columns,
    product_table,
    total_table,
)
from standmap.steps.tally_tables import stand_and_stock
from standmap.tract import Tract

WEAK_ERROR_PCT = 100.0
"""A value whose sampling error is wider than itself is warned of."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultTables:
    """The estimated tables; see `standmap.appraisal.Appraisal` for their meaning."""

    totals: pd.DataFrame
    stands: gpd.GeoDataFrame
    strata: pd.DataFrame
    products: pd.DataFrame
    plots: gpd.GeoDataFrame
    stand_table: pd.DataFrame
    stock_table: pd.DataFrame
    units: gpd.GeoDataFrame
    unit_products: pd.DataFrame
    must_stay: pd.DataFrame
    must_stay_totals: pd.DataFrame
    found: StandEstimates
    net_acres: pd.Series
    problems: list[Problem]


def result_tables(tract: Tract, tally: TallyFigures, land: Land) -> ResultTables:
    """Estimate every stand and add the estimates up over every domain."""
    names = tract.stands["stand"].astype(str).tolist()
    found = estimate(_sample(tract, tally))
    net_pieces = land.pieces[land.pieces["reason"] == ""]
    net = land.acres["net_acres"]
    lead = tract.settings.volume.log_rule
    lines = tally.sold.lines

    per_stand = found.per_acre()
    own_acres = pd.DataFrame(np.diag(net.to_numpy()), index=names, columns=names)
    stand_totals = found.total(own_acres)
    tract_total = found.total(net.to_frame("tract").T)
    unit_acres = acres_by_stand(net_pieces[net_pieces["unit"] != ""], names, ["unit"])
    unit_acres = unit_acres.reindex(land.unit_acres.index, fill_value=0.0)
    unit_totals = found.total(unit_acres)

    whole = product_table(tract_total, lines, lead_rule=lead, domain="stand").assign(stand="")
    by_stand = product_table(stand_totals, lines, lead_rule=lead, domain="stand")
    stand_table, stock_table = stand_and_stock(tally, found, net)
    stands = _stands(tract, land, per_stand, stand_totals, found)
    must_stay, must_stay_totals = _must_stay(tract, land, found, names)
    return ResultTables(
        totals=total_table(tract_total),
        stands=stands,
        strata=_strata(tract, land, found),
        products=pd.concat([whole, by_stand], ignore_index=True),
        plots=_plots(tract, tally),
        stand_table=stand_table,
        stock_table=stock_table,
        units=_units(tract, land, unit_totals),
        unit_products=product_table(unit_totals, lines, lead_rule=lead, domain="unit_id"),
        must_stay=must_stay,
        must_stay_totals=must_stay_totals,
        found=found,
        net_acres=net,
        problems=_weak(stands, tract),
    )


def _sample(tract: Tract, tally: TallyFigures) -> Sample:
    cruise, plots = tract.settings.cruise, tally.plots
    cluster = plots["cluster"].astype(str).to_numpy(dtype=object)
    alone = np.array([f"plot {name}" for name in plots["plot"]], dtype=object)
    neighbours = cruise.variance == "successive_differences"
    return Sample(
        values=tally.per_acre,
        plots=tally.plots["plot"].to_numpy(dtype=object),
        stand=tally.plots["stand"].to_numpy(dtype=object),
        attributes=tally.attributes,
        stands=pd.DataFrame(
            {
                "stand": tract.stands["stand"],
                "stratum": tract.stands["stratum"],
                "acres": tract.stands["gross_acres"],
            }
        ),
        confidence=tract.settings.cruise.confidence,
        weight=_weights(tract, tally),
        complete=tally.parts.complete,
        cluster=np.where(cluster == "", alone, cluster) if (cluster != "").any() else None,
        line=plots["line"].to_numpy(dtype=object) if neighbours else None,
        seen=_seen(tract, tally) if cruise.finite_population else None,
        indirect=tally.rows.indirect,
    )


def _weights(tract: Tract, tally: TallyFigures) -> np.ndarray:
    """Return the weight of each plot in its stand's mean; of half a strip, half its acres."""
    strata = tally.plots["stratum"].astype(str)
    last = {name: tract.design.for_stratum(name)[-1].design for name in strata.unique()}
    strip = (strata.map(last) == "strip").to_numpy(dtype=bool)
    share = tally.plots["share"].to_numpy(dtype=float)
    return np.where(strip, tally.parts.weight * share, tally.parts.weight)


def _seen(tract: Tract, tally: TallyFigures) -> np.ndarray:
    """Return the share of each stand that its plots cover, by the largest part of each plot."""
    place = pd.Index(tract.stands["stand"]).get_indexer(pd.Index(tally.plots["stand"]))
    taken = np.isfinite(tally.parts.min_dbh_in)
    largest = np.where(taken, tally.parts.size, 0.0).max(axis=1)
    largest = largest * tally.plots["share"].to_numpy(dtype=float)
    acres = np.bincount(place, weights=largest, minlength=len(tract.stands))
    gross = tract.stands["gross_acres"].to_numpy(dtype=float)
    return np.clip(acres / np.where(gross > 0, gross, 1.0), 0.0, 1.0)


def _stands(
    tract: Tract,
    land: Land,
    per_acre: EstimateTable,
    totals: EstimateTable,
    found: StandEstimates,
) -> gpd.GeoDataFrame:
    layer = tract.stands[["stand", "stratum", "geometry"]].reset_index(drop=True)
    acres = land.acres.reset_index(drop=True)
    plots = found.n_plots.reset_index(drop=True)
    figures = measure_columns(per_acre, totals).reset_index(drop=True)
    borrowed = pd.Series(per_acre.borrowed, name="borrowed")
    frame = pd.concat([layer, acres, plots, borrowed, figures], axis=1)
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=tract.stands.crs).to_crs(WGS84)


def _strata(tract: Tract, land: Land, found: StandEstimates) -> pd.DataFrame:
    """Return the strata, per net acre and in total."""
    stratum = pd.Series(
        tract.stands["stratum"].to_numpy(), index=tract.stands["stand"].astype(str).to_numpy()
    )
    acres = acres_by(stratum, land.acres["net_acres"])
    frame = measure_columns(found.mean(acres), found.total(acres))
    frame.insert(0, "net_acres", acres.sum(axis=1))
    frame.insert(0, "stands", stratum.value_counts())
    return frame.rename_axis("stratum").reset_index()


def _plots(tract: Tract, tally: TallyFigures) -> gpd.GeoDataFrame:
    """Return every plot with its per-acre figures; blank for those set aside or not measured."""
    layer = tract.plots[["plot", "stand", "geometry"]].reset_index(drop=True)
    rows = tally.rows
    values = np.zeros((len(tally.plots), len(MEASURES)))
    np.add.at(values, rows.plot_of_row, tally.per_acre[:, : len(MEASURES)])
    values[~rows.measured] = np.nan
    figures = pd.DataFrame(values, columns=[f"{name}_per_acre" for name in MEASURES])
    figures.insert(0, "plot", tally.plots["plot"].to_numpy())
    frame = layer.merge(figures, on="plot", how="left")
    frame.insert(2, "used", layer["plot"].isin(tally.plots["plot"]))
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=tract.plots.crs).to_crs(WGS84)


def _units(tract: Tract, land: Land, totals: EstimateTable) -> gpd.GeoDataFrame:
    """Return the harvest units: acres, conflicts, totals with errors."""
    if tract.units is None:
        none = pd.Series([], dtype=object)
        outline = gpd.GeoDataFrame({"unit": none}, geometry=[], crs=tract.crs)
    else:
        outline = tract.units.dissolve("unit", as_index=False)[["unit", "geometry"]]
    outline.insert(1, "plots_inside", _plots_inside(tract, outline))
    figures = {}
    for at, measure in enumerate(totals.attributes[: len(MEASURES)]):
        figures[f"{measure}_total"] = totals.estimate[:, at]
        figures[f"{measure}_error_pct"] = totals.error_pct[:, at]
    table = pd.DataFrame(figures, index=list(totals.rows))
    table = table.join(defect_shares(table, "_total")).assign(borrowed=totals.borrowed)
    frame = outline.merge(land.unit_acres.join(table), left_on="unit", right_index=True)
    return gpd.GeoDataFrame(frame, geometry="geometry", crs=tract.crs).to_crs(WGS84)


def _plots_inside(tract: Tract, outline: gpd.GeoDataFrame) -> npt.NDArray[np.int64]:
    """Return how many plots stand in each harvest unit."""
    points = tract.plots.geometry.to_numpy()
    points = points[~(shapely.is_missing(points) | shapely.is_empty(points))]
    unit, _ = shapely.STRtree(points).query(outline.geometry.to_numpy(), predicate="intersects")
    return np.bincount(unit, minlength=len(outline)).astype(np.int64)


def _must_stay(
    tract: Tract, land: Land, found: StandEstimates, names: list[str]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return acres, volume and value by the reason they must stay, and all together.

    Ground under a stand's exclusion is taken to hold what an acre of the stand holds, unless the
    tract file says that it is bare.
    """
    kept = land.pieces[land.pieces["reason"] != ""]
    acres = acres_by_stand(kept, names, ["reason", "class"])
    frame = acres.index.to_frame(index=False).assign(acres=acres.sum(axis=1).to_numpy())
    frame["bare"] = frame["reason"].isin(tract.bare)
    timbered = acres.mul((~frame["bare"]).to_numpy(dtype=float), axis=0)
    timbered.index = pd.Index([f"{r}|{c}" for r, c in acres.index], dtype=object)
    by_reason = found.total(timbered)
    for at, measure in enumerate(by_reason.attributes[: len(MEASURES)]):
        frame[measure] = by_reason.estimate[:, at]
        frame[f"{measure}_error_pct"] = by_reason.error_pct[:, at]
    together = total_table(found.total(timbered.sum(axis=0).rename("kept")))
    order = ["reason", "acres"]
    return frame.sort_values(order, ascending=[True, False], ignore_index=True), together


def _weak(stands: pd.DataFrame, tract: Tract) -> list[Problem]:
    """Warn of stands whose value the cruise cannot tell from nothing."""
    problems = []
    file = tract.settings.stands.file
    weak = stands[(stands["borrowed"] == "") & (stands["value_usd_error_pct"] > WEAK_ERROR_PCT)]
    for row in weak.itertuples():
        problems.append(
            Problem(
                severity="warning",
                file=file,
                column="stand",
                value=str(row.stand),
                what=f"the sampling error of its value is {row.value_usd_error_pct:.0f} % of the "
                f"value, from {row.plots} plots: the cruise cannot tell it from nothing",
                mend="Put more plots in it, or judge it together with its stratum.",
            )
        )
    return problems
