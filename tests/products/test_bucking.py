"""Cutting a stem: stems whose logs can be counted by hand."""

import numpy as np
import pytest

from standmap.errors import DomainError
from standmap.products import buck_top_down, eligibility, saw_top_from_logs
from standmap.trees import form_class_stems, green_weight
from standmap.units import LOG_RULES

INTERNATIONAL, DOYLE, SCRIBNER, DECIMAL_C = range(len(LOG_RULES))


class TestWhereTheCutsFall:
    """The cone is 12 inches inside bark at 40 ft, and 4 inches outside bark at 84 ft."""

    def test_two_sawlogs_and_the_pulpwood_above(self, cone, saw, bulk, cuts):
        logs = buck_top_down(cone(), [saw(), bulk()])
        assert cuts(logs) == [
            ("sawlog", 1, 16),
            ("sawlog", 17, 16),
            ("pulpwood", 33, 40),
            ("pulpwood", 73, 11),
        ]

    def test_a_log_may_end_exactly_at_the_smallest_top(self, cone, saw, cuts):
        logs = buck_top_down(cone(), [saw(min_top_in=16.6)])  # 16.6 in is at 17 ft
        assert cuts(logs) == [("sawlog", 1, 16)]

    def test_trim_is_cut_but_not_scaled_and_the_small_end_is_above_it(self, cone, saw, cuts):
        logs = buck_top_down(cone(), [saw(trim_ft=0.5)])
        assert cuts(logs) == [("sawlog", 1, 16), ("sawlog", 17.5, 16)]
        np.testing.assert_allclose(logs.small_dib_in, [16.5, 13.2], rtol=1e-12)
        np.testing.assert_allclose(logs.large_dib_in, [19.8, 16.5], rtol=1e-12)
        np.testing.assert_allclose(logs.small_dob_in, [20.625, 16.5], rtol=1e-12)

    def test_the_better_product_first_and_the_next_where_it_ends(self, cone, saw, cuts):
        grade, pallet = saw("grade", 1, 14), saw("pallet", 2, 10)  # tops at 30 and 50 ft
        expected = [("grade", 1, 16), ("grade", 17, 12), ("pallet", 29, 16)]
        assert cuts(buck_top_down(cone(), [grade, pallet])) == expected
        assert cuts(buck_top_down(cone(), [pallet, grade])) == expected

    def test_a_large_end_too_big_goes_to_the_next_product_until_it_fits(self, cone, saw, cuts):
        peeler = saw("peeler", 1, 12, max_large_in=17)
        assert cuts(buck_top_down(cone(), [peeler, saw("rough", 2, 12)])) == [
            ("rough", 1, 16),
            ("peeler", 17, 16),
        ]

    def test_nothing_is_cut_below_the_stump_or_above_a_break(self, cone, saw, bulk, cuts):
        logs = buck_top_down(cone(usable_top_ft=30), [saw(), bulk()], stump_ft=2.0)
        assert cuts(logs) == [("sawlog", 2, 16), ("sawlog", 18, 12)]

    def test_a_tree_too_small_or_of_another_species_makes_no_log(self, cone, saw):
        oak = saw(species="oak")
        assert len(buck_top_down(cone(), [oak])) == 0
        assert len(buck_top_down(cone(dbh_in=9.9), [saw(min_dbh_in=10)])) == 0
        assert len(buck_top_down(cone(), [saw(min_top_in=20)])) == 0

    def test_no_trees_make_no_logs(self, cone, saw, bulk):
        logs = buck_top_down(cone(0), [saw(), bulk()])
        assert (len(logs), logs.n_trees) == (0, 0)
        assert logs.totals().to_numpy().sum() == 0

    def test_a_stem_without_a_shape_makes_no_log(self, saw, bulk):
        from standmap.trees import national_stems

        stems = national_stems([802, 802], [20.0, 20.0], [np.nan, 90.0])
        assert np.diff(buck_top_down(stems, [saw(), bulk()]).tree_offsets).tolist()[0] == 0


