"""The land of an appraisal: the planted conflict, acres that add up, and part-only buffers."""

from dataclasses import replace
from pathlib import Path

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import rasterio
import shapely
from pyproj import Geod
from scipy import ndimage

import standmap
from standmap.cruise import estimate
from standmap.land import rules_from_frame, stream_rule
from standmap.steps.land import lay_out
from standmap.steps.partial import COLUMNS, partial_harvest
from standmap.steps.plots import TallyFigures, figure_tally
from standmap.steps.results import result_tables

SAMPLE = Path(__file__).parents[2] / "sample_gis"
SQM_PER_ACRE = 4046.8564224
FT = 0.3048


def geod_acres(shape: shapely.Geometry, crs: object) -> float:
    """Acres on the ellipsoid by pyproj alone."""
    there = gpd.GeoSeries([shape], crs=crs).to_crs(4326).item()
    return abs(Geod(ellps="WGS84").geometry_area_perimeter(there)[0]) / SQM_PER_ACRE


CELL_M = 1.0
"""Cells of the count below."""


def plan_width_ft(kind: str, slope_pct: np.ndarray) -> np.ndarray:
    """The sample's rules.csv by hand: what is kept beyond the bank, on the flat."""
    if kind != "perennial":
        return np.full(slope_pct.shape, {"intermittent": 50.0, "ephemeral": 25.0}[kind])
    along_ground = np.minimum(20 + 1.5 * slope_pct, 120)
    return 35 + along_ground / np.sqrt(1 + (slope_pct / 100) ** 2)


def bank_slopes(line: shapely.LineString, along: np.ndarray, side: int, off: np.ndarray,
                elevation, to_map) -> np.ndarray:  # fmt: skip
    """Slope of the line fitted to elevations every 10 ft, 100 ft out from the bank. [%]"""
    chord = 25 * FT
    a = shapely.get_coordinates(shapely.line_interpolate_point(line, np.maximum(along - chord, 0)))
    b = shapely.get_coordinates(
        shapely.line_interpolate_point(line, np.minimum(along + chord, line.length))
    )
    way = (b - a) / np.linalg.norm(b - a, axis=1)[:, None]
    out = side * np.column_stack([-way[:, 1], way[:, 0]])
    at = shapely.get_coordinates(shapely.line_interpolate_point(line, along))
    reach = np.arange(0, 101, 10) * FT
    xy = at[:, None] + out[:, None] * (off[:, None, None] + reach[None, :, None])
    col, row = (xy[..., 0] - to_map.c) / to_map.a - 0.5, (xy[..., 1] - to_map.f) / to_map.e - 0.5
    z = ndimage.map_coordinates(elevation, [row, col], order=1)
    return 100 * np.abs(np.polyfit(reach, z.T, 1)[0])


def plain_buffer(streams: gpd.GeoDataFrame, points: np.ndarray, elevation, to_map) -> np.ndarray:
    """Whether each point is kept, by the slope of the bank abreast of it: no polygon is drawn."""
    kept = np.zeros(len(points), dtype=bool)
    spots = shapely.points(points)
    for stream in streams.itertuples():
        line, off = stream.geometry, stream.channel_ft / 2 * FT
        near = shapely.dwithin(line, spots, 60.0)
        if not near.any():
            continue
        here = spots[near]
        along = shapely.line_locate_point(line, here)
        distance = shapely.distance(line, here)
        left = shapely.distance(shapely.offset_curve(line, 0.5), here) < distance
        away = np.full(len(here), off)
        slope = np.where(
            left,
            bank_slopes(line, along, 1, away, elevation, to_map),
            bank_slopes(line, along, -1, away, elevation, to_map),
        )
        width = plan_width_ft(str(stream[streams.columns.get_loc("class") + 1]), slope)
        kept[np.flatnonzero(near)] |= distance <= off + width * FT
    return kept


