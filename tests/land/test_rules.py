"""Streamside rules: published widths and worked examples, class edges, and a table of one's own."""

import csv
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError, InputError
from standmap.land import (
    CHECK_THE_RULE,
    RULE_COLUMNS,
    UNVERIFIED,
    horizontal_ft,
    packaged_rules,
    read_rules,
    road_setbacks,
    rules_from_frame,
    stream_rule,
)

PUBLISHED = pd.read_csv(
    Path(__file__).parents[1] / "reference" / "land_buffer_widths.csv", comment="#"
)

TABLE = {
    "jurisdiction": "mine",
    "water_class": "creek",
    "width_ft": "50",
    "source": "own plan",
    "year": "2024",
    "evidence": "read",
}


def rules_of(*rows: dict[str, str]):
    """The rules of a table of one's own, which must be sound."""
    rules, problems = rules_from_frame(pd.DataFrame([TABLE | row for row in rows]))
    assert problems == []
    return rules


def write(path: Path, *rows: dict[str, str], notes: str = "") -> Path:
    columns = list(dict.fromkeys(name for row in rows for name in row))
    with path.open("w", newline="") as handle:
        handle.write(notes)
        writer = csv.DictWriter(handle, columns)
        writer.writeheader()
        writer.writerows(rows)
    return path


class TestPublishedWidths:
    @pytest.mark.parametrize(
        "row",
        list(PUBLISHED.itertuples()),
        ids=lambda r: f"{r.jurisdiction} {r.water_class}",
    )
    def test_as_printed(self, row):
        option = "" if pd.isna(row.option) else row.option
        rule = stream_rule(row.jurisdiction, row.water_class, limits=row.limits, option=option)
        width = rule.widths_ft([0 if pd.isna(row.slope_pct) else row.slope_pct]).sum()
        assert width == pytest.approx(row.width_ft, rel=1e-12)

    def test_the_filter_strip_is_measured_along_the_ground(self):
        # 84 ft up a 27 % bank is 84 / sqrt(1 + 0.27^2) = 81.1 ft on the map.
        strip = stream_rule("MN", "trout", limits="soil")
        np.testing.assert_allclose(strip.plan_widths_ft([27]), [[84 / np.sqrt(1.0729)]], rtol=1e-12)
        assert horizontal_ft(84, 27) == pytest.approx(81.1, abs=0.05)

    def test_horizontal_widths_stay_as_they_are(self):
        trout = stream_rule("GA", "trout")
        np.testing.assert_allclose(trout.plan_widths_ft([0, 60]), [[100, 100]], rtol=0)
        assert not trout.depends_on_slope

    def test_kentucky_measures_along_the_surface(self):
        rule = stream_rule("ky", "Perennial")
        np.testing.assert_allclose(rule.plan_widths_ft([30]), [[55 / np.hypot(1, 0.3)]], rtol=1e-12)

    def test_recalled_formulas_at_their_recalled_points(self):
        # From memory: 25 + 2 x slope (Trimble and Sartz 1957), 50 + 4 x slope capped at 250.
        slopes = [0, 10, 30, 50]
        np.testing.assert_allclose(
            stream_rule("TN", "perennial").widths_ft(slopes)[0], [25, 45, 85, 125], rtol=0
        )
        formula = stream_rule("MD", "perennial", option="slope formula")
        np.testing.assert_allclose(formula.widths_ft([0, 10, 25, 50, 90])[0],
                                   [50, 90, 150, 250, 250], rtol=0)  # fmt: skip


class TestZones:
    def test_zones_add_up_outward(self):
        # OAR 629-643-0130: inner 30 ft uncut, outer 45 ft to 60 ft2/acre.
        rule = stream_rule("OR-east", "type N large")
        assert rule.zones == ("inner", "outer")
        np.testing.assert_allclose(rule.widths_ft([0])[:, 0], [30, 45], rtol=0)
        inner, outer = rule.rows
        assert (inner.cutting, outer.cutting) == ("none", "partial")
        assert outer.keep.basal_area_sqft == 60 and np.isnan(inner.keep.basal_area_sqft)

    def test_what_limits_soil_is_not_a_no_harvest_zone(self):
        assert stream_rule("NC", "trout", limits="soil").rows[0].limits == "soil"
        with pytest.raises(DomainError, match=r"no water class of NC that limits harvest 'trout'"):
            stream_rule("NC", "trout")

    def test_residuals_are_kept_apart(self):
        share = stream_rule("NH", "great pond").rows[0].keep
        assert (share.share_pct, share.share_of, share.years) == (50, "basal area", 1)
        assert np.isnan([share.basal_area_sqft, share.canopy_pct, share.stems_per_100_ft]).all()
        either = stream_rule("GA", "perennial").rows[0].keep
        assert (either.basal_area_sqft, either.canopy_pct, either.how) == (50, 50, "any")
        maine = stream_rule("ME", "river").rows[0].keep
        assert (maine.share_pct, maine.share_of, maine.years) == (60, "volume", 10)

    def test_a_rule_without_a_width_is_not_a_width_of_nothing(self):
        rule = stream_rule("TX", "ephemeral")
        assert not rule.fixed and np.isnan(rule.widths_ft([10])).all()


