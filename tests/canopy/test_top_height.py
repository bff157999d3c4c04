"""Top height of plots, its fit to the canopy, and its leave-one-out error."""

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pyproj import CRS
from rasterio import Affine
from sklearn.linear_model import LinearRegression

from standmap.canopy import (
    METRICS,
    fit_top_height,
    plot_top_height_ft,
    stand_top_heights,
)
from standmap.errors import DomainError, ExtrapolationWarning, SmallSampleWarning
from standmap.units import SQM_PER_ACRE


def canopy(n: int, seed: int = 3) -> pd.DataFrame:
    """Metrics of n invented plots."""
    rng = np.random.default_rng(seed)
    p95 = rng.uniform(40, 110, n)
    table = {
        "mean_ft": p95 * rng.uniform(0.5, 0.8, n),
        "max_ft": p95 + rng.uniform(1, 12, n),
        "sd_ft": rng.uniform(5, 20, n),
        "p50_ft": p95 * rng.uniform(0.6, 0.9, n),
        "p90_ft": p95 - rng.uniform(0, 6, n),
        "p95_ft": p95,
        "cover_2m": rng.uniform(0.5, 1, n),
        "cover_10ft": rng.uniform(0.4, 1, n),
        "covered_pct": np.full(n, 100.0),
    }
    return pd.DataFrame(table, index=[f"plot {i}" for i in range(n)])


class TestPlotTopHeight:
    def test_counted_by_hand(self):
        # Plot a: 20 in (10/ac, 90 ft), 15 in (25/ac, 80 ft), 12 in (30/ac, 70 ft): the top 40 are
        # 10 + 25 + 5: (900 + 2000 + 350)/40. Plot b has 12 trees an acre in all.
        top = plot_top_height_ft(
            ["a", "b", "a", "a"], [12, 9, 20, 15], [70, 55, 90, 80], [30, 12, 10, 25]
        )
        assert top.to_dict() == {"a": pytest.approx(81.25), "b": pytest.approx(55)}

    def test_trees_without_a_height_and_plots_without_a_tree(self):
        top = plot_top_height_ft(["a", "a", "b"], [30, 10, 12], [np.nan, 60, np.nan], [5, 5, 5])
        assert top.to_dict() == {"a": 60}
        assert plot_top_height_ft([], [], [], []).empty

    @given(
        st.lists(
            st.tuples(st.integers(4, 30), st.integers(20, 120), st.integers(1, 60)), min_size=1
        )
    )
    @settings(max_examples=50, deadline=None)
    def test_lies_among_the_heights_whatever_the_order(self, trees):
        dbh, height, factor = np.array(trees, dtype=float).T
        plot = np.full(len(dbh), 1)
        top = plot_top_height_ft(plot, dbh, height, factor).loc[1]
        assert height.min() - 1e-9 <= top <= height.max() + 1e-9
        back = plot_top_height_ft(plot, dbh[::-1], height[::-1], factor).loc[1]
        if len(set(factor)) == 1:
            assert back == pytest.approx(top)


