"""Finding and reading the tract file; every fault in it becomes a problem with its key and line."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any, Final, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from standmap.errors import InputError, Problem
from standmap.tract.findings import Findings, did_you_mean, nearest, some
from standmap.tract.layout_settings import EVERY
from standmap.tract.settings import GroundSettings, Settings
from standmap.tract.sources import Sources, sha256

TRACT_FILE: Final = "tract.toml"

Loc = tuple[int | str, ...]
S = TypeVar("S", bound=GroundSettings)

STAND_INS: Final[dict[Loc, str]] = {("cruise", "design"): "point"}
"""Required keys that the rest can be checked without: what stands in once the fault is told."""


def locate(path: str | Path) -> Path:
    """Return the tract file for a file or a folder.

    Parameters
    ----------
    path : path
        A tract file, or a folder that holds ``tract.toml`` or just one ``.toml`` file.

    Raises
    ------
    InputError
        If there is no such path, or the folder has no tract file or several.
    """
    path = Path(path).expanduser()
    if path.is_dir():
        if (path / TRACT_FILE).is_file():
            return path / TRACT_FILE
        found = sorted(path.glob("*.toml"))
        if len(found) == 1:
            return found[0]
        if found:
            what = "the folder has several .toml files and none is called tract.toml"
            mend = f"Name the one to read: {some([f.name for f in found])}."
        else:
            what = "the folder has no tract file"
            mend = f"Write a {TRACT_FILE} there; `standmap sample DIR` makes one to copy from."
        raise InputError([Problem(severity="error", file=str(path), what=what, mend=mend)])
    if not path.is_file():
        mend = "Give a tract file or the folder that holds it."
        if path.parent.is_dir():
            near = nearest(path.name, sorted(f.name for f in path.parent.iterdir()))
            mend = f"Did you mean '{path.parent / near}'?" if near else mend
        what = "there is no such file or folder"
        raise InputError([Problem(severity="error", file=str(path), what=what, mend=mend)])
    return path


def is_uncruised(path: str | Path) -> bool:
    """Return whether a tract file names neither plots nor trees: a tract no one has cruised yet.

    Parameters
    ----------
    path : path
        A tract file or its folder. One that cannot be read is for `read_settings` to report.

    Raises
    ------
    InputError
        If there is no tract file.
    """
    text = _text(locate(path), Findings())
    try:
        raw = {} if text is None else tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return False
    return "stands" in raw and not {"plots", "trees"} & raw.keys()


def open_tract(path: str | Path, findings: Findings, kind: type[S]) -> tuple[S, Sources] | None:
    """Read the tract file, and stand ready to find the files it names.

    Returns
    -------
    tuple of GroundSettings and Sources, or None
        As `read_settings`, which says what ``kind`` is.

    Raises
    ------
    InputError
        If there is no such file or folder.
    """
    file = locate(path)
    settings = read_settings(file, findings, kind)
    if settings is None:
        return None
    return settings, Sources(file.parent, file.name, findings, {file.name: sha256(file)})


def read_settings(path: Path, findings: Findings, kind: type[S]) -> S | None:
    """Read the tract file, adding every fault to ``findings``.

    ``kind`` says what must be in it: `Settings` for a cruised tract, `GroundSettings` for any.

    A key that is unknown or has a bad value is dropped after it is reported, so that the rest of
    the tract can be checked in the same run.

    Returns
    -------
    GroundSettings or None
        Of that kind; None where the file cannot be read or a required table or key is missing.
    """
    text = _text(path, findings)
    if text is None:
        return None
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        at = re.search(r"line (\d+)", str(error))
        findings.error(
            path.name,
            f"not a valid TOML file: {str(error).rstrip('.')}",
            "Mend that line: text goes in double quotes, numbers and true/false without, and each "
            "key stands once.",
            row=int(at[1]) if at else None,
        )
        return None
    return _validated(raw, path.name, text, findings, kind)


def _text(path: Path, findings: Findings) -> str | None:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        findings.error(path.name, f"cannot be read: {error.strerror}", "Check its permissions.")
        return None
    except UnicodeDecodeError:
        findings.error(path.name, "is not UTF-8 text", "Save the tract file as UTF-8 text.")
        return None
    if not text.strip():
        findings.error(
            path.name,
            "the tract file is empty",
            "It needs at least [stands], [plots], [trees] and [cruise].",
        )
        return None
    return text


def _validated(
    raw: dict[str, Any], file: str, text: str, findings: Findings, kind: type[S]
) -> S | None:
    """Validate, report, drop what was at fault and try again until it holds or cannot."""
    reported: set[Loc] = set()
    while True:
        try:
            return kind.model_validate(raw)
        except ValidationError as error:
            dropped = False
            for fault in error.errors():
                loc: Loc = tuple(part for part in fault["loc"] if part != EVERY)
                if loc not in reported:  # a required key with a bad value is told of once
                    _report(fault["type"], loc, fault, file, text, findings)
                reported.add(loc)
                dropped |= _drop(raw, loc)
                if loc in STAND_INS:  # so that the rest of the tract is checked in the same run
                    raw[str(loc[0])][loc[1]] = STAND_INS[loc]
                    dropped = True
            required = any(
                fault["type"] == "missing" and fault["loc"] not in STAND_INS
                for fault in error.errors()
            )
            if required or not dropped:
                return None


def _report(kind: str, loc: Loc, fault: Any, file: str, text: str, findings: Findings) -> None:
    """Turn one validation fault into a problem."""
    key = ".".join(str(part) for part in loc if not isinstance(part, int))
    line = line_of(text, loc)
    if kind == "extra_forbidden":
        findings.error(
            file,
            "unknown key",
            _known_key_hint(loc),
            row=line,
            column=key,
            value=None if isinstance(fault["input"], dict | list) else fault["input"],
        )
    elif kind == "missing":
        what = "the table is missing" if len(loc) == 1 else "the key is missing"
        mend = f"Add [{key}]." if len(loc) == 1 else f"Add {loc[-1]}, {_wanted(loc)}."
        if key in ("plots", "trees"):
            mend += " (Not cruised yet? `standmap layout` plans a tract's first cruise.)"
        findings.error(file, what, mend, row=line_of(text, loc[:-1]), column=key)
    else:
        said = str(fault["msg"]).replace("Input should", "should").replace("Value error, ", "")
        findings.error(
            file,
            said[0].lower() + said[1:],
            f"Give {_wanted(loc)}.",
            row=line or line_of(text, loc[:-1]),
            column=key,
            value=fault["input"],
        )


def _wanted(loc: Loc) -> str:
    """Return what a key should hold, from its own description."""
    model = _model_at(loc[:-1])
    for name, known in (model.model_fields if model else {}).items():
        if loc[-1] in (known.alias, name) or loc[-1] in _choices(known):
            return known.description or "the name of your column"
    return _wanted(loc[:-1]) if len(loc) > 1 else f"a value for {loc[-1]}"


def _choices(known: Any) -> list[str]:
    alias = known.validation_alias
    if alias is None:
        return []
    return [alias] if isinstance(alias, str) else [str(choice) for choice in alias.choices]


def _keys(model: type[BaseModel]) -> list[str]:
    """Return the keys a table may have, as they are typed."""
    keys: list[str] = []
    for name, known in model.model_fields.items():
        keys += _choices(known) or [name]
    return keys


def _model_at(loc: Loc) -> type[BaseModel] | None:
    """Return the table that stands at a place in the tract file."""
    model: type[BaseModel] = Settings
    for part in loc:
        if isinstance(part, int):
            continue
        known = model.model_fields.get(str(part))
        inner = _table_in(known.annotation) if known else None
        if inner is None:
            return None
        model = inner
    return model


def _table_in(annotation: Any) -> type[BaseModel] | None:
    """Return the table class inside an annotation such as ``Table | None`` or ``tuple[...]``."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for inner in get_args(annotation):
        found = _table_in(inner)
        if found is not None:
            return found
    return None


