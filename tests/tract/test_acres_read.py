"""Deeds, grids and tolerances of mending, as the tract file gives them."""

import numpy as np
import pytest
import shapely

from standmap.land import find_gaps, find_overlaps
from standmap.steps.acreage import lay_acreage

EAST, NORTH = 500_000.0, 4_000_000.0
ACRES = 400 * 400 / 4046.8564224 / 0.9996**2  # of one square: UTM is short by 0.04 % here


def box(west: float, south: float, east: float, north: float) -> shapely.Polygon:
    return shapely.box(EAST + west, NORTH + south, EAST + east, NORTH + north)


def stands(tiny, *shapes, keys: str = "", **columns) -> None:
    tiny.layer("stands.gpkg", list(shapes), stand=list("ABC")[: len(shapes)], **columns)
    tiny.swap("tract.toml", 'file = "stands.gpkg"', f'file = "stands.gpkg"\n{keys}')


SQUARES = (box(0, 0, 400, 400), box(400, 0, 800, 400))


def test_deeds_of_stands_come_from_a_column(tiny):
    stands(tiny, *SQUARES, keys='deed_acres = "DEED"', DEED=["40", "39.5"])
    found = lay_acreage(tiny.read())
    assert found.stands["deed_acres"].tolist() == [40.0, 39.5]
    np.testing.assert_allclose(found.stands["ellipsoid_acres"], ACRES, rtol=1e-6)
    np.testing.assert_allclose(found.stands["deed_differs_pct"].iloc[0], 100 * (40 / ACRES - 1),
                               atol=1e-3)  # fmt: skip
    assert found.tract["deed_acres"] == 79.5
    tiny.swap("tract.toml", 'name = "Two Squares"', 'name = "Two Squares"\ndeed_acres = 80')
    assert lay_acreage(tiny.read()).tract["deed_acres"] == 80


def test_one_deed_unknown_leaves_the_tract_without(tiny):
    stands(tiny, *SQUARES, keys='deed_acres = "DEED"', DEED=["40", ""])
    found = lay_acreage(tiny.read())
    assert np.isnan(found.stands["deed_acres"].iloc[1]) and np.isnan(found.tract["deed_acres"])


@pytest.mark.parametrize("typed", ["forty", "0", "-3", "inf"])
def test_deeds_that_are_no_acres(tiny, typed):
    stands(tiny, *SQUARES, keys='deed_acres = "DEED"', DEED=["40", typed])
    (problem,) = [p for p in tiny.check() if p.severity == "error"]
    assert (problem.file, problem.row, problem.column) == ("stands.gpkg", 2, "DEED")
    assert "not the acres of a deed" in problem.what and "blank the cell" in problem.mend


def test_a_stand_in_parts_has_the_sum_of_its_deeds(tiny):
    shapes = [box(0, 0, 400, 200), box(0, 200, 400, 400), SQUARES[1]]
    tiny.layer("stands.gpkg", shapes, stand=["A", "A", "B"], DEED=[20.0, 19.0, 40.0])
    tiny.swap("tract.toml", 'file = "stands.gpkg"', 'file = "stands.gpkg"\ndeed_acres = "DEED"')
    assert lay_acreage(tiny.read()).stands["deed_acres"].tolist() == [39.0, 40.0]


def test_the_grid_is_the_layers_own_or_the_one_named(tiny):
    assert lay_acreage(tiny.read()).grid == "WGS 84 / UTM zone 17N (EPSG:32617)"
    tiny.swap("tract.toml", "[stands]", 'grid = "EPSG:2264"\n\n[stands]')
    assert "North Carolina" in lay_acreage(tiny.read()).grid


@pytest.mark.parametrize(
    ("named", "what"), [("EPSG:4326", "in degrees"), ("Jupiter", "no coordinate system is known")]
)
def test_a_grid_that_will_not_do(tiny, named, what):
    tiny.swap("tract.toml", "[stands]", f'grid = "{named}"\n\n[stands]')
    (problem,) = [p for p in tiny.check() if p.severity == "error"]
    assert what in problem.what and problem.column == "tract.grid" and problem.value == named


OVER = (box(0, 0, 402, 400), box(400, 0, 800, 400))  # 2 x 400 m, 0.198 acres


def test_overlaps_are_mended_by_the_tolerance_stated(tiny):
    stands(tiny, *OVER)
    (problem,) = [p for p in tiny.check() if p.severity == "error"]
    assert "overlap by 0.20 acres" in problem.what
    tiny.swap("tract.toml", 'file = "stands.gpkg"', 'file = "stands.gpkg"\noverlap_acres = 0.25')
    tract = tiny.read()
    assert find_overlaps(tract.stands, "stand").empty
    (mend,) = tract.mends.to_dict("records")
    lost = mend["acres_before"] - mend["acres_after"]
    assert lost == pytest.approx(800 / 4046.8564224 / 0.9996**2, rel=1e-4)
    (entry,) = [e for e in tract.ledger if e.action == "repaired"]
    assert entry.old == f"{mend['stand']}: {mend['acres_before']:.4f} acres"
    assert entry.new == f"{mend['acres_after']:.4f} acres"


APART = (box(0, 0, 399, 400), box(400, 0, 800, 400))  # a gap of 1 m, 3.28 ft


def test_gaps_are_told_of_and_given_away_only_if_asked(tiny):
    stands(tiny, *APART)
    (problem,) = [p for p in tiny.check() if "narrow gap" in p.what]
    assert "give_slivers = true" in problem.mend
    assert tiny.read().mends.empty
    tiny.swap("tract.toml", 'file = "stands.gpkg"', 'file = "stands.gpkg"\ngive_slivers = true')
    tract = tiny.read()
    assert find_gaps(tract.stands, "stand").empty
    assert tract.gross_acres == pytest.approx(2 * ACRES, rel=1e-6)
    assert [(m["stand"], m["action"]) for m in tract.mends.to_dict("records")] == [
        ("A", "repaired")
    ]
    assert [e.action for e in tract.ledger if "no polygon held" in e.why] == ["repaired"]


def test_the_width_of_a_sliver_is_the_tract_files(tiny):
    stands(tiny, *APART, keys="give_slivers = true\nsliver_ft = 3.0")
    tract = tiny.read()
    assert tract.mends.empty and len(find_gaps(tract.stands, "stand")) == 1
