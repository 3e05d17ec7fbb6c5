"""A file of the owner's as forms: each key an entry with its explanation, and what was typed back in the file's text.

    kind = KINDS["car"]
    groups = groups_of(kind, tomllib.loads(text))     # [car], [units], ...: entries by section
    text = changed(kind, text, group, typed)          # every comment stays
    wrong = wrong_in(kind, text, group.entries)       # entry -> why, in a line

What stands in a file is read off the typed models (`logger.config`), what a key means off the explained examples.
"""

from __future__ import annotations

import datetime
import functools
import tomllib
import types
import typing
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from pydantic_core import PydanticUndefined

from analysis.desk.fields import quoted
from analysis.desk.parts import Entry
from logger.config import examples, explained, writing
from logger.config.car import CarConfig
from logger.config.reading import all_wrong
from logger.config.recorder import RecorderConfig
from logger.config.sections import ConfigSection
from logger.config.setup import JetsConfig, SetupConfig
from logger.config.targets import TargetsConfig
from logger.config.writing import Place
from logger.errors import InputError


@dataclass(frozen=True)
class FileKind:
    """A kind of file: its model, the example that explains it, and which of its tables the owner may add to."""

    name: str
    title: str
    model: type[ConfigSection]
    example: str
    grows: tuple[str, ...] = ()


KINDS = {
    kind.name: kind
    for kind in (
        FileKind("recorder", "The recorder's file", RecorderConfig, "recorder.toml", ("privacy.circle",)),
        FileKind("car", "The car's file", CarConfig, "wren.toml"),
        FileKind("targets", "Mixture targets", TargetsConfig, "targets.toml"),
        FileKind("setup", "The setup in force", SetupConfig, "setups/baseline.toml"),
        FileKind("jets", "Your own jets", JetsConfig, "jets.toml", ("jet",)),
    )
}
NEW_PARTS = 2
"""Empty lines for parts that a setup does not name yet."""


@dataclass(frozen=True)
class Group:
    """A section of a file: its entries, named by their place in it."""

    name: str
    title: str
    entries: tuple[Entry, ...]
    optional: bool = False
    """Whether it may be missing as a whole; its place is `place`."""
    place: Place = ()
    adds: str = ""
    """The [[table]] that one more of is added to."""


def groups_of(kind: FileKind, data: Mapping[str, Any]) -> list[Group]:
    """All sections that a file of this kind may have, with what stands in this one."""
    found: list[Group] = []
    for table in kind.grows:
        *way, name = table.split(".")
        at = len(_list(_at(data, way).get(name)))
        place: Place = (*way, name, at)
        entries = tuple(_entries(kind, _model_at(kind.model, place), {}, place))
        found.append(Group(f"new-{name}", f"Add another [[{table}]]", entries, place=place, adds=table))
    plain = tuple(
        entry for name in kind.model.model_fields if _is_plain(kind.model, name)
        for entry in [_entry(kind, kind.model, name, data, ())]
    )  # fmt: skip
    sections = [Group("general", "General", plain)] if plain else []
    for name, about in kind.model.model_fields.items():
        inner, many = _section_of(about.annotation)
        if name == "parts":
            sections.append(Group("parts", "Parts", tuple(_parts(_table(data.get(name))))))
        elif many:
            for at, item in enumerate(_list(data.get(name))):
                own = _of_kind(inner, item)
                title = f"[[{name}]] {at + 1}: {_table(item).get('name') or _table(item).get('mark') or ''}".rstrip(
                    ": "
                )
                entries = tuple(_entries(kind, own, _table(item), (name, at)))
                sections.append(Group(f"{name}-{at}", title, entries, place=(name, at)))
        elif inner:
            optional = about.default is None
            entries = tuple(_entries(kind, inner[0], _table(data.get(name)), (name,)))
            sections.append(Group(name, f"[{name}]", entries, optional, (name,)))
    return [*sections, *found]


def changed(kind: FileKind, text: str, group: Group, typed: Mapping[str, str]) -> str:
    """`text` with what was typed into the entries of a section. InputError where that can't be put there.

    What is empty is taken away, and stays as a comment. Whether the file can be used so, `wrong_in` tells.
    """
    values = {_place(entry.name): _value(kind, entry.name, typed[entry.name]) for entry in group.entries
              if entry.name in typed and "+" not in entry.name}  # fmt: skip
    try:
        if group.adds:
            given = {str(place[-1]): value for place, value in values.items() if value is not None}
            return writing.added(text, group.adds, given) if given else text
        if group.optional and all(value is None for value in values.values()):
            return writing.changed(text, {group.place: None}, aside=True)
        if group.name == "parts":
            values |= _new_parts(typed)
        # What is there and unchanged is passed over by `writing.changed`: entries of a section in their order.
        return writing.changed(text, values, aside=True)
    except InputError:
        raise
    except (KeyError, IndexError, TypeError, AttributeError, ValueError) as error:
        raise InputError("this part of the file cannot be changed here. Change it as text, below") from error


