"""The guide pages of the cruise designs: one for each the tract file can name, and true to it."""

from __future__ import annotations

import re
import tomllib
from typing import Any, get_args

import pytest

from standmap.guide import page, topics
from standmap.tract.settings import ESTIMATORS, CruiseTable, Settings

PAGES = sorted(topic for topic in topics() if topic.startswith("design_"))
BLOCKS = [(topic, block) for topic in [*PAGES, "tract"] for block in
          re.findall(r"(?ms)^```toml\n(.*?)^```", page(topic))]  # fmt: skip
NEEDED = {
    "stands": {"file": "s.gpkg"},
    "plots": {"file": "p.csv"},
    "trees": {"file": "t.csv"},
    "cruise": {"design": "point"},
}


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


def merged(one: dict[str, Any], other: dict[str, Any]) -> dict[str, Any]:
    out = dict(one)
    for key, value in other.items():
        both = isinstance(value, dict) and isinstance(out.get(key), dict)
        out[key] = merged(out[key], value) if both else value
    return out


@pytest.mark.parametrize(("topic", "block"), BLOCKS)
def test_the_lines_of_a_page_are_lines_of_a_tract_file(topic: str, block: str) -> None:
    Settings.model_validate(merged(NEEDED, tomllib.loads(block)))


@pytest.mark.parametrize("topic", PAGES)
def test_a_page_says_when_what_and_how(topic: str) -> None:
    text = page(topic)
    for head in ("**When.**", "**Write down.**", "**Estimate.**"):
        assert head in text, head
    assert "```toml" in text
    assert len(text) < 3_000
