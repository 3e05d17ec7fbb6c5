"""What is costly and pure is worked out once for the same data: for tests that ask the same drives a thousand times.

with worked_out_once():
    ...             # smoothing, runs and the mixture's map of data seen before come from memory
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
from analysis.runs import finding

AT_MOST = 60
"""Answers that are remembered of each; those of mutated data come only once."""


@contextlib.contextmanager
def worked_out_once() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        for room, name in ((smoother, "smooth"), (finding, "find"), (delay, "estimate")):
            patch.setattr(room, name, _remembered(getattr(room, name)))
        yield


def _remembered(work: Callable[..., Any]) -> Callable[..., Any]:
    known: OrderedDict[bytes, Any] = OrderedDict()

    def asked(*given: Any, **named: Any) -> Any:
        digest = hashlib.sha256(pickle.dumps((given, named))).digest()
        if digest not in known:
            known[digest] = work(*given, **named)
            while len(known) > AT_MOST:
                known.popitem(last=False)
        known.move_to_end(digest)
        return known[digest]

    return asked
