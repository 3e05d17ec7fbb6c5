"""A report opens each drive's manifest once, smooths each drive once at most, and builds each page once."""

from __future__ import annotations

import shutil
import tomllib
from collections import Counter
from datetime import timedelta
from pathlib import Path

import pytest
from made_drives import BASELINE, START, make_drive
from simulate import Brake, Cruise, Pull, Stand, Turn
from typer.testing import CliRunner

from analysis import kept
from analysis.changes import first_look
from analysis.cli import main
from analysis.motion import smoother
from analysis.report import drive_page, season_page, setups_page
from logger.store import drive as drives

SAMPLES = Path(__file__).parents[4] / "sample_logs"
CONFIGS = Path(__file__).parents[4] / "configs"
REPORTS = {
    "A B": ["baseline", "snorkel and needle"],
    "DRIVE": ["{last}"],
    "a path": ["{store}/{last}"],
    "last": [],
    "--season": ["--season"],
}


def run(*arguments: str) -> None:
    done = CliRunner().invoke(main.app, list(arguments))
    assert done.exit_code == 0, (arguments, done.exception)


@pytest.fixture(scope="module")
def two_setups(tmp_path_factory) -> Path:
    """Two setups, each driven on a day of its own, and a drive without runs."""
    store = tmp_path_factory.mktemp("two") / "store"
    script = [Stand(10), *(phase for _ in range(2) for phase in (Pull(19.0), Brake(0, 2.5), Turn(), Stand(7)))]
    other = BASELINE.model_copy(
        update={"name": "snorkel and needle", "parts": {"main_jet_mm": 1.09, "snorkel": "long"}}
    )
    for day, setup in enumerate((BASELINE, other)):
        make_drive(store, script, seed=day, setup=setup, start=START + timedelta(days=7 * day))
    make_drive(store, [Stand(5), Cruise(8, 20), Brake(0), Stand(5)], start=START + timedelta(days=3))
    return store


@pytest.fixture(scope="module")
def samples(tmp_path_factory) -> Path:
    """The sample drives with their setups and weather, as `demo` takes them in."""
    store = tmp_path_factory.mktemp("samples") / "store"
    shutil.copytree(CONFIGS, store)
    for each in tomllib.loads((SAMPLES / "season.toml").read_text(encoding="utf-8"))["drive"]:
        if each["file"].startswith("road-"):  # a morning of its own: tests/unit/analysis/changes/test_road_pulls.py
            continue
        setup = store / "setups" / each["setup"]
        run("import", str(SAMPLES / each["file"]), "--setup", str(setup), "--store", str(store))
        made = next(drive.id for drive in drives.list_drives(store) if drive.manifest.origin == each["file"])
        run(
            "weather", made, "--store", str(store), "--temperature", f"{each['temperature_c']}C",
            "--pressure", f"{each['pressure_hpa']}hPa", "--humidity", f"{each['humidity_percent']}%",
            "--wind", f"{each['wind_mps']}m/s", "--wind-from", str(each["wind_from_deg"]),
        )  # fmt: skip
    return store


class Counts:
    """How often each drive's folder was opened, each drive smoothed, and a page of each kind built."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        monkeypatch.setattr(first_look, "LEAST_DRIVES", 1000)  # what other processes smooth is not seen here
        self.opened: Counter[str] = Counter()
        self.smoothed: Counter[int] = Counter()
        self.built: Counter[str] = Counter()
        opening, smoothing = drives.open_folder, smoother.smooth

        def open_folder(path):
            self.opened[path.resolve().name] += 1
            return opening(path)

        def smooth(fixes, *rest, **named):
            self.smoothed[fixes.epoch_utc_ns] += 1
            return smoothing(fixes, *rest, **named)

        monkeypatch.setattr(drives, "open_folder", open_folder)
        monkeypatch.setattr(smoother, "smooth", smooth)
        for module in (drive_page, setups_page, season_page):
            self._count_pages(monkeypatch, module)

    def _count_pages(self, monkeypatch: pytest.MonkeyPatch, module) -> None:
        name = module.__name__.rpartition(".")[2]
        building = getattr(module, name)

        def build(*given, **named):
            self.built[name] += 1
            return building(*given, **named)

        monkeypatch.setattr(module, name, build)


def check(store: Path, page: Path, counts: Counts, report: str, *, deleted: bool) -> None:
    if deleted:
        shutil.rmtree(store / kept.FOLDER, ignore_errors=True)
    assert (store / kept.FOLDER).exists() != deleted
    ids = {path.name for path in store.iterdir() if (path / "drive.json").is_file()}
    asked = [word.format(store=store, last=max(ids)) for word in REPORTS[report]]
    run("report", *asked, "--store", str(store), "--out", str(page))
    assert {name: times for name, times in counts.opened.items() if name in ids} == dict.fromkeys(ids, 1)
    assert set(counts.smoothed.values()) <= {1}
    if deleted:
        assert len(counts.smoothed) == len(ids)
    # A drive's page is kept as it was made (`report.kept_page`).
    of_a_drive = report not in ("A B", "--season")
    assert sum(counts.built.values()) in ((0, 1) if of_a_drive and not deleted else (1,))


@pytest.mark.parametrize("deleted", [True, False], ids=["kept results deleted", "kept results present"])
@pytest.mark.parametrize("report", REPORTS)
def test_each_drive_is_opened_once_and_smoothed_once(two_setups, tmp_path, monkeypatch, report, deleted):
    check(two_setups, tmp_path / "page.html", Counts(monkeypatch), report, deleted=deleted)


@pytest.mark.parametrize(
    "report", [pytest.param(each, marks=pytest.mark.long) for each in ("A B", "DRIVE", "--season")]
)
def test_so_are_the_sample_drives(samples, tmp_path, monkeypatch, report):
    for deleted in (True, False):
        with monkeypatch.context() as patched:
            counts = Counts(patched)
            check(samples, tmp_path / f"{deleted}.html", counts, report, deleted=deleted)
            assert len(counts.opened) >= 10
            assert len(counts.smoothed) <= (len(counts.opened) if deleted else 4)  # present: only what is drawn