class TestPlantedConflict:
    """Unit A was drawn across the creek, and the rule there follows the ground."""

    def test_unit_a_is_found_to_the_acre(self, sample_tract, sample_appraisal):
        # The plain way, in UTM: a count of cells, each held against the bank abreast of it.
        streams = gpd.read_file(SAMPLE / "streams.gpkg").explode(ignore_index=True)
        unit = gpd.read_file(SAMPLE / "units.gpkg").set_index("unit").geometry["A"]
        left, bottom, right, top = unit.bounds
        x, y = np.meshgrid(np.arange(left, right, CELL_M), np.arange(bottom, top, CELL_M))
        points = np.column_stack([x.ravel(), y.ravel()])
        points = points[shapely.contains_xy(unit, points)]
        with rasterio.open(SAMPLE / "elevation.tif") as source:
            kept = plain_buffer(streams, points, source.read(1), source.transform)
        # Where only part may be cut, an exclusion claims the ground first.
        exclusions = gpd.read_file(SAMPLE / "exclusions.gpkg").union_all()
        creek = streams[streams["class"] == "perennial"]
        strip = creek.buffer((35 + creek["channel_ft"] / 2) * FT).union_all()
        free = ~shapely.contains_xy(exclusions, points) | shapely.contains_xy(strip, points)
        want = (kept & free).sum() * CELL_M**2 / SQM_PER_ACRE
        check = sample_appraisal.land.unit_check
        here = check[(check["unit"] == "A") & (check["reason"] == "stream buffer")]
        # Widths run straight between stations 50 ft apart, and bends are drawn otherwise.
        assert here["acres"].sum() == pytest.approx(want, abs=0.03)
        assert want > 5

    def test_what_nobody_may_cut_of_it_is_found_to_the_hundredth(
        self, sample_tract, sample_appraisal
    ):
        # 35 ft beyond each bank of perennial water, whatever the slope.
        streams = sample_tract.streams.to_crs(26917)
        creek = streams[streams["class"] == "perennial"]
        reach = (35 + creek["channel_ft"] / 2) * FT
        wet = shapely.union_all(creek.buffer(reach, quad_segs=64).to_numpy())
        unit = sample_tract.units.set_index("unit").to_crs(26917).geometry["A"]
        want = geod_acres(unit & wet, 26917)
        check = sample_appraisal.land.unit_check
        here = check[(check["unit"] == "A") & (check["reason"] == "stream buffer")]
        strict = here[here["verdict"] == "conflict"]
        # UTM is off by up to 4 parts in 10,000 here in length: 0.02 ft on 50 ft of width.
        assert strict["acres"].sum() == pytest.approx(want, abs=0.01)
        assert strict["zone"].tolist() == ["bank strip"] and want > 1

    def test_the_other_units_keep_off_the_water(self, sample_appraisal):
        check = sample_appraisal.land.unit_check
        rest = check[(check["unit"] != "A") & (check["reason"] == "stream buffer")]
        assert set(rest["verdict"]) == {"pass"} and (rest["nearest_ft"] > 0).all()

    def test_the_clipped_units_have_no_conflict(self, sample_tract, sample_appraisal):
        clipped = sample_appraisal.land.units_clipped.to_crs(sample_tract.crs)
        again = lay_out(replace(sample_tract, units=clipped))
        assert set(again.unit_check["verdict"]) == {"pass"}
        # The sample's roads are another matter, and stay as they are.
        assert again.has_conflict and again.roads.has_conflict
        assert not sample_appraisal.land.is_settled


