"""The notebooks run from top to bottom, and what is stored in them is what a run gives."""

from __future__ import annotations

import ast
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
WITH_OUTPUTS = {"one_tree_three_mills.ipynb"}
"""Kept with their outputs, to be read where nothing runs; the others are kept without."""


def code_cells(book: nbformat.NotebookNode) -> list[nbformat.NotebookNode]:
    return [cell for cell in book.cells if cell.cell_type == "code"]


def shown(cell: nbformat.NotebookNode) -> list[tuple[str, str]]:
    """Return what a cell shows, a picture by its kind alone: its bytes hang on the fonts."""
    out = []
    for output in cell.outputs:
        if output.output_type == "stream":
            out.append((output.name, output.text))
        elif output.output_type == "error":
            out.append(("error", output.evalue))
        elif "image/png" in output.data:
            out.append(("picture", ""))
        else:
            out.append(("result", output.data["text/plain"]))
    return out


def test_there_are_notebooks() -> None:
    assert {path.name for path in NOTEBOOKS} > WITH_OUTPUTS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
@pytest.mark.filterwarnings("ignore")  # the kernel's machinery warns; a failing cell raises
def test_a_notebook_runs_and_shows_what_is_stored_in_it(path: Path) -> None:
    book = nbformat.read(path, as_version=4)
    stored = [shown(cell) for cell in code_cells(book)]
    NotebookClient(book, timeout=300, resources={"metadata": {"path": str(FOLDER)}}).execute()
    if path.name in WITH_OUTPUTS:
        run = [shown(cell) for cell in code_cells(book)]
        assert run == stored
        kinds = {kind for cell in run for kind, _ in cell}
        assert kinds == {"stdout", "result", "picture"}  # no warning, no error


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
def test_outputs_are_kept_whole_or_not_at_all(path: Path) -> None:
    code = code_cells(nbformat.read(path, as_version=4))
    assert code
    if path.name not in WITH_OUTPUTS:
        assert not any(cell.outputs for cell in code)
        return
    counts = [cell.execution_count for cell in code]
    assert counts == list(range(1, len(code) + 1))  # run once, in order


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
def test_a_notebook_uses_only_what_is_public(path: Path) -> None:
    for cell in code_cells(nbformat.read(path, as_version=4)):
        for node in ast.walk(ast.parse(cell.source)):
            names = []
            if isinstance(node, ast.ImportFrom):
                names = [*(node.module or "").split("."), *(alias.name for alias in node.names)]
            elif isinstance(node, ast.Attribute):
                names = [node.attr]
            private = [n for n in names if n.startswith("_") and not n.endswith("__")]
            assert not private, cell.source
