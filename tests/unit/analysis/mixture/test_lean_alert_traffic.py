"""The lean alert over simulated traffic: no false ring where the car's power is known, and lean pulls ring."""

from __future__ import annotations

import pytest
from lean_judge import LEAN_MAIN, WELL_JETTED, Judged, judged, taken_for_full


@pytest.mark.parametrize("hours", [0.15, pytest.param(3.4, marks=pytest.mark.long)])
@pytest.mark.parametrize("known", ["power", "drives"])
def test_no_false_ring_and_lean_pulls_ring(known: str, hours: float) -> None:
    total, lean = Judged(), Judged()
    for script in ("gentle", "traffic", "overtaking"):
        total += judged(script, WELL_JETTED, known, hours, seed=100)
    lean = judged("overtaking", LEAN_MAIN, known, hours, seed=200)
    total += lean
    assert total.false_rings == 0
    assert lean.lean > 2
    if known == "drives":
        assert lean.rang == lean.lean
    else:  # until three full pulls were seen, low speeds pass for low load
        assert lean.rang >= 0.6 * lean.lean


def test_where_nothing_is_known_it_keeps_quiet() -> None:
    assert judged("overtaking", LEAN_MAIN, "nothing", 0.1, seed=300).rings == 0


@pytest.mark.long
@pytest.mark.parametrize("minutes", [5, 15, 40])
def test_traffic_seldom_passes_for_timed_runs(minutes: int) -> None:
    assert taken_for_full("traffic", minutes, 40) <= 2
