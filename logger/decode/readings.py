"""Frames of numbers, pattern and frame sources to channel readings, through each channel's calibration.

`decoder_for(source)` gives the decoder of a configured source:

    channels: tuple[Quantity, ...]         what a reading holds, in order: name, unit, description
    decode(frame) -> Reading | None        one frame, for a live view; None where the frame is rejected or passed over
    decode_all(frames) -> ReadingColumns   many frames as columns, for building tables; what `decode` gives bit for bit
    rejected: Counter[str]                 frames thrown away, by reason in plain words
    ignored: Counter[str]                  frames that are meant for somebody else, by what they are

A value goes this way: the number as recorded; `scale` times it plus `offset`; the two-point `check`; the `table` or
`polynomial`; and then it must lie within `valid_min` to `valid_max`. A value that cannot be had is NaN, and the reading
is void for one of the reasons in VOID_REASONS: "status" (the source itself said that the reading is not to be used:
every value is NaN), "missing" (no finite number in its place), "calibration" (outside the table), "range" (outside
what is valid). Where several hold, the first of that order is given. The values to void or to accept a reading by
(`void_when`, `ok_when`) are compared with what was recorded, before any calibration.

Where one of the channels `afr` and `lambda` is configured the other is added: AFR is lambda times `stoich_afr`.

What a line of a numbers source must look like:

- Numbers in decimal ("14.7", "-3", ".5", "1.2e-3"), in the order of the configured columns, separated by a comma or a
  semicolon, with or without blanks about it, or by blanks alone; between two commas stands an empty field. With a
  `separator` of its own it is that text alone, and unless it is a comma a comma may be the decimal sign.
- A usual unit may stand right behind a number ("14.7V", "98%"). Any other letter makes it no number: one bit of a
  digit changed on the line makes a letter. Every other word takes a column of its own; leave it unnamed and it is
  passed over, as is everything behind the last configured column.
- With a `prefix` only lines that begin with it are read; the others are ignored.
- A line with fewer fields than columns, or with something else where a named column expects a number, is rejected
  whole. Only a column with words in `ok_when` or `void_when` may hold a word; in a table its value is then NaN.

A pattern is searched for anywhere in the line; its named groups hold numbers as above. RE2 matches it in time linear
in the line's length, whatever the pattern. An optional group that took no part in the match is "missing".
"""

from __future__ import annotations

import bisect
import itertools
import math
import re
import struct
from abc import ABC, abstractmethod
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.config.recorder import Calibration, Channel, FrameSource, NumbersSource, PatternSource, line_pattern
from logger.decode.columnar import PAD, Flags, Lines, Text
from logger.decode.framing import Frame

VOID_REASONS: Final = (None, "range", "calibration", "missing", "status")
"""Why a reading is void; its place here is its code in `ReadingColumns.void_code`."""

_GOOD, _RANGE, _CALIBRATION, _MISSING, _STATUS = range(5)

Floats = NDArray[np.float64]
Codes = NDArray[np.int8]


class Quantity(NamedTuple):
    """What one column of readings holds."""

    name: str
    unit: str
    description: str


class Reading(NamedTuple):
    """One frame's values."""

    mono_ns: int
    """Host monotonic clock at the frame's first byte [ns]."""
    values: tuple[float, ...]
    """One for each of the decoder's channels; NaN where void."""
    void: str | None
    """None for a good reading, else one of VOID_REASONS."""


@dataclass(frozen=True)
class ReadingColumns:
    """Many readings as columns of one length."""

    mono_ns: NDArray[np.int64]
    values: dict[str, Floats]
    """Channel name -> values; NaN where void."""
    void_code: Codes
    """Index into VOID_REASONS; 0 for a good reading."""

    @property
    def void(self) -> list[str | None]:
        """The void reasons in words, None where good."""
        return [VOID_REASONS[code] for code in self.void_code.tolist()]