class TestTheSawHeight:
    def test_logs_and_halves_with_stump_and_trim(self):
        """Form-class stick of Mesavage and Girard 1946: 17.3 ft to the top of the first log."""
        np.testing.assert_allclose(
            saw_top_from_logs([0, 0.5, 1, 2.5]), [1, 9.3, 17.3, 41.9], rtol=1e-12
        )

    @pytest.mark.parametrize("count", [-1, 0.3])
    def test_counts_are_whole_or_half(self, count):
        with pytest.raises(DomainError, match="saw_logs"):
            saw_top_from_logs([1, count])

    @pytest.mark.parametrize(
        ("tallied", "lengths"), [(0, []), (0.5, [8]), (1, [16]), (1.5, [16, 8]), (2, [16, 16])]
    )
    def test_the_tally_comes_back_as_logs(self, cone, tallied, lengths, saw):
        logs = buck_top_down(
            cone(), [saw(min_top_in=4, trim_ft=0.3)], saw_top_ft=saw_top_from_logs([tallied])
        )
        assert logs.length_ft.tolist() == lengths

    def test_saw_height_or_top_diameter_whichever_comes_first(self, cone, saw, cuts):
        specs = [saw()]
        assert cuts(buck_top_down(cone(), specs, saw_top_ft=[27.5]))[-1] == ("sawlog", 17, 10)
        assert cuts(buck_top_down(cone(), specs, saw_top_ft=[90.0]))[-1] == ("sawlog", 17, 16)

    def test_pulpwood_begins_where_sawlogs_end(self, cone, saw, bulk, cuts):
        logs = buck_top_down(cone(), [saw(), bulk()], saw_top_ft=[20.0])
        assert cuts(logs)[:2] == [("sawlog", 1, 16), ("pulpwood", 17, 40)]


class TestTheCruisersCall:
    """Face veneer is 18 in at the top here (10 ft up), for trees over 30 in, called ones only."""

    @pytest.fixture
    def specs(self, saw, bulk):
        veneer = saw("veneer", 1, 18, species="walnut", min_dbh_in=30, called_only=True)
        return [veneer, saw("grade", 2, 14), bulk()]

    def test_a_called_product_wins_over_dbh_species_and_top(self, cone, specs, cuts):
        logs = buck_top_down(cone(), specs, saw_top_ft=[33.0], called_product=["Veneer"])
        assert cuts(logs)[:3] == [("veneer", 1, 16), ("veneer", 17, 16), ("pulpwood", 33, 40)]

    def test_only_the_called_tree(self, cone, specs):
        logs = buck_top_down(cone(3), specs, called_product=["", None, "veneer"])
        made = logs.product[logs.tree_offsets[:-1]]
        assert [specs[s].product for s in made] == ["grade", "grade", "veneer"]

    def test_without_a_saw_height_the_called_product_keeps_its_top(self, cone, specs, cuts):
        logs = buck_top_down(cone(), specs, called_product=["veneer"])
        assert cuts(logs)[:2] == [("veneer", 1, 8), ("pulpwood", 9, 40)]

    def test_a_called_bulk_product_takes_the_whole_stem(self, cone, specs, cuts):
        logs = buck_top_down(cone(), specs, saw_top_ft=[33.0], called_product=["pulpwood"])
        assert cuts(logs) == [("pulpwood", 1, 40), ("pulpwood", 41, 40)]

    def test_no_sawlog_from_a_cull_whatever_was_called(self, cone, specs, cuts):
        logs = buck_top_down(
            cone(2), specs, saw_top_ft=[33.0] * 2, called_product=["", "veneer"], cull=[True] * 2
        )
        assert {product for product, _, _ in cuts(logs)} == {"pulpwood"}

    def test_an_unknown_call_names_the_nearest(self, cone, specs):
        with pytest.raises(DomainError, match=r"'venere'.*Did you mean 'veneer'"):
            buck_top_down(cone(), specs, called_product=["venere"])


