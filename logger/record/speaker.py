"""What the recorder says aloud, and when: in few words, and only what whoever drives can use."""

from __future__ import annotations

from typing import Any

from logger.record.alerts import Alert
from logger.record.live import Listener
from logger.record.voice import Voice, gain_said, number_said, time_said
from logger.units import NS_PER_S

AGAIN_NS = 10 * NS_PER_S
"""A warning that stays on is said again after this long."""


class Speaker(Listener):
    """Listens to what happens and hands sentences to the voice; of warnings it says what `alert` has to be spoken."""

    def __init__(self, voice: Voice, alert: Alert) -> None:
        self._voice, self._alert = voice, alert
        self._warned: dict[str, int] = {}
        self._runs = 0
        self._best: dict[int, float] = {}
        self._recording = False

    def on_event(self, mono_ns: int, said: dict[str, Any]) -> None:
        source = str(said.get("source", "")).replace("_", " ")
        match said["event"]:
            case "state":
                recording = said["state"] == "recording"
                if recording and not self._recording:
                    self._runs = 0
                    self._voice.say("recording")
                self._recording = recording
                if said["state"] == "no room on the disk":
                    self._voice.say("no room on the disk", urgent=True)
            case "lost":
                self._voice.say(f"{source} lost", urgent=True)
            case "found":
                self._voice.say(f"{source} back")
            case "run" if "seconds" in said:
                self._voice.say(self._run(int(said["speed"]), float(said["seconds"])))

    def on_tick(self, now_ns: int) -> None:
        on = self._alert.spoken
        self._warned = {words: at for words, at in self._warned.items() if words in on}
        for words in on:
            if now_ns - self._warned.get(words, -AGAIN_NS) >= AGAIN_NS:
                self._warned[words] = now_ns
                self._voice.say(words, urgent=True)
                return  # one at a time: the next tick says the next

    def stop(self) -> None:
        self._voice.close()

    def _run(self, speed: int, seconds: float) -> str:
        """ "run 3, fifty in fourteen four, point three quicker": than the best since the recorder started."""
        self._runs += 1
        words = f"run {number_said(self._runs)}, {number_said(speed)} in {time_said(seconds)}"
        best = self._best.get(speed)
        self._best[speed] = seconds if best is None else min(best, seconds)
        if best is None:
            return words
        gain = gain_said(seconds - best)
        return f"{words}, {gain} {'quicker' if seconds < best else 'slower'}" if gain else f"{words}, the same"
