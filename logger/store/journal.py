"""The journal: raw chunks on disk while a drive is recorded, written so that a crash costs no more than the last flush.

A journal is a folder of segments, `000001.arrows`, `000002.arrows`, ... Each is an Arrow IPC stream [1] that any Arrow
library opens. Each flush appends one record batch (mono_ns, source, data), its buffers compressed as the format has it
(zstd; `arrow_stream`), whose custom metadata carries, under the key `pullbook`, its number in the drive, its length in
bytes and the SHA-256 of the whole encapsulated message with the digest itself counted as zeros.

What is promised

* When `JournalWriter.flush` has returned, the rows appended before it are in the file and the operating system was
  told to put file and folder on the medium (fsync; F_FULLFSYNC on macOS). They survive the end of the process at any
  instant and, as far as the drive obeys a flush, a power cut.
* Rows appended since the last flush that returned are in memory only: that is what a crash can cost.
* `read` gives every batch whose digest is right, whole, once and in the order of recording. A torn, zero-filled or
  garbled stretch costs the batches it touches and no other; nothing in a batch is looked at before its digest is found
  right. What was cut, and how many batches are missing in between, is told.
* A flush that failed (full disk, I/O error) loses nothing: its rows stay in memory and go with the next flush, into a
  new segment, so that a torn batch is never followed by good ones in the same file. If the failed batch reached the
  disk after all, it is counted once.
* `read` may be called while another process is writing: it sees the flushes that were whole at that moment.

[1] https://arrow.apache.org/docs/format/Columnar.html#ipc-streaming-format
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

from logger.decode.framing import Chunk
from logger.store import arrow_stream
from logger.store.disk import Disk, no_pipe

if TYPE_CHECKING:
    import pyarrow as pa

_ZEROS = b"0" * 64


@functools.cache
def schema() -> pa.Schema:
    """The columns of a journal."""
    from logger.store.arrow import pa

    return pa.schema(
        [
            pa.field("mono_ns", pa.int64(), nullable=False),
            pa.field("source", pa.string(), nullable=False),
            pa.field("data", pa.binary(), nullable=False),
        ],
        metadata={"pullbook_journal": "1"},
    )


class JournalGone(OSError):
    """The journal's file was removed, or its folder, while it was written: what is in it is lost; begin another."""


class JournalWriter:
    """Appends raw chunks to the journal in `folder`, which is made where it is missing.

    Not safe for use by several threads at once: one writer owns it.
    """

    def __init__(self, folder: Path, disk: Disk | None = None, segment_bytes: int = 16 << 20) -> None:
        self.folder = folder
        self._disk = disk or Disk()
        self._segment_bytes = segment_bytes
        self._pending: list[Chunk] = []
        self._batches = arrow_stream.Batches()
        self._batch = 0
        self._file: BinaryIO | None = None
        self._written = 0
        self._torn = False
        if not folder.is_dir():
            self._disk.make_folder(folder)
            self._disk.sync_folder(folder.parent)
        self._segment = max((int(path.stem) for path in _segments(folder)), default=0)

    @property
    def _path(self) -> Path:
        return self.folder / f"{self._segment:06d}.arrows"

    @property
    def pending(self) -> int:
        """How many rows are in memory only."""
        return len(self._pending)

    def append(self, chunk: Chunk) -> None:
        """Take a chunk for the next flush; cheap, no disk."""
        self._pending.append(chunk)

    def extend(self, chunks: Iterable[Chunk]) -> None:
        """Take several chunks for the next flush."""
        self._pending.extend(chunks)

    def flush(self) -> int:
        """Put what was appended on the disk as one batch; gives the number of rows that are now safe.

        OSError where the disk does not take it; the rows are kept for the next flush. JournalGone where the file is
        not there any more: the rows are kept, those of earlier flushes are not.
        """
        rows = len(self._pending)
        if not rows:
            return 0
        message = self._encoded(self._pending[:rows])
        if self._torn or self._written >= self._segment_bytes:
            self._end_segment()
        try:
            if self._file is None:
                self._begin_segment()
            assert self._file is not None
            self._disk.write(self._file, message)
            self._disk.sync(self._file)
            if not self._is_there():
                raise JournalGone(f"{self.folder}: the journal was deleted while it was being written")
        except JournalGone:
            self._end_segment()
            raise
        except OSError:
            self._torn = True
            raise
        self._written += len(message)
        self._batch += 1
        del self._pending[:rows]
        return rows

    def close(self) -> None:
        """Flush what is pending and close the file; OSError where the disk does not take it."""
        try:
            self.flush()
        finally:
            self._end_segment()

    def _encoded(self, chunks: list[Chunk]) -> bytes:
        """One encapsulated record batch message with its digest set."""
        message, at = self._batches.message(chunks, _tag(self._batch, 0, _ZEROS))
        end = at + len(_tag(self._batch, 0, _ZEROS))
        message[at:end] = _tag(self._batch, len(message), _ZEROS)
        message[at:end] = _tag(self._batch, len(message), hashlib.sha256(message).hexdigest().encode())
        return bytes(message)

    def _is_there(self) -> bool:
        assert self._file is not None
        try:
            return os.path.samestat(os.fstat(self._file.fileno()), os.stat(self._file.name))  # noqa: PTH116
        except OSError:
            return False

    def _begin_segment(self) -> None:
        self._segment += 1
        path = self._path
        if not self.folder.is_dir() and self._batch:
            raise JournalGone(f"{self.folder}: the journal was deleted while it was being written")
        self._file = self._disk.create(path)
        try:
            self._disk.write(self._file, arrow_stream.HEADER)
            self._disk.sync_folder(self.folder)
        except OSError:
            # On a full disk every try would leave another empty segment behind.
            self._end_segment()
            with contextlib.suppress(OSError):
                path.unlink()
            self._segment -= 1
            raise
        self._written = len(arrow_stream.HEADER)

    def _end_segment(self) -> None:
        if self._file is not None:
            with contextlib.suppress(OSError):  # every batch that counts was synced when it was written
                self._file.close()
        self._file, self._written, self._torn = None, 0, False


