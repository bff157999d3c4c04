"""Edges, half plots, borderline trees and plots in the wrong place: as read, and as refused."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import shapely

from standmap.tract.borderline import level_distance_ft

HEADER = "plot,species,dbh_in,saw_logs,height_ft"


def only(problems, severity="error"):
    """Return the one problem of this severity; more than one would be noise."""
    found = [p for p in problems if p.severity == severity]
    assert len(found) == 1, "\n".join(map(str, problems))
    return found[0]


def cruise(tiny, *lines):
    tiny.swap("tract.toml", "baf = 10", "\n".join(["baf = 10", *lines]))


def plots(tiny, *keys):
    tiny.swap("tract.toml", 'crs = "EPSG:32617"', "\n".join(['crs = "EPSG:32617"', *keys]))


# --- how a tree by the edge counts -----------------------------------------------------------


def test_a_plot_takes_its_own_way_with_edges_else_that_of_the_cruise(tiny):
    cruise(tiny, 'edge = "walkthrough"')
    tiny.write(
        "plots.csv",
        "plot,x,y,edge,share\nA1,500100,4000100,Mirage,\nA2,500300,4000300,,1\n"
        "B1,500500,4000100,half plot,0.5\nB2,500700,4000300,none,\n",
    )
    tract = tiny.read()
    assert tract.plots["edge"].tolist() == ["mirage", "walkthrough", "half_plot", "none"]
    assert tract.plots["share"].tolist() == [1, 1, 0.5, 1]
    assert tract.problems == ()


def test_a_half_plot_without_a_word_is_one(tiny):
    tiny.write("plots.csv", "plot,x,y,share\nA1,500100,4000100,0.25\nA2,500300,4000300,\n")
    tiny.swap("tally.csv", "B1,", "A1,")
    tiny.swap("tally.csv", "B2,", "A1,")
    assert tiny.read().plots["edge"].tolist() == ["half_plot", ""]


BAD_PLOTS = [
    ("edge", "mirrage", "unknown way to count trees", "Did you mean 'mirage'?"),
    ("share", "0", "above 0 and up to 1", "0.5 for a half plot"),
    ("share", "50", "above 0 and up to 1", "0.5 for a half plot"),
    ("share", "half", "not a number", "Type the number"),
]


@pytest.mark.parametrize(("column", "value", "what", "mend"), BAD_PLOTS)
def test_bad_edges_of_plots(tiny, column, value, what, mend):
    text = "plot,x,y," + column + f"\nA1,500100,4000100,{value}\nA2,500300,4000300,\n"
    tiny.write("plots.csv", text + "B1,500500,4000100,\nB2,500700,4000300,\n")
    problem = only(tiny.check())
    assert (problem.file, problem.row, problem.column) == ("plots.csv", 2, column)
    assert problem.value == value
    assert what in problem.what
    assert mend in problem.mend


@pytest.mark.parametrize(
    ("edge", "share", "what"),
    [
        ("walkthrough", "0.5", "made up twice"),
        ("mirage", "0.5", "made up twice"),
        ("none", "0.5", "nothing is made up"),
    ],
)
def test_a_part_of_a_plot_is_not_corrected_again(tiny, edge, share, what):
    cruise(tiny, f'edge = "{edge}"')
    text = f"plot,x,y,share\nA1,500100,4000100,{share}\nA2,500300,4000300,\n"
    tiny.write("plots.csv", text + "B1,500500,4000100,\nB2,500700,4000300,\n")
    problem = only(tiny.check())
    assert (problem.row, problem.column, problem.value) == (2, "share", "0.5")
    assert what in problem.what


def test_half_plots_are_named_and_none_is_there(tiny):
    cruise(tiny, 'edge = "half_plot"')
    problem = only(tiny.check(), "warning")
    assert (problem.file, problem.column, problem.value) == (
        "tract.toml",
        "cruise.edge",
        "half_plot",
    )
    assert "share of 0.5" in problem.mend


def test_an_unknown_way_with_edges_is_refused_in_the_tract_file(tiny):
    cruise(tiny, 'edge = "walk"')
    problem = only(tiny.check())
    assert (problem.file, problem.column, problem.value) == ("tract.toml", "cruise.edge", "walk")
    assert '"walkthrough"' in problem.mend


def times(tiny, value):
    tiny.write("tally.csv", f"{HEADER},times\nA1,white oak,18.2,2.5,84,{value}\n")


@pytest.mark.parametrize("value", ["0", "1.5", "5", "-1"])
def test_a_tree_counts_a_whole_number_of_times(tiny, value):
    times(tiny, value)
    problem = only(tiny.check())
    assert (problem.row, problem.column, problem.value) == (2, "times", value)
    assert "whole number of times" in problem.what


@pytest.mark.parametrize(
    ("edge", "value", "what"),
    [
        ("none", "2", "nothing is made up for edges"),
        ("walkthrough", "3", "once or twice"),
        ("half_plot", "2", "weighted for its edge"),
    ],
)
def test_a_tree_counts_no_more_often_than_the_method_allows(tiny, edge, value, what):
    cruise(tiny, f'edge = "{edge}"')
    times(tiny, value)
    problem = only(tiny.check())
    assert (problem.file, problem.row, problem.column, problem.value) == (
        "tally.csv",
        2,
        "times",
        value,
    )
    assert what in problem.what


def test_times_without_a_word_are_taken_as_typed_and_told_of(tiny):
    times(tiny, "2")
    tract = tiny.read()
    assert tract.trees["times"].tolist() == [2]
    told = [p for p in tract.problems if p.column == "times"]
    assert len(told) == 1
    assert 'edge = "walkthrough"' in told[0].mend


# --- which stand a plot is in ----------------------------------------------------------------


def off_record(tiny):
    """A1 lies in A, 300 m from B, which its record names."""
    tiny.write(
        "plots.csv",
        "plot,x,y,stand\nA1,500100,4000100,B\nA2,500300,4000300,A\n"
        "B1,500500,4000100,B\nB2,500700,4000300,B\n",
    )


@pytest.mark.parametrize(("wins", "stand"), [("map", "A"), ("note", "B")])
def test_the_user_says_whether_map_or_record_wins(tiny, wins, stand):
    off_record(tiny)
    plots(tiny, f'stand_wins = "{wins}"')
    tract = tiny.read()
    assert tract.plots["stand"].tolist() == [stand, "A", "B", "B"]
    assert tract.plots["recorded"].tolist() == ["B", "A", "B", "B"]
    problem = only([p for p in tract.problems if p.file == "plots.csv"], "warning")
    assert (problem.file, problem.row, problem.value) == ("plots.csv", 2, "B")
    assert "in A, 985 ft from B" in problem.mend
    (entry,) = tract.ledger
    assert (entry.row, entry.new, entry.action) == (2, stand, "changed")
    assert f'stand_wins = "{wins}"' in entry.why


def test_the_map_wins_by_a_hairs_breadth_if_the_user_says_so(tiny):
    # 10 m inside A: without a word the record of B is believed, 33 ft being a receiver's error.
    tiny.write(
        "plots.csv",
        "plot,x,y,stand\nA1,500390,4000100,B\nA2,500300,4000300,A\n"
        "B1,500500,4000100,B\nB2,500700,4000300,B\n",
    )
    assert tiny.read().plots["stand"].iloc[0] == "B"
    plots(tiny, 'stand_wins = "map"')
    assert tiny.read().plots["stand"].iloc[0] == "A"


def test_the_record_wins_outside_every_stand_too(tiny):
    tiny.write(
        "plots.csv",
        "plot,x,y,stand\nA1,499700,4000100,A\nA2,500300,4000300,A\n"
        "B1,500500,4000100,B\nB2,500700,4000300,B\n",
    )
    assert tiny.read().plots["stand"].iloc[0] == ""  # 985 ft off: set aside
    plots(tiny, 'stand_wins = "note"')
    tract = tiny.read()
    assert tract.plots["stand"].iloc[0] == "A"
    assert [(e.old, e.new) for e in tract.ledger] == [("map: outside every stand", "A")]


def test_in_an_overlap_the_record_decides_even_where_the_map_wins(tiny):
    tiny.layer(
        "stands.gpkg",
        [shapely.box(500000, 4e6, 500410, 4000400), shapely.box(500400, 4e6, 500800, 4000400)],
        stand=["A", "B"],
        stratum=["oak", "pine"],
    )
    tiny.write(
        "plots.csv",
        "plot,x,y,stand\nA1,500100,4000100,A\nA2,500300,4000300,A\n"
        "B1,500500,4000100,B\nB2,500700,4000300,B\n",
    )
    plots(tiny, 'stand_wins = "map"')
    problems = tiny.check()
    assert not [p for p in problems if p.column == "stand" and p.file == "plots.csv"]


# --- distances to trees ----------------------------------------------------------------------


def distances(tiny, *rows, column="distance_ft"):
    tiny.write("tally.csv", f"{HEADER},{column},slope_pct\n" + "".join(f"{r}\n" for r in rows))


def test_level_distances():
    trees = pd.DataFrame(
        {
            "distance_ft": [50.0, 50.0, np.nan],
            "slope_pct": [75.0, -75.0, 10.0],
            "dbh_in": [12.0, 12.0, 12.0],
        }
    )
    np.testing.assert_allclose(level_distance_ft(trees, to_face=False), [40, 40, np.nan])
    np.testing.assert_allclose(level_distance_ft(trees, to_face=True), [40.5, 40.5, np.nan])


def test_a_tree_beyond_its_limit_is_told_of_and_used(tiny):
    # BAF 10: a 12-inch tree counts to 33 ft (Forest Measurements II lecture, slide 10).
    distances(
        tiny, "A1,white oak,12,2,70,34.0,", "A1,white oak,12,2,70,32,", "A1,white oak,12,2,70,33.1,"
    )
    tract = tiny.read()
    told = [p for p in tract.problems if p.column == "distance_ft"]
    assert [(p.file, p.row, p.value) for p in told] == [("tally.csv", 2, "34.0")]
    assert "counts to 33.0 ft, level; this one is 1.0 ft beyond" in told[0].mend
    assert tract.trees["used"].all()
    noted = [e for e in tract.ledger if e.column == "distance_ft"]
    assert [(e.row, e.action) for e in noted] == [(4, "noted")]
    assert "borderline: within 0.2 ft of its limit of 33.00 ft" in noted[0].why


def test_a_tree_beyond_its_limit_is_set_aside_if_the_cruise_says_so(tiny):
    cruise(tiny, 'borderline = "set_aside"', "borderline_ft = 2")
    distances(tiny, "A1,white oak,12,2,70,35.5,", "A1,white oak,12,2,70,34.0,")
    tract = tiny.read()
    assert tract.trees["used"].tolist() == [False, True]
    assert tract.accounting()["used"] == 1
    gone = [e for e in tract.ledger if e.action == "set aside"]
    assert [(e.file, e.row) for e in gone] == [("tally.csv", 2)]


def test_on_a_slope_the_tape_is_longer(tiny):
    # On 50 percent a 12-inch tree counts to 36.9 ft along the tape.
    distances(tiny, "A1,white oak,12,2,70,36.5,50", "A1,white oak,12,2,70,36.5,")
    assert [p.row for p in tiny.read().problems if p.column == "distance_ft"] == [3]


def test_to_the_near_face_half_a_stem_is_added(tiny):
    # 24 inches: to the middle 66 ft, to the face 65.
    rows = ("A1,white oak,24,2,90,65.5,", "A1,white oak,24,2,90,64.5,")
    distances(tiny, *rows)
    assert not [p for p in tiny.read().problems if p.column == "distance_ft"]
    cruise(tiny, 'distance_to = "face"')
    assert [p.row for p in tiny.read().problems if p.column == "distance_ft"] == [2]


def test_metres_are_told_by_their_name(tiny):
    distances(tiny, "A1,white oak,12,2,70,10.5,", column="distance_m")  # 34.4 ft
    (told,) = [p for p in tiny.read().problems if p.column == "distance_ft"]
    assert told.value == "34.4"


def test_a_plots_radius_is_the_limit_of_fixed_plots(tiny):
    tiny.swap("tract.toml", 'design = "point"\nbaf = 10', 'design = "fixed"\nplot_acres = 0.1')
    distances(tiny, "A1,white oak,12,2,70,38,", "A1,white oak,30,2,90,37,")  # 37.24 ft
    (told,) = [p for p in tiny.read().problems if p.column == "distance_ft"]
    assert told.row == 2
    assert "37.2 ft" in told.mend


def test_a_strip_has_no_circle(tiny):
    tiny.swap("tract.toml", 'design = "point"\nbaf = 10', 'design = "strip"\nplot_acres = 1')
    distances(tiny, "A1,white oak,12,2,70,300,")
    tract = tiny.read()
    assert not [p for p in tract.problems if p.column == "distance_ft"]
    assert any("has no circle" in e.why for e in tract.ledger)


@pytest.mark.parametrize(
    ("row", "column", "value", "what"),
    [
        ("A1,white oak,12,2,70,-3,", "distance_ft", "-3", "between 0 and 500"),
        ("A1,white oak,12,2,70,3300,", "distance_ft", "3300", "between 0 and 500"),
        ("A1,white oak,12,2,70,near,", "distance_ft", "near", "not a number"),
        ("A1,white oak,12,2,70,30,400", "slope_pct", "400", "over 250 percent"),
    ],
)
def test_bad_distances(tiny, row, column, value, what):
    distances(tiny, row)
    problem = only(tiny.check())
    assert (problem.row, problem.column, problem.value) == (2, column, value)
    assert what in problem.what


# --- domains ---------------------------------------------------------------------------------


def domains(tiny, *lines):
    tiny.add("tract.toml", "\n".join(["[domains]", *lines, ""]))


def test_the_users_polygons_are_read_into_the_plane_of_the_stands(tiny):
    half = shapely.box(500000, 4000000, 500200, 4000400)
    tiny.layer("parts.gpkg", [half, half.buffer(10)], part=["hollow", "wider"])
    domains(tiny, 'file = "parts.gpkg"', 'id = "part"')
    tract = tiny.read()
    assert tract.domains["domain"].tolist() == ["hollow", "wider"]  # they may overlap
    assert tract.domains.crs == tract.crs


@pytest.mark.parametrize(
    ("lines", "column", "what"),
    [
        (['id = "part"'], "domains.id", "no file"),
        (['file = "parts.gpkg"', 'id = "prat"'], "prat", "no such column"),
        (['file = "parts.gpkg"'], "domain", "the column is missing"),
        (["min_plots = 1"], "domains.min_plots", "greater than or equal to 2"),
        (['file = "prts.gpkg"'], None, "no such file"),
    ],
)
def test_bad_domains(tiny, lines, column, what):
    tiny.layer("parts.gpkg", [shapely.box(500000, 4000000, 500200, 4000400)], part=["hollow"])
    domains(tiny, *lines)
    problem = only(tiny.check())
    assert problem.column == column
    assert what in problem.what


def test_a_domain_off_the_tract_and_one_without_a_name(tiny):
    away = shapely.box(600000, 4000000, 600200, 4000400)
    tiny.layer("parts.gpkg", [away], domain=["far"])
    domains(tiny, 'file = "parts.gpkg"')
    assert "outside every stand" in only(tiny.check(), "warning").what
    tiny.layer("parts.gpkg", [away], domain=[""])
    assert "no name" in only(tiny.check()).what
