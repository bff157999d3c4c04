"""The sample tract that comes with the package: an invented woodland to try everything on."""

from __future__ import annotations

import shutil
from pathlib import Path

from standmap.errors import OutputError

_PACKAGE = Path(__file__).parents[1]
_PLACES = (_PACKAGE / "_sample", _PACKAGE.parent / "sample_gis")
"""Inside an installed package, else beside it in a checkout."""


def sample_folder() -> Path:
    """Return the folder that holds the sample tract's files.

    Raises
    ------
    OutputError
        If this installation came without them.
    """
    for place in _PLACES:
        if (place / "tract.toml").is_file():
            return place
    raise OutputError("this installation has no sample tract. Install standmap again.")


def write_sample(folder: Path) -> list[Path]:
    """Copy the sample tract to a folder, made if need be.

    Parameters
    ----------
    folder : Path
        A new or empty folder; nothing already there is overwritten.

    Returns
    -------
    list of Path
        The files written.

    Raises
    ------
    OutputError
        If the folder holds files, or cannot be written.
    """
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            raise OutputError(f"{folder} is not an empty folder. Name a new one.")
        folder.mkdir(parents=True, exist_ok=True)
        written = []
        for source in sorted(sample_folder().iterdir()):
            if source.is_file() and source.suffix not in (".py", ".pyc"):
                written.append(Path(shutil.copyfile(source, folder / source.name)))
    except OutputError:
        raise
    except OSError as error:
        raise OutputError(f"could not write {folder}: {error.strerror or error}.") from error
    return written
