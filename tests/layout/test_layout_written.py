"""A whole layout of the sample tract, as it arrives on disk."""

from __future__ import annotations

import json
import math
import re
from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely
from pyproj import Geod

import standmap
from standmap import cli, commands
from standmap.errors import DomainError, OutputError
from standmap.layout import (
    FILES,
    CruiseLayout,
    field_sheet_html,
    lay_out_cruise,
    write_layout,
)
from standmap.report.offline import fetched


@pytest.fixture(scope="module", params=["grid", "random", "balanced"])
def layout(request: pytest.FixtureRequest, sample_appraisal: standmap.Appraisal) -> CruiseLayout:
    return lay_out_cruise(sample_appraisal, plots=70, method=request.param, seed=5)


@pytest.fixture(scope="module")
def folder(sample_appraisal: standmap.Appraisal, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("layout") / "out"
    made = lay_out_cruise(sample_appraisal, error_pct=18, method="balanced", seed=5)
    write_layout(made, out, paces_per_chain=12.5)
    return out


class TestTheLayout:
    def test_every_plot_is_on_net_acres_of_its_stand(self, layout: CruiseLayout) -> None:
        pieces = layout.basis.pieces
        joined = gpd.sjoin(layout.plots[["plot", "stand", "geometry"]], pieces, how="left")
        assert joined["plot"].is_unique
        assert (joined["reason"] == "").all()
        assert (joined["stand_left"] == joined["stand_right"]).all()

    def test_the_counts_add_up(self, layout: CruiseLayout) -> None:
        assert layout.stands["planned"].sum() == layout.strata["planned"].sum() == 70
        assert layout.stands["placed"].sum() == layout.strata["placed"].sum() == len(layout.plots)
        found = layout.plots["stand"].value_counts()
        assert (layout.stands.set_index("stand")["placed"].loc[found.index] == found).all()
        if layout.method != "grid":
            assert (layout.stands["placed"] == layout.stands["planned"]).all()
        assert layout.plots["plot"].tolist() == [str(n) for n in range(1, len(layout.plots) + 1)]

    def test_bearings_and_chains_lead_from_plot_to_plot(self, layout: CruiseLayout) -> None:
        plots = layout.plots
        assert math.isnan(plots["chains"].iloc[0])
        lon, lat, _ = Geod(ellps="WGS84").fwd(
            plots["lon"].to_numpy()[:-1],
            plots["lat"].to_numpy()[:-1],
            plots["bearing_deg"].to_numpy()[1:],
            plots["chains"].to_numpy()[1:] * 66 * 0.3048,
        )
        np.testing.assert_allclose(lon, plots["lon"].to_numpy()[1:], rtol=0, atol=2e-7)
        np.testing.assert_allclose(lat, plots["lat"].to_numpy()[1:], rtol=0, atol=2e-7)
        assert layout.walk_miles == pytest.approx(plots["chains"].sum() / 80, rel=1e-3)

    def test_grid_spacing_on_the_ground(self, sample_appraisal: standmap.Appraisal) -> None:
        made = lay_out_cruise(sample_appraisal, plots=150, by="acres", seed=2)
        chains = made.strata["spacing_chains"].unique()
        assert len(chains) == 1  # one grid for all
        # 466 net acres or so: the square root of 10 x acres / plots chains, to a tenth below.
        exact = math.sqrt(10 * made.stands["acres"].sum() / 150)
        assert 0 <= exact - chains[0] < 0.1
        points = shapely.get_coordinates(
            made.plots.to_crs(sample_appraisal.tract.crs).geometry.to_numpy()
        )
        steps = (points - points[0]) / (chains[0] * 66 * 0.3048)
        np.testing.assert_allclose(steps, steps.round(), rtol=0, atol=1e-4)

    def test_a_target_is_met_by_plots_placed_as_planned(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        made = lay_out_cruise(sample_appraisal, error_pct=18, method="random", seed=1)
        assert made.expected_error_pct <= 18
        assert made.target_pct == 18 and not made.notes

    def test_a_set_back_is_explained(self, sample_appraisal: standmap.Appraisal) -> None:
        made = lay_out_cruise(sample_appraisal, plots=60, method="balanced", off_edge_ft=66, seed=1)
        crs = sample_appraisal.tract.crs
        edges = sample_appraisal.stands.to_crs(crs).geometry.boundary
        away = made.plots.to_crs(crs).geometry.map(lambda p: edges.distance(p).min())
        assert away.min() > 66 * 0.3048 - 0.01
        assert "the estimate is biased" in made.notes[0]
        page = field_sheet_html(made)
        assert "every acre 66 ft or more inside the edge" in page
        assert "every net acre" not in page
        plain = lay_out_cruise(sample_appraisal, plots=60, seed=1)
        assert not any("biased" in note for note in plain.notes)

    def test_the_walk_starts_at_the_plot_nearest_the_gate(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        gate = (-80.7500, 36.4000)
        made = lay_out_cruise(sample_appraisal, plots=60, seed=1, start_lon_lat=gate)
        _, _, away = Geod(ellps="WGS84").inv(
            np.full(len(made.plots), gate[0]), np.full(len(made.plots), gate[1]),
            made.plots["lon"].to_numpy(), made.plots["lat"].to_numpy(),
        )  # fmt: skip
        assert np.argmin(away) == 0
        plots = made.plots
        assert plots["chains"].iloc[0] == pytest.approx(away[0] / 20.1168, abs=0.001)
        back, _, _ = Geod(ellps="WGS84").inv(*gate, plots["lon"].iloc[0], plots["lat"].iloc[0])
        assert plots["bearing_deg"].iloc[0] == pytest.approx(back % 360, abs=0.01)
        assert made.walk_miles == pytest.approx(plots["chains"].sum() / 80, rel=1e-9)
        page = field_sheet_html(made)
        assert "the first from the start at 36.40000, -80.75000" in page
        assert f"{plots['chains'].iloc[0]:.2f}" in page

    def test_a_start_with_latitude_first_is_a_slip(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        with pytest.raises(DomainError, match=r"nearest plot; got 36\.4 -80\.75"):
            lay_out_cruise(sample_appraisal, plots=60, seed=1, start_lon_lat=(36.4, -80.75))

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            ({}, "Give just one of 'error'"),
            ({"plots": 10, "error_pct": 10.0}, "Give just one of 'error'"),
            ({"plots": 0}, "'plots' must be 1 or more"),
            ({"plots": 10, "method": "nearby"}, "'method' must be one of grid, random, balanced"),
            ({"plots": 10, "by": "luck"}, "'by' must be 'optimum' or 'acres'"),
            ({"plots": 10, "off_edge_ft": 1e5}, "No ground is left"),
            ({"plots": 10, "seed": -1}, "'seed'"),
            ({"plots": 10, "measure": "beauty"}, "no measure 'beauty'"),
            ({"plots": 10, "start_lon_lat": (500.0, 4.0)}, "'start' must be a longitude"),
        ],
    )
    def test_what_cannot_be_laid_out_is_refused(
        self, sample_appraisal: standmap.Appraisal, words: dict[str, object], said: str
    ) -> None:
        with pytest.raises(DomainError, match=said):
            lay_out_cruise(sample_appraisal, **words)  # type: ignore[arg-type]

    def test_a_complete_tally_has_no_spread(self, sample_appraisal: standmap.Appraisal) -> None:
        from standmap.cruise import Design, Part

        design = Design((Part(design="complete"),))
        whole = replace(sample_appraisal, tract=replace(sample_appraisal.tract, design=design))
        with pytest.raises(DomainError, match="tallied whole or in strips"):
            lay_out_cruise(whole, plots=20)


class TestTheFiles:
    def test_all_of_them(self, folder: Path) -> None:
        assert sorted(p.name for p in folder.iterdir()) == sorted([*FILES, "layout.json"])

    def test_a_general_reader_opens_the_gpx(self, folder: Path) -> None:
        plots = pd.read_csv(folder / "next_plots.csv", encoding="utf-8-sig", dtype={"plot": str})
        points = gpd.read_file(folder / "next_plots.gpx", layer="waypoints", engine="pyogrio")
        assert points["name"].astype(str).tolist() == plots["plot"].tolist()
        np.testing.assert_allclose(points.geometry.x, plots["lon"], rtol=0, atol=1e-7)
        np.testing.assert_allclose(points.geometry.y, plots["lat"], rtol=0, atol=1e-7)
        route = gpd.read_file(folder / "next_plots.gpx", layer="routes", engine="pyogrio")
        assert len(shapely.get_coordinates(route.geometry.iloc[0])) == len(plots)

    def test_the_geopackage_holds_plots_walk_and_ground(self, folder: Path) -> None:
        names = [str(name) for name, _ in pyogrio.list_layers(folder / "layout.gpkg")]
        assert sorted(names) == ["ground", "layer_styles", "next_plots", "walk"]
        plots = gpd.read_file(folder / "layout.gpkg", layer="next_plots")
        walk = gpd.read_file(folder / "layout.gpkg", layer="walk")
        assert plots.crs == "EPSG:4326" and len(walk) == len(plots) - 1

    def test_the_csv_is_the_next_tracts_plot_list(self, folder: Path, tmp_path: Path) -> None:
        from standmap.tract import write_sample

        write_sample(tmp_path / "next")
        plots = pd.read_csv(folder / "next_plots.csv", encoding="utf-8-sig", dtype=str)
        plots.to_csv(tmp_path / "next/plots.csv", index=False)
        tally = pd.read_csv(tmp_path / "next/tally.csv", dtype=str)
        tally["plot"] = [str(1 + n % len(plots)) for n in range(len(tally))]
        tally.to_csv(tmp_path / "next/tally.csv", index=False)
        tract = standmap.read_tract(tmp_path / "next")
        assert tract.plots["stand"].astype(str).tolist() == plots["stand"].tolist()

    def test_the_field_sheet_is_one_page_file_with_all_a_cruiser_needs(self, folder: Path) -> None:
        page = (folder / "field_sheet.html").read_text(encoding="utf-8")
        assert fetched(page) == [] and "default-src 'none'" in page
        plots = pd.read_csv(folder / "next_plots.csv", encoding="utf-8-sig", dtype={"plot": str})
        row = plots.iloc[5]
        assert f"{round(row['bearing_deg']):03d}°" in page and f"{row['chains']:.2f}" in page
        for words in (
            "Limiting distance, BAF 10",
            "33.00",
            "Saw logs",
            "no trees",
            "Paces at 12.5",
            "are not a survey",
            "Look up",
            "drawing until the plots look right",
        ):
            assert words in page
        assert len(re.findall(r'<section class="sheet', page)) >= 5

    def test_the_record_says_how_to_draw_it_again(
        self, folder: Path, sample_appraisal: standmap.Appraisal
    ) -> None:
        record = json.loads((folder / "layout.json").read_text(encoding="utf-8"))
        again = lay_out_cruise(
            sample_appraisal,
            plots=record["planned_plots"],
            method=record["method"],
            by=record["shared_out_by"],
            seed=record["seed"],
        )
        plots = pd.read_csv(folder / "next_plots.csv", encoding="utf-8-sig")
        np.testing.assert_allclose(again.plots["lon"], plots["lon"], rtol=0, atol=1e-9)

    def test_names_that_would_run_do_not(
        self, hostile_appraisal: standmap.Appraisal, tmp_path: Path
    ) -> None:
        pieces = hostile_appraisal.pieces
        names = dict(
            zip(
                sorted(pieces["stand"].astype(str).unique(), key=int),
                hostile_appraisal.stands["stand"],
                strict=True,
            )
        )
        turned = replace(hostile_appraisal, pieces=pieces.assign(stand=pieces["stand"].map(names)))
        write_layout(lay_out_cruise(turned, plots=50, seed=1), tmp_path / "out")
        page = (tmp_path / "out/field_sheet.html").read_text(encoding="utf-8")
        assert "<script>" not in page and "<img src=x" not in page and "<svg onload" not in page
        gpd.read_file(tmp_path / "out/next_plots.gpx", layer="waypoints")
        text = (tmp_path / "out/allocation.csv").read_text(encoding="utf-8-sig")
        assert not re.search(r'(^|,)"?[=@+]', text, re.MULTILINE)

    def test_the_tracts_own_files_are_never_written_over(
        self, sample_appraisal: standmap.Appraisal, tmp_path: Path
    ) -> None:
        (tmp_path / "strata.csv").write_text("mine")
        made = lay_out_cruise(sample_appraisal, plots=40, seed=1)
        with pytest.raises(OutputError, match=r"already holds a 'strata\.csv'"):
            write_layout(made, tmp_path)
        assert [p.name for p in tmp_path.iterdir()] == ["strata.csv"]


class TestCommand:
    def test_a_layout_from_a_tract_folder(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        sample = Path(__file__).parents[2] / "sample_gis"
        out = tmp_path / "out"
        words = ["layout", str(sample), "--plots", "45", "--method", "balanced", "--seed", "9"]
        assert cli.main([*words, "--start", "-80.76", "36.40", "--out", str(out)]) == commands.OK
        said = capsys.readouterr().out
        assert "45 plots (balanced)" in said and "Seed 9" in said
        assert sorted(p.name for p in out.iterdir()) == sorted([*FILES, "layout.json"])

    def test_a_folder_in_the_way_is_known_before_the_work(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        (tmp_path / "layout.gpkg").write_text("mine")
        words = ["layout", "no_such_tract", "--plots", "45", "--out", str(tmp_path)]
        assert cli.main(words) == commands.NOT_WRITTEN
        assert "already holds a 'layout.gpkg'" in capsys.readouterr().err
