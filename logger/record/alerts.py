"""What an alert is to the recorder: a listener with a line to show. Which alerts there are is the analysis' affair.

class LeanWatch(Alert): ...      # analysis.mixture.lean_alert
hooks.lean_watch = lean_watch    # analysis.cli.main hands it over
"""

from __future__ import annotations

from collections.abc import Sequence

from logger.record.live import Listener


class Alert(Listener):
    """A listener that may have something to warn of.

    Attributes
    ----------
    alert : str
        The line to show now, "" while all is well.
    waiting : str
        What it needs before it can warn at all, "" where it has that.
    spoken : tuple of str
        What is said aloud of it now, a few words for each thing that it warns of.
    """

    alert: str = ""
    waiting: str = ""
    spoken: tuple[str, ...] = ()


class Alerts(Alert):
    """Several alerts as one line; who shows them looks here, and each is a listener of its own beside."""

    def __init__(self, each: Sequence[Alert]) -> None:
        self._each = list(each)

    @property
    def alert(self) -> str:  # type: ignore[override]
        return "  ".join(alert.alert for alert in self._each if alert.alert)

    @property
    def waiting(self) -> str:  # type: ignore[override]
        return next((alert.waiting for alert in self._each if alert.waiting), "")

    @property
    def spoken(self) -> tuple[str, ...]:  # type: ignore[override]
        return tuple(words for alert in self._each for words in alert.spoken)
