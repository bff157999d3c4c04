"""The sections on whether the sample is right, and their tables in the workbook."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd
import pytest

import standmap
from standmap.report.columns import heading
from standmap.report.sample_sections import (
    MOST_LISTED,
    bias_table,
    borderline_table,
    crossing_table,
    parts_table,
    places_table,
    sample_sections_html,
)
from standmap.report.tables import result_tables

NASTY = "</td><script>alert(1)</script>"


@pytest.fixture(scope="module")
def doubtful(sample_appraisal: standmap.Appraisal) -> standmap.Appraisal:
    """The sample with something to tell in every section, and a name that a page would run."""
    one = sample_appraisal
    checks = one.sample_checks
    places = pd.DataFrame(
        [("1", "2", "2", "3", 41.6, "", True), (NASTY, "", "", "", float("nan"), NASTY, False)],
        columns=list(checks.places.columns),
    )
    borderline = pd.DataFrame(
        [("1", "4", "WO", 20.0, 58.0, 55.0, 3.0, "out", False, 7),
         ("1", "5", "WO", 12.0, 32.9, 33.0, -0.1, "borderline", True, 8)],
        columns=list(checks.borderline.columns),
    )  # fmt: skip
    bias = checks.bias.assign(
        possible_bias_pct=[-4.16, *[0.0] * (len(checks.bias) - 1)],
        uncorrected_plots=1,
    )
    table = one.domains.table
    first = table["domain"] == table["domain"].iloc[0]
    return replace(
        one,
        sample_checks=replace(
            checks, places=places, borderline=borderline, bias=bias, checked_trees=2
        ),
        domains=replace(one.domains, table=table.assign(domain=table["domain"].mask(first, NASTY))),
    )


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_a_section_with_nothing_to_tell_is_left_out(sample_appraisal: standmap.Appraisal) -> None:
    html = str(sample_sections_html(sample_appraisal))
    assert re.findall(r'<section id="(\w+)"', html) == ["parts", "edges", "places"]
    assert "Here it was made up on every plot." in text_of(html)
    bare = replace(
        sample_appraisal,
        domains=replace(sample_appraisal.domains, table=pd.DataFrame()),
    )
    assert 'id="parts"' not in str(sample_sections_html(bare))


def test_every_section_tells_what_was_found(doubtful: standmap.Appraisal) -> None:
    html = str(sample_sections_html(doubtful))
    said = text_of(html)
    assert re.findall(r'<section id="(\w+)"', html) == ["parts", "edges", "places", "borderline"]
    assert "Stands set off were cruised" in said
    assert "still counted" in said
    assert "<script" not in html
    assert html.count("&lt;script&gt;") == 3  # a part, a plot and its ground


def test_parts_are_told_from_their_stands(sample_appraisal: standmap.Appraisal) -> None:
    printed = parts_table(sample_appraisal)
    assert printed is not None
    table = sample_appraisal.domains.table
    whole = table[table["stand"] == ""]
    assert [c for c in printed.columns[0].cells if c][:3] == ["unit A", "unit B", "unit C"]
    assert sum(c != "" for c in printed.columns[0].cells) == len(whole)
    listed = (table["stand"] == "") | (table["source"] == "own plots")
    assert printed.columns[4].cells == table.loc[listed, "source"].tolist()


def test_stands_possibly_low_are_set_off(doubtful: standmap.Appraisal) -> None:
    printed = bias_table(doubtful)
    assert printed is not None
    assert printed.loud is not None
    assert printed.loud[0]
    assert not any(printed.loud[1:])
    assert printed.rows[0][-1].startswith("−")
    assert printed.rows[1][-1] == "none"
    stands = doubtful.tract.stands["stand"].astype(str)
    there = set(printed.columns[0].cells)
    assert printed.columns[0].cells == [s for s in stands if s in there]  # in the map's order


def test_the_plots_farthest_over_the_line_come_first(sample_appraisal: standmap.Appraisal) -> None:
    printed = crossing_table(sample_appraisal)
    assert printed is not None
    edges = sample_appraisal.sample_checks.edges
    worst = edges.loc[edges["outside_pct"].idxmax()]
    assert printed.rows[0][:2] == [worst["plot"], worst["stand"]]
    assert len(printed.rows) == min(edges["crosses"].sum(), MOST_LISTED)
    assert set(printed.columns[-1].cells) == {"walked through"}


def test_a_plot_set_aside_is_set_off_with_its_distance(doubtful: standmap.Appraisal) -> None:
    printed = places_table(doubtful)
    assert printed is not None
    assert printed.rows[0] == ["1", "stand 2", "stand 2", "3", "42 ft off", ""]
    assert printed.rows[1][1:3] == ["none: set aside", "no stand"]
    assert printed.loud == [False, True]


def test_a_tree_beyond_its_limit_is_set_off(doubtful: standmap.Appraisal) -> None:
    printed = borderline_table(doubtful)
    assert printed is not None
    assert printed.rows[0][4:] == ["58.00", "55.00", "3.00", "out", "set aside"]
    assert printed.rows[1][6] == "−0.10"
    assert printed.loud == [True, False]


def test_the_tables_are_in_the_workbook_with_words_for_headings(
    doubtful: standmap.Appraisal,
) -> None:
    tables = {t.key: t for t in result_tables(doubtful)}
    for key in ("domains", "plot_edges", "edge_bias", "plot_places", "borderline"):
        assert len(tables[key].title) <= 31
        for column in tables[key].frame:
            assert heading(str(column)).name[0].isupper()
            assert "_" not in heading(str(column)).text
