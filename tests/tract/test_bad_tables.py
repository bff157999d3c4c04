"""Bad tables: each fault has one message that names the file, row, column, value and mend."""

from __future__ import annotations

import openpyxl
import pytest

from standmap.errors import InputError

GOOD_ROW = "A1,white oak,18.2,2.5,84"


def only(problems, severity="error"):
    """Return the one problem of this severity; more than one would be noise."""
    found = [p for p in problems if p.severity == severity]
    assert len(found) == 1, "\n".join(map(str, problems))
    return found[0]


BAD_CELLS = [
    # row typed,                      column,      value,   what,                          mend
    ("A1,white oak,abc,2,84", "dbh_in", "abc", "not a number", "Type the number"),
    ("A1,white oak,inf,2,84", "dbh_in", "inf", "not a number", "Type the number"),
    ("A1,white oak,,2,84", "dbh_in", None, "no diameter", "Type its DBH"),
    ("A1,white oak,-18,2,84", "dbh_in", "-18", "negative", "Type the DBH"),
    ("A1,white oak,0,0,84", "dbh_in", "0", "zero is no tree", "Type the DBH"),
    ("A1,white oak,182,2,84", "dbh_in", "182", "over 120 inches", "decimal point"),
    ("A1,white oak,5.2,2,64", "saw_logs", "2", "too small for a sawlog", "Its DBH is 5.2 in"),
    ("A1,white oak,18,2.3,84", "saw_logs", "2.3", "not in halves", "2 or 2.5"),
    ("A1,white oak,18,2.25,84", "saw_logs", "2.25", "not in halves", "2 or 2.5"),
    ("A1,white oak,18,-1,84", "saw_logs", "-1", "cannot be negative", "0 if there are none"),
    ("A1,white oak,18,32,84", "saw_logs", "32", "more than 9", "feet typed as logs"),
    ("A1,white oak,18,two,84", "saw_logs", "two", "not a number", "blank the cell"),
    ("A1,white oak,18,4,40", "height_ft", "40", "lower than the top of the logs", "66.2 ft"),
    ("A1,white oak,18,2,840", "height_ft", "840", "over 385 feet", "decimal point"),
    ("A1,white oak,18,,3", "height_ft", "3", "below breast height", "blank the cell"),
    ("A1,,18,2,84", "species", None, "no species", "Type its species"),
    ("A1,wite oak,18,2,84", "species", "wite oak", "unknown species", "Did you mean white oak"),
    ("A1,9999,18,2,84", "species", "9999", "unknown species", "species.aliases"),
    ("A12,white oak,18,2,84", "plot", "A12", "not in the plot list", "Did you mean"),
    (",white oak,18,2,84", "plot", None, "no plot", "Type the plot"),
]


@pytest.mark.parametrize(("row", "column", "value", "what", "mend"), BAD_CELLS)
def test_bad_tally_cell(tiny, row, column, value, what, mend):
    tiny.swap("tally.csv", GOOD_ROW, row)
    problem = only(tiny.check())
    assert (problem.file, problem.row, problem.column) == ("tally.csv", 2, column)
    assert problem.value == value
    assert what in problem.what
    assert mend in problem.mend


MORE_COLUMNS = [
    ("count", "-2", "a count is a whole number"),
    ("count", "1.3", "a count is a whole number"),
    ("form_class", "0.78", "between 50 and 100"),
    ("defect_pct", "140", "between 0 and 100"),
    ("status", "felled", "unknown status"),
    ("product", "sawlgo", "not in the product specs"),
    ("broken_height_ft", "90", "above the total height"),
    ("broken_height_ft", "30", "lower than the top of the logs"),
    ("saw_height_ft", "-3", "cannot be negative"),
]


@pytest.mark.parametrize(("column", "value", "what"), MORE_COLUMNS)
def test_bad_cell_of_an_optional_column(tiny, column, value, what):
    tiny.write(
        "tally.csv",
        "plot,species,dbh_in,saw_logs,height_ft," + column + "\n"
        f"A1,white oak,18.2,2.5,84,\nA2,white oak,18.2,2.5,84,{value}\n",
    )
    problem = only(tiny.check())
    assert (problem.row, problem.column, problem.value) == (3, column, value)
    assert what in problem.what


