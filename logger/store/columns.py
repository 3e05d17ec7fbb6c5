"""Arrow columns from numbers and bytes, laid out here.

`pyarrow.array` and `to_numpy` do the same, but the first call of either loads pandas: half a second and 30 MB that a
recorder on an old laptop would rather have, above all in the five seconds in which a shutdown lets it close a drive.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import pyarrow as pa


def of_numbers(values: NDArray[np.generic], kind: pa.DataType, null: NDArray[np.bool_] | None = None) -> pa.Array:
    """A column of whole or floating numbers or truth values; `null` marks those that are not there.

    The values are turned into `kind`'s own width first.
    """
    from logger.store.arrow import pa

    validity = None if null is None or not null.any() else pa.py_buffer(np.packbits(~null, bitorder="little"))
    if pa.types.is_boolean(kind):
        data = np.packbits(values.astype(np.bool_), bitorder="little")
    else:
        width = np.int64 if pa.types.is_timestamp(kind) else kind.to_pandas_dtype()  # numpy's, for plain numbers
        data = np.ascontiguousarray(values, width)
    return pa.Array.from_buffers(kind, len(values), [validity, pa.py_buffer(data)])


def of_values(values: Sequence[float | bool | None], kind: pa.DataType) -> pa.Array:
    """A column of numbers or truth values where None is not there."""
    null = np.array([value is None for value in values], np.bool_)
    return of_numbers(np.array([0 if value is None else value for value in values], kind.to_pandas_dtype()), kind, null)


def of_bytes(values: Sequence[bytes], kind: pa.DataType) -> pa.Array:
    """A column of bytes, or of text in UTF-8; below 2 GiB in all."""
    return of_joined([len(value) for value in values], b"".join(values), kind)


def of_joined(lengths: Sequence[int], data: bytes | bytearray, kind: pa.DataType) -> pa.Array:
    """The same of values that stand one after the other in `data`."""
    from logger.store.arrow import pa

    offsets = np.append(0, np.cumsum(np.asarray(lengths, np.int64))).astype(np.int32)
    return pa.Array.from_buffers(kind, len(lengths), [None, pa.py_buffer(offsets), pa.py_buffer(data)])


def numbers_in(column: pa.Array) -> NDArray[np.generic]:
    """The values of a column of numbers that are all there, as a view."""
    kind = column.type.to_pandas_dtype()
    return np.frombuffer(column.buffers()[1] or b"", kind)[column.offset : column.offset + len(column)]


def floats_in(column: pa.ChunkedArray) -> NDArray[np.float64]:
    """The values of a column of whole or floating numbers, or of truth values, as floating numbers; NaN where there is
    none."""
    parts = [_floats(chunk) for chunk in column.chunks]
    return np.concatenate(parts) if parts else np.empty(0)


def _floats(column: pa.Array) -> NDArray[np.float64]:
    from logger.store.arrow import pa

    plain = not pa.types.is_boolean(column.type)
    out = np.asarray(numbers_in(column) if plain else _bits(column.buffers()[1], column), np.float64)
    there = column.buffers()[0]
    return out if there is None else np.where(_bits(there, column), out, np.nan)


def _bits(buffer: pa.Buffer, column: pa.Array) -> NDArray[np.bool_]:
    bits = np.unpackbits(np.frombuffer(buffer, np.uint8), bitorder="little")
    return bits[column.offset : column.offset + len(column)].astype(np.bool_)


def times_in(column: pa.ChunkedArray) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
    """The values of a column of times in nanoseconds, as whole numbers, and which of them are there."""
    values, there = [np.empty(0, np.int64)], [np.empty(0, np.bool_)]
    for chunk in column.chunks:
        data = np.frombuffer(chunk.buffers()[1] or b"", np.int64)
        values.append(data[chunk.offset : chunk.offset + len(chunk)])
        told = chunk.buffers()[0]
        there.append(np.ones(len(chunk), np.bool_) if told is None else _bits(told, chunk))
    return np.concatenate(values), np.concatenate(there)


def seconds_in(column: pa.ChunkedArray, since_ns: int) -> NDArray[np.float64]:
    """The values of a column of times in nanoseconds, in seconds since one; NaN where there is none."""
    ns, there = times_in(column)
    seconds = np.asarray((ns - since_ns) / 1e9, np.float64)
    return seconds if there.all() else np.where(there, seconds, np.nan)


def texts_in(column: pa.ChunkedArray) -> NDArray[np.object_]:
    """The values of a column of text; "" where there is none."""
    from logger.store.arrow import pa

    parts = [np.empty(0, object)]
    for chunk in column.chunks:
        coded = chunk if pa.types.is_dictionary(chunk.type) else chunk.dictionary_encode()
        words = np.array([*coded.dictionary.to_pylist(), ""], object)
        parts.append(words[np.nan_to_num(_floats(coded.indices), nan=-1.0).astype(np.intp)])
    return np.concatenate(parts)


def of_cells(values: Sequence[Any], kind: pa.DataType) -> pa.Array:
    """A column of numbers, truth values, text or dates where None is not there."""
    from logger.store.arrow import pa

    if pa.types.is_temporal(kind):  # Python's own dates: arrow reads them, and loads pandas for it
        return pa.array(values, kind)
    if not pa.types.is_string(kind):
        return of_values(values, kind)
    null = np.array([value is None for value in values], np.bool_)
    plain = of_bytes([(value or "").encode() for value in values], kind)
    if not null.any():
        return plain
    _, ends, data = plain.buffers()
    return pa.Array.from_buffers(kind, len(plain), [pa.py_buffer(np.packbits(~null, bitorder="little")), ends, data])


def words_in(column: pa.Array) -> tuple[list[str], NDArray[np.generic]]:
    """The words of a column of text that are all there: each once, and for each row which one."""
    from logger.store.arrow import pa

    coded = column if pa.types.is_dictionary(column.type) else column.dictionary_encode()
    return coded.dictionary.to_pylist(), numbers_in(coded.indices)


def ends_in(column: pa.Array) -> NDArray[np.int32]:
    """Where the values of a column of bytes begin in its buffer, and where the last one ends."""
    return np.frombuffer(column.buffers()[1] or bytes(4), np.int32)[column.offset : column.offset + len(column) + 1]


def bytes_in(column: pa.Array) -> list[bytes]:
    """The values of a column of bytes that are all there."""
    from logger.store.arrow import pa

    ends = ends_in(column).tolist()
    data = (column.buffers()[2] or pa.py_buffer(b""))[ends[0] : ends[-1]].to_pybytes()
    first = ends[0]
    return [data[a - first : b - first] for a, b in itertools.pairwise(ends)]