class TestAcres:
    def test_reasons_add_up_to_the_stands(self, sample_appraisal):
        land = sample_appraisal.land
        assert land.reasons["acres"].sum() == pytest.approx(sample_appraisal.gross_acres, rel=1e-9)
        net = land.reasons.loc[land.reasons["reason"] == "", "acres"].item()
        assert net == pytest.approx(sample_appraisal.net_acres, rel=1e-9)
        by_piece = land.pieces.groupby("reason")["acres"].sum()
        by_reason = land.reasons.groupby("reason")["acres"].sum()
        pd.testing.assert_series_equal(by_piece, by_reason, check_names=False, rtol=1e-9)

    def test_every_layer_is_valid_in_degrees(self, sample_appraisal):
        land = sample_appraisal.land
        for layer in (land.pieces, land.buffers, land.exclusions, land.conflicts,
                      land.units_clipped):  # fmt: skip
            assert layer.crs == "EPSG:4326" and layer.is_valid.all()

    def test_nothing_may_be_cut_where_no_rule_says_so(self, sample_tract, tally):
        tract = with_rule(sample_tract, cutting="")
        tract = replace(tract, stream_rules={**dict.fromkeys(tract.stream_rules), "perennial":
                                             tract.stream_rules["perennial"]})  # fmt: skip
        land = lay_out(tract)
        found = result_tables(tract, tally, land).found
        made = partial_harvest(tract, tally, land, found)
        assert made.zones.empty and made.residuals.empty and land.acres["buffer_acres"].sum() > 1


def with_rule(tract: standmap.Tract, **cells: str) -> standmap.Tract:
    """The sample tract with the rule of its perennial water in a table of one row."""
    row = {"jurisdiction": "x", "water_class": "perennial", "width_ft": "75",
           "cutting": "partial", "source": "s", "evidence": "read", **cells}  # fmt: skip
    rules, problems = rules_from_frame(pd.DataFrame([row]))
    assert not problems
    mine = {**tract.stream_rules, "perennial": stream_rule("x", "perennial", rules=rules)}
    return replace(tract, stream_rules=mine)


@pytest.fixture(scope="module")
def tally(sample_tract) -> TallyFigures:
    return figure_tally(sample_tract, ledger=sample_tract.ledger.copy())


@pytest.fixture(scope="module")
def part(sample_tract, tally):
    """A function that works out the perennial zone under a rule."""

    def work_out(*, canopy: bool = True, **cells: str) -> pd.Series:
        tract = with_rule(sample_tract, **cells)
        if not canopy:
            tract = replace(tract, rasters={"elevation": tract.rasters["elevation"]})
        land = lay_out(tract)
        found = result_tables(tract, tally, land).found
        made = partial_harvest(tract, tally, land, found)
        mine = made.residuals[made.residuals["class"] == "perennial"].set_index("measure")
        zone = made.zones.set_index("class").loc["perennial"]
        return pd.concat([zone, pd.Series({"class": "perennial", "asked": mine})])

    return work_out


@pytest.fixture(scope="module")
def standing(sample_tract, tally):
    """Sample and acres of the perennial zone, for a second way to the same figures."""
    tract = with_rule(sample_tract)
    land = lay_out(tract)
    found = result_tables(tract, tally, land).found
    pieces = land.pieces[land.pieces["class"] == "perennial"]
    acres = pieces.groupby("stand")["acres"].sum().reindex(list(found.stands), fill_value=0.0)
    return found, acres


