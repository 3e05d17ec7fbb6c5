"""`runs` on a hill, over a gap in the fixes, and with a slow receiver."""

from __future__ import annotations

from pathlib import Path

import pytest
import simulate
from airfield import Road
from made_drives import make_drive
from run_verb import run_verb
from simulate import WREN, Brake, Phase, Pull, Stand, Turn

from analysis.answers.runs import runs_answer
from analysis.drive import AnalysedDrive
from analysis.store import DriveStore


def test_uphill_is_above_zero_and_a_gap_is_told_from_the_start_of_its_run(tmp_path: Path) -> None:
    script: list[Phase] = [
        Stand(8), Pull(19, "bite"), Brake(0, 3.0), Stand(5), Turn(), Pull(19, "bite"), Brake(0, 3.0), Stand(5),
    ]  # fmt: skip
    truth = simulate.drive(WREN, script, Road(swing_m=25.0), seed=1)
    silent = (truth.runs[1].start_s + 4.0, truth.runs[1].start_s + 6.5)
    found, truth = make_drive(tmp_path, script, road=Road(swing_m=25.0), silent_s=silent)
    runs = runs_answer(DriveStore(tmp_path).drive(found.id)).runs
    shown = run_verb(tmp_path, "runs", "--why", found.id).table("How each run went")
    for run, true, row in zip(runs, truth.runs, shown, strict=True):
        way = (truth.t_s >= true.start_s) & (truth.v_mps > 0) & (truth.s_m <= true.s_m[0] + run.distance_m)
        grade = 100 * float(truth.grade[way].mean())
        assert abs(grade) > 3.5 and run.grade_sigma_percent < 1.2
        assert run.grade_percent == pytest.approx(grade, abs=3 * run.grade_sigma_percent)
        assert float(row["Grade %"].split()[0]) == pytest.approx(run.grade_percent, abs=0.06)
    assert runs[0].grade_percent > 0 > runs[1].grade_percent and runs[0].gaps == ()
    (gap,) = runs[1].gaps
    assert (gap.start_s, gap.end_s) == pytest.approx((4.0, 6.5), abs=0.2)
    assert runs[1].why_not == "1 gap in the fixes" and runs[0].counted


def test_a_slow_receiver_tells_nothing_of_its_smoothing(tmp_path: Path) -> None:
    """A corner of a tenth of a second is not seen by a fix every second."""
    drive, _ = make_drive(tmp_path, [Stand(8), Pull(23.5, "bite"), Brake(0, 3.0), Stand(5)], rate_hz=1.0)
    found = runs_answer(AnalysedDrive(drive))
    told = found.to_json()
    for name in ("smoothing_s", "smoothing_low_s", "smoothing_high_s"):
        assert told["receiver"][name] is None
    assert "smoothing unknown" in run_verb(tmp_path, "runs", "--why", drive.id).flat
    (run,) = found.runs
    assert all(split.systematic_s > 0 for split in run.splits)
