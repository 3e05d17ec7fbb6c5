"""The worlds against closed forms, the judge against known errors, and the program's delay against the worlds."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from worlds.car import STEP_S
from worlds.receiver import smoothed

from analysis.mixture import delay
from mixture_worlds import judge
from mixture_worlds.judge import Judged, judge_drive, judge_world, row, share_held
from mixture_worlds.world import WORLDS, left_at

BAR = 0.90
"""Of 95 % intervals, the share that holds the truth."""
MANY = 24
"""Drives of a world that are asked for where figures count."""


# --- the worlds -------------------------------------------------------------------------------------------------------


def test_gas_is_under_way_for_the_delay() -> None:
    rng = np.random.default_rng(0)
    t = np.arange(4000) * STEP_S
    assert left_at(rng.uniform(0, 1, 4000), 0.4, 0.0) == pytest.approx(t - 0.4, abs=1e-6)
    assert (t - left_at(np.ones(4000), 0.5, 0.2))[2000:] == pytest.approx(0.4, abs=1e-6)
    assert (t - left_at(np.zeros(4000), 0.5, 0.2))[2000:] == pytest.approx(0.6, abs=1e-6)


def test_gas_keeps_its_order_when_flow_jumps() -> None:
    flow = np.where(np.arange(8000) % 1500 < 700, 0.0, 1.0)
    left = left_at(flow, 0.9, 0.2)
    assert (np.diff(left[1000:]) > 0).all()


def test_sensor_is_a_first_order_lag() -> None:
    step = np.where(np.arange(3000) >= 1000, 1.0, 0.0)
    assert smoothed(step, 0.25)[1000 + 250] == pytest.approx(1 - np.exp(-1), abs=3e-3)


def test_readings_are_the_delayed_and_lagged_mixture_of_a_drive() -> None:
    """Only the opening and the readings: the shift at which they agree best is delay and lag together."""
    drive = WORLDS["country"].drive(0)
    moving = np.interp(drive.time_s, drive.fixes.t_s, drive.fixes.speed_mps) > 3
    lags = np.arange(0.0, 1.6, 0.02)
    fine = np.arange(len(drive.opening)) * STEP_S
    opened = np.clip(drive.opening, 0.5, 0.9)
    shifted = [np.interp(drive.time_s - lag, fine, opened)[moving] for lag in lags]
    fit = [abs(np.corrcoef(each, drive.afr[moving])[0, 1]) for each in shifted]
    assert lags[int(np.argmax(fit))] == pytest.approx(drive.delay_s + drive.lag_s, abs=0.15)


@pytest.mark.parametrize("name", ["town", "all, 5 Hz"])
def test_drives_are_what_they_claim(name: str) -> None:
    drive, again, other = WORLDS[name].drive(1), WORLDS[name].drive(1), WORLDS[name].drive(2)
    assert np.array_equal(drive.afr, again.afr)
    assert not np.array_equal(drive.afr[:500], other.afr[:500])
    assert 11 < np.percentile(drive.afr, 1) < np.percentile(drive.afr, 99) < 17
    assert (drive.opening > 0.99).sum() * STEP_S > 1  # full throttle
    assert (drive.fixes.speed_mps < 0.2).mean() > 0.05  # stops
    assert drive.fixes.speed_mps.max() < 25
    assert 5 < drive.fixes.t_s[-1] / 60 < 12
    assert np.median(np.diff(drive.fixes.t_s)) == pytest.approx(0.2 if "5 Hz" in name else 0.1)


def test_quantised_readings_lie_on_their_steps() -> None:
    afr = WORLDS["coarse readings"].drive(0).afr
    assert afr * 10 == pytest.approx(np.round(afr * 10), abs=1e-6)


# --- the judge --------------------------------------------------------------------------------------------------------


def known(error_s: float, half_s: float, told: str = "apart") -> Judged:
    return Judged(0.5, 0.2, 0.5, told, 0.5 + error_s, 0.5 + error_s - half_s, 0.5 + error_s + half_s)


def test_figures_of_known_errors() -> None:
    rng = np.random.default_rng(1)
    judged = [known(rng.normal(0, 0.05), 1.96 * 0.05) for _ in range(4000)]
    assert share_held(judged) == pytest.approx(0.95, abs=0.012)
    z, x95 = (float(each) for each in row("right", judged).split("|")[-1].split())
    assert z == pytest.approx(1, abs=0.04)
    assert x95 == pytest.approx(1, abs=0.04)
    narrow = [known(each.error_s, 0.05) for each in judged]
    assert [float(each) for each in row("narrow", narrow).split("|")[-1].split()] == pytest.approx([1.96] * 2, abs=0.08)
    assert share_held(narrow) == pytest.approx(0.68, abs=0.03)


def test_what_is_not_told_is_not_counted_as_held() -> None:
    judged = [known(0.3, 0.1), known(0.0, 0.1, "sum"), Judged(0.5, 0.2, 0.5, "", np.nan, np.nan, np.nan)]
    assert share_held(judged) == 0
    assert np.isnan(share_held(judged[1:]))
    assert share_held([*judged, known(0.2, 0.1, "sum")], "apart", "sum") == pytest.approx(1 / 3)
    assert row("", judged).split()[1:4] == ["33", "33", "0"]
    assert row("none", judged[1:]).endswith("-")


def test_command_line(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "argv", ["judge", "country", "--drives", "1", "--each", "--throttle"])
    assert judge.main() == 0
    out = capsys.readouterr().out
    assert "country" in out
    assert "together" in out
    monkeypatch.setattr(sys, "argv", ["judge", "nowhere"])
    assert judge.main() == 2
    assert "no world is called 'nowhere'" in capsys.readouterr().err


# --- the program ------------------------------------------------------------------------------------------------------


def test_delay_with_a_recorded_throttle() -> None:
    """World and program mean the same delay: without the detour over motion it comes out."""
    judged = [judge_drive(WORLDS["country"].drive(number), throttle=True) for number in range(3)]
    assert [each.told for each in judged] == ["apart"] * 3
    assert max(abs(each.error_s) for each in judged) < 0.06


def test_a_delay_that_is_read_wrongly_is_seen(monkeypatch: pytest.MonkeyPatch) -> None:
    """A planted fault: readings stamped 0.4 s late."""
    right = delay.estimate
    monkeypatch.setattr(delay, "estimate", lambda t, *rest: right(np.asarray(t) + 0.4, *rest))
    judged = judge_drive(WORLDS["country"].drive(0), throttle=True)
    assert judged.error_s == pytest.approx(0.4, abs=0.06)
    assert not judged.held


def test_delay_of_a_few_drives() -> None:
    """Short form, by motion alone: told, and not far off. The receiver does not smooth."""
    worlds = [WORLDS[name] for name in ("town", "country", "wander", "5 Hz")]
    judged = [each for world in worlds for each in judge_world(world, 2)]
    told = [each for each in judged if each.told == "apart"]
    assert len(told) >= 4 and sum(bool(each.told) for each in judged) >= 6  # a sum of delay and lag is told as one
    assert np.sqrt(np.mean([each.error_s**2 for each in told])) < 0.1
    assert share_held(told) >= 0.5  # gross faults only: the bar is held by the long form


@pytest.mark.long
@pytest.mark.parametrize("name", WORLDS)
def test_intervals_hold_the_true_delay(name: str) -> None:
    judged = judge_world(WORLDS[name], MANY)
    print(row(name, judged))
    # Asked is: "delay's interval holds 90 % at least in drives made by a simulator that isn't the one it was tuned on,
    # smoothing of 0 to 0.3 s included (or the interval says it doesn't cover that)". So a sum of delay and lag that is
    # called one, and a delay that is not told and says so, are answers; every interval told must hold what it is of.
    assert np.mean([bool(each.told) for each in judged]) >= 0.5  # it does not get there by telling little
    assert share_held(judged, "apart", "sum") >= BAR
    if sum(each.told == "apart" for each in judged) >= 8:
        assert share_held(judged) >= BAR
