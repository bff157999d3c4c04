"""Every tree of the sample tract: where it stands, what it is, and what a cruiser would call it.

Trees come in clumps, follow wet and dry ground, stop at the stand line, leave the power line bare
and stand in rows where they were planted. Only trees of 4.6 inches and more are grown: the
smallest that the invented cruise tallies.
"""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from make_terrain import FT, Grid, Raster, site_of, smooth_noise
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import cKDTree

from standmap.trees import national_stems
from standmap.units import SQM_PER_ACRE

LEAST_DBH_IN = 4.6
LEAST_SAW_DBH_IN = {"softwood": 9.0, "hardwood": 11.0}
"""DBH from which the cruiser counts saw logs. [in]"""
SAW_TOP_DIB_IN = {"softwood": 6.5, "hardwood": 8.0}
"""Top to which saw logs are counted where no fork or defect comes first. [in]"""
VENEER_CODES = (602, 762, 802, 833)  # black walnut, black cherry, white oak, northern red oak
LAST_SOFTWOOD = 299


@dataclass(frozen=True, slots=True)
class Kind:
    """How a species grows here.

    ``a_ft``, ``b``, ``c`` shape its height curve, H = 4.5 + a (1 - exp(-b D))^c; ``wet`` says how
    strongly it keeps to moist ground; ``saw`` is the share of total height below its first fork or
    bad limb; ``cull`` the share of trees not worth a log. All invented.
    """

    tally: str
    a_ft: float
    b: float
    c: float
    wet: float
    saw: float
    cull: float


