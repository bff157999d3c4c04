"""Outlines as people draw them, mended or reported."""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.land import (
    find_gaps,
    find_overlaps,
    find_slivers,
    geodesic_acres,
    mend_overlaps,
    mend_polygons,
)
from standmap.units import FT_PER_M, SQM_PER_ACRE

UTM = "EPSG:32617"
EAST, NORTH = 500_000.0, 4_200_000.0


def stands(*shapes: shapely.Geometry | None, crs: str | None = UTM, **columns) -> gpd.GeoDataFrame:
    """Polygons in metres about the middle of a UTM zone, named A, B, C ..."""
    placed = [
        s if s is None else shapely.transform(s, lambda xy: xy + np.array([EAST, NORTH]))
        for s in shapes
    ]
    names = [chr(ord("A") + i) for i in range(len(shapes))]
    return gpd.GeoDataFrame({"stand": names, **columns}, geometry=placed, crs=crs)


def acres_of(square_metres: float) -> float:
    # UTM is 0.9996 to scale in the middle of its zone.
    return square_metres / 0.9996**2 / SQM_PER_ACRE


class TestMendPolygons:
    def test_sound_polygons_are_left_alone(self):
        layer = stands(shapely.box(0, 0, 100, 100), shapely.box(100, 0, 200, 100))
        mended, mends = mend_polygons(layer, "stand")
        assert mends == []
        assert mended.geometry.geom_equals_exact(layer.geometry, tolerance=0).all()

    def test_a_bow_tie_keeps_both_loops(self):
        bow_tie = shapely.Polygon([(0, 0), (100, 100), (100, 0), (0, 100)])
        mended, (mend,) = mend_polygons(stands(bow_tie), "stand")
        assert (mend["id"], mend["row"], mend["action"]) == ("A", 1, "repaired")
        assert mend["unambiguous"]
        assert mend["acres_before"] == pytest.approx(0, abs=1e-6)  # the loops cancel
        assert mend["acres_after"] == pytest.approx(acres_of(5000), rel=1e-6)
        assert mended.geometry.is_valid.all()
        np.testing.assert_allclose(geodesic_acres(mended), [mend["acres_after"]], rtol=1e-12)

    def test_a_loop_inside_the_outline_can_be_read_two_ways(self):
        # The pen cuts a 30 m notch into the stand and, on the way, runs a 30 m loop inside it:
        # is the loop ground or a hole?
        outline = [(0, 0), (100, 0), (100, 100), (0, 100), (0, 50), (60, 50), (60, 80), (30, 80)]
        pen = shapely.Polygon([*outline, (30, 20), (0, 20)])
        _, (mend,) = mend_polygons(stands(pen), "stand")
        assert mend["action"] == "repaired" and not mend["unambiguous"]
        assert mend["acres_after"] == pytest.approx(acres_of(9_100), rel=1e-6)
        assert f"{acres_of(8_200):.4g} acres" in mend["what"]

    def test_a_hole_given_as_a_second_outer_ring_is_asked_about(self):
        # Shapefiles tell holes from parts by the direction of the ring; written the wrong way
        # round, a hole arrives as a part lying on top of its own stand.
        shell, hole = shapely.box(0, 0, 100, 100), shapely.box(40, 40, 60, 60)
        mended, (mend,) = mend_polygons(stands(shapely.MultiPolygon([shell, hole])), "stand")
        assert not mend["unambiguous"]
        assert mend["acres_after"] == pytest.approx(acres_of(10_000), rel=1e-6)
        assert f"{acres_of(9_600):.4g} acres" in mend["what"]
        assert mended.geometry.is_valid.all()

    def test_rings_drawn_either_way_round_are_the_same_stand(self):
        square = shapely.box(0, 0, 100, 100)
        mended, mends = mend_polygons(stands(square, shapely.reverse(square)), "stand")
        assert mends == []
        a, b = geodesic_acres(mended)
        assert a == pytest.approx(b, rel=1e-12)

    def test_repeated_and_collinear_vertices_are_no_fault(self):
        fussy = shapely.Polygon([(0, 0), (0, 0), (50, 0), (100, 0), (100, 100), (0, 100), (0, 0)])
        _, mends = mend_polygons(stands(fussy), "stand")
        assert mends == []

    def test_a_spike_without_area_comes_off(self):
        spiked = shapely.Polygon(
            [(0, 0), (100, 0), (100, 50), (150, 50), (100, 50), (100, 100), (0, 100)]
        )
        mended, (mend,) = mend_polygons(stands(spiked), "stand")
        assert mend["unambiguous"]
        assert mend["acres_after"] == pytest.approx(acres_of(10_000), rel=1e-6)
        assert mended.total_bounds[2] == pytest.approx(EAST + 100)

    def test_holes_and_parts_are_kept(self):
        ring = shapely.box(0, 0, 100, 100) - shapely.box(40, 40, 60, 60)
        two = shapely.MultiPolygon([ring, shapely.box(200, 0, 300, 100)])
        mended, mends = mend_polygons(stands(two), "stand")
        assert mends == []
        np.testing.assert_allclose(geodesic_acres(mended), [acres_of(19_600)], rtol=1e-6)

    def test_features_without_ground_are_set_aside_by_their_row(self):
        layer = stands(
            None,
            shapely.box(0, 0, 100, 100),
            shapely.Polygon(),
            shapely.LineString([(0, 0), (9, 9)]),
            shapely.Polygon([(0, 0), (50, 0), (100, 0)]),
            source_row=[11, 12, 13, 14, 15],
        )
        mended, mends = mend_polygons(layer, "stand")
        assert mended["stand"].tolist() == ["B"]
        assert mended.index.tolist() == [1]
        assert [(m["row"], m["action"]) for m in mends] == [
            (row, "set aside") for row in (11, 13, 14, 15)
        ]

    def test_heights_on_vertices_are_dropped(self):
        layer = stands(shapely.box(0, 0, 100, 100))
        layer = layer.set_geometry(shapely.force_3d(layer.geometry, 250.0))
        mended, mends = mend_polygons(layer, "stand")
        assert mends == [] and not mended.geometry.has_z.any()

    def test_missing_crs(self):
        with pytest.raises(DomainError, match="no coordinate reference system"):
            mend_polygons(stands(shapely.box(0, 0, 1, 1), crs=None), "stand")

    def test_an_empty_layer_passes(self):
        layer = stands(shapely.box(0, 0, 1, 1)).iloc[:0]
        mended, mends = mend_polygons(layer, "stand")
        assert len(mended) == 0 and mends == []


