"""The guide pages of the cruise designs: one for each the tract file can name, and true to it."""

from __future__ import annotations

from typing import get_args

import pytest

from standmap.guide import page, topics
from standmap.tract.settings import ESTIMATORS, CruiseTable

PAGES = sorted(topic for topic in topics() if topic.startswith("design_"))


def test_every_design_and_estimator_of_the_tract_file_has_a_page() -> None:
    designs = get_args(CruiseTable.model_fields["design"].annotation)
    estimators = get_args(CruiseTable.model_fields["estimator"].annotation)
    assert estimators == ESTIMATORS
    assert {"point", "fixed", "strip", "complete"} == set(designs)
    for name in (*designs, *(e for e in estimators if e != "mean")):
        assert f"design_{name}" in PAGES, name


def test_the_index_names_every_page() -> None:
    index = page("designs")
    for topic in PAGES:
        assert f"`{topic}`" in index, topic


@pytest.mark.parametrize("topic", PAGES)
def test_a_page_says_when_what_and_how(topic: str) -> None:
    text = page(topic)
    for head in ("**When.**", "**Write down.**", "**Estimate.**"):
        assert head in text, head
    assert "```toml" in text
    assert len(text) < 3_000
