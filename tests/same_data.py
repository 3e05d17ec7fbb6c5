"""What is costly and pure is worked out once for the same data: most tests ask the same drives again and again.

with worked_out_once(folder):
    ...             # smoothing, runs, the delay, learned roads of data seen before come from memory, or from the folder

An answer is known by all that was given, byte for byte, so that a drive with one other fix is worked out anew; and each
who asks gets a copy of its own. conftest.py does so for every file of tests but those of the rooms that work it out.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
import time
from collections import OrderedDict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from analysis.mixture import delay
from analysis.motion import smoother
from analysis.road import slopes
from analysis.runs import finding

AT_MOST = 200
"""Answers that are remembered of each, a few hundred kB apiece; those of mutated data come only once."""
LONG_S, MOST_FILES = 0.1, 1000
"""What took so long is kept in the folder for other processes of the same tests, until that many are there."""
PURE = ((smoother, "learn"), (smoother, "smooth"), (finding, "find"), (delay, "estimate"), (slopes, "learn"))
_known: OrderedDict[bytes, bytes] = OrderedDict()


@contextlib.contextmanager
def worked_out_once(folder: Path) -> Iterator[None]:
    folder.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        for room, name in PURE:
            patch.setattr(room, name, _remembered(getattr(room, name), folder))
        yield


def _remembered(work: Callable[..., Any], folder: Path) -> Callable[..., Any]:
    def asked(*given: Any, **named: Any) -> Any:
        digest = hashlib.sha256(pickle.dumps((work.__module__, work.__qualname__, given, named))).digest()
        answer, file = _known.get(digest), folder / digest.hex()
        if answer is None:
            with contextlib.suppress(FileNotFoundError):
                answer = file.read_bytes()
        if answer is None:
            began = time.thread_time()
            answer = pickle.dumps(work(*given, **named))
            if time.thread_time() - began > LONG_S and sum(1 for _ in folder.iterdir()) < MOST_FILES:
                draft = file.with_suffix(f".{os.getpid()}-{time.monotonic_ns()}")
                draft.write_bytes(answer)
                draft.replace(file)
        _known[digest] = answer
        if len(_known) > len(PURE) * AT_MOST:
            _known.popitem(last=False)
        return pickle.loads(answer)

    return asked
