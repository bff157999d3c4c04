"""The notebooks run from top to bottom, and are kept in git without their outputs."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))


def test_there_are_notebooks() -> None:
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
@pytest.mark.filterwarnings("ignore")  # the kernel's machinery warns; a failing cell raises
def test_a_notebook_runs(path: Path) -> None:
    book = nbformat.read(path, as_version=4)
    NotebookClient(book, timeout=300, resources={"metadata": {"path": str(FOLDER)}}).execute()


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
def test_a_notebook_is_kept_without_outputs(path: Path) -> None:
    book = nbformat.read(path, as_version=4)
    code = [cell for cell in book.cells if cell.cell_type == "code"]
    assert code
    assert not any(cell.outputs for cell in code)
