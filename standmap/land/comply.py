"""Harvest units against every rule: what of each unit must stay, and what is left of it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import NDArray
from pyproj import CRS

from standmap.land._overlay import Geometries, carve, union_by
from standmap.land.acres import geodesic_acres
from standmap.land.stay import Claim, ranked_units, reasons_to_stay
from standmap.units import FT_PER_M

Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

CLAIM_COLUMNS = ("reason", "class", "zone", "cutting")


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitCheck:
    """Harvest units checked against everything that must stay.

    Attributes
    ----------
    table : DataFrame
        One row per unit and rule, strictest rule first: ``unit``, ``reason``, ``class``, ``zone``,
        ``cutting``, ``acres`` (of the unit inside it, each acre under the strictest rule alone),
        ``nearest_ft`` (from the unit to that ground; 0 where it enters), ``verified`` (the rule
        of the ground entered, or else of the nearest, was read in its source).
    ground : GeoDataFrame
        One row per unit and rule that it enters: the same columns and the ground itself.
    clipped : GeoDataFrame
        One row per unit: ``unit``, ``gross_acres``, ``acres`` and what is left of it when all that
        must stay is taken out; empty where nothing is left.
    claims : DataFrame
        ``reason``, ``class``, ``zone``, ``cutting``, strictest first.
    """

    table: pd.DataFrame
    ground: gpd.GeoDataFrame
    clipped: gpd.GeoDataFrame
    claims: pd.DataFrame


def check_units(
    units: gpd.GeoDataFrame,
    buffers: gpd.GeoDataFrame | None,
    exclusions: gpd.GeoDataFrame | None,
    *,
    crs: CRS,
    reasons: Sequence[str] | None = None,
) -> UnitCheck:
    """Hold every harvest unit against every buffer and exclusion, inside the stands or not.

    Parameters
    ----------
    units : GeoDataFrame
        Column ``unit``; valid polygons. Rows of one unit count as one.
    buffers, exclusions : GeoDataFrame or None
        As for :func:`exclude`; buffers may have ``verified``.
    crs : CRS
        Plane to work in, in metres: the stands' ``local_crs``.
    reasons : sequence of str, optional
        Order of the exclusion reasons, strictest first.

    Returns
    -------
    UnitCheck
        The check, the ground at issue and the units clipped.

    Raises
    ------
    DomainError
        If a layer has no CRS or a polygon is not valid.

    Examples
    --------
    A unit of 10 acres reaches 66 ft over the edge of a bog:

    >>> plane = CRS.from_epsg(32617)
    >>> unit = gpd.GeoDataFrame({"unit": ["A"]}, geometry=[shapely.box(0, 0, 201.168, 201.168)],
    ...                         crs=plane)
    >>> bog = gpd.GeoDataFrame({"reason": ["bog"]}, geometry=[shapely.box(-90, -90, 20.1168, 900)],
    ...                        crs=plane)
    >>> found = check_units(unit, None, bog, crs=plane)
    >>> found.ground.area.round(1).tolist(), found.clipped.area.round(1).tolist()
    ([4046.9], [36421.7])
    """
    rows, rank, names = ranked_units(units, crs)
    _, whole = union_by(rank, rows)
    shapes, group, claims = reasons_to_stay(buffers, exclusions, crs, reasons)
    cut = carve(whole, shapes, group)
    taken = cut.group >= 0
    owner, claim = cut.owner[taken], cut.group[taken]
    acres = geodesic_acres(gpd.GeoSeries(cut.geometry, crs=crs))
    inside = np.zeros((len(whole), len(claims)))
    inside[owner, claim] = acres[taken]

    sure = np.ones(len(shapes), dtype=bool)
    if buffers is not None and "verified" in buffers:
        sure[: len(buffers)] = buffers["verified"].to_numpy(dtype=bool)
    nearest, verified = _nearest(whole, shapes, group, sure, len(claims))
    nearest[inside > 0] = 0.0
    table = pd.DataFrame(
        {
            "unit": np.repeat(np.array(names, dtype=object), len(claims)),
            **_claim_columns(claims, np.tile(np.arange(len(claims)), len(names))),
            "acres": inside.ravel(),
            "nearest_ft": nearest.ravel() * FT_PER_M,
            "verified": verified.ravel(),
        }
    )
    ground = gpd.GeoDataFrame(
        table.iloc[owner * len(claims) + claim].reset_index(drop=True),
        geometry=cut.geometry[taken],
        crs=crs,
    )
    return UnitCheck(
        table=table,
        ground=ground.to_crs(units.crs),
        claims=pd.DataFrame(_claim_columns(claims, np.arange(len(claims)))),
        clipped=_clipped(names, whole, cut.owner[~taken], cut.geometry[~taken], crs).to_crs(
            units.crs
        ),
    )


def _claim_columns(claims: list[Claim], at: Ints) -> dict[str, NDArray[np.object_]]:
    words = np.array(claims, dtype=object).reshape(len(claims), len(CLAIM_COLUMNS))
    return {name: words[at, i] for i, name in enumerate(CLAIM_COLUMNS)}


def _nearest(
    whole: Geometries, shapes: Geometries, group: Ints, sure: Bools, n_claims: int
) -> tuple[NDArray[np.float64], Bools]:
    """Return how far each unit is from the nearest ground of each claim, and if that was read."""
    distance = np.full((len(whole), n_claims), np.inf)
    verified = np.ones((len(whole), n_claims), dtype=bool)
    for claim in range(n_claims):
        mine = np.flatnonzero(group == claim)
        tree = shapely.STRtree(shapes[mine])
        (unit, near), far = tree.query_nearest(whole, return_distance=True, all_matches=True)
        np.minimum.at(distance[:, claim], unit, far)
        np.logical_and.at(verified[:, claim], unit, sure[mine[near]])
    return distance, verified


def _clipped(
    names: list[str], whole: Geometries, owner: Ints, rest: Geometries, crs: CRS
) -> gpd.GeoDataFrame:
    left = np.full(len(whole), shapely.Polygon(), dtype=object)
    left[owner] = rest
    return gpd.GeoDataFrame(
        {
            "unit": names,
            "gross_acres": geodesic_acres(gpd.GeoSeries(whole, crs=crs)),
            "acres": geodesic_acres(gpd.GeoSeries(left, crs=crs)),
        },
        geometry=left,
        crs=crs,
    )
