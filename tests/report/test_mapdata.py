"""The map's compact data gives back the shapes it was made from."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

import standmap
from standmap.report.mapdata import encode_shapes
from standmap.report.tract_map import map_data, map_html


def decode(packed: dict) -> list[list[list[np.ndarray]]]:
    """Unpack shapes as the page's script does: shape, part, ring, points as lon, lat."""
    points = np.cumsum(np.reshape(packed["yx"], (-1, 2)), axis=0)[:, ::-1] / 1e6
    rings = np.split(points, np.cumsum(packed["points"])[:-1])
    at_ring = np.concatenate([[0], np.cumsum(packed["rings"])])
    parts = [rings[a:b] for a, b in pairwise(at_ring)]
    at_part = np.concatenate([[0], np.cumsum(packed["parts"])])
    return [parts[a:b] for a, b in pairwise(at_part)]


def test_a_multipart_stand_with_a_hole_a_gap_and_a_missing_one_come_back_whole() -> None:
    wkt = [
        "POLYGON ((0 0, 4 0, 4 4, 0 4, 0 0), (1 1, 1 2, 2 2, 1 1))",
        None,
        "MULTIPOLYGON (((5 5, 6 5, 6 6, 5 5)), ((7 7, 8 7, 8 8, 7 7)))",
        "GEOMETRYCOLLECTION (POINT (9 9), POLYGON ((9 0, 10 0, 10 1, 9 0)))",
    ]
    series = gpd.GeoSeries([None if w is None else shapely.from_wkt(w) for w in wkt], crs=4326)
    found = decode(encode_shapes(series))
    assert [len(parts) for parts in found] == [1, 0, 2, 1]
    assert [len(ring) for ring in found[0][0]] == [5, 4]
    assert shapely.Polygon(found[3][0][0]).equals(shapely.from_wkt("POLYGON((9 0,10 0,10 1,9 0))"))


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.lists(
            st.tuples(st.floats(-179.9, 179.9), st.floats(-84.9, 84.9)), min_size=2, max_size=8
        ),
        min_size=1,
        max_size=5,
    )
)
def test_lines_come_back_to_a_tenth_of_a_metre(lines: list[list[tuple[float, float]]]) -> None:
    series = gpd.GeoSeries([shapely.LineString(line) for line in lines], crs=4326)
    found = decode(encode_shapes(series))
    for line, parts in zip(lines, found, strict=True):
        np.testing.assert_allclose(parts[0][0], line, rtol=0, atol=0.5000001e-6)


def test_the_stands_on_the_map_are_the_stands(sample_appraisal: standmap.Appraisal) -> None:
    layer = map_data(sample_appraisal)["layers"][0]
    shapes = [
        shapely.MultiPolygon([(part[0], part[1:]) for part in parts])
        for parts in decode(layer["shapes"])
    ]
    true = sample_appraisal.stands.geometry.to_numpy()
    np.testing.assert_allclose(shapely.area(shapes), shapely.area(true), rtol=1e-3)


def test_a_card_carries_each_stand_s_products_and_only_its_own(
    sample_appraisal: standmap.Appraisal,
) -> None:
    layer = map_data(sample_appraisal)["layers"][0]
    table = layer["card"]["table"]
    start = 0
    for name, n in zip(layer["labels"], table["counts"], strict=True):
        products = sample_appraisal.products
        rows = products[(products["stand"] == name) & (products["quantity"] >= 0.05)]
        assert table["cells"][0][start : start + n] == rows["product"].tolist()
        start += n
    assert start == len(table["cells"][0])


def test_every_estimate_on_a_card_has_its_error_beside_it(
    sample_appraisal: standmap.Appraisal,
) -> None:
    for layer in map_data(sample_appraisal)["layers"]:
        if layer["key"] not in ("stands", "units"):
            continue
        estimated = [r for r in layer["card"]["rows"] if r[0].startswith(("Value", "Sawtimber"))]
        assert estimated
        for _, cells in estimated:
            assert all("±" in cell or cell in ("0", "$0") for cell in cells)


def test_a_stand_without_plots_says_so_on_its_card(
    sample_appraisal: standmap.Appraisal,
) -> None:
    card = map_data(sample_appraisal)["layers"][0]["card"]
    loud = [t for t, note in zip(card["title"], card["note"], strict=True) if note]
    borrowed = sample_appraisal.stands.query("borrowed != ''")["stand"]
    assert loud == [f"Stand {name}" for name in borrowed]
    assert len(loud) == 1


def test_the_unit_that_enters_a_buffer_is_flagged_with_its_acres(
    sample_appraisal: standmap.Appraisal,
) -> None:
    layers = {layer["key"]: layer for layer in map_data(sample_appraisal)["layers"]}
    notes = layers["units"]["card"]["note"]
    for note, unit in zip(notes, sample_appraisal.units.itertuples(), strict=True):
        assert bool(note) == bool(unit.conflict)
        if note:
            assert f"{unit.buffer_acres:.1f} ac of buffer" in note


def test_the_same_appraisal_gives_the_same_map(sample_appraisal: standmap.Appraisal) -> None:
    assert map_html(sample_appraisal) == map_html(sample_appraisal)


def test_hostile_names_stay_data(hostile_appraisal: standmap.Appraisal) -> None:
    html = map_html(hostile_appraisal)
    assert "<img" not in html
    assert "<svg onload" not in html
    assert "1337" not in html.split("standmap-data")[1][:2000]
    data = html.split('id="standmap-data">')[1].split("</script>")[0]
    labels = json.loads(data)["layers"][0]["labels"]
    assert labels == hostile_appraisal.stands["stand"].tolist()


@pytest.mark.parametrize("missing", ["streams", "buffers", "exclusions", "units", "plots"])
def test_a_layer_the_tract_does_not_have_is_left_out(
    sample_appraisal: standmap.Appraisal, missing: str
) -> None:
    empty = getattr(sample_appraisal, missing).iloc[:0]
    data = map_data(replace(sample_appraisal, **{missing: empty}))
    assert missing not in [layer["key"] for layer in data["layers"]]
