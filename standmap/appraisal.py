"""The main job: a tract goes in, an appraisal comes out.

`appraise` reads like the job: every tallied tree becomes a stem, every stem is cut on paper into
logs, every log is priced, every plot becomes per-acre figures, every stand gets an estimate with
its sampling error, every acre is netted of what must stay.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pandas as pd

from standmap._progress import Progress, teller
from standmap.cruise import Estimate, total_of
from standmap.errors import DomainError, Problem
from standmap.steps.canopy import CanopyFigures, canopy_of_stands
from standmap.steps.cruise_results import CruiseResults, cruise_results
from standmap.steps.domains import Domains, estimate_parts
from standmap.steps.drawings import Drawings, draw
from standmap.steps.harvest import Harvest, plan_harvest
from standmap.steps.land import Land, lay_out
from standmap.steps.merchandising import Merchandising, merchandise
from standmap.steps.partial import partial_harvest
from standmap.steps.plot_sums import PlotSums
from standmap.steps.plots import TallyFigures, figure_tally
from standmap.steps.results import ResultTables, result_tables
from standmap.steps.sale_risks import SaleRisks
from standmap.steps.sample_checks import SampleChecks, check_sample, settle_places
from standmap.steps.skidding import Skidding, skid_units
from standmap.steps.tables import TOTAL_COLUMNS
from standmap.steps.terrain import Terrain, describe_terrain

if TYPE_CHECKING:
    from standmap.canopy import CanopyFit
    from standmap.tract import Settings, Tract


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class Appraisal:
    """Everything an appraisal found. Estimates are on net acres unless a name says gross.

    Attributes
    ----------
    tract : Tract
        What was appraised.
    totals : DataFrame
        Tract totals by measure: estimate, standard error, sampling error %, interval, degrees of
        freedom, plots.
    stands : GeoDataFrame
        A row a stand: acres, plots, every measure per acre with its error, and its total.
    strata : DataFrame
        The same by stratum.
    products : DataFrame
        Quantity and value by product, for the tract (``stand`` blank) and each stand.
    plots : GeoDataFrame
        A row a plot: its per-acre figures.
    trees : DataFrame
        The tally: used or why not, height and where it came from, volume and value.
    logs : DataFrame
        A row a log of every tallied tree used.
    stand_table, stock_table : DataFrame
        Per net acre of the tract, by species and 2-inch class.
    units : GeoDataFrame
        A row a harvest unit: acres, totals with errors, conflicts with what must stay.
    unit_products : DataFrame
        Quantity and value by product for each unit.
    harvest : Harvest
        What each unit cuts and leaves by its prescription, loads and days, and other plans.
    terrain : Terrain
        Slope, aspect and what machines the ground suits, by stand, unit and plot.
    skidding : Skidding
        How far each unit's logs go to its landing.
    must_stay : DataFrame
        Acres, volume and value in stream buffers and exclusions, by reason; ``bare`` marks ground
        that the tract file says holds no timber.
    must_stay_totals : DataFrame
        The same for all of it together, as `totals`.
    streams, buffers, exclusions, pieces : GeoDataFrame
        The land as it was laid out.
    land : Land
        The same with the rules, the widths as drawn, the check of every harvest unit and what may
        be cut inside partial-harvest buffers.
    height_curves, height_points, height_lines : DataFrame
        The height curves fitted, the trees they were fitted to, and the curves as points; empty
        where none was needed.
    bucking_values : DataFrame
        Value by way of cutting (``field``, ``top_down``, ``best_value``) for the tract and each
        stand, and what it brings over the field way, with the paired error.
    offers, break_even : DataFrame
        The buyers' offers ranked on the same logs, with paired errors; each quoted price in the
        other units.
    mills : DataFrame
        What goes to each mill, its limits kept.
    risks : SaleRisks
        What the logs would bring as their next best products, and what no mill takes.
    conversions : DataFrame
        Conversion factors of the tract's own logs beside the published ones.
    form_classes, form_class_effect : DataFrame
        Form class as measured on the tract, and what it does to its board feet; the second is
        empty where it moves no stem.
    typical_trees, stem_outlines : DataFrame
        A tree of each of the most valuable species, and its diameters up the stem.
    cruise : CruiseResults
        The cruise for itself: design in words, ratios, errors by stand and by cell, the plots that
        move the total most.
    sample_checks : SampleChecks
        Plots by an edge or in the wrong place, the possible bias, borderline trees.
    domains : Domains
        Parts of stands: by their own plots where there are enough, else by their stand.
    canopy_fit : CanopyFit or None
        The fit of top height to the canopy raster.
    problems : tuple of Problem
        Warnings, to be read first.
    ledger : DataFrame
        Every input row changed, set aside or filled in, and why.
    """

    tract: Tract
    totals: pd.DataFrame
    stands: gpd.GeoDataFrame
    strata: pd.DataFrame
    products: pd.DataFrame
    plots: gpd.GeoDataFrame
    trees: pd.DataFrame
    logs: pd.DataFrame
    stand_table: pd.DataFrame
    stock_table: pd.DataFrame
    units: gpd.GeoDataFrame
    unit_products: pd.DataFrame
    harvest: Harvest
    terrain: Terrain
    skidding: Skidding
    must_stay: pd.DataFrame
    must_stay_totals: pd.DataFrame
    streams: gpd.GeoDataFrame
    buffers: gpd.GeoDataFrame
    exclusions: gpd.GeoDataFrame
    pieces: gpd.GeoDataFrame
    land: Land
    height_curves: pd.DataFrame
    height_points: pd.DataFrame
    height_lines: pd.DataFrame
    bucking_values: pd.DataFrame
    offers: pd.DataFrame
    break_even: pd.DataFrame
    mills: pd.DataFrame
    risks: SaleRisks
    conversions: pd.DataFrame
    form_classes: pd.DataFrame
    form_class_effect: pd.DataFrame
    typical_trees: pd.DataFrame
    stem_outlines: pd.DataFrame
    cruise: CruiseResults
    sample_checks: SampleChecks
    domains: Domains
    canopy_fit: CanopyFit | None
    problems: tuple[Problem, ...]
    ledger: pd.DataFrame

    @property
    def settings(self) -> Settings:
        """The tract file."""
        return self.tract.settings

    @property
    def confidence(self) -> float:
        """Confidence at which every error is stated."""
        return self.settings.cruise.confidence

    @property
    def name(self) -> str:
        """The tract's name."""
        return self.tract.name

    @property
    def gross_acres(self) -> float:
        """Acres of all stands."""
        return float(self.stands["gross_acres"].sum())

    @property
    def net_acres(self) -> float:
        """Acres that can be cut."""
        return float(self.stands["net_acres"].sum())

    def total(self, measure: str) -> Estimate:
        """Return a tract total with its error.

        Parameters
        ----------
        measure : str
            One of the rows of `totals`, such as ``"value_usd"``.
        """
        row = self.totals.loc[measure].to_dict()
        return Estimate(
            mean=float(row["estimate"]),
            se=float(row["se"]),
            n=int(row["n_plots"]),
            df=float(row["df"]),
            confidence=self.confidence,
        )

    def summary(self) -> str:
        """Return the one-screen summary."""
        from standmap.report import summary_text

        return summary_text(self)

    def write(self, out: str | Path, *, progress: bool | Progress = False) -> dict[str, Path]:
        """Write the report, the map, the tables and the layers to a folder.

        Parameters
        ----------
        out : path
            The folder. It is written whole or not at all; results of an earlier run there are
            replaced, anything else is not.
        progress : bool or callable
            True prints steps; a callable is given a fraction and a message.

        Returns
        -------
        dict
            File name to path.

        Raises
        ------
        OutputError
            If the folder cannot be written or holds something else.
        """
        from standmap.report import write_all

        return write_all(self, Path(out), progress=teller(progress))

    def __repr__(self) -> str:
        """One line."""
        value = self.total("value_usd")
        return (
            f"<Appraisal of {self.name}: {len(self.stands)} stands, {self.net_acres:,.0f} of "
            f"{self.gross_acres:,.0f} acres net, ${value.mean:,.0f} "
            f"± {value.sampling_error_pct:.0f} % at {self.confidence:.0%}>"
        )

    def _repr_html_(self) -> str:
        """Show the headline and the stands in a notebook."""
        from standmap.report import notebook_html

        return notebook_html(self)


