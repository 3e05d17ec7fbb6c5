"""Configuration files written: answers put into them, with every comment kept.

tomlkit stands at this edge alone; what it is given and gives is text.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any

from logger.config.slips import without_comment

Place = tuple[str | int, ...]
"""Where a value stands: ("car", "mass_kg"), or ("source", 0, "port") of the first [[source]]."""


def changed(text: str, values: Mapping[Place, Any], *, aside: bool = False) -> str:
    """`text` of a TOML file with these values; None takes a key or a table away. What is there of comments stays.

    A key that stands there behind a # is put in force in its own line, so that its explanation stays beside it. Tables
    on the way to a key are made where they are missing. What is taken away becomes a comment where `aside`.
    """
    for place, value in values.items():
        before = tomllib.loads(text)
        after = _with(before, place, value)
        if _alike(before, after):
            continue
        by_lines = _by_lines(text, place, value, aside)
        text = by_lines if by_lines is not None and _reads_as(by_lines, after) else _by_tomlkit(text, place, value)
    return text


def added(text: str, table: str, values: Mapping[str, Any]) -> str:
    """`text` with one more [[table]] at its end."""
    lines = [f"{key} = {written(value)}" for key, value in values.items() if value is not None]
    return "\n".join([text.rstrip("\n"), "", f"[[{table}]]", *lines, ""])


def without(text: str, table: str, at: int) -> str | None:
    """`text` with the `at`-th [[table]] and all below it as comments; None where that can't be told from its lines."""
    lines = text.split("\n")
    starts = [(line, place) for line, place in _headers(lines) if not _commented_header(lines[line])]
    mine = [k for k, (_, place) in enumerate(starts) if place[:2] == (table, at)]
    if not mine or not isinstance(data := tomllib.loads(text).get(table), list):
        return None
    end = starts[mine[-1] + 1][0] if mine[-1] + 1 < len(starts) else len(lines)
    for number in range(starts[mine[0]][0], end):
        lines[number] = _commented(lines[number])
    left = "\n".join(lines)
    expected = tomllib.loads(text) | {table: [each for k, each in enumerate(data) if k != at]}
    if not expected[table]:
        del expected[table]
    return left if _reads_as(left, expected) else None


def _by_tomlkit(text: str, place: Place, value: Any) -> str:
    import tomlkit

    document = tomlkit.parse(text)
    here: Any = document
    for part in place[:-1]:
        if isinstance(part, str) and part not in here:
            here[part] = tomlkit.table()
        here = here[part]
    if value is None:
        del here[place[-1]]
    else:
        here[place[-1]] = value
    return tomlkit.dumps(document)


def _with(data: dict[str, Any], place: Place, value: Any) -> dict[str, Any]:
    """`data` with that value; KeyError, IndexError or TypeError where the way there is no way."""
    made = copy.deepcopy(data)
    here: Any = made
    for part in place[:-1]:
        if isinstance(part, str) and part not in here:
            if value is None:
                return made
            here[part] = {}
        here = here[part]
    if value is None:
        here.pop(place[-1], None)
    else:
        here[place[-1]] = value
    return made


def _alike(a: Any, b: Any) -> bool:
    """Equal, true and 1 told apart; a pair and a list of two are one in TOML."""
    if isinstance(a, dict) and isinstance(b, dict):
        return a.keys() == b.keys() and all(_alike(a[key], b[key]) for key in a)
    if isinstance(a, list | tuple) and isinstance(b, list | tuple):
        return len(a) == len(b) and all(map(_alike, a, b))
    return isinstance(a, bool) == isinstance(b, bool) and bool(a == b)


def _reads_as(text: str, expected: dict[str, Any]) -> bool:
    try:
        return _alike(tomllib.loads(text), expected)
    except tomllib.TOMLDecodeError:
        return False


# --- by lines -----------------------------------------------------------------------------------------------------

_HEADER = re.compile(r"^\s*#?\s*(\[\[?)\s*([\w-]+(?:\.[\w-]+)*)\s*\]\]?\s*(?:#.*)?$")


def _by_lines(text: str, place: Place, value: Any, aside: bool) -> str | None:
    """`text` changed in the line where the key stands, or stood behind a #; None where no such line is found.

    What it gives is yet to be read back: a line may be within a text of several lines.
    """
    lines = text.split("\n")
    if value is None:
        return _set_aside(lines, place) if aside else None
    *table, key = place
    span = _span(lines, tuple(table))
    if span is None and (opened := _uncommented(lines, tuple(table))) is not None:
        lines = opened
        span = _span(lines, tuple(table))
    if span is None:
        return None
    first, end = span
    for number in range(first, end):
        if found := re.match(rf"^(\s*)(#\s?)?{re.escape(str(key))}\s*=\s*(.*)$", lines[number]):
            if found[2] is None:
                return None  # in force already: the value alone is changed, by who knows all of TOML
            comment = found[3][len(without_comment(found[3])) :].strip()
            line = f"{found[1]}{key} = {written(value)}"
            lines[number] = f"{line:<29} {comment}" if comment else line
            return "\n".join(lines)
    last = max((n for n in range(first, end) if re.match(r"^\s*[\w-]+\s*=", lines[n])), default=first - 1)
    indent = re.match(r"^\s*", lines[last])[0] if last >= 0 else ""  # type: ignore[index]
    lines.insert(last + 1, f"{indent}{key} = {written(value)}")
    return "\n".join(lines)


