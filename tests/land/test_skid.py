"""The way to the landing on planes, cones and walls, whose length can be worked out."""

from __future__ import annotations

import heapq
from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from rasterio import Affine
from scipy.sparse import csgraph

from standmap.errors import DomainError
from standmap.land import SLOPE_PENALTY, skid_way
from standmap.land._way_kernels import lengths_along, step_graph
from standmap.units import FT_PER_M

EAST, NORTH = 500_000.0, 4_200_000.0
LONGER = 1.0276
"""What sixteen directions may add to a straight way: 1 / cos(13.28 degrees)."""


def dem(path: Path, height, *, half: int = 60, cell: float = 10.0) -> Path:
    """A raster of ``height(x, y)`` in metres about (EAST, NORTH)."""
    steps = (np.arange(2 * half) + 0.5 - half) * cell
    x, y = np.meshgrid(steps, -steps)
    with rasterio.open(
        path, "w", driver="GTiff", width=2 * half, height=2 * half, count=1, dtype="float64",
        crs=32617, transform=Affine(cell, 0, EAST - half * cell, 0, -cell, NORTH + half * cell),
    ) as target:  # fmt: skip
        target.write(height(x, y) + 0.0 * x, 1)
    return path


def layer(*shapes: shapely.Geometry) -> gpd.GeoSeries:
    return gpd.GeoSeries(list(shapes), crs=32617)


def box(x0: float, y0: float, x1: float, y1: float) -> shapely.Polygon:
    return shapely.box(EAST + x0, NORTH + y0, EAST + x1, NORTH + y1)


def point(x: float, y: float) -> shapely.Point:
    return shapely.Point(EAST + x, NORTH + y)


WHOLE = layer(box(-600, -600, 600, 600))


def one_cell(x: float, y: float) -> gpd.GeoSeries:
    """A unit of the single cell that holds a place."""
    column, row = np.floor([x / 10, y / 10]) * 10
    return layer(box(column + 1, row + 1, column + 9, row + 9))


