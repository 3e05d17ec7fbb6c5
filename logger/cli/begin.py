"""The verb `begin`: from nothing to a recorder that is ready, by plain questions and no editor.

Every answer goes into the explained files of the store, recorder.toml, the car's and targets.toml, whose comments stay;
the same verb changes it later. What ports say is only listened to.
"""

from __future__ import annotations

import locale
import os
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from logger.cli.asking import Answers, one_of, yes
from logger.cli.files import Files, put
from logger.cli.printing import StoreOption, tell, wrapped
from logger.cli.record import understood
from logger.errors import ConfigError, InputError, NoAnswer
from logger.text import safe

if TYPE_CHECKING:
    from logger.config.recorder import RecorderConfig, Source
    from logger.config.writing import Place
    from logger.record.naming import Named
    from logger.record.ports import Heard

app = typer.Typer()

Part = Literal["ports", "car", "start"]
_BEGUN = "begun.json"


@app.command()
def begin(
    device: Annotated[
        list[str] | None, typer.Argument(help="Ports to listen to beside those that the system lists.")
    ] = None,
    only: Annotated[
        Part | None, typer.Option("--only", help="Ask about this part alone: ports, car or start.", show_default=False)
    ] = None,
    store: StoreOption = None,
) -> None:
    """Set everything up by plain questions: ports, car, starting with the system. Again, to change an answer."""
    from logger.store import presence
    from logger.store.folders import make_store
    from logger.store.place import default_store

    asked_store, store = store, store or default_store()
    if only != "car" and presence.is_recording(store):
        raise NoAnswer(f"{store}: a recorder is at work here and has the ports: stop it first, or ask `--only car`")
    make_store(store)
    (store / ".recorder").mkdir(mode=0o700, exist_ok=True)
    answers = Answers(store / ".recorder" / _BEGUN)
    tell("Some questions, then you can drive. Enter takes what stands in [ ].")
    tell("Ctrl-C stops; the same command goes on from there, and changes answers later.")
    if answers.begun:
        tell("Your answers of last time are offered.")
    try:
        if only in {None, "ports"}:
            _ports(answers, store, device or [])
        if only in {None, "car"}:
            _car(answers, store)
        if only in {None, "start"}:
            _start(answers, asked_store)
    except KeyboardInterrupt:
        tell("\nStopped. What you answered is kept: `pullbook begin` goes on from there.")
        raise typer.Exit(1) from None
    answers.done()
    _ready(store, asked_store)


# --- 1. ports -----------------------------------------------------------------------------------------------------


def _ports(answers: Answers, store: Path, also: list[str]) -> None:
    from logger.record import naming

    tell("\n1. What is plugged in")
    path = store / "recorder.toml"
    old = _old(path)
    heard = _listen(answers, also)
    speaking = [one for one in heard if one.kind in {"nmea", "numbers"}]
    taken = {source.name for source in old.source} if old is not None else set[str]()
    blocks: list[str] = []
    changes: dict[Place, Any] = {}
    for one in speaking:
        port = naming.port_of(one, speaking)
        at = _known(old, one, port)
        tell(f"\n{port} speaks {'NMEA: a GPS receiver' if one.kind == 'nmea' else 'numbers'}, {one.baud} baud.")
        names = _names(answers, one, port, old.source[at] if old is not None and at is not None else None)
        if at is not None and old is not None:
            changes |= _changes(old.source[at], at, one, names, port)
        else:
            name = naming.free_name(one, names, taken)
            taken.add(name)
            blocks.append(naming.block(one, names, port, name))
    _write_recorder(path, old, blocks, changes)


@dataclass(frozen=True)
class _Old:
    """The recorder's file as it was."""

    text: str
    config: RecorderConfig

    @property
    def source(self) -> list[Source]:
        return list(self.config.source)


def _old(path: Path) -> _Old | None:
    from logger.config.reading import parse, text_of
    from logger.config.recorder import RecorderConfig

    if not path.is_file():
        return None
    text = text_of(path)
    return _Old(text, parse(text, RecorderConfig, str(path)))


