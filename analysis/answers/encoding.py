"""What every answer is: a frozen record that terminal, JSON, report, desk and notebook show, and compute nothing from.

    class RunsAnswer(Answer):
        drive: str
        '''The drive's id.'''
        runs: tuple[RunAnswer, ...]
        '''One for each run found.'''

    answer.to_json()          # plain values as `--json` prints them
    rows(answer.runs)         # a pandas frame, one row each
    schema(RunsAnswer)        # the JSON schema that docs/schema holds

A docstring under each field says what it is and in which unit. Figures that may not be told are `Figure`: NaN inside,
null in JSON.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BaseModel, ConfigDict, PlainSerializer, WithJsonSchema

if TYPE_CHECKING:
    import pandas as pd


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

    model_config = ConfigDict(
        frozen=True, extra="forbid", use_attribute_docstrings=True, populate_by_name=True, serialize_by_alias=True
    )

    def to_json(self) -> dict[str, Any]:
        """The answer as plain values: what `--json` prints."""
        return self.model_dump(mode="json")


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
