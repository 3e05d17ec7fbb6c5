"""Fixes whose times are days from the rest, wrong or of another drive: they are set aside, the rest is answered."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.motion.fixes import Fixes, clean

DAY = 86_400.0
DRIVEN = np.arange(0.0, 60.0, 0.1)


def cleaned(times: list[np.ndarray]) -> tuple[Fixes, dict[str, int]]:
    t = np.concatenate(times)
    kept, aside = clean(Fixes.of(t, np.full(len(t), 10.0)))
    return kept, aside.counts


@pytest.mark.parametrize("odd", [[9e9], [-1.7e9], [-1.7e9, -1.7e9 + 1], [40 * DAY]])
@pytest.mark.parametrize("first", [True, False])
def test_the_few_that_are_years_away_are_set_aside(odd: list[float], first: bool) -> None:
    others = np.array(odd)
    kept, counts = cleaned([others, DRIVEN] if first else [DRIVEN, others])
    assert kept.t_s == pytest.approx(DRIVEN)
    assert counts == {"days from the others": len(odd)}


def test_two_days_of_one_drive_stay_together() -> None:
    kept, counts = cleaned([DRIVEN, DRIVEN + 2 * DAY])
    assert len(kept) == 2 * len(DRIVEN) and not counts
