"""The guide pages of the designs taken at their word: their own lines, a tally, an appraisal."""

from __future__ import annotations

import re
import tomllib
from typing import Any

import numpy as np
import pandas as pd
import pytest

import standmap
from standmap.guide import page, topics

BLOCKS = [
    (topic, number, block)
    for topic in sorted(topics())
    if topic.startswith("design_") or topic == "edges"
    for number, block in enumerate(re.findall(r"(?ms)^```toml\n(.*?)^```", page(topic)))
]
NEEDED: dict[str, Any] = {
    "stands": {"file": "stands.gpkg"},
    "plots": {"file": "plots.csv"},
    "trees": {"file": "tally.csv"},
    "products": {"file": "products.csv"},
    "prices": {"file": "prices.csv"},
}
DEFAULT = {"design": "point", "baf": 10}


def as_toml(tables: dict[str, Any]) -> str:
    """Write tables of a tract file, those within tables too."""
    lines: list[str] = []

    def write(name: str, table: dict[str, Any]) -> None:
        lines.append(f"[{name}]")
        for key, value in table.items():
            if not isinstance(value, dict | list):
                shown = str(value).lower() if isinstance(value, bool) else repr(value)
                lines.append(f"{key} = {shown}")
        for key, value in table.items():
            if isinstance(value, dict):
                write(f"{name}.{key}", value)
            for one in value if isinstance(value, list) else ():
                lines.append(f"[[{name}.{key}]]")
                lines.extend(f"{k} = {v!r}" for k, v in one.items())

    for name, table in tables.items():
        write(name, table)
    return "\n".join(lines) + "\n"


def folder(wood, block: str) -> dict[str, Any]:
    """Fill a folder with what a page asks to be written down, under the names it uses."""
    tables = {name: dict(table) for name, table in NEEDED.items()}
    for name, table in tomllib.loads(block).items():
        tables[name] = tables.get(name, {}) | table
    mapped = tables["stands"].get("covariate")
    cruise = tables["cruise"] = tables.get("cruise", {}) | (
        {"estimator": "ratio"} if mapped else {}
    )
    if "design" not in cruise:
        cruise |= DEFAULT
    draw_maps(wood, tables)
    plots, trees = written_down(wood, tables)
    (wood.folder / "tract.toml").write_text(as_toml(tables))
    plots.to_csv(wood.folder / tables["plots"]["file"], index=False)
    trees.to_csv(wood.folder / "tally.csv", index=False)
    return tables


def draw_maps(wood, tables: dict[str, Any]) -> None:
    stands = {"stand": ["A", "B"], tables["stands"].get("stratum", "stratum"): ["oak", "oak"]}
    if "covariate" in tables["stands"]:
        stands[tables["stands"]["covariate"]] = [40.0, 60.0]
    wood.layer(tables["stands"]["file"], 2, **stands)
    if types := tables["cruise"].get("types"):
        wood.layer(types["file"], 4, wide=0.5, **{types["type"]: list("rcrc")})
    if parts := tables.get("domains"):
        wood.layer(parts["file"], 1, **{parts["id"]: ["east"]})
        del parts["slope_pct"]  # the page says that it needs an elevation raster
    if "types" in tables["cruise"] or parts:
        tables["plots"]["crs"] = "EPSG:32617"


def written_down(wood, tables: dict[str, Any]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return a plot list and a tally with the columns of the design."""
    cruise, at = tables["cruise"], tables["plots"]
    estimator, whole = cruise.get("estimator", "mean"), cruise["design"] == "complete"
    plots = wood.listed("AB" if whole else "AAAAAABBBBBB")
    names = plots["plot"]
    few = estimator in ("count_measure", "ratio", "regression")
    measured = names[::2] if few else names
    each = [150, 130] if whole else [3 + k % 4 for k in range(len(measured))]
    trees = wood.some_trees(list(measured), each)
    met = trees["plot"].value_counts().reindex(names).fillna(5).astype(int).to_numpy()
    k = np.arange(len(names))
    if estimator == "count_measure":
        plots["tree_count"] = met * (3 if "count_baf" in cruise else 1)
    if estimator in ("ratio", "regression"):
        plots["covariate"] = 10.0 * met + k % 5
        plots["measured"] = np.where(names.isin(measured), "yes", "no")
    if cruise["design"] == "strip":
        plots[at["plot_acres"]] = 1 + 0.1 * k
    if "cluster" in at:
        plots[at["cluster"]] = [f"{name[0]}{i // 2}" for i, name in enumerate(names)]
    if cruise.get("variance") == "successive_differences":
        plots["line"] = names.str[0]
    if "crs" in at:
        plots["x"] = 500_060.0 + 400 * (names.str[0] == "B") + 45 * (k % 6)
        plots["y"] = 4_000_060.0 + 45 * (k % 6)
    if estimator == "three_p":
        trees["kpi"] = (trees["dbh_in"] ** 2).round()
    if estimator in ("three_p", "sample_tree"):
        trees["measured"] = np.where(np.arange(len(trees)) % 3 == 0, "yes", "no")
    return plots, trees


@pytest.mark.parametrize("block", [b for *_, b in BLOCKS], ids=[f"{t}-{n}" for t, n, _ in BLOCKS])
def test_the_page_s_own_lines_make_an_appraisal(wood, block: str) -> None:
    tables = folder(wood, block)
    found = standmap.appraise(standmap.read_tract(wood.folder))
    total = found.total("volume_cuft")
    assert total.mean > 0
    drawn = tables["cruise"]["design"] != "complete" or "estimator" in tables["cruise"]
    assert (total.se > 0) == drawn
    whole = float(found.stock_table["volume_cuft_per_acre"].sum() * found.net_acres)
    assert whole == pytest.approx(total.mean, rel=1e-9)


def test_the_examples_cover_every_page() -> None:
    assert {t for t, _, _ in BLOCKS} == {t for t in topics() if t.startswith("design_")} | {"edges"}
