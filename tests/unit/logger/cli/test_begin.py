"""`pullbook begin`: what is asked, what is heard, and what stands in the files afterwards."""

from __future__ import annotations

import io
import os
import re
import shlex
import stat
from pathlib import Path
from typing import Any

import pytest
from rig import Cable, Sender, rmc
from typer.testing import CliRunner, Result

from logger.cli import drives as cli
from logger.cli.begin import begin as begin_
from logger.config.car import CarConfig
from logger.config.examples import folder
from logger.config.reading import load, parse
from logger.config.recorder import RecorderConfig, channels_of
from logger.config.targets import TargetsConfig
from logger.errors import ConfigError, InputError

posix = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are needed")


@pytest.fixture(autouse=True)
def no_desktop(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a machine with one there is a question more."""
    monkeypatch.setattr("logger.cli.shortcut.possible", lambda: False)


def begin(store: Path, *arguments: str, answers: str) -> Result:
    result = CliRunner().invoke(cli.app, ["begin", *arguments, "--store", str(store)], input=answers)
    if result.exception is not None and not isinstance(result.exception, SystemExit | InputError):
        raise result.exception
    return result


@posix
def test_nothing_but_enter_where_it_can_guess(tmp_path: Path) -> None:
    """Two cables are heard, and named by what they say; one answer in eight has to be typed: the mass."""
    store = tmp_path / "store"
    with Cable(tmp_path / "gps") as gps, Cable(tmp_path / "board") as board:
        senders = [
            Sender(gps, (rmc(n / 10) for n in range(10**5)), per_s=10),
            Sender(board, (b"%d.%d, 8%d, 12.6V\r\n" % (13, n % 5, n % 9) for n in range(10**5)), per_s=20),
        ]
        for sender in senders:
            sender.start()
        answers = ["", "head C", "", "", "392kg", "", "", "", ""]
        first = begin(store, str(gps.path), str(board.path), answers="\n".join(answers) + "\n")
        assert first.exit_code == 0, first.output
        assert len(answers) < 10
        said = (store / "recorder.toml").read_text()
        # Asked again, each answer is offered, and nothing is written that stays as it was.
        again = begin(store, str(gps.path), str(board.path), answers="\noil C\n" + "\n" * 7)
        assert again.exit_code == 0, again.output
        for sender in senders:
            sender.stop()
        assert gps.heard() == board.heard() == b""  # nothing is ever sent
        paths = str(gps.path), str(board.path)
    config = load(store / "recorder.toml", RecorderConfig)
    assert [(s.name, s.kind, s.port) for s in config.source] == [
        ("gps", "nmea", paths[0]),
        ("mixture", "numbers", paths[1]),
    ]
    first_config = parse(said, RecorderConfig, "before")
    named = [[(c.channel, c.quantity, c.unit) for c in channels_of(s.source[1])] for s in (first_config, config)]
    assert named[0] == [("afr", None, ""), ("head_c", "head_temperature", "degC"), ("battery_v", "battery", "V")]
    assert named[1] == [("afr", None, ""), ("oil_c", "oil_temperature", "degC"), ("battery_v", "battery", "V")]
    assert (store / "recorder.toml").read_text() == said.replace('"head_', '"oil_')
    assert "now" in first.output and "a fix" in first.output
    # The line to copy records into the store that was named, and all else fits 80 columns.
    *said_lines, command = first.output.rstrip("\n").split("\n")
    assert shlex.split(command) == ["pullbook", "record", "--store", str(store)]
    told = [line for line in said_lines if str(tmp_path) not in line]
    assert [line for line in told if len(line) > 80 and "]: " not in line] == []
    # All that the examples explain is there still.
    for example, own in (
        ("recorder.toml", "recorder.toml"),
        ("wren.toml", "car.toml"),
        ("targets.toml", "targets.toml"),
    ):
        explained = re.findall(r"#[ \t]*([a-z][^#\n]*[a-z]{3}.*)$", (folder() / example).read_text(), re.MULTILINE)
        text = (store / own).read_text()
        assert [line for line in explained if line not in text and "Wren" not in line] == []
        assert stat.S_IMODE((store / own).stat().st_mode) == 0o600
    car = load(store / "car.toml", CarConfig)
    assert car.car.model_dump(exclude_none=True) == {
        "name": "my car", "mass_kg": 392, "cooling": "air", "carburettor": "",
    }  # fmt: skip
    assert car.gearing is None and car.tyres.size == ""  # nothing of the example car is taken for the owner's
    load(store / "targets.toml", TargetsConfig)
    assert config.recorder.car == "car.toml"
    assert not list((store / ".recorder").iterdir())


def test_answers_are_asked_again_until_they_can_be_used(tmp_path: Path) -> None:
    answers = ["", "392", "7,4kg", "3kg", "860lb", "ice", "w", 'two 32s, "as found" # 2', "knots", "km"]
    result = begin(tmp_path, "--only", "car", answers="\n".join(answers) + "\n")
    assert "has no unit" in result.output and "Write decimals with a point" in result.output
    assert "50 to 20000 kg" in result.output
    assert "expected air or water" in result.output and "expected mph or km/h" in result.output
    car = load(tmp_path / "car.toml", CarConfig)
    assert car.car.mass_kg == pytest.approx(860 * 0.45359237, abs=0.05)  # 1 lb = 0.45359237 kg (NIST SP 811)
    assert (car.car.cooling, car.units.speed) == ("water", "km/h")
    assert car.car.carburettor == 'two 32s, "as found" # 2'


def test_a_mass_is_told_as_it_is_written(tmp_path: Path) -> None:
    """860 lb of 0.45359237 kg (NIST SP 811) are 390.089 kg: a tenth is more than any scale for cars knows."""
    result = begin(tmp_path, "--only", "car", answers="\n860lb\n\n\nmph\n")
    assert "(390.1 kg is 860 lb.)" in result.output
    assert load(tmp_path / "car.toml", CarConfig).car.mass_kg == 390.1


def test_who_stops_half_way_goes_on_from_there(tmp_path: Path) -> None:
    stopped = begin(tmp_path, "--only", "car", answers="Wren\n392kg\n")
    assert isinstance(stopped.exception, InputError) and "the input ended before" in str(stopped.exception)
    assert not (tmp_path / "car.toml").exists()
    again = begin(tmp_path, "--only", "car", answers="\n" * 5)
    assert "Your answers from last time are in [ ]" in again.output
    assert load(tmp_path / "car.toml", CarConfig).car.name == "Wren"
    assert not (tmp_path / ".recorder" / "begun.json").exists()


@pytest.mark.parametrize("what", ["[" * 100_000, '{"name": ', "[1]", "pipe"])
def test_kept_answers_that_cannot_be_read_are_asked_for_anew(tmp_path: Path, what: str) -> None:
    kept = tmp_path / ".recorder" / "begun.json"
    kept.parent.mkdir()
    if what != "pipe":
        kept.write_text(what)
    elif os.name == "posix":
        os.mkfifo(kept)
    begin(tmp_path, "--only", "car", answers="Wren\n392kg\n\n\n\n")
    assert load(tmp_path / "car.toml", CarConfig).car.name == "Wren"


class Lines(io.RawIOBase):
    """A terminal's input: each reading gives one line."""

    def __init__(self, *lines: bytes) -> None:
        super().__init__()
        self._lines = list(lines)

    def readable(self) -> bool:
        return True

    def readinto(self, into: Any, /) -> int:
        line = self._lines.pop(0) if self._lines else b""
        into[: len(line)] = line
        return len(line)


@pytest.mark.parametrize(("errors", "name"), [("strict", "Wren"), ("surrogateescape", "K?fer")])
def test_bytes_that_are_no_text_end_no_questions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, errors: str, name: str
) -> None:
    """A terminal in Latin-1 where the program expects UTF-8: asked again, or kept as a file can hold it."""
    names = [b"K\xe4fer\n"] + ([b"Wren\n"] if errors == "strict" else [])
    typed = io.BufferedReader(Lines(*names, b"392kg\n", b"\n", b"\n", b"\n"))
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(typed, encoding="utf-8", errors=errors))
    with pytest.raises(ConfigError, match=r"recorder\.toml: no such file"):  # the car alone was asked about
        begin_(only="car", store=tmp_path)
    assert load(tmp_path / "car.toml", CarConfig).car.name == name


