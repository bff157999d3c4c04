"""Money and the saw: best value, the field way, grades, the second buyer; worked by hand.

The cone is 20 inches inside bark at the ground and loses an inch every 5 feet.
"""

import math

import numpy as np
import pytest

from standmap.errors import DomainError
from standmap.products import (
    PRICE_UNITS,
    StemPrices,
    buck_best_value,
    buck_field,
    buck_top_down,
    log_usd,
    saw_top_from_logs,
    second_best,
)
from standmap.trees import national_stems


def pay(*offers, code=621):
    """Prices of one species: (dollars, unit) of each spec."""
    return StemPrices(
        species_code=[code],
        price_usd=[[dollars for dollars, _ in offers]],
        unit=[PRICE_UNITS.index(name) for _, name in offers],
    )


def usd(logs, prices):
    """Each log's value; the stems are all of one species."""
    return log_usd(logs, np.full(logs.n_trees, 621), prices)


class TestTheFieldWay:
    """The cone is 12 inches inside bark at 40 ft, and 4 inches outside bark at 84 ft."""

    def test_logs_and_a_half_as_tallied_and_sticks_above(self, cone, saw, bulk, cuts):
        logs = buck_field(
            cone(),
            [saw(min_top_in=12, trim_ft=0.3), bulk()],
            saw_top_ft=saw_top_from_logs([2.5]),
            topwood_ft=20,
        )
        assert cuts(logs) == [
            ("sawlog", 1, 16),
            ("sawlog", 17.3, 16),
            ("pulpwood", 33.6, 8),  # 12 in is at 40 ft: the half log is too thin to saw
            ("pulpwood", 41.6, 20),
            ("pulpwood", 61.6, 20),
        ]

    def test_each_log_goes_to_the_best_product_that_takes_it(self, cone, saw, bulk, cuts):
        specs = [saw("grade", 1, 16, butt_only=True), saw("tie", 2, 9), bulk()]
        logs = buck_field(cone(), specs, saw_top_ft=[49.0])
        assert cuts(logs)[:4] == [
            ("grade", 1, 16),
            ("tie", 17, 16),
            ("tie", 33, 16),
            ("pulpwood", 49, 8),
        ]

    def test_a_log_that_nobody_takes_is_left_and_the_tally_goes_on(self, cone, saw, cuts):
        """The mill takes 18.3 inches, at 8.5 ft: half a log is left."""
        peeler = saw(min_top_in=10, max_large_in=18.3)
        assert cuts(buck_field(cone(), [peeler], saw_top_ft=[33.0])) == [
            ("sawlog", 9, 16),
            ("sawlog", 25, 8),
        ]

    def test_without_a_tally_saw_logs_end_where_the_stem_grows_thin(self, cone, saw, cuts):
        assert cuts(buck_field(cone(), [saw(min_top_in=12)])) == [
            ("sawlog", 1, 16),
            ("sawlog", 17, 16),
        ]

    def test_a_log_in_the_rot_is_no_saw_log(self, cone, saw, bulk, cuts):
        logs = buck_field(
            cone(), [saw(), bulk()], saw_top_ft=[33.0], waste_from_ft=[10.0], waste_to_ft=[12.0]
        )
        assert cuts(logs)[:3] == [("sawlog", 1, 8), ("pulpwood", 9, 8), ("sawlog", 17, 16)]

    def test_a_stick_has_a_length(self, cone, saw):
        with pytest.raises(DomainError, match="topwood_ft"):
            buck_field(cone(), [saw()], topwood_ft=0)


