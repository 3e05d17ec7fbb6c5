"""What fits of power told, kept by what they are of: the same bands of pulls, asked the same, are not fitted again.

    told = PowerKept(store).told((rows, design, level), work)     # what `work` gives, or gave before

    STORE/.analysis/.season/power.json      the last ones asked for

A fit is a third of a second and more. It is the same one whatever speed is asked for beside it, and in whatever form
the answer is shown; and a note, a strike or a drive that brings no pull that it would take changes nothing of it.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from analysis import kept
from analysis.changes.power_model import PullRows
from analysis.changes.season_record import SEASON

_NAME = "power"
_MOST = 64
"""So many are kept, those asked for last: a few kB."""


class PowerKept:
    """What is kept in a store; nothing without one."""

    def __init__(self, store: Path | None) -> None:
        self._store = store

    def told(self, of: Sequence[Any], work: Callable[[], Any]) -> Any:
        """What `work` gives: plain values of JSON, tuples as lists, names in any order.

        It is done where it was not done before of these rows, arrays and plain values.
        """
        if self._store is None:
            return json.loads(json.dumps(work()))
        found = kept.read_values(self._store, SEASON, _NAME, kept.program())
        said: dict[str, Any] = dict((found or {"told": []})["told"])
        key = _digest(of)
        if key not in said or next(reversed(said)) != key:
            told = said.pop(key) if key in said else json.loads(json.dumps(work()))
            said = {**dict(list(said.items())[1 - _MOST :]), key: told}
            kept.write_values(self._store, SEASON, _NAME, kept.program(), {"told": list(said.items())})
        return said[key]


def _digest(of: Sequence[Any]) -> str:
    digest = hashlib.sha256()
    for each in of:
        rows = [getattr(each, field.name) for field in fields(each)] if isinstance(each, PullRows) else [each]
        for value in rows:
            if isinstance(value, np.ndarray):
                digest.update(f"{value.dtype} {value.shape}".encode() + np.ascontiguousarray(value).tobytes())
            else:
                digest.update(json.dumps(value).encode())
    return digest.hexdigest()
