"""Writing the results: a temporary folder beside the target, moved into place whole."""

from __future__ import annotations

import datetime
import hashlib
import json
import os
import platform
import shutil
import tempfile
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from pyogrio.errors import DataLayerError, DataSourceError
from xlsxwriter.exceptions import XlsxWriterException

from standmap._progress import Progress, teller
from standmap._writing import not_written, try_writing, unfinished_prefix
from standmap.errors import OutputError
from standmap.report.cruise_page import cruise_html
from standmap.report.harvest_page import harvest_html, has_harvest
from standmap.report.land_page import land_html
from standmap.report.layers import write_layers
from standmap.report.merchandising import merchandising_html
from standmap.report.names import tract_name
from standmap.report.page import report_html
from standmap.report.tables import write_csv, write_tables
from standmap.report.tract_map import map_html
from standmap.report.workbook import write_workbook

if TYPE_CHECKING:
    from standmap.appraisal import Appraisal


RUN_FILE: Final = "run.json"
MADE_BY: Final = "standmap"

_LIBRARIES: Final = (
    "standmap", "numpy", "pandas", "scipy", "shapely", "pyproj", "pyogrio", "geopandas",
    "rasterio", "exactextract", "scikit-learn", "numba", "matplotlib", "folium", "xlsxwriter",
)  # fmt: skip
# Left beside a database that a GIS has open; carried over they would spoil the new one.
_DATABASE_SCRAPS: Final = ("-wal", "-shm", "-journal")


def check_target(out: str | Path) -> Path:
    """Return the folder results may go to, or say why not.

    Parameters
    ----------
    out : path
        A new or empty folder, or one that holds an earlier run's results.

    Returns
    -------
    Path
        The folder, links followed.

    Raises
    ------
    OutputError
        If it is a file, holds anything but an earlier run, or cannot be written.
    """
    target = Path(out).expanduser().resolve()
    try:
        if target.exists() and not target.is_dir():
            raise OutputError(f"'{out}' is a file, not a folder. Name a folder for the results.")
        if target.is_dir() and any(target.iterdir()) and _earlier_run(target) is None:
            raise OutputError(
                f"the folder '{out}' holds files that are not an earlier run's results, and "
                "they would be in the way. Name a new or empty folder."
            )
        try_writing(target, beside=True)
    except OutputError:
        raise
    except OSError as error:
        raise not_written(out, error) from error
    return target


def write_all(
    appraisal: Appraisal, out: str | Path, *, progress: bool | Progress = False
) -> dict[str, Path]:
    """Write every result of an appraisal to a folder, whole or not at all.

    Parameters
    ----------
    appraisal : Appraisal
        What to write.
    out : path
        The folder. An earlier run's results there are replaced only once the new ones are
        complete; files in it that no run wrote are kept.
    progress : bool or callable
        True prints steps; a callable is given a fraction from 0 to 1 and a message.

    Returns
    -------
    dict of str to Path
        File name (within the folder) to path.

    Raises
    ------
    OutputError
        If the folder cannot be written, is full, or holds something else. Whatever was there
        before is untouched.
    """
    tell = teller(progress)
    target = check_target(out)
    work = None
    try:
        work = _new_folder(target)
        _write_into(appraisal, work, tell)
        tell(0.97, "Moving the results into place")
        _swap(work, target)
    except (OSError, XlsxWriterException, DataSourceError, DataLayerError) as error:
        if isinstance(error, OutputError):
            raise
        raise not_written(out, error) from error
    finally:
        # After a success there is nothing left; after anything else, Ctrl-C included, no scraps.
        if work is not None:
            shutil.rmtree(work, ignore_errors=True)
    tell(1.0, "Written")
    files = sorted(p for p in target.rglob("*") if p.is_file())
    return {p.relative_to(target).as_posix(): p for p in files}


