"""The acres of the same ground three ways: on the ellipsoid, on a map grid, and by the deed."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike
from pyproj import CRS

from standmap.errors import DomainError
from standmap.land.acres import geodesic_acres, require_crs
from standmap.units import SQM_PER_ACRE


def survey_grid(layer: gpd.GeoDataFrame | gpd.GeoSeries, crs: CRS | str | None = None) -> CRS:
    """Return the map grid that a layer's acres would be computed on in most programs.

    Parameters
    ----------
    layer : GeoDataFrame or GeoSeries
        Any layer with a CRS.
    crs : CRS or str, optional
        The grid wanted.

    Returns
    -------
    CRS
        ``crs``; else the layer's own where that is projected, else the UTM zone it lies in.

    Raises
    ------
    DomainError
        If the layer has no CRS, or ``crs`` is not projected.

    Examples
    --------
    >>> square = gpd.GeoSeries([shapely.box(-80.01, 37.99, -79.99, 38.01)], crs="EPSG:4326")
    >>> survey_grid(square).name
    'WGS 84 / UTM zone 17N'
    """
    own = require_crs(layer)
    if crs is not None:
        grid = CRS.from_user_input(crs)
        if not grid.is_projected:
            raise DomainError(
                f"{grid.name} is in degrees, so nothing has acres on it. Name a projected "
                "coordinate system, such as the state plane zone or the UTM zone."
            )
        return grid
    return own if own.is_projected else CRS.from_user_input(layer.estimate_utm_crs())


def compare_acres(
    layer: gpd.GeoDataFrame,
    id_column: str,
    *,
    grid: CRS | str | None = None,
    deed_acres: ArrayLike | None = None,
) -> pd.DataFrame:
    """Measure polygons on the ellipsoid and on a map grid, beside the acres of their deeds.

    Parameters
    ----------
    layer : GeoDataFrame
        Valid polygons.
    id_column : str
        Column that names them.
    grid : CRS or str, optional
        The grid; by default as :func:`survey_grid` finds it.
    deed_acres : array_like, optional
        (n,) acres by the deed, NaN where not known.

    Returns
    -------
    DataFrame
        Indexed by id, in the order of the layer: ``ellipsoid_acres``; ``grid_acres``;
        ``grid_differs_pct`` (grid less ellipsoid, % of the ellipsoid); ``grid_scale`` (length on
        the grid over length on the ellipsoid, the square root of the ratio of the acres; NaN where
        there are none); ``deed_acres``; ``deed_differs_pct`` (deed less ellipsoid, % of the
        ellipsoid).

    Raises
    ------
    DomainError
        If the layer has no CRS, or the grid is not projected.

    Notes
    -----
    The grid's acres are what its plane coordinates enclose, straight from corner to corner, in
    its own unit of length (the US survey foot has 1200/3937 m). A conformal grid is true to scale
    along one or two lines only: UTM is 0.04 % short in lengths along its central meridian, 0.08 %
    in acres (Snyder 1987 [1]_, p. 57-58).

    References
    ----------
    .. [1] Snyder, J.P. 1987. Map projections: a working manual. USGS Professional Paper 1395.

    Examples
    --------
    >>> square = shapely.box(500_000, 4_200_000, 501_000, 4_201_000)
    >>> stands = gpd.GeoDataFrame({"stand": ["A"]}, geometry=[square], crs="EPSG:32617")
    >>> table = compare_acres(stands, "stand", deed_acres=[250])
    >>> table[["grid_acres", "grid_scale", "deed_differs_pct"]].round(4).loc["A"].to_dict()
    {'grid_acres': 247.1054, 'grid_scale': 0.9996, 'deed_differs_pct': 1.0905}
    """
    on = survey_grid(layer, grid)
    flat = layer.geometry if layer.crs == on else layer.geometry.to_crs(on)
    metres = on.axis_info[0].unit_conversion_factor
    grid_acres = shapely.area(flat.to_numpy()) * metres**2 / SQM_PER_ACRE
    ellipsoid = geodesic_acres(layer)
    deed = np.full(len(layer), np.nan) if deed_acres is None else np.asarray(deed_acres, float)
    return acres_apart(
        ellipsoid,
        grid_acres,
        deed,
        index=pd.Index(layer[id_column].astype(str), name=id_column),
    )


def acres_apart(
    ellipsoid_acres: ArrayLike,
    grid_acres: ArrayLike,
    deed_acres: ArrayLike,
    *,
    index: pd.Index | None = None,
) -> pd.DataFrame:
    """Set acres measured three ways beside each other, with how far they are apart.

    Parameters
    ----------
    ellipsoid_acres, grid_acres, deed_acres : array_like
        (n,) acres of the same ground; NaN where not known.
    index : Index, optional
        (n,) names of the ground.

    Returns
    -------
    DataFrame
        The columns of :func:`compare_acres`.

    Examples
    --------
    >>> acres_apart([100.0], [99.92], [102.0]).round(4).iloc[0].to_dict()["grid_differs_pct"]
    -0.08
    """
    ellipsoid, grid, deed = (
        np.asarray(a, dtype=float) for a in (ellipsoid_acres, grid_acres, deed_acres)
    )
    whole = np.where(ellipsoid > 0, ellipsoid, np.nan)
    return pd.DataFrame(
        {
            "ellipsoid_acres": ellipsoid,
            "grid_acres": grid,
            "grid_differs_pct": 100 * (grid / whole - 1),
            "grid_scale": np.sqrt(grid / whole),
            "deed_acres": deed,
            "deed_differs_pct": 100 * (deed / whole - 1),
        },
        index=index,
    )
