"""The answer of `bundle`: this program and all it needs as wheels in a folder."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from analysis.answers.encoding import Answer
from analysis.sharing.wheels import make_bundle


class BundleAnswer(Answer):
    """A folder of wheels for a laptop without internet."""

    path: Path
    """The folder."""
    wheels: tuple[str, ...]
    """The wheels in it, by their files' names."""
    bytes: int
    """Size of all files together."""
    command: str
    """What installs them on the other laptop, run in the folder; README.txt there says the same."""


def bundle_answer(
    folder: Path, extras: Sequence[str] = (), progress: Callable[[str], None] = lambda text: None
) -> BundleAnswer:
    """Make the folder; errors as of `make_bundle`."""
    made = make_bundle(folder, extras, progress)
    return BundleAnswer(path=made.folder, wheels=made.wheels, bytes=made.bytes, command=made.command)
