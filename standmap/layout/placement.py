"""Where plots go: on net acres, by a grid, at random, or spread evenly at random."""

from __future__ import annotations

from typing import Final, Literal, get_args

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from numpy.typing import ArrayLike, NDArray
from pyproj import CRS

from standmap.errors import DomainError
from standmap.land import geodesic_acres
from standmap.layout import _kernels
from standmap.units import FT_PER_M

Floats = NDArray[np.float64]
Method = Literal["grid", "random", "balanced"]
METHODS: Final[tuple[str, ...]] = get_args(Method)

CANDIDATES_PER_PLOT: Final = 40
LEAST_CANDIDATES: Final = 400
MOST_CANDIDATES: Final = 6000
"""Candidates of a balanced draw: many to a plot, so that it may fall anywhere."""


def net_ground(pieces: gpd.GeoDataFrame, crs: CRS, *, off_edge_ft: float = 0.0) -> gpd.GeoDataFrame:
    """Ground of each stand that plots may fall on.

    Parameters
    ----------
    pieces : GeoDataFrame
        ``stand``, ``reason`` (blank where timber may be cut), geometry.
    crs : CRS
        Local plane in metres.
    off_edge_ft : float
        Keep this far inside each stand's net ground. It leaves the edge trees out of the sample,
        and where they differ from the rest (they often do) the estimate is biased; 0 keeps every
        net acre in. [ft]

    Returns
    -------
    GeoDataFrame
        ``stand``, ``acres`` and geometry in ``crs``; stands with no such ground are left out.

    Raises
    ------
    DomainError
        If the distance is negative.
    """
    if not 0 <= off_edge_ft < np.inf:
        raise DomainError(f"'off_edge_ft' must be 0 ft or more; got {off_edge_ft:g}.")
    net = pieces[pieces["reason"] == ""].to_crs(crs)
    net = net.assign(geometry=shapely.make_valid(net.geometry.to_numpy()))
    ground = net[["stand", "geometry"]].dissolve("stand", sort=False).reset_index()
    if off_edge_ft > 0:
        ground["geometry"] = ground.geometry.buffer(-off_edge_ft / FT_PER_M)
    ground["geometry"] = [_polygons(shape) for shape in ground.geometry]
    ground["acres"] = geodesic_acres(ground)
    return ground.loc[ground["acres"] > 0, ["stand", "acres", "geometry"]].reset_index(drop=True)


def _polygons(shape: shapely.Geometry) -> shapely.MultiPolygon:
    """Return the polygons of a geometry; lines and points left by an overlay are dropped."""
    parts = shapely.get_parts(shapely.get_parts(shape))
    return shapely.multipolygons(parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON])


def grid_points(ground: shapely.Geometry, spacing: float, rng: np.random.Generator) -> Floats:
    """Points of a square grid with a random start.

    Parameters
    ----------
    ground : Geometry
        Polygons.
    spacing : float
        Between points and between lines, in the unit of the ground.
    rng : Generator
        Gives the start.

    Returns
    -------
    ndarray, shape (n, 2)
        Points inside, rows from the lower left. How many fall inside is chance, area / spacing^2
        on average; every place has the same chance of being sampled.

    Raises
    ------
    DomainError
        If the spacing is not above 0.

    References
    ----------
    .. [1] Cochran, W.G. 1977. Sampling techniques, 3rd ed. Wiley, section 8.13, the square grid
       (from memory).
    """
    if not 0 < spacing < np.inf:
        raise DomainError(f"'spacing' must be above 0; got {spacing:g}.")
    left, bottom, right, top = shapely.bounds(ground)
    start = rng.uniform(0, spacing, size=2)
    x, y = np.meshgrid(
        np.arange(left + start[0], right, spacing), np.arange(bottom + start[1], top, spacing)
    )
    inside = shapely.contains_xy(ground, x.ravel(), y.ravel())
    return np.asarray(np.column_stack([x.ravel(), y.ravel()])[inside])


