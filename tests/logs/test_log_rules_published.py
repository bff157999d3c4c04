"""The four log rules against published tables; every table names its source in its header."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standmap.logs import board_feet, rule_table, segments_ft, table_status

REFERENCE = Path(__file__).parents[1] / "reference"


def published(name):
    return pd.read_csv(REFERENCE / f"log_{name}.csv", comment="#")


@pytest.mark.parametrize("rule", ["international", "scribner_c", "scribner"])
def test_table_gives_every_published_cell(rule):
    cells = published(rule)
    ours = board_feet(cells.dib_in, cells.length_ft, rule, form="table")
    wrong = cells[ours != cells.board_feet]
    assert wrong.empty, wrong.to_string()


@pytest.mark.parametrize(
    ("rule", "rows"), [("international", 133), ("scribner_c", 91), ("scribner", 1), ("doyle", 451)]
)
def test_no_published_cell_was_lost(rule, rows):
    assert len(published(rule)) == rows


@pytest.mark.parametrize("rule", ["international", "scribner_c", "scribner"])
def test_published_cells_are_marked_published(rule):
    cells = published(rule)
    assert set(table_status(cells.dib_in, cells.length_ft, rule)) == {"published"}


def test_international_formula_misses_three_published_cells_and_is_low_in_each():
    """Nearest 5 of the statute's formula against Wengert 2001 and LTLN."""
    cells = published("international")
    exact = board_feet(cells.dib_in, cells.length_ft, "international")
    missed = cells[5 * np.floor(exact / 5 + 0.5) != cells.board_feet]
    assert set(zip(missed.dib_in, missed.length_ft, strict=True)) == {(15, 16), (17, 14), (21, 8)}
    assert (missed.board_feet > exact[missed.index]).all()


def test_international_formula_is_the_published_16_foot_polynomial_times_the_statute_factor():
    """International 1/8-inch, 16 ft: 0.88 D^2 - 1.52 D - 1.36 prints 71.44 and 646 bf.

    The polynomial and both figures as printed on a university page under the name of the 1/4-inch
    rule; MCL 290.401 gives the factor 0.904762 that makes it so.
    """
    printed = np.array([71.44, 646.0])
    ours = board_feet([10.0, 28.0], 16, "international")
    np.testing.assert_allclose(ours / 0.904762, printed, rtol=0, atol=0.05)


@pytest.mark.parametrize(("dib_in", "first_section"), [(6.0, 3.31), (12.0, 20.95)])
def test_international_counts_a_two_foot_remainder_as_half_the_next_section(dib_in, first_section):
    """MCL 290.401: 0.904762 (0.22 D^2 - 0.71 D) a 4-ft section, half an inch thicker each."""
    one = board_feet(dib_in, 4, "international")
    following = board_feet(dib_in + 0.5, 4, "international")
    np.testing.assert_allclose(one, first_section, rtol=0, atol=0.005)
    np.testing.assert_allclose(
        board_feet(dib_in, 6, "international"), one + following / 2, rtol=1e-12
    )
    np.testing.assert_allclose(
        board_feet(dib_in, 7, "international"), one + 0.75 * following, rtol=1e-12
    )


def test_doyle_formula_gives_every_published_cell_but_two():
    """Chase 1913 p. 11 and a sawmill reprint; printed halves go either way."""
    cells = published("doyle")
    error = (board_feet(cells.dib_in, cells.length_ft, "doyle") - cells.board_feet).abs()
    off = cells[error > 0.5]
    # Chase prints 73 and 1003 where the formula gives 72.0 and 1002.4.
    assert off[["dib_in", "length_ft", "board_feet"]].to_numpy().tolist() == [
        [10, 32, 73],
        [31, 22, 1003],
    ]
    assert error.max() <= 1.0


def test_doyle_table_gives_every_cell_of_the_reprint():
    """The sawmill reprint rounds halves up, and so does the table."""
    cells = published("doyle")
    reprint = cells[cells.source.str.contains("TTDOYLE")]
    ours = board_feet(reprint.dib_in, reprint.length_ft, "doyle", form="table")
    np.testing.assert_array_equal(ours, reprint.board_feet)


@pytest.mark.parametrize(
    ("rule", "atol"),
    [
        ("international", 0.5),  # half the last printed digit
        ("scribner", 1.5),  # the printed totals stray from the formula by up to 1.3
    ],
)
def test_formulas_give_the_butt_logs_of_form_class_78_tables(rule, atol):
    """One-log trees of published tables; odd-inch rows are midpoints and are left out."""
    trees = published("one_log_trees").query(
        "rule == @rule and dbh_in % 2 == 0 and source != 'UMAINE7103'"
    )
    dib_in = (0.78 * trees.dbh_in).round(1)
    assert len(trees) >= 13
    np.testing.assert_allclose(board_feet(dib_in, 16, rule), trees.board_feet, rtol=0, atol=atol)


def test_a_scribner_stick_reads_159_for_a_16_inch_16_foot_log():
    """Nix 2014. The smoothing formula gives 166."""
    assert board_feet(16, 16, "scribner", form="table") == 159
    np.testing.assert_allclose(board_feet(16, 16, "scribner"), 166.24, rtol=0, atol=0.005)


def test_a_20_foot_15_inch_log_scales_as_two_10_foot_15_inch_logs():
    """Nix 2014: no taper is allowed below 22 ft."""
    assert segments_ft(20, max_segment_ft=16) == [10, 10]
    for rule in ("scribner", "scribner_c", "doyle"):
        whole = board_feet(15, 20, rule, large_dib_in=18)
        np.testing.assert_allclose(whole, 2 * board_feet(15, 10, rule), rtol=1e-12)


@pytest.mark.parametrize(
    ("length_ft", "longest_ft", "pieces"),
    [
        (24, 16, [12, 12]),  # over 16 ft in two or more, none under 12 ft
        (32, 16, [16, 16]),
        (32, 32, [32]),  # to 32 ft as one
        (40, 32, [20, 20]),  # 32 to 64 ft as two nearly equal, in even feet
        (46, 32, [22, 24]),
        (64, 32, [32, 32]),
    ],
)
def test_long_logs_are_cut_as_the_early_forest_service_cut_them(length_ft, longest_ft, pieces):
    """Boerker 1918, Our National Forests: inland, and Alaska and west of the Cascades."""
    assert segments_ft(length_ft, max_segment_ft=longest_ft) == pieces


def test_a_third_of_the_published_decimal_c_cells_differ_from_the_rounded_formula():
    cells = published("scribner_c")
    formula = board_feet(cells.dib_in, cells.length_ft, "scribner_c", form="formula")
    assert (formula != cells.board_feet).sum() == 33


@pytest.mark.parametrize(
    ("dib_in", "length_ft", "tens"),
    [(6, 16, 2), (7, 16, 3), (12, 16, 8), (20, 16, 28), (6, 8, 0.5)],
)
def test_decimal_c_cells_that_no_formula_gives(dib_in, length_ft, tens):
    """Wengert 2001."""
    assert rule_table("scribner_c")[dib_in, length_ft] == 10 * tens
