"""Streamside rules named in the tract file: looked up, mapped, refused with the values at fault."""

from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from rasterio import Affine

from standmap.errors import DomainError
from standmap.steps.land import lay_out
from standmap.tract import check_tract

EAST, NORTH = 500_000.0, 4_000_000.0
FT = 0.3048
GRID = 0.9996
"""Metres on the UTM grid to a metre of ground, on the zone's central meridian, where this lies."""
SQFT_PER_ACRE = 43_560
CREEK = shapely.LineString([(EAST - 100, NORTH + 200), (EAST + 900, NORTH + 200)])
"""Straight through both squares and 100 m beyond them, so that no round end lies inside."""


def valley(folder: Path, north: float, south: float) -> None:
    """An elevation raster whose ground rises from the creek by these shares on its two sides."""
    cell, left, top = 5.0, EAST - 400, NORTH + 800
    x, y = np.meshgrid(np.arange(320), top - cell * (np.arange(240) + 0.5) - (NORTH + 200))
    height = np.where(y > 0, north * y, -south * y) + 300 + 0 * x
    with rasterio.open(
        folder / "dem.tif", "w", driver="GTiff", width=320, height=240, count=1, dtype="float64",
        crs="EPSG:32617", transform=Affine(cell, 0, left, 0, -cell, top),
    ) as target:  # fmt: skip
        target.write(height, 1)


@pytest.fixture
def creek(tiny):
    """The two squares with a creek called "blue line" across them."""
    tiny.layer("streams.gpkg", [CREEK], kind=["blue line"], wide=[20.0])
    tiny.add("tract.toml", '\n[streams]\nfile = "streams.gpkg"\nclass = "kind"\n')
    return tiny


def said(problems, severity="error") -> str:
    return "\n".join(str(p) for p in problems if p.severity == severity)


def strip_acres(width_ft: float) -> float:
    """Acres of a strip of this whole width across both squares, 800 m."""
    return 800 / GRID / FT * width_ft / SQFT_PER_ACRE


def square_acres(sqm_on_grid: float) -> float:
    """Acres of ground for square metres of the grid."""
    return sqm_on_grid / GRID**2 / FT**2 / SQFT_PER_ACRE


