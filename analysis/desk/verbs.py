"""The command's verbs as data, and one of them at work: the program itself, as a process of its own.

    verb.words({"drive": "last", "to": "30mph"})        # ["--to=30mph", "--", "last"]
    work = at_work.start("runs", words)                 # then work.ended, work.said, work.files

A verb works in a folder of its own, so that a file without a folder in its name is handed out by the page and lies in
nobody's way; it goes with the desk.
"""

from __future__ import annotations

import os
import re
import secrets
import shlex
import shutil
import subprocess
import tempfile
import threading
import time
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from analysis.desk.fields import EntryError
from logger.errors import InputError, NoAnswer
from logger.store.disk import said, start_of

_MOST_KEPT = 20
_MOST_AT_ONCE = 3
MOST_SHOWN = 400_000
"""Of what a verb says, so much is shown [bytes]; the rest is in its file."""

_GOES_ON = " ..."
_INVALID = re.compile(r"^Invalid value for '(--[a-z-]+)[^:]*: ")


@dataclass(frozen=True)
class Parameter:
    """An argument or an option of a verb. `option` is "" for an argument; `many`: any number, a line each."""

    name: str
    option: str
    help: str
    kind: Literal["text", "path", "number", "choice", "flag"] = "text"
    choices: tuple[str, ...] = ()
    default: str = ""
    count: int = 1
    many: bool = False
    needed: bool = False

    def words(self, typed: str) -> list[str]:
        """The words that the command takes for what was typed; none where it was left empty."""
        lines = [line.strip() for line in typed.splitlines() if line.strip()]
        if "\0" in typed:
            raise EntryError(self.name, "there is a character in it that cannot be typed")
        if not lines:
            if self.needed:
                raise EntryError(self.name, "this is needed")
            return []
        if self.kind == "flag":
            return [self.option]
        if self.kind == "path":
            lines = [str(Path(line).expanduser()) if line.startswith("~") else line for line in lines]
        if self.count > 1:
            if len(lines) != self.count:
                raise EntryError(self.name, f"give {self.count}, one per line")
            return [self.option, *lines] if self.option else lines
        if not self.many and len(lines) > 1:
            raise EntryError(self.name, "give one line")
        return [f"{self.option}={line}" for line in lines] if self.option else lines


@dataclass(frozen=True)
class Verb:
    """A verb of the command: what it does, and what it takes, but for the store and `--help`."""

    name: str
    says: str
    example: str
    parameters: Sequence[Parameter]
    has_store: bool = True

    def words(self, form: Mapping[str, str]) -> list[str]:
        """What comes after the verb at a terminal. EntryError where an entry cannot be."""
        options = [word for each in self.parameters if each.option for word in each.words(form.get(each.name, ""))]
        given = [word for each in self.parameters if not each.option for word in each.words(form.get(each.name, ""))]
        return [*options, "--", *given] if any(word.startswith("-") for word in given) else [*options, *given]

    def form_of(self, words: Sequence[str]) -> dict[str, str]:
        """Words as entries of the verb's form: what `words` made, or what a page shows as its command."""
        options = {each.option: each for each in self.parameters if each.option}
        places = [each for each in self.parameters if not each.option]
        found: dict[str, list[str]] = {}
        rest, left = list(words), list[str]()
        while rest:
            word = rest.pop(0)
            option, sign, value = word.partition("=")
            if word == "--":
                left, rest = [*left, *rest], []
            elif (known := options.get(option)) is None:
                left.append(word)
            elif known.kind == "flag":
                found[known.name] = ["yes"]
            else:
                values = [value] if sign else [rest.pop(0) for _ in range(min(known.count, len(rest)))]
                found.setdefault(known.name, []).extend(values)
        for at, place in enumerate(places):
            behind = sum(not each.many for each in places[at + 1 :])
            taken = left[: max(0, len(left) - behind)] if place.many else left[:1]
            left = left[len(taken) :]
            if taken:
                found[place.name] = taken
        return {name: "\n".join(values) for name, values in found.items()}


