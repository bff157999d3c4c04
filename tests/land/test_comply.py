"""Harvest units against what must stay: to the acre, each acre once, in any order."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.land import check_units, exclude, geodesic_acres, local_crs

FT = 0.3048
PLANE = local_crs(gpd.GeoSeries([shapely.box(-80.01, 37.99, -79.99, 38.01)], crs=4326))
SQFT_PER_ACRE = 43_560


def in_feet(shapes: list[shapely.Geometry], **columns) -> gpd.GeoDataFrame:
    scaled = [shapely.transform(shape, lambda xy: xy * FT) for shape in shapes]
    return gpd.GeoDataFrame(columns, geometry=scaled, crs=PLANE)


def zones(**more) -> gpd.GeoDataFrame:
    """A creek along y = 0: nothing cut to 50 ft, part cut from there to 100 ft."""
    return in_feet(
        [shapely.box(-900, -50, 900, 50),
         shapely.box(-900, 50, 900, 100) | shapely.box(-900, -100, 900, -50)],
        **{"class": ["perennial"] * 2},
        zone=["inner", "outer"], zone_number=[1, 2], cutting=["none", "partial"],
        width_ft=[100.0] * 2, **more,
    )  # fmt: skip


UNIT = in_feet([shapely.box(0, 20, 300, 420)], unit=["A"])


class TestOneUnit:
    def test_every_acre_under_its_strictest_rule(self):
        # 30 ft of the inner zone, 50 of the outer, of which a graveyard of 50 x 50 takes a part.
        graves = in_feet([shapely.box(100, 50, 150, 100)], reason=["graveyard"])
        found = check_units(UNIT, zones(), graves, crs=PLANE)
        acres = found.table.set_index(["reason", "zone"])["acres"] * SQFT_PER_ACRE
        assert acres.index.tolist() == [
            ("stream buffer", "inner"), ("graveyard", ""), ("stream buffer", "outer")
        ]  # fmt: skip
        np.testing.assert_allclose(acres, [300 * 30, 2500, 300 * 50 - 2500], rtol=1e-6)
        left = found.clipped["acres"].item() * SQFT_PER_ACRE
        assert left == pytest.approx(300 * 320, rel=1e-6)
        assert found.clipped["gross_acres"].item() * SQFT_PER_ACRE == pytest.approx(
            300 * 400, rel=1e-6
        )

    def test_the_ground_at_issue_is_the_ground(self):
        ground = check_units(UNIT, zones(), None, crs=PLANE).ground.set_index("zone").geometry
        want = in_feet([shapely.box(0, 20, 300, 50), shapely.box(0, 50, 300, 100)]).geometry
        for name, shape in zip(("inner", "outer"), want, strict=True):
            assert ground[name].symmetric_difference(shape).area == pytest.approx(0, abs=1e-4)

    def test_how_far_off_it_keeps(self):
        far = in_feet([shapely.box(0, 175, 300, 420)], unit=["far"])
        table = check_units(far, zones(), None, crs=PLANE).table
        np.testing.assert_allclose(table["nearest_ft"], [125, 75], rtol=1e-9)
        np.testing.assert_allclose(table["acres"], 0, atol=0)

    def test_a_rule_that_was_not_read_is_told_of_where_it_decides(self):
        sure = zones(verified=[True, False])
        assert check_units(UNIT, sure, None, crs=PLANE).table["verified"].tolist() == [True, False]

    def test_the_unread_rule_of_a_distant_stream_leaves_a_nearer_answer_alone(self):
        both = in_feet(
            [shapely.box(-900, -50, 900, 50), shapely.box(-900, 5000, 900, 5050)],
            **{"class": ["perennial"] * 2}, width_ft=[50.0] * 2, verified=[True, False],
        )  # fmt: skip
        assert check_units(UNIT, both, None, crs=PLANE).table["verified"].tolist() == [True]

    def test_ground_outside_the_stands_counts(self):
        # `check_units` knows nothing of stands: a neighbour's bank is a bank.
        assert check_units(UNIT, zones(), None, crs=PLANE).table["acres"].sum() > 0

    def test_a_unit_wholly_inside_has_nothing_left(self):
        small = in_feet([shapely.box(0, -10, 20, 10)], unit=["s"])
        clipped = check_units(small, zones(), None, crs=PLANE).clipped
        assert clipped["acres"].item() == 0 and clipped.geometry.item().is_empty

    def test_nothing_to_keep_off(self):
        found = check_units(UNIT, None, None, crs=PLANE)
        assert found.table.empty and found.ground.empty and len(found.clipped) == 1
        none = check_units(UNIT.iloc[:0], zones(), None, crs=PLANE)
        assert none.table.empty and none.clipped.empty

    def test_in_degrees(self):
        there = check_units(UNIT.to_crs(4326), zones().to_crs(4326), None, crs=PLANE)
        here = check_units(UNIT, zones(), None, crs=PLANE)
        assert there.ground.crs == "EPSG:4326" == there.clipped.crs
        np.testing.assert_allclose(there.table["acres"], here.table["acres"], rtol=1e-6)


class TestStrictness:
    def test_a_graveyard_in_ground_of_which_part_may_be_cut_is_a_graveyard(self):
        stands = in_feet([shapely.box(0, 0, 300, 400)], stand=["1"])
        graves = in_feet([shapely.box(0, 0, 300, 400)], reason=["graveyard"])
        by = exclude(stands, zones(), graves).groupby(["reason", "zone"])["acres"].sum()
        assert set(by.index) == {("stream buffer", "inner"), ("graveyard", "")}

    def test_cutting_not_stated_is_taken_as_none(self):
        silent = zones().assign(cutting="")
        graves = in_feet([shapely.box(0, 0, 300, 400)], reason=["graveyard"])
        found = check_units(UNIT, silent, graves, crs=PLANE).table
        assert found["reason"].tolist() == ["stream buffer", "stream buffer", "graveyard"]

    def test_the_inner_zone_of_one_creek_beats_the_outer_zone_of_another(self):
        here = zones()
        turned = here.assign(geometry=here.rotate(90, origin=(0, 0)), width_ft=300.0)
        turned["class"] = "river"
        claims = check_units(UNIT, here.assign(cutting="none"), None, crs=PLANE).claims
        assert claims["zone"].tolist() == ["inner", "outer"]
        both = gpd.GeoDataFrame(gpd.pd.concat([here, turned]).assign(cutting="none"), crs=PLANE)
        order = check_units(UNIT, both, None, crs=PLANE).claims[["class", "zone"]].to_numpy()
        assert order.tolist() == [
            ["river", "inner"], ["perennial", "inner"], ["river", "outer"], ["perennial", "outer"]
        ]  # fmt: skip


def tangle(seed: int) -> dict[str, gpd.GeoDataFrame]:
    """Units, buffers and exclusions lying across each other anyhow."""
    rng = np.random.default_rng(seed)
    points = rng.uniform(-1500, 1500, (24, 2))
    radius = rng.uniform(50, 700, 24)
    blobs = [
        shapely.Point(p).buffer(r, quad_segs=int(q))
        for p, r, q in zip(points, radius, rng.integers(1, 6, 24), strict=True)
    ]
    return {
        "units": in_feet(blobs[:6], unit=list("abcabd")),
        "buffers": in_feet(
            blobs[6:14],
            **{"class": rng.choice(["p", "i"], 8)},
            zone_number=rng.integers(1, 3, 8), cutting=rng.choice(["none", "partial", "any"], 8),
            width_ft=rng.choice([50.0, 75.0], 8),
        ).assign(zone=lambda f: f["zone_number"].astype(str)),
        "exclusions": in_feet(blobs[14:], reason=rng.choice(["bog", "road", "graves"], 10)),
    }  # fmt: skip


class TestTangles:
    """What must hold for any tangle."""

    @given(st.integers(0, 10_000))
    @settings(max_examples=20, deadline=None)
    def test_what_is_taken_and_what_is_left_add_up_to_the_unit(self, seed):
        layers = tangle(seed)
        found = check_units(**layers, crs=PLANE)
        taken = found.table.groupby("unit")["acres"].sum()
        whole = found.clipped.set_index("unit")
        np.testing.assert_allclose(
            taken.reindex(whole.index, fill_value=0) + whole["acres"], whole["gross_acres"],
            rtol=1e-6, atol=1e-7,
        )  # fmt: skip
        kept = layers["buffers"].union_all() | layers["exclusions"].union_all()
        want = layers["units"].dissolve("unit").geometry.difference(kept)
        np.testing.assert_allclose(whole["acres"], geodesic_acres(want), rtol=1e-6, atol=1e-5)

    @given(st.integers(0, 10_000))
    @settings(max_examples=15, deadline=None)
    def test_a_clipped_unit_passes(self, seed):
        layers = tangle(seed)
        clipped = check_units(**layers, crs=PLANE).clipped
        clipped = clipped[~clipped.is_empty]
        again = check_units(clipped, layers["buffers"], layers["exclusions"], crs=PLANE)
        assert again.table["acres"].sum() == pytest.approx(0, abs=1e-6)

    @given(st.integers(0, 10_000), st.integers(0, 10_000))
    @settings(max_examples=15, deadline=None)
    def test_the_order_of_rows_changes_nothing(self, seed, shuffle):
        layers = tangle(seed)
        mixed = {k: v.sample(frac=1, random_state=shuffle) for k, v in layers.items()}
        keys = ["unit", "reason", "class", "zone", "cutting"]
        order = ["graves", "bog", "road"]
        one = check_units(**layers, crs=PLANE, reasons=order).table.set_index(keys)
        other = check_units(**mixed, crs=PLANE, reasons=order).table.set_index(keys)
        assert set(one.index) == set(other.index)
        other = other.reindex(one.index)
        np.testing.assert_allclose(one["acres"], other["acres"], rtol=1e-6, atol=1e-6)
        np.testing.assert_allclose(one["nearest_ft"], other["nearest_ft"], rtol=1e-9, atol=1e-5)
