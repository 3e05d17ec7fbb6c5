"""A small store for the desk's tests: a drive of each of two setups on two days, and a fuel loop."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path

from made_drives import BASELINE, START, make_drive
from made_season import BOTH, GAIN, STANDARD, starts
from simulate import Brake, Cruise, Lift, Phase, Pull, Stand

from analysis.road import fuel_used


@dataclass(frozen=True)
class DeskStore:
    """The store; ids of the drives of the first and the second setup and of the loop, and the loop's way [m]."""

    store: Path
    a: str
    b: str
    loop: str
    loop_m: float


def make_desk_store(store: Path) -> DeskStore:
    a, _ = make_drive(store, starts(3), seed=50, weather=STANDARD)
    b, _ = make_drive(
        store, starts(3), seed=52, start=START + timedelta(days=7), setup=BOTH, force_scale=GAIN, weather=STANDARD,
        jet_mm=1.06, notes=[(3.0, "tyres at 2.1 bar")],
    )  # fmt: skip
    script: list[Phase] = [Stand(8), Pull(14, throttle=0.5), Cruise(14, 60), Lift(8, 8), Brake(0, 2.0), Stand(8)]
    loop, driven = make_drive(store, script, seed=70, start=START + timedelta(days=14), setup=BASELINE)
    way = float(driven.s_m[-1] - driven.s_m[0])
    used = fuel_used.used_by_volume(3.2e-8 * way, 1e-6, 288.706)  # 3.2 L/100 km
    loop = loop.amend("fuel loop added", fuel=fuel_used.to_kept(used))
    return DeskStore(store, a.id, b.id, loop.id, way)
