"""Which stand each plot stands in."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from standmap.land.acres import M_PER_FT, local_crs, require_crs, to_local
from standmap.units import FT_PER_M

BORDER_FT: Final = 0.1
"""A plot this near an outline is on it: far finer than any receiver, far coarser than the
arithmetic of projections. [ft]"""


def assign_plots(
    plots: gpd.GeoDataFrame | gpd.GeoSeries, stands: gpd.GeoDataFrame, id_column: str = "stand"
) -> pd.DataFrame:
    """Find the stand under each plot centre.

    Parameters
    ----------
    plots : GeoDataFrame or GeoSeries
        Points, in any CRS; missing points are in no stand.
    stands : GeoDataFrame
        Valid polygons, in any CRS.
    id_column : str
        Column that names the stands.

    Returns
    -------
    DataFrame
        Indexed as ``plots``: ``stand`` (the one stand, or "" where there is none or more than
        one), ``n_stands``, ``stands`` (all of them, joined by ";"), ``on_border`` (within 0.1 ft of
        an outline and inside no stand beyond that: of the stands touched, the id that sorts first
        is taken), ``nearest`` (id of the
        nearest stand, "" for a missing point) and ``nearest_ft`` (distance to it, 0 inside).

    Raises
    ------
    DomainError
        If a layer has no CRS.

    Examples
    --------
    >>> squares = [shapely.box(0, 0, 100, 100), shapely.box(100, 0, 200, 100)]
    >>> stands = gpd.GeoDataFrame({"stand": ["A", "B"]}, geometry=squares, crs="EPSG:32617")
    >>> plots = gpd.GeoSeries.from_xy([50, 150, 230.48], [50, 50, 50], crs="EPSG:32617")
    >>> assign_plots(plots, stands)[["stand", "n_stands", "nearest"]].to_numpy().tolist()
    [['A', 1, 'A'], ['B', 1, 'B'], ['', 0, 'B']]
    """
    require_crs(plots)
    crs = local_crs(stands)
    polygons = np.asarray(to_local(stands.geometry, crs).to_numpy(), dtype=object)
    points = np.asarray(to_local(plots.geometry, crs).to_numpy(), dtype=object)
    names = stands[id_column].astype(str).to_numpy()
    tree = shapely.STRtree(polygons)

    reach = BORDER_FT * M_PER_FT
    plot, at = tree.query(points, predicate="dwithin", distance=reach)
    from_border = shapely.distance(points[plot], shapely.boundary(polygons)[at])
    claims = pd.DataFrame({"plot": plot, "name": names[at], "inside": from_border > reach})
    claims = claims.sort_values(["plot", "name"], kind="stable")
    inside = claims[claims["inside"]].drop_duplicates(["plot", "name"])
    first = claims[~claims["plot"].isin(inside["plot"])].drop_duplicates("plot")
    claims = pd.concat([inside, first])
    by_plot = claims.groupby("plot")["name"]

    every = np.arange(len(points))
    listed = by_plot.agg(";".join).reindex(every, fill_value="").to_numpy()
    count = by_plot.size().reindex(every, fill_value=0).to_numpy()
    (plot, at), distance_m = tree.query_nearest(points, return_distance=True, all_matches=False)
    nearest = np.full(len(points), "", dtype=object)
    nearest_ft = np.full(len(points), np.nan)
    nearest[plot] = names[at]
    nearest_ft[plot] = distance_m * FT_PER_M
    return pd.DataFrame(
        {
            "stand": np.where(count == 1, listed, ""),
            "n_stands": count.astype(np.int64),
            "stands": listed,
            "on_border": np.isin(every, first["plot"]),
            "nearest": nearest,
            "nearest_ft": nearest_ft,
        },
        index=plots.index,
    )
