"""The tract file: unknown keys, wrong kinds, missing tables, and where each stands."""

from __future__ import annotations

import pytest

from standmap.errors import InputError
from standmap.tract import check_tract, read_tract


def only(problems):
    assert len(problems) == 1, "\n".join(map(str, problems))
    return problems[0]


KEYS = [
    # added to the tract file,              key,                line, value, mend
    ('[stream]\nfile = "s.gpkg"', "stream", 24, None, "Did you mean 'streams'"),
    ('[rasters]\nelevaton = "d.tif"', "rasters.elevaton", 25, "d.tif", "'elevation'"),
    ("[volume]\nform_clas = 78", "volume.form_clas", 25, "78", "'form_class'"),
    ("[volume]\nconfidence = 0.9", "volume.confidence", 25, "0.9", "belongs in [cruise]"),
    ('[volume]\nlog_rule = "doil"', "volume.log_rule", 25, "doil", '"doyle"'),
    ("[volume]\nform_class = 0.78", "volume.form_class", 25, "0.78", "such as 78"),
    ('[volume]\nform_class = "78"', "volume.form_class", 25, "78", "such as 78"),
    (
        "[buffers.widths_ft]\nperennial = -50",
        "buffers.widths_ft.perennial",
        25,
        "-50",
        "in feet on each side",
    ),
    ('[rasters]\nelevation_units = "yd"', "rasters.elevation_units", 25, "yd", '"us_ft"'),
]


@pytest.mark.parametrize(("text", "key", "line", "value", "mend"), KEYS)
def test_each_bad_key_is_named_with_its_line_and_the_nearest(tiny, text, key, line, value, mend):
    tiny.add("tract.toml", "\n" + text + "\n")
    problem = only(tiny.check())
    assert (problem.file, problem.column, problem.value) == ("tract.toml", key, value)
    assert problem.row == line
    assert mend in problem.mend


def test_confidence_typed_as_a_percent(tiny):
    tiny.swap("tract.toml", "baf = 10", "baf = 10\nconfidence = 90")
    problem = only(tiny.check())
    assert problem.column == "cruise.confidence"
    assert "0.90" in problem.mend


def test_a_required_key_with_a_bad_value_is_told_of_once(tiny):
    tiny.swap("tract.toml", '"point"', '"prism"')
    assert only(tiny.check()).column == "cruise.design"


@pytest.mark.parametrize("table", ["stands", "plots", "trees", "cruise"])
def test_a_required_table_is_missing(tiny, table):
    text = (tiny.folder / "tract.toml").read_text()
    blocks = [b for b in text.split("\n\n") if not b.startswith(f"[{table}]")]
    tiny.write("tract.toml", "\n\n".join(blocks))
    problem = only(tiny.check())
    assert problem.column == table
    first = " (Not cruised yet? `standmap layout` plans a tract's first cruise.)"
    assert problem.mend == f"Add [{table}]." + first * (table in ("plots", "trees"))


def test_an_unknown_key_does_not_hide_what_is_wrong_with_the_data(tiny):
    tiny.add("tract.toml", "[volume]\nform_clas = 78\n")
    tiny.swap("tally.csv", "18.2", "abc")
    assert {p.file for p in tiny.check()} == {"tract.toml", "tally.csv"}


SYNTAX = [
    ("name = Two Squares", 2),
    ('name = "Two Squares', 2),
    ('name = "a"\nname = "b"', 3),
]


@pytest.mark.parametrize(("line", "row"), SYNTAX)
def test_toml_faults_have_their_line(tiny, line, row):
    tiny.swap("tract.toml", 'name = "Two Squares"', line)
    problem = only(tiny.check())
    assert problem.row == row
    assert "not a valid TOML file" in problem.what


@pytest.mark.parametrize(
    ("content", "what"), [(b"", "is empty"), (b"\xff\xfe\x00[", "not UTF-8"), (b"\n", "is empty")]
)
def test_a_tract_file_that_is_no_text(tiny, content, what):
    tiny.write("tract.toml", content)
    assert what in only(tiny.check()).what


def test_where_there_is_no_tract(tmp_path):
    with pytest.raises(InputError, match="there is no such file or folder"):
        read_tract(tmp_path / "nowhere")
    assert "no tract file" in only(check_tract(tmp_path)).what
    (tmp_path / "one.toml").write_text("")
    (tmp_path / "two.toml").write_text("")
    problem = only(check_tract(tmp_path))
    assert "several .toml files" in problem.what
    assert "one.toml, two.toml" in problem.mend
    assert "one.toml" in only(check_tract(tmp_path / "on.toml")).mend


def test_a_key_of_a_repeated_table_has_the_line_of_its_own_part(tiny):
    tiny.swap(
        "tract.toml",
        "baf = 10\n",
        "baf = 10\n[[cruise.parts]]\nmin_dbh_in = 5\n[[cruise.parts]]\nmax_dbh = 4\n",
    )
    problem = next(p for p in tiny.check() if "unknown key" in p.what)
    assert (problem.row, problem.column) == (20, "cruise.parts.max_dbh")


def test_dates_and_numbers_that_stand_for_names(tiny):
    tiny.swap(
        "tract.toml", 'name = "Two Squares"', 'name = 230\necodivision = 230\ndate = "2026-05-04"'
    )
    tract = tiny.read()
    assert (tract.name, tract.settings.tract.ecodivision) == ("230", "230")
    assert tract.settings.tract.date.isoformat() == "2026-05-04"


@pytest.mark.parametrize("design", ['design = "prism"', ""])
def test_a_faulty_design_does_not_hide_the_faults_of_the_tally(tiny, design):
    tiny.swap("tract.toml", 'design = "point"', design)
    tiny.swap("tally.csv", "18.2", "big")
    assert [(p.file, p.column) for p in tiny.check()] == [
        ("tract.toml", "cruise.design"),
        ("tally.csv", "dbh_in"),
    ]
