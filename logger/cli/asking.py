"""Questions on the terminal: each in a line with a guess, and what was answered is kept until all is done.

    answers = Answers(store / ".recorder" / "begun.json")
    mass = answers.ask("mass", "Its mass as driven", mass_kg)

Enter takes the guess. What cannot be used is said in a line and asked again. Who stops half-way finds each answer
offered next time.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from logger.cli.printing import tell
from logger.errors import InputError
from logger.store.disk import Disk, no_pipe
from logger.text import safe, storable

Answer = TypeVar("Answer")


class Answers:
    """Asks, and keeps what was answered in the file `kept` until `done`; nothing is kept without a file."""

    def __init__(self, kept: Path | None = None) -> None:
        self._path = kept
        self._kept: dict[str, str] = {}
        if kept is None:
            return
        import json

        with contextlib.suppress(OSError, ValueError, RecursionError):
            read = json.loads(no_pipe(kept).read_text(encoding="utf-8"))
            if isinstance(read, dict):
                self._kept = {str(key): str(value) for key, value in read.items()}

    @property
    def begun(self) -> bool:
        """Whether some were answered before, and not all."""
        return bool(self._kept)

    def ask(self, key: str, question: str, read: Callable[[str], Answer], guess: str | None = None) -> Answer:
        """What `read` makes of the answer; it raises InputError where it can make nothing of it.

        `guess` is what Enter stands for; what was answered before goes before it. None: something must be typed. An
        answer without a `key` is not kept.
        InputError where the answers end before it.
        """
        guess = self._kept.get(key, guess)
        offered = "" if guess is None else f" [{safe(guess)}]" if guess else " [Enter: nothing]"
        while True:
            try:
                typed = _typed(f"{question}{offered}: ", question).strip() or guess
            except UnicodeDecodeError:
                tell("  Some of these letters cannot be read here. Type it in plain letters.")
                continue
            if typed is None:
                tell("  There is no suggestion for this one. Type an answer.")
                continue
            try:
                answer = read(typed)
            except InputError as error:
                tell(f"  {error}")
                continue
            if not key or self._path is None:
                return answer
            self._kept[key] = typed
            import json

            with contextlib.suppress(OSError):  # then it is asked again next time
                Disk().put_file(self._path, json.dumps(self._kept).encode())
            return answer

    def done(self) -> None:
        """All is answered and written: nothing is left to go on with."""
        self._kept = {}
        with contextlib.suppress(OSError):
            if self._path is not None:
                self._path.unlink()


def _typed(prompt: str, question: str) -> str:
    """The line typed, as a file can hold it. UnicodeDecodeError where its bytes are no text on this terminal."""
    try:
        return storable(input(prompt))
    except EOFError as error:
        raise InputError(f"the input ended before the question {question!r} was answered") from error


def yes(text: str) -> bool:
    """Yes or no, in a word or a letter."""
    word = text.strip().casefold()
    if word in {"y", "yes", "n", "no"}:
        return word.startswith("y")
    raise InputError(f"{text!r}: expected yes or no")


def one_of(*words: str) -> Callable[[str], str]:
    """Reads one of `words`, or as much of it as tells it from the others."""

    def read(text: str) -> str:
        near = [word for word in words if word.casefold().startswith(text.strip().casefold())]
        if len(near) != 1:
            raise InputError(f"{text!r}: expected {' or '.join(words)}")
        return near[0]

    return read