class TestGradeAndCull:
    """Grades by the butt log, 1 the best; a tree that nobody graded makes no graded product."""

    def test_a_product_takes_its_worst_grade_and_better(self, cone, saw):
        specs = [saw("grade", 1, max_grade=2), saw("rough", 2)]
        logs = buck_top_down(cone(4), specs, grade=[1, 2, 3, np.nan])
        assert logs.product[logs.tree_offsets[:-1]].tolist() == [0, 0, 1, 1]

    def test_the_butt_log_alone(self, cone, saw, cuts):
        specs = [saw("veneer", 1, butt_only=True), saw("grade", 2, 12)]
        assert cuts(buck_top_down(cone(), specs)) == [("veneer", 1, 16), ("grade", 17, 16)]

    def test_a_called_butt_log_leaves_the_logs_above_to_others(self, cone, saw, bulk, cuts):
        veneer = saw("veneer", 1, 18, butt_only=True, called_only=True)
        specs = [veneer, saw("grade", 2, 12), bulk()]
        recorded = {"called_product": ["veneer"], "saw_top_ft": [33.0]}
        prices = pay((100, "mbf doyle"), (900, "mbf doyle"), (1, "ton"))
        assert cuts(buck_top_down(cone(), specs, **recorded))[:2] == [
            ("veneer", 1, 16),
            ("grade", 17, 16),
        ]
        best = buck_best_value(cone(), specs, prices=prices, **recorded)
        assert (best.bottom_ft[best.product == 1] >= 9).all()  # the shortest veneer log below

    def test_the_called_butt_is_kept_even_where_nobody_buys_it(self, cone, saw, cuts):
        veneer = saw("veneer", 1, lengths_ft=(8,), butt_only=True, called_only=True)
        logs = buck_best_value(
            cone(),
            [veneer, saw("grade", 2, lengths_ft=(16,))],
            prices=pay((np.nan, "mbf doyle"), (900, "mbf doyle")),
            called_product=["veneer"],
            saw_top_ft=[33.0],
        )
        assert cuts(logs) == [("grade", 9, 16)]

    def test_more_defect_than_the_buyer_bears(self, cone, saw):
        specs = [saw("sound", 1, max_cull_pct=20), saw("rough", 2)]
        logs = buck_top_down(cone(2), specs, defect_pct=[20, 21])
        assert logs.product[logs.tree_offsets[:-1]].tolist() == [0, 1]

    def test_lengths_of_a_list(self, cone, saw, cuts):
        logs = buck_top_down(cone(), [saw(lengths_ft=(8.5, 17), min_top_in=12)])
        assert cuts(logs) == [("sawlog", 1, 17), ("sawlog", 18, 17)]

    @pytest.mark.parametrize(
        ("low", "high", "words"),
        [([10.0], None, "come together"), ([10.0], [9.0], "must be below 'waste_to_ft'")],
    )
    def test_a_bad_stretch_has_two_ends_in_order(self, cone, low, high, words, saw):
        with pytest.raises(DomainError, match=words):
            buck_top_down(cone(), [saw()], waste_from_ft=low, waste_to_ft=high)


