"""Serial ports: find one, open it, notice its loss, find it again, and hear what an unknown one speaks.

A source names its port in one of four ways: a path (`/dev/ttyUSB0`, `COM3`), a USB identity in hexadecimal
(`1546:01a8`, or with the serial number `1546:01a8:A50285BI`), `auto` (whichever port speaks as the source should), or
a pyserial URL (`socket://host:port`, `rfc2217://...`, `loop://`). `Finder` opens them for several sources without two
taking the same one; `listen` tells what an unknown port speaks, by listening only.
"""

from __future__ import annotations

import contextlib
import glob
import os
import re
import select
import sys
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import serial
from serial.tools import list_ports

from logger.config.recorder import Source
from logger.decode.clock import monotonic_ns
from logger.decode.framing import Frame
from logger.decode.sentences import SentenceReader, sentence_name
from logger.errors import PortError

USUAL_BAUDS = (9600, 38400, 115200, 4800, 57600, 19200, 230400, 460800)
"""The speeds tried when listening, the commonest first (common practice, no source)."""

_USB = re.compile(r"^([0-9a-fA-F]{4}):([0-9a-fA-F]{4})(?::(.+))?$")
_SYSTEM_PORT = re.compile(r"/dev/ttyS\d+|/dev/(cu|tty)\.(Bluetooth-Incoming-Port|debug-console|wlan-debug)")
_PARITY = {"none": "N", "even": "E", "odd": "O", "mark": "M", "space": "S"}
READ_BYTES = 4096
"""The most that one read gives: what a terminal's buffer holds on Linux. To lay out more for each read costs more."""


@dataclass(frozen=True)
class SerialPort:
    """A serial port this machine has: its device path now, its USB identity where it has one, what it calls itself."""

    device: str
    usb: str = ""
    description: str = ""


def listed(also: Sequence[str] = ()) -> list[SerialPort]:
    """The machine's serial ports, then those of `also`: paths, or patterns with * for a family of paths.

    The board's own UARTs on Linux and the system's own pseudo-ports on macOS are left out: they are listed whether or
    not anything is wired to them, and opening one may disturb a console. A source may still name one by its path.
    """
    found = [
        SerialPort(port.device, _identity(port.vid, port.pid, port.serial_number), port.description or "")
        for port in sorted(list_ports.comports())
        if port.vid is not None or not _SYSTEM_PORT.fullmatch(port.device)
    ]
    known = {_real(port.device) for port in found}
    for pattern in also:
        for device in sorted(glob.glob(pattern)) if glob.has_magic(pattern) else [pattern]:  # noqa: PTH207
            if _real(device) not in known and (_is_url(device) or os.name == "nt" or os.path.exists(device)):  # noqa: PTH110
                known.add(_real(device))
                found.append(SerialPort(device))
    return found


