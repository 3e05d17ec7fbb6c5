"""What a recorder shows of itself: the lock that dies with its process, the state file, the box for notes."""

from __future__ import annotations

import json
import os
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from logger import errors
from logger.decode import events
from logger.decode.clock import monotonic_ns
from logger.decode.framing import Chunk
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


SOUND = {"text": "hill", "mono_ns": 5, "utc": "2026-05-02T09:00:00+00:00"}


@pytest.mark.parametrize(
    "data",
    [
        b"\xff\xfe",
        b'{"text": "\xff", "mono_ns": 1, "utc": "2026-05-02T09:00:00+00:00"}',
        b'{"text": "a", "mono_ns": 1e999, "utc": "2026-05-02T09:00:00+00:00"}',
        b'{"text": "a", "mono_ns": 1.5, "utc": "2026-05-02T09:00:00+00:00"}',
        b'{"text": "a", "mono_ns": NaN, "utc": "2026-05-02T09:00:00+00:00"}',
        b'{"text": "a", "mono_ns": ' + b"9" * 5000 + b', "utc": "2026-05-02T09:00:00+00:00"}',
        b'{"text": "a", "mono_ns": 1, "utc": "yesterday"}',
        b'{"text": 5, "mono_ns": 1, "utc": "2026-05-02T09:00:00+00:00"}',
        b"[" * 100_000,
        b'{"text":' * 5000,
        b"[]",
        b"",
        b" " * 200_000,
    ],
)
def test_no_note_can_stop_the_others(tmp_path: Path, data: bytes) -> None:
    presence.leave_note(tmp_path, "before", 1, SOUND["utc"])
    box = tmp_path / ".recorder" / "notes"
    (box / "00000000000000000002-not-a-note.json").write_bytes(data)
    presence.leave_note(tmp_path, "after", 3, SOUND["utc"])
    assert [note["text"] for _, note in presence.notes_left(tmp_path)] == ["before", "after"]
    assert [path.suffix for path in box.iterdir() if path.stem.endswith("not-a-note")] == [".unreadable"]


def test_halves_of_a_character_and_bytes_that_are_no_text_are_noted_readably(tmp_path: Path) -> None:
    presence.leave_note(tmp_path, "caf\udce9", 1, SOUND["utc"])
    box = tmp_path / ".recorder" / "notes"
    (box / "1.json").write_text(json.dumps({**SOUND, "text": "half \ud83d of it"}))
    texts = [note["text"] for _, note in presence.notes_left(tmp_path)]
    assert texts == ["caf?", "half ? of it"]
    for path, note in presence.notes_left(tmp_path):
        assert path.exists() and json.loads(events.left(note).data)["text"] == note["text"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes with a name are needed")
def test_a_pipe_a_link_and_a_folder_in_the_box_are_not_waited_for(tmp_path: Path) -> None:
    presence.leave_note(tmp_path, "sound", 5, SOUND["utc"])
    box = tmp_path / ".recorder" / "notes"
    os.mkfifo(box / "1.json")
    (box / "2.json").symlink_to("/etc/hostname")
    (box / "3.json").mkdir()
    assert [note["text"] for _, note in presence.notes_left(tmp_path)] == ["sound"]


@pytest.mark.skipif(not hasattr(os, "getuid") or os.getuid() != 0, reason="only root can give a file away")
def test_the_box_takes_the_owners_files_only(tmp_path: Path) -> None:
    path = presence.leave_note(tmp_path, "a stranger's", 5, SOUND["utc"])
    os.chown(path, 12345, 12345)
    assert list(presence.notes_left(tmp_path)) == []


@pytest.mark.skipif(os.name != "posix", reason="modes of POSIX")
def test_what_tells_where_they_drove_is_for_the_owner_alone(tmp_path: Path) -> None:
    from logger.store import making
    from logger.store.journal import JournalWriter

    store = tmp_path / "store"
    writer = JournalWriter(making.begin(store, '[[source]]\nname = "gps"\nkind = "nmea"\n'))
    writer.append(Chunk(0, "gps", b"$GPTXT*00\r\n"))
    writer.close()
    with presence.Lock(store):
        presence.write_state(store, {})
        presence.leave_note(store, "a", 1, SOUND["utc"])

    def modes() -> dict[str, int]:
        return {str(path.relative_to(tmp_path)): stat.S_IMODE(path.stat().st_mode) for path in tmp_path.rglob("*")}

    seen = modes()
    (path,) = (path for path in store.iterdir() if not path.name.startswith("."))
    made = making.close(path)
    assert made is not None
    seen |= modes()
    assert len(seen) >= 12 and any(name.endswith("raw.parquet") for name in seen)
    assert {name: mode for name, mode in seen.items() if mode not in (0o700, 0o600)} == {}


def test_a_lock_that_is_deleted_is_noticed_and_taken_anew(tmp_path: Path) -> None:
    path = tmp_path / ".recorder" / "lock"
    with presence.Lock(tmp_path) as lock:
        assert lock.intact
        path.unlink()
        assert not lock.intact and not presence.is_recording(tmp_path)
        lock.renew()
        assert lock.intact and presence.is_recording(tmp_path)
        path.unlink()
        other = presence.Lock(tmp_path)
        other.acquire()
        with pytest.raises(errors.AlreadyRecording):
            lock.renew()
        other.release()
    assert not presence.is_recording(tmp_path)


def test_a_note_has_the_time_it_was_written_unless_the_machine_was_started_since() -> None:
    now = monotonic_ns()
    fresh = events.left({"text": "a", "mono_ns": now - 10**9, "utc": "2026-05-02T09:00:00+00:00"})
    assert fresh.mono_ns == now - 10**9
    assert json.loads(fresh.data)["utc"] == "2026-05-02T09:00:00+00:00"
    stale = events.left({"text": "a", "mono_ns": now + 10**15, "utc": "2026-05-02T09:00:00+00:00"})
    assert now <= stale.mono_ns < now + 10**10
    assert json.loads(stale.data)["written_utc"] == "2026-05-02T09:00:00+00:00"
