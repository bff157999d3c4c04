"""Every cruise design, read from files and appraised, held to the textbook of one variable."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import standmap
from standmap.cruise import (
    Estimate,
    big_baf_mean,
    count_measure_mean,
    double_ratio_mean,
    double_regression_mean,
    finite_population_correction,
    point_three_p_mean,
    post_stratified_mean,
    ratio_of_means,
    regression_mean,
    sample_tree_total,
    simple_random_mean,
    stratified_mean,
    successive_difference_mean,
    three_p_total,
    total_of,
    two_stage_mean,
    volume_basal_ratio,
)
from standmap.land import BufferRule, Residual
from standmap.steps import partial
from standmap.steps.land import lay_out
from standmap.steps.plots import figure_tally
from standmap.steps.residuals import asks_of_zone
from standmap.steps.results import result_tables
from standmap.units import BASAL_AREA_CONSTANT, SQFT_PER_ACRE

CUFT = "volume_cuft"
BAF = 10.0


def whole(found: standmap.Appraisal) -> float:
    """Stock table x acres: what the tables add up to."""
    return float(found.stock_table[f"{CUFT}_per_acre"].sum() * found.net_acres)


def agrees(found: standmap.Appraisal, known: Estimate, acres: float) -> None:
    """The tract's cubic feet are the textbook's, error, degrees of freedom and all."""
    total = found.total(CUFT)
    assert total.mean == pytest.approx(known.mean * acres, rel=1e-9)
    assert total.se == pytest.approx(known.se * acres, rel=1e-9)
    assert total.df == pytest.approx(known.df, rel=1e-9)
    adds_up(found)


def adds_up(found: standmap.Appraisal) -> None:
    """Stands, products, stand and stock tables all hold the tract's total."""
    total = found.total(CUFT).mean
    assert whole(found) == pytest.approx(total, rel=1e-9)
    assert found.stands[f"{CUFT}_total"].sum() == pytest.approx(total, rel=1e-9)
    products = found.products[found.products["stand"] == ""]
    assert products[CUFT].sum() == pytest.approx(total, rel=1e-9)
    trees = float(found.stand_table["trees_per_acre"].sum() * found.net_acres)
    assert trees == pytest.approx(found.total("trees").mean, rel=1e-9)
    value = found.total("value_usd")
    cut = found.bucking_values
    same = cut[(cut["stand"] == "") & (cut["method"] == "top_down")].iloc[0]
    assert same["value_usd"] == pytest.approx(value.mean, rel=1e-9)
    assert same["value_error_pct"] == pytest.approx(value.sampling_error_pct, rel=1e-9)


def test_count_and_measure_points_pooled_over_the_tract(wood) -> None:
    measured = [4, 6, 3, 5]
    plots = wood.listed("A" * 9, tree_count=[4, 7, 2, 6, 5, 3, 3, 1, 5])
    trees = wood.some_trees(["A1", "A4", "A6", "A9"], [4, 6, 3, 5])
    wood.only_stand("A")
    wood.cruise('design = "point"\nbaf = 10\nestimator = "count_measure"', plots, trees)
    found = wood.appraise()
    y = wood.per_acre(found, ["A1", "A4", "A6", "A9"], BAF)
    x = BAF * plots["tree_count"].to_numpy(dtype=float)
    known = double_ratio_mean(y, BAF * np.array(measured), x, linearised=True)
    agrees(found, known, found.gross_acres)
    on_plots = np.full(9, np.nan)
    on_plots[[0, 3, 5, 8]] = y
    textbook = count_measure_mean(plots["tree_count"], on_plots, baf=BAF)
    assert found.total(CUFT).mean == pytest.approx(textbook.mean * found.gross_acres, rel=1e-9)
    # Every point counts for basal area, as if all had been measured.
    basal = simple_random_mean(x)
    assert found.total("basal_area_sqft").mean == pytest.approx(
        basal.mean * found.gross_acres, rel=1e-9
    )
    assert found.total("basal_area_sqft").se == pytest.approx(
        basal.se * found.gross_acres, rel=1e-9
    )