class TestFit:
    def test_an_exact_relation_is_recovered(self):
        metrics = canopy(30)
        fit = fit_top_height(metrics, 5 + 0.9 * metrics["p95_ft"])
        assert fit.predictors == ("p95_ft",)
        assert fit.intercept_ft == pytest.approx(5) and fit.coefficients[0] == pytest.approx(0.9)
        assert fit.rmse_ft == pytest.approx(0, abs=1e-9) and fit.r2 == pytest.approx(1)
        assert fit.n == 30
        assert "5 + 0.9 p95_ft" in repr(fit) and "error 0.0 ft" in repr(fit)
        np.testing.assert_allclose(fit.predict(metrics), 5 + 0.9 * metrics["p95_ft"])

    def test_two_predictors_are_found_where_both_matter(self):
        metrics = canopy(40)
        fit = fit_top_height(metrics, metrics["p90_ft"] + 1.5 * metrics["sd_ft"])
        assert fit.predictors == ("p90_ft", "sd_ft")
        np.testing.assert_allclose(fit.coefficients, [1, 1.5], rtol=1e-6)

    @pytest.mark.parametrize("seed", [5, 6, 7])
    def test_leave_one_out_is_done_the_long_way_round(self, seed):
        # Leave each plot out, choose the predictors again by leaving out each of the others, fit,
        # predict: all with the plain library, no shortcut.
        metrics = canopy(12)
        y = (metrics["p95_ft"] + np.random.default_rng(seed).normal(0, 6, 12)).to_numpy()
        sets = [
            ["p95_ft"],
            ["p90_ft"],
            ["max_ft"],
            ["mean_ft"],
            ["p95_ft", "cover_2m"],
            ["p90_ft", "sd_ft"],
        ]

        def press(x, y):
            out = [
                LinearRegression().fit(np.delete(x, i, 0), np.delete(y, i)).predict(x[[i]])[0]
                - y[i]
                for i in range(len(y))
            ]
            return np.sum(np.square(out))

        errors = []
        for i in range(12):
            rest, y_rest = metrics.drop(metrics.index[i]), np.delete(y, i)
            best = min(sets, key=lambda s: press(rest[s].to_numpy(), y_rest))
            model = LinearRegression().fit(rest[best].to_numpy(), y_rest)
            errors.append(model.predict(metrics[best].to_numpy()[[i]])[0] - y[i])
        fit = fit_top_height(metrics, y)
        assert fit.rmse_ft == pytest.approx(np.sqrt(np.mean(np.square(errors))), rel=1e-9)
        assert fit.bias_ft == pytest.approx(np.mean(errors), rel=1e-6, abs=1e-9)
        spread = np.sum((y - y.mean()) ** 2)
        assert fit.r2 == pytest.approx(1 - np.sum(np.square(errors)) / spread, rel=1e-9)

    def test_the_stated_error_is_near_the_error_on_new_plots(self):
        rng = np.random.default_rng(8)
        old, new = canopy(80, seed=1), canopy(2000, seed=2)
        noise = 7.0
        fit = fit_top_height(old, old["p95_ft"] + rng.normal(0, noise, 80))
        miss = fit.heights_ft(new) - (new["p95_ft"] + rng.normal(0, noise, 2000))
        assert fit.rmse_ft == pytest.approx(np.sqrt((miss**2).mean()), rel=0.15)

    def test_noise_is_owned_up_to(self):
        y = np.random.default_rng(4).uniform(50, 100, 40)
        assert fit_top_height(canopy(40), y).r2 < 0.2

    def test_plots_are_matched_by_name_and_the_incomplete_left_out(self):
        metrics = canopy(20)
        top = (5 + 0.9 * metrics["p95_ft"]).sample(frac=1, random_state=1)
        top.iloc[0] = np.nan
        metrics.loc[top.index[5]] = np.nan
        fit = fit_top_height(metrics, top)
        assert fit.n == 18
        assert fit.rmse_ft == pytest.approx(0, abs=1e-9)

    def test_too_few_plots(self):
        metrics = canopy(9)
        with pytest.warns(SmallSampleWarning, match="only 9 plots"):
            assert fit_top_height(metrics, metrics["p95_ft"]) is None

    def test_a_canopy_that_is_the_same_everywhere(self):
        metrics = canopy(20)
        metrics[:] = 50.0
        with pytest.warns(SmallSampleWarning, match="the same on all plots"):
            assert fit_top_height(metrics, np.arange(20.0)) is None

    def test_one_height_for_each_plot(self):
        with pytest.raises(DomainError, match="one value per row"):
            fit_top_height(canopy(20), np.arange(19.0))

    def test_beyond_the_plots_is_said(self):
        metrics = canopy(20)
        fit = fit_top_height(metrics, metrics["p95_ft"])
        far = metrics.iloc[[0]].assign(p95_ft=200.0)
        with pytest.warns(ExtrapolationWarning, match="1 of 1 footprints"):
            assert fit.predict(far).item() == pytest.approx(200)
        near = metrics.iloc[[0]].assign(p95_ft=fit.high[0] + 0.05 * (fit.high[0] - fit.low[0]))
        assert not fit.outside(near).any()
        assert fit.predict(near.assign(p95_ft=np.nan)).isna().all()

    def test_no_height_is_below_the_ground(self):
        metrics = canopy(20)
        fit = fit_top_height(metrics, 2 * metrics["p95_ft"] - 90)
        bare = metrics.iloc[[0]].assign(p95_ft=0.0)
        assert fit.heights_ft(bare).item() == 0