def wrong_in(kind: FileKind, text: str, entries: Sequence[Entry]) -> tuple[dict[str, str], str]:
    """(entry -> why it can't be, in a line; what is wrong elsewhere in the file, "" for nothing)."""
    beside: dict[str, str] = {}
    elsewhere = ""
    for place, said in all_wrong(text, kind.model):
        name = _dotted(place)
        mine = next((each.name for each in entries if each.name == name), None)
        within = next((each.name for each in entries if place and each.name.startswith(f"{name}.")), None)
        above = next((each.name for each in entries if name.startswith(f"{each.name}.")), None)
        if found := mine or above or within:
            beside.setdefault(found, _without_key(said, place))
        else:
            elsewhere = elsewhere or said
    return beside, elsewhere


# --- entries ------------------------------------------------------------------------------------------------------


def _entries(kind: FileKind, model: type[ConfigSection], data: Mapping[str, Any], place: Place) -> Iterator[Entry]:
    for name, about in model.model_fields.items():
        inner, many = _section_of(about.annotation)
        if _is_plain(model, name):
            if name != "kind" or "kind" not in _tags(model):
                yield _entry(kind, model, name, data, place)
        elif many:
            for at, item in enumerate(_list(data.get(name))):
                yield from _entries(kind, inner[0], _table(item), (*place, name, at))
        else:
            yield from _entries(kind, inner[0], _table(data.get(name)), (*place, name))


def _entry(kind: FileKind, model: type[ConfigSection], name: str, data: Mapping[str, Any], place: Place) -> Entry:
    about = model.model_fields[name]
    here = (*place, name)
    how = _how(about.annotation)
    value = data.get(name)
    usual = "" if about.default in {None, "", PydanticUndefined} else _shown(about.default)
    said = quoted(_explained(kind, here))
    said = f"{said[:1].upper()}{said[1:]}{'' if said.endswith(('.', '?')) or not said else '.'}"
    entry = Entry(
        _dotted(here), _label(here), "" if value is None else _shown(value), help=said,
        numeric=how in {"int", "float"},
    )  # fmt: skip
    if how in {"bool", "choice"}:
        words = ["true", "false"] if how == "bool" else [str(word) for word in _literals(about.annotation)]
        empty = f"default: {usual}" if usual else "not given"
        options = [("", empty), *((word, {"true": "yes", "false": "no"}.get(word, word)) for word in words)]
        if entry.value not in {word for word, _ in options}:
            options.append((entry.value, entry.value))
        return replace(entry, how="choice", options=options)
    if how == "list":
        return replace(entry, help=f"{entry.help} Write the list in [ ].".strip())
    return replace(entry, help=f"{entry.help} If empty: {usual}.".strip()) if usual else entry


def _parts(parts: Mapping[str, Any]) -> Iterator[Entry]:
    for name, value in parts.items():
        yield Entry(f"parts.{name}", name, _shown(value))
    for at in range(NEW_PARTS):
        yield Entry(f"+{at}.name", "Another part", help="Small letters, digits and _, with the unit: main_jet_mm.")
        yield Entry(f"+{at}.value", "Its value", help="A number, a word, or true or false.")


def _new_parts(typed: Mapping[str, str]) -> dict[Place, Any]:
    found: dict[Place, Any] = {}
    for at in range(NEW_PARTS):
        name, value = (typed.get(f"+{at}.{what}", "").strip() for what in ("name", "value"))
        if name:
            found["parts", name] = _of_part(value) if value else ""
        elif value:
            raise InputError(f"{value!r}: this part has no name. Give it one")
    return found


def _label(place: Place) -> str:
    """ "column 2, calibration: table": the key as the file has it, with the tables it stands in below its section."""
    *tables, key = place
    within: list[str] = []
    for part in tables[1:]:
        if isinstance(part, str):
            within.append(part)
        elif within:
            within[-1] += f" {part + 1}"
    return f"{', '.join(within)}: {key}" if within else str(key)


@functools.cache
def _said_by(example: str) -> Mapping[str, str]:
    return explained.explanations(examples.text(example))


def _explained(kind: FileKind, place: Place) -> str:
    """What the example says of a key; a field or a channel is explained with the columns, `low` with its window."""
    said = _said_by(kind.example)
    parts = [part for part in place if isinstance(part, str)]
    ways = [parts]
    if len(parts) > 2 and parts[1] in {"channel", "field"}:
        ways.append([parts[0], "column", *parts[2:]])
    ways.append(parts[:-1])
    if parts[0] == "water":
        ways.append(["air", *parts[1:-1]])
    return next((found for way in ways if (found := said.get(".".join(way)))), "")


# --- types --------------------------------------------------------------------------------------------------------


def _bare(annotation: Any) -> Any:
    """A type without Annotated and None."""
    while typing.get_origin(annotation) is typing.Annotated:
        annotation = typing.get_args(annotation)[0]
    if typing.get_origin(annotation) in {typing.Union, types.UnionType}:
        inner = [each for each in typing.get_args(annotation) if each is not type(None)]
        if len(inner) == 1:
            return _bare(inner[0])
    return annotation


