"""The files a tract names: found from its own folder, and hashed as they were read."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from standmap.tract.findings import Findings, nearest, some

SHAPEFILE_PARTS: Final = (".shp", ".shx", ".dbf", ".prj", ".cpg")
_CHUNK: Final = 1 << 20


@dataclass(slots=True)
class Sources:
    """The input files of one tract.

    Attributes
    ----------
    folder : Path
        Folder of the tract file; relative paths start here.
    tract_file : str
        Name of the tract file, for messages.
    findings : Findings
        Where missing files are reported.
    hashes : dict of str to str
        SHA-256 of each file read, by the name the user gave it.
    """

    folder: Path
    tract_file: str
    findings: Findings
    hashes: dict[str, str] = field(default_factory=dict)

    @property
    def path(self) -> Path:
        """The tract file."""
        return self.folder / self.tract_file

    def find(self, file: str, key: str) -> Path | None:
        """Return the path of a named file and hash it; a file that is not there is an error."""
        path = self.folder / Path(file).expanduser()
        if not path.exists():
            self.findings.error(
                file,
                f"there is no such file, though the tract file names it in {key}",
                self._hint(path),
            )
            return None
        if path.is_dir() and path.suffix.lower() != ".gdb":
            self.findings.error(
                file, f"a folder, where {key} should name a file", "Name a file in it."
            )
            return None
        try:
            self._hash(path, file)
        except OSError as error:
            self.findings.error(file, f"cannot be read: {error.strerror}", "Check its permissions.")
            return None
        return path

    def _hint(self, path: Path) -> str:
        if not path.parent.is_dir():
            return f"There is no folder {path.parent}; paths start from the tract file's folder."
        there = sorted(f.name for f in path.parent.iterdir())
        near = nearest(path.name, there)
        if near:
            return f"Did you mean '{near}'?"
        return f"The folder has: {some(there)}."

    def _hash(self, path: Path, file: str) -> None:
        if path.is_dir():
            for part in sorted(p for p in path.rglob("*") if p.is_file()):
                self.hashes[f"{file}/{part.relative_to(path).as_posix()}"] = sha256(part)
        elif path.suffix.lower() == ".shp":
            stem = file[: -len(path.suffix)]
            for suffix in SHAPEFILE_PARTS:
                part = path.with_suffix(suffix)
                if part.is_file():
                    self.hashes[stem + suffix] = sha256(part)
        else:
            self.hashes[file] = sha256(path)


def sha256(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        while chunk := handle.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()
