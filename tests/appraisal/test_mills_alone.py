"""A tract with mills and no price sheet: every log at the mill that nets most, or a stated one."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import standmap
from standmap.steps.cutting import METHODS
from standmap.steps.plots import figure_tally
from standmap.value import send_to

SAMPLE = Path(__file__).parents[2] / "sample_gis"
RIVER = "hardwood mill river"


def by_mills(tract: standmap.Tract, **bucking: str) -> standmap.Tract:
    settings = tract.settings.model_copy(
        update={"prices": None, "bucking": tract.settings.bucking.model_copy(update=bucking)}
    )
    return replace(tract, prices=None, settings=settings)


@pytest.fixture(scope="module")
def top_down(sample_tract: standmap.Tract) -> standmap.Appraisal:
    return standmap.appraise(by_mills(sample_tract))


@pytest.fixture(scope="module")
def best(sample_tract: standmap.Tract) -> standmap.Appraisal:
    return standmap.appraise(by_mills(sample_tract, method="best_value"))


@pytest.fixture(scope="module")
def sent(tmp_path_factory: pytest.TempPathFactory) -> standmap.Appraisal:
    folder = tmp_path_factory.mktemp("sent")
    shutil.copytree(SAMPLE, folder, dirs_exist_ok=True)
    text = (folder / "tract.toml").read_text()
    text = text.replace('[prices]\nfile = "prices.csv"', "")
    text = text.replace("[costs]", f'[mills.send]\n"hardwood sawlog" = "{RIVER}"\n\n[costs]', 1)
    (folder / "tract.toml").write_text(text)
    return standmap.appraise(standmap.read_tract(folder))


class TestWaysOfCutting:
    def test_best_value_is_nowhere_below_the_others(self, top_down: standmap.Appraisal) -> None:
        table = top_down.bucking_values
        wide = table.pivot_table(index="stand", columns="method", values="value_usd")
        assert len(wide) == 1 + len(top_down.stands)
        assert (wide["best_value"] >= wide["top_down"] - 1e-6).all()
        assert (wide["best_value"] >= wide["field"] - 1e-6).all()
        assert wide.at["", "best_value"] > 1.05 * wide.at["", "top_down"]

    def test_what_it_is_worth_does_not_depend_on_the_way_that_is_chosen(
        self, top_down: standmap.Appraisal, best: standmap.Appraisal
    ) -> None:
        one, other = (a.bucking_values.set_index(["stand", "method"]) for a in (top_down, best))
        np.testing.assert_allclose(one["value_usd"], other["value_usd"], rtol=1e-12)
        assert best.total("value_usd").mean == pytest.approx(
            one.at[("", "best_value"), "value_usd"]
        )
        assert set(one.index.get_level_values("method")) == set(METHODS)

    def test_every_log_is_worth_what_its_best_mill_leaves(self, best: standmap.Appraisal) -> None:
        logs = best.logs
        sold = logs["value_usd"] > 0
        most = logs[["mill_usd", "second_mill_usd"]].max(axis=1)  # a full mill passes a log on
        assert (logs.loc[sold, "value_usd"] >= most[sold] - 1e-9).all()
        # What nobody takes is not cut: every log of this cut is paid for.
        assert sold.all()

    def test_nothing_is_said_of_missing_prices(self, best: standmap.Appraisal) -> None:
        assert not any("no [prices]" in p.what for p in best.problems)


class TestStatedMill:
    def test_its_product_goes_nowhere_else(
        self, sent: standmap.Appraisal, top_down: standmap.Appraisal
    ) -> None:
        mills = sent.mills.loc[sent.mills["product"] == "hardwood sawlog", "mill"]
        assert set(mills) == {RIVER}
        free = top_down.mills.loc[top_down.mills["product"] == "hardwood sawlog", "mill"]
        assert set(free) > {RIVER}
        assert sent.total("value_usd").mean < top_down.total("value_usd").mean

    def test_what_it_does_not_take_is_told_of(self, sent: standmap.Appraisal) -> None:
        told = [p for p in sent.problems if p.column == "mills.send.hardwood sawlog"]
        assert len(told) == 1
        assert f"'{RIVER}', where this product is sent, does not take" in told[0].what
        assert told[0].file == "tract.toml"

    def test_the_page_says_where_it_is_sent(self, sent: standmap.Appraisal) -> None:
        page = standmap.report.merchandising_html(sent)
        assert f"hardwood sawlog to {RIVER}" in page

    @pytest.mark.parametrize("method", ["top_down", "best_value"])
    @pytest.mark.parametrize("priced", [True, False])
    def test_a_mill_that_takes_none_of_it_is_told_of(
        self, sample_tract: standmap.Tract, method: str, priced: bool
    ) -> None:
        sheet = sample_tract.mills
        assert sheet is not None
        large = [
            replace(x, min_dib_in=90.0) if x.product == "cedar log" else x for x in sheet.lines
        ]
        narrow, problems = send_to(
            replace(sheet, lines=tuple(large)),
            {"cedar log": "tie and post yard"},
            file="tract.toml",
            products=[spec.product for spec in sample_tract.products],
        )
        assert not problems
        tract = by_mills(sample_tract, method=method)
        if priced:
            tract = replace(tract, prices=sample_tract.prices, settings=sample_tract.settings)
        ledger = sample_tract.ledger.copy()
        tally = figure_tally(replace(tract, mills=narrow), ledger=ledger)
        told = [p for p in tally.problems if p.column == "mills.send.cedar log"]
        assert len(told) == 1
        assert "'tie and post yard', where this product is sent, takes none" in told[0].what
        assert "eastern redcedar" in told[0].what
