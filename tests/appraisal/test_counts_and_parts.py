"""What a tree set aside and a stand drawn in parts do to the cheap figure that others lean on."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import standmap
from standmap.cruise import double_ratio_mean, ratio_of_means

CUFT = "volume_cuft"
ASIDE = 'design = "point"\nbaf = 10\nestimator = "count_measure"\nborderline = "set_aside"\n'


def with_one_beyond(wood, count: list[int]) -> pd.DataFrame:
    """Six points, three measured; the first tree of A1 stands ten feet beyond its limit."""
    plots = wood.listed("A" * 6, tree_count=count)
    trees = wood.some_trees(["A1", "A3", "A5"], [4, 2, 5])
    trees["distance_ft"] = np.nan
    trees.loc[0, "distance_ft"] = 2.75 * trees.loc[0, "dbh_in"] + 10
    wood.only_stand("A")
    wood.cruise(ASIDE, plots, trees)
    return plots


@pytest.mark.parametrize("typed", [4, 3])
def test_a_tree_set_aside_leaves_the_count_of_its_point(wood, typed: int) -> None:
    with_one_beyond(wood, [typed, 7, 2, 6, 5, 3])
    found = wood.appraise()
    x = 10.0 * np.array([3, 7, 2, 6, 5, 3])  # whether the cruiser had taken it out or not
    y = wood.per_acre(found, ["A1", "A3", "A5"], 10.0)
    known = double_ratio_mean(y, x[[0, 2, 4]], x, linearised=True)
    total = found.total(CUFT)
    assert total.mean == pytest.approx(known.mean * found.gross_acres, rel=1e-9)
    assert total.se == pytest.approx(known.se * found.gross_acres, rel=1e-9)
    changed = found.ledger[found.ledger["column"] == "tree_count"]
    assert len(changed) == (typed == 4)
    told = [p for p in found.problems if p.column == "tree_count"]
    assert len(told) == (typed == 4)
    if typed == 4:
        assert (changed["old"].iloc[0], changed["new"].iloc[0]) == ("4", "3")
        assert "the counts of the 3 other points cannot be checked" in told[0].what
        assert "10.0 % too high" in told[0].mend  # 1 of 10 left on measured points


def test_a_tree_beyond_its_limit_stays_in_the_count_where_it_stays_in_the_figures(wood) -> None:
    with_one_beyond(wood, [4, 7, 2, 6, 5, 3])
    wood.swap("tract.toml", 'borderline = "set_aside"', 'borderline = "warn"')
    tract = standmap.read_tract(wood.folder)
    assert tract.plots["tree_count"].tolist() == [4, 7, 2, 6, 5, 3]


def test_a_count_that_fits_neither_way_is_an_error(wood) -> None:
    with_one_beyond(wood, [6, 7, 2, 6, 5, 3])
    (found,) = [p for p in wood.check() if p.severity == "error"]
    assert (found.file, found.row, found.column, found.value) == ("plots.csv", 2, "tree_count", "6")
    assert "The tally has 3" in found.mend


def in_two_parts(wood, canopy: list[float | None]) -> None:
    """Stand A in a part of 300 m by 400 and, apart from it, one of 100 by 400."""
    shapes = [
        shapely.box(500_000, 4_000_000, 500_300, 4_000_400),
        shapely.box(500_400, 4_000_000, 500_500, 4_000_400),
    ]
    (wood.folder / "stands.gpkg").unlink()
    layer = gpd.GeoDataFrame(
        {"stand": ["A", "A"], "stratum": ["oak", "oak"], "canopy": canopy},
        geometry=shapes,
        crs="EPSG:32617",
    )
    layer.to_file(wood.folder / "stands.gpkg")
    plots = wood.listed("A" * 6, covariate=[40.0, 62.0, 15.0, 55.0, 48.0, 30.0])
    trees = wood.some_trees(list(plots["plot"]), [4, 6, 2, 5, 5, 3])
    wood.cruise('design = "point"\nbaf = 10\nestimator = "ratio"', plots, trees)
    wood.swap("tract.toml", 'file = "stands.gpkg"', 'file = "stands.gpkg"\ncovariate = "canopy"')


def test_the_covariate_of_a_stand_in_parts_is_their_mean_by_acres(wood) -> None:
    in_two_parts(wood, [60.0, 20.0])
    found = wood.appraise()
    y = wood.per_acre(found, [f"A{i}" for i in range(1, 7)], 10.0)
    known = ratio_of_means(y, [40.0, 62.0, 15.0, 55.0, 48.0, 30.0]).times(50.0)
    assert found.total(CUFT).mean == pytest.approx(known.mean * found.gross_acres, rel=1e-6)
    changed = found.ledger[found.ledger["column"] == "covariate"]
    assert changed["old"].tolist() == ["60", "20"]
    np.testing.assert_allclose(changed["new"].astype(float), 50.0, atol=1e-4)


def test_a_part_without_a_covariate_leaves_its_stand_without_one(wood) -> None:
    in_two_parts(wood, [60.0, None])
    (found,) = [p for p in wood.check() if p.severity == "error"]
    assert (found.column, found.value) == ("covariate", "A")
    assert "the stand has no mean of the covariate" in found.what
