"""Figures are printed no further than their error supports."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.report.numbers import (
    NOT_KNOWN,
    acres,
    class_breaks,
    decimals_supported,
    dollars,
    figure,
    percent,
    plus_minus,
)


@pytest.mark.parametrize(
    ("value", "error_pct", "printed"),
    [
        # The worked example of JCGM 100:2008 (GUM) 7.2.6 (from memory): a standard uncertainty
        # of 27 milliohm, and 10.05762 ohm is given as 10.058.
        (10.05762, 100 * 0.027 / 10.05762, "10.058"),
        (1_437_210.0, 13.0, "1,440,000"),
        (1_437_210.0, 0.9, "1,437,000"),
        (987.6, 250.0, "1,000"),
        (0.0, math.nan, "0"),
    ],
)
def test_an_estimate_is_rounded_where_its_error_has_two_digits(
    value: float, error_pct: float, printed: str
) -> None:
    assert figure(value, error_pct, most=6 if value < 100 and value > 0 else 0) == printed


@settings(max_examples=200, deadline=None)
@given(
    value=st.floats(1e-3, 1e9),
    error_pct=st.floats(0.1, 900.0),
    most=st.integers(0, 2),
)
def test_rounding_moves_a_figure_by_no_more_than_a_twentieth_of_its_half_width(
    value: float, error_pct: float, most: int
) -> None:
    # Unless the cap on decimals rounds coarser, which moves it by half of its last place.
    half = value * error_pct / 100
    printed = float(figure(value, error_pct, most=most).replace(",", ""))
    assert abs(printed - value) <= max(half / 20, 0.5 * 10.0**-most) * (1 + 1e-9)


def test_the_place_follows_the_half_width_and_never_passes_the_cap() -> None:
    assert [decimals_supported(h, most=1) for h in (0.02, 0.9, 1.0, 24.0, 990.0, 1e6)] == [
        1, 1, 1, 0, -1, -5,
    ]  # fmt: skip
    assert decimals_supported(math.nan, most=1) == 1


def test_what_is_not_known_is_a_dash_and_never_a_zero() -> None:
    assert figure(math.nan) == dollars(math.nan) == percent(math.nan) == NOT_KNOWN
    assert plus_minus(math.nan) == "error not known"


def test_no_minus_sign_stands_before_a_zero() -> None:
    assert figure(-0.3) == "0"
    assert dollars(-0.3) == "$0"


def test_a_trace_of_ground_prints_as_none_and_a_small_piece_does_not() -> None:
    assert acres(1.8e-15) == "0.0"
    assert acres(0.04) == "0.04"


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=60))
def test_breaks_rise_and_leave_no_class_empty_at_either_end(values: list[float]) -> None:
    breaks = class_breaks(values)
    assert breaks == sorted(set(breaks))
    assert len(breaks) <= 4
    if breaks:
        assert min(values) < breaks[0]
        assert breaks[-1] <= max(values)
