"""What a verb said before of just this store, said again: whoever asks twice waits for no analysis.

    STORE/.analysis/.said/runs-0a1b2c3d4e5f.json

It is kept under a digest of what was asked and of how it is shown (how wide, in which colours and zone of time), with a
key of all that stands in the store and of this program (`kept.key_of_store`). What was said beside a warning is not
kept, nor what was asked of files outside the store; nor is anything said again that would command a terminal.
"""

from __future__ import annotations

import contextlib
import functools
import os
import re
import sys
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import typer

from analysis import kept
from logger.store.place import default_store
from logger.text import safe

_FOLDER = ".said"
_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
_SHOWN_BY = (
    "COLUMNS", "LINES", "TERM", "COLORTERM", "NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE", "TZ",
    "LANG", "LC_ALL", "LC_CTYPE", "LC_TIME",
)  # fmt: skip
"""What of the environment may change how an answer looks."""


def said_again(verb: Callable[..., None]) -> Callable[..., None]:
    """A verb that answers, and changes nothing, says again what it said before where nothing has changed since."""

    @functools.wraps(verb)
    def answer(**asked: Any) -> None:
        store = asked["store"] or default_store()
        key = kept.key_of_store(store) if _of_the_store(asked, store) else ""
        if not key:
            verb(**asked)
            return
        name = f"{verb.__name__.strip('_')}-{kept.digest_of_values(_plain(asked), _shown())[:12]}"
        said = _Said.of(kept.read_values(store, _FOLDER, name, key))
        if said is not None:
            print(said.text, end="", flush=True)
        else:
            with _listening() as (out, err), kept.begun_with(store, key):
                code = _code(verb, asked)
            said = _Said("".join(out.heard), code)
            if not err.heard and said.is_harmless and kept.key_of_store(store) == key:
                kept.write_values(store, _FOLDER, name, key, {"text": said.text, "code": said.code})
        if said.code:
            raise typer.Exit(said.code)

    return answer


@dataclass(frozen=True)
class _Said:
    text: str
    code: int

    @classmethod
    def of(cls, told: Mapping[str, Any] | None) -> _Said | None:
        """What was kept, where it is a verb's words and nothing else."""
        text, code = (told or {}).get("text"), (told or {}).get("code")
        said = cls(text, code) if isinstance(text, str) and isinstance(code, int) else None
        return said if said is not None and said.is_harmless else None

    @property
    def is_harmless(self) -> bool:
        """Whether no terminal takes anything in the text for a command but to change a colour."""
        return all(line == safe(line) for line in _COLOUR.sub("", self.text).split("\n"))


def _code(verb: Callable[..., None], asked: Mapping[str, Any]) -> int:
    try:
        verb(**asked)
    except typer.Exit as stop:
        return int(stop.exit_code)
    return 0


def _of_the_store(asked: Mapping[str, Any], store: Path) -> bool:
    """Whether nothing that was asked is, or may name, a file other than the store's own."""
    for name, value in asked.items():
        for each in value if isinstance(value, list | tuple) else (value,):
            if (isinstance(each, Path) and name != "store") or (isinstance(each, str) and _may_be_a_file(each)):
                return False
    return store.is_dir() and not (os.name == "nt" and sys.stdout.isatty())  # old Windows consoles take no text colours


def _may_be_a_file(text: str) -> bool:
    """Whether a file or folder is called so from here, or what it begins with: DRIVE:RUN, A+B."""
    begins = {part for each in (text, *re.split("[:+]", text)) for part in Path(each).parts[:1]}
    try:
        return any(os.path.lexists(part) for part in begins)
    except ValueError:
        return True


def _plain(asked: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in asked.items() if name != "store"}


def _shown() -> list[Any]:
    """All that changes how an answer looks: its width, its colours, the zone of its times."""
    wide = []
    for stream in (0, 1, 2):
        with contextlib.suppress(OSError):
            wide.append((stream, tuple(os.get_terminal_size(stream))))
    zone = Path("/etc/localtime")
    rules = zone.read_bytes().hex() if zone.is_file() else ""
    return [
        sys.stdout.isatty(), str(sys.stdout.encoding), wide, [os.environ.get(name) for name in _SHOWN_BY],
        time.tzname, time.timezone, time.altzone, rules,
    ]  # fmt: skip


class _Listener:
    """A stream that passes everything on, and remembers it."""

    def __init__(self, stream: Any) -> None:
        self._stream = stream
        self.heard: list[str] = []

    def write(self, text: str) -> int:
        self.heard.append(text)
        return int(self._stream.write(text))

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stream, name)


@contextlib.contextmanager
def _listening() -> Iterator[tuple[_Listener, _Listener]]:
    out, err = _Listener(sys.stdout), _Listener(sys.stderr)
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        yield out, err
