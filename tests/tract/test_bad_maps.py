"""Bad maps and plots: coordinate systems, swapped axes, overlaps, outlines, rasters."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pytest
import rasterio
import shapely
from affine import Affine

from standmap.errors import InputError
from standmap.tract import read_tract

EAST, NORTH = 500_000.0, 4_000_000.0
A = shapely.box(EAST, NORTH, EAST + 400, NORTH + 400)
B = shapely.box(EAST + 400, NORTH, EAST + 800, NORTH + 400)


def only(problems, severity="error"):
    found = [p for p in problems if p.severity == severity]
    assert len(found) == 1, "\n".join(map(str, problems))
    return found[0]


def lonlat(x, y):
    point = gpd.GeoSeries([shapely.Point(x, y)], crs="EPSG:32617").to_crs("EPSG:4326").iloc[0]
    return point.x, point.y


def in_degrees(tiny, *, swap=False):
    """Rewrite the plot list in longitude and latitude."""
    rows = []
    for name, x, y in (("A1", 100, 100), ("A2", 300, 300), ("B1", 500, 100), ("B2", 700, 300)):
        lon, lat = lonlat(EAST + x, NORTH + y)
        rows.append(f"{name},{lat},{lon}" if swap else f"{name},{lon},{lat}")
    tiny.write("plots.csv", "plot,x,y\n" + "\n".join(rows) + "\n")


# --- coordinate systems ---------------------------------------------------------------------


def test_a_table_of_plots_must_say_its_crs(tiny):
    tiny.swap("tract.toml", 'crs = "EPSG:32617"\n', "")
    problem = only(tiny.check())
    assert (problem.file, problem.column) == ("plots.csv", "plots.crs")


def test_a_crs_nobody_knows(tiny):
    tiny.swap("tract.toml", "EPSG:32617", "EPSG:99")
    problem = only(tiny.check())
    assert (problem.file, problem.column, problem.value) == ("tract.toml", "plots.crs", "EPSG:99")


def test_plots_in_degrees_under_a_metric_crs(tiny):
    in_degrees(tiny)
    problem = only(tiny.check())
    assert "none of the 4 plots falls in a stand" in problem.what
    assert 'crs = "EPSG:4326"' in problem.mend


def test_plots_in_the_wrong_zone(tiny):
    tiny.swap("tract.toml", "EPSG:32617", "EPSG:32618")
    problem = only(tiny.check())
    assert "miles away" in problem.what
    assert "EPSG:26917" in problem.mend  # NAD 83 and WGS 84 are the same zone 17 to a few feet


def test_swapped_coordinates_are_turned_round_loudly(tiny):
    in_degrees(tiny, swap=True)
    tiny.swap("tract.toml", "EPSG:32617", "EPSG:4326")
    tract = tiny.read()
    assert list(tract.plots["stand"]) == ["A", "A", "B", "B"]
    problem = only(tract.problems, "warning")
    assert "x and y are swapped on 4 of 4 plots" in problem.what
    frame = tract.ledger.to_frame()
    assert list(frame["row"]) == [2, 3, 4, 5]
    assert set(frame["action"]) == {"repaired"}


def test_stands_without_a_crs(tiny):
    tiny.layer("s.shp", [A, B], stand=["A", "B"])
    (tiny.folder / "s.prj").unlink()
    tiny.swap("tract.toml", "stands.gpkg", "s.shp")
    problem = only(tiny.check())
    assert "no coordinate system" in problem.what
    tiny.swap("tract.toml", '"s.shp"', '"s.shp"\ncrs = "EPSG:32617"')
    assert [e.action for e in tiny.read().ledger] == ["noted", "noted"]


def test_two_different_crs_for_one_layer(tiny):
    tiny.swap("tract.toml", '"stands.gpkg"', '"stands.gpkg"\ncrs = "EPSG:4326"')
    problem = only(tiny.check())
    assert problem.column == "stands.crs"


def test_stands_in_degrees_that_claim_metres(tiny):
    shapes = gpd.GeoSeries([A, B], crs="EPSG:32617").to_crs("EPSG:4326")
    tiny.layer("stands.gpkg", list(shapes), stand=["A", "B"], crs="EPSG:32617")
    assert "look like degrees" in only(tiny.check()).what


def test_stands_in_metres_that_claim_degrees(tiny):
    tiny.layer("stands.gpkg", [A, B], stand=["A", "B"], crs="EPSG:4326")
    assert "are not degrees" in only(tiny.check()).what


def test_stands_with_latitude_first(tiny):
    shapes = gpd.GeoSeries([A, B], crs="EPSG:32617").to_crs("EPSG:4326")
    turned = shapely.transform(shapes.to_numpy(), lambda xy: xy[:, ::-1])
    tiny.layer("stands.gpkg", list(turned), stand=["A", "B"], crs="EPSG:4326")
    problem = only(tiny.check())
    assert "no forest grows" in problem.what
    assert "swapped" in problem.mend


# --- stands ---------------------------------------------------------------------------------


def test_a_crossed_outline_is_repaired_and_written_down(tiny):
    bow = shapely.Polygon(
        [(EAST, NORTH), (EAST + 400, NORTH + 400), (EAST + 400, NORTH), (EAST, NORTH + 400)]
    )
    tiny.layer("stands.gpkg", [bow, B], stand=["A", "B"], stratum=["oak", "pine"])
    tiny.swap("plots.csv", "A1,500100,4000100", "A1,500100,4000150")
    tiny.swap("plots.csv", "A2,500300,4000300", "A2,500300,4000250")
    tract = tiny.read()
    problem = only(tract.problems, "warning")
    assert (problem.row, problem.value) == (1, "A")
    assert "crosses itself" in problem.what
    assert [(e.row, e.action) for e in tract.ledger] == [(1, "repaired")]
    # the two loops of the bow tie are half of the square
    assert tract.stands["gross_acres"].iloc[0] == pytest.approx(160_000 / 2 / 4046.856, rel=2e-3)


def test_an_overlap_is_an_error_and_a_sliver_of_one_is_mended(tiny):
    tiny.layer(
        "stands.gpkg",
        [A, shapely.box(EAST + 300, NORTH, EAST + 800, NORTH + 400)],
        stand=["A", "B"],
        stratum=["oak", "pine"],
    )
    problem = only(tiny.check())
    assert "overlap by 9.8" in problem.what  # 100 m x 400 m = 9.88 acres
    assert problem.value == "A and B"
    tiny.layer(
        "stands.gpkg",
        [A, shapely.box(EAST + 399.8, NORTH, EAST + 800, NORTH + 400)],
        stand=["A", "B"],
        stratum=["oak", "pine"],
    )
    tract = tiny.read()
    assert "1 small overlaps" in only(tract.problems, "warning").what
    assert [e.action for e in tract.ledger] == ["repaired"]


def test_a_plot_in_two_stands(tiny):
    tiny.layer(
        "stands.gpkg",
        [A, shapely.box(EAST + 200, NORTH, EAST + 800, NORTH + 400)],
        stand=["A", "B"],
        stratum=["oak", "pine"],
    )
    problems = [p for p in tiny.check() if p.file == "plots.csv"]
    assert [(p.row, p.value) for p in problems] == [(3, "A2")]
    assert "A and B" in problems[0].mend


def test_a_stand_drawn_in_parts_is_one_stand(tiny):
    tiny.layer("stands.gpkg", [A, B], stand=["A", "A"], stratum=["oak", "oak"])
    tract = tiny.read()
    assert len(tract.stands) == 1
    assert "drawn in 2 parts" in only(tract.problems, "warning").what
    assert [(e.row, e.action) for e in tract.ledger] == [(2, "changed")]
    tiny.layer("stands.gpkg", [A, B], stand=["A", "A"], stratum=["oak", "pine"])
    assert "different stratum" in only(tiny.check()).what


def test_a_stand_without_plots_or_with_one(tiny):
    tiny.write("plots.csv", "plot,x,y\nA1,500100,4000100\n")
    tiny.write("tally.csv", "plot,species,dbh_in,height_ft\nA1,802,18,80\n")
    what = {p.value: p.what for p in tiny.check() if p.severity == "warning" and p.value in "AB"}
    assert what == {"A": "the stand has only one plot", "B": "the stand has no plots"}


def test_a_stand_without_a_name(tiny):
    tiny.layer("stands.gpkg", [A, B], stand=["A", None], stratum=["oak", "pine"])
    assert any(p.row == 2 and "no name" in p.what for p in tiny.check())


def test_stands_without_outlines(tiny):
    tiny.layer("stands.gpkg", [shapely.Polygon(), shapely.Polygon()], stand=["A", "B"])
    assert "no stand has both a name and an outline" in only(tiny.check()).what


def test_a_layer_of_the_wrong_kind(tiny):
    tiny.layer("stands.gpkg", [A.boundary, B.boundary], stand=["A", "B"])
    problem = only(tiny.check())
    assert "holds no polygons" in problem.what
    assert problem.value == "LineString"
    tiny.layer("stands.gpkg", [A, B.boundary], stand=["A", "B"])
    problem = only(tiny.check())
    assert problem.row == 2
    assert "not one of the polygons" in problem.what


@pytest.mark.parametrize("part", [".shx", ".dbf"])
def test_a_shapefile_without_one_of_its_parts(tiny, part):
    tiny.layer("stands.shp", [A, B], stand=["A", "B"])
    tiny.swap("tract.toml", "stands.gpkg", "stands.shp")
    assert len(tiny.read().stands) == 2
    (tiny.folder / f"stands{part}").unlink()
    problem = only(tiny.check())
    assert problem.what == f"the shapefile lacks its {part}"
    assert "copy" in problem.mend


def test_layers_are_named_where_there_are_several(tiny):
    gpd.GeoDataFrame({"stand": ["A"]}, geometry=[A], crs="EPSG:32617").to_file(
        tiny.folder / "stands.gpkg", layer="older"
    )
    problem = only(tiny.check())
    assert "several layers" in problem.what
    tiny.swap("tract.toml", '"stands.gpkg"', '"stands.gpkg"\nlayer = "odler"')
    assert "Did you mean 'older'" in only(tiny.check()).mend
    tiny.swap("tract.toml", "odler", "stands")
    assert len(tiny.read().stands) == 2


@pytest.mark.parametrize("content", [b"", b"this is no map"])
def test_a_layer_that_cannot_be_read(tiny, content):
    tiny.write("stands.gpkg", content)
    problem = only(tiny.check())
    assert problem.file == "stands.gpkg"
    assert str(tiny.folder) not in problem.what


def test_deed_acres_are_compared(tiny):
    tiny.swap("tract.toml", 'name = "Two Squares"', 'name = "Two Squares"\ndeed_acres = 100')
    problem = only(tiny.check(), "warning")
    assert problem.column == "tract.deed_acres"
    assert "79.1 acres, 20.9% less" in problem.what
    tiny.swap("tract.toml", "deed_acres = 100", "deed_acres = 79")
    tract = tiny.read()
    assert tract.problems == ()
    assert [e.old for e in tract.ledger] == ["79"]


# --- plots ----------------------------------------------------------------------------------


def test_duplicate_plot_is_an_error_unless_it_is_the_same_line(tiny):
    tiny.add("plots.csv", "A1,500200,4000200\n")
    problem = only(tiny.check())
    assert (problem.row, problem.column, problem.value) == (6, "plot", "A1")
    assert "row 2" in problem.what
    tiny.swap("plots.csv", "A1,500200,4000200", "A1,500100,4000100")
    tract = tiny.read()
    assert len(tract.plots) == 4
    assert [(e.row, e.action) for e in tract.ledger] == [(6, "set aside")]


def test_a_plot_outside_every_stand_is_set_aside_with_its_trees(tiny):
    tiny.swap("plots.csv", "A1,500100,4000100", "A1,499900,4000100")
    tract = tiny.read()
    problem = only(tract.problems[:1], "warning")
    assert (problem.file, problem.row, problem.value) == ("plots.csv", 2, "A1")
    assert "A is 328 ft away" in problem.mend  # 100 m
    assert tract.plots["stand"].tolist() == ["", "A", "B", "B"]
    aside = tract.ledger.to_frame().query("action == 'set aside'")
    assert list(zip(aside["file"], aside["row"], strict=True)) == [
        ("plots.csv", 2),
        ("tally.csv", 2),
        ("tally.csv", 3),
    ]
    assert tract.accounting()["used"] == 3


def test_a_plot_miles_away_is_an_error(tiny):
    tiny.swap("plots.csv", "A1,500100,4000100", "A1,510000,4000100")
    problem = only(tiny.check())
    assert (problem.row, problem.value) == (2, "A1")
    assert "more than 1 mile" in problem.what


@pytest.mark.parametrize(("x", "value"), [("east", "east"), ("", None)])
def test_a_plot_without_a_place(tiny, x, value):
    tiny.swap("plots.csv", "A1,500100", f"A1,{x}")
    problem = only(tiny.check())
    assert (problem.file, problem.row, problem.column, problem.value) == (
        "plots.csv",
        2,
        "x",
        value,
    )


def test_the_record_is_believed_within_a_receivers_error_and_not_beyond(tiny):
    # A1 is 10 m inside A by the map, but recorded in B: 10 m from B's border.
    tiny.write(
        "plots.csv",
        "plot,x,y,stand\nA1,500390,4000100,B\nA2,500300,4000300,A\n"
        "B1,500500,4000100,B\nB2,500700,4000300,B\n",
    )
    tract = tiny.read()
    assert tract.plots["stand"].tolist() == ["B", "A", "B", "B"]
    assert [(e.row, e.old, e.new) for e in tract.ledger] == [(2, "map: A", "B")]
    tiny.swap("plots.csv", "A1,500390", "A1,500100")
    tract = tiny.read()
    assert tract.plots["stand"].tolist() == ["A", "A", "B", "B"]
    problem = only(tract.problems, "warning")
    assert (problem.row, problem.column, problem.value) == (2, "stand", "B")
    assert "in A, 985 ft from B. The map is believed" in problem.mend
    assert 'stand_wins = "map" or "note"' in problem.mend
    assert [(e.row, e.old, e.new, e.action) for e in tract.ledger] == [
        (2, "record: B", "A", "changed")
    ]


def test_a_recorded_stand_that_is_not_on_the_map(tiny):
    tiny.write("plots.csv", "plot,stand\nA1,A\nA2,A\nB1,B\nB2,C\n")
    tiny.swap("tract.toml", 'crs = "EPSG:32617"\n', "")
    problem = only(tiny.check())
    assert (problem.row, problem.column, problem.value) == (5, "stand", "C")


# --- the cruise -----------------------------------------------------------------------------


CRUISES = [
    ('design = "point"', "needs a 'baf'"),
    ('design = "fixed"\nbaf = 10', "has no basal area factor"),
    ('design = "point"\nbaf = 10\nplot_acres = 0.1', "has no plot size"),
    ('design = "fixed"\nplot_acres = 0.1\nplot_radius_ft = 37', "both plot_acres and"),
    ('design = "fixed"', "needs 'plot_acres'"),
    ('design = "point"\nbaf = 10\n[[cruise.parts]]\nstratum = "okk"\nbaf = 20', "no stand has"),
    (
        'design = "point"\nbaf = 10\n[[cruise.parts]]\nmax_dbh_in = 9\nbaf = 5\n'
        "[[cruise.parts]]\nmin_dbh_in = 8\nbaf = 20",
        "contradicts itself",
    ),
]


@pytest.mark.parametrize(("cruise", "what"), CRUISES)
def test_a_cruise_that_contradicts_itself(tiny, cruise, what):
    tiny.swap("tract.toml", 'design = "point"\nbaf = 10', cruise)
    problem = only(tiny.check())
    assert problem.file == "tract.toml"
    assert what in problem.what


def test_trees_no_part_of_the_cruise_takes(tiny):
    parts = "\n[[cruise.parts]]\nmin_dbh_in = 10\nmax_dbh_in = 12.9\nbaf = 10\n"
    tiny.swap("tract.toml", "\nbaf = 10\n", parts)
    tract = tiny.read()  # 18.2, 14 and 9.1 in lie beyond the range
    assert [p.value for p in tract.problems] == ["18.2", "14", "9.1"]
    assert tract.accounting()["used"] == 2
    tiny.swap("tract.toml", parts, parts + "[[cruise.parts]]\nmin_dbh_in = 15\nbaf = 20\n")
    problem = only(tiny.check())
    assert problem.value == "14"
    assert "between two DBH ranges" in problem.what


# --- what must stay, units, rasters ---------------------------------------------------------


def test_a_stream_class_without_a_width_is_an_error(tiny):
    line = shapely.LineString([(EAST, NORTH + 200), (EAST + 800, NORTH + 200)])
    tiny.layer("streams.gpkg", [line], **{"class": ["perenial"]})
    tiny.add(
        "tract.toml", '[streams]\nfile = "streams.gpkg"\n[buffers.widths_ft]\nperennial = 50\n'
    )
    found = tiny.check()
    problem = only(found)
    assert (problem.file, problem.row, problem.value) == ("streams.gpkg", 1, "perenial")
    assert "Did you mean 'perennial'" in problem.mend
    assert only(found, "warning").column == "buffers.widths_ft.perennial"


def test_streams_of_another_county_are_remarked_on(tiny):
    line = shapely.LineString([(EAST, NORTH + 90_000), (EAST + 800, NORTH + 90_000)])
    tiny.layer("streams.gpkg", [line], **{"class": ["perennial"]})
    tiny.add(
        "tract.toml", '[streams]\nfile = "streams.gpkg"\n[buffers.widths_ft]\nperennial = 50\n'
    )
    assert "within a mile" in only(tiny.check(), "warning").what


def test_an_exclusion_line_needs_a_setback(tiny):
    line = shapely.LineString([(EAST, NORTH + 200), (EAST + 800, NORTH + 200)])
    tiny.layer("out.gpkg", [line], reason=["fence"])
    tiny.add("tract.toml", '[exclusions]\nfile = "out.gpkg"\n')
    assert only(tiny.check()).value == "fence"


def test_a_unit_outside_every_stand(tiny):
    tiny.layer("units.gpkg", [shapely.box(EAST - 500, NORTH, EAST - 100, NORTH + 100)], unit=["U"])
    tiny.add("tract.toml", '[units]\nfile = "units.gpkg"\n')
    assert only(tiny.check(), "warning").value == "U"


def raster(path, *, west=EAST, north=NORTH + 400, width=80, crs="EPSG:32617"):
    with rasterio.open(
        path,
        "w",
        driver="GTiff",
        width=width,
        height=40,
        count=1,
        dtype="float32",
        crs=crs,
        transform=Affine(10, 0, west, 0, -10, north),
    ) as out:
        out.write(np.ones((1, 40, width), dtype="float32"))


RASTERS = [
    ({"width": 40}, "warning", "covers only 50% of the stands"),
    ({"west": EAST + 5_000}, "error", "does not reach the tract"),
    ({"crs": None}, "error", "no coordinate reference system"),
]


@pytest.mark.parametrize(("how", "severity", "what"), RASTERS)
def test_raster_faults(tiny, how, severity, what):
    raster(tiny.folder / "dem.tif", **how)
    tiny.add("tract.toml", '[rasters]\nelevation = "dem.tif"\n')
    problem = only(tiny.check(), severity)
    assert problem.file == "dem.tif"
    assert what in problem.what


@pytest.mark.parametrize("content", [b"", b"II*\x00 no raster"])
def test_a_raster_that_cannot_be_read(tiny, content):
    tiny.write("chm.tif", content)
    tiny.add("tract.toml", '[rasters]\ncanopy = "chm.tif"\n')
    assert only(tiny.check()).file == "chm.tif"


@pytest.mark.parametrize(
    ("keys", "severity"),
    [("", "error"), ('elevation_units = "m"\n', "warning")],
)
def test_a_raster_that_says_it_is_in_feet_is_not_read_in_metres(tiny, keys, severity):
    raster(tiny.folder / "dem.tif", crs="EPSG:32617+6360")
    tiny.add("tract.toml", f'[rasters]\nelevation = "dem.tif"\n{keys}')
    problem = only(tiny.check(), severity)
    assert problem.file == "dem.tif"
    assert problem.what == (
        "the raster says that its heights are in US survey feet, and they are read as metres"
    )
    assert 'elevation_units = "us_ft"' in problem.mend


@pytest.mark.parametrize(
    ("band", "units"), [("foot", "ft"), ("US survey foot", "ft"), ("metre", "m"), ("", "ft")]
)
def test_a_raster_that_says_what_the_tract_file_does(tiny, band, units):
    raster(tiny.folder / "dem.tif")
    with rasterio.open(tiny.folder / "dem.tif", "r+") as target:
        target.units = [band]
    tiny.add("tract.toml", f'[rasters]\nelevation = "dem.tif"\nelevation_units = "{units}"\n')
    assert tiny.read().problems == ()


def test_cells_of_no_data_that_do_not_say_so(tiny):
    raster(tiny.folder / "dem.tif")
    with rasterio.open(tiny.folder / "dem.tif", "r+") as target:
        cells = target.read(1)
        cells[10:20] = -9999
        target.write(cells, 1)
    tiny.add("tract.toml", '[rasters]\nelevation = "dem.tif"\n')
    (problem,) = [p for p in tiny.check() if p.file == "dem.tif"]
    assert problem.severity == "error"
    assert "of the elevations over the stands are of no land" in problem.what
    assert problem.value == "-9999 metres"
    assert "If -9999 stands for no data, say so in the raster" in problem.mend
    with rasterio.open(tiny.folder / "dem.tif", "r+") as target:
        target.nodata = -9999
    assert not [p for p in tiny.check() if p.file == "dem.tif"]


def test_a_good_raster(tiny):
    raster(tiny.folder / "dem.tif")
    tiny.add("tract.toml", '[rasters]\nelevation = "dem.tif"\n')
    tract = tiny.read()
    assert tract.problems == ()
    assert tract.rasters == {"elevation": tiny.folder / "dem.tif"}


def test_a_missing_raster_does_not_hide_the_rest(tiny):
    tiny.add("tract.toml", '[rasters]\nelevation = "dem.tif"\ncanopy = "chm.tif"\n')
    with pytest.raises(InputError, match="2 problems to mend"):
        read_tract(tiny.folder)


def test_a_plot_without_a_size_is_named(tiny):
    tiny.swap("tract.toml", "baf = 10", "")
    assert "plot A1 (point) needs a 'baf'" in only(tiny.check()).what


def test_a_cruise_key_at_fault_is_told_of_once(tiny):
    tiny.swap("tract.toml", "baf = 10", "baff = 10")
    assert only(tiny.check()).column == "cruise.baff"


def test_plots_on_one_point_are_remarked_on(tiny):
    tiny.swap("plots.csv", "A2,500300,4000300", "A2,500100,4000100")
    problem = only(tiny.check(), "warning")
    assert problem.what == "1 plots have the very coordinates of another"
    assert "A2" in problem.mend
