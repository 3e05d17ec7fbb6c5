"""What comes from memory is what is worked out anew, of just that data, and nobody else's to change."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from same_data import worked_out_once

from analysis.motion import smoother
from analysis.motion.fixes import Fixes


def standing(speed_mps: float = 0.0) -> Fixes:
    t = np.arange(0.0, 20.0, 0.1)
    rng = np.random.default_rng(1)
    return Fixes.of(t, np.abs(np.clip(t - 10.0, 0.0, 5.0) + rng.normal(0.0, 0.05, len(t)) + speed_mps))


def test_only_other_data_is_worked_out_and_it_is_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    begun: list[Fixes] = []
    real = smoother.smooth

    def counted(fixes: Fixes) -> smoother.Motion:
        begun.append(fixes)
        return real(fixes)

    monkeypatch.setattr(smoother, "smooth", counted)
    with worked_out_once(tmp_path / "folder"):
        first = smoother.smooth(standing())
        kept = first.speed_mps.copy()
        first.speed_mps[:] = 0.0  # whoever asked may spoil his own
        again = smoother.smooth(standing())
        assert len(begun) == 1
        other = smoother.smooth(standing(1e-9))
        assert len(begun) == 2
    assert np.array_equal(again.speed_mps, kept) and np.array_equal(kept, real(standing()).speed_mps)
    assert not np.array_equal(other.speed_mps, kept)
    assert smoother.smooth is counted
