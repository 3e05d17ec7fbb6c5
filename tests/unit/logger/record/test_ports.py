"""Ports found, opened, lost and told apart; what is heard, in words and as a block to paste."""

from __future__ import annotations

import os
import sys
import threading
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rig import Cable, nmea, rmc

from logger import errors
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig, Source
from logger.decode.sentences import sentence_name
from logger.record import naming, ports
from logger.record.recorder import recogniser

posix = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are needed")


def sources(text: str) -> list[Source]:
    return list(parse(text, RecorderConfig, "test").source)


def numbers(name: str, port: str, columns: int = 1, extra: str = "") -> str:
    column = "".join(f'  [[source.column]]\n  channel = "{name}_{n}"\n' for n in range(columns))
    return f'[[source]]\nname = "{name}"\nkind = "numbers"\nport = "{port}"\n{extra}{column}'


GPS = '[[source]]\nname = "gps"\nkind = "nmea"\nport = "auto"\n'


# --- reading ------------------------------------------------------------------------------------------------------


@pytest.fixture(params=sorted({sys.platform, "darwin"}))
def platform(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    """Where it runs, for the two ways to wait for bytes."""
    monkeypatch.setattr(sys, "platform", request.param)
    return str(request.param)


@posix
@pytest.mark.usefixtures("platform")
def test_read_takes_all_that_came_and_nothing_where_nothing_came(tmp_path: Path) -> None:
    with Cable(tmp_path / "a") as cable, ports.open_port(ports.SerialPort(str(cable.path))) as port:
        assert port.read(0.01) == b""
        cable.send(b"one\r\ntwo\r\n")
        assert port.read(1.0) == b"one\r\ntwo\r\n"
        port.write(b"hello\r\n")
        assert cable.heard(1.0) == b"hello\r\n"


@posix
@pytest.mark.usefixtures("platform")
def test_read_waits_no_longer_than_it_is_told_and_no_longer_than_for_the_first_byte(tmp_path: Path) -> None:
    with Cable(tmp_path / "a") as cable, ports.open_port(ports.SerialPort(str(cable.path))) as port:
        began = time.monotonic()
        assert port.read(0.2) == b""
        assert 0.19 < time.monotonic() - began < 2.0
        later = threading.Timer(0.1, cable.send, [b"late"])
        later.start()
        began = time.monotonic()
        assert port.read(30.0) == b"late"
        assert time.monotonic() - began < 10.0
        later.join()


def test_no_read_gives_more_than_memory_is_reckoned_by() -> None:
    """What is shown may wait in so many reads (`live.QUEUE_CHUNKS`)."""

    class Full:
        in_waiting = 10 * ports.READ_BYTES

        def read(self, size: int) -> bytes:
            return bytes(size)

    assert ports.Port(ports.SerialPort("COM3"), 9600, Full()).read() == bytes(ports.READ_BYTES)


@posix
@pytest.mark.usefixtures("platform")
def test_a_cable_that_is_pulled_is_lost(tmp_path: Path) -> None:
    cable = Cable(tmp_path / "a")
    with ports.open_port(ports.SerialPort(str(cable.path))) as port:
        cable.unplug()
        with pytest.raises(errors.PortError, match="was lost"):
            port.read(1.0)


def test_the_loop_back_port_of_pyserial(tmp_path: Path) -> None:
    """A port without a file descriptor is read through pyserial's own calls, as on Windows."""
    with ports.open_port(ports.SerialPort("loop://")) as port:
        assert port.read() == b""
        port.write(b"13.2\r\n13.3\r\n")
        data = b""
        while len(data) < 12:
            data += port.read()
        assert data == b"13.2\r\n13.3\r\n"


@posix
def test_a_port_is_for_one(tmp_path: Path) -> None:
    with (
        Cable(tmp_path / "a") as cable,
        ports.open_port(ports.SerialPort(str(cable.path))),
        pytest.raises(errors.PortError, match="in use by another program"),
    ):
        ports.open_port(ports.SerialPort(str(cable.path)))


@pytest.mark.parametrize("device", ["/dev/nothing-here", "socket://127.0.0.1:1", "nonsense://x"])
def test_what_cannot_be_opened_says_why_in_a_line(device: str) -> None:
    with pytest.raises(errors.PortError) as raised:
        ports.open_port(ports.SerialPort(device))
    assert device.split(":", maxsplit=1)[0] in str(raised.value)
    assert "\n" not in str(raised.value)


# --- which port is whose ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("wanted", "usb", "match"),
    [
        ("1546:01a8", "1546:01a8", True),
        ("1546:01a8", "1546:01a8:A50285BI", True),
        ("1546:01a8:A50285BI", "1546:01a8:A50285BI", True),
        ("1546:01a8:A50285BI", "1546:01a8:OTHER", False),
        ("1546:01a8:A50285BI", "1546:01a8", False),
        ("1546:01a8", "1546:01a9", False),
        ("1546:01a8", "", False),
    ],
)
def test_usb_identity(wanted: str, usb: str, match: bool) -> None:
    assert ports.same_usb(wanted, usb) is match