def test_total_height_lower_than_saw_height(tiny):
    tiny.write("tally.csv", "plot,species,dbh_in,saw_height_ft,height_ft\nA1,white oak,18,60,52\n")
    problem = only(tiny.check())
    assert (problem.column, problem.value) == ("height_ft", "52")
    assert "The saw height is 60 ft" in problem.mend


def test_a_count_to_the_nearest_half_may_pass_a_measured_break(tiny):
    """Two logs reach 33.6 ft; a break taped at 32 ft is the same tree."""
    tiny.write("tally.csv", "plot,species,dbh_in,saw_logs,broken_height_ft\nA1,802,18,2,32\n")
    assert not [p for p in tiny.check() if p.severity == "error"]


def test_a_borderline_tree_may_count_half(tiny):
    tiny.write("tally.csv", "plot,species,dbh_in,height_ft,count\nA1,802,18,80,0.5\n")
    assert tiny.read().accounting()["tallied"] == 0.5


def test_the_value_shown_is_the_one_typed_not_the_converted(tiny):
    tiny.write("tally.csv", "plot,species,dbh_cm\nA1,802,400\n")
    problem = only(tiny.check())
    assert (problem.column, problem.value) == ("dbh_cm", "400")


def test_centimetres_in_an_inch_column_are_suspected(tiny):
    rows = "".join(f"A1,802,{d}\n" for d in (45, 52, 61))
    tiny.write("tally.csv", "plot,species,dbh_in\n" + rows)
    assert any("thicker than 52 inches" in p.what for p in tiny.check())


def test_all_problems_of_all_files_are_shown_together(tiny):
    tiny.swap("tally.csv", GOOD_ROW, "A1,white oak,abc,2,84")
    tiny.swap("plots.csv", "A2,500300", "A2,east")
    tiny.swap("products.csv", "sawlog,saw,any,10", "sawlog,saw,any,ten")
    tiny.swap("prices.csv", "8,ton", "8,bale")
    tiny.add("tract.toml", '[units]\nfile = "unit.gpkg"\n')
    with pytest.raises(InputError, match="5 problems to mend") as caught:
        tiny.read()
    found = {(p.file, p.row, p.column) for p in caught.value.problems if p.severity == "error"}
    assert found >= {
        ("tally.csv", 2, "dbh_in"),
        ("plots.csv", 3, "x"),
        ("products.csv", 2, "min_dbh_in"),
        ("unit.gpkg", None, None),
    }


def test_long_lists_are_cut_in_print_and_kept_whole(tiny):
    tiny.write("tally.csv", "plot,species,dbh_in\n" + "A1,802,x\n" * 50)
    with pytest.raises(InputError, match="and 30 more") as caught:
        tiny.read()
    errors = [p for p in caught.value.problems if p.severity == "error"]
    assert len(errors) == 50
    assert str(caught.value).count("\n") == 21
    assert errors[-1].row == 51


def test_rows_are_those_of_the_spreadsheet_past_blank_lines_and_notes(tiny):
    tiny.write("tally.csv", "# taken in March\nplot,species,dbh_in\nA1,802,12\n\n,,\nA1,802,x\n")
    assert only(tiny.check()).row == 6


def test_a_quoted_line_break_is_one_row(tiny):
    tiny.write("tally.csv", 'plot,species,dbh_in,note\nA1,802,12,"two\nlines"\nA1,802,x,\n')
    assert only(tiny.check()).row == 3


FILES = [
    (b"", "the file is empty"),
    (b"\n\n", "the file is empty"),
    (b"plot,species,dbh_in\n", "a header and no rows"),
    (b"plot,species,dbh_in\nA1,802,12,14,15\n", "more cells than the header's 3"),
    (b'plot,species,dbh_in\nA1,"802,12\n', "never closed"),
    (b"PK\x03\x04\x00\x00\x00\x00", "not a text table"),
    (b"plot,dbh_in\nA1,12\n", "the column is missing"),
    (b"plot,species,dbh_in\nA1,,\n", "the tally has no trees"),
    (b"plot,species,dbh_in,dbh_in\nA1,802,12,13\n", "2 columns have this name"),
]


@pytest.mark.parametrize(("content", "what"), FILES)
def test_a_tally_that_is_no_table(tiny, content, what):
    tiny.write("tally.csv", content)
    problem = only(tiny.check())
    assert problem.file == "tally.csv"
    assert what in problem.what


