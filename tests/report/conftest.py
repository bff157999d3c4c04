"""An appraisal with every part of the merchandising page filled in by hand, few enough to read."""

from __future__ import annotations

from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest

import standmap
from standmap.steps.sale_risks import FIRMNESS_COLUMNS, UNSOLD_COLUMNS, SaleRisks
from standmap.units import LOG_RULES

FRAMES = (
    "offers", "break_even", "mills", "bucking_values", "conversions", "form_classes",
    "form_class_effect", "height_points", "height_lines", "typical_trees", "stem_outlines",
)  # fmt: skip
"""What only the merchandising page shows."""


class Page(HTMLParser):
    """The tags, ids, pictures and visible text of a page."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.pictures: list[str] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        found = dict(attrs)
        self.ids += [found["id"] or ""] if "id" in found else []
        self.links += [found["href"] or ""] if tag == "a" else []
        self.pictures += [found["src"] or ""] if tag == "img" else []

    def handle_data(self, data: str) -> None:
        self.text += data


@pytest.fixture(scope="session")
def read_page() -> type[Page]:
    """Read a page's HTML."""
    return Page


@pytest.fixture(scope="session")
def unsold(sold_appraisal: standmap.Appraisal) -> standmap.Appraisal:
    """The same tract with nothing for the merchandising page."""
    empty = {name: getattr(sold_appraisal, name).iloc[:0] for name in FRAMES}
    risks = sold_appraisal.risks
    none = SaleRisks(
        firmness=risks.firmness.iloc[:0], unsold=risks.unsold.iloc[:0], limits_cost_usd=0.0
    )
    # No tree of the tract makes a sawlog.
    scales = [f"{scale}bf_{rule}" for rule in LOG_RULES for scale in ("gross_", "")]
    products = sold_appraisal.products.assign(**dict.fromkeys(scales, 0.0))
    stands = sold_appraisal.stands.assign(**{f"{name}_total": 0.0 for name in scales})
    return replace(sold_appraisal, products=products, stands=stands, risks=none, **empty)


