"""Several defects in one stem, worked by hand; the published deductions, seen in the logs.

The cone is 20 inches inside bark at the ground and loses an inch every 5 feet.
"""

import math

import numpy as np
import pytest

from standmap.errors import DomainError
from standmap.logs import (
    board_feet,
    loss_squared_defect_bf,
    net_after_shares,
    share_crook,
    share_interior,
    share_sweep,
    share_wedge,
)
from standmap.products import (
    PRICE_UNITS,
    StemDefects,
    StemPrices,
    buck_best_value,
    buck_field,
    buck_top_down,
    second_best,
)
from standmap.units import LOG_RULES


def defects(*rows):
    """Defects of the first stem: (kind, from, to) or (kind, from, to, sizes)."""
    sizes = {name for row in rows if len(row) > 3 for name in row[3]}
    return StemDefects(
        tree=np.zeros(len(rows), dtype=int),
        kind=[row[0] for row in rows],
        from_ft=[row[1] for row in rows],
        to_ft=[row[2] for row in rows],
        **{
            name: [row[3].get(name, math.nan) if len(row) > 3 else math.nan for row in rows]
            for name in sizes
        },
    )


def pay(*offers):
    return StemPrices(
        species_code=[621],
        price_usd=[[dollars for dollars, _ in offers]],
        unit=[PRICE_UNITS.index(name) for _, name in offers],
    )


class TestStretchesToCutOut:
    def test_two_rots_and_the_logs_between_them(self, cone, saw, cuts):
        found = defects(("cut out", 11, 13), ("cut out", 24, 25.5))
        logs = buck_top_down(cone(), [saw()], saw_top_ft=[36.0], defects=found)
        assert cuts(logs) == [("sawlog", 1, 10), ("sawlog", 13, 10), ("sawlog", 25.5, 10)]

    def test_the_spans_of_the_tally_and_of_the_table_add_up(self, cone, saw, cuts):
        one = buck_top_down(
            cone(), [saw()], saw_top_ft=[36.0], defects=defects(("cut out", 24, 25.5)),
            waste_from_ft=[11.0], waste_to_ft=[13.0],
        )  # fmt: skip
        both = defects(("cut out", 11, 13), ("cut out", 24, 25.5))
        assert cuts(one) == cuts(buck_top_down(cone(), [saw()], saw_top_ft=[36.0], defects=both))

    def test_bulk_wood_fills_what_lies_between_a_log_and_the_next(self, cone, saw, bulk, cuts):
        found = defects(("cut out", 11, 20), ("cut out", 22, 24))
        logs = buck_top_down(cone(), [saw(), bulk()], saw_top_ft=[33.0], defects=found)
        assert cuts(logs)[:3] == [("sawlog", 1, 10), ("pulpwood", 11, 9), ("sawlog", 24, 8)]

    def test_butt_rot_below_the_stump_concerns_no_log(self, cone, saw, cuts):
        logs = buck_top_down(cone(), [saw()], defects=defects(("cut out", 0, 1)))
        assert cuts(logs)[0] == ("sawlog", 1, 16)

    def test_the_field_way_leaves_the_half_log_that_holds_one(self, cone, saw, cuts):
        found = defects(("cut out", 4, 5), ("cut out", 26, 27))
        logs = buck_field(cone(), [saw(min_top_in=11)], saw_top_ft=[41.0], defects=found)
        assert cuts(logs) == [("sawlog", 9, 16), ("sawlog", 33, 8)]  # 11.8 in at 41 ft


class TestForks:
    def test_no_log_of_any_product_crosses_a_fork(self, cone, saw, bulk, cuts):
        found = defects(("fork", 30, math.nan), ("fork", 60, 61))
        specs = [saw(), bulk()]
        top_down = buck_top_down(cone(), specs, defects=found)
        assert cuts(top_down) == [
            ("sawlog", 1, 16),
            ("sawlog", 17, 12),
            ("sawlog", 30, 10),  # one foot is left; 12 in is at 40 ft
            ("pulpwood", 40, 20),
            ("pulpwood", 61, 23),
        ]
        field = buck_field(cone(), specs, topwood_ft=20, defects=found)
        assert cuts(field) == [
            ("sawlog", 1, 16),
            ("sawlog", 17, 8),
            ("pulpwood", 33, 20),  # 25 to 33 ft: the half log holds the fork
            ("pulpwood", 61, 20),
        ]
        best = buck_best_value(cone(), specs, prices=pay((300, "mbf doyle"), (9, "ton")),
                               defects=found)  # fmt: skip
        for logs in (top_down, field, best):
            top = logs.bottom_ft + logs.length_ft
            for at, to in ((30, 30), (60, 61)):
                assert ((top <= at) | (logs.bottom_ft >= to)).all()

    def test_a_run_of_pulpwood_is_cut_at_the_fork(self, cone, bulk, cuts):
        """84 feet of usable stem; a fork at 41 ft, where a 40-foot stick happens to end."""
        logs = buck_best_value(
            cone(), [bulk()], prices=pay((10, "ton")), defects=defects(("fork", 31, 31))
        )
        assert cuts(logs) == [("pulpwood", 1, 30), ("pulpwood", 31, 40), ("pulpwood", 71, 13)]


