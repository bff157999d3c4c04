"""Tracts that have little: each is appraised to the end, and what is doubtful is said."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import standmap
from standmap import cli, commands
from standmap.tract import sample_folder

KEPT = {"tract", "stands", "plots", "trees", "species.aliases", "cruise", "volume"}


class Spare:
    """A copy of the sample tract from which a test takes parts away."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        shutil.copytree(sample_folder(), folder)

    @property
    def tables(self) -> list[str]:
        """Names of the tables in the tract file."""
        text = (self.folder / "tract.toml").read_text()
        return list(dict.fromkeys(re.findall(r"(?m)^\[+([\w.]+)\]", text)))

    def without(self, *tables: str) -> None:
        path = self.folder / "tract.toml"
        text = path.read_text()
        for name in tables:
            text, cut = re.subn(rf"(?ms)^\[+{re.escape(name)}\].*?(?=^\[|\Z)", "", text)
            assert cut >= 1, name
        path.write_text(text)

    @property
    def tally(self) -> pd.DataFrame:
        return pd.read_csv(self.folder / "tally.csv", dtype=str, keep_default_na=False)

    @tally.setter
    def tally(self, trees: pd.DataFrame) -> None:
        trees.to_csv(self.folder / "tally.csv", index=False)

    def appraise(self) -> standmap.Appraisal:
        return standmap.appraise(standmap.read_tract(self.folder))


@pytest.fixture
def spare(tmp_path: Path) -> Spare:
    return Spare(tmp_path / "spare")


def test_a_tract_with_only_what_it_must_have_is_appraised_to_the_end(
    spare: Spare, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spare.without(*(name for name in spare.tables if name not in KEPT))
    spare.tally = spare.tally.assign(product="")  # the sample's calls name its own products
    assert cli.main(["appraise", str(spare.folder), "--out", str(tmp_path / "out")]) == commands.OK
    said = capsys.readouterr()
    assert "0.0 in stream buffers" in said.out
    assert said.err.count("[prices]") == 2  # one warning, its fault and its mend
    assert (tmp_path / "out" / "report.html").is_file()


def test_no_units_make_a_table_of_no_rows_with_every_column(
    spare: Spare, sample_appraisal: standmap.Appraisal
) -> None:
    spare.without("units", "prescriptions", "alternatives", "landings")
    found = spare.appraise()
    assert len(found.units) == len(found.unit_products) == 0
    assert set(sample_appraisal.units.columns) == set(found.units.columns)
    assert found.units.crs == sample_appraisal.units.crs
    assert found.summary()


def test_a_cruise_that_found_no_live_tree_is_worth_nothing(
    spare: Spare, tmp_path: Path, sample_appraisal: standmap.Appraisal
) -> None:
    spare.tally = spare.tally.assign(status="dead")
    found = spare.appraise()
    assert (found.totals["estimate"] == 0).all()
    assert len(found.logs) == len(found.products) == 0
    assert set(found.products.columns) == set(sample_appraisal.products.columns)
    assert any("every volume and value is zero" in p.what for p in found.problems)
    found.write(tmp_path / "out")
    assert (tmp_path / "out" / "map.html").is_file()


def test_a_height_curve_on_few_trees_is_doubted_in_the_report(spare: Spare) -> None:
    trees = spare.tally
    measured = np.flatnonzero(trees["height_ft"] != "")
    trees.loc[measured[6:], "height_ft"] = ""
    spare.tally = trees
    doubts = [p for p in spare.appraise().problems if p.column == "height_ft"]
    assert len(doubts) == 1
    assert "rests on 6 measured trees" in doubts[0].what
    assert doubts[0].file == "tally.csv"


def test_plots_listed_by_stand_need_no_place_on_the_canopy_raster(
    spare: Spare, sample_appraisal: standmap.Appraisal
) -> None:
    sample_appraisal.plots[["plot", "stand"]].to_csv(spare.folder / "plots.csv", index=False)
    toml = spare.folder / "tract.toml"
    text = toml.read_text()
    toml.write_text(re.sub(r'(?m)^(x = "lon"|y = "lat"|crs = .*)$', "", text))
    found = spare.appraise()
    assert found.canopy_fit is None
    assert any("only 0 plots have both" in p.what for p in found.problems)
    assert found.totals.loc["value_usd", "estimate"] == pytest.approx(
        sample_appraisal.totals.loc["value_usd", "estimate"], rel=1e-12
    )