class TestByValue:
    """The cone is 20 inches at the ground and loses an inch every 5 feet."""

    def test_doyle_pays_for_short_logs(self, cone, saw):
        """24 feet by Doyle: three 8s scale 101 + 79 + 61 = 241; 16 and 8 only 159 + 61 = 219."""
        prices = pay((1000, "mbf doyle"))
        specs = [saw(lengths_ft=(8, 16))]
        best = buck_best_value(cone(), specs, prices=prices, saw_top_ft=[25.0])
        assert best.length_ft.tolist() == [8, 8, 8]
        by_hand = ((14.2 / 4) ** 2 + (12.6 / 4) ** 2 + (11 / 4) ** 2) * 8
        np.testing.assert_allclose(usd(best, prices).sum(), by_hand, rtol=1e-12)
        plain = buck_top_down(cone(), specs, saw_top_ft=[25.0])
        by_rank = (12.6 / 4) ** 2 * 16 + (11 / 4) ** 2 * 8
        np.testing.assert_allclose(usd(plain, prices).sum(), by_rank, rtol=1e-12)

    def test_pulpwood_is_cut_in_few_sticks_up_to_its_top(self, cone, bulk, cuts):
        """83 feet up to 4 in outside bark: two of 40 would leave 3 feet."""
        logs = buck_best_value(cone(), [bulk()], prices=pay((10, "ton")))
        assert cuts(logs) == [("pulpwood", 1, 40), ("pulpwood", 41, 35), ("pulpwood", 76, 8)]

    def test_a_run_that_leaves_too_little_for_a_stick_is_shared_out(self, cone, bulk):
        logs = buck_best_value(cone(), [bulk(max_length_ft=20)], prices=pay((10, "cord")))
        assert logs.length_ft.tolist() == [20, 20, 20, 15, 8]  # 83 ft
        np.testing.assert_allclose(logs.bottom_ft[-1] + 8, 84, rtol=1e-12)

    def test_no_stick_is_longer_or_shorter_than_its_buyer_takes(self, cone, bulk):
        """15 feet of stem and sticks of 8 to 12: twelve, and three are left."""
        stems = cone(usable_top_ft=16)
        logs = buck_best_value(stems, [bulk(max_length_ft=12)], prices=pay((10, "ton")))
        assert logs.length_ft.tolist() == [12]

    def test_a_gap_is_cut_where_the_mill_cannot_take_the_butt(self, cone, saw, cuts):
        """17 inches is at 15 ft: fourteen feet are left, by steps of a foot."""
        peeler = saw(max_large_in=17, lengths_ft=(16,))
        logs = buck_best_value(cone(), [peeler], prices=pay((500, "mbf scribner")))
        assert cuts(logs)[0] == ("sawlog", 15, 16)
        assert logs.large_dib_in[0] == pytest.approx(17, rel=0, abs=1e-9)

    def test_rot_is_bucked_out(self, cone, saw, bulk, cuts):
        span = {"waste_from_ft": [10.2], "waste_to_ft": [13.7], "saw_top_ft": [30.0]}
        specs = [saw(lengths_ft=(8, 16)), bulk()]
        prices = pay((500, "mbf doyle"), (10, "ton"))
        best = buck_best_value(cone(), specs, prices=prices, **span)
        assert cuts(best)[:3] == [("sawlog", 1, 8), ("sawlog", 13.7, 8), ("sawlog", 21.7, 8)]
        assert cuts(best)[3][:2] == ("pulpwood", 29.7)
        plain = buck_top_down(cone(), specs, **span)
        assert cuts(plain)[:2] == [("sawlog", 1, 8), ("sawlog", 13.7, 16)]

    def test_bulk_wood_runs_through_the_rot_where_no_sawlog_is_above(self, cone, saw, bulk, cuts):
        logs = buck_top_down(
            cone(), [saw(), bulk()], waste_from_ft=[17.0], waste_to_ft=[20.0], saw_top_ft=[27.0]
        )
        assert cuts(logs)[:2] == [("sawlog", 1, 16), ("pulpwood", 17, 40)]

    def test_a_tree_price_is_paid_once(self, cone, saw, cuts):
        pole = saw("pole", 1, lengths_ft=(30,))
        specs, prices = [pole, saw(rank=2)], pay((100, "tree"), (1, "mbf doyle"))
        best = buck_best_value(cone(), specs, prices=prices)
        assert [name for name, *_ in cuts(best)].count("pole") == 1
        twice = buck_best_value(cone(), [pole], prices=pay((100, "tree")))
        np.testing.assert_array_equal(usd(twice, pay((100, "tree"))).sum(), 100)

    @pytest.mark.parametrize(("top_ft", "made"), [(25.0, 3), (24.0, 0)])
    def test_fewer_pieces_than_the_buyer_wants_are_none(self, cone, top_ft, made, saw):
        specs = [saw(lengths_ft=(8,), min_logs=3)]
        for logs in (
            buck_best_value(cone(), specs, prices=pay((500, "mbf doyle")), saw_top_ft=[top_ft]),
            buck_top_down(cone(), specs, saw_top_ft=[top_ft]),
            buck_field(cone(), specs, saw_top_ft=[top_ft]),
        ):
            assert len(logs) == made

    def test_what_nobody_buys_is_left(self, cone, saw, bulk):
        specs = [saw(), bulk()]
        logs = buck_best_value(
            cone(), specs, prices=pay((500, "mbf doyle"), (np.nan, "ton")), saw_top_ft=[25.0]
        )
        assert set(logs.product) == {0}

    def test_no_trees_no_logs(self, cone, saw):
        assert len(buck_best_value(cone(0), [saw()], prices=pay((500, "mbf doyle")))) == 0

    def test_a_stem_without_a_shape_makes_no_log(self, saw):
        stems = national_stems([802, 802], [20.0, 20.0], [np.nan, 90.0])
        logs = buck_best_value(stems, [saw()], prices=pay((500, "mbf doyle"), code=802))
        assert logs.tree_offsets[1] == 0 < len(logs)

    def test_a_call_is_a_call_whatever_sawlogs_bring(self, cone, saw, bulk):
        logs = buck_best_value(
            cone(),
            [saw(), bulk()],
            prices=pay((1e6, "mbf doyle"), (1, "ton")),
            called_product=["pulpwood"],
        )
        assert set(logs.product) == {1}


