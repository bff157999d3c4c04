"""The harvest page: cut and leave that add up in print, other plans with their paired errors."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from markupsafe import escape

import standmap
from standmap.harvest import HarvestPlan
from standmap.report import harvest_html, report_html, result_tables, write_all
from standmap.report.columns import heading
from standmap.report.harvest_page import harvest_lines
from standmap.report.harvest_tables import (
    alternatives_table,
    cut_leave_table,
    facing,
    loads_table,
    plan_table,
    skid_table,
    terrain_table,
)
from standmap.report.offline import fetched
from standmap.report.words import HARVEST_CAUTIONS


@pytest.fixture(scope="module")
def page(sample_appraisal: standmap.Appraisal) -> str:
    return harvest_html(sample_appraisal)


@pytest.fixture(scope="module")
def unplanned(sample_appraisal: standmap.Appraisal) -> standmap.Appraisal:
    """The same tract with units and no prescription, landing or raster."""
    one = sample_appraisal
    harvest = one.harvest
    bare = replace(
        harvest,
        units=harvest.units.iloc[:0],
        cut_leave=harvest.cut_leave.iloc[:0],
        products=harvest.products.iloc[:0],
        alternatives=harvest.alternatives.iloc[:0],
    )
    return replace(
        one,
        tract=replace(one.tract, plan=HarvestPlan(), landings=None, crossings=None),
        harvest=bare,
        terrain=replace(one.terrain, known=False),
        skidding=replace(
            one.skidding, units=one.skidding.units.iloc[:0], ways=one.skidding.ways.iloc[:0]
        ),
    )


def cells(printed: object, name: str) -> list[str]:
    return next(c.cells for c in printed.columns if c.name == name)  # type: ignore[attr-defined]


class TestPage:
    def test_it_needs_no_network_and_runs_no_script(self, page: str) -> None:
        assert fetched(page) == []
        assert "script-src 'none'" in page
        assert "<script" not in page

    def test_it_holds_every_part(self, page: str) -> None:
        parts = "answer plan cut-leave loads alternatives ground maps stand-ground cautions"
        for part in (*parts.split(), "guide-prescriptions", "guide-terrain"):
            assert f'id="{part}"' in page, part
        for head, _ in HARVEST_CAUTIONS:
            assert escape(head) in page
        assert page.count("data:image/svg+xml") == 3  # a map for each unit

    def test_a_tract_without_a_plan_is_told_of_its_units_and_no_more(
        self, unplanned: standmap.Appraisal
    ) -> None:
        page = harvest_html(unplanned)
        assert "gives no prescription for unit A, B, C" in page
        for part in ("cut-leave", "loads", "alternatives", "ground"):
            assert f'id="{part}"' not in page
        assert harvest_lines(unplanned) == []
        assert 'href="harvest.html"' in report_html(unplanned)

    def test_names_from_the_data_are_text(self, hostile_appraisal: standmap.Appraisal) -> None:
        one = hostile_appraisal
        harvest = one.harvest
        spoilt = replace(
            harvest,
            units=harvest.units.assign(prescription="<img src=x onerror=alert(1)>"),
            products=harvest.products.assign(product="<script>1</script>"),
            alternatives=harvest.alternatives.assign(plan="<b>x</b>"),
        )
        page = harvest_html(replace(one, harvest=spoilt))
        for bad in ("<img src=x", "<script", "<b>x</b>", "<svg onload"):
            assert bad not in page


class TestTables:
    def test_a_unit_says_whose_figures_it_takes(self, sample_appraisal: standmap.Appraisal) -> None:
        printed = plan_table(sample_appraisal)
        assert printed is not None
        assert cells(printed, "Plots") == ["5", "3", "3"]  # counted on the map
        assert printed.foot[1] == "11"
        for page in (harvest_html(sample_appraisal), report_html(sample_appraisal)):
            assert "every plot of a stand counts, wherever in it the plot stands" in page
            assert "stand with fewer than two plots, whose figures" not in page
        part = sample_appraisal.units.assign(borrowed=["", "stratum", ""], plots_inside=[5, 0, 3])
        one = replace(sample_appraisal, units=part)
        printed = plan_table(one)
        assert printed is not None
        assert cells(printed, "Unit") == ["A", "B †", "C"]
        assert cells(printed, "Plots") == ["5", "0", "3"]
        assert "stand with fewer than two plots, whose figures" in harvest_html(one)

    def test_a_cut_judged_by_units_says_so(self, sample_appraisal: standmap.Appraisal) -> None:
        words = "aimed at a unit as a whole"
        assert words not in harvest_html(sample_appraisal)
        harvest = replace(sample_appraisal.harvest, judged_by_unit=True)
        assert words in harvest_html(replace(sample_appraisal, harvest=harvest))

    def test_the_page_says_what_slope_counts_and_who_says_so(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        page = harvest_html(sample_appraisal)
        assert "a foot on ground of 25% counts as 2 (growing" in page
        assert "common practice, no source" in page
        settings = sample_appraisal.settings
        own = settings.model_copy(
            update={"harvest": settings.harvest.model_copy(update={"skid_slope_penalty": 0.0})}
        )
        tract = replace(sample_appraisal.tract, settings=own)
        assert "the shortest way is taken" in harvest_html(replace(sample_appraisal, tract=tract))

    def test_cut_and_left_are_below_what_stood(self, sample_appraisal: standmap.Appraisal) -> None:
        printed = cut_leave_table(sample_appraisal)
        assert printed is not None
        assert cells(printed, "")[:3] == ["Now", "Cut", "Left"]
        assert cells(printed, "Unit")[-3] == "All units"
        # The residual of a thinning is set by the prescription, not estimated.
        left = printed.rows[5]
        assert left[3] == "70"
        assert left[4] == "set"

    def test_the_plan_ends_with_all_units(self, sample_appraisal: standmap.Appraisal) -> None:
        printed = plan_table(sample_appraisal)
        assert printed is not None
        assert cells(printed, "Unit") == ["A", "B", "C"]
        assert printed.foot[0] == "All units"
        assert "Cut all trees; leave all American sycamore" in cells(printed, "Prescription")

    def test_loads_and_days_are_left_out_where_no_rate_is_given(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        harvest = sample_appraisal.harvest
        nothing = replace(
            harvest,
            units=harvest.units.assign(loads=np.nan, days=np.nan),
            products=harvest.products.assign(loads=np.nan),
        )
        bare = replace(sample_appraisal, harvest=nothing)
        for table in (plan_table(bare), loads_table(bare)):
            assert table is not None
            assert not {"Truckloads", "Days"} & {c.name for c in table.columns}

    def test_a_difference_within_its_error_is_marked(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        plans = sample_appraisal.harvest.alternatives.assign(
            more_usd=[0.0, -500.0, 900.0, -4000.0], more_error_pct=[np.nan, 20.0, 140.0, 10.0]
        )
        one = replace(
            sample_appraisal, harvest=replace(sample_appraisal.harvest, alternatives=plans)
        )
        printed = alternatives_table(one)
        assert printed is not None
        apart = [c.cells for c in printed.columns if c.name == "Against the plan"][-1]
        assert apart[0] == ""
        assert [cell.endswith(" *") for cell in apart[1:]] == [False, True, False]

    def test_the_ground_by_unit_and_stand(self, sample_appraisal: standmap.Appraisal) -> None:
        units = terrain_table(sample_appraisal, "units")
        stands = terrain_table(sample_appraisal, "stands")
        assert units is not None
        assert stands is not None
        assert cells(units, "Unit") == ["A", "B", "C"]
        assert len(stands.rows) == len(sample_appraisal.stands)
        assert {"To 25%", "To 45%", "Steeper"} <= {c.name for c in units.columns}

    @pytest.mark.parametrize(
        ("bearing", "said"), [(0, "north"), (359, "north"), (44, "northeast"), (180, "south")]
    )
    def test_a_bearing_is_said_as_a_point_of_the_compass(self, bearing: float, said: str) -> None:
        assert facing(bearing) == said

    def test_a_unit_that_is_not_reached_is_set_off(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        skid = sample_appraisal.skidding
        short = skid.units.assign(reached_pct=[60.0, 100.0, 100.0])
        printed = skid_table(replace(sample_appraisal, skidding=replace(skid, units=short)))
        assert printed is not None
        assert printed.loud == [True, False, False]

    def test_every_column_has_a_heading_with_its_unit(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        keys = {"harvest", "cut_leave", "cut_products", "alternatives", "skidding"}
        tables = {t.key: t.frame for t in result_tables(sample_appraisal)}
        assert keys <= set(tables)
        for key in keys:
            for column in tables[key]:
                head = heading(str(column))
                ending = next((e for e in ("_usd", "_ft", "_pct") if str(column).endswith(e)), "")
                assert not ending or head.unit, column


@pytest.fixture(scope="module")
def folder(sample_appraisal: standmap.Appraisal, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("out") / "results"
    write_all(sample_appraisal, out)
    return out


class TestFiles:
    def test_the_page_and_its_tables_are_written(self, folder: Path) -> None:
        assert (folder / "harvest.html").is_file()
        cut = pd.read_csv(folder / "tables" / "cut_leave.csv")
        assert set(cut["part"]) == {"before", "cut", "left"}
        assert 'href="harvest.html"' in (folder / "report.html").read_text(encoding="utf-8")

    def test_stands_units_and_plots_carry_their_ground_into_the_gis(self, folder: Path) -> None:
        for name in ("stands", "units", "plots"):
            layer = gpd.read_file(folder / "appraisal.gpkg", layer=name)
            for column in ("slope_pct", "steepest_tenth_pct", "aspect_deg", "ground_share_pct"):
                assert layer[column].notna().mean() > 0.9, (name, column)

    def test_a_tract_without_units_has_no_such_page(
        self, sample_appraisal: standmap.Appraisal, tmp_path: Path
    ) -> None:
        none = replace(sample_appraisal, units=sample_appraisal.units.iloc[:0])
        written = write_all(none, tmp_path / "out")
        assert "harvest.html" not in written
        assert 'href="harvest.html"' not in (tmp_path / "out" / "report.html").read_text("utf-8")
