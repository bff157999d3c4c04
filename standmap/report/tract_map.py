"""map.html: the tract to look at and to click, in one file that opens with no network."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from branca.element import MacroElement
from folium import Map
from folium.template import Template

from standmap.report import colours
from standmap.report.map_water import water_layers
from standmap.report.mapdata import Layer, card, card_table, layer, plain, texts
from standmap.report.names import (
    confidence_text,
    head_measure,
    head_rule_name,
    is_valued,
    tract_name,
)
from standmap.report.numbers import NOT_KNOWN, acres, count, dollars, figure, plus_minus
from standmap.report.offline import (
    LEAFLET_CSS,
    LEAFLET_JS,
    OfflineFigure,
    RawHtml,
    page_json,
    static_text,
)
from standmap.report.overlays import overlays
from standmap.report.printed import LEAST_ACRES, LEAST_QUANTITY
from standmap.report.words import CAUTIONS, SHORT_CAUTION
from standmap.units import BF_PER_MBF

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal

_BORROWED: Final = {
    "stratum": "No plots of its own, or only one: figures are borrowed from its stratum.",
    "tract": "No plots in its stratum: figures are borrowed from the whole tract.",
}


class _OfflineMap(Map):
    """A folium map with Leaflet only, from the packed copy."""

    default_js = [("leaflet", LEAFLET_JS)]  # noqa: RUF012  # as folium declares them
    default_css = [("leaflet_css", LEAFLET_CSS)]  # noqa: RUF012


class _Draw(MacroElement):
    """Hands the map to our own script."""

    _template = Template(
        "{% macro script(this, kwargs) %}standmapDraw({{ this._parent.get_name() }});{% endmacro %}"
    )


def map_html(appraisal: Appraisal) -> str:
    """Return the map of an appraisal as one page that needs no network.

    Parameters
    ----------
    appraisal : Appraisal
        What to draw.

    Returns
    -------
    str
        HTML. Names from the data stand in it as JSON and reach the screen as text only.

    Raises
    ------
    OutputError
        If the page would fetch anything from outside itself.
    """
    page = OfflineFigure(title=f"{tract_name(appraisal)}: map")
    south, west, north, east = _bounds(appraisal)
    tract = _OfflineMap(
        location=[(south + north) / 2, (west + east) / 2],
        tiles=None,
        zoom_start=14,
        max_zoom=21,
        zoom_snap=0.25,
        zoom_delta=0.5,
        zoom_control="bottomright",
        attribution_control=False,
    )
    tract._id = "tract"  # the same appraisal gives the same page
    page.add_child(tract)
    tract.add_child(_Draw())  # type: ignore[no-untyped-call]
    page.header.add_child(RawHtml(f"<style>\n{static_text('map.css')}</style>"), name="style")
    data = page_json(map_data(appraisal))
    page.html.add_child(
        RawHtml(f'<script type="application/json" id="standmap-data">{data}</script>'), name="data"
    )
    page.script.add_child(RawHtml(static_text("map.js")), name="script", index=0)
    return page.render()


def _bounds(appraisal: Appraisal) -> tuple[float, float, float, float]:
    west, south, east, north = appraisal.stands.total_bounds
    return float(south), float(west), float(north), float(east)


def map_data(appraisal: Appraisal) -> dict[str, Any]:
    """Return everything the map's script draws, as plain lists and strings."""
    shading = colours.shade_stands(appraisal)
    made = [
        _stands(appraisal, shading),
        _exclusions(appraisal),
        *water_layers(appraisal),
        _outline(appraisal),
        _units(appraisal),
        _plots(appraisal),
    ]
    south, west, north, east = _bounds(appraisal)
    return {
        "title": tract_name(appraisal),
        "lines": _head_lines(appraisal),
        "bounds": [[south, west], [north, east]],
        "shading": {
            "title": shading.title,
            "classes": [list(c) for c in zip(shading.colours, shading.labels, strict=True)],
            "none": [colours.NO_FIGURE, "no figure"] if (shading.of_stand < 0).any() else None,
        },
        "layers": [one for one in made if one is not None],
        "overlays": overlays(appraisal),
        "caution": SHORT_CAUTION,
        "cautions": [list(c) for c in CAUTIONS],
        "foot": f"± is the sampling error at {confidence_text(appraisal)} confidence. "
        "Volumes and values are on net acres.",
    }


