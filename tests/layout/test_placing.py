"""Where plots fall: inside, evenly likely, as far apart as they should be, walked in good order."""

from __future__ import annotations

from itertools import permutations

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree

from standmap.errors import DomainError
from standmap.land import geodesic_acres, local_crs
from standmap.layout import (
    balanced_points,
    grid_points,
    local_pivotal,
    nearest_neighbour_order,
    net_ground,
    path_length,
    random_points,
    walking_order,
)

HOLED = shapely.Polygon(
    [(0, 0), (1000, 0), (1000, 600), (400, 600), (400, 900), (0, 900)],
    holes=[[(600, 100), (900, 100), (900, 500), (600, 500)]],
)
"""An L with a pond in it."""

clouds = st.lists(
    st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)), min_size=1, max_size=40
).map(np.array)


class TestInside:
    @given(seed=st.integers(0, 10_000), n=st.integers(1, 60))
    @settings(max_examples=25, deadline=None)
    def test_random_and_balanced_plots_are_inside_and_all_there(self, seed: int, n: int) -> None:
        for place in (random_points, balanced_points):
            xy = place(HOLED, n, np.random.default_rng(seed))
            assert xy.shape == (n, 2)
            assert shapely.dwithin(HOLED, shapely.points(xy), 1e-6).all()

    @given(seed=st.integers(0, 10_000), spacing=st.floats(40, 400))
    @settings(max_examples=25, deadline=None)
    def test_grid_plots_are_inside_and_a_spacing_apart(self, seed: int, spacing: float) -> None:
        xy = grid_points(HOLED, spacing, np.random.default_rng(seed))
        assert shapely.contains_xy(HOLED, xy[:, 0], xy[:, 1]).all()
        if len(xy) > 20:
            nearest = cKDTree(xy).query(xy, k=2)[0][:, 1]
            np.testing.assert_allclose(np.sort(nearest)[: len(xy) // 2], spacing, rtol=1e-9)
        if len(xy):
            steps = (xy - xy[0]) / spacing
            np.testing.assert_allclose(steps, steps.round(), rtol=0, atol=1e-8)

    def test_the_same_seed_draws_the_same_plots(self) -> None:
        one, two = (balanced_points(HOLED, 20, np.random.default_rng(4)) for _ in range(2))
        np.testing.assert_array_equal(one, two)


class TestFairness:
    """Every place has the same chance: over many draws, halves get plots by their area."""

    LEFT = shapely.box(0, 0, 400, 900)

    @pytest.mark.parametrize("place", [random_points, balanced_points])
    def test_random_and_balanced(self, place) -> None:  # type: ignore[no-untyped-def]
        rng = np.random.default_rng(11)
        drawn = [place(HOLED, 12, rng) for _ in range(250)]
        share = np.array([shapely.contains_xy(self.LEFT, *xy.T).mean() for xy in drawn])
        true = self.LEFT.area / HOLED.area
        assert abs(share.mean() - true) < 3.5 * share.std(ddof=1) / np.sqrt(len(share))

    def test_grid(self) -> None:
        rng = np.random.default_rng(12)
        spacing = 210.0
        drawn = [grid_points(HOLED, spacing, rng) for _ in range(400)]
        counts = np.array([len(xy) for xy in drawn])
        error = counts.std(ddof=1) / np.sqrt(len(counts))
        assert abs(counts.mean() - HOLED.area / spacing**2) < 3.5 * error
        left = np.array([shapely.contains_xy(self.LEFT, *xy.T).sum() for xy in drawn])
        error = left.std(ddof=1) / np.sqrt(len(left))
        assert abs(left.mean() - self.LEFT.area / spacing**2) < 3.5 * error

    def test_a_balanced_draw_estimates_a_trend_without_bias_and_more_closely(self) -> None:
        # The mean of x over the L, from 10 plots, drawn 300 times: both are unbiased, and the
        # balanced one varies less than half as much (Grafström and others 2012 find the like).
        rng = np.random.default_rng(13)
        spread = {}
        for place in (random_points, balanced_points):
            means = np.array([place(HOLED, 10, rng)[:, 0].mean() for _ in range(300)])
            error = means.std(ddof=1) / np.sqrt(len(means))
            assert abs(means.mean() - HOLED.centroid.x) < 3.5 * error
            spread[place] = means.std(ddof=1)
        assert spread[balanced_points] < 0.5 * spread[random_points]


class TestLocalPivotal:
    @given(seed=st.integers(0, 10_000), n=st.integers(0, 30))
    @settings(max_examples=30, deadline=None)
    def test_chances_that_sum_to_a_whole_number_draw_that_many(self, seed: int, n: int) -> None:
        rng = np.random.default_rng(seed)
        xy = rng.uniform(size=(30, 2))
        assert local_pivotal(xy, np.full(30, n / 30), rng).sum() == n

    def test_each_unit_keeps_its_own_chance(self) -> None:
        rng = np.random.default_rng(21)
        xy = rng.uniform(size=(12, 2))
        chance = np.linspace(0.1, 0.9, 12)
        drawn = np.array([local_pivotal(xy, chance, rng) for _ in range(4000)]).mean(axis=0)
        error = np.sqrt(chance * (1 - chance) / 4000)
        assert np.all(np.abs(drawn - chance) < 4 * error)

    def test_neighbours_are_seldom_both_drawn(self) -> None:
        # Six pairs of twins far apart, half to be drawn: one of each pair, every time.
        middle = np.arange(6) * 100.0
        xy = np.column_stack([np.repeat(middle, 2) + np.tile([0, 1], 6), np.zeros(12)])
        for seed in range(50):
            chosen = local_pivotal(xy, np.full(12, 0.5), np.random.default_rng(seed))
            assert chosen.reshape(6, 2).sum(axis=1).tolist() == [1] * 6

    def test_chances_are_chances(self) -> None:
        with pytest.raises(DomainError, match="a chance from 0 to 1"):
            local_pivotal([[0, 0]], [1.5], np.random.default_rng(1))


class TestGround:
    CRS = local_crs(gpd.GeoSeries.from_xy([-80.0], [36.0], crs="EPSG:4326"))

    def pieces(self) -> gpd.GeoDataFrame:
        """Return a stand of 20 x 10 chains crossed by a strip that must stay, and a sliver."""
        chain = 66 * 0.3048
        boxes = [(0, 0, 9, 10), (11, 0, 20, 10), (9, 0, 11, 10), (20, 0, 20.5, 10)]
        return gpd.GeoDataFrame(
            {"stand": ["A", "A", "A", "B"], "reason": ["", "", "stream buffer", ""]},
            geometry=[shapely.box(*(np.array(b) * chain)) for b in boxes],
            crs=self.CRS,
        )

    def test_what_must_stay_gets_no_plots(self) -> None:
        ground = net_ground(self.pieces(), self.CRS)
        assert ground["stand"].tolist() == ["A", "B"]
        np.testing.assert_allclose(ground["acres"], [18.0, 0.5], rtol=1e-4)

    def test_a_set_back_is_taken_from_every_net_edge(self) -> None:
        # A chain off the edges leaves 7 x 8 of each 9 x 10; the sliver is gone.
        ground = net_ground(self.pieces(), self.CRS, off_edge_ft=66)
        assert ground["stand"].tolist() == ["A"]
        np.testing.assert_allclose(ground["acres"], [2 * 5.6], rtol=1e-4)
        np.testing.assert_allclose(geodesic_acres(ground), ground["acres"], rtol=1e-12)

    def test_a_negative_set_back_is_refused(self) -> None:
        with pytest.raises(DomainError, match="'off_edge_ft' must be 0 ft or more"):
            net_ground(self.pieces(), self.CRS, off_edge_ft=-1)


class TestWalk:
    @given(xy=clouds)
    @settings(max_examples=60, deadline=None)
    def test_every_plot_once_and_never_longer_than_any_nearest_neighbour_walk(
        self, xy: np.ndarray
    ) -> None:
        order = walking_order(xy)
        assert sorted(order.tolist()) == list(range(len(xy)))
        shortest = min(
            path_length(xy, nearest_neighbour_order(xy, first)) for first in range(len(xy))
        )
        assert path_length(xy, order) <= shortest * (1 + 1e-12) + 1e-9

    @given(xy=clouds, start=st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)))
    @settings(max_examples=40, deadline=None)
    def test_from_the_gate_it_begins_at_the_nearest_plot(
        self, xy: np.ndarray, start: tuple[float, float]
    ) -> None:
        order = walking_order(xy, start_xy=start)
        away = np.hypot(*(xy - start).T)
        assert away[order[0]] == away.min()
        walk = path_length(xy, nearest_neighbour_order(xy, int(order[0])))
        assert path_length(xy, order) <= walk * (1 + 1e-12) + 1e-9

    @given(xy=clouds)
    @settings(max_examples=20, deadline=None)
    def test_the_nearest_neighbour_walk_goes_to_the_nearest(self, xy: np.ndarray) -> None:
        order = nearest_neighbour_order(xy, 0)
        for at in range(len(order) - 1):
            ahead = np.hypot(*(xy[order[at + 1 :]] - xy[order[at]]).T)
            assert ahead[0] == ahead.min()

    def test_a_few_plots_are_walked_by_the_shortest_path_of_all(self) -> None:
        for seed in range(20):
            xy = np.random.default_rng(seed).uniform(size=(6, 2))
            best = min(path_length(xy, p) for p in permutations(range(6)))
            assert path_length(xy, walking_order(xy)) <= 1.05 * best

    def test_lines_of_a_grid_are_walked_to_and_fro(self) -> None:
        x, y = np.meshgrid(np.arange(6.0), np.arange(5.0))
        xy = np.column_stack([x.ravel(), y.ravel()])
        assert path_length(xy, walking_order(xy)) <= 29 * 1.05

    def test_none_and_one(self) -> None:
        assert walking_order(np.empty((0, 2))).tolist() == []
        assert walking_order([[3.0, 4.0]]).tolist() == [0]
        assert nearest_neighbour_order(np.empty((0, 2)), 0).tolist() == []
        with pytest.raises(DomainError, match="x and y"):
            walking_order([1.0, 2.0])
