"""The commands, as a person would type them: what they print, and what they exit with."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from standmap import cli, commands
from standmap.errors import Problem

SAMPLE = Path(__file__).parents[2] / "sample_gis"


@pytest.fixture
def sample_copy(tmp_path: Path) -> Path:
    folder = tmp_path / "tract"
    assert cli.main(["sample", str(folder)]) == commands.OK
    return folder


class TestOneLog:
    def test_every_rule_is_printed_with_the_taper_it_assumes(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert cli.main(["log", "--dib", "12", "--length", "16"]) == commands.OK
        out = capsys.readouterr().out
        # Doyle by its formula: ((12 - 4) / 4)^2 x 16 = 64; International and Decimal C as printed
        # for 12 in x 16 ft (Wengert 2001): 95 and 80.
        lines = {
            line.split("  ")[1].strip(): line.split() for line in out.splitlines() if "." in line
        }
        assert "64.0" in lines["Doyle"]
        assert "95" in lines["International 1/4-inch"]
        assert "80" in lines["Scribner C"]
        assert "assumed, 1/2 inch in 4 feet" in out

    def test_a_measured_large_end_is_used(self, capsys: pytest.CaptureFixture[str]) -> None:
        cli.main(["log", "--dib", "6", "--length", "16", "--large-dib", "9"])
        out = capsys.readouterr().out
        # Smalian on 6 and 9 in, 16 ft: 0.005454154 x (36 + 81) / 2 x 16 = 5.105.
        assert "5.1   cubic feet" in out
        assert "as given" in out

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (["--dib", "-3", "--length", "16"], "'dib' must be above 0"),
            (["--dib", "12", "--length", "0"], "'length' must be above 0"),
            (["--dib", "nan", "--length", "16"], "'dib' must be above 0"),
            (["--dib", "12", "--length", "16", "--large-dib", "9"], "Swap the two"),
        ],
    )
    def test_an_impossible_log_is_refused(
        self, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert cli.main(["log", *words]) == commands.BAD_INPUT
        assert said in capsys.readouterr().err


class TestOneTree:
    @pytest.mark.parametrize(
        ("dbh", "logs", "board_feet"), [("25", "5", 930), ("23", "1", 231), ("23", "2", 404)]
    )
    def test_the_form_class_78_table_in_the_pocket(
        self, dbh: str, logs: str, board_feet: int, capsys: pytest.CaptureFixture[str]
    ) -> None:
        # Common practice, no source: International 1/4-inch on a form-class-78 table.
        words = ["tree", "--species", "white oak", "--dbh", dbh, "--logs", logs]
        assert cli.main([*words, "--form-class", "78"]) == commands.OK
        assert f"International 1/4-inch {board_feet}," in capsys.readouterr().out

    def test_a_half_log_at_the_top_is_less_than_half_the_butt_log(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        cli.main(["tree", "--species", "802", "--dbh", "23", "--logs", "2.5", "--form-class", "78"])
        rows = [r.split() for r in capsys.readouterr().out.splitlines() if r[:8].strip().isdigit()]
        rows = [r for r in rows if len(r) >= 10]
        assert [r[2] for r in rows] == ["16", "16", "8"]
        butt, top = float(rows[0][4]), float(rows[2][4])
        assert top < 0.5 * butt

    def test_with_a_height_the_national_profile_is_used(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        cli.main(["tree", "--species", "QUAL", "--dbh", "25", "--logs", "3", "--height", "98"])
        out = capsys.readouterr().out
        assert "national profile, 98 ft tall" in out
        assert "Form-class" not in out

    @pytest.mark.parametrize(
        ("words", "said"),
        [
            (["--species", "whit oak", "--dbh", "20", "--logs", "2"], "Did you mean white oak?"),
            (["--species", "802", "--dbh", "20", "--logs", "2.3"], "whole and half logs"),
            (
                ["--species", "802", "--dbh", "20", "--logs", "4", "--height", "60"],
                "above the total",
            ),
            (["--species", "802", "--dbh", "200", "--logs", "2"], "at most 120 in"),
            (["--species", "802", "--dbh", "20", "--logs", "2", "--form-class", "7"], "percent"),
            (["--species", "802", "--dbh", "6", "--logs", "8"], "cannot hold 8 logs"),
            (["--species", "802", "--dbh", "20", "--logs", "2", "--defect", "120"], "0 to 100"),
        ],
    )
    def test_an_impossible_tree_is_refused(
        self, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert cli.main(["tree", *words]) == commands.BAD_INPUT
        err = capsys.readouterr().err
        assert said in err
        assert "Traceback" not in err


class TestSampleAndCheck:
    def test_the_sample_is_written_and_passes_the_check(
        self, sample_copy: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert (sample_copy / "tract.toml").is_file()
        assert not list(sample_copy.glob("*.py"))
        assert cli.main(["check", str(sample_copy)]) == commands.OK
        assert "Ready to appraise" in capsys.readouterr().out

    def test_the_sample_does_not_overwrite(
        self, sample_copy: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        assert cli.main(["sample", str(sample_copy)]) == commands.NOT_WRITTEN
        assert "not an empty folder" in capsys.readouterr().err

    def test_check_tells_every_problem_at_once(
        self, sample_copy: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        tally = sample_copy / "tally.csv"
        lines = tally.read_text(encoding="utf-8").splitlines()
        header = lines[0].split(",")
        row = dict(zip(header, lines[1].split(","), strict=True))
        for at, change in ((1, {"dbh_in": "abc"}), (2, {"species": "zebrawood"})):
            cells = dict(zip(header, lines[at].split(","), strict=True)) | change
            lines[at] = ",".join(cells[name] for name in header)
        lines.append(",".join((row | {"plot": "9999"})[name] for name in header))
        tally.write_text("\n".join(lines) + "\n", encoding="utf-8")
        prices = sample_copy / "prices.csv"
        prices.write_text(
            prices.read_text(encoding="utf-8").replace("ton", "lorry"), encoding="utf-8"
        )
        assert cli.main(["check", str(sample_copy)]) == commands.BAD_INPUT
        err = capsys.readouterr().err
        assert "tally.csv, row 2, column 'dbh_in'" in err
        assert "tally.csv, row 3, column 'species'" in err
        assert f"tally.csv, row {len(lines)}, column 'plot'" in err
        assert "prices.csv" in err
        assert "Traceback" not in err

    def test_a_missing_tract_is_bad_input(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["check", "no_such_place"]) == commands.BAD_INPUT
        assert "no_such_place" in capsys.readouterr().err


class TestAppraise:
    def test_the_main_job_ends_with_a_summary_and_the_files(
        self, sample_copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        out = tmp_path / "result"
        assert cli.main(["appraise", str(sample_copy), "--out", str(out)]) == commands.OK
        said = capsys.readouterr()
        for word in ("acres", "MBF", "±", "report.html", "map.html", "tables.xlsx"):
            assert word in said.out
        for name in ("report.html", "map.html", "tables.xlsx", "appraisal.gpkg", "ledger.csv"):
            assert (out / name).stat().st_size > 0
        assert len(said.out.splitlines()) <= 24  # one screen

    def test_a_folder_of_other_things_is_left_alone(
        self, sample_copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        out = tmp_path / "mine"
        out.mkdir()
        (out / "keep.txt").write_text("precious", encoding="utf-8")
        assert cli.main(["appraise", str(sample_copy), "--out", str(out)]) == commands.NOT_WRITTEN
        assert (out / "keep.txt").read_text(encoding="utf-8") == "precious"
        assert str(out) in capsys.readouterr().err


class TestGuide:
    def test_topics_are_listed(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["guide"]) == commands.OK
        assert "tally" in capsys.readouterr().out

    def test_a_page_is_shown(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["guide", "buffers"]) == commands.OK
        assert capsys.readouterr().out.startswith("# ")

    def test_an_unknown_topic_names_the_nearest(self, capsys: pytest.CaptureFixture[str]) -> None:
        assert cli.main(["guide", "buffer"]) == commands.BAD_INPUT
        assert "Did you mean 'buffers'" in capsys.readouterr().err


class TestExits:
    def test_a_mistyped_command_exits_with_two(self) -> None:
        with pytest.raises(SystemExit, match="2"):
            cli.main(["apraise", "x"])

    def test_our_own_fault_is_told_apart_from_bad_input(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        def broken(*_: object, **__: object) -> None:
            raise RuntimeError("boom")

        monkeypatch.setattr("standmap.single.scale_log", broken)
        assert cli.main(["log", "--dib", "12", "--length", "16"]) == commands.FAILURE
        assert "fault in standmap" in capsys.readouterr().err

    def test_an_interrupt_is_told_plainly(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        def interrupted(*_: object, **__: object) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr("standmap.single.scale_log", interrupted)
        assert cli.main(["log", "--dib", "12", "--length", "16"]) == commands.INTERRUPTED
        assert "Interrupted" in capsys.readouterr().err

    def test_the_same_complaint_is_shown_twenty_times_and_counted(
        self, capsys: pytest.CaptureFixture[str]
    ) -> None:
        commands.print_problems(
            [
                Problem(severity="error", file="t.csv", row=k, what="not a number", mend="Mend.")
                for k in range(2, 52)
            ]
        )
        err = capsys.readouterr().err
        assert err.count("row ") == 20
        assert "and 30 more" in err

    def test_python_m_works(self) -> None:
        done = subprocess.run(
            [sys.executable, "-m", "standmap", "--version"], capture_output=True, text=True
        )
        assert done.returncode == 0
        assert done.stdout.startswith("standmap ")


def test_a_tract_file_may_be_named_instead_of_its_folder(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(SAMPLE, tmp_path / "t")
    assert cli.main(["check", str(tmp_path / "t" / "tract.toml")]) == commands.OK