class TestGradedStretches:
    """A log is graded by its worst part; stem that nobody graded has the grade of its tree."""

    def specs(self, saw):
        return [saw("clear", 1, 10, max_grade=1), saw("rough", 2, 10)]

    def test_a_clear_butt_on_a_rough_tree(self, cone, saw, cuts):
        found = defects(("grade", 0, 11, {"grade": 1}))
        logs = buck_top_down(cone(), self.specs(saw), saw_top_ft=[25.0], grade=[3.0], defects=found)
        assert cuts(logs) == [("clear", 1, 10), ("rough", 11, 14)]

    def test_knots_in_the_middle_of_a_clear_tree(self, cone, saw, cuts):
        found = defects(("grade", 12, 19, {"grade": 3}))
        logs = buck_top_down(cone(), self.specs(saw), saw_top_ft=[35.0], grade=[1.0], defects=found)
        assert cuts(logs) == [("clear", 1, 10), ("rough", 11, 16), ("clear", 27, 8)]
        only = buck_top_down(
            cone(), self.specs(saw)[:1], saw_top_ft=[35.0], grade=[1.0], defects=found
        )
        assert cuts(only) == [("clear", 1, 10), ("clear", 19, 16)]  # goes on above the knots

    def test_a_stretch_graded_on_a_tree_that_was_not(self, cone, saw, cuts):
        found = defects(("grade", 0, 17.5, {"grade": 1}))
        logs = buck_top_down(cone(), self.specs(saw)[:1], defects=found)
        assert cuts(logs) == [("clear", 1, 16)]

    def test_two_grades_of_one_stretch_are_the_worse(self, cone, saw):
        found = defects(("grade", 0, 20, {"grade": 1}), ("grade", 5, 8, {"grade": 2}))
        logs = buck_top_down(cone(), self.specs(saw)[:1], saw_top_ft=[20.0], defects=found)
        assert logs.bottom_ft.tolist() == [8]

    def test_the_call_wins_over_the_grade(self, cone, saw, cuts):
        logs = buck_top_down(
            cone(), self.specs(saw), saw_top_ft=[17.0], called_product=["clear"],
            defects=defects(("grade", 0, 17, {"grade": 3})),
        )  # fmt: skip
        assert cuts(logs) == [("clear", 1, 16)]

    def test_best_value_ends_the_clear_log_at_the_knots(self, cone, saw, cuts):
        prices = pay((1000, "mbf scribner"), (200, "mbf scribner"))
        best = buck_best_value(
            cone(), self.specs(saw), prices=prices, saw_top_ft=[33.0], grade=[1.0],
            defects=defects(("grade", 12.4, 19, {"grade": 3})),
        )  # fmt: skip
        assert cuts(best) == [("clear", 1, 10), ("rough", 11, 8), ("clear", 19, 14)]


