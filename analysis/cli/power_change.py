"""How a change of power is printed, by `compare` and `power` alike."""

from __future__ import annotations

from typing import TYPE_CHECKING

from analysis.wording import sentence, speed_range
from logger.cli.printing import console, table

if TYPE_CHECKING:
    from analysis.answers.power_change import PowerChangeAnswer


def print_power_change(found: PowerChangeAnswer, unit: str) -> None:
    """The verdict, the change by range of speeds, and what stands beside it."""
    from analysis.answers.power_change import power_lines

    out = console()
    out.print(sentence(found.sentence), style="bold")
    if found.told:
        whole = speed_range(found.from_mps, found.to_mps, unit), "", found.change, found.low, found.high
        parts = [
            (
                speed_range(each.from_mps, each.to_mps, unit),
                f"{each.pulls_a}/{each.pulls_b}",
                each.change,
                each.low,
                each.high,
            )
            for each in found.groups
        ]
        rows = [
            [over, pulls, f"{100 * change:+.1f}", f"{100 * low:+.1f} to {100 * high:+.1f}"]
            for over, pulls, change, low, high in [*parts, whole]
        ]
        out.print(
            table(
                [unit, "pulls", "power %", f"{found.level:.0%}"], rows, left=(), title="Power at the wheels, B over A"
            )
        )
        out.print()
    for line in power_lines(found, unit):
        out.print(line)
    out.print()