class TestMeasures:
    def test_board_feet_by_the_rules_of_the_unrounded_small_end(self, cone, saw):
        """Small ends 16.6 and 13.4 in: Doyle and Scribner formulas worked by hand."""
        logs = buck_top_down(cone(), [saw()])
        doyle = [(12.6 / 4) ** 2 * 16, (9.4 / 4) ** 2 * 16]
        scribner = [0.79 * d * d - 2 * d - 4 for d in (16.6, 13.4)]
        np.testing.assert_allclose(logs.gross_bf[:, DOYLE], doyle, rtol=1e-12)
        np.testing.assert_allclose(logs.gross_bf[:, SCRIBNER], scribner, rtol=1e-12)

    def test_decimal_c_is_read_from_the_table_at_whole_inches(self, cone, saw):
        """16-foot logs of 17 and 13 in scale 180 and 100 (USFS Decimal C table)."""
        logs = buck_top_down(cone(), [saw()])
        assert logs.gross_bf[:, DECIMAL_C].tolist() == [180, 100]

    def test_wood_and_bark_are_frustums_of_the_scaled_length(self, cone, saw):
        logs = buck_top_down(cone(), [saw(trim_ft=0.5)])
        small = 16.6  # at 17 ft, below the trim
        wood = np.pi / 576 * 16 / 3 * (19.8**2 + 19.8 * small + small**2)
        np.testing.assert_allclose(logs.volume_cuft[0], wood, rtol=1e-12)
        np.testing.assert_allclose(logs.bark_cuft[0], wood * (1.25**2 - 1), rtol=1e-12)

    def test_the_truck_scale_weighs_trim_and_bark(self, cone, saw):
        logs = buck_top_down(cone(), [saw(trim_ft=0.5)])
        wood = np.pi / 576 * 16.5 / 3 * (19.8**2 + 19.8 * 16.5 + 16.5**2)
        tons = green_weight([621], [wood], [wood * (1.25**2 - 1)])
        np.testing.assert_allclose(logs.weight_tons[0], tons[0], rtol=1e-12)

    def test_bulk_wood_has_cords_and_no_board_feet_and_sawlogs_the_other_way(self, cone, saw, bulk):
        logs = buck_top_down(cone(), [saw(), bulk()])
        is_saw = logs.product == 0
        assert (logs.bf[is_saw] > 0).all() and not logs.cords[is_saw].any()
        assert not logs.bf[~is_saw].any()
        np.testing.assert_allclose(
            logs.cords[~is_saw], logs.volume_cuft[~is_saw] / 80, rtol=1e-12
        )  # 80 cu ft of hardwood in a cord: Midsouth 1965, SREF handbook
        own = buck_top_down(cone(), [saw(), bulk()], cuft_per_cord=75)
        np.testing.assert_allclose(own.cords, logs.cords * 80 / 75, rtol=1e-12)

    def test_defect_comes_off_the_board_feet_of_sawlogs_alone(self, cone, saw, bulk):
        sound = buck_top_down(cone(), [saw(), bulk()])
        rotten = buck_top_down(cone(), [saw(), bulk()], defect_pct=[25.0])
        np.testing.assert_allclose(rotten.bf, 0.75 * sound.bf, rtol=1e-12)
        np.testing.assert_array_equal(rotten.gross_bf, sound.gross_bf)
        np.testing.assert_array_equal(rotten.weight_tons, sound.weight_tons)
        np.testing.assert_array_equal(rotten.volume_cuft, sound.volume_cuft)
        assert rotten.defect_pct.tolist() == [25, 25, 0, 0]

    def test_a_long_log_is_scaled_in_pieces(self, cone, saw):
        """32 ft as two of 16: 13.4 in at the top, 16.6 in half way down its even taper."""
        logs = buck_top_down(cone(), [saw(min_length_ft=32, max_length_ft=32)])
        doyle = ((9.4 / 4) ** 2 + (12.6 / 4) ** 2) * 16
        np.testing.assert_allclose(logs.gross_bf[0, DOYLE], doyle, rtol=1e-12)

    @pytest.mark.parametrize(
        ("rule", "dbh_in", "saw_logs", "board_feet"),
        [
            (SCRIBNER, 20, 1, 157),  # SREF Service Foresters' Handbook, form class 78
            (SCRIBNER, 20, 3, 364),
            (SCRIBNER, 23, 2, 374),
            (SCRIBNER, 23, 4, 607),
            (INTERNATIONAL, 20, 2, 296),  # University of Florida 4-H Forestry, form class 78
            (INTERNATIONAL, 20, 5, 542),
            (INTERNATIONAL, 23, 1, 231),  # common practice, no source
            (INTERNATIONAL, 23, 2, 404),
            (INTERNATIONAL, 25, 5, 930),
        ],
    )
    def test_logs_of_a_form_class_tree_add_up_to_the_published_tree(
        self, rule, dbh_in, saw_logs, board_feet, saw
    ):
        """The table rounds each dib to 0.1 in (1.5 bf at 20 in) and each log to 1 bf."""
        stem = form_class_stems([802], [float(dbh_in)], [float(saw_logs)])
        specs = [saw(min_top_in=4, length_step_ft=8, trim_ft=0.3)]
        logs = buck_top_down(stem, specs, saw_top_ft=saw_top_from_logs([saw_logs]))
        assert len(logs) == saw_logs
        np.testing.assert_allclose(logs.bf[:, rule].sum(), board_feet, rtol=0, atol=2 * saw_logs)