class Port:
    """An open port. `read` gives bytes as they come and raises PortError once the port is gone."""

    def __init__(self, found: SerialPort, baud: int, line: Any) -> None:
        self.found, self.baud, self._line = found, baud, line
        # On POSIX one wait and one read take all that has come; pyserial's own read would take a first byte alone
        # (nothing is waiting yet) and the rest in a second round of calls, at twice the processor time.
        self._fd: int | None = None
        self._poll: Any = None
        if os.name == "posix":
            with contextlib.suppress(Exception):  # a URL handler need not have a file descriptor
                self._fd = int(line.fileno())
        if self._fd is None:
            line.timeout = 0.25
        elif sys.platform == "linux":  # a third cheaper than select; elsewhere it may not know terminals
            self._poll = select.poll()
            self._poll.register(self._fd, select.POLLIN)

    def read(self, timeout_s: float = 0.25) -> bytes:
        """The bytes that are there, `READ_BYTES` at most, or the first within `timeout_s` [s]; b"" where none came."""
        try:
            if self._poll is not None:
                if not self._poll.poll(1000 * timeout_s):
                    return b""
            elif self._fd is None:
                return bytes(self._line.read(min(READ_BYTES, max(1, self._line.in_waiting))))
            elif not select.select([self._fd], [], [], timeout_s)[0]:
                return b""
            data = os.read(self._fd, READ_BYTES)  # type: ignore[arg-type]
        except BlockingIOError:
            return b""
        except (OSError, ValueError, TypeError) as error:  # pyserial's SerialException is an OSError
            raise PortError(f"{self.found.device} was lost: {error}") from error
        if not data:  # ready and yet nothing to read: the device is gone
            raise PortError(f"{self.found.device} was lost")
        return data

    def write(self, data: bytes) -> None:
        """Send `data`; PortError where it cannot be sent within a second."""
        try:
            self._line.write_timeout = 1.0
            self._line.write(data)
        except (OSError, ValueError) as error:
            raise PortError(f"{self.found.device}: cannot be written to: {error}") from error

    def close(self) -> None:
        with contextlib.suppress(Exception):  # a device that is gone may refuse to be closed as well
            self._line.close()

    def __enter__(self) -> Port:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_port(found: SerialPort, source: Source | None = None, baud: int | None = None) -> Port:
    """Open `found` with the line settings of `source` (8 data bits, no parity, 1 stop bit without one)."""
    baud = baud or (source.baud if source else USUAL_BAUDS[0])
    settings: dict[str, Any] = {"baudrate": baud, "timeout": 0.25}
    if source is not None:
        settings |= {"bytesize": source.data_bits, "parity": _PARITY[source.parity], "stopbits": source.stop_bits}
    if not _is_url(found.device):
        settings["exclusive"] = True
    try:
        line = serial.serial_for_url(found.device, **settings)
    except (OSError, ValueError) as error:
        raise PortError(_why_not(found.device, error)) from error
    return Port(found, baud, line)


# --- which port is whose ------------------------------------------------------------------------------------------


@dataclass
class Opened:
    """A source's port, now open, and what was heard while finding out that it is the one: (mono_ns, bytes) each."""

    port: Port
    heard: list[tuple[int, bytes]] = field(default_factory=list)


Recogniser = Callable[[bytes], bool]


