"""The verb `begin`: from nothing to a recorder that is ready, by plain questions and no editor.

Every answer goes into the explained files of the store, recorder.toml, the car's and targets.toml, whose comments stay;
the same verb changes it later. What ports say is only listened to.
"""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from logger.cli.asking import Answers, one_of, yes
from logger.cli.files import Files
from logger.cli.printing import StoreOption, tell, wrapped
from logger.cli.record import understood
from logger.errors import ConfigError, InputError, NoAnswer
from logger.store.disk import put_text
from logger.text import safe

if TYPE_CHECKING:
    from logger.config.recorder import Source
    from logger.record.naming import Named
    from logger.record.ports import Heard

app = typer.Typer()

Part = Literal["ports", "car", "power", "start"]
_BEGUN = "begun.json"


@app.command(epilog="Example: pullbook begin")
def begin(
    device: Annotated[
        list[str] | None, typer.Argument(help="More ports to listen to, besides those that the system lists.")
    ] = None,
    only: Annotated[
        Part | None,
        typer.Option("--only", help="Ask only about this part: ports, car, power or start.", show_default=False),
    ] = None,
    store: StoreOption = None,
) -> None:
    """Set everything up with a few questions: ports, car, start at login. Run it again to change an answer."""
    from logger.store import presence
    from logger.store.folders import make_store
    from logger.store.place import default_store

    asked_store, store = store, store or default_store()
    if only not in {"car", "power"} and presence.is_recording(store):
        raise NoAnswer(f"{store}: a recorder is running here and uses the ports. Stop it first, or use `--only car`")
    make_store(store)
    (store / ".recorder").mkdir(mode=0o700, exist_ok=True)
    answers = Answers(store / ".recorder" / _BEGUN)
    tell("A few questions, then you can drive. Enter accepts the answer in [ ].")
    tell("Ctrl-C stops. The same command goes on from there, or changes answers later.")
    if answers.begun:
        tell("Your answers from last time are in [ ].")
    try:
        if only in {None, "ports"}:
            _ports(answers, store, device or [])
        if only in {None, "car"}:
            _car(answers, store)
        if only == "power":
            _power(answers, store)
        if only in {None, "start"}:
            _start(answers, asked_store)
    except KeyboardInterrupt:
        tell("\nStopped. Your answers are kept. `pullbook begin` goes on from there.")
        raise typer.Exit(1) from None
    answers.done()
    _ready(store, asked_store)


# --- 1. ports -----------------------------------------------------------------------------------------------------


def _ports(answers: Answers, store: Path, also: list[str]) -> None:
    from logger.config.reading import parse
    from logger.config.recorder import RecorderConfig
    from logger.record import setting_up

    tell("\n1. What is plugged in")
    path = store / "recorder.toml"
    old = setting_up.old_recorder(path)
    heard = setting_up.speaking(_listen(answers, also))

    def names(one: Heard, port: str, source: Source | None) -> list[Named]:
        tell(f"\n{port} sends {'NMEA (a GPS receiver)' if one.kind == 'nmea' else 'numbers'} at {one.baud} baud.")
        return _names(answers, one, port, source)

    text = setting_up.recorder_text(old, heard, names)
    parse(text, RecorderConfig, str(path))
    if old is None or text != old.text:
        put_text(path, text)
        tell(f"Wrote {path}.")


def _listen(answers: Answers, also: list[str]) -> list[Heard]:
    """What is heard, told port by port as it is made out; again as long as the owner wants."""
    from logger.record import ports, setting_up

    def begun(count: int) -> None:
        if count:
            tell("Receiver and controller on? Listening for up to half a minute; nothing is sent.")

    while True:
        for name in also:
            if "*" not in name and name not in {port.device for port in ports.listed(also)}:
                tell(f"{name}: no such port.")
        heard = setting_up.hear_all(also, begun, lambda one: tell(wrapped(setting_up.heard_said(one), "  ")))
        lacking = setting_up.lacking(heard)
        if not lacking:
            return heard
        tell(f"Nothing heard looks like {' or '.join(lacking)}. Is it plugged in and powered?")
        tell("(To add anything else, edit recorder.toml, which explains every key.)")
        again = answers.ask("", "Go on without it, or listen again", one_of("go on", "listen"), "go on")
        if again == "go on":
            return heard


def _names(answers: Answers, heard: Heard, port: str, source: Source | None) -> list[Named]:
    """How the owner names the numbers of a port's lines; a "?" shows what they are now."""
    from logger.record import naming, ports, setting_up

    if heard.kind == "nmea":
        return []
    tell(wrapped(f"What is each number? {', '.join(naming.KNOWN)};", ""))
    tell("or a name of your own, - to skip it, ? to see its value now.")
    named: list[Named] = []
    for place, guess in enumerate(setting_up.guesses(heard, source)):
        unit = heard.units[place] if heard.units else ""
        low, high = heard.columns[place]
        question = f"  number {place + 1}, {heard.latest[place]:g}{unit} now ({low:g} to {high:g})"

        def read(text: str, place: int = place) -> Named:
            if text.strip() == "?":
                again = ports.listen(heard.found, [heard.baud])
                raise InputError(
                    f"now {again.latest[place]:g}" if place < len(again.latest) else "nothing is coming in now"
                )
            return naming.read_one(text, named)

        named.append(answers.ask(f"{port} {place + 1}", question, read, guess))
    if naming.name_one(named):
        tell("  You skipped all of them. The first is kept as column_1, because a table needs one column.")
    return named


