"""What a page of the desk is made of: the report's blocks, and forms between them.

View(Page("Drive of ...", ...), tab="drives", command=("runs", "last"), parts=[Part("strike", "Strike runs", [form])])
"""

from __future__ import annotations

import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import ClassVar, Literal

from analysis.report.page import Block, Page


@dataclass(frozen=True)
class Entry:
    """One thing to fill in. `options` are (value, what it says) of a choice; `help` says what it means."""

    name: str
    label: str
    value: str = ""
    how: Literal["text", "area", "choice", "tick", "ticks", "hidden", "file"] = "text"
    options: Sequence[tuple[str, str]] = ()
    help: str = ""
    wrong: str = ""
    """Why what was typed cannot be, in one line."""
    unit: str = ""
    lines: int = 4
    """Of an `area`: how many lines are seen."""
    numeric: bool = False
    """Phones then offer figures; the text is read as anywhere else."""

    @property
    def picked(self) -> frozenset[str]:
        """Of `ticks`: the values that are ticked, a line each in `value`."""
        return frozenset(self.value.split("\n"))


@dataclass(frozen=True)
class Form:
    """Something to do: where it goes, what is filled in, what the button says, and the command that does the same."""

    name: str
    action: str
    entries: Sequence[Entry]
    button: str
    words: str = ""
    command: str = ""
    asks: bool = False
    """It only asks: its answers are in the address, and nothing is changed by it."""
    check: str = ""
    """Where the page's script asks what is wrong with what is typed; it gives {"wrong": {entry: line}, "elsewhere"}."""
    careful: bool = False
    """Its button stops or takes away something."""
    kind: ClassVar[str] = "form"

    @property
    def has_files(self) -> bool:
        return any(entry.how == "file" for entry in self.entries)

    def filled(self, typed: Mapping[str, str], wrong: Mapping[str, str] | None = None) -> Form:
        """The form with what was typed in it, and what is wrong with it beside each entry."""
        entries = [
            replace(each, value=typed.get(each.name, each.value), wrong=(wrong or {}).get(each.name, each.wrong))
            if each.how not in {"hidden", "file"} else each
            for each in self.entries
        ]  # fmt: skip
        return replace(self, entries=entries)


@dataclass(frozen=True)
class Links:
    """A list of pages to go to: (address, name, what is said beside it)."""

    items: Sequence[tuple[str, str, str]]
    kind: ClassVar[str] = "links"


@dataclass(frozen=True)
class Part:
    """A part of a page with a heading; as the report's section, with forms in it."""

    name: str
    title: str
    blocks: Sequence[Block | Form | Links]


@dataclass(frozen=True)
class View:
    """A page of the desk: a report's page, parts with forms after it, and the command that tells the same."""

    page: Page
    tab: str
    command: str = ""
    before: Sequence[Part] = ()
    """Before the verdict: what the answer is asked by."""
    parts: Sequence[Part] = ()
    """After the page's own sections."""
    said: str = ""
    """What was just done."""
    wrong: str = ""
    """What could not be done, and why."""
    status: int = 200
    again_s: int = 0
    """Look again after so long: something is being worked out [s]."""
    facts: Mapping[str, str] = field(default_factory=dict)


def typed(*words: str) -> str:
    """A command of `pullbook` as one would type it."""
    return shlex.join(["pullbook", *words])
