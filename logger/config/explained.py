"""What each key of a file means, in the words of the explained examples: the comment behind it and the lines after."""

from __future__ import annotations

import re

from logger.config.slips import without_comment

_HEADER = re.compile(r"^\s*#?\s*\[\[?\s*([\w.]+)\s*\]\]?")
_KEY = re.compile(r"^\s*#?\s?(?:\s\s#?)?(\w+)\s*=\s*(.*)$")
_GOES_ON = re.compile(r"^\s{12,}#\s?(.*)$")


def explanations(text: str) -> dict[str, str]:
    """ "car.mass_kg" -> what is said of it, of keys in force and behind a #; the first comment counts."""
    found: dict[str, str] = {}
    section = key = ""
    for line in text.split("\n"):
        if more := _GOES_ON.match(line):
            if key and found.get(key):
                found[key] += f" {more[1].strip()}"
            continue
        key = ""
        if header := _HEADER.match(line):
            section = f"{header[1]}."
        elif is_key := _KEY.match(line):
            said = (
                is_key[2][len(without_comment(is_key[2])) :]
                .lstrip("# ")
                .removeprefix("example: ")
                .removeprefix("... ")
                .strip()
            )
            if said and f"{section}{is_key[1]}" not in found:
                key = f"{section}{is_key[1]}"
                found[key] = said
    return found