def test_a_half_plot_counts_for_two_and_so_does_a_tree_walked_through(wood) -> None:
    plots = wood.listed("A" * 5, tree_count=[4, 7, 3, 6, 5], share=[1, 1, 0.5, 0.5, 1])
    trees = wood.some_trees(["A1", "A3", "A5"], [3, 3, 5])
    trees["times"] = [2, *[1] * 10]
    wood.only_stand("A")
    wood.cruise('design = "point"\nbaf = 10\nestimator = "count_measure"', plots, trees)
    found = wood.appraise()
    used = found.trees
    each = BAF / (BASAL_AREA_CONSTANT * used["dbh_in"] ** 2) * used[CUFT] * used["times"]
    y = each.groupby(used["plot"]).sum().to_numpy() / [1, 0.5, 1]
    x = BAF * np.array([4, 7, 6, 12, 5.0])
    agrees(found, double_ratio_mean(y, x[[0, 2, 4]], x, linearised=True), found.gross_acres)


def test_a_ratio_shared_by_two_stands_does_not_average_out(wood) -> None:
    plots = wood.listed("AAAABBBB", tree_count=[4, 7, 2, 6, 9, 5, 3, 3])
    trees = wood.some_trees(["A1", "A3", "B5", "B7"], [4, 2, 9, 3])
    wood.cruise('design = "point"\nbaf = 10\nestimator = "count_measure"', plots, trees)
    found = wood.appraise()
    adds_up(found)
    y = wood.per_acre(found, ["A1", "A3", "B5", "B7"], BAF)
    x = BAF * plots["tree_count"].to_numpy(dtype=float)
    mine, means = BAF * np.array([4, 2, 9, 3]), np.array([x[:4].mean(), x[4:].mean()])
    ratio = y.sum() / mine.sum()
    got = found.stands.set_index("stand")[f"{CUFT}_per_acre"]
    np.testing.assert_allclose(got[["A", "B"]], ratio * means, rtol=1e-9)
    # By hand, on equal acres: own spread of x, the shared ratio, and their covariance.
    apart = y - ratio * mine
    own = sum(ratio**2 * part.var(ddof=1) / 4 for part in (x[:4], x[4:])) / 4
    shared = means.mean() ** 2 * (apart @ apart) / mine.sum() ** 2 * 4 / 3
    both = sum((mine[at] - means[k]) @ apart[at] for k, at in enumerate(([0, 1], [2, 3])))
    cross = 2 * means.mean() * ratio * both / mine.sum() * 4 / 3 / 4 / 2
    se = found.total(CUFT).se / found.gross_acres
    assert se**2 == pytest.approx(own + shared + cross, rel=1e-6)  # acres alike to 1e-7


def test_a_ratio_by_stand_keeps_stands_apart(wood) -> None:
    plots = wood.listed("AAAABBBB", tree_count=[4, 7, 2, 6, 9, 5, 3, 3])
    trees = wood.some_trees(["A1", "A3", "B5", "B7"], [4, 2, 9, 3])
    keys = 'design = "point"\nbaf = 10\nestimator = "count_measure"\nratio_by = "stand"'
    wood.cruise(keys, plots, trees)
    found = wood.appraise()
    y = wood.per_acre(found, ["A1", "A3", "B5", "B7"], BAF)
    x = BAF * plots["tree_count"].to_numpy(dtype=float)
    apart = [
        double_ratio_mean(y[:2], x[[0, 2]], x[:4], linearised=True),
        double_ratio_mean(y[2:], x[[4, 6]], x[4:], linearised=True),
    ]
    total = found.total(CUFT)
    known = stratified_mean(apart, found.stands.sort_values("stand")["net_acres"])
    assert total.mean == pytest.approx(known.mean * found.gross_acres, rel=1e-9)
    assert total.se == pytest.approx(known.se * found.gross_acres, rel=1e-9)
    adds_up(found)


def test_counts_by_a_small_factor_and_measures_by_a_big_one(wood) -> None:
    plots = wood.listed("A" * 6, tree_count=[9, 12, 7, 10, 8, 11])
    names = list(plots["plot"])
    trees = wood.some_trees(names, [2, 3, 1, 2, 2, 3])
    wood.only_stand("A")
    keys = 'design = "point"\nbaf = 40\ncount_baf = 10\nestimator = "count_measure"'
    wood.cruise(keys, plots, trees)
    found = wood.appraise()
    used = found.trees
    ratios = volume_basal_ratio(used[CUFT], used["dbh_in"])
    known = big_baf_mean(plots["tree_count"], ratios, baf=10)
    assert found.total(CUFT).mean == pytest.approx(known.mean * found.gross_acres, rel=1e-9)
    # Bruce's rule takes trees as drawn one by one; here they come by points.
    assert found.total(CUFT).se == pytest.approx(known.se * found.gross_acres, rel=0.5)
    adds_up(found)


