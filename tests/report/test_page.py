"""The report: the answer first, every figure with its error, nothing run or fetched."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
import shapely

import standmap
from standmap.guide import topics
from standmap.report import report_html, summary_text, ten_lines
from standmap.report.figures import as_image, label_places, scale_length, tract_figure
from standmap.report.names import tallies_small_trees_on_points
from standmap.report.notebook import notebook_html
from standmap.report.offline import fetched
from standmap.report.page import GUIDE_TOPICS
from standmap.report.printed import (
    FLOOR_NOTE,
    crop_table,
    must_stay_table,
    products_table,
    stands_table,
)
from standmap.report.words import CAUTIONS
from standmap.tract.settings import CruisePart


class Outline(HTMLParser):
    """The tags, ids, links and visible text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.handlers: list[str] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.handlers += [name for name, _ in attrs if name.startswith("on")]
        self.ids += [value or "" for name, value in attrs if name == "id"]
        self.links += [value or "" for name, value in attrs if name == "href" and tag == "a"]

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture(scope="module")
def html(sample_appraisal: standmap.Appraisal) -> str:
    return report_html(sample_appraisal)


@pytest.fixture(scope="module")
def outline(html: str) -> Outline:
    return Outline(html)


def test_the_page_fetches_nothing_and_runs_nothing(html: str, outline: Outline) -> None:
    assert fetched(html) == []
    assert "script" not in outline.tags
    assert "script-src 'none'" in html


def test_every_link_leads_to_a_place_on_the_page(outline: Outline) -> None:
    inside = [link for link in outline.links if link.startswith("#")]
    assert inside
    assert {link[1:] for link in inside} <= set(outline.ids)
    assert len(set(outline.ids)) == len(outline.ids)


def test_the_guide_pages_it_links_to_exist() -> None:
    assert set(GUIDE_TOPICS) <= set(topics())


@pytest.mark.parametrize("head", [head for head, _ in CAUTIONS])
def test_every_caution_is_printed(outline: Outline, head: str) -> None:
    assert head in outline.text


def test_warnings_come_before_the_answer(
    outline: Outline, sample_appraisal: standmap.Appraisal
) -> None:
    assert outline.ids.index("warnings") < outline.ids.index("answer")
    for problem in sample_appraisal.problems:
        assert problem.mend in outline.text


def test_the_answer_is_ten_lines_with_the_value_first(
    sample_appraisal: standmap.Appraisal,
) -> None:
    lines = ten_lines(sample_appraisal)
    value = sample_appraisal.total("value_usd")
    assert len(lines) == 10
    assert lines[0][0] == "Value"
    dollars = float(re.findall(r"\$([\d,]+)", lines[0][1])[0].replace(",", ""))
    assert dollars == pytest.approx(value.mean, abs=value.half_width / 20)


def test_the_interval_in_words_holds_the_interval(
    sample_appraisal: standmap.Appraisal,
) -> None:
    text = dict(ten_lines(sample_appraisal))["How sure"]
    ends = [float(t.replace(",", "")) for t in re.findall(r"\$([\d,]+)", text)]
    value = sample_appraisal.total("value_usd")
    assert ends == pytest.approx(value.interval, abs=value.half_width / 20)
    assert "90% confidence" in text


def test_without_prices_no_dollar_is_printed(sample_appraisal: standmap.Appraisal) -> None:
    one = sample_appraisal
    totals = one.totals.copy()
    totals.loc["value_usd", ["estimate", "se", "low", "high"]] = 0.0
    nothing_sold = {name: getattr(one, name).iloc[:0] for name in ("offers", "mills")}
    cuts = one.bucking_values.assign(value_usd=0.0, more_than_field_usd=0.0)
    risks = replace(one.risks, firmness=one.risks.firmness.iloc[:0])
    unsold = replace(one, totals=totals, bucking_values=cuts, risks=risks, **nothing_sold)
    page = report_html(unsold)
    body = page.split('id="guide"')[0].split('id="answer"')[1]
    assert "no price was met" in body
    assert "$" not in re.sub(r"data:[^\"]+", "", body)


def test_a_product_with_no_price_says_so_instead_of_zero(
    sample_appraisal: standmap.Appraisal,
) -> None:
    products = sample_appraisal.products.copy()
    unpriced = products["product"] == "chip-n-saw"
    products.loc[unpriced, ["value_usd", "price_usd"]] = [0.0, np.nan]
    products.loc[unpriced, "unit"] = ""
    table = products_table(replace(sample_appraisal, products=products))
    row = next(row for row in table.rows if row[0] == "chip-n-saw")
    assert row[[c.name for c in table.columns].index("Value")] == "no price"
    assert "$0" not in row


