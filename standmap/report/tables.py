"""The tables of an appraisal: one list, written as CSV here and as a workbook next door."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import geopandas as gpd
import pandas as pd

from standmap.report.words import MEASURES

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

_RUNS_AS_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table of results.

    Attributes
    ----------
    key : str
        File name without its ending.
    title : str
        Name of its sheet, at most 31 characters.
    note : str
        One line on what a row is.
    frame : DataFrame
        The rows, unrounded; units on the column names.
    """

    key: str
    title: str
    note: str
    frame: pd.DataFrame


def result_tables(appraisal: Appraisal) -> list[Table]:
    """Return every table of an appraisal that has rows, in reading order."""
    totals = appraisal.totals.rename_axis("measure").reset_index()
    unit = totals["measure"].map(lambda m: MEASURES[m].unit if m in MEASURES else "")
    totals.insert(1, "in", unit)
    problems = pd.DataFrame([p.as_row() for p in appraisal.problems])
    net = "on net acres"
    found = [
        (
            "tract",
            "Tract",
            f"Tract totals {net}, one row for each measure; interval ends are not cut off at 0",
            totals,
        ),
        ("stands", "Stands", f"One row for each stand; volumes and value {net}", appraisal.stands),
        ("strata", "Strata", f"One row for each stratum, {net}", appraisal.strata),
        (
            "products",
            "Products",
            f"One row for each stand and product, {net}; blank stand: the whole tract",
            appraisal.products,
        ),
        (
            "stand_table",
            "Stand table",
            "Per net acre of the tract, by species and 2-inch class",
            appraisal.stand_table,
        ),
        (
            "stock_table",
            "Stock table",
            "Per net acre of the tract, by species and 2-inch class",
            appraisal.stock_table,
        ),
        ("units", "Harvest units", f"One row for each harvest unit, {net}", appraisal.units),
        (
            "unit_products",
            "Unit products",
            f"Products of each harvest unit, {net}",
            appraisal.unit_products,
        ),
        (
            "must_stay",
            "Must stay",
            "What stands in stream buffers and exclusions",
            appraisal.must_stay,
        ),
        (
            "height_curves",
            "Height curves",
            "The height-diameter curves fitted to this tally",
            appraisal.height_curves,
        ),
        (
            "plots",
            "Plots",
            "One row for each plot, per acre; places in degrees, WGS 84",
            appraisal.plots,
        ),
        ("trees", "Trees", "Every tally row, used or set aside", appraisal.trees),
        ("logs", "Logs", "Every log of every tallied tree", appraisal.logs),
        ("problems", "Warnings", "What to know before leaning on the figures", problems),
    ]
    found += _sale_tables(appraisal)
    found += _sample_tables(appraisal)
    found += _harvest_tables(appraisal)
    found += [
        (
            "acres_compared",
            "Acres compared",
            "Acres on the ellipsoid (used here), on the map grid and by the deed; blank stand: "
            "the tract",
            appraisal.land.acreage.to_frame(),
        ),
        (
            "outlines_mended",
            "Outlines mended",
            "Each change to a stand's outline, with its acres before and after",
            appraisal.land.acreage.mends,
        ),
    ]
    found += _cruise_tables(appraisal)
    return [
        Table(key=key, title=title, note=note, frame=_plain(frame))
        for key, title, note, frame in found
        if frame is not None and len(frame)
    ]


def _sale_tables(appraisal: Appraisal) -> list[tuple[str, str, str, pd.DataFrame]]:
    """Return the tables of the merchandising page."""
    paired = "errors of differences are paired"
    return [
        (
            "offers",
            "Offers",
            f"One row for each offer, on the same logs; {paired}",
            appraisal.offers,
        ),
        (
            "break_even",
            "Break-even prices",
            "price_a_usd by rule_a pays what the quoted price_b_usd by rule_b pays on these logs",
            appraisal.break_even,
        ),
        ("mills", "Mills", "What goes to each mill, by product", appraisal.mills),
        (
            "firmness",
            "Next best products",
            "What the logs would bring as their next best products, for the tract, its products "
            f"and its stands; {paired}",
            appraisal.risks.firmness,
        ),
        (
            "unsold",
            "Unsold",
            "What no mill ends up with, and why",
            appraisal.risks.unsold,
        ),
        (
            "bucking_values",
            "Ways to buck",
            f"Value by stand under each way to buck; blank stand: the whole tract; {paired}",
            appraisal.bucking_values,
        ),
        (
            "conversions",
            "Conversions",
            "Conversion factors of this tract's logs beside published ones",
            appraisal.conversions,
        ),
        (
            "form_classes",
            "Form class",
            "Girard form class measured, used and by default",
            appraisal.form_classes,
        ),
        (
            "form_class_effect",
            "Form class effect",
            "Board feet of the trees tallied by the default form class and by the one used",
            appraisal.form_class_effect,
        ),
        (
            "height_lines",
            "Height curve lines",
            "Points along each height curve, as drawn",
            appraisal.height_lines,
        ),
    ]


