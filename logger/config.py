"""Configuration: TOML files read into typed, checked models. What is wrong is said in one line.

Four kinds of file: the recorder's (`RecorderConfig`), the car's (`CarConfig`), the mixture targets' (`TargetsConfig`)
and a setup's (`SetupConfig`). `load` reads any of them; `ConfigError` carries one line that names the file, the key,
what was found and what was expected, with the nearest known key where one was misspelt.
"""

from __future__ import annotations

import datetime
import difflib
import itertools
import math
import re
import struct
import tomllib
import types
import typing
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

import pydantic
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from logger.units import InputError

RECORDER_SOURCE = "_recorder"
"""The source name under which the recorder keeps its own events (notes, gaps, wall clock) among the raw chunks."""

SETUP_IN_FORCE = "setup.toml"
"""File of the store: the setup that `pullbook setup FILE` put in force, which new drives carry."""

_NAME = r"^[a-z][a-z0-9_]{0,31}$"
Name = Annotated[str, Field(pattern=_NAME)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Finite = Annotated[float, Field(allow_inf_nan=False)]
Pair = Annotated[tuple[Finite, Finite], Field(strict=False)]  # TOML has lists only


class ConfigError(InputError):
    """A configuration file cannot be used; the message is one complete line for the owner."""


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True)


# --- the recorder's file ------------------------------------------------------------------------------------------


class Recorder(_Section):
    """[recorder]: how drives are recorded and when they end."""

    flush_s: Annotated[float, Field(ge=0.05, le=60)] = 0.5
    car: str | None = None
    setup: str | None = None
    park_after_s: Annotated[float, Field(ge=5)] = 180.0
    silence_after_s: Annotated[float, Field(ge=2)] = 20.0
    min_free_mb: Annotated[float, Field(ge=1)] = 50.0
    also_ports: list[str] = []
    """Ports beside those the system lists, for `auto` and `pullbook ports`: paths, with * for a family of them."""
    bell: bool = True
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


class Calibration(_Section):
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


class Channel(_Section):
    """One quantity of a source: its name, its calibration, and what makes a reading void."""

    channel: Name | None = None
    unit: str = ""
    description: str = ""
    scale: Finite = 1.0
    offset: Finite = 0.0
    calibration: Calibration | None = None
    valid_min: Finite | None = None
    valid_max: Finite | None = None
    void_when: list[float | str] = []
    """Values of this field that void the whole reading (warming up, sensor fault), as numbers or words."""
    ok_when: list[float | str] = []
    """Values of this field outside which the whole reading is void."""
    stoich_afr: Positive = 14.7
    """For the channels `afr` and `lambda`: the AFR at lambda 1 that turns one into the other."""

    @field_validator("channel")
    @classmethod
    def _not_reserved(cls, name: str | None) -> str | None:
        if name in {"time", "mono_ns", "void"}:
            raise ValueError(f"the name {name!r} is taken by the tables themselves")
        return name


class _Source(_Section):
    name: Name
    port: str = "auto"
    baud: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd", "mark", "space"] = "none"
    stop_bits: Literal[1, 2] = 1
    on_open: list[str] = []
    """Commands sent when the port opens; text with the escapes \\r, \\n and \\xHH."""
    latency_s: Annotated[float, Field(ge=0, le=5)] = 0.0

    @field_validator("name")
    @classmethod
    def _free(cls, name: str) -> str:
        if name in {"raw", "journal", "drive", "recorder"}:
            raise ValueError(f"the name {name!r} is taken by a file of the drive folder")
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
                raise ValueError("a channel of a pattern is missing its name: channel = ...")
            if channel.channel not in groups:
                name = channel.channel
                raise ValueError(f"the pattern has no group named {name!r}: write (?P<{name}>...)")
        _distinct(self.channel, "channel")
        return self


def _distinct(channels: Sequence[Channel], table: str) -> None:
    """ValueError where no channel of a source has a name, or two have one."""
    names = [channel.channel for channel in channels if channel.channel is not None]
    if not names:
        raise ValueError(f"no {table} has a name, so nothing would be recorded in a table: channel = ...")
    if twice := [name for name in names if names.count(name) > 1]:
        raise ValueError(f"two channels are named {twice[0]!r}: each needs a name of its own")


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
        raise ValueError(f"the pattern is no regular expression that RE2 takes: {said}") from error


