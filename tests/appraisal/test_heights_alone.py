"""A tally of every tree has no sampling error; heights from a curve still move its total."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import standmap
from standmap.report.answer import ten_lines
from standmap.report.cruise_page import cruise_html, cruise_lines

TREES = 400


def tallied(measured: int, seed: int = 5) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Loblolly pines of known heights; and the same with so many heights written down."""
    rng = np.random.default_rng(seed)
    dbh = np.clip(rng.gamma(9, 1.6, TREES), 6, 30).round(1)
    height = 4.5 + 95 * np.exp(-5.5 / (dbh + 1)) * np.exp(rng.normal(0, 0.1, TREES))
    plot = np.where(np.arange(TREES) % 2 == 0, "A1", "B2")
    known = pd.DataFrame({"plot": plot, "species": "loblolly pine", "dbh_in": dbh})
    known["height_ft"] = height.round(1)
    blank = rng.permutation(TREES)[measured:]
    written = known.copy()
    written.loc[blank, "height_ft"] = np.nan
    return known, written


def appraised(wood, trees: pd.DataFrame, keys: str = 'design = "complete"') -> standmap.Appraisal:
    wood.cruise(keys, wood.listed("AB"), trees)
    return wood.appraise()


@pytest.fixture(scope="module")
def thirty(tmp_path_factory: pytest.TempPathFactory, wood_of) -> standmap.Appraisal:
    return appraised(wood_of(tmp_path_factory.mktemp("thirty")), tallied(30)[1])


def alone(found: standmap.Appraisal) -> pd.DataFrame:
    return found.cruise.heights_alone.set_index("measure")


def test_no_sampling_error_and_one_of_the_heights(thirty) -> None:
    assert thirty.total("volume_cuft").se == 0
    table = alone(thirty)
    assert list(table.index) == ["value_usd", "bf_international", "volume_cuft"]
    assert (table["measured"] == 30).all()
    assert (table["filled"] == TREES - 30).all()
    # By simulation 2.1 percent (one standard error, of DBH squared x height; guide page
    # ``redrawn``); at 90 percent 1.7 of them.
    assert 2.0 < table.loc["volume_cuft", "error_pct"] < 6.0
    assert table.loc["bf_international", "error_pct"] > table.loc["volume_cuft", "error_pct"]


def test_the_total_lies_within_what_is_stated(wood, wood_of, tmp_path, thirty) -> None:
    truth = appraised(wood, tallied(30)[0])
    assert truth.cruise.heights_alone.empty  # every height was measured
    for measure, row in alone(thirty).iterrows():
        off = row["estimate"] - truth.total(str(measure)).mean
        assert abs(off) < 3 * row["se"]
        assert row["estimate"] == thirty.total(str(measure)).mean


def test_more_heights_are_surer(wood, thirty) -> None:
    many = alone(appraised(wood, tallied(200)[1]))
    few = alone(thirty)
    assert (many["se"] < 0.65 * few["se"]).all()  # by the root of 30 / 200, or 0.39, and chance


def test_a_row_of_several_trees_is_each_of_them(wood, thirty) -> None:
    trees = tallied(30)[1]
    one = alone(thirty).loc["volume_cuft"]
    twice = trees.assign(count=np.where(trees["height_ft"].isna(), 2, 1))
    two = alone(appraised(wood, twice)).loc["volume_cuft"]
    assert two["filled"] == 2 * one["filled"]
    assert 1.85 < two["se"] / one["se"] < 2.0  # the curve errs twice as far, the trees' own not


def test_the_warning_says_how_much_and_the_page_shows_it(thirty) -> None:
    (said,) = [p for p in thirty.problems if "come from a curve" in p.what]
    at = alone(thirty).loc["value_usd", "error_pct"]
    assert "370 of 400 trees" in said.what
    assert f"may be off by {at:.1f} % at 90%" in said.what
    page = cruise_html(thirty)
    assert "The error of the heights alone" in page
    assert "Heights were measured on 30 of 400 trees" in page


@pytest.mark.parametrize(
    "keys",
    ['design = "fixed"\nplot_acres = 0.5', 'design = "complete"\nestimator = "sample_tree"'],
)
def test_where_plots_or_trees_were_drawn_the_error_is_theirs(wood, keys: str) -> None:
    plots = wood.listed("AABB")
    trees = tallied(30)[1]
    trees["plot"] = plots["plot"].to_numpy()[np.arange(TREES) % 4]
    if "sample_tree" in keys:
        trees["measured"] = np.where(np.arange(TREES) % 5 == 0, "yes", "no")
        trees.loc[trees.index % 10 == 0, "height_ft"] = 70 + trees["dbh_in"]
    wood.cruise(keys, plots, trees)
    assert wood.appraise().cruise.heights_alone.empty


def test_the_page_of_a_whole_tally_speaks_of_no_draw(thirty) -> None:
    page = cruise_html(thirty)
    told = page[: page.index("<h2>Guide</h2>")]
    assert "Its error comes from nothing, where every tree was tallied." in told
    assert "plots of a stand differ" not in told
    assert "The interval, made in more than one way" not in told
    assert "± 0.0%" not in told
    sure = dict(ten_lines(thirty))["How sure"]
    assert "drawn again" not in sure
    assert "Heights were measured on 30 of 400 trees" in sure
    assert "by heights from a curve alone" in thirty.summary()


def test_a_stratum_tallied_whole_beside_one_of_points(wood) -> None:
    wood.layer("stands.gpkg", 2, stand=["A", "B"], stratum=["oak", "pine"])
    rng = np.random.default_rng(8)
    points = wood.some_trees(["A1", "A2", "A3"], [5, 6, 7])
    whole = tallied(30)[1].assign(plot="B4")
    wood.cruise(
        'design = "point"\nbaf = 10\n[[cruise.parts]]\nstratum = "pine"\ndesign = "complete"',
        wood.listed("AAAB"),
        pd.concat([points, whole]).sample(frac=1, random_state=rng),
    )
    found = wood.appraise()
    strata = found.cruise.strata.set_index("stratum")
    assert strata.loc["pine", "estimator"] == "the sum of the trees"
    assert strata.loc["oak", "estimator"] == "the mean of the plots"
    row = alone(found).loc["volume_cuft"]
    assert (row["measured"], row["filled"]) == (30, 370)
    # A curve of measured pines alone would err as in the pine stand by itself; it serves no oak.
    assert 0 < row["se"] < found.total("volume_cuft").se
    told = dict(cruise_lines(found))["A stand's figure"]
    assert "the mean of the plots; or the sum of the trees" in told
