"""The land of an appraisal: the planted conflict, acres that add up, and part-only buffers."""

from dataclasses import replace

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from pyproj import Geod

import standmap
from standmap.cruise import estimate
from standmap.land import rules_from_frame, stream_rule
from standmap.steps.land import lay_out
from standmap.steps.partial import COLUMNS, partial_harvest
from standmap.steps.plots import TallyFigures, figure_tally
from standmap.steps.results import result_tables

SQM_PER_ACRE = 4046.8564224
FT = 0.3048


def geod_acres(shape: shapely.Geometry, crs: object) -> float:
    """Acres on the ellipsoid by pyproj alone."""
    there = gpd.GeoSeries([shape], crs=crs).to_crs(4326).item()
    return abs(Geod(ellps="WGS84").geometry_area_perimeter(there)[0]) / SQM_PER_ACRE


class TestPlantedConflict:
    def test_unit_a_is_found_to_the_hundredth_of_an_acre(self, sample_tract, sample_appraisal):
        # The plain way, in UTM: buffer, dissolve, intersect, measure on the ellipsoid.
        streams = sample_tract.streams.to_crs(26917)
        wet = shapely.union_all(streams.buffer(streams["width_ft"] * FT, quad_segs=64).to_numpy())
        unit = sample_tract.units.set_index("unit").to_crs(26917).geometry["A"]
        want = geod_acres(unit & wet, 26917)
        check = sample_appraisal.land.unit_check
        here = check[(check["unit"] == "A") & (check["reason"] == "stream buffer")]
        # UTM is off by up to 4 parts in 10,000 here in length: 0.02 ft on 50 ft of width.
        assert here["acres"].sum() == pytest.approx(want, abs=0.01)
        assert want > 5 and set(here["verdict"]) == {"conflict"}

    def test_the_other_units_keep_off_the_water(self, sample_appraisal):
        check = sample_appraisal.land.unit_check
        rest = check[(check["unit"] != "A") & (check["reason"] == "stream buffer")]
        assert set(rest["verdict"]) == {"pass"} and (rest["nearest_ft"] > 0).all()

    def test_the_clipped_units_have_no_conflict(self, sample_tract, sample_appraisal):
        clipped = sample_appraisal.land.units_clipped.to_crs(sample_tract.crs)
        again = lay_out(replace(sample_tract, units=clipped))
        assert not again.has_conflict and again.is_settled


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

    def test_nothing_may_be_cut_where_no_rule_says_so(self, sample_appraisal):
        assert sample_appraisal.land.partial_harvest.empty


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

    def work_out(**cells: str) -> pd.Series:
        tract = with_rule(sample_tract, **cells)
        land = lay_out(tract)
        found = result_tables(tract, tally, land).found
        return partial_harvest(tract, tally, land, found).iloc[0]

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
        assert row["keep_basal_area_sqft"] == pytest.approx(60, rel=1e-9)
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
        assert large["basal_area_sqft"] < every["basal_area_sqft"]
        assert large["cut_share_pct"] < every["cut_share_pct"]

    def test_too_thin_to_cut(self, part):
        row = part(keep_basal_area_sqft="400")
        assert row["cut_share_pct"] == 0 and row["value_usd_cut"] == 0
        assert row["keep_basal_area_sqft"] == row["basal_area_sqft"]
        assert "nothing may be cut" in row["note"]

    def test_a_crown_cover_is_not_met_by_a_basal_area(self, part):
        row = part(keep_canopy_pct="50")
        assert np.isnan(row["cut_share_pct"]) and np.isnan(row["value_usd_cut"])
        assert "crown cover is not measured" in row["note"]
        both = part(keep_canopy_pct="50", keep_basal_area_sqft="60")
        assert "crown cover must stay too" in both["note"]

    def test_no_figure_in_the_source_makes_none_here(self, part):
        row = part()
        assert np.isnan(row["cut_share_pct"]) and "gives no figure" in row["note"]

    def test_the_acres_stay_out_of_the_net_acres(self, sample_tract, sample_appraisal):
        land = lay_out(with_rule(sample_tract, keep_basal_area_sqft="60"))
        net = land.acres["net_acres"].sum()
        assert net == pytest.approx(sample_appraisal.net_acres, rel=1e-6)
        kept = land.unit_check.query("unit == 'A' and verdict == 'part only'")
        assert kept["acres"].item() > 1 and not land.is_settled

    def test_columns(self, part):
        assert set(COLUMNS) <= set(part(keep_basal_area_sqft="60").index)
