"""Parquet files of a drive: written so that the same table gives the same bytes, and checked when they are read."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from logger.store.disk import no_pipe, said

if TYPE_CHECKING:
    import pyarrow as pa

_LARGE = 8 << 20
"""From so many bytes on threads are quicker than one; a small table waits five times as long for them."""


class DamagedTable(Exception):
    """The file is not there, not what was written, or lacks a column: make the table anew from the raw bytes."""


def table_bytes(table: pa.Table) -> bytes:
    """The table as a Parquet file; the same table gives the same bytes with the same pyarrow."""
    import pyarrow.parquet as pq  # here: a recorder has another process make its tables

    from logger.store.arrow import pa

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


def table_of(data: bytes) -> pa.Table:
    """The table that a Parquet file's bytes hold; pyarrow's own errors where they are none.

    Not by pyarrow's `read_table`, which loads its data sets and pandas first: half a second.
    """
    import pyarrow.parquet as pq

    from logger.store.arrow import pa

    with pq.ParquetFile(pa.BufferReader(data)) as file:
        return file.read(use_threads=len(data) > _LARGE)


def digest_of(data: bytes) -> str:
    """SHA-256 of a file's bytes, as the manifest keeps it."""
    return hashlib.sha256(data).hexdigest()


def read_table(path: Path, digest: str | None, columns: Sequence[str]) -> pa.Table:
    """The table in the file `path`, which must have `digest` (where one is known) and all of `columns`.

    DamagedTable says what is wrong with it.
    """
    from logger.store.arrow import pa

    try:
        data = no_pipe(path).read_bytes()
        if digest and digest_of(data) != digest:
            raise DamagedTable(f"{path}: it was changed since it was written (its checksum does not match drive.json)")
        table = table_of(data)
    except OSError as error:
        if error.strerror is None:  # pyarrow's own, which tells of its insides
            raise DamagedTable(f"{path}: this is not a complete Parquet file") from error
        raise DamagedTable(f"{path}: cannot be read: {said(error)}") from error
    except (pa.ArrowException, ValueError) as error:
        raise DamagedTable(f"{path}: this is not a complete Parquet file") from error
    if lacking := [name for name in columns if name not in table.column_names]:
        raise DamagedTable(f"{path}: the column {lacking[0]!r} is missing")
    return table
