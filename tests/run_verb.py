"""The command as the owner runs it, in this process; what it promises of every verb is checked here."""

from __future__ import annotations

import contextlib
import functools
import io
import json
import logging
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typer.main

from analysis.cli.main import main
from logger.cli.printing import show_warnings

typer.main.get_command = functools.cache(typer.main.get_command)  # a process of its own builds it once; so does this


@dataclass
class Said:
    """What a verb said, and its exit code."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)

    @property
    def flat(self) -> str:
        """The text without its line breaks."""
        return " ".join(self.out.split())

    def table(self, title: str) -> list[dict[str, str]]:
        """The rows of the table whose title begins so, by heading: cells stand under what heads them."""
        lines = self.out.splitlines()
        at = next(k for k, line in enumerate(lines) if line.startswith(title)) + (1 if title else 0)
        heads = [(m.group(), m.start(), m.end()) for m in re.finditer(r"\S+(?: \S+)*", lines[at])]
        rows = []
        for line in lines[at + 2 :]:
            cells = [(m.group(), m.start(), m.end()) for m in re.finditer(r"\S+(?: \S+)*", line)]
            if len(cells) < 2:
                break
            row = {}
            for text, low, high in cells:
                over = [name for name, left, right in heads if left < high and low < right]
                row[over[0] if over else text] = text
            rows.append(row)
        return rows


def run_verb(store: Path, *arguments: str, warned: bool = False) -> Said:
    """Run `pullbook ARGUMENTS --store STORE`. `warned`: other drives may be named before what it says."""
    out, err, code = io.StringIO(), io.StringIO(), 0
    warned_before = logging.getLogger("logger")
    for handler in warned_before.handlers[:]:  # in a process of its own nothing was told yet
        warned_before.removeHandler(handler)
    show_warnings()
    before = sys.argv
    sys.argv = ["pullbook", *arguments, "--store", str(store)]
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as stop:
        code = int(stop.code or 0)
    finally:
        sys.argv = before
    said = Said(code, out.getvalue(), err.getvalue())
    if said.code == 2:
        assert said.out == "" and (warned or len(said.err.strip().splitlines()) == 1)
    if "--json" not in arguments and not warned:
        # A command to copy stays on one line, however long its file's name.
        long = [line for line in said.out.splitlines() if len(line) > 80 and not line.startswith("  pullbook ")]
        assert long == []
    return said


def run_apart(words: list[str], asked: tuple[str, ...], timeout_s: float) -> subprocess.CompletedProcess[str]:
    """`pullbook WORDS` in a process of its own, which says at its end which of the modules `asked` it has loaded."""
    code = (
        f"import sys; sys.argv = ['pullbook', *{words}]\n"
        "import analysis.cli.main\n"
        "try:\n    analysis.cli.main.main()\nfinally:\n"
        f"    print('loaded', [each for each in {asked} if each in sys.modules], file=sys.stderr)"
    )
    return subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=timeout_s)
