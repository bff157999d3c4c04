"""A good tract: what is read, under which names, in which units, and how it is accounted for."""

from __future__ import annotations

import hashlib
import os

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pytest
import shapely

from standmap.tract import read_tract
from standmap.tract.columns import PLOT_COLUMNS, TREE_COLUMNS
from standmap.tract.settings import PlotsTable, TreesTable


def test_a_clean_tract_has_nothing_to_say(tiny):
    assert tiny.check() == []
    tract = tiny.read()
    assert list(tract.stands["stand"]) == ["A", "B"]
    assert list(tract.plots["stand"]) == ["A", "A", "B", "B"]
    assert list(tract.trees["species_code"]) == [802, 621, 802, 131, 131]
    assert list(tract.trees["tree"]) == ["1", "2", "1", "1", "1"]
    assert tract.trees["saw_logs"].isna().sum() == 2
    assert tract.prices is not None
    assert len(tract.ledger) == 0


def test_square_of_400_m_is_39_5_acres(tiny):
    # 160,000 m2 / 4,046.856 m2 per acre = 39.537 acres; UTM's scale on its central meridian is
    # 0.9996, so the ground is larger by 1 / 0.9996^2.
    acres = 160_000 / 4046.8564224 / 0.9996**2
    np.testing.assert_allclose(tiny.read().stands["gross_acres"], acres, rtol=1e-5)


def test_folder_or_file_or_lone_toml_lead_to_the_same_tract(tiny):
    assert read_tract(tiny.folder / "tract.toml").name == "Two Squares"
    os.rename(tiny.folder / "tract.toml", tiny.folder / "north.toml")
    assert read_tract(tiny.folder).path.name == "north.toml"
    assert read_tract(str(tiny.folder)).name == "Two Squares"


def test_paths_start_from_the_tract_file_not_from_here(tiny, monkeypatch, tmp_path_factory):
    (tiny.folder / "data").mkdir()
    os.rename(tiny.folder / "tally.csv", tiny.folder / "data" / "tally.csv")
    tiny.swap("tract.toml", '"tally.csv"', '"data/tally.csv"')
    monkeypatch.chdir(tmp_path_factory.mktemp("elsewhere"))
    assert len(tiny.read().trees) == 5


def test_hashes_are_of_the_bytes_read(tiny):
    hashes = tiny.read().hashes
    assert set(hashes) == {
        "tract.toml",
        "stands.gpkg",
        "plots.csv",
        "tally.csv",
        "products.csv",
        "prices.csv",
    }
    expected = hashlib.sha256((tiny.folder / "tally.csv").read_bytes()).hexdigest()
    assert hashes["tally.csv"] == expected


def test_every_part_of_a_shapefile_is_hashed(tiny):
    gpd.read_file(tiny.folder / "stands.gpkg").to_file(tiny.folder / "stands.shp")
    tiny.swap("tract.toml", "stands.gpkg", "stands.shp")
    hashes = tiny.read().hashes
    assert {"stands.shp", "stands.dbf", "stands.shx", "stands.prj"} <= set(hashes)


@pytest.mark.parametrize("name", ["s.shp", "s.geojson", "s.fgb", "s.parquet"])
def test_stands_from_any_vector_format(tiny, name):
    stands = gpd.read_file(tiny.folder / "stands.gpkg")
    if name.endswith("parquet"):
        stands.to_parquet(tiny.folder / name)
    else:
        (stands.to_crs("EPSG:4326") if "geojson" in name else stands).to_file(tiny.folder / name)
    tiny.swap("tract.toml", "stands.gpkg", name)
    tract = tiny.read()
    assert sorted(tract.stands["stand"]) == ["A", "B"]  # FlatGeobuf keeps its own order
    assert list(tract.plots["stand"]) == ["A", "A", "B", "B"]


def test_plots_from_a_point_layer(tiny):
    points = [
        shapely.Point(500100, 4000100),
        shapely.Point(500300, 4000300),
        shapely.Point(500500, 4000100),
        shapely.Point(500700, 4000300),
    ]
    tiny.layer("points.gpkg", points, plot=["A1", "A2", "B1", "B2"])
    tiny.swap("tract.toml", 'file = "plots.csv"\ncrs = "EPSG:32617"', 'file = "points.gpkg"')
    assert list(tiny.read().plots["stand"]) == ["A", "A", "B", "B"]