def test_missing_file_names_the_nearest(tiny):
    tiny.swap("tract.toml", '"tally.csv"', '"taly.csv"')
    problem = only(tiny.check())
    assert problem.file == "taly.csv"
    assert problem.mend == "Did you mean 'tally.csv'?"


def test_missing_column_names_the_nearest_header(tiny):
    tiny.swap("tally.csv", "species,dbh_in", "species,dbh")
    problem = only(tiny.check())
    assert problem.column == "dbh_in"
    assert 'dbh_in = "dbh"' in problem.mend


def test_mapped_column_that_is_not_there(tiny):
    tiny.swap("tract.toml", 'file = "tally.csv"', 'file = "tally.csv"\ndbh_in = "DBH1"')
    problem = only(tiny.check())
    assert problem.column == "DBH1"
    assert "Did you mean 'dbh_in'" in problem.mend


def test_a_misspelt_optional_column_is_not_passed_over_in_silence(tiny):
    tiny.swap("tally.csv", "saw_logs", "saw_log")
    problem = only(tiny.check(), "warning")
    assert problem.column == "saw_log"
    assert 'saw_logs = "saw_log"' in problem.mend


def test_workbook_faults(tiny):
    book = openpyxl.Workbook()
    book.active.title = "March"
    book.create_sheet("May")
    book.save(tiny.folder / "tally.xlsx")
    tiny.swap("tract.toml", "tally.csv", "tally.xlsx")
    problem = only(tiny.check())
    assert "several sheets" in problem.what
    assert "March, May" in problem.mend
    tiny.swap("tract.toml", '"tally.xlsx"', '"tally.xlsx"\nsheet = "June"')
    assert "no such sheet" in only(tiny.check()).what
    tiny.write("tally.xlsx", b"not a workbook")
    assert "cannot be read as a workbook" in only(tiny.check()).what


def test_a_file_of_another_kind(tiny):
    tiny.write("tally.pdf", b"%PDF-1.4")
    tiny.swap("tract.toml", "tally.csv", "tally.pdf")
    assert "not a table" in only(tiny.check()).what
    tiny.write("tally.parquet", b"PAR1")
    tiny.swap("tract.toml", "tally.pdf", "tally.parquet")
    assert "cannot be read as Parquet" in only(tiny.check()).what


def test_zero_price_is_a_warning_and_negative_an_error(tiny):
    tiny.swap("prices.csv", "pulpwood,8", "pulpwood,0")
    problem = only(tiny.check(), "warning")
    assert (problem.file, problem.row, problem.column) == ("prices.csv", 3, "price_usd")
    tiny.swap("prices.csv", "pulpwood,0", "pulpwood,-8")
    assert only(tiny.check()).value == "-8"


def test_price_for_an_unknown_product(tiny):
    tiny.write("prices.csv", "product,price_usd,unit,log_rule\n\nsawlogs,300,mbf,doyle\n")
    problem = only(tiny.check())
    assert (problem.row, problem.value) == (3, "sawlogs")  # the blank line is a row
    assert "Did you mean 'sawlog'" in problem.mend


def test_mapped_price_columns(tiny):
    tiny.swap("prices.csv", "product,price_usd", "ITEM,Dollars")
    tiny.swap("tract.toml", '"prices.csv"', '"prices.csv"\nproduct = "item"\nprice_usd = "Dollars"')
    assert tiny.check() == []
    tiny.swap("tract.toml", '"Dollars"', '"Dolars"')
    assert "Did you mean 'Dollars'" in only(tiny.check()).mend


NOBODY = [
    ("veneer,saw,black walnut,16,12,8,16", "None is of its species"),
    ("veneer,saw,any,40,12,8,16", "None of its species has a DBH of 40 in up"),
    ("veneer,saw,loblolly pine,10,14,8,16", "None is as thick as its top"),
]


@pytest.mark.parametrize(("row", "why"), NOBODY)
def test_product_nobody_can_make(tiny, row, why):
    tiny.add("products.csv", row + "\n")
    problem = only(tiny.check(), "warning")
    assert (problem.row, problem.value) == (4, "veneer")
    assert why in problem.mend


def test_called_product_takes_the_name_of_its_spec(tiny):
    tiny.write(
        "tally.csv", "plot,species,dbh_in,saw_logs,product\nA1,802,18,2,SAWLOG\nA2,802,18,2,\n"
    )
    assert list(tiny.read().trees["product"]) == ["sawlog", ""]


