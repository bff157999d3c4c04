"""Tracts cruised apart, added up: from the library and from the command line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import standmap
from standmap import cli, commands
from standmap.errors import DomainError
from standmap.report.together import together_table, together_text


@pytest.fixture
def folders(wood, tmp_path: Path) -> list[Path]:
    """A tract of points, and one tallied to the last tree."""
    plots = wood.listed("AAAABBBB")
    trees = wood.some_trees(list(plots["plot"]), [4, 7, 2, 6, 9, 5, 3, 3])
    wood.cruise('design = "point"\nbaf = 10', plots, trees)
    (tmp_path / "other").mkdir()
    other = type(wood)(tmp_path / "other")
    trees = other.some_trees(["A1", "B2"], [40, 30], seed=2)
    other.cruise('design = "complete"', other.listed("AB"), trees)
    other.swap("tract.toml", 'name = "Two Squares"', 'name = "The Other"')
    return [wood.folder, other.folder]


def appraised(folders: list[Path]) -> list[standmap.Appraisal]:
    return [standmap.appraise(standmap.read_tract(folder)) for folder in folders]


def test_totals_and_variances_add(folders: list[Path]) -> None:
    one, other = appraised(folders)
    whole = standmap.combine([one, other]).loc["value_usd"]
    sampled, tallied = one.total("value_usd"), other.total("value_usd")
    assert whole["estimate"] == pytest.approx(sampled.mean + tallied.mean, rel=1e-12)
    assert tallied.se == 0
    assert (whole["se"], whole["df"]) == pytest.approx((sampled.se, sampled.df), rel=1e-12)
    assert whole["error_pct"] < sampled.sampling_error_pct


def test_a_sample_twice_over_is_surer_by_the_root_of_two(folders: list[Path], wood) -> None:
    (one,) = appraised(folders[:1])
    (folders[0] / "again.toml").write_text((folders[0] / "tract.toml").read_text())
    again = standmap.appraise(standmap.read_tract(folders[0] / "again.toml"))
    whole, single = standmap.combine([one, again]).loc["cords"], one.total("cords")
    assert whole["se"] == pytest.approx(np.sqrt(2) * single.se, rel=1e-12)
    assert whole["df"] == pytest.approx(2 * single.df, rel=1e-12)


def test_errors_at_two_confidences_do_not_add(folders: list[Path], wood) -> None:
    wood.swap("tract.toml", "baf = 10", "baf = 10\nconfidence = 0.95")
    with pytest.raises(DomainError, match="Two Squares at 95% and The Other at 90%"):
        standmap.combine(appraised(folders))


def test_the_command_prints_each_and_the_whole(
    folders: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "totals.csv"
    words = ["together", *map(str, folders), "--csv", str(table)]
    assert cli.main(words) == commands.OK
    said = capsys.readouterr()
    assert [line.split("  ")[0] for line in said.out.splitlines()[1:4]] == [
        "Two Squares", "The Other", "Together",
    ]  # fmt: skip
    assert "Two Squares: " in said.err
    written = pd.read_csv(table).set_index(["tract", "measure"])["estimate"]
    whole = standmap.combine(appraised(folders)).loc["value_usd", "estimate"]
    assert written[np.nan, "value_usd"] == pytest.approx(whole, rel=1e-9)


def test_the_command_says_what_it_cannot_do(
    folders: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["together", str(folders[0]), str(folders[0])]) == commands.BAD_INPUT
    assert "is named twice. Leave out all but one." in capsys.readouterr().err
    lost = tmp_path / "nowhere" / "totals.csv"
    words = ["together", str(folders[0]), "--csv", str(lost)]
    assert cli.main(words) == commands.NOT_WRITTEN
    assert "totals.csv cannot be written" in capsys.readouterr().err


def test_two_tracts_of_one_name_keep_their_own_figures(folders: list[Path], wood) -> None:
    toml = folders[1] / "tract.toml"
    toml.write_text(toml.read_text().replace("The Other", "Two Squares"))
    made = appraised(folders)
    table = together_table(made)
    one, other = (f"Two Squares ({folder.name}/tract.toml)" for folder in folders)
    value = table[table["measure"] == "value_usd"].set_index("tract")["estimate"]
    assert list(value.index) == [one, other, ""]
    assert value[other] == made[1].total("value_usd").mean
    lines = together_text(made).splitlines()
    assert lines[1].startswith(one)
    assert lines[2].startswith(other)
    assert lines[1].split("$")[1] != lines[2].split("$")[1]


def test_a_tract_without_prices_is_told_of(folders: list[Path]) -> None:
    toml = folders[1] / "tract.toml"
    toml.write_text(toml.read_text().replace('[prices]\nfile = "prices.csv"\n', ""))
    text = together_text(appraised(folders))
    assert "not priced" in text
    assert "Not priced, and in no value above: The Other." in text


def test_the_table_states_its_confidence_and_the_text_the_heights_of_a_tally(
    folders: list[Path],
) -> None:
    tally = pd.read_csv(folders[1] / "tally.csv")
    tally.loc[tally.index % 3 > 0, "height_ft"] = np.nan
    tally.to_csv(folders[1] / "tally.csv", index=False)
    made = appraised(folders)
    assert (together_table(made)["confidence"] == 0.90).all()
    assert "The Other: Heights were measured on 24 of 70 trees" in together_text(made)


def test_the_guide_s_example_is_what_its_formula_gives() -> None:
    from standmap.cruise import combined_error_pct

    assert combined_error_pct([400, 900], [12, 9]) == pytest.approx(7.2, abs=0.05)