def appraise(tract: Tract, *, progress: bool | Progress = False) -> Appraisal:
    """Appraise a tract.

    Parameters
    ----------
    tract : Tract
        From `standmap.read_tract`.
    progress : bool or callable
        True prints steps; a callable is given a fraction from 0 to 1 and a message.

    Returns
    -------
    Appraisal
        Volumes, products and values by stand, with sampling errors, netted of what must stay.

    Raises
    ------
    InputError
        If trees have no height and none can be fitted or taken from logs.

    Examples
    --------
    >>> import standmap
    >>> from standmap.tract.sample import sample_folder
    >>> appraisal = standmap.appraise(standmap.read_tract(sample_folder()))
    >>> bool(appraisal.net_acres < appraisal.gross_acres)
    True
    """
    tell = teller(progress)
    ledger = tract.ledger.copy()

    tell(0.00, "Laying out buffers and units")
    land: Land = lay_out(tract)
    tract = settle_places(tract, land, ledger=ledger)
    tell(0.25, "Cutting stems into logs")
    tally: TallyFigures = figure_tally(tract, ledger=ledger)
    tell(0.60, "Estimating stands")
    tables: ResultTables = result_tables(tract, tally, land)
    cruise: CruiseResults = cruise_results(tract, tally, tables.found, tables.net_acres)
    checks: SampleChecks = check_sample(tract, tally, land)
    domains: Domains = estimate_parts(tract, tables.found, land)
    part = partial_harvest(tract, tally, land, tables.found)
    land = replace(land, partial_harvest=part.zones, residuals=part.residuals)
    tell(0.65, "Comparing cuts, mills and offers")
    plots = PlotSums(tally, tables.found, tables.net_acres)
    sale: Merchandising = merchandise(tract, tally, plots)
    harvest: Harvest = plan_harvest(tract, tally, tables.found, land, tables.net_acres)
    drawn: Drawings = draw(tract, tally, plots)
    tell(0.85, "Reading the rasters")
    canopy: CanopyFigures = canopy_of_stands(tract, tally)
    terrain: Terrain = describe_terrain(tract, land)
    skidding: Skidding = skid_units(tract, land, harvest)
    tell(1.00, "Appraised")

    problems = (*tract.problems, *tally.problems, *land.problems, *tables.problems)
    problems = (*problems, *cruise.problems, *harvest.problems, *skidding.problems)
    problems = (*problems, *terrain.problems)
    return Appraisal(
        tract=tract,
        stands=_with(tables.stands, "stand", terrain.stands).assign(**canopy.by_stand),
        totals=tables.totals,
        strata=tables.strata,
        products=tables.products,
        plots=_with(tables.plots, "plot", terrain.plots),
        trees=tally.all_trees,
        logs=pd.concat([tally.log_table, sale.log_columns], axis=1),
        stand_table=tables.stand_table,
        stock_table=tables.stock_table,
        units=_with(tables.units, "unit", terrain.units),
        unit_products=tables.unit_products,
        harvest=harvest,
        terrain=terrain,
        skidding=skidding,
        must_stay=tables.must_stay,
        must_stay_totals=tables.must_stay_totals,
        streams=land.streams,
        buffers=land.buffers,
        exclusions=land.exclusions,
        pieces=land.pieces,
        land=land,
        height_curves=tally.height_curves,
        height_points=drawn.height_points,
        height_lines=drawn.height_lines,
        bucking_values=sale.bucking_values,
        offers=sale.offers,
        break_even=sale.break_even,
        mills=sale.mills,
        risks=sale.risks,
        conversions=sale.conversions,
        form_classes=drawn.form_classes,
        form_class_effect=drawn.form_class_effect,
        typical_trees=drawn.typical_trees,
        stem_outlines=drawn.stem_outlines,
        cruise=cruise,
        sample_checks=checks,
        domains=domains,
        canopy_fit=canopy.fit,
        problems=(*problems, *checks.problems, *domains.problems, *canopy.problems),
        ledger=ledger.to_frame(),
    )


