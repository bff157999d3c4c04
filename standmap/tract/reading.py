"""Reading a tract: every file in turn, every fault gathered, and shown together."""

from __future__ import annotations

import logging
import re
import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from standmap.errors import DomainError, InputError, Problem
from standmap.tract.borderline import check_borderline
from standmap.tract.defects import check_quality_limits, read_defects
from standmap.tract.designs import check_design, cruise_design
from standmap.tract.domains import read_domains
from standmap.tract.edges import check_edges
from standmap.tract.estimators import COUNTING, SAMPLED, check_estimator
from standmap.tract.findings import Findings, some
from standmap.tract.layers import find_rasters, read_exclusions, read_setbacks
from standmap.tract.plans import check_terrain, read_crossings, read_landings, read_plan
from standmap.tract.plots import read_plots
from standmap.tract.roads import read_roads
from standmap.tract.settings import GroundSettings, Settings
from standmap.tract.sheets import (
    check_makeable,
    read_mills,
    read_offers,
    read_prices,
    read_products,
    read_taper,
)
from standmap.tract.sources import Sources
from standmap.tract.stands import read_stands, read_units
from standmap.tract.tally import YES, read_tally, set_aside
from standmap.tract.tract import Tract
from standmap.tract.tract_file import open_tract
from standmap.tract.tree_checks import checked_aliases
from standmap.tract.types import read_types
from standmap.tract.water import no_water, read_water
from standmap.trees import fit_heights, national_stems

OUTSIDE: Final = "its plot is outside every stand"
MANY_HEIGHTS: Final = 50
"""With more measured heights than this a curve can be fitted; with fewer it is tried."""

log = logging.getLogger(__name__)


def read_tract(path: str | Path) -> Tract:
    """Read a tract and check everything in it.

    Parameters
    ----------
    path : path
        A tract file, or the folder that holds ``tract.toml``.

    Returns
    -------
    Tract
        Ready to appraise; what was repaired or set aside is in ``tract.problems`` and
        ``tract.ledger``.

    Raises
    ------
    InputError
        With every problem of every file, warnings included, if any of them stops the run.

    Examples
    --------
    >>> read_tract("no_such_folder")
    Traceback (most recent call last):
        ...
    standmap.errors.InputError: 1 problem to mend:
      no_such_folder: there is no such file or folder. Give a tract file or the folder ...
    """
    tract, problems = _read(path)
    if tract is None:
        raise InputError(problems)
    return tract


def check_tract(path: str | Path) -> list[Problem]:
    """Return everything wrong with a tract, errors and warnings, without raising.

    Parameters
    ----------
    path : path
        A tract file or its folder.

    Returns
    -------
    list of Problem
        Empty where all is well; a tract can be appraised if none of them is an error.
    """
    try:
        tract, problems = _read(path)
    except InputError as error:
        return list(error.problems)
    return list(problems) if tract is None else remarks(tract)


def remarks(tract: Tract) -> list[Problem]:
    """Return what there is to say of a tract that can be appraised, before it is.

    Parameters
    ----------
    tract : Tract
        As read.

    Returns
    -------
    list of Problem
        ``tract.problems``, and that no acre is kept along water where none is named.
    """
    return [*tract.problems, *no_water(tract.settings, tract.path.name)]


