"""The harvest plan: what is cut and what is left add up, on the same plots, with honest errors."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rasterio
from hypothesis import given, settings
from hypothesis import strategies as st

import standmap
from standmap.harvest import CUTS, Alternative, HarvestPlan, Prescription
from standmap.land import SkidWay
from standmap.species import entry_codes
from standmap.steps import skidding
from standmap.steps.harvest import Harvest, plan_harvest
from standmap.steps.land import Land, lay_out
from standmap.steps.plot_sums import PlotSums, Term
from standmap.steps.plots import TallyFigures, figure_tally
from standmap.steps.results import ResultTables, result_tables
from standmap.steps.sampling import MEASURES
from standmap.steps.skidding import skid_units
from standmap.steps.terrain import CLASSES, describe_terrain

OAKS = entry_codes("oak")
Worked = tuple[standmap.Tract, TallyFigures, ResultTables, Land]


@pytest.fixture(scope="module")
def worked(sample_tract: standmap.Tract) -> Worked:
    """The sample tract up to its estimates, so that plans can be tried quickly."""
    tally = figure_tally(sample_tract, ledger=sample_tract.ledger.copy())
    land = lay_out(sample_tract)
    return sample_tract, tally, result_tables(sample_tract, tally, land), land


@pytest.fixture(scope="module")
def try_plan(worked: Worked) -> Callable[..., Harvest]:
    tract, tally, tables, land = worked

    def tried(
        prescriptions: dict[str, Prescription], *alternatives: Alternative, marked: object = None
    ) -> Harvest:
        plan = HarvestPlan(prescriptions=prescriptions, alternatives=alternatives)
        return plan_harvest(
            replace(tract, plan=plan),
            tally if marked is None else replace(tally, trees=tally.trees.assign(marked=marked)),
            tables.found,
            land,
            tables.net_acres,
        )

    return tried


def part(harvest: Harvest, name: str, unit: str = "B") -> pd.Series:
    rows = harvest.cut_leave
    return rows[(rows["unit"] == unit) & (rows["part"] == name)].iloc[0]


def prescriptions() -> st.SearchStrategy[Prescription]:
    """Any prescription of any kind."""
    inches = st.floats(5, 24)
    return st.builds(
        Prescription,
        cut=st.sampled_from(CUTS),
        residual_ba_sqft=st.floats(5, 160),
        seed_trees_per_acre=st.floats(0.5, 60),
        min_dbh_in=inches,
        max_dbh_in=st.none() | st.floats(24, 40),
        leave_codes=st.sampled_from([frozenset(), OAKS]),
        seed_codes=st.sampled_from([frozenset(), OAKS]),
        products=st.sampled_from([(), ("hardwood sawlog",)]),
    )


class TestCutAndLeft:
    @given(plan=prescriptions(), seed=st.integers(0, 9))
    @settings(max_examples=40, deadline=None)
    def test_what_is_cut_and_what_is_left_are_what_stood(
        self, plan: Prescription, seed: int, worked: Worked, try_plan: Callable[..., Harvest]
    ) -> None:
        marked = np.random.default_rng(seed).random(len(worked[1].trees)) < 0.4
        harvest = try_plan({"A": plan, "B": plan, "C": plan}, marked=marked)
        rows = harvest.cut_leave
        for measure in MEASURES:
            total = rows.pivot_table(index="unit", columns="part", values=f"{measure}_total")
            np.testing.assert_allclose(
                total["cut"] + total["left"], total["before"], rtol=1e-9, atol=1e-6
            )
            # All units together are the sum of the units.
            several = total.loc[["A", "B", "C"]].sum()
            np.testing.assert_allclose(
                total.loc[""].to_numpy(), several[total.columns].to_numpy(), rtol=1e-9, atol=1e-6
            )
        stood = worked[2].units.set_index("unit")["value_usd_total"]
        before = rows[rows["part"] == "before"].set_index("unit")["value_usd_total"]
        units = ["A", "B", "C"]
        np.testing.assert_allclose(before.loc[units].to_numpy(), stood.loc[units].to_numpy())
        assert (rows["trees_total"] > -1e-6).all()

    def test_a_clearcut_is_the_unit_itself_errors_and_all(
        self, try_plan: Callable[..., Harvest], sample_appraisal: standmap.Appraisal
    ) -> None:
        harvest = try_plan({"B": Prescription(cut="clearcut")})
        cut = part(harvest, "cut")
        unit = sample_appraisal.units.set_index("unit").loc["B"]
        for measure in MEASURES:
            assert cut[f"{measure}_total"] == pytest.approx(unit[f"{measure}_total"])
            assert cut[f"{measure}_error_pct"] == pytest.approx(unit[f"{measure}_error_pct"])
        assert part(harvest, "left")["trees_total"] == pytest.approx(0, abs=1e-9)

    @pytest.mark.parametrize("cut", ["thin_below", "thin_above"])
    def test_a_thinning_leaves_just_the_residual_whatever_the_cruise_found(
        self, cut: str, try_plan: Callable[..., Harvest]
    ) -> None:
        harvest = try_plan({"B": Prescription(cut=cut, residual_ba_sqft=70)})
        left, gone, stood = (part(harvest, name) for name in ("left", "cut", "before"))
        assert left["basal_area_sqft_per_acre"] == pytest.approx(70, rel=1e-3)
        # The residual is set; the error of what stands is all in what is cut.
        assert left["basal_area_sqft_error_pct"] == pytest.approx(0, abs=0.05)
        before = stood["basal_area_sqft_total"] * stood["basal_area_sqft_error_pct"]
        assert gone["basal_area_sqft_total"] * gone["basal_area_sqft_error_pct"] == pytest.approx(
            before, rel=0.01
        )

    def test_seed_trees_are_counted_out(self, try_plan: Callable[..., Harvest]) -> None:
        plan = Prescription(cut="seed_tree", seed_trees_per_acre=9, seed_codes=OAKS)
        left = part(try_plan({"B": plan}), "left")
        assert left["trees_per_acre"] == pytest.approx(9, rel=1e-3)
        assert left["trees_error_pct"] == pytest.approx(0, abs=0.05)

    def test_marked_products_take_the_trees_that_yield_them(
        self, worked: Worked, try_plan: Callable[..., Harvest]
    ) -> None:
        plan = Prescription(cut="marked", products=("hardwood sawlog",))
        harvest = try_plan({"B": plan})
        cut = harvest.products.set_index("product")
        stood = try_plan({"B": Prescription(cut="clearcut")}).products.set_index("product")
        assert cut.loc["hardwood sawlog", "quantity"] == pytest.approx(
            stood.loc["hardwood sawlog", "quantity"]
        )
        assert cut.loc["hardwood pulpwood", "quantity"] < stood.loc["hardwood pulpwood", "quantity"]

    def test_a_tree_is_cut_alike_whatever_plot_it_is_on(
        self, try_plan: Callable[..., Harvest]
    ) -> None:
        # From above to 100 and then to 70 takes what from above to 70 takes: one order of trees.
        to = {ba: part(try_plan({"B": Prescription(cut="thin_above", residual_ba_sqft=ba)}), "left")
              for ba in (100, 70)}  # fmt: skip
        assert to[70]["qmd_in"] < to[100]["qmd_in"]

    def test_a_prescription_that_cannot_be_met_is_told_of(
        self, try_plan: Callable[..., Harvest]
    ) -> None:
        nothing = try_plan({"B": Prescription(cut="thin_below", residual_ba_sqft=400)})
        assert "cuts nothing" in nothing.problems[0].what
        short = try_plan(
            {"B": Prescription(cut="thin_below", residual_ba_sqft=10, leave_codes=OAKS)}
        )
        assert "cannot be met in stand 10" in short.problems[0].what


class TestLoadsAndDays:
    def test_loads_are_tons_by_the_legal_weight_and_days_by_the_pace(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        units = sample_appraisal.harvest.units
        np.testing.assert_allclose(units["loads"], units["cut_tons"] / 26.0)
        np.testing.assert_allclose(units["days"], units["cut_tons"] / 110.0)
        products = sample_appraisal.harvest.products
        by_unit = products.groupby("unit_id")["loads"].sum()
        np.testing.assert_allclose(by_unit.loc[units["unit"]], units["loads"], rtol=1e-9)
        value = products.groupby("unit_id")["value_usd"].sum()
        np.testing.assert_allclose(value.loc[units["unit"]], units["cut_value_usd"], rtol=1e-9)

    def test_without_a_rate_there_is_none(self, worked: Worked) -> None:
        tract, tally, tables, land = worked
        quiet = tract.settings.model_copy(
            update={
                "costs": tract.settings.costs.model_copy(update={"load_tons": None}),
                "harvest": tract.settings.harvest.model_copy(
                    update={"tons_per_day": None, "skid_usd_per_ton_1000_ft": None}
                ),
            }
        )
        bare = replace(tract, settings=quiet)
        harvest = plan_harvest(bare, tally, tables.found, land, tables.net_acres)
        assert harvest.units[["loads", "days"]].isna().all(axis=None)
        assert harvest.units["cut_value_usd"].gt(0).all()
        skid = skid_units(bare, land, harvest).units
        assert skid["cost_usd"].isna().all()
        assert skid["mean_ft"].gt(0).all()


class TestAlternatives:
    CLEAR = Prescription(cut="clearcut")

    def test_the_difference_is_the_difference(self, sample_appraisal: standmap.Appraisal) -> None:
        plans = sample_appraisal.harvest.alternatives
        first = plans.iloc[0]
        assert first["plan"] == "as planned"
        whole = sample_appraisal.harvest.units.iloc[-1]
        assert first["value_usd"] == pytest.approx(whole["cut_value_usd"])
        assert first["value_error_pct"] == pytest.approx(whole["cut_value_error_pct"])
        for measure, more in (("value_usd", "more_usd"), ("bf_cut", "bf_more")):
            np.testing.assert_allclose(plans[more], plans[measure] - first[measure], atol=1e-6)

    def test_the_paired_error_is_far_below_the_errors_of_the_values(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        plans = sample_appraisal.harvest.alternatives.set_index("plan")
        half = plans["value_usd"] * plans["value_error_pct"] / 100
        wider = plans.loc["Wider buffers"]
        paired = abs(wider["more_usd"]) * wider["more_error_pct"] / 100
        assert paired < 0.3 * np.hypot(half["as planned"], half["Wider buffers"])

    def test_a_plan_that_is_the_same_differs_by_nothing(
        self, try_plan: Callable[..., Harvest]
    ) -> None:
        same = Alternative(name="same", prescriptions={"B": self.CLEAR})
        row = try_plan({"B": self.CLEAR}, same).alternatives.iloc[1]
        assert row["more_usd"] == pytest.approx(0, abs=1e-6)

    def test_a_unit_left_out_takes_its_own_value_and_error_off(
        self, try_plan: Callable[..., Harvest]
    ) -> None:
        both = {"B": self.CLEAR, "C": self.CLEAR}
        harvest = try_plan(both, Alternative(name="no C", prescriptions={"B": self.CLEAR}))
        row, unit = harvest.alternatives.iloc[1], part(harvest, "cut", "C")
        assert row["more_usd"] == pytest.approx(-unit["value_usd_total"])
        assert row["more_error_pct"] == pytest.approx(unit["value_usd_error_pct"])

    def test_wider_buffers_take_the_acres_they_cover(
        self, worked: Worked, try_plan: Callable[..., Harvest]
    ) -> None:
        tract, _, _, land = worked
        wide = Alternative(name="wide", prescriptions={"A": self.CLEAR}, wider_buffers_ft=40.0)
        rows = try_plan({"A": self.CLEAR}, wide).alternatives
        crs = tract.crs
        buffers = land.buffers.to_crs(crs).geometry.buffer(40 / 3.28084, quad_segs=32).union_all()
        pieces = land.pieces[(land.pieces["unit"] == "A") & (land.pieces["reason"] == "")]
        left = pieces.to_crs(crs).geometry.difference(buffers).area.sum() / 4046.8564224
        assert rows["acres"].iloc[1] == pytest.approx(left, rel=1e-3)
        assert rows["acres"].iloc[1] < rows["acres"].iloc[0] - 1

    def test_a_sum_is_the_same_by_plots_and_by_pairs(self, worked: Worked) -> None:
        _, tally, tables, _ = worked
        sums = PlotSums(tally, tables.found, tables.net_acres)
        alone = tables.found.cells.own
        rng = np.random.default_rng(3)
        names = list(tables.found.stands)
        columns = tally.per_acre[:, : len(MEASURES)]
        terms = [
            Term(columns * share[:, None], pd.Series(rng.uniform(0, 9, len(names)) * alone, names),
                 sign)
            for share, sign in zip(rng.random((3, len(columns))), (1.0, 1.0, -1.0), strict=True)
        ]  # fmt: skip
        quick = sums.combined(terms, MEASURES, row="x")
        mean, variance = sums._covaried(terms, MEASURES)
        np.testing.assert_allclose(quick.estimate, mean, rtol=1e-9)
        np.testing.assert_allclose(quick.se**2, variance, rtol=1e-7)

    def test_a_sum_over_a_borrowed_stand_carries_what_it_borrows(self, worked: Worked) -> None:
        _, tally, tables, _ = worked
        sums = PlotSums(tally, tables.found, tables.net_acres)
        columns = tally.per_acre[:, : len(MEASURES)]
        whole = tables.net_acres  # stand 12 was never cruised
        halves = [Term(columns * share, whole) for share in (0.25, 0.75)]
        added = sums.combined(halves, MEASURES, row="tract")
        at = list(tally.attributes).index("value_usd")
        plain = tables.found.total(whole.to_frame("tract").T)
        np.testing.assert_allclose(added.estimate[0], plain.estimate[0, : len(MEASURES)])
        np.testing.assert_allclose(added.se[0], plain.se[0, : len(MEASURES)], rtol=1e-9)
        assert plain.attributes[at] == "value_usd"


class TestGround:
    def test_every_stand_unit_and_plot_has_its_ground(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        for kind in ("stands", "units", "plots"):
            frame = getattr(sample_appraisal.terrain, kind)
            np.testing.assert_allclose(frame[list(CLASSES)].sum(axis=1), 100, rtol=1e-9)
            assert (frame["steepest_tenth_pct"] >= frame["slope_pct"]).mean() > 0.95
            layer = getattr(sample_appraisal, kind)
            np.testing.assert_allclose(layer["slope_pct"], frame["slope_pct"])
        assert sample_appraisal.terrain.limits_pct == (25.0, 45.0)

    def test_without_a_raster_nothing_is_said(self, worked: Worked) -> None:
        tract, _, _, land = worked
        bare = describe_terrain(replace(tract, rasters={}), land)
        assert not bare.known
        assert bare.stands.isna().all(axis=None)

    @pytest.mark.parametrize(
        ("reached", "unknown", "trouble", "said"),
        [
            (100.0, 0.0, "", []),
            (60.0, 0.0, "", ["no way leads from 40 %"]),
            (60.0, 40.0, "", ["does not know 40 % of"]),
            (50.0, 30.0, "", ["does not know 30 % of", "no way leads from 20 %"]),
            (0.0, 100.0, "unit unknown", ["does not know the harvest unit's ground"]),
            (0.0, 0.0, "landing unknown", ["its landing is outside the elevation raster"]),
            (0.0, 0.0, "landing off", ["its landing is farther than 200 ft from ground"]),
        ],
    )
    def test_what_keeps_a_unit_from_its_landing_is_said_plainly(
        self, reached: float, unknown: float, trouble: str, said: list[str]
    ) -> None:
        way = SkidWay(
            mean_ft=1.0, max_ft=1.0, reached_pct=reached, cell_ft=33.0, farthest=None,
            unknown_pct=unknown, trouble=trouble,
        )  # fmt: skip
        told = [what for what, _ in skidding._told(way)]
        assert len(told) == len(said)
        assert all(words in what for words, what in zip(said, told, strict=True))

    def test_ground_that_the_raster_does_not_know_is_told_of(
        self, worked: Worked, tmp_path: Path
    ) -> None:
        tract, _, _, land = worked
        assert describe_terrain(tract, land).problems == []
        holed = tmp_path / "holed.tif"
        with rasterio.open(tract.rasters["elevation"]) as source:
            z, profile = source.read(1).astype("float32"), source.profile
        z[:, : z.shape[1] // 2] = np.nan
        with rasterio.open(holed, "w", **{**profile, "dtype": "float32", "nodata": None}) as target:
            target.write(z, 1)
        found = describe_terrain(replace(tract, rasters={"elevation": holed}), land)
        assert {p.what.split(":")[0] for p in found.problems} >= {
            "the elevation raster does not know all ground of stands"
        }
        assert "% known)" in found.problems[0].what

    def test_the_way_costs_the_stated_rate(self, sample_appraisal: standmap.Appraisal) -> None:
        skid = sample_appraisal.skidding.units.set_index("unit")
        cut = sample_appraisal.harvest.units.set_index("unit")["cut_tons"]
        np.testing.assert_allclose(
            skid["cost_usd"], skid["mean_ft"] / 1000 * 2.4 * cut.loc[skid.index]
        )
        assert (skid["max_ft"] > skid["mean_ft"]).all()
        landings = sample_appraisal.tract.landings
        assert landings is not None
        for unit in skid.index:
            shape = sample_appraisal.units.to_crs(landings.crs).set_index("unit").geometry[unit]
            straight = landings.set_index("unit").geometry[unit].distance(shape.centroid) * 3.28084
            assert skid.loc[unit, "mean_ft"] > 0.9 * straight

    def test_ground_that_no_way_leads_to_is_told_of(self, worked: Worked) -> None:
        tract, tally, tables, land = worked
        harvest = plan_harvest(tract, tally, tables.found, land, tables.net_acres)
        found = skid_units(replace(tract, crossings=None), land, harvest)
        reached = found.units.set_index("unit")["reached_pct"]
        assert reached["A"] < 80
        assert any(p.value == "A" and "no way leads" in p.what for p in found.problems)
