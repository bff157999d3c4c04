"""Every cut and every mend keeps the ground, or changes it by what it says.

Mending, cutting out, netting, units, clipping and proposals over random tangles of polygons and
lines: acres kept to 1e-6, no piece over another, nothing changed by doing it twice or in another
order. Areas are held against a count of points on a lattice too, which knows nothing of overlays.
"""

import geopandas as gpd
import numpy as np
import pytest
import shapely
from hypothesis import example, given, settings
from hypothesis import strategies as st

from standmap.land import (
    buffer_streams,
    check_units,
    exclude,
    find_gaps,
    find_overlaps,
    fixed_width,
    follow_ground,
    geodesic_acres,
    give_slivers,
    local_crs,
    mend_overlaps,
    mend_polygons,
    propose_units,
    set_back,
)
from standmap.land._overlay import CROWD, GRID_M, are_clear, carve, meet, share_corners, without
from standmap.land.propose import DUST_ACRES
from standmap.units import FT_PER_M, SQM_PER_ACRE

PLANE = local_crs(gpd.GeoSeries([shapely.box(-80.01, 37.99, -79.99, 38.01)], crs=4326))
SEEDS = st.integers(0, 10_000)
SOME = settings(max_examples=15, deadline=None)


def stands_of(seed: int, n: int = 8, wobble: float = 0.0) -> gpd.GeoDataFrame:
    """Stands that tile a square of 800 m; with a wobble, drawn carelessly over and short of it."""
    rng = np.random.default_rng(seed)
    tract = shapely.box(0, 0, 800, 800)
    seeds = shapely.multipoints(rng.uniform(0, 800, (n, 2)))
    cells = shapely.intersection(shapely.get_parts(shapely.voronoi_polygons(seeds)), tract)
    cells = cells[shapely.area(cells) > 100]
    if wobble:
        drawn = shapely.buffer(cells, rng.uniform(-wobble, wobble, len(cells)), join_style="mitre")
        cells = drawn[shapely.area(drawn) > 100]
    names = [f"s{i}" for i in range(len(cells))]
    return gpd.GeoDataFrame({"stand": names}, geometry=cells, crs=PLANE)


def lines_of(seed: int, n: int = 3) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(seed + 1)
    lines = [shapely.LineString(rng.uniform(-50, 850, (int(k), 2))) for k in rng.integers(2, 7, n)]
    return gpd.GeoDataFrame({"class": [f"c{i % 2}" for i in range(n)]}, geometry=lines, crs=PLANE)


def blobs_of(seed: int, n: int = 5, column: str = "reason") -> gpd.GeoDataFrame:
    rng = np.random.default_rng(seed + 2)
    shapes = shapely.buffer(
        shapely.points(rng.uniform(0, 800, (n, 2))), rng.uniform(10, 150, n), quad_segs=4
    )
    names = [f"r{i % 3}" for i in range(n)] if column == "reason" else [f"u{i}" for i in range(n)]
    return gpd.GeoDataFrame({column: names}, geometry=shapes, crs=PLANE)


def ground(layer: gpd.GeoDataFrame | gpd.GeoSeries) -> float:
    """Acres covered, each once."""
    return float(geodesic_acres(gpd.GeoSeries([layer.union_all()], crs=layer.crs))[0])


def hairlines(layer: gpd.GeoDataFrame) -> float:
    """Acres that polygons share in strips of a mean width below 0.1 ft; there must be no other."""
    shapes = layer.geometry.to_numpy()
    a, b = shapely.STRtree(shapes).query(shapes)
    shared = shapely.intersection(shapes[a[a < b]], shapes[b[a < b]], grid_size=GRID_M)
    length = np.maximum(shapely.length(shared), 1e-9)
    assert (2 * shapely.area(shared) / length < 0.1 / FT_PER_M).all()
    return float(shapely.area(shared).sum() / SQM_PER_ACRE)


