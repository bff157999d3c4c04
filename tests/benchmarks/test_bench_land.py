"""Cutting what must stay out of the stands, beside a plain geopandas overlay in the same run.

Run ``pytest tests/benchmarks/test_bench_land.py --benchmark-only``. The plain way is done once, for
it is slow: ``overlay`` for what is inside, and again for what is outside.
"""

from __future__ import annotations

import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio import Affine

from standmap.land import (
    buffer_streams,
    exclude,
    follow_ground,
    geodesic_acres,
    local_crs,
    stream_rule,
    terrain_table,
)

PLANE = local_crs(gpd.GeoSeries([shapely.box(-80.01, 37.99, -79.99, 38.01)], crs=4326))
STANDS, STREAMS = 10_000, 5_000
MANY_STANDS, EXCLUSIONS = 100_000, 20_000
STAND_M = 200.0


def make_stands(n: int) -> gpd.GeoDataFrame:
    """Irregular stands of about ten acres that tile a square."""
    rng = np.random.default_rng(7)
    side = int(np.sqrt(n))
    column, row = np.meshgrid(np.arange(side), np.arange(side))
    seed = np.stack([column, row], -1).reshape(-1, 2) * STAND_M
    seed = seed + rng.uniform(0.15, 0.85, seed.shape) * STAND_M
    tract = shapely.box(0, 0, side * STAND_M, side * STAND_M)
    cells = shapely.voronoi_polygons(shapely.multipoints(seed), extend_to=tract)
    cells = shapely.intersection(shapely.get_parts(cells), tract)
    return gpd.GeoDataFrame({"stand": np.arange(len(cells)).astype(str)}, geometry=cells, crs=PLANE)


def make_streams(n: int, side_m: float) -> gpd.GeoDataFrame:
    """Winding streams of 585 m with a vertex every 15 m, of two classes."""
    rng = np.random.default_rng(8)
    heading = rng.uniform(0, 2 * np.pi, (n, 1)) + np.cumsum(rng.normal(0, 0.15, (n, 39)), axis=1)
    steps = 15 * np.stack([np.cos(heading), np.sin(heading)], axis=-1)
    start = rng.uniform(0, side_m, (n, 1, 2))
    xy = np.concatenate([start, start + np.cumsum(steps, axis=1)], axis=1)
    kind = rng.choice(["perennial", "intermittent"], n)
    return gpd.GeoDataFrame({"class": kind}, geometry=shapely.linestrings(xy), crs=PLANE)


def make_blobs(n: int, side_m: float) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(9)
    points = shapely.points(rng.uniform(0, side_m, (n, 2)))
    shapes = shapely.buffer(points, rng.uniform(5, 80, n), quad_segs=6)
    reason = rng.choice(["wetland", "power line", "graves"], n)
    return gpd.GeoDataFrame({"reason": reason}, geometry=shapes, crs=PLANE)


def plain_acres(stands: gpd.GeoDataFrame, keep: gpd.GeoDataFrame) -> dict[str, float]:
    """Net acres the plain way, and the seconds it took.

    The quickest plain way found: the shapes as they come, so that overlay's own spatial index
    works (united or dissolved first, it is many times slower). It counts ground under two shapes
    twice and names no reason; `exclude` gives each acre one.
    """
    held = from_here()
    begin = time.perf_counter()
    inside = gpd.overlay(stands, keep, how="intersection", keep_geom_type=True)
    net = gpd.overlay(stands, keep, how="difference", keep_geom_type=True)
    took = time.perf_counter() - begin
    peak = peak_gb() - held
    return {
        "seconds": took,
        "peak_gb": peak,
        "net": geodesic_acres(net).sum(),
        "pieces": len(inside) + len(net),
    }


def peak_gb() -> float:
    """Most memory the process has held since `from_here`. NaN where the system does not say."""
    status = Path("/proc/self/status")
    if not status.exists():
        return float("nan")
    line = next(s for s in status.read_text().splitlines() if s.startswith("VmHWM"))
    return int(line.split()[1]) / 1e6


def from_here() -> float:
    """Count the peak of memory anew, and return what is held now."""
    counter = Path("/proc/self/clear_refs")
    if counter.exists():
        counter.write_text("5")
    return peak_gb()


def run(benchmark, work, *args, **kwargs):
    """Run once to measure, with the memory it takes; the first run may compile a kernel."""
    held = from_here()
    result = benchmark.pedantic(work, args=args, kwargs=kwargs, rounds=1, iterations=1)
    benchmark.extra_info |= {"held_before_gb": held, "peak_gb": peak_gb()}
    return result