class TestPublishedRules:
    def test_one_width_of_texas(self, creek):
        # Texas, 2009: 50 ft from the bank, horizontal, 50 sq ft/ac of basal area to stay.
        creek.add("tract.toml", '[buffers]\nrule = "TX"\nclasses = { "blue line" = "perennial" }\n')
        land = lay_out(creek.read())
        assert land.acres["buffer_acres"].sum() == pytest.approx(strip_acres(100), rel=1e-6)
        rule = land.water.rules.iloc[0]
        assert (rule["jurisdiction"], rule["binding"]) == ("TX", "voluntary")
        assert "2009" in rule["year"] and rule["verified"]
        assert "check" in " ".join(land.water.cautions)

    def test_the_channel_is_added_where_its_width_is_known(self, creek):
        creek.add(
            "tract.toml",
            'width_ft = "wide"\n[buffers]\nrule = "TX"\nclasses = { "blue line" = "perennial" }\n',
        )
        land = lay_out(creek.read())
        assert land.acres["buffer_acres"].sum() == pytest.approx(strip_acres(120), rel=1e-6)
        assert land.water.widths["mean_ft"].tolist() == [50, 50]
        assert land.water.surface_acres == pytest.approx(strip_acres(20), rel=1e-6)
        assert "half the channel's width" in land.buffers["starts_at"].item()

    def test_a_channel_in_metres(self, creek):
        creek.layer("streams.gpkg", [CREEK], kind=["c"], wide=[6.096])
        creek.add("tract.toml", 'width_m = "wide"\n[buffers.widths_ft]\nc = 50\n')
        assert lay_out(creek.read()).acres["buffer_acres"].sum() == pytest.approx(
            strip_acres(120), rel=1e-6
        )

    def test_a_channel_width_that_is_no_number_is_named(self, creek):
        creek.layer("streams.gpkg", [CREEK], kind=["c"], wide=["-3"])
        creek.add("tract.toml", 'width_ft = "wide"\n[buffers.widths_ft]\nc = 50\n')
        assert "row 1, column 'wide': the width of a channel must be" in said(creek.check())

    @pytest.mark.parametrize(
        ("north", "south", "feet"),
        # South Carolina, Figure 2: 40 ft and, beyond it, 0, 40, 80, 120 ft by the bank's slope.
        [(0.10, 0.10, 160), (0.399, 0.10, 200), (0.399, 0.399, 240), (0.50, 0.10, 240)],
    )
    def test_the_width_of_south_carolina_follows_each_bank(self, creek, north, south, feet):
        valley(creek.folder, north, south)
        creek.add(
            "tract.toml",
            '[buffers]\nrule = "SC"\nclasses = { "blue line" = "perennial" }\n'
            '[rasters]\nelevation = "dem.tif"\n',
        )
        land = lay_out(creek.read())
        assert land.acres["buffer_acres"].sum() == pytest.approx(strip_acres(feet), rel=1e-6)
        assert set(land.reasons["zone"]) == {"primary", "secondary", ""}
        primary = land.reasons[land.reasons["zone"] == "primary"]["acres"].sum()
        assert primary == pytest.approx(strip_acres(80), rel=1e-6)
        assert (land.water.widths["measured_share"] == 1).all()

    def test_one_slope_stated_in_place_of_a_raster(self, creek):
        creek.add(
            "tract.toml",
            '[buffers]\nrule = "SC"\nslope_pct = 30\nclasses = { "blue line" = "perennial" }\n',
        )
        land = lay_out(creek.read())
        assert land.acres["buffer_acres"].sum() == pytest.approx(strip_acres(240), rel=1e-6)
        assert (land.water.widths["measured_share"] == 0).all()

    def test_with_no_slope_at_all_the_rule_cannot_be_applied(self, creek):
        creek.add("tract.toml", '[buffers]\nrule = "SC"\nclasses = { "blue line" = "trout" }\n')
        assert "depends on the slope of the bank, and no slope is known" in said(creek.check())

    def test_a_class_along_which_nothing_must_stay(self, creek):
        creek.add("tract.toml", '[buffers]\nrule = "TX"\nclasses = { "Blue Line" = "none" }\n')
        land = lay_out(creek.read())
        assert land.acres["buffer_acres"].sum() == 0
        assert land.water.rules["width"].tolist() == ["nothing must stay"]

    def test_an_option_where_the_source_has_several(self, creek):
        creek.add(
            "tract.toml",
            '[buffers]\nrule = "MN"\nclasses = { "blue line" = "stream over 10 ft" }\n',
        )
        assert "option" in said(creek.check()) and "'uneven-age'" in said(creek.check())
        creek.swap("tract.toml", 'rule = "MN"', 'rule = "MN"\noption = "uneven-age"')
        assert lay_out(creek.read()).water.widths["mean_ft"].tolist() == [200, 200]


class TestWhatIsUnverified:
    text = '[buffers]\nrule = "LA"\nclasses = { "blue line" = "intermittent" }\n'

    def test_it_is_said_and_settles_nothing(self, creek):
        creek.layer("units.gpkg", [shapely.box(EAST, NORTH, EAST + 90, NORTH + 90)], unit=["far"])
        creek.add("tract.toml", self.text + '[units]\nfile = "units.gpkg"\n')
        tract = creek.read()
        assert "is unverified" in said(tract.problems, "warning")
        land = lay_out(tract)
        assert land.unit_check["verdict"].tolist() == ["not settled"]
        assert not land.has_conflict and not land.is_settled

    def test_a_rule_of_one_bank_may_be_read_and_of_another_not(self, creek):
        # South Carolina under 5 % was inferred, steeper was read.
        creek.layer(
            "units.gpkg",
            [shapely.box(EAST, NORTH + y, EAST + 90, NORTH + y + 90) for y in (300, 0)],
            unit=["flat side", "steep side"],
        )
        valley(creek.folder, 0.02, 0.30)
        creek.add(
            "tract.toml",
            '[buffers]\nrule = "SC"\nclasses = { "blue line" = "perennial" }\n'
            '[rasters]\nelevation = "dem.tif"\n[units]\nfile = "units.gpkg"\n',
        )
        land = lay_out(creek.read())
        unread = land.water.widths.set_index("side")["unverified_share"]
        assert unread["left"] == 1 and unread["right"] == 0


