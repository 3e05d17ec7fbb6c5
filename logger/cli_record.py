"""The verbs of recording: record, ports, status, note, check."""

from __future__ import annotations

import os
import signal
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.printing import JsonOption, StoreOption, print_json
from logger.units import InputError, NoAnswer, parse_quantity

if TYPE_CHECKING:
    from logger.config import CarConfig, RecorderConfig, SetupConfig
    from logger.drive import Drive
    from logger.live import Listener
    from logger.recorder import Recorder

app = typer.Typer()

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

    `after_drive(drive)` follows each finished drive. `listeners(announce, car)` gives more listeners; what they pass
    to `announce` is shown as a line, and on the panel as the last result.
    """

    after_drive: Callable[[Drive], None] = lambda drive: None
    listeners: Callable[[Callable[[str], None], CarConfig | None], Sequence[Listener]] = lambda announce, car: ()


hooks = Hooks()


@app.command()
def record(
    config: ConfigOption = None,
    store: StoreOption = None,
    setup: Annotated[
        Path | None, typer.Option(help="The setup's file, in place of the one that the recorder's file names.")
    ] = None,
    once: Annotated[bool, typer.Option("--once", help="Stop after one drive.")] = False,
    for_: Annotated[
        str | None, typer.Option("--for", help="Stop after this time, such as 90s or 2h.", show_default=False)
    ] = None,
    plain: Annotated[bool, typer.Option("--plain", help="Plain lines in place of the panel.")] = False,
    json: JsonOption = False,
) -> None:
    """Record drives, one after the other, until stopped (Ctrl-C)."""
    from logger import closing, drive, presence
    from logger.live import Live
    from logger.panel import LogLines
    from logger.recorder import Recorder

    store = store or drive.default_store()
    for_s = parse_quantity(for_, "s") if for_ is not None else None
    files = Files.read(config, store, setup)
    store.mkdir(parents=True, exist_ok=True)
    with presence.Lock(store):
        finisher = closing.Finisher(store, files.text, files.car, files.setup, hooks.after_drive)
        live = Live(files.config)
        recorder = Recorder(store, files.config, finisher, live.put, once=once, for_s=for_s)
        live.add(LogLines(sys.stderr if json else sys.stdout))
        for listener in hooks.listeners(_announcer(live.put), files.car):
            live.add(listener)
        live.start()
        outcome = _run(recorder)
        shown = live.finish()
    answer = {
        "drives": [path.name for path in outcome.drives],
        "unfinished": [path.name for path in outcome.unfinished],
        "trouble": outcome.trouble,
        "lost_bytes": outcome.lost_bytes,
    }
    if json and shown:
        print_json(answer)
    code = 1 if outcome.trouble or outcome.lost_bytes else 0
    if not shown or outcome.unfinished:  # a stalled terminal or an unfinished drive must not hold up the end
        os._exit(code)
    if outcome.trouble:
        raise NoAnswer(f"recording had stopped: {outcome.trouble}; {outcome.lost_bytes} bytes were lost")
    if not outcome.drives and (once or for_s is not None):
        raise NoAnswer("nothing was recorded: not a byte came from any source")


@dataclass
class Files:
    """The recorder's file and what it names."""

    path: Path
    text: str
    config: RecorderConfig
    car: CarConfig | None = None
    setup: SetupConfig | None = None
    setup_path: Path | None = None
    named: list[Path] = field(default_factory=list)

    @classmethod
    def read(cls, path: Path | None, store: Path, setup: Path | None = None) -> Files:
        """Read all of them; ConfigError names the file that is wrong. Names in the file are relative to it."""
        from logger.config import CarConfig, RecorderConfig, SetupConfig, load, parse

        if path is None:
            path = store / "recorder.toml"
            if not path.is_file():
                raise InputError(
                    f"{path}: there is no such file: name the recorder's file with --config, "
                    "or make it from what `pullbook ports --listen` prints"
                )
        files = cls(path, "", load(path, RecorderConfig))
        files.text = path.read_text(encoding="utf-8-sig")
        files.config = parse(files.text, RecorderConfig, str(path))
        settings = files.config.recorder
        if settings.car is not None:
            files.car = load(path.parent / settings.car, CarConfig)
        if setup is None and settings.setup is not None:
            setup = path.parent / settings.setup
        if setup is not None:
            files.setup, files.setup_path = load(setup, SetupConfig), setup
        return files


def _announcer(put: Callable[[Any], None]) -> Callable[[str], None]:
    from logger.clock import monotonic_ns
    from logger.events import event

    return lambda text: put(event(monotonic_ns(), "run", text=text))


def _run(recorder: Recorder) -> Any:
    """Run the recorder on a thread of its own, so that signals are handled at once whatever it is doing."""
    outcomes: list[Any] = []
    failures: list[BaseException] = []

    def run() -> None:
        try:
            outcomes.append(recorder.run())
        except BaseException as error:  # handed on below
            failures.append(error)

    writer = threading.Thread(target=run, name="writer")
    with _Signals(recorder):
        writer.start()
        while writer.is_alive():
            writer.join(0.25)
    if failures:
        raise failures[0]
    return outcomes[0]


class _Signals:
    """Ctrl-C, SIGTERM, a closed terminal and a shutdown end recording; Ctrl-Z and a stalled terminal do not."""

    def __init__(self, recorder: Recorder) -> None:
        self._recorder = recorder
        self._before: dict[int, Any] = {}

    def __enter__(self) -> None:
        for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK", "SIGQUIT"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is not signal.SIG_IGN:  # nohup and the like are obeyed
                self._before[number] = signal.signal(number, self._stop)
        for name in ("SIGTSTP", "SIGTTIN", "SIGTTOU", "SIGPIPE"):
            number = getattr(signal, name, None)
            if number is not None:
                self._before[number] = signal.signal(number, signal.SIG_IGN)

    def __exit__(self, *_: object) -> None:
        for number, handler in self._before.items():
            signal.signal(number, handler)

    def _stop(self, number: int, _: object) -> None:
        again = bool(self._recorder.stopping)
        if number == signal.SIGINT:
            self._recorder.stop("Ctrl-C", within_s=0.1 if again else None)
        else:
            self._recorder.stop(signal.Signals(number).name, within_s=0.1 if again else 4.0)
