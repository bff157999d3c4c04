"""Water on the map: streams, ponds, their buffers, and channels that only might be there."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import numpy as np
import shapely

from standmap.land import OWN_WIDTH
from standmap.report import colours
from standmap.report.figures import stream_widths
from standmap.report.mapdata import Layer, card, layer, plain, texts

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

_CUTTING = {"partial": "part may be cut: see the land page", "any": "not limited by this rule"}


def water_layers(appraisal: Appraisal) -> list[Layer | None]:
    """Return the layers of water, those that lie under the others first.

    Parameters
    ----------
    appraisal : Appraisal
        What to draw; a layer with nothing on it is None.
    """
    streams = appraisal.streams
    if streams is None or streams.empty:
        return [_buffers(appraisal.buffers), _channels(appraisal.land.water.candidates)]
    flat = shapely.get_dimensions(streams.geometry.to_numpy()) == 2
    return [_buffers(appraisal.buffers), _ponds(streams[flat]), _streams(streams[~flat])]


def _buffers(buffers: gpd.GeoDataFrame | None) -> Layer | None:
    if buffers is None or buffers.empty:
        return None
    whose = ["" if name == OWN_WIDTH else name for name in texts(buffers, "jurisdiction")]
    return layer(
        "buffers",
        "Stream buffers",
        buffers,
        style={"color": colours.WATER, "weight": 0.6, "opacity": 0.35, "fillOpacity": 0.45},
        columns={"fill": [colours.BUFFER] * len(buffers)},
        cards=card(
            [f"Buffer, {name} stream" for name in texts(buffers, "class")],
            [
                ("Width each side", _widths(buffers)),
                ("Measured", [f"on the flat: {said}" for said in texts(buffers, "starts_at")]),
                (
                    "Rule",
                    [
                        f"{name}, to be checked against the current rule"
                        if name
                        else "a setting, to be checked against current rules"
                        for name in whose
                    ],
                ),
                ("Source", [s if w else "" for s, w in zip(texts(buffers, "source"), whose,
                                                           strict=True)]),
                ("Cutting", [_CUTTING.get(cut, "nothing") for cut in texts(buffers, "cutting")]),
            ],
            notes=["" if sure else "Unverified: settles nothing by itself."
                   for sure in buffers["verified"]],
        ),
    )  # fmt: skip


def _widths(buffers: gpd.GeoDataFrame) -> list[str]:
    """Return the width of each buffer, and its range where it follows the ground."""
    said = []
    for mean, low, high in buffers[["width_ft", "min_width_ft", "max_width_ft"]].to_numpy(float):
        one = round(low) == round(high)
        said.append(f"{mean:.0f} ft" if one else f"{low:.0f} to {high:.0f} ft, mean {mean:.0f} ft")
    return said


def _streams(streams: gpd.GeoDataFrame) -> Layer | None:
    if streams.empty:
        return None
    return layer(
        "streams",
        "Streams",
        streams,
        style={"color": colours.WATER, "fillOpacity": 0},
        columns={"weight": (1.6 * stream_widths(streams)).round(2).tolist()},
        cards=card(["Stream"] * len(streams), _stream_rows(streams)),
    )


def _ponds(ponds: gpd.GeoDataFrame) -> Layer | None:
    if ponds.empty:
        return None
    return layer(
        "ponds",
        "Ponds, rivers and wetlands",
        ponds,
        style={"color": colours.WATER, "weight": 1, "fillOpacity": 0.7},
        columns={"fill": [colours.WATER] * len(ponds)},
        cards=card(["Water"] * len(ponds), _stream_rows(ponds)),
    )


def _stream_rows(streams: gpd.GeoDataFrame) -> list[tuple[str, list[str]]]:
    rows = [
        ("Class", texts(streams, "class")),
        ("Buffer each side", plain(streams, "width_ft", "ft")),
    ]
    if "channel_ft" in streams and np.isfinite(streams["channel_ft"]).any():
        rows.append(("Channel", plain(streams, "channel_ft", "ft wide")))
    return rows


def _channels(candidates: gpd.GeoDataFrame) -> Layer | None:
    if candidates.empty:
        return None
    candidates = candidates.to_crs(4326)
    return layer(
        "channels",
        "Candidate channels, unverified",
        candidates,
        style={"color": colours.WATER, "weight": 1.6, "dashArray": "4 4", "fillOpacity": 0},
        cards=card(
            ["Candidate channel"] * len(candidates),
            [
                ("Fed by", plain(candidates, "feeding_acres", "acres")),
                ("Found", ["low ground on the elevation raster"] * len(candidates)),
            ],
            notes=["Unverified: look on the ground. No acre is kept along it."] * len(candidates),
        ),
    )
