"""The lines of a file that may be gzip'd, a piece at a time: however large it is, and whatever it unpacks to."""

from __future__ import annotations

import re
import stat
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from logger.errors import CaptureError
from logger.store.disk import said

BLOCK_BYTES = 1 << 20
_GZIP = b"\x1f\x8b"
_LINE = re.compile(rb"[^\n]*+\n(?>[\r\n]*\n)?")
_LINE_OF_CR = re.compile(rb"[^\r]*+\r(?>\r*)")
_BOM = b"\xef\xbb\xbf"


class Unpacked:
    """The content of the file at `path`, unzipped where it is gzip'd; of a file that was cut off, as much as there is.

    CaptureError, which names the file, where it cannot be read.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self.remarks: list[str] = []
        """What was noticed, a sentence each, once all has been read."""

    def start(self, size: int = 4096) -> bytes:
        """The first bytes, blank ones and the mark of the byte order left out; empty where there is nothing else."""
        for block in self.blocks():
            if text := block.lstrip():
                return text[:size]
        return b""

    def lines(self, longest: int) -> Iterator[bytes]:
        """The lines with their ends and the blank lines after them; those ended by CR alone too, where the beginning
        of the file has no LF.

        A line of more than `longest` bytes comes in pieces of about that size.
        """
        for part, end in self.parts(longest):
            yield from lines_of(part, end)

    def parts(self, longest: int) -> Iterator[tuple[bytes, bytes]]:
        """The same in parts of many whole lines, each with what ends its lines; with nothing, a piece of one line."""
        rest, end = b"", b"\n"
        for number, block in enumerate(self.blocks()):
            if number == 0 and b"\n" not in block and b"\r" in block:
                end = b"\r"
            block = rest + block
            whole = block.rfind(end) + 1
            if whole:
                yield block[:whole], end
            rest = block[whole:]
            if len(rest) > longest:
                yield rest, b""
                rest = b""
        if rest:
            yield rest, b""

    def blocks(self) -> Iterator[bytes]:
        """The content in blocks of about a megabyte."""
        self.remarks.clear()
        first = True
        try:
            if not stat.S_ISREG(self._path.stat().st_mode):
                raise CaptureError(f"{self._path}: cannot be read: this is not a file")
            with self._path.open("rb") as file:
                zipped = file.read(2) == _GZIP
                file.seek(0)
                for block in self._unzipped(file) if zipped else iter(lambda: file.read(BLOCK_BYTES), b""):
                    yield block.removeprefix(_BOM) if first else block
                    first = False
        except OSError as error:
            raise CaptureError(f"{self._path}: cannot be read: {said(error)}") from error
        except zlib.error as error:
            raise CaptureError(f"{self._path}: damaged gzip data: {error}") from error

    def _unzipped(self, file: BinaryIO) -> Iterator[bytes]:
        packed = b""
        while packed := packed or file.read(BLOCK_BYTES):
            if len(packed) < len(_GZIP):
                packed += file.read(BLOCK_BYTES)
            if not packed.startswith(_GZIP):  # what follows the last member is no part of it (RFC 1952, 2.2)
                return
            unzip = zlib.decompressobj(wbits=31)
            while not unzip.eof:
                if block := unzip.decompress(packed, BLOCK_BYTES):
                    yield block
                packed = unzip.unconsumed_tail
                if not packed and not unzip.eof and not block and not (packed := file.read(BLOCK_BYTES)):
                    self.remarks.append("the gzipped file is cut off; everything before the cut was read")
                    return
            packed = unzip.unused_data


def lines_of(part: bytes, end: bytes) -> Iterator[bytes]:
    """The lines of a part of `Unpacked.parts`."""
    if not end:
        yield part
        return
    for found in (_LINE if end == b"\n" else _LINE_OF_CR).finditer(part):
        yield found[0]
