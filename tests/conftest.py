"""Fixtures shared by the rooms: the sample tract, read and appraised once."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import standmap
from standmap.errors import Problem

SAMPLE = Path(__file__).parents[1] / "sample_gis"


@pytest.fixture(scope="session")
def sample_tract() -> standmap.Tract:
    return standmap.read_tract(SAMPLE)


@pytest.fixture(scope="session")
def sample_appraisal(sample_tract: standmap.Tract) -> standmap.Appraisal:
    return standmap.appraise(sample_tract)


HOSTILE = (
    "</script><img src=x onerror=\"document.title='owned'\">",
    "{{ 7 * 191 }}{% for %}",
    '=HYPERLINK("http://nowhere.invalid")',
    "$\\frac{a}{b}$ <b>& \"q\" 'q' \u2028",
    "@SUM(1)",
    "-2+3",
    "<svg onload=alert(1)>",
)
"""Names that a careless page or spreadsheet would run."""


def _hostile(names: pd.Series) -> pd.Series:
    """Give every name a hostile one, alike for alike; blanks stay blank."""
    codes, unique = pd.factorize(names.astype(str))
    made = [
        "" if name == "" else f"{HOSTILE[at % len(HOSTILE)]} {name}"
        for at, name in enumerate(unique)
    ]
    return pd.Series([made[code] for code in codes], index=names.index, dtype=object)


@pytest.fixture(scope="session")
def hostile_appraisal(sample_appraisal: standmap.Appraisal) -> standmap.Appraisal:
    """The sample appraisal with every name that comes from the data turned against its reader."""
    one = sample_appraisal
    settings = one.settings.model_copy(
        update={
            "tract": one.settings.tract.model_copy(
                update={"name": HOSTILE[0], "prepared_by": HOSTILE[1], "prepared_for": HOSTILE[6]}
            )
        }
    )
    columns = {
        "stands": ["stand", "stratum"],
        "strata": ["stratum"],
        "products": ["stand", "product"],
        "plots": ["plot", "stand"],
        "trees": ["plot", "why_not"],
        "logs": ["plot", "product", "species"],
        "stand_table": ["species"],
        "stock_table": ["species"],
        "units": ["unit"],
        "unit_products": ["unit_id", "product"],
        "must_stay": ["reason", "class"],
        "streams": ["class"],
        "buffers": ["class"],
        "exclusions": ["reason"],
        "ledger": ["file", "old", "new", "why"],
    }
    frames = {
        name: getattr(one, name).assign(**{c: _hostile(getattr(one, name)[c]) for c in some})
        for name, some in columns.items()
    }
    problems = tuple(
        Problem(severity="warning", file=text, column="stand", value=text, what=text, mend=text)
        for text in HOSTILE
    )
    return replace(one, tract=replace(one.tract, settings=settings), problems=problems, **frames)