COVARIATE = [40.0, 62.0, 15.0, 55.0, 48.0, 30.0, 27.0, 70.0]


def first_phase(wood) -> tuple[pd.DataFrame, pd.DataFrame]:
    said = ["yes", "", "yes", "", "no", "yes", "no", ""]
    plots = wood.listed("A" * 8, covariate=COVARIATE, measured=said)
    wood.only_stand("A")
    return plots, wood.some_trees(["A1", "A2", "A4", "A6", "A8"], [4, 6, 5, 3, 7])


MEASURED = ["A1", "A2", "A3", "A4", "A6", "A8"]  # A3 was found empty
AT = [0, 1, 2, 3, 5, 7]


def test_double_sampling_with_a_ratio(wood) -> None:
    wood.cruise('design = "point"\nbaf = 10\nestimator = "ratio"', *first_phase(wood))
    found = wood.appraise()
    y, x = wood.per_acre(found, MEASURED, BAF), np.array(COVARIATE)
    agrees(found, double_ratio_mean(y, x[AT], x, linearised=True), found.gross_acres)


def test_double_sampling_with_a_line(wood) -> None:
    wood.cruise('design = "point"\nbaf = 10\nestimator = "regression"', *first_phase(wood))
    found = wood.appraise()
    y, x = wood.per_acre(found, MEASURED, BAF), np.array(COVARIATE)
    agrees(found, double_regression_mean(y, x[AT], x, linearised=True), found.gross_acres)


@pytest.mark.parametrize("estimator", ["ratio", "regression"])
def test_a_mapped_covariate_is_known_without_error(wood, estimator: str) -> None:
    plots, trees = first_phase(wood)
    wood.layer("stands.gpkg", 1, stand=["A"], stratum=["oak"], canopy=[52.0])
    wood.cruise(f'design = "point"\nbaf = 10\nestimator = "{estimator}"', plots, trees)
    wood.swap("tract.toml", 'file = "stands.gpkg"', 'file = "stands.gpkg"\ncovariate = "canopy"')
    found = wood.appraise()
    y, x = wood.per_acre(found, MEASURED, BAF), np.array(COVARIATE)[AT]
    if estimator == "ratio":
        known = ratio_of_means(y, x).times(52.0)
    else:
        known = regression_mean(y, x, 52.0)
    agrees(found, known, found.gross_acres)


def test_plots_sorted_by_a_mapped_type_afterwards(wood) -> None:
    # The map halves each stand at its own middle: four strips of 200 m.
    wood.layer("types.gpkg", 4, wide=0.5, type=["ridge", "cove", "ridge", "cove"])
    east = [50, 150, 250, 350, 450, 550, 650, 120]
    plots = pd.DataFrame(
        {"plot": [f"P{i}" for i in range(8)], "x": 500_000 + np.array(east), "y": 4_000_200}
    )
    trees = wood.some_trees(list(plots["plot"]), [4, 6, 9, 8, 5, 3, 11, 4])
    keys = 'design = "point"\nbaf = 10\nestimator = "post_stratified"\n'
    wood.cruise(keys + '[cruise.types]\nfile = "types.gpkg"\n', plots, trees)
    found = wood.appraise()
    kinds = ["ridge", "ridge", "cove", "cove", "ridge", "ridge", "cove", "ridge"]
    y = wood.per_acre(found, list(plots["plot"]), BAF)
    known = post_stratified_mean(y, kinds, {"ridge": 1.0, "cove": 1.0}, conditional=True)
    total = found.total(CUFT)
    assert total.mean == pytest.approx(known.mean * found.gross_acres, rel=1e-6)
    assert total.se == pytest.approx(known.se * found.gross_acres, rel=1e-6)
    assert total.df == pytest.approx(known.df, rel=1e-6)
    assert whole(found) == pytest.approx(total.mean, rel=1e-9)
    # Each stand holds as much ridge as cove, so their figures are one.
    one, other = found.stands[f"{CUFT}_per_acre"]
    assert one == pytest.approx(other, rel=1e-6)


