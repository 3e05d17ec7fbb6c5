"""The voice: the words, one sentence waiting at most, nobody delayed, and real speech by espeak-ng into WAV files."""

from __future__ import annotations

import itertools
import shutil
import sys
import time
import wave
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from logger.record.alerts import Alert
from logger.record.speaker import Speaker
from logger.record.voice import Voice, gain_said, number_said, time_said, write_tones

SECOND = 10**9


# English numerals; "flat" as timekeepers have it (common practice, no source).
@pytest.mark.parametrize(
    ("value", "words"),
    [(0, "zero"), (7, "seven"), (14, "fourteen"), (50, "fifty"), (62, "sixty two"), (100, "one hundred"),
     (113, "one hundred and thirteen"), (999, "nine hundred and ninety nine")],
)  # fmt: skip
def test_numbers(value: int, words: str) -> None:
    assert number_said(value) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(14.41, "fourteen four"), (9.04, "nine flat"), (9.06, "nine one"), (9.96, "ten flat"), (0.3, "zero three")],
)
def test_times(seconds: float, words: str) -> None:
    assert time_said(seconds) == words


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(-0.31, "point three"), (0.04, ""), (1.24, "one point two"), (-1.0, "one second"), (2.02, "two seconds")],
)
def test_gains(seconds: float, words: str) -> None:
    assert gain_said(seconds) == words


class Mouth:
    """Takes the place of a voice where only the words count."""

    def __init__(self) -> None:
        self.words: list[tuple[str, bool]] = []

    def say(self, text: str, urgent: bool = False) -> None:
        self.words.append((text, urgent))

    def close(self) -> None:
        self.words.append(("closed", False))


def test_what_is_said_and_when() -> None:
    mouth, alert = Mouth(), Alert()
    speaker = Speaker(mouth, alert)  # type: ignore[arg-type]

    def said(event: str, **more: Any) -> list[tuple[str, bool]]:
        before = len(mouth.words)
        speaker.on_event(0, {"event": event, **more})
        return mouth.words[before:]

    assert said("opened", source="gps", port="x", baud=1) == []
    assert said("state", state="recording", why="") == [("recording", False)]
    assert said("state", state="recording", why="") == []
    assert said("lost", source="gps", why="unplugged") == [("gps lost", True)]
    assert said("found", source="gps", port="x", away_s=3.0) == [("gps back", False)]
    assert said("run", text="a run to 30 mph is not counted: lifted") == []
    assert said("run", text="...", speed=50, seconds=14.72) == [("run one, fifty in fourteen seven", False)]
    assert said("run", text="...", speed=50, seconds=14.41) == [
        ("run two, fifty in fourteen four, point three quicker", False)
    ]
    assert said("run", text="...", speed=50, seconds=14.43) == [("run three, fifty in fourteen four, the same", False)]
    assert said("run", text="...", speed=50, seconds=15.0)[0][0] == "run four, fifty in fifteen flat, point six slower"
    assert said("note", text="; rm -rf /") == []


def test_warnings_are_said_once_and_again_after_ten_seconds() -> None:
    mouth, alert = Mouth(), Alert()
    speaker = Speaker(mouth, alert)  # type: ignore[arg-type]
    heard: list[tuple[float, str]] = []
    for n in range(100):  # 25 s, four ticks a second
        t = n / 4
        alert.spoken = ("lean at high load", "head too hot") if 2 <= t < 15 else ()
        before = len(mouth.words)
        speaker.on_tick(round(t * SECOND))
        assert all(urgent for _, urgent in mouth.words[before:])
        heard += [(t, words) for words, _ in mouth.words[before:]]
    assert heard == [
        (2.0, "lean at high load"), (2.25, "head too hot"), (12.0, "lean at high load"), (12.25, "head too hot"),
    ]  # fmt: skip


def sleeping(seconds: float) -> Callable[[str, bool], list[str]]:
    return lambda text, urgent: [sys.executable, "-S", "-c", f"import time; time.sleep({seconds})"]


def until(done: Callable[[], object]) -> None:
    ends = time.monotonic() + 20
    while not done():
        assert time.monotonic() < ends
        time.sleep(0.01)


def test_one_sentence_waits_at_most_and_who_speaks_is_not_delayed() -> None:
    voice = Voice(sleeping(0.5))
    voice.say("one")
    until(lambda: voice.said)
    longest = 0.0
    for words, urgent in (("two", False), ("three", False), ("four", True), ("five", False), ("six", True)):
        began = time.monotonic()
        voice.say(words, urgent)
        longest = max(longest, time.monotonic() - began)
    until(lambda: len(voice.said) == 2)
    assert [words for _, words in voice.said] == ["one", "six"]  # the newest urgent one, and no queue of old news
    assert longest < 0.25  # a lock held for microseconds; the rest is this machine's
    voice.close()


def test_a_voice_that_hangs_is_ended_by_close_and_one_that_is_missing_does_no_harm() -> None:
    voice = Voice(sleeping(600))
    voice.say("for ever")
    until(lambda: voice._child)
    child = voice._child
    assert child is not None
    voice.close()
    assert child.wait(10) != 0
    missing = Voice(lambda text, urgent: ["/no/such/voice", text])
    for n in range(3):
        missing.say(f"{n}")
        until(lambda n=n: len(missing.said) > n)  # type: ignore[misc]
    missing.close()


@pytest.mark.skipif(not shutil.which("espeak-ng"), reason="espeak-ng is needed")
def test_sentences_are_spoken_into_wavs(tmp_path: Path) -> None:
    """What espeak-ng makes of them: as many files as sentences, each as long as it takes to say that many words."""
    program, number = shutil.which("espeak-ng"), itertools.count()
    assert program is not None
    voice = Voice(lambda text, urgent: [program, "-s", "165", "-w", str(tmp_path / f"{next(number)}.wav"), "--", text])
    sentences = ["recording", "run three, fifty in fourteen four, point three quicker", "--help", "lean at high load"]
    for k, words in enumerate(sentences):
        voice.say(words)
        until(lambda k=k: len(voice.said) > k and not voice.speaking)  # type: ignore[misc]
    voice.close()
    assert [words for _, words in voice.said] == sentences
    seconds = [length(tmp_path / f"{k}.wav") for k in range(len(sentences))]
    # 165 words a minute is 0.36 s a word; pauses at commas and the ends of words make it less or more.
    for words, long in zip(sentences, seconds, strict=True):
        assert 0.15 * len(words.split()) < long < 0.9 * len(words.split()) + 1.0, (words, long)
    assert seconds[1] > 2 * seconds[0]


def test_tones_last_as_long_as_they_should(tmp_path: Path) -> None:
    write_tones(tmp_path / "urgent.wav", [988.0] * 3, seconds=0.18)
    assert length(tmp_path / "urgent.wav") == pytest.approx(3 * 2 * 0.18, abs=0.01)


def length(path: Path) -> float:
    with wave.open(str(path), "rb") as file:
        frames, rate = file.getnframes(), file.getframerate()
        if frames > 2**30:  # espeak-ng on a pipe leaves the length open
            frames = (path.stat().st_size - 44) // 2
        return frames / rate
