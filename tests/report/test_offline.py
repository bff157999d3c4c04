"""A page that opens with no network, and says so to the browser."""

from __future__ import annotations

import hashlib
import json
import re
from importlib import resources

import folium
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import OutputError
from standmap.report.offline import OfflineFigure, RawHtml, fetched, page_json, seal

# SHA-256 of dist/leaflet.js and dist/leaflet.css in the npm registry's package leaflet 1.9.4.
LEAFLET_SUMS = {
    "leaflet.js": "db49d009c841f5ca34a888c96511ae936fd9f5533e90d8b2c4d57596f4e5641a",
    "leaflet.css": "a7837102824184820dfa198d1ebcd109ff6d0ff9a2672a074b9a1b4d147d04c6",
}


@pytest.mark.parametrize("name", LEAFLET_SUMS)
def test_the_packed_library_is_as_published(name: str) -> None:
    path = resources.files("standmap.report") / "vendor" / "leaflet-1.9.4" / name
    assert hashlib.sha256(path.read_bytes()).hexdigest() == LEAFLET_SUMS[name]


def test_the_packed_library_has_its_licence_beside_it() -> None:
    folder = resources.files("standmap.report") / "vendor" / "leaflet-1.9.4"
    assert (folder / "LICENSE").read_text(encoding="utf-8").startswith("BSD 2-Clause License")


def test_a_link_without_a_packed_copy_is_an_error() -> None:
    figure = OfflineFigure(title="plain folium")
    figure.add_child(folium.Map(location=[37.0, -80.0], tiles=None))
    with pytest.raises(OutputError, match="no copy is packed"):
        figure.render()


@pytest.mark.parametrize(
    ("html", "wanted"),
    [
        ('<script src="a.js"></script>', ["a.js"]),
        ('<link rel="stylesheet" href="a.css">', ["a.css"]),
        ('<img srcset="a.png 2x">', ["a.png 2x"]),
        ("<style>@import 'a.css';</style>", ["@import 'a.css'"]),
        ('<p style="background:url(a.png)">', ["a.png"]),
        ('<object data="a.pdf"></object>', ["a.pdf"]),
        ('<img src="data:image/png;base64,AA==">', []),
        ('<a href="https://example.org">read</a>', []),
        ('<use href="#mark">', []),
    ],
)
def test_whatever_a_page_would_fetch_is_found(html: str, wanted: list[str]) -> None:
    assert fetched(html) == wanted


def test_a_page_that_would_fetch_is_not_sealed() -> None:
    with pytest.raises(OutputError, match=r"fetch from outside itself: logo\.png"):
        seal('<head><!-- policy --></head><img src="logo.png">')


def test_only_the_page_s_own_scripts_may_run() -> None:
    html = seal("<head><!-- policy --></head><script>one()</script>")
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', html)
    assert policy is not None
    assert policy[1].startswith("default-src 'none'; script-src 'sha256-")
    assert "'unsafe-inline'" not in policy[1].split("style-src")[0]


@settings(max_examples=150, deadline=None)
@given(st.text())
def test_no_text_gets_out_of_the_page_s_data(text: str) -> None:
    written = page_json({"name": text})
    assert "<" not in written
    assert json.loads(written) == {"name": text}


def test_names_are_never_compiled_as_templates() -> None:
    figure = OfflineFigure(title="{{ 7 * 191 }}")
    figure.html.add_child(RawHtml("<p>{{ 7 * 191 }}{% broken </p>"))
    html = figure.render()
    assert "<title>{{ 7 * 191 }}</title>" in html
    assert "<p>{{ 7 * 191 }}{% broken </p>" in html
    assert "1337" not in html