KINDS = {
    68: Kind("ERC", 47, 0.120, 1.0, -0.5, 0.42, 0.01),
    110: Kind("SLP", 84, 0.090, 1.0, -0.6, 0.62, 0.01),
    129: Kind("WP", 114, 0.072, 1.0, 0.2, 0.66, 0.01),
    131: Kind("LOB", 88, 0.110, 1.0, 0.0, 0.66, 0.01),
    132: Kind("VP", 72, 0.110, 1.0, -0.7, 0.55, 0.03),
    316: Kind("RM", 80, 0.100, 0.9, 0.2, 0.36, 0.07),
    318: Kind("sugar maple", 92, 0.085, 0.9, 0.7, 0.40, 0.03),
    373: Kind("river birch", 72, 0.100, 0.9, 0.9, 0.33, 0.05),
    403: Kind("HIC", 90, 0.082, 0.9, -0.2, 0.44, 0.02),
    409: Kind("mockernut hickory", 86, 0.082, 0.9, -0.2, 0.42, 0.02),
    531: Kind("beech", 84, 0.080, 0.9, 0.6, 0.34, 0.10),
    541: Kind("WA", 100, 0.085, 0.9, 0.8, 0.46, 0.04),
    602: Kind("black walnut", 92, 0.085, 0.9, 0.8, 0.42, 0.01),
    611: Kind("SG", 98, 0.088, 0.9, 0.5, 0.50, 0.01),
    621: Kind("YP", 120, 0.084, 0.9, 0.7, 0.55, 0.01),
    693: Kind("blackgum", 76, 0.085, 0.9, 0.0, 0.34, 0.08),
    711: Kind("sourwood", 58, 0.120, 0.9, -0.1, 0.25, 0.12),
    731: Kind("SYC", 108, 0.080, 0.9, 1.0, 0.45, 0.04),
    762: Kind("BC", 94, 0.088, 0.9, 0.4, 0.44, 0.03),
    802: Kind("WO", 90, 0.082, 0.9, -0.2, 0.43, 0.02),
    806: Kind("SO", 88, 0.086, 0.9, -0.7, 0.40, 0.06),
    832: Kind("CO", 80, 0.080, 0.9, -1.0, 0.36, 0.06),
    833: Kind("NRO", 98, 0.082, 0.9, 0.4, 0.46, 0.02),
    837: Kind("BO", 88, 0.082, 0.9, -0.5, 0.42, 0.03),
    951: Kind("basswood", 96, 0.085, 0.9, 1.0, 0.44, 0.04),
}
"""Species by FIA code, with the name this tract's tally uses for each."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """What a stand is made of: trees per acre, then (species, share, mean of DBH over 4.6, shape).

    DBH over the smallest tallied size follows a Weibull distribution with that mean and shape.
    """

    trees_per_acre: float
    mix: tuple[tuple[int, float, float, float], ...]
    rows_ft: float = 0.0
    clumping: float = 0.26


_OAK = (
    (802, 0.21, 8.3, 1.5), (832, 0.17, 7.4, 1.4), (806, 0.10, 7.9, 1.5), (837, 0.09, 8.3, 1.5),
    (833, 0.05, 8.8, 1.6), (403, 0.10, 6.0, 1.3), (409, 0.04, 5.0, 1.3), (316, 0.12, 3.2, 1.1),
    (711, 0.06, 1.7, 1.1), (693, 0.03, 2.8, 1.2), (132, 0.02, 4.5, 1.5), (621, 0.01, 8.5, 1.5),
)  # fmt: skip
_COVE = (
    (621, 0.40, 9.3, 1.7), (833, 0.12, 9.0, 1.6), (802, 0.06, 8.6, 1.5), (541, 0.05, 6.8, 1.5),
    (951, 0.05, 6.6, 1.5), (318, 0.06, 4.4, 1.2), (531, 0.05, 5.0, 1.2), (762, 0.04, 7.0, 1.5),
    (316, 0.10, 4.2, 1.2), (403, 0.04, 6.4, 1.4), (602, 0.02, 8.4, 1.6), (693, 0.01, 3.0, 1.2),
)  # fmt: skip
_PINE_OAK = (
    (129, 0.43, 8.6, 1.6), (802, 0.08, 6.6, 1.4), (832, 0.07, 5.8, 1.3), (833, 0.06, 6.6, 1.4),
    (621, 0.09, 7.4, 1.5), (316, 0.15, 3.4, 1.1), (806, 0.05, 6.2, 1.4), (403, 0.04, 4.6, 1.3),
    (711, 0.03, 1.6, 1.1),
)  # fmt: skip
_BOTTOM = (
    (731, 0.17, 10.2, 1.5), (621, 0.20, 9.6, 1.6), (611, 0.18, 7.4, 1.5), (316, 0.17, 5.2, 1.2),
    (373, 0.09, 5.0, 1.4), (541, 0.08, 6.0, 1.4), (602, 0.03, 8.4, 1.6), (833, 0.05, 9.2, 1.6),
    (762, 0.03, 5.2, 1.4),
)  # fmt: skip
_FIELD = (
    (68, 0.60, 2.5, 1.3), (132, 0.16, 3.8, 1.5), (621, 0.07, 4.4, 1.3), (762, 0.05, 3.2, 1.3),
    (110, 0.05, 4.6, 1.5), (316, 0.05, 2.4, 1.1), (602, 0.02, 3.6, 1.3),
)  # fmt: skip
_YOUNG = (
    (621, 0.36, 1.1, 1.1), (316, 0.22, 0.9, 1.1), (132, 0.12, 1.3, 1.1), (802, 0.15, 9.6, 1.8),
    (403, 0.08, 7.2, 1.6), (833, 0.07, 9.0, 1.8),
)  # fmt: skip
_LOB = ((131, 0.93, 5.6, 2.5), (611, 0.03, 2.0, 1.2), (621, 0.02, 3.0, 1.3), (316, 0.02, 1.6, 1.1))
_LOB_YOUNG = (
    (131, 0.95, 4.6, 2.5), (611, 0.02, 1.4, 1.2), (621, 0.02, 2.2, 1.3), (316, 0.01, 1.2, 1.1),
)  # fmt: skip

RECIPES = {
    "1": Recipe(118, _OAK), "2": Recipe(104, _COVE), "3": Recipe(124, _OAK),
    "4": Recipe(92, _COVE), "5": Recipe(114, _OAK), "6": Recipe(134, _PINE_OAK),
    "7": Recipe(98, _BOTTOM), "8": Recipe(200, _LOB, rows_ft=11.0, clumping=0.18),
    "9": Recipe(36, _YOUNG, clumping=0.55), "10": Recipe(132, _OAK), "11": Recipe(122, _PINE_OAK),
    "12": Recipe(120, _OAK), "13": Recipe(168, _FIELD, clumping=0.45),
    "14": Recipe(222, _LOB_YOUNG, rows_ft=10.0, clumping=0.16), "15": Recipe(110, _COVE),
    "16": Recipe(116, _OAK), "17": Recipe(106, _COVE),
}  # fmt: skip
"""By stand."""


def grow_stems(
    stands: gpd.GeoDataFrame, bare: shapely.Geometry, elevation: Raster, *, seed: int
) -> pd.DataFrame:
    """Grow every tree of every stand.

    Parameters
    ----------
    stands : GeoDataFrame
        ``stand`` and polygons in metres; each stand has a recipe.
    bare : Geometry
        Ground with no trees on it: the power line.
    elevation : Raster
        The ground, from which wet and dry are read.
    seed : int
        Seed of the random generator; one seed, one forest.

    Returns
    -------
    DataFrame
        One row per tree: ``stand, x, y`` (m, to the centimetre), ``species_code, dbh_in,
        height_ft, saw_logs`` (NaN on trees too small), ``defect_pct, product, status``.
    """
    rng = np.random.default_rng(seed)
    _, moisture = site_of(elevation.grid)
    shape = moisture.shape
    fields = {
        "moisture": moisture,
        "thick": smooth_noise(rng, shape, 4.5) * 0.75 + smooth_noise(rng, shape, 1.6) * 0.65,
        "big": smooth_noise(rng, shape, 6.0),
        "tall": smooth_noise(rng, shape, 8.0),
    }
    parts = []
    for stand, polygon in zip(stands["stand"], stands.geometry, strict=True):
        parts.append(_grow_stand(stand, polygon, RECIPES[stand], elevation, fields, rng))
    stems = pd.concat(parts, ignore_index=True)
    x, y = stems["x"].to_numpy(), stems["y"].to_numpy()
    stems = stems[~shapely.contains_xy(bare, x, y)].reset_index(drop=True)
    stems = _space_apart(stems)
    return _call(stems, np.random.default_rng(seed + 1))


def _grow_stand(
    stand: str,
    polygon: shapely.Polygon,
    recipe: Recipe,
    elevation: Raster,
    fields: dict[str, Grid],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Grow the trees of one stand: places, then species by site, then diameters and heights."""
    planted = recipe.rows_ft > 0
    places = _rows if planted else _scatter
    x, y = places(polygon, recipe, rng)
    thick = elevation.at(x, y, fields["thick"])
    wanted = recipe.trees_per_acre * polygon.area / SQM_PER_ACRE
    keep = np.exp(recipe.clumping * thick)
    keep *= wanted / keep.sum()
    chosen = rng.random(len(x)) < keep
    x, y = x[chosen], y[chosen]
    moisture = elevation.at(x, y, fields["moisture"])
    codes = np.array([row[0] for row in recipe.mix])
    wet = np.array([KINDS[code].wet for code in codes])
    chance = np.array([row[1] for row in recipe.mix]) * np.exp(0.8 * wet * moisture[:, None])
    edge = np.cumsum(chance, axis=1) / chance.sum(axis=1, keepdims=True)
    pick = (rng.random(len(x))[:, None] > edge).sum(axis=1)
    x, y, pick = _sprout(polygon, x, y, pick, planted, rng)
    mean = np.array([row[2] for row in recipe.mix])[pick]
    power = np.array([row[3] for row in recipe.mix])[pick]
    moisture = elevation.at(x, y, fields["moisture"])
    site = 0.09 * elevation.at(x, y, fields["big"]) + 0.05 * moisture
    # The mean of a Weibull of shape k is close to 0.89 of its scale for k of 1.2 to 2.5.
    dbh = LEAST_DBH_IN + mean / 0.89 * rng.weibull(power) * np.exp(site)
    dbh = np.where(dbh > 30, 30 + 0.45 * (dbh - 30), dbh).round(1)  # few live to be giants
    kinds = [KINDS[code] for code in codes]
    a, b, c = (np.array([getattr(k, name) for k in kinds])[pick] for name in ("a_ft", "b", "c"))
    tall = 0.035 * elevation.at(x, y, fields["tall"]) + 0.045 * np.tanh(moisture)
    spread = np.exp(tall + 0.07 * rng.standard_normal(len(x)))
    height = 4.5 + a * (1 - np.exp(-b * dbh)) ** c * spread
    return pd.DataFrame(
        {
            "stand": stand,
            "x": x.round(2),
            "y": y.round(2),
            "species_code": codes[pick],
            "dbh_in": dbh,
            "height_ft": height.round(0),
        }
    )


