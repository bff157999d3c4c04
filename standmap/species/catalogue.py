"""The species catalogue: one row per species, indexed by its code."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cache
from typing import Any

import pandas as pd

from standmap._tables import load_table

_TABLE = "species_usfs_2024"
_FLAGS = ("softwood", "woodland", "east", "west")


@dataclass(frozen=True, slots=True, kw_only=True)
class Species:
    """One species, and what the volume and weight models need of it.

    Attributes
    ----------
    code : int
        Forest Inventory and Analysis (FIA) species code.
    symbol : str
        PLANTS symbol.
    common_name, scientific_name : str
        Names as in the Forest Service's species reference table.
    softwood : bool
        True for softwoods, False for hardwoods.
    species_group : int
        Group of the fallback volume equations of GTR WO-104, 1 to 10.
    wood_specific_gravity, bark_specific_gravity : float
        Dry weight over green volume.
    wood_moisture_pct, bark_moisture_pct : float
        Water as a percentage of dry weight. NaN for two Pacific island species.
    bark_volume_pct : float
        Bark volume as a percentage of wood volume. NaN for two Pacific island species.
    """

    code: int
    symbol: str
    common_name: str
    scientific_name: str
    softwood: bool
    species_group: int
    wood_specific_gravity: float
    bark_specific_gravity: float
    wood_moisture_pct: float
    bark_moisture_pct: float
    bark_volume_pct: float

    def __str__(self) -> str:
        """Return the common name."""
        return self.common_name


@cache
def _shared_catalogue() -> pd.DataFrame:
    table = load_table(_TABLE).set_index("species_code")
    return table.assign(**{flag: table[flag].astype(bool) for flag in _FLAGS})


def catalogue() -> pd.DataFrame:
    """Return every species with its names, densities, moistures and group.

    Returns
    -------
    DataFrame
        Indexed by ``species_code``; columns ``symbol``, ``common_name``, ``scientific_name``,
        ``genus``, ``softwood``, ``woodland``, ``species_group``, ``wood_specific_gravity``,
        ``bark_specific_gravity``, ``wood_moisture_pct``, ``bark_moisture_pct``,
        ``bark_volume_pct``, ``east``, ``west`` (whether it grows in the eastern or western
        states). A copy: change it freely.

    References
    ----------
    .. [1] USDA Forest Service, Forest Inventory and Analysis Database, species reference table.
    .. [2] Miles, P.D. and Smith, W.B. 2009. Specific gravity and other properties of wood and
       bark for 156 tree species found in North America. Res. Note NRS-38.

    Examples
    --------
    >>> catalogue().loc[802, ["symbol", "common_name", "genus"]].to_list()
    ['QUAL', 'white oak', 'Quercus']
    """
    return _shared_catalogue().copy()


@cache
def species_by_code(code: int) -> Species:
    """Return the :class:`Species` of a code known to be in the catalogue."""
    row = _shared_catalogue().loc[code]
    values = {field.name: row[field.name] for field in fields(Species) if field.name != "code"}
    return Species(code=int(code), **{name: _plain(value) for name, value in values.items()})


def _plain(value: Any) -> Any:
    """Return a NumPy scalar as the Python value it holds."""
    return value.item() if hasattr(value, "item") else value
