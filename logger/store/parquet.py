"""Parquet files of a drive: written so that the same table gives the same bytes, and checked when they are read."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from logger.store.disk import said

_LARGE = 8 << 20
"""From so many bytes on threads are quicker than one; a small table waits five times as long for them."""


class DamagedTable(Exception):
    """The file is not there, not what was written, or lacks a column: make the table anew from the raw bytes."""


def table_bytes(table: pa.Table) -> bytes:
    """The table as a Parquet file; the same table gives the same bytes with the same pyarrow."""
    counts = [field.name for field in table.schema if field.name in {"time", "mono_ns"}]
    words = [field.name for field in table.schema if pa.types.is_dictionary(field.type)]
    sink = pa.BufferOutputStream()
    pq.write_table(
        table,
        sink,
        row_group_size=1 << 17,  # half an hour of an ordinary rig's raw rows, three hours of a receiver's fixes
        compression="zstd",
        use_dictionary=words,
        column_encoding=dict.fromkeys(counts, "DELTA_BINARY_PACKED"),
        write_statistics=counts,
    )
    data: bytes = sink.getvalue().to_pybytes()
    return data


def digest_of(data: bytes) -> str:
    """SHA-256 of a file's bytes, as the manifest keeps it."""
    return hashlib.sha256(data).hexdigest()


def table_in(data: bytes) -> pa.Table:
    """The table that the bytes of a Parquet file hold; pyarrow's errors where they are none."""
    large = len(data) > _LARGE
    return pq.read_table(pa.BufferReader(data), use_threads=large, pre_buffer=large)


def read_table(path: Path, digest: str | None, columns: Sequence[str]) -> pa.Table:
    """The table in the file `path`, which must have `digest` (where one is known) and all of `columns`.

    DamagedTable says what is wrong with it.
    """
    try:
        data = path.read_bytes()
        if digest and digest_of(data) != digest:
            raise DamagedTable(f"{path}: it is not what was written there: its digest differs from the manifest's")
        table = table_in(data)
    except OSError as error:  # pyarrow's own OSErrors have no strerror
        raise DamagedTable(f"{path}: cannot be read: {said(error)}") from error
    except (pa.ArrowException, ValueError) as error:
        raise DamagedTable(f"{path}: this is no Parquet file: {error}") from error
    if lacking := [name for name in columns if name not in table.column_names]:
        raise DamagedTable(f"{path}: it lacks the column {lacking[0]!r}")
    return table