class TestTheSecondBest:
    def test_a_refused_log_goes_to_the_next_that_takes_it_as_it_lies(self, cone, saw, bulk, cuts):
        """Small ends 16.6 and 13.4 in: grade takes the first, tie both, pulp by the ton."""
        specs = [saw("grade", 1, 14), saw("tie", 2, 10), bulk()]
        prices = pay((600, "mbf doyle"), (200, "mbf doyle"), (5, "ton"))
        logs = buck_top_down(cone(), specs, saw_top_ft=[33.0])
        assert cuts(logs)[:2] == [("grade", 1, 16), ("grade", 17, 12)]
        found = second_best(logs, cone(), specs, prices, saw_top_ft=[33.0])
        assert found.product.tolist()[:2] == [1, 1]
        by_doyle = [(12.6 / 4) ** 2 * 16 * 0.2, ((20 - 29 / 5 - 4) / 4) ** 2 * 12 * 0.2]
        np.testing.assert_allclose(found.usd[:2], by_doyle, rtol=1e-12)
        pulp = logs.product == 2
        assert (found.product[pulp] == -1).all() and not found.usd[pulp].any()

    def test_a_piece_is_scaled_back_by_two_feet_at_most(self, cone, saw):
        specs = [saw("peeler", 1, lengths_ft=(15,)), saw("tie", 2, lengths_ft=(8, 13))]
        prices = pay((600, "mbf doyle"), (200, "mbf doyle"))
        logs = buck_top_down(cone(), specs, saw_top_ft=[16.0])
        found = second_best(logs, cone(), specs, prices, saw_top_ft=[16.0])
        np.testing.assert_allclose(found.usd, (12.8 / 4) ** 2 * 13 * 0.2, rtol=1e-12)
        longer = [specs[0], saw("tie", 2, lengths_ft=(8, 12))]
        assert second_best(logs, cone(), longer, prices).product.tolist() == [-1]

    def test_a_called_veneer_log_may_still_be_a_grade_log(self, cone, saw, bulk):
        specs = [saw("veneer", 1, called_only=True), saw("grade", 2), bulk()]
        prices = pay((900, "mbf doyle"), (500, "mbf doyle"), (5, "ton"))
        recorded = {"saw_top_ft": [17.0], "called_product": ["veneer"]}
        logs = buck_top_down(cone(), specs, **recorded)
        found = second_best(logs, cone(), specs, prices, **recorded)
        assert (logs.product[0], found.product[0]) == (0, 1)
        np.testing.assert_allclose(found.usd[0], usd(logs, prices)[0] * 5 / 9, rtol=1e-12)

    def test_logs_of_other_stems_are_refused(self, cone, saw):
        logs = buck_top_down(cone(), [saw()])
        with pytest.raises(DomainError, match="these stems"):
            second_best(logs, cone(2), [saw()], pay((500, "mbf doyle")))


class TestPricesRefused:
    @pytest.mark.parametrize("step", [0.0, -1.0, 3.0, math.nan, math.inf])
    def test_a_step_that_does_not_go_into_a_half_log(self, cone, step, saw):
        with pytest.raises(DomainError, match="length_step_ft"):
            buck_best_value(cone(), [saw()], prices=pay((500, "mbf doyle")), length_step_ft=step)

    def test_prices_of_other_products_or_species(self, cone, saw, bulk):
        with pytest.raises(DomainError, match="a column per product"):
            buck_best_value(cone(), [saw(), bulk()], prices=pay((500, "mbf doyle")))
        with pytest.raises(DomainError, match=r"no row for species \[621\]"):
            buck_best_value(cone(), [saw()], prices=pay((500, "mbf doyle"), code=131))

    def test_prices_that_cannot_be(self):
        with pytest.raises(DomainError, match="'price_usd' must be >= 0"):
            pay((-5, "ton"))
        with pytest.raises(DomainError, match="PRICE_UNITS"):
            StemPrices(species_code=[802], price_usd=[[5.0]], unit=[7])
        with pytest.raises(DomainError, match="each species once"):
            StemPrices(species_code=[802, 802], price_usd=[[5.0], [6.0]], unit=[0])
        with pytest.raises(DomainError, match="a row per species"):
            StemPrices(species_code=[802], price_usd=[5.0], unit=[0])
        with pytest.raises(DomainError, match="'unit' must be shaped"):
            StemPrices(species_code=[802], price_usd=[[5.0]], unit=[0, 1])

    def test_too_many_counts(self, cone, saw):
        specs = [saw(f"post {s}", min_logs=9) for s in range(4)]
        with pytest.raises(DomainError, match="10000 combinations"):
            buck_best_value(cone(), specs, prices=pay(*[(5, "mbf doyle")] * 4))