def _set_aside(lines: list[str], place: Place) -> str | None:
    whole = _span(lines, place)
    if whole is not None:
        first, end = whole
        numbers = [
            first - 1,
            *(n for n in range(first, end) if lines[n].strip() and not lines[n].lstrip().startswith("#")),
        ]
    else:
        span = _span(lines, place[:-1])
        if span is None:
            return None
        numbers = [n for n in range(*span) if re.match(rf"^\s*{re.escape(str(place[-1]))}\s*=", lines[n])]
    for number in numbers:
        lines[number] = _commented(lines[number])
    return "\n".join(lines)


def _headers(lines: Sequence[str]) -> list[tuple[int, Place]]:
    """(line, place) of every table's header; those that are comments have no place."""
    found: list[tuple[int, Place]] = []
    count: dict[str, int] = {}
    for number, line in enumerate(lines):
        header = _HEADER.match(line)
        if header is None:
            continue
        if _commented_header(line):
            found.append((number, ("#", header[2])))
            continue
        if header[1] == "[[":
            count[header[2]] = count.get(header[2], -1) + 1
            for below in [name for name in count if name.startswith(header[2] + ".")]:
                del count[below]
        place: Place = ()
        parts = header[2].split(".")
        for depth, part in enumerate(parts, 1):
            place += (part,)
            if (name := ".".join(parts[:depth])) in count:
                place += (count[name],)
        found.append((number, place))
    return found


def _span(lines: Sequence[str], table: Place) -> tuple[int, int] | None:
    """The lines of a table, from behind its header to the next header, be that a comment or not."""
    headers = _headers(lines)
    ends = [number for number, _ in headers] + [len(lines)]
    if not table:
        return 0, ends[0]
    return next(((n + 1, ends[k + 1]) for k, (n, place) in enumerate(headers) if place == table), None)


def _uncommented(lines: Sequence[str], table: Place) -> list[str] | None:
    """The lines with the header of a table in force that stands there behind a #, within its parent's reach."""
    name = ".".join(part for part in table if isinstance(part, str))
    headers = _headers(lines)
    parent = next((k for k, (_, place) in enumerate(headers) if place == table[:-1]), -1)
    for number, place in headers[parent + 1 :]:
        if place == ("#", name):
            return [*lines[:number], re.sub(r"#\s?", "", lines[number], count=1), *lines[number + 1 :]]
        if place[0] != "#" and parent >= 0:
            return None
    return None


def _commented_header(line: str) -> bool:
    return line.lstrip().startswith("#")


def quoted(word: str) -> str:
    """`word` as TOML writes text."""
    return written(word)


def written(value: Any) -> str:
    """A value as TOML writes it."""
    import tomlkit

    return str(tomlkit.item(value).as_string())


def own_recorder(example: str, blocks: Sequence[str], car: str) -> str:
    """The explained recorder's file with the owner's sources in it; the example's own become comments.

    Without any block the example's sources stand: they look for a receiver and a controller on whatever port.
    """
    if blocks:
        head, rule, rest = _parted(example, "# --- sources")
        explained, privacy, tail = _parted(rest, "# Which positions are cut")
        shown = "\n".join(_commented(line) for line in explained.split("\n"))
        own = "\n".join([*blocks, "# Examples, every key explained; delete the # and change them."])
        example = f"{head}{rule}\n{own}\n{shown}{privacy}{tail}"
    return changed(example, {("recorder", "car"): car})


def own_car(example: str, answers: Mapping[Place, Any]) -> str:
    """The explained car's file with the owner's answers in it; the example car's own figures become comments."""
    lines, section, keep = [], "", {place[-1] for place in answers} | {"blend"}
    for line in example.split("\n"):
        if header := re.match(r"\[(\w+)\]", line):
            section = header[1]
        key = re.match(r"(\w+) *=", line)
        foreign = section in {"tyres", "gearing"} if header else key is not None and key[1] not in keep
        if line.startswith("# This is the Wren"):
            line = "# Lines that begin with # and a key show the example's figures; give your own and delete the #."
        lines.append(f"#{line}" if foreign else line)
    return changed("\n".join(lines), answers)


def _parted(text: str, at: str) -> tuple[str, str, str]:
    """What stands before the line that begins with `at`, that line, and what follows it."""
    start = text.index(f"\n{at}") + 1
    end = text.index("\n", start) + 1
    return text[:start], text[start:end], text[end:]


def _commented(line: str) -> str:
    bare = line.lstrip()
    return line if not bare or bare.startswith("#") else f"{line[: len(line) - len(bare)]}#{bare}"
