"""Openings: units cut clear side by side are one, whatever lies between the others."""

from __future__ import annotations

from dataclasses import replace

import geopandas as gpd
import pandas as pd
import pytest
import shapely

import standmap
from standmap.harvest import HarvestPlan, Prescription
from standmap.report import harvest_html
from standmap.steps.openings import find_openings, too_large
from standmap.units import FT_PER_M

CLEAR = Prescription(cut="clearcut")
SEEDS = Prescription(cut="seed_tree", seed_trees_per_acre=8)
THIN = Prescription(cut="thin_below", residual_ba_sqft=60)


def squares(*west_m: float, names: str) -> gpd.GeoDataFrame:
    """Squares of 100 m in a row, by where each begins."""
    shapes = [shapely.box(500_000 + w, 4_000_000, 500_100 + w, 4_000_100) for w in west_m]
    return gpd.GeoDataFrame({"unit": list(names)}, geometry=shapes, crs=32617)


ACRES = pd.Series({"A": 10.0, "B": 20.0, "C": 5.0, "D": 7.0})


class TestFindOpenings:
    def test_neighbours_cut_clear_are_added_up(self) -> None:
        units = squares(0, 100, 250, 350, names="ABCD")
        found = find_openings(units, ACRES, {"A": CLEAR, "B": SEEDS, "C": CLEAR, "D": THIN})
        assert found.to_dict("list") == {
            "units": ["A, B", "C"], "n_units": [2, 1], "acres": [30.0, 5.0]
        }  # fmt: skip

    def test_a_thinned_unit_between_two_keeps_them_apart(self) -> None:
        units = squares(0, 100, 200, names="ABC")
        found = find_openings(units, ACRES, {"A": CLEAR, "B": THIN, "C": CLEAR})
        assert found["units"].tolist() == ["A", "C"]

    @pytest.mark.parametrize(("apart_ft", "openings"), [(0, 2), (150, 2), (170, 1)])
    def test_how_near_is_near_is_the_users_to_say(self, apart_ft: float, openings: int) -> None:
        units = squares(0, 150, names="AB")  # 50 m, or 164 ft, between
        assert 50 * FT_PER_M == pytest.approx(164, abs=0.1)
        found = find_openings(units, ACRES, {"A": CLEAR, "B": CLEAR}, apart_ft=apart_ft)
        assert len(found) == openings

    def test_a_unit_drawn_in_parts_is_one(self) -> None:
        units = squares(0, 900, 1000, names="AAB")
        found = find_openings(units, ACRES, {"A": CLEAR, "B": CLEAR})
        assert found["acres"].tolist() == [30.0]

    def test_nothing_cut_clear_opens_nothing(self) -> None:
        assert find_openings(squares(0, names="A"), ACRES, {"A": THIN}).empty


class TestTooLarge:
    def limited(self, tract: standmap.Tract, acres: float | None) -> standmap.Tract:
        harvest = tract.settings.harvest.model_copy(update={"max_opening_acres": acres})
        plan = HarvestPlan(prescriptions={"A": CLEAR, "B": THIN, "C": SEEDS})
        settings = tract.settings.model_copy(update={"harvest": harvest})
        return replace(tract, plan=plan, settings=settings)

    def test_an_opening_over_the_limit_is_told_of(
        self, sample_appraisal: standmap.Appraisal
    ) -> None:
        tract = sample_appraisal.tract
        acres = sample_appraisal.units.set_index("unit")["net_acres"]
        over, problems = too_large(self.limited(tract, 17.0), acres)  # A holds 16.5, C 18.4
        assert over["units"].tolist() == ["C"]
        (problem,) = problems
        assert problem.column == "harvest.max_opening_acres"
        assert "harvest unit C would open 18.4 net acres at once" in problem.what
        one = replace(
            sample_appraisal,
            tract=self.limited(tract, 17.0),
            harvest=replace(sample_appraisal.harvest, openings=over),
        )
        assert "over the 17 that the tract file allows" in harvest_html(one)

    def test_without_a_limit_nothing_is_said(self, sample_appraisal: standmap.Appraisal) -> None:
        acres = sample_appraisal.units.set_index("unit")["net_acres"]
        over, problems = too_large(self.limited(sample_appraisal.tract, None), acres)
        assert over.empty
        assert problems == []
