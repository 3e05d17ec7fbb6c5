"""Raw chunks as an Arrow IPC stream, laid out here: a recorder writes it all day and need not load pyarrow for it.

    HEADER                          what a stream begins with: the schema message
    Batches().message(chunks, word) one encapsulated record batch, `word` in its metadata under the key `pullbook`

The layout is that of the Arrow columnar format, version 5 of its metadata [1]: a marker, the length of a flatbuffer
[2], the flatbuffer, and the buffers of the three columns, each compressed by itself with zstd [3] behind its length
as a 64-bit number. Tests hold the header to pyarrow's byte for byte, and batches to what pyarrow reads in them.

[1] https://arrow.apache.org/docs/format/Columnar.html#serialization-and-interprocess-communication-ipc
[2] https://flatbuffers.dev/internals/
[3] RFC 8878
"""

from __future__ import annotations

import itertools
import struct
import sys
from collections.abc import Iterable, Sequence

from logger.decode.framing import Chunk

if sys.version_info >= (3, 14):
    from compression import zstd
else:
    from backports import zstd

HEADER = bytes.fromhex(
    "ffffffff200100001000000000000a000e000600050008000a000000000104001000000000000a000c000000040008000a0000004400000004"
    "000000010000000c00000008000c000400080008000000100000000400000001000000310000001000000070756c6c626f6f6b5f6a6f75726e"
    "616c0000000003000000700000003000000004000000acffffff000000041000000018000000040000000000000004000000646174610000"
    "0000d8ffffffd4ffffff00000005100000001c000000040000000000000006000000736f75726365000004000400040000001000140008"
    "00000007000c0000001000100000000000000210000000200000000400000000000000070000006d6f6e6f5f6e730008000c0008000700"
    "08000000000000014000000000000000"
)
"""The schema message of `journal.schema()`, as pyarrow serializes it."""

_COLUMNS = 3
_BUFFERS = 8
"""Of mono_ns: what is null (nothing), values. Of source and of data: the same, ends, bytes."""
_KEY = b"pullbook"

# A flatbuffer's table is a signed way back to its list of places (its own sizes first, then where in it each field
# stands), and its fields; what a field refers to stands so many bytes behind it. At the right: where each part begins.
_METADATA = struct.Struct(
    "<I"  # 0: where Message begins
    "7H2x"  # 4: places of Message: version, header's kind, header, body's length, custom metadata
    "iqIIhBx"  # 20: Message: way back, body's length, header, custom metadata, version, header's kind
    "6H4x"  # 44: places of RecordBatch: length, nodes, buffers, compression
    "iqIII"  # 60: RecordBatch: way back, length, nodes, buffers, compression
    "4H"  # 84: places of BodyCompression: codec, method
    "ibb2x"  # 92: BodyCompression: way back, codec, method
    f"I{2 * _COLUMNS}q4x"  # 100: nodes: how many; each its length and how many are null
    f"I{2 * _BUFFERS}q"  # 156: buffers: how many; each where it begins in the body and how long it is
    "II"  # 288: custom metadata: how many; where the first is
    "4H"  # 296: places of KeyValue: key, value
    "iII"  # 304: KeyValue: way back, key, value
    f"I{len(_KEY)}s4x"  # 316: the key: length, text, a zero behind it and three to the next place
)
_AT = _METADATA.size  # 332: the value, likewise
_V5, _RECORD_BATCH, _ZSTD, _BY_BUFFER = 4, 3, 1, 0
_MARK = b"\xff\xff\xff\xff"


class Batches:
    """Makes record batches; not for several threads at once, for it keeps zstd's memory from one to the next."""

    def __init__(self) -> None:
        self._zstd = zstd.ZstdCompressor(level=1)

    def message(self, chunks: Sequence[Chunk], word: bytes) -> tuple[bytearray, int]:
        """The encapsulated message of a batch with a row for each chunk, and where in it the `word` stands."""
        rows, body, places, begins = len(chunks), bytearray(), list[int](), 0
        times, sources, data = zip(*chunks, strict=True)
        names = [source.encode() for source in sources]
        stamps = struct.pack(f"<{rows}q", *times)
        for buffer in (b"", stamps, b"", _ends(names), b"".join(names), b"", _ends(data), b"".join(data)):
            if buffer:
                body += struct.pack("<q", len(buffer)) + self._zstd.compress(buffer, self._zstd.FLUSH_FRAME)
            places += begins, len(body) - begins
            body += bytes(-len(body) % 8)
            begins = len(body)
        metadata = _METADATA.pack(
            20,
            14, 24, 20, 22, 12, 4, 16,
            16, len(body), 60 - 32, 288 - 36, _V5, _RECORD_BATCH,
            12, 24, 4, 12, 16, 20,
            16, rows, 100 - 72, 156 - 76, 92 - 80,
            8, 6, 4, 5,
            8, _ZSTD, _BY_BUFFER,
            _COLUMNS, *(rows, 0) * _COLUMNS,
            _BUFFERS, *places,
            1, 304 - 292,
            8, 12, 4, 8,
            8, 316 - 308, _AT - 312,
            len(_KEY), _KEY,
        )  # fmt: skip
        metadata += struct.pack("<I", len(word)) + word + b"\0"
        metadata += bytes(-len(metadata) % 8)
        start = _MARK + struct.pack("<i", len(metadata))
        return bytearray(b"".join((start, metadata, body))), len(start) + _AT + 4


def _ends(values: Iterable[bytes]) -> bytes:
    """Where each value begins among all, and where the last one ends."""
    ends = list(itertools.accumulate(map(len, values), initial=0))
    return struct.pack(f"<{len(ends)}i", *ends)