def _head_lines(appraisal: Appraisal) -> list[str]:
    """Two lines under the tract's name: acres, then the answer."""
    ground = f"{acres(appraisal.gross_acres)} acres mapped, {acres(appraisal.net_acres)} net"
    if is_valued(appraisal):
        found = appraisal.total("value_usd")
        answer = f"{dollars(found.mean, found.sampling_error_pct)} standing"
    else:
        found = appraisal.total(head_measure(appraisal)).times(1 / BF_PER_MBF)
        answer = f"{figure(found.mean, found.sampling_error_pct)} MBF {head_rule_name(appraisal)}"
    return [ground, f"{answer} {plus_minus(found.sampling_error_pct)}"]


def with_error(
    frame: pd.DataFrame,
    column: str,
    error: str,
    *,
    money: bool = False,
    most: int = 0,
    divide: float = 1.0,
    unit: str = "",
) -> list[str]:
    """Return one string for each row: a figure to the place its error supports, and the error.

    Parameters
    ----------
    frame : DataFrame
        The rows.
    column, error : str
        Columns of the estimate and of its sampling error, percent.
    money : bool
        Print dollars.
    most : int
        Most decimals ever printed.
    divide : float
        Divide the estimate by this first (board feet to MBF).
    unit : str
        Printed after the figure.
    """
    values = frame[column].to_numpy(dtype=float) / divide
    errors = frame[error].to_numpy(dtype=float)
    after = f" {unit}" if unit else ""
    made = []
    for value, spread in zip(values.tolist(), errors.tolist(), strict=True):
        text = dollars(value, spread) if money else figure(value, spread, most=most)
        if text == NOT_KNOWN or value == 0:
            made.append(text)
        else:
            made.append(f"{text}{after} {plus_minus(spread)}")
    return made


def _acre_rows(frame: pd.DataFrame) -> list[tuple[str, list[str]]]:
    """Acre lines of a card; a line of zeros is left blank."""
    rows = []
    for label, column in (
        ("Gross acres", "gross_acres"),
        ("Net acres", "net_acres"),
        ("In stream buffers", "buffer_acres"),
        ("In exclusions", "exclusion_acres"),
        ("Outside every stand", "outside_acres"),
    ):
        if column in frame:
            always = column in ("gross_acres", "net_acres")
            values = frame[column].tolist()
            rows.append((label, [acres(v) if always or v >= LEAST_ACRES else "" for v in values]))
    return rows


def _product_table(
    appraisal: Appraisal, products: pd.DataFrame, by: str, names: Sequence[str]
) -> dict[str, Any] | None:
    """Products of each stand or unit, for its card."""
    some = products[products[by].isin(list(names)) & (products["quantity"] >= LEAST_QUANTITY)]
    if some.empty:
        return None
    quantity = [
        f"{figure(q, e, most=1)} {label} {plus_minus(e)}"
        for q, e, label in zip(
            some["quantity"], some["quantity_error_pct"], some["quantity_label"], strict=True
        )
    ]
    columns = {"Product": texts(some, "product"), "Quantity": quantity}
    if is_valued(appraisal):
        columns["Value"] = [
            "no price" if not unit else f"{dollars(v, e)} {plus_minus(e)}"
            for v, e, unit in zip(
                some["value_usd"], some["value_error_pct"], some["unit"], strict=True
            )
        ]
    return card_table(some, by, list(names), columns)


def _stands(appraisal: Appraisal, shading: colours.Shading) -> Layer:
    stands, head = appraisal.stands, head_measure(appraisal)
    rule = head_rule_name(appraisal)
    names = texts(stands, "stand")

    def per_acre(measure: str, unit: str, most: int = 0) -> list[str]:
        return with_error(
            stands, f"{measure}_per_acre", f"{measure}_error_pct", most=most, unit=unit
        )

    rows: list[tuple[str, list[str]]] = [
        ("Stratum", texts(stands, "stratum")),
        *_acre_rows(stands),
        ("Plots", [count(v) for v in stands["plots"].tolist()]),
    ]
    if is_valued(appraisal):
        rows += [
            ("Value", with_error(stands, "value_usd_total", "value_usd_error_pct", money=True)),
            (
                "Value per acre",
                with_error(stands, "value_usd_per_acre", "value_usd_error_pct", money=True),
            ),
        ]
    rows += [
        (
            f"Sawtimber, {rule}",
            with_error(
                stands, f"{head}_total", f"{head}_error_pct", most=1, divide=BF_PER_MBF, unit="MBF"
            ),
        ),
        ("Sawtimber per acre", per_acre(head, "bf")),
        ("Cords per acre", per_acre("cords", "", 1)),
        ("Green tons per acre", per_acre("weight_tons", "", 1)),
        ("Basal area per acre", per_acre("basal_area_sqft", "sq ft")),
        ("Trees per acre", per_acre("trees", "")),
        ("Mean diameter (QMD)", plain(stands, "qmd_in", "in", most=1)),
        ("Mean slope", plain(stands, "slope_pct", "%")),
        ("Top height, from canopy", plain(stands, "canopy_height_ft", "ft")),
    ]
    return layer(
        "stands",
        "Stands",
        stands,
        style={"color": "#ffffff", "weight": 1.2, "fillOpacity": 0.78},
        columns={
            "fill": [colours.NO_FIGURE if c < 0 else shading.colours[c] for c in shading.of_stand]
        },
        labels=names,
        cards=card(
            [f"Stand {name}" for name in names],
            rows,
            notes=[_BORROWED.get(b, "") for b in texts(stands, "borrowed")],
            table=_product_table(appraisal, appraisal.products, "stand", names),
        ),
    )


