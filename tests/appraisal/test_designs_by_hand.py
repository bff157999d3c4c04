"""Ways of choosing trees, read from files and appraised, held to figures counted by hand.

Trees here have round diameters, so that basal areas and expansion factors can be checked on paper:
a tree of 12 inches has 0.7854 square feet of basal area, and at BAF 10 stands for 12.73 per acre.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import standmap
from standmap.cruise import Estimate, simple_random_mean, stratified_mean
from standmap.report.cruise_page import cruise_lines
from standmap.units import BASAL_AREA_CONSTANT

CUFT = "volume_cuft"


def tallied(rows: list[tuple[str, float, int]]) -> pd.DataFrame:
    """White oaks as ``(plot, dbh_in, count)``, 60 feet tall and up."""
    trees = pd.DataFrame(rows, columns=["plot", "dbh_in", "count"])
    return trees.assign(species="white oak", height_ft=40 + 2 * trees["dbh_in"])


def square_feet(dbh_in: float) -> float:
    return BASAL_AREA_CONSTANT * dbh_in**2


def per_acre(found: standmap.Appraisal, measure: str) -> Estimate:
    return found.total(measure).times(1 / found.net_acres)


def same_volume(found: standmap.Appraisal) -> None:
    """Trees' own volumes x what each stands for, plot by plot, are the plots' figures."""
    used = found.trees[found.trees["used"]]
    made = (used[CUFT] * used["trees_per_acre"]).groupby(used["plot"]).sum()
    plots = found.plots.set_index("plot")[f"{CUFT}_per_acre"]
    pd.testing.assert_series_equal(
        plots, made.reindex(plots.index, fill_value=0.0), check_names=False, rtol=1e-9
    )


def test_round_plots_by_their_radius(wood) -> None:
    # 37.24 ft round is a tenth of an acre, within 2 in 10,000: a tree stands for ten.
    trees = tallied([("A1", 12, 6), ("A2", 12, 4), ("A2", 16, 2), ("A4", 16, 8)])
    wood.only_stand("A")
    wood.cruise('design = "fixed"\nplot_radius_ft = 37.24', wood.listed("AAAA"), trees)
    found = wood.appraise()
    stems = per_acre(found, "trees")
    assert stems.mean == pytest.approx(10 * (6 + 6 + 0 + 8) / 4, rel=3e-4)  # A3 was empty
    # 60, 60, 0, 80: squares about 50 sum to 3,600; over 3 and 4 plots, 300.
    assert stems.se == pytest.approx(np.sqrt(300), rel=3e-4)
    basal = per_acre(found, "basal_area_sqft")
    thin, thick = square_feet(12), square_feet(16)
    assert basal.mean == pytest.approx(10 * (10 * thin + 10 * thick) / 4, rel=3e-4)
    same_volume(found)


def test_plots_each_of_its_own_size(wood) -> None:
    trees = tallied([("A1", 12, 6), ("A2", 12, 6), ("A3", 12, 6)])
    plots = wood.listed("AAA", plot_acres=[0.1, 0.2, 0.05])
    wood.only_stand("A")
    wood.cruise('design = "fixed"', plots, trees)
    stems = per_acre(wood.appraise(), "trees")
    assert stems.mean == pytest.approx((60 + 30 + 120) / 3, rel=1e-9)


def test_strips_weigh_by_their_acres(wood) -> None:
    # Half an acre with 4 trees, an acre with 10: 14 on 1.5 acres, not the mean of 8 and 10.
    plots = wood.listed("AA", plot_acres=[0.5, 1.0])
    trees = tallied([("A1", 12, 4), ("A2", 12, 10)])
    wood.only_stand("A")
    wood.cruise('design = "strip"', plots, trees)
    found = wood.appraise()
    stems = per_acre(found, "trees")
    assert stems.mean == pytest.approx(14 / 1.5, rel=1e-9)
    # Each is 2/3 of a tree off: sqrt(2/1 x (4/9 + 4/9)) / 1.5 acres.
    assert stems.se == pytest.approx(np.sqrt(2 * 8 / 9) / 1.5, rel=1e-9)
    assert stems.df == pytest.approx(1)
    assert found.cruise.strata["estimator"].iloc[0] == "the mean of the plots, each by its acres"
    same_volume(found)


def test_a_half_strip_weighs_half(wood) -> None:
    # Half of the acre strip was walked: 5 trees on 0.5 acre are as many per acre as before.
    plots = wood.listed("AA", plot_acres=[0.5, 1.0], share=[1, 0.5])
    trees = tallied([("A1", 12, 4), ("A2", 12, 5)])
    wood.only_stand("A")
    wood.cruise('design = "strip"', plots, trees)
    assert per_acre(wood.appraise(), "trees").mean == pytest.approx(9 / 1.0, rel=1e-9)


@pytest.mark.parametrize(("share", "left"), [(1.0, 1 - 8 / 39.537), (0.5, 1 - 6 / 39.537)])
def test_what_was_seen_of_a_stand_counts_half_plots_by_half(
    wood, share: float, left: float
) -> None:
    trees = tallied([("A1", 12, 9), ("A2", 12, 6), ("A3", 12, 4), ("A4", 12, 5)])
    sure = []
    for keys in ("", "finite_population = true"):
        plots = wood.listed("AAAA", share=[share, share, 1, 1])
        wood.only_stand("A")
        wood.cruise(f'design = "fixed"\nplot_acres = 2\n{keys}', plots, trees)
        sure.append(per_acre(wood.appraise(), "trees").se)
    assert (sure[1] / sure[0]) ** 2 == pytest.approx(left, rel=1e-3)


NESTED = """\
design = "point"