def joined(parts: Sequence[ReadingColumns]) -> ReadingColumns:
    """ReadingColumns of one decoder, part after part; there is at least one."""
    return ReadingColumns(
        np.concatenate([part.mono_ns for part in parts]),
        {name: np.concatenate([part.values[name] for part in parts]) for name in parts[0].values},
        np.concatenate([part.void_code for part in parts]),
    )


def decoder_for(source: NumbersSource | PatternSource | FrameSource) -> Decoder:
    """The decoder for a configured source."""
    match source:
        case NumbersSource():
            return NumbersDecoder(source)
        case PatternSource():
            return PatternDecoder(source)
        case FrameSource():
            return FrameDecoder(source)


class Decoder(ABC):
    """What the decoders share: from recorded numbers to calibrated values, one reading at a time or all at once."""

    def __init__(self, fields: Sequence[Channel]) -> None:
        self.rejected: Counter[str] = Counter()
        self.ignored: Counter[str] = Counter()
        self._fields = tuple(fields)
        self._named = [(at, _Curve(field)) for at, field in enumerate(fields) if field.channel is not None]
        self.channels, self._twin = _quantities(fields)

    @abstractmethod
    def decode(self, frame: Frame) -> Reading | None:
        """The reading of one frame, or None where it is rejected or ignored (and counted)."""

    @abstractmethod
    def decode_all(self, frames: Sequence[Frame]) -> ReadingColumns:
        """The readings of many frames as columns; the same values that `decode` gives one by one."""

    def decode_lines(self, lines: Lines) -> ReadingColumns:
        """The readings of many lines; the same values again."""
        return self.decode_all(lines.frames(0, len(lines.starts)))

    def _reading(self, mono_ns: int, recorded: Sequence[float], status: bool) -> Reading:
        if status:
            return Reading(mono_ns, (math.nan,) * len(self.channels), VOID_REASONS[_STATUS])
        worst = _GOOD
        values = []
        for at, curve in self._named:
            value, code = curve.value(recorded[at])
            values.append(value)
            worst = max(worst, code)
        if self._twin is not None:
            of, factor, divide = self._twin
            values.append(values[of] / factor if divide else values[of] * factor)
        return Reading(mono_ns, tuple(values), VOID_REASONS[worst])

    def _readings(
        self, mono_ns: NDArray[np.int64], recorded: Sequence[Floats], status: NDArray[np.bool_]
    ) -> ReadingColumns:
        worst = np.zeros(len(mono_ns), np.int8)
        values = []
        for at, curve in self._named:
            column, codes = curve.values(recorded[at])
            column[status] = np.nan
            values.append(column)
            np.maximum(worst, codes, out=worst)
        worst[status] = _STATUS
        if self._twin is not None:
            of, factor, divide = self._twin
            values.append(values[of] / factor if divide else values[of] * factor)
        return ReadingColumns(mono_ns, dict(zip((q.name for q in self.channels), values, strict=True)), worst)


class _TextDecoder(Decoder):
    """Text lines: numbers and words are taken out line by line, the calibration then works on whole columns."""

    @abstractmethod
    def _recorded(self, line: bytes) -> tuple[Sequence[float], bool] | None:
        """The recorded numbers, one per field (NaN for a word or where missing), and whether a status voids them."""

    def decode(self, frame: Frame) -> Reading | None:
        recorded = self._recorded(frame.data)
        return None if recorded is None else self._reading(frame.mono_ns, *recorded)

    def decode_all(self, frames: Sequence[Frame]) -> ReadingColumns:
        mono_ns: list[int] = []
        rows: list[Sequence[float]] = []
        statuses: list[bool] = []
        take = self._recorded
        for frame in frames:
            recorded = take(frame.data)
            if recorded is not None:
                mono_ns.append(frame.mono_ns)
                rows.append(recorded[0])
                statuses.append(recorded[1])
        columns = np.array(rows, np.float64).reshape(len(rows), len(self._fields))
        return self._readings(
            np.array(mono_ns, np.int64), [columns[:, at] for at in range(len(self._fields))], np.array(statuses, bool)
        )


