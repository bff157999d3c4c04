"""Roads and landings near water: published setbacks, and hand-countable ways beside a creek."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from pyproj import CRS
from shapely.geometry import LineString, Point, box

from standmap.errors import DomainError
from standmap.land import ROAD_KINDS, check_roads, own_setback, road_rules, road_setbacks

FT = 0.3048
PLANE = CRS.from_epsg(32617)


def feet(shape: shapely.Geometry) -> shapely.Geometry:
    return shapely.transform(shape, lambda xy: xy * FT + [500_000, 4_000_000])


CREEK = gpd.GeoSeries([feet(LineString([(0, 0), (2000, 0)]))], crs=PLANE)


def held(shape, *, kind="road", setback=50.0, crossings=()):
    ways = gpd.GeoDataFrame({"name": ["it"], "kind": [kind]}, geometry=[feet(shape)], crs=PLANE)
    kept = {kind: (CREEK.buffer(setback * FT, cap_style="flat").item(), setback)}
    mapped = gpd.GeoSeries([feet(c) for c in crossings], crs=PLANE) if crossings else None
    return check_roads(ways, kept, CREEK, mapped, crs=PLANE)


class TestPublished:
    """Each value is printed in the source that its row of road_setbacks_published.csv names."""

    @pytest.mark.parametrize(
        ("place", "kind", "words"),
        [
            # Texas Forestry Association BMP training page, c. 2016
            ("TX", "landing", "50 ft beyond the streamside zone"),
            # ARM 36.11.306
            ("MT", "road", "outside the streamside zone"),
            # 15A NCAC 01I .0201(c)
            ("NC", "skid trail", "outside the streamside zone"),
            # Natural Resources 8-1808.7
            ("MD", "road", "outside the streamside zone"),
        ],
    )
    def test_setbacks(self, place, kind, words):
        found = road_rules(place)[kind]
        assert found.words == words and found.rule.verified

    def test_the_filter_strip_of_27_percent_is_84_ft_for_every_way(self):
        # Filter-strip width guide: 27 % -> 84 ft along the ground.
        rules = road_rules("MN")
        assert set(rules) == set(ROAD_KINDS)
        for rule in rules.values():
            assert rule.rule.widths_ft([27.0]).item() == pytest.approx(84.0, abs=0.5)
            assert rule.rule.widths_ft([5.0]).item() == 50.0
            assert rule.starts_at == "water"

    def test_what_nobody_read_is_unverified(self):
        assert not road_rules("WV")["road"].rule.verified
        # Trimble and Sartz 1957, from memory: 25 + 2 x slope, in general.
        found = road_rules("GENERIC")["road"].rule
        assert not found.verified
        assert found.widths_ft([20.0]).item() == 65.0

    def test_a_row_that_hangs_on_what_no_map_tells_is_shown_but_not_checked(self):
        assert len(road_setbacks("OR")) == 1
        with pytest.raises(DomainError, match=r"no setback .* known of 'OR'"):
            road_rules("OR")

    def test_an_unknown_place_is_answered_with_those_known(self):
        with pytest.raises(DomainError, match=r"Did you mean 'TX'.*Known: .*'NC'"):
            road_rules("TXX")

    def test_every_kind_in_the_table_is_one_of_ours(self):
        said = road_setbacks()["applies_to"].dropna()
        assert {kind for cell in said if cell for kind in cell.split(";")} <= set(ROAD_KINDS)

    def test_a_distance_of_ones_own(self):
        assert own_setback("landing", 75, source="x").words == "75 ft on the flat from the bank"


class TestWays:
    def test_a_road_beside_the_creek_is_too_near_for_its_length(self):
        row = held(LineString([(500, 30), (800, 30)])).table.iloc[0]
        assert row["too_near_ft"] == pytest.approx(300, abs=0.1)
        assert row["nearest_ft"] == pytest.approx(30, abs=0.01)
        assert (row["crossings"], row["unmapped_crossings"]) == (0, 0)

    def test_a_road_60_ft_off_keeps_off(self):
        found = held(LineString([(500, 60), (800, 60)]))
        assert found.table.loc[0, "too_near_ft"] == 0 and found.ground.empty

    def test_square_over_a_mapped_bridge_is_near_water_there_alone(self):
        over = LineString([(500, -300), (500, 300)])
        bridge = LineString([(500, -10), (500, 10)])
        row = held(over, crossings=[bridge]).table.iloc[0]
        assert row["too_near_ft"] == 0
        assert row["at_crossings_ft"] == pytest.approx(100, abs=0.1)
        assert (row["crossings"], row["unmapped_crossings"]) == (1, 0)

    def test_over_no_bridge_is_said(self):
        row = held(LineString([(500, -300), (500, 300)])).table.iloc[0]
        assert row["too_near_ft"] == pytest.approx(100, abs=0.1)
        assert (row["crossings"], row["unmapped_crossings"]) == (1, 1)

    def test_along_the_creek_and_then_over_the_bridge_is_too_near_along_it(self):
        # 500 ft beside the water, then over: 75 ft of it are within one and a half setbacks of
        # the bridge's foot, and 425 ft are not.
        way = LineString([(500, 20), (1000, 20), (1000, -200)])
        bridge = Point(1000, 20)
        row = held(way, crossings=[bridge]).table.iloc[0]
        assert row["too_near_ft"] == pytest.approx(425, abs=0.5)
        assert row["unmapped_crossings"] == 0

    def test_two_fords_are_two(self):
        there_and_back = LineString([(500, -100), (500, 100), (900, 100), (900, -100)])
        row = held(there_and_back, crossings=[Point(500, 0)]).table.iloc[0]
        assert (row["crossings"], row["unmapped_crossings"]) == (2, 1)


class TestLandings:
    def test_a_landing_must_move_by_what_it_is_short(self):
        row = held(Point(500, 30), kind="landing", setback=75).table.iloc[0]
        assert row["too_near_ft"] == pytest.approx(45, abs=0.01)
        assert np.isnan(row["length_ft"])

    def test_a_landing_with_an_outline_by_its_nearest_corner(self):
        row = held(box(500, 30, 600, 130), kind="landing", setback=75).table.iloc[0]
        assert row["too_near_ft"] == pytest.approx(45, abs=0.01)

    def test_far_enough(self):
        found = held(Point(500, 76), kind="landing", setback=75)
        assert found.table.loc[0, "too_near_ft"] == 0 and found.ground.empty

    def test_a_kind_without_a_setback_is_not_checked(self):
        ways = gpd.GeoDataFrame(
            {"name": ["it"], "kind": ["skid trail"]}, geometry=[CREEK.item()], crs=PLANE
        )
        assert check_roads(ways, {}, CREEK, None, crs=PLANE).table.loc[0, "too_near_ft"] == 0
