"""Deductions for defect."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import standmap.logs as logs
from standmap.errors import DomainError
from standmap.logs import (
    board_feet,
    defect_rules,
    loss_squared_defect_bf,
    net_after_cull,
    net_after_diameter_cut,
    net_after_length_cut,
    net_after_shares,
    share_crook,
    share_interior,
    share_section,
    share_sweep,
    share_wedge,
)

quick = settings(max_examples=50, deadline=None)


@pytest.mark.parametrize(
    ("loss", "by_hand"),
    [
        # (5 + 1)(6 + 1) 8 / 15, squared defect, formula from memory
        (lambda: loss_squared_defect_bf(5, 6, 8), 22.4),
        # Grosenbaugh 1952 rules 1 to 5, from memory; arithmetic by hand
        (lambda: share_section(2, 16), 2 / 16),
        (lambda: share_wedge(8, 16, 60), 8 / 16 * 60 / 360),
        (lambda: share_sweep(5, 16, 16), (5 - 2) / 16),
        (lambda: share_sweep(5, 16, 8), (5 - 1) / 16),
        (lambda: share_crook(6, 16, 4, 16), 6 / 16 * 4 / 16),
        (lambda: share_interior(6, 8, 16, 4, 16), 7 * 9 / 15**2 * 4 / 16),
    ],
)
def test_each_rule_by_hand(loss, by_hand):
    np.testing.assert_allclose(loss(), by_hand, rtol=1e-12)


def test_percent_cull_comes_straight_off():
    assert net_after_cull([100.0, 250.0], [0, 40]).tolist() == [100.0, 150.0]


def test_a_length_cut_scales_the_sound_length():
    assert net_after_length_cut(12, 16, 4, "scribner_c") == 60  # 12 in, 12 ft: Wengert 2001
    assert net_after_length_cut(12, 16, 16, "doyle") == 0


def test_a_diameter_cut_scales_the_sound_core():
    assert net_after_diameter_cut(16, 16, 4, "doyle") == 64
    assert net_after_diameter_cut(5, 16, 6, "doyle") == 0


def test_no_defect_no_loss():
    assert loss_squared_defect_bf(0, 6, 8) == 0
    assert share_interior(0, 8, 16, 4, 16) == 0
    assert share_sweep(1.5, 16, 16) == 0
    assert share_crook(0, 16, 4, 16) == 0
    assert net_after_shares(120.0) == 120.0


def test_a_defect_as_large_as_the_log_takes_all_of_it():
    assert share_interior(16, 16, 16, 16, 16) == 1
    assert share_sweep(40, 12, 16) == 1
    assert net_after_shares(120.0, 0.7, 0.6) == 0


@quick
@given(st.floats(0, 60), st.floats(0, 60), st.floats(0, 60), st.floats(0, 1), st.floats(1, 40))
def test_a_share_is_never_below_nothing_nor_above_the_log(a, b, dib, part, length):
    shares = [
        share_section(part * length, length),
        share_wedge(part * length, length, 90),
        share_sweep(a, dib, length),
        share_crook(a, dib, part * length, length),
        share_interior(a, b, dib, part * length, length),
    ]
    assert all(0 <= share <= 1 for share in shares)
    assert 0 <= net_after_shares(200.0, *shares) <= 200.0


@quick
@given(st.floats(4, 40), st.floats(4, 40), st.floats(0, 1), st.sampled_from(["doyle", "scribner"]))
def test_a_section_lost_is_the_length_cut_where_the_rule_goes_by_length(dib, length, part, rule):
    """Two methods checked one against the other, as the scaling handbook asks."""
    by_share = net_after_shares(board_feet(dib, length, rule), share_section(part * length, length))
    by_length = net_after_length_cut(dib, length, part * length, rule)
    np.testing.assert_allclose(by_share, by_length, rtol=1e-9, atol=1e-9)


def test_missing_values_and_columns_pass():
    depart = pd.Series([5.0, np.nan], index=["a", "b"])
    share = share_sweep(depart, 16, 16)
    assert share.index.tolist() == ["a", "b"]
    assert share.isna().tolist() == [False, True]
    assert np.isnan(share_interior(np.nan, 8, 16, 4, 16))
    assert np.isnan(share_section(np.nan, 16))


def test_every_rule_is_listed_with_its_evidence():
    rules = defect_rules()
    functions = {
        name for name in logs.__all__ if name.startswith(("share_", "loss_", "net_after_"))
    }
    assert set(rules.index) == functions - {"net_after_shares"}
    assert rules.evidence.str.contains("from memory|method read|arithmetic").all()
    for name in rules.index[rules.evidence.str.contains("from memory")]:
        assert "from memory" in " ".join(getattr(logs, name).__doc__.split())


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: net_after_cull(100, 101), "'defect_pct' must be from 0 to 100 pct"),
        (lambda: net_after_cull(-1, 10), "'gross_bf' must be from 0"),
        (lambda: net_after_length_cut(12, 16, 17, "doyle"), "longer than the log"),
        (lambda: share_section(17, 16), "longer than the log"),
        (lambda: share_wedge(8, 16, 400), "'angle_deg' must be from 0 to 360 deg"),
        (lambda: net_after_shares(100, 12.5), "Divide percentages by 100"),
    ],
)
def test_what_cannot_be_deducted_is_refused(call, message):
    with pytest.raises(DomainError, match=message):
        call()