def _read(path: str | Path) -> tuple[Tract | None, list[Problem]]:
    """Read what can be read; the tract is None where an error stops the run."""
    findings = Findings()
    opened = open_tract(path, findings, Settings)
    if opened is None:
        return None, findings.problems
    settings, sources = opened
    file = sources.tract_file
    aliases = checked_aliases(settings.species.aliases, file, findings)

    log.info("reading stands, plots and tally of %s", sources.path)
    _check_ecodivision(settings, file, findings)
    faults = findings.errors
    drawn = read_stands(settings.stands, settings.tract, sources)
    stands = None if drawn is None else drawn.stands
    plots = read_plots(settings.plots, sources, stands)
    placed = plots is not None and stands is not None and findings.errors == faults
    products = read_products(settings.products, sources, aliases)
    trees = read_tally(
        settings.trees,
        settings.volume,
        sources,
        aliases=settings.species.aliases,
        plot_names=None if plots is None else list(plots["plot"]),
        products=None if products is None else products.names,
        counting=settings.cruise.estimator in COUNTING,
    )
    prices = read_prices(
        settings.prices, sources, products, aliases, mills=settings.mills is not None
    )
    taper = read_taper(settings.volume.taper, settings.volume.source, sources, aliases)
    as_of = settings.tract.date
    mills = read_mills(settings.mills, settings.costs, sources, products, aliases, as_of=as_of)
    offers = read_offers(settings.offers, sources, products, aliases)
    design = cruise_design(
        settings.cruise,
        own_sizes=plots is not None and bool(plots[["baf", "plot_acres"]].notna().any(axis=None)),
        file=file,
        findings=findings,
    )
    types = None
    if settings.cruise.types is not None:
        types = read_types(settings.cruise.types, sources, stands)
    if placed:  # else these would be figures of a faulty reading
        _check_plots(settings, stands, plots, trees, findings)
        if design is not None:
            check_design(
                design,
                settings.cruise,
                plots,
                trees,
                stands,
                file=file,
                tally_file=settings.trees.file,
                findings=findings,
            )
        check_edges(
            settings.cruise,
            plots,
            trees,
            file=file,
            plots_file=settings.plots.file,
            tally_file=settings.trees.file,
            findings=findings,
        )
        if design is not None and trees is not None and not findings.failed:
            check_borderline(
                design,
                settings.cruise,
                plots,
                trees,
                stands,
                plots_file=settings.plots.file,
                tally_file=settings.trees.file,
                findings=findings,
            )
        if design is not None and trees is not None and not findings.failed:
            check_estimator(design, settings, plots, trees, stands, types, file, findings)
    defects = read_defects(settings.defects, sources, trees, tally_file=settings.trees.file)
    if trees is not None and not findings.failed:
        _check_stems(trees, settings.trees.file, findings)
    if products is not None and settings.products and trees is not None and not findings.failed:
        check_makeable(products, trees, aliases, file=settings.products.file, findings=findings)
        check_quality_limits(
            products.specs or [], trees, defects, file=settings.products.file, findings=findings
        )

    log.info("reading streams, exclusions, units and rasters of %s", sources.path)
    rasters = find_rasters(settings.rasters, sources, stands)
    check_steep(settings, file, findings)
    water = read_water(settings, sources, stands, ground="elevation" in rasters)
    slopes = "elevation" in rasters or settings.buffers.slope_pct is not None
    roads = read_roads(settings.roads, settings.road_setbacks, sources, stands, ground=slopes)
    layers = read_layers(settings, sources, stands)
    check_terrain(settings.terrain, findings, file)
    plan = read_plan(
        settings,
        findings,
        file=file,
        text=sources.path.read_text(encoding="utf-8-sig"),
        units=layers["units"],
        trees=trees,
        products=None if products is None else products.names,
    )
    if (
        findings.failed
        or drawn is None
        or stands is None
        or plots is None
        or trees is None
        or design is None
        or products is None
        or products.specs is None
    ):
        return None, findings.problems
    tract = Tract(
        path=sources.path,
        settings=settings,
        crs=stands.crs,
        stands=stands,
        plots=plots,
        trees=trees,
        defects=defects,
        design=design,
        products=products.specs,
        prices=prices,
        mills=mills,
        taper=taper,
        offers=tuple(offers),
        types=types,
        streams=water.streams,
        stream_rules=water.rules,
        roads=roads,
        rasters=rasters,
        problems=tuple(findings.problems),
        ledger=findings.ledger,
        hashes=dict(sources.hashes),
        grid=drawn.grid,
        mends=drawn.mends,
        plan=plan,
        **layers,
    )
    return tract, findings.problems


def check_steep(settings: GroundSettings, file: str, findings: Findings) -> None:
    """Report steep ground that nothing can tell."""
    if settings.steep_ground is not None and settings.rasters.elevation is None:
        findings.error(
            file,
            "steep ground is to stay, but there is no elevation raster to tell it by",
            'Name one in [rasters], elevation = "...", or delete [steep_ground].',
            column="steep_ground",
        )


