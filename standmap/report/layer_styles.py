"""How each layer of a GeoPackage is drawn, and the table in it that says so.

The table is ``layer_styles``, which many general GIS programs and libraries look for: one row for
each layer, its default style in the open form of :mod:`standmap.report.symbols`.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Final

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely

from standmap.report import colours
from standmap.report.colours import Shading
from standmap.report.symbols import Kind, Rule, Symbol, descriptor

STYLE_TABLE: Final = "layer_styles"
GEOMETRY_COLUMN: Final = "geom"

PART_WORDS: Final = {
    "none": "Stream buffer, nothing cut",
    "": "Stream buffer, nothing cut",
    "partial": "Stream buffer, part may be cut",
    "any": "Stream buffer, all may be cut",
}

_BUFFER: Final = Symbol(fill=colours.BUFFER, opacity=0.6, line=colours.WATER, width=0.6)
_PART: Final = Symbol(
    fill=colours.PART_BUFFER, opacity=0.6, line=colours.WATER, width=0.6, mark="circle", size=3
)
_UNIT: Final = Symbol(line=colours.UNIT, width=2.2, dash=(8, 4))
_STREAM_LINES: Final = ((1.8, ()), (1.4, (8, 3)), (1.0, (2, 3)), (1.0, (8, 3, 2, 3)))
"""Width and dashes of the first classes of water, in the order of their names' rank."""
_WATER_ORDER: Final = ("perennial", "intermittent", "ephemeral")


def write_layers_styled(
    layers: Mapping[str, gpd.GeoDataFrame], path: Path, *, shading: Shading | None = None
) -> None:
    """Write layers with rows to a GeoPackage in EPSG:4326, and how each is drawn.

    Parameters
    ----------
    layers : mapping of str to GeoDataFrame
        In EPSG:4326, by name; empty ones are left out.
    path : Path
        File to write; must not exist.
    shading : Shading, optional
        How stands are shaded.
    """
    there = {name: layer for name, layer in layers.items() if not layer.empty}
    for name, layer in there.items():
        layer.to_file(path, layer=name, driver="GPKG", engine="pyogrio", index=False)
    if not there:
        return
    rows = pd.DataFrame(
        {
            "f_table_catalog": "",
            "f_table_schema": "",
            "f_table_name": list(there),
            "f_geometry_column": GEOMETRY_COLUMN,
            "styleName": list(there),
            "styleQML": None,
            "styleSLD": [layer_style(name, layer, shading) for name, layer in there.items()],
            "useAsDefault": True,
            "description": [f"How {name.replace('_', ' ')} are drawn" for name in there],
            "owner": "",
            "ui": None,
            "update_time": pd.Timestamp(datetime.datetime.now(datetime.UTC)).floor("s"),
        }
    )
    pyogrio.write_dataframe(rows, path, layer=STYLE_TABLE, driver="GPKG", append=True, FID="id")


def layer_style(name: str, layer: gpd.GeoDataFrame, shading: Shading | None = None) -> str:
    """Return the styled layer descriptor of one of our layers.

    Parameters
    ----------
    name : str
        The layer's name; one that is not known is drawn in outline.
    layer : GeoDataFrame
        The layer, for the classes in it.
    shading : Shading, optional
        How stands are shaded.
    """
    rules = _stand_rules(shading) if name == "stands" and shading else _rules(name, layer)
    return descriptor(name, _kind(layer), rules, label=_LABELS.get(name, ""))


_LABELS: Final = {
    "stands": "stand",
    "units": "unit",
    "units_clipped": "unit",
    "plots": "plot",
    "landings": "name",
    "next_plots": "plot",
}


def _kind(layer: gpd.GeoDataFrame) -> Kind:
    """Return how a layer is drawn; lines and areas together, as lines."""
    kinds = set(shapely.get_dimensions(layer.geometry.to_numpy()).tolist()) - {-1}
    if kinds == {0}:
        return "point"
    return "area" if kinds == {2} else "line"


def _rules(name: str, layer: gpd.GeoDataFrame) -> list[Rule]:
    if name in _CLASSED:
        return _CLASSED[name](layer)
    title, symbol = _PLAIN.get(name, (name.replace("_", " ").capitalize(), Symbol()))
    return [Rule(title=title, symbol=symbol)]