def test_plots_without_coordinates_are_in_the_stand_they_name(tiny):
    tiny.write("plots.csv", "plot,stand\nA1,A\nA2,A\nB1,B\nB2,B\n")
    tiny.swap("tract.toml", 'crs = "EPSG:32617"\n', "")
    plots = tiny.read().plots
    assert list(plots["stand"]) == ["A", "A", "B", "B"]
    assert plots.geometry.isna().all()


@pytest.mark.parametrize(
    ("delimiter", "decimal"), [(",", "."), (";", "."), (";", ","), ("\t", "."), ("|", ".")]
)
def test_delimiters_and_decimal_commas(tiny, delimiter, decimal):
    text = (tiny.folder / "tally.csv").read_text().replace(",", "\0")
    tiny.write("tally.csv", text.replace(".", decimal).replace("\0", delimiter))
    np.testing.assert_array_equal(tiny.read().trees["dbh_in"], [18.2, 14, 9.1, 12.5, 10.4])


def test_byte_order_mark_and_spaces_in_the_header_are_no_part_of_a_name(tiny):
    text = (tiny.folder / "tally.csv").read_text().replace("plot,species", " Plot , SPECIES")
    tiny.write("tally.csv", b"\xef\xbb\xbf" + text.encode())
    assert len(tiny.read().trees) == 5


def test_latin1_is_read_and_said(tiny):
    tiny.write(
        "tally.csv",
        (tiny.folder / "tally.csv")
        .read_text()
        .replace("height_ft", "height_ft,Höhe")
        .encode("latin-1"),
    )
    problems = tiny.check()
    assert [p.severity for p in problems] == ["warning"]
    assert problems[0].row == 1
    assert "Latin-1" in problems[0].what
    assert tiny.read().ledger.to_frame()["action"].tolist() == ["noted"]


def test_workbook_with_numbers_as_names(tiny):
    """Excel holds plot 101 as 101.0; the tally and the list must still meet."""
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "tally"
    for row in (
        ["plot", "species", "dbh_in", "height_ft"],
        [101, 802, 18.2, 84],
        [None, None, None, None],
        [102.0, "WHITE OAK", 9, 60],
    ):
        sheet.append(row)
    book.create_sheet("notes")
    book.save(tiny.folder / "tally.xlsx")
    tiny.swap("tract.toml", 'file = "tally.csv"', 'file = "tally.xlsx"\nsheet = "tally"')
    text = (tiny.folder / "plots.csv").read_text()
    tiny.write("plots.csv", text.replace("A1", "101").replace("A2", "102"))
    trees = tiny.read().trees
    assert list(trees["plot"]) == ["101", "102"]
    assert list(trees["source_row"]) == [2, 4]
    assert list(trees["species_code"]) == [802, 802]


def test_parquet_tally_keeps_its_types(tiny):
    frame = pd.read_csv(tiny.folder / "tally.csv")
    frame.to_parquet(tiny.folder / "tally.parquet")
    tiny.swap("tract.toml", "tally.csv", "tally.parquet")
    pd.testing.assert_series_equal(tiny.read().trees["height_ft"], frame["height_ft"].astype(float))


def test_mapped_columns_and_case(tiny):
    tiny.swap("tally.csv", "plot,species,dbh_in", "PLOT,SPP,Diam")
    tiny.swap(
        "tract.toml", 'file = "tally.csv"', 'file = "tally.csv"\nspecies = "spp"\ndbh_in = "Diam"'
    )
    assert list(tiny.read().trees["dbh_in"]) == [18.2, 14, 9.1, 12.5, 10.4]


def test_exact_header_wins_over_another_case(tiny):
    tiny.swap(
        "tally.csv",
        "plot,species,dbh_in,saw_logs,height_ft",
        "plot,species,dbh_in,DBH_IN,height_ft",
    )
    assert list(tiny.read().trees["dbh_in"]) == [18.2, 14, 9.1, 12.5, 10.4]


