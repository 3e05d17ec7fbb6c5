"""A voice for the recorder: one sentence at a time by the system's own speech, in a child process; tones without one.

    voice = Voice(engine())
    voice.say("gps lost")                  # returns at once, whatever the loudspeaker does
    voice.say("lean at high load", urgent=True)

One sentence is being said and one waits at most: a newer one takes the place of the one that waits, unless that is
urgent and the newer is not. Words that come late are worth nothing.
"""

from __future__ import annotations

import contextlib
import importlib.util
import math
import shutil
import struct
import subprocess
import sys
import tempfile
import threading
import time
import wave
from collections import deque
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from logger.decode.clock import monotonic_ns

Engine = Callable[[str, bool], Sequence[str]]
"""A sentence, and whether it is urgent -> the command that says it and ends when it is said; empty for silence."""
LONGEST_S = 15.0
"""A child that takes longer is ended."""
_WORDS_A_MINUTE = 165


def engine() -> Engine:
    """The best there is here: macOS's `say`, espeak-ng, pyttsx3 (Windows' own voice, and others), else tones."""
    if sys.platform == "darwin" and shutil.which("say"):
        return lambda text, urgent: ["say", "-r", str(_WORDS_A_MINUTE), "--", text]
    for program in ("espeak-ng", "espeak"):
        if path := shutil.which(program):
            return lambda text, urgent: [path, "-s", str(_WORDS_A_MINUTE), "--", text]
    if importlib.util.find_spec("pyttsx3") is not None:
        return lambda text, urgent: [sys.executable, "-P", "-m", "logger.record.voice", text]
    return _tones()


class Voice:
    """Says sentences on a thread of its own. `close` ends what is being said."""

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._changed = threading.Condition()
        self._waiting: tuple[str, bool] | None = None
        self._child: subprocess.Popen[bytes] | None = None
        self._over = False
        self.speaking = False
        """Whether a sentence is being said."""
        self.said: deque[tuple[int, str]] = deque(maxlen=200)
        """When each sentence was begun [ns, monotonic], and its words."""
        self._thread = threading.Thread(target=self._run, name="voice", daemon=True)
        self._thread.start()

    def say(self, text: str, urgent: bool = False) -> None:
        """Say this as soon as the mouth is free; returns at once."""
        with self._changed:
            if self._waiting is None or urgent or not self._waiting[1]:
                self._waiting = text, urgent
                self._changed.notify()

    def close(self) -> None:
        """Be silent from now on."""
        with self._changed:
            self._over = True
            if self._child is not None:
                with contextlib.suppress(OSError):
                    self._child.kill()
            self._changed.notify()

    def _run(self) -> None:
        while True:
            with self._changed:
                while self._waiting is None and not self._over:
                    self._changed.wait()
                if self._over or self._waiting is None:
                    return
                (text, urgent), self._waiting = self._waiting, None
                self.speaking = True
            self._speak(text, urgent)
            self.speaking = False

    def _speak(self, text: str, urgent: bool) -> None:
        command = list(self._engine(text, urgent))
        self.said.append((monotonic_ns(), text))
        if not command:
            return
        try:
            child = subprocess.Popen(
                command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **_apart()
            )
        except OSError:  # a voice that is gone is no reason to fail
            return
        with self._changed:
            self._child = child
            if self._over:
                child.kill()
        try:
            child.wait(LONGEST_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
        with self._changed:
            self._child = None


def _apart() -> dict[str, Any]:
    """Out of reach of the terminal's Ctrl-C; it is ended by `close`."""
    if sys.platform == "win32":
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP | subprocess.CREATE_NO_WINDOW}
    return {"start_new_session": True}


# --- tones --------------------------------------------------------------------------------------------------------


def _tones() -> Engine:
    """One soft tone for news, three high ones for what is urgent; silence where nothing can play them."""
    player = next((path for name in ("aplay", "paplay", "afplay") if (path := shutil.which(name))), None)
    if sys.platform == "win32":
        play = "import sys, winsound; winsound.PlaySound(sys.argv[1], winsound.SND_FILENAME)"
        before = [sys.executable, "-c", play]
    elif player is not None:
        before = [player]
    else:
        return lambda text, urgent: []
    folder = Path(tempfile.mkdtemp(prefix="pullbook-tones-"))
    files = {urgent: folder / f"{'urgent' if urgent else 'news'}.wav" for urgent in (False, True)}
    for urgent, file in files.items():
        write_tones(file, [988.0] * 3 if urgent else [523.0])
    return lambda text, urgent: [*before, str(files[urgent])]


def write_tones(path: Path, hertz: Sequence[float], seconds: float = 0.18, rate: int = 22_050) -> None:
    """Tones one after the other as a WAV file of one channel, each with a silence of its own length behind."""
    count = round(seconds * rate)
    with wave.open(str(path), "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(rate)
        for pitch in hertz:
            swell = (min(1.0, k / 400, (count - k) / 400) for k in range(count))
            tone = (round(12_000 * s * math.sin(2 * math.pi * pitch * k / rate)) for k, s in enumerate(swell))
            out.writeframes(b"".join(struct.pack("<h", value) for value in tone) + bytes(2 * count))


# --- numbers as people say them -----------------------------------------------------------------------------------

_UNITS = (
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
    "thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen",
)  # fmt: skip
_TENS = ("twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")


def number_said(value: int) -> str:
    """0 to 999 in words."""
    if value < 20:
        return _UNITS[value]
    if value < 100:
        tens, rest = divmod(value, 10)
        return _TENS[tens - 2] + (f" {_UNITS[rest]}" if rest else "")
    hundreds, rest = divmod(value, 100)
    return f"{_UNITS[hundreds]} hundred" + (f" and {number_said(rest)}" if rest else "")


def time_said(seconds: float) -> str:
    """A time to a tenth, as a timekeeper calls it: "fourteen four", "nine flat"."""
    whole, tenth = divmod(round(10 * seconds), 10)
    return f"{number_said(whole)} {_UNITS[tenth]}" if tenth else f"{number_said(whole)} flat"


def gain_said(seconds: float) -> str:
    """A difference to a tenth: "point three", "one point two", "two seconds"; "" for less than half a tenth."""
    whole, tenth = divmod(round(10 * abs(seconds)), 10)
    if not whole:
        return f"point {_UNITS[tenth]}" if tenth else ""
    if not tenth:
        return f"{number_said(whole)} second{'s' if whole > 1 else ''}"
    return f"{number_said(whole)} point {_UNITS[tenth]}"


def _speak_by_pyttsx3(text: str) -> None:
    import pyttsx3

    speech = pyttsx3.init()
    speech.setProperty("rate", _WORDS_A_MINUTE)
    speech.say(text)
    speech.runAndWait()
    time.sleep(0.05)


if __name__ == "__main__":
    _speak_by_pyttsx3(sys.argv[1])
