"""The recorder's verbs, with what the analysis adds to recording: the runs of a drive, questions, the lean alert."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from logger.cli import drives, record
from logger.errors import InputError

if TYPE_CHECKING:
    from pathlib import Path

    from logger.cli.files import Files
    from logger.config.recorder import Channel
    from logger.config.setup import SetupConfig
    from logger.record.alerts import Alert
    from logger.record.live import Listener, Place
    from logger.store.drive import Drive

app = drives.app


def _after_drive(drive: Drive) -> None:
    """What is said of a drive the moment it is closed: its runs."""
    from analysis.cli.runs import brief_runs

    brief_runs(drive)


def _at_end(store: Path, drives: Sequence[str]) -> None:
    """What is asked of the owner when recording was ended by hand."""
    from analysis.cli.complete import offer

    offer(store, drives)


def _listeners(announce: Callable[..., None], files: Files, store: Path) -> list[Listener]:
    """What watches a drive being recorded on the analysis' behalf: the last run as it happens."""
    from analysis.runs.lessons import Taught
    from analysis.runs.live import LiveRuns
    from analysis.store import DriveStore

    def taught() -> Taught:
        try:
            return DriveStore(store, kept_only=True).so_far(files.config, files.car)
        except (InputError, OSError):  # a store that cannot be read now: the run is told without it
            return Taught()

    return [LiveRuns(announce, files.car.units.speed if files.car else "mph", taught)]


def _questions(store: Path, setup: SetupConfig, but: str = "") -> list[str]:
    """What to ask before a drive of the store carries a setup; a drive that cannot be opened says nothing."""
    from analysis.answers.setups import questions
    from logger.store.drive import list_drives

    return questions(setup, list_drives(store, lambda left_out: None), but)


def _lean_limit(files: Files, channel: Channel) -> float:
    """The mixture beyond which the panel warns, in the channel's own unit."""
    from analysis.mixture.lean_alert import lean_limit
    from logger.config.targets import TargetsConfig

    return lean_limit(files.targets or TargetsConfig(), files.car, str(channel.channel), channel.stoich_afr)


def _lean_watch(files: Files, store: Path, channel: Channel, mixture: Place, load: Place | None) -> Alert:
    """What watches for lean mixture at high load."""
    from analysis.mixture.lean_alert import LeanWatch
    from analysis.mixture.strength import HardPull
    from analysis.store import DriveStore

    def known() -> list[HardPull]:
        try:
            return DriveStore(store, kept_only=True).pulls_so_far(files.car)
        except (InputError, OSError):  # a store that cannot be read now: the car shows what it can do as it goes
            return []

    return LeanWatch(files.config.recorder, _lean_limit(files, channel), mixture, load, files.car, known)


record.hooks.after_drive = _after_drive
record.hooks.at_end = _at_end
record.hooks.listeners = _listeners
record.hooks.questions = _questions
record.hooks.lean_watch = _lean_watch
record.hooks.lean_limit = _lean_limit
