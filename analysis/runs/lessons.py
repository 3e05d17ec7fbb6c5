"""What each drive teaches of its receiver and its car, and what a drive is read with: the lessons of those before it.

    taught = Taught(tuple(lessons))            # of the drives before, in order of time
    smooth(fixes, others=taught.receivers)    # then the drive's own receiver, joined with theirs
    find(motion, fixes, options, taught.habit)
    lesson = Lesson.of(motion, runs)         # kept beside the drive, for those after it

A drive is never read with what came after it, so an old drive's times don't change because the car was driven again.
"""

from __future__ import annotations

import functools
import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.motion.fixes import receiver_in
from analysis.motion.receiver import Receiver
from analysis.runs.rises import QUICK_S, LaunchHabit, habit_of, rises
from logger.config.car import car_key

if TYPE_CHECKING:
    from analysis.motion.smoother import Motion
    from analysis.runs.run import Run
    from logger.config.recorder import Source
    from logger.store.drive import Drive

MOST_DRIVES = 40
"""A drive is read with so many before it at most, the nearest: a car and its driver change over the years (common
practice, no source)."""
_USB = re.compile(r"[0-9a-fA-F]{4}:[0-9a-fA-F]{4}")


@dataclass(frozen=True)
class Lesson:
    """What one drive shows: its receiver by that drive alone, and the log evidence of each rise in each launch."""

    receiver: Receiver
    rise_logs: tuple[tuple[float, ...], ...]

    @classmethod
    def of(cls, motion: Motion, runs: Sequence[Run]) -> Lesson:
        """What a drive shows, by its motion and its runs; only standing runs that count are asked."""
        logs = [run.rise_log for run in runs if run.kind == "standing" and run.counted and run.rise_log is not None]
        rounded = tuple(tuple(round(float(each), 4) for each in log) for log in logs)
        return cls(motion.alone or motion.receiver, rounded)

    @cached_property
    def digest(self) -> str:
        """All of it in one word."""
        return hashlib.sha256(json.dumps(self.as_json(), sort_keys=True).encode()).hexdigest()

    def as_json(self) -> dict[str, Any]:
        """All of it as plain values."""
        return {"receiver": self.receiver.as_json(), "rise_logs": [list(log) for log in self.rise_logs]}

    @classmethod
    def of_json(cls, values: dict[str, Any], digest: str = "") -> Lesson:
        """What `as_json` gave, with its `digest` where that is known. ValueError, KeyError or TypeError where it is not
        that."""
        logs = tuple(tuple(map(float, log)) for log in values["rise_logs"])
        if any(len(log) != _rises() for log in logs):
            raise ValueError("launches told by another set of rises")
        lesson = cls(Receiver.of_json(values["receiver"]), logs)
        if digest:
            vars(lesson)["digest"] = digest  # where the cached property keeps it
        return lesson


@functools.cache
def _rises() -> int:
    return len(rises(False))


@dataclass(frozen=True)
class Taught:
    """The lessons of the drives before one, in order of time: what it is read with. Nothing where there are none."""

    lessons: tuple[Lesson, ...] = ()

    @property
    def receivers(self) -> tuple[Receiver, ...]:
        """What each drive shows of the receiver by itself."""
        return tuple(lesson.receiver for lesson in self.lessons)

    @cached_property
    def habit(self) -> LaunchHabit | None:
        """How the car pulls away, by all its launches; None without any."""
        return habit_of([np.array(log) for lesson in self.lessons for log in lesson.rise_logs])

    @property
    def launches(self) -> int:
        """How many launches tell the habit."""
        return sum(len(lesson.rise_logs) for lesson in self.lessons)

    @cached_property
    def digest(self) -> str:
        """All of it in one word; "" for nothing."""
        if not self.lessons:
            return ""
        return hashlib.sha256("".join(lesson.digest for lesson in self.lessons).encode()).hexdigest()


def taught_together(drive: Drive) -> tuple[Any, ...] | None:
    """What drives must share to teach each other: the car, and the source that its fixes came from; None without fixes.

    A source is known by its name, what it is sent when its port opens, and its port where that is a USB identity. Who
    changes the receiver and keeps the name gives it another name, or its USB identity as port.
    """
    name = receiver_in(drive)
    if name is None:
        return None
    told = (drive.manifest.car or {}).get("car")
    car = str(told.get("name")) if isinstance(told, dict) else ""
    return will_be_taught(car, next(each for each in drive.config.source if each.name == name))


def will_be_taught(car: str, source: Source) -> tuple[Any, ...]:
    """The same of a drive that is being recorded with this source, by the car's name ("" for none)."""
    port = source.port.casefold() if _USB.match(source.port) else ""
    return car_key(car), source.name, source.kind, tuple(source.on_open), port


def habit_words(habit: LaunchHabit) -> str:
    """How the car mostly pulls away, as the end of a sentence."""
    every, shares = rises(False), np.array(habit.shares)
    kinds = {
        "full pull at once": [k for k, rise in enumerate(every) if rise.seconds < QUICK_S],
        "pull fed in by a slipping clutch or belt": [
            k for k, rise in enumerate(every) if rise.curve in ("s-shaped", "exponential") and rise.seconds >= QUICK_S
        ],
        "pull building up evenly": [
            k for k, rise in enumerate(every) if rise.curve in ("straight", "late") and rise.seconds >= QUICK_S
        ],
    }
    words, of = max(kinds.items(), key=lambda kind: float(shares[kind[1]].sum()))
    share = float(shares[of].sum())
    text = words
    if words != "full pull at once":
        seconds = np.array([every[k].seconds for k in of])
        middle = float(np.exp(np.average(np.log(seconds), weights=shares[of])))
        text += f", over {middle:.1f} s"
    return f"{'mostly' if share > 0.6 else 'most often'} {text}"
