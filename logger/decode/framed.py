"""Many chunks of a source framed at once: what `framing` gives chunk by chunk, as columns wherever lines are whole."""

from __future__ import annotations

from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from logger.decode.columnar import PAD, Bytes, Lines, Places, padded
from logger.decode.framing import Chunk, Frame, Framer, LineFramer


class Chunks(NamedTuple):
    """Chunks of one source, in order of arrival."""

    mono_ns: Places
    """Host monotonic clock when each arrived [ns]."""
    ends: Places
    """Where each ends in `data`."""
    data: Bytes
    """Their bytes, one behind the other."""

    def between(self, first: int, end: int) -> Iterator[Chunk]:
        """The bytes from `first` up to `end`, in chunks as they came."""
        at, stop = np.searchsorted(self.ends, [first, end - 1], side="right").tolist() if end > first else (0, -1)
        for k in range(at, stop + 1):
            begin = max(first, int(self.ends[k - 1]) if k else 0)
            yield Chunk(int(self.mono_ns[k]), "", self.data[begin : min(end, int(self.ends[k]))].tobytes())


def framed(framer: Framer, chunks: Chunks) -> Iterator[list[Frame] | Lines]:
    """What `framer` makes of `chunks`, part after part; its counts and its state are as if it had been fed with each.

    Between the first line end and the last one no line is cut, so that all of them are found in one go.
    """
    size = len(chunks.data)
    if isinstance(framer, LineFramer) and size:
        data = chunks.data
        line_ends = np.flatnonzero((data == ord("\n")) | (data == ord("\r")))
        if len(line_ends):
            first = 0 if framer.idle else int(line_ends[0]) + 1
            yield _one_by_one(framer, chunks, 0, first)
            size_whole = int(line_ends[-1]) + 1
            yield _whole(framer, chunks, first, line_ends[np.searchsorted(line_ends, first) :])
            yield _one_by_one(framer, chunks, size_whole, size)
            return
    yield _one_by_one(framer, chunks, 0, size)


def _one_by_one(framer: Framer, chunks: Chunks, first: int, end: int) -> list[Frame]:
    return [frame for chunk in chunks.between(first, end) for frame in framer.feed(chunk)]


def _whole(framer: LineFramer, chunks: Chunks, first: int, line_ends: Places) -> Lines:
    """The lines from `first` to the last of `line_ends`; the framer stands between two lines."""
    data = chunks.data
    stop = int(line_ends[-1]) + 1 if len(line_ends) else first
    if framer.BEGINS:
        part = data[first:stop]
        begins = np.flatnonzero(np.logical_or.reduce([part == letter for letter in framer.BEGINS])) + first
        starts, ends = begins, line_ends[:0]
        if len(begins):  # a sentence ends where its line does, or where the next one begins
            after = np.append(begins[1:], stop)
            ends = np.minimum(line_ends[np.searchsorted(line_ends, begins)], after)
    else:
        starts, ends = np.append(first, line_ends[:-1] + 1)[: len(line_ends)], line_ends
    lengths = ends - starts
    good = (lengths > framer.shortest) & (lengths <= framer.limit)
    if (long := int((lengths > framer.limit).sum())) > 0:
        framer.rejected["line too long"] += long
    framer.stray_bytes += stop - first - len(line_ends) - int(lengths[good].sum())
    if not good.all():
        starts, ends = starts[good], ends[good]
    mono_ns = chunks.mono_ns[np.searchsorted(chunks.ends, starts, side="right")]
    return Lines(padded(data), starts + PAD, ends + PAD, mono_ns)