class NumbersDecoder(_TextDecoder):
    """Lines of one or more numbers; see the module's text for what a line may look like."""

    def __init__(self, source: NumbersSource) -> None:
        super().__init__(source.column)
        # All is atomic ("(?>", "*+"), so that no line can send the search back over it: time is linear.
        if source.separator is None:
            blank, between, other = rb"\s*+", rb"(?>\s*+[,;]\s*+|\s++)", rb"[^,;\s]*+"
            unit = rb"(?>" + _UNIT + rb")?+"
        elif not (separator := source.separator.strip(" ").encode()):
            blank, between, other = b"[ ]*+", b"[ ]++", b"[^ ]*+"
            unit = rb"(?>" + _UNIT + rb")?+"
        else:
            blank = b"[ ]*+" if b"\t" in separator else rb"[ \t]*+"
            between = rb"(?>" + blank + re.escape(separator) + blank + rb")"
            other = rb"(?>(?:(?!" + between + rb").)*+)"
            unit = rb"(?>" + blank + rb"(?>" + _UNIT + rb"))?+"
        self._decimal_comma = source.separator is not None and "," not in source.separator
        number = rb"((?>" + (_NUMBER_COMMA if self._decimal_comma else _NUMBER) + rb"))" + unit
        readers = [_FieldReader(field, self._decimal_comma) for field in source.column]
        columns = [number if r.plain else rb"(" + other + rb")" if r.used else other for r in readers]
        self._readers = [(at, reader) for at, reader in enumerate(readers) if reader.used]
        self._plain = all(reader.plain for reader in readers)
        self._between_ordinary = b",; \t" if source.separator is None else b","
        self._ordinary = self._plain and not self._decimal_comma and not source.prefix
        start = blank + re.escape(source.prefix.encode()) + blank
        self._start = re.compile(start, re.DOTALL)
        self._between = re.compile(between, re.DOTALL)
        self._line = re.compile(start + between.join(columns) + rb"(?>" + between + rb"|\s*+\Z)", re.DOTALL)

    def _recorded(self, line: bytes) -> tuple[Sequence[float], bool] | None:
        match = self._line.match(line)
        if match is None:
            self._reject(line)
            return None
        texts = match.groups()
        if self._plain:
            if self._decimal_comma:
                texts = tuple(text.replace(b",", b".") for text in texts)
            values = [float(text) for text in texts]
            if all(map(math.isfinite, values)):
                return values, False
            self.rejected["not a number"] += 1
            return None
        values = [math.nan] * len(self._fields)
        status = False
        for (at, reader), text in zip(self._readers, texts, strict=True):
            taken = reader.read(text)
            if taken is None:
                self.rejected["not a number"] += 1
                return None
            values[at] = taken[0]
            status |= taken[1]
        return values, status

    def decode_all(self, frames: Sequence[Frame]) -> ReadingColumns:
        if not self._plain or self._decimal_comma:
            return super().decode_all(frames)
        # Nothing but numbers: an hour of a fast board has a million, so their text is turned in one go.
        match = self._line.match
        matches = [match(frame.data) for frame in frames]
        if None in matches:
            for frame in (frame for frame, found in zip(frames, matches, strict=True) if found is None):
                self._reject(frame.data)
            frames = [frame for frame, found in zip(frames, matches, strict=True) if found is not None]
        texts = itertools.chain.from_iterable([found.groups() for found in matches if found is not None])
        rows = np.fromiter(map(float, texts), np.float64).reshape(len(frames), len(self._fields))
        mono_ns = np.fromiter([frame.mono_ns for frame in frames], np.int64)
        finite = np.isfinite(rows).all(axis=1)
        if not finite.all():
            self.rejected["not a number"] += int((~finite).sum())
            rows, mono_ns = rows[finite], mono_ns[finite]
        columns = [rows[:, at] for at in range(len(self._fields))]
        return self._readings(mono_ns, columns, np.zeros(len(rows), np.bool_))

    def decode_lines(self, lines: Lines) -> ReadingColumns:
        if not self._ordinary:
            return super().decode_lines(lines)
        rows, read = _plain_numbers(lines, len(self._fields), self._between_ordinary)
        for at in np.flatnonzero(~read).tolist():
            recorded = self._recorded(lines.text[lines.starts[at] : lines.ends[at]].tobytes())
            if recorded is not None:
                rows[:, at], read[at] = recorded[0], True
        status = np.zeros(int(read.sum()), np.bool_)
        return self._readings(lines.mono_ns[read], [column[read] for column in rows], status)

    def _reject(self, line: bytes) -> None:
        start = self._start.match(line)
        if start is None:
            self.ignored["other prefix"] += 1
        elif len(self._between.split(line[start.end() :].strip())) < len(self._fields):
            self.rejected["too few numbers"] += 1
        else:
            self.rejected["not a number"] += 1