def test_an_answer_is_changed_later_and_all_else_stays(tmp_path: Path) -> None:
    begin(tmp_path, "--only", "car", answers="Wren\n392kg\n\n\n\n")
    path = tmp_path / "car.toml"
    own = path.read_text().replace("\n[car]\n", "\n[car]\nmass_sigma_kg = 2  # by two scales\n# the grey one\n", 1)
    path.write_text(own)
    result = begin(tmp_path, "--only", "car", answers="\n401kg\n\n\n\n")
    assert path.read_text() == own.replace("mass_kg = 392 ", "mass_kg = 401 ", 1), result.output


def test_an_engines_power_wakes_the_lean_alert(tmp_path: Path) -> None:
    """0.8 of 14 times 745.7 W (NIST SP 811, appendix B.8: the horsepower of 550 ft lbf/s)."""
    assert "Run `pullbook begin --only car` first" in str(
        begin(tmp_path, "--only", "power", answers="14hp\n").exception
    )
    begin(tmp_path, "--only", "car", answers="Wren\n392kg\n\n\n\n")
    before = (tmp_path / "car.toml").read_text()
    begin(tmp_path, "--only", "power", answers="\n")
    assert (tmp_path / "car.toml").read_text() == before
    result = begin(tmp_path, "--only", "power", answers="14\n3W\n14hp\n")
    assert "has no unit" in result.output and "0.5 to 2000 kW" in result.output
    written = load(tmp_path / "car.toml", CarConfig).car.wheel_power_kw
    assert written == pytest.approx(0.8 * 14 * 0.7457, abs=0.01) and f"{written:g} kW at the wheels" in result.output
    text = (tmp_path / "car.toml").read_text()
    again = begin(tmp_path, "--only", "power", answers="\n")  # what is offered leaves the figure as it is
    assert "[10.44kW]" in again.output and (tmp_path / "car.toml").read_text() == text
    begin(tmp_path, "--only", "car", answers="\n" * 5)
    assert (tmp_path / "car.toml").read_text() == text