def _listen(answers: Answers, also: list[str]) -> list[Heard]:
    """What is heard, told port by port as it is made out; again as long as the owner wants."""
    from concurrent.futures import ThreadPoolExecutor, as_completed

    from logger.record import ports
    from logger.record.ports import Heard

    while True:
        found, heard = ports.listed(also), list[Heard]()
        for name in also:
            if "*" not in name and name not in {port.device for port in found}:
                tell(f"{name}: there is no such port.")
        if found:
            tell("Receiver and controller on? Listening, up to half a minute; nothing is sent.")
            with ThreadPoolExecutor(len(found)) as pool:
                for done in as_completed([pool.submit(ports.listen, one) for one in found]):
                    one = done.result()
                    heard.append(one)
                    tell(wrapped(f"{one.found.device} {one.found.usb}".rstrip() + f": {ports.in_words(one)}", "  "))
        heard.sort(key=lambda one: (one.kind != "nmea", one.found.device))
        lacking = [
            what
            for kind, what in (("nmea", "a GPS receiver"), ("numbers", "a mixture controller"))
            if not any(one.kind == kind for one in heard)
        ]
        if not lacking:
            return heard
        tell(f"Nothing speaks as {' or '.join(lacking)} does. Plugged in, powered?")
        tell("(Other kinds are named with an editor: recorder.toml explains every key.)")
        again = answers.ask("", "Go on without, or listen again", one_of("go on", "listen"), "go on")
        if again == "go on":
            return heard


def _known(old: _Old | None, heard: Heard, port: str) -> int | None:
    """Which source of the file this port is."""
    from logger.record.ports import same_usb

    if old is None:
        return None
    for at, source in enumerate(old.source):
        named = source.port in {port, heard.found.device} or same_usb(source.port.lower(), heard.found.usb)
        if source.kind == heard.kind and (named or source.port == "auto"):
            return at
    return None


def _names(answers: Answers, heard: Heard, port: str, source: Source | None) -> list[Named]:
    """How the owner names the numbers of a port's lines; a "?" shows what they are now."""
    from logger.config.recorder import channels_of
    from logger.record import naming, ports

    if heard.kind == "nmea":
        return []
    guesses = naming.guesses(heard)
    if source is not None:
        said = [naming.answer_of(c.channel or "", c.quantity or "", c.unit) for c in channels_of(source)]
        guesses = [*said[: len(guesses)], *guesses[len(said) :]]
    tell(wrapped(f"What is each number? {', '.join(naming.KNOWN)};", ""))
    tell("or a name of your own, - to pass it over, ? to see it change.")
    named: list[Named] = []
    for place, guess in enumerate(guesses):
        unit = heard.units[place] if heard.units else ""
        low, high = heard.columns[place]
        question = f"  number {place + 1}, {heard.latest[place]:g}{unit} now ({low:g} to {high:g})"

        def read(text: str, place: int = place) -> Named:
            if text.strip() == "?":
                again = ports.listen(heard.found, [heard.baud])
                raise InputError(f"now {again.latest[place]:g}" if place < len(again.latest) else "nothing comes now")
            one = naming.read_name(text)
            if one.channel and one.channel in {each.channel for each in named}:
                raise InputError(f"{one.channel!r} is another number's name already")
            return one

        named.append(answers.ask(f"{port} {place + 1}", question, read, guess))
    if not any(each.channel for each in named):
        tell("  All are passed over: the first is kept as column_1, so that its table has something to hold.")
        named[0] = naming.read_name("column_1")
    return named


def _changes(source: Source, at: int, heard: Heard, names: list[Named], port: str) -> dict[Place, Any]:
    """What is otherwise now than in the file."""
    from logger.config.recorder import channels_of

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


def _write_recorder(path: Path, old: _Old | None, blocks: list[str], changes: dict[Place, Any]) -> None:
    from logger.config import examples, writing
    from logger.config.reading import parse
    from logger.config.recorder import RecorderConfig

    if old is None:
        text = writing.own_recorder(examples.text("recorder.toml"), blocks, "car.toml")
    else:
        text = writing.changed(old.text, changes) + ("\n" + "\n".join(blocks) if blocks else "")
    parse(text, RecorderConfig, str(path))
    if old is None or text != old.text:
        put(path, text)
        tell(f"Wrote {path}.")