def _plain_numbers(lines: Lines, count: int, separators: bytes) -> tuple[Floats, Flags]:
    """The `count` numbers of each line, as rows of columns; and which lines hold just so many, ordinary ones, with one
    of the `separators` between each two."""
    text = Text(lines.text)
    between = np.flatnonzero(np.logical_or.reduce([lines.text == letter for letter in separators]))
    first = np.searchsorted(between, lines.starts)
    read = np.searchsorted(between, lines.ends) - first == count - 1
    between = np.append(between, np.full(count, len(lines.text) - PAD))
    rows, starts = np.empty((count, len(lines.starts))), lines.starts
    for at in range(count):
        ends = np.maximum(between[first + at], starts) if at < count - 1 else lines.ends
        rows[at], _, good = text.decimals(starts, np.where(read, ends, starts))
        read &= good
        starts = np.where(read, ends + 1, lines.starts)
    return rows, read


class PatternDecoder(_TextDecoder):
    """Lines matched by a regular expression with named groups."""

    def __init__(self, source: PatternSource) -> None:
        super().__init__(source.channel)
        self._pattern = line_pattern(source.pattern)
        groups = self._pattern.groupindex
        self._readers = [(groups[str(field.channel).encode()], _FieldReader(field)) for field in source.channel]

    def _recorded(self, line: bytes) -> tuple[Sequence[float], bool] | None:
        match = self._pattern.search(line)
        if match is None:
            self.rejected["no match"] += 1
            return None
        values = []
        status = False
        for at, reader in self._readers:
            group = match[at]
            if group is None:
                values.append(math.nan)
                continue
            taken = reader.read(group)
            if taken is None:
                self.rejected["not a number"] += 1
                return None
            values.append(taken[0])
            status |= taken[1]
        return values, status


class FrameDecoder(Decoder):
    """Binary frames: fields by struct code and place. A masked field is read as an unsigned number of its width."""

    def __init__(self, source: FrameSource) -> None:
        super().__init__(source.field)
        self._length = source.length
        order = ">" if source.byte_order == "big" else "<"
        codes = [field.code.upper() if field.mask is not None else field.code for field in source.field]
        self._structs = [
            (struct.Struct(order + code).unpack_from, field.at, field.mask)
            for code, field in zip(codes, source.field, strict=True)
        ]
        kinds = {"f": "f4", "d": "f8"} | {c: f"{'iu'[c.isupper()]}{struct.calcsize('<' + c)}" for c in "bBhHiIqQ"}
        self._dtype = np.dtype(
            {
                "names": [str(at) for at in range(len(codes))],
                "formats": [order + kinds[code] for code in codes],
                "offsets": [field.at for field in source.field],
                "itemsize": source.length,
            }
        )
        self._readers = [(at, _FieldReader(f)) for at, f in enumerate(source.field) if f.void_when or f.ok_when]

    def decode(self, frame: Frame) -> Reading | None:
        if len(frame.data) != self._length:
            self.rejected["wrong length"] += 1
            return None
        recorded = []
        for unpack, at, mask in self._structs:
            number = unpack(frame.data, at)[0]
            recorded.append(float(number if mask is None else number & mask))
        status = any(reader.voids(recorded[at]) for at, reader in self._readers)
        return self._reading(frame.mono_ns, recorded, status)

    def decode_all(self, frames: Sequence[Frame]) -> ReadingColumns:
        whole = [frame for frame in frames if len(frame.data) == self._length]
        if len(whole) < len(frames):
            self.rejected["wrong length"] += len(frames) - len(whole)
        table = np.frombuffer(b"".join([frame.data for frame in whole]), self._dtype)
        recorded = []
        for name, (_, _, mask) in zip(self._dtype.names or (), self._structs, strict=True):
            column = table[name]
            if mask is not None:
                column = column & column.dtype.type(mask & int(np.iinfo(column.dtype).max))
            with np.errstate(invalid="ignore"):  # a signalling NaN is one that says so
                recorded.append(column.astype(np.float64))
        status = np.zeros(len(whole), bool)
        for at, reader in self._readers:
            status |= np.array([reader.voids(value) for value in recorded[at].tolist()], bool)
        return self._readings(np.array([frame.mono_ns for frame in whole], np.int64), recorded, status)