_PLAIN: Final[dict[str, tuple[str, Symbol]]] = {
    "stands": ("Stand", Symbol(fill=colours.NO_FIGURE, width=1.0)),
    "exclusions": (
        "Exclusion",
        Symbol(fill="#ffffff", opacity=0.7, line=colours.EXCLUSION, mark="x", size=7, width=1.2),
    ),
    "units": ("Harvest unit", _UNIT),
    "units_clipped": (
        "Harvest unit less what must stay",
        Symbol(line=colours.UNIT, width=1.4),
    ),
    "candidate_channels": (
        "Candidate channel, unverified",
        Symbol(line=colours.WATER, width=0.9, dash=(3, 2)),
    ),
    "roads": ("Road or skid trail", Symbol(line=colours.ROAD, width=1.2)),
    "landings": ("Landing", Symbol(fill=colours.ROAD, line="#ffffff", mark="square", size=6)),
    "roads_too_near": ("Too near water", Symbol(line=colours.CONFLICT, width=2.8)),
    "left_out": (
        "Net ground left out",
        Symbol(fill=colours.NO_FIGURE, line=colours.INK, width=0.6, mark="x", size=6),
    ),
    "ground": ("Ground sampled", Symbol(fill=colours.RAMP[0], line=colours.RAMP[3], width=0.8)),
    "walk": ("Walk", Symbol(line=colours.UNIT, width=1.2, dash=(4, 3))),
    "next_plots": (
        "Plot to visit",
        Symbol(fill=colours.PLOT, line="#ffffff", width=1.0, mark="circle", size=7),
    ),
}


def _stand_rules(shading: Shading) -> list[Rule]:
    """Shade stands as the map and the report do."""
    ends = [-math.inf, *shading.breaks, math.inf]
    classes = [
        Rule(
            title=f"{shading.title}: {words}",
            symbol=Symbol(fill=colour, width=0.9),
            column=shading.column,
            low=low,
            high=high,
        )
        for colour, words, (low, high) in zip(
            shading.colours, shading.labels, pairwise(ends), strict=True
        )
    ]
    none = Symbol(fill=colours.NO_FIGURE, width=0.9, mark="x", size=6)
    return [
        *classes,
        Rule(title="No figure", symbol=none, column=shading.column, values=(None,)),
    ]


def _by_column(
    layer: gpd.GeoDataFrame, column: str, symbol_of: Callable[[str], tuple[str, Symbol]]
) -> list[Rule]:
    """Return a rule for each title, with the values of the column that come under it."""
    values = [None if pd.isna(v) else str(v) for v in layer[column].unique()]
    found: dict[str, tuple[Symbol, list[str | None]]] = {}
    for value in sorted(values, key=lambda v: (v is None, v or "")):
        title, symbol = symbol_of(value or "")
        found.setdefault(title, (symbol, []))[1].append(value)
    return [
        Rule(title=title, symbol=symbol, column=column, values=tuple(held))
        for title, (symbol, held) in found.items()
    ]


def _stream_rules(layer: gpd.GeoDataFrame) -> list[Rule]:
    """Draw the classes of water by weight and dashes, the wettest heaviest."""
    names = sorted(set(layer["class"].dropna().astype(str)))
    ranked = sorted(
        names,
        key=lambda n: _WATER_ORDER.index(n) if n in _WATER_ORDER else len(_WATER_ORDER),
    )
    drawn = {name: _STREAM_LINES[min(at, len(_STREAM_LINES) - 1)] for at, name in enumerate(ranked)}

    def symbol(name: str) -> tuple[str, Symbol]:
        width, dash = drawn.get(name, _STREAM_LINES[-1])
        title = f"Water, {name}" if name else "Water"
        return title, Symbol(fill=colours.WATER, line=colours.WATER, width=width, dash=dash)

    return _by_column(layer, "class", symbol)


def _zone_rules(layer: gpd.GeoDataFrame) -> list[Rule]:
    """Draw buffers by what may be cut in them."""
    return _by_column(
        layer,
        "cutting",
        lambda cut: (
            PART_WORDS.get(cut, PART_WORDS[""]),
            _PART if cut in ("partial", "any") else _BUFFER,
        ),
    )


def _conflict_rules(layer: gpd.GeoDataFrame) -> list[Rule]:
    """Draw ground at issue, by whether all of it must stay, part may go, or nobody read it."""
    strong = Symbol(fill=colours.UNIT, opacity=0.35, line=colours.UNIT, width=1.8, mark="cross")
    weak = Symbol(line=colours.UNIT, width=1.2, dash=(3, 2), mark="circle", size=3)
    return _by_column(
        layer,
        "verdict",
        lambda verdict: (
            ("Unit enters ground where part may be cut", weak)
            if verdict == "part only"
            else ("Unit enters ground whose rule is unverified", weak)
            if verdict == "not settled"
            else ("Unit enters ground that must stay", strong)
        ),
    )


def _plot_rules(_layer: gpd.GeoDataFrame) -> list[Rule]:
    """Draw plots that count full, and those set aside hollow."""
    full = Symbol(fill=colours.PLOT, line="#ffffff", width=0.8, mark="circle", size=6)
    hollow = Symbol(fill="#ffffff", line=colours.PLOT, width=1.2, mark="circle", size=6)
    return [
        Rule(title="Plot", symbol=full, column="used", values=(True,)),
        Rule(title="Plot set aside", symbol=hollow, column="used", values=(False,)),
    ]


_CLASSED: Final[dict[str, Callable[[gpd.GeoDataFrame], list[Rule]]]] = {
    "streams": _stream_rules,
    "buffers": _zone_rules,
    "buffer_zones": _zone_rules,
    "unit_conflicts": _conflict_rules,
    "plots": _plot_rules,
}
