"""The field sheet on paper, on the screen and on a phone, with the network refused."""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from pypdf import PdfReader

from standmap.instruments import paper_size_in
from standmap.layout import CruiseLayout, field_sheet_html, lay_out_cruise
from standmap.tract import read_ground

SAMPLE = Path(__file__).parents[2] / "sample_gis"
PHONE = (390, 780)


@pytest.fixture(scope="module")
def layout() -> CruiseLayout:
    """A first cruise of the sample's ground, crowded enough for close maps."""
    return lay_out_cruise(read_ground(SAMPLE), error_pct=12, cv_pct=60, cost_usd=30, seed=7)


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_it_prints_on_the_paper_it_was_made_for(
    layout: CruiseLayout,
    tmp_path: Path,
    open_page: Callable[..., AbstractContextManager[Any]],
    paper: Any,
) -> None:
    path = tmp_path / "field_sheet.html"
    page_text = field_sheet_html(
        layout, paper=paper, declination_deg=-7.5, paces_per_chain=12.5
    )  # fmt: skip
    path.write_text(page_text, encoding="utf-8")
    with open_page(path) as page:
        pages = PdfReader(io.BytesIO(page.pdf(prefer_css_page_size=True))).pages
    points = [72 * inches for inches in paper_size_in(paper)]
    for sheet in pages:
        assert [float(sheet.mediabox.width), float(sheet.mediabox.height)] == pytest.approx(
            points, abs=1
        )
    texts = [
        " ".join(unicodedata.normalize("NFKC", sheet.extract_text()).split()) for sheet in pages
    ]
    heads = [
        "Lines on this map are not a survey",
        "Each line leads",
        "Limiting distance",
        "tick the box",
        "For the office",
    ]
    found = [next(n for n, text in enumerate(texts) if head in text) for head in heads]
    assert found == sorted(found) and len(set(found)) == len(heads)  # each from a page of its own
    assert (
        sum("Remarks (borderline" in text for text in texts) == 1
    )  # two blank forms to a page, and no spill
    assert len(pages) - found[-1] <= 2
    assert all(len(text.strip()) > 40 for text in texts)  # no page is blank


def test_on_a_phone_nothing_runs_off_the_side(
    layout: CruiseLayout,
    tmp_path: Path,
    open_page: Callable[..., AbstractContextManager[Any]],
) -> None:
    path = tmp_path / "field_sheet.html"
    path.write_text(field_sheet_html(layout), encoding="utf-8")
    with open_page(path, PHONE) as page:
        assert page.evaluate("document.documentElement.scrollWidth") <= PHONE[0]
        assert page.evaluate("[...document.images].every(i => i.naturalWidth > 200)")
