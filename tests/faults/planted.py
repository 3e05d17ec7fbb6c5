"""Plants a fault in a copy of the program and sees whether the suite notices.

A fault is a piece of source and what a tired programmer might have written in its place. `planted(fault)` gives a copy
of the tree with that one change; `caught(fault)` runs the tests named beside it there, then the rest of the unit tests,
and says which failed.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
COPIED = (
    "analysis",
    "logger",
    "configs",
    "sample_logs",
    "tests",
    "docs",
    "pyproject.toml",
    "README.md",
    "CHANGELOG.md",
)
REST = ("tests/unit/analysis", "tests/unit/logger")


@dataclass(frozen=True)
class Fault:
    """`old` stands once in `file` and is exchanged for `new`; `tests` are asked first."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]

    def __str__(self) -> str:
        return self.name


def is_current(fault: Fault) -> bool:
    """Whether the source still reads as the fault expects."""
    return (ROOT / fault.file).read_text(encoding="utf-8").count(fault.old) == 1


def planted(fault: Fault, folder: Path) -> Path:
    """A copy of the tree with the fault in it."""
    for name in COPIED:
        source = ROOT / name
        if source.is_dir():
            shutil.copytree(source, folder / name, ignore=shutil.ignore_patterns("__pycache__"))
        elif source.exists():
            shutil.copy(source, folder / name)
    file = folder / fault.file
    text = file.read_text(encoding="utf-8")
    assert text.count(fault.old) == 1, f"{fault.name}: {fault.file} does not hold {fault.old!r} just once"
    file.write_text(text.replace(fault.old, fault.new), encoding="utf-8")
    return folder


def caught(fault: Fault, folder: Path, *, first_only: bool = False) -> str:
    """The first test that fails with the fault planted; "" where the suite does not notice."""
    planted(fault, folder)
    for tests in (fault.tests,) if first_only else (fault.tests, REST):
        said = subprocess.run(
            [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", "-n", "0", *tests],
            cwd=folder, env={**os.environ, "PYTHONPATH": str(folder), "PYTHONDONTWRITEBYTECODE": "1"},
            capture_output=True, text=True, timeout=1800, check=False,
        )  # fmt: skip
        failed = [line for line in said.stdout.splitlines() if line.startswith(("FAILED", "ERROR"))]
        if said.returncode == 1 and failed:
            return failed[0]
        assert said.returncode == 0, f"{fault.name}: pytest did not run: {said.stdout[-2000:]}{said.stderr[-500:]}"
    return ""