def say(capsys, benchmark, what: str, plain: dict[str, float] | None = None) -> None:
    best = benchmark.stats.stats.min
    held, peak = benchmark.extra_info["held_before_gb"], benchmark.extra_info["peak_gb"]
    line = f"\n{what}: {best:.1f} s; {peak - held:.2f} GB on top of {held:.2f}"
    if plain:
        line += f"; plain overlay {plain['seconds']:.1f} s ({plain['seconds'] / best:.1f} times), "
        line += f"{plain['peak_gb']:.2f} GB on top"
        benchmark.extra_info |= {f"plain_{key}": plain[key] for key in ("seconds", "peak_gb")}
    with capsys.disabled():
        print(line)


@pytest.fixture(scope="module")
def stands() -> gpd.GeoDataFrame:
    return make_stands(STANDS)


@pytest.fixture(scope="module")
def streams(stands) -> gpd.GeoDataFrame:
    return make_streams(STREAMS, float(stands.total_bounds[2]))


@pytest.fixture(scope="module")
def hills(stands, tmp_path_factory) -> Path:
    """Smooth hills in cells of 10 m, in float32."""
    side = int(stands.total_bounds[2] / 10) + 80
    x = (np.arange(side) - 40) * 10.0
    z = 60 * np.sin(x / 140)[None, :] * np.cos(x / 170)[:, None]
    path = tmp_path_factory.mktemp("hills") / "hills.tif"
    with rasterio.open(
        path, "w", driver="GTiff", width=side, height=side, count=1, dtype="float32",
        crs=PLANE.to_wkt(), transform=Affine(10, 0, -400, 0, -10, x[-1]), tiled=True,
    ) as target:  # fmt: skip
        target.write(z.astype("float32"), 1)
    return path


def test_stands_cut_by_stream_buffers(benchmark, capsys, stands, streams):
    widths = streams["class"].map({"perennial": 100.0, "intermittent": 35.0})
    buffers = buffer_streams(streams, widths, crs=PLANE)
    pieces = run(benchmark, exclude, stands, buffers)
    plain = plain_acres(stands, buffers)
    net = pieces.loc[pieces["reason"] == "", "acres"].sum()
    assert net == pytest.approx(plain["net"], rel=1e-6)
    say(capsys, benchmark, f"{STANDS:,} stands cut by {STREAMS:,} stream buffers", plain)


def test_buffers_that_follow_the_ground(benchmark, capsys, streams, hills):
    rules = {
        "perennial": stream_rule("SC", "perennial"),
        "intermittent": stream_rule("MN", "any", limits="soil"),
    }
    found = run(benchmark, follow_ground, streams, rules, dem_path=hills, slope_pct=0.0, crs=PLANE)
    assert len(found.buffers) == STREAMS and found.banks["measured"].mean() > 0.9
    say(capsys, benchmark, f"{STREAMS:,} slope-following buffers, {len(found.banks):,} banks")


def test_stands_cut_by_slope_following_buffers(benchmark, capsys, stands, streams, hills):
    rule = stream_rule("SC", "perennial")
    kwargs = {"dem_path": hills, "slope_pct": 0.0, "crs": PLANE}
    buffers = follow_ground(streams, rule, **kwargs).buffers
    pieces = run(benchmark, exclude, stands, buffers)
    plain = plain_acres(stands, buffers)
    net = pieces.loc[pieces["reason"] == "", "acres"].sum()
    assert net == pytest.approx(plain["net"], rel=1e-6)
    say(capsys, benchmark, f"{STANDS:,} stands cut by {STREAMS:,} slope-following buffers", plain)


def test_many_stands_cut_by_many_exclusions(benchmark, capsys):
    stands = make_stands(MANY_STANDS)
    blobs = make_blobs(EXCLUSIONS, float(stands.total_bounds[2]))
    pieces = run(benchmark, exclude, stands, None, blobs)
    plain = plain_acres(stands, blobs)
    net = pieces.loc[pieces["reason"] == "", "acres"].sum()
    assert net == pytest.approx(plain["net"], rel=1e-6)
    say(capsys, benchmark, f"{MANY_STANDS:,} stands cut by {EXCLUSIONS:,} exclusions", plain)


def test_the_ground_of_every_stand(benchmark, capsys, stands, hills):
    table = run(benchmark, terrain_table, hills, stands)
    assert table["covered_pct"].min() > 99
    say(capsys, benchmark, f"slope, aspect and classes of {STANDS:,} stands")
