"""Prescriptions, alternatives and landings of the tract file: what is wrong is said once."""

from __future__ import annotations

import pytest
import shapely

UNITS = '\n[units]\nfile = "units.gpkg"\n'


@pytest.fixture
def planned(tiny):
    shapes = [shapely.box(500_050, 4_000_050, 500_350, 4_000_350),
              shapely.box(500_450, 4_000_050, 500_750, 4_000_350)]  # fmt: skip
    tiny.layer("units.gpkg", shapes, unit=["North", "South"])
    tiny.add("tract.toml", UNITS)
    return tiny


def errors(tiny):
    return [p for p in tiny.check() if p.severity == "error"]


def only(tiny):
    found = errors(tiny)
    assert len(found) == 1, "\n".join(map(str, found))
    return found[0]


def prescribe(tiny, text: str) -> None:
    tiny.add("tract.toml", f"\n[[prescriptions]]\n{text}\n")


class TestRead:
    def test_one_prescription_may_serve_several_units(self, planned):
        prescribe(planned, 'unit = ["North", "South"]\ncut = "thin_below"\nresidual_ba_sqft = 60')
        plan = planned.read().plan
        assert set(plan.prescriptions) == {"North", "South"}
        assert plan.prescriptions["North"].residual_ba_sqft == 60

    def test_species_go_by_the_tracts_own_names_and_groups(self, planned):
        planned.add("tract.toml", '\n[species.aliases]\nYP = "yellow-poplar"\n')
        prescribe(planned, 'unit = "North"\ncut = "clearcut"\nleave_species = ["YP", "pine"]')
        plan = planned.read().plan.prescriptions["North"]
        assert {621, 131} <= plan.leave_codes
        assert plan.leave_species == ("yellow-poplar", "pine")

    def test_an_alternative_is_the_plan_but_for_what_it_changes(self, planned):
        prescribe(planned, 'unit = ["North", "South"]\ncut = "clearcut"')
        planned.add(
            "tract.toml",
            '\n[[alternatives]]\nname = "less"\nleave_out = ["South"]\nwider_buffers_ft = 25\n'
            'prescriptions = [{unit = "North", cut = "diameter_limit", min_dbh_in = 12}]\n',
        )
        (other,) = planned.read().plan.alternatives
        assert list(other.prescriptions) == ["North"]
        assert other.prescriptions["North"].cut == "diameter_limit"
        assert other.wider_buffers_ft == 25

    def test_marked_trees_are_read_from_the_tally(self, planned):
        planned.swap("tally.csv", "saw_logs,height_ft", "saw_logs,height_ft,marked")
        planned.swap("tally.csv", "2.5,84", "2.5,84,yes")
        planned.swap("tally.csv", "2,88", "2,88,")
        prescribe(planned, 'unit = "North"\ncut = "marked"')
        assert planned.read().trees["marked"].tolist() == [True, False, False, False, False]


WRONG = [
    ('unit = "Nroth"\ncut = "clearcut"', "prescriptions.unit", "Nroth", "Did you mean 'North'"),
    ('unit = "North"\ncut = "thin_below"', "prescriptions.cut", "thin_below",
     "Add residual_ba_sqft"),
    ('unit = "North"\ncut = "clear_cut"', "prescriptions.cut", "clear_cut", "clearcut"),
    ('unit = "North"\ncut = "clearcut"\nresidual_ba_sqft = 60', "prescriptions.residual_ba_sqft",
     "60", "'thin_below' or 'thin_above'"),
    ('unit = "North"\ncut = "clearcut"\nleave_species = ["wite oak"]',
     "prescriptions.leave_species", "wite oak", "white oak"),
    ('unit = "North"\ncut = "marked"', "prescriptions.cut", "marked",
     "Write yes in the tally's column marked"),
    ('unit = "North"\ncut = "marked"\nproducts = ["sawlogs"]', "prescriptions.products",
     "sawlogs", "Did you mean 'sawlog'"),
    ('unit = "North"\ncut = "clearcut"\nmin_dbh_in = 12\nmax_dbh_in = 9',
     "prescriptions.max_dbh_in", "9", "Swap them"),
    ('unit = "North"\ncut = "clearcut"\n[[prescriptions]]\nunit = "North"\ncut = "clearcut"',
     "prescriptions.unit", "North", "Keep one"),
    ('unit = "North"\ncut = "clearcut"\n[[alternatives]]\nname = "other"', "alternatives.name",
     "other", "Give it leave_out"),
    ('unit = "North"\ncut = "clearcut"\n[[alternatives]]\nname = "as planned"\n'
     'leave_out = "North"', "alternatives.name", "as planned", "is the plan itself"),
    # A number that is wrong is not told of once more as wanting.
    ('unit = "North"\ncut = "thin_below"\nresidual_ba_sqft = 0',
     "prescriptions.residual_ba_sqft", "0", "square feet of basal area"),
    ('unit = "North"\ncut = "clearcut"\n[[alternatives]]\nname = "a"\nwider_buffers_ft = -9',
     "alternatives.wider_buffers_ft", "-9", "every side of every stream buffer"),
    ('unit = "North"\ncut = "clearcut"\n[harvest]\ntons_per_day = 0', "harvest.tons_per_day",
     "0", "green tons"),
    ('unit = "North"\ncut = "clearcut"\n[harvest]\nskid_slope_penalty = -1',
     "harvest.skid_slope_penalty", "-1", "than a level one"),
    ('unit = "North"\ncut = "clearcut"\n[terrain]\nground_pct = 30', "terrain.cable_pct", None,
     "Add cable_pct"),
    ('unit = "North"\ncut = "clearcut"\n[terrain]\nground_pct = 50\ncable_pct = 35',
     "terrain.ground_pct", "50", "cable_pct must be over ground_pct"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "column", "value", "mend"), WRONG)
