"""The forest behind the sample tract: made again it is the same, and its census adds up."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

from standmap.cruise import basal_area_sqft
from standmap.products import YIELD_MEASURES

Layer = Callable[[str], gpd.GeoDataFrame]


class TestMadeAgain:
    def test_the_same_seed_grows_the_same_forest(
        self, make: ModuleType, stems: pd.DataFrame
    ) -> None:
        pd.testing.assert_frame_equal(make.stem_map(), stems)

    def test_another_seed_grows_another(self, make: ModuleType, stems: pd.DataFrame) -> None:
        other = make.stem_map(seed=5)
        assert len(other) != len(stems)

    def test_the_written_cruise_is_the_one_drawn(
        self, make: ModuleType, stems: pd.DataFrame, folder: Path, tmp_path: Path
    ) -> None:
        make.write_cruise(make.draw_cruise(stems), tmp_path)
        for name in ("plots.csv", "tally.csv"):
            assert (tmp_path / name).read_text() == (folder / name).read_text()

    def test_the_written_census_is_that_of_the_forest(
        self, make: ModuleType, stems: pd.DataFrame, folder: Path, census: pd.DataFrame
    ) -> None:
        again = make.census(stems, make.measure_stems(stems, folder), make.parts())
        pd.testing.assert_frame_equal(again, census, rtol=1e-6, atol=1e-3)


class TestForest:
    def test_every_tree_stands_in_its_own_stand(self, layer: Layer, stems: pd.DataFrame) -> None:
        # Places are kept to the centimetre, so a tree on the line may round across it.
        for stand, shape in layer("stands").set_index("stand").geometry.items():
            mine = stems[stems["stand"] == stand]
            assert shapely.contains_xy(shape.buffer(0.01), mine["x"], mine["y"]).all()

    def test_no_tree_stands_under_the_power_line(self, layer: Layer, stems: pd.DataFrame) -> None:
        strip = layer("exclusions").query("reason == 'power line'").geometry.iloc[0]
        assert not shapely.contains_xy(strip.buffer(-0.01), stems["x"], stems["y"]).any()

    def test_trees_come_in_clumps_but_plantations_in_order(self, stems: pd.DataFrame) -> None:
        """Variance of counts on 20 m squares over their mean: 1 where trees fall at random."""

        def unevenness(stand: str) -> float:
            mine = stems[stems["stand"] == stand]
            square = mine["x"].floordiv(20).astype(int) * 10**6 + mine["y"].floordiv(20).astype(int)
            count = square.value_counts()
            inner = count[count > count.median() / 3]  # leave out squares cut by the stand line
            return float(inner.var() / inner.mean())

        assert unevenness("13") > 1.5
        assert unevenness("8") < unevenness("10") < unevenness("13")

    def test_wet_and_dry_ground_grow_different_trees(self, stems: pd.DataFrame) -> None:
        share = stems.groupby("stand")["species_code"].apply(lambda c: (c == 832).mean())
        assert share["1"] > 0.1 > share["4"]  # chestnut oak keeps to the ridges
        share = stems.groupby("stand")["species_code"].apply(lambda c: (c == 621).mean())
        assert share["4"] > 0.3 > share["1"]  # yellow-poplar to the coves


class TestCensus:
    def test_acres_are_those_of_the_stands(self, make: ModuleType, census: pd.DataFrame) -> None:
        acres = make.geodesic_acres(make._layer("stands"))
        assert census["acres"].sum() == pytest.approx(acres.sum(), abs=0.05)

    def test_trees_and_basal_area_add_up(self, stems: pd.DataFrame, census: pd.DataFrame) -> None:
        live = stems[stems["status"] != "dead"]
        assert census["trees"].sum() == len(live)
        basal_area = basal_area_sqft(live["dbh_in"].to_numpy()).sum()
        assert census["basal_area_sqft"].sum() == pytest.approx(basal_area, rel=1e-6)

    def test_products_add_up_to_the_stands(self, folder: Path, census: pd.DataFrame) -> None:
        products = pd.read_csv(folder / "census_products.csv", dtype={"stand": str})
        keys, measures = ["stand", "part"], list(YIELD_MEASURES)
        sums = products.groupby(keys)[measures].sum()
        whole = census.set_index(keys)[measures].loc[sums.index]
        np.testing.assert_allclose(sums, whole, rtol=1e-6, atol=0.02)

    def test_every_product_on_the_sheet_is_made(self, folder: Path) -> None:
        sheet = pd.read_csv(folder / "products.csv")
        made = pd.read_csv(folder / "census_products.csv")
        assert set(made["product"]) == set(sheet["product"])


class TestPoints:
    def test_a_tree_is_in_within_two_and_three_quarter_feet_an_inch(self, make: ModuleType) -> None:
        """Plot radius factor of BAF 10, 2.75 ft per inch (Forest Service Handbook 2409.12)."""
        feet = make.limiting_distance_m(10.0) / 0.3048 / make.GRID_SCALE
        assert feet == pytest.approx(27.5, abs=0.05)

    @pytest.mark.parametrize("stand", ["3", "16"])
    def test_walking_through_takes_away_the_edge_bias(
        self, make: ModuleType, stems: pd.DataFrame, census: pd.DataFrame, stand: str
    ) -> None:
        """Many points in a narrow stand: unbiased with the walkthrough, 6 % low without.

        The rule is Ducey, Gove and Valentine (2004, Forest Science 50(4):427-435).
        """
        walked, simple, noise = basal_area_by_points(make, stems, census, stand)
        assert noise < 0.01
        assert abs(walked - 1) < 3 * noise
        assert simple < 0.95

    def test_where_ground_is_too_narrow_some_edge_bias_stays(
        self, make: ModuleType, stems: pd.DataFrame, census: pd.DataFrame
    ) -> None:
        walked, simple, _ = basal_area_by_points(make, stems, census, "7")
        assert simple < 0.91
        assert 0.96 < walked < 1.0


def basal_area_by_points(
    make: ModuleType, stems: pd.DataFrame, census: pd.DataFrame, stand: str, n: int = 12_000
) -> tuple[float, float, float]:
    """Mean of n points over the census: with and without walkthrough, and its standard error."""
    grounds = make.cruise_grounds()[[stand]]
    xy = make.lay_points(grounds[stand], n, np.random.default_rng(4), layout="random")
    points = pd.DataFrame({"plot": np.arange(n), "stand": stand, "x": xy[:, 0], "y": xy[:, 1]})
    live = stems[stems["status"] != "dead"].reset_index(drop=True)
    picked = make.pick_trees(live, points, grounds)
    cruised = census[census["stand"].eq(stand) & census["part"].isin(["net", "stream buffer"])]
    true = cruised["basal_area_sqft"].sum() / cruised["acres"].sum()
    walked = 10 * np.bincount(picked["at"], picked["count"], minlength=n) / true
    simple = 10 * np.bincount(picked["at"], minlength=n) / true
    return walked.mean(), simple.mean(), walked.std() / np.sqrt(n)