class Finder:
    """Opens the ports of several sources, so that each gets its own, by path, USB identity, URL or listening.

    `recogniser(source)` gives a function that says whether bytes heard so far are surely what that source speaks; it
    is needed for `auto` alone. `also` names paths beside the machine's own list (see `listed`).
    """

    def __init__(
        self,
        sources: Sequence[Source],
        recogniser: Callable[[Source], Recogniser],
        also: Sequence[str] = (),
        patience_s: float = 1.3,
    ) -> None:
        self._sources, self._recogniser, self._also, self._patience_s = sources, recogniser, also, patience_s
        self._listening, self._claims = threading.Lock(), threading.Lock()
        self._taken: dict[str, str] = {}  # device -> source name
        self._last_seen: dict[str, str] = {}  # source name -> device, tried first on return
        # (source name, device) -> until when it is left alone, not having been the one, and for how long that is [s]
        self._not_the_one: dict[tuple[str, str], tuple[float, float]] = {}

    def open(self, source: Source, stopped: Callable[[], bool] = lambda: False) -> Opened:
        """Open the port of `source`; PortError says why it cannot be had yet. `stopped` ends a long listening."""
        if source.port == "auto":
            return self._open_by_ear(source, stopped)
        if usb := _USB.match(source.port):
            wanted = _identity(int(usb[1], 16), int(usb[2], 16), usb[3])
            matches = [port for port in listed(self._also) if same_usb(wanted, port.usb)]
            if not matches:
                raise PortError(f"USB port {source.port} is not plugged in")
        else:
            matches = [SerialPort(source.port)]
            if not _is_url(source.port) and os.name == "posix" and not os.path.exists(source.port):  # noqa: PTH110
                raise PortError(f"{source.port} is not there")
        why = PortError(f"{source.port} is already used by another source")
        for found in matches:
            if self._claim(found, source):
                try:
                    return Opened(open_port(found, source))
                except PortError as error:
                    self.release(source)
                    why = error
        raise why

    def release(self, source: Source) -> None:
        """The port of `source` is closed: another may have it, and `source` will look for its own anew."""
        with self._claims:
            for device in [d for d, name in self._taken.items() if name == source.name]:
                del self._taken[device]

    def _claim(self, found: SerialPort, source: Source) -> bool:
        with self._claims:
            return self._taken.setdefault(_real(found.device), source.name) == source.name

    def _open_by_ear(self, source: Source, stopped: Callable[[], bool]) -> Opened:
        # A device that was heard for this source and did not fit is left alone for a while, longer each time: it may
        # still be starting up, but opening a port over and over resets some boards, and listening takes its time.
        with self._listening:
            heard_any, candidates = False, list(self.candidates(source))
            here = {found.device for found in candidates}
            for key in [key for key in self._not_the_one if key[0] == source.name and key[1] not in here]:
                del self._not_the_one[key]  # unplugged or taken: what comes back is another matter
            for found in candidates:
                until, pause = self._not_the_one.get((source.name, found.device), (0.0, 0.5))
                if time.monotonic() < until or not self._claim(found, source):
                    continue
                heard_any = True
                opened = self._hear(found, source, stopped)
                if opened is not None:
                    self._last_seen[source.name] = found.device
                    self._not_the_one.pop((source.name, found.device), None)
                    return opened
                self.release(source)
                pause = min(2 * pause, 30.0)
                self._not_the_one[source.name, found.device] = (time.monotonic() + pause, pause)
                if stopped():
                    break
        what = "no port heard so far sends" if heard_any or self._not_the_one else "no free port left that may send"
        raise PortError(f"{what} {_speech(source)}")

    def candidates(self, source: Source) -> Iterator[SerialPort]:
        """Free ports that no source names outright, the one this source had before first."""
        named = [other.port for other in self._sources if other.port != "auto"]
        paths = {_real(port) for port in named if not _USB.match(port)}
        usb = [_identity(int(m[1], 16), int(m[2], 16), m[3]) for m in map(_USB.match, named) if m]
        before = self._last_seen.get(source.name)
        for found in sorted(listed(self._also), key=lambda port: port.device != before):
            with self._claims:
                taken = _real(found.device) in self._taken
            if not taken and _real(found.device) not in paths and not any(same_usb(want, found.usb) for want in usb):
                yield found

    def _hear(self, found: SerialPort, source: Source, stopped: Callable[[], bool]) -> Opened | None:
        """The port, still open, if it speaks as `source` should; at the speeds that the configuration leaves open."""
        bauds: Iterable[int] = (source.baud,)
        if "baud" not in source.model_fields_set:
            bauds = dict.fromkeys((source.baud, *USUAL_BAUDS))
        for baud in bauds:
            try:
                port = open_port(found, source, baud)
            except PortError:
                return None
            recognise, heard, ends = self._recogniser(source), list[tuple[int, bytes]](), 0.0
            try:
                ends = time.monotonic() + self._patience_s
                while time.monotonic() < ends and not stopped():
                    data = port.read(0.1)
                    if data:
                        heard.append((monotonic_ns(), data))
                        if recognise(b"".join(data for _, data in heard)):
                            return Opened(port, heard)
            except PortError:
                port.close()
                return None
            port.close()
        return None


# --- what an unknown port speaks ----------------------------------------------------------------------------------


@dataclass
class Heard:
    """What listening to a port told.

    `kind` is "nmea", "numbers", "unknown" (bytes of no known form), "silent", or "closed" (it could not be opened:
    `error` says why). `sentences` counts checksummed NMEA sentences by talker and type; `columns` are the lowest and
    highest value of each number in a line, `latest` its last value, `units` what stood right behind it, "" for nothing;
    `satellites` and `fix` are what a receiver said last; `sample` are the first bytes.
    """

    found: SerialPort
    kind: str
    baud: int = 0
    seconds: float = 0.0
    sentences: Counter[str] = field(default_factory=Counter)
    lines: int = 0
    columns: list[tuple[float, float]] = field(default_factory=list)
    latest: list[float] = field(default_factory=list)
    units: list[str] = field(default_factory=list)
    satellites: int | None = None
    fix: bool = False
    sample: bytes = b""
    error: str = ""


