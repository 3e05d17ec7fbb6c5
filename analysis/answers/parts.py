"""What differs between two setups, as more than one answer gives it."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.answers.encoding import Answer
from analysis.conditions.setups import Difference
from logger.config.setup import PartValue


class PartPair(Answer):
    """A part's value in two setups."""

    a: PartValue | None
    """In the first; null where it does not mention the part."""
    b: PartValue | None
    """In the second; null where it does not mention the part."""


def pairs(differ: Sequence[Difference]) -> dict[str, PartPair]:
    """Part -> both values, for each part that differs."""
    return {each.part: PartPair(a=each.a, b=each.b) for each in differ}
