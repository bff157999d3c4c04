"""Openings: harvest units cut clear, or nearly, side by side make one, which may be too large."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from standmap.errors import Problem
from standmap.harvest import Prescription
from standmap.tract import Tract
from standmap.units import FT_PER_M

OPENING_CUTS: Final = ("clearcut", "seed_tree")
"""Cuts that leave an opening: few trees stand, or none. Common practice, no source; rules differ in
what they count, and in how far apart is apart."""

DRAWN_APART_FT: Final = 1.0
"""Lines that were drawn as one may lie this far apart."""


def find_openings(
    units: gpd.GeoDataFrame,
    net_acres: pd.Series,
    planned: Mapping[str, Prescription],
    *,
    apart_ft: float = 0.0,
) -> pd.DataFrame:
    """Put harvest units that are cut clear and lie side by side together into openings.

    Parameters
    ----------
    units : GeoDataFrame
        Column ``unit`` and polygons, in a CRS of metres.
    net_acres : Series
        Net acres by unit.
    planned : mapping of str to Prescription
        By unit.
    apart_ft : float
        Units no farther apart than this are one opening.

    Returns
    -------
    DataFrame
        ``units`` (joined by ", "), ``n_units`` and ``acres`` of each opening, the largest first.
    """
    clear = [u for u, p in planned.items() if p.cut in OPENING_CUTS]
    mine = units[units["unit"].astype(str).isin(clear)].dissolve("unit")  # parts of one are one
    if mine.empty:
        return _no_openings()
    shapes = mine.geometry.to_numpy()
    one, other = shapely.STRtree(shapes).query(
        shapes, predicate="dwithin", distance=(apart_ft + DRAWN_APART_FT) / FT_PER_M
    )
    near = coo_matrix((np.ones(len(one)), (one, other)), shape=(len(mine), len(mine)))
    _, group = connected_components(near, directed=False)
    names = mine.index.astype(str)
    acres = net_acres.reindex(names).fillna(0.0).to_numpy(dtype=float)
    table = (
        pd.DataFrame({"unit": names, "group": group, "acres": acres})
        .groupby("group")
        .agg(
            units=("unit", lambda some: ", ".join(sorted(some))),
            n_units=("unit", "size"),
            acres=("acres", "sum"),
        )
    )
    return table.sort_values(["acres", "units"], ascending=[False, True]).reset_index(drop=True)


def _no_openings() -> pd.DataFrame:
    return pd.DataFrame({"units": [], "n_units": [], "acres": []})


def too_large(tract: Tract, net_acres: pd.Series) -> tuple[pd.DataFrame, list[Problem]]:
    """Return the openings over the tract file's limit, and a warning for each; none without one.

    Parameters
    ----------
    tract : Tract
        The checked input.
    net_acres : Series
        Net acres by unit.
    """
    said = tract.settings.harvest
    units = tract.units
    if said.max_opening_acres is None or units is None:
        return _no_openings(), []
    limit = said.max_opening_acres
    found = find_openings(
        units, net_acres, tract.plan.prescriptions, apart_ft=said.opening_apart_ft
    )
    over = found[found["acres"] > limit].reset_index(drop=True)
    problems = [
        Problem(
            severity="warning",
            file=tract.path.name,
            column="harvest.max_opening_acres",
            value=f"{limit:g}",
            what=f"harvest unit{'s' if row['n_units'] > 1 else ''} {row['units']} would open "
            f"{row['acres']:.1f} net acres at once",
            mend="Cut neighbours in different years, draw them smaller, or leave more standing.",
        )
        for row in over.to_dict("records")
    ]
    return over, problems