def test_metric_columns_are_converted_once(tiny):
    # 1 inch = 2.54 cm and 1 foot = 0.3048 m, exactly (agreement of 1959)
    tiny.write(
        "tally.csv", "plot,species,dbh_cm,height_m,saw_height_m\nA1,white oak,45.72,24.384,9.144\n"
    )
    tiny.swap("tract.toml", 'file = "tally.csv"', 'file = "tally.csv"\nheight_m = "HEIGHT_M"')
    tract = tiny.read()
    tree = tract.trees.iloc[0]
    np.testing.assert_allclose(
        [tree["dbh_in"], tree["height_ft"], tree["saw_height_ft"]], [18, 80, 30], rtol=1e-12
    )
    noted = tract.ledger.to_frame()
    assert set(noted["column"]) == {"dbh_cm", "height_m", "saw_height_m"}


def test_metric_plot_sizes(tiny):
    # 1 ha = 2.471054 acres; 1 m2/ha = 4.356 sq ft/acre (both from the exact foot)
    tiny.write(
        "plots.csv",
        "plot,x,y,plot_ha\nA1,500100,4000100,0.04\nA2,500300,4000300,0.04\n"
        "B1,500500,4000100,0.04\nB2,500700,4000300,0.04\n",
    )
    tiny.swap("tract.toml", 'design = "point"\nbaf = 10', 'design = "fixed"')
    np.testing.assert_allclose(tiny.read().plots["plot_acres"], 0.0988422, rtol=1e-6)
    tiny.swap("plots.csv", "plot_ha", "baf_sqm_ha")
    tiny.write("plots.csv", (tiny.folder / "plots.csv").read_text().replace("0.04", "2"))
    tiny.swap("tract.toml", 'design = "fixed"', 'design = "point"')
    np.testing.assert_allclose(tiny.read().plots["baf"], 8.712, rtol=1e-4)


def test_aliases_and_every_way_of_naming_a_species(tiny):
    tiny.write(
        "tally.csv",
        "plot,species,dbh_in,saw_logs\nA1,YP,12,1\nA1,621,12,1\nA1,LITU,12,1\n"
        "A1,Liriodendron tulipifera,12,1\nA1,Yellow Poplar,12,1\n",
    )
    tiny.add("tract.toml", '[species.aliases]\nYP = "yellow-poplar"\n')
    assert list(tiny.read().trees["species_code"]) == [621] * 5


def test_a_row_with_a_plot_and_no_tree_is_no_tree(tiny):
    tiny.swap("tally.csv", "B2,loblolly pine,10.4,,66", "B2,,,,")
    tract = tiny.read()
    assert len(tract.trees) == 4
    assert [(e.row, e.action) for e in tract.ledger] == [(6, "noted")]
    assert [p.what for p in tract.problems] == ["1 plots have no trees in the tally"]


def test_tallied_is_used_plus_set_aside(tiny):
    tiny.write(
        "tally.csv",
        "plot,species,dbh_in,height_ft,count,status\nA1,802,12,70,3,\nA1,802,12,,2,Dead\n"
        "A2,802,12,,0,\nB1,802,12,70,,CULL\nB2,802,12,70,1,live\nX9,802,11,,2,\n",
    )
    tiny.add("plots.csv", "X9,500100,3999980\n")
    tract = tiny.read()
    assert tract.accounting() == {
        "tallied": 9.0,
        "used": 5.0,
        "set aside: a dead tree": 2.0,
        "set aside: its plot is outside every stand": 2.0,
        "set aside: the count is zero": 0.0,
    }
    assert list(tract.trees["status"]) == ["live", "dead", "live", "cull", "live", "live"]
    aside = tract.ledger.to_frame().query("file == 'tally.csv'")
    assert sorted(aside["row"]) == [3, 4, 7]
    assert set(aside["action"]) == {"set aside"}