def test_each_fault_is_named_with_its_mend(planned, text, column, value, mend):
    prescribe(planned, text)
    problem = only(planned)
    assert (problem.file, problem.column) == ("tract.toml", column)
    assert problem.value == value
    assert mend in problem.mend


def test_the_line_at_fault_is_named(planned):
    prescribe(planned, 'unit = "North"\ncut = "clearcut"')
    prescribe(planned, 'unit = "South"\ncut = "thin_above"\nresidual_ba_sqft = 60\n'
                       'leave_species = ["wite oak"]')  # fmt: skip
    problem = only(planned)
    lines = (planned.folder / "tract.toml").read_text().splitlines()
    assert "wite oak" in lines[problem.row - 1]
    assert problem.mend.count("wite oak") == 0  # said once
    planned.swap("tract.toml", "wite oak", "white oak")
    planned.add("tract.toml", '\n[[alternatives]]\nname = "a"\nleave_out = ["East"]\n')
    lines = (planned.folder / "tract.toml").read_text().splitlines()
    assert "East" in lines[only(planned).row - 1]


def test_a_unit_without_a_name_is_told_of_and_what_names_it_is_not(planned):
    shapes = [shapely.box(500_050, 4_000_050, 500_350, 4_000_350),
              shapely.box(500_450, 4_000_050, 500_750, 4_000_350)]  # fmt: skip
    planned.layer("units.gpkg", shapes, unit=[None, "South"])
    planned.layer("landings.gpkg", [shapely.Point(500_100, 4_000_100)], unit=["North"])
    planned.add("tract.toml", '\n[landings]\nfile = "landings.gpkg"\n')
    prescribe(planned, 'unit = "North"\ncut = "clearcut"')
    assert only(planned).file == "units.gpkg"


def test_landings_of_another_place_are_remarked_on(planned):
    planned.layer("landings.gpkg", [shapely.Point(560_100, 4_000_100)], unit=["North"])
    planned.add("tract.toml", '\n[landings]\nfile = "landings.gpkg"\n')
    (said,) = [p for p in planned.check() if p.file == "landings.gpkg"]
    assert said.severity == "warning"
    assert "nothing in this layer lies within a mile of the stands" in said.what


def test_prescriptions_without_units_are_refused(tiny):
    prescribe(tiny, 'unit = "North"\ncut = "clearcut"')
    assert "the tract has none" in only(tiny).what


def test_a_strange_mark_is_named_with_its_row(planned):
    planned.swap("tally.csv", "saw_logs,height_ft", "saw_logs,height_ft,marked")
    planned.swap("tally.csv", "2.5,84", "2.5,84,maybe")
    problem = only(planned)
    assert (problem.row, problem.column, problem.value) == (2, "marked", "maybe")
    assert "Type yes" in problem.mend


def test_a_landing_of_no_unit_is_refused(planned):
    planned.layer("landings.gpkg", [shapely.Point(500_100, 4_000_100)], unit=["West"])
    planned.add("tract.toml", '\n[landings]\nfile = "landings.gpkg"\n')
    problem = only(planned)
    assert (problem.file, problem.row, problem.value) == ("landings.gpkg", 1, "West")
    assert "North, South" in problem.mend


def test_landings_are_points_and_crossings_lines_or_points(planned):
    planned.layer("landings.gpkg", [shapely.Point(500_100, 4_000_100)], unit=["North"])
    line = shapely.LineString([(500_100, 4_000_100), (500_200, 4_000_100)])
    planned.layer("crossings.gpkg", [line], kind=["bridge"])
    planned.add("tract.toml", '\n[landings]\nfile = "landings.gpkg"\n')
    planned.add("tract.toml", '\n[crossings]\nfile = "crossings.gpkg"\n')
    tract = planned.read()
    assert tract.landings is not None
    assert tract.landings["unit"].tolist() == ["North"]
    assert tract.crossings is not None
    planned.layer("landings.gpkg", [line], unit=["North"])
    assert only(planned).file == "landings.gpkg"
