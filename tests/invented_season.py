"""Seasons as tables of runs with a known truth: setups, outings, day effects, ways driven. No physics needed here."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from analysis.changes.observations import Observation
from analysis.conditions.setups import Parts

Floats = NDArray[np.float64]

SPEEDS = np.array([10, 20, 30, 40, 50, 60]) * 0.44704
TIMES = np.array([1.6, 3.6, 6.0, 9.5, 15.5, 25.0])
"""The base setup's times from one foot [s]."""

LAUNCH_S, PULL, OWN = 0.05, 0.010, 0.004
"""Scatter of runs: of the launch (the same at every speed), of the pull and of each time by itself (shares)."""


@dataclass(frozen=True)
class Stint:
    """Runs of one setup in one outing. `effect` is what the setup does, as a share of every time."""

    outing: int
    parts: Parts
    runs: int
    effect: float = 0.0
    one_way: bool = False


def run_sigma() -> Floats:
    """Standard deviation of one run's time at each speed."""
    return np.sqrt(LAUNCH_S**2 + (PULL * TIMES) ** 2 + (OWN * TIMES) ** 2)


def season(
    stints: Sequence[Stint], rng: np.random.Generator, day: float = 0.0, wind: float = 0.004
) -> list[Observation]:
    """Runs with day effects of standard deviation `day` times that of a run, and a wind that favours one way."""
    runs: list[Observation] = []
    days: dict[int, Floats] = {}
    winds: dict[int, float] = {}
    names: dict[str, str] = {}
    counts: dict[int, int] = {}
    for stint in stints:
        if stint.outing not in days:
            common, own = rng.standard_normal(), rng.standard_normal(len(TIMES))
            days[stint.outing] = day * run_sigma() * (0.95 * common + np.sqrt(1 - 0.95**2) * own)
            winds[stint.outing] = wind * rng.standard_normal()
        name = names.setdefault(str(sorted(stint.parts.items())), f"setup {len(names) + 1}")
        for k in range(stint.runs):
            number = counts[stint.outing] = counts.get(stint.outing, 0) + 1
            back = 0 if stint.one_way else k % 2
            share = PULL * rng.standard_normal() + winds[stint.outing] * (1 - 2 * back)
            time = TIMES * (1 + stint.effect + share + OWN * rng.standard_normal(len(TIMES)))
            time = time + LAUNCH_S * rng.standard_normal() + days[stint.outing]
            runs.append(
                Observation(
                    f"day{stint.outing}:{number}", name, stint.parts, f"day{stint.outing}", stint.outing,
                    stint.outing * 7 * 86400.0 + number * 240.0, 68.0 + 180.0 * back, SPEEDS, time,
                    np.full(len(TIMES), 0.03),
                )
            )  # fmt: skip
    return runs


def frame_of(runs: Sequence[Observation]) -> pd.DataFrame:
    """The runs as a table, one row a run and speed, as someone without drives would write it."""
    rows = [
        {
            "drive": run.drive, "run": int(run.label.split(":")[1]), "setup": run.setup, "parts": json.dumps(run.parts),
            "start_utc": pd.Timestamp(run.start_s, unit="s", tz="UTC"), "direction_deg": run.direction_deg,
            "speed_mps": speed, "from_one_foot_s": time, "from_one_foot_sigma_s": sigma,
        }
        for run in runs
        for speed, time, sigma in zip(run.speed_mps, run.time_s, run.sigma_s, strict=True)
    ]  # fmt: skip
    return pd.DataFrame(rows)


def of(runs: Sequence[Observation], parts: Parts) -> list[Observation]:
    """The runs of one setup."""
    return [run for run in runs if run.parts == parts]


def times(runs: Sequence[Observation]) -> Floats:
    """(runs, speeds)."""
    return np.array([run.time_s for run in runs])
