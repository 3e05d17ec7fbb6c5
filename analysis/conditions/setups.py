"""Setups: what the car was, which parts differ between two of them, and how they are named on the command line.

Two setups with the same parts and values are one setup, whatever their files are called. Values are compared as
quantities where they carry a unit, in the part's name (`main_jet_mm = 1.09`) or in the value (`main_jet = "1.09 mm"`).
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

from logger.config.reading import load, parse
from logger.config.setup import SETUP_IN_FORCE, PartValue, SetupConfig
from logger.errors import InputError, UnitError
from logger.units import convert

if TYPE_CHECKING:
    from logger.store.drive import Drive

Parts = Mapping[str, PartValue]

NOT_SAID = "(not said)"
"""Stands for the value of a part that a setup does not mention."""

_NAME_UNITS = {
    "mm": "mm", "cm": "cm", "in": "inch", "inch": "inch", "thou": "thou", "um": "micrometer", "deg": "degree",
    "kg": "kg", "g": "g", "lb": "lb", "kpa": "kPa", "psi": "psi", "bar": "bar", "hpa": "hPa", "l": "L", "cc": "cm**3",
    "ml": "mL", "nm": "N*m", "n": "N", "ohm": "ohm", "v": "volt", "percent": "percent", "c": "degC", "f": "degF",
}  # fmt: skip
"""Endings of part names that are units, and what the unit is called."""
_BASE_UNITS = ("m", "degree", "kg", "Pa", "m**3", "N*m", "N", "ohm", "volt", "percent", "kelvin")
_SAME = 1e-3
"""Quantities closer than this share are one value: a bore measured in thousandths is known no better."""
_QUANTITY = re.compile(r"^\s*([+-]?(?:\d+(?:\.\d*)?|\.\d+))\s*([^\d\s].*?)\s*$")


class SetupError(InputError):
    """A setup cannot be found or used; the message is one complete line."""


@dataclass(frozen=True)
class Difference:
    """A part that differs; None where a setup does not mention it. `ratio` is b over a for two numbers, else NaN."""

    part: str
    a: PartValue | None
    b: PartValue | None
    ratio: float

    def __str__(self) -> str:
        return f"{self.part} {shown(self.a)} -> {shown(self.b)}"


def differences(a: Parts, b: Parts) -> list[Difference]:
    """The parts that differ, in the order of `a`, then what only `b` mentions; quantities are compared with units."""
    named_a, named_b = _by_stem(a), _by_stem(b)
    found = []
    for stem in [*named_a, *(stem for stem in named_b if stem not in named_a)]:
        name_a, name_b = named_a.get(stem), named_b.get(stem)
        value_a = a[name_a] if name_a else None
        value_b = b[name_b] if name_b else None
        if name_a and name_b and same_value(name_a, a[name_a], name_b, b[name_b]):
            continue
        found.append(Difference(name_a or name_b or stem, value_a, value_b, _ratio(name_a, value_a, name_b, value_b)))
    return found


def same(a: Parts, b: Parts) -> bool:
    """Whether two setups are one."""
    return a is b or not differences(a, b)


def lookup(parts: Parts, name: str) -> tuple[str, PartValue] | None:
    """The part called `name`, be it in another unit: its name in `parts` and its value; None where it is not said."""
    stem = next(iter(_by_stem({name: 0})))
    found = _by_stem(parts).get(stem)
    return (found, parts[found]) if found is not None else None


def same_value(name_a: str, a: PartValue, name_b: str, b: PartValue) -> bool:
    """Whether two values of a part are one: as quantities where both have units of one kind, else as written."""
    if isinstance(a, bool) or isinstance(b, bool):
        return a is b
    first, second = quantity(name_a, a), quantity(name_b, b)
    if first is not None and second is not None:
        return first[1] == second[1] and math.isclose(first[0], second[0], rel_tol=_SAME, abs_tol=1e-12)
    if isinstance(a, str) and isinstance(b, str):
        return a.strip().casefold() == b.strip().casefold()
    return a == b


@functools.lru_cache(maxsize=4096, typed=True)
def quantity(name: str, value: PartValue) -> tuple[float, str] | None:
    """A part's value as number and SI unit ("" for a bare number); None for a word or yes/no."""
    if isinstance(value, bool):
        return None
    unit = _NAME_UNITS.get(name.rsplit("_", 1)[-1], "") if "_" in name else ""
    if isinstance(value, str):
        match = _QUANTITY.match(value)
        if match is None:
            return None
        number, unit = float(match[1]), match[2]
    else:
        number = float(value)
    if not unit:
        return number, ""
    for base in _BASE_UNITS:
        try:
            return convert(number, unit, base), base
        except UnitError:
            continue
    return None


