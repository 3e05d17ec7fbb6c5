"""What a page of the desk is made of: the report's blocks, and forms between them.

View(Page("Drive of ...", ...), tab="drives", command=("runs", "last"), parts=[Part("strike", "Strike runs", [form])])
"""

from __future__ import annotations

import shlex
import urllib.parse
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

from markupsafe import Markup

from analysis.report.page import Block, Page


@dataclass(frozen=True)
class Entry:
    """One thing to fill in. `options` are (value, what it says) of a choice; `help` says what it means."""

    name: str
    label: str
    value: str = ""
    how: Literal["text", "area", "choice", "tick", "ticks", "pairs", "hidden", "file"] = "text"
    options: Sequence[tuple[str, str]] = ()
    help: str = ""
    wrong: str = ""
    """Why what was typed cannot be, in one line."""
    unit: str = ""
    broad: bool = False
    """It takes the whole width: what is typed is long."""
    lines: int = 4
    """Of an `area`: how many lines are seen."""
    numeric: bool = False
    """Phones then offer figures; the text is read as anywhere else."""
    columns: Sequence[str] = ()
    rows: Sequence[tuple[str, Sequence[str]]] = ()
    """Of `pairs`, a table whose rows are ticked as A or B: its headings, and each row's value and cells. It sends `a`
    and `b`; `value` and `value_b` are what is ticked, a line each."""
    left: Sequence[int] = (0,)
    """Of `pairs`: which columns are words."""
    value_b: str = ""

    @property
    def picked(self) -> frozenset[str]:
        """Of `ticks`: the values that are ticked, a line each in `value`."""
        return frozenset(self.value.split("\n"))

    @property
    def picked_b(self) -> frozenset[str]:
        """Of `pairs`: the values that are ticked as B."""
        return frozenset(self.value_b.split("\n"))


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
    also: Sequence[tuple[str, str, str]] = ()
    """Further buttons: the name and value that each sends, and what it says."""
    wrong: str = ""
    """What cannot be, where no one entry is to blame."""
    kind: ClassVar[str] = "form"

    @property
    def has_files(self) -> bool:
        return any(entry.how == "file" for entry in self.entries)

    def filled(self, typed: Mapping[str, str], wrong: Mapping[str, str] | None = None) -> Form:
        """The form with what was typed in it, and what is wrong with it beside each entry."""

        def each_filled(each: Entry) -> Entry:
            if each.how in {"hidden", "pairs"}:
                return each
            value = each.value if each.how == "file" else typed.get(each.name, each.value)  # a file is chosen anew
            return replace(each, value=value, wrong=(wrong or {}).get(each.name, each.wrong))

        return replace(self, entries=[each_filled(each) for each in self.entries])

    @property
    def refused(self) -> bool:
        """Whether something in it cannot be as it was typed."""
        return bool(self.wrong) or any(entry.wrong for entry in self.entries)


@dataclass(frozen=True)
class Links:
    """Pages to go to: (address, name, what is said beside it); `inline`, in one line, "" is the address of this one."""

    items: Sequence[tuple[str, str, str]]
    inline: bool = False
    kind: ClassVar[str] = "links"


@dataclass(frozen=True)
class Rows:
    """A table whose rows lead somewhere: each row's address ("" for none) and cells. `left` are columns of words."""

    caption: str
    columns: Sequence[str]
    rows: Sequence[tuple[str, Sequence[str]]]
    left: Sequence[int] = ()
    kind: ClassVar[str] = "rows"


@dataclass(frozen=True)
class Checks:
    """A list to tick off. The ticks are for the day: nothing is kept of them."""

    items: Sequence[str]
    kind: ClassVar[str] = "checks"


@dataclass(frozen=True)
class Prose:
    """HTML of the program's own, such as a page of the manual: what others wrote never comes here."""

    html: Markup
    kind: ClassVar[str] = "prose"


@dataclass(frozen=True)
class Output:
    """What a command says, line by line as at a terminal; `called`, for who cannot see where it stands."""

    text: str
    called: str
    kind: ClassVar[str] = "output"


@dataclass(frozen=True)
class Fold:
    """Something that is opened when it is wanted; it stands open where a form in it was refused."""

    title: str
    blocks: Sequence[Block | Form | Links | Rows]
    wanted: bool = False
    kind: ClassVar[str] = "fold"

    @property
    def open(self) -> bool:
        return self.wanted or any(isinstance(each, Form) and each.refused for each in self.blocks)


Shown = Block | Form | Links | Rows | Checks | Prose | Output | Fold


@dataclass(frozen=True)
class Part:
    """A part of a page with a heading; as the report's section, with forms in it."""

    name: str
    title: str
    blocks: Sequence[Shown]


@dataclass(frozen=True)
class View:
    """A page of the desk: a report's page, what can be done in its sections, and the command that tells the same."""

    page: Page
    tab: str
    command: str = ""
    before: Sequence[Part] = ()
    """Before the verdict: what the answer is asked by."""
    actions: Sequence[Part] = ()
    """What can be done in the sections of the page, by their names; a part of its own where the page has no such."""
    parts: Sequence[Part] = ()
    """After the page's own sections."""
    said: str = ""
    """What was just done."""
    said_at: str = ""
    """In which section it is said; "" for the top."""
    wrong: str = ""
    """What could not be done, and why."""
    status: int = 200
    again_s: int = 0
    """Look again after so long: something is being worked out [s]."""
    options_at: str = ""
    """Where the command is with all its options."""

    @property
    def sections(self) -> list[Part]:
        """The sections of the page with their actions, in the page's order; then actions that have no section."""
        doing = {part.name: part for part in self.actions}
        found = [
            Part(each.name, each.title, [*each.blocks, *(doing.pop(each.name).blocks if each.name in doing else ())])
            for each in self.page.sections
        ]
        return [*found, *doing.values()]

    @property
    def all_parts(self) -> list[Part]:
        """All parts, top to bottom."""
        return [*self.before, *self.sections, *self.parts]

    @property
    def said_below(self) -> bool:
        """Whether what was done is said in a section rather than at the top."""
        return any(part.name == self.said_at for part in self.all_parts)


def address(*pieces: str) -> str:
    """The address of a page: its pieces, whatever letters they hold, behind slashes."""
    return "".join(f"/{urllib.parse.quote(piece, safe='')}" for piece in pieces)


def typed(*words: str) -> str:
    """A command of `pullbook` as one would type it."""
    return shlex.join(["pullbook", *words])