def test_the_products_table_has_gross_and_net_side_by_side(
    sample_appraisal: standmap.Appraisal,
) -> None:
    table = products_table(sample_appraisal)
    heads = [(c.name, c.unit) for c in table.columns]
    at = heads.index(("Doyle", "gross MBF"))
    assert heads[at : at + 3] == [("Doyle", "gross MBF"), ("Doyle", "net MBF"), ("Defect", "%")]
    gross, net = (sample_appraisal.total(m).mean / 1000 for m in ("gross_bf_doyle", "bf_doyle"))
    shown = [float(cell.replace(",", "")) for cell in table.foot[at : at + 3]]
    assert shown[:2] == pytest.approx([gross, net], abs=5)  # printed to the tens
    assert shown[2] == pytest.approx(100 * (1 - net / gross), abs=0.05)
    pulp = next(row for row in table.rows if row[0] == "hardwood pulpwood")
    assert pulp[at : at + 3] == ["", "", ""]  # weighed or stacked, never scaled


def test_an_interval_of_timber_never_reaches_below_nothing_and_says_why(
    sample_appraisal: standmap.Appraisal,
) -> None:
    totals = sample_appraisal.totals.copy()
    totals.loc["value_usd", "se"] = totals.loc["value_usd", "estimate"]
    wide = replace(sample_appraisal, totals=totals)
    assert wide.total("value_usd").interval[0] < 0
    for text in (dict(ten_lines(wide))["How sure"], summary_text(wide)):
        assert "-$" not in text
        assert "$0 *" in text
        assert FLOOR_NOTE in text
    for text in (dict(ten_lines(sample_appraisal))["How sure"], summary_text(sample_appraisal)):
        assert "*" not in text


def test_the_wood_is_told_in_cubic_feet_and_cubic_metres(
    sample_appraisal: standmap.Appraisal,
) -> None:
    cuft = sample_appraisal.total("volume_cuft")
    for text in (dict(ten_lines(sample_appraisal))["Bulk wood"], summary_text(sample_appraisal)):
        feet, metres = (
            float(re.search(rf"([\d,]+)\)? {unit}", text)[1].replace(",", ""))
            for unit in ("cubic feet", "m³")
        )
        assert feet == pytest.approx(cuft.mean, abs=cuft.half_width / 20)
        assert metres * 35.3147 == pytest.approx(cuft.mean, rel=0.01)


def test_the_stands_table_marks_the_stand_that_borrows(
    sample_appraisal: standmap.Appraisal,
) -> None:
    table = stands_table(sample_appraisal)
    borrowed = sample_appraisal.stands.query("borrowed == 'stratum'")["stand"].tolist()
    assert [row[0] for row in table.rows if row[0].endswith("†")] == [f"{b} †" for b in borrowed]
    assert len(borrowed) == 1
    assert table.foot[0] == "Tract"


def test_a_stock_table_keeps_the_whole_crop_when_it_folds_classes_and_species() -> None:
    rng = np.random.default_rng(7)
    rows = [(f"species {s:02d}", 2.0 * c, v) for s in range(25) for c in range(2, 24)
            for v in [rng.gamma(2.0) * 10]]  # fmt: skip
    table = pd.DataFrame(rows, columns=["species", "dbh_class_in", "bf_doyle_per_acre"])
    printed = crop_table(table, "bf_doyle_per_acre", most=0)
    assert printed is not None
    assert printed.columns[-2].name.endswith("+")
    assert printed.rows[-1][0] == "all other species"
    whole = float(printed.foot[-1].replace(",", ""))
    assert whole == pytest.approx(table["bf_doyle_per_acre"].sum(), abs=0.5)
    cells = [float(c.replace(",", "")) for row in printed.rows for c in row[1:-1]]
    assert sum(cells) == pytest.approx(whole, abs=0.5 * len(cells))


def test_hostile_names_are_printed_as_they_are(hostile_appraisal: standmap.Appraisal) -> None:
    html = report_html(hostile_appraisal)
    outline = Outline(html)
    assert "svg" not in outline.tags
    assert outline.handlers == []
    assert outline.tags.count("img") == 2  # the map and the intervals, no more
    for name in hostile_appraisal.stands["stand"]:
        assert name in outline.text
    assert "1337" not in outline.text


