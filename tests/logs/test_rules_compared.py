"""Which rule gives the most: Doyle, Scribner, International, and the sizes where that turns."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.logs import board_feet, rule_table

REFERENCE = Path(__file__).parents[1] / "reference"
quick = settings(max_examples=100, deadline=None)
LENGTHS = st.floats(8, 20)


def published(name):
    cells = pd.read_csv(REFERENCE / f"log_{name}.csv", comment="#")
    return cells.groupby(["dib_in", "length_ft"])["board_feet"]


def test_in_published_sizes_doyle_is_least_and_international_most_but_for_one():
    """The cells that the printed tables share: Doyle (the higher, where two differ by a rounding),
    Decimal C and International, 8 to 20 in by 8 to 16 ft, 53 of them. In 20 in by 8 ft Decimal C
    prints 14 tens (its formula gives 136) beside 135 (137.3) by International: roundings.
    """
    common = pd.concat(
        [
            published("doyle").max().rename("doyle"),
            published("scribner_c").min().rename("scribner_c"),
            published("international").min().rename("international"),
        ],
        axis=1,
        join="inner",
    )
    sizes = common.reset_index()
    assert len(common) == 53
    assert (sizes["dib_in"].min(), sizes["dib_in"].max()) == (8, 20)
    assert (sizes["length_ft"].min(), sizes["length_ft"].max()) == (8, 16)
    assert (common["doyle"] <= common["scribner_c"]).all()
    over = common[common["scribner_c"] > common["international"]]
    assert over[["scribner_c", "international"]].to_numpy().tolist() == [[140, 135]]
    assert over.index.tolist() == [(20, 8)]
    assert (common["doyle"] < common["international"]).all()


def test_in_every_published_tree_scribner_is_below_international():
    """Form class 78, 10 to 36 in and 1 to 5 logs: the cells that SREF and UF4H share."""
    cells = pd.read_csv(REFERENCE / "tree_form_class_78_mesavage_1946.csv", comment="#")
    cells = cells[cells["status"] == "published"]
    wide = cells.pivot_table(index=["dbh_in", "logs"], columns="rule", values="board_feet").dropna()
    assert len(wide) >= 90
    assert (wide["scribner"] < wide["international"]).all()


@quick
@given(st.floats(0, 120), LENGTHS)
def test_scribner_never_reaches_international_from_8_to_20_feet(dib, length):
    """By formula, at any diameter: even where one section of the log is a short one."""
    scribner = board_feet(dib, length, "scribner")
    assert scribner <= board_feet(dib, length, "international")


@quick
@given(st.floats(4, 24.6), LENGTHS)
def test_doyle_is_under_scribner_up_to_24_6_inches(dib, length):
    """By formula; Doyle's own (D - 4)^2 against 0.79 D^2 - 2 D - 4: they meet at 24.72 in."""
    assert board_feet(dib, length, "doyle") <= board_feet(dib, length, "scribner")


@quick
@given(st.floats(24.8, 120), LENGTHS)
def test_doyle_is_over_scribner_from_24_8_inches(dib, length):
    assert board_feet(dib, length, "doyle") > board_feet(dib, length, "scribner")


def crossing(one, other, length, low, high):
    """Return the diameter where one rule overtakes another, by halving."""
    for _ in range(60):
        middle = (low + high) / 2
        below = board_feet(middle, length, one) < board_feet(middle, length, other)
        low, high = (middle, high) if below else (low, middle)
    return low


@pytest.mark.parametrize(
    ("one", "other", "length", "dib_in"),
    [
        # Roots of 0.21 D^2 - 6 D + 20, and of (1 - 0.88 k) D^2 - (8 - 1.52 k) D + 16 + 1.36 k with
        # k = 0.904762, the statute's factor; both worked by hand.
        ("doyle", "scribner", 16, 24.72),
        ("doyle", "international", 16, 29.654),
        # 0.0015524 D^2 - 0.1423810 D + 1: four-foot pieces only.
        ("scribner", "international", 4, 7.66),
    ],
)
def test_where_one_rule_overtakes_another(one, other, length, dib_in):
    found = crossing(one, other, length, 5.0, 60.0)
    assert found == pytest.approx(dib_in, abs=0.005)


def test_in_the_printed_tables_doyle_passes_scribner_between_28_and_29_inches():
    """From memory that 28 in is the size; Scribner's column of 16 ft is from memory there too."""
    doyle, scribner = (rule_table(rule)[8:41, 16] for rule in ("doyle", "scribner"))
    ahead = np.arange(8, 41)[doyle > scribner]
    assert ahead.tolist() == list(range(29, 41))