def test_streams_exclusions_and_units(tiny):
    line = shapely.LineString([(500000, 4000200), (500800, 4000200)])
    tiny.layer("streams.gpkg", [line], kind=["Perennial"])
    tiny.layer("out.gpkg", [shapely.Point(500050, 4000050)], reason=["grave"])
    tiny.layer("units.gpkg", [shapely.box(500000, 4000000, 500200, 4000200)], unit=[1])
    tiny.add(
        "tract.toml",
        '[streams]\nfile = "streams.gpkg"\nclass = "kind"\n'
        "[buffers.widths_ft]\nperennial = 50\n"
        '[exclusions]\nfile = "out.gpkg"\nsetback_ft = 100\n'
        '[units]\nfile = "units.gpkg"\n',
    )
    tract = tiny.read()
    assert tract.problems == ()
    assert list(tract.streams["width_ft"]) == [50.0]
    # a circle of 100 ft radius is 31,416 sq ft; UTM at its central meridian shrinks by 0.9996
    circle = tract.exclusions.area.iloc[0] / 0.3048**2
    assert circle == pytest.approx(np.pi * 100**2, rel=2e-3)
    assert list(tract.units["unit"]) == ["1"]
    assert {str(tract.crs)} == {
        str(x.crs)
        for x in (tract.plots, tract.streams, tract.exclusions, tract.units, tract.stands)
    }


def test_without_specs_the_examples_are_used_and_said(tiny):
    text = (tiny.folder / "tract.toml").read_text()
    tiny.write("tract.toml", text[: text.index("[products]")])
    tract = tiny.read()
    assert tract.prices is None
    assert [p.column for p in tract.problems] == ["products", "prices"]
    assert all(p.severity == "warning" for p in tract.problems)
    assert len(tract.products) > 2


def test_repr_shows_the_tract_in_ten_lines_and_escapes_names(tiny):
    tiny.swap("tract.toml", "Two Squares", "<b>Two</b>")
    tract = tiny.read()
    assert "5 tallied, 5 used, 0 set aside" in repr(tract)
    assert "<b>Two" not in tract._repr_html_()
    assert "&lt;b&gt;Two" in tract._repr_html_()


def test_settings_mirror_the_canonical_columns():
    for table, columns in ((TreesTable, TREE_COLUMNS), (PlotsTable, PLOT_COLUMNS)):
        names = {name for column in columns for name in (column.name, *column.metric)}
        assert names <= set(table.model_fields)
        assert set(table.model_fields) - names <= {
            *("file", "sheet", "layer", "crs"),
            # What is done, not what a column is called:
            *("stand_wins", "in_exclusion", "in_buffer"),
        }


def test_cruise_parts_meet_at_a_tenth_of_an_inch(tiny):
    tiny.swap(
        "tract.toml",
        "baf = 10\n",
        """baf = 10
[[cruise.parts]]
max_dbh_in = 9.4
design = "fixed"
plot_acres = 0.05
[[cruise.parts]]
min_dbh_in = 9.5
baf = 20
""",
    )
    tract = tiny.read()
    laid = tract.design.lay_out(["oak"])
    # 1 / 0.05 acre = 20 trees; BAF 20 at 10 in: 20 / (0.005454154 x 100) = 36.67 trees per acre
    np.testing.assert_allclose(
        laid.trees_per_acre([0, 0, 0], [9.4, 9.45, 10.0]), [20, 20, 36.67], rtol=1e-4
    )


def test_both_ends_of_a_dbh_range_are_in_it(tiny):
    part = "[[cruise.parts]]\nmin_dbh_in = 9.1\nmax_dbh_in = 18.2\nbaf = 10\n"
    tiny.swap("tract.toml", "baf = 10\n", part)
    tract = tiny.read()  # the tally runs from 9.1 to 18.2 in
    assert tract.problems == ()
    assert tract.accounting()["used"] == 5


def test_plot_radius_gives_the_plot_its_acres(tiny):
    # A tenth-acre circle has a radius of 37.2 ft (43,560 / 10 / pi = 37.24^2)
    tiny.swap(
        "tract.toml", 'design = "point"\nbaf = 10', 'design = "fixed"\nplot_radius_ft = 37.24'
    )
    assert tiny.read().design.parts[0].plot_acres == pytest.approx(0.1, rel=1e-3)
