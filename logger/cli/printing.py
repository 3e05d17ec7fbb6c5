"""What all verbs share on the terminal: options such as `--store` and `--json`, one JSON object, tables of 80 columns.

Everything that is printed goes through `tell`, `say`, `table` or `print_json`, which make text from outside harmless.

Rich draws the tables: it respects NO_COLOR and pipes. Colour only ever repeats what a word or a mark already says.
"""

from __future__ import annotations

import contextlib
import logging
import math
import sys
import textwrap
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from logger.text import safe, safe_json

if TYPE_CHECKING:
    from rich.console import Console

WIDTH = 80

StoreOption = Annotated[
    Path | None,
    typer.Option(
        "--store",
        help="The folder that holds the drives. Default: $PULLBOOK_STORE, or the system's data folder.",
        show_default=False,
    ),
]
AnywayOption = Annotated[
    bool, typer.Option("--anyway", help="Accept a setup's name or value as written, even if it is nearly a known one.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]


def tell(text: str = "") -> None:
    """Print `text` on standard output, line by line, with nothing in it that a terminal would take for commands.

    Where text from outside must not begin a line of its own, give it through `safe` first.
    """
    print(_safe_lines(text), flush=True)


def _safe_lines(text: str) -> str:
    return "\n".join(map(safe, text.split("\n")))


def wrapped(text: str, before: str, width: int = WIDTH) -> str:
    """`text` in lines of at most `width` columns, `before` in front of each. Words stay whole: a path can be copied."""
    return textwrap.fill(
        safe(text), width, initial_indent=before, subsequent_indent=f"{before}  ", break_on_hyphens=False,
        break_long_words=False,
    )  # fmt: skip


def say(text: str) -> None:
    """Print one line on standard error, with the program's name before it."""
    print(f"pullbook: {safe(' '.join(text.split()))}", file=sys.stderr, flush=True)


class _Warnings(logging.Handler):
    """Prints what the rooms below warn of (a drive that was left out, or mended): each line once."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self._said: set[str] = set()

    def emit(self, record: logging.LogRecord) -> None:
        line = record.getMessage()
        if line not in self._said:
            self._said.add(line)
            with contextlib.suppress(OSError, ValueError):  # nobody is there to read it
                say(line)


def show_warnings() -> None:
    """From now on print warnings of this program on standard error; again and again is the same."""
    log = logging.getLogger("logger")
    if not any(isinstance(handler, _Warnings) for handler in log.handlers):
        log.addHandler(_Warnings())


def print_json(answer: Any) -> None:
    """Print `answer` as one JSON object: numpy numbers as numbers, NaN and infinity as null, times as ISO 8601."""
    import json

    print(safe_json(json.dumps(_plain(answer), indent=2, ensure_ascii=False, allow_nan=False)))


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple | set):
        return [_plain(inner) for inner in value]
    if hasattr(value, "tolist"):  # numpy arrays and scalars
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if hasattr(value, "isoformat"):
        return value.isoformat()
    return str(value) if isinstance(value, Path) else value


def console(stderr: bool = False) -> Console:
    """A console no wider than 80 columns; narrower where the terminal is. Colours only on a terminal.

    Text is printed as `tell` prints it: nothing in it is markup, or a command to the terminal.
    """
    from rich.console import Console

    class SafeConsole(Console):
        def print(self, *objects: Any, **how: Any) -> None:
            super().print(*(_safe_lines(each) if isinstance(each, str) else each for each in objects), **how)

    out = SafeConsole(stderr=stderr, highlight=False, emoji=False, markup=False)
    out.width = min(out.width, WIDTH)
    return out


def table(columns: Sequence[str], rows: Iterable[Sequence[str]], left: Sequence[int] = (0,), title: str = "") -> Any:
    """A plain aligned table under its title: numbers to the right, the columns numbered in `left` to the left.

    Cells are text as typed: nothing in them is read as markup, or by the terminal.
    """
    from rich import box
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for number, name in enumerate(columns):
        drawn.add_column(Text(safe(name)), justify="left" if number in left else "right", no_wrap=number not in left)
    for row in rows:
        drawn.add_row(*(Text(safe(cell)) for cell in row))
    # A title of the table itself would be wrapped to the table's width, however narrow.
    return Group(Text(safe(title), style="bold"), drawn) if title else drawn
