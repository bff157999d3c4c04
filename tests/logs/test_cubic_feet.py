"""Smalian, Huber and Newton against solved examples and against solids of known volume."""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.logs import cubic_feet

REFERENCE = Path(__file__).parents[1] / "reference"
IN_PER_M = 1 / 0.0254
FT_PER_M = 1 / 0.3048
quick = settings(max_examples=50, deadline=None)
DIAMETERS = st.floats(1, 40)
SOLVED = pd.read_csv(REFERENCE / "log_cubic.csv", comment="#")


@pytest.mark.parametrize(
    "row", list(SOLVED.itertuples()), ids=lambda row: f"{row.source}-{row.Index}"
)
def test_solved_examples(row):
    """Metric examples, brought back to the constant their source used for pi / 4."""
    volume = cubic_feet(
        (row.small_m if row.small_m > 0 else row.mid_m) * IN_PER_M,
        row.length_m * FT_PER_M,
        mid_dib_in=row.mid_m * IN_PER_M,
        large_dib_in=row.large_m * IN_PER_M,
        formula=row.formula,
    )
    theirs = volume / FT_PER_M**3 * row.quarter_pi / (math.pi / 4)
    np.testing.assert_allclose(theirs, row.volume_m3, rtol=0, atol=row.digits)


def test_the_lecture_log():
    """University of Idaho, FOR 274: 6, 8 and 9 in, 16 ft; its inputs, our arithmetic."""
    ends = {"mid_dib_in": 8, "large_dib_in": 9}
    volumes = [cubic_feet(6, 16, **ends, formula=f) for f in ("huber", "smalian", "newton")]
    np.testing.assert_allclose(volumes, [5.585, 5.105, 5.425], rtol=0, atol=0.0005)


@quick
@given(DIAMETERS, st.floats(0, 20), st.floats(1, 60))
def test_newton_is_exact_for_a_cone(small, taper, length):
    large = small + taper
    ours = cubic_feet(
        small, length, mid_dib_in=(small + large) / 2, large_dib_in=large, formula="newton"
    )
    r, big = small / 24, large / 24
    frustum = math.pi * length / 3 * (r * r + r * big + big * big)
    np.testing.assert_allclose(ours, frustum, rtol=1e-9)


@quick
@given(DIAMETERS, st.floats(0, 20), st.floats(1, 60))
def test_smalian_and_huber_are_exact_for_a_paraboloid(small, taper, length):
    """Its cross-section grows evenly along the log."""
    large = small + taper
    middle = math.sqrt((small**2 + large**2) / 2)
    smalian = cubic_feet(small, length, large_dib_in=large)
    huber = cubic_feet(small, length, mid_dib_in=middle, formula="huber")
    np.testing.assert_allclose(smalian, huber, rtol=1e-9)


def test_columns_keep_their_kind():
    dib = pd.Series([10.0, np.nan], index=[5, 7])
    volume = cubic_feet(dib, 16, large_dib_in=12)
    assert volume.index.tolist() == [5, 7]
    assert volume.isna().tolist() == [False, True]
    assert isinstance(cubic_feet(10, 16, large_dib_in=12), float)
    assert cubic_feet([10], 16, large_dib_in=12).shape == (1,)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: cubic_feet(10, 16), "Smalian needs 'large_dib_in'"),
        (lambda: cubic_feet(10, 16, large_dib_in=12, formula="newton"), "needs 'mid_dib_in'"),
        (lambda: cubic_feet(10, 16, large_dib_in=9), "Swap the two ends"),
        (lambda: cubic_feet(10, 16, large_dib_in=12, formula="doyle"), "no cubic formula 'doyle'"),
        (lambda: cubic_feet(10, -1, large_dib_in=12), "'length_ft' must be from 0"),
    ],
)
def test_what_cannot_be_computed_is_refused(call, message):
    with pytest.raises(DomainError, match=message):
        call()