def lattice_area(polygon: shapely.Geometry, step: float) -> float:
    """Count lattice points inside. A cell is misjudged only where the outline crosses it."""
    left, low, right, high = shapely.bounds(polygon)
    x, y = np.meshgrid(np.arange(left, right, step), np.arange(low, high, step))
    shapely.prepare(polygon)
    return shapely.contains_xy(polygon, x.ravel(), y.ravel()).sum() * step**2


class TestFreeAndGriddedOverlay:
    """Free overlay, where it is allowed, gives what the grid gives."""

    @given(SEEDS)
    @SOME
    def test_alike(self, seed):
        one = stands_of(seed).geometry.to_numpy()
        other = buffer_streams(lines_of(seed), 40).geometry.to_numpy()
        a, b = (side.ravel() for side in np.meshgrid(one, other))
        for ours, plain in ((meet, shapely.intersection), (without, shapely.difference)):
            got, want = ours(a, b), plain(a, b, grid_size=GRID_M)
            apart = shapely.area(shapely.symmetric_difference(got, want))
            assert (apart <= 2 * GRID_M * (shapely.length(got) + 1)).all()

    def test_a_corner_on_a_line_or_within_a_millimetre_is_not_clear(self):
        base = np.array([shapely.box(0, 0, 100, 100)])
        for gap, clear in ((0.0, False), (5e-4, False), (-5e-4, False), (0.01, True)):
            beside = np.array([shapely.box(100 + gap, 20, 200, 40)])
            assert are_clear(base, beside).tolist() == [clear]
            assert are_clear(beside, base).tolist() == [clear]
        through = np.array([shapely.box(-10, 20, 110, 40)])
        assert are_clear(base, through).tolist() == [True]

    def test_touching_polygons_share_nothing(self):
        # GEOS, off its grid, now and then takes one of these to lie inside the other.
        rng = np.random.default_rng(4)
        for _ in range(200):
            xy = rng.uniform(0, 1000, (4, 2))
            split = np.array(shapely.delaunay_triangles(shapely.multipoints(xy)).geoms)
            if len(split) == 2:
                assert shapely.area(meet(split[:1], split[1:]))[0] < 1e-3


class TestCarve:
    @given(SEEDS)
    @SOME
    def test_many_shapes_over_one_polygon_are_cut_as_few_are(self, seed):
        # More than CROWD shapes are united first; the answer is the same.
        base = np.array([shapely.box(0, 0, 800, 800)])
        shapes = blobs_of(seed, CROWD + 8).geometry.to_numpy()
        group = np.arange(len(shapes)) % 3
        cut = carve(base, shapes, group)
        left = base[0]
        for g in range(3):
            whole = shapely.union_all(shapes[group == g])
            taken = cut.geometry[cut.group == g]
            want = shapely.area(left & whole)
            assert shapely.area(taken).sum() == pytest.approx(want, rel=1e-6, abs=1e-3)
            left = left - whole
        assert shapely.area(cut.geometry).sum() == pytest.approx(800**2, rel=1e-9)

    def test_tiles_change_nothing(self, monkeypatch):
        stands, shapes = stands_of(3, 30), blobs_of(3, 12)
        args = (stands.geometry.to_numpy(), shapes.geometry.to_numpy(), np.arange(12) % 4)
        whole = carve(*args)
        monkeypatch.setattr("standmap.land._overlay.TILE", 7)
        tiled = carve(*args)
        assert whole.owner.tolist() == tiled.owner.tolist()
        assert whole.group.tolist() == tiled.group.tolist()
        assert shapely.equals_exact(whole.geometry, tiled.geometry, tolerance=0).all()


