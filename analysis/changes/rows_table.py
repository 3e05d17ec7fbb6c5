"""Rows as an Arrow table whose columns say their unit and what they are."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pyarrow as pa

Field = tuple[str, str, str, str]
"""Name, type, unit and description of a column."""


def table_of_rows(fields: Sequence[Field], rows: Iterable[tuple[Any, ...]]) -> pa.Table:
    """A table of these fields, with their units and descriptions in the metadata."""
    import pyarrow as pa

    from logger.store.columns import of_cells

    columns = list(zip(*rows, strict=True))
    schema = [
        pa.field(each, pa.type_for_alias(kind), metadata={"unit": unit, "description": said})
        for each, kind, unit, said in fields
    ]
    arrays = [of_cells(columns[k] if columns else [], field.type) for k, field in enumerate(schema)]
    return pa.table(arrays, schema=pa.schema(schema))