class FrameField(Channel):
    """A field of a binary frame: a struct code (without byte order) at a byte position counted from the sync."""

    at: Annotated[int, Field(ge=0, le=4095)]
    code: Literal["b", "B", "h", "H", "i", "I", "q", "Q", "f", "d"]
    mask: Annotated[int, Field(ge=0, lt=1 << 64)] | None = None
    """Bits of a whole number that count; the number is then read as unsigned."""

    @model_validator(mode="after")
    def _whole(self) -> FrameField:
        if self.mask is not None and self.code in {"f", "d"}:
            raise ValueError(f"a mask needs a whole number, code {self.code!r} is a fraction")
        return self


class Checksum(_Section):
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


class PrivateCircle(_Section):
    """A place whose positions stay private: they are cut from whatever leaves the program."""

    name: str = ""
    """For the owner's eyes only: it is printed nowhere."""
    lat_deg: Annotated[float, Field(ge=-90, le=90)]
    lon_deg: Annotated[float, Field(ge=-180, le=180)]
    radius_m: Annotated[float, Field(gt=0, le=100_000)] = 300.0


class Privacy(_Section):
    """[privacy]: which positions are cut from exports and reports. Recording keeps everything."""

    ends_m: Annotated[float, Field(ge=0, le=100_000)] = 300.0
    """Cut at a drive's beginning and end, until the car is this far from where it began and ended; 0: not at all."""
    circle: list[PrivateCircle] = []


class RecorderConfig(_Section):
    """The recorder's file: [recorder], one [[source]] for each cable, and [privacy]."""

    recorder: Recorder = Recorder()
    privacy: Privacy = Privacy()
    source: Annotated[list[Source], Field(min_length=1)]

    @model_validator(mode="after")
    def _distinct(self) -> RecorderConfig:
        names = [source.name for source in self.source]
        if twice := [name for name in names if names.count(name) > 1]:
            raise ValueError(f"two sources are named {twice[0]!r}: each needs a name of its own")
        ports = [source.port for source in self.source if source.port != "auto"]
        if twice := [port for port in ports if ports.count(port) > 1]:
            raise ValueError(f"two sources use the port {twice[0]!r}: each needs a port of its own")
        return self


# --- the car, the targets and the setup ---------------------------------------------------------------------------


class Car(_Section):
    """[car]: what the road load and the wheel force are worked out from. All are guesses until measured."""

    name: str
    mass_kg: Positive
    """As driven: car, driver, fuel."""
    mass_sigma_kg: NotNegative | None = None
    rotating_mass_kg: NotNegative | None = None
    """What wheels, belt and engine add to the mass when the car speeds up; by default 4 % of the mass."""
    frontal_area_m2: Positive | None = None
    drag_coefficient: Positive | None = None
    rolling_coefficient: Positive | None = None
    wheel_power_kw: Positive | None = None
    """The most power at the wheels, where it is known: what full throttle is at speeds not driven flat out."""
    cooling: Literal["air", "water"]
    carburettor: str = ""
    elevation_m: Finite | None = None

    @field_validator("mass_kg")
    @classmethod
    def _a_car(cls, mass: float) -> float:
        if not 50 <= mass <= 20_000:
            raise ValueError("a car of 50 to 20000 kg is expected")
        return mass


class Units(_Section):
    """[units]: how answers are printed."""

    speed: Literal["mph", "km/h"] = "mph"


class Fuel(_Section):
    """[fuel]: what is in the tank, for the change between AFR and lambda."""

    blend: str = "petrol"
    stoich_afr: Positive | None = None
    density_kg_per_m3: Annotated[float, Field(ge=600, le=1000)] | None = None
    """At 15.6 C; turns a weight of fuel into a volume."""
    expansion_per_c: Annotated[float, Field(ge=0, le=0.003)] | None = None
    """Growth of the fuel's volume for each degree."""