class TestCorners:
    def test_new_ones_a_step_of_the_grid_apart_become_one_and_drawn_ones_stay(self):
        drawn = np.array([shapely.box(0, 0, 2, 2)], dtype=object)
        left = shapely.Polygon([(0, 0), (1, 0), (1.000001, 2), (0, 2)])
        right = shapely.Polygon([(1.000001, 0.000001), (2, 0), (2, 2), (1.000001, 2)])
        shared = share_corners(np.array([left, right], dtype=object), drawn)
        assert shapely.equals_exact(
            shared[1], shapely.Polygon([(1, 0), (2, 0), (2, 2), (1.000001, 2)]), tolerance=0
        )
        assert shapely.equals_exact(shared[0], left, tolerance=0)

    def test_two_steps_apart_they_are_two(self):
        drawn = np.array([shapely.box(0, 0, 2, 2)], dtype=object)
        pieces = np.array([shapely.box(0, 0, 1, 2), shapely.box(1.000002, 0, 2, 2)], dtype=object)
        assert shapely.equals_exact(share_corners(pieces, drawn), pieces, tolerance=0).all()


class TestNetting:
    @given(SEEDS)
    @SOME
    def test_no_piece_lies_over_another(self, seed):
        pieces = exclude(
            stands_of(seed), buffer_streams(lines_of(seed), 30), blobs_of(seed),
            blobs_of(seed + 7, 3, "unit"),
        )  # fmt: skip
        shapes = pieces.geometry.to_numpy()
        a, b = shapely.STRtree(shapes).query(shapes)
        a, b = a[a < b], b[a < b]
        over = shapely.area(shapely.intersection(shapes[a], shapes[b], grid_size=GRID_M))
        assert (over <= GRID_M * shapely.length(shapes[a])).all()

    @given(SEEDS)
    @example(38)  # in these four a crossing rounds to two cells of the grid from its two sides
    @example(238)
    @example(319)
    @example(2261)
    @SOME
    def test_neighbours_share_their_corners_after_mending_and_netting(self, seed):
        mended = stands_of(seed)
        pieces = exclude(mended, buffer_streams(lines_of(seed), 30), blobs_of(seed))
        corners = pieces.geometry.apply(shapely.get_coordinates)
        mine = {
            name: np.concatenate(corners[pieces["stand"] == name].to_list())
            for name in mended["stand"]
        }
        whole = mended.set_index("stand").geometry
        for one in mine:
            for other in mine:
                if one >= other or not whole[one].intersects(whole[other]):
                    continue
                border = whole[one].intersection(whole[other].buffer(1e-5))
                on = [
                    {
                        tuple(p)
                        for p in mine[side]
                        if shapely.distance(border, shapely.Point(p)) < 1e-5
                    }
                    for side in (one, other)
                ]
                shared = len(on[0] & on[1])
                assert shared == len(on[0] | on[1])

    @given(SEEDS)
    @settings(max_examples=6, deadline=None)
    def test_acres_against_a_count_of_points(self, seed):
        pieces = exclude(stands_of(seed, 4), buffer_streams(lines_of(seed), 60), blobs_of(seed, 3))
        for piece, acres in zip(pieces.geometry, pieces["acres"], strict=True):
            counted = lattice_area(piece, 1.0)
            assert acres * SQM_PER_ACRE == pytest.approx(
                counted, abs=2 * shapely.length(piece) * 1.0 + 4
            )
        whole = lattice_area(pieces[pieces["reason"] == ""].union_all(), 1.0)
        net = pieces.loc[pieces["reason"] == "", "acres"].sum() * SQM_PER_ACRE
        assert net == pytest.approx(whole, rel=5e-3)


class TestUnits:
    @given(SEEDS)
    @SOME
    def test_what_is_left_and_what_was_taken_add_up_to_the_unit(self, seed):
        units = blobs_of(seed + 5, 3, "unit")
        found = check_units(units, buffer_streams(lines_of(seed), 40), blobs_of(seed), crs=PLANE)
        left = dict(zip(found.clipped["unit"], geodesic_acres(found.clipped), strict=True))
        taken = found.ground.assign(a=geodesic_acres(found.ground)).groupby("unit")["a"].sum()
        for name, gross in zip(units["unit"], geodesic_acres(units), strict=True):
            both = left.get(name, 0.0) + taken.get(name, 0.0)
            assert both == pytest.approx(gross, rel=1e-6, abs=1e-6)

    @given(SEEDS)
    @SOME
    def test_clipping_again_changes_nothing(self, seed):
        layers = (buffer_streams(lines_of(seed), 40), blobs_of(seed))
        once = check_units(blobs_of(seed + 5, 3, "unit"), *layers, crs=PLANE).clipped
        once = once[~once.geometry.is_empty]
        if once.empty:
            return
        again = check_units(once[["unit", "geometry"]], *layers, crs=PLANE).clipped
        np.testing.assert_allclose(
            geodesic_acres(again.set_index("unit").loc[once["unit"]]),
            geodesic_acres(once), rtol=1e-6, atol=1e-6,
        )  # fmt: skip


