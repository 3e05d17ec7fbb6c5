"""What the program says of itself: an example for each verb, shell completion, and the manual page made from both."""

from __future__ import annotations

import importlib.util
import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import typer.main

from analysis.cli.main import app

ROOT = Path(__file__).resolve().parents[4]
STEM: Any = typer.main.get_command(app)
HEAVY = ("numpy", "pandas", "scipy", "pyarrow", "pydantic", "jinja2", "starlette", "dask", "pint")
RUN = "import sys; sys.argv[0] = 'pullbook'\nfrom analysis.cli.main import main\ntry:\n    main()\n"
RUN += "finally:\n    print(sorted({name.split('.')[0] for name in sys.modules}), file=sys.stderr)"


def program(*arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """The program in a process of its own; on standard error, last, the packages it loaded."""
    return subprocess.run(
        [sys.executable, "-c", RUN, *arguments], capture_output=True, text=True, check=False, timeout=60, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT), "COLUMNS": "80", **environment},
    )  # fmt: skip


@pytest.mark.parametrize("verb", STEM.commands)
def test_every_verb_has_an_example_that_it_takes(verb: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    command = STEM.commands[verb]
    lead, _, example = (command.epilog or "").partition(": ")
    words = shlex.split(example)
    assert lead == "Example" and words[:2] == ["pullbook", verb]
    for name in ("saturday.log", "recorder.toml", "wren.toml", "long-snorkel.toml", "plug.jpg", "for-a-friend.zip"):
        (tmp_path / name).touch()
    context = command.make_context(verb, words[2:])
    assert context.command is command


def test_help_shows_the_example_and_how_to_complete_and_loads_nothing_heavy() -> None:
    stem = program("--help")
    assert stem.returncode == 0 and "pullbook --install-completion" in stem.stdout
    loaded = stem.stderr.splitlines()[-1]
    assert "'typer'" in loaded and not [name for name in HEAVY if f"'{name}'" in loaded]
    verb = program("compare", "--help")
    assert 'Example: pullbook compare baseline "long snorkel"' in verb.stdout


def test_the_shell_completes_verbs_and_options() -> None:
    """As bash asks: the words typed and which of them is to be completed (bash's manual, Programmable Completion)."""
    verbs = program(_PULLBOOK_COMPLETE="complete_bash", COMP_WORDS="pullbook se", COMP_CWORD="1").stdout.split()
    assert set(verbs) == {name for name in STEM.commands if name.startswith("se")} and "season" in verbs
    words = program(_PULLBOOK_COMPLETE="complete_bash", COMP_WORDS="pullbook compare --w", COMP_CWORD="2").stdout
    assert {"--why", "--where", "--without", "--worth"} <= set(words.split())


def man_page() -> ModuleType:
    found = importlib.util.spec_from_file_location("man_page", ROOT / "docs" / "man_page.py")
    assert found is not None and found.loader is not None
    module = importlib.util.module_from_spec(found)
    found.loader.exec_module(module)
    return module


def test_the_manual_page_is_what_the_program_says() -> None:
    """Where it is not: `python docs/man_page.py` writes it anew."""
    made = man_page()
    assert made.PAGE.read_text(encoding="utf-8") == made.page()


@pytest.mark.skipif(shutil.which("groff") is None, reason="needs groff")
def test_troff_takes_the_manual_page_without_a_warning() -> None:
    done = subprocess.run(
        ["groff", "-man", "-ww", "-Tutf8", str(ROOT / "docs" / "pullbook.1")], capture_output=True, text=True,
        check=False, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0 and done.stderr == ""
    assert "season" in done.stdout