def _new_folder(target: Path) -> Path:
    """Make a working folder beside the target, so that the last move is a rename."""
    work = Path(tempfile.mkdtemp(prefix=unfinished_prefix(target), dir=target.parent))
    mask = os.umask(0)
    os.umask(mask)
    work.chmod(0o777 & ~mask)  # as a folder made by hand would be
    return work


def _write_into(appraisal: Appraisal, folder: Path, tell: Progress) -> None:
    tell(0.00, "Writing the tables")
    write_tables(appraisal, folder / "tables")
    write_csv(appraisal.ledger, folder / "ledger.csv")
    tell(0.25, "Writing the workbook")
    write_workbook(appraisal, folder / "tables.xlsx")
    tell(0.55, "Writing the GIS layers")
    write_layers(appraisal, folder / "appraisal.gpkg")
    tell(0.65, "Drawing the map")
    (folder / "map.html").write_text(map_html(appraisal), encoding="utf-8")
    tell(0.80, "Writing the report")
    (folder / "report.html").write_text(report_html(appraisal), encoding="utf-8")
    tell(0.90, "Drawing stems and offers")
    (folder / "merchandising.html").write_text(merchandising_html(appraisal), encoding="utf-8")
    (folder / "land.html").write_text(land_html(appraisal), encoding="utf-8")
    if has_harvest(appraisal):
        (folder / "harvest.html").write_text(harvest_html(appraisal), encoding="utf-8")
    tell(0.95, "Writing up the cruise")
    (folder / "cruise.html").write_text(cruise_html(appraisal), encoding="utf-8")
    run = run_record(appraisal, folder)
    (folder / RUN_FILE).write_text(
        json.dumps(run, indent=2, ensure_ascii=False) + "\n", encoding="utf-8"
    )


def run_record(appraisal: Appraisal, folder: Path) -> dict[str, Any]:
    """Return what made these results: versions, settings, input hashes, files written.

    Parameters
    ----------
    appraisal : Appraisal
        What was written.
    folder : Path
        Where the other files already are.
    """
    files = sorted(p for p in folder.rglob("*") if p.is_file())
    return {
        "made_by": MADE_BY,
        "tract": tract_name(appraisal),
        "tract_file": str(appraisal.tract.path),
        "written": datetime.datetime.now(datetime.UTC).isoformat(timespec="seconds"),
        "versions": _versions(),
        "settings": appraisal.settings.model_dump(mode="json", by_alias=True),
        "input_sha256": {str(k): v for k, v in appraisal.tract.hashes.items()},
        "files": {p.relative_to(folder).as_posix(): _sha256(p) for p in files},
    }


def _versions() -> dict[str, str]:
    found = {"python": platform.python_version()}
    for name in _LIBRARIES:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "not installed as a package"
    return found


def _sha256(path: Path) -> str:
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def _earlier_run(folder: Path) -> dict[str, Any] | None:
    """Return the record of the run that wrote a folder; None if no run did."""
    try:
        record = json.loads((folder / RUN_FILE).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    ours = isinstance(record, dict) and record.get("made_by") == MADE_BY
    return record if ours and isinstance(record.get("files"), dict) else None


def _keep_others(old: Path, new: Path) -> None:
    """Copy into the new results whatever in the old folder no run wrote."""
    record = _earlier_run(old) or {"files": {}}
    written = {*record["files"], RUN_FILE}
    for path in sorted(old.rglob("*")):
        name = path.relative_to(old).as_posix()
        there = new / name
        if path.is_dir() or name in written or there.exists():
            continue
        if name.endswith(_DATABASE_SCRAPS):
            continue
        there.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(path, there, follow_symlinks=False)


def _swap(work: Path, target: Path) -> None:
    """Put the finished folder where the old one was; on any trouble the old one goes back."""
    if not target.exists():
        work.rename(target)
        return
    _keep_others(target, work)
    aside = target.parent / f"{work.name}-old"
    target.rename(aside)
    try:
        work.rename(target)
    except BaseException:
        aside.rename(target)
        raise
    shutil.rmtree(aside, ignore_errors=True)
