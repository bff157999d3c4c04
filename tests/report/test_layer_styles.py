"""Layers open in a general GIS library with a style each, whose rules fit the data.

Element names and order: OGC 05-078r4 (Styled Layer Descriptor 1.1.0, 2007) and OGC 05-077r4
(Symbology Encoding 1.1.0, 2006); filters: OGC 04-095 (Filter Encoding 1.1.0, 2005). The table's
place among the contents: OGC 12-128r18 (GeoPackage 1.3.1, 2021), section 2.5, attributes.
"""

import sqlite3
import warnings
import xml.etree.ElementTree as ET

import geopandas as gpd
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

from standmap.report import colours
from standmap.report.layer_styles import STYLE_TABLE, layer_style, write_layers_styled
from standmap.report.layers import write_layers
from standmap.report.symbols import OGC, SE, SLD, Rule, Symbol, descriptor

SPACES = {"se": SE, "sld": SLD, "ogc": OGC}
STANDARD_MARKS = {"square", "circle", "triangle", "star", "cross", "x"}  # OGC 05-077r4, 11.3.2
RULE_ORDER = ["Name", "Filter", "PolygonSymbolizer", "LineSymbolizer", "PointSymbolizer",
              "TextSymbolizer"]  # fmt: skip


def holds(test: ET.Element, layer: pd.DataFrame) -> np.ndarray:
    """Evaluate a filter on every feature."""
    kind = test.tag.split("}")[1]
    if kind in ("Filter", "And"):
        return np.all([holds(t, layer) for t in test], axis=0)
    if kind == "Or":
        return np.any([holds(t, layer) for t in test], axis=0)
    if kind == "Not":
        return ~holds(test[0], layer)
    column = layer[test.find("ogc:PropertyName", SPACES).text]
    if kind == "PropertyIsNull":
        return column.isna().to_numpy()
    literal = test.find("ogc:Literal", SPACES).text or ""
    if kind == "PropertyIsEqualTo":
        if column.dtype == bool:
            return (column == (literal == "true")).to_numpy()
        return (column.astype(object) == literal).to_numpy(dtype=bool)
    compare = {"PropertyIsGreaterThanOrEqualTo": np.greater_equal, "PropertyIsLessThan": np.less}
    return compare[kind](column.to_numpy(dtype=float), float(literal))


def rules_of(text: str) -> list[ET.Element]:
    return ET.fromstring(text).findall(".//se:Rule", SPACES)


def times_drawn(text: str, layer: pd.DataFrame) -> np.ndarray:
    tests = [rule.find("ogc:Filter", SPACES) for rule in rules_of(text)]
    return np.sum([np.ones(len(layer), bool) if t is None else holds(t, layer) for t in tests], 0)


@pytest.fixture(scope="module")
def opened(sample_appraisal, tmp_path_factory):
    path = tmp_path_factory.mktemp("layers") / "appraisal.gpkg"
    write_layers(sample_appraisal, path)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        names = [str(n) for n, kind in pyogrio.list_layers(path) if kind is not None]
        layers = {name: pyogrio.read_dataframe(path, layer=name) for name in names}
        styles = pyogrio.read_dataframe(path, layer=STYLE_TABLE)
    return path, layers, styles


def test_every_layer_has_one_default_style(opened):
    _, layers, styles = opened
    assert styles["f_table_name"].tolist() == list(layers)
    assert styles["useAsDefault"].all()
    assert {"stands", "plots", "streams", "buffers", "exclusions", "units"} <= set(layers)


def test_a_layer_holds_one_kind_of_shape(opened):
    _, layers, _ = opened
    for name, layer in layers.items():
        assert len(set(shapely.get_dimensions(layer.geometry.to_numpy()))) == 1, name


def test_the_table_is_among_the_contents_and_names_the_geometry_columns(opened):
    path, _, styles = opened
    with sqlite3.connect(path) as database:
        kinds = dict(database.execute("SELECT table_name, data_type FROM gpkg_contents"))
        places = dict(database.execute("SELECT table_name, column_name FROM gpkg_geometry_columns"))
    assert kinds[STYLE_TABLE] == "attributes"
    assert dict(zip(styles["f_table_name"], styles["f_geometry_column"], strict=True)) == places


