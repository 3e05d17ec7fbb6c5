"""What a visitor of the repository finds: the workflow, the templates for issues, SECURITY.md."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import typer.main
import yaml

from analysis.cli.main import app

ROOT = Path(__file__).parents[2]
WORKFLOW = ROOT / ".github" / "workflows" / "tests.yml"
TEMPLATES = sorted(path for path in (ROOT / ".github" / "ISSUE_TEMPLATE").glob("*.yml") if path.stem != "config")


def test_the_workflow_is_for_three_systems_and_says_that_it_is_untried() -> None:
    text = WORKFLOW.read_text(encoding="utf-8")
    jobs = yaml.safe_load(text)["jobs"]
    for name in ("suite", "demo"):
        assert jobs[name]["strategy"]["matrix"]["os"] == ["ubuntu-latest", "windows-latest", "macos-latest"]
    assert "UNTRIED" in text
    not_run = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").split("Not run")[-1]
    assert ".github/workflows" in not_run


def test_the_workflow_runs_what_contributors_run() -> None:
    """Lint, format, types and the suite, as DEVELOPERS.md has them."""
    jobs = yaml.safe_load(WORKFLOW.read_text(encoding="utf-8"))["jobs"]
    said = [step["run"] for step in jobs["suite"]["steps"] if "run" in step]
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for command in ("ruff check .", "ruff format --check .", "mypy", "pytest"):
        assert f"python -m {command}" in said and command in developers


@pytest.mark.parametrize("path", TEMPLATES, ids=lambda path: path.stem)
def test_a_template_asks_for_what_is_needed(path: Path) -> None:
    """The keys that GitHub's syntax for issue forms requires (docs.github.com, from memory)."""
    form = yaml.safe_load(path.read_text(encoding="utf-8"))
    assert form["name"] and form["description"]
    ids = [each["id"] for each in form["body"] if each["type"] != "markdown"]
    assert len(ids) == len(set(ids)) > 0
    assert all("label" in each["attributes"] for each in form["body"] if each["type"] != "markdown")


def test_commands_that_are_named_are_commands() -> None:
    verbs = set(typer.main.get_command(app).commands)  # type: ignore[attr-defined]
    for path in (*TEMPLATES, ROOT / "SECURITY.md"):
        assert set(re.findall(r"`pullbook ([a-z]+)", path.read_text(encoding="utf-8"))) <= verbs