class TestOwnTables:
    head = "jurisdiction,water_class,width_ft,cutting,source,evidence\n"

    def test_a_table_of_ones_own(self, creek):
        creek.write("mine.csv", f"{self.head}county,blue line,66,none,plan,read\n")
        creek.add("tract.toml", '[buffers]\nrules = "mine.csv"\n')
        tract = creek.read()
        assert not said(tract.problems, "warning")
        assert "mine.csv" in tract.hashes
        acres = lay_out(tract).acres["buffer_acres"].sum()
        assert acres == pytest.approx(strip_acres(132), rel=1e-6)

    def test_whose_rule_it_is_must_be_named_where_several_are(self, creek):
        rows = "one,blue line,66,,plan,read\ntwo,blue line,90,,plan,read\n"
        creek.write("mine.csv", self.head + rows)
        creek.add("tract.toml", '[buffers]\nrules = "mine.csv"\n')
        assert "rules of several jurisdictions" in said(creek.check())
        creek.add("tract.toml", 'rule = "two"\n')
        assert lay_out(creek.read()).water.widths["mean_ft"].tolist() == [90, 90]

    def test_its_faults_are_told_by_row(self, creek):
        creek.write("mine.csv", f"{self.head}county,blue line,wide,none,plan,read\n")
        creek.add("tract.toml", '[buffers]\nrules = "mine.csv"\n')
        assert "mine.csv, row 2, column 'width_ft': not a number" in said(creek.check())

    def test_a_file_that_is_not_there(self, creek):
        creek.write("mine.csv", self.head)
        creek.add("tract.toml", '[buffers]\nrules = "mein.csv"\n')
        assert "Did you mean 'mine.csv'?" in said(creek.check())

    def test_a_table_with_no_rows(self, creek):
        creek.write("mine.csv", self.head)
        creek.add("tract.toml", '[buffers]\nrules = "mine.csv"\n')
        assert "the table has no rules" in said(creek.check())


