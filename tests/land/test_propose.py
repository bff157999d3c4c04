"""Proposed units: one piece each, within limits, off what must stay, every acre accounted for."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from standmap.errors import DomainError
from standmap.land import exclude, geodesic_acres, local_crs, propose_units
from standmap.units import SQM_PER_ACRE

SIDE_M = np.sqrt(10 * SQM_PER_ACRE)
"""A square of ten acres."""


def squares(*places: tuple[int, int], size: float = SIDE_M) -> gpd.GeoDataFrame:
    """Ten-acre stands by column and row, touching."""
    shapes = [shapely.box(c * size, r * size, (c + 1) * size, (r + 1) * size) for c, r in places]
    frame = gpd.GeoDataFrame(
        {"stand": [str(i) for i in range(len(places))], "stratum": "oak"},
        geometry=[shapely.affinity.translate(s, 500_000, 4_200_000) for s in shapes],
        crs=32617,
    )
    return frame.to_crs(local_crs(frame))


def net(stands: gpd.GeoDataFrame, kept: gpd.GeoDataFrame | None = None) -> gpd.GeoDataFrame:
    pieces = exclude(stands, None, kept)
    return gpd.GeoDataFrame(pieces[pieces["reason"] == ""])


class TestByHand:
    def test_stands_within_the_limits_are_units(self) -> None:
        stands = squares((0, 0), (1, 0), (3, 0))
        found = propose_units(stands, net(stands), min_acres=8, max_acres=20)
        assert found.units["stands"].tolist() == ["0", "1", "2"]
        assert len(found.left_out) == 0
        # The first two touch and take turns; the third stands apart.
        assert found.units["entry"].tolist() == [1, 2, 1]

    def test_a_small_stand_joins_its_own_kind_before_a_longer_border(self) -> None:
        stands = squares((0, 0), (1, 0), (2, 0))
        stands["stratum"] = ["pine", "oak", "oak"]
        small = stands.copy()
        small.loc[1, "geometry"] = shapely.box(*stands.geometry[1].bounds).buffer(0)
        found = propose_units(small, net(small), min_acres=10.5, max_acres=21)
        assert set(found.units["stands"]) == {"1, 2"}
        assert found.left_out["stands"].tolist() == ["0"]

    def test_likeness_goes_before_a_longer_border(self) -> None:
        # A small stand borders pine along 200 m and oak along 60 m; it is oak.
        shapes = [shapely.box(0, 0, 200, 100), shapely.box(0, 100, 200, 400),
                  shapely.box(200, 0, 600, 60)]  # fmt: skip
        stands = gpd.GeoDataFrame(
            {"stand": ["small", "pine", "oak"], "stratum": ["oak", "pine", "oak"]},
            geometry=[shapely.affinity.translate(s, 500_000, 4_200_000) for s in shapes],
            crs=32617,
        )
        stands = stands.to_crs(local_crs(stands))
        found = propose_units(stands, net(stands), min_acres=5, max_acres=25)
        assert "oak, small" in set(found.units["stands"])
        # All of one kind, the longer border decides.
        alike = stands.assign(stratum="oak")
        found = propose_units(alike, net(alike), min_acres=5, max_acres=20)
        assert "pine, small" in set(found.units["stands"])

    @pytest.mark.parametrize(("border_m", "units"), [(8.0, 0), (12.0, 1)])
    def test_a_border_too_short_to_haul_through_is_none(self, border_m: float, units: int) -> None:
        # Half a chain is 33 ft, or 10.06 m.
        shapes = [shapely.box(0, 0, 200, 200), shapely.box(200, 200 - border_m, 400, 400)]
        stands = gpd.GeoDataFrame(
            {"stand": ["a", "b"], "stratum": "oak"},
            geometry=[shapely.affinity.translate(s, 500_000, 4_200_000) for s in shapes],
            crs=32617,
        )
        stands = stands.to_crs(local_crs(stands))
        found = propose_units(stands, net(stands), min_acres=12, max_acres=30)
        assert len(found.units) == units

    def test_what_cannot_join_says_why(self) -> None:
        stands = squares((0, 0), (5, 5))
        found = propose_units(stands, net(stands), min_acres=12, max_acres=24)
        assert len(found.units) == 0
        assert found.left_out["why"].unique().tolist() == ["it borders no other net ground"]

    def test_a_limit_in_the_way_is_named(self) -> None:
        # Three in a row of 12: two join, and the third would bring them over.
        stands = squares((0, 0), (1, 0), (2, 0))
        found = propose_units(stands, net(stands), min_acres=12, max_acres=24)
        assert found.units["acres"].tolist() == pytest.approx([20], rel=1e-2)
        assert found.left_out["why"].tolist() == [
            "every unit that it borders would come over 24 acres with it"
        ]

    def test_a_corner_is_no_border(self) -> None:
        stands = squares((0, 0), (1, 1))
        found = propose_units(stands, net(stands), min_acres=12, max_acres=24)
        assert len(found.units) == 0

    def test_a_large_stand_is_split_into_like_parts(self) -> None:
        stands = squares((0, 0), size=2 * SIDE_M)  # 40 acres
        found = propose_units(stands, net(stands), min_acres=5, max_acres=15)
        np.testing.assert_allclose(found.units["acres"], 40 / 3, rtol=0.01)

    def test_a_creek_parts_units(self) -> None:
        stands = squares((0, 0), (0, 1))
        left, bottom, right, top = stands.total_bounds
        creek = shapely.box(left - 9, (bottom + top) / 2 - 5, right + 9, (bottom + top) / 2 + 5)
        kept = gpd.GeoDataFrame({"reason": ["creek"]}, geometry=[creek], crs=stands.crs)
        found = propose_units(stands, net(stands, kept), min_acres=9.9, max_acres=25)
        assert len(found.units) == 0
        assert found.left_out["why"].unique().tolist() == ["it borders no other net ground"]

    def test_limits_that_cannot_both_hold_are_refused(self) -> None:
        stands = squares((0, 0))
        with pytest.raises(DomainError, match="at most half of 'max_acres'"):
            propose_units(stands, net(stands), min_acres=15, max_acres=20)


@st.composite
def tracts(draw: st.DrawFn) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """A tract cut into stands by random points, and blots and a creek that must stay."""
    seed = draw(st.integers(0, 10_000))
    rng = np.random.default_rng(seed)
    n = draw(st.integers(2, 14))
    side = draw(st.sampled_from([300.0, 700.0, 1200.0]))
    around = shapely.box(0, 0, side, side)
    points = shapely.MultiPoint(rng.uniform(0, side, (n, 2)))
    cells = shapely.get_parts(shapely.voronoi_polygons(points, extend_to=around))
    cells = shapely.intersection(cells, around, grid_size=1e-6)
    cells = cells[shapely.area(cells) > 1]
    stands = gpd.GeoDataFrame(
        {
            "stand": [f"S{i}" for i in range(len(cells))],
            "stratum": rng.choice(["oak", "pine"], len(cells)),
        },
        geometry=[shapely.affinity.translate(c, 500_000, 4_200_000) for c in cells],
        crs=32617,
    )
    blots = [shapely.Point(*rng.uniform(0, side, 2)).buffer(rng.uniform(5, 90)) for _ in range(3)]
    creek = shapely.LineString(rng.uniform(-50, side + 50, (4, 2))).buffer(12)
    kept = gpd.GeoDataFrame(
        {"reason": ["blot"] * 3 + ["creek"]},
        geometry=[shapely.affinity.translate(b, 500_000, 4_200_000) for b in (*blots, creek)],
        crs=32617,
    )
    crs = local_crs(stands)
    return stands.to_crs(crs), kept.to_crs(crs)


LIMITS = st.sampled_from([(2.0, 6.0), (5.0, 15.0), (10.0, 40.0), (1.0, 2.0)])


class TestAnyTract:
    @given(tract=tracts(), limits=LIMITS)
    @settings(max_examples=25, deadline=None)
    def test_units_are_whole_within_limits_apart_and_off_what_stays(
        self, tract: tuple[gpd.GeoDataFrame, gpd.GeoDataFrame], limits: tuple[float, float]
    ) -> None:
        stands, kept = tract
        low, high = limits
        ground = net(stands, kept)
        found = propose_units(stands, ground, min_acres=low, max_acres=high)
        units = found.units
        shapes = units.geometry.to_numpy()
        assert set(shapely.get_type_id(shapes)) <= {3}, "each is one polygon"
        assert shapely.is_valid(shapes).all()
        assert (units["acres"] >= low - 1e-9).all()
        assert (units["acres"] <= high + 1e-9).all()
        np.testing.assert_allclose(geodesic_acres(units), units["acres"], rtol=1e-6)
        assert (found.left_out["why"] != "").all()
        # Nothing that must stay, and no ground twice.
        stays = shapely.union_all(kept.geometry.to_numpy())
        assert shapely.area(shapely.intersection(shapes, stays)).sum() < 0.01
        every = np.r_[shapes, found.left_out.geometry.to_numpy()]
        united = shapely.union_all(every).area if len(every) else 0.0
        assert shapely.area(every).sum() == pytest.approx(united, rel=1e-6, abs=1)
        # Every net acre is in a unit or left out; scraps of drawing are all that is missing.
        missing = shapely.area(ground.geometry.to_numpy()).sum() - united
        assert -1 < missing < 40 * 0.005 * SQM_PER_ACRE

    @given(tract=tracts(), limits=LIMITS, seed=st.integers(0, 99))
    @settings(max_examples=12, deadline=None)
    def test_the_order_of_rows_decides_nothing_and_neighbours_take_turns(
        self,
        tract: tuple[gpd.GeoDataFrame, gpd.GeoDataFrame],
        limits: tuple[float, float],
        seed: int,
    ) -> None:
        stands, kept = tract
        low, high = limits
        ground = net(stands, kept)
        found = propose_units(stands, ground, min_acres=low, max_acres=high)
        again = propose_units(
            stands.sample(frac=1, random_state=seed),
            ground.sample(frac=1, random_state=seed + 1),
            min_acres=low,
            max_acres=high,
        )
        plain = [pd.DataFrame(f.units.drop(columns="geometry")) for f in (found, again)]
        pd.testing.assert_frame_equal(*plain, rtol=1e-9)
        shapes = found.units.geometry.to_numpy()
        entry = found.units["entry"].to_numpy()
        for a in range(len(shapes)):
            for b in range(a):
                strip = shapely.intersection(
                    shapely.boundary(shapes[a]), shapely.buffer(shapes[b], 0.002)
                )
                if strip.length > 11:
                    assert entry[a] != entry[b]