[[cruise.parts]]
max_dbh_in = 4.9
design = "fixed"
plot_acres = 0.01

[[cruise.parts]]
min_dbh_in = 5.0
max_dbh_in = 9.9
design = "fixed"
plot_acres = 0.05

[[cruise.parts]]
min_dbh_in = 10.0
baf = 10
"""


def test_nested_plots_give_each_tree_to_the_part_of_its_size(wood) -> None:
    rows = [("A1", 3, 2), ("A1", 4.9, 1), ("A1", 5, 1), ("A1", 12, 2), ("A2", 9.9, 3)]
    wood.only_stand("A")
    wood.cruise(NESTED, wood.listed("AA"), tallied(rows))
    found = wood.appraise()
    each = found.trees.set_index(["plot", "dbh_in"])["trees_per_acre"]
    assert each["A1", 3] == pytest.approx(200)
    assert each["A1", 4.9] == pytest.approx(100)
    assert each["A1", 5] == pytest.approx(20)
    assert each["A1", 12] == pytest.approx(2 * 10 / 0.7854, rel=1e-4)
    assert each["A2", 9.9] == pytest.approx(60)
    stems = per_acre(found, "trees")
    one, two = 200 + 100 + 20 + 2 * 10 / square_feet(12), 60.0
    assert stems.mean == pytest.approx((one + two) / 2, rel=1e-9)
    assert stems.se == pytest.approx(abs(one - two) / 2, rel=1e-9)
    same_volume(found)


def test_two_factors_by_diameter(wood) -> None:
    # Poles by BAF 5, sawtimber by BAF 20.
    keys = """\
design = "point"

[[cruise.parts]]
max_dbh_in = 9.9
baf = 5

