"""The pages beside the report, in a browser with the network refused: screen, phone and paper."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import NamedTuple

import pytest

import standmap
from standmap.report import harvest_html, land_html, merchandising_html
from standmap.report.cruise_page import cruise_html

WIDE, PHONE = (1280, 800), (390, 780)


class Beside(NamedTuple):
    """What a page is made by, is called, holds and comes to."""

    html: Callable[[standmap.Appraisal], str]
    title: str
    least_pictures: int
    most_pictures: int
    most_sheets: int


PAGES = {
    "cruise": Beside(cruise_html, "the cruise", 1, 1, 8),
    "merchandising": Beside(merchandising_html, "logs, mills and offers", 5, 99, 15),
    "land": Beside(land_html, "what must stay", 3, 3, 8),  # the tract, and units A and B
    "harvest": Beside(harvest_html, "harvest units", 3, 3, 8),
}


@pytest.fixture(scope="module", params=PAGES)
def beside(request: pytest.FixtureRequest) -> Beside:
    return PAGES[request.param]


@pytest.fixture(scope="module")
def file(
    beside: Beside,
    sample_appraisal: standmap.Appraisal,
    tmp_path_factory: pytest.TempPathFactory,
) -> Path:
    path = tmp_path_factory.mktemp("pages") / "page.html"
    path.write_text(beside.html(sample_appraisal), encoding="utf-8")
    return path


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_it_opens_with_no_network_and_every_picture_is_whole(
    open_page: Callable, beside: Beside, file: Path, size: tuple
) -> None:
    with open_page(file, size) as page:
        assert page.title() == f"Whetstone Hollow: {beside.title}"
        whole = page.eval_on_selector_all(
            "img", "all => all.map(i => i.complete && i.naturalWidth > 20)"
        )
        assert beside.least_pictures <= len(whole) <= beside.most_pictures
        assert all(whole)
        # Wide tables and galleries scroll in their own boxes; the page itself never does.
        assert page.evaluate("document.documentElement.scrollWidth") == size[0]


def test_every_link_leads_to_a_place_on_the_page_or_to_the_report(
    open_page: Callable, file: Path
) -> None:
    with open_page(file) as page:
        for link in page.locator("a[href]").all():
            to = link.get_attribute("href")
            assert to.startswith("report.html") or page.locator(to).count() == 1


@pytest.mark.parametrize(("paper", "width_pt"), [("A4", 595), ("Letter", 612)])
def test_it_prints_with_nothing_cut(
    open_page: Callable,
    beyond_the_paper: Callable,
    beside: Beside,
    file: Path,
    paper: str,
    width_pt: int,
) -> None:
    with open_page(file) as page:
        page.emulate_media(media="print")
        assert page.locator("#guide").is_hidden()
        assert beyond_the_paper(page, width_pt) == []
        assert 2 <= page.pdf(format=paper).count(b"/Type /Page\n") <= beside.most_sheets
