"""What the plan makes of a mixture: full throttle asks for its jet, part throttle names circuit and part."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from analysis.changes import mixture_next
from analysis.conditions.setups import Parts
from analysis.mixture.map import Judgement, Regime, Window


def summary(regime: Regime, judgement: Judgement, sure: bool = True) -> Any:
    return SimpleNamespace(regime=regime, judgement=judgement, sure=sure, median=14.31, target=Window(12.7, 13.5))


PARTS: Parts = {"main_jet_mm": 1.09, "needle_clip": 3, "pilot_jet_mm": 0.4}


@pytest.mark.parametrize(
    ("regime", "judgement", "said"),
    [
        (Regime.FULL, Judgement.RICH, "a smaller main jet (main_jet_mm, now 1.09). `pullbook jets`"),
        (Regime.FULL, Judgement.LEAN, "a larger main jet"),
        (Regime.CRUISE, Judgement.LEAN, "raise the needle by a clip (needle_clip, now 3)"),
        (Regime.CRUISE, Judgement.RICH, "lower the needle by a clip"),
        (Regime.TOWN, Judgement.LEAN, "richen pilot jet or cutaway by one size (pilot_jet_mm, now 0.4)"),
        (Regime.IDLE, Judgement.RICH, "lean the mixture screw by a quarter turn"),
    ],
)
def test_each_circuit_is_named_with_what_would_change_it(regime: Regime, judgement: Judgement, said: str) -> None:
    told = mixture_next._said(summary(regime, judgement), "d", PARTS, 2)
    assert said in told and "14.31, target 12.70 to 13.50" in told
    if regime is not Regime.FULL:
        assert told.endswith(("On a fixed-jet carburettor it is the transition holes", "it is the idle jet"))


def test_what_is_in_its_window_or_not_sure_asks_for_nothing() -> None:
    for each in (summary(Regime.CRUISE, Judgement.IN_BAND), summary(Regime.FULL, Judgement.RICH, sure=False)):
        assert mixture_next._said(each, "d", PARTS, 2) == ""