def test_hostile_names_are_escaped_in_a_notebook(hostile_appraisal: standmap.Appraisal) -> None:
    outline = Outline(notebook_html(hostile_appraisal))
    assert set(outline.tags) <= {"div", "h3", "table", "thead", "tbody", "tr", "th", "td", "br",
                                 "p"}  # fmt: skip


def test_the_summary_names_the_tract_and_fits_a_screen(
    sample_appraisal: standmap.Appraisal,
) -> None:
    lines = summary_text(sample_appraisal).splitlines()
    assert lines[0] == "Whetstone Hollow"
    assert len(lines) <= 24


def test_a_picture_is_the_same_twice_and_is_svg(sample_appraisal: standmap.Appraisal) -> None:
    one = as_image(tract_figure(sample_appraisal))
    assert one == as_image(tract_figure(sample_appraisal))
    kind, content = one.split(",", 1)
    assert kind == "data:image/svg+xml;base64"
    assert b"<svg" in base64.b64decode(content)


def test_dollars_on_a_picture_are_not_read_as_mathematics(
    hostile_appraisal: standmap.Appraisal,
) -> None:
    # A name such as "$\frac{" would stop the drawing if it were.
    assert as_image(tract_figure(hostile_appraisal)).startswith("data:image/svg+xml")


def test_a_name_is_set_inside_its_stand(sample_appraisal: standmap.Appraisal) -> None:
    stands = sample_appraisal.stands.to_crs(sample_appraisal.tract.crs)
    x, y = label_places(stands.geometry).T
    assert shapely.contains_xy(stands.geometry.to_numpy(), x, y).all()


@pytest.mark.parametrize("width_m", [80.0, 500.0, 2_000.0, 9_000.0, 60_000.0])
def test_a_scale_bar_is_round_and_fits(width_m: float) -> None:
    length_m, words = scale_length(width_m)
    number, unit = words.split()
    value = {"1/4": 0.25, "1/2": 0.5}.get(number) or float(number.replace(",", ""))
    feet = value * (5280 if unit.startswith("mile") else 1)
    assert length_m == pytest.approx(feet * 0.3048, abs=1e-6)
    assert 0.05 * width_m < length_m <= 0.28 * width_m


def test_saplings_on_points_carry_the_caution_on_trees_per_acre(
    outline: Outline, sample_appraisal: standmap.Appraisal
) -> None:
    # The sample's points were tallied from 4.6 inches up.
    assert "small-trees" in outline.ids
    assert "trees under 5 inches on points" in outline.text
    assert [c.name for c in stands_table(sample_appraisal).columns if "§" in c.name] == ["Trees §"]


def test_no_caution_where_no_sapling_stands_on_a_point(
    sample_appraisal: standmap.Appraisal,
) -> None:
    one = sample_appraisal
    trees = one.trees[one.trees["dbh_in"] >= 5]
    assert "small-trees" not in Outline(report_html(replace(one, trees=trees))).ids
    parts = (
        CruisePart(design="fixed", plot_acres=0.01, max_dbh_in=5.0),
        CruisePart(design="point", baf=10, min_dbh_in=5.0),
    )
    cruise = one.settings.cruise.model_copy(update={"parts": parts})
    settings = one.settings.model_copy(update={"cruise": cruise})
    nested = replace(one, tract=replace(one.tract, settings=settings))
    assert not tallies_small_trees_on_points(nested)


def test_ground_that_holds_no_timber_prints_no_zero(sample_appraisal: standmap.Appraisal) -> None:
    table = must_stay_table(sample_appraisal)
    bare = next(row for row in table.rows if row[0].endswith("(no timber)"))
    assert [cell for cell in bare[2:] if cell] == []


def test_no_error_is_parted_from_its_figure(sample_appraisal: standmap.Appraisal) -> None:
    assert all(" ±" not in text for _, text in ten_lines(sample_appraisal))


@pytest.mark.parametrize(
    ("source", "said"),
    [
        ("national", "take the US national-scale stem models"),
        ("form_class", "Stems are form-class stems"),
        ("taper", "take the stem profiles of my_stems.csv"),
    ],
)
def test_the_page_says_where_stems_came_from(
    source: str, said: str, sample_appraisal: standmap.Appraisal
) -> None:
    one = sample_appraisal
    volume = one.settings.volume.model_copy(update={"source": source, "taper": "my_stems.csv"})
    settings = one.settings.model_copy(update={"volume": volume})
    text = Outline(report_html(replace(one, tract=replace(one.tract, settings=settings)))).text
    assert said in text
    assert "Miles and Smith 2009" in text
    assert ("Stems: Westfall" in text) == (source != "taper")
