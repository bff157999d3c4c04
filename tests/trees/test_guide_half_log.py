"""The guide's worked tree: a half log at the top is not half of the butt log."""

from __future__ import annotations

import pytest

from standmap.guide import page
from standmap.single import scale_tree


@pytest.fixture(scope="module")
def card():
    return scale_tree("white oak", 23, 2.5)


def test_the_guide_prints_what_standmap_tree_prints(card):
    text = page("volume")
    printed = [line for line in str(card).splitlines() if line.strip()]
    for line in printed[2:7]:  # the heading, three logs and their total
        assert line in text


def test_the_half_log_is_less_than_half_of_the_butt_log(card):
    butt, half = card.logs.iloc[0], card.logs.iloc[2]
    assert half["length_ft"] == 8.0
    assert half["bf_international"] / (butt["bf_international"] / 2) == pytest.approx(
        0.62, abs=0.01
    )
    assert half["bf_doyle"] / (butt["bf_doyle"] / 2) == pytest.approx(0.61, abs=0.01)
    assert butt["bf_international"] * 2.5 == pytest.approx(576, abs=0.5)


def test_the_tree_table_takes_the_middle_of_two_logs_and_three():
    """404 (from the printed 22 and 24 in, UF4H) and 552 (from memory): 478."""
    tables = [scale_tree("white oak", 23, n).table_bf["international"] for n in (2, 2.5, 3)]
    assert tables == [404, 478, 552]


def test_how_far_the_two_ways_part():
    """Within 2 percent in this tree; 13 percent in a 10-inch tree of a log and a half, by Doyle."""
    here = scale_tree("white oak", 23, 2.5)
    for rule, table in here.table_bf.items():
        assert here.totals[f"bf_{rule}"] / table == pytest.approx(1.0, abs=0.02)
    small = scale_tree("white oak", 10, 1.5)
    assert small.totals["bf_doyle"] / small.table_bf["doyle"] == pytest.approx(1.13, abs=0.005)