class TestWhatIsRefused:
    def test_defect_over_a_hundred(self, cone, saw):
        with pytest.raises(DomainError, match=r"'defect_pct'.*101.*rows \[1\]"):
            buck_top_down(cone(2), [saw()], defect_pct=[0, 101])

    def test_a_column_of_the_wrong_length(self, cone, saw):
        with pytest.raises(DomainError, match="'saw_top_ft' must have one value per stem"):
            buck_top_down(cone(2), [saw()], saw_top_ft=[20.0])
        with pytest.raises(DomainError, match="'called_product'"):
            buck_top_down(cone(2), [saw()], called_product=["sawlog"])
        with pytest.raises(DomainError, match="'eligible'"):
            buck_top_down(cone(2), [saw()], eligible=np.ones((2, 2), dtype=bool))

    def test_a_stump_below_ground(self, cone, saw):
        with pytest.raises(DomainError, match="stump_ft"):
            buck_top_down(cone(), [saw()], stump_ft=-1)


class TestTables:
    def test_a_row_for_each_log_with_the_product_by_name(self, cone, saw, bulk):
        frame = buck_top_down(cone(2), [saw(), bulk()]).to_frame()
        assert frame["product"].tolist() == ["sawlog", "sawlog", "pulpwood", "pulpwood"] * 2
        assert frame["tree"].tolist() == [0] * 4 + [1] * 4
        assert frame["log"].tolist() == [1, 2, 3, 4] * 2
        assert {"gross_bf_doyle", "bf_scribner_c", "weight_tons"} <= set(frame.columns)

    def test_totals_show_a_product_that_nothing_made(self, cone, saw):
        specs = [saw("veneer", 1, 19), saw("grade", 2, 12)]
        totals = buck_top_down(cone(2), specs).totals()
        assert totals["logs"].tolist() == [0, 4]
        assert repr(buck_top_down(cone(2), specs)) == "<Logs: 4 from 2 trees: grade 4>"

    def test_eligible_may_be_given(self, cone, saw, bulk):
        specs = [saw(), bulk()]
        own = eligibility([621, 621], [19.0, 19.0], specs)
        own[0, 0] = False
        logs = buck_top_down(cone(2), specs, eligible=own)
        assert np.diff(logs.tree_offsets).tolist() == [2, 4]