@dataclass(frozen=True)
class Journal:
    """What a journal holds."""

    raw: pa.Table
    """The rows of all good batches in order: mono_ns, source, data (the types of `schema`)."""
    batches: int
    """Good batches."""
    missing_batches: int
    """Batches between good ones that are not there or not good."""
    cut_bytes: int
    """Bytes that belong to no good batch: a torn or garbled tail, mostly."""


def read(folder: Path) -> Journal:
    """Read the good batches of the journal in `folder`, which may be in use; OSError where it cannot be read."""
    from logger.store.arrow import pa

    good: dict[int, bytes] = {}
    cut = 0
    for path in _segments(folder):
        data = no_pipe(path).read_bytes()
        size = len(arrow_stream.HEADER) if data.startswith(arrow_stream.HEADER) else 0
        for number, start, stop in _good_messages(data):
            # A batch that was written twice stands in the later segment with all that the earlier one had, or more.
            good[number] = data[start:stop]
            size += stop - start
        cut += len(data) - size
    batches = [good[number] for number in sorted(good)]
    missing = max(good) + 1 - len(good) if good else 0
    if not batches:
        return Journal(schema().empty_table(), 0, missing, cut)
    with pa.ipc.open_stream(arrow_stream.HEADER + b"".join(batches)) as reader:
        return Journal(reader.read_all(), len(batches), missing, cut)


def _segments(folder: Path) -> list[Path]:
    return sorted(path for path in folder.glob("*.arrows") if path.stem.isdecimal())


def _tag(number: int, length: int, digest: bytes) -> bytes:
    return b"batch=%012d bytes=%012d sha256=%s" % (number, length, digest)


_TAG = re.compile(rb"batch=(\d{12}) bytes=(\d{12}) sha256=([0-9a-f]{64})")
_START = re.compile(rb"\xff\xff\xff\xff..\x00\x00", re.DOTALL)  # continuation marker, metadata length below 64 KiB


def _good_messages(data: bytes) -> Iterator[tuple[int, int, int]]:
    """(number, start, stop) of each batch message in a segment whose digest is right."""
    at = 0
    while found := _START.search(data, at):
        start = found.start()
        at = start + 1
        metadata_end = start + 8 + int.from_bytes(data[start + 4 : start + 8], "little")
        tag = _TAG.search(data, start + 8, metadata_end)
        if tag is None:
            continue
        stop = start + int(tag[2])
        if metadata_end <= stop <= len(data):
            digest = hashlib.sha256(data[start : tag.start(3)] + _ZEROS)
            digest.update(data[tag.end(3) : stop])
            if digest.hexdigest().encode() == tag[3]:
                yield int(tag[1]), start, stop
                at = stop
