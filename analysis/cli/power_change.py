"""How a change of power is printed, by `compare` and `power` alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.cli.verdict import print_verdict
from analysis.wording import sentence
from logger.cli.printing import console, table

if TYPE_CHECKING:
    from analysis.answers.power_change import PowerChangeAnswer


def print_power_change(found: PowerChangeAnswer, unit: str, why: bool) -> None:
    """The verdict; with `why` the change by range of speeds and what stands beside it, else only the caveats."""
    from analysis.answers.power_change import power_lines, power_rows

    out = console()
    print_verdict(out, found.sentence)
    if why and found.told:
        out.print(table(*power_rows(found, unit), left=(), title="Power at the wheels, B over A"))
        out.print()
    for line in power_lines(found, unit, "; --json names them") if why else map(sentence, found.caveats):
        out.print(line)