def test_slivers_are_told_by_their_mean_width():
    # 1 m by 99 m: 2 x 99 / 200 = 0.99 m, 3.248 ft (x 1/0.9996 for the projection).
    thin, wide = shapely.box(0, 0, 99, 1), shapely.box(0, 50, 99, 60)
    layer = stands(shapely.MultiPolygon([wide, thin]), wide)
    found = find_slivers(layer, "stand")
    assert found["id"].tolist() == ["A"]
    assert found["width_ft"].item() == pytest.approx(0.99 / 0.9996 * FT_PER_M, rel=1e-5)
    assert found["acres"].item() == pytest.approx(acres_of(99), rel=1e-5)
    _, mends = mend_polygons(layer, "stand")
    assert [m["action"] for m in mends] == ["noted"]


class TestOverlaps:
    def test_found_largest_first(self):
        layer = stands(
            shapely.box(0, 0, 100, 100), shapely.box(99, 0, 200, 100), shapely.box(150, 0, 300, 100)
        )
        found = find_overlaps(layer, "stand")
        assert found[["a", "b"]].to_numpy().tolist() == [["B", "C"], ["A", "B"]]
        np.testing.assert_allclose(found["acres"], [acres_of(5000), acres_of(100)], rtol=1e-5)
        assert found.crs == layer.crs

    def test_neighbours_that_share_a_border_do_not_overlap(self):
        layer = stands(shapely.box(0, 0, 100, 100), shapely.box(100, 0, 200, 100))
        assert find_overlaps(layer, "stand").empty
        assert find_overlaps(layer.iloc[:0], "stand").empty

    def test_a_small_overlap_goes_to_the_longer_border(self):
        # A tongue of A, 4 m wide, pokes 20 m into B: it borders B on three sides, A on one.
        tongue = shapely.box(0, 0, 100, 100) | shapely.box(100, 48, 120, 52)
        layer = stands(tongue, shapely.box(100, 0, 200, 100))
        mended, (mend,), left = mend_overlaps(layer, "stand")
        assert left.empty
        assert mend["id"] == "A" and "given to B" in mend["what"]
        assert mend["acres_before"] - mend["acres_after"] == pytest.approx(acres_of(80), rel=1e-4)
        assert find_overlaps(mended, "stand").empty
        assert mended.geometry.iloc[1].equals_exact(layer.geometry.iloc[1], tolerance=0)
        np.testing.assert_allclose(
            geodesic_acres(mended), [acres_of(10_000), acres_of(10_000)], rtol=1e-6
        )

    def test_a_large_overlap_is_left_for_a_person(self):
        layer = stands(shapely.box(0, 0, 100, 100), shapely.box(90, 0, 200, 100))
        mended, mends, left = mend_overlaps(layer, "stand")
        assert mends == [] and left["acres"].item() == pytest.approx(acres_of(1000), rel=1e-5)
        assert mended.geometry.geom_equals_exact(layer.geometry, tolerance=0).all()

    def test_a_stand_inside_another_keeps_its_ground(self):
        layer = stands(shapely.box(0, 0, 100, 100), shapely.box(40, 40, 50, 50))
        mended, (mend,), _ = mend_overlaps(layer, "stand")
        assert mend["id"] == "A"
        np.testing.assert_allclose(
            geodesic_acres(mended), [acres_of(9_900), acres_of(100)], rtol=1e-6
        )

    def test_the_same_stand_drawn_twice_is_left_for_a_person(self):
        square = shapely.box(0, 0, 15, 15)
        mended, mends, left = mend_overlaps(stands(square, square), "stand")
        assert mends == [] and len(left) == 1
        assert (geodesic_acres(mended) > 0).all()

    def test_three_stands_at_one_corner_leave_no_hole(self):
        layer = stands(
            shapely.box(0, 0, 102, 102),
            shapely.box(100, 0, 300, 102),
            shapely.box(0, 100, 300, 400),
        )
        mended, _, left = mend_overlaps(layer, "stand", max_acres=1)
        assert left.empty and find_overlaps(mended, "stand").empty
        whole = geodesic_acres(gpd.GeoSeries([layer.union_all()], crs=layer.crs))
        np.testing.assert_allclose(geodesic_acres(mended).sum(), whole[0], rtol=1e-9)

    @given(
        st.lists(
            st.tuples(*[st.integers(0, 60)] * 2, *[st.integers(5, 40)] * 2), min_size=2, max_size=6
        ),
        st.randoms(use_true_random=False),
    )
    @settings(max_examples=40, deadline=None)
    def test_mending_keeps_the_ground_whatever_the_order(self, boxes, random):
        shapes = [shapely.box(x, y, x + w, y + h) for x, y, w, h in boxes]
        layer = stands(*shapes)
        mended, _, left = mend_overlaps(layer, "stand", max_acres=0.05)
        assert mended.geometry.is_valid.all()
        before, after = layer.union_all(), mended.union_all()
        np.testing.assert_allclose(after.area, before.area, rtol=1e-7)
        again, mends, _ = mend_overlaps(mended, "stand", max_acres=0.05)
        if left.empty:
            assert mends == []
            assert again.geometry.geom_equals_exact(mended.geometry, tolerance=0).all()
        shuffled = layer.sample(frac=1, random_state=random.randint(0, 999))
        other = mend_overlaps(shuffled, "stand", max_acres=0.05)[0]
        acres = dict(zip(mended["stand"], geodesic_acres(mended), strict=True))
        for name, value in zip(other["stand"], geodesic_acres(other), strict=True):
            assert value == pytest.approx(acres[name], rel=1e-6, abs=1e-6)


