"""A headless Chromium with the network refused, and the pages it is shown."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest

import standmap
from standmap.report import map_html, merchandising_html, report_html

sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")

ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
NAMES = ("chromium", "chromium-browser", "google-chrome", "google-chrome-stable")
WIDE = (1280, 800)
PHONE = (390, 780)

Opener = Callable[..., AbstractContextManager["sync_api.Page"]]


@pytest.fixture(scope="session")
def browser() -> Iterator[sync_api.Browser]:
    with sync_api.sync_playwright() as playwright:
        own = playwright.chromium.executable_path
        found = next(filter(None, map(shutil.which, NAMES)), None)
        if found is None and os.path.exists(own):
            found = own
        if found is None:
            pytest.skip("no Chromium is installed (apt-get install chromium)")
        started = playwright.chromium.launch(executable_path=found, args=ARGUMENTS)
        yield started
        started.close()


@pytest.fixture
def open_page(browser: sync_api.Browser) -> Opener:
    """Open a file; afterwards fail on any console error, page error or request to elsewhere."""

    @contextmanager
    def opened(path: Path, size: tuple[int, int] = WIDE) -> Iterator[sync_api.Page]:
        context = browser.new_context(viewport={"width": size[0], "height": size[1]})
        wanted: list[str] = []
        complaints: list[str] = []
        this = path.as_uri()

        def refuse(route: sync_api.Route) -> None:
            if route.request.url == this:
                route.continue_()
            else:
                wanted.append(route.request.url)
                route.abort()

        context.route("**/*", refuse)
        context.set_offline(True)
        page = context.new_page()
        page.on(
            "console",
            lambda m: complaints.append(m.text) if m.type in ("error", "warning") else None,
        )
        page.on("pageerror", lambda e: complaints.append(str(e)))
        page.on("requestfailed", lambda r: wanted.append(r.url))
        page.goto(this)
        yield page
        context.close()
        assert wanted == []
        assert complaints == []

    return opened


@pytest.fixture
def beyond_the_paper() -> Callable[[sync_api.Page, int], list[str]]:
    """Lay a page out as wide as paper between its margins, 13 mm a side; say what is wider."""

    def found(page: sync_api.Page, width_pt: int) -> list[str]:
        inner = round((width_pt / 72 - 26 / 25.4) * 96)
        page.set_viewport_size({"width": inner, "height": 1000})
        return page.eval_on_selector_all(
            "table, img",
            f"all => all.filter(e => e.getBoundingClientRect().right > {inner} + 1)"
            ".map(e => e.className || e.tagName)",
        )

    return found


@pytest.fixture(scope="session")
def map_file(
    sample_appraisal: standmap.Appraisal, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    path = tmp_path_factory.mktemp("pages") / "map.html"
    path.write_text(map_html(sample_appraisal), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def report_file(
    sample_appraisal: standmap.Appraisal, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    path = tmp_path_factory.mktemp("pages") / "report.html"
    path.write_text(report_html(sample_appraisal), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def sale_file(
    sample_appraisal: standmap.Appraisal, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    path = tmp_path_factory.mktemp("pages") / "merchandising.html"
    path.write_text(merchandising_html(sample_appraisal), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def hostile_map_file(
    hostile_appraisal: standmap.Appraisal, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    path = tmp_path_factory.mktemp("pages") / "map.html"
    path.write_text(map_html(hostile_appraisal), encoding="utf-8")
    return path


@pytest.fixture(scope="session")
def hostile_report_file(
    hostile_appraisal: standmap.Appraisal, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    path = tmp_path_factory.mktemp("pages") / "report.html"
    path.write_text(report_html(hostile_appraisal), encoding="utf-8")
    return path