def test_every_feature_is_drawn_once(opened):
    _, layers, styles = opened
    for name, text in zip(styles["f_table_name"], styles["styleSLD"], strict=True):
        drawn = times_drawn(text, layers[name])
        assert (drawn == 1).all(), name


def test_documents_keep_the_order_and_marks_of_the_standard(opened):
    _, _, styles = opened
    for name, text in zip(styles["f_table_name"], styles["styleSLD"], strict=True):
        root = ET.fromstring(text)
        assert root.tag == f"{{{SLD}}}StyledLayerDescriptor" and root.get("version") == "1.1.0"
        assert root.find("sld:NamedLayer/se:Name", SPACES).text == name
        for rule in rules_of(text):
            order = [RULE_ORDER.index(child.tag.split("}")[1]) for child in rule]
            assert order == sorted(order) and max(order) >= 2
        marks = {m.text for m in root.findall(".//se:WellKnownName", SPACES)}
        assert marks <= STANDARD_MARKS


def test_kinds_of_ground_differ_without_colour(opened):
    # On grey paper: what is left of each symbol is its marks, dashes, width and darkness of line.
    _, _, styles = opened
    seen = {}
    for name, text in zip(styles["f_table_name"], styles["styleSLD"], strict=True):
        if name == "stands":
            continue
        for rule in rules_of(text):
            pattern = tuple(
                sorted(
                    element.text
                    for element in rule.iter()
                    if element.tag == f"{{{SE}}}WellKnownName"
                    or element.get("name") in ("stroke-width", "stroke-dasharray", "fill-opacity")
                )
            )
            title = rule.find("se:Name", SPACES).text
            assert seen.setdefault(pattern, title) == title


def lightness(colour: str) -> float:
    """Relative luminance as in WCAG 2.1 (2018)."""
    c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
    linear = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def test_shades_of_stands_are_in_order_of_lightness(opened, sample_appraisal):
    _, _, styles = opened
    text = styles.set_index("f_table_name").loc["stands", "styleSLD"]
    fills = [
        rule.find("se:PolygonSymbolizer/se:Fill/se:SvgParameter", SPACES).text
        for rule in rules_of(text)
    ][:-1]
    assert fills == colours.shade_stands(sample_appraisal).colours
    assert all(np.diff([lightness(f) for f in fills]) < -0.05)


def test_stands_fall_in_the_class_the_report_shades_them(opened, sample_appraisal):
    _, layers, styles = opened
    text = styles.set_index("f_table_name").loc["stands", "styleSLD"]
    shading = colours.shade_stands(sample_appraisal)
    for at, rule in enumerate(rules_of(text)[:-1]):
        inside = holds(rule.find("ogc:Filter", SPACES), layers["stands"])
        assert (inside == (shading.of_stand == at)).all()


WATERS = gpd.GeoDataFrame(
    {"class": ["bog & fen <1>", None, "perennial"], "cutting": ["partial", "none", None]},
    geometry=[shapely.box(i, 0, i + 0.5, 1) for i in range(3)],
    crs=4326,
)


@pytest.mark.parametrize("name", ["streams", "buffers", "buffer_zones", "never heard of"])
def test_odd_names_and_missing_classes_are_drawn_too(name):
    text = layer_style(name, WATERS)
    assert (times_drawn(text, WATERS) == 1).all()


def test_water_of_lines_and_areas_together_is_never_closed_into_areas():
    mixed = WATERS.copy()
    mixed.loc[0, "geometry"] = shapely.LineString([(0, 0), (1, 1), (0, 2)])
    assert "PolygonSymbolizer" in layer_style("streams", WATERS)
    assert "PolygonSymbolizer" not in layer_style("streams", mixed)


def test_a_class_with_no_bounds_is_any_number():
    rules = [Rule(title="all alike", symbol=Symbol(), column="x"),
             Rule(title="none", symbol=Symbol(), column="x", values=(None,))]  # fmt: skip
    layer = pd.DataFrame({"x": [1.0, np.nan]})
    assert times_drawn(descriptor("a", "area", rules), layer).tolist() == [1, 1]


def test_no_layers_no_file(tmp_path):
    write_layers_styled({"stands": WATERS.iloc[:0]}, tmp_path / "none.gpkg")
    assert not (tmp_path / "none.gpkg").exists()
