"""The answer of `analyse`: how many drives were worked out, and which could not be."""

from __future__ import annotations

from analysis.answers.encoding import Answer


class FailedDrive(Answer):
    """A drive that could not be read."""

    url: str
    """Where it lies."""
    reason: str
    """Why, in one line."""


class AnalyseAnswer(Answer):
    """What came of working out many drives."""

    out: str
    """Where the tables are."""
    drives: int
    """Drives there are under the URLs."""
    made: int
    """Drives worked out this time; the others were there already."""
    failed: tuple[FailedDrive, ...]
    """Those of them that could not be read; each is a row of the table of drives as well."""
    seconds: float
    """How long it took [s]."""
