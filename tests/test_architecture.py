"""The rules of the house, read off the code itself: who may import whom, what stands where, and what stands nowhere."""

from __future__ import annotations

import ast
import functools
from collections import defaultdict
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PACKAGES = ("logger", "analysis")
MOST_LINES = 600

FLOORS: tuple[tuple[str, ...], ...] = (
    ("logger.text",),
    ("logger.errors",),
    ("logger.units",),
    ("logger.zone",),
    ("logger.config",),
    ("logger.decode",),
    ("logger.store",),
    ("logger.record",),
    ("logger.cli",),
    ("analysis.arrays", "analysis.wording"),
    ("analysis.motion", "analysis.conditions"),
    ("analysis.runs",),
    ("analysis.mixture", "analysis.road"),
    ("analysis.drive",),
    ("analysis.store", "analysis.kept"),
    ("analysis.changes", "analysis.sharing"),
    ("analysis.answers",),
    ("analysis.report", "analysis.api", "analysis.fleet"),
    ("analysis.desk",),
    ("analysis.cli",),
)
"""From the ground up: a room imports from floors below it, and never from one beside it on its own floor."""

BESIDE = {
    ("analysis.store", "analysis.kept"),
    ("analysis.motion", "analysis.conditions"),
    ("analysis.mixture", "analysis.road"),
}
"""Neighbours on one floor of which the first may import the second."""

COMMANDS = ("logger.cli", "analysis.cli")
RECORDING = ("logger.record",)
SEES_RECORDING = ("analysis.runs.live", "analysis.mixture.lean_alert", "analysis.desk", "analysis.cli")
"""What the recorder shows of a drive as it happens is handed to it by these."""

CONVERSIONS = (
    1609.344, 1.609344, 0.44704, 3.6, 0.3048, 1852.0, 0.514444, 0.5144444444444445, 3.785411784, 0.003785411784,
    4.54609, 0.00454609, 273.15, 459.67, 0.45359237, 3386.389, 33.86389, 6894.757, 745.7, 745.69987, 235.2146, 282.481,
    2.54, 25.4,
)  # fmt: skip
"""Numbers that turn one unit into another. They stand in `logger.units` and nowhere else."""
AS_PUBLISHED = {
    "analysis.conditions.weather": "formulas of SAE J607, of ASHRAE and of the METAR code as they are printed",
    "analysis.mixture.jets": "the table of number drills (ASME B94.11M) in inches",
}


@functools.cache
def modules() -> dict[str, ast.Module]:
    found = {}
    for package in PACKAGES:
        for path in sorted((ROOT / package).rglob("*.py")):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
            found[name] = ast.parse(path.read_text(encoding="utf-8"))
    return found


@functools.cache
def imports(tree: ast.Module) -> tuple[tuple[str, str, ast.ImportFrom, bool], ...]:
    """(module, name, where, only for types) of every import from the project, wherever in the file it stands."""
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
        for inner in node.body
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] in PACKAGES:
            found += [(node.module, alias.name, node, id(node) in typing_only) for alias in node.names]
        elif isinstance(node, ast.Import):
            assert not any(alias.name.split(".")[0] in PACKAGES for alias in node.names), "import what you use by name"
    return tuple(found)


def target(module: str, name: str) -> str:
    """The module that an import reads: `from analysis.runs import finding` reads analysis.runs.finding."""
    return f"{module}.{name}" if f"{module}.{name}" in modules() else module


def room(module: str) -> str | None:
    for floor in FLOORS:
        for each in floor:
            if module == each or module.startswith(each + "."):
                return each
    return None


def floor_of(name: str) -> int:
    return next(k for k, floor in enumerate(FLOORS) if name in floor)


def test_every_module_stands_in_a_room() -> None:
    nowhere = [name for name in modules() if room(name) is None and name not in PACKAGES]
    assert not nowhere


def test_imports_go_down_only() -> None:
    wrong = []
    for name, tree in modules().items():
        here = room(name)
        if here is None:
            continue
        for module, imported, node, _ in imports(tree):
            there = room(target(module, imported))
            if there is None or there == here:
                continue
            below = floor_of(there) < floor_of(here)
            if not below and (here, there) not in BESIDE:
                wrong.append(f"{name}:{node.lineno} imports {module}.{imported}")
            if there in RECORDING and here.startswith("analysis") and not name.startswith(SEES_RECORDING):
                wrong.append(f"{name}:{node.lineno} sees the recorder: {module}.{imported}")
            if there in COMMANDS and here not in COMMANDS:
                wrong.append(f"{name}:{node.lineno} imports the command line: {module}.{imported}")
    assert not wrong, "\n".join(wrong)


