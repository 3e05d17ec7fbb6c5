"""An answer's order on the terminal: the verdict, its figure, what to do; the rest with `--why`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.wording import sentence

if TYPE_CHECKING:
    from rich.console import Console

WhyOption = Annotated[
    bool, typer.Option("--why", help="Show as well how the figures were worked out, and what was left out.")
]
MORE = "How these figures were worked out: add --why."


def print_verdict(out: Console, text: str) -> None:
    """The verdict on a line of its own; its figure and what to do on the next."""
    lead, _, rest = text.partition(". ")
    out.print(sentence(lead), style="bold")
    if rest:
        out.print(sentence(rest))


def print_rest(out: Console, lines: Sequence[str], why: bool) -> None:
    """With `--why` the lines, without it how to ask for them; nothing where there are none."""
    if not lines:
        return
    if not why:
        out.print(MORE)
        return
    out.print()
    for line in lines:
        out.print(line)