def test_the_same_tree_number_twice_is_used_and_said(tiny):
    tiny.write("tally.csv", "plot,tree,species,dbh_in,saw_logs\nA1,1,802,18,2\nA1,1,802,18,2\n")
    problem = [p for p in tiny.check() if p.column == "tree"]
    assert [p.row for p in problem] == [3]
    assert tiny.read().accounting()["used"] == 2


def test_bad_alias(tiny):
    tiny.add("tract.toml", '[species.aliases]\nYP = "yelow-poplar"\n')
    tiny.swap("tally.csv", "yellow-poplar", "YP")
    problem = only(tiny.check())  # the rows that use it are not blamed as well
    assert problem.column == "species.aliases.YP"
    assert "yellow-poplar" in problem.mend


def test_columns_that_look_like_coordinates_are_hinted_at(tiny):
    tiny.swap("plots.csv", "plot,x,y", "plot,Longitude,lat")
    found = [p for p in tiny.check() if p.file == "plots.csv"]
    assert [p.column for p in found] == ["x", "y"]
    assert 'x = "Longitude"' in found[0].mend
    assert 'y = "lat"' in found[1].mend


def test_an_unknown_ecodivision_is_found_before_any_computing(tiny):
    tiny.swap("tract.toml", 'name = "Two Squares"', 'name = "Two"\necodivision = "23O"')
    problem = only(tiny.check())
    assert (problem.file, problem.column, problem.value) == (
        "tract.toml",
        "tract.ecodivision",
        "23O",
    )


def test_a_fault_in_the_tally_does_not_hide_what_the_map_has_to_say(tiny):
    tiny.swap("tally.csv", "18.2", "abc")
    tiny.write(
        "plots.csv",
        "plot,x,y\nA1,500100,4000100\nA2,500300,4000300\nB1,500200,4000100\nB2,500300,4000200\n",
    )
    assert only(tiny.check(), "warning").value == "B"


def test_a_common_fault_does_not_hide_a_rare_one_of_its_kind(tiny):
    tiny.write("tally.csv", "plot,species,dbh_in\n" + "A1,LOB,9\n" * 50 + "A1,SLP,9\n")
    with pytest.raises(InputError, match="and 31 more") as caught:
        tiny.read()
    assert "row 52, column 'species': unknown species (got 'SLP')" in str(caught.value)


def test_an_alias_to_copy_is_quoted_where_toml_asks_for_it(tiny):
    tiny.swap("tally.csv", "A2,white oak", "A2,wte owk")
    assert 'add "wte owk" = "..."' in only(tiny.check()).mend


def test_a_plot_number_with_a_decimal_is_the_plot(tiny):
    for name in ("plots.csv", "tally.csv"):
        text = (tiny.folder / name).read_text()
        tiny.write(name, text.replace("A1", "101").replace("A2", "1010"))
    tiny.swap("tally.csv", "1010,white oak", "1010.0,white oak")
    tract = tiny.read()
    assert tract.problems == ()
    assert tract.trees["plot"].tolist()[2] == "1010"
    assert [(e.row, e.old, e.new) for e in tract.ledger if e.action == "changed"] == [
        (4, "1010.0", "1010")
    ]


def test_trees_without_height_or_logs_are_found_before_any_computing(tiny):
    tiny.write("tally.csv", "plot,species,dbh_in,saw_logs\nA1,802,14,2\nA2,802,9,\nB1,131,9,0\n")
    found = [p for p in tiny.check() if p.severity == "error"]
    assert [(p.row, p.column) for p in found] == [(3, "height_ft"), (4, "height_ft")]
    assert "no height and no log count" in found[0].what


def test_a_tally_of_which_no_tree_counts_says_so(tiny):
    tiny.write("tally.csv", "plot,species,dbh_in,status\nA1,802,14,dead\nB1,131,9,dead\n")
    tract = tiny.read()
    assert any("every volume and value is zero" in p.what for p in tract.problems)


