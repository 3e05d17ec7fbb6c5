"""The packages: what the wheel holds, and that it works in a bare environment, away from the source tree."""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
import tomllib
import venv
import zipfile
from pathlib import Path

import pytest
from at_the_desk import Client

ROOT = Path(__file__).parents[2]
VERSION = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]["version"]


def test_the_version_is_the_changelogs_newest() -> None:
    lines = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8").splitlines()
    assert next(line for line in lines if line.startswith("## ")).startswith(f"## {VERSION} (")


def run(*words: str | Path, cwd: Path, **env: str) -> str:
    """What a command prints; PYTHONPATH and a warning of a tool of others are no matter here."""
    clean = {name: value for name, value in os.environ.items() if name not in {"PYTHONPATH", "PYTHONWARNINGS"}}
    done = subprocess.run([*map(str, words)], cwd=cwd, capture_output=True, text=True, check=False, env=clean | env)
    assert done.returncode == 0, f"{words}\n{done.stdout}{done.stderr}"
    return done.stdout


@pytest.fixture(scope="module")
def bare(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An environment with nothing but pip, and the packages as a release makes them, in `dist` beside it."""
    folder = tmp_path_factory.mktemp("packages")
    venv.create(folder / "tools", with_pip=True)
    venv.create(folder / "bare", with_pip=True)
    python = python_of(folder / "tools")
    run(python, "-m", "pip", "install", "-q", "build", "twine", cwd=folder)
    run(python, "-m", "build", "--outdir", folder / "dist", ROOT, cwd=folder)
    return folder


def python_of(environment: Path) -> Path:
    return environment / ("Scripts/python.exe" if sys.platform == "win32" else "bin/python")


@pytest.mark.long
@pytest.mark.timeout(3000)
class TestPackages:
    def test_twine_finds_nothing(self, bare: Path) -> None:
        packages = sorted((bare / "dist").iterdir())
        assert [each.name for each in packages] == [
            f"pullbook-{VERSION}-py3-none-any.whl",
            f"pullbook-{VERSION}.tar.gz",
        ]
        run(python_of(bare / "tools"), "-m", "twine", "check", "--strict", *packages, cwd=bare)

    def test_the_packages_hold_what_they_must(self, bare: Path) -> None:
        wheel, source = sorted((bare / "dist").iterdir())
        held = set(zipfile.ZipFile(wheel).namelist())
        must = "manual/index.md", "manual/pictures/runs.svg", "sample_logs/season.toml", "py.typed", "desk/desk.css"
        assert {*(f"analysis/{name}" for name in must), "logger/configs/recorder.toml"} <= held
        assert {each.partition("/")[0] for each in held} == {
            "analysis",
            "logger",
            f"pullbook-{VERSION}.dist-info",
            f"pullbook-{VERSION}.data",
        }
        with tarfile.open(source) as archive:
            inside = {each.partition("/")[2] for each in archive.getnames()}
        assert {"docs/conf.py", "tests/conftest.py", "SECURITY.md", "LICENSE", "docs/manual/words.md"} <= inside

    def test_the_demo_and_help_from_the_wheel_alone(self, bare: Path) -> None:
        wheel = next((bare / "dist").glob("*.whl"))
        python = python_of(bare / "bare")
        run(python, "-m", "pip", "install", "-q", wheel, cwd=bare)
        command = python.with_name("pullbook.exe" if sys.platform == "win32" else "pullbook")
        assert VERSION in run(command, "--version", cwd=bare)
        said = run(command, "demo", cwd=bare)
        assert "season.html" in said and (bare / "demo-store" / "season.html").is_file()
        words = [command, "desk", "--no-browser", "--store", "demo-store"]
        with subprocess.Popen(words, cwd=bare, text=True, stdout=subprocess.PIPE) as desk:
            try:
                assert desk.stdout is not None
                address = desk.stdout.readline().removeprefix("Desk: ").strip()
                client = Client(int(address.split(":")[2].partition("/")[0]))
                client.open(address)
                assert "What the numbers mean" in client.get("/help/numbers").text
                assert client.get("/help/pictures/runs.svg").status == 200
            finally:
                desk.terminate()
                desk.wait(60)
