"""Cruises that contradict themselves: each is told with its file, its row and its mend."""

from __future__ import annotations

import geopandas as gpd
import pandas as pd
import pytest
import shapely

from standmap.cruise import two_stage_ratio_mean
from standmap.errors import InputError, Problem

POINTS = 'design = "point"\nbaf = 10\n'
COUNTS = POINTS + 'estimator = "count_measure"\nratio_by = "tract"\n'


def errors(wood) -> list[Problem]:
    return [p for p in wood.check() if p.severity == "error"]


def only(wood) -> Problem:
    found = errors(wood)
    assert len(found) == 1, "\n".join(map(str, found))
    return found[0]


def counted(wood, **columns: object) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Six points, three of them measured."""
    plots = wood.listed("AAABBB", **{"tree_count": [4, 7, 2, 6, 9, 5], **columns})
    return plots, wood.some_trees(["A1", "A3", "B5"], [4, 2, 9])


def test_a_sound_cruise_has_no_errors(wood) -> None:
    wood.cruise(COUNTS, *counted(wood))
    assert errors(wood) == []


def test_a_measured_point_whose_tally_is_not_its_count(wood) -> None:
    wood.cruise(COUNTS, *counted(wood, tree_count=[5, 7, 2, 6, 9, 5]))
    found = only(wood)
    assert (found.file, found.row, found.column, found.value) == (
        "plots.csv", 2, "tree_count", "5",
    )  # fmt: skip
    assert "count of a measured point" in found.what
    assert "The tally has 4" in found.mend


def test_a_dead_tree_is_not_in_the_count(wood) -> None:
    plots, trees = counted(wood, tree_count=[3, 7, 2, 6, 9, 5])
    trees["status"] = ["dead", *["live"] * (len(trees) - 1)]
    wood.cruise(COUNTS, plots, trees)
    assert errors(wood) == []


def test_a_count_point_with_trees_on_it(wood) -> None:
    wood.cruise(COUNTS, *counted(wood, measured=["yes", "", "no", "", "", ""]))
    found = only(wood)
    assert (found.row, found.column, found.value) == (4, "measured", "no")
    assert "said not to be measured, and the tally has trees" in found.what


def test_a_point_without_a_count(wood) -> None:
    wood.cruise(COUNTS, *counted(wood, tree_count=[4, None, 2, 6, 9, 5]))
    found = only(wood)
    assert (found.row, found.column, found.value) == (3, "tree_count", "A2")


def test_more_trees_by_the_big_factor_than_by_the_small(wood) -> None:
    plots, trees = counted(wood)
    trees = pd.concat([trees, wood.some_trees(["B4"], [8])])
    wood.cruise(COUNTS.replace("baf = 10", "baf = 40\ncount_baf = 10"), plots, trees)
    found = only(wood)
    assert (found.row, found.value) == (5, "6")
    assert "more trees were measured than counted" in found.what


def test_counts_on_plots(wood) -> None:
    keys = 'design = "fixed"\nplot_acres = 0.1\nestimator = "count_measure"\n'
    wood.cruise(keys, *counted(wood))
    assert "takes points alone, and 6 plots are tallied otherwise" in only(wood).what


def test_too_few_measured_points_for_a_ratio_of_each_stand(wood) -> None:
    wood.cruise(COUNTS.replace('"tract"', '"stand"'), *counted(wood))
    found = only(wood)
    assert (found.column, found.value) == ("cruise.ratio_by", "stand")
    assert "fewer than 2 measured points with trees in B" in found.what
    assert found.mend == 'Write ratio_by = "stratum", or measure more.'


def test_a_plot_without_trees_must_say_whether_it_was_measured(wood) -> None:
    plots = wood.listed("AAABBB", covariate=[4.0, 7, 2, 6, 9, 5])
    trees = wood.some_trees(["A1", "A3", "B5"], [4, 2, 9])
    wood.cruise(POINTS + 'estimator = "ratio"', plots, trees)
    found = errors(wood)
    assert [p.row for p in found] == [3, 5, 7]
    assert all("whether it was measured" in p.what for p in found)
    told = plots.assign(measured=["", "no", "", "x", "", "no"])
    wood.cruise(POINTS + 'estimator = "ratio"', told, trees)
    found = only(wood)
    assert (found.row, found.column) == (5, "measured")


def test_a_plot_with_nothing_to_lean_on(wood) -> None:
    plots = wood.listed("AAA", covariate=[4.0, None, -2])
    wood.cruise(
        POINTS + 'estimator = "ratio"', plots, wood.some_trees(list(plots["plot"]), [4] * 3)
    )
    assert [(p.row, p.column) for p in errors(wood)] == [(3, "covariate"), (4, "covariate")]


def test_a_3p_tree_without_a_prediction(wood) -> None:
    trees = wood.some_trees(["A1", "B2"], [6, 6])
    trees["kpi"] = [300.0, None, 0, *[200.0] * 9]
    trees["measured"] = ["yes", "no"] * 6
    keys = 'design = "complete"\nestimator = "three_p"\n'
    wood.cruise(keys, wood.listed("AB"), trees)
    assert [(p.row, p.column) for p in errors(wood)] == [(3, "kpi"), (4, "kpi")]
    wood.cruise(keys, wood.listed("AB"), trees.drop(columns="kpi"))
    assert len(errors(wood)) == 12


def test_a_tree_sure_to_be_measured_that_was_not(wood) -> None:
    trees = wood.some_trees(["A1"], [6])
    trees["kpi"], trees["measured"] = [300.0, 900, 200, 200, 200, 200], ["yes", "no"] * 3
    wood.only_stand("A")
    keys = 'design = "complete"\nestimator = "three_p"\nkpi_ceiling = 800\n'
    wood.cruise(keys, wood.listed("A"), trees)
    found = only(wood)
    assert (found.row, found.column) == (3, "kpi")
    assert "at or above the ceiling of 800 must be measured" in found.what


def test_a_sample_group_counted_and_never_measured(wood) -> None:
    trees = wood.some_trees(["A1"], [12])
    trees["species"] = ["white oak"] * 8 + ["black cherry"] * 4
    trees["measured"] = ["yes", "no"] * 4 + ["no"] * 4
    wood.only_stand("A")
    keys = 'design = "complete"\nestimator = "sample_tree"\nratio_by = "tract"\n'
    wood.cruise(keys, wood.listed("A"), trees)
    found = only(wood)
    assert found.value == "black cherry"
    assert "4 trees of this sample group were counted and 0 measured" in found.what


def test_types_without_a_map_and_a_map_without_plots(wood) -> None:
    keys = POINTS + 'estimator = "post_stratified"\nratio_by = "tract"\n'
    plots = pd.DataFrame({"plot": list("abc"), "x": [500_050, 500_060, 500_350], "y": 4_000_200})
    trees = wood.some_trees(list("abc"), [4, 3, 5])
    wood.cruise(keys, plots, trees)
    assert only(wood).column == "cruise.types"
    wood.layer("types.gpkg", 4, wide=0.5, type=["ridge", "cove", "ridge", "cove"])
    wood.cruise(keys + '[cruise.types]\nfile = "types.gpkg"\n', plots, trees)
    found = only(wood)
    assert "1 plots fell in type cove" in found.what
    wood.cruise(keys + '[cruise.types]\nfile = "types.gpkg"\ntipe = "x"\n', plots, trees)
    assert any("type" in p.mend and p.column == "cruise.types.tipe" for p in errors(wood))


@pytest.mark.parametrize(
    ("keys", "column"),
    [
        ("finite_population = true", "cruise.finite_population"),
        ('variance = "successive_differences"\nestimator = "count_measure"', "cruise.variance"),
    ],
)
def test_errors_made_in_ways_that_do_not_go_together(wood, keys: str, column: str) -> None:
    wood.cruise(POINTS + keys, *counted(wood))
    assert column in [p.column for p in errors(wood)]


def test_clusters_go_with_the_plain_mean(wood) -> None:
    wood.cruise(COUNTS, *counted(wood, cluster=["c"] * 6))
    assert "the plots have clusters" in only(wood).what


def test_an_estimator_that_does_not_exist(wood) -> None:
    wood.cruise(POINTS + 'estimator = "count"', *counted(wood))
    found = only(wood)
    assert (found.column, found.value) == ("cruise.estimator", "count")
    assert '"count_measure"' in found.mend


def test_counts_that_nothing_uses_are_warned_of(wood) -> None:
    wood.cruise(POINTS, *counted(wood))
    told = [p for p in wood.check() if p.column == "tree_count"]
    assert len(told) == 1
    assert told[0].severity == "warning"
    assert 'Write estimator = "count_measure"' in told[0].mend


@pytest.mark.parametrize(
    ("column", "value", "takes"),
    [
        ("measured", "no", '"count_measure" or "ratio" or "regression"'),
        ("type", "ridge", '"post_stratified"'),
    ],
)
def test_plot_columns_of_another_estimator_are_warned_of(wood, column, value, takes) -> None:
    plots, trees = counted(wood)
    wood.cruise(POINTS, plots.drop(columns="tree_count").assign(**{column: value}), trees)
    (told,) = [p for p in wood.check() if p.column == column]
    assert told.severity == "warning"
    assert f"Write estimator = {takes}" in told.mend


def test_tree_columns_of_another_estimator_are_warned_of(wood) -> None:
    plots, trees = counted(wood)
    trees = trees.assign(measured=["no", *["yes"] * (len(trees) - 1)], sample_group="oak")
    wood.cruise(POINTS, plots.drop(columns="tree_count"), trees)
    told = {p.column: p for p in wood.check() if p.severity == "warning"}
    assert told["measured"].what.startswith("1 rows are said not to be measured")
    assert 'Write estimator = "sample_tree"' in told["sample_group"].mend


@pytest.mark.parametrize(
    ("key", "estimator"),
    [
        ('sample_by = "basal_area"', "the plain mean"),
        ('ratio_by = "tract"', "the plain mean"),
        ("kpi_ceiling = 500", "estimator 'count_measure'"),
    ],
)
def test_keys_of_another_estimator_are_warned_of(wood, key: str, estimator: str) -> None:
    plots, trees = counted(wood)
    count = 'estimator = "count_measure"\n' if "count" in estimator else ""
    wood.cruise(f"{POINTS}{count}{key}", plots, trees)
    (told,) = [p for p in wood.check() if (p.column or "") == f"cruise.{key.split()[0]}"]
    assert told.severity == "warning"
    assert told.what == f"the key is not used by {estimator}"


def test_a_stand_without_plots_takes_a_mapped_covariate(wood) -> None:
    wood.layer("stands.gpkg", 2, stand=["A", "B"], stratum=["oak", "oak"], canopy=[5.0, 10.0])
    plots = wood.listed("AAAA", covariate=[4.0, 7, 2, 6])
    trees = wood.some_trees(list(plots["plot"]), [4, 7, 2, 6])
    wood.cruise(POINTS + 'estimator = "ratio"', plots, trees)
    wood.swap("tract.toml", 'file = "stands.gpkg"', 'file = "stands.gpkg"\ncovariate = "canopy"')
    found = wood.appraise().stands.set_index("stand")
    assert found.loc["B", "borrowed"] == ""
    assert found.loc["B", "volume_cuft_per_acre"] == pytest.approx(
        2 * found.loc["A", "volume_cuft_per_acre"], rel=1e-9
    )


def test_unvisited_stands_make_a_two_stage_ratio_to_size(wood) -> None:
    # What the guide page says of stands as the first stage.
    wood.layer("stands.gpkg", 4, stand=list("ABCD"), stratum=["oak"] * 4)
    plots = wood.listed("AAABBBB")
    trees = wood.some_trees(list(plots["plot"]), [4, 7, 2, 6, 3, 8, 5])
    wood.cruise(POINTS, plots, trees)
    found = wood.appraise()
    y = wood.per_acre(found, list(plots["plot"]), 10.0)
    acres = dict(zip(found.stands["stand"], found.stands["gross_acres"], strict=True))
    known = two_stage_ratio_mean(
        y, plots["stand"], secondaries={"A": acres["A"], "B": acres["B"]}, primaries=4
    )
    total = found.total("volume_cuft")
    assert total.mean == pytest.approx(known.mean * found.gross_acres, rel=1e-9)
    # On the safe side: the spread between stands' means is taken as it stands, noise and all.
    assert known.se < total.se / found.gross_acres < 1.5 * known.se


def test_a_value_that_cannot_be_is_shown_as_typed(wood) -> None:
    wood.cruise(COUNTS, *counted(wood, tree_count=[4, -7, 2, 6.3, 9, 5]))
    found = [(p.row, p.column, p.value) for p in errors(wood)]
    assert found == [(3, "tree_count", "-7"), (5, "tree_count", "6.3")]
    plots = wood.listed("AAABBB", covariate=[4.0, 7, 2, 6, 9, 5], measured=["perhaps"] + [""] * 5)
    wood.cruise(
        POINTS + 'estimator = "ratio"', plots, wood.some_trees(list(plots["plot"]), [3] * 6)
    )
    assert (only(wood).row, only(wood).value) == (2, "perhaps")


def test_counts_by_a_larger_factor_than_the_measures(wood) -> None:
    wood.cruise(COUNTS + "count_baf = 20\n", *counted(wood, tree_count=[14, 17, 12, 16, 19, 15]))
    found = only(wood)
    assert (found.file, found.column, found.value) == ("tract.toml", "cruise.count_baf", "20.0")
    assert "counted by a larger factor than they are measured by (10)" in found.what


def warned(wood, column: str) -> list[Problem]:
    return [p for p in wood.check() if p.column == column and p.severity == "warning"]


def test_clusters_that_cross_a_line_and_a_stand_with_one(wood) -> None:
    plots = wood.listed("AAAABBB", cluster=["c1", "c1", "c2", "c2", "c2", "c2", "c2"])
    wood.cruise(POINTS, plots, wood.some_trees(list(plots["plot"]), [4, 6, 9, 8, 5, 3, 11]))
    crossing, single = warned(wood, "cluster")
    assert (crossing.value, single.value) == ("c2", "B")
    assert "1 clusters have plots in more than one stand" in crossing.what
    assert "all plots of the stand are of one cluster" in single.what


def test_neighbours_without_lines_are_told_of(wood) -> None:
    plots = wood.listed("AAAAA")
    trees = wood.some_trees(list(plots["plot"]), [4, 6, 9, 8, 5])
    keys = POINTS + 'variance = "successive_differences"'
    wood.cruise(keys, plots, trees)
    (found,) = warned(wood, "line")
    assert "compared with the next one listed" in found.what
    wood.cruise(keys, plots.assign(line="1"), trees)
    assert warned(wood, "line") == []


def test_a_slope_without_a_distance_corrects_nothing(wood) -> None:
    plots = wood.listed("AAA")
    trees = wood.some_trees(list(plots["plot"]), [4, 6, 9]).assign(slope_pct=30)
    wood.cruise(POINTS, plots, trees)
    (found,) = warned(wood, "slope_pct")
    assert "nothing is corrected by them" in found.what


def test_half_of_a_whole_tally_in_one_stratum(wood) -> None:
    wood.layer("stands.gpkg", 2, stand=["A", "B"], stratum=["oak", "pine"])
    keys = POINTS + '[[cruise.parts]]\nstratum = "pine"\ndesign = "complete"\n'
    plots = wood.listed("AAB", share=[1, 1, 0.5])
    wood.cruise(keys, plots, wood.some_trees(list(plots["plot"]), [4, 6, 9]))
    found = only(wood)
    assert (found.row, found.column, found.value) == (4, "share", "0.5")
    assert "a complete tally has no half plots" in found.what


@pytest.mark.parametrize("clustered", [False, True])
def test_one_plot_or_one_cluster_is_no_sample(wood, clustered: bool) -> None:
    wood.only_stand("A")
    plots = wood.listed("AAA", cluster=["c1"] * 3) if clustered else wood.listed("A")
    wood.cruise(POINTS, plots, wood.some_trees(list(plots["plot"]), [4] * len(plots)))
    found = only(wood)
    what, value = ("cluster", "c1") if clustered else ("plot", "A1")
    assert (found.file, found.column, found.value) == ("plots.csv", what, value)
    assert f"the tract has one {what}, which tells nothing of its own error" in found.what


def test_setting_plots_aside_may_leave_too_little(wood) -> None:
    east = [30, 140, 250, 360, 460, 560, 660, 760]
    plots = pd.DataFrame(
        {
            "plot": [f"P{i}" for i in range(8)],
            "x": [500_000 + e for e in east],
            "y": 4_000_200,
            "tree_count": [4, 7, 2, 6, 9, 5, 3, 8],
        }
    )
    trees = wood.some_trees(["P0", "P1", "P5", "P7"], [4, 7, 5, 8])
    line = shapely.box(500_000, 4_000_000, 500_100, 4_000_400)
    gpd.GeoDataFrame({"reason": ["power line"]}, geometry=[line], crs="EPSG:32617").to_file(
        wood.folder / "exclusions.gpkg"
    )
    layer = '[exclusions]\nfile = "exclusions.gpkg"\n'
    wood.cruise(COUNTS.replace('"tract"', '"stand"') + layer, plots, trees)
    wood.swap("tract.toml", 'file = "plots.csv"', 'file = "plots.csv"\nin_exclusion = "aside"')
    with pytest.raises(
        InputError, match="once plots in exclusions or buffers are set aside"
    ) as told:
        wood.appraise()
    (found,) = told.value.problems
    assert found.column == "cruise.ratio_by"
    assert "fewer than 2 measured points with trees in A" in found.what
    wood.swap("tract.toml", 'ratio_by = "stand"', 'ratio_by = "tract"')
    appraisal = wood.appraise()
    gone = appraisal.ledger[appraisal.ledger["action"] == "set aside"]
    assert len(gone) == 1 + 4  # the plot, and each of its trees