class TestBuffersFlattened:
    @given(SEEDS)
    @SOME
    def test_a_constant_width_covers_what_a_plain_setback_covers(self, seed):
        # Round ends and bends are drawn with straight pieces by both, 96 to a circle, but those
        # of one need not lie on those of the other (2.1e-6 at worst over 250 tangles).
        streams = lines_of(seed)
        drawn = follow_ground(
            streams, fixed_width("any", 40.0, source="a test"), slope_pct=0.0, crs=PLANE
        ).buffers
        plain = set_back(streams, 40.0, crs=PLANE)
        assert ground(drawn) == pytest.approx(ground(plain), rel=1e-5)

    def test_a_round_end_is_a_polygon_of_96_sides(self):
        # n/(2 pi) sin(2 pi/n) of the circle: 0.071 % short, at no corner narrower than the width.
        width = 40.0 * 0.3048
        creek = gpd.GeoDataFrame(geometry=[shapely.LineString([(0, 0), (300, 0)])], crs=PLANE)
        drawn = follow_ground(
            creek, fixed_width("any", 40.0, source="a test"), slope_pct=0.0, crs=PLANE
        ).buffers.union_all()
        round_ends = drawn.area - 300 * 2 * width
        share = 96 / (2 * np.pi) * np.sin(2 * np.pi / 96)
        assert round_ends == pytest.approx(np.pi * width**2 * share, rel=1e-6)
        assert share == pytest.approx(1 - 0.00071, abs=5e-6)


class TestMends:
    @given(SEEDS)
    @SOME
    def test_a_crossed_outline_is_repaired_once(self, seed):
        rng = np.random.default_rng(seed)
        ring = shapely.Polygon(rng.uniform(0, 300, (int(rng.integers(4, 8)), 2)))
        layer = gpd.GeoDataFrame({"stand": ["a"]}, geometry=[ring], crs=PLANE)
        mended, mends = mend_polygons(layer, "stand", sliver_width_ft=1e-9)
        again, twice = mend_polygons(mended, "stand", sliver_width_ft=1e-9)
        assert again.geometry.geom_equals_exact(mended.geometry, tolerance=0).all()
        assert twice == []
        # Not kept by repair: its loops cancelled. What it came to is stated.
        for mend in mends:
            assert mend["acres_after"] == pytest.approx(geodesic_acres(mended)[0], rel=1e-12)
        if not mends:
            assert ground(mended) == pytest.approx(ground(layer), rel=1e-12)

    @given(SEEDS)
    @SOME
    def test_overlaps_and_slivers_mended_account_for_every_acre(self, seed):
        drawn = stands_of(seed, wobble=0.8)
        mended, _, left = mend_overlaps(drawn, "stand", max_acres=5)
        assert left.empty
        assert ground(mended) == pytest.approx(ground(drawn), rel=1e-6)
        # Left alone, and so counted twice: overlaps narrower than 0.1 ft, which are arithmetic.
        hair = hairlines(mended)
        twice = geodesic_acres(mended).sum() - ground(mended)
        assert twice == pytest.approx(hair, rel=1e-3, abs=1e-6 * ground(mended))
        filled, given_away = give_slivers(mended, "stand", max_width_ft=12)
        assert find_overlaps(filled, "stand").empty
        gained = sum(m["acres_after"] - m["acres_before"] for m in given_away)
        assert ground(filled) - ground(mended) == pytest.approx(gained, rel=1e-6, abs=1e-6)
        assert geodesic_acres(filled).sum() <= ground(filled) * (1 + 1e-6) + hair

    @given(SEEDS, SEEDS)
    @SOME
    def test_slivers_go_the_same_way_whatever_the_order(self, seed, shuffle):
        drawn, _, _ = mend_overlaps(stands_of(seed, wobble=0.8), "stand", max_acres=5)
        one = give_slivers(drawn, "stand", max_width_ft=12)[0].set_index("stand")
        mixed = drawn.sample(frac=1, random_state=shuffle)
        other = give_slivers(mixed, "stand", max_width_ft=12)[0].set_index("stand").loc[one.index]
        np.testing.assert_allclose(geodesic_acres(one), geodesic_acres(other), rtol=1e-6)


