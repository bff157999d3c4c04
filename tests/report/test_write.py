"""Results are written whole or not at all, and nobody's files are lost."""

from __future__ import annotations

import errno
import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest

import standmap
from standmap.errors import OutputError
from standmap.report import check_target, write, write_all

EXPECTED = {"report.html", "merchandising.html", "map.html", "tables.xlsx", "appraisal.gpkg",
            "ledger.csv", "run.json", "tables/stands.csv", "tables/logs.csv",
            "tables/products.csv"}  # fmt: skip


@pytest.fixture(scope="module")
def finished(
    sample_appraisal: standmap.Appraisal, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    folder = tmp_path_factory.mktemp("finished") / "out"
    write_all(sample_appraisal, folder)
    return folder


def _quick(monkeypatch: pytest.MonkeyPatch, text: str = "new") -> None:
    """Stand in for the writers, so that only the moving about is at work."""

    def write_into(appraisal: object, folder: Path, tell: object) -> None:
        (folder / "report.html").write_text(text, encoding="utf-8")
        (folder / "tables").mkdir()
        (folder / "tables" / "stands.csv").write_text(text, encoding="utf-8")
        record = {"made_by": "standmap", "files": {"report.html": "", "tables/stands.csv": ""}}
        (folder / "run.json").write_text(json.dumps(record), encoding="utf-8")

    monkeypatch.setattr(write, "_write_into", write_into)


def _fails(error: BaseException) -> Callable[..., None]:
    def fail(*args: object, **kwargs: object) -> None:
        raise error

    return fail


def _contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes()
            for p in folder.rglob("*") if p.is_file()}  # fmt: skip


def test_everything_is_there(finished: Path) -> None:
    assert set(_contents(finished)) >= EXPECTED


def test_nothing_is_left_beside_the_results(finished: Path) -> None:
    assert [p.name for p in finished.parent.iterdir()] == ["out"]


def test_the_run_record_tells_what_made_the_results(
    finished: Path, sample_appraisal: standmap.Appraisal
) -> None:
    run = json.loads((finished / "run.json").read_text(encoding="utf-8"))
    assert run["tract"] == "Whetstone Hollow"
    assert run["settings"]["cruise"]["confidence"] == 0.9
    assert run["settings"]["streams"]["class"] == "class"
    assert set(run["versions"]) >= {"python", "standmap", "numpy", "geopandas"}
    tally = (Path(__file__).parents[2] / "sample_gis" / "tally.csv").read_bytes()
    assert hashlib.sha256(tally).hexdigest() in str(run["input_sha256"])
    for name, digest in run["files"].items():
        assert hashlib.sha256((finished / name).read_bytes()).hexdigest() == digest


def test_the_paths_come_back_by_name(
    sample_appraisal: standmap.Appraisal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _quick(monkeypatch)
    steps: list[float] = []
    out = tmp_path / "a" / "out"
    paths = write_all(sample_appraisal, out, progress=lambda f, m: steps.append(f))
    assert paths["report.html"] == (tmp_path / "a" / "out" / "report.html").resolve()
    assert steps == sorted(steps)
    assert steps[-1] == 1.0


@pytest.mark.parametrize(
    "error",
    [
        OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)),
        PermissionError(errno.EACCES, os.strerror(errno.EACCES)),
    ],
    ids=["disk full", "not allowed"],
)
def test_a_failure_leaves_the_last_good_results(
    sample_appraisal: standmap.Appraisal,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    error: OSError,
) -> None:
    _quick(monkeypatch, "good")
    write_all(sample_appraisal, tmp_path / "out")
    before = _contents(tmp_path)
    monkeypatch.setattr(write, "_write_into", _fails(error))
    with pytest.raises(OutputError, match=str(error.strerror)):
        write_all(sample_appraisal, tmp_path / "out")
    assert _contents(tmp_path) == before


@pytest.mark.parametrize(
    "writer", ["write_workbook", "write_layers", "map_html", "report_html", "merchandising_html"]
)
def test_a_disk_that_fills_up_in_any_writer_is_told_in_one_message(
    sample_appraisal: standmap.Appraisal,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    writer: str,
) -> None:
    for name in ("write_tables", "write_workbook", "write_layers"):
        monkeypatch.setattr(write, name, lambda *args: None)
    for name in ("map_html", "report_html", "merchandising_html"):
        monkeypatch.setattr(write, name, lambda *args: "")
    monkeypatch.setattr(write, writer, _fails(OSError(errno.ENOSPC, "No space left on device")))
    with pytest.raises(OutputError, match=r"No space left on device. Check that the disk has room"):
        write_all(sample_appraisal, tmp_path / "out")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix", reason="needs a limit on file size (POSIX)")
