"""Gross and net scale, cubic metres, and how firm a cut is: parts make wholes in all of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import standmap
from standmap.products import Logs
from standmap.steps.money import SoldLogs
from standmap.steps.sampling import LINE_MEASURES, MEASURES, plot_values
from standmap.steps.tables import defect_shares
from standmap.units import CUM_PER_CUFT, FT_PER_M, LOG_RULES

RTOL = 1e-9
GROSS = [f"gross_bf_{rule}" for rule in LOG_RULES]
NET = [f"bf_{rule}" for rule in LOG_RULES]


def _logs(tree: np.ndarray, gross_bf: np.ndarray, defect_pct: np.ndarray) -> Logs:
    n = len(tree)
    each = np.ones(n)
    return Logs(
        products=("saw",),
        tree_offsets=np.searchsorted(tree, np.arange(tree.max(initial=-1) + 2)),
        tree=tree.astype(np.int32),
        log=np.ones(n, dtype=np.int32),
        product=np.zeros(n, dtype=np.int32),
        bottom_ft=each,
        length_ft=16 * each,
        small_dib_in=12 * each,
        large_dib_in=13 * each,
        small_dob_in=13 * each,
        gross_bf=gross_bf,
        bf=gross_bf * (1 - defect_pct / 100)[:, np.newaxis],
        volume_cuft=gross_bf.sum(axis=1) / 20,
        bark_cuft=each,
        cords=0 * each,
        weight_tons=each,
        defect_pct=defect_pct,
    )


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_net_is_never_above_gross_and_sale_lines_make_the_total_of_both(
    data: st.DataObject,
) -> None:
    n, lines, plots = (data.draw(st.integers(1, most)) for most in (30, 4, 5))
    rng = np.random.default_rng(data.draw(st.integers(0, 2**32 - 1)))
    tree = np.sort(rng.integers(0, 8, n))
    defect = np.where(rng.random(n) < 0.3, rng.choice([0.0, 100.0], n), 100 * rng.random(n))
    logs = _logs(tree, 400 * rng.random((n, 4)), defect)
    sold = SoldLogs(
        line=rng.integers(0, lines, n),
        value_usd=rng.random(n),
        lines=pd.DataFrame({"product": range(lines)}),
        problems=[],
    )
    values = plot_values(
        n_plots=plots,
        plot_of_tree=rng.integers(0, plots, 8),
        factor=1 + 20 * rng.random(8),
        dbh_in=np.full(8, 14.0),
        logs=logs,
        sold=sold,
    )
    totals = pd.DataFrame(values[:, : len(MEASURES)], columns=list(MEASURES))
    parts = values[:, len(MEASURES) :].reshape(plots, lines, len(LINE_MEASURES)).sum(axis=1)
    by_line = pd.DataFrame(parts, columns=list(LINE_MEASURES))
    for gross, net in zip(GROSS, NET, strict=True):
        assert (totals[net] <= totals[gross] * (1 + RTOL)).all()
        np.testing.assert_allclose(by_line[[gross, net]], totals[[gross, net]], rtol=RTOL)
    shares = defect_shares(totals).dropna().to_numpy()
    assert ((shares >= -1e-9) & (shares <= 100 + 1e-9)).all()


class TestGrossAndNet:
    def test_products_make_the_tract_before_and_after_defect(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        products = sample_appraisal.products
        whole = products[products["stand"] == ""]
        for name in (*GROSS, *NET, "volume_cum"):
            total = sample_appraisal.total(name).mean
            assert whole[name].sum() == pytest.approx(total, rel=RTOL)
            by_stand = products[products["stand"] != ""].groupby("stand")[name].sum()
            stands = sample_appraisal.stands.set_index("stand")[f"{name}_total"]
            np.testing.assert_allclose(by_stand.reindex(stands.index), stands, rtol=RTOL)

    @pytest.mark.parametrize(
        ("table", "ending"),
        [("stands", "_total"), ("strata", "_per_acre"), ("products", ""), ("units", "_total"),
         ("unit_products", ""), ("stock_table", "_per_acre"), ("plots", "_per_acre"), ("trees", ""),
         ("must_stay", ""), ("logs", "")],
    )  # fmt: skip
    def test_every_table_has_both_and_net_is_never_above_gross(
        self, sample_appraisal: standmap.Appraisal, table: str, ending: str
    ) -> None:
        frame = getattr(sample_appraisal, table)
        less = 0
        for gross, net in zip(GROSS, NET, strict=True):
            both = frame[[f"{gross}{ending}", f"{net}{ending}"]].dropna().to_numpy()
            assert (both[:, 1] <= both[:, 0] * (1 + RTOL) + 1e-9).all()
            less += int((both[:, 1] < both[:, 0] - 1e-6).sum())
        assert less > 0  # some timber here has defect

    def test_the_share_that_defect_takes_is_of_the_gross(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        stand = sample_appraisal.stands.iloc[3]
        share = 100 * (1 - stand["bf_doyle_total"] / stand["gross_bf_doyle_total"])
        assert stand["defect_doyle_pct"] == pytest.approx(share)
        assert share > 0


class TestCubicMetres:
    def test_a_cubic_metre_is_the_cube_of_the_metre_in_feet(self) -> None:
        # The international foot is exactly 0.3048 m (1959 agreement); 35.3147 cu ft to the cubic
        # metre is printed in NIST Special Publication 811 (2008), appendix B, from memory.
        assert 1 / CUM_PER_CUFT == pytest.approx(FT_PER_M**3, rel=1e-14)
        assert 1 / CUM_PER_CUFT == pytest.approx(35.3147, abs=5e-5)

    @settings(max_examples=50, deadline=None)
    @given(st.floats(0, 1e9))
    def test_there_and_back_is_where_it_began(self, cuft: float) -> None:
        assert cuft * CUM_PER_CUFT * FT_PER_M**3 == pytest.approx(cuft, rel=1e-12)

    @pytest.mark.parametrize(
        ("table", "ending"),
        [("stands", "_total"), ("strata", "_per_acre"), ("products", ""), ("units", "_total"),
         ("unit_products", ""), ("stock_table", "_per_acre"), ("plots", "_per_acre"), ("trees", ""),
         ("must_stay", ""), ("logs", "")],
    )  # fmt: skip
    def test_wherever_there_are_cubic_feet_there_are_cubic_metres(
        self, sample_appraisal: standmap.Appraisal, table: str, ending: str
    ) -> None:
        frame = getattr(sample_appraisal, table)
        metres = frame[f"volume_cum{ending}"].to_numpy(dtype=float)
        feet = frame[f"volume_cuft{ending}"].to_numpy(dtype=float)
        np.testing.assert_allclose(metres * FT_PER_M**3, feet, rtol=RTOL)
        assert np.nansum(feet) > 0


class TestHowFirmACutIs:
    def test_products_and_stands_each_make_the_tract(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        found = sample_appraisal.risks.firmness
        whole = found.iloc[0]
        assert (whole["stand"], whole["product"]) == ("", "")
        assert whole["value_usd"] == pytest.approx(sample_appraisal.total("value_usd").mean)
        for rows in (found[found["product"] != ""], found[found["stand"] != ""]):
            for column in ("value_usd", "second_usd", "less_usd", "no_other_usd"):
                assert rows[column].sum() == pytest.approx(whole[column], rel=RTOL)
        assert found.loc[found["product"] != "", "logs"].sum() == whole["logs"]
        assert whole["logs"] == len(sample_appraisal.logs)

    def test_the_second_value_is_the_logs_own_by_the_plots_weights(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        # One stand by hand: mean of its plots' sums per acre, times its net acres.
        stand = sample_appraisal.stands.query("plots == 10").iloc[0]
        plots = sample_appraisal.plots.query("stand == @stand.stand")["plot"]
        logs = sample_appraisal.logs[sample_appraisal.logs["plot"].isin(plots)]
        usd = (logs["second_usd"].fillna(0) * logs["trees_per_acre"]).sum() / len(plots)
        row = sample_appraisal.risks.firmness.query("stand == @stand.stand").iloc[0]
        assert row["second_usd"] == pytest.approx(usd * stand["net_acres"])
        assert row["less_usd"] == pytest.approx(row["value_usd"] - row["second_usd"])

    def test_the_error_of_the_difference_is_of_the_plots_own_differences(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        whole = sample_appraisal.risks.firmness.iloc[0]
        half = {n: whole[f"{n}_usd"] * whole[f"{n}_error_pct"] / 100
                for n in ("value", "second", "less")}  # fmt: skip
        # Both ride on the same logs, so the difference is surer than two cruises' would be.
        assert half["less"] < np.hypot(half["value"], half["second"])
        assert half["less"] >= half["value"] - half["second"] - 1e-6

    def test_without_prices_or_mills_nothing_is_firm(
        self, sample_tract: standmap.Tract, sample_appraisal: standmap.Appraisal
    ) -> None:
        unpriced = standmap.appraise(replace(sample_tract, prices=None, mills=None))
        assert unpriced.risks.firmness.empty
        assert unpriced.risks.unsold.empty
        assert unpriced.risks.limits_cost_usd == 0
        assert list(unpriced.risks.firmness) == list(sample_appraisal.risks.firmness)


class TestWhatNoMillTakes:
    def test_sold_and_unsold_make_the_whole_weight(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        sold = sample_appraisal.mills["tons"].sum()
        left = sample_appraisal.risks.unsold["tons"].sum()
        assert sold + left == pytest.approx(sample_appraisal.total("weight_tons").mean)
        assert left > 0

    def test_limits_cost_what_lifting_them_brings(
        self, sample_tract: standmap.Tract, sample_appraisal: standmap.Appraisal
    ) -> None:
        mills = sample_tract.mills
        assert mills is not None
        lines = tuple(replace(line, limit=np.inf, limit_loads=np.inf) for line in mills.lines)
        free = standmap.appraise(replace(sample_tract, mills=replace(mills, lines=lines)))
        more = free.mills["stumpage_usd"].sum() - sample_appraisal.mills["stumpage_usd"].sum()
        assert sample_appraisal.risks.limits_cost_usd == pytest.approx(more, rel=1e-6)
        assert more > 0
        assert free.risks.limits_cost_usd == pytest.approx(0, abs=0.01)
        assert not (free.risks.unsold["reason"] == "mills full").any()
        assert free.mills["limit"].isna().all()
