"""The table of verbs says what the verbs say of themselves, and a verb that is run loads no other's module."""

from __future__ import annotations

import inspect
import subprocess
import sys
from pathlib import Path

from analysis.cli import (
    analyse,
    bundle,
    coast,
    compare,
    complete,
    demo,
    desk,
    fuel,
    jets,
    mixture,
    packing,
    photo,
    power,
    recording,
    report,
    runs,
    season,
    setting,
    setups,
    sharing,
    verbs,
    weather,
    whatif,
)

MODULES = (
    recording, runs, photo, mixture, jets, fuel, coast, power, whatif, setups, setting, weather, complete, compare,
    season, sharing, report, packing, desk, analyse, bundle, demo,
)  # fmt: skip


def test_the_table_has_every_verb_with_its_module_and_its_first_words() -> None:
    told = {}
    for module in MODULES:
        for info in module.app.registered_commands:
            says = (inspect.getdoc(info.callback) or "").split("\n\n")[0]
            told[info.name or info.callback.__name__] = (module.__name__, " ".join(says.split()))
    assert told == verbs.VERBS


def test_every_module_with_an_app_is_looked_at_here() -> None:
    folder = Path(verbs.__file__).parent
    with_apps = {path.stem for path in folder.glob("*.py") if "\napp = " in path.read_text(encoding="utf-8")}
    assert {module.__name__.rpartition(".")[2] for module in MODULES} == with_apps - {"main"}


def loaded(*words: str) -> set[str]:
    """The modules of this program that `pullbook WORDS` loads."""
    code = (
        f"import sys; sys.argv = ['pullbook', *{words}]\nimport analysis.cli.main\n"
        "try:\n    analysis.cli.main.main()\nfinally:\n    print(*sys.modules, file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60)
    return set(done.stderr.splitlines()[-1].split())


def test_a_verb_loads_its_own_module_and_the_help_loads_none(tmp_path: Path) -> None:
    own = {module.__name__ for module in MODULES}
    assert loaded("--help") & own == set()
    assert loaded("status", "--store", str(tmp_path)) & own == {"analysis.cli.recording"}
    assert loaded("season", "--help") & own == {"analysis.cli.season"}
    assert "rich" not in loaded("status", "--store", str(tmp_path))  # nothing is drawn