class TestPlanes:
    @pytest.mark.parametrize("bearing", [0, 20, 45, 63.4, 90, 110, 200, 333])
    @pytest.mark.parametrize("slope", [0.0, 0.2])
    def test_the_way_is_the_straight_line_along_the_ground(
        self, tmp_path: Path, bearing: float, slope: float
    ) -> None:
        path = dem(tmp_path / "dem.tif", lambda x, y: slope * x)
        turn = np.radians(bearing)
        # Centres of cells, so that the way begins and ends where it is said to.
        x, y = (
            np.floor(400 * np.sin(turn) / 10) * 10 + 5,
            np.floor(400 * np.cos(turn) / 10) * 10 + 5,
        )
        found = skid_way(path, one_cell(x, y), layer(point(5, 5)), inside=WHOLE)
        run = np.hypot(x - 5, y - 5)
        straight = np.hypot(run, slope * (x - 5)) * FT_PER_M
        assert straight * (1 - 1e-9) <= found.mean_ft <= straight * LONGER
        assert found.max_ft == found.mean_ft
        assert found.reached_pct == 100.0

    def test_along_a_bearing_of_the_grid_it_is_exact(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", lambda x, y: 0.3 * y)
        found = skid_way(path, one_cell(5, 305), layer(point(5, 5)), inside=WHOLE)
        assert found.mean_ft == pytest.approx(300 * np.hypot(1, 0.3) * FT_PER_M, rel=1e-9)

    def test_the_mean_is_over_the_units_ground(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", lambda x, y: 0.0)
        strip = layer(box(100, 0, 500, 10))
        found = skid_way(path, strip, layer(point(5, 5)), inside=WHOLE)
        # Cells centred at 105, 115 ... 495 m from the landing's own at 5: 295 m on average.
        assert found.mean_ft == pytest.approx(295 * FT_PER_M, rel=1e-9)
        assert found.max_ft == pytest.approx(490 * FT_PER_M, rel=1e-9)

    def test_elevations_in_feet(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", lambda x, y: 0.3 * FT_PER_M * y)
        found = skid_way(path, one_cell(5, 305), layer(point(5, 5)), inside=WHOLE, units="ft")
        assert found.mean_ft == pytest.approx(300 * np.hypot(1, 0.3) * FT_PER_M, rel=1e-9)


class TestSteepGround:
    def test_down_a_cone_to_its_top_is_the_slant(self, tmp_path: Path) -> None:
        # A cone of 20 %: every way from the top is as steep, and the straight one is shortest.
        path = dem(tmp_path / "dem.tif", lambda x, y: -0.2 * np.hypot(x - 5, y - 5))
        for x, y in ((305, 5), (205, 105), (-195, 205)):
            found = skid_way(path, one_cell(x, y), layer(point(5, 5)), inside=WHOLE)
            slant = np.hypot(x - 5, y - 5) * np.hypot(1, 0.2) * FT_PER_M
            assert slant * 0.999 <= found.mean_ft <= slant * LONGER

    def test_a_steep_bank_is_gone_around(self, tmp_path: Path) -> None:
        # A wall of 30 m along x = 200, open south of y = -200: the straight way is over it.
        def wall(x, y):
            return np.where((np.abs(x - 200) < 20) & (y > -200), 30.0, 0.0)

        path = dem(tmp_path / "dem.tif", wall)
        found = skid_way(
            path, one_cell(405, 5), layer(point(5, 5)), inside=WHOLE, slope_limits_pct=(35, 50)
        )
        around = 2 * np.hypot(200, 205) * FT_PER_M
        assert found.reached_pct == 100.0
        assert 0.98 * around < found.mean_ft < 1.15 * around

    def test_ground_over_the_limit_all_around_is_not_reached(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", lambda x, y: 0.6 * x)
        found = skid_way(
            path, one_cell(305, 5), layer(point(5, 5)), inside=WHOLE, slope_limits_pct=(35, 50)
        )
        assert found.reached_pct == 0.0
        assert np.isnan(found.mean_ft)

    def test_ground_for_cable_is_crossed_and_steeper_is_not(self, tmp_path: Path) -> None:
        for slope, reached in ((0.3, 100.0), (0.45, 100.0), (0.55, 0.0)):
            path = dem(tmp_path / "dem.tif", lambda x, y, slope=slope: slope * x)
            found = skid_way(
                path, one_cell(305, 5), layer(point(5, 5)), inside=WHOLE, slope_limits_pct=(35, 50)
            )
            assert found.reached_pct == reached

    def test_steepness_bends_the_way_and_not_the_feet(self, tmp_path: Path) -> None:
        # A ridge across the straight way, lower to the north: the lower the limit, the farther
        # around; what is reported stays the feet of the way taken.
        def ridge(x, y):
            return 40 * np.exp(-(((x - 200) / 60) ** 2)) * np.clip((300 - y) / 300, 0, 1)

        path = dem(tmp_path / "dem.tif", ridge)
        at, to = one_cell(405, 5), layer(point(5, 5))
        bold = skid_way(path, at, to, inside=WHOLE, slope_limits_pct=(500, 900))
        shy = skid_way(path, at, to, inside=WHOLE, slope_limits_pct=(10, 900))
        straight = 400 * FT_PER_M
        assert straight < bold.mean_ft < shy.mean_ft < 2 * straight


class TestPenalty:
    @staticmethod
    def hill(x, y):
        return 40 * np.exp(-(((x - 200) / 60) ** 2)) * np.clip((300 - y) / 300, 0, 1)

    def way(self, tmp_path: Path, limit: float = 35, **penalty: float) -> float:
        path = dem(tmp_path / "dem.tif", self.hill)
        found = skid_way(
            path, one_cell(405, 5), layer(point(5, 5)), inside=WHOLE, slope_limits_pct=(limit, 900),
            **penalty,
        )  # fmt: skip
        return found.mean_ft

    def test_without_one_the_shortest_way_is_taken_and_a_heavy_one_leads_around(
        self, tmp_path: Path
    ) -> None:
        shortest, usual, heavy = (
            self.way(tmp_path, slope_penalty=p) for p in (0.0, SLOPE_PENALTY, 20.0)
        )
        assert shortest < usual < heavy
        assert self.way(tmp_path) == usual

    def test_a_higher_power_minds_gentle_ground_less(self, tmp_path: Path) -> None:
        # Nowhere is this hill over 60 %, so a higher power makes all of it cheaper.
        gentle, plain = (self.way(tmp_path, 60, slope_power=p) for p in (9.0, 1.0))
        assert gentle < plain

    @pytest.mark.parametrize("wrong", [{"slope_penalty": -1.0}, {"slope_power": 0.0}])
    def test_it_cannot_be_less_than_nothing(self, tmp_path: Path, wrong: dict) -> None:
        with pytest.raises(DomainError, match="'slope_penalty' must be 0 or more"):
            self.way(tmp_path, **wrong)


class TestTrouble:
    """A landing that cannot be reached, and ground the raster does not know, are told apart."""

    UNIT = layer(box(100, 0, 300, 100))

    def test_a_landing_beyond_the_raster(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", lambda x, y: 0.0)
        found = skid_way(path, self.UNIT, layer(point(5000, 5)), inside=WHOLE)
        assert (found.trouble, found.reached_pct) == ("landing unknown", 0.0)
        assert np.isnan(found.mean_ft)

    def test_a_landing_off_the_tract(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", lambda x, y: 0.0)
        near = layer(box(0, -600, 600, 600))
        found = skid_way(path, self.UNIT, layer(point(-300, 5)), inside=near)
        assert found.trouble == "landing off"
        # One of two landings is enough.
        both = layer(point(-300, 5), point(5, 5))
        assert skid_way(path, self.UNIT, both, inside=near).reached_pct == 100.0

    def test_a_raster_that_lies_elsewhere(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", lambda x, y: 0.0)
        far = layer(box(50_000, 0, 50_100, 100))
        found = skid_way(path, far, layer(point(50_200, 5)), inside=far)
        assert (found.trouble, found.unknown_pct) == ("unit unknown", 100.0)

    def test_ground_beyond_the_raster_or_in_a_hole_of_it_is_not_reached(
        self, tmp_path: Path
    ) -> None:
        path = dem(tmp_path / "dem.tif", lambda x, y: np.where(x < 200, 0.0, np.nan))
        landing = layer(point(5, 5))
        found = skid_way(path, self.UNIT, landing, inside=WHOLE)
        assert found.unknown_pct == pytest.approx(50.0, abs=1e-6)
        assert found.reached_pct == pytest.approx(50.0, abs=1e-6)
        whole = dem(tmp_path / "whole.tif", lambda x, y: 0.0)
        over = layer(box(400, 0, 800, 100))  # the raster ends at 600
        found = skid_way(whole, over, landing, inside=layer(box(-600, -600, 900, 600)))
        assert found.unknown_pct == pytest.approx(50.0, abs=1e-6)
        assert found.reached_pct == pytest.approx(50.0, abs=1e-6)


def dijkstra_by_hand(
    elevation: np.ndarray, penalty: np.ndarray, free: np.ndarray, x: float, y: float, start: int
) -> np.ndarray:
    """Least cost to every cell, one cell at a time: slow, and nothing shared with the package."""
    rows, columns = elevation.shape
    best = np.full(elevation.size, np.inf)
    best[start] = 0.0
    heap = [(0.0, start)]
    steps = [
        (r, c) for r in range(-2, 3) for c in range(-2, 3) if np.gcd(r, c) == 1 and abs(r * c) <= 2
    ]
    while heap:
        cost, at = heapq.heappop(heap)
        if cost > best[at]:
            continue
        r, c = divmod(at, columns)
        for dr, dc in steps:
            to = r + dr, c + dc
            if not (0 <= to[0] < rows and 0 <= to[1] < columns) or not free[to]:
                continue
            # A knight's step passes the two cells on either hand of its middle.
            middle = r + dr / 2, c + dc / 2
            passed = {
                (int(np.floor(middle[0])), int(np.floor(middle[1]))),
                (int(np.ceil(middle[0])), int(np.ceil(middle[1]))),
            }
            if abs(dr) + abs(dc) == 3 and not all(free[p] for p in passed):
                continue
            ground = np.sqrt((dr * y) ** 2 + (dc * x) ** 2 + (elevation[to] - elevation[r, c]) ** 2)
            ahead = cost + ground * (penalty[to] + penalty[r, c]) / 2
            there = to[0] * columns + to[1]
            if ahead < best[there]:
                best[there] = ahead
                heapq.heappush(heap, (ahead, there))
    return best


@pytest.mark.parametrize("seed", range(12))
def test_the_graph_of_steps_is_that_of_a_search_cell_by_cell(seed: int) -> None:
    rng = np.random.default_rng(seed)
    rows, columns = rng.integers(3, 12, 2)
    elevation = rng.normal(0, 6, (rows, columns))
    penalty = rng.uniform(1, 4, (rows, columns))
    free = rng.random((rows, columns)) < 0.75
    start = int(rng.choice(np.flatnonzero(free)))
    graph = step_graph(elevation, penalty, free, 7.0, 11.0)
    cost = csgraph.dijkstra(graph, directed=False, indices=start)
    want = dijkstra_by_hand(elevation, penalty, free, 7.0, 11.0, start)
    np.testing.assert_allclose(cost, want, rtol=1e-12)


class TestWhatStays:
    FLAT = staticmethod(lambda x, y: 0.0)
    CREEK = layer(box(190, -600, 210, 600))

    def test_no_way_leads_through_it(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", self.FLAT)
        found = skid_way(
            path, one_cell(405, 5), layer(point(5, 5)), inside=WHOLE, keep_off=self.CREEK
        )
        assert found.reached_pct == 0.0
        assert found.farthest is None

    def test_not_even_through_the_thinnest_slanting_strip(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", self.FLAT)
        for bearing in np.linspace(0, np.pi, 13, endpoint=False):
            way = np.array([np.cos(bearing), np.sin(bearing)]) * 1500
            middle = np.array([EAST + 203.0, NORTH + 4.0])
            if abs(way[1]) < 700:  # such a line does not part the two
                continue
            line = shapely.LineString([middle - way, middle + way]).buffer(0.2)
            found = skid_way(
                path, one_cell(595, 5), layer(point(-395, 5)), inside=WHOLE, keep_off=layer(line)
            )
            assert found.reached_pct == 0.0

    @pytest.mark.parametrize("drawn", ["line", "point"])
    def test_but_over_a_mapped_crossing(self, tmp_path: Path, drawn: str) -> None:
        path = dem(tmp_path / "dem.tif", self.FLAT)
        line = shapely.LineString([point(180, 305), point(220, 305)])
        found = skid_way(
            path, one_cell(405, 5), layer(point(5, 5)), inside=WHOLE, keep_off=self.CREEK,
            crossings=layer(line if drawn == "line" else point(200, 305)),
        )  # fmt: skip
        over = (np.hypot(180, 300) * 2 + 40) * FT_PER_M  # to the bridge, over it, and back
        assert found.reached_pct == 100.0
        # A point opens a circle, through which the way cuts the corner.
        assert (0.97 if drawn == "line" else 0.94) * over < found.mean_ft < LONGER * over
        assert found.farthest is not None
        assert found.farthest.distance(line) < 25

    @pytest.mark.parametrize("wide", [20, 90, 200])
    def test_a_point_crosses_from_bank_to_bank(self, tmp_path: Path, wide: int) -> None:
        path = dem(tmp_path / "dem.tif", self.FLAT)
        creek = layer(box(200 - wide / 2, -600, 200 + wide / 2, 600))
        found = skid_way(
            path, one_cell(405, 5), layer(point(5, 5)), inside=WHOLE, keep_off=creek,
            crossings=layer(point(200, 5)),
        )  # fmt: skip
        assert found.mean_ft == pytest.approx(400 * FT_PER_M, rel=1e-9)

    def test_nor_off_the_tract(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", self.FLAT)
        two = layer(box(-600, -600, 100, 600), box(300, -600, 600, 600))
        found = skid_way(path, one_cell(405, 5), layer(point(5, 5)), inside=two)
        assert found.reached_pct == 0.0

    def test_the_nearest_landing_counts(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", self.FLAT)
        found = skid_way(path, one_cell(405, 5), layer(point(5, 5), point(305, 5)), inside=WHOLE)
        assert found.mean_ft == pytest.approx(100 * FT_PER_M, rel=1e-9)

    def test_a_landing_in_the_buffer_is_reached_from_its_edge_if_near(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", self.FLAT)
        found = skid_way(
            path, one_cell(405, 5), layer(point(201, 5)), inside=WHOLE, keep_off=self.CREEK
        )
        assert found.mean_ft == pytest.approx(204 * FT_PER_M, rel=0.01)
        far = layer(box(100, -600, 350, 600))
        found = skid_way(path, one_cell(405, 5), layer(point(201, 5)), inside=WHOLE, keep_off=far)
        assert found.reached_pct == 0.0


class TestMemory:
    def test_a_fine_raster_is_averaged_to_the_cells_allowed(self, tmp_path: Path) -> None:
        path = dem(tmp_path / "dem.tif", lambda x, y: 0.1 * x, half=400, cell=1.0)
        whole = layer(box(-400, -400, 400, 400))
        unit, landing = layer(box(200, 0, 260, 60)), layer(point(5, 5))
        fine = skid_way(path, unit, landing, inside=whole)
        coarse = skid_way(path, unit, landing, inside=whole, most_cells=5_000)
        assert fine.cell_ft == pytest.approx(2 * FT_PER_M, rel=1e-6)
        assert coarse.cell_ft > 6 * FT_PER_M
        assert coarse.mean_ft == pytest.approx(fine.mean_ft, rel=0.03)


def test_lengths_add_up_along_any_tree_of_ways() -> None:
    rng = np.random.default_rng(4)
    n = 200
    before = np.array([-1, *(rng.integers(0, at) for at in range(1, n))])
    step = rng.uniform(1, 5, n)
    by_hand = np.zeros(n)
    for at in range(1, n):
        by_hand[at] = by_hand[before[at]] + step[at]
    np.testing.assert_allclose(lengths_along(before, step), by_hand, rtol=1e-12)
