"""Every command of the manual is run, in the manual's order, on the sample drives; its figures are what they print."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import manual_reader as reader
import pytest
import typer.main
from run_verb import run_verb

from analysis.cli.main import app

STORE = Path("demo-store")
LONG = {"wiring", "testing-one-part", "mixture-and-jets"}
"""Half of the processor time; the other pages, five tasks among them, take some 20 s."""
WRITE = {"set", "strike", "tag", "weather", "fuel", "coast", "rebuild"}
Walk = list[tuple[reader.Step, str]]
_printed: dict[tuple[str, ...], str] = {}
"""What a command printed on the demo's store as it was: several pages ask the same."""


@pytest.fixture(
    scope="module",
    params=[pytest.param(page, marks=pytest.mark.long) if page in LONG else page for page in reader.WALKED],
)
def walked(request: pytest.FixtureRequest, demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Walk:
    """A page's steps and what their commands printed, in a folder that holds a fresh demo-store."""
    folder, before = tmp_path_factory.mktemp(request.param), Path.cwd()
    shutil.copytree(demo_folder / STORE, folder / STORE)
    os.chdir(folder)
    try:
        return list(_walked(request.param))
    finally:
        os.chdir(before)


def _walked(page: str) -> Iterator[tuple[reader.Step, str]]:
    fresh = True
    for step in reader.steps(page):
        printed = ""
        for command in step.commands:
            if command[0] == "export":
                assert command[1] == f"PULLBOOK_STORE={STORE}"
                continue
            pullbook, *words = command
            assert pullbook == "pullbook"
            fresh = fresh and words[0] not in WRITE
            if not (fresh and tuple(words) in _printed):
                said = run_verb(STORE, *words)
                assert said.code == 0, f"{page}: {' '.join(words)}\n{said.out}{said.err}"
                if not fresh:
                    printed += said.out
                    continue
                _printed[tuple(words)] = said.out
            printed += _printed[tuple(words)]
        yield step, printed


def test_every_figure_is_printed_by_the_commands_above_it(walked: Walk) -> None:
    for step, printed in walked:
        missing = [figure for figure in step.figures if not reader.stands_in(figure, printed)]
        assert not missing, f"{step.page}, {step.title}: {missing} not in\n{printed}"


def test_pictures_of_a_terminal_show_what_the_commands_print(walked: Walk) -> None:
    """Figure for figure; docs/manual_pictures.py makes them anew."""
    for step, printed in walked:
        for name in step.pictures & {"runs.svg", "mixture.svg"}:
            drawn = (reader.FOLDER / "pictures" / name).read_text(encoding="utf-8")
            figures = re.findall(r"\d+\.\d+", " ".join(re.findall(r"<text[^>]*>([^<]*)<", drawn)))
            assert len(figures) > 30
            assert [each for each in figures if each not in printed] == [], f"{name} is of another version"


@pytest.mark.parametrize("page", reader.WALKED)
def test_no_figure_beside_a_command_goes_unchecked(page: str) -> None:
    """What is in no backquotes is the trade's, a standard's or a sum, and says so."""
    assert not [(step.title, step.bare) for step in reader.steps(page) if step.bare]


@pytest.mark.parametrize("page", reader.WALKED)
def test_commands_that_need_the_car_are_commands(page: str) -> None:
    verbs = typer.main.get_command(app).commands  # type: ignore[attr-defined]
    for step in reader.steps(page):
        for pullbook, verb, *words in step.by_hand:
            assert pullbook == "pullbook"
            verbs[verb].make_context(verb, list(words))


def test_five_tasks_take_two_commands_each() -> None:
    tasks = [step for step in reader.steps("index") if step.title.endswith("?")]
    assert len(tasks) == 5
    assert all(len(task.commands) == 2 and len(task.figures) >= 2 for task in tasks)


def test_every_page_with_steps_names_figures() -> None:
    asked = {page: list(reader.steps(page)) for page in reader.WALKED}
    assert sum(len(step.commands) for steps in asked.values() for step in steps) > 30
    assert sum(len(step.figures) for steps in asked.values() for step in steps) > 60


def test_a_wrong_figure_would_be_seen() -> None:
    printed = "run 2   14.77 ±0.03   -0.72   10.88-12.03   53.6 N  ±5.1"
    assert all(reader.stands_in(each, printed) for each in ("14.77 ±0.03", "-0.72", "12.03", "±5.1", "53.6"))
    assert not any(reader.stands_in(each, printed) for each in ("14.7", "0.72", "4.77", "14.77 ±0.02", "3.6", "5"))
