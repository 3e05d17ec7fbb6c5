"""Configuration: TOML files read into typed, checked models. What is wrong is said in one line.

Four kinds of file: the recorder's (`RecorderConfig`), the car's (`CarConfig`), the mixture targets' (`TargetsConfig`)
and a setup's (`SetupConfig`). `load` reads any of them; `ConfigError` carries one line that names the file, the key,
what was found and what was expected, with the nearest known key where one was misspelt.
"""

from __future__ import annotations

import difflib
import re
import stat
import tomllib
import types
import typing
from pathlib import Path
from typing import Any, TypeVar

import pydantic
from pydantic import BaseModel

from logger.config import slips
from logger.errors import ConfigError

Model = TypeVar("Model", bound=BaseModel)
_LARGEST_BYTES = 2 << 20


def load(path: Path, model: type[Model]) -> Model:
    """Read the TOML file at `path` as `model`; ConfigError names the file and the first key that is wrong."""
    return parse(text_of(path), model, str(path))


def text_of(path: Path) -> str:
    """The text of a configuration file; ConfigError where it is no plain file of text, or far too large for one."""
    try:
        about = path.stat()
        if not stat.S_ISREG(about.st_mode):  # a pipe would be waited for
            raise ConfigError(f"{path}: this is not a file")
        if about.st_size > _LARGEST_BYTES:
            raise ConfigError(f"{path}: {about.st_size} bytes is too large for a configuration file")
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise ConfigError(f"{path}: no such file") from error
    except UnicodeDecodeError as error:
        raise ConfigError(f"{path}: cannot be read: it is not UTF-8 text: {error}") from error
    except OSError as error:
        raise ConfigError(f"{path}: cannot be read: {error.strerror or error}") from error


def parse(text: str, model: type[Model], name: str) -> Model:
    """Read TOML `text` as `model`; `name` stands for the file in a ConfigError's line."""
    try:
        return model.model_validate(tomllib.loads(text))
    except pydantic.ValidationError as error:
        raise ConfigError(f"{name}: {_short(_one_line(error, model, text))}") from error
    except ValueError as error:  # TOMLDecodeError, and a number of thousands of digits
        raise ConfigError(f"{name}: not valid TOML: {_short(slips.toml_said(text, error))}") from error
    except (RecursionError, OverflowError) as error:
        raise ConfigError(f"{name}: not valid TOML: nested too deep, or a number too large") from error


def all_wrong(text: str, model: type[BaseModel]) -> list[tuple[tuple[str | int, ...], str]]:
    """Where each thing that is wrong with a file stands, as `writing.Place`, and what it is, in a line.

    What is no TOML is wrong at ().
    """
    try:
        parse(text, model, "")
        return []
    except ConfigError as error:
        if not isinstance(error.__cause__, pydantic.ValidationError):
            return [((), str(error).removeprefix(": "))]
        details = error.__cause__.errors(include_url=False)
    return [(_place(each["loc"]), _short(_in_words(each, model, text))) for each in details]


def _place(loc: tuple[int | str, ...]) -> tuple[int | str, ...]:
    """Where a key stands: without the kind that tells one sort of source from another, and without [key]."""
    kinds = {"nmea", "numbers", "pattern", "frame"}
    bare = [part for at, part in enumerate(loc) if not (part in kinds and at == 2 and loc[0] == "source")]
    return tuple(part for part in bare if part != "[key]")


_EXPECTED = {
    "float_type": "a number", "int_type": "a whole number", "string_type": "text in quotes",
    "bool_type": "true or false",
    "list_type": "a list in [ ]", "dict_type": "a table", "model_type": "a table", "model_attributes_type": "a table",
    "tuple_type": "a pair in [ ]", "date_type": "a date such as 2026-05-02", "too_long": "fewer entries",
    "finite_number": "a finite number", "int_from_float": "a whole number", "missing_argument": "a pair in [ ]",
}  # fmt: skip


def _one_line(error: pydantic.ValidationError, model: type[BaseModel], text: str) -> str:
    """The most telling of pydantic's findings, in the owner's words: key, what was found, what was expected."""
    details = error.errors(include_url=False)
    # A misspelt key shows up twice, as unknown and as missing; the unknown one is what the owner typed.
    return _in_words(next((d for d in details if d["type"] == "extra_forbidden"), details[0]), model, text)