class TestClassEdges:
    @pytest.mark.parametrize(
        ("slope", "width"),
        [(0, 40), (4.99, 40), (5, 80), (20, 80), (20.5, 120), (40, 120), (40.01, 160), (300, 160)],
    )
    def test_south_carolina(self, slope, width):
        # Printed < 5, 5-20, 21-40, > 40; 40 % is 120 ft (SRS GTR-71, p. 378).
        assert stream_rule("SC", "perennial").widths_ft([slope]).sum() == width

    def test_an_edge_printed_in_neither_class_takes_the_wider(self):
        # Kentucky: "less than 15 %" and "greater than 15 %".
        assert stream_rule("KY", "perennial").widths_ft([15]).item() == 55

    def test_typed_as_printed_a_gap_takes_the_wider(self):
        rows = [("5", "20", "30"), ("21", "40", "60")]
        rules = rules_of(
            *({"slope_from_pct": a, "slope_to_pct": b, "width_ft": w} for a, b, w in rows)
        )
        rule = stream_rule("mine", "creek", rules=rules)
        np.testing.assert_allclose(
            rule.widths_ft([3, 6, 20, 20.5, 21, 22, 90])[0], [0, 30, 30, 60, 60, 60, 60], rtol=0
        )

    def test_in_a_gap_the_flatter_class_may_be_the_wider(self):
        rows = [("0", "20", "90"), ("21", "40", "60")]
        rules = rules_of(
            *({"slope_from_pct": a, "slope_to_pct": b, "width_ft": w} for a, b, w in rows)
        )
        assert stream_rule("mine", "creek", rules=rules).widths_ft([20.5]).item() == 90

    @given(st.lists(st.floats(0, 120), min_size=2, max_size=30))
    @settings(max_examples=40, deadline=None)
    def test_steeper_is_never_narrower_along_the_ground(self, slopes):
        for place, water, limits in [("SC", "trout", "harvest"), ("MN", "x", "soil"),
                                     ("KY", "perennial", "harvest"), ("VT", "stream", "soil"),
                                     ("MT (state land)", "lake", "equipment")]:  # fmt: skip
            width = stream_rule(place, water, limits=limits).widths_ft(np.sort(slopes)).sum(axis=0)
            assert (np.diff(width) >= 0).all()

    def test_an_unknown_slope_is_refused_where_it_matters(self):
        with pytest.raises(DomainError, match="1 of 2 slopes are unknown"):
            stream_rule("SC", "perennial").widths_ft([10, np.nan])
        np.testing.assert_allclose(stream_rule("TX", "perennial").widths_ft([np.nan]), 50)

    def test_slopes_are_not_negative(self):
        with pytest.raises(DomainError, match="0 or more; got -3"):
            stream_rule("SC", "perennial").widths_ft([-3])


class TestEvidence:
    def test_only_rows_read_in_their_source_decide(self):
        rule = stream_rule("SC", "perennial")
        assert rule.verified_at([4, 10, 40]).tolist() == [False, True, True]
        assert not stream_rule("MS", "perennial").verified_at([40]).any()
        assert stream_rule("KY", "perennial").verified_at([10, 50]).all()

    def test_every_rule_carries_its_caution_and_source(self):
        for row in packaged_rules():
            assert row.source and row.evidence
        read, recalled = stream_rule("KY", "perennial"), stream_rule("WV", "perennial")
        assert read.cautions[0] == CHECK_THE_RULE and UNVERIFIED not in read.cautions
        assert UNVERIFIED in recalled.cautions
        assert "unverified: from memory" in recalled.citations[0]
        assert "1994" in stream_rule("SC", "perennial").citations[0]

    def test_regulatory_and_voluntary_are_told_apart(self):
        assert stream_rule("NH", "perennial").rows[0].binding == "regulatory"
        assert stream_rule("TX", "perennial").rows[0].binding == "voluntary"

    def test_in_words(self):
        table = stream_rule("MN", "any", limits="soil").to_frame()
        assert table["slope"].tolist() == ["from 0 to 10 %", "over 10 %"]
        assert table["width"].tolist() == [
            "50 ft along the ground",
            "50 + 2 x (slope % - 10) ft along the ground",
        ]
        assert table["verified"].all()

    def test_road_setbacks(self):
        # OAR 629-630-0150: 100 ft from any stream channel on ground over 60 %.
        row = road_setbacks("OR").iloc[0]
        assert (row["distance_ft"], row["slope_from_pct"], row["verified"]) == (100, 60, True)
        assert not road_setbacks("GENERIC")["verified"].any()