def _scatter(
    polygon: shapely.Polygon, recipe: Recipe, rng: np.random.Generator
) -> tuple[Grid, Grid]:
    """Five places for every tree wanted, anywhere in the stand."""
    west, south, east, north = polygon.bounds
    box_acres = (east - west) * (north - south) / SQM_PER_ACRE
    n = int(5 * recipe.trees_per_acre * box_acres)
    x, y = rng.uniform(west, east, n), rng.uniform(south, north, n)
    inside = shapely.contains_xy(polygon, x, y)
    return x[inside], y[inside]


def _rows(polygon: shapely.Polygon, recipe: Recipe, rng: np.random.Generator) -> tuple[Grid, Grid]:
    """Planted rows that wander a little, with every fifth row cut out at the first thinning."""
    west, south, east, north = polygon.bounds
    gap = recipe.rows_ft * FT
    reach = np.hypot(east - west, north - south) / 2 + 10
    row, step = np.meshgrid(
        np.arange(-reach, reach, gap), np.arange(-reach, reach, 0.78 * gap), indexing="ij"
    )
    row, step = row[np.arange(len(row)) % 5 != 4], step[np.arange(len(step)) % 5 != 4]
    u = row.ravel() + 4.0 * np.sin(step.ravel() / 70.0) + rng.normal(0, 0.3, row.size)
    v = step.ravel() + rng.normal(0, 0.4, row.size)
    turn = rng.uniform(0, np.pi)
    x = (west + east) / 2 + u * np.cos(turn) - v * np.sin(turn)
    y = (south + north) / 2 + u * np.sin(turn) + v * np.cos(turn)
    inside = shapely.contains_xy(polygon, x, y)
    return x[inside], y[inside]


