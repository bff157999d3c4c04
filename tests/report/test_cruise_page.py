"""The cruise page: what the errors rest on, in words and tables that agree with the appraisal."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import standmap
from standmap.report import report_html, result_tables, write_all
from standmap.report.columns import heading
from standmap.report.cruise_page import cruise_html, cruise_lines, guide_pages
from standmap.report.cruise_tables import (
    MOST_CELL_ERROR_PCT,
    checks_table,
    crops,
    few_table,
    leverage_table,
    ratios_table,
    stands_table,
    strata_table,
)
from standmap.report.offline import fetched

NBSP = "\N{NO-BREAK SPACE}"


@pytest.fixture(scope="module")
def page(sample_appraisal: standmap.Appraisal, read_page: Callable) -> HTMLParser:
    return read_page(cruise_html(sample_appraisal))


def test_the_page_fetches_nothing_and_runs_nothing(
    page: HTMLParser, sample_appraisal: standmap.Appraisal
) -> None:
    assert fetched(cruise_html(sample_appraisal)) == []
    assert "script" not in page.tags
    assert all(picture.startswith("data:image/svg+xml") for picture in page.pictures)


def test_every_part_is_there(page: HTMLParser) -> None:
    for part in ("answer", "design", "stands", "checks", "leverage", "few", "parts", "edges",
                 "crop", "cautions"):  # fmt: skip
        assert part in page.ids


def test_the_report_and_the_page_lead_to_each_other(
    page: HTMLParser, sample_appraisal: standmap.Appraisal, read_page: Callable
) -> None:
    report = read_page(report_html(sample_appraisal))
    assert "cruise.html" in report.links
    assert "report.html#warnings" in page.links
    assert "warnings" in report.ids


def test_every_link_on_the_page_has_its_place(page: HTMLParser) -> None:
    for link in page.links:
        assert link.startswith("report.html") or link.removeprefix("#") in page.ids


def test_the_page_carries_the_guide_of_its_own_designs(
    sample_appraisal: standmap.Appraisal,
) -> None:
    found = guide_pages(sample_appraisal)
    assert found == ("cruise", "design_point", "design_stratified", "designs", "edges")


def test_the_first_line_is_the_report_s_error(sample_appraisal: standmap.Appraisal) -> None:
    lines = dict(cruise_lines(sample_appraisal))
    error = sample_appraisal.total("value_usd").sampling_error_pct
    assert f"±{NBSP}{error:.0f}%" in lines["How sure"]
    assert lines["The cruise"].startswith("107 plots in 16 of 17 stands; 1,126 trees measured.")


def test_the_heaviest_plot_is_named_with_what_it_does(
    sample_appraisal: standmap.Appraisal,
) -> None:
    first = sample_appraisal.cruise.leverage.iloc[0]
    line = dict(cruise_lines(sample_appraisal))["Most weight"]
    turn = "lower" if first["change_pct"] < 0 else "higher"
    assert line.startswith(
        f"Without plot {first['plot']} in stand {first['stand']} the tract's total would be "
        f"{abs(first['change_pct']):.1f}% {turn}."
    )
    table = leverage_table(sample_appraisal)
    assert table.rows[0][0] == first["plot"]
    changes = [abs(float(row[2].replace("−", "-"))) for row in table.rows]
    assert changes[:12] == sorted(changes[:12], reverse=True)


def test_stands_come_least_sure_first_and_borrowers_are_set_off(
    sample_appraisal: standmap.Appraisal,
) -> None:
    table = stands_table(sample_appraisal)
    stands = sample_appraisal.stands.set_index("stand")
    names = [row[0].rstrip(" †‡") for row in table.rows]
    errors = stands.loc[names, "value_usd_error_pct"].to_numpy()
    assert (np.diff(errors) <= 0).all()
    assert [row[0] for row, loud in zip(table.rows, table.loud, strict=True) if loud] == ["12 †"]
    shown = {row[0].rstrip(" †‡"): row[2] for row in table.rows}
    assert shown == {name: str(n) for name, n in stands["plots"].items()}


def test_plots_of_the_strata_add_up(sample_appraisal: standmap.Appraisal) -> None:
    table = strata_table(sample_appraisal)
    assert [c.name for c in table.columns] == ["Stratum", "Stands", "Plots", "Trees chosen by"]
    assert sum(int(row[2]) for row in table.rows) == 107
    assert {row[3] for row in table.rows} == {"points of BAF 10"}


def test_the_interval_by_t_is_the_report_s(sample_appraisal: standmap.Appraisal) -> None:
    checks = sample_appraisal.cruise.checks.set_index("measure")
    for measure in ("value_usd", "bf_doyle", "volume_cuft"):
        total = sample_appraisal.total(measure)
        row = checks.loc[measure]
        assert (row["low"], row["high"]) == pytest.approx(total.interval, rel=1e-12)
        assert row["random_error_pct"] == pytest.approx(total.sampling_error_pct, rel=1e-12)
        assert row["bootstrap_low"] < total.mean < row["bootstrap_high"]
    assert [row[0] for row in checks_table(sample_appraisal).rows] == [
        "Value, $", "Doyle, MBF", "Volume, cu ft",
    ]  # fmt: skip


def test_margins_of_the_cells_are_the_tract(sample_appraisal: standmap.Appraisal) -> None:
    cells = sample_appraisal.cruise.cells
    whole = cells[(cells["species"] == "") & cells["dbh_class_in"].isna()].iloc[0]
    for measure in ("trees", "bf_doyle"):
        total = sample_appraisal.total(measure)
        per_acre = whole[f"{measure}_per_acre"] * sample_appraisal.net_acres
        assert per_acre == pytest.approx(total.mean, rel=1e-9)
        assert whole[f"{measure}_error_pct"] == pytest.approx(total.sampling_error_pct, rel=1e-9)
    single = cells[(cells["species"] != "") & cells["dbh_class_in"].notna()]
    assert single["trees_per_acre"].sum() == pytest.approx(whole["trees_per_acre"], rel=1e-9)


def test_a_cell_shows_its_error_only_where_it_may_be_leant_on(
    sample_appraisal: standmap.Appraisal,
) -> None:
    cells = sample_appraisal.cruise.cells
    known = {(r.species, f"{r.dbh_class_in:g}"): r.trees_error_pct for r in cells.itertuples()}
    crop = crops(sample_appraisal)[0]
    seen = 0
    for name, row in crop.rows:
        species = "" if name == "All species" else name
        for dbh, cell in zip(crop.classes, row, strict=True):
            if not cell.text:
                continue
            error = known[(species, "nan" if dbh == "All" else dbh)]
            assert cell.faint == (error > MOST_CELL_ERROR_PCT)
            assert bool(cell.error) != cell.faint
            seen += 1
    assert seen > 50


def test_a_product_met_on_one_plot_is_a_hint_and_a_warning(
    sample_appraisal: standmap.Appraisal, read_page: Callable
) -> None:
    table = few_table(sample_appraisal)
    assert [row[:2] for row in table.rows] == [["cedar log", "1"]]
    told = [p for p in sample_appraisal.problems if "fewer than 5 plots" in p.what]
    assert [p.value for p in told] == ["cedar log (1)"]
    none = sample_appraisal.cruise.products.assign(few=False)
    cruise = replace(sample_appraisal.cruise, products=none)
    page = read_page(cruise_html(replace(sample_appraisal, cruise=cruise)))
    assert "few" not in page.ids


def test_ratios_are_shown_with_what_they_rest_on(sample_appraisal: standmap.Appraisal) -> None:
    assert ratios_table(sample_appraisal) is None
    ratios = pd.DataFrame(
        {"group": ["oak"], "class": [""], "measured": [12], "per": ["sq ft of basal area"],
         "measure": ["bf_doyle"], "coefficient": [71.25], "intercept": [np.nan],
         "error_pct": [8.0]}
    )  # fmt: skip
    cruise = replace(sample_appraisal.cruise, ratios=ratios)
    table = ratios_table(replace(sample_appraisal, cruise=cruise))
    assert table.rows == [["oak", "12", "bf Doyle per sq ft of basal area", "71.2", "8.0%"]]


def test_hostile_names_are_printed_as_they_are(
    sample_appraisal: standmap.Appraisal, read_page: Callable
) -> None:
    bad = "</script><img src=x onerror=alert(1)> $\\frac{a}{ {{7*191}}"
    one = sample_appraisal.cruise
    made = replace(
        one,
        strata=one.strata.assign(stratum=bad),
        stands=one.stands.assign(stand=bad, stratum=bad),
        leverage=one.leverage.assign(plot=bad, stand=bad),
        cells=one.cells.assign(species=one.cells["species"].where(one.cells["species"] == "", bad)),
        products=one.products.assign(product=bad, few=True),
    )
    plots = sample_appraisal.plots.assign(stand=bad)
    products = sample_appraisal.products.assign(product=bad)
    page = read_page(
        cruise_html(replace(sample_appraisal, cruise=made, plots=plots, products=products))
    )
    assert all(picture.startswith("data:") for picture in page.pictures)
    assert page.text.count(bad) > 8
    assert "1337" not in page.text


def test_the_page_and_its_tables_are_written(
    sample_appraisal: standmap.Appraisal, tmp_path: Path
) -> None:
    written = write_all(sample_appraisal, tmp_path / "out")
    assert "cruise.html" in written
    for table in ("cruise", "cruise_stands", "cruise_leverage", "cruise_checks", "cruise_cells"):
        assert f"tables/{table}.csv" in written
    back = pd.read_csv(written["tables/cruise_stands.csv"])
    assert len(back) == len(sample_appraisal.stands)


def test_every_column_of_the_cruise_tables_has_words_for_a_heading(
    sample_appraisal: standmap.Appraisal,
) -> None:
    for table in result_tables(sample_appraisal):
        if table.key.startswith("cruise"):
            heads = [heading(str(column)).text for column in table.frame.columns]
            assert len(set(heads)) == len(heads), (table.key, sorted(heads))
            assert not any(re.search(r"usd|pct|_", head) for head in heads), (table.key, heads)


def test_a_cell_too_small_to_print_is_a_dot_without_an_error(
    sample_appraisal: standmap.Appraisal,
) -> None:
    cells = sample_appraisal.cruise.cells
    tiny = cells.assign(trees_per_acre=cells["trees_per_acre"].where(cells["species"] == "", 0.004))
    cruise = replace(sample_appraisal.cruise, cells=tiny)
    crop = crops(replace(sample_appraisal, cruise=cruise))[0]
    dots = [cell for _, row in crop.rows for cell in row if cell.text == "·"]
    assert len(dots) > 50
    assert all(cell.faint and not cell.error for cell in dots)
