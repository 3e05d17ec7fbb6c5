"""What a recorder shows of itself: the lock that dies with its process, the state file, the box for notes."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from logger import errors
from logger.decode import events
from logger.decode.clock import monotonic_ns
from logger.store import presence

HOLD = """
import sys
from pathlib import Path
from logger.store import presence
lock = presence.Lock(Path(sys.argv[1]))
lock.acquire()
print("held", flush=True)
sys.stdin.read()
"""


def test_one_at_a_time_and_gone_with_its_process(tmp_path: Path) -> None:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert holder.stdout is not None
    assert holder.stdout.readline() == "held\n"
    assert presence.is_recording(tmp_path)
    with pytest.raises(errors.AlreadyRecording, match=rf"another recorder \(process {holder.pid}\)"):
        presence.Lock(tmp_path, patience_s=0.1).acquire()
    with presence.Lock(tmp_path, "finishing"):  # another lock, for another matter
        pass
    holder.kill()
    holder.wait()
    holder.stdout.close()
    if holder.stdin is not None:
        holder.stdin.close()
    assert not presence.is_recording(tmp_path)
    with presence.Lock(tmp_path):
        assert presence.is_recording(tmp_path)
    assert not presence.is_recording(tmp_path)


def test_a_store_without_a_recorder(tmp_path: Path) -> None:
    assert not presence.is_recording(tmp_path / "nowhere")
    assert presence.read_state(tmp_path) is None
    assert list(presence.notes_left(tmp_path)) == []


def test_state_is_whole_or_the_one_before(tmp_path: Path) -> None:
    presence.Lock(tmp_path)
    presence.write_state(tmp_path, {"state": "recording", "updated_utc": "2026-05-02T09:00:00+00:00"})
    assert presence.read_state(tmp_path) == {"state": "recording", "updated_utc": "2026-05-02T09:00:00+00:00"}
    path = tmp_path / ".recorder" / "state.json"
    for broken in ("", "{", "[]", '"x"'):
        path.write_text(broken)
        assert presence.read_state(tmp_path) is None
    presence.write_state(tmp_path / "gone", {})  # never fails


def test_state_on_a_full_disk_goes_over_the_one_before(tmp_path: Path) -> None:
    presence.Lock(tmp_path)
    presence.write_state(tmp_path, {"state": "recording", "why": "x" * 500})
    (tmp_path / ".recorder" / "state.new").mkdir()  # no new file can be made
    presence.write_state(tmp_path, {"state": "no room on the disk"})
    assert presence.read_state(tmp_path) == {"state": "no room on the disk"}


@pytest.mark.parametrize("state", [{}, {"updated_utc": "yesterday"}, {"updated_utc": None}])
def test_age_of_a_state_that_does_not_say(state: dict[str, str]) -> None:
    assert presence.age_s(state) == 0.0


def test_notes_in_order_and_only_whole_ones(tmp_path: Path) -> None:
    for n in (3, 1, 2):
        presence.leave_note(tmp_path, f"note {n} µ", n, "2026-05-02T09:00:00+00:00")
    box = tmp_path / ".recorder" / "notes"
    (box / "00-broken.json").write_text("{")
    (box / "01-broken.json").write_text('{"text": "no time"}')
    (box / "half.new").write_text("{}")
    assert [note["text"] for _, note in presence.notes_left(tmp_path)] == ["note 1 µ", "note 2 µ", "note 3 µ"]
    assert {path.name for path in box.iterdir() if "broken" in path.name} == {
        "00-broken.unreadable",
        "01-broken.unreadable",
    }


def test_a_note_has_the_time_it_was_written_unless_the_machine_was_started_since() -> None:
    now = monotonic_ns()
    fresh = events.left({"text": "a", "mono_ns": now - 10**9, "utc": "2026-05-02T09:00:00+00:00"})
    assert fresh.mono_ns == now - 10**9
    assert json.loads(fresh.data)["utc"] == "2026-05-02T09:00:00+00:00"
    stale = events.left({"text": "a", "mono_ns": now + 10**15, "utc": "2026-05-02T09:00:00+00:00"})
    assert now <= stale.mono_ns < now + 10**10
    assert json.loads(stale.data)["written_utc"] == "2026-05-02T09:00:00+00:00"
