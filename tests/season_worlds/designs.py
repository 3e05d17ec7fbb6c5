"""What is driven and what is asked: without any true effect, and with one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from season_worlds.seasons import ANYWHERE, Place, Stint


@dataclass(frozen=True)
class Design:
    """Who asks what of which outings."""

    stints: tuple[Stint, ...] = ()
    place: Place = ANYWHERE
    ask: Literal["compare", "each week", "one way", "best", "effects", "plan"] = "compare"
    gain: float = 0.0
    """Of B over A, as a share of power; its sign is drawn."""
    twice: bool = False
    """B quicker by twice the difference said to be detectable, in place of `gain`."""


def outings(text: str) -> tuple[Stint, ...]:
    """`A4 A3 B4-A4`: outings on days of their own, setups of one outing joined by `-`; as many runs each way."""
    found = []
    for number, outing in enumerate(text.split()):
        found += [
            Stint(number, each[0], (int(each[1:]) + 1) // 2, int(each[1:]) // 2) for each in outing.split("-")
        ]  # fmt: skip
    return tuple(found)


def best_season(rng: np.random.Generator) -> tuple[Stint, ...]:
    """2 to 8 outings of 3 to 6 runs without a change."""
    return tuple(
        Stint(k, "A", (n + 1) // 2, n // 2) for k, n in enumerate(rng.integers(3, 7, int(rng.integers(2, 9))).tolist())
    )


WEEKS = "A4 A4 B4"
THERE_AND_BACK = "A4-B4-A4"
NOTHING: dict[str, Design] = {
    **{text: Design(outings(text)) for text in (WEEKS, "A4 A4 B3", "A4 A4 B5", "A4 A3 B4", "A6 A2 B3")},
    "A4 A4 B3 C5 D4 E6": Design(outings("A4 A4 B3 C5 D4 E6"), ask="each week"),
    THERE_AND_BACK: Design(outings(THERE_AND_BACK)),
    "3+1 against 1+3, 0.5 %": Design(
        (Stint(0, "A", 3, 1), Stint(1, "A", 3, 1), Stint(2, "B", 1, 3)), Place(slope=0.005)
    ),
    "belt, B warmer": Design(outings(WEEKS), Place(car="belt", weather=True, warm="B")),
    "one way each": Design((Stint(0, "A", 4, 0), Stint(1, "A", 4, 0), Stint(2, "B", 0, 4)), ask="one way"),
    "best of 2 to 8": Design(ask="best"),
    **{
        f"{said}, {text}": Design(outings(text), Place(launches=kind), ask=ask)
        for said, kind in (("soft launches", "soft"), ("damp belt", "damp"))
        for text, ask in (
            (WEEKS, "compare"),
            ("A6 A2 B3", "compare"),
            ("A4 A4 B3 C5 D4 E6", "each week"),
            (THERE_AND_BACK, "compare"),
        )
    },
    "soft launches, best of 2 to 8": Design(place=Place(launches="soft"), ask="best"),
    "8 parts of nothing": Design(
        (Stint(0, "A+0"), Stint(1, "A+0"), *(Stint(1 + k, f"A+{k}") for k in range(1, 9))), ask="effects"
    ),
}
SOMETHING: dict[str, Design] = {
    f"{text}, {said}": Design(outings(text), gain=gain, twice=twice)
    for text in (WEEKS, THERE_AND_BACK)
    for said, gain, twice in (("4 %", 0.04, False), ("8 %", 0.08, False), ("twice", 0.0, True))
} | {"plan": Design(outings(WEEKS), ask="plan")}  # fmt: skip
DESIGNS = NOTHING | SOMETHING


def setups(stints: Sequence[Stint]) -> list[str]:
    return list(dict.fromkeys(stint.setup for stint in stints))
