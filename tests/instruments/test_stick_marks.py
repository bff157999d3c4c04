"""The stick's marks: against reference figures, against sight lines, and against a tally."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.instruments import (
    Stick,
    diameter_from_mark_in,
    diameter_mark_in,
    diameter_read_in,
    height_mark_in,
    limiting_distance_table,
    log_height_ft,
    pace_card,
    paces,
)
from standmap.products import saw_top_from_logs

MARKS = pd.read_csv(Path(__file__).parents[1] / "reference/stick_marks.csv", comment="#")
HALF_DIGIT = 0.00051  # the reference marks have three decimals

reaches = st.floats(18, 36)
diameters = st.floats(0.5, 60)


class TestReferenceMarks:
    def test_every_diameter_at_a_25_inch_reach(self) -> None:
        rows = MARKS[MARKS["scale"] == "dbh_in"]
        assert len(rows) == 37
        found = diameter_mark_in(rows["value"], 25)
        np.testing.assert_allclose(found, rows["mark_in"], rtol=0, atol=HALF_DIGIT)

    @pytest.mark.parametrize("log_ft", [16.0, 16.3])
    def test_every_log_height_at_66_feet(self, log_ft: float) -> None:
        rows = MARKS[MARKS["log_ft"] == log_ft]
        assert len(rows) == 10
        found = height_mark_in(rows["value"] * log_ft, 25, 66)
        np.testing.assert_allclose(found, rows["mark_in"], rtol=0, atol=HALF_DIGIT)

    def test_a_40_inch_tree_fits_a_25_inch_stick(self) -> None:
        # S. Nix, ThoughtCo, Biltmore stick article.
        assert diameter_mark_in(40, 25) <= 25

    def test_an_eight_foot_piece_is_3_1_inches(self) -> None:
        # Michigan State University Extension, Michigan Forests Forever, height-stick sheet: 3.1 in
        # at a chain; 8.0 ft gives 3.03, so its piece has trim, as the half log here does.
        assert height_mark_in(log_height_ft(0.5), 25, 66) == pytest.approx(3.1, abs=0.05)

    def test_whole_logs_stand_on_the_16_3_foot_marks(self) -> None:
        rows = MARKS[(MARKS["log_ft"] == 16.3) & (MARKS["value"] % 1 == 0)]
        marks = Stick(reach_in=25, distance_ft=66, length_in=32).graduations()
        logs = marks[marks["scale"] == "saw_logs"].set_index("value")["mark_in"]
        found = logs.loc[rows["value"]].to_numpy()
        np.testing.assert_allclose(found, rows["mark_in"], rtol=0, atol=HALF_DIGIT)

    def test_a_half_log_carries_its_whole_trim(self) -> None:
        # The reference halves the trim (8.15 ft); a half log is cut with the trim of a log, 8.3 ft,
        # so the half marks stand 0.15 ft x 25 / 66 = 0.0568 in farther out.
        rows = MARKS[(MARKS["log_ft"] == 16.3) & (MARKS["value"] % 1 != 0)]
        found = height_mark_in(log_height_ft(rows["value"]), 25, 66)
        np.testing.assert_allclose(found - rows["mark_in"], 0.0568, rtol=0, atol=HALF_DIGIT)


class TestTheGeometry:
    @given(dbh=diameters, reach=reaches)
    def test_a_line_of_sight_through_the_mark_grazes_the_stem(
        self, dbh: float, reach: float
    ) -> None:
        # Eye at the origin, stick across at x = reach, stem's middle at x = reach + dbh / 2: the
        # line through half the mark passes a radius from the middle.
        half = float(diameter_mark_in(dbh, reach)) / 2
        miss = half * (reach + dbh / 2) / math.hypot(reach, half)
        assert miss == pytest.approx(dbh / 2, rel=1e-9)

    @given(dbh=diameters, reach=reaches)
    def test_reading_undoes_marking(self, dbh: float, reach: float) -> None:
        mark = diameter_mark_in(dbh, reach)
        assert diameter_from_mark_in(mark, reach) == pytest.approx(dbh, rel=1e-9)

    @given(dbh=diameters, reach=reaches, off=st.floats(0.1, 5))
    def test_held_too_near_reads_small_and_too_far_reads_large(
        self, dbh: float, reach: float, off: float
    ) -> None:
        near = diameter_read_in(dbh, held_at_in=reach - off, reach_in=reach)
        far = diameter_read_in(dbh, held_at_in=reach + off, reach_in=reach)
        assert near < dbh < far

    @given(
        height=st.floats(1, 150), reach=reaches, distance=st.floats(30, 150), eye=st.floats(-10, 10)
    )
    def test_it_does_not_matter_how_high_the_eye_is(
        self, height: float, reach: float, distance: float, eye: float
    ) -> None:
        # Where the sight lines to the zero and to the height cut a plumb stick, eye `eye` ft up.
        low, high = ((h - eye) * 12 * reach / (distance * 12) for h in (0.0, height))
        assert height_mark_in(height, reach, distance) == pytest.approx(high - low, rel=1e-9)

    def test_marks_draw_together_outward(self) -> None:
        steps = np.diff(diameter_mark_in(np.arange(4, 61), 25))
        assert np.all(steps > 0) and np.all(np.diff(steps) < 0)


class TestTheStick:
    def test_a_log_means_what_the_appraisal_takes_it_for(self) -> None:
        logs = np.arange(1, 13) / 2
        np.testing.assert_allclose(
            log_height_ft(logs) + 1.0, saw_top_from_logs(logs, stump_ft=1.0), rtol=0, atol=1e-12
        )

    def test_only_marks_that_fit_are_made(self) -> None:
        stick = Stick(reach_in=25, distance_ft=66)
        marks = stick.graduations()
        assert stick.length_in == 25.5
        assert marks["mark_in"].max() < 25.5
        assert set(marks["scale"]) == {"dbh_in", "saw_logs", "height_ft"}
        assert stick.logs.tolist() == [0.5, 1, 1.5, 2, 2.5, 3, 3.5, 4]

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            ({"reach_in": 12, "distance_ft": 66}, "'reach_in' of a stick must be 18 to 36"),
            ({"reach_in": math.inf, "distance_ft": 66}, "'reach_in'"),
            (
                {"reach_in": 25, "distance_ft": 5},
                "'distance_ft' of a stick must be 16.5 to 200 ft; got 5",
            ),
            ({"reach_in": 25, "distance_ft": 66, "length_in": 2}, "'length_in'"),
        ],
    )
    def test_a_stick_nobody_could_use_is_refused(self, words: dict[str, float], said: str) -> None:
        with pytest.raises(DomainError, match=said):
            Stick(**words)

    def test_figures_that_are_none_are_refused(self) -> None:
        with pytest.raises(DomainError, match="'dbh_in' must be a number of 0 or more"):
            diameter_mark_in([10, -1], 25)
        with pytest.raises(DomainError, match="'reach_in' must be a number above 0"):
            diameter_mark_in(10, float("nan"))
        with pytest.raises(DomainError, match="'distance_ft' must be a number above 0"):
            height_mark_in(16, 25, 0)


class TestCards:
    def test_limiting_distances(self) -> None:
        # Iles, wrong plot radius factor: 12 in at BAF 10, 33 ft; BAF 40, 1.375 ft per inch to the
        # centre and 1.3333 to the face. Point sampling lecture: 12 in at BAF 20, 23.3 ft.
        assert limiting_distance_table(10, [12])["to_centre_ft"].item() == pytest.approx(33.0)
        assert limiting_distance_table(20, [12])["to_centre_ft"].item() == pytest.approx(
            23.3, abs=0.05
        )
        forty = limiting_distance_table(40, [10])
        assert forty["to_centre_ft"].item() == pytest.approx(13.75, abs=0.005)
        assert forty["to_face_ft"].item() == pytest.approx(13.333, abs=0.0005)

    def test_a_factor_of_nothing_is_refused(self) -> None:
        with pytest.raises(DomainError, match="'baf'"):
            limiting_distance_table(0)

    def test_a_chain_is_the_users_own_count(self) -> None:
        card = pace_card(13).set_index("chains")
        assert card.loc[1, "paces_0_pct"] == 13
        assert card.loc[10, "feet"] == 660
        # A slope of 75 percent is a 3-4-5 triangle: the ground is a quarter longer.
        assert paces(66, 12, slope_pct=75) == pytest.approx(15.0)

    def test_a_count_that_nobody_walks_is_refused(self) -> None:
        with pytest.raises(DomainError, match="Count your paces over a taped chain"):
            pace_card(500)
        with pytest.raises(DomainError, match="'distance_ft'"):
            paces(-1, 12)