class Tyres(_Section):
    """[tyres]: the driven wheels' tyres."""

    size: str = ""
    pressure_kpa: Positive | None = None
    circumference_m: Annotated[float, Field(ge=0.5, le=4)] | None = None
    """Way for one turn of a driven wheel, measured by rolling the loaded car; with gearing it gives engine speed."""


class Gearing(_Section):
    """[gearing]: engine turns for each turn of the driven wheels, by gear, or between the limits of a belt drive."""

    final_ratio: Positive = 1.0
    """Engine side over wheel side of all that comes after gearbox or belt."""
    gears: list[Positive] = []
    """Gearbox ratios from the lowest gear up; a single one for a direct drive."""
    belt_low: Positive | None = None
    """Engine turns for one turn behind the belt when pulling away."""
    belt_high: Positive | None = None
    """The same at speed, with the belt shifted out."""
    engine_speed_channel: Name = "rpm"
    """The recorded channel that holds engine speed in turns a minute, where there is one."""

    @model_validator(mode="after")
    def _one_kind(self) -> Gearing:
        if self.gears and (self.belt_low or self.belt_high):
            raise ValueError("give gears or the limits of a belt, not both")
        if any(b >= a for a, b in itertools.pairwise(self.gears)):
            raise ValueError("gears must fall from the lowest gear up, such as [3.6, 2.1, 1.4, 1.0]")
        if (self.belt_low is None) != (self.belt_high is None):
            raise ValueError("a belt needs both belt_low and belt_high")
        if self.belt_low is not None and self.belt_high is not None and self.belt_low < self.belt_high:
            raise ValueError("belt_low (pulling away) must be above belt_high (at speed)")
        return self


class MeasuredRoadLoad(_Section):
    """[road_load]: what coasts measured, A + B v + C v^2, on the level in still air (`pullbook coast --save`)."""

    a_n: Finite
    b_n_per_mps: Finite = 0.0
    c_n_per_mps2: NotNegative
    a_sigma_n: NotNegative = 0.0
    b_sigma_n_per_mps: NotNegative = 0.0
    c_sigma_n_per_mps2: NotNegative = 0.0
    ab_correlation: Annotated[float, Field(ge=-1, le=1)] = 0.0
    ac_correlation: Annotated[float, Field(ge=-1, le=1)] = 0.0
    bc_correlation: Annotated[float, Field(ge=-1, le=1)] = 0.0
    air_density_kg_per_m3: Positive
    """The density that C holds for; C goes with density."""
    mass_kg: Positive
    """The mass during the coasts; A goes with mass."""
    measured: str = ""
    """When and by what, for the reader."""


class CarConfig(_Section):
    """The car's file. Every section but [car] may be left out; what is missing limits what is answered."""

    car: Car
    units: Units = Units()
    fuel: Fuel = Fuel()
    tyres: Tyres = Tyres()
    gearing: Gearing | None = None
    road_load: MeasuredRoadLoad | None = None


class Target(_Section):
    """A mixture window for one regime of driving: AFR or lambda, low (rich end) to high (lean end)."""

    low: Positive
    high: Positive

    @model_validator(mode="after")
    def _ordered(self) -> Target:
        if self.low >= self.high:
            raise ValueError(f"low ({self.low:g}) must be below high ({self.high:g})")
        return self


class Targets(_Section):
    """The windows of one kind of cooling."""

    full_throttle: Target
    cruise: Target
    town: Target
    idle: Target


class Regimes(_Section):
    """[regimes]: where one regime of driving ends and the next begins."""

    full_throttle_share: Annotated[float, Field(gt=0, le=1)] = 0.85
    """Load as a share of the most the car can do at that speed, from which on it is full throttle."""
    cruise_share: Annotated[float, Field(gt=0, lt=1)] = 0.6
    """Share up to which it is cruise or town; between this and full throttle it is heavy throttle."""
    full_throttle_opening: Annotated[float, Field(gt=0, le=1)] = 0.9
    """Where a channel `throttle` is recorded: the share of its widest opening from which on it is full throttle."""
    town_below_mps: Positive = 13.4
    """Speed below which part throttle is town, and above which it is cruise."""
    idle_below_mps: Positive = 0.6
    """Speed below which the car stands."""

    @model_validator(mode="after")
    def _ordered(self) -> Regimes:
        if self.cruise_share >= self.full_throttle_share:
            raise ValueError("cruise_share must be below full_throttle_share")
        if self.idle_below_mps >= self.town_below_mps:
            raise ValueError("idle_below_mps must be below town_below_mps")
        return self