[[cruise.parts]]
min_dbh_in = 10.0
baf = 20
"""
    wood.only_stand("A")
    trees = tallied([("A1", 8, 3), ("A1", 16, 2), ("A2", 8, 1), ("A2", 16, 4)])
    wood.cruise(keys, wood.listed("AA"), trees)
    found = wood.appraise()
    basal = per_acre(found, "basal_area_sqft")
    assert basal.mean == pytest.approx((3 * 5 + 2 * 20 + 1 * 5 + 4 * 20) / 2, rel=1e-9)
    stems = (4 * 5 / square_feet(8) + 6 * 20 / square_feet(16)) / 2
    assert per_acre(found, "trees").mean == pytest.approx(stems, rel=1e-9)
    same_volume(found)


def test_points_each_of_its_own_factor_and_strata_of_theirs(wood) -> None:
    wood.layer("stands.gpkg", 2, stand=["A", "B"], stratum=["oak", "pine"])
    keys = 'design = "point"\nbaf = 10\n\n[[cruise.parts]]\nstratum = "pine"\nbaf = 30\n'
    plots = wood.listed("AAABB", baf=[np.nan, 20, 40, np.nan, np.nan])
    rows = [("A1", 12, 6), ("A2", 14, 3), ("A3", 18, 2), ("B4", 16, 5), ("B5", 10, 3)]
    wood.cruise(keys, plots, tallied(rows))
    found = wood.appraise()
    stands = found.stands.set_index("stand")["basal_area_sqft_per_acre"]
    assert stands["A"] == pytest.approx((60 + 60 + 80) / 3, rel=1e-9)
    assert stands["B"] == pytest.approx((150 + 90) / 2, rel=1e-9)
    assert found.cruise.strata["design"].tolist() == ["points of BAF 10", "points of BAF 30"]
    same_volume(found)


def test_a_whole_tally_of_which_some_heights_were_measured(wood) -> None:
    rng = np.random.default_rng(3)
    dbh = rng.uniform(6, 24, 60).round(1)
    true = 4.5 + 85 * (1 - np.exp(-0.09 * dbh))
    measured = np.arange(60) % 3 == 0
    trees = pd.DataFrame(
        {
            "plot": "A1",
            "species": "white oak",
            "dbh_in": dbh,
            "height_ft": np.where(measured, true.round(1), np.nan),
            "count": np.where(np.arange(60) % 4 == 0, 2, 1),
        }
    )
    wood.only_stand("A")
    wood.cruise('design = "complete"', wood.listed("A"), trees)
    found = wood.appraise()
    assert found.total("trees").mean == pytest.approx(75)
    assert found.total("trees").se == 0
    section = (square_feet(1) * dbh**2 * trees["count"]).sum()
    assert found.total("basal_area_sqft").mean == pytest.approx(section, rel=1e-9)
    tally = found.trees
    assert (tally["height_source"] == "fitted").sum() == 40
    np.testing.assert_array_equal(tally.loc[measured, "height_used_ft"], true[measured].round(1))
    # Heights on a smooth curve: the others are filled within a foot or two of it.
    np.testing.assert_allclose(tally["height_used_ft"], true, atol=2.0)
    whole = (tally[CUFT] * tally["count"]).sum()
    assert found.total(CUFT).mean == pytest.approx(whole, rel=1e-9)
    assert found.total(CUFT).sampling_error_pct == 0


def test_two_tally_sheets_of_one_stand_add_up(wood) -> None:
    trees = tallied([("A1", 12, 6), ("A2", 16, 5)])
    wood.only_stand("A")
    wood.cruise('design = "complete"', wood.listed("AA"), trees)
    found = wood.appraise()
    assert found.total("trees").mean == pytest.approx(11)
    basal = 6 * square_feet(12) + 5 * square_feet(16)
    assert found.total("basal_area_sqft").mean == pytest.approx(basal, rel=1e-9)


@pytest.mark.parametrize("split", ["AAAABBBB", "AAAAAABB", "AABBBBBB"])
def test_strata_add_up_however_the_plots_were_shared_out(wood, split: str) -> None:
    # A is three times as wide as B.
    wood.layer("stands.gpkg", 4, stand=["A", "A", "A", "B"], stratum=[*["oak"] * 3, "pine"])
    each = [4, 6, 9, 8, 5, 3, 11, 4]
    plots = wood.listed(split)
    trees = wood.some_trees(list(plots["plot"]), each)
    wood.cruise('design = "point"\nbaf = 10', plots, trees)
    found = wood.appraise()
    x = 10.0 * np.array(each)
    own = np.array([s == "A" for s in split])
    apart = [simple_random_mean(x[own]), simple_random_mean(x[~own])]
    known = stratified_mean(apart, found.stands.set_index("stand").loc[["A", "B"], "net_acres"])
    basal = per_acre(found, "basal_area_sqft")
    assert basal.mean == pytest.approx(known.mean, rel=1e-9)
    assert basal.se == pytest.approx(known.se, rel=1e-9)
    # Satterthwaite by hand, on shares of three to one.
    parts = np.array([(w * e.se) ** 2 for w, e in zip([0.75, 0.25], apart, strict=True)])
    df = parts.sum() ** 2 / (parts**2 / [e.df for e in apart]).sum()
    assert basal.df == pytest.approx(df, rel=1e-5)
    strata = found.strata.set_index("stratum")
    assert strata.loc["oak", "basal_area_sqft_per_acre"] == pytest.approx(apart[0].mean)
    assert strata.loc["oak", "basal_area_sqft_error_pct"] == pytest.approx(
        apart[0].sampling_error_pct
    )


@pytest.mark.parametrize("confidence", [0.68, 0.90, 0.95])
def test_the_error_is_stated_at_the_confidence_asked_for(wood, confidence: float) -> None:
    from scipy.stats import t

    each = [4, 6, 9, 8, 5]
    plots = wood.listed("A" * 5)
    wood.only_stand("A")
    keys = f'design = "point"\nbaf = 10\nconfidence = {confidence}'
    wood.cruise(keys, plots, wood.some_trees(list(plots["plot"]), each))
    basal = wood.appraise().total("basal_area_sqft")
    x = 10.0 * np.array(each)
    half = t.ppf((1 + confidence) / 2, 4) * x.std(ddof=1) / np.sqrt(5)
    assert basal.sampling_error_pct == pytest.approx(100 * half / x.mean(), rel=1e-9)


def test_few_measured_plots_are_told_of_where_their_error_is(wood) -> None:
    wood.cruise(
        'design = "point"\nbaf = 10',
        wood.listed("AAABBB"),
        tallied([(f"{s}{k}", 12 + k % 3, 3 + k) for k, s in enumerate("AAABBB", start=1)]),
    )
    found = wood.appraise()
    assert any("only 6 plots were measured" in p.what for p in found.problems)
    assert "Only 6 plots were measured" in dict(cruise_lines(found))["Few measured"]
    many = [f"A{k}" for k in range(1, 11)]
    wood.only_stand("A")
    wood.cruise(
        'design = "point"\nbaf = 10',
        wood.listed("A" * 10),
        tallied([(name, 12 + k % 3, 3 + k % 2) for k, name in enumerate(many)]),
    )
    found = wood.appraise()
    assert "Few measured" not in dict(cruise_lines(found))
    assert not any("plots were measured" in p.what for p in found.problems)
