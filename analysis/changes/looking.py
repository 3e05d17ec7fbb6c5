"""A process that works out drives for `first_look`, which starts it and speaks to it through its pipes, line by line.

    {"store": path, "targets": ...}       first of all
    {"drive": id}     ->  ready           its fixes are read and cleaned, and what they show by themselves is known
    {"go": true}      ->  lesson, done    its lesson is kept; its rows are. Failed: it is left to who asked

It ends when its input does.
"""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sys
from pathlib import Path

from analysis.changes.season_rows import rows_of
from analysis.store import DriveStore
from logger.config.targets import TargetsConfig


def main() -> None:
    """Answer until the input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who started it was asked to stop, and ends it
    # Whatever else is printed must not pass for an answer.
    answers = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())

    def say(word: str) -> None:
        answers.write(word + "\n")
        answers.flush()

    asked = json.loads(sys.stdin.readline())
    targets = TargetsConfig.model_validate(asked["targets"]) if asked["targets"] else None
    store = DriveStore(Path(asked["store"]), targets)
    while line := sys.stdin.readline():
        drive = None
        with contextlib.suppress(Exception):  # told where the drive is asked for
            drive = store.drive(json.loads(line)["drive"])
            drive.prepare()
        say("ready")
        sys.stdin.readline()
        with contextlib.suppress(Exception):
            if drive is not None:
                _ = drive.runs  # all of them now: the lesson would ask for fewer speeds, and its rows for these
        with contextlib.suppress(Exception):
            if drive is not None:
                store.keep_lesson(drive)
        say("lesson")
        with contextlib.suppress(Exception):
            if drive is not None:
                rows_of(drive, store.path)
                drive.forget()
        say("done")


if __name__ == "__main__":
    main()