class TestDeductions:
    """The 16-foot butt log of the cone is 16.6 inches at its small end."""

    def one_log(self, cone, saw, found, **recorded):
        return buck_top_down(cone(), [saw(lengths_ft=(16,))], saw_top_ft=[17.0], defects=found,
                             **recorded)  # fmt: skip

    def gross(self, form="formula"):
        return np.array([
            float(board_feet(16.6, 16, rule, form="table" if rule == "scribner_c" else form))
            for rule in LOG_RULES
        ])  # fmt: skip

    @pytest.mark.parametrize(
        ("row", "share"),
        [
            (("percent", 1, 9, {"percent": 40}), 0.4 * 8 / 16),
            (("percent", -0.0, 5, {"percent": 40}), 0.4 * 4 / 16),  # the stump's part is nobody's
            (("percent", 13, 30, {"percent": 40}), 0.4 * 4 / 16),
            (("wedge", 1, 9, {"angle_deg": 60}), share_wedge(8, 16, 60)),
            (("crook", 5, 9, {"departure_in": 6}), share_crook(6, 16.6, 4, 16)),
            (("sweep", 1, 17, {"departure_in": 5}), share_sweep(5, 16.6, 16)),
            (("sweep", 1, 33, {"departure_in": 16}), share_sweep(4, 16.6, 16)),  # half: a quarter
            (("sweep", 1, 17, {"departure_in": 2}), 0.0),  # an inch for each 8 ft is allowed
            (("percent", 30, 40, {"percent": 40}), 0.0),
        ],
    )  # fmt: skip
    def test_a_share_comes_off_every_rule(self, cone, saw, row, share):
        logs = self.one_log(cone, saw, defects(row))
        np.testing.assert_allclose(logs.gross_bf[0], self.gross(), rtol=1e-12)
        np.testing.assert_allclose(logs.bf[0], self.gross() * (1 - share), rtol=1e-12)
        np.testing.assert_allclose(logs.defect_pct, 100 * share, rtol=1e-12, atol=1e-12)

    def test_a_squared_defect_by_the_formula_of_each_rule(self, cone, saw):
        """5 x 6 in for 8 ft: 42 x 8 / 15 = 22.4 bf by Scribner; a share of the others."""
        found = defects(("squared", 1, 9, {"width_in": 5, "height_in": 6}))
        logs = self.one_log(cone, saw, found)
        international, doyle, scribner, decimal_c = self.gross()
        share = share_interior(5, 6, 16.6, 8, 16)
        assert loss_squared_defect_bf(5, 6, 8) == pytest.approx(22.4, rel=1e-12)
        want = [international * (1 - share), doyle * (1 - share), scribner - 22.4, decimal_c - 22.4]
        np.testing.assert_allclose(logs.bf[0], want, rtol=1e-12)

    def test_shares_add_with_the_tree_s_own_and_stop_at_the_whole_log(self, cone, saw):
        found = defects(("percent", 1, 17, {"percent": 30}), ("wedge", 1, 9, {"angle_deg": 90}))
        logs = self.one_log(cone, saw, found, defect_pct=[10.0])
        net = net_after_shares(self.gross(), 0.1, 0.3, 0.125)
        np.testing.assert_allclose(logs.bf[0], net, rtol=1e-12)
        rotten = self.one_log(cone, saw, found, defect_pct=[70.0])
        assert not rotten.bf.any() and rotten.defect_pct.tolist() == [100]

    def test_weight_and_bulk_wood_lose_nothing(self, cone, bulk):
        found = defects(("percent", 1, 60, {"percent": 50}))
        bad, sound = (buck_top_down(cone(), [bulk()], defects=d) for d in (found, None))
        np.testing.assert_array_equal(bad.weight_tons, sound.weight_tons)
        np.testing.assert_array_equal(bad.cords, sound.cords)
        assert not bad.defect_pct.any()

    def test_a_log_too_bad_for_one_buyer_goes_to_the_next(self, cone, saw, cuts):
        """Half of each foot up to 9 ft: 25 % of a 16-foot log, 40 % of a 10-foot one."""
        specs = [saw("sound", 1, max_cull_pct=30), saw("rough", 2)]
        found = defects(("percent", 1, 9, {"percent": 50}))
        logs = buck_top_down(cone(), specs, saw_top_ft=[27.0], defects=found)
        assert cuts(logs) == [("sound", 1, 16), ("sound", 17, 10)]
        short = buck_top_down(cone(), specs, saw_top_ft=[11.0], defects=found)
        assert cuts(short) == [("rough", 1, 10)]

    def test_best_value_puts_the_sweep_into_short_logs(self, cone, saw):
        """8 in of departure in 32 ft: a 16-foot log holds 2 in and an 8-foot one half an inch."""
        prices = pay((1000, "mbf scribner"))
        specs = [saw(lengths_ft=(8, 16, 32), min_top_in=10)]
        found = defects(("sweep", 1, 33, {"departure_in": 8}))
        swept = buck_best_value(cone(), specs, prices=prices, saw_top_ft=[33.0], defects=found)
        assert swept.length_ft.max() <= 16
        np.testing.assert_array_equal(swept.bf, swept.gross_bf)

    def test_the_second_buyer_sees_the_defect_too(self, cone, saw):
        specs = [saw("grade", 1, lengths_ft=(16,)), saw("tie", 2, lengths_ft=(16,))]
        prices = pay((600, "mbf doyle"), (200, "mbf doyle"))
        found = defects(("percent", 1, 17, {"percent": 25}))
        cut = buck_top_down(cone(), specs, saw_top_ft=[17.0], defects=found)
        second = second_best(cut, cone(), specs, prices, saw_top_ft=[17.0], defects=found)
        np.testing.assert_allclose(second.usd, (12.6 / 4) ** 2 * 16 * 0.2 * 0.75, rtol=1e-12)


class TestRefused:
    @pytest.mark.parametrize(
        ("row", "words"),
        [
            (("swep", 1, 2), "'kind' must be one of.*got 'swep'. Did you mean 'sweep'"),
            (("cut out", -1, 2), "'from_ft' must be a height"),
            (("cut out", 3, 2), "'to_ft' must be above"),
            (("cut out", 3, math.nan), "'to_ft' must be above"),
            (("sweep", 1, 2), "'departure_in' must be 0 to 120 for a defect of kind 'sweep'"),
            (("percent", 1, 2, {"percent": 101}), "'percent' must be 0 to 100"),
        ],
    )
    def test_what_cannot_be(self, row, words):
        with pytest.raises(DomainError, match=words):
            defects(row)

    def test_a_defect_of_no_stem(self, cone, saw):
        stray = StemDefects(tree=[3], kind=["fork"], from_ft=[9.0], to_ft=[9.0])
        with pytest.raises(DomainError, match="'tree' must be a place among the stems, 0 to 0"):
            buck_top_down(cone(), [saw()], defects=stray)

    def test_columns_of_unlike_length(self):
        with pytest.raises(DomainError, match="one value per defect"):
            StemDefects(tree=[0, 0], kind=["fork", "fork"], from_ft=[9.0], to_ft=[9.0, 10.0])