def _check_stems(trees: pd.DataFrame, file: str, findings: Findings) -> None:
    """Report trees with neither height nor logs where too few heights were measured for a curve."""
    height = trees["height_ft"].to_numpy(dtype=float)
    used = trees["used"].to_numpy(dtype=bool)
    bare = used & np.isnan(height) & ~(trees["saw_logs"].to_numpy(dtype=float) > 0)
    whole = used & ~np.isnan(height) & trees["broken_height_ft"].isna().to_numpy()
    if not bare.any() or whole.sum() > MANY_HEIGHTS:
        return
    dbh, codes = trees["dbh_in"].to_numpy(dtype=float), trees["species_code"].to_numpy()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # whether the curve is a good one is told later
            fit_heights(dbh[whole], height[whole], codes[whole])
    except DomainError:
        findings.rows(
            "error",
            file,
            "this tree has no height and no log count, and too few trees of the tract have a "
            "measured height to fit a curve",
            "Measure ten or more total heights over the range of diameters.",
            rows=trees["source_row"].to_numpy(dtype=np.int64)[bare],
            column="height_ft",
        )


def _check_ecodivision(settings: Settings, file: str, findings: Findings) -> None:
    division = settings.tract.ecodivision
    try:
        national_stems([802], [10.0], [60.0], ecodivision=division)
    except DomainError as error:
        known = re.findall(r"'(M?\d+)'", str(error).partition("got")[0])
        findings.error(
            file,
            "the national stem models have no such ecodivision",
            f"Use one of {', '.join(known)}, or leave it out.",
            column="tract.ecodivision",
            value=division,
        )


def read_layers(
    settings: GroundSettings, sources: Sources, stands: gpd.GeoDataFrame | None
) -> Mapping[str, gpd.GeoDataFrame | None]:
    """Read exclusions, units, domains, landings and crossings; None where there are none."""
    exclusions = [
        None
        if settings.exclusions is None
        else read_exclusions(settings.exclusions, sources, stands),
        read_setbacks(settings.setbacks, sources, stands),
    ]
    there = [layer for layer in exclusions if layer is not None]
    units = None if settings.units is None else read_units(settings.units, sources, stands)
    return {
        "exclusions": gpd.GeoDataFrame(pd.concat(there, ignore_index=True), crs=there[0].crs)
        if there and len({str(layer.crs) for layer in there}) == 1
        else None,
        "units": units,
        "domains": read_domains(settings.domains, sources, stands),
        "landings": None
        if settings.landings is None
        else read_landings(
            settings.landings,
            sources,
            stands,
            units,
            units_file=settings.units.file if settings.units else "",
        ),
        "crossings": None
        if settings.crossings is None
        else read_crossings(settings.crossings, sources, stands),
    }


def _check_plots(
    settings: Settings,
    stands: gpd.GeoDataFrame,
    plots: gpd.GeoDataFrame,
    trees: pd.DataFrame | None,
    findings: Findings,
) -> None:
    """Set aside trees of plots outside; tell of stands with few plots and plots with no trees."""
    inside = plots["stand"] != ""
    count = plots.loc[inside, "stand"].value_counts()
    held = stands["stand"].map(count).fillna(0).to_numpy()
    complete = settings.cruise.design == "complete"
    rows = stands["source_row"].to_numpy(dtype=np.int64)
    names = stands["stand"].to_numpy(dtype=object)
    for number, words in ((0, "no plots"), (1, "only one plot")):
        if number == 1 and complete:
            continue
        few = held == number
        findings.rows(
            "warning",
            settings.stands.file,
            f"the stand has {words}",
            "It takes the figures of its stratum; cruise it before its timber is sold.",
            rows=rows[few],
            column="stand",
            values=names[few],
        )
    if trees is None:
        return
    outside = trees["plot"].isin(list(plots.loc[~inside, "plot"])).to_numpy(dtype=bool)
    set_aside(trees, outside, OUTSIDE, settings.trees.file, findings)
    if not trees["used"].any():
        findings.warn(
            settings.trees.file,
            "no tree of the tally is used, so every volume and value is zero",
            "Look for the reason in the ledger: dead trees, counts of zero, plots outside.",
        )
    tallied = list(trees["plot"].unique())
    if settings.cruise.estimator in SAMPLED:  # plots may be visited and not measured
        inside &= plots["measured"].str.strip().str.casefold().isin(list(YES))
    bare = plots.loc[inside & ~plots["plot"].isin(tallied), "plot"]
    if len(bare):
        findings.warn(
            settings.plots.file,
            f"{len(bare)} plots have no trees in the tally",
            f"Each counts as a plot with zero volume; make sure no tally sheet is missing: "
            f"{some(list(bare))}.",
            column="plot",
        )
