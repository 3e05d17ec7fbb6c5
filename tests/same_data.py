"""What is costly and pure is worked out once for the same data: most tests ask the same drives again and again.

with worked_out_once():
    ...             # smoothing, runs, the delay, learned roads of data seen before come from memory

An answer is known by all that was given, byte for byte, so that a drive with one other fix is worked out anew; and each
who asks gets a copy of its own. conftest.py does so for every file of tests but those of the rooms that work it out.
"""

from __future__ import annotations

import contextlib
import hashlib
import pickle
from collections import OrderedDict
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from analysis.mixture import delay
from analysis.motion import smoother
from analysis.road import slopes
from analysis.runs import finding

AT_MOST = 200
"""Answers that are remembered of each, a few hundred kB apiece; those of mutated data come only once."""
PURE = ((smoother, "learn"), (smoother, "smooth"), (finding, "find"), (delay, "estimate"), (slopes, "learn"))
_known: dict[str, OrderedDict[bytes, bytes]] = {}


@contextlib.contextmanager
def worked_out_once() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        for room, name in PURE:
            patch.setattr(room, name, _remembered(getattr(room, name)))
        yield


def _remembered(work: Callable[..., Any]) -> Callable[..., Any]:
    known = _known.setdefault(f"{work.__module__}.{work.__qualname__}", OrderedDict())

    def asked(*given: Any, **named: Any) -> Any:
        digest = hashlib.sha256(pickle.dumps((given, named))).digest()
        answer = known.get(digest)
        if answer is None:
            answer = known[digest] = pickle.dumps(work(*given, **named))
            if len(known) > AT_MOST:
                known.popitem(last=False)
        return pickle.loads(answer)

    return asked
