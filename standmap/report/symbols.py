"""Symbols of map layers as OGC Styled Layer Descriptors, which any GIS that knows them can draw.

Written after OGC 05-078r4 (Styled Layer Descriptor 1.1.0, 2007) and OGC 05-077r4 (Symbology
Encoding 1.1.0, 2006). Only marks that the standard names are used, and every kind of ground
differs in pattern or outline too, so that a map on grey paper still tells them apart.
"""

from __future__ import annotations

import math
import xml.etree.ElementTree as ET
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from standmap.report import colours

SLD: Final = "http://www.opengis.net/sld"
SE: Final = "http://www.opengis.net/se"
OGC: Final = "http://www.opengis.net/ogc"

for _prefix, _space in (("sld", SLD), ("se", SE), ("ogc", OGC)):
    ET.register_namespace(_prefix, _space)

LABEL_FONT: Final = "sans-serif"


@dataclass(frozen=True, slots=True, kw_only=True)
class Symbol:
    """How a shape is drawn.

    Attributes
    ----------
    fill : str
        Colour of an area, or of a point's mark; blank for none.
    line, width, dash : str, float, sequence of float
        Colour of the line, its width and its dashes. [pixels]
    mark : str
        A point's mark, or what an area is strewn with: a name of the standard ("circle", "cross",
        "x", "square", "triangle"); blank for none.
    size : float
        Size of the mark. [pixels]
    opacity : float
        Of the fill, 0 to 1.
    """

    fill: str = ""
    line: str = colours.INK
    width: float = 1.0
    dash: tuple[float, ...] = ()
    mark: str = ""
    size: float = 8.0
    opacity: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """A class of features and its symbol.

    Attributes
    ----------
    title : str
        What the key says.
    symbol : Symbol
        How it is drawn.
    column : str
        Column that sorts features; blank where the rule is for all.
    values : sequence of str or bool
        Values of the column that belong here; None is a missing one.
    low, high : float
        Or the numbers from ``low`` up to but not including ``high``.
    """

    title: str
    symbol: Symbol
    column: str = ""
    values: tuple[str | bool | None, ...] = ()
    low: float = -math.inf
    high: float = math.inf


Kind = Literal["area", "line", "point"]


def descriptor(layer: str, kind: Kind, rules: Sequence[Rule], *, label: str = "") -> str:
    """Return the styled layer descriptor of a layer.

    Parameters
    ----------
    layer : str
        Its name.
    kind : {"area", "line", "point"}
        What it holds; areas drawn as "line" show their outlines.
    rules : sequence of Rule
        Its classes; together they should hold every feature once.
    label : str
        Column written beside each feature; blank for none.

    Examples
    --------
    >>> text = descriptor("roads", "line", [Rule(title="Road", symbol=Symbol())])
    >>> ET.fromstring(text).find(f".//{{{SE}}}Rule/{{{SE}}}Name").text
    'Road'
    """
    root = ET.Element(f"{{{SLD}}}StyledLayerDescriptor", version="1.1.0")
    named = ET.SubElement(root, f"{{{SLD}}}NamedLayer")
    _text(named, f"{{{SE}}}Name", layer)
    style = ET.SubElement(named, f"{{{SLD}}}UserStyle")
    _text(style, f"{{{SE}}}Name", layer)
    _text(style, f"{{{SLD}}}IsDefault", "1")
    features = ET.SubElement(style, f"{{{SE}}}FeatureTypeStyle")
    for rule in rules:
        made = ET.SubElement(features, f"{{{SE}}}Rule")
        _text(made, f"{{{SE}}}Name", rule.title)
        _add_filter(made, rule)
        _DRAWN_AS[kind](made, rule.symbol)
        if label:
            _add_label(made, label, around=kind == "point")
    ET.indent(root)
    return ET.tostring(root, encoding="unicode")


def _text(parent: ET.Element, tag: str, text: str, **attributes: str) -> ET.Element:
    made = ET.SubElement(parent, tag, attributes)
    made.text = "".join(c if c.isprintable() else " " for c in text)
    return made


def _add_filter(parent: ET.Element, rule: Rule) -> None:
    """Add the test a feature must pass to be drawn by a rule."""
    if not rule.column:
        return
    tests: list[ET.Element] = []
    for value in rule.values:
        if value is None:
            null = ET.Element(f"{{{OGC}}}PropertyIsNull")
            _text(null, f"{{{OGC}}}PropertyName", rule.column)
            tests.append(null)
        else:
            shown = str(value).lower() if isinstance(value, bool) else value
            tests.append(_compared("PropertyIsEqualTo", rule.column, shown))
    if math.isfinite(rule.low):
        tests.append(
            _compared("PropertyIsGreaterThanOrEqualTo", rule.column, repr(float(rule.low)))
        )
    if math.isfinite(rule.high):
        tests.append(_compared("PropertyIsLessThan", rule.column, repr(float(rule.high))))
    if not rule.values and not tests:  # any number, but a number
        present = ET.Element(f"{{{OGC}}}Not")
        null = ET.SubElement(present, f"{{{OGC}}}PropertyIsNull")
        _text(null, f"{{{OGC}}}PropertyName", rule.column)
        tests.append(present)
    holder = ET.SubElement(parent, f"{{{OGC}}}Filter")
    if len(tests) > 1:
        holder = ET.SubElement(holder, f"{{{OGC}}}{'Or' if rule.values else 'And'}")
    holder.extend(tests)