class Masks(_Section):
    """[masks]: which readings say nothing about the mixture the engine was given."""

    warm_up_s: NotNegative = 0.0
    """Seconds at the start of each drive that are left out (choke, cold engine)."""
    free_air_lambda: Positive = 1.36
    """Lambda from which on the sensor is in free air or the engine is off."""
    overrun_share: Annotated[float, Field(ge=-1, lt=1)] = -0.02
    """Load share below which the engine is being turned by the road."""
    gear_change_s: NotNegative = 1.2
    """Longest gap in the pull that is taken for a gear change; 0 for a car without gear changes."""
    step_share: Positive = 0.25
    """Change of load share that counts as a step, which the sensor must first follow."""
    settle_lags: NotNegative = 3.0
    """How many time constants of the sensor are left out after a step."""
    unknown_lag_s: NotNegative = 0.3
    """The time constant to assume where the drive cannot tell it."""


class Enough(_Section):
    """[enough]: how much a cell needs before it is judged."""

    seconds: Positive = 3.0
    readings: Annotated[int, Field(ge=5)] = 12


class JetRules(_Section):
    """[jets]: what `pullbook jets` may advise."""

    part: Name = "main_jet_mm"
    """The part of the setups that holds the main jet's diameter."""
    sizes: list[Literal["number", "metric"]] = ["number", "metric"]
    """What can be got beside the jets in jets.toml: number drills, metric jets."""
    metric_step_mm: Annotated[float, Field(ge=0.005, le=0.5)] = 0.05
    """Step of the metric jets that can be got."""
    max_lean_step: Positive = 0.6
    """The most a new jet may lean full throttle at once, in AFR on the scale where lambda 1 is 14.7."""


def _air() -> Targets:
    return Targets(
        full_throttle=Target(low=12.0, high=12.5), cruise=Target(low=12.7, high=13.5),
        town=Target(low=12.5, high=13.5), idle=Target(low=12.0, high=13.5),
    )  # fmt: skip


def _water() -> Targets:
    return Targets(
        full_throttle=Target(low=12.5, high=13.2), cruise=Target(low=12.7, high=13.5),
        town=Target(low=12.5, high=13.8), idle=Target(low=12.5, high=13.8),
    )  # fmt: skip


class TargetsConfig(_Section):
    """The mixture targets' file: windows by cooling, in AFR or in lambda, and what counts as what.

    The default windows are common practice for small carburetted engines, no source.
    """

    unit: Literal["afr", "lambda"] = "afr"
    stoich_afr: Positive = 14.7
    """The AFR at lambda 1 of the scale that these AFR figures are written in."""
    far_rich_lambda: Positive = 0.72
    """Below this the mixture is far too rich: it washes the bore and fouls the plug."""
    air: Targets = Field(default_factory=_air)
    water: Targets = Field(default_factory=_water)
    regimes: Regimes = Regimes()
    masks: Masks = Masks()
    enough: Enough = Enough()
    jets: JetRules = JetRules()

    @model_validator(mode="before")
    @classmethod
    def _usual_windows(cls, given: Any) -> Any:
        """Windows that are left out, on the scale of those that are given."""
        if not isinstance(given, dict):
            return given
        stoich = given.get("stoich_afr", 14.7)
        scale = 1 / 14.7 if given.get("unit") == "lambda" else stoich / 14.7 if isinstance(stoich, int | float) else 1
        if scale == 1:
            return given
        usual = {
            name: Targets.model_validate(
                {k: {"low": w["low"] * scale, "high": w["high"] * scale} for k, w in windows.model_dump().items()}
            )
            for name, windows in (("air", _air()), ("water", _water()))
        }
        return usual | given

    @model_validator(mode="after")
    def _plausible(self) -> TargetsConfig:
        low, high = (5.0, 25.0) if self.unit == "afr" else (0.5, 1.8)
        for cooling in (self.air, self.water):
            for regime in Targets.model_fields:
                window: Target = getattr(cooling, regime)
                if window.low < low or window.high > high:
                    raise ValueError(
                        f"{regime} {window.low:g} to {window.high:g} is no {self.unit} of {low:g} to {high:g}"
                    )
        return self


