"""What must hold of any log under any rule."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap._tables import load_table
from standmap.errors import DomainError
from standmap.logs import (
    TAPER_NOTES,
    board_feet,
    decimal_c_table,
    rule_table,
    segments_ft,
    table_status,
)
from standmap.logs import _kernels as kernels
from standmap.units import LOG_RULES

RULES = st.sampled_from(LOG_RULES)
FORMS = st.sampled_from(["formula", "table"])
DIBS = st.floats(0, 60)
LENGTHS = st.floats(0, 64)
quick = settings(max_examples=60, deadline=None)


@quick
@given(RULES, FORMS, DIBS, st.floats(0, 8), LENGTHS, st.floats(0, 16))
def test_a_thicker_and_longer_log_never_scales_less(rule, form, dib, wider, length, longer):
    small = board_feet(dib, length, rule, form=form)
    big = board_feet(dib + wider, length + longer, rule, form=form)
    assert 0 <= small <= big + 1e-9


@quick
@given(RULES, FORMS, st.lists(st.tuples(DIBS, LENGTHS), min_size=1, max_size=6))
def test_a_column_scales_as_its_logs_do(rule, form, logs):
    dib, length = np.array(logs).T
    one_by_one = [board_feet(d, ft, rule, form=form) for d, ft in logs]
    np.testing.assert_array_equal(board_feet(dib, length, rule, form=form), one_by_one)


@quick
@given(RULES, FORMS, DIBS, st.floats(0, 30), st.floats(20.5, 64))
def test_a_measured_large_end_never_lowers_a_doyle_or_scribner_log(rule, form, dib, taper, length):
    if rule in ("international", "scribner_c"):  # one has its own taper, the other tens to round
        return
    plain = board_feet(dib, length, rule, form=form)
    tapered = board_feet(dib, length, rule, form=form, large_dib_in=dib + taper)
    pieces = len(segments_ft(length))
    assert tapered >= plain - (pieces + length if form == "table" else 1e-9)


@quick
@given(st.floats(0.1, 150), st.floats(2, 40))
def test_segments_add_up_and_none_is_too_long(length, longest):
    pieces = segments_ft(length, max_segment_ft=longest)
    np.testing.assert_allclose(sum(pieces), length, rtol=0, atol=1e-5)
    assert max(pieces) <= longest + 1e-4


@quick
@given(st.floats(5, 40), st.floats(0, 10), st.floats(21, 40))
def test_a_long_log_is_the_sum_of_its_segments(dib, taper, length):
    volume, done = 0.0, 0.0
    for piece in segments_ft(length):
        volume += board_feet(dib + taper * done / length, piece, "doyle")
        done += piece
    ours = board_feet(dib, length, "doyle", large_dib_in=dib + taper)
    np.testing.assert_allclose(ours, volume, rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("rule", LOG_RULES)
@pytest.mark.parametrize("form", ["formula", "table"])
def test_tiny_logs_scale_nothing_and_never_less(rule, form):
    assert board_feet(1.0, 16, rule, form=form) == 0
    assert board_feet(12.0, 0, rule, form=form) == 0
    assert board_feet(0, 0, rule, form=form) == 0


def test_doyle_is_nothing_at_four_inches_and_below():
    assert board_feet([1, 3.9, 4], 16, "doyle").tolist() == [0, 0, 0]


def test_doyle_halves_rise_and_formula_uses_tenths():
    assert board_feet(12.4, 16, "doyle") == pytest.approx(70.56)
    assert board_feet(12.44, 16, "doyle", dib_rounding="tenth") == pytest.approx(70.56)
    assert board_feet(12.4, 16, "doyle", dib_rounding="inch") == 64
    assert board_feet(12.5, 16, "doyle", dib_rounding="inch") == 64
    assert board_feet(12.9, 16, "doyle", dib_rounding="inch_down") == 64


@pytest.mark.parametrize("dib_in", [11.51, 12.0, 12.4, 12.5])
def test_tables_take_the_nearest_inch_and_halves_to_the_lower(dib_in):
    assert board_feet(dib_in, 16, "scribner_c") == 80  # the 12-inch cell, Wengert 2001
    assert board_feet(12.500000001, 16, "scribner_c") == 80  # a half, but for the arithmetic
    assert board_feet(12.51, 16, "scribner_c") == 100  # the 13-inch cell
    assert board_feet(12.99, 16, "scribner_c", dib_rounding="inch_down") == 80


def test_tables_take_lengths_down_to_the_foot():
    assert board_feet(12, 16.9, "scribner_c") == 80
    assert board_feet(12, 15.9999999, "scribner_c") == 80
    assert board_feet(12, 8.5, "international", form="table") == 45  # Wengert 2001, 8 ft


@pytest.mark.parametrize("rule", LOG_RULES)
def test_no_table_cell_is_below_a_thinner_or_shorter_log(rule):
    table = rule_table(rule)
    assert (table[0, :17] == 0).all() and (table[:, 0] == 0).all()
    assert (np.diff(table, axis=0) >= 0).all()
    assert (np.diff(table, axis=1) >= 0).all()


def test_odd_lengths_take_the_mean_of_their_neighbours_with_halves_down():
    """12 in: 14 and 16 ft print 70 and 80 (Decimal C), 85 and 95 (International), Wengert 2001."""
    assert board_feet(12, 15, "scribner_c") == 70
    assert board_feet(12, 15, "international", form="table") == 90
    assert board_feet(13, 15, "international", form="table") == 105  # between 100 and 115


def test_odd_lengths_lie_between_their_even_neighbours():
    for rule in LOG_RULES:
        table = rule_table(rule)
        odd = table[:, 1:40:2]
        assert (table[:, 0:39:2] <= odd).all()
        assert (odd <= table[:, 2:41:2]).all()


def test_the_default_of_decimal_c_is_its_table_and_of_the_rest_the_formula():
    assert board_feet(12, 16, "scribner_c") == board_feet(12, 16, "scribner_c", form="table")
    assert board_feet(15, 16, "international") == board_feet(
        15, 16, "international", form="formula"
    )
    assert board_feet(12, 16, "scribner_c", form="formula") == 90  # 85.76 to the nearest 10


def test_beyond_the_printed_table_the_rounded_formula_carries_on():
    assert table_status([50, 12], [16, 24], "international").tolist() == ["formula", "formula"]
    exact = board_feet(50, 16, "international")
    assert abs(board_feet(50, 16, "international", form="table") - exact) <= 2.5
    exact = board_feet(50, 16, "scribner")
    assert abs(board_feet(50, 16, "scribner_c") - exact) <= 5


def test_decimal_c_longer_than_20_feet_is_two_pieces_of_the_same_diameter():
    table = decimal_c_table()
    assert table.shape == (121, 41)
    assert table[16, 32] == 2 * table[16, 16]
    assert table[14, 22] == table[14, 10] + table[14, 12]
    assert table_status(16, 32, "scribner_c") == "segments"


@pytest.mark.parametrize("rule", LOG_RULES)
def test_every_cell_has_a_standing_and_memory_is_not_called_published(rule):
    dib, length = np.meshgrid(np.arange(121), np.arange(151), indexing="ij")
    standing = set(np.unique(table_status(dib, length, rule)))
    assert standing <= {"published", "memory", "between", "formula", "segments"}
    if rule != "doyle":
        assert table_status(30, 20 if rule != "scribner" else 16, rule) == "memory"


def test_missing_in_missing_out_and_a_series_keeps_its_index():
    dib = pd.Series([12.0, np.nan], index=["a", "b"])
    for rule in LOG_RULES:
        scaled = board_feet(dib, 16, rule)
        assert scaled.name == "board_feet"
        assert scaled.index.tolist() == ["a", "b"]
        assert scaled.isna().tolist() == [False, True]
    assert np.isnan(board_feet(12, np.nan, "scribner_c"))
    assert board_feet([], [], "doyle").size == 0


@pytest.mark.parametrize(
    ("rule", "table", "cells"),
    [
        ("international", "international_quarter_table", 266),
        ("scribner_c", "scribner_decimal_c_table", 260),
        ("scribner", "log_scribner_16ft", 35),
    ],
)
def test_every_packaged_cell_comes_out_as_it_is_packaged(rule, table, cells):
    """Holding cells between their neighbours may not mend, or hide, a cell that is out of order."""
    packaged = load_table(table)
    assert len(packaged) == cells
    ours = rule_table(rule)[packaged["dib_in"], packaged["length_ft"]]
    wrong = packaged[ours != packaged["board_feet"]]
    assert wrong.empty, wrong.to_string()


def test_every_rule_states_its_taper():
    assert tuple(TAPER_NOTES) == LOG_RULES


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: board_feet(-1, 16, "doyle"), r"'dib_in' must be from 0 to 120 in; got -1"),
        (lambda: board_feet([9, 121], 16, "doyle"), r"got 121 at rows \[1\] \(1 of 2\)"),
        (lambda: board_feet(12, 151, "doyle"), "'length_ft' must be from 0 to 150 ft"),
        (lambda: board_feet(12, 16, "ropp"), "no log rule 'ropp'. Choose one of international"),
        (lambda: board_feet(12, 24, "doyle", large_dib_in=11), "Swap the two ends"),
        (lambda: board_feet(12, 16, "doyle", form="guess"), "'form' must be"),
        (lambda: board_feet(12, 16, "scribner_c", dib_rounding="tenth"), "'dib_rounding' must"),
        (lambda: board_feet(12, 16, "doyle", max_segment_ft=0), "'max_segment_ft' must be above"),
        (lambda: segments_ft(16, max_segment_ft=0), "'max_segment_ft' must be above"),
        (lambda: table_status(float("nan"), 16, "doyle"), "must be given to name a table cell"),
    ],
)
def test_what_cannot_be_scaled_is_refused_with_the_remedy(call, message):
    with pytest.raises(DomainError, match=message):
        call()


class TestKernels:
    """The compiled kernels and their plain Python give the same figures."""

    @pytest.mark.parametrize("name", ["bf_international", "bf_doyle", "bf_scribner"])
    @pytest.mark.parametrize(("dib", "length"), [(3.0, 16.0), (12.4, 16.0), (20.0, 13.5)])
    def test_formulas(self, name, dib, length):
        kernel = getattr(kernels, name)
        plain = getattr(kernel, "py_func", kernel)
        np.testing.assert_allclose(kernel(dib, length), plain(dib, length), rtol=1e-12)

    @pytest.mark.parametrize("rule", range(4))
    @pytest.mark.parametrize("large", [np.nan, 14.0])
    @pytest.mark.parametrize("length", [16.0, 33.0, 70.0])
    def test_logs(self, rule, large, length):
        table = decimal_c_table()
        kernel = kernels.bf_log
        plain = getattr(kernel, "py_func", kernel)
        ours = kernel(rule, 11.6, large, length, table)
        np.testing.assert_allclose(ours, plain(rule, 11.6, large, length, table), rtol=1e-12)
        public = board_feet(11.6, length, LOG_RULES[rule], large_dib_in=large)
        np.testing.assert_allclose(ours, public, rtol=1e-12)

    def test_a_log_thicker_than_the_table_takes_its_last_row(self):
        table = decimal_c_table()
        assert kernels.bf_scribner_c(125.0, 16.0, table) == table[120, 16]

    def test_missing_dib_passes_through_the_cubic_formulas(self):
        assert np.isnan(kernels.smalian_cuft(np.nan, 12.0, 16.0))
        assert np.isnan(kernels.huber_cuft(np.nan, 16.0))
        assert np.isnan(kernels.newton_cuft(10.0, np.nan, 12.0, 16.0))
