"""What each harvest unit cuts and leaves, in loads and days, and what another plan would bring."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from standmap.cruise import EstimateTable, StandEstimates
from standmap.errors import Problem
from standmap.harvest import Alternative, Prescription
from standmap.land import set_back
from standmap.steps.land import Land
from standmap.steps.marking import Cut, Marking
from standmap.steps.openings import too_large
from standmap.steps.plot_sums import PlotSums, Term
from standmap.steps.plots import TallyFigures
from standmap.steps.sampling import MEASURES
from standmap.steps.tables import acres_by_stand, product_table
from standmap.tract import Tract
from standmap.tract.plans import PLAN_NAME
from standmap.units import BASAL_AREA_CONSTANT

FloatArray = npt.NDArray[np.float64]

PARTS: Final = ("before", "cut", "left")
"""Before is cut and left together."""

ALL_UNITS: Final = ""
"""Names the row of all units with a prescription together."""

UNIT_COLUMNS: Final = (
    "unit", "prescription", "net_acres", "cut_tons", "cut_tons_error_pct", "cut_value_usd",
    "cut_value_error_pct", "loads", "days",
)  # fmt: skip
ALTERNATIVE_COLUMNS: Final = (
    "plan", "units", "acres", "value_usd", "value_error_pct", "more_usd", "more_error_pct",
    "bf_cut", "volume_error_pct", "bf_more", "bf_more_error_pct", "tons", "tons_error_pct",
    "prescriptions",
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Harvest:
    """The harvest plan worked out.

    Attributes
    ----------
    units : DataFrame
        A row a unit with a prescription and one (``unit`` blank) for all of them: acres, tons and
        value cut with errors, truckloads and days of logging (NaN without a rate).
    cut_leave : DataFrame
        Rows ``unit`` and ``part`` ("before", "cut", "left"): every measure per acre, in total and
        its error, and quadratic mean diameter; cut and left add up to before.
    products : DataFrame
        What is cut, by unit and product: quantity, value, tons and ``loads``, with errors.
    alternatives : DataFrame
        The plan and each alternative: acres, value and volume cut, and the difference from the
        plan with its paired error.
    problems : list of Problem
        Prescriptions that cut nothing, or cannot be met.
    openings : DataFrame
        ``units``, ``n_units`` and ``acres`` of ground cut clear side by side that is larger than
        the tract file allows.
    judged_by_unit : bool
        Whether a thinning is aimed at a unit as a whole, and not stand by stand: see
        `standmap.steps.marking`.
    """

    units: pd.DataFrame
    cut_leave: pd.DataFrame
    products: pd.DataFrame
    alternatives: pd.DataFrame
    problems: list[Problem]
    openings: pd.DataFrame
    judged_by_unit: bool = False


def plan_harvest(
    tract: Tract, tally: TallyFigures, found: StandEstimates, land: Land, net_acres: pd.Series
) -> Harvest:
    """Cut every unit on paper by its prescription.

    Parameters
    ----------
    tract : Tract
        The checked input.
    tally : TallyFigures
        The tally, cut into logs and priced.
    found : StandEstimates
        The estimates, for the acres each plot speaks for.
    land : Land
        The ground laid out.
    net_acres : Series
        Net acres by stand.
    """
    if not tract.plan.prescriptions and not tract.plan.alternatives:
        return Harvest(
            units=pd.DataFrame(columns=list(UNIT_COLUMNS)),
            cut_leave=pd.DataFrame(columns=["unit", "part"]),
            products=pd.DataFrame(columns=["unit_id", "product"]),
            alternatives=pd.DataFrame(columns=list(ALTERNATIVE_COLUMNS)),
            problems=[],
            openings=pd.DataFrame(columns=["units", "n_units", "acres"]),
        )
    work = _Work(tract, tally, found, land, PlotSums(tally, found, net_acres))
    planned = {u: p for u, p in tract.plan.prescriptions.items() if u in work.acres.index}
    cut_leave, products, problems = work.cut_leave(planned)
    openings, too_wide = too_large(tract, land.unit_acres["net_acres"])
    return Harvest(
        units=work.unit_table(planned, cut_leave),
        cut_leave=cut_leave,
        products=products,
        alternatives=work.alternatives(planned),
        problems=[*problems, *too_wide],
        openings=openings,
        judged_by_unit=work.marking.by_unit,
    )


class _Work:
    """What every table of the plan is made from, each prescription applied once."""

    def __init__(
        self,
        tract: Tract,
        tally: TallyFigures,
        found: StandEstimates,
        land: Land,
        sums: PlotSums,
    ) -> None:
        self.tract, self.tally, self.found, self.land, self.sums = tract, tally, found, land, sums
        net = land.pieces[(land.pieces["reason"] == "") & (land.pieces["unit"] != "")]
        self.net_pieces = gpd.GeoDataFrame(net)
        self.acres = self._acres(self.net_pieces["acres"])
        self.marking = Marking(tally, found)

    def _acres(self, acres: pd.Series) -> pd.DataFrame:
        pieces = pd.DataFrame(self.net_pieces.drop(columns="geometry")).assign(acres=acres)
        made = acres_by_stand(pieces, list(self.found.stands), ["unit"])
        return made.reindex(self.land.unit_acres.index, fill_value=0.0)

    # -- tables -----------------------------------------------------------------------------------

    def cut_leave(
        self, planned: Mapping[str, Prescription]
    ) -> tuple[pd.DataFrame, pd.DataFrame, list[Problem]]:
        """Return cut and leave by unit, products cut, and what to be told of."""
        lead, lines = self.tract.settings.volume.log_rule, self.tally.sold.lines
        names, few = self.tally.attributes, len(MEASURES)
        rows, products, problems = [], [], []
        for unit, prescription in planned.items():
            acres = self.acres.loc[[unit]]
            made = self.marking.cut(prescription, acres.sum(axis=0))
            size = float(acres.to_numpy().sum())
            cut = self.sums.estimates(made.per_acre, names).total(acres)
            rest = (self.tally.per_acre - made.per_acre)[:, :few]
            left = self.sums.estimates(rest, MEASURES).total(acres)
            more = size * made.constant
            tables = (
                self.found.total(acres),
                replace(cut, estimate=cut.estimate + more),
                replace(left, estimate=left.estimate - more[:few]),
            )
            rows += [_measures(t, unit, part, size) for t, part in zip(tables, PARTS, strict=True)]
            products.append(product_table(tables[1], lines, lead_rule=lead, domain="unit_id"))
            problems += self._told(unit, prescription, made, tables[1])
        if len(planned) > 1:
            whole = float(self.acres.loc[list(planned)].to_numpy().sum())
            several = {
                part: self.sums.combined(
                    self._terms(planned, part, columns=None if part == "cut" else few),
                    names if part == "cut" else MEASURES,
                    row="all",
                )
                for part in PARTS
            }
            rows += [_measures(table, ALL_UNITS, p, whole) for p, table in several.items()]
            all_products = product_table(several["cut"], lines, lead_rule=lead, domain="unit_id")
            products.append(all_products.assign(unit_id=ALL_UNITS))
        table = pd.concat(products, ignore_index=True) if products else pd.DataFrame()
        load = self.tract.settings.costs.load_tons
        if len(table):
            table = table[table["weight_tons"] > 0].reset_index(drop=True)
            table["loads"] = table["weight_tons"] / load if load else np.nan
        return pd.DataFrame(rows), table, problems

    def _terms(
        self,
        planned: Mapping[str, Prescription],
        part: str,
        *,
        acres: pd.DataFrame | None = None,
        columns: int | None = None,
        sign: float = 1.0,
    ) -> list[Term]:
        """Return the terms of a part: one for each marking rule, its units' acres put together."""
        acres = self.acres if acres is None else acres
        units: dict[tuple[Prescription, str], list[str]] = {}
        for unit, prescription in planned.items():
            rule = prescription, unit if self.marking.by_unit else ""
            units.setdefault(rule, []).append(unit)
        terms, whole = [], self.tally.per_acre
        for (prescription, _), names in units.items():
            size = acres.loc[names].sum(axis=0)
            values, constant = whole, np.zeros(whole.shape[1])
            if part != "before":
                made = self.marking.cut(prescription, size)
                values, constant = made.per_acre, made.constant
            if part == "left":
                values, constant = whole - values, -constant
            terms.append(Term(values[:, :columns], size, sign, constant[:columns]))
        return terms

    def unit_table(
        self, planned: Mapping[str, Prescription], cut_leave: pd.DataFrame
    ) -> pd.DataFrame:
        """Return what is cut in each unit, in loads and days."""
        settings = self.tract.settings
        cut = cut_leave[cut_leave["part"] == "cut"] if len(cut_leave) else cut_leave
        rows = []
        for row in cut.to_dict("records"):
            tons = row["weight_tons_total"]
            load, pace = settings.costs.load_tons, settings.harvest.tons_per_day
            rows.append(
                {
                    "unit": row["unit"],
                    "prescription": planned[row["unit"]].words() if row["unit"] in planned else "",
                    "net_acres": row["net_acres"],
                    "cut_tons": tons,
                    "cut_tons_error_pct": row["weight_tons_error_pct"],
                    "cut_value_usd": row["value_usd_total"],
                    "cut_value_error_pct": row["value_usd_error_pct"],
                    "loads": tons / load if load else np.nan,
                    "days": tons / pace if pace else np.nan,
                }
            )
        return pd.DataFrame(rows, columns=list(UNIT_COLUMNS))

    def _told(
        self, unit: str, prescription: Prescription, made: Cut, cut: EstimateTable
    ) -> list[Problem]:
        """Tell of a prescription that cuts nothing, or that the stand cannot meet."""
        said = []
        if not cut.estimate[0, MEASURES.index("basal_area_sqft")] > 0:
            said.append(
                ("the prescription cuts nothing in this unit",
                 "Compare what it leaves with what stands there; the harvest page has both."),
            )  # fmt: skip
        elif prescription.cut in ("thin_below", "thin_above", "seed_tree"):
            stands = self.acres.loc[unit]
            inside = (stands > 0).to_numpy() & (self.found.cells.own | self.marking.by_unit)
            short = inside & ~made.reached
            if short.any():
                names = ", ".join(np.array(self.found.stands, dtype=object)[short])
                said.append(
                    (f"the prescription cannot be met in stand {names}: what stands there, or may "
                     "be cut there, is not enough", "It cuts what it can there, or nothing. "
                     "See the stand's basal area, and the species and sizes that are left."),
                )  # fmt: skip
        return [
            Problem(
                severity="warning",
                file=self.tract.path.name,
                column="prescriptions",
                value=unit,
                what=what,
                mend=mend,
            )
            for what, mend in said
        ]

    # -- alternatives -----------------------------------------------------------------------------

    def alternatives(self, planned: Mapping[str, Prescription]) -> pd.DataFrame:
        """Return the plan and its alternatives, with the paired error of each difference."""
        if not self.tract.plan.alternatives:
            return pd.DataFrame(columns=list(ALTERNATIVE_COLUMNS))
        plans = [
            Alternative(name=PLAN_NAME, prescriptions=planned),
            *self.tract.plan.alternatives,
        ]
        base = self._plan_terms(plans[0])
        rows = []
        for plan in plans:
            terms = self._plan_terms(plan)
            row = {"plan": plan.name, "units": ", ".join(plan.prescriptions)}
            row["prescriptions"] = "; ".join(
                f"{unit}: {p.words()}"
                for unit, p in plan.prescriptions.items()
                if planned.get(unit) != p
            )
            acres = float(sum(t.acres.sum() for t in terms))
            whole = self.sums.combined(terms, MEASURES, row=plan.name) if terms else None
            apart = None
            if plan is not plans[0]:
                minus = [replace(term, sign=-1.0) for term in base]
                apart = self.sums.combined([*terms, *minus], MEASURES, row=plan.name)
            rows.append({**row, "acres": acres, **self._compared(whole, apart)})
        return pd.DataFrame(rows, columns=list(ALTERNATIVE_COLUMNS))

    def _plan_terms(self, plan: Alternative) -> list[Term]:
        acres = self.acres
        if plan.wider_buffers_ft > 0:
            acres = self._acres(self.net_pieces["acres"] * (1 - self._lost(plan.wider_buffers_ft)))
        there = {u: p for u, p in plan.prescriptions.items() if u in acres.index}
        return self._terms(there, "cut", acres=acres, columns=len(MEASURES)) if there else []

    def _lost(self, wider_ft: float) -> FloatArray:
        """Return the share of each net piece that buffers so much wider would take."""
        pieces = self.net_pieces.to_crs(self.tract.crs).geometry.to_numpy()
        if self.land.buffers.empty:
            return np.zeros(len(pieces))
        buffers = self.land.buffers.to_crs(self.tract.crs)
        wide = set_back(buffers, wider_ft, crs=self.tract.crs).geometry.to_numpy()
        taken = shapely.area(shapely.intersection(pieces, shapely.union_all(wide)))
        area = shapely.area(pieces)
        share = np.divide(taken, area, out=np.zeros(len(area)), where=area > 0)
        return np.asarray(share)

    def _compared(
        self, whole: EstimateTable | None, apart: EstimateTable | None
    ) -> dict[str, float]:
        lead = f"bf_{self.tract.settings.volume.log_rule}"
        out: dict[str, float] = {}
        for name, measure, of_it in (
            ("value_usd", "value_usd", "value_error_pct"),
            ("bf_cut", lead, "volume_error_pct"),
            ("tons", "weight_tons", "tons_error_pct"),
        ):
            at = MEASURES.index(measure)
            out[name] = 0.0 if whole is None else float(whole.estimate[0, at])
            out[of_it] = np.nan if whole is None else float(whole.error_pct[0, at])
        for name, measure, of_it in (
            ("more_usd", "value_usd", "more_error_pct"),
            ("bf_more", lead, "bf_more_error_pct"),
        ):
            at = MEASURES.index(measure)
            out[name] = 0.0 if apart is None else float(apart.estimate[0, at])
            out[of_it] = np.nan if apart is None else float(apart.error_pct[0, at])
        return out


def _measures(table: EstimateTable, unit: str, part: str, acres: float) -> dict[str, object]:
    """Return one row of cut and leave."""
    row: dict[str, object] = {"unit": unit, "part": part, "net_acres": acres}
    total = {m: float(table.estimate[0, at]) for at, m in enumerate(MEASURES)}
    for at, measure in enumerate(MEASURES):
        row[f"{measure}_per_acre"] = total[measure] / acres if acres > 0 else np.nan
        row[f"{measure}_error_pct"] = float(table.error_pct[0, at])
        row[f"{measure}_total"] = total[measure]
    trees, section = total["trees"], total["basal_area_sqft"]
    row["qmd_in"] = np.sqrt(section / trees / BASAL_AREA_CONSTANT) if trees > 0 else np.nan
    return row