def test_logger_knows_nothing_of_analysis() -> None:
    for name, tree in modules().items():
        if name.startswith("logger"):
            assert not [module for module, *_ in imports(tree) if module.startswith("analysis")], name


def test_no_circles() -> None:
    edges: dict[str, set[str]] = defaultdict(set)
    for name, tree in modules().items():
        for module, imported, _, only_types in imports(tree):
            if not only_types and target(module, imported) != name:
                edges[name].add(target(module, imported))
    done: set[str] = set()

    def visit(name: str, path: tuple[str, ...]) -> None:
        assert name not in path, " -> ".join((*path[path.index(name) :], name))
        if name in done:
            return
        for other in sorted(edges[name]):
            visit(other, (*path, name))
        done.add(name)

    for name in modules():
        visit(name, ())


def test_no_private_name_of_another_module() -> None:
    wrong = []
    for name, tree in modules().items():
        aliases = {}
        for module, imported, node, _ in imports(tree):
            alias = next(a for a in node.names if a.name == imported)
            if imported.startswith("_"):
                wrong.append(f"{name}:{node.lineno} {module}.{imported}")
            if f"{module}.{imported}" in modules():
                aliases[alias.asname or imported] = f"{module}.{imported}"
        for node in ast.walk(tree):
            reached = isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name)
            if reached and node.value.id in aliases and node.attr.startswith("_") and not node.attr.startswith("__"):
                wrong.append(f"{name}:{node.lineno} {aliases[node.value.id]}.{node.attr}")
    assert not wrong, "\n".join(wrong)


def test_only_commands_print() -> None:
    wrong = [
        f"{name}:{node.lineno}"
        for name, tree in modules().items()
        if not name.startswith(COMMANDS)
        for node in ast.walk(tree)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert not wrong, "\n".join(wrong)


def test_units_are_converted_in_one_place() -> None:
    wrong = [
        f"{name}:{node.lineno} {node.value}"
        for name, tree in modules().items()
        if name != "logger.units" and name not in AS_PUBLISHED
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
        and isinstance(node.value, float)
        and any(abs(node.value - number) <= 1e-9 * number for number in CONVERSIONS)
    ]
    assert not wrong, "\n".join(wrong)


def test_no_two_public_classes_bear_one_name() -> None:
    where: dict[str, list[str]] = defaultdict(list)
    for name, tree in modules().items():
        for node in tree.body:
            if isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
                where[node.name].append(name)
    twice = {name: places for name, places in where.items() if len(places) > 1}
    assert not twice


def test_no_file_is_longer_than_a_head_holds() -> None:
    long = {
        name: lines
        for package in (*PACKAGES, "tests", "sample_logs")
        for path in (ROOT / package).rglob("*.py")
        if (lines := len(path.read_text(encoding="utf-8").splitlines())) > MOST_LINES
        for name in [str(path.relative_to(ROOT))]
    }
    assert not long


def test_nothing_is_called_by_a_word_that_says_nothing() -> None:
    empty = {"utils", "util", "helpers", "helper", "common", "manager", "core", "misc"}
    assert not [name for name in modules() if empty & set(name.split("."))]


def test_between_answers_and_faces_no_bare_dictionaries() -> None:
    """Nobody turns an object into whatever fields it has: an answer says what it holds."""
    wrong = [
        f"{name}:{node.lineno}"
        for name, tree in modules().items()
        if name.startswith(("analysis.cli", "analysis.answers", "analysis.report"))
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and ast.unparse(node.func) in {"vars", "asdict", "dataclasses.asdict", "attrgetter", "operator.attrgetter"}
    ]
    assert not wrong, "\n".join(wrong)


def test_every_module_says_what_it_is() -> None:
    assert not [name for name, tree in modules().items() if not ast.get_docstring(tree)]


@pytest.mark.parametrize("package", PACKAGES)
def test_tests_mirror_the_rooms(package: str) -> None:
    """Every folder of tests under unit/ is a room, and every room with more than a command's worth has one."""
    rooms = {path.name for path in (ROOT / package).iterdir() if path.is_dir() and (path / "__init__.py").exists()}
    tested = {path.name for path in (ROOT / "tests" / "unit" / package).iterdir() if path.is_dir()}
    tested.discard("__pycache__")
    assert tested <= rooms
    assert rooms - tested == set()


def test_dask_and_fsspec_are_the_fleets_alone() -> None:
    """They are an extra: nothing else may need them."""
    for name, tree in modules().items():
        for node in ast.walk(tree):
            named = [alias.name for alias in node.names] if isinstance(node, ast.Import) else []
            named += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            far = {each.split(".")[0] for each in named} & {"dask", "distributed", "fsspec", "s3fs"}
            assert not far or name.startswith("analysis.fleet."), f"{name} imports {far}"
