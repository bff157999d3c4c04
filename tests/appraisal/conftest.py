"""A small wood of two square stands, cruised any way a test likes."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely

import standmap
from standmap.errors import Problem
from standmap.tract import check_tract
from standmap.units import BASAL_AREA_CONSTANT

CRS = "EPSG:32617"
EAST, NORTH, SIDE_M = 500_000.0, 4_000_000.0, 400.0
TOML = """\
[tract]
name = "Two Squares"

[stands]
file = "stands.gpkg"

[plots]
file = "plots.csv"

[trees]
file = "tally.csv"

[products]
file = "products.csv"

[prices]
file = "prices.csv"

[cruise]
"""
PRODUCTS = """\
product,kind,species,min_dbh_in,min_top_in,min_length_ft,max_length_ft
sawlog,saw,any,10,8,8,16
pulpwood,bulk,any,4,3,8,40
"""
PRICES = """\
product,price_usd,unit,log_rule
sawlog,300,mbf,doyle
pulpwood,8,ton,
"""
SPECIES = np.array(["white oak", "yellow-poplar", "loblolly pine"])


class Wood:
    """A tract folder written from frames."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        (folder / "products.csv").write_text(PRODUCTS)
        (folder / "prices.csv").write_text(PRICES)
        self.layer("stands.gpkg", 2, stand=["A", "B"], stratum=["oak", "oak"])

    def layer(
        self, name: str, squares: int, /, *, wide: float = 1.0, **columns: list[object]
    ) -> None:
        """Write squares from west to east, each ``wide`` stands wide."""
        step = SIDE_M * wide
        shapes = [
            shapely.box(EAST + i * step, NORTH, EAST + (i + 1) * step, NORTH + SIDE_M)
            for i in range(squares)
        ]
        (self.folder / name).unlink(missing_ok=True)
        gpd.GeoDataFrame(columns, geometry=shapes, crs=CRS).to_file(self.folder / name)

    def cruise(self, keys: str, plots: pd.DataFrame, trees: pd.DataFrame) -> None:
        crs = 'crs = "EPSG:32617"\n' if "x" in plots else ""
        toml = TOML.replace('file = "plots.csv"\n', f'file = "plots.csv"\n{crs}')
        (self.folder / "tract.toml").write_text(toml + keys)
        plots.to_csv(self.folder / "plots.csv", index=False)
        trees.to_csv(self.folder / "tally.csv", index=False)

    def only_stand(self, name: str) -> None:
        """Leave one stand on the map."""
        self.layer("stands.gpkg", 1, stand=[name], stratum=["oak"])

    def swap(self, name: str, old: str, new: str) -> None:
        """Replace text that must be there in one file."""
        text = (self.folder / name).read_text()
        assert old in text, f"{old!r} is not in {name}"
        (self.folder / name).write_text(text.replace(old, new, 1))

    def check(self) -> list[Problem]:
        return check_tract(self.folder)

    def appraise(self) -> standmap.Appraisal:
        return standmap.appraise(standmap.read_tract(self.folder))

    @staticmethod
    def some_trees(plots: list[str], each: list[int], seed: int = 1) -> pd.DataFrame:
        """Trees of all sizes, so many on each plot."""
        rng = np.random.default_rng(seed)
        plot = np.repeat(plots, each)
        dbh = rng.uniform(6, 24, plot.size).round(1)
        return pd.DataFrame(
            {
                "plot": plot,
                "species": rng.choice(SPECIES, plot.size),
                "dbh_in": dbh,
                "height_ft": (30 + 3 * dbh).round(),
            }
        )

    @staticmethod
    def listed(stands: str, **columns: object) -> pd.DataFrame:
        """Plots by stand: ``"AAB"`` is two in A and one in B."""
        names = [f"{stand}{i}" for i, stand in enumerate(stands, start=1)]
        return pd.DataFrame({"plot": names, "stand": list(stands), **columns})

    @staticmethod
    def per_acre(found: standmap.Appraisal, plots: list[str], baf: float) -> np.ndarray:
        """Cubic feet per acre of each point, from the trees' own volumes."""
        used = found.trees[found.trees["used"]]
        each = baf / (BASAL_AREA_CONSTANT * used["dbh_in"] ** 2) * used["volume_cuft"]
        return each.groupby(used["plot"]).sum().reindex(plots, fill_value=0.0).to_numpy()


@pytest.fixture
def wood(tmp_path: Path) -> Wood:
    return Wood(tmp_path)


@pytest.fixture(scope="session")
def wood_of() -> type[Wood]:
    """A wood in a folder of one's own, for tests that share an appraisal."""
    return Wood
