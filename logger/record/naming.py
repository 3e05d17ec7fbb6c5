"""What a number on a cable is: the quantities that are known, a guess by its value, and the block that says so."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

from logger.config.recorder import TAKEN
from logger.config.sections import NAME
from logger.config.writing import quoted
from logger.errors import InputError
from logger.record.ports import Heard

NOTHING = "-"


@dataclass(frozen=True)
class Named:
    """A number of a line, as the owner names it. `quantity` and `unit` are those of the recorder's file; "" for none.

    `channel` is "" for a number that is passed over.
    """

    channel: str
    quantity: str = ""
    unit: str = ""


KNOWN = {
    "afr": Named("afr"),
    "lambda": Named("lambda"),
    "head C": Named("head_c", "head_temperature", "degC"),
    "head F": Named("head_f", "head_temperature", "degF"),
    "oil C": Named("oil_c", "oil_temperature", "degC"),
    "oil F": Named("oil_f", "oil_temperature", "degF"),
    "plug C": Named("plug_c", "plug_temperature", "degC"),
    "plug F": Named("plug_f", "plug_temperature", "degF"),
    "rpm": Named("rpm", "engine_speed", "rpm"),
    "battery": Named("battery_v", "battery", "V"),
    "throttle": Named("throttle", "", "%"),
    "map": Named("map_kpa", "", "kPa"),
}
"""As asked and answered -> what goes into the file."""


def read_name(text: str) -> Named:
    """What an answer names; InputError where it is neither known nor a name of its own, nor - for nothing."""
    bare = " ".join(text.split())
    if bare == NOTHING:
        return Named("")
    if exact := [named for words, named in KNOWN.items() if words.casefold() == bare.casefold()]:
        return exact[0]
    if near := [words for words in KNOWN if words.casefold().split()[0] == bare.casefold()]:
        raise InputError(f"{bare!r}: in which unit: {' or '.join(near)}?")
    if re.fullmatch(NAME, bare) is None or bare in TAKEN:
        raise InputError(
            f"{bare!r}: expected {', '.join(KNOWN)}, a name of small letters, digits and _, or - for nothing"
        )
    return Named(bare)


def read_one(text: str, before: Sequence[Named]) -> Named:
    """`read_name` of a number of a line whose numbers `before` it are named; InputError where one has the name."""
    one = read_name(text)
    if one.channel and one.channel in {each.channel for each in before}:
        raise InputError(f"{one.channel!r} is already the name of another number")
    return one


def name_one(named: list[Named]) -> bool:
    """Name the first number where all are passed over, so that their table has something to hold; whether it did."""
    if not named or any(each.channel for each in named):
        return False
    named[0] = read_name("column_1")
    return True


def answer_of(channel: str, quantity: str, unit: str) -> str:
    """The answer that names what a file says: the inverse of `read_name`."""
    if not channel:
        return NOTHING
    for words, named in KNOWN.items():
        if (named.channel, named.quantity, named.unit) == (channel, quantity, unit):
            return words
    return channel


def guesses(heard: Heard) -> list[str]:
    """For each number of a port's lines the likeliest answer: by its unit, or by what it reads."""
    units = heard.units or [""] * len(heard.columns)
    plain = [unit in {"", "AFR"} for unit in units]
    afr = [bare and 8.0 <= low <= high <= 22.5 for bare, (low, high) in zip(plain, heard.columns, strict=True)]
    lambdas = [bare and 0.5 <= low <= high <= 1.6 for bare, (low, high) in zip(plain, heard.columns, strict=True)]
    found = []
    for place, (unit, (low, high)) in enumerate(zip(units, heard.columns, strict=True)):
        if sum(afr) == 1 and afr[place]:
            found.append("afr")
        elif sum(afr) == 0 and sum(lambdas) == 1 and lambdas[place]:
            found.append("lambda")
        elif unit == "V" and 8.0 <= low <= high <= 17.0:
            found.append("battery")
        elif unit.casefold() == "rpm":
            found.append("rpm")
        else:
            found.append(f"column_{place + 1}")
    return found


def blocks(heard: Sequence[Heard]) -> list[str]:
    """A block for each port, "" where it tells too little: together a whole recorder's file."""
    made, taken = [], set[str]()
    for one in heard:
        names = [read_name(guess) for guess in guesses(one)]
        name = free_name(one, names, taken)
        made.append(block(one, names, port_of(one, heard), name, "; looks like AFR. Is it?", "; name it"))
        taken |= {name} if made[-1] else set()
    return made


def port_of(heard: Heard, among: Sequence[Heard]) -> str:
    """What names this port and no other of those: its USB identity, else its path."""
    alike = [one for one in among if one.found.usb == heard.found.usb]
    return heard.found.usb if heard.found.usb and len(alike) == 1 else heard.found.device


def free_name(heard: Heard, names: Sequence[Named], taken: set[str]) -> str:
    """What the source may be called: after what it tells, and not as another."""
    mixture = any(each.channel in {"afr", "lambda"} for each in names)
    stem = "gps" if heard.kind == "nmea" else "mixture" if mixture else "board"
    return next(name for name in (stem, *(f"{stem}_{n}" for n in range(2, 1000))) if name not in taken)


def block(heard: Heard, names: Sequence[Named], port: str, name: str, of_afr: str = "", of_others: str = "") -> str:
    """A [[source]] block for the recorder's file; "" where what was heard tells too little.

    `of_afr` and `of_others` are said behind the channels, as comments.
    """
    if heard.kind == "nmea":
        return f'[[source]]\nname = "{name}"\nkind = "nmea"\nport = {quoted(port)}\nbaud = {heard.baud}\n'
    if heard.kind != "numbers":
        return ""
    lines = ["[[source]]", f'name = "{name}"', 'kind = "numbers"', f"port = {quoted(port)}", f"baud = {heard.baud}"]
    for each, (low, high) in zip(names, heard.columns, strict=True):
        seen = f"seen {low:g} to {high:g}"
        if not each.channel:
            lines.append(f"  [[source.column]]  # skipped; {seen}")
            continue
        why = of_afr if each.channel == "afr" else of_others
        lines += ["  [[source.column]]", f'  channel = "{each.channel}"  # {seen}{why}']
        if each.quantity:
            lines.append(f'  quantity = "{each.quantity}"')
        if each.unit:
            lines.append(f'  unit = "{each.unit}"')
        if each.channel == "afr":
            lines += [
                "  stoich_afr = 14.7  # the AFR at lambda 1 that the controller is set to",
                "  valid_min = 7.4    # below this the wideband is at its limit: not used",
                "  valid_max = 22.3   # ... and above this, or in free air",
            ]
    return "\n".join(lines) + "\n"
