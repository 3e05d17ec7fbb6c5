"""The table of worlds: each a kind of drive and a receiver, by name.

Every world is drawn from seeds that follow from its own name. The first eleven are the rows by which the program was
first found wanting; the others are combinations of them and receivers and drivers of other kinds.
"""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.motion.fixes import Fixes
from worlds.car import Car, Drive, Driving, any_car, make_drive
from worlds.receiver import Receiver, receive


@dataclass(frozen=True)
class World:
    name: str
    receiver: Receiver
    driving: Driving = field(default_factory=Driving)

    def drives(self, launches: int, shift: int = 0) -> Iterator[tuple[int, int]]:
        """Numbers of the drives that together have at least so many launches, and how many each has."""
        total, number = 0, 0
        while total < launches:
            rng = np.random.default_rng(self._seed(number, shift, 2))
            each = int(rng.integers(self.driving.launches[0], self.driving.launches[1] + 1))
            yield number, each
            total, number = total + each, number + 1

    def drive(self, number: int, shift: int = 0) -> tuple[Drive, Fixes]:
        """The truth of one drive and its fixes; `shift` takes other seeds."""
        count = int(np.random.default_rng(self._seed(number, shift, 2)).integers(
            self.driving.launches[0], self.driving.launches[1] + 1))  # fmt: skip
        how = replace(self.driving, launches=(count, count))
        truth = make_drive(np.random.default_rng(self._seed(number, shift, 0)), how, self._car(shift))
        return truth, receive(truth, self.receiver, np.random.default_rng(self._seed(number, shift, 1)))

    def _car(self, shift: int) -> Car | None:
        if not self.driving.one_car:
            return None
        return any_car(np.random.default_rng(self._seed(0, shift, 3)), self.driving.heavy)

    def _seed(self, number: int, shift: int, what: int) -> list[int]:
        return [zlib.crc32(self.name.encode()), shift, number, what]


_EASED = Driving(eased=1.0)
_ROLLED = Driving(rolled_out=1.0)
_WANDER = Receiver(wander_share=0.5, wander_s=1.0)
_ALL = Receiver(wander_share=0.5, wander_s=1.0, smoothing_s=0.35, outliers=0.02, hold_mps=0.3, decimals=2, missing=0.05)

_TABLE = [
    # The rows of the table.
    World("white 0.03", Receiver(noise_mps=0.03)),
    World("white 0.05", Receiver()),
    World("wander 0.5 s", Receiver(wander_share=1.0, wander_s=0.5)),
    World("wander 1 s", Receiver(wander_share=1.0, wander_s=1.0)),
    World("wander 2 s", Receiver(wander_share=1.0, wander_s=2.0)),
    World("smooth 0.2", Receiver(smoothing_s=0.2)),
    World("smooth 0.35", Receiver(smoothing_s=0.35)),
    World("smooth 0.5", Receiver(smoothing_s=0.5)),
    World("outliers", Receiver(outliers=0.02)),
    World("all together", _ALL),
    World("ramp, 690 kg", Receiver(), Driving(kinds=("ramp",), heavy=True)),
    # Their combinations.
    World("half wander 0.5 s", replace(_WANDER, wander_s=0.5)),
    World("half wander 1 s", _WANDER),
    World("half wander 2 s", replace(_WANDER, wander_s=2.0)),
    World("all together, 0.2", replace(_ALL, smoothing_s=0.2)),
    World("all together, 0.5", replace(_ALL, smoothing_s=0.5)),
    World("all but smoothing", replace(_ALL, smoothing_s=0.0)),
    World("smooth 0.2, wander, hold", replace(_WANDER, smoothing_s=0.2, hold_mps=0.3)),
    World("smooth 0.35, wander, hold", replace(_WANDER, smoothing_s=0.35, hold_mps=0.3)),
    World("smooth 0.5, wander, hold", replace(_WANDER, smoothing_s=0.5, hold_mps=0.3)),
    World("smooth 0.2, outliers", Receiver(smoothing_s=0.2, outliers=0.02)),
    World("wander, outliers", replace(_WANDER, outliers=0.02)),
    World("outlier bursts", Receiver(outliers=0.01, burst=4)),
    # Other rates.
    World("white, 25 Hz", Receiver(rate_hz=25)),
    World("white, 5 Hz", Receiver(rate_hz=5)),
    World("white, 1 Hz", Receiver(rate_hz=1)),
    World("third wander, 25 Hz", Receiver(rate_hz=25, wander_share=1 / 3)),
    World("third wander, 5 Hz", Receiver(rate_hz=5, wander_share=1 / 3)),
    World("smooth 0.35, 25 Hz", Receiver(rate_hz=25, smoothing_s=0.35)),
    World("smooth 0.35, 5 Hz", Receiver(rate_hz=5, smoothing_s=0.35)),
    World("all together, 5 Hz", replace(_ALL, rate_hz=5)),
    World("0.1 kn, 1 Hz", Receiver(rate_hz=1, decimals=1, hold_mps=0.3)),
    # Other filters.
    World("smooth 0.1", Receiver(smoothing_s=0.1)),
    World("two-stage 0.2", Receiver(smoothing_s=0.2, stages=2)),
    World("two-stage 0.35", Receiver(smoothing_s=0.35, stages=2)),
    World("two-stage 0.5", Receiver(smoothing_s=0.5, stages=2)),
    World("filter's own noise, 0.35", Receiver(smoothing_s=0.35, wander_share=0.8, wander_s=0.35)),
    # Other stops.
    World("all eased", Receiver(), _EASED),
    World("all eased, smooth 0.35", Receiver(smoothing_s=0.35), _EASED),
    World("no usable stops", Receiver(), _ROLLED),
    World("no usable stops, 0.35", Receiver(smoothing_s=0.35), _ROLLED),
    World("stops unseen, 0.35", Receiver(smoothing_s=0.35, blind_s=1.5)),
    World("rocks at launch, 0.2", Receiver(smoothing_s=0.2), Driving(rocks_at_launch=True)),
    # Near rest.
    World("hold", Receiver(hold_mps=0.3)),
    World("0.1 kn", Receiver(decimals=1)),
    World("missing", Receiver(missing=0.05)),
    World("noise along and across", Receiver(law="horizontal")),
    World("clipped at zero", Receiver(law="clipped")),
    World("draws 1 km/h at rest", Receiver(draws_mps=0.28)),
    World("pinned position", Receiver(pins_mps=0.8, hold_mps=0.3, decimals=2)),
    # Other drivers.
    World("hunting only", Receiver(), Driving(kinds=("hunting",))),
    World("hunting only, all eased", Receiver(), Driving(kinds=("hunting",), eased=1.0)),
    World("soft feet only", Receiver(), Driving(kinds=("soft foot",), one_car=True)),
    World("belts only, one car", Receiver(), Driving(kinds=("belt",), one_car=True)),
    World("bites only, one car", Receiver(), Driving(kinds=("bite",), one_car=True)),
    World("gear changes, smooth 0.35", Receiver(smoothing_s=0.35), Driving(kinds=("gear change",))),
]  # fmt: skip

WORLDS = {world.name: world for world in _TABLE}
