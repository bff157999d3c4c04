"""The map's data in its compact form: shapes once, properties as columns, cards as text.

A layer is a dictionary that the map's script draws: geometry as differences of whole
millionths of a degree, one style, and a list of strings for each line of the cards. Nothing here
is HTML; the script writes every string as text.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from standmap.report.figures import label_places
from standmap.report.numbers import figure

PLACES: Final = 6
"""Decimal places of a degree kept: 0.1 m on the ground."""

Layer = dict[str, Any]


def encode_shapes(shapes: gpd.GeoSeries) -> dict[str, Any]:
    """Pack shapes of one kind for the page.

    Parameters
    ----------
    shapes : GeoSeries
        Points, lines or polygons (multi or not) in EPSG:4326. Missing ones keep their place, with
        no parts.

    Returns
    -------
    dict
        ``kind`` (``point``, ``line`` or ``polygon``); ``parts`` for each shape, ``rings`` for
        each part, ``points`` for each ring; ``yx``: latitude, longitude, latitude, ... in whole
        millionths of a degree, each pair the difference from the one before.

    Examples
    --------
    >>> packed = encode_shapes(gpd.GeoSeries.from_wkt(["LINESTRING (1 2, 1.5 2.25)"], crs=4326))
    >>> packed["kind"], packed["points"], packed["yx"]
    ('line', [2], [2000000, 1000000, 250000, 500000])
    """
    values = np.where(shapes.isna() | shapes.is_empty, None, shapes.to_numpy())
    parts, of_shape = shapely.get_parts(values, return_index=True)
    dimension = int(shapely.get_dimensions(parts).max(initial=0))
    keep = shapely.get_dimensions(parts) == dimension
    parts, of_shape = parts[keep], of_shape[keep]
    if dimension == 2:
        rings, of_part = shapely.get_rings(parts, return_index=True)
    else:
        rings, of_part = parts, np.arange(len(parts))
    xy, of_ring = shapely.get_coordinates(rings, return_index=True)
    whole = np.rint(xy[:, ::-1] * 10**PLACES).astype(np.int64)
    steps = np.diff(whole, axis=0, prepend=np.zeros((1, 2), dtype=np.int64))
    return {
        "kind": ("point", "line", "polygon")[dimension],
        "parts": np.bincount(of_shape, minlength=len(values)).tolist(),
        "rings": np.bincount(of_part, minlength=len(parts)).tolist(),
        "points": np.bincount(of_ring, minlength=len(rings)).tolist(),
        "yx": steps.ravel().tolist(),
    }


def card(
    titles: Sequence[str],
    rows: Sequence[tuple[str, Sequence[str]]],
    *,
    notes: Sequence[str] | None = None,
    table: dict[str, Any] | None = None,
) -> dict[str, Any]:
    """Return the cards of a layer: a title, lines, a note and a small table for each shape.

    Parameters
    ----------
    titles : sequence of str
        One for each shape.
    rows : sequence of (label, strings)
        One string for each shape; a blank leaves the line out of that card.
    notes : sequence of str, optional
        A loud line for each shape; blank for none.
    table : dict, optional
        From `card_table`.
    """
    made: dict[str, Any] = {
        "title": list(titles),
        "rows": [[label, list(strings)] for label, strings in rows],
    }
    if notes is not None and any(notes):
        made["note"] = list(notes)
    if table is not None:
        made["table"] = table
    return made


def card_table(
    frame: pd.DataFrame, by: str, names: Sequence[str], columns: Mapping[str, Sequence[str]]
) -> dict[str, Any]:
    """Return small tables for cards, all in one, in the order of the shapes.

    Parameters
    ----------
    frame : DataFrame
        The rows of all the tables.
    by : str
        Column that names the shape a row belongs to.
    names : sequence of str
        The shapes, in order; each once.
    columns : dict
        Heading to one string for each row of ``frame``.

    Returns
    -------
    dict
        ``head``, ``cells`` (columns of strings), ``counts`` (rows for each shape).

    Examples
    --------
    >>> frame = pd.DataFrame({"stand": ["B", "A", "B"]})
    >>> card_table(frame, "stand", ["A", "B"], {"Product": ["x", "y", "z"]})
    {'head': ['Product'], 'cells': [['y', 'x', 'z']], 'counts': [1, 2]}
    """
    at = pd.Index(list(names)).get_indexer(pd.Index(frame[by]))
    order = np.argsort(at, kind="stable")
    order = order[at[order] >= 0]
    return {
        "head": list(columns),
        "cells": [[str(strings[i]) for i in order] for strings in columns.values()],
        "counts": np.bincount(at[order], minlength=len(names)).tolist(),
    }


def layer(
    key: str,
    name: str,
    frame: gpd.GeoDataFrame,
    *,
    style: dict[str, Any],
    cards: dict[str, Any] | None = None,
    shown: bool = True,
    labels: Sequence[str] | None = None,
    columns: dict[str, Sequence[Any]] | None = None,
) -> Layer:
    """Return one layer of the map.

    Parameters
    ----------
    key : str
        Short name the script knows it by.
    name : str
        Printed in the list of layers.
    frame : GeoDataFrame
        The shapes, in EPSG:4326.
    style : dict
        One style for all of them.
    cards : dict, optional
        From `card`.
    shown : bool
        Whether it is on when the map opens.
    labels : sequence of str, optional
        A name written on each polygon.
    columns : dict, optional
        A value for each shape: ``fill`` (a colour), ``weight`` (a line width).
    """
    made: Layer = {
        "key": key,
        "name": name,
        "shown": shown,
        "style": style,
        "shapes": encode_shapes(frame.geometry),
        "columns": {k: list(v) for k, v in (columns or {}).items()},
    }
    if cards is not None:
        made["card"] = cards
    if labels is not None:
        places = np.round(label_places(frame.geometry)[:, ::-1], PLACES)
        made["labels"] = list(labels)
        made["labelAt"] = [None if np.isnan(p).any() else p.tolist() for p in places]
    return made


def texts(frame: pd.DataFrame, column: str) -> list[str]:
    """Return a column as strings, missing values blank."""
    return [str(v) for v in frame[column].astype(object).where(frame[column].notna(), "")]


def plain(frame: pd.DataFrame, column: str, unit: str, *, most: int = 0) -> list[str]:
    """Return figures that carry no sampling error, blank where not known."""
    if column not in frame:
        return [""] * len(frame)
    gap = "" if unit == "%" else " "
    return [
        f"{figure(v, most=most)}{gap}{unit}".rstrip() if np.isfinite(v) else ""
        for v in frame[column].to_numpy(dtype=float).tolist()
    ]