def _outline(appraisal: Appraisal) -> Layer:
    shapes = shapely.make_valid(appraisal.stands.geometry.dropna().to_numpy())
    edge = shapely.boundary(shapely.union_all(shapes))
    return layer(
        "outline",
        "Tract outline",
        gpd.GeoDataFrame(geometry=[edge], crs=4326),
        style={"color": colours.INK, "weight": 2.4},
    )


def _units(appraisal: Appraisal) -> Layer | None:
    units = appraisal.units
    if units is None or units.empty:
        return None
    head = head_measure(appraisal)
    names = texts(units, "unit")
    rows: list[tuple[str, list[str]]] = _acre_rows(units)
    if is_valued(appraisal):
        rows.append(
            ("Value", with_error(units, "value_usd_total", "value_usd_error_pct", money=True))
        )
    rows.append(
        (
            f"Sawtimber, {head_rule_name(appraisal)}",
            with_error(
                units, f"{head}_total", f"{head}_error_pct", most=1, divide=BF_PER_MBF, unit="MBF"
            ),
        )
    )
    notes = [
        f"Enters ground that must stay: {acres(b)} ac of buffer, {acres(e)} ac of exclusion. "
        "Its volume and value leave those acres out."
        if conflict
        else ""
        for conflict, b, e in zip(
            units["conflict"], units["buffer_acres"], units["exclusion_acres"], strict=True
        )
    ]
    return layer(
        "units",
        "Harvest units",
        units,
        style={"color": colours.UNIT, "weight": 2.4, "dashArray": "7 5", "fillOpacity": 0.0},
        labels=names,
        cards=card(
            [f"Harvest unit {name}" for name in names],
            rows,
            notes=notes,
            table=_product_table(appraisal, appraisal.unit_products, "unit_id", names),
        ),
    )


def _exclusions(appraisal: Appraisal) -> Layer | None:
    exclusions = appraisal.exclusions
    if exclusions is None or exclusions.empty:
        return None
    return layer(
        "exclusions",
        "Exclusions",
        exclusions,
        style={"color": colours.EXCLUSION, "weight": 1.4, "dashArray": "2 3", "fillOpacity": 0.6},
        columns={"fill": ["#f4efe9"] * len(exclusions)},
        cards=card(["Exclusion"] * len(exclusions), [("Reason", texts(exclusions, "reason"))]),
    )


def _plots(appraisal: Appraisal) -> Layer | None:
    plots = appraisal.plots
    if plots is None or plots.empty or plots.geometry.isna().all():
        return None
    head = head_measure(appraisal)
    rows: list[tuple[str, list[str]]] = [("Stand", texts(plots, "stand"))]
    rows += [
        ("Trees per acre", plain(plots, "trees_per_acre", "")),
        ("Basal area per acre", plain(plots, "basal_area_sqft_per_acre", "sq ft")),
        (f"{head_rule_name(appraisal)} per acre", plain(plots, f"{head}_per_acre", "bf")),
    ]
    if is_valued(appraisal):
        values = plots["value_usd_per_acre"].to_numpy(dtype=float)
        rows.append(("Value per acre", [dollars(v) if np.isfinite(v) else "" for v in values]))
    used = plots["used"].to_numpy(dtype=bool) if "used" in plots else np.ones(len(plots), bool)
    return layer(
        "plots",
        "Plots",
        plots,
        style={"color": "#ffffff", "weight": 1, "fillOpacity": 0.95, "radius": 3.4},
        columns={"fill": [colours.PLOT if u else "#ffffff" for u in used]},
        cards=card(
            [f"Plot {name}" for name in texts(plots, "plot")],
            rows,
            notes=["" if u else "Set aside: see ledger.csv." for u in used],
        ),
    )


__all__ = ["map_data", "map_html", "with_error"]
