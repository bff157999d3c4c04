"""Writing a folder of results whole: all of the files arrive, or none does.

The files are made in a working folder beside the target and moved in only when every one is
complete. A record file names what was written, so that a later run may replace its own files and
never anybody else's.

`write_folder` puts a few files among others that are there; an appraisal has a folder to itself,
which `standmap.report.write` changes as a whole, so that no file of an earlier run outlives it.
"""

from __future__ import annotations

import json
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path

from standmap.errors import OutputError


def check_folder(out: str | Path, names: Iterable[str], *, record: str) -> Path:
    """Return the folder that files may be written to, or say why not.

    Parameters
    ----------
    out : path
        A new or existing folder.
    names : iterable of str
        Files that will be written there.
    record : str
        Name of the record file, such as ``"stick.json"``.

    Returns
    -------
    Path
        The folder, links followed.

    Raises
    ------
    OutputError
        If it is a file, cannot be written, or holds a file of one of the names that no earlier
        run of the same kind wrote.
    """
    target = Path(out).expanduser().resolve()
    try:
        if target.exists() and not target.is_dir():
            raise OutputError(f"'{out}' is a file, not a folder. Name a folder for the results.")
        ours = _earlier(target, record)
        strange = sorted(n for n in {*names, record} - ours if (target / n).exists())
        if strange:
            raise OutputError(
                f"the folder '{out}' already holds a '{strange[0]}' that is not an earlier "
                "result of this command. Name a new or empty folder."
            )
        try_writing(target, beside=not target.is_dir())
    except OutputError:
        raise
    except OSError as error:
        raise not_written(out, error) from error
    return target


def try_writing(target: Path, *, beside: bool) -> None:
    """Make sure that a folder can be written.

    Parameters
    ----------
    target : Path
        The folder; those above it are made.
    beside : bool
        Try beside it in the folder above, not in it.

    Raises
    ------
    OSError
        If it cannot.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    # Permission bits do not tell the whole truth; a file does.
    with tempfile.TemporaryFile(dir=target.parent if beside else target):
        pass


def unfinished_prefix(target: Path) -> str:
    """Return how the name of a working folder beside the target begins."""
    return f".{target.name}.unfinished-"


def write_folder(
    out: str | Path, make: Callable[[Path], None], *, record: str, about: dict[str, object]
) -> dict[str, Path]:
    """Write files to a folder, all of them or none.

    Parameters
    ----------
    out : path
        A new or existing folder; other files in it are left as they are.
    make : callable
        Given an empty folder, writes the files into it.
    record : str
        Name of the record file.
    about : dict
        What to write in the record beside the names of the files; JSON values.

    Returns
    -------
    dict of str to Path
        File name to path.

    Raises
    ------
    OutputError
        As for `check_folder`, or if a file cannot be written. Earlier files are then as they were.
    """
    target = check_folder(out, (), record=record)
    try:
        with tempfile.TemporaryDirectory(
            prefix=unfinished_prefix(target), dir=target.parent
        ) as work:
            made, kept = Path(work) / "made", Path(work) / "kept"
            made.mkdir()
            kept.mkdir()
            make(made)
            names = sorted(p.name for p in made.iterdir())
            text = json.dumps({**about, "files": names}, indent=2, ensure_ascii=False)
            (made / record).write_text(text + "\n", encoding="utf-8")
            check_folder(out, names, record=record)
            _move_in(made, kept, target, [*names, record])
    except OutputError:
        raise
    except OSError as error:
        raise not_written(out, error) from error
    return {name: target / name for name in names}


def _move_in(made: Path, kept: Path, target: Path, names: list[str]) -> None:
    """Move files to the target; on any trouble what was there goes back."""
    target.mkdir(exist_ok=True)
    moved: list[str] = []
    try:
        for name in names:
            if (target / name).exists():
                os.replace(target / name, kept / name)
            moved.append(name)
            os.replace(made / name, target / name)
    except BaseException:
        for name in moved:
            (target / name).unlink(missing_ok=True)
            if (kept / name).exists():
                shutil.move(kept / name, target / name)
        raise


def _earlier(target: Path, record: str) -> set[str]:
    """Return the files that an earlier run of the same kind wrote, its record included."""
    try:
        files = json.loads((target / record).read_text(encoding="utf-8"))["files"]
    except (OSError, ValueError, KeyError, TypeError):
        return set()
    return {record, *map(str, files)} if isinstance(files, list) else set()


def not_written(out: str | Path, error: Exception) -> OutputError:
    """Say in plain words why results could not be written, and what to do."""
    reason = getattr(error, "strerror", None) or str(error) or type(error).__name__
    return OutputError(
        f"the results could not be written to '{out}': {reason}. Check that the disk has room, "
        "that you may write there, and that no other program has its files open. "
        "Earlier results, if any, are as they were."
    )