def _known_key_hint(loc: Loc) -> str:
    """Name the nearest known key here, else the table where this key belongs, else all of them."""
    model = _model_at(loc[:-1]) or Settings
    key = str(loc[-1])
    known = _keys(model)
    if nearest(key, known, cutoff=0.75) is None:
        homes = [
            f"[{table}]"
            for table in Settings.model_fields
            if (inner := _model_at((table,))) is not None and key in _keys(inner)
        ]
        if homes and inner is not model:
            return f"'{key}' belongs in {some(homes)}."
    return did_you_mean(key, known, all_known="Keys known here")


def _drop(raw: dict[str, Any], loc: Loc) -> bool:
    """Delete the value at ``loc`` from the raw tables; True if there was one to delete."""
    at: Any = raw
    for part in loc[:-1]:
        try:
            at = at[part]
        except (KeyError, IndexError, TypeError):
            return False
    if isinstance(at, dict) and loc[-1] in at:
        del at[loc[-1]]
        return True
    return False


def line_of(text: str, loc: Loc) -> int | None:
    """Return the line of a key, for tables written in the usual ``[table]`` form.

    Parameters
    ----------
    text : str
        The tract file.
    loc : tuple
        Tables and key, with the number from 0 of a table in ``[[double brackets]]`` after its name.
    """
    if not loc:
        return None
    names = [str(part) for part in loc if not isinstance(part, int)]
    nth = next((part for part in loc if isinstance(part, int)), 0)
    table: list[str] = []
    seen: dict[str, int] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        header = re.match(r"\s*\[+\s*([^\]\s]+)\s*\]", line)
        key = re.match(r"""\s*["']?([\w.\- ]+?)["']?\s*=""", line)
        if header:
            table = header[1].replace('"', "").split(".")
            seen[header[1]] = seen.get(header[1], -1) + 1
            if table == names and seen[header[1]] == nth:
                return number
        elif key and table + key[1].split(".") == names and seen.get(".".join(table), 0) == nth:
            return number
    return None