class TestGaps:
    def test_an_open_gap_between_two_stands(self):
        layer = stands(shapely.box(0, 0, 100, 100), shapely.box(101, 0, 200, 100))
        gap = find_gaps(layer, "stand")
        assert gap["between"].tolist() == ["A, B"] and not gap["enclosed"].item()
        assert gap["acres"].item() == pytest.approx(acres_of(100), rel=1e-4)

    def test_an_enclosed_hole_is_told_whatever_its_width(self):
        ring = shapely.box(0, 0, 100, 100) - shapely.box(40, 40, 60, 60)
        gap = find_gaps(stands(ring), "stand")
        assert gap["enclosed"].item() and gap["between"].item() == "A"
        assert gap["acres"].item() == pytest.approx(acres_of(400), rel=1e-5)

    def test_no_gap_where_stands_meet_or_stand_far_apart(self):
        layer = stands(
            shapely.box(0, 0, 100, 100), shapely.box(100, 0, 200, 100), shapely.box(250, 0, 300, 9)
        )
        assert find_gaps(layer, "stand").empty
        assert find_gaps(layer.iloc[:0], "stand").empty

    def test_a_narrow_notch_in_one_stand_is_no_gap_between_stands(self):
        notched = shapely.box(0, 0, 100, 100) - shapely.box(90, 50, 100, 51)
        assert find_gaps(stands(notched), "stand").empty
