"""What owners write that a file cannot take (a decimal comma, a unit, a line of the screen): told in their words.

A line with a decimal comma is never guessed at: 1,320 may be a thousand and more.
"""

from __future__ import annotations

import re
from typing import Any

_AT_LINE = re.compile(r"\(at line (\d+), column \d+\)")
_KEY = re.compile(r"""^\s*[{,\[]*\s*([A-Za-z0-9_"'.-]+)\s*=\s*(.*?)\s*$""")
_COMMA = re.compile(r"(?<![\d,.])([+-]?\d+),(\d+)(?![\d.]|,\d)")
_WITH_UNIT = re.compile(r"^([+-]?\d+(?:[.,]\d+)?)\s*(%|°?[A-Za-z][\w/°^*]*)$")
_SCREEN = re.compile(r"^\s*(?:\$|>|%|PS |[A-Za-z]:\\|\w+@[\w.-]+[:~ ]|pullbook\b)")


def toml_said(text: str, error: Exception) -> str:
    """What is wrong with `text`, which is no TOML: the line, what stands there, and what to write."""
    at = _AT_LINE.search(str(error))
    if at is None:
        return str(error)
    lines = text.split("\n")
    number = min(int(at[1]), len(lines))
    # An error is found at the next line's start where a value is missing.
    said = line_said(lines[number - 1])
    if not said and "overwrite" in str(error).casefold():
        said = f"{lines[number - 1].strip()[:60]!r} is already set above. Is a line [[source]] missing before it?"
    return f"line {number}: {said}" if said else str(error)


def line_said(line: str) -> str:
    """What is wrong with one line of a file, in words; "" where it is nothing that owners are known to slip in."""
    bare = without_comment(line).strip()
    if not bare:
        return ""
    if _SCREEN.match(bare):
        return f"{bare[:60]!r} was copied from the screen and does not belong in the file. Delete the line"
    key = _KEY.match(bare)
    if key is None:
        if bare.startswith("[") or bare.endswith(("{", "[", "]", "}", ",")):
            return ""
        return f"{bare[:60]!r} is not a key with its value, a [section] or a # comment. Delete the line"
    name, value = key[1], key[2]
    if comma := _COMMA.search(re.sub(r"\"[^\"]*\"|'[^']*'", "", value)):
        return f"{name} = {value[:40]}: write the decimal with a point: {comma[1]}.{comma[2]}"
    if unit := _WITH_UNIT.match(value):
        return f"{name} = {value}: write only the number, without {unit[2]}: {name} = {unit[1].replace(',', '.')}"
    if re.fullmatch(r"[^\W\d_][\w -]*", value) and value not in {"true", "false", "inf", "nan"}:
        return f'{name} = {value[:40]}: put words in quotes: {name} = "{value[:40]}"'
    return ""


def number_said(found: Any) -> str:
    """What to write in place of `found`, which should be a number: ": write ...", or ""."""
    if not isinstance(found, str):
        return ""
    text = found.strip()
    if unit := _WITH_UNIT.match(text):
        return f": write it without quotes and without {unit[2]}: {unit[1].replace(',', '.')}"
    if comma := re.fullmatch(r"([+-]?\d+),(\d+)", text):
        return f": write it with a point and without quotes: {comma[1]}.{comma[2]}"
    if re.fullmatch(r"[+-]?\d+(?:\.\d+)?", text):
        return f": write it without quotes: {text}"
    return ""


def line_of(text: str, key: str) -> str:
    """ "line 12: " where `key` stands in one line of `text` alone; else ""."""
    at = [
        number
        for number, line in enumerate(text.split("\n"), 1)
        if re.match(rf"\s*[\"']?{re.escape(key)}[\"']?\s*=", line)
    ]
    return f"line {at[0]}: " if len(at) == 1 else ""


def without_comment(line: str) -> str:
    """The line up to a # that stands in no quotes."""
    quote = ""
    for at, letter in enumerate(line):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == "#":
            return line[:at]
    return line