class TestPartOnly:
    def test_a_basal_area_leaves_what_is_over_it(self, part, standing):
        found, acres = standing
        row = part(keep_basal_area_sqft="60")
        whole = found.total(acres)
        names = list(whole.attributes)
        area = whole.estimate[0, names.index("basal_area_sqft")]
        value = whole.estimate[0, names.index("value_usd")]
        assert row["acres"] == pytest.approx(acres.sum(), rel=1e-9)
        assert row["basal_area_sqft"] == pytest.approx(area / acres.sum(), rel=1e-9)
        assert row["asked"].loc["basal area", "must_stay"] == pytest.approx(60, rel=1e-9)
        assert row["value_usd_cut"] == pytest.approx(
            value * (1 - 60 * acres.sum() / area), rel=1e-9
        )

    def test_its_error_is_that_of_the_linearised_figure_plot_by_plot(self, part, standing):
        # A second way: one figure a plot, v (1 - R/B) + b V R / B^2, estimated like any other.
        found, acres = standing
        row = part(keep_basal_area_sqft="60")
        names = list(found.sample.attributes)
        values = np.asarray(found.sample.values)
        area, value = (values[:, names.index(n)] for n in ("basal_area_sqft", "value_usd"))
        share = 1 - 60 / row["basal_area_sqft"]
        total_area = row["basal_area_sqft"] * acres.sum()
        line = share * value + row["value_usd"] * (1 - share) / total_area * area
        one = estimate(replace(found.sample, values=line[:, None], attributes=["z"])).total(acres)
        want = 100 * one.se[0, 0] / row["value_usd_cut"]
        whole = found.total(acres)
        at = names.index("value_usd")
        t = whole.half_width[0, at] / whole.se[0, at]
        assert row["value_usd_cut_error_pct"] == pytest.approx(t * want, rel=1e-6)

    def test_a_share_cuts_the_rest_with_the_error_of_the_whole(self, part):
        row = part(keep_share_pct="70", keep_share_of="basal area")
        assert row["cut_share_pct"] == pytest.approx(30, rel=1e-12)
        assert row["value_usd_cut"] == pytest.approx(0.3 * row["value_usd"], rel=1e-12)
        assert row["value_usd_cut_error_pct"] == pytest.approx(row["value_usd_error_pct"], rel=1e-9)

    def test_of_two_figures_both_hold(self, part):
        low = part(keep_basal_area_sqft="60")
        both = part(keep_basal_area_sqft="60", keep_share_pct="90", keep_share_of="basal area")
        assert both["cut_share_pct"] == pytest.approx(10) and low["cut_share_pct"] > 10

    def test_small_trees_do_not_count_where_the_rule_says_so(self, part):
        every = part(keep_basal_area_sqft="60")
        large = part(keep_basal_area_sqft="60", keep_min_dbh_in="14")
        assert large["asked"]["now"].item() < every["asked"]["now"].item()
        assert large["cut_share_pct"] < every["cut_share_pct"]

    def test_too_thin_to_cut(self, part):
        row = part(keep_basal_area_sqft="400")
        assert row["cut_share_pct"] == 0 and row["value_usd_cut"] == 0
        assert row["asked"]["must_stay"].item() == row["basal_area_sqft"]
        assert "nothing may be cut" in row["note"]

    def test_a_crown_cover_is_not_met_by_a_basal_area(self, part):
        row = part(keep_canopy_pct="50", canopy=False)
        assert np.isnan(row["cut_share_pct"]) and np.isnan(row["value_usd_cut"])
        cover = row["asked"].loc["crown cover"]
        assert np.isnan(cover["must_stay"]) and np.isnan(cover["may_go_pct"])
        assert "plots do not measure crown cover" in cover["note"]
        both = part(keep_canopy_pct="50", keep_basal_area_sqft="60", canopy=False)
        assert "50 % crown cover must stay too, which is not figured" in both["note"]
        either = part(keep_canopy_pct="50", keep_basal_area_sqft="60", keep_how="any", canopy=False)
        assert "would do as well" in either["note"] and either["cut_share_pct"] > 0

    def test_crown_cover_is_that_of_the_raster_over_the_zone(self, sample_tract, part):
        # A plain count of the cells whose centres lie in the zone.
        row = part(keep_canopy_pct="50")
        land = lay_out(with_rule(sample_tract, keep_canopy_pct="50"))
        with rasterio.open(sample_tract.rasters["canopy"]) as source:
            height, to_map, crs = source.read(1), source.transform, source.crs
        zone = land.pieces[land.pieces["class"] == "perennial"].to_crs(crs).union_all()
        rows, cols = np.indices(height.shape)
        x = to_map.c + to_map.a * (cols.ravel() + 0.5)
        y = to_map.f + to_map.e * (rows.ravel() + 0.5)
        inside = height.ravel()[shapely.contains_xy(zone, x, y)]
        want = 100 * np.mean(inside * 3.28084 > 10)
        cover = row["asked"].loc["crown cover"]
        assert len(inside) > 2000 and cover["now"] == pytest.approx(want, abs=0.5)
        assert row["cut_share_pct"] == pytest.approx(100 * (1 - 50 / cover["now"]), rel=1e-9)
        # The raster's error is not known: the volume's own is all there is.
        assert row["value_usd_cut_error_pct"] == pytest.approx(row["value_usd_error_pct"], rel=1e-9)

    def test_each_share_is_taken_of_its_own_measure(self, part, standing):
        found, acres = standing
        whole = found.total(acres)
        names = list(whole.attributes)
        for of, measure, column in (
            ("basal area", "basal area", "basal_area_sqft"),
            ("volume", "volume", "bf_doyle"),
            ("stems", "trees", "trees"),
        ):
            row = part(keep_share_pct="70", keep_share_of=of)["asked"].loc[measure]
            per_acre = whole.estimate[0, names.index(column)] / acres.sum()
            assert row["now"] == pytest.approx(per_acre, rel=1e-9)
            assert row["must_stay"] == pytest.approx(0.7 * per_acre, rel=1e-9)
            assert row["now_error_pct"] == pytest.approx(
                whole.error_pct[0, names.index(column)], rel=1e-9
            )
        upper = part(keep_share_pct="50", keep_share_of="overstory trees")["asked"].loc["trees"]
        assert "crown classes were not" in upper["note"]
        strange = part(keep_share_pct="50", keep_share_of="shade")
        assert "nothing here measures it" in strange["asked"]["note"].item()
        assert np.isnan(strange["cut_share_pct"])

    def test_trees_along_the_bank_by_the_length_of_both(self, sample_tract, part):
        row = part(keep_stems_per_100_ft="10", keep_min_dbh_in="8")
        trees = part(keep_share_pct="50", keep_share_of="stems", keep_min_dbh_in="8")
        utm = sample_tract.streams.to_crs(26917)
        lines = utm[utm["class"] == "perennial"].intersection(
            sample_tract.stands.to_crs(26917).union_all()
        )
        hundreds = 2 * lines.length.sum() / FT / 100
        want = trees["asked"]["now"].item() * trees["acres"] / hundreds
        found = row["asked"].loc["trees along the bank"]
        assert found["now"] == pytest.approx(want, rel=1e-3)  # UTM is off by 4 in 10,000
        assert row["cut_share_pct"] == pytest.approx(100 * (1 - 10 / found["now"]), rel=1e-9)

    def test_of_two_measures_the_one_that_leaves_least_decides(self, part):
        both = part(keep_stems_per_100_ft="10", keep_min_dbh_in="8", keep_share_pct="50",
                    keep_share_of="stems", keep_years="10")  # fmt: skip
        assert both["cut_share_pct"] == pytest.approx(both["asked"]["may_go_pct"].min())
        assert "the last 10 years" in both["note"]

    def test_no_figure_in_the_source_makes_none_here(self, part):
        row = part()
        assert np.isnan(row["cut_share_pct"]) and "gives no figure" in row["note"]

    def test_the_acres_stay_out_of_the_net_acres(self, sample_tract, sample_appraisal):
        land = lay_out(with_rule(sample_tract, keep_basal_area_sqft="60"))
        strict = lay_out(with_rule(sample_tract, cutting="none"))
        net = land.acres["net_acres"].sum()
        assert net == pytest.approx(strict.acres["net_acres"].sum(), rel=1e-9)
        kept = land.unit_check.query("unit == 'A' and verdict == 'part only'")
        assert kept["acres"].max() > 1 and not land.is_settled

    def test_columns(self, part):
        assert set(COLUMNS) <= set(part(keep_basal_area_sqft="60").index)
