"""What a drive says of its standing runs, kept beside the store's drives."""

from __future__ import annotations

import contextlib
import functools
import hashlib
import json
import math
from collections.abc import Callable, Sequence
from importlib.metadata import version
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from logger.errors import InputError, NoAnswer
from logger.units import MPS_PER_KMH, MPS_PER_MPH

if TYPE_CHECKING:
    from logger.store.drive import Drive

_TABLE_MPS = sorted(
    {
        *(float(k) for k in range(1, 46)),
        *(round(5 * k * MPS_PER_MPH, 9) for k in range(1, 21)),
        *(round(10 * k * MPS_PER_KMH, 9) for k in range(1, 17)),
    }
)
_CACHE = ".analysis"


# --- what is kept -------------------------------------------------------------------------------------------------


def found_in(drive: Drive, store: Path, progress: Callable[[str], None]) -> dict[str, Any]:
    """What a drive's tables say of its standing runs, as plain numbers; from the store's cache where it is there."""
    key = _key(drive)
    path = store / _CACHE / f"{drive.id}.json"
    with contextlib.suppress(OSError, ValueError):
        kept: dict[str, Any] = json.loads(path.read_bytes())
        if kept.get("key") == key:
            return kept
    progress(f"finding the runs of {drive.id}")
    found = {"key": key, **_find(drive)}
    with contextlib.suppress(OSError):  # a store that cannot be written to is read all the same
        path.parent.mkdir(exist_ok=True)
        draft = path.with_suffix(".new")
        draft.write_text(json.dumps(found, allow_nan=False), encoding="utf-8")
        draft.replace(path)
    return found


def _find(drive: Drive) -> dict[str, Any]:
    from analysis.drive import analyse, speed_unit
    from analysis.runs.run import Options

    try:
        analysed = analyse(drive, Options(speeds_mps=tuple(_TABLE_MPS), unit=speed_unit(drive)))
    except (NoAnswer, InputError) as error:
        return {"runs": [], "channel": "", "trouble": str(error), "m3_per_m": None, "fuel_sigma": None}
    channel, mixture = _full_throttle(drive, analysed.runs)
    runs = [
        {
            "n": run.n,
            "start_utc_ns": run.start_utc_ns,
            "direction_deg": _plain(run.direction_deg),
            "grade_percent": _plain(run.grade.percent),
            "clean": run.clean,
            "ended": run.ended_words or run.ended,
            "speed_mps": [split.speed_mps for split in run.splits if math.isfinite(split.from_one_foot_s)],
            "time_s": [split.from_one_foot_s for split in run.splits if math.isfinite(split.from_one_foot_s)],
            "sigma_s": [split.from_one_foot_sigma_s for split in run.splits if math.isfinite(split.from_one_foot_s)],
            "rise_s": _plain(run.launch.rise_s) if run.launch else None,
            "soft": bool(run.launch and run.launch.soft),
            "full_throttle": _plain(mixture.get(run.n, math.nan)),
        }
        for run in analysed.runs
        if run.kind == "standing"
    ]
    used, sigma = _fuel_of(drive, analysed.motion, analysed.fixes)
    return {"runs": runs, "channel": channel, "trouble": "", "m3_per_m": used, "fuel_sigma": sigma}


def _full_throttle(drive: Drive, runs: Sequence[Any]) -> tuple[str, dict[int, float]]:
    """The median mixture of each standing run in the upper half of its speeds, readings laid back by their delay."""
    from analysis.drive import map_drive
    from logger.config.targets import TargetsConfig

    try:
        mapped = map_drive(drive, TargetsConfig())
    except (NoAnswer, InputError):
        return "", {}
    time = mapped.readings.time_s - mapped.answer.delay.delay_s - mapped.answer.delay.lag_s
    good = np.isfinite(mapped.readings.value)
    found = {}
    for run in runs:
        passed = [split for split in run.splits if split.speed_mps >= 0.4 * run.peak_mps]
        if run.kind != "standing" or not run.clean or not passed:
            continue
        begin, end = run.start_s + passed[0].time_s, run.start_s + passed[-1].time_s
        here = good & (time >= begin) & (time <= end)
        if np.sum(here) >= 8:
            found[run.n] = float(np.median(mapped.readings.value[here]))
    return mapped.readings.channel, found


def _fuel_of(drive: Drive, motion: Any, fixes: Any) -> tuple[float | None, float | None]:
    if drive.manifest.fuel is None:
        return None, None
    from analysis.road import fuel_loops

    try:
        loop = fuel_loops.drive_loop(motion, fixes, fuel_loops.from_kept(drive.manifest.fuel))
    except (NoAnswer, InputError, ValueError):
        return None, None
    return _plain(loop.m3_per_m), _plain(loop.sigma)


def _plain(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _key(drive: Drive) -> str:
    """What the kept numbers depend on: the drive's tables, its car, its fuel, and this program."""
    manifest = drive.manifest
    depends = [manifest.digests, manifest.rows, manifest.car, manifest.fuel, _program()]
    return hashlib.sha256(json.dumps(depends, sort_keys=True, default=str).encode()).hexdigest()


@functools.cache
def _program() -> str:
    """A digest of the whole installed program and its numeric libraries: a changed one finds anew."""
    digest = hashlib.sha256()
    for package in ("analysis", "logger"):
        folder = Path(__import__(package).__file__ or "").parent
        for file in sorted(folder.rglob("*.py")):
            digest.update(file.relative_to(folder).as_posix().encode() + file.read_bytes())
    for library in ("numpy", "scipy", "pandas", "pyarrow"):
        digest.update(version(library).encode())
    return digest.hexdigest()