def listen(found: SerialPort, bauds: Sequence[int] = USUAL_BAUDS, patience_s: float = 1.3) -> Heard:
    """Listen to `found` at each of `bauds` until it makes sense; nothing is ever sent to it."""
    best = Heard(found, "silent")
    for baud in bauds:
        try:
            with open_port(found, None, baud) as port:
                heard = _listen_once(port, patience_s)
        except PortError as error:
            return Heard(found, "closed", error=str(error))
        if heard.kind in {"nmea", "numbers"}:
            return heard
        if heard.kind == "unknown" and best.kind == "silent":
            best = heard
    return best


def in_words(heard: Heard) -> str:
    """What a port speaks, in a sentence."""
    match heard.kind:
        case "nmea":
            kinds = ", ".join(sorted({name[-3:] for name in heard.sentences}))
            rate = sum(heard.sentences.values()) / heard.seconds if heard.seconds else 0.0
            seen = "" if heard.satellites is None else f" with {heard.satellites} satellites"
            fix = f"a fix{seen}" if heard.fix else "no fix yet; it needs a clear view of the sky"
            return f"NMEA at {heard.baud} baud: {kinds}; about {rate:.0f} sentences a second; {fix}"
        case "numbers":
            rate = heard.lines / heard.seconds if heard.seconds else 0.0
            now = "; ".join(f"{value:g}{unit}" for value, unit in zip(heard.latest, heard.units, strict=True))
            seen = "; ".join(f"{low:g} to {high:g}" for low, high in heard.columns)
            numbers = f"{len(heard.columns)} numbers" if len(heard.columns) > 1 else "one number"
            return f"lines of {numbers} at {heard.baud} baud, about {rate:.0f} a second; now {now}; seen {seen}"
        case "silent":
            return "silent at every usual baud. Is it powered, and does it send without being asked?"
        case "closed":
            return f"could not listen: {heard.error}"
    begins = heard.sample[:24].hex(" ")
    return f"bytes in an unknown format ({begins} ...): binary frames, an unusual baud, or some other text"


def _listen_once(port: Port, patience_s: float) -> Heard:
    """One speed: at least `patience_s` of it, and up to three times that while what comes looks like lines."""
    started, data = time.monotonic(), b""
    heard = Heard(port.found, "silent", port.baud)
    while (elapsed := time.monotonic() - started) < 3 * patience_s and len(data) < 200_000:
        data += port.read(0.1)
        if elapsed >= patience_s:
            heard = make_out(port, data)
            if heard.kind in {"nmea", "numbers"} or not _looks_like_text(data):
                break
    heard = make_out(port, data)
    heard.seconds = time.monotonic() - started
    return heard


def make_out(port: Port, data: bytes) -> Heard:
    heard = Heard(port.found, "unknown" if data else "silent", port.baud, sample=data[:64])
    heard.sentences = Counter(name for name in map(sentence_name, lines_in(data)) if name)
    if sum(heard.sentences.values()) >= 2:
        heard.kind = "nmea"
        _see_fix(heard, data)
        return heard
    whole = lines_in(data)
    rows = [row for row in map(numbers_in, whole) if row]
    usual = Counter(map(len, rows)).most_common(1)
    rows = [row for row in rows if len(row) == usual[0][0]]
    if len(rows) >= max(3, 0.8 * len(whole)):
        heard.kind, heard.lines = "numbers", len(rows)
        heard.columns = [(min(column), max(column)) for column in zip(*rows, strict=True)]
        heard.latest = rows[-1]
        last = next(line for line in reversed(whole) if len(numbers_in(line)) == len(rows[-1]))
        heard.units = [re.sub(r"^[-+.\deE]*", "", part.decode()) for part in _parts(last)]
    return heard


