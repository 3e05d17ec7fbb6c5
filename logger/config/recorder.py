"""The recorder's file, typed: sources, decoders, privacy."""

from __future__ import annotations

import itertools
import struct
from collections.abc import Sequence
from typing import Annotated, Any, Literal

from pydantic import Field, field_validator, model_validator

from logger.config.sections import ConfigSection, Finite, Name, NotNegative, Pair, Positive
from logger.units import QUANTITY_UNITS, WATCHED_UNITS

RECORDER_SOURCE = "_recorder"
"""The source name under which the recorder keeps its own events (notes, gaps, wall clock) among the raw chunks."""

TAKEN = frozenset({"time", "mono_ns", "void"})
"""Columns of every table: no channel may be called so."""


class RecorderSettings(ConfigSection):
    """[recorder]: how drives are recorded and when they end."""

    flush_s: Annotated[float, Field(ge=0.05, le=60)] = 0.5
    car: str | None = None
    setup: str | None = None
    park_after_s: Annotated[float, Field(ge=5)] = 180.0
    silence_after_s: Annotated[float, Field(ge=2)] = 20.0
    min_free_mb: Annotated[float, Field(ge=1)] = 50.0
    also_ports: list[str] = Field(default_factory=list)
    """Ports beside those the system lists, for `auto` and `pullbook ports`: paths, with * for a family of them."""
    bell: bool = True
    speak: bool = False
    """Say runs, lost sources and warnings aloud, by the system's own voice."""
    lean_alert_s: NotNegative = 2.0
    """How long the mixture may be leaner than its full-throttle target at high load before the panel alerts; 0: at
    once."""
    lean_alert_load: Annotated[float, Field(gt=0, le=1)] = 0.7
    """Load from which on it is high, as a share of full."""
    targets: str | None = None
    """The mixture targets' file for the alert; without one the program's own targets hold."""
    load_channel: Name | None = None
    """The recorded channel that tells load (throttle, manifold pressure); without one GPS speed tells it."""
    load_full: Positive = 100.0
    """What `load_channel` reads at full load."""


class Calibration(ConfigSection):
    """What turns a recorded number (volts, counts) into a quantity: a table, or a polynomial.

    `table` is [[input, value], ...] with rising inputs, read by straight lines between the points; outside them the
    reading is void. `polynomial` is [c0, c1, c2, ...] for c0 + c1 x + c2 x^2. `check`, where given, is a
    two-point check against known inputs: [[shown, true], [shown, true]], applied to the input first.
    """

    table: list[Pair] | None = None
    polynomial: list[Finite] | None = None
    check: list[Pair] | None = None

    @model_validator(mode="after")
    def _usable(self) -> Calibration:
        if self.table is not None and self.polynomial is not None:
            raise ValueError("give a table or a polynomial, not both")
        if self.table is not None:
            inputs = [pair[0] for pair in self.table]
            if len(inputs) < 2 or any(b <= a for a, b in itertools.pairwise(inputs)):
                raise ValueError("a table needs two or more [input, value] pairs with rising inputs")
        if self.polynomial is not None and not self.polynomial:
            raise ValueError("a polynomial needs at least one coefficient")
        if self.check is not None and (len(self.check) != 2 or self.check[0][0] == self.check[1][0]):
            raise ValueError("a check needs two [shown, true] pairs with different shown values")
        return self


class Channel(ConfigSection):
    """One quantity of a source: its name, its calibration, and what makes a reading void."""

    channel: Name | None = None
    unit: str = ""
    description: str = ""
    quantity: (
        Literal["acceleration", "engine_speed", "head_temperature", "oil_temperature", "plug_temperature", "battery"]
        | None
    ) = None
    """What it measures, where the program is to know: then `unit` must be one of that quantity's. Up to three columns
    of one source may be accelerations: axes at right angles."""
    scale: Finite = 1.0
    offset: Finite = 0.0
    calibration: Calibration | None = None
    valid_min: Finite | None = None
    valid_max: Finite | None = None
    void_when: list[float | str] = Field(default_factory=list)
    """Values of this field that void the whole reading (warming up, sensor fault), as numbers or words."""
    ok_when: list[float | str] = Field(default_factory=list)
    """Values of this field outside which the whole reading is void."""
    stoich_afr: Positive = 14.7
    """For the channels `afr` and `lambda`: the AFR at lambda 1 that turns one into the other."""

    @model_validator(mode="after")
    def _in_a_unit(self) -> Channel:
        if self.quantity is not None:
            units = QUANTITY_UNITS.get(self.quantity) or WATCHED_UNITS[self.quantity]
            if self.unit not in units:
                known = " or ".join(repr(unit) for unit in units)
                raise ValueError(f"unit: found {self.unit!r}, expected {known} for quantity = {self.quantity!r}")
            if self.channel is None:
                raise ValueError(f"quantity = {self.quantity!r} needs a name for the channel. Write channel = ...")
        return self

    @field_validator("channel")
    @classmethod
    def _not_reserved(cls, name: str | None) -> str | None:
        if name in TAKEN:
            raise ValueError(f"the name {name!r} is already used in every table")
        return name


