"""A friend's car, the Finch, and the pack that its owner gave away."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from pathlib import Path
from typing import Any

import simulate
from made_drives import BASELINE, CAR, START, make_drive
from run_verb import run_verb

FINCH = CAR.model_copy(update={"car": CAR.car.model_copy(update={"name": "Finch", "mass_kg": 512.0})})
STARTS = (
    simulate.Stand(4), simulate.Pull(14.0, launch="slip"), simulate.Brake(0), simulate.Stand(5),
    simulate.Pull(14.0, launch="slip"), simulate.Brake(0), simulate.Stand(4),
)  # fmt: skip


def a_friends_pack(root: Path, drives: int = 1, script: Sequence[Any] = STARTS, **made: Any) -> Path:
    """`finch.zip` in `root`, for others, of the drives in `root/finch`."""
    for n in range(drives):
        make_drive(
            root / "finch", script, seed=70 + n, car=FINCH, setup=BASELINE, start=START + timedelta(days=n, hours=5),
            weather={"temperature_c": 15.0, "pressure_hpa": 1002.0, "wind_mps": 1.0}, **made,
        )  # fmt: skip
    said = run_verb(root / "finch", "pack", "--ends", "0m", "--out", str(root / "finch.zip"))
    assert said.code == 0, said
    return root / "finch.zip"
