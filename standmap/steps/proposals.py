"""Harvest units proposed for a tract, with the ground under them."""

from __future__ import annotations

import geopandas as gpd

from standmap.land import ProposedUnits, exclude, propose_units, terrain_table
from standmap.steps.land import Land, lay_out
from standmap.steps.terrain import CLASSES, TERRAIN_COLUMNS, limits_of
from standmap.tract import Tract


def propose(tract: Tract, *, min_acres: float, max_acres: float) -> ProposedUnits:
    """Propose harvest units on a tract's net ground; units that are drawn are not looked at.

    Parameters
    ----------
    tract : Tract
        The checked input.
    min_acres, max_acres : float
        Limits of a unit.

    Returns
    -------
    ProposedUnits
        With the columns of `standmap.steps.terrain.TERRAIN_COLUMNS` where there is a raster.
    """
    land: Land = lay_out(tract)
    crs = tract.crs
    pieces = exclude(tract.stands, land.buffers.to_crs(crs), land.exclusions.to_crs(crs))
    net = gpd.GeoDataFrame(pieces[pieces["reason"] == ""])
    found = propose_units(tract.stands, net, min_acres=min_acres, max_acres=max_acres)
    path = tract.rasters.get("elevation")
    if path is None or found.units.empty:
        return found
    ground = terrain_table(
        path,
        found.units,
        units=tract.settings.rasters.elevation_units,
        slope_limits_pct=limits_of(tract),
    )
    shares = [c for c in ground if str(c).startswith("share_")]
    ground = ground.rename(columns=dict(zip(shares, CLASSES, strict=True)))
    units = found.units.join(ground[list(TERRAIN_COLUMNS)].round(1))
    return ProposedUnits(
        units=gpd.GeoDataFrame(units, geometry="geometry", crs=crs), left_out=found.left_out
    )
