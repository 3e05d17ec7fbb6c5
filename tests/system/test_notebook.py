"""The notebook in docs runs from first cell to last on the sample drives, and says what the command line says."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient
from rig import PULLBOOK

NOTEBOOK = Path(__file__).parents[2] / "docs" / "notebook.ipynb"


@pytest.fixture
def beside(demo_folder: Path, tmp_path: Path) -> Path:
    """A folder with the demo's store in it."""
    shutil.copytree(demo_folder / "demo-store", tmp_path / "demo-store")
    return tmp_path


def test_the_notebook_runs_and_agrees_with_the_command_line(beside: Path) -> None:
    book = nbformat.read(NOTEBOOK, as_version=4)
    nbformat.validate(book)
    NotebookClient(book, timeout=240, resources={"metadata": {"path": str(beside)}}).execute()
    printed = "".join(out.get("text", "") for cell in book.cells if cell.cell_type == "code" for out in cell.outputs)
    asked = [*PULLBOOK, "compare", "baseline", "snorkel and needle", "--store", "demo-store", "--json"]
    answer = json.loads(subprocess.run(asked, cwd=beside, check=True, capture_output=True, text=True).stdout)
    assert answer["sentence"] in printed
    assert "(0, " not in printed  # the season's table holds runs