_NUMBER = rb"[+-]?+(?>\d++(?>\.\d*+)?+|\.\d++)(?>[eE][+-]?+\d++)?+"
_NUMBER_COMMA = _NUMBER.replace(rb"\.", rb"[.,]")
# Units in use, but none of the letters p to y alone: one changed bit of a digit makes those.
_UNITS = "V mV A mA % C F K °C °F ° kPa hPa Pa bar mbar psi inHg rpm Hz km/h mph m/s ms Ohm deg g kg AFR afr λ lambda"
_UNIT = b"|".join(
    re.escape(unit)
    for unit in sorted(
        [name.encode() for name in _UNITS.split()] + ["°C".encode("latin-1"), "°F".encode("latin-1")],
        key=len,
        reverse=True,
    )
)
_NUMBER_AND_UNIT = re.compile(rb"\s*+(" + _NUMBER + rb")\s*+(?>" + _UNIT + rb")?+\s*+\Z")
_NUMBER_COMMA_AND_UNIT = re.compile(rb"\s*+(" + _NUMBER_COMMA + rb")\s*+(?>" + _UNIT + rb")?+\s*+\Z")


class _FieldReader:
    """A field's text: the number, or one of the words that it may hold, and whether that voids the reading."""

    def __init__(self, field: Channel, decimal_comma: bool = False) -> None:
        self._number = _NUMBER_COMMA_AND_UNIT if decimal_comma else _NUMBER_AND_UNIT
        self._void, self._ok = frozenset(field.void_when), frozenset(field.ok_when)
        self._words = frozenset(value for value in self._void | self._ok if isinstance(value, str))
        self._any_word = field.channel is None or any(isinstance(value, str) for value in self._ok)
        judges = bool(self._void or self._ok)
        self.used = field.channel is not None or judges
        """Whether the text matters at all."""
        self.plain = field.channel is not None and not judges
        """Whether it is a number and nothing more."""

    def read(self, text: bytes) -> tuple[float, bool] | None:
        """The number (NaN for a word), and whether the text voids the reading; None for what may not stand here."""
        match = self._number.match(text)
        number = math.nan if match is None else float(match[1].replace(b",", b"."))
        word = text.decode("utf-8", "replace").strip()
        if word in self._words:
            return number if math.isfinite(number) else math.nan, self.voids(word)
        if math.isfinite(number):
            return number, self.voids(number)
        return (math.nan, self.voids(word)) if self._any_word else None

    def voids(self, value: float | str) -> bool:
        return value in self._void or (bool(self._ok) and value not in self._ok)