class _Source(ConfigSection):
    name: Name
    port: str = "auto"
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: Literal[1, 2] = 1
    on_open: list[str] = Field(default_factory=list)
    """Commands sent when the port opens; text with the escapes \\r, \\n and \\xHH."""
    latency_s: Annotated[float, Field(ge=0, le=5)] = 0.0

    @field_validator("name")
    @classmethod
    def _free(cls, name: str) -> str:
        if name in {"raw", "journal", "drive", "recorder"}:
            raise ValueError(f"the name {name!r} is already used by a file of the drive folder")
        return name


class NmeaSource(_Source):
    """A GPS receiver speaking NMEA 0183. Its table is always called after the source; `gps` is the usual name."""

    kind: Literal["nmea"]
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 4800
    latency_s: Annotated[float, Field(ge=0, le=5)] = 0.1


class NumbersSource(_Source):
    """Text lines of one or more numbers; the columns are named in order, an unnamed one is passed over."""

    kind: Literal["numbers"]
    separator: Annotated[str, Field(min_length=1, max_length=8)] | None = None
    prefix: str = ""
    column: Annotated[list[Channel], Field(min_length=1)]

    @model_validator(mode="after")
    def _channels(self) -> NumbersSource:
        _distinct(self.column, "column")
        return self


class PatternSource(_Source):
    """Text lines in which a regular expression is found, anywhere; each channel is its named group of that name."""

    kind: Literal["pattern"]
    pattern: str
    channel: Annotated[list[Channel], Field(min_length=1)]

    @model_validator(mode="after")
    def _groups(self) -> PatternSource:
        groups = {name.decode() for name in line_pattern(self.pattern).groupindex}
        for channel in self.channel:
            if channel.channel is None:
                raise ValueError("a channel of this pattern has no name. Write channel = ...")
            if channel.channel not in groups:
                name = channel.channel
                raise ValueError(f"the pattern has no group named {name!r}. Write (?P<{name}>...)")
        _distinct(self.channel, "channel")
        return self


def _distinct(channels: Sequence[Channel], table: str) -> None:
    """ValueError where no channel of a source has a name, or two have one."""
    names = [channel.channel for channel in channels if channel.channel is not None]
    if not names:
        raise ValueError(f"no {table} has a name, so its table would be empty. Name one: channel = ...")
    if twice := [name for name in names if names.count(name) > 1]:
        raise ValueError(f"two channels are named {twice[0]!r}. Give each its own name")
    for quantity, most in (("acceleration", 3), ("engine_speed", 1), *((watched, 1) for watched in WATCHED_UNITS)):
        if (count := sum(channel.quantity == quantity for channel in channels)) > most:
            raise ValueError(f"{count} channels have quantity = {quantity!r}, expected at most {most} in one source")


def line_pattern(pattern: str) -> Any:
    """`pattern` compiled by RE2, for lines as bytes; ValueError where it is none.

    RE2 matches in time linear in the line, so no pattern can stall a reader; in exchange it has no look-around and no
    back-references.
    """
    import re2

    options = re2.Options()
    options.encoding = re2.Options.Encoding.LATIN1  # one byte is one character: lines are bytes, valid text or not
    options.log_errors = False
    try:
        return re2.compile(pattern.encode(), options)
    except re2.error as error:
        said = error.args[0].decode("utf-8", "replace") if isinstance(error.args[0], bytes) else error.args[0]
        raise ValueError(f"RE2 cannot read the pattern as a regular expression: {said}") from error


class FrameField(Channel):
    """A field of a binary frame: a struct code (without byte order) at a byte position counted from the sync."""

    at: Annotated[int, Field(ge=0, le=4095)]
    code: Literal["b", "B", "h", "H", "i", "I", "q", "Q", "f", "d"]
    mask: Annotated[int, Field(ge=0, lt=1 << 64)] | None = None
    """Bits of a whole number that count; the number is then read as unsigned."""

    @model_validator(mode="after")
    def _whole(self) -> FrameField:
        if self.mask is not None and self.code in {"f", "d"}:
            raise ValueError(f"a mask needs a whole number, but code {self.code!r} is for fractions")
        return self


