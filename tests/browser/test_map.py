"""The map in a browser with the network refused: it opens, switches, answers clicks."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import standmap

WIDE, PHONE = (1280, 800), (390, 780)
VECTORS = ("stands", "exclusions", "buffers", "streams", "units", "plots")
PICTURES = ("relief", "canopy")


def drawn(page, layer: str) -> int:
    """Count the shapes of a layer that are on the map."""
    return page.locator(f'path[data-layer="{layer}"]').count()


def label_place(page, name: str) -> tuple[float, float]:
    """Return where a stand's name stands on the screen."""
    box = page.locator(".name.stands span", has_text=name).first.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def choose(page, name: str) -> None:
    page.select_option("#find", label=name)


@pytest.mark.parametrize("size", [WIDE, PHONE], ids=["wide", "phone"])
def test_it_opens_with_no_network_and_draws_every_shape(
    open_page: Callable, map_file: Path, sample_appraisal: standmap.Appraisal, size: tuple
) -> None:
    with open_page(map_file, size) as page:
        assert page.title() == "Whetstone Hollow: map"
        for layer in VECTORS:
            assert drawn(page, layer) == len(getattr(sample_appraisal, layer)), layer
        assert page.locator("h1").inner_text() == "Whetstone Hollow"
        assert page.locator("#legend .key").count() == 5
        assert page.locator(".leaflet-control-scale-line").inner_text().endswith(("ft", "mi"))
        assert page.locator("#north").is_visible()
        assert "not a survey" in page.locator("#caution").inner_text()


def test_every_picture_inside_it_is_whole(open_page: Callable, map_file: Path) -> None:
    with open_page(map_file) as page:
        page.check('input[data-layer="canopy"]')
        page.wait_for_selector("img.picture.canopy")
        whole = page.eval_on_selector_all(
            "img", "all => all.map(i => i.complete && i.naturalWidth > 100)"
        )
        assert whole == [True, True]


@pytest.mark.parametrize("layer", VECTORS)
def test_a_layer_switches_off_and_on(open_page: Callable, map_file: Path, layer: str) -> None:
    with open_page(map_file) as page:
        before = drawn(page, layer)
        page.uncheck(f'input[data-layer="{layer}"]')
        assert drawn(page, layer) == 0
        others = [other for other in VECTORS if other != layer]
        assert all(drawn(page, other) > 0 for other in others)
        page.check(f'input[data-layer="{layer}"]')
        assert drawn(page, layer) == before > 0


@pytest.mark.parametrize("layer", PICTURES)
def test_a_picture_switches(open_page: Callable, map_file: Path, layer: str) -> None:
    with open_page(map_file) as page:
        box = page.locator(f'input[data-layer="{layer}"]')
        shown = box.is_checked()
        assert page.locator(f"img.picture.{layer}").count() == int(shown)
        box.click()
        assert page.locator(f"img.picture.{layer}").count() == int(not shown)


def test_stands_stay_below_plots_however_layers_are_switched(
    open_page: Callable, map_file: Path
) -> None:
    with open_page(map_file) as page:
        page.uncheck('input[data-layer="stands"]')
        page.check('input[data-layer="stands"]')
        order = page.eval_on_selector_all(
            "path[data-layer]", "all => all.map(p => p.dataset.layer)"
        )
        assert max(i for i, k in enumerate(order) if k == "stands") < min(
            i for i, k in enumerate(order) if k in ("streams", "units", "plots")
        )


def test_a_click_on_a_stand_opens_its_card(
    open_page: Callable, map_file: Path, sample_appraisal: standmap.Appraisal
) -> None:
    with open_page(map_file) as page:
        for layer in ("plots", "units", "streams", "buffers", "exclusions"):
            page.uncheck(f'input[data-layer="{layer}"]')
        page.mouse.click(*label_place(page, "13"))
        card = page.locator("#card")
        assert card.is_visible()
        assert card.locator("h2").inner_text() == "Stand 13"
        text = card.inner_text()
        stand = sample_appraisal.stands.set_index("stand").loc["13"]
        assert f"{stand.net_acres:,.1f}" in text
        assert "Value" in text
        assert "90% confidence" in text
        made = sample_appraisal.products.query("stand == '13' and quantity >= 0.05")
        rows = card.locator("table.products tbody tr")
        assert rows.count() == len(made)
        assert all("±" in rows.nth(i).inner_text() for i in range(len(made)))