# --- 2. the car ---------------------------------------------------------------------------------------------------


def _car(answers: Answers, store: Path) -> None:
    from logger.config import examples, writing
    from logger.config.car import CarConfig
    from logger.config.reading import load, parse, text_of
    from logger.units import convert

    tell("\n2. The car")
    path = _car_file(store)
    old = load(path, CarConfig) if path.is_file() else None
    car = old.car if old is not None else None
    name = answers.ask("name", "Its name", _some, car.name if car else "my car")
    mass = answers.ask(
        "mass", "Its mass with driver and fuel (a guess will do), such as 392kg or 860lb", _mass_kg,
        f"{car.mass_kg:g}kg" if car else None,
    )  # fmt: skip
    cooling = answers.ask("cooling", "Cooled by air or water", one_of("air", "water"), car.cooling if car else "air")
    carburettor = answers.ask("carburettor", "Its carburettor, in your words", str, car.carburettor if car else "")
    speed = answers.ask("speed", "Speeds in mph or km/h", one_of("mph", "km/h"), old.units.speed if old else _speeds())
    values: dict[Place, Any] = {
        ("car", "name"): name,
        ("car", "mass_kg"): round(mass, 1) if mass % 1 else int(mass),
        ("car", "cooling"): cooling,
        ("car", "carburettor"): carburettor,
        ("units", "speed"): speed,
    }
    was = text_of(path) if old is not None else ""
    text = writing.changed(was, values) if old is not None else writing.own_car(examples.text("wren.toml"), values)
    parse(text, CarConfig, str(path))
    if text != was:
        put(path, text)
        tell(f"Wrote {path}.")
    if speed == "mph":
        tell(f"({values['car', 'mass_kg']} kg is {convert(mass, 'kg', 'lb'):.0f} lb.)")
    targets = store / "targets.toml"
    if not targets.exists():
        put(targets, examples.text("targets.toml"))
        tell(f"Wrote {targets}:")
        tell("mixture windows by common practice; who made or tunes your engine knows better.")


def _car_file(store: Path) -> Path:
    """The car's file that the recorder's names; where that names none it is made to."""
    from logger.config import writing

    old = _old(store / "recorder.toml")
    if old is None:
        return store / "car.toml"
    if old.config.recorder.car is None:
        put(store / "recorder.toml", writing.changed(old.text, {("recorder", "car"): "car.toml"}))
    return store / (old.config.recorder.car or "car.toml")


def _some(text: str) -> str:
    if not text.strip():
        raise InputError("some words are expected")
    return text.strip()


def _mass_kg(text: str) -> float:
    from logger.units import parse_quantity

    mass = parse_quantity(text, "kg")
    if not 50 <= mass <= 20_000:
        raise InputError(f"{text!r}: a car of 50 to 20000 kg is expected")
    return mass


def _speeds() -> str:
    """What this computer's language and country suggest."""
    named = os.environ.get("LC_ALL") or os.environ.get("LANG") or (locale.getlocale()[0] or "")
    country = named.partition(".")[0].partition("_")[2]
    return "mph" if country in {"", "US", "GB", "LR", "MM"} else "km/h"


# --- 3. starting --------------------------------------------------------------------------------------------------


def _start(answers: Answers, store: Path | None) -> None:
    from logger.cli import autostart

    by = autostart.possible()
    if not by:
        return
    tell("\n3. By itself")
    if answers.ask("start", f"Record from login on, without a hand on it (by {by})", yes, "no"):
        for line in autostart.install(store):
            tell(f"  {line}")


# --- ready --------------------------------------------------------------------------------------------------------


def _ready(store: Path, asked: Path | None) -> None:
    tell("\nReady")
    try:
        lines = understood(Files.read(None, store))
    except InputError as error:
        raise ConfigError(f"what is there cannot be recorded with yet: {error}") from error
    for line in lines:
        tell(wrapped(line.strip(), line[: len(line) - len(line.lstrip())]))
    tell("\nThe driver drives; a passenger looks after the laptop, or nobody does.")
    where = f" --store {shlex.quote(str(asked))}" if asked is not None else ""
    tell(f"Drive off when you like:\n  pullbook record{safe(where)}")