@posix
def test_a_usb_identity_is_looked_up_anew_each_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The device comes back under another name: the system's list (the only thing replaced here) says where."""
    plugged: list[ports.SerialPort] = []
    monkeypatch.setattr(ports, "listed", lambda also=(): plugged)
    (source,) = sources(numbers("mixture", "1546:01A8"))
    finder = ports.Finder([source], recogniser)
    with pytest.raises(errors.PortError, match="USB port 1546:01A8 is not plugged in"):
        finder.open(source)
    for name in ("ttyUSB0", "ttyUSB7"):
        with Cable(tmp_path / name) as cable:
            plugged[:] = [
                ports.SerialPort("/dev/other", "0403:6001"),
                ports.SerialPort(str(cable.path), "1546:01a8:123"),
            ]
            opened = finder.open(source)
            assert opened.port.found.device == str(cable.path)
            opened.port.close()
            finder.release(source)


@posix
def test_auto_tells_kinds_apart_by_ear_and_keeps_what_it_heard(tmp_path: Path) -> None:
    two = sources(GPS + numbers("mixture", "auto", columns=2))
    with Cable(tmp_path / "tty0") as board, Cable(tmp_path / "tty1") as gps, Cable(tmp_path / "tty2"):
        finder = ports.Finder(two, recogniser, [f"{tmp_path}/tty*"], patience_s=0.6)
        over = threading.Event()

        def speak() -> None:
            for n in range(10_000):
                if over.wait(0.02):
                    return
                gps.send(rmc(n / 50))
                board.send(b"13.2,%d\r\n" % n)

        speaker = threading.Thread(target=speak)
        speaker.start()
        opened = {}
        for source in two:  # listening takes what it takes: a recorder tries again as well
            ends = time.monotonic() + 20
            while source.name not in opened and time.monotonic() < ends:
                try:
                    opened[source.name] = finder.open(source)
                except errors.PortError:
                    time.sleep(0.1)
        over.set()
        speaker.join()
        assert opened["gps"].port.found.device == str(gps.path)
        assert opened["mixture"].port.found.device == str(board.path)
        heard = b"".join(data for _, data in opened["gps"].heard)
        assert heard in gps.all_sent() and heard.count(b"RMC") >= 2
        stamps = [mono_ns for mono_ns, _ in opened["gps"].heard]
        assert stamps == sorted(stamps)
        for one in opened.values():
            one.port.close()


@posix
def test_auto_leaves_alone_what_another_source_names(tmp_path: Path) -> None:
    with Cable(tmp_path / "tty0") as cable:
        two = sources(GPS + numbers("mixture", str(cable.path)))
        finder = ports.Finder(two, recogniser, [f"{tmp_path}/tty*"], patience_s=0.1)
        assert [found.device for found in finder.candidates(two[0]) if found.device == str(cable.path)] == []


@pytest.mark.parametrize(
    ("text", "data", "known"),
    [
        (GPS, rmc(0)[10:] + rmc(1) + rmc(2) + b"$GN", True),
        (GPS, rmc(0)[10:] + rmc(1), False),
        (GPS, b"13.2\r\n" * 20, False),
        (numbers("mixture", "auto"), b"3.2\r\n13.2\r\n13.1\r\n13.0\r\n", True),
        (numbers("mixture", "auto"), b"13.2\r\n13.1\r\n", False),
        (numbers("mixture", "auto"), rmc(0) * 9, False),
        (numbers("mixture", "auto"), bytes(range(256)) * 4, False),
        (numbers("board", "auto", columns=3), b"1,2\r\n" * 9, False),
    ],
)
def test_recognised_by_its_own_decoder(text: str, data: bytes, known: bool) -> None:
    assert recogniser(sources(text)[0])(data) is known