def _sprout(
    polygon: shapely.Polygon,
    x: Grid,
    y: Grid,
    pick: NDArray[np.int64],
    planted: bool,
    rng: np.random.Generator,
) -> tuple[Grid, Grid, NDArray[np.int64]]:
    """Stand a sixth of the wild trees beside another of their kind, as sprouts and seedlings do."""
    if planted:
        return x, y, pick
    moved = rng.random(len(x)) < 1 / 6
    beside = rng.integers(0, len(x), moved.sum())
    away, turn = rng.gamma(2.0, 1.6, moved.sum()) + 0.8, rng.uniform(0, 2 * np.pi, moved.sum())
    new_x, new_y = x[beside] + away * np.cos(turn), y[beside] + away * np.sin(turn)
    inside = shapely.contains_xy(polygon, new_x, new_y)
    rows = np.flatnonzero(moved)[inside]
    x, y, pick = x.copy(), y.copy(), pick.copy()
    x[rows], y[rows], pick[rows] = new_x[inside], new_y[inside], pick[beside[inside]]
    return x, y, pick


def _space_apart(stems: pd.DataFrame, least_m: float = 0.9) -> pd.DataFrame:
    """Drop the smaller of any two trees that would stand in each other."""
    pairs = cKDTree(stems[["x", "y"]].to_numpy()).query_pairs(least_m, output_type="ndarray")
    dbh = stems["dbh_in"].to_numpy()
    smaller = np.where(dbh[pairs[:, 0]] < dbh[pairs[:, 1]], pairs[:, 0], pairs[:, 1])
    return stems.drop(index=np.unique(smaller)).reset_index(drop=True)