def _compared(test: str, column: str, value: str) -> ET.Element:
    made = ET.Element(f"{{{OGC}}}{test}")
    _text(made, f"{{{OGC}}}PropertyName", column)
    _text(made, f"{{{OGC}}}Literal", value)
    return made


def _add_stroke(parent: ET.Element, symbol: Symbol) -> None:
    if symbol.width <= 0:
        return
    stroke = ET.SubElement(parent, f"{{{SE}}}Stroke")
    _parameter(stroke, "stroke", symbol.line)
    _parameter(stroke, "stroke-width", f"{symbol.width:g}")
    if symbol.dash:
        _parameter(stroke, "stroke-dasharray", " ".join(f"{d:g}" for d in symbol.dash))


def _add_fill(parent: ET.Element, colour: str, opacity: float = 1.0) -> None:
    fill = ET.SubElement(parent, f"{{{SE}}}Fill")
    _parameter(fill, "fill", colour)
    if opacity < 1:
        _parameter(fill, "fill-opacity", f"{opacity:g}")


def _parameter(parent: ET.Element, name: str, value: str) -> None:
    _text(parent, f"{{{SE}}}SvgParameter", value, name=name)


def _add_graphic(parent: ET.Element, symbol: Symbol, fill: str) -> None:
    graphic = ET.SubElement(parent, f"{{{SE}}}Graphic")
    mark = ET.SubElement(graphic, f"{{{SE}}}Mark")
    _text(mark, f"{{{SE}}}WellKnownName", symbol.mark)
    if fill:
        _add_fill(mark, fill, symbol.opacity)
    _add_stroke(mark, Symbol(line=symbol.line, width=min(symbol.width, 1.2)))
    _text(graphic, f"{{{SE}}}Size", f"{symbol.size:g}")


def _add_area(parent: ET.Element, symbol: Symbol) -> None:
    """Draw an area: its fill, what it is strewn with, its outline."""
    if symbol.fill:
        plain = ET.SubElement(parent, f"{{{SE}}}PolygonSymbolizer")
        _add_fill(plain, symbol.fill, symbol.opacity)
    if symbol.mark:
        strewn = ET.SubElement(parent, f"{{{SE}}}PolygonSymbolizer")
        fill = ET.SubElement(strewn, f"{{{SE}}}Fill")
        pattern = ET.SubElement(fill, f"{{{SE}}}GraphicFill")
        _add_graphic(pattern, symbol, symbol.line if symbol.mark == "circle" else "")
    _add_line(parent, symbol)


def _add_line(parent: ET.Element, symbol: Symbol) -> None:
    if symbol.width > 0:
        _add_stroke(ET.SubElement(parent, f"{{{SE}}}LineSymbolizer"), symbol)


def _add_point(parent: ET.Element, symbol: Symbol) -> None:
    _add_graphic(ET.SubElement(parent, f"{{{SE}}}PointSymbolizer"), symbol, symbol.fill)


_DRAWN_AS: Final = {"area": _add_area, "line": _add_line, "point": _add_point}


def _add_label(parent: ET.Element, column: str, *, around: bool) -> None:
    """Write a column on each feature, on white; beside it where it is a point."""
    made = ET.SubElement(parent, f"{{{SE}}}TextSymbolizer")
    shown = ET.SubElement(made, f"{{{SE}}}Label")
    _text(shown, f"{{{OGC}}}PropertyName", column)
    font = ET.SubElement(made, f"{{{SE}}}Font")
    _parameter(font, "font-family", LABEL_FONT)
    _parameter(font, "font-size", "9" if around else "11")
    place = ET.SubElement(ET.SubElement(made, f"{{{SE}}}LabelPlacement"), f"{{{SE}}}PointPlacement")
    if around:
        off = ET.SubElement(place, f"{{{SE}}}Displacement")
        _text(off, f"{{{SE}}}DisplacementX", "5")
        _text(off, f"{{{SE}}}DisplacementY", "5")
    else:
        anchor = ET.SubElement(place, f"{{{SE}}}AnchorPoint")
        _text(anchor, f"{{{SE}}}AnchorPointX", "0.5")
        _text(anchor, f"{{{SE}}}AnchorPointY", "0.5")
    halo = ET.SubElement(made, f"{{{SE}}}Halo")
    _text(halo, f"{{{SE}}}Radius", "1.5")
    _add_fill(halo, "#ffffff")
    _add_fill(made, colours.INK)
