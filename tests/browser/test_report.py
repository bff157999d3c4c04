"""The report in a browser with the network refused: whole on a screen, a phone and on paper."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

import standmap

WIDE, PHONE = (1280, 800), (390, 780)


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_it_opens_with_no_network_and_every_picture_is_whole(
    open_page: Callable, report_file: Path, size: tuple
) -> None:
    with open_page(report_file, size) as page:
        assert page.title() == "Whetstone Hollow: timber appraisal"
        assert page.eval_on_selector_all(
            "img", "all => all.map(i => i.complete && i.naturalWidth > 100)"
        ) == [True, True]
        # Wide tables scroll in their own boxes; the page itself never does.
        assert page.evaluate("document.documentElement.scrollWidth") == size[0]


def test_the_answer_is_on_the_first_screens(open_page: Callable, report_file: Path) -> None:
    with open_page(report_file) as page:
        first = page.locator("#answer dl.lines dd").first
        assert first.inner_text().startswith("$")
        assert first.bounding_box()["y"] < 2 * WIDE[1]
        assert page.locator("#answer dl.lines dt").count() == 10


def test_a_link_to_the_guide_opens_its_page(open_page: Callable, report_file: Path) -> None:
    with open_page(report_file) as page:
        body = page.locator("#guide-cruise .page")
        assert body.is_hidden()
        page.locator("#guide-cruise summary").click()
        assert "Plots become acres" in body.inner_text()
        for link in page.locator("a.more").all():
            assert page.locator(link.get_attribute("href")).count() == 1


def test_figures_line_up_on_the_right(open_page: Callable, report_file: Path) -> None:
    with open_page(report_file) as page:
        aligned = page.eval_on_selector_all(
            "#stands tbody td:not(.words)", "all => all.map(c => getComputedStyle(c).textAlign)"
        )
        assert set(aligned) == {"right"}


@pytest.mark.parametrize(("paper", "width_pt"), [("A4", 595), ("Letter", 612)])
def test_it_prints_with_headings_repeated_and_nothing_cut(
    open_page: Callable, beyond_the_paper: Callable, report_file: Path, paper: str, width_pt: int
) -> None:
    with open_page(report_file) as page:
        page.emulate_media(media="print")
        assert (
            page.locator("thead").first.evaluate("e => getComputedStyle(e).display")
            == "table-header-group"
        )
        assert page.locator("#guide").is_hidden()
        assert beyond_the_paper(page, width_pt) == []
        pdf = page.pdf(format=paper)
        assert pdf.startswith(b"%PDF")
        assert 5 <= pdf.count(b"/Type /Page\n") <= 25


def test_names_from_the_data_are_text_and_nothing_else(
    open_page: Callable,
    hostile_report_file: Path,
    hostile_appraisal: standmap.Appraisal,
) -> None:
    with open_page(hostile_report_file) as page:
        assert page.locator("h1").text_content() == hostile_appraisal.name
        assert page.locator("svg, script").count() == 0
        assert page.locator("img").count() == 2
        cells = page.locator("#stands tbody td:first-child").all_text_contents()
        for name in hostile_appraisal.stands["stand"]:
            assert any(cell.startswith(name) for cell in cells)