class TestClassesWithoutARule:
    def test_the_value_is_named_and_how_to_map_it(self, creek):
        creek.add("tract.toml", '[buffers]\nrule = "TX"\n')
        text = said(creek.check())
        assert "streams.gpkg, row 1, column 'kind': no water class of TX" in text
        assert "(got 'blue line')" in text and '"blue line" = "..."' in text
        assert "'intermittent', 'other water', 'perennial'" in text

    def test_a_width_left_to_judgement_is_asked_for(self, creek):
        creek.add("tract.toml", '[buffers]\nrule = "TX"\nclasses = { "blue line" = "ephemeral" }\n')
        assert "fixes no width for 'ephemeral' (professional judgement" in said(creek.check())

    def test_no_such_jurisdiction(self, creek):
        creek.add("tract.toml", '[buffers]\nrule = "SCC"\n')
        text = said(creek.check())
        assert "no streamside rule is known by this name (got 'SCC'). Did you mean 'SC'?" in text

    def test_rules_that_limit_something_else(self, creek):
        creek.add("tract.toml", '[buffers]\nrule = "VT"\nclasses = { "blue line" = "stream" }\n')
        assert "'soil'" in said(creek.check())
        creek.add("tract.toml", "")
        creek.swap("tract.toml", 'rule = "VT"', 'rule = "VT"\nlimits = "soil"\nslope_pct = 5')
        assert "limit soil, not the cutting of trees" in said(creek.read().problems, "warning")

    def test_a_width_and_a_mapping_for_one_class_are_one_too_many(self, creek):
        creek.add(
            "tract.toml",
            '[buffers]\nrule = "TX"\nclasses = { "blue line" = "perennial" }\n'
            '[buffers.widths_ft]\n"blue line" = 30\n',
        )
        assert "both a width of your own and a class of the rule" in said(creek.check())

    def test_a_mapping_without_a_rule(self, creek):
        creek.add("tract.toml", '[buffers.classes]\n"blue line" = "perennial"\n')
        assert "no rule is named" in said(creek.check())

    def test_your_own_width_beside_a_rule_is_remarked_on(self, creek):
        creek.add("tract.toml", '[buffers]\nrule = "TX"\nwidths_ft = { "blue line" = 10 }\n')
        tract = creek.read()
        assert "10 ft stands in place of the rule of TX" in said(tract.problems, "warning")
        assert lay_out(tract).water.widths["mean_ft"].tolist() == [10, 10]

    def test_a_class_no_water_has(self, creek):
        creek.add(
            "tract.toml",
            '[buffers]\nrule = "TX"\nclasses = { "blue line" = "perennial", drain = "none" }\n',
        )
        assert "buffers.classes.drain': no stream is of this class" in said(
            creek.read().problems, "warning"
        )


class TestWaterPolygons:
    pond = shapely.box(EAST + 300, NORTH + 100, EAST + 400, NORTH + 200)

    def test_a_pond_is_set_back_from_its_shore_and_stays_itself(self, tiny):
        tiny.layer("ponds.gpkg", [self.pond], order=[7])
        tiny.add(
            "tract.toml",
            '\n[water]\nfile = "ponds.gpkg"\nclass = "order"\n[buffers]\nrule = "SC"\n'
            'slope_pct = 10\nclasses = { "7" = "perennial" }\n',
        )
        land = lay_out(tiny.read())
        side, reach = 100.0 / GRID, 80 * FT
        want = side**2 + 4 * side * reach + np.pi * reach**2
        assert land.acres["buffer_acres"].sum() == pytest.approx(
            want / FT**2 / SQFT_PER_ACRE, rel=1e-4
        )
        assert land.water.widths["side"].tolist() == ["shore"]
        assert land.water.surface_acres == pytest.approx(square_acres(100.0**2), rel=1e-5)
        assert land.buffers["starts_at"].item() == "drawn bank"

    def test_beside_streams_each_with_its_rule(self, creek):
        creek.layer("ponds.gpkg", [self.pond], kind=["pond"])
        creek.add(
            "tract.toml",
            '[water]\nfile = "ponds.gpkg"\nclass = "kind"\n'
            '[buffers.widths_ft]\n"blue line" = 50\npond = 30\n',
        )
        tract = creek.read()
        assert tract.streams["class"].tolist() == ["blue line", "pond"]
        assert tract.streams["file"].tolist() == ["streams.gpkg", "ponds.gpkg"]
        land = lay_out(tract)
        whole = land.buffers.to_crs(tract.crs).union_all()
        inside = whole.intersection(tract.stands.union_all()).area / FT**2 / SQFT_PER_ACRE
        assert land.acres["buffer_acres"].sum() == pytest.approx(inside, rel=1e-6)

    def test_lines_are_no_ponds(self, tiny):
        tiny.layer("ponds.gpkg", [CREEK], kind=["pond"])
        tiny.add("tract.toml", '\n[water]\nfile = "ponds.gpkg"\nclass = "kind"\n')
        assert "the layer holds no polygons, which [water] needs" in said(tiny.check())