class OwnedJet(_Section):
    """[[jet]]: a jet that the owner has, as measured."""

    mark: Annotated[str, Field(min_length=1, max_length=20)]
    """What is stamped on it, or what the owner calls it."""
    measured_mm: Annotated[float, Field(ge=0.1, le=10)]
    sigma_mm: Annotated[float, Field(ge=0, le=0.2)] = 0.005
    """How far off the measurement may be, one standard error."""


class JetsConfig(_Section):
    """The file of the owner's own jets."""

    jet: Annotated[list[OwnedJet], Field(min_length=1)]


PartValue = bool | int | float | str


class SetupConfig(_Section):
    """A setup's file: the car as tested, as named parts with values."""

    name: Annotated[str, Field(min_length=1, max_length=80)]
    date: datetime.date | None = None
    notes: str = ""
    cost: NotNegative | None = None
    hours: NotNegative | None = None
    parts: dict[Annotated[str, Field(pattern=_NAME)], PartValue]

    @field_validator("parts", mode="before")
    @classmethod
    def _plain(cls, parts: Any) -> Any:
        for name, value in parts.items() if isinstance(parts, dict) else ():
            if not isinstance(value, bool | int | float | str) or (
                isinstance(value, float) and not math.isfinite(value)
            ):
                raise ValueError(f"{name} = {value!r} must be a finite number, a word in quotes or true/false")
        return parts


# --- reading ------------------------------------------------------------------------------------------------------

Model = TypeVar("Model", bound=BaseModel)


def load(path: Path, model: type[Model]) -> Model:
    """Read the TOML file at `path` as `model`; ConfigError names the file and the first key that is wrong."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        raise ConfigError(f"{path}: no such file") from error
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(f"{path}: cannot be read: {error}") from error
    return parse(text, model, str(path))


def parse(text: str, model: type[Model], name: str) -> Model:
    """Read TOML `text` as `model`; `name` stands for the file in a ConfigError's line."""
    try:
        return model.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(f"{name}: not valid TOML: {error}") from error
    except pydantic.ValidationError as error:
        raise ConfigError(f"{name}: {_one_line(error, model)}") from error


_EXPECTED = {
    "float_type": "a number", "int_type": "a whole number", "string_type": "text in quotes",
    "bool_type": "true or false",
    "list_type": "a list in [ ]", "dict_type": "a table", "model_type": "a table", "model_attributes_type": "a table",
    "tuple_type": "a pair in [ ]", "date_type": "a date such as 2026-05-02", "too_long": "fewer entries",
    "finite_number": "a finite number", "int_from_float": "a whole number", "missing_argument": "a pair in [ ]",
}  # fmt: skip


def _one_line(error: pydantic.ValidationError, model: type[BaseModel]) -> str:
    """The most telling of pydantic's findings, in the owner's words: key, what was found, what was expected."""
    details = error.errors(include_url=False)
    # A misspelt key shows up twice, as unknown and as missing; the unknown one is what the owner typed.
    detail = next((d for d in details if d["type"] == "extra_forbidden"), details[0])
    key, found, context = _key(detail["loc"]), detail["input"], detail.get("ctx", {})
    where = f"{key}: " if key else ""
    match detail["type"]:
        case "extra_forbidden":
            known = _known_keys(model, detail["loc"])
            near = difflib.get_close_matches(str(detail["loc"][-1]), known, n=1, cutoff=0.6)
            hint = f"did you mean {near[0]!r}?" if near else f"known keys are {', '.join(sorted(known))}"
            return f"unknown key {key!r}: {hint}"
        case "missing":
            return f"{where}this key is missing and is needed"
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
        case kind if kind in _EXPECTED:
            return f"{where}found {found!r}, expected {_EXPECTED[kind]}"
        case _:
            said = detail["msg"].removeprefix("Input should be ").removeprefix("Value should be ")
            return f"{where}found {found!r}, expected {said[:1].lower()}{said[1:]}"


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
