"""The answer of `set`: the setup in force with some parts changed, put in force for coming drives."""

from __future__ import annotations

import datetime
import json
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analysis.answers.encoding import Answer
from analysis.answers.parts import PartPair, pairs
from analysis.answers.setups import SetupTold, told
from analysis.conditions import setups, vocabulary
from logger.config import slips, writing
from logger.config.reading import parse, text_of
from logger.config.setup import SETUP_IN_FORCE, PartValue, SetupConfig
from logger.errors import InputError
from logger.text import storable

if TYPE_CHECKING:
    from analysis.conditions.setups import Difference, Parts
    from analysis.store import DriveStore

_LONGEST_NAME = 80
_IN_FORCE = "the setup in force"
_EMPTY = 'name = "as found"\n\n[parts]\n'


class SetAnswer(Answer):
    """What coming drives carry now, and what is otherwise than before."""

    before: str | None
    """Name of the setup that was in force, or that the newest drive carries; null without any."""
    in_force: SetupTold
    """What coming drives carry."""
    changed: dict[str, PartPair]
    """Part -> its value before, and now."""
    under_way: str | None
    """The drive being recorded, which keeps what was in force when it started; null without one."""


@dataclass(frozen=True)
class ChangedSetup:
    """A setup's file with some parts changed, before it is put in force."""

    text: str
    setup: SetupConfig
    before: SetupConfig | None
    differ: tuple[Difference, ...]
    base: str
    """In words: what it was made from."""


def read_change(text: str, season: Sequence[Parts]) -> tuple[str, PartValue]:
    """A part and its value, as PART=VALUE names them; a unit that is the name's own is understood.

    InputError where it is no such pair, or has a decimal comma.
    """
    part, sign, value = (each.strip() for each in text.partition("="))
    if not (sign and part and value):
        raise InputError(f"{text!r}: not a part and its value. Write it as main_jet_mm=1.06 or snorkel=long.")
    if value[0].isdigit() and "," in value and (said := slips.line_said(f"{part} = {value}")):
        raise InputError(said)
    try:
        read: Any = tomllib.loads(f"v = {value}")["v"]
    except (tomllib.TOMLDecodeError, RecursionError):
        read = value
    if not isinstance(read, bool | int | float | str) or (isinstance(read, int) and abs(read) >= 2**63):
        read = value  # TOML's whole numbers have 64 bits
    name = part if any(part in parts for parts in season) else _alike(part, season) or part
    return part, setups.in_the_names_unit(name, read)


def _alike(part: str, season: Sequence[Parts]) -> str | None:
    return next((known for parts in season for known in parts if setups.stem_of(known) == setups.stem_of(part)), None)


def season_parts(store: DriveStore) -> list[Parts]:
    """The parts of all setups that are known here: driven, and in force."""
    known: list[Parts] = [each.setup.parts for each in setups.known(drive.drive for drive in store.drives)]
    base = _base(store)[1]
    return [*known, base.parts] if base is not None else known


def changed_setup(
    store: DriveStore,
    changes: Mapping[str, PartValue],
    gone: Sequence[str] = (),
    *,
    name: str | None = None,
    notes: str | None = None,
    cost: float | None = None,
    hours: float | None = None,
) -> ChangedSetup:
    """The setup in force with `changes` made and the parts `gone` no longer said; every comment of its file stays.

    Without a `name` it takes that of a driven setup with the same parts, or one made of what differs. InputError where
    a part cannot be, or nothing is otherwise.
    """
    text, before, base = _base(store)
    had = before.parts if before is not None else {}
    if missing := [part for part in gone if part not in had]:
        raise InputError(f"{missing[0]}: {base} does not have this part. It has {', '.join(had) or 'none'}.")
    parts = {**{part: value for part, value in had.items() if part not in gone}, **changes}
    differ = setups.differences(had, parts)
    if not differ and name is None and notes is None:
        raise InputError(f"nothing differs from {base}, so nothing was written")
    known = setups.known(drive.drive for drive in store.drives)
    called = name or next((each.name for each in known if setups.same(each.setup.parts, parts)), None)
    if called is None:
        first = known[0].setup if known else before
        called = _called(first, parts)
    values: dict[writing.Place, Any] = {
        ("name",): called,
        ("date",): datetime.date.today(),
        ("notes",): notes,
        ("cost",): cost,
        ("hours",): hours,
        **{("parts", part): None for part in gone},
        **{("parts", part): value for part, value in changes.items()},
    }
    written = storable(writing.changed(text, values))  # a word from the terminal may hold bytes that are no text
    return ChangedSetup(written, parse(written, SetupConfig, SETUP_IN_FORCE), before, tuple(differ), base)


