"""The first set-up, whoever asks the questions: what ports say becomes the recorder's file, answers the car's.

begin (terminal) and the desk ask; here stands what their answers do to the explained files, whose comments stay.
"""

from __future__ import annotations

import locale
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from logger.config import examples, writing
from logger.config.car import CarConfig
from logger.config.reading import parse, text_of
from logger.config.recorder import RecorderConfig, Source, channels_of
from logger.config.writing import Place
from logger.errors import InputError
from logger.record import naming, ports
from logger.record.naming import Named
from logger.record.ports import Heard
from logger.units import W_PER_KW, parse_quantity

CAR_FILE = "car.toml"
POWER: Place = ("car", "wheel_power_kw")
_AT_THE_WHEELS = 0.8
"""Of an engine's power by its maker (common practice, no source); the lean alert goes by it till runs tell better."""


@dataclass(frozen=True)
class OldRecorder:
    """The recorder's file as it was."""

    text: str
    config: RecorderConfig

    @property
    def source(self) -> list[Source]:
        return list(self.config.source)


def old_recorder(path: Path) -> OldRecorder | None:
    """The file that is there; None for none. ConfigError where it cannot be used."""
    if not path.is_file():
        return None
    text = text_of(path)
    return OldRecorder(text, parse(text, RecorderConfig, str(path)))


# --- ports --------------------------------------------------------------------------------------------------------


def hear_all(also: Sequence[str], begun: Callable[[int], None], told: Callable[[Heard], None]) -> list[Heard]:
    """What each port speaks, receivers first; `told` as each is made out. Nothing is sent to any."""
    found, heard = ports.listed(also), list[Heard]()
    begun(len(found))
    if found:
        with ThreadPoolExecutor(len(found)) as pool:
            for done in as_completed([pool.submit(ports.listen, one) for one in found]):
                heard.append(done.result())
                told(heard[-1])
    return sorted(heard, key=lambda one: (one.kind != "nmea", one.found.device))


def heard_said(one: Heard) -> str:
    """ "/dev/ttyACM0 1546:01a8: NMEA at 38400 baud: ..."."""
    return f"{one.found.device} {one.found.usb}".rstrip() + f": {ports.in_words(one)}"


def speaking(heard: Sequence[Heard]) -> list[Heard]:
    """Those of which a source can be made."""
    return [one for one in heard if one.kind in {"nmea", "numbers"}]


def lacking(heard: Sequence[Heard]) -> list[str]:
    """What a rig has and was not heard."""
    return [
        what
        for kind, what in (("nmea", "a GPS receiver"), ("numbers", "a mixture controller"))
        if not any(one.kind == kind for one in heard)
    ]


def known_as(old: OldRecorder | None, heard: Heard, port: str) -> int | None:
    """Which source of the file this port is."""
    if old is None:
        return None
    for at, source in enumerate(old.source):
        named = source.port in {port, heard.found.device} or ports.same_usb(source.port.lower(), heard.found.usb)
        if source.kind == heard.kind and (named or source.port == "auto"):
            return at
    return None


def guesses(heard: Heard, source: Source | None) -> list[str]:
    """For each number of a port's lines the answer to offer: what the file says of it, else the likeliest."""
    made = naming.guesses(heard)
    if source is None:
        return made
    said = [naming.answer_of(c.channel or "", c.quantity or "", c.unit) for c in channels_of(source)]
    return [*said[: len(made)], *made[len(said) :]]


def recorder_text(
    old: OldRecorder | None, heard: Sequence[Heard], names: Callable[[Heard, str, Source | None], list[Named]]
) -> str:
    """The recorder's file with what was heard in it; `names(heard, port, source)` says what each number is.

    ConfigError where that is no file to record with.
    """
    taken = {source.name for source in old.source} if old is not None else set[str]()
    blocks: list[str] = []
    changes: dict[Place, Any] = {}
    for one in heard:
        port = naming.port_of(one, heard)
        at = known_as(old, one, port)
        source = old.source[at] if old is not None and at is not None else None
        named = names(one, port, source)
        if source is not None and at is not None:
            changes |= _changes(source, at, one, named, port)
        else:
            name = naming.free_name(one, named, taken)
            taken.add(name)
            blocks.append(naming.block(one, named, port, name))
    if old is None:
        return writing.own_recorder(examples.text("recorder.toml"), blocks, CAR_FILE)
    return writing.changed(old.text, changes) + ("\n" + "\n".join(blocks) if blocks else "")


