"""How a change of power is printed, by `compare` and `power` alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.wording import sentence
from logger.cli.printing import console, table

if TYPE_CHECKING:
    from analysis.answers.power_change import PowerChangeAnswer


def print_power_change(found: PowerChangeAnswer, unit: str) -> None:
    """The verdict, the change by range of speeds, and what stands beside it."""
    from analysis.answers.power_change import power_lines, power_rows

    out = console()
    out.print(sentence(found.sentence), style="bold")
    if found.told:
        out.print(table(*power_rows(found, unit), left=(), title="Power at the wheels, B over A"))
        out.print()
    for line in power_lines(found, unit, "; --json names them"):
        out.print(line)
    out.print()