def combine(appraisals: Sequence[Appraisal]) -> pd.DataFrame:
    """Add up tracts that were cruised apart, with the error of the whole.

    Parameters
    ----------
    appraisals : sequence of Appraisal
        Tracts of no plot in common, each stated at the same confidence.

    Returns
    -------
    DataFrame
        As `Appraisal.totals`: variances add, degrees of freedom are Satterthwaite's.

    Raises
    ------
    DomainError
        If there are none, their confidences differ, or a tract is named twice.

    Notes
    -----
    Cruises apart err apart, so that the whole is surer than its parts. What they share besides (a
    price sheet, a cruiser's habit, a form class) errs in all of them alike, and is in no error.

    Examples
    --------
    >>> import standmap
    >>> from standmap.tract.sample import sample_folder
    >>> one = standmap.appraise(standmap.read_tract(sample_folder()))
    >>> whole = standmap.combine([one])
    >>> bool(whole.loc["cords", "estimate"] == one.total("cords").mean)
    True
    """
    if not appraisals:
        raise DomainError("Give one appraisal or more.")
    stated = {one.confidence: one.name for one in appraisals}
    if len(stated) > 1:
        named = " and ".join(f"{name} at {at:.0%}" for at, name in list(stated.items())[:2])
        raise DomainError(
            f"Errors are stated at different confidences ({named}). Write one confidence under "
            "[cruise] in each tract file."
        )
    paths = [one.tract.path.resolve() for one in appraisals]
    if len(set(paths)) < len(paths):
        twice = next(path for path in paths if paths.count(path) > 1)
        raise DomainError(f"{twice.parent.name} is named twice. Leave out all but one.")
    rows = []
    for measure in appraisals[0].totals.index:
        whole = total_of([one.total(str(measure)) for one in appraisals])
        low, high = whole.interval
        rows.append((whole.mean, whole.se, whole.sampling_error_pct, low, high, whole.df, whole.n))
    return pd.DataFrame(rows, columns=list(TOTAL_COLUMNS), index=appraisals[0].totals.index)


def _with(layer: gpd.GeoDataFrame, name: str, figures: pd.DataFrame) -> gpd.GeoDataFrame:
    """Put columns indexed by name beside a layer's own."""
    found = figures.reindex(layer[name].astype(str)).set_axis(layer.index)
    return layer.assign(**{str(c): found[c] for c in found})
