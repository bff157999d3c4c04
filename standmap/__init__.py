"""standmap: from a woodland cruise tally to an appraisal that stands up.

The main job is two calls::

    import standmap
    tract = standmap.read_tract("sample_gis")
    appraisal = standmap.appraise(tract)
    appraisal.write("out")

Each room of the package can be used alone: `standmap.species`, `standmap.logs`, `standmap.trees`,
`standmap.products`, `standmap.cruise`, `standmap.land`, `standmap.canopy`, `standmap.value`.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from standmap import (
        canopy,
        cruise,
        errors,
        land,
        logs,
        products,
        report,
        species,
        tract,
        trees,
        units,
        value,
    )
    from standmap.appraisal import Appraisal, appraise, combine
    from standmap.cruise import Estimate
    from standmap.errors import StandmapError
    from standmap.tract import Tract, check_tract, read_tract

__version__ = "0.1.0"

# Heavy libraries load on first use, so that the command line answers at once.
_HOMES = {
    "Appraisal": "standmap.appraisal",
    "Estimate": "standmap.cruise",
    "StandmapError": "standmap.errors",
    "Tract": "standmap.tract",
    "appraise": "standmap.appraisal",
    "check_tract": "standmap.tract",
    "combine": "standmap.appraisal",
    "read_tract": "standmap.tract",
}
_ROOMS = (
    "canopy",
    "cruise",
    "errors",
    "land",
    "logs",
    "products",
    "report",
    "species",
    "tract",
    "trees",
    "units",
    "value",
)

__all__ = [
    "Appraisal",
    "Estimate",
    "StandmapError",
    "Tract",
    "appraise",
    "canopy",
    "check_tract",
    "combine",
    "cruise",
    "errors",
    "land",
    "logs",
    "products",
    "read_tract",
    "report",
    "species",
    "tract",
    "trees",
    "units",
    "value",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        found = getattr(import_module(_HOMES[name]), name)
        globals()[name] = found
        return found
    if name in _ROOMS:
        return import_module(f"standmap.{name}")
    raise AttributeError(f"module 'standmap' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*__all__, "__version__"])
