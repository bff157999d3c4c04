"""What goes in comes out: trees, acres, volumes, products and money all add up."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

import standmap
from standmap.cruise import t_quantile
from standmap.land import geodesic_acres
from standmap.steps.sampling import MEASURES
from standmap.units import LOG_RULES

TIGHT = 1e-9


class TestTrees:
    def test_tallied_trees_are_used_or_set_aside_with_a_reason(
        self, sample_tract: standmap.Tract, sample_appraisal: standmap.Appraisal
    ) -> None:
        trees = sample_appraisal.trees
        assert len(trees) == len(sample_tract.trees)
        used = trees["used"].to_numpy(dtype=bool)
        assert (trees.loc[~used, "why_not"] != "").all()
        assert (trees.loc[used, "why_not"] == "").all()
        counts = sample_tract.accounting()
        aside = sum(n for name, n in counts.items() if name.startswith("set aside"))
        assert counts["tallied"] == counts["used"] + aside == trees["count"].sum()

    def test_every_tree_set_aside_is_in_the_ledger(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        trees, ledger = sample_appraisal.trees, sample_appraisal.ledger
        aside = ledger[(ledger["action"] == "set aside") & (ledger["file"] == "tally.csv")]
        assert set(aside["row"]) == set(trees.loc[~trees["used"], "source_row"])

    def test_every_height_filled_in_is_in_the_ledger(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        trees, ledger = sample_appraisal.trees, sample_appraisal.ledger
        filled = ledger[ledger["action"] == "filled in"]
        fitted = trees[trees["height_source"] == "fitted"]
        assert len(fitted) > 100
        assert set(filled["row"]) == set(fitted["source_row"])
        assert fitted["height_ft"].isna().all()

    def test_a_measured_height_is_used_as_measured(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        trees = sample_appraisal.trees
        measured = trees[trees["height_source"] == "measured"]
        np.testing.assert_array_equal(measured["height_ft"], measured["height_used_ft"])


class TestLogs:
    def test_a_trees_volume_is_the_sum_of_its_logs(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        logs, trees = sample_appraisal.logs, sample_appraisal.trees
        columns = ["volume_cuft", "cords", "weight_tons", "value_usd"]
        columns += [f"bf_{rule}" for rule in LOG_RULES]
        by_tree = logs.groupby("tally_row")[columns].sum()
        used = trees[trees["used"]].set_index("source_row")
        by_tree = by_tree.reindex(used.index, fill_value=0.0)
        np.testing.assert_allclose(used[columns], by_tree, rtol=TIGHT, atol=1e-9)

    def test_a_plots_volume_is_the_sum_of_its_logs_expanded(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        logs, plots = sample_appraisal.logs, sample_appraisal.plots.set_index("plot")
        for column in ("volume_cuft", "bf_doyle", "cords", "weight_tons", "value_usd"):
            per_acre = (logs[column] * logs["trees_per_acre"]).groupby(logs["plot"]).sum()
            per_acre = per_acre.reindex(plots.index, fill_value=0.0)
            np.testing.assert_allclose(plots[f"{column}_per_acre"], per_acre, rtol=TIGHT, atol=1e-9)

    def test_a_point_sample_counts_basal_area_by_its_factor(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        # Every tree counted on a BAF 10 point stands for 10 sq ft per acre, whatever its size.
        trees = sample_appraisal.trees
        tallied = trees[trees["used"]].groupby("plot")["count"].sum() * 10.0
        plots = sample_appraisal.plots.set_index("plot")
        np.testing.assert_allclose(
            plots["basal_area_sqft_per_acre"],
            tallied.reindex(plots.index, fill_value=0.0),
            rtol=TIGHT,
        )

    def test_a_plot_with_no_trees_counts_as_zero(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        plots = sample_appraisal.plots
        bare = plots[~plots["plot"].isin(sample_appraisal.trees["plot"])]
        assert len(bare) >= 1
        assert (bare["used"]).all()
        assert (bare[[f"{name}_per_acre" for name in MEASURES]].to_numpy() == 0).all()

    def test_net_board_feet_never_exceed_gross(self, sample_appraisal: standmap.Appraisal) -> None:
        logs = sample_appraisal.logs
        for rule in LOG_RULES:
            assert (logs[f"bf_{rule}"] <= logs[f"gross_bf_{rule}"] + 1e-9).all()
        defective = logs[logs["defect_pct"] > 0]
        assert len(defective) > 0
        assert (defective["bf_doyle"] < defective["gross_bf_doyle"]).any()


class TestAcres:
    def test_a_stand_is_its_net_acres_and_what_must_stay(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        stands = sample_appraisal.stands
        parts = stands[["net_acres", "buffer_acres", "exclusion_acres"]].sum(axis=1)
        np.testing.assert_allclose(stands["gross_acres"], parts, rtol=1e-9)

    def test_the_pieces_tile_the_stands(self, sample_appraisal: standmap.Appraisal) -> None:
        pieces, stands = sample_appraisal.pieces, sample_appraisal.stands
        by_stand = pieces.groupby("stand")["acres"].sum().reindex(stands["stand"])
        np.testing.assert_allclose(by_stand, geodesic_acres(stands), rtol=1e-6)

    def test_units_and_the_rest_make_the_tract(self, sample_appraisal: standmap.Appraisal) -> None:
        pieces, units = sample_appraisal.pieces, sample_appraisal.units
        in_units = pieces[pieces["unit"] != ""]
        rest = pieces[pieces["unit"] == ""]["acres"].sum()
        inside = units[["net_acres", "buffer_acres", "exclusion_acres"]].sum().sum()
        assert inside == pytest.approx(in_units["acres"].sum(), rel=1e-9)
        assert inside + rest == pytest.approx(sample_appraisal.gross_acres, rel=1e-9)

    def test_a_unit_is_what_is_inside_and_outside_the_stands(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        units = sample_appraisal.units
        parts = ["net_acres", "buffer_acres", "exclusion_acres", "outside_acres", "overlap_acres"]
        np.testing.assert_allclose(units["gross_acres"], units[parts].sum(axis=1), rtol=1e-6)

    def test_the_unit_drawn_into_a_buffer_is_flagged_with_its_acres(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        units = sample_appraisal.units.set_index("unit")
        assert units.index[units["conflict"]].tolist() == ["A"]
        # The same acres by another road: intersect the layers and measure on the ellipsoid.
        # Where part may be cut, an exclusion (the power line) claims the ground first.
        buffers = sample_appraisal.buffers
        zones = sample_appraisal.land.water.zones.to_crs(buffers.crs)
        strict = zones[zones["cutting"] == "none"].union_all()
        part = buffers.union_all() - sample_appraisal.exclusions.union_all()
        inside = units.loc[["A"]].intersection(strict | part)
        acres = geodesic_acres(gpd.GeoSeries(inside, crs=buffers.crs))[0]
        assert units.loc["A", "buffer_acres"] == pytest.approx(acres, rel=1e-4)
        said = [p for p in sample_appraisal.problems if p.value == "A"]
        assert f"{acres:.2f} acres, on 4.32 of which part may be cut" in said[0].what


class TestTotals:
    def test_stands_add_up_to_the_tract(self, sample_appraisal: standmap.Appraisal) -> None:
        for measure in MEASURES:
            total = sample_appraisal.totals.loc[measure, "estimate"]
            assert sample_appraisal.stands[f"{measure}_total"].sum() == pytest.approx(total)
            assert sample_appraisal.strata[f"{measure}_total"].sum() == pytest.approx(total)

    def test_products_add_up_to_stands_and_tract(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        products = sample_appraisal.products
        whole = products[products["stand"] == ""]
        by_stand = products[products["stand"] != ""].groupby("stand").sum(numeric_only=True)
        stands = sample_appraisal.stands.set_index("stand")
        for measure in MEASURES[2:]:
            total = sample_appraisal.totals.loc[measure, "estimate"]
            assert whole[measure].sum() == pytest.approx(total)
            np.testing.assert_allclose(
                by_stand[measure].reindex(stands.index), stands[f"{measure}_total"], atol=1e-6
            )

    def test_stand_and_stock_tables_add_up_to_the_tract(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        totals, acres = sample_appraisal.totals["estimate"], sample_appraisal.net_acres
        stand, stock = sample_appraisal.stand_table, sample_appraisal.stock_table
        assert stand["trees_per_acre"].sum() * acres == pytest.approx(totals["trees"])
        for measure in ("volume_cuft", "bf_doyle", "cords", "weight_tons", "value_usd"):
            assert stock[f"{measure}_per_acre"].sum() * acres == pytest.approx(totals[measure])

    def test_net_and_what_must_stay_make_the_standing_timber(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        # Each stand's mean on its acres, but for ground the tract file says is bare of timber.
        stands, kept = sample_appraisal.stands, sample_appraisal.must_stay
        pieces = sample_appraisal.pieces
        timbered = pieces[pieces["reason"] != "power line"].groupby("stand")["acres"].sum()
        per_acre = stands.set_index("stand")["volume_cuft_per_acre"]
        standing = (per_acre * timbered.reindex(per_acre.index)).sum()
        net = sample_appraisal.totals.loc["volume_cuft", "estimate"]
        assert net + kept["volume_cuft"].sum() == pytest.approx(standing)
        together = sample_appraisal.must_stay_totals.loc["volume_cuft", "estimate"]
        assert together == pytest.approx(kept["volume_cuft"].sum())

    def test_bare_ground_that_must_stay_holds_nothing(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        kept = sample_appraisal.must_stay.set_index("reason")
        assert kept.loc["power line", "acres"] > 5
        assert kept.loc["power line", list(MEASURES)].eq(0).all()
        assert (kept.loc["stream buffer", "volume_cuft"] > 0).all()

    def test_the_tract_is_surer_than_its_stands(self, sample_appraisal: standmap.Appraisal) -> None:
        tract = sample_appraisal.totals.loc["volume_cuft", "error_pct"]
        assert tract < sample_appraisal.stands["volume_cuft_error_pct"].median()

    def test_the_interval_is_t_times_the_standard_error(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        row = sample_appraisal.totals.loc["value_usd"]
        half = float(t_quantile(row["df"], 0.90)) * row["se"]
        assert row["high"] - row["estimate"] == pytest.approx(half)
        assert row["error_pct"] == pytest.approx(100 * half / row["estimate"])

    def test_the_stand_never_cruised_borrows_and_says_so(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        stands = sample_appraisal.stands.set_index("stand")
        assert (stands["plots"] == 0).sum() == 1
        name = stands.index[stands["plots"] == 0][0]
        assert stands.loc[name, "borrowed"] == "stratum"
        alike = stands[(stands["stratum"] == stands.loc[name, "stratum"]) & (stands["plots"] > 1)]
        assert stands.loc[name, "value_usd_per_acre"] == pytest.approx(
            np.average(alike["value_usd_per_acre"], weights=alike["gross_acres"])
        )
        assert any(p.value == name for p in sample_appraisal.problems)

    def test_value_is_quantity_times_price(self, sample_appraisal: standmap.Appraisal) -> None:
        whole = sample_appraisal.products[sample_appraisal.products["stand"] == ""]
        np.testing.assert_allclose(whole["quantity"] * whole["price_usd"], whole["value_usd"])


def test_the_order_of_the_tally_changes_nothing(
    sample_tract: standmap.Tract, sample_appraisal: standmap.Appraisal
) -> None:
    from dataclasses import replace

    shuffled = sample_tract.trees.sample(frac=1.0, random_state=7).reset_index(drop=True)
    again = standmap.appraise(replace(sample_tract, trees=shuffled))
    pd.testing.assert_frame_equal(again.totals, sample_appraisal.totals, rtol=1e-9)
