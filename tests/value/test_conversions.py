"""The conversion sheet: a tract's own factors beside those in print."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standmap.errors import DomainError
from standmap.products import ProductSpec, buck_top_down
from standmap.trees import national_stems
from standmap.value import LogLot, published_conversions, tract_conversions
from standmap.value.conversions import overrun_pct

MakeLot = Callable[..., LogLot]
TEXAS = Path(__file__).parents[1] / "reference" / "value_texas_doyle_2004.csv"
LOBLOLLY, WHITE_OAK, REDCEDAR = 131, 802, 68


def one(table: pd.DataFrame, kind: str, condition: str = "", **more: str) -> pd.Series:
    rows = table[(table["kind"] == kind) & (table["condition"] == condition)]
    for column, value in more.items():
        rows = rows[rows[column] == value]
    assert len(rows) == 1
    return rows.iloc[0]


class TestWhatIsInPrint:
    @pytest.mark.parametrize(
        ("kind", "group", "rule", "to_rule", "words", "figure"),
        [
            # Texas Forest Service, Texas Timber Price Trends 20(4), 2002.
            ("tons_per_mbf", "pine", "doyle", "", "20(4)", 8.0),
            ("tons_per_mbf", "hardwood", "doyle", "", "20(4)", 9.0),
            ("tons_per_cord", "hardwood", "", "", "20(4)", 2.8),
            ("rule_to_rule", "any", "international", "doyle", "20(4)", 0.74),
            ("rule_to_rule", "any", "scribner", "doyle", "20(4)", 0.78),
            # Alabama Forestry Commission, southern averages, quoted 1997.
            ("lb_per_cord", "pine", "", "", "Alabama", 5350.0),
            ("lb_per_cord", "hardwood", "", "", "Alabama", 5800.0),
        ],
    )
    def test_published_figures_are_there_as_printed(
        self, kind: str, group: str, rule: str, to_rule: str, words: str, figure: float
    ) -> None:
        table = published_conversions()
        fits = (table["kind"] == kind) & (table["group"] == group) & (table["rule"] == rule)
        fits &= (table["to_rule"] == to_rule) & table["source"].str.contains(words, regex=False)
        assert figure in table.loc[fits, "value"].tolist()

    def test_loblolly_by_scaling_diameter_as_printed(self) -> None:
        # Southern Regional Extension Forestry, Service Foresters' Handbook, Weight - volume.
        table = published_conversions()
        rows = table[table["product"] == "loblolly pine sawlogs"].set_index("size_from_in")
        assert rows["value"].to_dict() == {
            6: 13040, 7: 12220, 8: 11470, 9: 10760, 10: 10320, 11: 10110, 12: 9880, 13: 9540,
            14: 8910, 15: 9930, 16: 9240,
        }  # fmt: skip

    def test_every_figure_has_a_source_and_a_sense(self) -> None:
        table = published_conversions()
        assert table["source"].str.len().gt(10).all()
        assert set(table["group"]) == {"pine", "hardwood", "any"}
        assert set(table["status"]) == {"published", "published-secondhand", "implied"}
        assert (table.loc[table["status"] == "implied", "compare"] == "no").all()
        sense = {
            "lb_per_mbf": (5000, 14000), "lb_per_cord": (4500, 6100), "tons_per_mbf": (5, 10),
            "tons_per_cord": (2.2, 3.1), "rule_to_rule": (0.4, 1.0),
        }  # fmt: skip
        for kind, (low, high) in sense.items():
            assert table.loc[table["kind"] == kind, "value"].between(low, high).all()

    @pytest.mark.parametrize(("group", "printed"), [("pine", 0.60258), ("hardwood", 0.62036)])
    def test_texas_class_factors_as_printed(self, group: str, printed: float) -> None:
        # Texas Comptroller 2004, Manual for the Appraisal of Timberland, Table 4.
        rows = pd.read_csv(TEXAS, comment="#").query("group == @group")
        table = published_conversions()
        mine = table[(table["group"] == group) & table["source"].str.contains("Comptroller")]
        by_class = mine[mine["size_from_in"].notna()]
        assert by_class["size_from_in"].tolist() == rows["dbh_from_in"].tolist()
        assert by_class["value"].tolist() == rows["doyle_per_international"].tolist()
        assert mine.loc[mine["size_from_in"].isna(), "value"].tolist() == [printed]

    def test_texas_classes_weighed_by_volume_as_a_sheet_weighs_logs(
        self, make_lot: MakeLot
    ) -> None:
        # Table 4's standing volumes put through the sheet, a log for each class. Hardwood comes to
        # its printed average, 0.62036. Pine comes to 0.60265 where 0.60258 is printed: its classes,
        # rounded to four places, cannot be off by that much, so the print disagrees with itself.
        texas = pd.read_csv(TEXAS, comment="#")
        for group, species, average in (("hardwood", WHITE_OAK, 0.62036), ("pine", 131, 0.60265)):
            rows = texas[texas["group"] == group]
            plain = make_lot([12.0] * len(rows), species=species)
            bf = np.ones((len(rows), 4))
            bf[:, 1] = rows["doyle_per_international"]
            table = tract_conversions(
                with_arrays(plain, bf=bf),
                dbh_in=rows["dbh_from_in"],
                weight=rows["million_bf_international"],
            )
            kind = "overrun of International over Doyle, %"
            over = one(table, kind, "all DBH classes")["here"]
            assert 1 / (1 + over / 100) == pytest.approx(average, abs=0.5e-5 + 0.5e-4)
            by_class = table[(table["kind"] == kind) & (table["condition"] != "all DBH classes")]
            np.testing.assert_allclose(by_class["here"], by_class["published"], rtol=1e-9)


def with_arrays(
    lot: LogLot, products: tuple[str, ...] | None = None, **arrays: np.ndarray
) -> LogLot:
    """The same lot with some of its arrays changed."""
    return replace(lot, products=products or lot.products, **arrays)


class TestOnATractsOwnLogs:
    def test_two_logs_by_hand(self, make_lot: MakeLot) -> None:
        # 16-ft logs of 12 and 16 in: Doyle 64 and 144 bf, Scribner 85.76 and 166.24 (formula).
        # One of the first and two of the second weigh 0.6 + 2 x 1.0 tons on 64 + 288 bf Doyle.
        lot = make_lot([12.0, 16.0], tons=[0.6, 1.0])
        table = tract_conversions(lot, dbh_in=[15.0, 20.0], weight=[1.0, 2.0])
        tons = one(table, "tons per MBF Doyle", item="all sawlogs")
        assert tons["here"] == pytest.approx(2.6 / 0.352)
        assert tons["here_n"] == 2
        assert tons["group"] == "hardwood"
        cords = one(table, "cords per MBF Doyle")
        solid = lot.volume_cuft @ [1.0, 2.0]
        assert cords["here"] == pytest.approx(solid / 80 / 0.352)  # 80 cu ft: hardwood, Midsouth
        over = one(
            table, "overrun of International over Scribner, %", "all DBH classes", group="hardwood"
        )
        inter = lot.bf[:, 0] @ [1.0, 2.0]
        assert over["here"] == pytest.approx(100 * (inter / (85.76 + 2 * 166.24) - 1))

    def test_published_stand_beside(self, make_lot: MakeLot) -> None:
        lot = make_lot([12.0, 6.0], species=LOBLOLLY, product=[0, 1])
        table = tract_conversions(lot, dbh_in=[15.0, 8.0], weight=[1.0, 1.0])
        tons = one(table, "tons per MBF Doyle")
        shown = ["published_low", "published", "published_high"]
        assert tons[shown].tolist() == [5.9, 8.0, 9.8]
        assert "Texas Forest Service" in tons["source"]
        cord = one(table, "tons per cord")
        assert cord["published_low"] == pytest.approx(2.35)  # 4,700 lb
        assert cord["published_high"] == pytest.approx(2.775)  # 5,550 lb
        over = one(table, "overrun of International over Doyle, %", "DBH 15.0 to 16.9 in")
        assert over["published"] == pytest.approx(100 * (1 / 0.5912 - 1))
        small = one(table, "tons per MBF International", "small end 12 in")
        assert small["published"] == pytest.approx(4.94)  # 9,880 lb

    def test_redcedar_is_not_put_beside_pine(self, make_lot: MakeLot) -> None:
        lot = make_lot([10.0], species=REDCEDAR)
        table = tract_conversions(lot, dbh_in=[12.0], weight=[1.0])
        assert set(table["group"]) == {"other softwood"}
        assert table["published"].isna().all()

    def test_products_are_told_apart_where_there_are_several(self, make_lot: MakeLot) -> None:
        lot = make_lot([12.0, 16.0], product=[0, 1])
        both = with_arrays(lot, ("veneer", "tie"), cords=np.zeros(2), bf=np.full((2, 4), 100.0))
        table = tract_conversions(both, dbh_in=[15.0, 20.0], weight=[1.0, 1.0])
        items = table.loc[table["kind"] == "tons per MBF Doyle", "item"]
        assert items.tolist() == ["all sawlogs", "veneer", "tie"]

    def test_a_tree_on_the_line_goes_up_a_class(self, make_lot: MakeLot) -> None:
        table = tract_conversions(
            make_lot([10.0, 10.0, 22.0]), dbh_in=[12.9, 13.0, 40.0], weight=np.ones(3)
        )
        doyle = table[table["kind"] == "overrun of International over Doyle, %"]
        assert doyle.set_index("condition")["here_n"].to_dict() == {
            "all DBH classes": 3,
            "DBH 11.0 to 12.9 in": 1,
            "DBH 13.0 to 14.9 in": 1,
            "DBH 29.0 in and more": 1,
        }

    def test_no_logs_no_factors(self, make_lot: MakeLot) -> None:
        empty = tract_conversions(make_lot([]), dbh_in=[], weight=[])
        assert empty.empty

    def test_one_value_for_each_log(self, make_lot: MakeLot) -> None:
        with pytest.raises(DomainError, match="'weight' must have one value per log"):
            tract_conversions(make_lot([10.0]), dbh_in=[12.0], weight=[1.0, 2.0])

    def test_no_overrun_over_nothing(self) -> None:
        assert np.isnan(overrun_pct(10.0, 0.0))


@pytest.fixture(scope="module")
def loblolly() -> tuple[LogLot, np.ndarray]:
    """Loblolly pines of 10 to 30 inches cut into 16-foot logs to an 8-inch top."""
    dbh = np.arange(10.0, 30.1, 0.5)
    height = 4.5 + 95 * (1 - np.exp(-0.11 * dbh))
    stems = national_stems(np.full(len(dbh), LOBLOLLY), dbh, height)
    saw = ProductSpec(product="sawlog", kind="saw", rank=1, min_top_in=6, min_length_ft=16,
                      max_length_ft=16, trim_ft=0.3)  # fmt: skip
    logs = buck_top_down(stems, [saw])
    return LogLot.of(logs, stems.species_code), dbh[logs.tree]


class TestAgainstTheRulesOfThumb:
    """Stems, rules and weights together, beside figures measured by others."""

    def test_loblolly_logs_weigh_what_is_printed(self, loblolly: tuple[LogLot, np.ndarray]) -> None:
        # Service Foresters' Handbook, tons per MBF International 1/4-inch. From 10 to 16 inches
        # each is within 8 %, and they are within 3 % on average (the 15-inch row, out of line as
        # printed, included). Below 10 inches these are the tops of large trees, which taper by more
        # than the rule allows and so hold fewer board feet: heavier than printed, by up to 21 %.
        lot, dbh = loblolly
        table = tract_conversions(lot, dbh_in=dbh, weight=np.ones(len(lot)))
        rows = table[table["item"] == "loblolly pine sawlogs"].dropna(subset=["published"])
        size = rows["condition"].str.extract(r"(\d+)", expand=False).astype(int)
        off = (rows["here"] / rows["published"] - 1).set_axis(size)
        assert off.index.tolist() == list(range(6, 17))
        assert off.loc[10:].abs().max() < 0.08
        assert abs(off.loc[10:].mean()) < 0.03
        assert off.loc[:9].between(0.05, 0.22).all()

    def test_doyle_falls_short_of_international_as_is_printed(
        self, loblolly: tuple[LogLot, np.ndarray]
    ) -> None:
        # Texas Comptroller 2004, Table 4, pine: Doyle per International board foot within 0.04 in
        # every closed class. The open class, 29 inches and more, depends on how large its trees
        # are: 0.868 here for trees of 29 to 30 inches, 0.922 printed.
        lot, dbh = loblolly
        table = tract_conversions(lot, dbh_in=dbh, weight=np.ones(len(lot)))
        rows = table[table["kind"] == "overrun of International over Doyle, %"]
        rows = rows[rows["condition"].str.contains(r"DBH [12]\d.* to ")]
        here, printed = (1 / (1 + rows[c] / 100) for c in ("here", "published"))
        assert len(rows) == 6
        assert (here - printed).abs().max() < 0.04
