"""The merchandising page: offers ranked with the error of their difference, cuts drawn to scale."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import standmap
from standmap.report import merchandising_html, report_html, result_tables, write_all
from standmap.report.columns import heading
from standmap.report.log_tables import (
    conversion_tables,
    form_class_table,
    gross_net_table,
    tree_logs_table,
)
from standmap.report.merchandising import sale_lines
from standmap.report.offline import fetched
from standmap.report.risk_tables import firmness_sentences, firmness_table, unsold_table
from standmap.report.sale_tables import (
    break_even_table,
    bucking_table,
    limits_table,
    mills_table,
    offers_table,
    same_money,
)
from standmap.report.stem_figures import label_heights, product_marks, stem_figure
from standmap.report.words import SALE_CAUTIONS

NBSP = "\N{NO-BREAK SPACE}"


@pytest.fixture(scope="module")
def page(sold_appraisal: standmap.Appraisal, read_page: Callable) -> HTMLParser:
    return read_page(merchandising_html(sold_appraisal))


def test_the_page_fetches_nothing_and_runs_nothing(
    page: HTMLParser, sold_appraisal: standmap.Appraisal
) -> None:
    html = merchandising_html(sold_appraisal)
    assert fetched(html) == []
    assert "script" not in page.tags
    assert all(picture.startswith("data:image/svg+xml") for picture in page.pictures)


def test_every_part_is_there(page: HTMLParser) -> None:
    for part in ("answer", "offers", "mills", "bucking", "firm", "trees", "scale", "conversions",
                 "stems", "cautions"):  # fmt: skip
        assert part in page.ids


@pytest.mark.parametrize("head", [head for head, _ in SALE_CAUTIONS])
def test_every_caution_is_printed(page: HTMLParser, head: str) -> None:
    assert head in page.text


def test_the_report_and_the_page_lead_to_each_other(
    page: HTMLParser, sold_appraisal: standmap.Appraisal, read_page: Callable
) -> None:
    report = read_page(report_html(sold_appraisal))
    assert "merchandising.html" in report.links
    assert "sale" in report.ids
    assert "report.html#warnings" in page.links
    assert "warnings" in report.ids


def test_what_a_tract_has_no_data_for_is_left_out(
    unsold: standmap.Appraisal, read_page: Callable
) -> None:
    page = read_page(merchandising_html(unsold))
    assert [name for name in page.ids if not name.startswith("guide")] == ["cautions"]
    assert "img" not in page.tags


def test_the_best_offer_is_named_with_the_paired_error_of_its_lead(
    sold_appraisal: standmap.Appraisal,
) -> None:
    text = dict(sale_lines(sold_appraisal))["Offers"].replace(NBSP, " ")
    # 20 % of $5,000 is $1,000: the error of the lead, not the 12 % of either value.
    assert text == (
        "Best on these logs is North Yard, at $100,000 ± 12%: $5,000 ± $1,000 more than the next, "
        "South Yard. 3 offers compared."
    )


def test_a_lead_within_its_error_is_not_called_a_lead(
    sold_appraisal: standmap.Appraisal,
) -> None:
    offers = sold_appraisal.offers.assign(less_error_pct=[np.nan, 101.0, 130.0])
    text = dict(sale_lines(replace(sold_appraisal, offers=offers)))["Offers"]
    assert "more than" not in text
    assert "cannot tell the two apart" in text


def test_the_offers_table_marks_what_the_cruise_cannot_tell_and_what_is_unpriced(
    sold_appraisal: standmap.Appraisal,
) -> None:
    table = offers_table(sold_appraisal)
    assert [row[1] for row in table.rows] == ["North Yard", "South Yard", "East Yard"]
    behind = [row[4].replace(NBSP, " ") for row in table.rows]
    assert behind == ["", "$5,000 ± $1,000", "$10,000 ± $13,000 *"]
    assert [row[5] for row in table.rows] == ["", "", "7"]
    assert table.loud == [False, False, True]


def test_a_break_even_price_stands_under_its_own_unit(sold_appraisal: standmap.Appraisal) -> None:
    table = break_even_table(sold_appraisal)
    assert [c.name for c in table.columns] == ["Product", "Quoted", "MBF International", "ton"]
    assert table.rows == [["sawlog", "$400 per MBF Doyle", "$296", "$51.50"]]


def test_the_same_money_by_every_rule_is_the_ratio_of_the_scales(
    sold_appraisal: standmap.Appraisal,
) -> None:
    totals = sold_appraisal.totals["estimate"]
    usd = 100 * totals["bf_doyle"] / totals["bf_international"]
    assert f"$100 per MBF Doyle is the same money as ${usd:.2f} International" in same_money(
        sold_appraisal
    )


def test_mills_come_richest_first_with_a_full_one_set_off(
    sold_appraisal: standmap.Appraisal,
) -> None:
    table = mills_table(sold_appraisal)
    assert [row[:2] for row in table.rows] == [
        ["Fork Mill", "sawlog"], ["", "tie log"], ["Peel Works", "veneer log"],
    ]  # fmt: skip
    assert table.loud == [False, False, True]
    assert table.foot[0] == "All mills"
    assert table.foot[-2] == "$84,000"  # 75,000 + 1,500 + 7,500
    line = dict(sale_lines(sold_appraisal))["Mills"]
    assert line.startswith("2 mills take the logs.")
    assert "Fork Mill 91%" in line
    assert "Full: Peel Works." in line


def test_a_limit_says_what_it_is_of_whether_it_binds_and_what_one_more_load_brings(
    sold_appraisal: standmap.Appraisal,
) -> None:
    table = limits_table(sold_appraisal)
    most = table.columns[2].cells
    assert most == ["90 loads in all", "5 MBF"]
    assert table.columns[-2].cells == ["no", "yes"]
    assert table.columns[-1].cells == ["", "+$412"]
    assert table.loud == [False, True]


def test_what_no_mill_takes_is_told_with_its_reason(
    page: HTMLParser, sold_appraisal: standmap.Appraisal
) -> None:
    table = unsold_table(sold_appraisal)
    assert table.rows == [
        ["pulpwood", "mills full", "900", "15%", "$5,400"],
        ["sawlog", "no mill takes it", "3", "130%", ""],
    ]
    # Rounded to what the cruise supports: 12.6 % of $6,100 is $770.
    assert "the limits cost this sale $6,100 of stumpage" in " ".join(page.text.split())


def test_a_sale_within_every_limit_says_nothing_of_limits(
    sold_appraisal: standmap.Appraisal,
) -> None:
    free = sold_appraisal.mills.assign(limit=np.nan, limit_loads=np.nan, limited=False)
    risks = replace(
        sold_appraisal.risks, unsold=sold_appraisal.risks.unsold.iloc[:0], limits_cost_usd=0.0
    )
    html = merchandising_html(replace(sold_appraisal, mills=free, risks=risks))
    assert "limits cost" not in html
    assert "What no mill takes" not in html


def test_how_firm_a_cut_is_in_a_plain_sentence(sold_appraisal: standmap.Appraisal) -> None:
    said = [s.replace(NBSP, " ") for s in firmness_sentences(sold_appraisal)]
    assert said == [
        "If the veneer log buyer walked away, these logs would still bring $20,000 of their "
        "$40,000, mostly as sawlog: $20,000 ± $5,000 less.",
        "If the cedar post buyer walked away, nobody here would take these logs: all $9,000 "
        "would be lost.",
    ]
    assert dict(sale_lines(sold_appraisal))["How firm"].replace(NBSP, " ") == said[0]


def test_next_best_products_stand_beside_what_logs_are_worth(
    sold_appraisal: standmap.Appraisal,
) -> None:
    table = firmness_table(sold_appraisal, by="product")
    rows = [[cell.replace(NBSP, " ") for cell in row] for row in table.rows]
    assert rows == [
        ["veneer log", "$40,000", "$20,000", "$20,000 ± $5,000", "50%", "", "sawlog"],
        ["cedar post", "$9,000", "nothing", "$9,000 ± $3,200", "", "$9,000", ""],
    ]
    assert table.foot[0] == "Tract"
    assert table.foot[-1] == "tie log"
    by_stand = firmness_table(sold_appraisal, by="stand")
    assert [row[0] for row in by_stand.rows] == ["1"]
    assert by_stand.foot[1] == "$100,000"


def test_a_mill_s_line_for_the_other_species_says_so(
    sold_appraisal: standmap.Appraisal,
) -> None:
    mills = sold_appraisal.mills.assign(
        product=["sawlog", "sawlog", "veneer log"], species=["", "walnut", ""]
    )
    table = mills_table(replace(sold_appraisal, mills=mills))
    assert [row[2] for row in table.rows] == ["walnut", "others", ""]


def test_a_log_that_no_mill_takes_nets_nothing(sold_appraisal: standmap.Appraisal) -> None:
    logs = sold_appraisal.logs
    drawn = sold_appraisal.typical_trees["tally_row"].iloc[0]
    last = logs.index[logs["tally_row"] == drawn][-1]
    mills = logs["mill"].where(logs.index != last, "")
    table = tree_logs_table(replace(sold_appraisal, logs=logs.assign(mill=mills, mill_usd=0.0)))
    nets = next(c for c in table.columns if c.name == "Nets").cells
    assert nets == ["$0.00"] * (len(nets) - 1) + [""]


def test_a_lump_sum_has_no_error_and_says_so(sold_appraisal: standmap.Appraisal) -> None:
    offers = sold_appraisal.offers.assign(value_error_pct=[0.0, 12.0, 12.0])
    lump = replace(sold_appraisal, offers=offers)
    assert offers_table(lump).rows[0][3] == "none"
    assert dict(sale_lines(lump))["Offers"].startswith(
        "Best on these logs is North Yard, at $100,000, a lump sum"
    )
    assert "carries their whole error" in merchandising_html(lump)


def test_no_column_of_loads_without_a_load(
    sold_appraisal: standmap.Appraisal,
) -> None:
    mills = sold_appraisal.mills.assign(loads=np.nan, delivered_usd=np.nan)
    names = [c.name for c in mills_table(replace(sold_appraisal, mills=mills)).columns]
    assert not {"Loads", "Delivered"} & set(names)


def test_the_ways_to_buck_stand_side_by_side_with_the_tract_last(
    sold_appraisal: standmap.Appraisal,
) -> None:
    table = bucking_table(sold_appraisal)
    assert [c.name for c in table.columns] == [
        "Stand", "Field", "Top-down", "More than field", "Best value", "More than field",
    ]  # fmt: skip
    assert [row[0] for row in table.rows] == ["1"]
    foot = [cell.replace(NBSP, " ") for cell in table.foot]
    assert foot == ["Tract", "$80,000", "$84,000", "$4,000 ± $4,800 *", "$100,000",
                    "$20,000 ± $2,000"]  # fmt: skip
    assert "(+25.0%)" in dict(sale_lines(sold_appraisal))["The cuts"]


def test_gross_and_net_stand_side_by_side_and_differ_by_the_defect(
    sold_appraisal: standmap.Appraisal,
) -> None:
    table = gross_net_table(sold_appraisal)
    units = [c.unit for c in table.columns[1:]]
    assert units == ["gross MBF", "net MBF", "%"] * 4
    assert {cell for row in table.rows for cell in row[3::3]} == {"10.0"}
    line = dict(sale_lines(sold_appraisal))["Scale"]
    assert line.endswith("defect takes 10.0%.")


def test_the_logs_of_a_drawn_tree_add_up_to_its_caption(
    page: HTMLParser, sold_appraisal: standmap.Appraisal
) -> None:
    row = int(sold_appraisal.typical_trees["tally_row"].iloc[0])
    own = sold_appraisal.logs[sold_appraisal.logs["tally_row"] == row]
    table = tree_logs_table(sold_appraisal)
    assert len(table.rows) == len(own)
    values = next(c for c in table.columns if c.name == "Value").cells
    assert sum(float(v[1:]) for v in values) == pytest.approx(own["value_usd"].sum(), abs=0.02)
    assert f"${own['value_usd'].sum():,.0f} in all" in page.text
    nets = [float(c) for c in next(c for c in table.columns if c.name == "Net").cells if c]
    assert sum(nets) == pytest.approx(own["bf_doyle"].sum(), abs=0.5 * len(nets))


def test_a_conversion_stands_beside_the_published_one_and_its_source(
    sold_appraisal: standmap.Appraisal,
) -> None:
    tables, sources = conversion_tables(sold_appraisal)
    per_mbf, per_cord = (table for _, table in tables)
    assert [title for title, _ in tables] == ["tons per MBF", "tons per cord"]
    heads = [(c.name, c.unit) for c in per_mbf.columns]
    assert heads == [("Group", ""), ("Logs", ""), ("Doyle", "here"), ("Scribner", "here"),
                     ("In print", "Doyle"), ("From", "logs"), ("Source", "")]  # fmt: skip
    assert per_mbf.rows == [["pine", "all sawlogs", "7.43", "6.10", "8.00", "81", "[1, 2]"]]
    assert per_cord.rows[0][3:5] == ["2.60", "2.67 (2.35 to 2.76)"]
    assert sources == ["Price report 2002", "Handbook 2012"]


def test_a_group_named_again_further_down_is_set_with_its_own(
    sold_appraisal: standmap.Appraisal,
) -> None:
    rows = sold_appraisal.conversions.iloc[[0, 0, 0]].assign(
        group=["pine", "hardwood", "pine"], item=["all sawlogs", "all sawlogs", "loblolly"]
    )
    [(_, table)], _ = conversion_tables(replace(sold_appraisal, conversions=rows))
    assert [row[:2] for row in table.rows] == [
        ["pine", "all sawlogs"], ["", "loblolly"], ["hardwood", "all sawlogs"],
    ]  # fmt: skip


def test_form_class_measured_used_and_default(sold_appraisal: standmap.Appraisal) -> None:
    table = form_class_table(sold_appraisal)
    assert table.rows == [
        ["white oak", "6", f"76.0 ±{NBSP}1.1", "78.0", "76.9", "-3.7%"],
        ["hickory", "1", "82.0", "78.0", "80.0", "+5.0%"],
    ]
    assert table.foot == ["The whole tract", "7", "", "", "", "0.0%"]


def test_a_measured_form_class_that_moves_nothing_says_so_and_claims_no_change(
    page: HTMLParser, sold_appraisal: standmap.Appraisal
) -> None:
    still = replace(sold_appraisal, form_class_effect=pd.DataFrame())
    table = form_class_table(still)
    assert [c.name for c in table.columns] == [
        "Species", "Measured", "Mean", "Their stems here", "Default",
    ]  # fmt: skip
    assert [row[3] for row in table.rows] == ["77.3", "81.5"]
    assert "It changes no figure of this appraisal" in merchandising_html(still)
    assert "It changes no figure" not in page.text
    assert "Only the 34 tallied trees" in page.text


def test_a_group_s_curve_is_drawn_through_the_trees_of_the_group(page: HTMLParser) -> None:
    # One of the three measured trees is a pine; the oaks are not in the softwood curve.
    assert "Naslund; 2 measured" in page.text
    assert "Naslund; 1 measured, for species" in page.text


def _svg(picture: str) -> str:
    return base64.b64decode(picture.split(",", 1)[1]).decode("utf-8")


def test_each_log_is_drawn_over_its_own_feet_of_stem(sold_appraisal: standmap.Appraisal) -> None:
    row = int(sold_appraisal.typical_trees["tally_row"].iloc[0])
    own = sold_appraisal.logs[sold_appraisal.logs["tally_row"] == row]
    drawn = stem_figure(
        sold_appraisal.stem_outlines,
        own,
        product_marks(own["product"].tolist()),
        top_ft=100.0,
        widest_in=30.0,
        head="bf_doyle",
    )
    fills = drawn.axes[0].collections[2:]  # after the bark and the wood
    spans = [fill.get_paths()[0].get_extents() for fill in fills]
    np.testing.assert_allclose([s.y0 for s in spans], own["bottom_ft"], rtol=0, atol=1e-9)
    ends = own["bottom_ft"] + own["length_ft"]
    np.testing.assert_allclose([s.y1 for s in spans], ends, rtol=0, atol=1e-9)
    outline = sold_appraisal.stem_outlines
    at_butt = np.interp(own["bottom_ft"], outline["height_ft"], outline["dib_in"])
    np.testing.assert_allclose([s.width for s in spans], at_butt, rtol=1e-9)


def test_a_drawing_is_the_same_twice(
    page: HTMLParser, sold_appraisal: standmap.Appraisal, read_page: Callable
) -> None:
    again = read_page(merchandising_html(sold_appraisal))
    assert again.pictures == page.pictures
    assert all("<svg" in _svg(picture) for picture in page.pictures)


def test_products_are_told_apart_without_colour() -> None:
    marks = product_marks([f"product {n}" for n in range(24)]).values()
    assert len({m.letter for m in marks}) == 24
    assert len({(m.colour, m.hatch) for m in marks}) == 24
    first = list(marks)[:10]
    assert len({m.colour for m in first}) == len({m.hatch for m in first}) == 10


@settings(max_examples=100, deadline=None)
@given(st.lists(st.floats(0, 90), max_size=14).map(sorted))
def test_labels_never_overlap_and_keep_their_order(middles: list[float]) -> None:
    placed = label_heights(middles, gap=6.0, top=98.0)
    assert all(b - a >= 6.0 - 1e-9 for a, b in pairwise(placed))
    assert max(placed, default=0.0) <= 98.0 + 1e-9
    # Labels move up to make room, and down only where the top leaves none: never into the ground.
    room = 98.0 - 6.0 * (len(middles) - 1)
    assert all(low >= min(middles[0], room) - 1e-9 for low in placed[:1])


def test_hostile_names_are_printed_as_they_are(
    sold_appraisal: standmap.Appraisal, read_page: Callable
) -> None:
    bad = "</script><img src=x onerror=alert(1)> $\\frac{a}{ {{7*191}}"
    made = replace(
        sold_appraisal,
        offers=sold_appraisal.offers.assign(offer=bad),
        mills=sold_appraisal.mills.assign(mill=bad, product=bad),
        logs=sold_appraisal.logs.assign(product=bad, mill=bad, second_product=bad, second_mill=bad),
        risks=replace(
            sold_appraisal.risks,
            firmness=sold_appraisal.risks.firmness.replace({"veneer log": bad, "tie log": bad}),
            unsold=sold_appraisal.risks.unsold.assign(product=bad),
        ),
        conversions=sold_appraisal.conversions.assign(kind=bad, item=bad, source=bad),
        typical_trees=sold_appraisal.typical_trees.assign(species=bad, stand=bad),
        height_lines=sold_appraisal.height_lines.assign(name=bad, form=bad),
    )
    page = read_page(merchandising_html(made))
    assert all(picture.startswith("data:") for picture in page.pictures)
    assert page.text.count(bad) > 8
    assert "1337" not in page.text


def test_the_page_is_written_beside_the_report_with_its_tables(
    sold_appraisal: standmap.Appraisal, tmp_path: Path
) -> None:
    written = write_all(sold_appraisal, tmp_path / "out")
    assert "merchandising.html" in written
    for table in ("offers", "break_even", "mills", "firmness", "unsold", "bucking_values",
                  "conversions", "form_classes"):  # fmt: skip
        assert f"tables/{table}.csv" in written
    back = pd.read_csv(written["tables/offers.csv"])
    assert back["value_usd"].tolist() == sold_appraisal.offers["value_usd"].tolist()


def test_every_column_of_the_new_tables_has_words_for_a_heading(
    sold_appraisal: standmap.Appraisal,
) -> None:
    keys = set()
    for table in result_tables(sold_appraisal):
        heads = [heading(str(column)).text for column in table.frame.columns]
        assert len(set(heads)) == len(heads), (table.key, sorted(heads))
        assert not any(re.search(r"usd|pct|_", head) for head in heads), (table.key, heads)
        keys.add(table.key)
    assert {"offers", "mills", "conversions"} <= keys
