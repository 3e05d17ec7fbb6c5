"""What a change took: only a change that was made by itself has a price."""

from __future__ import annotations

import math

import pytest

from analysis.answers.effects import EffectInterval, _gain_for
from analysis.changes.outlay import Outlay, outlay_of
from analysis.conditions.setups import Known
from logger.config.setup import PartValue, SetupConfig


def known(name: str, parts: dict[str, PartValue], **more: float) -> Known:
    return Known(name, SetupConfig.model_validate({"name": name, "parts": parts, **more}), ("d",))


SETUPS = [
    known("a", {"jet_mm": 1.09, "snorkel": "short"}, cost=100, hours=9),
    known("b", {"jet_mm": 1.09, "snorkel": "long"}, cost=12, hours=1.5),
    known("c", {"jet_mm": 1.06, "snorkel": "long", "stack": True}, cost=40),
    known("d", {"jet_mm": 1.06, "snorkel": "long", "stack": False}),
]


@pytest.mark.parametrize(
    ("changes", "outlay"),
    [
        ({"snorkel": "long"}, Outlay(12.0, 1.5)),
        ({"snorkel": "LONG "}, Outlay(12.0, 1.5)),  # words are compared as setups compare them
        ({"jet_mm": 1.06}, None),  # changed together with the stack: no price of its own
        ({"jet_mm": 1.06, "stack": True}, Outlay(40.0, math.nan)),
        ({"stack": False}, None),  # nobody said
        ({"snorkel": "short"}, None),  # the first setup's price is no change's
    ],
)
def test_the_price_is_that_of_the_change_made_by_itself(
    changes: dict[str, PartValue | None], outlay: Outlay | None
) -> None:
    found = outlay_of(SETUPS, changes)
    assert str(found) == str(outlay)  # NaN is not equal to itself


def test_a_gain_is_a_difference_turned_round_and_shared_out() -> None:
    """By hand: 0.6 s quicker, 0.2 to 1.0, for 12 pounds and 1.5 hours."""
    interval = EffectInterval(difference=-0.6, low=-1.0, high=-0.2, run_low=-0.9, run_high=-0.3, days="included")
    for spent, gain, low, high in ((12.0, 0.05, 1 / 60, 1 / 12), (1.5, 0.4, 0.2 / 1.5, 1.0 / 1.5)):
        found = _gain_for(interval, spent)
        assert found is not None
        assert (found.gain_s, found.low_s, found.high_s) == pytest.approx((gain, low, high))
    assert _gain_for(interval, 0.0) is None and _gain_for(interval, math.nan) is None