class TestLookUp:
    @pytest.mark.parametrize(
        ("args", "kwargs", "match"),
        [
            (("Ohio", "creek"), {}, "no jurisdiction 'Ohio'.*'KY'"),
            (("SC", "perenial"), {}, "Did you mean 'perennial'"),
            (("SC", "perennial"), {"limits": "soil"}, "no rule of SC that limits 'soil'"),
            (("MN", "trout"), {}, "no option of MN.*'even-age', 'uneven-age'"),
        ],
    )
    def test_what_there_is_is_named(self, args, kwargs, match):
        with pytest.raises(DomainError, match=match):
            stream_rule(*args, **kwargs)


class TestOwnTable:
    def test_the_packaged_table_reads_as_ones_own(self, tmp_path):
        from standmap._tables import load_table

        frame = load_table("buffer_rules_published")
        assert tuple(frame.columns) == RULE_COLUMNS
        path = tmp_path / "rules.csv"
        frame.to_csv(path, index=False)
        rules, problems = read_rules(path)
        assert len(rules) == len(packaged_rules())
        assert all(p.severity == "warning" and p.column == "evidence" for p in problems)
        assert [r.citation for r in rules] == [r.citation for r in packaged_rules()]

    def test_notes_above_the_header_and_rows_as_the_spreadsheet_counts(self, tmp_path):
        path = write(tmp_path / "r.csv", TABLE, TABLE | {"width_ft": "wide", "water_class": "run"},
                     notes="# ours\n# since 2019\n")  # fmt: skip
        with pytest.raises(InputError, match=r"r\.csv, row 5, column 'width_ft': not a number"):
            read_rules(path)

    @pytest.mark.parametrize(
        ("row", "match"),
        [
            ({"width_ft": "-5"}, "must be 0 or more"),
            ({"distance": "uphill"}, "not one of slope, horizontal"),
            ({"slope_from_pct": "30", "slope_to_pct": "20"}, "less than slope_from_pct"),
            ({"keep_canopy_pct": "150"}, "between 0 and 100"),
            ({"keep_share_pct": "50"}, "a share of nothing"),
            ({"zone_number": "2"}, "not numbered 1, 2, 3"),
            ({"zone_number": "0"}, "must be 1, 2, 3"),
            ({"water_class": " ; "}, "no class of water"),
            ({"jurisdiction": ""}, "no jurisdiction"),
        ],
    )
    def test_faults(self, tmp_path, row, match):
        with pytest.raises(InputError, match=match):
            read_rules(write(tmp_path / "r.csv", TABLE | row))

    def test_classes_that_overlap(self, tmp_path):
        rows = [
            TABLE | {"slope_from_pct": a, "slope_to_pct": b} for a, b in [("0", "20"), ("15", "")]
        ]
        with pytest.raises(InputError, match=r"row 3.*overlaps another row"):
            read_rules(write(tmp_path / "r.csv", *rows))

    def test_columns(self, tmp_path):
        with pytest.raises(InputError, match=r"'widht_ft': no such column.*'width_ft'"):
            read_rules(write(tmp_path / "r.csv", TABLE | {"widht_ft": "3"}))
        with pytest.raises(InputError, match="'width_ft': the column is missing"):
            read_rules(write(tmp_path / "r.csv", {"jurisdiction": "a", "water_class": "b"}))
        with pytest.raises(InputError, match="cannot be read"):
            read_rules(tmp_path / "none.csv")

    def test_a_row_not_read_is_warned_of(self):
        rules, problems = rules_from_frame(pd.DataFrame([TABLE | {"evidence": "from memory"}]))
        assert [p.severity for p in problems] == ["warning"]
        assert not rules[0].verified
