"""The packaged data tables: one cached loader."""

from __future__ import annotations

from functools import cache
from importlib import resources

import pandas as pd


@cache
def load_table(name: str) -> pd.DataFrame:
    """Return a packaged CSV from ``standmap/data`` (do not change it in place; copy first).

    Parameters
    ----------
    name : str
        File name without ``.csv``. Lines that begin with ``#`` carry the source.

    Returns
    -------
    DataFrame
        The table as read; species codes and the like stay integers, blanks are NaN.
    """
    path = resources.files("standmap") / "data" / f"{name}.csv"
    with path.open(encoding="utf-8") as handle:
        return pd.read_csv(handle, comment="#")