def in_the_names_unit(name: str, value: PartValue) -> PartValue:
    """A number with a unit, such as "1.06 mm" of main_jet_mm, as the number that the name's unit makes of it."""
    ending = _NAME_UNITS.get(name.rsplit("_", 1)[-1], "") if "_" in name else ""
    match = _QUANTITY.match(value) if isinstance(value, str) and ending else None
    if match is None:
        return value
    try:
        return round(convert(float(match[1]), match[2], ending), 6)
    except UnitError:
        return value


def shown(value: PartValue | None) -> str:
    """A value as the owner would write it."""
    if value is None:
        return NOT_SAID
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:g}" if isinstance(value, int | float) else value


def described(parts: Parts) -> str:
    """All parts in one line."""
    return ", ".join(f"{name} {shown(value)}" for name, value in parts.items()) or "no parts"


# --- the setup that new drives carry ------------------------------------------------------------------------------


def current(store: Path) -> SetupConfig | None:
    """The setup that the next drive carries, where one was put in force."""
    path = store / SETUP_IN_FORCE
    return load(path, SetupConfig) if path.is_file() else None


def put_in_force(store: Path, text: str, name: str = SETUP_IN_FORCE) -> SetupConfig:
    """Make a setup's file the one that new drives carry; ConfigError, with its `name`, where it is none.

    The old one stays beside it.
    """
    from logger.store import in_force

    setup = parse(text, SetupConfig, name)
    in_force.put_in_force(store, text)
    return setup


# --- names --------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Known:
    """A setup that drives were driven with."""

    name: str
    setup: SetupConfig
    drives: tuple[str, ...]


class Fitted(Protocol):
    """A drive as far as its setup goes."""

    @property
    def id(self) -> str: ...
    @property
    def setup(self) -> SetupConfig | None: ...


def known(drives: Iterable[Fitted]) -> list[Known]:
    """The setups of the drives, one entry for each set of parts, in the order first driven."""
    found: list[tuple[SetupConfig, list[str]]] = []
    for drive in drives:
        if drive.setup is None:
            continue
        for setup, ids in found:
            if same(setup.parts, drive.setup.parts):
                ids.append(drive.id)
                break
        else:
            found.append((drive.setup, [drive.id]))
    return [Known(setup.name, setup, tuple(ids)) for setup, ids in found]


def find(ref: str, store: Path, drives: Iterable[Drive]) -> SetupConfig:
    """The setup called `ref`: the name of one that was driven, a file, or a drive that carries it."""
    from logger.errors import DriveError
    from logger.store.drive import open_drive

    listed = known(drives)
    named = [each for each in listed if each.name.casefold() == ref.strip().casefold()]
    if len(named) == 1:
        return named[0].setup
    if len(named) > 1:
        raise SetupError(
            f"{ref}: {len(named)} different setups have this name ({_differences_of(named)}). Name a drive instead."
        )
    if ref.endswith(".toml") and Path(ref).is_file():
        return load(Path(ref), SetupConfig)
    try:
        drive = open_drive(store, ref)
    except DriveError as error:
        names = ", ".join(repr(each.name) for each in listed) or "none yet"
        raise SetupError(f"{ref}: no setup, file or drive has this name. Setups driven: {names}") from error
    if drive.setup is None:
        raise SetupError(f"{drive.id}: this drive has no setup. `pullbook setup FILE --drive {drive.id}` adds one.")
    return drive.setup


def _differences_of(named: list[Known]) -> str:
    return "; ".join(str(each) for each in differences(named[0].setup.parts, named[1].setup.parts))


def stem_of(name: str) -> str:
    """A part's name without its unit: `main_jet_mm` and `main_jet_in` are one part, written in two units."""
    stem, _, ending = name.rpartition("_")
    return stem if stem and ending in _NAME_UNITS else name


def _by_stem(parts: Parts) -> dict[str, str]:
    """Stem -> name."""
    stems: dict[str, str] = {}
    for name in parts:
        key = stem_of(name)
        stems[key if key not in stems else name] = name
    return stems


def _ratio(name_a: str | None, a: PartValue | None, name_b: str | None, b: PartValue | None) -> float:
    if name_a is None or name_b is None or a is None or b is None:
        return math.nan
    first, second = quantity(name_a, a), quantity(name_b, b)
    if first is None or second is None or first[1] != second[1] or first[0] == 0:
        return math.nan
    return second[0] / first[0]
