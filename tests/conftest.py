"""Fixtures that several rooms' tests share."""

from __future__ import annotations

import gc
import os
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):  # as the command does; before numpy is imported
    os.environ.setdefault(_name, "1")
os.environ.setdefault("PYTHONWARNINGS", "error")  # for every process that a test starts; pytest has its own setting

import hypothesis  # noqa: E402
import pytest  # noqa: E402
from made_road import MadeDrive, make_road_store  # noqa: E402
from made_season import MadeSeason, make_season  # noqa: E402
from rig import PULLBOOK  # noqa: E402
from same_data import worked_out_once  # noqa: E402

TESTS = Path(__file__).parent
ASK_AGAIN = {"answers", "changes", "cli", "desk", "fleet", "manual", "report", "road", "sharing", "system"}
"""Rooms whose tests ask the same drives again and again; those that work a drive out are asked anew each time."""


def pytest_configure(config: pytest.Config) -> None:
    """The ordinary suite draws the same examples each time, on a busy machine too; `-m long` draws new ones."""
    hypothesis.settings.register_profile(
        "ordinary", derandomize=True, suppress_health_check=[hypothesis.HealthCheck.too_slow]
    )
    if "long" not in config.getoption("-m").replace("not long", ""):
        hypothesis.settings.load_profile("ordinary")


LONGEST = (
    "system/test_record", "manual/test_manual_commands", "desk/test_commands", "system/test_survival",
    "fleet/test_fleet", "record/test_endless", "system/test_desk_live", "analysis/test_kept", "runs/test_finding",
    "motion/test_receiver", "system/test_cables", "road/test_coasts_on_roads", "answers/test_schemas",
    "system/test_notebook", "runs/test_plausible", "cli/test_every_verb", "system/test_kills", "cli/test_said_before",
    "store/test_journal", "system/test_plain_output", "runs/test_launches", "desk/test_desk_actions",
    "changes/test_days", "external/test_coasts_external", "mixture_worlds/test_judge", "faults/test_faults",
    "changes/test_full_throttle", "report/test_report", "desk/test_desk_pages", "browser/test_report_browser",
    "browser/test_desk_pages_browser", "browser/test_desk_browser",
)  # fmt: skip
"""The files that take longest come first, so that no worker has one left when the others are done; those that mostly
wait, for cables or other processes, stand between those that compute."""


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    rank = {f"{name}.py": number for number, name in enumerate(LONGEST)}
    items.sort(key=lambda item: (rank.get(f"{item.path.parent.name}/{item.path.name}", len(rank)), item.path))


def pytest_collection(session: pytest.Session) -> None:
    """Each worker begins to collect in another room: on a fresh clone, what one has compiled the others find done."""
    if session.config.args == session.config.getini("testpaths") and "PYTEST_XDIST_WORKER" in os.environ:
        rooms = [path for path in sorted([*TESTS.glob("*"), *TESTS.glob("unit/*/*")]) if _is_room(path)]
        number, of = int(os.environ["PYTEST_XDIST_WORKER"][2:]), int(os.environ["PYTEST_XDIST_WORKER_COUNT"])
        first = number * len(rooms) // of
        session.config.args = [str(path) for path in rooms[first:] + rooms[:first]]


def _is_room(path: Path) -> bool:
    return path.name != "unit" and not path.name.startswith("_") and (path.is_dir() or path.name.startswith("test_"))


def pytest_collection_finish() -> None:
    """A million objects of the collected tests stay to the end: no need to look through them again and again, nor for
    what is in circles after every 700 that are new."""
    gc.freeze()
    gc.set_threshold(10_000, 10, 10)


def pytest_xdist_auto_num_workers() -> int:
    """One worker more than there are cores: tests of the recorder mostly wait for their cables."""
    return (os.cpu_count() or 1) + 1


def of_all_workers(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder that all workers of these tests share."""
    base = tmp_path_factory.getbasetemp()
    return base.parent if "PYTEST_XDIST_WORKER" in os.environ else base


@pytest.fixture(scope="module", autouse=True)
def _what_is_pure_is_worked_out_once(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[None]:
    """Smoothing and runs of the same data come from memory where they are not what is tested."""
    room = request.path.parent.name
    if room in ASK_AGAIN or (room == "analysis" and request.path.parent.parent.name == "unit"):
        with worked_out_once(of_all_workers(tmp_path_factory) / "worked-out"):
            yield
    else:
        yield


@pytest.fixture(scope="session")
def real_log() -> Path:
    """NMEA sentences of a real drive in a car, where the machine has them.

    `town-and-country-2010.nmea` from the public repository GENIVI/positioning (log-replayer/logs/nmea), looked for in
    $PULLBOOK_REAL_LOGS, else in shared/real_logs beside the checkout.
    """
    beside = Path(__file__).resolve().parents[2] / "shared" / "real_logs"
    path = Path(os.environ.get("PULLBOOK_REAL_LOGS", beside)) / "town-and-country-2010.nmea"
    if not path.is_file():
        pytest.skip(f"no real drive at {path}: set PULLBOOK_REAL_LOGS to a folder that has it")
    return path


@pytest.fixture(scope="session")
def made_season(tmp_path_factory: pytest.TempPathFactory) -> MadeSeason:
    """A season whose truth is known, made once: nobody may change its drives."""
    return make_season(tmp_path_factory.mktemp("season"))


@pytest.fixture(scope="session")
def made_road(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, dict[str, MadeDrive]]:
    """A store of coasts, starts and loops, made once: nobody may change its drives."""
    store = tmp_path_factory.mktemp("road")
    return store, make_road_store(store)


@pytest.fixture(scope="session")
def demo_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with `demo-store` as `pullbook demo` leaves it, made once for all workers: nobody may change it."""
    folder = of_all_workers(tmp_path_factory) / "demo"
    ended = folder / "ended"
    try:
        folder.mkdir()
    except FileExistsError:  # another worker makes it
        while not ended.exists():
            time.sleep(0.2)
    else:
        done = subprocess.run([*PULLBOOK, "demo", "demo-store"], cwd=folder, capture_output=True, check=False)
        (folder / "demo.txt").write_bytes(done.stdout)
        (folder / "ending").write_bytes(done.stderr if done.returncode else b"well")
        (folder / "ending").replace(ended)
    assert ended.read_bytes() == b"well"
    return folder
