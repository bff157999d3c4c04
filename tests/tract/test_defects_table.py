"""The defects table: each fault has one message; what is right reaches its tree."""

from __future__ import annotations

import numpy as np
import pytest

HEADER = "plot,tree,kind,from_ft,to_ft,width_in,height_in,departure_in,angle_deg,percent,grade\n"
DEFECTS = """\
A1,1,rot,9,11.5,,,,,,
A1,1,Sweep,14,30,,,5,,,
A2,1,fork,31,,,,,,,
"""
TALLY = """\
plot,tree,species,dbh_in,saw_logs,height_ft
A1,1,white oak,18.2,2.5,84
A1,2,yellow-poplar,14.0,2,88
A2,1,white oak,9.1,,61
B1,1,loblolly pine,12.5,1.5,70
B2,1,loblolly pine,10.4,,66
"""


@pytest.fixture
def with_defects(tiny):
    tiny.write("tally.csv", TALLY)
    tiny.write("defects.csv", HEADER + DEFECTS)
    tiny.add("tract.toml", '\n[defects]\nfile = "defects.csv"\n')
    return tiny


def only(problems, severity="error"):
    found = [p for p in problems if p.severity == severity]
    assert len(found) == 1, "\n".join(map(str, problems))
    return found[0]


def test_several_rows_of_one_tree_and_the_words_of_the_woods(with_defects):
    defects = with_defects.read().defects
    assert defects["kind"].tolist() == ["cut out", "sweep", "fork"]
    assert defects["tree_row"].tolist() == [2, 2, 4]
    assert defects["to_ft"].tolist() == [11.5, 30, 31]  # a fork is at one height
    assert defects["departure_in"].tolist()[1] == 5


def test_without_the_table_there_are_no_defects(tiny):
    assert tiny.read().defects is None


def test_columns_by_other_names_and_in_metric(with_defects):
    with_defects.write(
        "defects.csv", "PLOT,TREE,WHAT,from_m,to_m,width_cm,tall_cm\nA1,1,squared,0,2,10,12\n"
    )
    with_defects.swap(
        "tract.toml",
        'file = "defects.csv"',
        'file = "defects.csv"\nkind = "WHAT"\nheight_cm = "tall_cm"',
    )
    row = with_defects.read().defects.iloc[0]
    np.testing.assert_allclose(
        [row["to_ft"], row["width_in"], row["height_in"]], [6.5617, 3.937, 4.7244], atol=1e-4
    )


BAD_ROWS = [
    # row typed,                 column,         value,   what,                       mend
    ("A1,1,sweap,1,17,,,5,,,", "kind", "sweap", "unknown kind", "Did you mean 'sweep'?"),
    ("A1,1,,1,17,,,5,,,", "kind", "", "no kind", "cut out, fork"),
    ("A1,1,rot,11,9,,,,,,", "to_ft", "9", "or below", "Swap"),
    ("A1,1,rot,9,9,,,,,,", "to_ft", "9", "or below", "Swap"),
    ("A1,1,rot,9,,,,,,,", "to_ft", "", "no end", "where it ends"),
    ("A1,1,rot,,9,,,,,,", "from_ft", "", "no beginning", "0 is the ground"),
    ("A1,1,rot,-1,9,,,,,,", "from_ft", "-1", "negative", "0 or more"),
    ("A1,1,rot,x,9,,,,,,", "from_ft", "x", "not a number", "Type the number"),
    ("A1,1,rot,80,85,,,,,,", "to_ft", "85", "ends above the top", "height is 84 ft"),
    ("A1,1,rot,90,95,,,,,,", "from_ft", "90", "begins above the top", "height is 84 ft"),
    ("A1,7,rot,9,11,,,,,,", "tree", "7", "no such tree", "Plot A1 has trees 1, 2."),
    ("C1,1,rot,9,11,,,,,,", "plot", "C1", "no tree on such a plot", "Plots tallied: A1"),
    ("A1,1,sweep,1,17,,,,,,", "departure_in", "", "needs departure_in", "'cut out'"),
    ("A1,1,squared,1,5,,4,,,,", "width_in", "", "needs width_in", "'cut out'"),
    ("A1,1,percent,1,5,,,,,140,", "percent", "140", "from 0 to 100", "as measured"),
    ("A1,1,wedge,1,5,,,,400,,", "angle_deg", "400", "from 0 to 360", "as measured"),
    ("A1,1,grade,1,5,,,,,,2.5", "grade", "2.5", "whole number", "as measured"),
    ("A1,1,grade,1,5,,,,,,", "grade", "", "needs grade", "1 the best"),
]