def typed_setup(
    store: DriveStore,
    lines: Sequence[str],
    *,
    name: str | None = None,
    notes: str | None = None,
    date: str | None = None,
    cost: str | None = None,
    hours: str | None = None,
) -> SetupConfig:
    """A setup as typed, a part a line as PART=VALUE; without a `name` called as in `changed_setup`.

    InputError where a part is given twice or cannot be, or where no part is given.
    """
    season = season_parts(store)
    parts: dict[str, PartValue] = {}
    for line in lines:
        part, value = read_change(line, season)
        if part in parts:
            raise InputError(f"{part} is given twice")
        parts[part] = value
    if not parts:
        raise InputError("no part is given. Write one a line, such as main_jet_mm=1.06.")
    known = setups.known(drive.drive for drive in store.drives)
    alike = next((each.name for each in known if setups.same(each.setup.parts, parts)), None)
    values: dict[writing.Place, Any] = {
        ("name",): name or alike or _called(known[0].setup if known else None, parts),
        ("date",): None if date is None else _date(date),
        ("notes",): notes,
        ("cost",): number_of("--cost", cost),
        ("hours",): number_of("--hours", hours),
        **{("parts", part): value for part, value in parts.items()},
    }
    return parse(storable(writing.changed(_EMPTY, values)), SetupConfig, "the setup")


def part_line(part: str, value: PartValue) -> str:
    """A part and its value as `read_change` reads them back."""
    plain = ("false", "true")[value] if isinstance(value, bool) else str(value)
    line = f"{part}={plain}"
    try:
        if plain == plain.strip() and "\n" not in plain and read_change(line, ()) == (part, value):
            return line
    except InputError:
        pass
    return f"{part}={json.dumps(str(value))}"


def _date(text: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"--date: found {text!r}, expected a day such as 2026-05-02") from error


def number_of(option: str, text: str | None) -> float | None:
    """A plain number as typed; None where nothing was typed."""
    try:
        return None if text is None else float(text)
    except ValueError as error:
        raise InputError(f"{option}: found {text!r}, expected a number such as 12.5") from error


def put_changed(store: DriveStore, changed: ChangedSetup, *, anyway: bool = False) -> SetAnswer:
    """Let coming drives carry it. InputError, unless `anyway`, where its name stood for other parts."""
    from logger.store import in_force, presence

    if not anyway:
        known = [(each.name, each.setup.parts) for each in setups.known(drive.drive for drive in store.drives)]
        if reused := vocabulary.reused(changed.setup.name, changed.setup.parts, known):
            raise InputError(f"{reused} Add --anyway to take it as written.")
    in_force.put_in_force(store.path, changed.text)
    state = presence.read_state(store.path) if presence.is_recording(store.path) else None
    now = told(changed.setup)
    assert now is not None
    return SetAnswer(
        before=changed.before.name if changed.before is not None else None,
        in_force=now,
        changed=pairs(changed.differ),
        under_way=(state or {}).get("drive"),
    )


def sentence(changed: ChangedSetup) -> str:
    """What is about to be put in force, for its owner to agree to."""
    differ = "; ".join(map(str, changed.differ)) or "the same parts"
    rest = f"; everything else as in {_called_base(changed)}" if changed.before is not None else ""
    return f"{changed.setup.name!r}: {differ}{rest}."


def _called_base(changed: ChangedSetup) -> str:
    """The setup in force goes by its name alone; another says where it is from."""
    assert changed.before is not None
    return repr(changed.before.name) if changed.base == _IN_FORCE else changed.base


def _base(store: DriveStore) -> tuple[str, SetupConfig | None, str]:
    """The setup that the next drive would carry, as text; else what the newest drive with one carries; else an empty
    one; and in words which of these it is."""
    from logger.config.reading import load
    from logger.config.recorder import RecorderConfig

    path = store.path / SETUP_IN_FORCE
    if not path.is_file() and (recorder := store.path / "recorder.toml").is_file():
        named = load(recorder, RecorderConfig).recorder.setup
        path = store.path / named if named is not None else path
    if path.is_file():
        text = text_of(path)
        return text, parse(text, SetupConfig, str(path)), _IN_FORCE
    carried = ((drive.id, drive.drive.setup) for drive in reversed(store.drives))
    of, newest = next(((name, setup) for name, setup in carried if setup is not None), ("", None))
    if newest is None:
        return _EMPTY, None, "an empty setup (none is in force, no drive has one)"
    values: dict[writing.Place, Any] = {("name",): newest.name}
    values |= {("parts", part): value for part, value in newest.parts.items()}
    return writing.changed(_EMPTY, values), newest, f"the setup {newest.name!r} of drive {of} (none is in force)"


def _called(first: SetupConfig | None, parts: Parts) -> str:
    """A name made of what differs from the first setup driven."""
    if first is None:
        return "as found"
    differ = setups.differences(first.parts, parts)
    words = [
        f"{setups.stem_of(each.part).replace('_', ' ')} {'not said' if each.b is None else setups.shown(each.b)}"
        for each in differ
    ]
    name = f"{first.name} with {', '.join(words)}" if words else first.name
    return name if len(name) <= _LONGEST_NAME else f"{name[: _LONGEST_NAME - 12].rstrip(' ,')}, {len(words)} parts"
