"""Objects of dataclasses as plain values and one row of numbers, and back, to the last bit: how a season is kept.

    packing = Packing()
    told = packing.columns(runs, KINDS)           # plain values; what many share, and arrays, stand apart
    unpacking = Unpacking(packing.shared, packing.sizes, packing.numbers)
    runs = unpacking.objects(Observation, told, KINDS)

A kind says how a field is told that is no plain value. Equal arrays and equal things are kept once, and are one object
when they come back: of the parts of a thousand drives' setups there are few.
"""

from __future__ import annotations

import dataclasses
import itertools
import json
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any, Literal, TypeVar

import numpy as np

from analysis.arrays import Floats

T = TypeVar("T")
_Array = Literal["floats", "codes", "square"]
"""An array (n,) of floating numbers; of whole ones; of floating numbers (n, n). A field may be None as well."""


@dataclasses.dataclass(frozen=True)
class AsText:
    """Of a field that is told as text, once for all objects in which it is the same; and what makes it of the text."""

    text: Callable[[Any], str]
    value: Callable[[str], Any]


Kind = _Array | AsText
Kinds = Mapping[str, Kind]
"""Field -> kind, of those that are no plain value."""


def tuples(value: Any) -> Any:
    """Plain values with tuples in place of lists."""
    if isinstance(value, list):
        return tuple(tuples(each) for each in value)
    return {name: tuples(each) for name, each in value.items()} if isinstance(value, dict) else value


def of_fields(of: Callable[..., Any]) -> AsText:
    """Of a dataclass whose fields are plain values, tuples or mappings of them."""
    return AsText(
        lambda value: json.dumps(dataclasses.asdict(value)), lambda text: of(**tuples(json.loads(text)))
    )  # fmt: skip


MAPPING = AsText(lambda value: json.dumps(dict(value)), json.loads)
TUPLE = AsText(lambda value: json.dumps(list(value)), lambda text: tuples(json.loads(text)))


class Packing:
    """What was told so far: `shared` texts, and arrays by their `sizes` and `numbers`."""

    def __init__(self) -> None:
        self._texts: dict[str, int] = {}
        self._by_id: dict[tuple[int, int], tuple[int, Any]] = {}
        self._arrays: list[Floats] = []
        self._places: dict[bytes, int] = {}

    @property
    def shared(self) -> list[str]:
        """The texts, which are told by their place."""
        return list(self._texts)

    @property
    def sizes(self) -> list[int]:
        """The arrays' sizes,"""
        return [array.size for array in self._arrays]

    @property
    def numbers(self) -> Floats:
        """and all their numbers, one array after the other (n,)."""
        return np.concatenate(self._arrays) if self._arrays else np.zeros(0)

    def columns(self, objects: Sequence[Any], kinds: Kinds) -> dict[str, list[Any]]:
        """The fields of objects of one dataclass, by name; nothing where there are no objects."""
        names = [each.name for each in dataclasses.fields(objects[0])] if objects else []
        return {name: self._column([getattr(each, name) for each in objects], kinds.get(name)) for name in names}

    def _column(self, values: list[Any], kind: Kind | None) -> list[Any]:
        if kind is None:
            return [each.item() if isinstance(each, np.generic) else each for each in values]
        if isinstance(kind, AsText):
            return [None if each is None else self._text(each, kind) for each in values]
        return [None if each is None else self._place(each) for each in values]

    def _text(self, value: Any, kind: AsText) -> int:
        known = id(kind), id(value)
        found = self._by_id.get(known)
        if found is None:  # what is told is held: as long as it lives nothing else has its id
            found = self._by_id[known] = self._texts.setdefault(kind.text(value), len(self._texts)), value
        return found[0]

    def _place(self, array: Floats) -> int:
        data = np.asarray(array, np.float64).tobytes()
        if data not in self._places:
            self._places[data] = len(self._arrays)
            self._arrays.append(np.frombuffer(data))
        return self._places[data]


class Unpacking:
    """The objects of what a `Packing` told. LookupError, TypeError or ValueError where it is not that."""

    def __init__(self, shared: Sequence[str], sizes: Sequence[int], numbers: Floats) -> None:
        ends = list(itertools.accumulate(sizes, initial=0))
        self._texts, self._arrays = shared, [numbers[a:b] for a, b in itertools.pairwise(ends)]
        self._made: dict[int, dict[int | None, Any]] = {}

    def objects(self, of: Callable[..., T], columns: Mapping[str, Sequence[Any]], kinds: Kinds) -> list[T]:
        """The objects, by all fields of their dataclass."""
        if not columns:
            return []
        names = [each.name for each in dataclasses.fields(of)]  # type: ignore[arg-type]
        return [of(*row) for row in zip(*(self._column(columns[name], kinds.get(name)) for name in names), strict=True)]

    def _column(self, told: Sequence[Any], kind: Kind | None) -> Iterable[Any]:
        if kind is None:
            return told
        made = self._made.setdefault(id(kind), {None: None}) if isinstance(kind, AsText) else {None: None}
        for at in set(told) - made.keys():
            made[at] = kind.value(self._texts[at]) if isinstance(kind, AsText) else self._array(at, kind)
        return [made[at] for at in told]

    def _array(self, at: int, kind: _Array) -> Any:
        array = self._arrays[at]
        if kind == "floats":
            return array
        if kind == "codes":
            return array.astype(np.int64)
        side = math.isqrt(array.size)
        return array.reshape(side, side)
