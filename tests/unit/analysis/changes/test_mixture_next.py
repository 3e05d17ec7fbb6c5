"""What the plan makes of a mixture: full throttle asks for its jet, part throttle names circuit and part."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from made_drives import BASELINE, make_drive
from simulate import Brake, Pull, Stand

from analysis.changes import mixture_next
from analysis.changes.season import gather
from analysis.conditions.setups import Parts
from analysis.drive import AnalysedDrive
from analysis.mixture.map import Judgement, Regime, Window
from analysis.store import DriveStore


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


def test_what_was_found_is_kept_beside_the_drive_for_its_parts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    make_drive(tmp_path, [Stand(6), Pull(18.0), Brake(0, 2.5), Stand(20)], setup=BASELINE)
    found = mixture_next.mixture_notes(gather(DriveStore(tmp_path)))

    def again(drive: AnalysedDrive) -> None:
        raise AssertionError("mapped again")

    monkeypatch.setattr(AnalysedDrive, "map", property(again))
    season = gather(DriveStore(tmp_path))
    assert mixture_next.mixture_notes(season) == found
    other = [replace(row, parts={"main_jet_mm": 1.2}) for row in season.drives]
    with pytest.raises(AssertionError, match="mapped again"):
        mixture_next.mixture_notes(replace(season, drives=other))
