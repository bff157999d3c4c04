"""The merchandising page in a browser: what is its own beside `test_beside_pages`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

PHONE = (390, 780)


def test_the_lettering_of_a_drawing_is_legible_on_a_phone(
    open_page: Callable, sale_file: Path
) -> None:
    with open_page(sale_file, PHONE) as page:
        widths = page.eval_on_selector_all(
            ".gallery.trees img", "all => all.map(i => i.getBoundingClientRect().width)"
        )
        # Drawn 2.3 inches wide with lettering of 6.6 points: at 250 pixels it is 9 pixels high.
        assert min(widths) >= 250