class _Curve:
    """A channel's way from the recorded number to its value, for one number and for a column, in the same operations.

    Both do the same IEEE 754 operations in the same order, so that they agree bit for bit.
    """

    def __init__(self, channel: Channel) -> None:
        self._scale, self._offset = channel.scale, channel.offset
        self._low = -math.inf if channel.valid_min is None else channel.valid_min
        self._high = math.inf if channel.valid_max is None else channel.valid_max
        calibration = channel.calibration or Calibration()
        self._check: tuple[float, float, float] | None = None
        if calibration.check is not None:
            (shown_1, true_1), (shown_2, true_2) = calibration.check
            self._check = shown_1, true_1, (true_2 - true_1) / (shown_2 - shown_1)
        self._inputs: list[float] = []
        if calibration.table is not None:
            self._inputs = [pair[0] for pair in calibration.table]
            self._points = [pair[1] for pair in calibration.table]
            # The slope from each point to the next; behind the last point nothing is read but the point itself.
            self._slopes = [
                (y2 - y1) / (x2 - x1)
                for (x1, y1), (x2, y2) in zip(calibration.table, calibration.table[1:], strict=False)
            ] + [0.0]
        self._polynomial = calibration.polynomial
        # A column that may hold words is not void for holding one.
        words = any(isinstance(word, str) for word in (*channel.ok_when, *channel.void_when))
        self._no_number = _GOOD if words else _MISSING

    def value(self, recorded: float) -> tuple[float, int]:
        """The value of one recorded number, and its code (NaN where not good)."""
        if not math.isfinite(recorded):
            return math.nan, self._no_number
        x = recorded * self._scale + self._offset
        if self._check is not None:
            shown, true, gain = self._check
            x = (x - shown) * gain + true
        if self._inputs:
            if not self._inputs[0] <= x <= self._inputs[-1]:
                return math.nan, _CALIBRATION
            at = bisect.bisect_right(self._inputs, x) - 1
            x = (x - self._inputs[at]) * self._slopes[at] + self._points[at]
        elif self._polynomial is not None:
            *lower, y = self._polynomial
            for coefficient in reversed(lower):
                y = y * x + coefficient
            x = y
        if not math.isfinite(x):
            return math.nan, _CALIBRATION
        if not self._low <= x <= self._high:
            return math.nan, _RANGE
        return x, _GOOD

    def values(self, recorded: Floats) -> tuple[Floats, Codes]:
        """The values of a column of recorded numbers, and their codes (NaN where not good)."""
        with np.errstate(all="ignore"):
            x = recorded * self._scale + self._offset
            if self._check is not None:
                shown, true, gain = self._check
                x = (x - shown) * gain + true
            if self._inputs:
                inputs = np.array(self._inputs)
                inside = (inputs[0] <= x) & (x <= inputs[-1])
                at = np.searchsorted(inputs, np.where(inside, x, inputs[0]), side="right") - 1
                x = (x - inputs[at]) * np.array(self._slopes)[at] + np.array(self._points)[at]
                x[~inside] = np.nan
            elif self._polynomial is not None:
                *lower, last = self._polynomial
                y = np.full_like(x, last)
                for coefficient in reversed(lower):
                    y = y * x + coefficient
                x = y
            codes = np.zeros(len(x), np.int8)
            codes[~((self._low <= x) & (x <= self._high))] = _RANGE
            codes[~np.isfinite(x)] = _CALIBRATION
            codes[~np.isfinite(recorded)] = self._no_number
            x[(codes != _GOOD) | ~np.isfinite(recorded)] = np.nan
        return x, codes


def _quantities(
    fields: Sequence[Channel],
) -> tuple[tuple[Quantity, ...], tuple[int, float, bool] | None]:
    """The columns of a source; and, where AFR or lambda is to be added, of which column, the factor and its sense."""
    named = [field for field in fields if field.channel is not None]
    quantities = [Quantity(str(field.channel), field.unit, field.description) for field in named]
    names = [quantity.name for quantity in quantities]
    twin = None
    if "afr" in names and "lambda" not in names:
        of = names.index("afr")
        quantities.append(Quantity("lambda", "", f"AFR by {named[of].stoich_afr:g} at lambda 1"))
        twin = of, named[of].stoich_afr, True
    elif "lambda" in names and "afr" not in names:
        of = names.index("lambda")
        quantities.append(Quantity("afr", "", f"lambda times {named[of].stoich_afr:g} AFR at lambda 1"))
        twin = of, named[of].stoich_afr, False
    return tuple(quantities), twin