def test_a_column_mapped_to_nothing_is_told_of_once(tiny):
    tiny.swap("tract.toml", 'file = "plots.csv"', 'file = "plots.csv"\ny = "yy"')
    problem = only(tiny.check())
    assert problem.column == "yy"
    tiny.swap("tract.toml", '\ny = "yy"', "")
    tiny.swap("tract.toml", 'file = "stands.gpkg"', 'file = "stands.gpkg"\nid = "standd"')
    assert [(p.column, p.severity) for p in tiny.check()] == [("standd", "error")]


def test_more_logs_than_anyone_would_saw_from_a_small_tree_are_doubted(tiny):
    # By the form-class taper the third log of an 8-inch tree ends at 4.1 in, the fourth at 2.9.
    tiny.swap("tally.csv", GOOD_ROW, "A1,white oak,8,3,84")
    assert tiny.check() == []
    tiny.swap("tally.csv", "A1,white oak,8,3,84", "A1,white oak,8,4,84")
    problem = only(tiny.check(), "warning")
    assert (problem.row, problem.column, problem.value) == (2, "saw_logs", "4")
    assert "under 4 inches" in problem.what
    assert "about 2.9 in" in problem.mend


def test_a_price_header_of_another_name_is_told_of_once(tiny):
    tiny.swap("prices.csv", "product,price_usd", "product,price")
    problem = only(tiny.check())
    assert (problem.file, problem.column) == ("prices.csv", "price_usd")
    assert 'write price_usd = "price" in the tract file' in problem.mend


def test_a_top_header_of_another_name_is_told_of_once(tiny):
    tiny.swap("products.csv", "min_top_in", "top_in")
    problem = only(tiny.check())
    assert (problem.file, problem.column) == ("products.csv", "min_top_in")
    assert "If it is 'top_in', rename it" in problem.mend


@pytest.mark.parametrize("name", ["prices.csv", "products.csv"])
def test_an_unknown_species_of_a_sheet_is_said_once(tiny, name):
    if name == "prices.csv":
        tiny.swap(name, "log_rule", "log_rule,species")
        tiny.swap(name, "doyle", "doyle,oak; wite oak")
    else:
        tiny.swap(name, "saw,any", "saw,oak; wite oak")
    problem = only(tiny.check())
    assert problem.what == "unknown species or group 'wite oak'"
    assert problem.value == "oak; wite oak"
    assert problem.mend.startswith("Did you mean")
    assert str(problem).count("unknown species") == 1


MILLS = """\
mill,product,price_usd,unit,log_rule,basis
Ridge Mill,sawlog,300,mbf,doyle,stumpage
Creek Mill,sawlog,260,mbf,doyle,stumpage
Creek Mill,pulpwood,6,ton,,stumpage
"""


def sent(tiny, stated):
    tiny.write("mills.csv", MILLS)
    tiny.add("tract.toml", f'\n[mills]\nfile = "mills.csv"\n\n[mills.send]\n{stated}\n')


def test_a_stated_mill_gets_its_product_in_any_case(tiny):
    sent(tiny, 'Sawlog = "creek mill"')
    sheet = tiny.read().mills
    assert dict(sheet.stated) == {"sawlog": "Creek Mill"}
    assert [(x.mill, x.product) for x in sheet.lines] == [
        ("Creek Mill", "sawlog"),
        ("Creek Mill", "pulpwood"),
    ]


@pytest.mark.parametrize(
    ("stated", "column", "value", "what", "mend"),
    [
        ('sawlgo = "Ridge Mill"', "mills.send", "sawlgo", "no product spec", "mean 'sawlog'"),
        ('sawlog = "Rigde Mill"', "mills.send.sawlog", "Rigde Mill", "no such", "'Ridge Mill'"),
        (
            'pulpwood = "Ridge Mill"',
            "mills.send.pulpwood",
            "Ridge Mill",
            "'Ridge Mill' has no line for 'pulpwood'",
            "a mill that buys it (Creek Mill)",
        ),
    ],
)
def test_a_stated_mill_that_cannot_be(tiny, stated, column, value, what, mend):
    sent(tiny, stated)
    problem = only(tiny.check())
    assert (problem.file, problem.column, problem.value) == ("tract.toml", column, value)
    assert what in problem.what
    assert mend in problem.mend


def test_mills_alone_are_prices_enough(tiny):
    tiny.write("mills.csv", MILLS)
    tiny.swap("tract.toml", '[prices]\nfile = "prices.csv"', '[mills]\nfile = "mills.csv"')
    assert not [p for p in tiny.check() if p.column == "prices"]