def _section_of(annotation: Any) -> tuple[list[type[ConfigSection]], bool]:
    """The models that a field holds, one or one of several, and whether it is a list of them."""
    bare = _bare(annotation)
    if typing.get_origin(bare) is list:
        return _section_of(typing.get_args(bare)[0])[0], True
    if typing.get_origin(bare) in {typing.Union, types.UnionType}:
        return [model for each in typing.get_args(bare) for model in _section_of(each)[0]], False
    return ([bare] if isinstance(bare, type) and issubclass(bare, ConfigSection) else []), False


def _is_plain(model: type[ConfigSection], name: str) -> bool:
    return not _section_of(model.model_fields[name].annotation)[0] and name != "parts"


def _tags(model: type[ConfigSection]) -> tuple[str, ...]:
    """ "kind" where the model is told from others by it, and can't be changed to another."""
    about = model.model_fields.get("kind")
    return ("kind",) if about is not None and len(_literals(about.annotation)) == 1 else ()


def _of_kind(models: Sequence[type[ConfigSection]], item: Any) -> type[ConfigSection]:
    """The model that a table with a `kind` is read by; the first where it tells none."""
    said = _table(item).get("kind")
    return next(
        (each for each in models if "kind" in each.model_fields
         and said in _literals(each.model_fields["kind"].annotation)), models[0],
    )  # fmt: skip


def _model_at(model: type[ConfigSection], place: Place) -> type[ConfigSection]:
    for part in place:
        if isinstance(part, str):
            model = _section_of(model.model_fields[part].annotation)[0][0]
    return model


def _literals(annotation: Any) -> tuple[Any, ...]:
    bare = _bare(annotation)
    return typing.get_args(bare) if typing.get_origin(bare) is typing.Literal else ()


def _how(annotation: Any) -> str:
    bare = _bare(annotation)
    if _literals(bare):
        return "choice"
    if typing.get_origin(bare) in {list, tuple}:
        return "list"
    return {bool: "bool", int: "int", float: "float", datetime.date: "date"}.get(bare, "str")


# --- values -------------------------------------------------------------------------------------------------------


def _value(kind: FileKind, name: str, typed: str) -> Any:
    """What was typed as the file holds it; None for nothing. What can't be read stays text, and is told as wrong."""
    text = typed.strip()
    if not text:
        return None
    place = _place(name)
    if place[0] == "parts" and kind.name == "setup":
        return _of_part(text)
    annotation = _annotation(kind, place)
    how = _how(annotation)
    try:
        if how == "choice":
            return next((each for each in _literals(annotation) if str(each) == text), text)
        if how == "bool":
            return {"true": True, "false": False}.get(text, text)
        if how == "int":
            return int(text, 0)
        if how == "float":
            return int(text) if text.lstrip("+-").isdigit() and len(text) < 16 else float(text)
        if how == "date":
            return datetime.date.fromisoformat(text)
        if how == "list":
            return tomllib.loads(f"v = {text}")["v"]
    except (ValueError, RecursionError, KeyError):
        return text
    return text


def _of_part(text: str) -> Any:
    try:
        value = tomllib.loads(f"v = {text}")["v"]
    except (tomllib.TOMLDecodeError, RecursionError, KeyError):
        return text
    small = not isinstance(value, int) or abs(value) < 2**63
    return value if isinstance(value, bool | int | float | str) and small else text


def _annotation(kind: FileKind, place: Place) -> Any:
    """The type of the field at a place; where a list may hold several models, the first that has it."""
    models: list[type[ConfigSection]] = [kind.model]
    annotation: Any = str
    for part in place:
        if isinstance(part, int):
            continue
        annotation = next((m.model_fields[part].annotation for m in models if part in m.model_fields), str)
        models = _section_of(annotation)[0] or models
    return annotation


def _shown(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return value
    if isinstance(value, datetime.date):
        return value.isoformat()
    if isinstance(value, int | float):
        return f"{value:g}" if isinstance(value, float) and float(f"{value:g}") == value else repr(value)
    return writing.written(value).replace("\n", " ")


def _place(name: str) -> Place:
    return tuple(int(part) if part.isdigit() else part for part in name.split("."))


def _dotted(place: Place) -> str:
    return ".".join(map(str, place))


def _without_key(said: str, place: Place) -> str:
    """What is wrong, without the key before it: it stands at its entry."""
    key = "".join(f"[{part + 1}]" if isinstance(part, int) else f".{part}" for part in place).lstrip(".")
    return said.removeprefix(f"{key}: ")


def _at(data: Mapping[str, Any], way: Sequence[str]) -> Mapping[str, Any]:
    for part in way:
        data = _table(data.get(part))
    return data


def _table(value: Any) -> Mapping[str, Any]:
    return value if isinstance(value, dict) else {}


def _list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else []