def test_a_file_that_cannot_be_read_is_named_and_left(tmp_path: Path) -> None:
    (tmp_path / "recorder.toml").write_text("[recorder]\nflush_s = 0,5\n")
    result = begin(tmp_path, answers="\n" * 20)
    assert isinstance(result.exception, ConfigError) and "line 2" in str(result.exception)
    assert (tmp_path / "recorder.toml").read_text() == "[recorder]\nflush_s = 0,5\n"


def test_without_a_port_the_explained_file_looks_for_both(tmp_path: Path) -> None:
    result = begin(tmp_path, "--only", "ports", answers="listen\n\n")
    assert result.output.count("Nothing heard looks like") == 2
    assert [source.port for source in load(tmp_path / "recorder.toml", RecorderConfig).source] == ["auto", "auto"]


@posix
def test_any_part_of_what_ports_prints_can_be_pasted(tmp_path: Path) -> None:
    """The whole screen is a file; of a part that is none, one line says what is wrong with it."""
    with Cable(tmp_path / "gps") as gps, Cable(tmp_path / "a") as a, Cable(tmp_path / "b") as b:
        senders = [
            Sender(gps, (rmc(n / 10) for n in range(10**5)), per_s=10),
            *(Sender(each, (b"13.%d\r\n" % (n % 5) for n in range(10**5)), per_s=20) for each in (a, b)),
        ]
        for sender in senders:
            sender.start()
        ports = [str(cable.path) for cable in (gps, a, b)]
        printed = CliRunner().invoke(cli.app, ["ports", *ports, "--listen"]).output
        for sender in senders:
            sender.stop()
    assert len(parse(printed, RecorderConfig, "pasted").source) == 3
    assert [
        line for line in printed.splitlines() if len(line) > 80 and not line.startswith("port = ")
    ] == []  # a port's path is not cut
    screen = ["$ pullbook ports --listen", *printed.splitlines(), "$ "]
    for first in range(0, len(screen), 3):
        for last in range(first + 1, len(screen) + 1, 2):
            part = "\n".join(screen[first:last])
            try:
                parse(part, RecorderConfig, "pasted")
            except ConfigError as error:
                said = str(error)
                assert "\n" not in said
                if first == 0:
                    assert "line 1: '$ pullbook ports --listen' was copied from the screen" in said, part
                else:
                    assert re.search(r"line \d+: |missing|unknown key|has a name", said), (said, part)


def test_a_shortcut_is_offered_where_there_is_a_desktop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[object] = []
    monkeypatch.setattr("logger.cli.shortcut.possible", lambda: True)
    monkeypatch.setattr("logger.cli.autostart.possible", lambda: "")
    monkeypatch.setattr("logger.cli.shortcut.install", lambda store: asked.append(store) or ["Wrote it."])
    (tmp_path / "recorder.toml").write_text((folder() / "recorder.toml").read_text().replace('car = "wren.toml"', ""))
    for answer, count in (("", 1), ("no", 1), ("y", 2)):
        result = begin(tmp_path, "--only", "start", answers=f"{answer}\n")
        assert result.exit_code == 0 and len(asked) == count, result.output