# --- what an unknown port speaks ----------------------------------------------------------------------------------


@posix
@pytest.mark.parametrize(
    ("says", "kind", "words"),
    [
        (rmc(0) + nmea("GPGGA,1,2,3"), "nmea", "GGA, RMC"),
        (b"13.2V; 27\r\n", "numbers", "lines of 2 numbers"),
        (b"afr=13.2\r\n", "unknown", "an unknown format"),
        (b"\xaa\x55\x01\x02\x03", "unknown", "aa 55 01"),
        (b"", "silent", "silent"),
    ],
)
def test_listening(tmp_path: Path, says: bytes, kind: str, words: str) -> None:
    with Cable(tmp_path / "a") as cable:
        over = threading.Event()

        def speak() -> None:
            while says and not over.wait(0.03):
                cable.send(says)

        speaker = threading.Thread(target=speak)
        speaker.start()
        heard = ports.listen(ports.SerialPort(str(cable.path)), bauds=(9600, 38400), patience_s=0.4)
        over.set()
        speaker.join()
    assert heard.kind == kind
    assert words in ports.in_words(heard)
    (block,) = naming.blocks([heard])
    assert bool(block) == (kind in {"nmea", "numbers"})
    if block:
        (source,) = sources(block)
        assert source.kind == kind
        assert source.port == str(cable.path)
        assert recogniser(source)(says * 12)


def test_listening_to_what_cannot_be_opened() -> None:
    heard = ports.listen(ports.SerialPort("/dev/nothing-here"))
    assert heard.kind == "closed" and "not there" in ports.in_words(heard)


def test_a_block_names_afr_only_where_one_column_looks_like_it() -> None:
    found = ports.SerialPort("/dev/ttyUSB0", "0403:6001:X")
    lone = ports.Heard(found, "numbers", 9600, columns=[(13.0, 14.5), (0.1, 0.2)])
    assert 'channel = "afr"' in naming.blocks([lone])[0] and 'port = "0403:6001:X"' in naming.blocks([lone])[0]
    both = ports.Heard(found, "numbers", 9600, columns=[(13.0, 14.5), (12.0, 12.6)])
    assert "afr" not in naming.blocks([both])[0]


# Published example of a sentence with its checksum (NMEA 0183, in many receiver manuals; from memory).
def test_a_sentence_is_known_by_its_checksum() -> None:
    good = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"
    assert sentence_name(good) == "GPRMC"
    assert sentence_name(good.replace(b"022.4", b"022.5")) == ""
    assert sentence_name(good[:-3]) == ""


@given(st.binary(max_size=300))
@settings(deadline=None)
def test_random_bytes_are_made_out_without_harm(data: bytes) -> None:
    port = type("Port", (), {"found": ports.SerialPort("x"), "baud": 9600})()
    heard = ports.make_out(port, data)  # type: ignore[arg-type]
    assert heard.kind in {"unknown", "silent", "numbers", "nmea"}
    ports.in_words(heard), naming.blocks([heard])
    for line in ports.lines_in(data):
        sentence_name(line), ports.numbers_in(line)


# --- commands -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "sent"),
    [
        (r"$PXYZ,1*00\r\n", b"$PXYZ,1*00\r\n"),
        (r"\xB5\x62\x06", b"\xb5\x62\x06"),
        (r"a\\r", b"a\\r"),
        (r"\q\xZZ", b"\\q\\xZZ"),
        ("µ\r", "µ\r".encode()),
        ("", b""),
    ],
)
def test_command_bytes(text: str, sent: bytes) -> None:
    assert ports.command_bytes(text) == sent


@pytest.mark.parametrize(
    ("spec", "words"),
    [
        ("auto", "whichever port sends it"),
        ("1546:01a8", "the USB device 1546:01a8"),
        ("1546:01a8:XY", "the USB device 1546:01a8 with serial number XY"),
        ("socket://h:1", "the address socket://h:1"),
        ("/dev/ttyUSB0", "the port /dev/ttyUSB0"),
        ("COM3", "the port COM3"),
    ],
)
def test_ports_in_words(spec: str, words: str) -> None:
    assert ports.describe(spec) == words