def test_the_card_of_the_stand_that_was_never_cruised_is_loud(
    open_page: Callable, map_file: Path
) -> None:
    with open_page(map_file) as page:
        choose(page, "12")
        assert "borrowed from its stratum" in page.locator("#card .note").inner_text()


def middle_of_name(page: Any, unit: str) -> tuple[float, float]:
    """Return where a unit's name stands, once the map has stopped moving it."""
    find = """unit => {
        const all = [...document.querySelectorAll('.name.units span')];
        const name = all.find(e => e.textContent === unit);
        const box = name && name.getBoundingClientRect();
        return box && box.width ? [box.x + box.width / 2, box.y + box.height / 2] : null;
    }"""
    before, place = None, page.evaluate(find, unit)
    while place is None or place != before:
        page.wait_for_timeout(150)
        before, place = place, page.evaluate(find, unit)
    return place[0], place[1]


def test_what_lies_under_a_place_is_offered_and_the_card_closes(
    open_page: Callable, map_file: Path
) -> None:
    with open_page(map_file) as page:
        page.uncheck('input[data-layer="plots"]')
        # The name of the unit that enters a buffer, inside its stand.
        page.mouse.click(*middle_of_name(page, "A"))
        chip = page.locator("#card .also button", has_text="Harvest unit A")
        assert chip.is_visible()
        chip.click()
        assert page.locator("#card h2").inner_text() == "Harvest unit A"
        assert "ground that must stay" in page.locator("#card .note").inner_text()
        page.keyboard.press("Escape")
        assert page.locator("#card").is_hidden()


def test_a_click_beside_the_tract_closes_the_card(open_page: Callable, map_file: Path) -> None:
    with open_page(map_file) as page:
        choose(page, "9")
        assert page.locator("#card").is_visible()
        page.get_by_label("Close the card").click()
        assert page.locator("#card").is_hidden()


def test_a_phone_keeps_the_map_in_sight_and_nothing_runs_off_its_side(
    open_page: Callable, map_file: Path
) -> None:
    with open_page(map_file, PHONE) as page:
        assert page.evaluate("document.documentElement.scrollWidth") == 390
        assert page.locator("#legend").is_hidden()
        side = page.locator("#side").bounding_box()
        assert side["height"] < 0.3 * PHONE[1]
        page.locator("summary", has_text="Legend and layers").click()
        assert page.locator("#legend").is_visible()
        page.locator("summary", has_text="Legend and layers").click()
        page.mouse.click(195, 400)
        card = page.locator("#card").bounding_box()
        assert card["x"] >= 0
        assert card["x"] + card["width"] <= 390
        assert card["y"] > 0.35 * PHONE[1]


def test_names_from_the_data_are_text_and_nothing_else(
    open_page: Callable, hostile_map_file: Path, hostile_appraisal: standmap.Appraisal
) -> None:
    with open_page(hostile_map_file) as page:
        names = hostile_appraisal.stands["stand"].tolist()
        listed = page.locator("#find option").all_text_contents()[1:]
        assert listed == names
        for name in names:
            choose(page, name)
            assert page.locator("#card h2").text_content() == f"Stand {name}"
        assert page.locator("h1").text_content() == hostile_appraisal.name
        assert page.locator("img:not(.picture)").count() == 0
        assert page.locator("body svg:not(.leaflet-zoom-animated)").count() == 0
        assert page.evaluate("document.title") == f"{hostile_appraisal.name}: map"


def test_the_browser_itself_refuses_what_is_not_in_the_page(browser, map_file: Path) -> None:
    page = browser.new_page()
    page.goto(map_file.as_uri())
    refused = page.evaluate(
        """async () => {
            const refused = [];
            document.addEventListener("securitypolicyviolation",
                                      (e) => refused.push(e.effectiveDirective));
            new Image().src = "https://nowhere.invalid/a.png";
            const script = document.createElement("script");
            script.textContent = "document.title = 'owned'";
            document.body.append(script);
            await new Promise((done) => setTimeout(done, 200));
            return refused;
        }"""
    )
    assert set(refused) == {"img-src", "script-src-elem"}
    assert page.title() == "Whetstone Hollow: map"
    page.close()
