"""What was typed into a form, read."""

from __future__ import annotations

import contextlib
import hashlib
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.desk.parts import Form
from logger.errors import InputError
from logger.store.disk import no_pipe

if TYPE_CHECKING:
    from starlette.requests import Request

UPLOADS = ("photo",)
"""Last parts of the paths whose forms may hold photographs."""
_MOST_FIELDS = 500
LONGEST = 50_000
"""Characters of one entry."""
_LEAD = re.compile(r"--([a-z][a-z-]*)(?: '[^']*')?(?:: | and )")
_OPTION = re.compile(r"(?<![\w\u201c-])--([a-z][a-z-]*)")  # not within a word, nor where one is quoted


class EntryError(InputError):
    """What one entry of a form holds cannot be."""

    def __init__(self, entry: str, said: str) -> None:
        super().__init__(said)
        self.entry = entry


@contextlib.contextmanager
def read_from(entry: str) -> Iterator[None]:
    """What cannot be is to be said beside this entry."""
    try:
        yield
    except InputError as error:
        raise EntryError(entry, str(error)) from error


@dataclass(frozen=True)
class Upload:
    """A file that a form sent: what it was called, which may be anything, and its bytes."""

    name: str
    data: bytes


class Filled(dict[str, str]):
    """What a form sent, by name; `uploads` are its files."""

    uploads: tuple[Upload, ...] = ()


async def form_of(request: Request, *, files: bool = False) -> Filled:
    """What a form sent, by name; several values of one name a line each. InputError where it is no form.

    `files`: keep its files too; else they are left unread.
    """
    from starlette.exceptions import HTTPException

    try:
        async with request.form(max_fields=_MOST_FIELDS, max_files=20) as form:
            found: dict[str, list[str]] = {}
            uploads: list[Upload] = []
            for name, value in form.multi_items():
                if isinstance(value, str):
                    if len(value) > LONGEST:
                        raise InputError(f"{name}: {len(value)} characters are too many. The most is {LONGEST}.")
                    found.setdefault(name, []).append(value.replace("\r\n", "\n"))
                elif files and (value.filename or value.size):  # an entry that was left empty has neither
                    uploads.append(Upload(value.filename or "", await value.read()))
    except (HTTPException, ValueError) as error:
        raise InputError(f"the form could not be read: {getattr(error, 'detail', error)}") from error
    filled = Filled({name: "\n".join(values) for name, values in found.items()})
    filled.uploads = tuple(uploads)
    return filled


def line_of(form: Mapping[str, str], name: str, called: str) -> str:
    """The words of an entry. InputError where there are none."""
    if text := form.get(name, "").strip():
        return text
    raise EntryError(name, f"{called} is empty")


def given(form: Mapping[str, str], name: str) -> str | None:
    """The words of an entry; None where it was left empty."""
    return form.get(name, "").strip() or None


def version_of(path: Path) -> str:
    """A word for how a file is now, so that a form made of an older one can be told."""
    try:
        return hashlib.sha256(no_pipe(path).read_bytes()).hexdigest()[:16]
    except OSError:
        return "none"


def unchanged(path: Path, form: Mapping[str, str], what: str) -> None:
    """InputError where the file is no longer as it was when the form was made: nothing is then written over."""
    if form.get("version") != version_of(path):
        raise InputError(
            f"{what} was changed in the meantime, in another window or by a command. Nothing was written. "
            "This is how it is now; make your change again."
        )


def refused(form: Form, typed: Mapping[str, str], error: Exception) -> Form:
    """The form as it was filled in, with why it cannot be so in one line: beside the entry, where one is to blame.

    An error that begins with an option is said at the entry of that name, and options in it are called as on the page.
    """
    labels = {each.name: each.label for each in form.entries}
    said, entry = str(error), error.entry if isinstance(error, EntryError) else ""
    if (lead := _LEAD.match(said)) is not None and (name := _named(lead[1])) in labels:
        entry = name
        if lead[0].endswith(": "):
            said = said[lead.end() :]
    said = as_labelled(said, form)
    said = f"{said[:1].upper()}{said[1:]}"
    ticks = {each.name: "" for each in form.entries if each.how in {"tick", "ticks"}}
    sent = {**ticks, **typed}  # what is not ticked is not sent
    if entry not in labels:
        return replace(form.filled(sent), wrong=said)
    return form.filled(sent, {entry: said})


def as_labelled(text: str, form: Form) -> str:
    """Words that name options, with the form's labels for them."""
    labels = {each.name: each.label for each in form.entries}
    return _OPTION.sub(lambda found: f"\u201c{labels.get(_named(found[1]), found[1])}\u201d", text)


def quoted(text: str) -> str:
    """Of what stands between backticks, only commands of the program are shown as such on a page."""
    return re.sub(r"`([^`]*)`", lambda it: it[0] if it[1].startswith("pullbook ") else f"\u201c{it[1]}\u201d", text)


def _named(option: str) -> str:
    return option.replace("-", "_")