def _see_fix(heard: Heard, data: bytes) -> None:
    """What the receiver says of its fix, by its last sentences that say anything."""
    reader = SentenceReader()
    for line in lines_in(data):
        said = reader.read(Frame(0, line)).said or {}
        heard.fix = bool(said.get("valid", heard.fix))
        heard.satellites = said.get("satellites", heard.satellites)


def lines_in(data: bytes) -> list[bytes]:
    """The whole text lines in `data`: what stands before the first line end may be half a line and is left out."""
    lines = re.split(rb"[\r\n]+", data)
    return [line for line in lines[1:-1] if line]


def numbers_in(line: bytes) -> list[float]:
    """The numbers of a line, parted by commas, semicolons or blanks, each perhaps with a unit behind it; else []."""
    found = [re.fullmatch(rb"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)[A-Za-z%]{0,3}", part) for part in _parts(line)]
    return [float(match[1]) for match in found if match] if all(found) else []


def _parts(line: bytes) -> list[bytes]:
    return re.split(rb"\s*[,;]\s*|\s+", line.strip())


# --- how ports are told apart -------------------------------------------------------------------------------------


def describe(spec: str) -> str:
    """A source's `port` in words, for a newcomer: what the recorder will look for."""
    if spec == "auto":
        return "whichever port sends it"
    if usb := _USB.match(spec):
        return f"the USB device {usb[1]}:{usb[2]}" + (f" with serial number {usb[3]}" if usb[3] else "")
    return f"the address {spec}" if _is_url(spec) else f"the port {spec}"


def command_bytes(text: str) -> bytes:
    """What is sent for a command of `on_open`: \\r, \\n, \\t, \\\\ and \\xHH are bytes, the rest goes as UTF-8."""

    def unescaped(match: re.Match[bytes]) -> bytes:
        code = match[1]
        return bytes([int(code[1:], 16)]) if len(code) == 3 else {b"r": b"\r", b"n": b"\n", b"t": b"\t"}.get(code, code)

    return re.sub(rb"\\(x[0-9a-fA-F]{2}|[rnt\\])", unescaped, text.encode())


def _identity(vid: int | None, pid: int | None, serial_number: str | None) -> str:
    if vid is None or pid is None:
        return ""
    return f"{vid:04x}:{pid:04x}" + (f":{serial_number}" if serial_number else "")


def same_usb(wanted: str, usb: str) -> bool:
    """Whether a device of identity `usb` is the `wanted` one; without a serial number any of its kind will do."""
    return usb == wanted or (wanted.count(":") == 1 and usb.startswith(wanted + ":"))


def _is_url(device: str) -> bool:
    return "://" in device


def _real(device: str) -> str:
    return device if _is_url(device) else os.path.realpath(device)


def _looks_like_text(data: bytes) -> bool:
    printable = sum(byte in b"\r\n\t" or 32 <= byte < 127 for byte in data)
    return bool(data) and printable >= 0.95 * len(data)


def _speech(source: Source) -> str:
    return {"nmea": "NMEA sentences"}.get(source.kind, f"the {source.kind} of source {source.name!r}")


def _why_not(device: str, error: Exception) -> str:
    said = str(error)
    if "Permission" in said or getattr(error, "errno", None) == 13:
        hint = " (on Linux: `sudo usermod -a -G dialout $USER`, then log in again)" if os.name == "posix" else ""
        return f"{device}: permission denied{hint}"
    if "lock" in said.lower() or getattr(error, "errno", None) in {11, 16}:
        return f"{device}: in use by another program"
    if "No such file" in said or "FileNotFound" in said:
        return f"{device} is not there"
    return f"{device}: cannot be opened: {said.splitlines()[0] if said else type(error).__name__}"