def _call(stems: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Add what a cruiser would write down beside the sizes: logs, defect, status and product."""
    n = len(stems)
    code = stems["species_code"].to_numpy()
    dbh = stems["dbh_in"].to_numpy()
    soft = code <= LAST_SOFTWOOD
    kinds = [KINDS[k] for k in code]
    cull = rng.random(n) < np.array([k.cull for k in kinds])
    dead = rng.random(n) < 0.022
    fork = np.array([k.saw for k in kinds]) * np.exp(0.24 * rng.standard_normal(n))
    fork_ft = np.minimum(fork, 0.70) * stems["height_ft"].to_numpy()
    profile = national_stems(code, dbh, stems["height_ft"], ecodivision=ECODIVISION)
    top_dib = np.where(soft, SAW_TOP_DIB_IN["softwood"], SAW_TOP_DIB_IN["hardwood"])
    saw_ft = np.minimum(fork_ft, profile.height_to_dib_ft(top_dib))
    logs = np.maximum(np.round(2 * (saw_ft - 1.0) / 16.3) / 2, 0.0)
    sawtimber = dbh >= np.where(soft, LEAST_SAW_DBH_IN["softwood"], LEAST_SAW_DBH_IN["hardwood"])
    status = np.where(dead, "dead", np.where(cull, "cull", "live"))
    live_saw = sawtimber & (status == "live")
    defective = live_saw & (logs > 0) & (rng.random(n) < np.where(soft, 0.05, 0.18))
    loss = rng.choice([5.0, 10.0, 15.0, 20.0, 30.0], n, p=[0.35, 0.3, 0.2, 0.1, 0.05])
    defect = np.where(defective, loss, 0.0)
    fine = live_saw & (logs >= 1) & (defect <= 5) & (rng.random(n) < 0.20)
    product = np.full(n, "", dtype=object)
    product[fine & (dbh >= 17.0) & np.isin(code, VENEER_CODES)] = "veneer log"
    product[live_saw & (code == 68) & (logs >= 0.5) & (rng.random(n) < 0.5)] = "cedar log"
    return stems.assign(
        saw_logs=np.where(live_saw, logs, np.nan),
        defect_pct=defect,
        product=product,
        status=status,
    )


ECODIVISION = "230"
"""Ecodivision whose stem models the census uses; the same in tract.toml."""


def canopy_height(
    stems: pd.DataFrame,
    shape: tuple[int, int],
    west: float,
    north: float,
    cell_m: float,
    *,
    seed: int,
) -> Grid:
    """Return the height of the top of the canopy, in metres, from the crowns of the trees.

    Crowns are half-ellipsoids as wide as the diameter allows. Where none reaches there is brush,
    taller among tall trees than in the open.
    """
    rng = np.random.default_rng(seed)
    x, y = stems["x"].to_numpy(), stems["y"].to_numpy()
    tall = stems["height_ft"].to_numpy() * FT
    dbh = stems["dbh_in"].to_numpy()
    soft = stems["species_code"].to_numpy() <= LAST_SOFTWOOD
    radius = np.where(soft, 0.8 + 0.145 * dbh, 1.3 + 0.23 * dbh)
    depth = tall * np.where(soft, 0.45, 0.55)
    crowns = np.zeros(shape)
    row0, col0 = ((north - y) / cell_m).astype(int), ((x - west) / cell_m).astype(int)
    reach = int(np.ceil(radius.max() / cell_m)) + 1
    for dr in range(-reach, reach + 1):
        for dc in range(-reach, reach + 1):
            row, col = row0 + dr, col0 + dc
            away = np.hypot(west + (col + 0.5) * cell_m - x, north - (row + 0.5) * cell_m - y)
            hit = (away < radius) & (row >= 0) & (col >= 0) & (row < shape[0]) & (col < shape[1])
            drop = 1 - np.sqrt(1 - (away[hit] / radius[hit]) ** 2)
            np.maximum.at(crowns, (row[hit], col[hit]), tall[hit] - depth[hit] * drop)
    around = ndimage.gaussian_filter(crowns, 25.0 / cell_m)
    patchy = np.exp(0.30 * smooth_noise(rng, shape, 2.5) + 0.15 * rng.standard_normal(shape))
    return np.maximum(crowns, (0.5 + 0.22 * around) * patchy)
