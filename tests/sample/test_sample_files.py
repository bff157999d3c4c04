"""The files of the sample tract look like a real woodland's, and agree with each other."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from scipy import stats

from standmap import check_tract, read_tract
from standmap.land import geodesic_acres
from standmap.species import resolve
from standmap.steps.water import lay_water

Layer = Callable[[str], gpd.GeoDataFrame]
FT_PER_M = 1 / 0.3048


def cells_inside(path: Path, shapes: gpd.GeoSeries) -> list[np.ndarray]:
    """Raster values whose cell centres lie in each shape."""
    with rasterio.open(path) as source:
        values, to_map = source.read(1), source.transform
        assert source.crs == shapes.crs
    rows, cols = np.indices(values.shape)
    x = to_map.c + to_map.a * (cols.ravel() + 0.5)
    y = to_map.f + to_map.e * (rows.ravel() + 0.5)
    return [values.ravel()[shapely.contains_xy(shape, x, y)] for shape in shapes]


def test_the_files_fit_in_git(folder: Path) -> None:
    assert sum(path.stat().st_size for path in folder.iterdir() if path.is_file()) < 6e6


def test_the_tract_reads_with_nothing_wrong() -> None:
    problems = check_tract(Path(__file__).parents[2] / "sample_gis")
    assert [str(p) for p in problems if p.severity == "error"] == []


class TestStands:
    def test_about_640_acres_in_a_dozen_or_more_stands_of_seven_types(self, layer: Layer) -> None:
        stands = layer("stands")
        assert geodesic_acres(stands).sum() == pytest.approx(640, rel=0.005)
        assert len(stands) >= 12
        assert stands["type"].nunique() == 7
        assert stands["stand"].is_unique

    def test_stands_share_their_borders_exactly(self, layer: Layer) -> None:
        shapes = layer("stands").geometry.to_numpy()
        assert shapely.coverage_is_valid(shapes)
        assert shapely.is_valid(shapes).all()
        assert set(shapely.get_type_id(shapes)) == {3}  # single polygons

    def test_one_stand_has_a_hole_that_is_nobodys_stand(self, layer: Layer) -> None:
        stands = layer("stands")
        holes = stands.set_index("stand").geometry.interiors.map(len)
        assert holes[holes > 0].index.tolist() == ["14"]
        (hole,) = stands.loc[stands["stand"] == "14"].geometry.iloc[0].interiors
        assert not stands.intersects(shapely.Polygon(hole).representative_point()).any()

    def test_nothing_is_rectangular(self, layer: Layer) -> None:
        for name in ("stands", "units"):
            shapes = layer(name).geometry.to_numpy()
            boxes = shapely.minimum_rotated_rectangle(shapes)
            assert (shapely.area(shapes) / shapely.area(boxes)).max() < 0.90
            assert (shapely.get_num_coordinates(shapes) > 30).all()

    def test_one_stand_was_never_cruised_and_others_of_its_type_were(
        self, layer: Layer, plots: gpd.GeoDataFrame
    ) -> None:
        stands = layer("stands")
        here = gpd.sjoin(plots.to_crs(stands.crs), stands, predicate="within")
        number = here["stand"].value_counts().reindex(stands["stand"], fill_value=0)
        assert number[number == 0].index.tolist() == ["12"]
        assert (number >= 4).mean() > 0.9
        kind = stands.set_index("stand")["type"]
        assert number[kind[kind == kind["12"]].index].gt(1).sum() >= 4

    def test_every_plot_lies_in_the_stand_it_is_numbered_for(
        self, layer: Layer, plots: gpd.GeoDataFrame
    ) -> None:
        stands = layer("stands")
        here = gpd.sjoin(plots.to_crs(stands.crs), stands, predicate="within")
        assert len(here) == len(plots)
        assert (here["plot"].astype(int) // 100 == here["stand"].astype(int)).all()


class TestStreams:
    def test_three_classes(self, layer: Layer) -> None:
        assert set(layer("streams")["class"]) == {"perennial", "intermittent", "ephemeral"}

    def test_streams_lie_in_the_valleys(self, layer: Layer, folder: Path) -> None:
        streams = layer("streams")
        beds = cells_inside(folder / "elevation.tif", streams.buffer(8))
        sides = cells_inside(folder / "elevation.tif", streams.buffer(90))
        long = (streams.length > 60).to_numpy()
        below = np.array([s.mean() - b.mean() for b, s in zip(beds, sides, strict=True) if b.size])
        long = np.array([keep for keep, b in zip(long, beds, strict=True) if b.size])
        assert (below[long] > 0).all()
        assert below[long].mean() > 5  # metres

    def test_larger_water_has_a_wider_channel(self, layer: Layer) -> None:
        width = layer("streams").groupby("class")["channel_ft"].median()
        assert 0 < width["ephemeral"] < width["intermittent"] < width["perennial"] < 40

    def test_the_rule_is_invented_and_says_so(self) -> None:
        tract = read_tract(Path(__file__).parents[2] / "sample_gis")
        rows = [row for rule in tract.stream_rules.values() if rule for row in rule.rows]
        assert all("invented" in row.caution and row.binding == "voluntary" for row in rows)
        perennial = tract.stream_rules["perennial"]
        assert perennial is not None and perennial.depends_on_slope

    def test_water_runs_downhill(self, layer: Layer, folder: Path) -> None:
        streams = layer("streams")
        streams = streams[streams.length > 60]
        with rasterio.open(folder / "elevation.tif") as source:
            ends = [
                [value[0] for value in source.sample([line.coords[0], line.coords[-1]])]
                for line in streams.geometry
            ]
        head, foot = np.array(ends).T
        assert (head > foot).mean() > 0.95
        assert (head - foot).min() > -0.6  # where it meanders over a level bottom


class TestWhatMustStay:
    def test_reasons(self, layer: Layer) -> None:
        reasons = {"old home site", "graveyard", "wetland", "power line"}
        assert set(layer("exclusions")["reason"]) == reasons

    def test_one_of_three_units_enters_a_buffer(self, layer: Layer) -> None:
        tract = read_tract(Path(__file__).parents[2] / "sample_gis")
        assert tract.streams is not None
        buffers = lay_water(tract).buffers.to_crs(layer("units").crs).union_all()
        units = layer("units").set_index("unit").geometry
        acres = units.intersection(buffers).area / 4_046.8564224
        assert acres["A"] > 1
        assert acres.drop("A").max() < 0.001
        assert len(units) == 3


class TestTally:
    def test_a_thousand_trees_of_fifteen_species(self, tally: pd.DataFrame) -> None:
        tract = read_tract(Path(__file__).parents[2] / "sample_gis")
        names = resolve(tally["species"], aliases=tract.settings.species.aliases)
        assert len(tally) >= 1000
        assert names.unknown == {}
        assert len(set(names.codes)) >= 15

    def test_the_tracts_own_species_names_are_used(self, tally: pd.DataFrame) -> None:
        assert {"YP", "WO", "LOB", "ERC"} <= set(tally["species"])

    def test_most_trees_have_logs_and_some_have_heights(self, tally: pd.DataFrame) -> None:
        assert tally["saw_logs"].notna().mean() > 0.5
        assert 0.25 < tally["height_ft"].notna().mean() < 0.5

    def test_defect_calls_culls_dead_and_walked_through_trees(self, tally: pd.DataFrame) -> None:
        assert tally["defect_pct"].notna().sum() > 30
        assert set(tally["product"].dropna()) == {"veneer log", "cedar log"}
        assert set(tally["status"].dropna()) == {"cull", "dead"}
        assert set(tally["count"]) == {1, 2}

    def test_a_couple_of_plots_have_no_trees(
        self, tally: pd.DataFrame, plots: gpd.GeoDataFrame
    ) -> None:
        assert set(tally["plot"]) < set(plots["plot"])
        assert 100 <= len(plots) <= 115


class TestRasters:
    def test_the_canopy_is_as_tall_as_the_trees_under_it(
        self, layer: Layer, folder: Path, stems: pd.DataFrame
    ) -> None:
        stands = layer("stands").set_index("stand").geometry
        cells = cells_inside(folder / "canopy.tif", stands)
        canopy_ft = np.array([np.percentile(c, 95) for c in cells]) * FT_PER_M
        live = stems[stems["status"] != "dead"]
        tall_ft = live.groupby("stand")["height_ft"].quantile(0.9).reindex(stands.index)
        assert stats.pearsonr(canopy_ft[stands.index != "9"], tall_ft.drop("9"))[0] > 0.95
        # The young stand is brush under a few old trees.
        middle = pd.Series([np.median(c) for c in cells], index=stands.index)
        assert middle["9"] < 0.2 * middle.drop(["9", "13"]).min()
        assert np.abs(canopy_ft - tall_ft)[stands.index != "9"].max() < 15

    def test_power_line_and_hay_field_are_open(self, layer: Layer, folder: Path) -> None:
        strip = layer("exclusions").query("reason == 'power line'").geometry.buffer(-8)
        stands = layer("stands").set_index("stand").geometry
        field = gpd.GeoSeries([shapely.Polygon(stands["14"].interiors[0])], crs=stands.crs)
        for open_ground in (strip, field):
            (cells,) = cells_inside(folder / "canopy.tif", open_ground)
            assert np.median(cells) < 3.5

    def test_rasters_cover_the_tract(self, layer: Layer, folder: Path) -> None:
        bounds = layer("stands").total_bounds
        for name in ("elevation", "canopy"):
            with rasterio.open(folder / f"{name}.tif") as source:
                assert source.compression is not None
                inside = shapely.box(*source.bounds).contains(shapely.box(*bounds))
            assert inside
