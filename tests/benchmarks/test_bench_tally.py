"""Reading and checking a tally of a million rows, from CSV on disk to a tract ready to appraise.

Run ``pytest tests/benchmarks/test_bench_tally.py --benchmark-only``.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from standmap.tract import read_tract

TREES = 1_000_000
PLOTS = 20_000
TOML = """\
[stands]
file = "stands.gpkg"
[plots]
file = "plots.csv"
crs = "EPSG:32617"
[trees]
file = "tally.csv"
[cruise]
design = "point"
baf = 10
"""


def write_tract(folder: Path) -> None:
    """Write a tract of two square stands and a million-row tally."""
    rng = np.random.default_rng(20)
    (folder / "tract.toml").write_text(TOML)
    squares = [shapely.box(500_000 + w, 4e6, 504_000 + w, 4_004_000) for w in (0, 4_000)]
    gpd.GeoDataFrame({"stand": ["A", "B"]}, geometry=squares, crs="EPSG:32617").to_file(
        folder / "stands.gpkg"
    )
    pd.DataFrame(
        {
            "plot": np.arange(PLOTS),
            "x": 500_000 + rng.uniform(1, 7_999, PLOTS),
            "y": 4e6 + rng.uniform(1, 3_999, PLOTS),
        }
    ).to_csv(folder / "plots.csv", index=False)
    pd.DataFrame(
        {
            "plot": rng.integers(0, PLOTS, TREES),
            "species": rng.choice(["white oak", "LITU", "131", "Acer rubrum"], TREES),
            "dbh_in": rng.uniform(8, 30, TREES).round(1),
            "saw_logs": rng.integers(0, 6, TREES) / 2,
            "height_ft": rng.uniform(60, 110, TREES).round(),
            "status": rng.choice(["", "live", "dead"], TREES, p=[0.5, 0.48, 0.02]),
        }
    ).to_csv(folder / "tally.csv", index=False)


def test_million_row_tally(benchmark: Any, tmp_path: Path) -> None:
    write_tract(tmp_path)
    tract = benchmark.pedantic(read_tract, args=(tmp_path,), rounds=3, warmup_rounds=1)
    assert len(tract.trees) == TREES
    assert tract.accounting()["tallied"] == TREES
