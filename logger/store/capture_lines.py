"""The ordinary lines of a capture, all those of a block at once; see `capture` for what a capture is.

Ordinary is a line as `capture.write` and any JSON library write it: `{"t": 1843.51, "source": "board", "text": "1,7"}`,
just so spaced, with a plain time of up to nine decimals and a text of printable ASCII without a backslash. All others
are told as odd, and go the careful way.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.decode.columnar import PAD, POWERS, Bytes, Flags, Places, Text, padded
from logger.units import NS_PER_S

LONGEST_S = 5 * 10**9
"""The largest time that is taken; with it, nanoseconds fit 64 bits."""
_BETWEEN = (b'{"t": ', b', "source": "', b'", "text": "', b'"}\n')
_QUOTES = 10
_MOST_NAMES = 40
_NANOS = 9


class CaptureLines(NamedTuple):
    """The lines of a block."""

    begins: Places
    """Where each line begins in the block, and where the last one ends."""
    odd: Flags
    mono_ns: Places
    source: NDArray[np.int64]
    """Place in `names`."""
    names: list[str]
    data_begins: Places
    data_ends: Places
    """Where each chunk's bytes stand in `bytes`, CR LF included."""
    bytes: Bytes


def read_lines(block: bytes) -> CaptureLines:
    """The lines of `block`, which ends with one."""
    text = padded(np.frombuffer(block, np.uint8))
    unusual = np.flatnonzero((text.view(np.int8) < ord(" ")) | (text == ord("\\")))  # and all beyond ASCII
    ends = unusual[text[unusual] == ord("\n")] + 1
    begins = np.concatenate([[PAD], ends[:-1]])
    bounds = np.append(begins, ends[-1:]) - PAD
    quotes = np.flatnonzero(text == ord('"'))
    first = np.searchsorted(quotes, begins)
    odd = np.diff(np.append(first, len(quotes))) != _QUOTES
    odd |= np.searchsorted(unusual, ends - 1) != np.searchsorted(unusual, begins)
    if odd.all():
        nothing = np.zeros(len(odd), np.int64)
        return CaptureLines(bounds, odd, nothing, nothing, [], nothing, nothing, text)
    at = quotes[np.where(odd, first[~odd][0], first)[:, None] + np.arange(_QUOTES)].T
    reader = Text(text)
    name_begin, name_end, data_begin, data_end = at[4] + 1, at[5], at[8] + 1, at[9]
    number_begin, number_end = at[1] + 3, at[2] - 2
    for begin, end, expected in zip(
        (begins, number_end, name_end, data_end),
        (number_begin, name_begin, data_begin, ends),
        _BETWEEN, strict=True,
    ):  # fmt: skip
        odd |= ~_reads(text, reader, begin, end, expected)
    odd |= number_end <= number_begin
    mono_ns, plain = _nanoseconds(reader, number_begin, number_end)
    odd |= ~plain
    source, names = _named(reader, name_begin, name_end, odd)
    odd |= source < 0
    text[data_end] = ord("\r")  # the quote; of odd lines nothing is read here
    text[data_end + 1] = ord("\n")
    return CaptureLines(bounds, odd, mono_ns, source, names, data_begin, data_end + 2, text)


def _reads(text: Bytes, reader: Text, begins: Places, ends: Places, expected: bytes) -> Flags:
    """Where just `expected` stands from `begins` to `ends`."""
    good: Flags = ends - begins == len(expected)
    for at in range(0, len(expected), 8):
        part = expected[at : at + 8]
        found = reader.word(np.minimum(begins + at, len(text) - PAD), np.full(len(begins), len(part)))
        good &= found == int.from_bytes(part, "little")
    return good


def _nanoseconds(reader: Text, begins: Places, ends: Places) -> tuple[Places, Flags]:
    """Seconds with up to nine decimals [ns], and where there are such."""
    dots = reader.dots(begins, ends)
    places = np.maximum(ends - dots - 1, 0)
    before, whole = reader.long_digits(dots, dots - begins)
    behind, rest = reader.long_digits(ends, places)
    plain = whole & rest & (places <= _NANOS) & (dots > begins) & ((places > 0) | (dots == ends))
    plain &= (before < LONGEST_S) & ((reader.bytes[begins] != ord("0")) | (dots - begins == 1))
    return before * NS_PER_S + behind * POWERS[_NANOS - np.minimum(places, _NANOS)], plain


def _named(reader: Text, begins: Places, ends: Places, odd: Flags) -> tuple[NDArray[np.int64], list[str]]:
    """The sources' names, each once, and which one each line has; -1 where there are too many."""
    lengths = ends - begins
    most = int(lengths[~odd].max(initial=0))
    words: list[NDArray[Any]] = [
        reader.word(np.minimum(begins + at, len(reader.bytes) - PAD), np.clip(lengths - at, 0, 8))
        for at in range(0, most, 8)
    ]
    source, names = np.full(len(begins), -1, np.int64), list[str]()
    left = ~odd
    while left.any() and len(names) < _MOST_NAMES:
        one = int(left.argmax())
        same = left & (lengths == lengths[one])
        for word in words:
            same &= word == word[one]
        source[same] = len(names)
        names.append(reader.bytes[begins[one] : ends[one]].tobytes().decode("ascii"))
        left &= ~same
    return source, names
