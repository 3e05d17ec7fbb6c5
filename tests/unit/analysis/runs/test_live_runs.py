"""The run as it happens: said once, when it is over, and the same as the finished drive says."""

from __future__ import annotations

import functools
import math
import re
from pathlib import Path

import numpy as np
import pytest
import simulate
from made_drives import make_drive
from simulate import SLOW_CAR, WREN, Brake, Cruise, Lift, Phase, Pull, Stand

from analysis.cli.runs import brief_runs
from analysis.motion import smoother
from analysis.motion.fixes import Fixes, clean
from analysis.runs import finding
from analysis.runs.live import LiveRuns
from logger.decode.nmea import Fix


def fix(t: float, speed: float, valid: bool = True) -> Fix:
    given = {"utc_ns": round(t * 1e9) + 1_777_000_000_000_000_000, "speed_mps": speed, "valid": valid, "mono_ns": 0}
    return Fix(**{name: given.get(name) for name in Fix._fields})  # type: ignore[arg-type]


@functools.cache
def received(script: tuple[Phase, ...], car: simulate.Car = WREN) -> simulate.ReceivedFixes:
    return simulate.receive(simulate.drive(car, list(script)), np.random.default_rng(3))


def said_of(got: simulate.ReceivedFixes, unit: str = "mph") -> list[tuple[float, str]]:
    """What was announced, with the time of the fix that brought it."""
    said: list[tuple[float, str]] = []
    now = math.nan
    live = LiveRuns(lambda text, **told: said.append((now, text)), unit)  # type: ignore[arg-type]
    for t, v in zip(got.t_s, got.speed_mps, strict=True):
        now = float(t)
        live.on_fix("gps", fix(now, float(v)))
    return said


def test_a_run_is_said_when_it_is_over_and_as_the_finished_drive_says_it() -> None:
    got = received((Stand(8), Pull(23.5, "bite"), Lift(15), Brake(0), Stand(5)), SLOW_CAR)
    ((when, text),) = said_of(got)
    assert when == pytest.approx(float(got.t_s[np.argmax(got.speed_mps)]), abs=8)
    kept, _ = clean(Fixes.of(got.t_s, got.speed_mps))
    (run,) = finding.find(smoother.smooth(kept), kept)
    time = re.search(r"0 to 50 mph in ([\d.]+) ±([\d.]+) s from one foot; peak ([\d.]+) mph", text)
    assert time is not None
    assert float(time[1]) == pytest.approx(run.splits[-1].from_one_foot_s, abs=0.05)
    assert float(time[3]) == pytest.approx(run.peak_mps / 0.44704, abs=0.2)


def test_a_gear_change_ends_no_run_and_each_run_is_said_once() -> None:
    pulls: tuple[Phase, ...] = (Pull(20, "slip", shifts=(6.0, 11.0)), Lift(14), Brake(0), Stand(6))
    said = said_of(received((Stand(8), *pulls, *pulls)), "km/h")
    assert [text[:14] for _, text in said] == ["0 to 70 km/h i"] * 2


def test_what_never_stood_or_never_ran_is_not_said() -> None:
    assert said_of(received((Cruise(8, 3), Pull(22), Lift(10)))) == []
    assert said_of(received((Stand(5), Pull(6), Brake(0), Stand(5)))) == []


def test_bad_fixes_and_a_second_receiver_are_left_out() -> None:
    got = received((Stand(8), Pull(20, "bite"), Lift(15), Brake(0), Stand(3)))
    said: list[str] = []
    live = LiveRuns(lambda text, **told: said.append(text))
    for t, v in zip(got.t_s, got.speed_mps, strict=True):
        live.on_fix("gps", fix(float(t), float(v)))
        live.on_fix("gps", fix(float(t), 30.0))  # the same epoch again
        live.on_fix("gps", fix(float(t) + 0.01, 30.0, valid=False))
        live.on_fix("other", fix(float(t) + 0.02, 30.0))
    assert len(said) == 1
    assert said[0].startswith("0 to 40 mph")


def test_a_drive_just_closed_says_its_runs_and_what_is_not_kept_with_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    script: list[Phase] = [Stand(8), Pull(16.0, "bite"), Lift(12), Brake(0), Stand(5)]
    bare, _ = make_drive(tmp_path, script)
    told, _ = make_drive(tmp_path, script, weather={"temperature_c": 15.0, "pressure_hpa": 1013.0})
    brief_runs(bare)
    said = " ".join(capsys.readouterr().out.split())
    assert "How each run went" in said
    assert f"No weather yet. Add it: `pullbook weather {bare.id} " in said
    brief_runs(told)
    assert "No weather" not in capsys.readouterr().out
