"""Finished drives whose truth is known: simulated, captured and built as a recorded drive is."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
from airfield import Road
from board_lines import GRAVITY, MadeBoard, board_readings
from simulate import (
    WREN,
    Car,
    Cruise,
    HostChunk,
    Lift,
    MixtureLaw,
    Phase,
    Pull,
    ReceivedFixes,
    Stand,
    Truth,
    drive,
    host_chunks,
    mixture_of,
    receive,
    sense,
)

from logger.config import reading
from logger.config.car import CarConfig
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig
from logger.decode import events
from logger.store import drive as drives
from logger.store.drive import Drive

START = datetime(2026, 5, 2, 9, 14, 30, tzinfo=UTC)
RIG = """\
[[source]]
name = "gps"
kind = "nmea"
baud = 38400
latency_s = 0.1

[[source]]
name = "mixture"
kind = "numbers"
  [[source.column]]
  channel = "afr"
"""
BOARD_RIG = RIG + """
[[source]]
name = "imu"
kind = "numbers"
baud = 115200
""" + "".join(
    f"""  [[source.column]]
  channel = "accel_{axis}_g"
  quantity = "acceleration"
  unit = "g"
""" for axis in "xyz")  # fmt: skip
THROTTLE_RIG = """
[[source]]
name = "board"
kind = "numbers"
  [[source.column]]
  channel = "throttle"
  unit = "%"
"""
CAR = CarConfig.model_validate({"car": {"name": "Wren", "mass_kg": 392.0, "cooling": "air"}})
BASELINE = SetupConfig(name="baseline", parts={"main_jet_mm": 1.09, "snorkel": "short"})


def make_drive(
    store: Path,
    script: Sequence[Phase],
    *,
    seed: int = 1,
    noise_mps: float = 0.05,
    rate_hz: float = 10.0,
    mixture_hz: float = 10.0,
    road: Road | None = None,
    start: datetime = START,
    car: CarConfig | None = CAR,
    setup: SetupConfig | None = BASELINE,
    weather: dict[str, Any] | None = None,
    rig: str = RIG,
    notes: Iterable[tuple[float, str]] = (),
    boot_s: float = 1843.5,
    truth_car: Car = WREN,
    force_scale: float = 1.0,
    headwind_mps: float = 0.0,
    jet_mm: float = 1.09,
    law: MixtureLaw | None = None,
    silent_s: tuple[float, float] | None = None,
    board: MadeBoard | None = None,
    throttle_percent: float | None = None,
    receiver: str = "gps",
) -> tuple[Drive, Truth]:
    """Drive `script`, record it, and close the drive. `notes` are (time of the truth [s], text).

    Between the two times of the truth of `silent_s` [s] the receiver sends nothing. `board`: one that prints its axes
    in g as lines of the source `imu`, to be configured in `rig` (`BOARD_RIG`). `throttle_percent` is what another
    board shows of a throttle that is as far open as the engine needs for all its power.
    `receiver`: what the GPS source is called in `rig`.
    """
    rng = np.random.default_rng(seed)
    truth = drive(truth_car, script, road, seed=seed, force_scale=force_scale, headwind_mps=headwind_mps)
    fixes = receive(truth, rng, rate_hz=rate_hz, noise_mps=noise_mps)
    if silent_s is not None:
        heard = (fixes.t_s < silent_s[0]) | (fixes.t_s > silent_s[1])
        fixes = ReceivedFixes(**{name: values[heard] for name, values in vars(fixes).items()})
    readings = sense(truth, law or mixture_of(jet_mm), rng, rate_hz=mixture_hz)
    said = []
    for at, text in notes:
        mono = round((boot_s + at * (1 + 12e-6)) * 1e9)
        row = events.at(mono, (start + timedelta(seconds=at)).isoformat(), "note", text=text)
        said.append(HostChunk(mono, row.source, row.data))
    if board is not None:
        told = board_readings(truth.t_s, truth.v_mps, rng, board)
        for at, axes in zip(told.t_s, told.accel_mps2 / GRAVITY, strict=True):
            line = ",".join(f"{axis:.4f}" for axis in axes)
            said.append(HostChunk(round((boot_s + at * (1 + 12e-6)) * 1e9), "imu", f"{line}\r\n".encode()))
    if throttle_percent is not None:
        rig += THROTTLE_RIG
        for at in np.arange(truth.t_s[0], truth.t_s[-1], 0.1):
            share = float(np.nan_to_num(np.interp(at, truth.t_s, np.nan_to_num(truth.throttle))))
            mono = round((boot_s + at * (1 + 12e-6)) * 1e9)
            said.append(HostChunk(mono, "board", f"{throttle_percent * share:.1f}\r\n".encode()))
        said.sort(key=lambda chunk: chunk.mono_ns)
    chunks = host_chunks(truth, fixes, readings, rng, start, boot_s=boot_s, kinds="RMC GGA", extra=said)
    sources = [receiver if chunk.source == "gps" else chunk.source for chunk in chunks]
    raw = pa.table(
        {
            "mono_ns": pa.array([chunk.mono_ns for chunk in chunks], pa.int64()),
            "source": pa.array(sources).dictionary_encode(),
            "data": pa.array([chunk.data for chunk in chunks], pa.binary()),
        }
    )
    settings = reading.parse(rig, RecorderConfig, "rig")
    return drives.write(store, raw, settings, rig, car, setup, weather), truth


def steps_script(rng: np.random.Generator) -> list[Phase]:
    """Three full-throttle pulls out of a cruise, each lifted from: twelve steps of load or so."""
    script: list[Phase] = [Stand(5), Pull(11, launch="ramp", throttle=0.6)]
    for v in rng.uniform(11, 16, 3):
        script += [Cruise(v, 8), Pull(v + 5), Cruise(v + 5, 7), Lift(v, 8)]
    return [*script, Cruise(11, 8)]