@pytest.mark.parametrize(("row", "column", "value", "what", "mend"), BAD_ROWS)
def test_a_bad_row_has_one_message(with_defects, row, column, value, what, mend):
    with_defects.write("defects.csv", HEADER + row + "\n")
    problem = only(with_defects.check())
    assert (problem.file, problem.row, problem.column) == ("defects.csv", 2, column)
    assert (problem.value or "") == value
    assert what in problem.what
    assert mend in problem.mend


def test_a_size_that_the_kind_has_no_use_for_is_told_of(with_defects):
    with_defects.write("defects.csv", HEADER + "A1,1,rot,9,11,4,,,,,\n")
    problem = only(with_defects.check(), "warning")
    assert problem.column == "width_in"
    assert "change the kind to 'squared'" in problem.mend


def test_a_tree_number_used_twice_is_no_address(with_defects):
    with_defects.swap("tally.csv", "A1,2,yellow", "A1,1,yellow")
    problems = [p for p in with_defects.check() if p.severity == "error"]
    assert [p.row for p in problems] == [2, 3]
    assert "two trees of this number" in problems[0].what


def test_a_tally_without_tree_numbers_is_counted_plot_by_plot(with_defects):
    lines = [line.split(",") for line in TALLY.splitlines()]
    with_defects.write("tally.csv", "\n".join(",".join([r[0], *r[2:]]) for r in lines) + "\n")
    with_defects.write("defects.csv", HEADER + "A1,2,rot,9,11,,,,,,\n")
    assert with_defects.read().defects["tree_row"].tolist() == [3]


def test_the_defect_of_a_dead_tree_is_set_aside_in_the_ledger(with_defects):
    with_defects.write("tally.csv", TALLY.replace("height_ft\n", "height_ft,status\n").replace(
        "A1,1,white oak,18.2,2.5,84\n", "A1,1,white oak,18.2,2.5,84,dead\n"))  # fmt: skip
    tract = with_defects.read()
    assert tract.defects["kind"].tolist() == ["fork"]
    entries = [e for e in tract.ledger if e.file == "defects.csv" and e.action == "set aside"]
    assert [e.row for e in entries] == [2, 3]
    assert "a dead tree" in entries[0].why


class TestLimitsThatNothingIsHeldAgainst:
    def grade_the_specs(self, tiny):
        tiny.write("products.csv", """\
product,kind,rank,species,min_dbh_in,min_top_in,min_length_ft,max_length_ft,max_grade,max_cull_pct
veneer,saw,1,any,10,8,8,16,1,
sawlog,saw,2,any,10,8,8,16,,30
pulpwood,bulk,3,any,4,3,8,40,,
""")  # fmt: skip
        tiny.add("prices.csv", "veneer,900,mbf,doyle\n")

    def warnings(self, tiny):
        return [p for p in tiny.check() if p.column in ("max_grade", "max_cull_pct")]

    def test_a_worst_grade_where_nobody_graded_and_a_cull_limit_where_nobody_looked(self, tiny):
        self.grade_the_specs(tiny)
        grade, cull = self.warnings(tiny)
        assert "nothing is cut for veneer" in grade.what
        assert "every tree passes for sawlog" in cull.what

    def test_a_graded_stretch_and_a_defect_are_enough(self, with_defects):
        self.grade_the_specs(with_defects)
        with_defects.add("defects.csv", "A1,2,grade,1,17,,,,,,1\n")
        assert self.warnings(with_defects) == []


@pytest.mark.parametrize("step", ["3", "0.7", "16"])
def test_a_length_step_off_the_half_log_is_told_of_with_its_row(tiny, step):
    tiny.add("tract.toml", f"\n[bucking]\nlength_step_ft = {step}\n")
    problem = only(tiny.check())
    assert (problem.file, problem.column) == ("tract.toml", "bucking.length_step_ft")
    assert problem.row is not None
    assert "go into 8 feet" in problem.what
    assert "0.5, 1 or 2" in problem.mend


@pytest.mark.parametrize("step", ["0.5", "1", "2", "8"])
def test_a_length_step_that_half_logs_lie_on(tiny, step):
    tiny.add("tract.toml", f"\n[bucking]\nlength_step_ft = {step}\n")
    assert tiny.read().settings.bucking.length_step_ft == float(step)