@pytest.mark.parametrize("writer", ["write_tables", "write_workbook", "write_layers"])
def test_a_real_limit_on_file_size_stops_the_run_cleanly(
    sample_appraisal: standmap.Appraisal,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    writer: str,
) -> None:
    import resource
    import signal

    for name in {"write_tables", "write_workbook", "write_layers"} - {writer}:
        monkeypatch.setattr(write, name, lambda *args: None)
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    try:
        resource.setrlimit(resource.RLIMIT_FSIZE, (150_000, old[1]))
        with pytest.raises(OutputError, match="could not be written"):
            write_all(sample_appraisal, tmp_path / "out")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
        signal.signal(signal.SIGXFSZ, handler)
    assert list(tmp_path.iterdir()) == []


def test_an_interrupted_run_cleans_up_and_leaves_the_last_good_results(
    sample_appraisal: standmap.Appraisal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _quick(monkeypatch, "good")
    write_all(sample_appraisal, tmp_path / "out")
    before = _contents(tmp_path)
    monkeypatch.setattr(write, "_write_into", _fails(KeyboardInterrupt()))
    with pytest.raises(KeyboardInterrupt):
        write_all(sample_appraisal, tmp_path / "out")
    assert _contents(tmp_path) == before
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_a_move_that_fails_puts_the_old_results_back(
    sample_appraisal: standmap.Appraisal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    _quick(monkeypatch, "good")
    write_all(sample_appraisal, tmp_path / "out")
    before = _contents(tmp_path)
    rename = Path.rename

    def balk(self: Path, other: Path) -> Path:
        if self.name.startswith(".out.unfinished-") and not self.name.endswith("-old"):
            raise PermissionError(errno.EACCES, "a file is open in another program")
        return rename(self, other)

    _quick(monkeypatch, "new")
    monkeypatch.setattr(Path, "rename", balk)
    with pytest.raises(OutputError, match="a file is open in another program"):
        write_all(sample_appraisal, tmp_path / "out")
    assert _contents(tmp_path) == before


def test_a_new_run_replaces_the_old_one_and_keeps_the_forester_s_own_notes(
    sample_appraisal: standmap.Appraisal, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    _quick(monkeypatch, "old")
    write_all(sample_appraisal, out)
    (out / "notes.txt").write_text("ask about the ford", encoding="utf-8")
    (out / "appraisal.gpkg-wal").write_text("scraps of an open database", encoding="utf-8")
    _quick(monkeypatch, "new")
    write_all(sample_appraisal, out)
    found = _contents(out)
    assert found["report.html"] == found["tables/stands.csv"] == b"new"
    assert found["notes.txt"] == b"ask about the ford"
    assert "appraisal.gpkg-wal" not in found


@pytest.mark.parametrize("record", [None, "{}", '{"made_by": "somebody"}', "not json"])
def test_a_folder_of_somebody_s_files_is_refused(tmp_path: Path, record: str | None) -> None:
    (tmp_path / "deed.pdf").write_text("deed", encoding="utf-8")
    if record is not None:
        (tmp_path / "run.json").write_text(record, encoding="utf-8")
    with pytest.raises(OutputError, match="not an earlier run's results"):
        check_target(tmp_path)
    assert (tmp_path / "deed.pdf").exists()


def test_a_file_in_the_folder_s_place_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file", encoding="utf-8")
    with pytest.raises(OutputError, match="is a file, not a folder"):
        check_target(tmp_path / "out")


def test_a_place_that_cannot_be_written_is_told_before_the_work(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(OutputError, match=r"could not be written to .*Check that"):
        check_target(tmp_path / "file" / "out")


def test_an_empty_folder_and_a_new_one_are_both_welcome(tmp_path: Path) -> None:
    assert check_target(tmp_path) == tmp_path.resolve()
    assert check_target(tmp_path / "deep" / "new") == (tmp_path / "deep" / "new").resolve()
