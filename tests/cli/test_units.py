"""``standmap units``: the units as drawn, and proposed ones as a table and a layer."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pytest

from standmap import cli, commands

SAMPLE = str(Path(__file__).parents[2] / "sample_gis")


def test_the_units_drawn_are_listed_with_plan_ground_and_way(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert cli.main(["units", SAMPLE]) == commands.OK
    out = capsys.readouterr().out
    for said in ("Harvest units", "The plan", "The ground", "To the landing", "Thin from below"):
        assert said in out
    assert max(map(len, out.splitlines())) < 160


def test_units_are_proposed_and_written_the_same_each_time(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["units", SAMPLE, "--propose", "--min-acres", "8", "--max-acres", "30", "--out"]
    layers = []
    for name in ("one", "two"):
        assert cli.main([*words, str(tmp_path / name)]) == commands.OK
        layers.append(gpd.read_file(tmp_path / name / "proposed_units.gpkg", layer="units"))
    out = capsys.readouterr().out
    assert "units of 8 to 30 acres proposed" in out
    assert "Left out:" in out
    assert layers[0].equals(layers[1])
    assert layers[0]["acres"].between(8, 30).all()
    assert layers[0].crs == 4326
    # A second run replaces the first's files, and nobody else's.
    assert cli.main([*words, str(tmp_path / "one")]) == commands.OK
    (tmp_path / "other").mkdir()
    (tmp_path / "other" / "proposed_units.gpkg").write_text("mine")
    assert cli.main([*words, str(tmp_path / "other")]) == commands.NOT_WRITTEN


def test_limits_that_cannot_hold_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["units", SAMPLE, "--propose", "--min-acres", "30", "--out", str(tmp_path / "out")]
    assert cli.main(words) == commands.BAD_INPUT
    assert "at most half of 'max_acres'" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
