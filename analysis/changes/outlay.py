"""What a change cost in money and hours: of the setup in which those parts, and no others, were changed.

What several parts cost together is no single part's: only the change that was made as a whole has a price.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from analysis.conditions.setups import Known, differences, same_value
from logger.config.setup import PartValue


@dataclass(frozen=True)
class Outlay:
    """Money in the owner's own, and hours; NaN where it was not said."""

    cost: float
    hours: float


def outlay_of(setups: Sequence[Known], changes: Mapping[str, PartValue | None]) -> Outlay | None:
    """What it took to give these parts these values; None where they were never changed by themselves.

    Parameters
    ----------
    setups : sequence of Known
        In the order first driven; `cost` and `hours` of each are those of the change from the one before.
    changes : mapping of str to PartValue or None
        Part -> its new value; None where it is no longer said.
    """
    for before, after in itertools.pairwise(setups):
        differ = {each.part: each.b for each in differences(before.setup.parts, after.setup.parts)}
        if differ.keys() == changes.keys() and all(_alike(part, differ[part], changes[part]) for part in differ):
            said = after.setup.cost, after.setup.hours
            if said != (None, None):
                return Outlay(*(math.nan if each is None else each for each in said))
    return None


def _alike(part: str, a: PartValue | None, b: PartValue | None) -> bool:
    if a is None or b is None:
        return a is b
    return same_value(part, a, part, b)