def _changes(source: Source, at: int, heard: Heard, names: list[Named], port: str) -> dict[Place, Any]:
    """What is otherwise now than in the file."""
    changes: dict[Place, Any] = {}
    if source.port not in {"auto", port, heard.found.device}:
        changes["source", at, "port"] = port
    if source.baud != heard.baud and not (source.port == "auto" and "baud" not in source.model_fields_set):
        changes["source", at, "baud"] = heard.baud
    for place, (old, new) in enumerate(zip(channels_of(source), names, strict=False)):
        for key, was, now in (
            ("channel", old.channel or "", new.channel),
            ("quantity", old.quantity or "", new.quantity),
            ("unit", old.unit, new.unit),
        ):
            if was != now and not (key == "unit" and not new.quantity and new.channel == old.channel):
                changes["source", at, "column", place, key] = now or None
    return changes


# --- the car ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class CarAsked:
    """What is asked of a car before the first run; the rest of its file can wait."""

    name: str
    mass_kg: float
    cooling: str
    carburettor: str
    speed: str
    wheel_power_kw: float | None = None
    """None leaves what the file says of it."""

    @property
    def values(self) -> Mapping[Place, Any]:
        mass, power = self.mass_kg, self.wheel_power_kw
        return ({} if power is None else {POWER: power}) | {
            ("car", "name"): self.name,
            ("car", "mass_kg"): round(mass, 1) if mass % 1 else int(mass),
            ("car", "cooling"): self.cooling,
            ("car", "carburettor"): self.carburettor,
            ("units", "speed"): self.speed,
        }


def car_text(was: str, asked: CarAsked) -> str:
    """The car's file `was` ("" for none) with the answers in it. ConfigError where that is no car's file."""
    if was:
        return writing.changed(was, asked.values)
    return writing.own_car(examples.text("wren.toml"), asked.values)


def some_words(text: str) -> str:
    if not text.strip():
        raise InputError("type a word or more")
    return text.strip()


def read_mass(text: str) -> float:
    """A car's mass with its unit, such as 392kg [kg]."""
    mass = parse_quantity(text, "kg")
    if not 50 <= mass <= 20_000:
        raise InputError(f"{text!r}: expected a car of 50 to 20000 kg")
    return mass


def read_power(text: str, old: CarConfig | None) -> float | None:
    """An engine's power with its unit, such as 10kW or 14hp, as the power at the wheels [kW]; None for none.

    What was offered of the `old` file leaves its own figure.
    """
    if not text.strip() or text.strip() == power_said(old):
        return old.car.wheel_power_kw if old is not None and text.strip() else None
    power = parse_quantity(text, "W")
    if not 500 <= power <= 2e6:
        raise InputError(f"{text!r}: an engine of 0.5 to 2000 kW is expected")
    return round(_AT_THE_WHEELS * power / W_PER_KW, 2)


def power_said(car: CarConfig | None) -> str:
    """The engine's power to offer, by the car's file; "" where that has none."""
    power = car.car.wheel_power_kw if car is not None else None
    return "" if power is None else f"{power / _AT_THE_WHEELS:.4g}kW"


def usual_speeds() -> str:
    """What this computer's language and country suggest."""
    named = os.environ.get("LC_ALL") or os.environ.get("LANG") or (locale.getlocale()[0] or "")
    country = named.partition(".")[0].partition("_")[2]
    return "mph" if country in {"", "US", "GB", "LR", "MM"} else "km/h"


def car_of(path: Path) -> CarConfig | None:
    """The car's file that is there; None for none. ConfigError where it cannot be used."""
    return parse(text_of(path), CarConfig, str(path)) if path.is_file() else None