def tallied(wood, n: int, measured: int) -> pd.DataFrame:
    trees = wood.some_trees(["A1"], [n], seed=4)
    trees["kpi"] = (trees["dbh_in"] ** 2).round()
    trees["measured"] = np.where(np.arange(n) % (n // measured) == 0, "yes", "no")
    return trees


def test_three_p_over_a_complete_tally(wood) -> None:
    trees = tallied(wood, 60, 10)
    trees.loc[[7, 31], ["kpi", "measured"]] = [[900.0, "yes"], [800.0, "yes"]]
    wood.only_stand("A")
    keys = 'design = "complete"\nestimator = "three_p"\nkpi_ceiling = 700'
    wood.cruise(keys, wood.listed("A"), trees)
    found = wood.appraise()
    used = found.trees[found.trees["used"]]
    left = trees.loc[trees["kpi"] < 700, "kpi"].sum()
    known = three_p_total(used[CUFT], used["kpi"], ceiling=700, prediction_sum=float(left))
    agrees(found, known, 1.0)
    counts = found.tract.accounting()
    assert (counts["tallied"], counts["used"]) == (60, 12)
    assert sum(counts.values()) == 2 * 60
    assert "48 counted only, 0 set aside" in repr(found.tract)


def test_three_p_trees_need_no_diameter_unless_measured(wood) -> None:
    trees = tallied(wood, 60, 10)
    trees.loc[trees["measured"] == "no", ["dbh_in", "height_ft"]] = np.nan
    wood.only_stand("A")
    keys = 'design = "complete"\nestimator = "three_p"\nkpi_ceiling = 700'
    wood.cruise(keys, wood.listed("A"), trees.drop(columns="measured"))
    found = wood.appraise()
    used = found.trees[found.trees["used"]]
    known = three_p_total(
        used[CUFT], used["kpi"], ceiling=700, prediction_sum=float(trees["kpi"].sum())
    )
    agrees(found, known, 1.0)


def test_three_p_at_points(wood) -> None:
    plots = wood.listed("A" * 6)
    trees = wood.some_trees(list(plots["plot"]), [4, 6, 3, 5, 7, 4], seed=9)
    trees["kpi"] = trees["height_ft"]
    trees["measured"] = np.where(np.arange(len(trees)) % 3 == 0, "yes", "no")
    wood.only_stand("A")
    wood.cruise('design = "point"\nbaf = 20\nestimator = "three_p"', plots, trees)
    found = wood.appraise()
    used = found.trees[found.trees["used"]]
    sums = trees.groupby("plot")["kpi"].sum()
    ratios = volume_basal_ratio(used[CUFT], used["dbh_in"])
    known = point_three_p_mean(sums, ratios, used["kpi"], baf=20)
    assert found.total(CUFT).mean == pytest.approx(known.mean * found.gross_acres, rel=1e-9)
    adds_up(found)


@pytest.mark.parametrize("by", ["count", "basal_area"])
def test_sample_trees_of_a_complete_tally(wood, by: str) -> None:
    trees = tallied(wood, 60, 20).drop(columns="kpi")
    wood.only_stand("A")
    keys = f'design = "complete"\nestimator = "sample_tree"\nsample_by = "{by}"'
    wood.cruise(keys, wood.listed("A"), trees)
    found = wood.appraise()
    used = found.trees[found.trees["used"]]
    many = trees["species"].value_counts().to_dict()
    size = BASAL_AREA_CONSTANT * trees["dbh_in"] ** 2
    sums = size.groupby(trees["species"]).sum().to_dict()
    total = found.total(CUFT)
    if by == "count":
        known = sample_tree_total(used[CUFT], used["species"], many)
    else:  # the ratio's variance by the sample's own mean, where the textbook takes the tally's
        mine = BASAL_AREA_CONSTANT * used["dbh_in"] ** 2
        known = total_of(
            [
                ratio_of_means(
                    used.loc[used["species"] == name, CUFT],
                    mine[used["species"] == name],
                    population_units=many[name],
                ).times(sums[name])
                for name in many
            ]
        )
        textbook = sample_tree_total(used[CUFT], used["species"], many, size=mine, size_total=sums)
        assert total.mean == pytest.approx(textbook.mean, rel=1e-9)
    agrees(found, known, 1.0)


def test_sample_groups_may_be_named_by_the_cruiser(wood) -> None:
    trees = tallied(wood, 60, 20).drop(columns="kpi")
    trees["sample_group"] = np.where(trees["species"] == "loblolly pine", "pine", "hardwood")
    wood.only_stand("A")
    keys = 'design = "complete"\nestimator = "sample_tree"'
    wood.cruise(keys, wood.listed("A"), trees)
    found = wood.appraise()
    used = found.trees[found.trees["used"]]
    many = trees["sample_group"].value_counts().to_dict()
    agrees(found, sample_tree_total(used[CUFT], used["sample_group"], many), 1.0)


def test_clusters_of_plots_are_what_was_drawn(wood) -> None:
    plots = wood.listed("A" * 8, cluster=["c1", "c1", "c2", "c2", "c3", "c3", "c4", "c4"])
    trees = wood.some_trees(list(plots["plot"]), [4, 6, 9, 8, 5, 3, 11, 4])
    wood.only_stand("A")
    wood.cruise('design = "point"\nbaf = 10', plots, trees)
    found = wood.appraise()
    y = wood.per_acre(found, list(plots["plot"]), BAF)
    agrees(found, two_stage_mean(y, plots["cluster"]), found.gross_acres)


def test_a_grid_by_successive_differences(wood) -> None:
    plots = wood.listed("A" * 8, line=["1", "1", "1", "1", "2", "2", "2", "2"])
    trees = wood.some_trees(list(plots["plot"]), [4, 6, 9, 8, 5, 3, 11, 4])
    wood.only_stand("A")
    wood.cruise('design = "point"\nbaf = 10\nvariance = "successive_differences"', plots, trees)
    found = wood.appraise()
    y = wood.per_acre(found, list(plots["plot"]), BAF)
    agrees(found, successive_difference_mean(y, line=plots["line"]), found.gross_acres)


def test_big_plots_in_a_small_stand_leave_less_to_guess(wood) -> None:
    plots = wood.listed("A" * 5)
    trees = wood.some_trees(list(plots["plot"]), [4, 6, 9, 8, 5])
    wood.only_stand("A")
    wood.cruise('design = "fixed"\nplot_acres = 2\nfinite_population = true', plots, trees)
    found = wood.appraise()
    used = found.trees
    y = (used[CUFT] / 2).groupby(used["plot"]).sum()
    known = simple_random_mean(y, population_units=found.gross_acres / 2)
    agrees(found, known, found.gross_acres)
    left = finite_population_correction(5, found.gross_acres / 2)
    assert left == pytest.approx(1 - 10 / (400 * 400 / 0.09290304 / SQFT_PER_ACRE), rel=2e-3)


PLAN = """
[units]
file = "units.gpkg"

[[prescriptions]]
unit = "U"
"""


@pytest.mark.parametrize("cut", ["clearcut", "thin_below"])
def test_a_harvest_plan_cuts_what_the_ratio_found(wood, cut: str) -> None:
    plots = wood.listed("AAAABBBB", tree_count=[4, 7, 2, 6, 9, 5, 3, 3])
    trees = wood.some_trees(["A1", "A3", "B5", "B7"], [4, 2, 9, 3])
    wood.layer("units.gpkg", 1, wide=2.0, unit=["U"])
    keys = 'design = "point"\nbaf = 10\nestimator = "count_measure"\n' + PLAN + f'cut = "{cut}"\n'
    wood.cruise(keys + ("residual_ba_sqft = 20" if cut == "thin_below" else ""), plots, trees)
    found = wood.appraise()
    rows = found.harvest.cut_leave.set_index("part")
    for measure in ("trees", CUFT, "value_usd"):
        parts = rows[f"{measure}_total"]
        assert parts["cut"] + parts["left"] == pytest.approx(parts["before"], rel=1e-9)
        unit = found.units[f"{measure}_total"].iloc[0]
        assert parts["before"] == pytest.approx(unit, rel=1e-9)
    left = rows.loc["left", "basal_area_sqft_per_acre"]
    assert left == pytest.approx(0.0 if cut == "clearcut" else 20.0, rel=1e-3, abs=1e-9)
    if cut == "clearcut":
        assert rows.loc["cut", "value_usd_error_pct"] == pytest.approx(
            rows.loc["before", "value_usd_error_pct"], rel=1e-9
        )


def two_unlike_stands(wood, design: str) -> tuple[str, pd.DataFrame, pd.DataFrame]:
    """Return keys, plots and trees of a cruise that finds stand A much fuller than B."""
    names = "A1 A2 A3 A4 B5 B6 B7 B8".split()
    if design == "three_p":
        plots = wood.listed("AAAABBBB")
        trees = wood.some_trees(names, [9, 8, 9, 9, 4, 5, 3, 3])
        trees["kpi"] = trees["height_ft"]
        trees["measured"] = np.where(np.arange(len(trees)) % 3 == 0, "yes", "no")
        return 'estimator = "three_p"', plots, trees
    measured = [0, 1, 2, 4, 5, 6]
    each = [9, 8, 7, 4, 5, 3]
    trees = wood.some_trees([names[at] for at in measured], each)
    if design == "line":
        seen = [95.0, 82, 80, 90, 35, 52, 28, 30]
        said = ["yes" if at in measured else "no" for at in range(8)]
        plots = wood.listed("AAAABBBB", covariate=seen, measured=said)
        return 'estimator = "regression"', plots, trees
    plots = wood.listed("AAAABBBB", tree_count=[9, 8, 7, 9, 4, 5, 3, 3])
    by = '\nratio_by = "stand"' if design == "ratio_by_stand" else ""
    return f'estimator = "count_measure"{by}', plots, trees


def _by_part(figures: pd.Series) -> pd.DataFrame:
    return pd.DataFrame(
        {part: figures.xs(part, level="part") for part in ("before", "cut", "left")}
    )


@pytest.mark.parametrize("design", ["count_measure", "ratio_by_stand", "three_p", "line"])
@pytest.mark.parametrize(
    ("cut", "held", "level"),
    [
        ("thin_below", "basal_area_sqft", 25.0),
        ("thin_above", "basal_area_sqft", 25.0),
        ("seed_tree", "trees", 8.0),
    ],
)
def test_every_unit_is_cut_to_the_level_it_was_asked_for(
    wood, design: str, cut: str, held: str, level: float
) -> None:
    # The trees measured speak for both stands, each of which has far from their average.
    keys, plots, trees = two_unlike_stands(wood, design)
    wood.layer("units.gpkg", 2, unit=["U", "V"])
    key = "seed_trees_per_acre" if cut == "seed_tree" else "residual_ba_sqft"
    plan = PLAN.replace('"U"', '["U", "V"]') + f'cut = "{cut}"\n{key} = {level}\n'
    wood.cruise(f'design = "point"\nbaf = 10\n{keys}\n{plan}', plots, trees)
    harvest = wood.appraise().harvest
    rows = harvest.cut_leave.set_index(["unit", "part"])
    total = _by_part(rows[f"{held}_total"])
    np.testing.assert_allclose(total["cut"] + total["left"], total["before"], rtol=1e-9)
    left = rows.xs("left", level="part")
    np.testing.assert_allclose(left[f"{held}_per_acre"], level, rtol=1e-9)
    # The level is held whatever the cruise found, and so the error of what stands is the cut's.
    np.testing.assert_allclose(left[f"{held}_error_pct"], 0.0, atol=1e-6)
    half = _by_part(rows[f"{held}_total"] * rows[f"{held}_error_pct"])
    np.testing.assert_allclose(half["cut"], half["before"], rtol=1e-9)
    assert not harvest.problems
    for measure in (CUFT, "value_usd", "trees"):
        each = _by_part(rows[f"{measure}_total"])
        np.testing.assert_allclose(each["cut"] + each["left"], each["before"], rtol=1e-9)
        np.testing.assert_allclose(each.loc[""], each.loc[["U", "V"]].sum(), rtol=1e-9)


def test_plans_differ_by_what_they_differ_in_under_a_shared_ratio(wood) -> None:
    keys, plots, trees = two_unlike_stands(wood, "count_measure")
    wood.layer("units.gpkg", 2, unit=["U", "V"])
    plan = PLAN.replace('"U"', '["U", "V"]') + 'cut = "thin_below"\nresidual_ba_sqft = 25\n'
    plan += '[[alternatives]]\nname = "no V"\nleave_out = ["V"]\n'
    plan += '[[alternatives]]\nname = "lighter"\n'
    plan += 'prescriptions = [{ unit = "U", cut = "thin_below", residual_ba_sqft = 40 }]\n'
    wood.cruise(f'design = "point"\nbaf = 10\n{keys}\n{plan}', plots, trees)
    harvest = wood.appraise().harvest
    plans = harvest.alternatives.set_index("plan")
    whole = harvest.units.set_index("unit").loc[""]
    assert plans.loc["as planned", "value_usd"] == pytest.approx(whole["cut_value_usd"], rel=1e-9)
    for measure, more in (("value_usd", "more_usd"), ("bf_cut", "bf_more")):
        apart = plans[measure] - plans.loc["as planned", measure]
        np.testing.assert_allclose(plans[more], apart, rtol=1e-9, atol=1e-6)
    unit = harvest.units.set_index("unit").loc["V"]
    left_out = plans.loc["no V"]
    assert left_out["more_usd"] == pytest.approx(-unit["cut_value_usd"], rel=1e-9)
    assert left_out["more_error_pct"] == pytest.approx(unit["cut_value_error_pct"], rel=1e-6)
    assert plans.loc["lighter", "more_usd"] < 0


def test_the_cruise_says_what_it_was_and_what_its_ratio_rests_on(wood) -> None:
    plots = wood.listed("AAAABBBB", tree_count=[4, 7, 2, 6, 9, 5, 3, 3])
    trees = wood.some_trees(["A1", "A3", "B5", "B7"], [4, 2, 9, 3])
    wood.cruise('design = "point"\nbaf = 10\nestimator = "count_measure"', plots, trees)
    found = wood.appraise()
    cruise = found.cruise
    row = cruise.strata.iloc[0]
    assert (row["stratum"], row["plots"], row["measured"]) == ("oak", 8, 4)
    assert row["design"] == "points of BAF 10"
    assert "volume per square foot" in row["estimator"]
    y = wood.per_acre(found, ["A1", "A3", "B5", "B7"], BAF)
    mine = BAF * np.array([4, 2, 9, 3])
    known = ratio_of_means(y, mine)
    ratio = cruise.ratios.set_index("measure").loc[CUFT]
    assert (ratio["group"], ratio["measured"], ratio["per"]) == ("oak", 4, "sq ft of basal area")
    assert ratio["coefficient"] == pytest.approx(known.mean, rel=1e-9)
    assert ratio["error_pct"] == pytest.approx(known.sampling_error_pct, rel=1e-9)
    # Counted points have no figure of their own, and still bear on the total.
    counted = cruise.leverage.set_index("plot")["per_acre"]
    assert counted[["A2", "B8"]].isna().all()
    assert counted[["A1", "B7"]].notna().all()
    assert np.isnan(found.plots.set_index("plot").loc["A2", f"{CUFT}_per_acre"])
    told = [p.what for p in found.problems]
    assert any(what.startswith("only 4 plots were measured") for what in told)


@pytest.mark.parametrize("least_dbh_in", [0.0, 12.0])
def test_what_a_zone_must_keep_is_judged_on_what_the_predictions_found(
    wood, least_dbh_in: float
) -> None:
    # Trees drawn by 3P are rows of their own, not plots: the zone holds what its stand does.
    trees = tallied(wood, 60, 10)
    wood.only_stand("A")
    keys = 'design = "complete"\nestimator = "three_p"\nkpi_ceiling = 700'
    wood.cruise(keys, wood.listed("A"), trees)
    tract = standmap.read_tract(wood.folder)
    tally = figure_tally(tract, ledger=tract.ledger.copy())
    land = lay_out(tract)
    found = result_tables(tract, tally, land).found
    acres = pd.Series({"A": 10.0}, name="zone")
    rule = BufferRule(
        jurisdiction="x",
        water_classes=("creek",),
        width_ft=50.0,
        keep=Residual(basal_area_sqft=5.0, min_dbh_in=least_dbh_in),
    )
    asks = asks_of_zone([rule])
    held = partial._Held(tract, tally, land, found, asks, acres, land.pieces, "creek", (CUFT,))
    (made,) = held.seen()
    drawn = tally.trees
    section = BASAL_AREA_CONSTANT * drawn["dbh_in"] ** 2 * (drawn["dbh_in"] >= least_dbh_in)
    called = float(trees["kpi"].sum())
    known = three_p_total(section, drawn["kpi"], ceiling=700, prediction_sum=called)
    per_acre = known.times(1 / float(tract.gross_acres))
    assert made.now == pytest.approx(per_acre.mean, rel=1e-9)
    assert made.error_pct == pytest.approx(per_acre.sampling_error_pct, rel=1e-9)