class Checksum(ConfigSection):
    """How a frame proves itself: the kind, where it stands, and which bytes it covers."""

    kind: Literal["xor", "sum8", "sum16", "neg_sum8", "crc16_ccitt_false", "crc16_xmodem", "crc16_modbus", "crc16_arc"]
    at: int
    """Byte position of the checksum from the sync; negative counts from the end of the frame."""
    start: int = 0
    stop: int | None = None
    """The bytes covered, as a slice of the frame; by default all before the checksum."""
    byte_order: Literal["big", "little"] = "big"


class FrameSource(_Source):
    """Binary frames of one length: sync bytes, fields, and a checksum."""

    kind: Literal["frame"]
    sync: str
    """The sync bytes in hexadecimal, such as "AA 55"."""
    length: Annotated[int, Field(ge=2, le=4096)]
    byte_order: Literal["big", "little"] = "big"
    field: Annotated[list[FrameField], Field(min_length=1)]
    checksum: Checksum | None = None

    @model_validator(mode="after")
    def _fits(self) -> FrameSource:
        try:
            sync = bytes.fromhex(self.sync)
        except ValueError as error:
            raise ValueError("sync must be bytes in hexadecimal, such as 'AA 55'") from error
        if not 1 <= len(sync) <= 8 or len(sync) >= self.length:
            raise ValueError("sync must be 1 to 8 bytes and shorter than the frame")
        for field in self.field:
            if field.at + struct.calcsize("<" + field.code) > self.length:
                raise ValueError(f"field {field.channel or field.at!r} reaches past the frame's {self.length} bytes")
        _distinct(self.field, "field")
        if (check := self.checksum) is not None:
            width = 2 if "16" in check.kind else 1
            at = check.at if check.at >= 0 else self.length + check.at
            if not 0 <= at <= self.length - width:
                raise ValueError(f"the checksum at {check.at} does not fit the frame's {self.length} bytes")
        return self


Source = Annotated[NmeaSource | NumbersSource | PatternSource | FrameSource, Field(discriminator="kind")]


def channels_of(source: Source) -> Sequence[Channel]:
    """The configured channels of a source; none for a GPS receiver, whose sentences name their own."""
    match source:
        case NumbersSource():
            return source.column
        case PatternSource():
            return source.channel
        case FrameSource():
            return source.field
    return ()


WATCHED_NAMES = {
    "head_temperature": "head", "oil_temperature": "oil", "plug_temperature": "plug", "engine_speed": "engine",
    "battery": "battery",
}  # fmt: skip
"""Quantity that is shown and warned of while driving, and told with each run -> what it is called, in that order."""


def measured(channel: Channel) -> tuple[str, str]:
    """The quantity that a channel holds and its unit; one called rpm is engine speed in turns a minute. "" for none."""
    if channel.quantity is None and channel.channel == "rpm":
        return "engine_speed", "rpm"
    return channel.quantity or "", channel.unit


class PrivateCircle(ConfigSection):
    """A place whose positions stay private: they are cut from whatever leaves the program."""

    name: str = ""
    """For the owner's eyes only: it is printed nowhere."""
    lat_deg: Annotated[float, Field(ge=-90, le=90)]
    lon_deg: Annotated[float, Field(ge=-180, le=180)]
    radius_m: Annotated[float, Field(gt=0, le=100_000)] = 300.0


class Privacy(ConfigSection):
    """[privacy]: which positions are cut from exports and reports. Recording keeps everything."""

    ends_m: Annotated[float, Field(ge=0, le=100_000)] = 300.0
    """Cut at a drive's beginning and end, until the car is this far from where it began and ended; 0: not at all."""
    circle: list[PrivateCircle] = Field(default_factory=list)


class RecorderConfig(ConfigSection):
    """The recorder's file: [recorder], one [[source]] for each cable, and [privacy]."""

    recorder: RecorderSettings = RecorderSettings()
    privacy: Privacy = Privacy()
    source: Annotated[list[Source], Field(min_length=1)]

    @model_validator(mode="after")
    def _distinct(self) -> RecorderConfig:
        names = [source.name for source in self.source]
        if twice := [name for name in names if names.count(name) > 1]:
            raise ValueError(f"two sources are named {twice[0]!r}. Give each its own name")
        ports = [source.port for source in self.source if source.port != "auto"]
        if twice := [port for port in ports if ports.count(port) > 1]:
            raise ValueError(f"two sources use the port {twice[0]!r}. Give each its own port")
        return self
