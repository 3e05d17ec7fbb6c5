"""What every answer is: a frozen record that terminal, JSON, report, desk and notebook show, and compute nothing from.

    class RunsAnswer(Answer):
        drive: str
        '''The drive's id.'''
        runs: tuple[RunAnswer, ...]
        '''One for each run found.'''

    answer.to_json()          # plain values as `--json` prints them
    answer.frame("runs")      # a pandas frame, one row each; `answer.table("runs")` is an Arrow table
    schema(RunsAnswer)        # the JSON schema that docs/schema holds

A docstring under each field says what it is and in which unit. Figures that may not be told are `Figure`: NaN inside,
null in JSON.
"""

from __future__ import annotations

import functools
import json
import math
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Annotated, Any, get_args

from pydantic import BaseModel, ConfigDict, PlainSerializer, WithJsonSchema

from logger.errors import InputError

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa
    from pydantic import GetJsonSchemaHandler
    from pydantic.json_schema import JsonSchemaValue
    from pydantic_core import CoreSchema


def _null(value: float) -> float | None:
    return value if math.isfinite(value) else None


Figure = Annotated[
    float, PlainSerializer(_null, return_type=float | None), WithJsonSchema({"type": ["number", "null"]})
]
"""A number; NaN where the data cannot tell it, which JSON has as null."""


Utc = Annotated[
    datetime,
    PlainSerializer(datetime.isoformat, return_type=str, when_used="json"),
    WithJsonSchema({"type": "string", "format": "date-time"}),
]
"""A time, in JSON by ISO 8601 with +00:00."""


class Answer(BaseModel):
    """A frozen record with a documented type and unit for each field."""

    model_config = ConfigDict(frozen=True, extra="forbid", populate_by_name=True, serialize_by_alias=True)

    def to_json(self) -> dict[str, Any]:
        """The answer as plain values: what `--json` prints."""
        return self.model_dump(mode="json")

    def frame(self, field: str | None = None) -> pd.DataFrame:
        """The rows that a field holds as a pandas frame; by default the first field that holds any. See `rows`.

        InputError where the field is none of the answer's, or holds no rows.
        """
        return rows(self._rows(field))

    def table(self, field: str | None = None) -> pa.Table:
        """The same as an Arrow table, with each field's description in its metadata.

        Fields that hold several values are JSON text. InputError as for `frame`.
        """
        import pyarrow as pa

        found = self._rows(field)
        columns = rows(found)
        described = _described(type(found[0])) if found else {}
        arrays = [pa.array([_cell(value) for value in columns[name]]) for name in columns]
        fields = [
            pa.field(name, array.type, metadata={"description": described.get(str(name), "")})
            for name, array in zip(columns, arrays, strict=True)
        ]
        return pa.table(arrays, schema=pa.schema(fields))

    @classmethod
    def __get_pydantic_json_schema__(cls, core_schema: CoreSchema, handler: GetJsonSchemaHandler) -> JsonSchemaValue:
        told = handler(core_schema)
        properties = handler.resolve_ref_schema(told)["properties"]
        for name, words in described(cls).items():
            properties[cls.model_fields[name].alias or name]["description"] = words
        return told

    def _rows(self, field: str | None) -> Sequence[Answer]:
        held: dict[str, Sequence[Answer]] = {
            name: value for name in type(self).model_fields if _are_answers(value := getattr(self, name))
        }
        if field is None and held:
            return next(iter(held.values()))
        if field is None or field not in held:
            known = ", ".join(held) or "none"
            raise InputError(f"{field or type(self).__name__}: it has no rows. Fields with rows: {known}.")
        return held[field]


def _are_answers(value: Any) -> bool:
    return isinstance(value, tuple) and bool(value) and all(isinstance(each, Answer) for each in value)


def _cell(value: Any) -> Any:
    if value is None or isinstance(value, bool | int | float | str | datetime | date):
        return value
    return json.dumps(_plain_value(value), ensure_ascii=False)


def _plain_value(value: Any) -> Any:
    if isinstance(value, Answer):
        return value.to_json()
    if isinstance(value, dict):
        return {key: _plain_value(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain_value(each) for each in value]
    return _null(value) if isinstance(value, float) else value


@functools.cache
def described(kind: type[Answer]) -> Mapping[str, str]:
    """Field -> the docstring under it, of its own and of what it is made from; read when a schema or a table is asked
    for: pydantic would read all source files as they are loaded, which costs each verb 20 to 40 ms."""
    import ast
    import inspect
    import textwrap

    said = {}
    for each in reversed(kind.__mro__[: kind.__mro__.index(Answer)]):
        (tree,) = ast.parse(textwrap.dedent(inspect.getsource(each))).body
        for field, after in pairwise(getattr(tree, "body", ())):
            match field, after:
                case ast.AnnAssign(target=ast.Name(id=name)), ast.Expr(value=ast.Constant(value=str(words))):
                    said[name] = inspect.cleandoc(words)
    return said


def _described(kind: type[Answer], prefix: str = "") -> dict[str, str]:
    """Column of `rows` -> what it is."""
    said = {}
    words = described(kind)
    for name, field in kind.model_fields.items():
        said[prefix + name] = words.get(name, "")
        for held in (field.annotation, *get_args(field.annotation)):  # itself, or itself or None
            if isinstance(held, type) and issubclass(held, Answer):
                said |= _described(held, f"{prefix}{name}_")
    return said


def rows(answers: Sequence[Answer]) -> pd.DataFrame:
    """Answers of one kind as a pandas frame, one row each, columns named as the fields.

    A field that is an answer itself becomes a column for each of its own fields, such as `target_low`; fields that hold
    several values stay as they are. NaN stays NaN.
    """
    import pandas as pd

    return pd.DataFrame([_flat(each) for each in answers])


def _flat(answer: Answer, prefix: str = "") -> dict[str, Any]:
    columns: dict[str, Any] = {}
    for name in type(answer).model_fields:
        value = getattr(answer, name)
        if isinstance(value, Answer):
            columns |= _flat(value, f"{prefix}{name}_")
        else:
            columns[prefix + name] = value
    return columns


def schema(answer: type[Answer]) -> dict[str, Any]:
    """The JSON schema of an answer, with every field's description."""
    return answer.model_json_schema(mode="serialization")
