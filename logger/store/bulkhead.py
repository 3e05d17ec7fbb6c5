"""One bad drive never takes the others with it: what fails for one becomes one line, and the rest goes on.

    for drive, runs in bulkhead.each(list_drives(store), runs_of):
        ...                                  # a drive that fails is told and left out

    with bulkhead.of(drive.id):              # whoever asks one drive: whatever fails becomes an error of that drive
        ...

Whoever goes through many drives does it through here; nothing else catches what it cannot name.
"""

from __future__ import annotations

import contextlib
import logging
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from typing import TypeVar

from logger.errors import DriveError, InputError, NoAnswer
from logger.store.disk import said

Item = TypeVar("Item")
Answer = TypeVar("Answer")

_LOG = logging.getLogger(__name__)


@dataclass(frozen=True)
class LeftOut:
    """What was left out, and why."""

    name: str
    """The drive's."""
    said: str
    """One complete line: the name, what is wrong, what to do."""


def warn(left_out: LeftOut) -> None:
    """Tell it as a warning of the standard library's logging, which the command line prints on standard error."""
    _LOG.warning("%s", left_out.said)


def failure(name: str, error: Exception) -> LeftOut:
    """What is to be told of a drive for which `error` came up."""
    if isinstance(error, InputError | NoAnswer):
        line = str(error)
    elif isinstance(error, OSError):
        line = f"cannot be read: {said(error)}"
    else:
        # A file that no check of ours refused, or a fault of the program: from the raw bytes both can be told apart.
        what = f"{type(error).__name__}: {error}"
        line = f"{name}: {what}; `pullbook rebuild {name}` rebuilds its files from the raw bytes"
    line = " ".join(line.split())
    return LeftOut(name, line if name in line else f"{name}: {line}")


def named(name: str, error: Exception) -> InputError | NoAnswer:
    """`error` as one that names the drive: what can be named already as it is, anything else as a DriveError."""
    if isinstance(error, InputError | NoAnswer):
        return error
    wrong = DriveError(failure(name, error).said)
    wrong.__cause__ = error
    return wrong


@contextlib.contextmanager
def of(name: str) -> Iterator[None]:
    """Whatever fails within becomes an InputError or NoAnswer that names the drive; see `named`."""
    try:
        yield
    except Exception as error:
        wrong = named(name, error)
        if wrong is error:
            raise
        raise wrong from error


def each(
    items: Iterable[Item],
    work: Callable[[Item], Answer],
    name: Callable[[Item], str] = lambda item: str(getattr(item, "id", item)),
    tell: Callable[[LeftOut], None] = warn,
) -> Iterator[tuple[Item, Answer]]:
    """Each item with what `work` gives for it; those for which it fails are told and left out."""
    for item in items:
        try:
            answer = work(item)
        except Exception as error:
            tell(failure(name(item), error))
            continue
        yield item, answer
