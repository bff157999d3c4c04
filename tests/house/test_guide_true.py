"""The guide and README: every key and command they show is one that standmap takes, and back."""

from __future__ import annotations

import argparse
import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from standmap.cli import _parser
from standmap.guide import page, topics
from standmap.tract.settings import Settings

README = Path(__file__).parents[2] / "README.md"
TEXTS = {f"guide {topic}": page(topic) for topic in topics()} | {
    "README": README.read_text(encoding="utf-8")
}
NEEDED = {
    "stands": {"file": "s.gpkg"},
    "plots": {"file": "p.csv"},
    "trees": {"file": "t.csv"},
    "cruise": {"design": "point"},
}
BLOCKS = [(name, block) for name, text in TEXTS.items() for block in
          re.findall(r"(?ms)^```toml\n(.*?)^```", text)]  # fmt: skip

# Where a table's keys are told of, if not (only) on a page that shows the table in a tract file.
PAGES = {
    "plots": ("edges", "tract"),
    "trees": ("tally",),
    "defects": ("defects",),
    "products": ("products",),
    "prices": ("prices",),
    "mills": ("mills",),
    "offers": ("offers",),
    "alternatives.prescriptions": ("prescriptions",),
}
EVERY_FILE = ("file", "layer", "crs", "sheet")
"""Keys of any table that names a file; told of once, on the page of the tract file."""


def of_table(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for part in get_args(annotation) if (found := of_table(part))), None)


def keys(model: type[BaseModel] = Settings, table: str = "") -> Iterator[tuple[str, str]]:
    """Tables and their keys; a key of two names as ``one|other``."""
    for name, field in model.model_fields.items():
        key = "|".join(getattr(field.validation_alias, "choices", [field.alias or name]))
        below = of_table(field.annotation)
        if below is None:
            yield table, key
        else:
            yield from keys(below, f"{table}.{key}" if table else key)


KEYS = sorted(set(keys()))
TABLES = {table for table, _ in KEYS} | {"cruise.parts", "buffers.classes", "buffers.widths_ft"}


def code(text: str) -> str:
    """What stands in a text as code: fenced or indented lines, and words between backticks."""
    fenced = "".join(re.findall(r"(?ms)^```\w*\n(.*?)^```", text))
    prose = re.sub(r"(?ms)^```.*?^```", "", text)
    spans = re.findall(r"`([^`\n]+)`", prose)
    return "\n".join([fenced, *re.findall(r"(?m)^ {4}(.+)$", prose), *spans])


def told(table: str, key: str) -> bool:
    shows = [t for t in topics() if re.search(rf"\[{re.escape(table)}[\].]", page(t))]
    places = ["tract"] if key in EVERY_FILE else [*PAGES.get(table, ()), *shows]
    word = re.compile(rf"(?<!\w)({key})(?!\w)")
    return any(word.search(code(page(topic))) for topic in places)


def test_every_key_of_the_tract_file_is_told_of() -> None:
    untold = [f"[{table}] {key}" for table, key in KEYS if not told(table, key)]
    assert not untold


@pytest.mark.parametrize(("name", "block"), BLOCKS)
def test_every_block_is_lines_of_a_tract_file(name: str, block: str) -> None:
    Settings.model_validate(merged(NEEDED, tomllib.loads(block)))


def merged(one: dict[str, Any], other: dict[str, Any]) -> dict[str, Any]:
    out = dict(one)
    for key, value in other.items():
        both = isinstance(value, dict) and isinstance(out.get(key), dict)
        out[key] = merged(out[key], value) if both else value
    return out


@pytest.mark.parametrize("name", TEXTS)
def test_every_table_named_is_one_of_the_tract_file(name: str) -> None:
    named = re.findall(r"`[^`\n]*?\[{1,2}([a-z_.]+)\]{1,2}[^`\n]*`", TEXTS[name])
    known = {part for table in TABLES for part in (table, table.split(".")[0])}
    known |= {f"{table}.{key}" for table, key in KEYS}
    assert set(named) <= known


def subcommands() -> dict[str, argparse.ArgumentParser]:
    actions = _parser()._actions
    return next(a.choices for a in actions if isinstance(a, argparse._SubParsersAction))


def command_lines(text: str) -> list[str]:
    """Every ``standmap COMMAND ...`` of a text, in a line of code or between backticks."""
    starts = r"(?m)(?:^|(?<!from)[\s/])standmap ([a-z]+(?: .*)?)$"
    parts = code(text).replace("&&", "\n").replace("$ ", "")
    return [line.strip() for line in re.findall(starts, parts)]


@pytest.mark.parametrize("name", TEXTS)
def test_every_command_line_is_one_that_standmap_takes(
    name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    for line in command_lines(TEXTS[name]):
        command, *words = shlex.split(line)
        assert command in subcommands(), line
        if words:  # alone, the command is only being spoken of
            try:
                asked = _parser().parse_args([command, *words])
            except SystemExit:
                pytest.fail(f"{line!r}: {capsys.readouterr().err}")
            if command == "guide":
                page(asked.topic)


@pytest.mark.parametrize("name", TEXTS)
def test_every_option_named_is_one_of_some_command(name: str) -> None:
    known = {o for p in subcommands().values() for o in p._option_string_actions}
    known |= {"--quiet"}  # of pip, in the lines that install
    named = set(re.findall(r"`[^`\n]*?(--[a-z][a-z-]*)", TEXTS[name]))
    assert named <= known


def test_the_readme_names_every_command() -> None:
    named = {line.split()[0] for line in command_lines(TEXTS["README"])}
    assert named == set(subcommands())


@pytest.mark.parametrize("topic", topics())
def test_every_page_is_named_by_another(topic: str) -> None:
    others = "".join(text for name, text in TEXTS.items() if name != f"guide {topic}")
    assert re.search(rf"`(?:standmap guide )?{topic}`", others)