# --- 2. the car ---------------------------------------------------------------------------------------------------


def _car(answers: Answers, store: Path) -> None:
    from logger.config import examples
    from logger.config.car import CarConfig
    from logger.config.reading import parse, text_of
    from logger.record import setting_up
    from logger.units import convert

    tell("\n2. The car")
    path = _car_file(store)
    old = setting_up.car_of(path)
    car = old.car if old is not None else None
    asked = setting_up.CarAsked(
        name=answers.ask("name", "Its name", setting_up.some_words, car.name if car else "my car"),
        mass_kg=answers.ask(
            "mass", "Its mass with driver and fuel (a guess will do), such as 392kg or 860lb", setting_up.read_mass,
            f"{car.mass_kg:g}kg" if car else None,
        ),
        cooling=answers.ask(
            "cooling", "Cooled by air or water", one_of("air", "water"), car.cooling if car else "air"
        ),
        carburettor=answers.ask("carburettor", "Its carburettor, in your words", str, car.carburettor if car else ""),
        speed=answers.ask(
            "speed", "Speeds in mph or km/h", one_of("mph", "km/h"),
            old.units.speed if old else setting_up.usual_speeds(),
        ),
    )  # fmt: skip
    was = text_of(path) if old is not None else ""
    text = setting_up.car_text(was, asked)
    parse(text, CarConfig, str(path))
    if text != was:
        put_text(path, text)
        tell(f"Wrote {path}.")
    if asked.speed == "mph":
        tell(f"({asked.values['car', 'mass_kg']} kg is {convert(asked.mass_kg, 'kg', 'lb'):.0f} lb.)")
    targets = store / "targets.toml"
    if not targets.exists():
        put_text(targets, examples.text("targets.toml"))
        tell(f"Wrote {targets}.")
        tell("Its targets are common practice; your engine's maker or tuner knows better.")


def _power(answers: Answers, store: Path) -> None:
    """The engine's power: with it the lean alert is awake before the first timed runs."""
    from logger.config import writing
    from logger.config.car import CarConfig
    from logger.config.reading import parse, text_of
    from logger.record import setting_up

    path = _car_file(store)
    old = setting_up.car_of(path)
    if old is None:
        raise InputError(f"{path}: not there yet. Run `pullbook begin --only car` first")
    power = answers.ask(
        "", "Its engine's power by its maker, such as 10kW or 14hp",
        lambda text: setting_up.read_power(text, old), setting_up.power_said(old),
    )  # fmt: skip
    if power is None or power == old.car.wheel_power_kw:
        return
    text = writing.changed(text_of(path), {setting_up.POWER: power})
    parse(text, CarConfig, str(path))
    put_text(path, text)
    tell(f"Wrote {path}: {power:g} kW at the wheels, 0.8 of it.")


def _car_file(store: Path) -> Path:
    """The car's file that the recorder's names; where that names none it is made to."""
    from logger.config import writing
    from logger.record import setting_up

    old = setting_up.old_recorder(store / "recorder.toml")
    if old is None:
        return store / setting_up.CAR_FILE
    if old.config.recorder.car is None:
        put_text(store / "recorder.toml", writing.changed(old.text, {("recorder", "car"): setting_up.CAR_FILE}))
    return store / (old.config.recorder.car or setting_up.CAR_FILE)


# --- 3. starting --------------------------------------------------------------------------------------------------


def _start(answers: Answers, store: Path | None) -> None:
    from logger.cli import autostart, shortcut

    by = autostart.possible()
    if by:
        tell("\n3. Start at login")
        if answers.ask("start", f"Start recording on its own at each login (with {by})", yes, "no"):
            for line in autostart.install(store):
                tell(wrapped(line, "  "))
    if shortcut.possible():
        tell("\n4. In the browser" if by else "\n3. In the browser")
        if answers.ask("shortcut", "Put a shortcut on the desktop that opens pullbook in the browser", yes, "yes"):
            for line in shortcut.install(store):
                tell(wrapped(line, "  "))


# --- ready --------------------------------------------------------------------------------------------------------


def _ready(store: Path, asked: Path | None) -> None:
    tell("\nReady")
    try:
        lines = understood(Files.read(None, store))
    except InputError as error:
        raise ConfigError(f"not ready to record yet: {error}") from error
    for line in lines:
        tell(wrapped(line.strip(), line[: len(line) - len(line.lstrip())]))
    tell("\nThe driver drives; a passenger looks after the laptop, or nobody does.")
    where = f" --store {shlex.quote(str(asked))}" if asked is not None else ""
    tell(f"Start recording when you like:\n  pullbook record{safe(where)}")
