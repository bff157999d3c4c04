"""The lie of the land under stands, harvest units and plots, where there is an elevation raster."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import geopandas as gpd
import pandas as pd
import shapely

from standmap.cruise import plot_radius_ft
from standmap.errors import Problem
from standmap.land import SLOPE_LIMITS_PCT, set_back, terrain_table
from standmap.steps.canopy import FOOTPRINT_ACRES
from standmap.steps.land import Land
from standmap.tract import Tract

CLASSES: Final = ("ground_share_pct", "cable_share_pct", "steeper_share_pct")
"""Share of the ground for ground-based machines, for cable or tethered ones, and for neither."""

COVERED_PCT: Final = 95.0
"""Stands and units of which less is known are told of; at a raster's rim a cell is always lost."""

TERRAIN_COLUMNS: Final = ("slope_pct", "steepest_tenth_pct", "aspect_deg", *CLASSES)
"""What is known of the ground; see `standmap.land.terrain_table`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Terrain:
    """The ground by stand, harvest unit and plot, in `TERRAIN_COLUMNS`.

    Attributes
    ----------
    stands : DataFrame
        Indexed by stand; all of its ground.
    units : DataFrame
        Indexed by harvest unit; the net ground in it.
    plots : DataFrame
        Indexed by plot; a tenth-acre circle around its centre.
    limits_pct : tuple of float
        The slopes up to which ground-based and cable machines work.
    own_limits : bool
        Whether the tract file gave them.
    known : bool
        Whether there is a raster; without one every figure is NaN.
    problems : list of Problem
        Stands and units with ground that the raster does not know.
    """

    stands: pd.DataFrame
    units: pd.DataFrame
    plots: pd.DataFrame
    limits_pct: tuple[float, float]
    own_limits: bool
    known: bool
    problems: list[Problem]


def limits_of(tract: Tract) -> tuple[float, float]:
    """Return the tract's slope limits in percent, those of common planning where it gives none."""
    said = tract.settings.terrain
    if said.ground_pct is None or said.cable_pct is None:
        ground, cable = SLOPE_LIMITS_PCT
        return ground, cable
    return said.ground_pct, said.cable_pct


def describe_terrain(tract: Tract, land: Land) -> Terrain:
    """Describe the ground of every stand, harvest unit and plot.

    Parameters
    ----------
    tract : Tract
        The checked input.
    land : Land
        The ground laid out.
    """
    limits = limits_of(tract)
    said = tract.settings.terrain
    names = {
        "stand": tract.stands["stand"].astype(str).tolist(),
        "unit": [str(u) for u in land.unit_acres.index],
        "plot": tract.plots["plot"].astype(str).tolist(),
    }
    path = tract.rasters.get("elevation")
    problems: list[Problem] = []
    if path is None:
        nothing = {
            kind: pd.DataFrame(float("nan"), index=pd.Index(n, name=kind), columns=TERRAIN_COLUMNS)
            for kind, n in names.items()
        }
    else:
        zones = _zones(tract, land)
        found = terrain_table(
            path,
            zones,
            units=tract.settings.rasters.elevation_units,
            slope_limits_pct=limits,
        )
        problems = _unknown(tract, zones, found["covered_pct"])
        shares = [c for c in found if str(c).startswith("share_")]
        found = found.rename(columns=dict(zip(shares, CLASSES, strict=True)))
        found = found[list(TERRAIN_COLUMNS)].assign(kind=zones["kind"], name=zones["name"])
        nothing = {
            kind: pd.DataFrame(found[found["kind"] == kind])
            .set_index("name")
            .reindex(pd.Index(n, name=kind))[list(TERRAIN_COLUMNS)]
            for kind, n in names.items()
        }
    return Terrain(
        stands=nothing["stand"],
        units=nothing["unit"],
        plots=nothing["plot"],
        limits_pct=limits,
        own_limits=said.ground_pct is not None,
        known=path is not None,
        problems=problems,
    )


def _unknown(tract: Tract, zones: gpd.GeoDataFrame, covered_pct: pd.Series) -> list[Problem]:
    """Tell of stands and units, much of whose ground the raster does not know."""
    short = (covered_pct < COVERED_PCT).to_numpy()
    said = []
    for kind in ("stand", "unit"):
        rows = short & (zones["kind"] == kind).to_numpy()
        if rows.any():
            named = zip(zones["name"][rows], covered_pct[rows], strict=True)
            which = ", ".join(f"{name} ({share:.0f} % known)" for name, share in named)
            said.append(
                Problem(
                    severity="warning",
                    file=tract.settings.rasters.elevation or "",
                    what=f"the elevation raster does not know all ground of {kind}s: {which}",
                    mend="Their slopes are of the known part alone; use one without holes.",
                )
            )
    return said


def _zones(tract: Tract, land: Land) -> gpd.GeoDataFrame:
    """Return stands, the net ground of units, and plot footprints as one layer."""
    crs = tract.crs
    stands = gpd.GeoDataFrame(
        {"kind": "stand", "name": tract.stands["stand"].astype(str).to_numpy()},
        geometry=tract.stands.geometry.to_numpy(),
        crs=crs,
    )
    layers = [stands]
    pieces = land.pieces[(land.pieces["unit"] != "") & (land.pieces["reason"] == "")]
    if len(pieces):
        net = gpd.GeoDataFrame(pieces).to_crs(crs)
        # Pieces do not overlap, so a bundle of them is the unit's net ground.
        bundles = net.groupby("unit")["geometry"].agg(
            lambda some: shapely.multipolygons(shapely.get_parts(some.to_numpy()))
        )
        layers.append(
            gpd.GeoDataFrame(
                {"kind": "unit", "name": bundles.index.astype(str)},
                geometry=bundles.to_numpy(),
                crs=crs,
            )
        )
    located = tract.plots[~(tract.plots.geometry.isna() | tract.plots.geometry.is_empty)]
    if len(located):
        circles = set_back(located, float(plot_radius_ft(FOOTPRINT_ACRES)), crs=crs)
        layers.append(
            gpd.GeoDataFrame(
                {"kind": "plot", "name": located["plot"].astype(str).to_numpy()},
                geometry=circles.geometry.to_numpy(),
                crs=crs,
            )
        )
    return gpd.GeoDataFrame(pd.concat(layers, ignore_index=True), geometry="geometry", crs=crs)