class TestStands:
    """Two stands on a raster of 1 m cells: canopy 60 ft on the west half, 100 ft on the east."""

    side = np.sqrt(0.1 * SQM_PER_ACRE)  # of a tenth-acre cell, m

    @pytest.fixture
    def raster(self, tmp_path):
        values = np.full((200, 400), 60.0, dtype="float32")
        values[:, 200:] = 100
        values[150:, 350:] = -1
        path = tmp_path / "chm.tif"
        with rasterio.open(
            path,
            "w",
            driver="GTiff",
            width=400,
            height=200,
            count=1,
            dtype="float32",
            nodata=-1,
            crs=CRS(32617).to_wkt(),
            transform=Affine(1.0, 0.0, 500_000.0, 0.0, -1.0, 4_200_000.0),
        ) as target:
            target.write(values, 1)
        return path

    @pytest.fixture
    def fit(self):
        metrics = canopy(30)
        return fit_top_height(metrics, 5 + metrics["p95_ft"])

    @staticmethod
    def stand(left, top, right, bottom):
        return shapely.box(500_000 + left, 4_200_000 - bottom, 500_000 + right, 4_200_000 - top)

    def test_each_stand_has_the_mean_of_its_cells(self, raster, fit):
        stands = gpd.GeoSeries(
            [self.stand(10, 10, 190, 190), self.stand(210, 10, 340, 140)],
            index=["w", "e"],
            crs=32617,
        )
        found = stand_top_heights(raster, stands, fit, footprint_acres=0.1, units="ft")
        np.testing.assert_allclose(found["top_height_ft"], [65, 105], rtol=1e-6)
        np.testing.assert_allclose(found["covered_pct"], 100, rtol=1e-6)
        np.testing.assert_allclose(found["outside_pct"], 0, atol=0)

    def test_a_stand_across_both_is_averaged_not_topped(self, raster, fit):
        # Over the whole stand p95 is 100 ft; by cells it is half 60, half 100 (a cell that sees
        # both has the taller for its p95, so a little above the middle).
        stands = gpd.GeoSeries([self.stand(100, 0, 300, 150)], crs=32617)
        height = stand_top_heights(raster, stands, fit, footprint_acres=0.1, units="ft")
        mixed = 40 * self.side / 200
        assert 85 - 1e-6 <= height["top_height_ft"].item() <= 85 + mixed

    def test_what_the_raster_does_not_know(self, raster, fit):
        stands = gpd.GeoSeries(
            [self.stand(300, 100, 400, 200), self.stand(900, 0, 950, 50)], crs=32617
        )
        found = stand_top_heights(raster, stands, fit, footprint_acres=0.1, units="ft")
        assert found["covered_pct"].tolist() == [pytest.approx(75, abs=0.01), 0]
        assert found["top_height_ft"].isna().tolist() == [False, True]

    def test_extrapolation_is_a_share_of_the_stand(self, raster):
        metrics = canopy(30)
        metrics[["p95_ft", "p90_ft", "max_ft", "mean_ft"]] *= 0.7  # none near 100 ft
        fit = fit_top_height(metrics, metrics["p95_ft"])
        stands = gpd.GeoSeries([self.stand(210, 0, 340, 100)], crs=32617)
        found = stand_top_heights(raster, stands, fit, footprint_acres=0.1, units="ft")
        assert found["outside_pct"].item() == pytest.approx(100)

    def test_needs_a_plane_in_metres_and_a_footprint(self, raster, fit):
        stands = gpd.GeoSeries([self.stand(10, 10, 190, 190)], crs=32617)
        with pytest.raises(DomainError, match="projected CRS in metres"):
            stand_top_heights(raster, stands.to_crs(4326), fit, footprint_acres=0.1)
        with pytest.raises(DomainError, match="must be above 0"):
            stand_top_heights(raster, stands, fit, footprint_acres=0)


def test_metric_names_are_those_the_fit_knows():
    assert set(METRICS) <= set(canopy(1).columns)
