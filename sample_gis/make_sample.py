"""Make the sample tract: an invented woodland, its cruise, and the truth to hold it against.

Run ``python sample_gis/make_sample.py`` to write every file beside this one again; the same seeds
give the same files. The land is grown first and written; the forest is then grown on the written
land, counted tree by tree (``census.csv``, ``census_products.csv``) and cruised (``plots.csv``,
``tally.csv``). Nothing here is a real place, owner or price.

- ``make_terrain``: hills and water
- ``make_land``: outline, stands, streams, exclusions, harvest units
- ``make_stems``: every tree, and the canopy surface
- ``make_cruise``: points, trees picked, the sheet as written down
"""

from __future__ import annotations

import sys
from functools import cache
from pathlib import Path
from typing import Literal

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely
from pyproj import Transformer

HERE = Path(__file__).resolve().parent
if str(HERE) not in sys.path:  # also when loaded by path, from a test or a notebook
    sys.path.insert(0, str(HERE))

from make_census import MEASURES, census, census_products, measure_stems  # noqa: E402
from make_cruise import (  # noqa: E402
    BAF,
    GRID_SCALE,
    Cruise,
    cruise_stands,
    lay_points,
    limiting_distance_m,
    pick_trees,
)
from make_land import NEVER_CRUISED, make_land, power_line  # noqa: E402
from make_stems import canopy_height, grow_stems  # noqa: E402
from make_terrain import (  # noqa: E402
    CELL_M,
    CRS,
    NORTH_M,
    WEST_M,
    Raster,
    make_ground,
    read_raster,
    write_raster,
)

from standmap.land import (  # noqa: E402
    follow_ground,
    geodesic_acres,
    local_crs,
    read_rules,
    stream_rule,
)

__all__ = [
    "BAF",
    "GRID_SCALE",
    "MEASURES",
    "Cruise",
    "census",
    "census_products",
    "cruise_grounds",
    "draw_cruise",
    "lay_points",
    "limiting_distance_m",
    "main",
    "measure_stems",
    "parts",
    "pick_trees",
    "stem_map",
    "write_cruise",
]

RULE = "Whetstone plan"
"""Whose streamside rules rules.csv holds; the widths follow the ground as the package draws it."""
LAND_SEED = 3
STEM_SEED = 1907
CRUISE_SEED = 2
"""A draw with a few points that have no trees, as a first-time user should meet them; it was not
chosen by its estimates."""
CANOPY_CELL_M = 5.0
MARGIN_M = 120.0
"""How far the rasters reach beyond the tract. [m]"""
EXCLUDED_PARTS = ("exclusion", "buffer and exclusion")
"""Parts of a stand where no point is laid and no tree tallied."""


@cache
def _layer(name: str) -> gpd.GeoDataFrame:
    return gpd.read_file(HERE / f"{name}.gpkg")


@cache
def parts() -> gpd.GeoDataFrame:
    """Stands cut into what may be cut and what stays, each acre once.

    Returns
    -------
    GeoDataFrame
        ``stand, part, acres`` and geometry. ``part`` is "net", "stream buffer", "exclusion" or, on
        ground that is both, "buffer and exclusion". Acres are on the ellipsoid.
    """
    stands, streams = _layer("stands"), _layer("streams")
    excluded = shapely.union_all(_layer("exclusions").geometry.to_numpy())
    rules, _ = read_rules(HERE / "rules.csv")
    buffers = follow_ground(
        streams,
        {name: stream_rule(RULE, name, rules=rules) for name in streams["class"].unique()},
        dem_path=HERE / "elevation.tif",
        channel_width_ft=streams["channel_ft"],
        crs=local_crs(stands),
    ).buffers
    buffered = shapely.union_all(buffers.to_crs(stands.crs).geometry.to_numpy())
    shapes = {
        "buffer and exclusion": shapely.intersection(buffered, excluded),
        "exclusion": shapely.difference(excluded, buffered),
        "stream buffer": shapely.difference(buffered, excluded),
    }
    pieces = [
        gpd.GeoDataFrame(
            {"stand": stands["stand"], "part": part}, geometry=stands.intersection(shape)
        )
        for part, shape in shapes.items()
    ]
    net = stands.difference(shapely.union(excluded, buffered))
    pieces.append(gpd.GeoDataFrame({"stand": stands["stand"], "part": "net"}, geometry=net))
    made = pd.concat(pieces, ignore_index=True)
    made = made[~made.is_empty].reset_index(drop=True)
    made["acres"] = geodesic_acres(made)
    return made


@cache
def cruise_grounds() -> gpd.GeoSeries:
    """Ground over which each cruised stand's points are drawn: the stand less the exclusions."""
    stands = _layer("stands").set_index("stand").geometry
    excluded = shapely.union_all(_layer("exclusions").geometry.to_numpy())
    return stands[stands.index != NEVER_CRUISED].difference(excluded)


def stem_map(seed: int = STEM_SEED) -> pd.DataFrame:
    """Grow the forest on the written land.

    Parameters
    ----------
    seed : int
        Seed of the random generator; the default is the forest of the written files.

    Returns
    -------
    DataFrame
        One row per tree of 4.6 in and more: ``stand, x, y`` [m], ``species_code, dbh_in, height_ft,
        saw_logs, defect_pct, product, status``, ``part`` of the stand as in `parts`, and
        ``ground``, the stand that a point may tally it for, blank on exclusions.
    """
    exclusions = _layer("exclusions")
    strip = exclusions.loc[exclusions["reason"] == "power line"].geometry.union_all()
    stems = grow_stems(_layer("stands"), strip, read_raster(HERE / "elevation.tif"), seed=seed)
    x, y = stems["x"].to_numpy(), stems["y"].to_numpy()
    stems["part"] = "net"
    for name in (*EXCLUDED_PARTS, "stream buffer"):
        shape = shapely.union_all(parts().loc[parts()["part"] == name].geometry.to_numpy())
        shapely.prepare(shape)
        stems.loc[shapely.contains_xy(shape, x, y), "part"] = name
    stems["ground"] = stems["stand"].where(~stems["part"].isin(EXCLUDED_PARTS), "")
    return stems


