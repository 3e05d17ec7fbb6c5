"""Lines as columns: where each one stands in a piece of text, and the whole numbers in it, all at once with numpy.

What is read here is what ordinary lines hold; whatever is not said to be read goes the careful way, line by line.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.decode.framing import Frame

Places = NDArray[np.int64]
"""Positions in a text."""
Bytes = NDArray[np.uint8]
Flags = NDArray[np.bool_]
Floats = NDArray[np.float64]

PAD: Final = 16
"""So many bytes of no line stand before and behind a text, so that eight may be read at once anywhere in it."""

POWERS: Final = 10 ** np.arange(19, dtype=np.int64)
"""The whole powers of ten that 64 bits hold."""
FLOAT_POWERS: Final = 10.0 ** np.arange(23)
"""Those that are exact as floats."""
STEPS: Final = np.array([10.0**-n for n in range(16)])
"""What one step of the last of n decimals is worth."""

_BEYOND = np.iinfo(np.int64).max
_KEEP = np.array([(2**64 - 1) >> (8 * (8 - n)) << (8 * (8 - n)) if n else 0 for n in range(9)], np.uint64)
_ZEROS = np.array([0x3030303030303030 & ((1 << 8 * (8 - n)) - 1) for n in range(9)], np.uint64)
_FIRST = np.array([(1 << 8 * n) - 1 for n in range(9)], np.uint64)


class Lines(NamedTuple):
    """Lines (or sentences) of a source, framed and not yet read."""

    text: Bytes
    """`padded`."""
    starts: Places
    ends: Places
    """One past the last byte, the line end left out."""
    mono_ns: Places
    """Host monotonic clock when the chunk with the line's first byte arrived [ns]."""

    def frames(self, first: int, end: int) -> list[Frame]:
        """The lines from `first` up to `end`, one by one."""
        if end <= first:
            return []
        begin = int(self.starts[first])
        held = self.text[begin : int(self.ends[end - 1])].tobytes()
        places = zip(
            self.mono_ns[first:end].tolist(),
            (self.starts[first:end] - begin).tolist(),
            (self.ends[first:end] - begin).tolist(),
            strict=True,
        )
        return [Frame(mono_ns, held[a:b]) for mono_ns, a, b in places]


def padded(data: Bytes) -> Bytes:
    """The text with `PAD` zero bytes before and behind it."""
    text = np.zeros(len(data) + 2 * PAD, np.uint8)
    text[PAD : PAD + len(data)] = data
    return text


class Text:
    """A padded text, of which pieces are read eight bytes at a time."""

    def __init__(self, text: Bytes) -> None:
        self.bytes = text
        self._eight = np.ndarray((len(text) - 7,), "<u8", text, strides=(1,))
        self._dots = np.append(np.flatnonzero(text == ord(".")), _BEYOND)

    def word(self, starts: Places, lengths: Places) -> NDArray[np.uint64]:
        """The first eight bytes of pieces, zeros behind those that are shorter, as one number each."""
        found: NDArray[np.uint64] = self._eight[starts] & _FIRST[np.minimum(lengths, 8)]
        return found

    def digits(self, ends: Places, lengths: Places) -> tuple[Places, Flags]:
        """The whole number of the `lengths` bytes up to `ends`, and where these are up to eight digits; of none, 0."""
        few = np.clip(lengths, 0, 8)
        eight = (self._eight[ends - 8] & _KEEP[few] | _ZEROS[few]) ^ np.uint64(0x3030303030303030)
        wrong = ((eight + np.uint64(0x7676767676767676)) | eight) & np.uint64(0x8080808080808080)
        pairs = (eight * np.uint64(10) + (eight >> np.uint64(8))) & np.uint64(0x00FF00FF00FF00FF)
        fours = (pairs * np.uint64(100) + (pairs >> np.uint64(16))) & np.uint64(0x0000FFFF0000FFFF)
        value = (fours * np.uint64(10000) + (fours >> np.uint64(32))) & np.uint64(0xFFFFFFFF)
        return value.astype(np.int64), (wrong == 0) & (lengths == few)

    def long_digits(self, ends: Places, lengths: Places) -> tuple[Places, Flags]:
        """The same of up to sixteen digits."""
        behind = np.minimum(lengths, 8)
        low, good = self.digits(ends, behind)
        if int(lengths.max(initial=0)) <= 8:
            return low, good & (lengths >= 0)
        high, first = self.digits(ends - behind, lengths - behind)
        return high * POWERS[8] + low, good & first

    def dots(self, starts: Places, ends: Places) -> Places:
        """Where the first dot of each piece stands; its end where it has none."""
        return np.asarray(np.minimum(self._dots[np.searchsorted(self._dots, starts)], ends), np.int64)

    def decimals(self, starts: Places, ends: Places) -> Decimals:
        """The numbers that fill these pieces: a sign, digits, and digits behind a dot; see `Decimals`."""
        first = self.bytes[starts]
        minus = first == ord("-")
        begins = starts + ((minus | (first == ord("+"))) & (ends > starts))
        dots = self.dots(begins, ends)
        places = np.maximum(ends - dots - 1, 0)
        before, whole = self.digits(dots, dots - begins)
        behind, rest = self.digits(ends, places)
        some = dots - begins + places
        read = whole & rest & (some > 0) & (some <= 15)
        places = np.minimum(places, 8)
        # Both whole and below 2**53: one division, so the nearest float there is, as Python's own.
        size = (before * POWERS[places] + behind) / FLOAT_POWERS[places]
        return Decimals(np.where(minus, -size, size), places, read)


class Decimals(NamedTuple):
    """Numbers of pieces of text."""

    values: Floats
    """What `float` gives of the text, to the bit, where `read`."""
    places: Places
    """Digits behind the dot."""
    read: Flags
    """Where the piece is such a number, of up to 15 digits, eight on either side of the dot."""


def first_of(places: Places, starts: Places, ends: Places) -> Places:
    """The first of the sorted `places` from `starts` on; `ends` where it is not before them."""
    after = np.append(places, _BEYOND)[np.searchsorted(places, starts)]
    return np.asarray(np.minimum(after, ends), np.int64)
