"""The sample tract: its maker, its forest and its census, made once for the session."""

from __future__ import annotations

import importlib.util
from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

FOLDER = Path(__file__).parents[2] / "sample_gis"


@pytest.fixture(scope="session")
def folder() -> Path:
    return FOLDER


@pytest.fixture(scope="session")
def make() -> ModuleType:
    """``sample_gis/make_sample.py``, loaded by path as it is no part of the package."""
    spec = importlib.util.spec_from_file_location("make_sample", FOLDER / "make_sample.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def layer() -> Callable[[str], gpd.GeoDataFrame]:
    return lambda name: gpd.read_file(FOLDER / f"{name}.gpkg")


@pytest.fixture(scope="session")
def stems(make: ModuleType) -> pd.DataFrame:
    made = make.stem_map()
    assert isinstance(made, pd.DataFrame)
    return made


@pytest.fixture(scope="session")
def measured(make: ModuleType, stems: pd.DataFrame) -> np.ndarray:
    """What every tree holds: columns as ``make.MEASURES``."""
    return np.asarray(make.measure_stems(stems, FOLDER).trees)


@pytest.fixture(scope="session")
def census() -> pd.DataFrame:
    return pd.read_csv(FOLDER / "census.csv", dtype={"stand": str})


@pytest.fixture(scope="session")
def truth(census: pd.DataFrame) -> pd.DataFrame:
    """Per-acre truth of each stand on the ground that was cruised: the stand less exclusions."""
    ground = census[census["part"].isin(["net", "stream buffer"])]
    sums = ground.groupby("stand").sum(numeric_only=True)
    return sums.div(sums["acres"], axis=0).assign(acres=sums["acres"])


@pytest.fixture(scope="session")
def tally() -> pd.DataFrame:
    return pd.read_csv(FOLDER / "tally.csv", dtype={"plot": str})


@pytest.fixture(scope="session")
def plots() -> gpd.GeoDataFrame:
    table = pd.read_csv(FOLDER / "plots.csv", dtype={"plot": str})
    points = gpd.points_from_xy(table["lon"], table["lat"], crs="EPSG:4326")
    return gpd.GeoDataFrame(table, geometry=points)
