"""`pullbook complete`: what drives lack is asked for, and what the same day's drives were told is offered."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pytest
import simulate
from bad_drives import plant
from made_drives import BASELINE, START, make_drive
from made_season import BOTH
from typer.testing import CliRunner, Result

from analysis.cli.complete import offer
from analysis.cli.main import app
from logger.errors import InputError
from logger.store.drive import list_drives, open_drive

SCRIPT = [simulate.Stand(3), simulate.Pull(4.0), simulate.Brake(0)]
MORNING = {"temperature_c": 17.0, "pressure_hpa": 1009.0, "humidity_percent": 59.0, "wind_mps": 1.2,
           "wind_from_deg": 250.0}  # fmt: skip


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """The day before; then a morning's drive with all told, and two of the same day with nothing."""
    kept = tmp_path / "store"
    make_drive(kept, SCRIPT, seed=1, setup=BASELINE, start=START - timedelta(days=1))
    make_drive(kept, SCRIPT, seed=2, setup=BOTH, start=START, weather=MORNING)
    for n in (1, 2):
        make_drive(kept, SCRIPT, seed=2 + n, setup=None, start=START + timedelta(hours=n))
    return kept


def complete(store: Path, *arguments: str, answers: str) -> Result:
    result = CliRunner().invoke(app, ["complete", *arguments, "--store", str(store)], input=answers)
    if result.exception is not None and not isinstance(result.exception, SystemExit | InputError):
        raise result.exception
    return result


def test_enter_carries_the_mornings_values_on(store: Path) -> None:
    plant("manifest cut", store, next(store.glob("2026-05-02*")))
    before = {drive.id: drive.manifest for drive in list_drives(store)}
    result = complete(store, answers="\n" * 20)
    assert result.exception is None, result.output
    drives = list_drives(store)
    day = [drive for drive in drives if drive.manifest.started_utc.date() == START.date()]
    assert len(day) == 3
    for drive in day:
        assert drive.setup == BOTH
        told = {key: (drive.manifest.weather or {}).get(key) for key in MORNING}
        assert told == MORNING, drive.id
    assert drives[0].manifest == before[drives[0].id]  # the day before is not asked about


def test_one_drive_has_and_two_have(store: Path) -> None:
    complete(store, answers="\n" * 20)
    last = max(drive.id for drive in list_drives(store))
    one = complete(store, last, answers="\n" * 20)
    assert "Nothing is missing: 1 drive has its setup and weather." in one.output
    both = complete(store, answers="\n" * 20)
    assert re.search(r"Nothing is missing: [23] drives have their setup and weather\.", both.output), both.output


def test_what_is_typed_goes_before_and_is_offered_next(store: Path) -> None:
    typed = ["", "baseline", "63F", "-", "5 %", "5mph", "200", "dusty", "", "", "", "", "", "", ""]
    result = complete(store, answers="\n".join(typed) + "\n")
    assert result.exception is None, result.output
    for drive in list_drives(store)[2:]:
        assert drive.setup == BASELINE
        told = drive.manifest.weather or {}
        assert told["temperature_c"] == pytest.approx((63 - 32) / 1.8, abs=0.01)
        assert told["wind_mps"] == pytest.approx(2.235, abs=0.01)  # 1 mph = 0.44704 m/s, exact
        assert (told.get("pressure_hpa"), told["wind_from_deg"]) == (None, 200)
    assert [note.text for note in list_drives(store)[2].manifest.notes] == ["dusty"]


def test_dashes_leave_it_open_and_nonsense_is_asked_again(store: Path) -> None:
    last = list_drives(store)[-1].id
    result = complete(store, last, answers="nonesuch\n-\nwarm\n-\n\n")
    assert "no setup, file or drive has this name" in result.output and "expected a temperature" in result.output
    made = open_drive(store, last)
    assert made.setup is None and made.manifest.weather is None and not made.manifest.trace


def test_weather_that_cannot_be_is_asked_again(store: Path) -> None:
    """A number with its unit that no air has: the questions go on, and the next drive is asked about too."""
    typed = ["", "300C", "", "", "", "", "17C", "", "", "", "", ""]
    result = complete(store, *[drive.id for drive in list_drives(store)[2:]], answers="\n".join(typed) + "\n" * 12)
    assert result.exception is None, result.output
    assert "temperature_c: found 300" in result.output and "leaves it open" in result.output
    assert [(drive.manifest.weather or {}).get("temperature_c") for drive in list_drives(store)[2:]] == [17, 17]


def test_at_the_end_of_recording_it_asks_only_where_something_lacks(
    store: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    names = [drive.id for drive in list_drives(store)]
    monkeypatch.setattr("builtins.input", lambda prompt: pytest.fail("nothing is to be asked"))
    offer(store, names[1:2])
    assert capsys.readouterr().out == ""
    monkeypatch.undo()

    def stopped(prompt: str) -> str:
        raise KeyboardInterrupt

    monkeypatch.setattr("builtins.input", stopped)
    offer(store, names[2:])
    assert "Left open" in capsys.readouterr().out
