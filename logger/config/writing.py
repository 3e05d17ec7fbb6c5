"""Configuration files written: answers put into them, with every comment kept.

tomlkit stands at this edge alone; what it is given and gives is text.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any

Place = tuple[str | int, ...]
"""Where a value stands: ("car", "mass_kg"), or ("source", 0, "port") of the first [[source]]."""


def changed(text: str, values: Mapping[Place, Any]) -> str:
    """`text` of a TOML file with these values; None takes a key away. What is there of comments stays.

    Tables on the way to a key are made where they are missing.
    """
    import tomlkit

    document = tomlkit.parse(text)
    for place, value in values.items():
        here: Any = document
        for part in place[:-1]:
            if isinstance(part, str) and part not in here:
                here[part] = tomlkit.table()
            here = here[part]
        last = place[-1]
        if value is None:
            if last in here:
                del here[last]
        elif last not in here or here[last] != value or isinstance(here[last], bool) != isinstance(value, bool):
            here[last] = value
    return tomlkit.dumps(document)


def quoted(word: str) -> str:
    """`word` as TOML writes text."""
    import tomlkit

    return tomlkit.item(word).as_string()


def own_recorder(example: str, blocks: Sequence[str], car: str) -> str:
    """The explained recorder's file with the owner's sources in it; the example's own become comments.

    Without any block the example's sources stand: they look for a receiver and a controller on whatever port.
    """
    if blocks:
        head, rule, rest = _parted(example, "# --- sources")
        explained, privacy, tail = _parted(rest, "# Which positions are cut")
        shown = "\n".join(_commented(line) for line in explained.split("\n"))
        own = "\n".join([*blocks, "# Examples, every key explained; take the # away and change them."])
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
            line = "# Lines that begin with # and a key show the example's figures; give your own and take the # away."
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
