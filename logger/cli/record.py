"""The verbs of recording: record, ports, status, note, check."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.cli.files import Files
from logger.cli.printing import AnywayOption, JsonOption, StoreOption, print_json, say, tell, wrapped
from logger.errors import ANYWAY, InputError, NoAnswer
from logger.units import MB_PER_GB, SPEED_UNITS, parse_quantity

if TYPE_CHECKING:
    from logger.config.recorder import Channel
    from logger.config.setup import SetupConfig
    from logger.record.alerts import Alert
    from logger.record.live import Listener, Live, Place
    from logger.record.panel import Kept
    from logger.record.ports import Heard, SerialPort
    from logger.record.recorder import Outcome, Recorder
    from logger.store.drive import Drive

app = typer.Typer()

ANSWER_S = 20.0
"""How long `record` waits for an answer about a setup before it goes on [s]."""

ConfigOption = Annotated[
    Path | None,
    typer.Option(
        "--config",
        "-c",
        help="The recorder's file; by default recorder.toml in the store.",
        show_default=False,
    ),
]


@dataclass
class Hooks:
    """What the `pullbook` command adds to recording without the recorder knowing of it.

    `after_drive(drive)` prints what is to be said of each finished drive; it must be a function of a module, for
    another process calls it (`record.closing`). `listeners(announce, files, store)` gives more
    listeners; a line that they pass to `announce` is shown at once, on the panel as the last run, and what they tell
    with it of speed and seconds is spoken. `at_end(store,
    drives)` asks the owner, once all is closed, for what those drives lack.
    `lean_watch(files, store, channel, mixture, load)` gives the alert for lean mixture at high load, and
    `lean_limit(files, channel)` the mixture beyond which it warns, in the channel's own unit. `questions(store, setup,
    but)` gives what to ask before a drive carries a setup: what is nearly one of the other drives', but `but`'s.
    """

    after_drive: Callable[[Drive], None] | None = None
    listeners: Callable[[Callable[..., None], Files, Path], Sequence[Listener]] = lambda announce, files, store: ()
    at_end: Callable[[Path, Sequence[str]], None] | None = None
    lean_watch: Callable[[Files, Path, Channel, Place, Place | None], Alert | None] = lambda *_: None
    lean_limit: Callable[[Files, Channel], float] | None = None
    questions: Callable[[Path, SetupConfig, str], Sequence[str]] = lambda store, setup, but: ()


hooks = Hooks()


@app.command(epilog="Example: pullbook record")
def record(
    config: ConfigOption = None,
    store: StoreOption = None,
    setup: Annotated[
        Path | None,
        typer.Option(help="The setup's file, instead of the one that the recorder's file names.", show_default=False),
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Stop after one drive.")] = False,
    for_: Annotated[
        str | None, typer.Option("--for", help="Stop after this time, such as 90s or 2h.", show_default=False)
    ] = None,
    plain: Annotated[bool, typer.Option("--plain", help="Plain lines instead of the panel.")] = False,
    anyway: AnywayOption = False,
    json: JsonOption = False,
) -> None:
    """Record drives, one after the other, until stopped (Ctrl-C)."""
    from logger.config.examples import is_the_example
    from logger.record import closing
    from logger.record.live import Live
    from logger.record.recorder import Recorder
    from logger.store import front, place, presence
    from logger.store.folders import make_store

    sys.setswitchinterval(0.001)  # a reader gets its turn sooner while another thread draws or decodes: better stamps
    store = store or place.default_store()
    for_s = parse_quantity(for_, "s") if for_ is not None else None
    files = Files.read(config, store, setup)
    make_store(store)
    if files.car is not None and is_the_example(files.car):
        say("the car's file still holds the example car's figures. Enter yours with `pullbook begin --only car`")
    with presence.Lock(store) as lock:
        if files.setup is not None and not anyway:
            ask_first(files.setup, store, json)
        finisher = closing.Finisher(
            store, files.text, files.car, files.setup_as_of_now(store, setup), hooks.after_drive
        )
        watched = front.WatchedNow(store)
        live = Live(files.config, watched=watched)
        recorder = Recorder(store, files.config, finisher, live.put, once=once, for_s=for_s, lock=lock)
        kept = _views(files, live, recorder, store, plain, json, watched)
        live.start()
        outcome = _run(recorder)
        shown = live.finish()
        by_hand = recorder.stopping == "Ctrl-C"
    bounded = once or for_s is not None
    nothing = bounded and not outcome.drives and not outcome.unfinished
    code = 1 if outcome.trouble or outcome.lost_bytes or nothing else 0
    # A terminal that stalls or is gone, or a drive that is left to the next start, must not hold up the end.
    try:
        if shown:
            _report(outcome, kept, nothing, json)
            sys.stdout.flush()
    except OSError:
        shown = False
    if not shown or recorder.finishing:
        os._exit(code)
    if kept is not None and by_hand and outcome.drives and hooks.at_end is not None:
        hooks.at_end(store, [path.name for path in outcome.drives])
    raise typer.Exit(code)


@app.command(epilog="Example: pullbook ports --listen")
def ports(
    device: Annotated[
        list[str] | None, typer.Argument(help="More ports to look at, besides those that the system lists.")
    ] = None,
    listen: Annotated[bool, typer.Option("--listen", help="Listen to each port: what it sends, and how fast.")] = False,
    json: JsonOption = False,
) -> None:
    """Show the serial ports. With --listen, show what each sends, as a complete recorder.toml."""
    from concurrent.futures import ThreadPoolExecutor

    from logger.cli.printing import console, table
    from logger.record import naming
    from logger.record import ports as serial_ports

    found = serial_ports.listed(device or [])
    if missing := [name for name in device or [] if name not in {port.device for port in found} and "*" not in name]:
        raise InputError(f"{missing[0]}: no such port")
    heard: list[serial_ports.Heard] = []
    if listen and found:
        if not json:
            tell("# Listening for up to half a minute; nothing is sent.")
            tell("# This is a complete recorder.toml; `pullbook begin` writes a longer one.")
        with ThreadPoolExecutor(len(found)) as pool:
            heard = list(pool.map(serial_ports.listen, found))
    if json:
        said = {one.found.device: (one, block) for one, block in zip(heard, naming.blocks(heard), strict=True)}
        print_json({"ports": [_port_said(port, *said.get(port.device, (None, ""))) for port in found]})
    elif found and not listen:
        console().print(
            table(
                ["port", "USB identity", "description"],
                [[p.device, p.usb, p.description] for p in found],
                left=(0, 1, 2),
            )
        )
        tell("\n`pullbook ports --listen` shows what each one sends.")
    else:
        for one, block in zip(heard, naming.blocks(heard), strict=True):
            tell(f"\n# {one.found.device}  {one.found.usb}  {one.found.description}".rstrip())
            tell(wrapped(serial_ports.in_words(one), "#   "))
            if block:
                tell(block)
    if not found:
        raise NoAnswer(
            "no serial port is plugged in. If the system does not list yours, name it: pullbook ports DEVICE"
        )


@app.command(epilog="Example: pullbook status")
def status(store: StoreOption = None, json: JsonOption = False) -> None:
    """Show what the recorder is doing, from any terminal."""
    from logger.cli.printing import console, table
    from logger.store import place, presence

    store = store or place.default_store()
    running, state = presence.is_recording(store), presence.read_state(store) or {}
    state = {**state, "running": running, "store": str(store)}
    if not running:
        state["state"] = "not running"
        if json:
            print_json(state)
            raise typer.Exit(1)
        raise NoAnswer(f"{store}: no recorder is running on this store")
    try:
        age = presence.age_s(state)
        for source in state["sources"]:
            if source["last_bytes_s_ago"] is not None:
                source["last_bytes_s_ago"] = round(source["last_bytes_s_ago"] + age, 1)
        state["age_s"] = round(age, 1)
        doubts = list((state.get("seen") or {}).get("doubts", ()))
        lines, rows = _state_said(state), [_source_said(source, doubts) for source in state["sources"]]
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise NoAnswer(f"{store}: a recorder is running, but its status cannot be read just now") from error
    if json:
        print_json(state)
        return
    out = console()
    for line in lines[:-1]:
        tell(wrapped(line, "", out.width))
    heads = ["source", "state", "port", "lines/s", "bytes/s", "last bytes"]
    if out.width >= _WIDE:
        out.print(table(heads, rows, left=(0, 1, 2)))
    else:
        for row in rows:
            said = ", ".join(f"{head} {cell}" for head, cell in zip(heads[3:], row[3:], strict=True))
            tell(wrapped(f"{row[0]}: {row[1]}; {row[2]}; {said}", "", out.width))
    tell(wrapped(lines[-1], "", out.width))


def _state_said(state: dict[str, Any]) -> list[str]:
    """The recorder's own lines of `status`, without its sources; KeyError, TypeError, ... where it tells no state."""
    from logger.record.panel import clock_time
    from logger.record.told import stuck_said

    recorded = f", {clock_time(state['recorded_s'])} into drive {state['drive']}" if state.get("drive") else ""
    lines = [f"{state['state']}{recorded} (process {state['pid']}, {state['age_s']:.0f} s ago)"]
    if stuck := stuck_said(state):
        lines.append(stuck)
    seen = state.get("seen") or {}
    if moment := "   ".join(word for word in (seen.get("mixture"), _speed_said(state), seen.get("channels")) if word):
        lines.append(moment)
    for key, before in (("alert", ""), ("waiting", ""), ("last_run", "last run: ")):
        if words := seen.get(key):
            lines.append(f"{before}{words}")
    if state["trouble"]:
        lines.append(f"trouble: {state['trouble']}; {state['lost_bytes']} bytes could not be kept")
    return [*lines, f"{state['free_mb'] / MB_PER_GB:.1f} GB free in {state['store']}"]


def _speed_said(state: dict[str, Any]) -> str:
    """The speed in both units, for whoever asks; "" where none is known."""
    speed = state.get("speed_mps")
    if speed is None:
        return ""
    return f"{speed / SPEED_UNITS['mph']:.0f} mph ({speed / SPEED_UNITS['km/h']:.0f} km/h)"


_WIDE = 72
"""Columns that the table of sources needs."""


def _source_said(source: dict[str, Any], doubts: Sequence[str]) -> list[str]:
    """A source's row of `status`, as the panel has it."""
    from logger.record.told import source_said

    ago = source["last_bytes_s_ago"]
    return [
        str(source["name"]),
        source_said(source, doubts)[0],
        f"{source['port']} at {source['baud']}" if source["state"] == "open" else str(source["why"]),
        f"{source['lines_per_s']:.0f}",
        f"{source['bytes_per_s']:.0f}",
        "never" if ago is None else f"{ago:.1f} s ago",
    ]


@app.command(epilog='Example: pullbook note "headwind"')
def note(
    text: Annotated[str, typer.Argument(help="What to note, in quotes.")],
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Add a timed note to the drive being recorded, or to the next one if none is."""
    from datetime import UTC, datetime

    from logger.decode.clock import monotonic_ns
    from logger.store import place, presence

    mono_ns, utc = monotonic_ns(), datetime.now(UTC).isoformat()
    store = store or place.default_store()
    if not text.strip():
        raise InputError("the note is empty. Write some words in quotes")
    if not presence.is_recording(store):
        raise NoAnswer(f"{store}: no recorder is running on this store, so there is no drive to add this note to")
    presence.leave_note(store, text.strip(), mono_ns, utc)
    current = (presence.read_state(store) or {}).get("drive")
    if json:
        print_json({"note": text.strip(), "utc": utc, "drive": current})
    else:
        tell(f"noted in {current}" if current else "kept for the next drive")


@app.command(epilog="Example: pullbook check recorder.toml")
def check(
    config: Annotated[
        Path | None, typer.Argument(help="The recorder's file; by default recorder.toml in the store.")
    ] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Read the recorder's file and the files it names, and show what was understood."""
    from logger.store import place

    files = Files.read(config, store or place.default_store())
    lines = understood(files)
    if json:
        print_json({"file": str(files.path), "sources": [s.name for s in files.config.source], "understood": lines})
    else:
        tell("\n".join(lines))


def questions(store: Path, setup: SetupConfig, but: str = "") -> Sequence[str]:
    """What to ask before a drive carries `setup`. Nothing where it was put in force: `pullbook setup` has asked."""
    from logger.config.reading import load
    from logger.config.setup import SETUP_IN_FORCE, SetupConfig

    with contextlib.suppress(InputError):  # none, or one that cannot be read
        if load(store / SETUP_IN_FORCE, SetupConfig) == setup:
            return ()
    return hooks.questions(store, setup, but)


def ask_first(setup: SetupConfig, store: Path, json: bool) -> None:
    """Ask before recording starts, where somebody may be at a terminal; InputError where the answer is no.

    Recording is not held up: without a terminal, or an answer in time, it goes on, and says so.
    """
    from logger.record.terminal import Terminal, answered

    try:
        doubts = questions(store, setup)
    except Exception as error:  # whatever is wrong with other drives is no reason to miss this one
        say(f"setup {setup.name!r} could not be compared with those of other drives: {error}")
        return
    if not doubts:
        return
    for doubt in doubts:
        say(doubt)
    if not json and Terminal.usable():
        say(f"record with it as written? y or n. Without an answer recording starts in {ANSWER_S:g} s")
        if answered("yn", ANSWER_S) == "n":
            raise InputError(f"nothing is recorded. Correct setup {setup.name!r} first. {ANYWAY}")
    say("it is recorded as written. `pullbook setup FILE --drive DRIVE` corrects a drive's setup later")


def _views(
    files: Files, live: Live, recorder: Recorder, store: Path, plain: bool, json: bool, watched: Callable[[], bool]
) -> Kept | None:
    """Add who is shown what happens: the panel on a terminal, else plain lines; the lean alert; what the hooks add.

    With the panel, gives what is to be printed when it is gone.
    """
    from logger.decode.clock import monotonic_ns
    from logger.decode.events import event
    from logger.record import panel
    from logger.record.alerts import Alerts
    from logger.record.live import Doubts
    from logger.record.seen import LatestSeen
    from logger.record.shown import ShownOutside
    from logger.record.speaker import Speaker
    from logger.record.terminal import Terminal
    from logger.record.voice import Voice, engine
    from logger.record.watched import ChannelWatch, watched_of

    def announce(text: str, **told: float) -> None:
        live.put(event(monotonic_ns(), "run", text=text, **told))

    doubts = Doubts(recorder.status, lambda text: live.put(event(monotonic_ns(), "doubt", text=text)))
    live.add(doubts)
    lean = _lean_watch(files, store, live)
    cautions = _first_time(store)
    channels = ChannelWatch(watched_of(files.config, files.car, live))
    for each in (lean, channels):
        if each is not None:
            live.add(each)
    alerts = Alerts([each for each in (lean, channels) if each is not None])
    if files.config.recorder.speak:
        live.add(Speaker(Voice(engine()), alerts))
    mixture = live.place("afr", "lambda")
    speed = next((source.name for source in files.config.source if source.kind == "nmea"), None)
    unit = files.car.units.speed if files.car is not None else "mph"
    recorder.seen = LatestSeen(doubts, alerts, channels, mixture, unit)
    live.add(recorder.seen)
    live.add(ShownOutside(store, watched, alerts, mixture, speed))
    kept = None
    if not plain and not json and Terminal.usable():
        shown = panel.Shown(mixture, speed, unit)
        bell = files.config.recorder.bell
        live.add(
            panel.Panel(Terminal(), shown, recorder.status, recorder.note, alerts, doubts, bell, cautions, channels)
        )
        kept = panel.Kept()
        live.add(kept)
    else:
        live.add(panel.LogLines(sys.stderr if json else sys.stdout, alerts, cautions))
    for listener in hooks.listeners(announce, files, store):
        live.add(listener)
    return kept


def _lean_watch(files: Files, store: Path, live: Live) -> Alert | None:
    from logger.config.recorder import channels_of

    settings, mixture = files.config.recorder, live.place("afr", "lambda")
    if mixture is None:
        return None
    source = next(source for source in files.config.source if source.name == mixture.source)
    channel = next(channel for channel in channels_of(source) if channel.channel == mixture.channel)
    load = live.place(settings.load_channel) if settings.load_channel is not None else None
    return hooks.lean_watch(files, store, channel, mixture, load)


def _first_time(store: Path) -> bool:
    """Whether this store was never recorded into: then the cautions are shown."""
    mark = store / ".recorder" / "cautions-shown"
    if mark.exists():
        return False
    with contextlib.suppress(OSError):
        mark.write_text("The cautions were shown here; they are in README.md too.\n", encoding="utf-8")
    return True


def _run(recorder: Recorder) -> Outcome:
    """Run the recorder on a thread of its own, so that signals are handled at once whatever it is doing."""
    outcomes: list[Outcome] = []
    failures: list[BaseException] = []

    def run() -> None:
        try:
            outcomes.append(recorder.run())
        except BaseException as error:  # handed on below
            failures.append(error)

    writer = threading.Thread(target=run, name="writer")
    with _Signals(recorder):
        writer.start()
        while writer.is_alive():  # a signal is handled at once on POSIX; on Windows it waits for the next round
            writer.join(1.0 if os.name == "posix" else 0.25)
    if failures:
        raise failures[0]
    return outcomes[0]


class _Signals:
    """Ctrl-C, SIGTERM, a closed terminal and a shutdown end recording; Ctrl-Z and a stalled terminal do not."""

    def __init__(self, recorder: Recorder) -> None:
        self._recorder = recorder
        self._before: dict[int, Any] = {}
        self._over = threading.Event()
        self._console: Any = None

    def __enter__(self) -> None:
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK", "SIGQUIT"):
            number = getattr(signal, name, None)
            # nohup is obeyed. A shell ignores SIGINT for what it starts in the background, but who sends it means it.
            if number is not None and (name == "SIGINT" or signal.getsignal(number) is not signal.SIG_IGN):
                self._before[number] = signal.signal(number, self._stop)
        for name in ("SIGTSTP", "SIGTTIN", "SIGTTOU", "SIGPIPE"):
            number = getattr(signal, name, None)
            if number is not None:
                self._before[number] = signal.signal(number, signal.SIG_IGN)
        if sys.platform == "win32":
            self._watch_console()

    def __exit__(self, *_: object) -> None:
        self._over.set()
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _stop(self, number: int, _: object) -> None:
        again = bool(self._recorder.stopping)
        if number == signal.SIGINT:
            self._recorder.stop("Ctrl-C", within_s=0.1 if again else None)
        else:
            self._recorder.stop(signal.Signals(number).name, within_s=0.1 if again else 4.0)

    def _watch_console(self) -> None:
        """Windows ends a process as soon as its handler for a closed console, logoff or shutdown returns: hold it."""
        if sys.platform != "win32":
            return
        import ctypes
        from ctypes import wintypes

        def handle(what: int) -> bool:
            if what not in {2, 5, 6}:  # CTRL_CLOSE_EVENT, CTRL_LOGOFF_EVENT, CTRL_SHUTDOWN_EVENT
                return False
            self._recorder.stop("the console was closed", within_s=3.5)
            self._over.wait(4.5)
            return True

        self._console = ctypes.WINFUNCTYPE(wintypes.BOOL, wintypes.DWORD)(handle)
        ctypes.windll.kernel32.SetConsoleCtrlHandler(self._console, True)


def _report(outcome: Outcome, kept: Kept | None, nothing: bool, json: bool) -> None:
    """What is to be said at the end; OSError where nobody can hear it."""
    if json:
        print_json(
            {
                "drives": [path.name for path in outcome.drives],
                "unfinished": [path.name for path in outcome.unfinished],
                "trouble": outcome.trouble,
                "lost_bytes": outcome.lost_bytes,
            }
        )
    elif kept is not None:
        tell("\n".join(kept.texts))
    for path in outcome.unfinished:
        say(
            f"drive {path.name} is safe but not finished. The next start finishes it, or `pullbook recover` does it now"
        )
    if outcome.trouble or outcome.lost_bytes:
        say(f"recording was interrupted: {outcome.trouble or 'no room'}; {outcome.lost_bytes} bytes could not be kept")
    elif nothing:
        say("nothing was recorded: no source sent anything")


def _port_said(port: SerialPort, heard: Heard | None, block: str) -> dict[str, Any]:
    said: dict[str, Any] = {"port": port.device, "usb": port.usb, "description": port.description}
    if heard is not None:
        from logger.record.ports import in_words

        said |= {
            "speaks": heard.kind,
            "baud": heard.baud or None,
            "sentences": dict(heard.sentences),
            "columns": [list(column) for column in heard.columns],
            "error": heard.error,
            "in_words": in_words(heard),
            "block": block,
        }
    return said


def understood(files: Files) -> list[str]:
    """What the recorder's file says, in a few lines of words."""
    from logger.config.examples import is_the_example
    from logger.config.recorder import channels_of
    from logger.record.ports import describe

    settings, lines = files.config.recorder, [f"{files.path}: OK"]
    for source in files.config.source:
        what = {"nmea": "NMEA sentences", "numbers": "lines of numbers", "pattern": "lines by a pattern"}
        speech = what.get(source.kind, "binary frames")
        baud = "" if source.port == "auto" and "baud" not in source.model_fields_set else f" at {source.baud} baud"
        lines.append(f"  {source.name}: {speech} from {describe(source.port)}{baud}")
        if names := [_channel_said(channel) for channel in channels_of(source)]:
            lines.append("    " + ", ".join(names))
        if source.on_open:
            lines.append(f"    sends on opening: {', '.join(map(repr, source.on_open))}")
    lines.append(
        f"  a drive ends after {settings.park_after_s:g} s parked or {settings.silence_after_s:g} s of silence; "
        f"written to disk every {settings.flush_s:g} s"
    )
    if settings.car is not None and files.car is not None:
        car = files.car.car
        lines.append(f"  car: {car.name}, {car.mass_kg:g} kg, {car.cooling}-cooled ({settings.car})")
        if is_the_example(files.car):
            lines.append("    these are the example car's figures. Enter yours with `pullbook begin --only car`")
    if files.setup is not None:
        lines.append(f"  setup: {files.setup.name}, {len(files.setup.parts)} parts")
    mixtures = [(c, s) for s in files.config.source for c in channels_of(s) if c.channel in {"afr", "lambda"}]
    if mixtures and hooks.lean_limit is not None:
        channel = mixtures[0][0]
        limit = hooks.lean_limit(files, channel)
        load = settings.load_channel or "GPS speed"
        lines.append(
            f"  lean alert: {channel.channel} above {limit:.4g} for {settings.lean_alert_s:g} s at "
            f"{settings.lean_alert_load:.0%} load or more, load from {load}; bell {'on' if settings.bell else 'off'}"
        )
        if settings.load_channel is None and (files.car is None or files.car.car.wheel_power_kw is None):
            lines.append("    asleep until timed runs were driven, or `pullbook begin --only power` was answered")
    return lines


def _channel_said(channel: Channel) -> str:
    if channel.channel is None:
        return "(one skipped)"
    if channel.calibration is None:
        return channel.channel
    how = "table" if channel.calibration.table else "polynomial" if channel.calibration.polynomial else "check"
    return f"{channel.channel} by a {how}"
