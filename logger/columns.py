"""Arrow columns from numbers and bytes, laid out here.

`pyarrow.array` and `to_numpy` do the same, but the first call of either loads pandas: half a second and 30 MB that a
recorder on an old laptop would rather have, above all in the five seconds in which a shutdown lets it close a drive.
"""

from __future__ import annotations

import itertools
from array import array
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
    offsets = array("i", itertools.accumulate(map(len, values), initial=0))
    return pa.Array.from_buffers(kind, len(values), [None, pa.py_buffer(offsets), pa.py_buffer(b"".join(values))])
