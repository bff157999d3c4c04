"""What a total hangs on, under designs with plots to leave out and under those without."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import standmap
from standmap.cruise import three_p_total
from standmap.report.cruise_page import cruise_html, cruise_lines

CUFT = "volume_cuft"


def called(wood) -> pd.DataFrame:
    trees = wood.some_trees(["A1"], [60], seed=4)
    trees["kpi"] = (trees["dbh_in"] ** 2).round()
    trees["measured"] = np.where(np.arange(60) % 6 == 0, "yes", "no")
    trees.loc[[7, 31], ["kpi", "measured"]] = [[900.0, "yes"], [800.0, "yes"]]
    wood.only_stand("A")
    keys = 'design = "complete"\nestimator = "three_p"\nkpi_ceiling = 700'
    wood.cruise(keys, wood.listed("A"), trees)
    return trees


def test_a_drawn_tree_left_out_is_the_estimate_without_it(wood) -> None:
    trees = called(wood)
    found = wood.appraise()
    heavy = found.cruise.heavy_trees
    measure = found.cruise.measure
    assert (measure, found.cruise.leverage.empty) == ("value_usd", True)
    used = found.trees[found.trees["used"]]
    left = float(trees.loc[trees["kpi"] < 700, "kpi"].sum())
    total = found.total(measure).mean
    for row in heavy.head(5).to_dict("records"):
        rest = used[used["tree"] != row["tree"]]
        without = three_p_total(rest[measure], rest["kpi"], ceiling=700, prediction_sum=left)
        assert row["change_pct"] == pytest.approx(100 * (without.mean - total) / total, rel=1e-9)
    assert (heavy["change_pct"].abs().diff().dropna() <= 1e-9).all()
    assert "trees" in cruise_html(found)
    first = heavy.iloc[0]
    line = dict(cruise_lines(found))["Most weight"]
    assert line.startswith(f"Without the {first['dbh_in']:g}-inch {first['species']} (tree ")


def test_shares_of_drawn_trees_add_up_to_the_total(wood) -> None:
    called(wood)
    found = wood.appraise()
    used = found.trees[found.trees["used"]]
    heavy = found.cruise.heavy_trees.set_index("tree")
    for name, row in heavy.iterrows():
        own = used.set_index("tree").loc[name]
        brought = row["stands_for"] * own["value_usd"]
        assert row["share_pct"] == pytest.approx(100 * brought / found.total("value_usd").mean)
    assert (heavy["stands_for"] >= 1 - 1e-9).all()


def test_a_tree_of_a_whole_tally_takes_its_own_figure_with_it(wood) -> None:
    trees = wood.some_trees(["A1", "B2"], [20, 15], seed=4)
    wood.cruise('design = "complete"', wood.listed("AB"), trees)
    found = wood.appraise()
    best = found.trees.sort_values("value_usd", ascending=False).iloc[0]
    first = found.cruise.heavy_trees.iloc[0]
    assert (first["plot"], first["tree"]) == (best["plot"], best["tree"])
    share = 100 * best["value_usd"] / found.total("value_usd").mean
    assert first["change_pct"] == pytest.approx(-share, rel=1e-9)
    assert first["stands_for"] == pytest.approx(1)


def points(wood, each: list[int]) -> standmap.Appraisal:
    plots = wood.listed("A" * len(each))
    trees = wood.some_trees(list(plots["plot"]), each).assign(dbh_in=14.0, height_ft=70.0)
    wood.only_stand("A")
    wood.cruise('design = "point"\nbaf = 10', plots, trees.assign(species="white oak"))
    return wood.appraise()


def test_a_plot_far_off_its_stand_is_pointed_out(wood) -> None:
    each = [4, 6, 5, 7, 5, 4, 6, 5, 5, 6, 4, 30]
    found = points(wood, each)
    heavy = found.cruise.leverage.set_index("plot")
    # The outside check: the twelfth point against the mean and spread of the eleven others.
    rest = np.array(each[:-1])
    off = (30 - rest.mean()) / (rest.std(ddof=1) * np.sqrt(1 + 1 / 11))
    assert heavy.loc["A12", "off_sd"] == pytest.approx(off, rel=1e-9)
    assert (heavy["off_sd"].abs() >= 3).sum() == 1
    assert "3 standard deviations or more off the other plots" in cruise_html(found)
    assert found.cruise.heavy_trees.empty


def test_a_handful_of_plots_cannot_tell_which_is_far_off(wood) -> None:
    assert points(wood, [4, 6, 5, 30]).cruise.leverage["off_sd"].isna().all()


def test_plots_by_the_thousand_are_re_drawn_too(wood) -> None:
    rng = np.random.default_rng(2)
    each = rng.poisson(4, 900).tolist()
    checks = points(wood, each).cruise.checks.set_index("measure").loc["value_usd"]
    by_t = (checks["high"] - checks["low"]) / checks["estimate"]
    again = (checks["bootstrap_high"] - checks["bootstrap_low"]) / checks["estimate"]
    assert again == pytest.approx(by_t, rel=0.1)  # figures without skew, many plots


def test_a_page_on_drawn_trees_does_not_speak_of_plots(wood) -> None:
    called(wood)
    page = cruise_html(wood.appraise())
    assert "as far as the luck of the draw goes" in page
    assert "The bootstrap draws the measured trees again" in page
    assert "Trees to be measured must have been drawn by chance" in page
    for words in ("Plots differ by", "As random", "the plots fallen elsewhere"):
        assert words not in page.partition('id="guide"')[0]