class TestNoStreams:
    def test_it_is_said_loudly(self, tiny):
        told = "no stream layer is named, so no acre is kept along water"
        assert told in said(check_tract(tiny.folder), "warning")
        assert told in str(lay_out(tiny.read()).problems[0])

    def test_candidates_are_shown_and_keep_no_acre(self, tiny):
        valley(tiny.folder, 0.2, 0.2)
        tiny.add(
            "tract.toml",
            '\n[rasters]\nelevation = "dem.tif"\n[channels]\nfeeding_acres = 30\n',
        )
        land = lay_out(tiny.read())
        assert len(land.water.candidates) and land.acres["buffer_acres"].sum() == 0
        assert land.acres["net_acres"].sum() == pytest.approx(land.acres["gross_acres"].sum())
        assert "candidate channels" in str(land.problems[0])
        assert set(land.water.candidates["status"]) == {"unverified, look on the ground"}


class TestOtherGround:
    def test_a_road_its_own_distance_on_each_side(self, tiny):
        tiny.layer("roads.gpkg", [CREEK])
        tiny.add(
            "tract.toml",
            '\n[[setbacks]]\nfile = "roads.gpkg"\nreason = "road"\ndistance_ft = 33\n',
        )
        land = lay_out(tiny.read())
        assert land.reasons["reason"].tolist() == ["road", ""]
        assert land.acres["exclusion_acres"].sum() == pytest.approx(strip_acres(66), rel=1e-6)

    def test_ground_that_holds_no_timber_is_known_by_its_reason(self, tiny):
        tiny.layer("roads.gpkg", [CREEK])
        tiny.add(
            "tract.toml",
            '\n[[setbacks]]\nfile = "roads.gpkg"\nreason = "road"\ndistance_ft = 33\nbare = true\n',
        )
        assert tiny.read().bare == {"road"}

    def test_points_each_with_its_own_radius(self, tiny):
        points = [shapely.Point(EAST + x, NORTH + 200) for x in (100, 300, 600)]
        tiny.layer("sites.gpkg", points, feet=["100", "50", ""])
        tiny.add(
            "tract.toml",
            '\n[[setbacks]]\nfile = "sites.gpkg"\nreason = "nest"\n'
            'distance_column = "feet"\ndistance_ft = 25\n',
        )
        want = np.pi * (100**2 + 50**2 + 25**2) / SQFT_PER_ACRE
        acres = lay_out(tiny.read()).acres["exclusion_acres"].sum()
        assert acres == pytest.approx(want * (1 - 0.00071), rel=1e-4)

    def test_layers_claim_ground_in_the_order_they_are_listed(self, tiny):
        square = shapely.box(EAST, NORTH, EAST + 100, NORTH + 100)
        tiny.layer("a.gpkg", [square])
        tiny.layer("b.gpkg", [shapely.buffer(square, 50, join_style="mitre")])
        for first, second in (("a", "b"), ("b", "a")):
            text = "".join(
                f'\n[[setbacks]]\nfile = "{n}.gpkg"\nreason = "{n}"\ndistance_ft = 0\n'
                for n in (first, second)
            )
            before = (tiny.folder / "tract.toml").read_text()
            tiny.add("tract.toml", text)
            acres = lay_out(tiny.read()).reasons.set_index("reason")["acres"]
            tiny.write("tract.toml", before)
            assert acres.index.tolist() == [first, second, ""]
            alone = 100**2 if first == "a" else 150**2
            assert acres[first] == pytest.approx(square_acres(alone), rel=1e-6)
            both = square_acres(150**2)
            assert acres[[first, second]].sum() == pytest.approx(both, rel=1e-6)

    def test_the_property_line_is_round_the_stands_and_not_between_them(self, tiny):
        tiny.add("tract.toml", "\n[property_line]\nsetback_ft = 20\n")
        land = lay_out(tiny.read())
        long, wide = 800 / GRID, 400 / GRID
        strip = long * wide - (long - 40 * FT) * (wide - 40 * FT)
        assert land.reasons.loc[0, "reason"] == "property line"
        assert land.reasons.loc[0, "acres"] == pytest.approx(
            strip / FT**2 / SQFT_PER_ACRE, rel=1e-6
        )

    def test_ground_steeper_than_the_limit(self, tiny):
        valley(tiny.folder, 0.60, 0.20)
        tiny.add(
            "tract.toml",
            '\n[rasters]\nelevation = "dem.tif"\n[steep_ground]\nover_pct = 45\n',
        )
        acres = lay_out(tiny.read()).reasons.set_index("reason")["acres"]
        # North of the creek, to within a cell (5 m) of it.
        assert acres["steep ground"] == pytest.approx(800 * 200 / FT**2 / SQFT_PER_ACRE, rel=0.03)

    def test_steep_ground_needs_a_raster(self, tiny):
        tiny.add("tract.toml", "\n[steep_ground]\nover_pct = 45\n")
        assert "no elevation raster to tell it by" in said(tiny.check())

    @pytest.mark.parametrize(
        ("keys", "what"),
        [
            ('reason = "nest"', "no distance is given for 'nest'"),
            ('reason = "nest"\ndistance_ft = 0', "has no acres to keep away from"),
            ('reason = "nest"\ndistance_column = "feet"', "must be 0 ft or more (got '-4')"),
            ('reason = "nest"\ndistance_column = "fet"', "fet"),
            ("distance_ft = 9", "setbacks.reason': the key is missing"),
        ],
    )
    def test_faults_are_told(self, tiny, keys, what):
        tiny.layer("sites.gpkg", [shapely.Point(EAST + 9, NORTH + 9)], feet=["-4"])
        tiny.add("tract.toml", f'\n[[setbacks]]\nfile = "sites.gpkg"\n{keys}\n')
        assert what in said(tiny.check())


