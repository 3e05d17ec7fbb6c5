"""Where decoded blocks wait until a drive's tables are made of them: in a list, or in a nameless file."""

from __future__ import annotations

import pickle
import tempfile
import weakref
from collections.abc import Iterator
from typing import Any, Protocol


class Blocks(Protocol):
    """Keeps what was decoded, a block at a time: a list, or `OnDisk`."""

    def append(self, block: Any, /) -> None:
        """Take a block."""

    def __iter__(self) -> Iterator[Any]:
        """The blocks in the order in which they were taken."""


class OnDisk:
    """Blocks in a nameless file that is gone with this object: a drive of a day takes no memory. OSError if not."""

    def __init__(self) -> None:
        self._file = tempfile.TemporaryFile()  # noqa: SIM115
        weakref.finalize(self, self._file.close)
        self._blocks = 0

    def append(self, block: Any, /) -> None:
        pickle.dump(block, self._file, pickle.HIGHEST_PROTOCOL)
        self._blocks += 1

    def __iter__(self) -> Iterator[Any]:
        self._file.seek(0)
        for _ in range(self._blocks):
            yield pickle.load(self._file)
