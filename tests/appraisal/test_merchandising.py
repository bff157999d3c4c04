"""What the choices are worth: cuts, mills and offers, all on the same logs of the same plots."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import standmap
from standmap.products import ProductSpec
from standmap.steps.cutting import METHODS
from standmap.steps.plots import figure_tally
from standmap.units import LOG_RULES


class TestWaysOfCutting:
    def test_the_chosen_way_is_the_appraisal(self, sample_appraisal: standmap.Appraisal) -> None:
        table = sample_appraisal.bucking_values
        own = table[table["method"] == sample_appraisal.settings.bucking.method]
        whole = own[own["stand"] == ""].iloc[0]
        total = sample_appraisal.totals.loc["value_usd"]
        assert whole["value_usd"] == pytest.approx(total["estimate"])
        assert whole["value_error_pct"] == pytest.approx(total["error_pct"])
        stands = sample_appraisal.stands.set_index("stand")["value_usd_total"]
        by_stand = own[own["stand"] != ""].set_index("stand")["value_usd"]
        pd.testing.assert_series_equal(by_stand, stands, check_names=False)

    def test_the_best_cut_is_nowhere_below_the_others(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        table = sample_appraisal.bucking_values
        wide = table.pivot_table(index="stand", columns="method", values="value_usd")
        assert (wide["best_value"] >= wide["top_down"] - 1e-6).all()
        assert (wide["best_value"] >= wide["field"] - 1e-6).all()

    def test_a_gain_is_surer_than_the_values_it_is_between(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        # Both cuts are of the same trees of the same plots, so most of their error is shared.
        table = sample_appraisal.bucking_values
        whole = table[table["stand"] == ""].set_index("method")
        gain = whole.loc["best_value"]
        gain_half = gain["more_than_field_usd"] * gain["more_error_pct"] / 100
        apart = np.hypot(
            *(
                whole.loc[["field", "best_value"], "value_usd"]
                * whole.loc[["field", "best_value"], "value_error_pct"]
                / 100
            )
        )
        assert gain_half < 0.25 * apart
        assert gain["more_than_field_usd"] == pytest.approx(
            gain["value_usd"] - whole.loc["field", "value_usd"]
        )

    @pytest.mark.parametrize("method", METHODS)
    def test_each_way_appraises_the_tract_and_keeps_the_accounts(
        self, sample_tract: standmap.Tract, method: str, sample_appraisal: standmap.Appraisal
    ) -> None:
        if method == sample_appraisal.settings.bucking.method:
            pytest.skip("the sample appraisal is cut this way")
        bucking = sample_tract.settings.bucking.model_copy(update={"method": method})
        settings = sample_tract.settings.model_copy(update={"bucking": bucking})
        found = standmap.appraise(replace(sample_tract, settings=settings))
        whole = found.bucking_values.query("stand == '' and method == @method").iloc[0]
        assert found.total("value_usd").mean == pytest.approx(whole["value_usd"])
        assert found.logs["value_usd"].sum() > 0
        # Basal area and trees do not depend on where a stem is cut.
        for measure in ("trees", "basal_area_sqft"):
            mean = sample_appraisal.total(measure).mean
            assert found.total(measure).mean == pytest.approx(mean)


class TestOffers:
    def test_offers_are_ranked_in_dollars_on_the_same_logs(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        offers = sample_appraisal.offers
        assert len(offers) == 3
        assert offers["value_usd"].is_monotonic_decreasing
        assert offers["rank"].tolist() == [1, 2, 3]
        best = offers["value_usd"].iloc[0]
        np.testing.assert_allclose(offers["less_than_best_usd"], best - offers["value_usd"])

    def test_a_difference_between_unit_offers_is_surer_than_either(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        offers = sample_appraisal.offers
        by_unit = offers[offers["value_error_pct"] > 0]
        half = by_unit["value_usd"] * by_unit["value_error_pct"] / 100
        apart = (by_unit["less_than_best_usd"] * by_unit["less_error_pct"] / 100).dropna()
        assert len(apart) == 1
        assert apart.iloc[0] < 0.5 * half.min()

    def test_a_lump_sum_has_no_sampling_error_of_its_own(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        lump = sample_appraisal.offers.query("value_error_pct == 0")
        assert len(lump) == 1
        assert lump["less_error_pct"].iloc[0] > 0  # what it forgoes depends on the cruise

    def test_an_offer_that_leaves_logs_unpriced_is_told_of(
        self, sample_tract: standmap.Tract
    ) -> None:
        first, *others = sample_tract.offers
        kept = tuple(p for p in first.prices.prices if p.product != "pine sawlog")
        short = replace(first, prices=replace(first.prices, prices=kept))
        tract = replace(sample_tract, offers=(short, *others))
        tally = figure_tally(tract, ledger=sample_tract.ledger.copy())
        told = [p for p in tally.problems if p.file == "offers.csv"]
        assert [p.value for p in told] == [first.offer]
        n = sum(tally.lot.products[k] == "pine sawlog" for k in tally.lot.product)
        assert f"no price for {n} of {len(tally.lot)} tallied logs" in told[0].what
        assert "pine sawlog (" in told[0].what

    def test_break_even_prices_bring_the_same_dollars(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        # $/MBF Doyle that equals $X/MBF International on these logs: the ratio of their scales.
        products = sample_appraisal.products.query("stand == '' and product == 'veneer log'")
        table = sample_appraisal.break_even
        row = table[
            (table["product"] == "veneer log")
            & (table["rule_a"] == "MBF International")
            & (table["rule_b"] == "MBF Doyle")
        ].iloc[0]
        ratio = products["bf_doyle"].sum() / products["bf_international"].sum()
        assert row["price_a_usd"] / row["price_b_usd"] == pytest.approx(ratio)


class TestMills:
    def test_every_log_sent_to_a_mill_is_in_its_total(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        mills, logs = sample_appraisal.mills, sample_appraisal.logs
        weight = _tract_weight(sample_appraisal)
        assert mills["stumpage_usd"].sum() == pytest.approx((logs["mill_usd"] * weight).sum())

    def test_limits_are_kept_and_worth_something(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        mills = sample_appraisal.mills
        limited = mills[mills["limited"]]
        assert len(limited) >= 1
        assert (limited["shadow_usd"] >= 0).all()
        ties = mills[(mills["mill"] == "tie and post yard") & (mills["unit"] == "mbf")]
        assert ties.loc[ties["product"] == "tie and pallet log", "quantity"].iloc[0] <= 200 + 1e-6

    def test_the_second_mill_is_another_mill(self, sample_appraisal: standmap.Appraisal) -> None:
        logs = sample_appraisal.logs
        both = logs[(logs["mill"] != "") & (logs["second_mill"] != "")]
        assert len(both) > 0
        assert (both["mill"] != both["second_mill"]).all()

    def test_the_second_product_never_is_the_first(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        logs = sample_appraisal.logs
        some = logs[logs["second_product"] != ""]
        assert len(some) > 0
        assert (some["second_product"] != some["product"]).all()
        assert (some["second_usd"] >= 0).all()


class TestFormClassMeasured:
    def test_it_moves_nothing_where_stems_are_national(
        self, sample_tract: standmap.Tract, sample_appraisal: standmap.Appraisal
    ) -> None:
        measured = sample_tract.trees["butt_dib_in"].notna() & sample_tract.trees["used"]
        classes = sample_appraisal.form_classes
        assert classes.loc[classes["dbh_class_in"].isna(), "n"].sum() == measured.sum() > 20
        assert sample_appraisal.form_class_effect.empty
        blank = sample_tract.trees.assign(butt_dib_in=np.nan)
        without = standmap.appraise(replace(sample_tract, trees=blank))
        np.testing.assert_array_equal(without.totals, sample_appraisal.totals)

    def test_where_it_shapes_stems_its_effect_is_the_difference_it_makes(
        self, sample_tract: standmap.Tract
    ) -> None:
        volume = sample_tract.settings.volume.model_copy(update={"source": "form_class"})
        settings = sample_tract.settings.model_copy(update={"volume": volume})
        found = standmap.appraise(replace(sample_tract, settings=settings))
        blank = sample_tract.trees.assign(butt_dib_in=np.nan)
        without = standmap.appraise(replace(sample_tract, settings=settings, trees=blank))
        effect = found.form_class_effect.set_index("species")
        for rule in LOG_RULES:
            whole = effect.loc["all"]
            assert whole[f"bf_{rule}_used"] == pytest.approx(found.total(f"bf_{rule}").mean)
            assert whole[f"bf_{rule}_default"] == pytest.approx(without.total(f"bf_{rule}").mean)
        # About 3 percent of board feet to a point of form class (Mesavage and Girard 1946). The
        # middle species, since one that loses a whole log at a mill's least diameter moves by more.
        by_species = effect.drop(index="all")
        points = by_species["form_class_used"] - by_species["form_class_default"]
        moved = by_species[(points.abs() >= 2) & (by_species["trees"] >= 10)]
        per_point = moved["bf_international_change_pct"] / points[moved.index]
        assert len(per_point) >= 4
        assert per_point.median() == pytest.approx(3.0, abs=0.5)


class TestOwnTaper:
    def test_stems_may_come_from_the_users_own_table(
        self, sample_tract: standmap.Tract, sample_appraisal: standmap.Appraisal
    ) -> None:
        from standmap.trees import taper_table

        share = np.array([0.0, 0.05, 0.2, 0.4, 0.6, 0.8, 0.95])
        cone = pd.DataFrame(
            {"species": "any", "height_share": share, "dib_pct": 92 * (1 - share) / 0.95,
             "dob_pct": 100 * (1 - share) / 0.95}
        )  # fmt: skip
        classes = pd.concat([cone.assign(dbh_in=dbh) for dbh in (8.0, 20.0)])
        volume = sample_tract.settings.volume.model_copy(
            update={"source": "taper", "taper": "my_stems.csv"}
        )
        settings = sample_tract.settings.model_copy(update={"volume": volume})
        tract = replace(sample_tract, settings=settings, taper=taper_table(classes))
        found = standmap.appraise(tract)
        # A cone holds less than a real stem of the same diameter and height.
        assert found.total("volume_cuft").mean < sample_appraisal.total("volume_cuft").mean
        told = [p for p in found.problems if p.file == "my_stems.csv"]
        assert [p.severity for p in told] == ["warning"]
        assert "beyond the DBH classes of the taper table" in told[0].what

    def test_coefficients_that_make_no_stem_are_a_fault_of_their_file(
        self, sample_tract: standmap.Tract
    ) -> None:
        from standmap.trees import own_taper

        sheet = pd.DataFrame(
            {"species": [""], "form": "kozak", "b0": 0.2, "b1": 1.0, "b2": -1.2,
             "dob_over_dib": 1.1}
        )  # fmt: skip
        volume = sample_tract.settings.volume.model_copy(
            update={"source": "taper", "taper": "my_stems.csv"}
        )
        settings = sample_tract.settings.model_copy(update={"volume": volume})
        with pytest.raises(standmap.errors.InputError, match=r"my_stems.csv: .*grows with height"):
            standmap.appraise(replace(sample_tract, settings=settings, taper=own_taper(sheet)))


def _tract_weight(appraisal: standmap.Appraisal) -> pd.Series:
    """Logs of the tract that each tallied log stands for, from the stands' acres by hand."""
    stands = appraisal.stands.set_index("stand")
    own = stands["net_acres"] / stands["plots"]
    lent = stands.loc[stands["borrowed"] != "", ["stratum", "net_acres"]]
    weight = own.where(stands["plots"] > 0)
    for stratum, acres in lent.itertuples(index=False):
        alike = (stands["stratum"] == stratum) & (stands["plots"] > 1)
        share = stands.loc[alike, "gross_acres"] / stands.loc[alike, "gross_acres"].sum()
        weight[alike] += acres * share / stands.loc[alike, "plots"]
    stand = appraisal.plots.set_index("plot")["stand"]
    logs = appraisal.logs
    return logs["trees_per_acre"] * logs["plot"].map(stand).map(weight).astype(float)


def test_a_product_only_a_call_can_make_is_not_made_without_one(
    sample_tract: standmap.Tract, sample_appraisal: standmap.Appraisal
) -> None:
    called = [s for s in sample_tract.products if isinstance(s, ProductSpec) and s.called_only]
    assert called
    trees = sample_appraisal.trees
    for spec in called:
        rows = sample_appraisal.logs.query("product == @spec.product")["tally_row"]
        made = trees[trees["source_row"].isin(rows)]
        assert (made["product"] == spec.product).all()