@dataclass
class AtWork:
    """A verb at work, or what it said when it ended."""

    verb: str
    words: Sequence[str]
    folder: Path
    process: subprocess.Popen[bytes]
    began: float = field(default_factory=time.monotonic)

    @property
    def ended(self) -> bool:
        return self.process.poll() is not None

    @property
    def took_s(self) -> float:
        return time.monotonic() - self.began

    @property
    def code(self) -> int:
        """0 done, 1 the answer is no, 2 the input is wrong; something else where it was stopped."""
        return self.process.returncode if self.ended else 0

    @property
    def said(self) -> str:
        """What it said on standard output, at most `MOST_SHOWN` of it."""
        return _text(self.folder.with_suffix(".out"))

    @property
    def complained(self) -> list[str]:
        """What it said on standard error, a sentence each, without its name and the frames drawn around them."""
        lines = [line for line in self._told if not line.endswith(_GOES_ON)]
        if any(line.startswith("\u256d") for line in lines):  # the reader of the command line's own
            lines = [line for line in lines if line.startswith("\u2502")]
            return [_INVALID.sub(r"\1: ", " ".join(line.strip("\u2502 ") for line in lines))]
        return [line.removeprefix("pullbook: ") for line in lines if line.strip()]

    @property
    def progress(self) -> str:
        """What takes long at the moment; "" where it does not say."""
        told = [line for line in self._told if line.endswith(_GOES_ON)]
        return told[-1].removeprefix("pullbook: ").removesuffix(_GOES_ON) if told else ""

    @property
    def _told(self) -> list[str]:
        return _text(self.folder.with_suffix(".err")).splitlines()

    @property
    def files(self) -> list[Path]:
        """The files that it wrote into its folder."""
        return sorted(path for path in self.folder.rglob("*") if path.is_file() and not path.is_symlink())

    @property
    def output(self) -> Path:
        return self.folder.with_suffix(".out")

    def stop(self) -> None:
        """End it as Ctrl-C would, then by force: whatever it writes is whole or not there."""
        if self.ended:
            return
        self.process.terminate()
        try:
            self.process.wait(5)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()

    def forget(self) -> None:
        self.stop()
        shutil.rmtree(self.folder, ignore_errors=True)
        for suffix in (".out", ".err"):
            self.folder.with_suffix(suffix).unlink(missing_ok=True)


class AllAtWork:
    """The verbs that the pages started, the newest `_MOST_KEPT`."""

    def __init__(self, store: Path, command: Sequence[str]) -> None:
        self._store, self._command = store, tuple(command)
        self._kept: OrderedDict[str, AtWork] = OrderedDict()
        self._lock = threading.Lock()
        self._root: Path | None = None

    def start(self, verb: Verb, words: Sequence[str]) -> str:
        """Start it on the desk's store; gives the word that `find` takes. NoAnswer where too many are at work."""
        with self._lock:
            if sum(not each.ended for each in self._kept.values()) >= _MOST_AT_ONCE:
                raise NoAnswer(f"{_MOST_AT_ONCE} commands are running already. Wait for one, or stop one")
            name = secrets.token_urlsafe(9)
            self._kept[name] = self._started(name, verb, words)
            for old in [key for key, each in self._kept.items() if each.ended][: max(0, len(self._kept) - _MOST_KEPT)]:
                self._kept.pop(old).forget()
            return name

    def find(self, name: str) -> AtWork:
        """NoAnswer where it is not known, or no longer."""
        found = self._kept.get(name)
        if found is None:
            raise NoAnswer("what this command said is no longer kept. Run it again")
        return found

    def close(self) -> None:
        """End what is at work, and take all folders away."""
        with self._lock:
            for each in self._kept.values():
                each.forget()
            self._kept.clear()
            if self._root is not None:
                shutil.rmtree(self._root, ignore_errors=True)
                self._root = None

    def _started(self, name: str, verb: Verb, words: Sequence[str]) -> AtWork:
        store = ["--store", str(self._store.resolve())] if verb.has_store else []
        try:
            if self._root is None:
                self._root = Path(tempfile.mkdtemp(prefix="pullbook-desk-"))
            folder = self._root / name
            folder.mkdir(mode=0o700)
            with folder.with_suffix(".out").open("wb") as out, folder.with_suffix(".err").open("wb") as err:
                process = subprocess.Popen(
                    [*self._command, verb.name, *store, *words], stdin=subprocess.DEVNULL, stdout=out, stderr=err,
                    cwd=folder, env=_environment(),
                )  # fmt: skip
        except OSError as error:
            raise InputError(f"{verb.name} could not be started: {said(error)}") from error
        return AtWork(verb.name, words, folder, process)


def _environment() -> dict[str, str]:
    """Plain text, whatever the desk was started with; the program is found where this one was."""
    own = [str(Path(__file__).parents[2]), *filter(None, os.environ.get("PYTHONPATH", "").split(os.pathsep))]
    found = {
        **os.environ, "NO_COLOR": "1", "TERM": "dumb", "PYTHONIOENCODING": "utf-8", "PYTHONUNBUFFERED": "1",
        "PULLBOOK_TELL": "1",
        "PYTHONPATH": os.pathsep.join(str(Path(each).resolve()) for each in own),
    }  # fmt: skip
    found.pop("FORCE_COLOR", None)
    return found


def _text(path: Path) -> str:
    try:
        return start_of(path, MOST_SHOWN).decode("utf-8", "replace")
    except OSError:
        return ""


def as_typed(verb: str, words: Sequence[str]) -> str:
    """The command as one would type it."""
    return shlex.join(["pullbook", verb, *words])
