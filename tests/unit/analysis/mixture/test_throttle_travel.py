"""Full throttle, where a throttle is recorded, is 90 % of its full travel and never of one gentle drive."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from made_drives import START, make_drive
from run_verb import run_verb
from simulate import Brake, Cruise, Phase, Pull, Stand, mixture_of

from analysis.mixture.throttle_travel import Reached, full_travel
from logger.config.targets import Regimes

GENTLE: list[Phase] = [
    Stand(10), Pull(14.0, throttle=0.59), Cruise(14.0, 40), Brake(0, 2.0), Stand(8), Pull(14.0, throttle=0.55),
    Cruise(12.0, 20), Brake(0, 2.0), Stand(8),
]  # fmt: skip
HARD: list[Phase] = [Stand(10), Pull(18.0), Cruise(14.0, 30), Brake(0, 2.5), Stand(8), Pull(18.0), Brake(0), Stand(8)]
LEAN = 0.95
"""Jet [mm]: full throttle is leaner than its window."""


@pytest.mark.parametrize(
    ("drives", "closed", "full", "travel"),
    [
        ([(0.0, 59.0, "%")], None, None, (0.0, 100.0)),
        ([(0.5, 3.1, "V")], None, None, None),
        ([(0.5, 3.1, "V"), (0.6, 4.4, "V")], None, None, (0.5, 4.4)),
        ([(0.5, 3.1, "V")], 0.4, 4.5, (0.4, 4.5)),
        ([(3.0, 85.0, "%")], None, 86.0, (3.0, 86.0)),
        ([], None, None, None),
    ],
)
def test_the_full_travel_is_configured_or_learned_over_drives(
    drives: list[Reached], closed: float | None, full: float | None, travel: tuple[float, float] | None
) -> None:
    assert full_travel(drives, Regimes(throttle_closed=closed, throttle_full=full)) == travel


def test_a_gentle_drive_has_no_full_throttle_to_be_lean(tmp_path: Path) -> None:
    """ "full throttle is lean, that burns pistons", where a recorded throttle never passed 59 %."""
    store = tmp_path / "store"
    make_drive(store, GENTLE, throttle_percent=100.0, law=mixture_of(LEAN))
    make_drive(store, HARD, throttle_percent=100.0, law=mixture_of(LEAN), start=START + timedelta(days=7), seed=2)
    gentle, hard = (run_verb(store, "mixture", f"2026-05-{day}", "--json").json for day in ("02", "09"))
    full = [next(each for each in told["summaries"] if each["regime"] == "full throttle") for told in (gentle, hard)]
    assert full[0]["seconds"] < 1 and full[1]["seconds"] > 8
    assert gentle["caution"] == "" and hard["caution"] != ""
    left = {run["n"]: run["part_throttle"] for run in run_verb(store, "runs", "2026-05-02", "--json").json["runs"]}
    assert left and all(why and "% of its full travel" in why for why in left.values())
    assert all(run["counted"] for run in run_verb(store, "runs", "2026-05-09", "--json").json["runs"])
