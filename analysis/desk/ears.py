"""Listening to the ports for the first set-up, beside the pages: what each speaks as it is made out."""

from __future__ import annotations

import threading
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from logger.errors import NoAnswer

if TYPE_CHECKING:
    from logger.record.ports import Heard


@dataclass
class Listened:
    """What was heard, or is being heard: `ports` of them, each told in a line as it is made out."""

    ports: int | None = None
    told: list[str] = field(default_factory=list)
    heard: list[Heard] | None = None
    """All of it, receivers first; None while it is listened to."""
    failed: str = ""


class Ears:
    """One at a time: two who open one port take each other's bytes."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self.last: Listened | None = None

    def listen(self, also: Sequence[str]) -> None:
        """Begin to listen, on a thread of its own. NoAnswer while that goes on."""
        with self._lock:
            if self.busy:
                raise NoAnswer("already listening to the ports")
            self.last = Listened()
        threading.Thread(target=self._run, args=(self.last, tuple(also)), name="desk's ears", daemon=True).start()

    @property
    def busy(self) -> bool:
        return self.last is not None and self.last.heard is None and not self.last.failed

    def _run(self, listened: Listened, also: Sequence[str]) -> None:
        from logger.record import setting_up

        def begun(count: int) -> None:
            listened.ports = count

        try:
            listened.heard = setting_up.hear_all(
                also, begun, lambda one: listened.told.append(setting_up.heard_said(one))
            )
        except Exception as error:  # a driver may raise anything: it is told on the page
            listened.failed = f"listening failed: {error}"
