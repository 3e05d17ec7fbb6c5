"""Arrow columns from numbers and bytes, laid out here.

`pyarrow.array` and `to_numpy` do the same, but the first call of either loads pandas: half a second and 30 MB that a
recorder on an old laptop would rather have, above all in the five seconds in which a shutdown lets it close a drive.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray


def of_numbers(values: NDArray[np.generic], kind: pa.DataType, null: NDArray[np.bool_] | None = None) -> pa.Array:
    """A column of whole or floating numbers or truth values; `null` marks those that are not there.

    The values are turned into `kind`'s own width first.
    """
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
    offsets = np.append(0, np.cumsum(np.asarray(lengths, np.int64))).astype(np.int32)
    return pa.Array.from_buffers(kind, len(lengths), [None, pa.py_buffer(offsets), pa.py_buffer(data)])


def numbers_in(column: pa.Array) -> NDArray[np.generic]:
    """The values of a column of numbers that are all there, as a view."""
    kind = column.type.to_pandas_dtype()
    return np.frombuffer(column.buffers()[1] or b"", kind)[column.offset : column.offset + len(column)]


def words_in(column: pa.Array) -> tuple[list[str], NDArray[np.generic]]:
    """The words of a column of text that are all there: each once, and for each row which one."""
    coded = column if pa.types.is_dictionary(column.type) else column.dictionary_encode()
    return coded.dictionary.to_pylist(), numbers_in(coded.indices)


def ends_in(column: pa.Array) -> NDArray[np.int32]:
    """Where the values of a column of bytes begin in its buffer, and where the last one ends."""
    return np.frombuffer(column.buffers()[1] or bytes(4), np.int32)[column.offset : column.offset + len(column) + 1]


def bytes_in(column: pa.Array) -> list[bytes]:
    """The values of a column of bytes that are all there."""
    ends = ends_in(column).tolist()
    data = (column.buffers()[2] or pa.py_buffer(b""))[ends[0] : ends[-1]].to_pybytes()
    first = ends[0]
    return [data[a - first : b - first] for a, b in itertools.pairwise(ends)]
