"""The acres of the tract three ways, and what mending its outlines did to them."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from standmap.land import acres_apart, compare_acres
from standmap.tract import Ground


@dataclass(frozen=True, slots=True, kw_only=True)
class Acreage:
    """Mapped, grid and deed acres side by side.

    Attributes
    ----------
    stands : DataFrame
        By stand, as from :func:`standmap.land.compare_acres`; the appraisal uses
        ``ellipsoid_acres``.
    tract : Series
        The same of the whole tract. Its deed is the tract file's, or where that names none the sum
        of the stands' where each has one; else NaN.
    grid : str
        Name and code of the grid.
    mends : DataFrame
        Every change to a stand's outline: ``stand, row, action, what, acres_before, acres_after``.
    """

    stands: pd.DataFrame
    tract: pd.Series
    grid: str
    mends: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """Return stands, and below them the tract with a blank name, as one table."""
        stands = self.stands.rename_axis("stand").reset_index()
        whole = pd.DataFrame([{"stand": "", **self.tract.to_dict()}])
        both = pd.concat([stands, whole], ignore_index=True)
        return both.assign(grid=self.grid).rename(columns={"grid": "map_grid"})


def lay_acreage(tract: Ground) -> Acreage:
    """Measure the stands of a tract every way."""
    deeds = tract.stands["deed_acres"] if "deed_acres" in tract.stands else None
    stands = compare_acres(tract.stands, "stand", grid=tract.grid, deed_acres=deeds)
    deed = tract.settings.tract.deed_acres or float(stands["deed_acres"].sum(skipna=False))
    ellipsoid, grid = stands["ellipsoid_acres"].sum(), stands["grid_acres"].sum()
    whole = acres_apart([ellipsoid], [grid], [deed]).iloc[0]
    code = tract.grid.to_authority()
    named = tract.grid.name + (f" ({':'.join(code)})" if code else "")
    return Acreage(stands=stands, tract=whole, grid=named, mends=tract.mends)