def draw_cruise(
    stems: pd.DataFrame, seed: int = CRUISE_SEED, *, layout: Literal["grid", "random"] = "grid"
) -> Cruise:
    """Draw one cruise: BAF 10 points in every cruised stand (see ``make_cruise``).

    Parameters
    ----------
    stems : DataFrame
        From `stem_map`.
    seed : int
        Seed of the random generator; the default is the cruise of the written files.
    layout : {"grid", "random"}
        A square grid from a random start in each stand, or independent random points.

    Returns
    -------
    Cruise
        Plots and tally.
    """
    return cruise_stands(stems, cruise_grounds(), seed=seed, layout=layout)


def _write_land() -> None:
    ground = make_ground(LAND_SEED)
    land = make_land(ground)
    # The date is pinned so that the same layer is the same bytes.
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": "2025-03-14T12:00:00.000Z"})
    for name in ("stands", "streams", "exclusions", "units", "landings", "crossings", "roads"):
        path = HERE / f"{name}.gpkg"
        path.unlink(missing_ok=True)
        layer: gpd.GeoDataFrame = getattr(land, name)
        layer.to_file(path, layer=name, driver="GPKG")
    west, south, east, north = land.stands.total_bounds
    col0, col1 = (int((x - WEST_M) / CELL_M) for x in (west - MARGIN_M, east + MARGIN_M))
    row0, row1 = (int((NORTH_M - y) / CELL_M) for y in (north + MARGIN_M, south - MARGIN_M))
    elevation = Raster(
        grid=ground.elevation_m[row0:row1, col0:col1].round(2),
        west=WEST_M + col0 * CELL_M,
        north=NORTH_M - row0 * CELL_M,
        cell_m=CELL_M,
    )
    write_raster(HERE / "elevation.tif", elevation, description="elevation, metres")
    _layer.cache_clear()
    parts.cache_clear()
    cruise_grounds.cache_clear()


def _write_canopy(stems: pd.DataFrame) -> None:
    elevation = read_raster(HERE / "elevation.tif")
    fine = int(elevation.cell_m / CANOPY_CELL_M)
    shape = (elevation.grid.shape[0] * fine, elevation.grid.shape[1] * fine)
    standing = pd.concat([stems[stems["status"] != "dead"], _neighbours(elevation)])
    canopy = canopy_height(
        standing, shape, elevation.west, elevation.north, CANOPY_CELL_M, seed=STEM_SEED
    )
    raster = Raster(
        grid=canopy.round(1), west=elevation.west, north=elevation.north, cell_m=CANOPY_CELL_M
    )
    write_raster(HERE / "canopy.tif", raster, description="canopy height, metres")


def _neighbours(elevation: Raster) -> pd.DataFrame:
    """Oak woods around the tract, so that the canopy does not end at the line."""
    rows, cols = elevation.grid.shape
    frame = shapely.box(
        elevation.west,
        elevation.north - rows * elevation.cell_m,
        elevation.west + cols * elevation.cell_m,
        elevation.north,
    )
    inside = shapely.Polygon(shapely.union_all(_layer("stands").geometry.to_numpy()).exterior)
    around = gpd.GeoDataFrame({"stand": ["1"]}, geometry=[frame.difference(inside)], crs=CRS)
    return grow_stems(around, power_line(), elevation, seed=STEM_SEED + 2)


def write_cruise(cruise: Cruise, folder: Path = HERE) -> None:
    """Write ``plots.csv`` (longitude and latitude) and ``tally.csv`` (blank: not recorded)."""
    to_degrees = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True)
    lon, lat = to_degrees.transform(cruise.plots["x"], cruise.plots["y"])
    plots = pd.DataFrame({"plot": cruise.plots["plot"], "lon": lon.round(7), "lat": lat.round(7)})
    plots.to_csv(folder / "plots.csv", index=False)
    sheet = cruise.tally.drop(columns="stem")
    sheet["height_ft"] = sheet["height_ft"].astype("Int64")
    sheet["defect_pct"] = sheet["defect_pct"].where(sheet["defect_pct"] > 0).astype("Int64")
    sheet["grade"] = sheet["grade"].astype("Int64")
    sheet["status"] = sheet["status"].replace("live", "")
    sheet.to_csv(folder / "tally.csv", index=False)


def main() -> None:
    """Write every file of the sample tract."""
    _write_land()
    stems = stem_map()
    _write_canopy(stems)
    write_cruise(draw_cruise(stems))
    values = measure_stems(stems, HERE)
    census(stems, values, parts()).to_csv(HERE / "census.csv", index=False)
    census_products(stems, values).to_csv(HERE / "census_products.csv", index=False)
    sizes = {p.name: p.stat().st_size for p in sorted(HERE.iterdir()) if p.is_file()}
    print(f"{len(stems):,} trees grown; {sum(sizes.values()) / 1e6:.2f} MB written to {HERE}")


if __name__ == "__main__":
    main()
