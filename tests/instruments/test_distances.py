"""Limiting distances of points and plots, against published radii."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from standmap import cli, commands
from standmap.errors import DomainError
from standmap.instruments import (
    distance_table,
    distance_text,
    limiting_distance_table,
    plot_circle_table,
)

REFERENCE = Path(__file__).parents[1] / "reference"


def test_circles_on_slopes_fall_within_the_published_class() -> None:
    # USDA Forest Service, Common Stand Exam field guide, Appendix I, Table 1.
    printed = pd.read_csv(REFERENCE / "cruise_plot_radii_usfs_cse.csv", comment="#")
    for per_acre, rows in printed.groupby("plots_per_acre"):
        low = plot_circle_table(1 / per_acre, rows["slope_from_pct"])["radius_ft"].to_numpy()
        high = plot_circle_table(1 / per_acre, rows["slope_to_pct"])["radius_ft"].to_numpy()
        assert np.all(low - 0.05 <= rows["radius_ft"])
        assert np.all(rows["radius_ft"] <= high + 0.05)


@pytest.mark.parametrize(("baf", "printed", "half_digit"), [(10, 33, 0.5), (20, 23.3, 0.05)])
def test_a_12_inch_tree_on_the_flat(baf: float, printed: float, half_digit: float) -> None:
    # Forest Measurements II, point sampling lecture slides, slide 10.
    found = distance_table(baf=baf, dbh_in=[12], slope_pct=[0]).loc[12.0, 0.0]
    assert found == pytest.approx(printed, abs=half_digit)


def test_the_flat_column_is_the_table_of_the_stick() -> None:
    flat = limiting_distance_table(20)
    np.testing.assert_allclose(distance_table(baf=20)[0.0], flat["to_centre_ft"], rtol=1e-12)
    np.testing.assert_allclose(
        distance_table(baf=20, to="face")[0.0], flat["to_face_ft"], rtol=1e-12
    )


def test_a_plots_face_is_half_a_stem_short_and_slopes_stretch_the_tape() -> None:
    middle = distance_table(plot_acres=0.1, slope_pct=[0, 75])
    face = distance_table(plot_acres=0.1, slope_pct=[0, 75], dbh_in=[12], to="face")
    assert middle.loc[0.0, 75.0] == pytest.approx(1.25 * middle.loc[0.0, 0.0])
    assert face.loc[12.0, 0.0] == pytest.approx(middle.loc[0.0, 0.0] - 0.5)


@pytest.mark.parametrize("sizes", [{}, {"baf": 10, "plot_acres": 0.1}])
def test_one_size_and_not_two(sizes: dict[str, float]) -> None:
    with pytest.raises(DomainError, match="one of 'baf' and 'plot_acres'"):
        distance_table(**sizes)


def test_columns_line_up() -> None:
    lines = distance_text(baf=10, dbh_in=[4, 12, 40]).splitlines()
    assert len({len(line) for line in lines[4:]}) == 1


def test_the_command_prints_a_table(capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["distances", "--baf", "10", "--dbh", "10", "12", "--slope", "0", "50"]
    assert cli.main(asked) == commands.OK
    said = capsys.readouterr().out
    assert said.splitlines()[-1].split() == ["12", "33.00", "36.90"]
    assert cli.main(["distances", "--plot-radius", "37.24", "--to", "face"]) == commands.OK
    assert "near face" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["--baf", "-3"], "'baf' must be a number > 0"),
        (["--plot-acres", "0"], "'plot_acres' must be a number > 0"),
        (["--baf", "10", "--dbh", "12", "4"], "--dbh runs from LOW up to HIGH"),
        (["--plot-acres", "0.1", "--dbh", "4", "9"], "one distance for every diameter"),
        (["--baf", "10", "--slope", "0", "5000"], "from 0 to 200; got 5000"),
    ],
)
def test_what_cannot_be_is_refused(
    asked: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["distances", *asked]) == commands.BAD_INPUT
    assert said in capsys.readouterr().err