class TestGiveSlivers:
    def layer(self, *shapes: shapely.Geometry) -> gpd.GeoDataFrame:
        return gpd.GeoDataFrame({"stand": list("ABC")[: len(shapes)]}, geometry=list(shapes),
                                crs=PLANE)  # fmt: skip

    def test_a_gap_goes_to_the_longer_border(self):
        # A strip of 1 m by 100 m between A and B; B is short of its upper half.
        layer = self.layer(shapely.box(0, 0, 100, 100), shapely.box(101, 0, 200, 60))
        layer.loc[2] = ["C", shapely.box(101, 60, 200, 100)]
        layer = layer.set_crs(PLANE)
        filled, (mend,) = give_slivers(layer, "stand")
        assert mend["id"] == "A"
        assert mend["acres_after"] - mend["acres_before"] == pytest.approx(
            100 / SQM_PER_ACRE, rel=1e-4
        )
        assert find_gaps(filled, "stand").empty
        again, mends = give_slivers(filled, "stand")
        assert mends == [] and again.geometry.geom_equals(filled.geometry).all()

    def test_a_loose_part_goes_to_the_neighbour_and_both_are_told(self):
        loose = shapely.box(200, 0, 201, 80)
        layer = self.layer(
            shapely.MultiPolygon([shapely.box(0, 0, 100, 100), loose]),
            shapely.box(100, 0, 200, 100),
        )
        filled, mends = give_slivers(layer, "stand")
        change = {m["id"]: m["acres_after"] - m["acres_before"] for m in mends}
        assert change["A"] == pytest.approx(-80 / SQM_PER_ACRE, rel=1e-4)
        assert change["B"] == pytest.approx(80 / SQM_PER_ACRE, rel=1e-4)
        assert filled.geometry.iloc[0].geom_type == "Polygon"

    def test_wide_gaps_and_stands_that_are_slivers_whole_stay(self):
        layer = self.layer(
            shapely.box(0, 0, 100, 100),
            shapely.box(103, 0, 200, 100),
            shapely.box(0, 100, 100, 101),
        )
        filled, mends = give_slivers(layer, "stand")
        assert mends == [] and filled.geometry.geom_equals_exact(layer.geometry, tolerance=0).all()


class TestProposals:
    @given(SEEDS)
    @settings(max_examples=8, deadline=None)
    def test_units_and_what_is_left_out_are_the_net_ground(self, seed):
        stands = stands_of(seed, 10).assign(stratum="oak")
        pieces = exclude(stands, buffer_streams(lines_of(seed), 30), blobs_of(seed))
        net = pieces[pieces["reason"] == ""].assign(stratum="oak")
        found = propose_units(stands, net, min_acres=5, max_acres=30)
        both = found.units["acres"].sum() + found.left_out["acres"].sum()
        # Scraps that no crew would find are in neither.
        loose = geodesic_acres(net.explode())
        scraps = loose[loose <= DUST_ACRES].sum()
        assert both + scraps == pytest.approx(net["acres"].sum(), rel=1e-6)
        assert find_overlaps(found.units, "unit").empty