def _in_words(detail: Any, model: type[BaseModel], text: str) -> str:
    key, found, context = _key(detail["loc"]), detail["input"], detail.get("ctx", {})
    where = f"{key}: " if key else ""
    match detail["type"]:
        case "extra_forbidden":
            known = _known_keys(model, detail["loc"])
            near = difflib.get_close_matches(str(detail["loc"][-1]), known, n=1, cutoff=0.6)
            hint = f"did you mean {near[0]!r}?" if near else f"known keys are {', '.join(sorted(known))}"
            return f"unknown key {key!r}: {hint}"
        case "missing":
            return f"{where}this key is needed and is missing"
        case "union_tag_not_found":
            return f"{where}kind is missing: expected {_kinds()}"
        case "union_tag_invalid":
            near = difflib.get_close_matches(str(context["tag"]), ["nmea", "numbers", "pattern", "frame"], n=1)
            hint = f" (did you mean {near[0]!r}?)" if near else ""
            return f"{where}kind is {context['tag']!r}: expected {_kinds()}{hint}"
        case "literal_error":
            near = difflib.get_close_matches(str(found), re.findall(r"'([^']*)'", context["expected"]), n=1)
            hint = f" (did you mean {near[0]!r}?)" if near else ""
            return f"{where}found {found!r}, expected {context['expected']}{hint}"
        case "string_pattern_mismatch":
            what = "a name of small letters, digits and _, starting with a letter, 32 at most"
            return f"{where}found {found!r}, expected {what}"
        case "value_error":
            said = str(context["error"])
            return f"{where}{said}" if isinstance(found, dict | BaseModel) else f"{where}found {found!r}: {said}"
        case "list_type" if isinstance(found, dict):
            return f"{where}found a table, expected a list in [ ]. Is a line [[{key}]] missing before it?"
        case kind if kind in _EXPECTED:
            said = f"{where}found {found!r}, expected {_EXPECTED[kind]}"
            if kind not in {"float_type", "int_type"} or not (better := slips.number_said(found)):
                return said
            return slips.line_of(text, str(detail["loc"][-1])) + said + better
        case _:
            said = detail["msg"].removeprefix("Input should be ").removeprefix("Value should be ")
            return f"{where}found {found!r}, expected {said[:1].lower()}{said[1:]}"


def _short(said: str) -> str:
    """Without the middle of what is too long to be read: a value of thousands of characters."""
    return said if len(said) <= 500 else f"{said[:300]} ... {said[-150:]}"


def _kinds() -> str:
    return "'nmea', 'numbers', 'pattern' or 'frame'"


def _key(loc: tuple[int | str, ...]) -> str:
    """A place in the file as the owner would write it: source[2].column[1].channel, counted from 1."""
    key = ""
    for part in loc:
        if isinstance(part, int):
            key += f"[{part + 1}]"
        elif part not in {"nmea", "numbers", "pattern", "frame"} or not key.endswith("]"):
            key += f".{part}" if key else str(part)
    return key.removesuffix(".[key]")


def _known_keys(model: type[BaseModel], loc: tuple[int | str, ...]) -> list[str]:
    """The keys that the table holding the last part of `loc` may have."""
    here: list[type[BaseModel]] = [model]
    for part in loc[:-1]:
        if isinstance(part, int):
            continue
        tagged = [m for m in here if "kind" in m.model_fields and _tag(m) == part]
        if tagged:
            here = tagged
            continue
        found = [m.model_fields[part].annotation for m in here if part in m.model_fields]
        here = [inner for annotation in found for inner in _models_in(annotation)]
    return sorted({name for m in here for name in m.model_fields})


def _tag(model: type[BaseModel]) -> Any:
    return next(iter(typing.get_args(model.model_fields["kind"].annotation)), None)


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and not isinstance(annotation, types.GenericAlias):
        return [annotation] if issubclass(annotation, BaseModel) else []
    return [model for inner in typing.get_args(annotation) for model in _models_in(inner)]