def _sample_tables(appraisal: Appraisal) -> list[tuple[str, str, str, pd.DataFrame]]:
    """Return the tables on whether the sample is right, and on parts of stands."""
    checks, domains = appraisal.sample_checks, appraisal.domains
    return [
        (
            "domains",
            "Parts of stands",
            f"By own plots from {domains.min_plots} on, else by the stand; blank stand: the part "
            "as a whole",
            domains.table,
        ),
        (
            "plot_edges",
            "Plots and edges",
            "How far each plot's circle reaches, and how much of it lies outside its stand",
            checks.edges,
        ),
        (
            "edge_bias",
            "Edge bias",
            "What would be missing by each stand's lines if nothing made up for it, and may be",
            checks.bias,
        ),
        (
            "plot_places",
            "Plots out of place",
            "Plots off the stand of their record, in an exclusion, in a buffer or outside",
            checks.places,
        ),
        (
            "borderline",
            "Borderline trees",
            "Tallied trees at the limit of their plot or beyond it",
            checks.borderline,
        ),
    ]


def _harvest_tables(appraisal: Appraisal) -> list[tuple[str, str, str, pd.DataFrame]]:
    """Return the tables of the harvest page."""
    harvest = appraisal.harvest
    return [
        (
            "harvest",
            "Harvest plan",
            "What is cut in each unit, by its prescription; blank unit: all together",
            harvest.units,
        ),
        (
            "cut_leave",
            "Cut and leave",
            "Each unit before the cut, what is cut and what is left; the last two add up",
            harvest.cut_leave,
        ),
        (
            "cut_products",
            "Products cut",
            "Products cut in each unit, with truckloads; blank unit: all together",
            harvest.products,
        ),
        (
            "alternatives",
            "Other plans",
            "The plan and its alternatives; errors of differences are paired",
            harvest.alternatives,
        ),
        (
            "skidding",
            "Skidding",
            "The way along the ground from each unit to its landing, and its cost",
            appraisal.skidding.units,
        ),
    ]


def _cruise_tables(appraisal: Appraisal) -> list[tuple[str, str, str, pd.DataFrame]]:
    """Return the tables of the cruise page."""
    cruise = appraisal.cruise
    return [
        ("cruise", "Cruise", "How each stratum was sampled and estimated", cruise.strata),
        (
            "cruise_ratios",
            "Cruise ratios",
            "What ties the cheap figures to the measured trees",
            cruise.ratios,
        ),
        (
            "cruise_stands",
            "Cruise stands",
            "Plots, spread between them and error of each stand",
            cruise.stands.assign(measure=cruise.measure),
        ),
        (
            "cruise_leverage",
            "Plots that weigh most",
            "The tract's total without each of these plots",
            cruise.leverage.assign(measure=cruise.measure),
        ),
        (
            "cruise_trees",
            "Trees that weigh most",
            "The tract's total without each of these trees, of stands tallied whole",
            cruise.heavy_trees.assign(measure=cruise.measure),
        ),
        (
            "cruise_checks",
            "Cruise intervals",
            "Intervals of the tract's leading totals, made in several ways",
            cruise.checks,
        ),
        (
            "cruise_heights",
            "Error of heights",
            "Error of heights from a curve alone, in stands tallied whole; in no other error",
            cruise.heights_alone,
        ),
        (
            "cruise_cells",
            "Cell errors",
            "Stand and stock table with the error of each cell; blank species or class: all",
            cruise.cells,
        ),
        ("cruise_products", "Product plots", "On how many plots each product was met",
         cruise.products),
    ]  # fmt: skip


def _plain(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a frame without its shapes; points keep their place as two columns."""
    if not isinstance(frame, gpd.GeoDataFrame):
        return frame
    table = pd.DataFrame(frame.drop(columns=frame.geometry.name))
    if len(frame) and (frame.geometry.geom_type.dropna() == "Point").all():
        table["longitude"] = frame.geometry.x
        table["latitude"] = frame.geometry.y
    return table


def harmless(value: object) -> object:
    """Return a cell that no spreadsheet will run: text like a formula gets an apostrophe.

    Examples
    --------
    >>> harmless("=1+1"), harmless("white oak"), harmless(-3.5)
    ("'=1+1", 'white oak', -3.5)
    """
    if isinstance(value, str) and value.startswith(_RUNS_AS_FORMULA):
        return f"'{value}"
    return value


def write_csv(frame: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV: UTF-8 with its mark, text quoted and harmless, numbers plain.

    Parameters
    ----------
    frame : DataFrame
        The table; its index is not written.
    path : Path
        File to write.
    """
    table = pd.DataFrame(frame).copy(deep=False)
    for column in table.columns:
        values = table[column]
        if isinstance(values.dtype, pd.CategoricalDtype):
            values = values.astype(object)
        if not pd.api.types.is_numeric_dtype(values.dtype):
            table[column] = values.map(harmless, na_action="ignore")
    table.columns = [harmless(str(column)) for column in table.columns]
    table.to_csv(
        path,
        index=False,
        encoding="utf-8-sig",  # so that spreadsheets read names with accents right
        quoting=csv.QUOTE_NONNUMERIC,
        lineterminator="\n",
    )


def write_tables(appraisal: Appraisal, folder: Path) -> list[Path]:
    """Write every table of an appraisal to ``folder`` as CSV; return the files."""
    folder.mkdir(parents=True, exist_ok=True)
    written = []
    for table in result_tables(appraisal):
        path = folder / f"{table.key}.csv"
        write_csv(table.frame, path)
        written.append(path)
    return written