@pytest.fixture(scope="session")
def sold_appraisal(sample_appraisal: standmap.Appraisal) -> standmap.Appraisal:
    """The sample appraisal with offers, mills and cuts set by hand."""
    one = sample_appraisal
    tree = one.logs["tally_row"].iloc[0]
    logs = one.logs.assign(
        mill="Fork Mill",
        mill_usd=one.logs["value_usd"],
        second_mill="Far Mill",
        second_mill_usd=one.logs["value_usd"] - 1,
        second_product=np.where(one.logs["bf_doyle"] > 0, "tie log", ""),
        second_usd=np.where(one.logs["bf_doyle"] > 0, one.logs["value_usd"] / 2, np.nan),
    )
    tenth = {f"gross_bf_{rule}": one.products[f"bf_{rule}"] / 0.9 for rule in LOG_RULES}
    tenth |= {f"defect_{rule}_pct": 10.0 for rule in LOG_RULES}
    totals = one.totals.copy()
    ends = ["estimate", "se", "low", "high"]
    for rule in LOG_RULES:
        totals.loc[f"gross_bf_{rule}", ends] = totals.loc[f"bf_{rule}", ends] / 0.9
    drawn = one.trees[one.trees["source_row"] == tree].iloc[0]
    top = float(drawn["height_used_ft"])
    return replace(
        one,
        logs=logs,
        totals=totals,
        products=one.products.assign(**tenth),
        offers=pd.DataFrame(
            {
                "offer": ["North Yard", "South Yard", "East Yard"],
                "value_usd": [100_000.0, 95_000.0, 90_000.0],
                "value_error_pct": [12.0, 12.0, np.nan],
                "rank": [1, 2, 3],
                "less_than_best_usd": [0.0, 5_000.0, 10_000.0],
                "less_error_pct": [np.nan, 20.0, 130.0],
                "unpriced_logs": [0, 0, 7],
            }
        ),
        break_even=pd.DataFrame(
            [("sawlog", "MBF International", 296.0, "MBF Doyle", 400.0),
             ("sawlog", "ton", 51.5, "MBF Doyle", 400.0)],
            columns=["product", "rule_a", "price_a_usd", "rule_b", "price_b_usd"],
        ),
        mills=pd.DataFrame(
            {
                "mill": ["Fork Mill", "Fork Mill", "Peel Works"],
                "product": ["tie log", "sawlog", "veneer log"],
                "unit": ["mbf", "mbf", "mbf"],
                "quantity": [10.0, 200.0, 5.0],
                "quantity_label": ["MBF Doyle"] * 3,
                "quantity_error_pct": [20.0, 10.0, 40.0],
                "tons": [80.0, 1500.0, 30.0],
                "loads": [3.1, 57.7, 1.2],
                "delivered_usd": [4_000.0, 120_000.0, 9_000.0],
                "stumpage_usd": [1_500.0, 75_000.0, 7_500.0],
                "stumpage_error_pct": [20.0, 11.0, 42.0],
                "limit": [np.nan, np.nan, 5.0],
                "limit_loads": [np.nan, 90.0, np.nan],
                "limited": [False, False, True],
                "shadow_usd": [0.0, 0.0, 412.0],
            }
        ),
        bucking_values=pd.DataFrame(
            [("", "field", 80_000.0, 12.0, 0.0, np.nan),
             ("", "top_down", 84_000.0, 12.0, 4_000.0, 120.0),
             ("", "best_value", 100_000.0, 12.0, 20_000.0, 10.0),
             ("1", "field", 8_000.0, 30.0, 0.0, np.nan),
             ("1", "top_down", 8_400.0, 30.0, 400.0, 40.0),
             ("1", "best_value", 9_000.0, 30.0, 1_000.0, 25.0)],
            columns=["stand", "method", "value_usd", "value_error_pct", "more_than_field_usd",
                     "more_error_pct"],
        ),
        risks=SaleRisks(
            firmness=pd.DataFrame(
                [("", "", 90, 100_000.0, 12.0, 30_000.0, 14.0, 70_000.0, 11.0, 30.0, 9_000.0,
                  "tie log"),
                 ("", "veneer log", 9, 40_000.0, 30.0, 20_000.0, 31.0, 20_000.0, 25.0, 50.0, 0.0,
                  "sawlog"),
                 ("", "cedar post", 6, 9_000.0, 35.0, 0.0, np.nan, 9_000.0, 35.0, 0.0, 9_000.0, ""),
                 ("1", "", 11, 8_000.0, 30.0, 2_000.0, 40.0, 6_000.0, 35.0, 25.0, 0.0, "tie log")],
                columns=list(FIRMNESS_COLUMNS),
            ),
            unsold=pd.DataFrame(
                [("pulpwood", "mills full", 40, 900.0, 15.0, 5_400.0, 15.0),
                 ("sawlog", "no mill takes it", 2, 3.0, 130.0, 0.0, np.nan)],
                columns=list(UNSOLD_COLUMNS),
            ),
            limits_cost_usd=6_100.0,
        ),
        conversions=pd.DataFrame(
            [("tons per MBF Doyle", "pine", "all sawlogs", "", 7.43, 81, np.nan, 8.0, np.nan,
              "Price report 2002; Handbook 2012"),
             ("tons per MBF Scribner", "pine", "all sawlogs", "", 6.1, 81, np.nan, np.nan, np.nan,
              ""),
             ("tons per cord", "pine", "all bulk wood", "south", 2.6, 40, 2.35, 2.668, 2.764, "")],
            columns=["kind", "group", "item", "condition", "here", "here_n", "published_low",
                     "published", "published_high", "source"],
        ),
        form_classes=pd.DataFrame(
            [("white oak", np.nan, 6, 76.0, 1.1, 76.9, 78.0, 77.3),
             ("white oak", 14.0, 5, 76.2, 1.2, 76.8, 78.0, np.nan),
             ("hickory", np.nan, 1, 82.0, np.nan, 80.0, 78.0, 81.5)],
            columns=["species", "dbh_class_in", "n", "mean", "se", "used", "default",
                     "form_class_of_stems"],
        ),
        form_class_effect=pd.DataFrame(
            {"species": ["white oak", "hickory", "all"], "trees": [30, 4, 34],
             "bf_doyle_change_pct": [-3.7, 5.0, -0.02]}
        ),
        height_points=pd.DataFrame(
            {"species": ["white oak", "white oak", "loblolly pine"],
             "dbh_in": [8.0, 20.0, 12.0], "height_ft": [50.0, 80.0, 60.0]}
        ),
        height_lines=pd.DataFrame(
            {"name": ["white oak"] * 3 + ["softwood"] * 3,
             "level": ["species"] * 3 + ["group"] * 3, "form": "Naslund",
             "dbh_in": [4.0, 14.0, 30.0] * 2, "height_ft": [30.0, 68.0, 90.0] * 2}
        ),
        typical_trees=pd.DataFrame(
            {"tally_row": [tree], "plot": [drawn["plot"]], "tree": [drawn["tree"]], "stand": ["1"],
             "species": [drawn["common_name"]], "dbh_in": [drawn["dbh_in"]], "height_ft": [top]}
        ),
        stem_outlines=pd.DataFrame(
            {"tally_row": tree, "height_ft": [0.0, 4.5, top / 2, top],
             "dib_in": [24.0, 20.0, 12.0, 0.0], "dob_in": [27.0, 22.1, 13.0, 0.0]}
        ),
    )  # fmt: skip
