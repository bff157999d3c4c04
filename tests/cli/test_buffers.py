"""`standmap buffers`: what it says, what it writes, and its exit status for scripts."""

import json
import shutil
from pathlib import Path

import pyogrio
import pytest

from standmap.cli import main

SAMPLE = Path(__file__).parents[2] / "sample_gis"


@pytest.fixture
def tract(tmp_path: Path) -> Path:
    folder = tmp_path / "tract"
    shutil.copytree(SAMPLE, folder)
    return folder


def swap(folder: Path, old: str, new: str) -> None:
    text = (folder / "tract.toml").read_text()
    assert old in text
    (folder / "tract.toml").write_text(text.replace(old, new, 1))


def drop(folder: Path, *tables: str) -> None:
    """Take whole tables out of the tract file."""
    kept, skipping = [], False
    for line in (folder / "tract.toml").read_text().splitlines():
        if line.startswith("["):
            skipping = line.split("]")[0].strip("[") in tables
        if not skipping:
            kept.append(line)
    (folder / "tract.toml").write_text("\n".join(kept))


def clip(folder: Path) -> None:
    """Put the clipped units in the place of those drawn."""
    assert main(["buffers", str(folder), "--out", str(folder.parent / "check")]) == 0
    layer = pyogrio.read_dataframe(folder.parent / "check" / "buffers.gpkg", layer="units_clipped")
    (folder / "units.gpkg").unlink()
    pyogrio.write_dataframe(layer[["unit", "geometry"]], folder / "units.gpkg", layer="units")


def test_it_names_the_unit_the_acres_and_what_must_change(tract, capsys):
    assert main(["buffers", str(tract)]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "2 of 3 enter ground where nothing may be cut" in said
    assert "stream buffer, perennial, 1.37 enters Pull the line back: 1.37 bank strip" in said
    assert "1.88 enters, part may be cut" in said
    assert "Source: Plan of this invented tract, 2025" in said


def test_strict_says_conflict_then_clean_once_clipped(tract):
    drop(tract, "road_setbacks")
    assert main(["buffers", str(tract), "--strict"]) == 5
    clip(tract)
    assert main(["buffers", str(tract), "--strict"]) == 0


def test_strict_says_conflict_of_a_road_alone(tract, capsys):
    clip(tract)
    assert main(["buffers", str(tract), "--strict"]) == 5
    said = " ".join(capsys.readouterr().out.split())
    assert "2 of 6 checked lie nearer water than they may" in said
    assert "south road 517 too near" in said


def test_strict_by_a_rule_nobody_read_is_not_settled(tract, capsys):
    drop(tract, "road_setbacks")
    clip(tract)
    drop(tract, "buffers")
    text = (tract / "tract.toml").read_text()
    rules = '\n[buffers]\nrule = "LA"\n[buffers.classes]\nperennial = "perennial under 20 ft"\n'
    (tract / "tract.toml").write_text(f'{text}{rules}ephemeral = "none"\n')
    assert main(["buffers", str(tract), "--strict"]) == 6
    assert "Unverified" in capsys.readouterr().out


def test_a_unit_inside_a_buffer_nobody_read_is_not_settled_either(tract, capsys):
    drop(tract, "road_setbacks", "exclusions", "buffers")
    text = (tract / "tract.toml").read_text()
    rules = '\n[buffers]\nrule = "MS"\n[buffers.classes]\nperennial = "intermittent"\n'
    none = 'intermittent = "none"\nephemeral = "none"\n'
    (tract / "tract.toml").write_text(f"{text}{rules}{none}")
    out = tract.parent / "check"
    assert main(["buffers", str(tract), "--strict", "--out", str(out)]) == 6
    said = " ".join(capsys.readouterr().out.split())
    assert "0 of 3 enter ground where nothing may be cut." in said
    assert "Buffers by rules nobody read hold unit A" in said
    assert "enters; the rule is" in said
    assert "Look the current rule up first" in said
    drawn = pyogrio.read_dataframe(out / "buffers.gpkg", layer="unit_conflicts")
    assert set(drawn["verdict"]) == {"not settled"}


def test_strict_without_streams_or_units_is_not_settled(tract, capsys):
    clip(tract)
    drop(tract, "streams", "buffers", "road_setbacks")
    assert main(["buffers", str(tract), "--strict"]) == 6
    assert "no stream layer is named" in capsys.readouterr().err
    drop(tract, "units", "prescriptions", "alternatives", "harvest", "landings", "crossings")
    assert main(["buffers", str(tract), "--strict"]) == 6


def test_what_it_writes(tract, tmp_path):
    out = tmp_path / "check"
    assert main(["buffers", str(tract), "--out", str(out)]) == 0
    assert sorted(p.name for p in out.iterdir()) == [
        "buffers.gpkg", "buffers.json", "land.html", "road_check.csv", "unit_check.csv"
    ]  # fmt: skip
    layers = [name for name, _ in pyogrio.list_layers(out / "buffers.gpkg")]
    assert layers == [
        *("buffers", "exclusions", "buffer_zones", "unit_conflicts", "units_clipped"),
        *("roads", "landings", "roads_too_near", "layer_styles"),
    ]
    clipped = pyogrio.read_dataframe(out / "buffers.gpkg", layer="units_clipped")
    assert (clipped["acres"] <= clipped["gross_acres"]).all()
    assert json.loads((out / "buffers.json").read_text())["conflict"] is True
    assert main(["buffers", str(tract), "--out", str(out)]) == 0  # again, over its own


def test_a_folder_that_holds_something_else(tract, tmp_path, capsys):
    out = tmp_path / "check"
    out.mkdir()
    (out / "land.html").write_text("mine")
    assert main(["buffers", str(tract), "--out", str(out)]) == 4
    assert "already holds a 'land.html'" in capsys.readouterr().err
    assert (out / "land.html").read_text() == "mine"


def test_the_check_alone_says_loudly_that_there_are_no_streams(tract, capsys):
    assert main(["check", str(tract)]) == 0
    assert "no stream layer" not in capsys.readouterr().err
    drop(tract, "streams", "buffers", "road_setbacks")
    assert main(["check", str(tract)]) == 0
    assert "no stream layer is named, so no acre is kept along water" in capsys.readouterr().err


def test_bad_input_is_told_as_ever(tract, capsys):
    drop(tract, "buffers")
    text = (tract / "tract.toml").read_text()
    (tract / "tract.toml").write_text(f"{text}\n[buffers.widths_ft]\nperennail = 75\n")
    assert main(["buffers", str(tract), "--strict"]) == 1
    assert "streams of this class have no buffer width" in capsys.readouterr().err


def test_the_help_defines_every_status(capsys):
    with pytest.raises(SystemExit):
        main(["buffers", "--help"])
    said = " ".join(capsys.readouterr().out.split())
    for words in ("0 every harvest unit keeps off", "5 a unit enters", "6 no unit does"):
        assert words in said
