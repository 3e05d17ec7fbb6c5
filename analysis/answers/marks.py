"""What an owner marks on runs: tags, and which runs are meant by numbers or by a rule.

numbers_of("1,3-5")
slower_than(drive, 9.0, 17.9)       # by rule: those slower to a speed, or that never got there
tag_runs(drive, (1, 3), ("gear=2", "passenger"))
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np

from analysis.answers.encoding import Answer, Utc
from analysis.drive import SAME_RUN_S, AnalysedDrive, utc
from analysis.runs.run import Options
from logger.errors import InputError
from logger.store.manifest import Tagged
from logger.units import MPS_PER_MPH

_TAG = re.compile(r"[^\s=,]{1,40}(=[^\s=,]{1,40})?")
_NUMBERS = re.compile(r"\d{1,6}(-\d{1,6})?(,\d{1,6}(-\d{1,6})?)*")
_MOST = 10_000


def numbers_of(text: str) -> tuple[int, ...]:
    """The runs that `text` names: 3, 1-4, 1,3-5. InputError for anything else."""
    if not _NUMBERS.fullmatch(text.replace(" ", "")):
        raise InputError(f"run: {text!r} is not a list of runs. Write numbers such as 3, 1-4 or 1,3-5.")
    found: list[int] = []
    for piece in text.replace(" ", "").split(","):
        first, _, last = piece.partition("-")
        if int(last or first) < int(first) or int(last or first) - int(first) > _MOST:
            raise InputError(f"run: {piece}: write the lower number first, and no more than {_MOST} runs")
        found += range(int(first), int(last or first) + 1)
    return tuple(dict.fromkeys(found))


def slower_than(drive: AnalysedDrive, limit_s: float, speed_mps: float) -> tuple[int, ...]:
    """Standing runs of a drive, not struck out yet, that took longer to a speed from one foot, or never reached it."""
    found = drive.runs_by(Options(speeds_mps=(speed_mps,), unit=drive.unit))
    slow = []
    for run in found:
        if run.kind != "standing" or drive.struck(run) is not None:
            continue
        times = [each.from_one_foot_s for each in run.splits if abs(each.speed_mps - speed_mps) < 1e-6 * MPS_PER_MPH]
        if not (times and np.isfinite(times[0]) and times[0] <= limit_s):
            slow.append(run.n)
    return tuple(slow)


class TaggedRun(Answer):
    """A run and its tags, after they were changed."""

    n: int
    """The run's number."""
    start_utc: Utc
    """When the run started (UTC)."""
    tags: tuple[str, ...]
    """Its tags, as kept with the drive."""


class TagsAnswer(Answer):
    """What `pullbook tag` did."""

    drive: str
    """The drive's id."""
    runs: tuple[TaggedRun, ...]
    """The runs named, with the tags that they have now."""


def tag_runs(drive: AnalysedDrive, numbers: Sequence[int], tags: Sequence[str], *, undo: bool = False) -> TagsAnswer:
    """Tag runs, such as gear=2 or passenger, or take tags away, and keep that with the drive on disk.

    A tag with a value replaces the run's other value of it. InputError where there is no such run, or where a tag is
    more than one word, or a word and a value.
    """
    for tag in tags:
        if not _TAG.fullmatch(tag):
            raise InputError(
                f"tag: {tag!r} is not a tag. Write a word such as passenger, or one with a value such as gear=2."
            )
    found = {run.n: run for run in drive.table_runs(drive.unit)}
    if missing := [n for n in numbers if n not in found]:
        raise InputError(f"{drive.id}: there is no run {missing[0]}. This drive has runs 1 to {len(found)}.")
    now, kept = datetime.now(UTC), list(drive.drive.manifest.tags)
    for n in numbers:
        start = utc(found[n].start_utc_ns)
        for tag in tags:
            name, _, value = tag.partition("=")
            kept = [
                each for each in kept
                if abs((each.run_start_utc - start).total_seconds()) >= SAME_RUN_S
                or not (each.tag == tag or (value and each.tag.partition("=")[0] == name))
            ]  # fmt: skip
            if not undo:
                kept.append(Tagged(run_start_utc=start, tag=tag, when=now))
    what = "tags removed" if undo else "tagged"
    listed = ",".join(map(str, numbers))
    changed = AnalysedDrive(drive.drive.amend(f"run {listed} {what}: {' '.join(tags)}", tags=kept), drive.targets)
    return TagsAnswer(
        drive=drive.id,
        runs=tuple(TaggedRun(n=n, start_utc=utc(found[n].start_utc_ns), tags=changed.tags(found[n])) for n in numbers),
    )
