"""What all verbs share on the terminal: the options `--store` and `--json`, one JSON object, tables of 80 columns.

Rich draws the tables: it respects NO_COLOR and pipes. Colour only ever repeats what a word or a mark already says.
"""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from rich.console import Console

WIDTH = 80

StoreOption = Annotated[
    Path | None,
    typer.Option(
        "--store",
        help="The folder that holds the drives; by default the platform's data folder, or $PULLBOOK_STORE.",
        show_default=False,
    ),
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print one JSON object and nothing else.")]


def print_json(answer: Any) -> None:
    """Print `answer` as one JSON object: numpy numbers as numbers, NaN and infinity as null, times as ISO 8601."""
    json.dump(_plain(answer), sys.stdout, indent=2, ensure_ascii=False, allow_nan=False)
    print()


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
    """A console no wider than 80 columns; narrower where the terminal is. Colours only on a terminal."""
    from rich.console import Console

    out = Console(stderr=stderr, highlight=False, emoji=False, markup=False)
    out.width = min(out.width, WIDTH)
    return out


def table(columns: Sequence[str], rows: Iterable[Sequence[str]], left: Sequence[int] = (0,), title: str = "") -> Any:
    """A plain aligned table under its title: numbers to the right, the columns numbered in `left` to the left.

    Cells are text as typed: nothing in them is read as markup.
    """
    from rich import box
    from rich.console import Group
    from rich.table import Table
    from rich.text import Text

    drawn = Table(box=box.SIMPLE_HEAD, show_edge=False, pad_edge=False)
    for number, name in enumerate(columns):
        drawn.add_column(Text(name), justify="left" if number in left else "right", no_wrap=number not in left)
    for row in rows:
        drawn.add_row(*(Text(cell) for cell in row))
    # A title of the table itself would be wrapped to the table's width, however narrow.
    return Group(Text(title, style="bold"), drawn) if title else drawn
