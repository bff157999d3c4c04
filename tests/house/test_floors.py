"""The house: a room imports only from rooms below it, and the root answers quickly."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import standmap

ROOT = Path(standmap.__file__).parent

FLOORS = [
    {"errors", "units", "_tables", "_jit"},
    {"_progress", "_rasters", "_writing", "guide"},
    {"species", "logs"},
    {"trees"},
    {"products"},
    {"cruise", "land", "canopy", "harvest"},
    {"value", "instruments"},
    {"tract"},
    {"steps", "single"},
    {"appraisal"},
    {"report"},
    {"layout"},
    {"commands"},
    {"cli"},
    {"__main__"},
]
FLOOR_OF = {room: floor for floor, rooms in enumerate(FLOORS) for room in rooms}

# The one stair that goes up: an appraisal hands itself to the report room when asked to write.
DEFERRED = {("appraisal", "report")}


def room_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def imported_rooms(path: Path) -> set[str]:
    rooms = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module:
            parts = node.module.split(".")
            if parts[0] == "standmap":
                rooms |= {parts[1]} if len(parts) > 1 else {a.name for a in node.names}
        elif isinstance(node, ast.Import):
            for alias in node.names:
                parts = alias.name.split(".")
                if parts[0] == "standmap" and len(parts) > 1:
                    rooms.add(parts[1])
    return rooms - {"__version__"}


MODULES = sorted(p for p in ROOT.rglob("*.py") if p != ROOT / "__init__.py")


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(ROOT)))
def test_a_room_imports_only_from_rooms_below_it(path: Path) -> None:
    room = room_of(path)
    for other in imported_rooms(path) - {room}:
        if (room, other) in DEFERRED:
            continue
        assert FLOOR_OF[other] < FLOOR_OF[room], f"{room} imports {other}, which is not below it"


def test_public_names_exist_and_are_listed() -> None:
    for name in standmap.__all__:
        assert getattr(standmap, name) is not None
    assert set(standmap.__all__) <= set(dir(standmap))


def test_appraise_is_the_function_however_it_is_reached() -> None:
    code = (
        "import standmap; standmap.Appraisal; import standmap.appraisal; "
        "assert callable(standmap.appraise) and callable(standmap.read_tract)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_the_command_line_starts_without_the_heavy_libraries() -> None:
    code = (
        "import sys, standmap.cli as c; c._parser(); "
        "heavy = {'numpy', 'pandas', 'geopandas', 'rasterio', 'folium', 'sklearn', 'numba', "
        "'matplotlib', 'pydantic', 'rich'} & set(sys.modules); assert not heavy, heavy"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
