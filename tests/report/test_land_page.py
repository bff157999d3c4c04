"""The land page: rules with their sources, acres, widths, candidates, and conflicts drawn."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import shapely

import standmap
from standmap.land import rules_from_frame, stream_rule
from standmap.report import land_html, report_html
from standmap.report.buffer_check import check_text
from standmap.report.land_page import land_lines, page_of
from standmap.report.land_tables import check_table, reasons_table, rules_table, widths_table
from standmap.report.map_water import water_layers
from standmap.report.offline import fetched
from standmap.steps.land import Land, lay_out

HOSTILE = "</script><img src=x onerror=\"document.title='owned'\">{{ 7 * 191 }}"


@pytest.fixture(scope="module")
def by_rule(sample_tract: standmap.Tract) -> standmap.Tract:
    """The sample tract under South Carolina's rule and one that nobody read."""
    unread, _ = rules_from_frame(
        pd.DataFrame(
            [{"jurisdiction": "Somewhere", "water_class": "ditch", "width_ft": "30",
              "cutting": "partial", "keep_basal_area_sqft": "50", "source": "a hearsay",
              "year": "1990", "caution": "ask the county"}]
        )
    )  # fmt: skip
    return replace(
        sample_tract,
        stream_rules={
            "perennial": stream_rule("SC", "perennial"),
            "intermittent": stream_rule("Somewhere", "ditch", rules=unread),
            "ephemeral": None,
        },
    )


@pytest.fixture(scope="module")
def land(by_rule: standmap.Tract) -> Land:
    return lay_out(by_rule)


@pytest.fixture(scope="module")
def page(by_rule: standmap.Tract, land: Land) -> str:
    return page_of(by_rule, land)


def test_it_is_one_file_without_script(page: str, sample_appraisal: standmap.Appraisal) -> None:
    for html in (page, land_html(sample_appraisal)):
        assert fetched(html) == [] and "<script" not in html


def test_the_report_links_to_it_and_it_to_the_report(sample_appraisal: standmap.Appraisal) -> None:
    assert 'href="land.html"' in report_html(sample_appraisal)
    assert 'href="report.html"' in land_html(sample_appraisal)


def test_each_rule_stands_with_source_year_and_whether_it_binds(page: str, land: Land) -> None:
    assert "South Carolina Forestry Commission BMP manual" in page and "1994" in page
    assert "a hearsay, 1990" in page
    assert "recommended practice" in page and "Ask the county" in page
    assert "checked against the current rule" in page
    rules = rules_table(land)
    assert rules is not None
    unread = [row for row, loud in zip(rules.rows, rules.loud, strict=True) if loud]
    assert all("unverified" in row[-1] for row in unread) and unread
    assert len(unread) < len(rules.rows)


def test_acres_by_reason_add_up_to_the_gross(land: Land) -> None:
    table = reasons_table(land)
    column = next(c for c in table.columns if c.name == "Acres")
    shown = sum(float(cell) for cell in column.cells)
    assert shown == pytest.approx(float(table.foot[2]), abs=0.01 * len(column.cells))
    assert table.columns[0].cells[-1] == "net ground"


def test_widths_as_drawn_by_class_and_side(land: Land) -> None:
    table = widths_table(land)
    assert table is not None
    heads = [c.name for c in table.columns]
    assert heads[:2] == ["Class of water", "Side"]
    least, mean, most = (
        np.array([float(c) for c in table.columns[heads.index(name)].cells])
        for name in ("Least", "Mean", "Most")
    )
    assert (least <= mean).all() and (mean <= most).all() and (least < most).any()


def test_a_unit_in_conflict_is_set_off_and_drawn(page: str, land: Land) -> None:
    table = check_table(land)
    assert table is not None
    loud = [row for row, is_loud in zip(table.rows, table.loud, strict=True) if is_loud]
    assert {"A", "B", ""} >= {row[0] for row in loud} and any("Pull the line" in r[4] for r in loud)
    drawn = set(land.conflicts["unit"])
    assert drawn == {"A", "B"}
    assert all(f"<strong>Unit {name}</strong>" in page for name in drawn)
    assert page.count("data:image/svg+xml") >= 1 + len(drawn)


def test_rules_nobody_read_do_not_settle_it(by_rule: standmap.Tract, land: Land) -> None:
    said = dict(land_lines(by_rule, land))
    assert "Not all of it is settled" in said["Harvest units"]
    assert "unverified" in said["Rule"]
    assert "Unverified" in check_text(by_rule, land)


def test_without_streams_the_page_says_so_first(sample_tract: standmap.Tract) -> None:
    settings = sample_tract.settings.model_copy(update={"streams": None})
    dry = replace(sample_tract, streams=None, stream_rules={}, settings=settings)
    found = lay_out(dry)
    html = page_of(dry, found)
    assert "no acre is kept along water" in html and "candidate channels" in html
    assert 'id="rules"' not in html and 'id="widths"' not in html
    assert found.acres["buffer_acres"].sum() == 0


def test_water_on_the_map(sample_appraisal: standmap.Appraisal, by_rule, land) -> None:
    pond = sample_appraisal.streams.iloc[[0]].assign(
        geometry=[shapely.Point(-80.77, 36.41).buffer(0.0004)], **{"class": "pond"}
    )
    streams = pd.concat([sample_appraisal.streams, pond], ignore_index=True)
    made = replace(
        sample_appraisal, streams=streams, buffers=land.buffers, land=land, tract=by_rule
    )
    layers = {one["key"]: one for one in water_layers(made) if one}
    assert set(layers) == {"buffers", "streams", "ponds"}
    assert layers["ponds"]["shapes"]["kind"] == "polygon"
    assert layers["streams"]["shapes"]["kind"] == "line"
    rows = dict(layers["buffers"]["card"]["rows"])
    assert any("mean" in width for width in rows["Width each side"])
    assert any(name.startswith("SC, to be checked") for name in rows["Rule"])
    assert any("Unverified" in note for note in layers["buffers"]["card"]["note"])


def test_names_from_the_data_are_text_and_nothing_else(by_rule: standmap.Tract) -> None:
    spoilt = {
        "streams": by_rule.streams.assign(
            **{"class": by_rule.streams["class"].replace("perennial", HOSTILE)}
        ),
        "exclusions": by_rule.exclusions.assign(reason=HOSTILE),
        "units": by_rule.units.assign(unit=HOSTILE + by_rule.units["unit"]),
        "stream_rules": {
            (HOSTILE if name == "perennial" else name): rule
            for name, rule in by_rule.stream_rules.items()
        },
    }
    tract = replace(by_rule, **spoilt)
    found = lay_out(tract)
    html = page_of(tract, found)
    assert "<img src=x" not in html and "<script" not in html and "1337" not in html
    assert "&lt;img src=x" in html
    assert "{{ 7 * 191 }}" in check_text(tract, found)