class TestWaterBeyond:
    rule = '[buffers]\nrule = "SC"\nclasses = { "blue line" = "perennial" }\n'

    def test_a_creek_goes_on_beyond_the_raster(self, creek):
        valley(creek.folder, 0.5, 0.1)
        creek.add("tract.toml", self.rule + '[rasters]\nelevation = "dem.tif"\n')
        short = lay_out(creek.read())
        # Its stations fall elsewhere, as they are spread evenly: 1e-9 of the acres.
        on = shapely.LineString([CREEK.coords[0], (EAST + 9_000, NORTH + 200)])
        away = shapely.LineString([(EAST + 9_000, NORTH), (EAST + 9_000, NORTH + 900)])
        creek.layer("streams.gpkg", [on, away], kind=["blue line"] * 2, wide=[20.0] * 2)
        land = lay_out(creek.read())
        assert land.acres["buffer_acres"].sum() == pytest.approx(
            short.acres["buffer_acres"].sum(), rel=1e-7
        )
        assert len(land.buffers) == 1
        assert land.buffers["measured_share"].item() == 1

    def test_all_of_it_too_far_off_is_said(self, creek):
        away = shapely.LineString([(EAST + 1_900, NORTH), (EAST + 1_900, NORTH + 900)])
        creek.layer("streams.gpkg", [away], kind=["blue line"], wide=[20.0])
        creek.add("tract.toml", self.rule)
        creek.add("tract.toml", "slope_pct = 20\n")
        land = lay_out(creek.read())
        assert land.acres["buffer_acres"].sum() == 0
        assert "streams.gpkg: no water comes near the stands" in str(land.problems[0])

    def test_a_raster_with_a_hole_in_the_tract_is_not_enough(self, creek):
        valley(creek.folder, 0.5, 0.1)
        with rasterio.open(creek.folder / "dem.tif", "r+") as raster:
            cells = raster.read(1)
            cells[90:150, 100:140] = -9999
            raster.nodata = -9999
            raster.write(cells, 1)
        creek.add("tract.toml", self.rule + '[rasters]\nelevation = "dem.tif"\n')
        with pytest.raises(DomainError, match=r"slopes are unknown.*slope_pct, in \[buffers\]"):
            lay_out(creek.read())