def random_points(ground: shapely.Geometry, n: int, rng: np.random.Generator) -> Floats:
    """Points placed independently, every place as likely as any other.

    Parameters
    ----------
    ground : Geometry
        Polygons.
    n : int
        How many.
    rng : Generator
        Gives the places.

    Returns
    -------
    ndarray, shape (n, 2)
        Points inside.

    Raises
    ------
    DomainError
        If the ground has no area.

    Notes
    -----
    The polygons are cut into triangles; each point picks a triangle by its area and a place in it.
    """
    triangles = shapely.get_parts(shapely.constrained_delaunay_triangles(ground))
    area = shapely.area(triangles)
    if not area.sum() > 0:
        raise DomainError("There is no ground to put plots on.")
    corners = shapely.get_coordinates(triangles).reshape(-1, 4, 2)[:, :3]
    at = rng.choice(len(triangles), size=n, p=area / area.sum())
    u, v = rng.uniform(size=(2, n))
    over = u + v > 1
    u, v = np.where(over, 1 - u, u), np.where(over, 1 - v, v)
    a, b, c = corners[at].transpose(1, 0, 2)
    return np.asarray(a + u[:, None] * (b - a) + v[:, None] * (c - a))


def local_pivotal(
    xy: ArrayLike, probability: ArrayLike, rng: np.random.Generator
) -> NDArray[np.bool_]:
    """Draw a sample that is well spread, each unit with its own chance.

    Parameters
    ----------
    xy : array_like, shape (N, 2)
        Units.
    probability : array_like, shape (N,)
        Chance of each, 0 to 1. Where they sum to a whole number, the sample has that many units.
    rng : Generator
        Chance itself.

    Returns
    -------
    ndarray of bool
        The units drawn.

    Raises
    ------
    DomainError
        If the columns do not match or a chance is not 0 to 1.

    Notes
    -----
    The local pivotal method, its faster variant: a unit not yet settled is picked, and it and its
    nearest unsettled neighbour contest their chances, so that near neighbours are seldom both
    drawn [1]_.

    References
    ----------
    .. [1] Grafström, A., N.L.P. Lundström and L. Schelin. 2012. Spatially balanced sampling
       through the pivotal method. Biometrics 68: 514-520 (from memory).

    Examples
    --------
    >>> two_pairs = [[0, 0], [0, 1], [9, 9], [9, 8]]
    >>> chosen = local_pivotal(two_pairs, [0.5] * 4, np.random.default_rng(1))
    >>> int(chosen[:2].sum()), int(chosen[2:].sum())
    (1, 1)
    """
    points = np.ascontiguousarray(xy, dtype=np.float64)
    p = np.asarray(probability, dtype=np.float64)
    if points.shape != (len(p), 2) or not np.all((p >= 0) & (p <= 1)):
        raise DomainError("'probability' must give each point a chance from 0 to 1.")
    draws = rng.uniform(size=(len(p) + 1, 2))
    return np.asarray(_kernels.local_pivotal(points, p, draws) > 0.5)


def balanced_points(ground: shapely.Geometry, n: int, rng: np.random.Generator) -> Floats:
    """Points spread evenly over the ground, yet at random.

    Parameters
    ----------
    ground : Geometry
        Polygons.
    n : int
        How many.
    rng : Generator
        Chance itself.

    Returns
    -------
    ndarray, shape (n, 2)
        Points inside: `local_pivotal` on many `random_points`, so that every place has the same
        chance and no two plots crowd.

    Raises
    ------
    DomainError
        If the ground has no area.
    """
    many = min(max(CANDIDATES_PER_PLOT * n, LEAST_CANDIDATES), max(MOST_CANDIDATES, n))
    candidates = random_points(ground, many, rng)
    return candidates[local_pivotal(candidates, np.full(many, n / many), rng)]


def stand_of(xy: Floats, ground: gpd.GeoDataFrame) -> pd.Series:
    """Return the stand each point lies in, indexed by point."""
    tree = shapely.STRtree(ground.geometry.to_numpy())
    point, at = tree.query(shapely.points(xy), predicate="within")
    return pd.Series(ground["stand"].to_numpy()[at], index=point).sort_index()
