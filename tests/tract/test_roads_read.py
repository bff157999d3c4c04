"""Roads and landings of a tract file: read, named, held to their setbacks, refused in words."""

import numpy as np
import pytest
import rasterio
import shapely
from rasterio import Affine

from standmap.steps.land import lay_out

EAST, NORTH = 500_000.0, 4_000_000.0
FT = 0.3048
CREEK = shapely.LineString([(EAST - 100, NORTH + 200), (EAST + 900, NORTH + 200)])
SETBACK = "\n[road_setbacks]\n"


def beside(off_ft: float) -> shapely.LineString:
    """A road 400 m along the creek, so many feet to its north."""
    y = NORTH + 200 + off_ft * FT
    return shapely.LineString([(EAST + 200, y), (EAST + 600, y)])


def said(problems, severity="error") -> str:
    return "\n".join(str(p) for p in problems if p.severity == severity)


@pytest.fixture
def road(tiny):
    """A creek with 50 ft kept on each side, and a haul road 70 ft off."""
    tiny.layer("streams.gpkg", [CREEK], kind=["creek"])
    tiny.layer("roads.gpkg", [beside(70)], called=["haul road"], type=["gravel"])
    tiny.add(
        "tract.toml",
        '\n[streams]\nfile = "streams.gpkg"\nclass = "kind"\n[buffers.widths_ft]\ncreek = 50\n'
        '[roads]\nfile = "roads.gpkg"\nname = "called"\n',
    )
    return tiny


def table(tiny):
    return lay_out(tiny.read()).roads.table.set_index("name").loc["haul road"]


class TestRules:
    def test_a_distance_of_ones_own(self, road):
        road.add("tract.toml", f"{SETBACK}road_ft = 60\n")
        row = table(road)
        assert row["verdict"] == "keeps off"
        assert row["nearest_ft"] == pytest.approx(70, rel=1e-3)

    def test_a_longer_one_is_broken_along_the_whole_of_it(self, road):
        road.add("tract.toml", f"{SETBACK}road_ft = 75\n")
        land = lay_out(road.read())
        row = land.roads.table.iloc[0]
        assert row["verdict"] == "too near" and land.has_conflict
        assert row["too_near_ft"] == pytest.approx(400 / FT, rel=1e-3)

    def test_outside_the_streamside_zone(self, road):
        road.add("tract.toml", f'{SETBACK}rule = "NC"\n')
        assert table(road)["verdict"] == "keeps off"
        road.swap("tract.toml", "creek = 50", "creek = 80")
        assert table(road)["verdict"] == "too near"

    @pytest.mark.parametrize(("slope", "verdict"), [(0.15, "keeps off"), (0.25, "too near")])
    def test_a_setback_that_grows_with_the_slope_of_the_bank(self, road, slope, verdict):
        # Filter-strip guide: 15 % -> 60 ft, 25 % -> 80 ft along the ground (77.6 on the map).
        x, y = np.meshgrid(np.arange(320), NORTH + 800 - 5.0 * (np.arange(240) + 0.5))
        height = 300 + slope * np.abs(y - NORTH - 200) + 0 * x
        with rasterio.open(
            road.folder / "dem.tif", "w", driver="GTiff", width=320, height=240, count=1,
            dtype="float64", crs="EPSG:32617",
            transform=Affine(5, 0, EAST - 400, 0, -5, NORTH + 800),
        ) as target:  # fmt: skip
            target.write(height, 1)
        road.add("tract.toml", f'{SETBACK}rule = "MN"\n[rasters]\nelevation = "dem.tif"\n')
        assert table(road)["verdict"] == verdict

    def test_a_rule_nobody_read_settles_nothing(self, road):
        road.layer("roads.gpkg", [beside(400)], called=["haul road"])
        road.add("tract.toml", f'{SETBACK}rule = "WV"\n')
        land = lay_out(road.read())
        assert land.roads.table["verdict"].tolist() == ["keeps off, rule unread"]
        assert not land.roads.is_settled
        assert "unverified" in said(road.read().problems, "warning")

    def test_landings_too(self, road):
        spot = shapely.Point(EAST + 300, NORTH + 200 + 40 * FT)
        road.layer("landings.gpkg", [spot], unit=[""])
        road.add("tract.toml", f'{SETBACK}landing_ft = 100\n[landings]\nfile = "landings.gpkg"\n')
        rows = lay_out(road.read()).roads.table.set_index("name")
        assert rows.loc["landing", "too_near_ft"] == pytest.approx(60, rel=1e-2)
        assert rows.loc["haul road", "verdict"] == "no setback given"

    def test_a_crossing_that_is_mapped(self, road):
        over = shapely.LineString([(EAST + 300, NORTH + 100), (EAST + 300, NORTH + 300)])
        road.layer("roads.gpkg", [over], called=["haul road"])
        road.add("tract.toml", f"{SETBACK}road_ft = 50\n")
        assert table(road)["unmapped_crossings"] == 1
        road.layer("bridges.gpkg", [shapely.Point(EAST + 300, NORTH + 200)], kind=["bridge"])
        road.add("tract.toml", '\n[crossings]\nfile = "bridges.gpkg"\n')
        row = table(road)
        assert row["verdict"] == "near water at mapped crossings only"
        assert row["at_crossings_ft"] == pytest.approx(100, rel=1e-3)

    def test_streams_along_which_nothing_stays_are_no_water_here(self, road):
        road.swap("tract.toml", "creek = 50", "creek = 0")
        road.add("tract.toml", f"{SETBACK}road_ft = 75\n")
        assert table(road)["verdict"] == "keeps off"


class TestWrong:
    def test_an_unknown_rule(self, road):
        road.add("tract.toml", f'{SETBACK}rule = "ZZ"\n')
        text = said(road.check())
        assert "road_setbacks.rule" in text and "known of 'ZZ'" in text and "'TX'" in text

    def test_no_setback_at_all(self, road):
        road.add("tract.toml", SETBACK)
        assert "no setback is given" in said(road.check())

    def test_a_kind_that_is_neither(self, road):
        road.swap("tract.toml", 'file = "roads.gpkg"', 'file = "roads.gpkg"\nkind = "type"')
        text = said(road.check())
        assert "row 1, column 'type'" in text and 'gravel = "road"' in text
        road.swap("tract.toml", 'kind = "type"', 'kind = "type"\nkinds = { Gravel = "road" }')
        assert said(road.check()) == ""

    def test_a_slope_is_asked_for_where_the_setback_needs_it(self, road):
        road.add("tract.toml", f'{SETBACK}rule = "MN"\n')
        assert "depends on the slope of the bank, and no slope is known" in said(road.check())
