"""The answer of `report`: where the page was written, and what stands at its top."""

from __future__ import annotations

from pathlib import Path

from analysis.answers.encoding import Answer


class ReportAnswer(Answer):
    """A page that was written."""

    path: Path
    """The file."""
    bytes: int
    """Its length [bytes]."""
    verdict: tuple[str, ...]
    """What the page says first, a sentence each."""
    caveats: tuple[str, ...]
    """What to mind when reading it, a sentence each."""
