"""What the journal promises, against every fault of the disk in turn, every cut, and damage of every kind."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pyarrow as pa
import pytest
from faulty_disk import FaultyDisk, PowerCut, each_fault
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.decode.framing import Chunk
from logger.store import journal
from logger.store.disk import Disk
from logger.store.journal import JournalWriter

# A power cut, which these tests play, closes no file.
pytestmark = pytest.mark.filterwarnings("ignore:unclosed file:ResourceWarning")


def chunks_of(number: int, count: int = 3) -> list[Chunk]:
    """Chunks that tell their number, with all kinds of bytes in them."""
    rng = random.Random(number)
    return [
        Chunk(
            number * 1000 + k,
            ("gps", "mixture", "_recorder")[k % 3],
            b"%d/%d " % (number, k) + rng.randbytes(rng.randrange(80)),
        )
        for k in range(count)
    ]


def rows(held: journal.Journal) -> list[Chunk]:
    return [Chunk(*row) for row in zip(*(column.to_pylist() for column in held.raw.columns), strict=True)]


def written(folder: Path, batches: int, **options: int) -> list[Chunk]:
    """A journal of some batches; gives its rows."""
    writer, told = JournalWriter(folder, **options), []
    for number in range(batches):
        told += chunks_of(number)
        writer.extend(chunks_of(number))
        writer.flush()
    writer.close()
    return told


def one_segment(folder: Path) -> Path:
    (path,) = folder.glob("*.arrows")
    return path


# --- writing and reading ------------------------------------------------------------------------------------------


def test_what_was_flushed_is_read_back(tmp_path: Path) -> None:
    told = written(tmp_path / "journal", 20)
    held = journal.read(tmp_path / "journal")
    assert rows(held) == told
    assert (held.batches, held.missing_batches, held.cut_bytes) == (20, 0, 0)
    assert held.raw.schema.equals(journal.schema())


def test_it_is_a_plain_arrow_stream(tmp_path: Path) -> None:
    told = written(tmp_path / "journal", 5)
    with pa.ipc.open_stream(one_segment(tmp_path / "journal").read_bytes()) as stream:
        assert stream.read_all().num_rows == len(told)


def test_segments_follow_each_other(tmp_path: Path) -> None:
    told = written(tmp_path / "journal", 40, segment_bytes=4000)
    assert len(list((tmp_path / "journal").glob("*.arrows"))) > 5
    assert rows(journal.read(tmp_path / "journal")) == told


def test_it_is_read_while_it_is_written(tmp_path: Path) -> None:
    writer, told = JournalWriter(tmp_path / "journal"), []
    for number in range(5):
        writer.extend(chunks_of(number))
        writer.append(Chunk(1, "gps", b"last"))
        told += [*chunks_of(number), Chunk(1, "gps", b"last")]
        assert writer.pending == 4
        assert writer.flush() == 4
        assert rows(journal.read(tmp_path / "journal")) == told
    writer.append(Chunk(2, "gps", b"not flushed"))
    assert rows(journal.read(tmp_path / "journal")) == told
    writer.close()
    assert rows(journal.read(tmp_path / "journal"))[-1].data == b"not flushed"


def test_nothing_to_flush_touches_no_disk(tmp_path: Path) -> None:
    writer = JournalWriter(tmp_path / "journal")
    assert writer.flush() == 0
    writer.close()
    assert journal.read(tmp_path / "journal").batches == 0
    assert not list((tmp_path / "journal").iterdir())


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.tuples(st.integers(-(2**63), 2**63 - 1), st.text(min_size=1, max_size=9), st.binary(max_size=200)),
        min_size=1,
    )
)
def test_any_row_comes_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, told: list[tuple[int, str, bytes]]
) -> None:
    try:
        "".join(name for _, name, _ in told).encode()
    except UnicodeEncodeError:
        return
    folder = tmp_path_factory.mktemp("any") / "journal"
    writer = JournalWriter(folder)
    writer.extend(Chunk(*row) for row in told)
    writer.close()
    assert rows(journal.read(folder)) == [Chunk(*row) for row in told]


def test_recorded_bytes_that_look_like_a_batch_are_just_bytes(tmp_path: Path) -> None:
    """A journal recorded inside a journal: what is in its rows is never taken for a batch of its own."""
    inner = tmp_path / "inner"
    written(inner, 3)
    data = one_segment(inner).read_bytes()
    writer = JournalWriter(tmp_path / "journal")
    writer.append(Chunk(1, "gps", data))
    writer.flush()
    writer.append(Chunk(2, "gps", b"0" * 64))
    writer.close()
    assert rows(journal.read(tmp_path / "journal")) == [Chunk(1, "gps", data), Chunk(2, "gps", b"0" * 64)]


# --- faults of the disk -------------------------------------------------------------------------------------------


every = pytest.mark.parametrize("step", [3, pytest.param(1, marks=pytest.mark.long)])
"""The faults of every third operation, or, at length, of each."""


@every
def test_every_fault_in_turn_loses_nothing_that_was_flushed(tmp_path: Path, step: int) -> None:
    """ENOSPC, EIO, a short write and a power cut at every operation in turn, until a pass of each meets none."""
    assert hold_against_faults(tmp_path, 1, step) > 100


@every
def test_a_disk_that_stays_full_for_a_while_loses_nothing(tmp_path: Path, step: int) -> None:
    assert hold_against_faults(tmp_path, 7, step) > 100


def hold_against_faults(tmp_path: Path, lasts: int, step: int) -> int:
    """How many operations the faults reached."""
    passes = 0
    for passes, disk in enumerate(each_fault(lasts, step), 1):
        folder = tmp_path / str(passes) / "journal"
        folder.parent.mkdir()
        safe: list[Chunk] = []
        taken: list[Chunk] = []
        went_off = False
        try:
            run_against(folder, disk, safe, taken)
        except PowerCut:
            went_off = True
        held = rows(journal.read(folder)) if folder.exists() else []
        if went_off:
            # All that was promised, and of the rest at most what was handed over, whole and in order.
            assert held[: len(safe)] == safe
            assert held == taken[: len(held)]
        else:
            assert held == taken
            assert journal.read(folder).missing_batches == 0
    return passes * step


def run_against(folder: Path, disk: FaultyDisk, safe: list[Chunk], taken: list[Chunk]) -> None:
    """Write a dozen batches, trying again what failed, as the recorder does. `safe` is what was promised."""
    writer = None
    while writer is None:
        try:
            writer = JournalWriter(folder, disk, segment_bytes=3000)
        except OSError:
            continue
    for number in range(12):
        taken += chunks_of(number)
        writer.extend(chunks_of(number))
        try:
            writer.flush()
        except OSError:
            assert writer.pending > 0
            # What was promised before is there even now.
            assert rows(journal.read(folder))[: len(safe)] == safe
            continue
        safe[:] = taken
    while True:
        try:
            writer.close()
        except OSError:
            continue
        break
    safe[:] = taken


def test_a_failed_flush_leaves_no_empty_files_behind(tmp_path: Path) -> None:
    disk = FaultyDisk(at=4, fault="full", lasts=300)
    writer = JournalWriter(tmp_path / "journal", disk)
    writer.extend(chunks_of(0))
    for _ in range(50):
        with pytest.raises(OSError):
            writer.flush()
    assert len(list((tmp_path / "journal").iterdir())) <= 1


def test_a_torn_batch_is_never_followed_by_good_ones_in_its_file(tmp_path: Path) -> None:
    for fault in ("full", "broken"):
        folder = tmp_path / fault
        disk = FaultyDisk(at=9, fault=fault)
        writer = JournalWriter(folder, disk)
        for number in range(6):
            writer.extend(chunks_of(number))
            try:
                writer.flush()
            except OSError:
                broken = sorted(folder.glob("*.arrows"))[-1].read_bytes()
                at = len(list(folder.glob("*.arrows")))
        writer.close()
        assert sorted(folder.glob("*.arrows"))[at - 1].read_bytes() == broken
        assert rows(journal.read(folder)) == [chunk for number in range(6) for chunk in chunks_of(number)]


def test_without_faults_the_disk_writes_all(tmp_path: Path) -> None:
    Disk().write_file(tmp_path / "file", b"x" * 100_000)
    assert (tmp_path / "file").read_bytes() == b"x" * 100_000


# --- damage -------------------------------------------------------------------------------------------------------


def batches_in(folder: Path) -> list[list[Chunk]]:
    return [chunks_of(number) for number in range(8)]


def good_prefix(held: list[Chunk], batches: list[list[Chunk]]) -> int:
    """How many whole batches `held` is, from the first on; fails where it is anything else."""
    at = 0
    for number, batch in enumerate(batches):
        if at == len(held):
            return number
        assert held[at : at + len(batch)] == batch
        at += len(batch)
    assert at == len(held)
    return len(batches)


def test_cut_at_any_byte_gives_the_batches_before(tmp_path: Path) -> None:
    folder = tmp_path / "journal"
    written(folder, 8)
    path = one_segment(folder)
    data = path.read_bytes()
    last = 0
    for size in range(0, len(data) + 1, 7):
        path.write_bytes(data[:size])
        count = good_prefix(rows(journal.read(folder)), batches_in(folder))
        assert count >= last  # more bytes never give less
        last = count
    path.write_bytes(data)
    assert journal.read(folder).batches == 8


@pytest.mark.parametrize("filling", [b"\0", b"\xff", b"\xff\xff\xff\xff\x10\0\0\0", None])
def test_a_tail_of_zeros_or_garbage_is_cut(tmp_path: Path, filling: bytes | None) -> None:
    folder = tmp_path / "journal"
    written(folder, 8)
    path = one_segment(folder)
    data = path.read_bytes()
    rng = random.Random(1)
    for size in range(0, len(data), 97):
        tail = rng.randbytes(5000) if filling is None else filling * (5000 // len(filling))
        path.write_bytes(data[:size] + tail)
        held = journal.read(folder)
        good_prefix(rows(held), batches_in(folder))
        assert held.cut_bytes > 4000


def test_damage_anywhere_costs_only_what_it_touches(tmp_path: Path) -> None:
    """Every byte in turn is changed: at most one batch is lost, and the loss is told."""
    folder = tmp_path / "journal"
    written(folder, 8)
    path = one_segment(folder)
    data = path.read_bytes()
    whole = [chunk for batch in batches_in(folder) for chunk in batch]
    rng = random.Random(2)
    for at in range(0, len(data), 5):
        damaged = bytearray(data)
        damaged[at] ^= 1 << rng.randrange(8)
        path.write_bytes(damaged)
        held = journal.read(folder)
        assert held.batches >= 7
        missing = [chunk for chunk in whole if chunk not in rows(held)]
        assert [chunk for chunk in whole if chunk not in missing] == rows(held)
        assert len(missing) in (0, 3)
        last_one = held.batches == 7 and missing == chunks_of(7)
        assert held.missing_batches == (1 if missing and not last_one else 0)
        assert (held.cut_bytes > 0) == (held.batches < 8 or at < 400)


def test_wild_lengths_take_no_memory(tmp_path: Path) -> None:
    """Lengths of up to 4 GB in every place where the format has one, in the metadata and before it."""
    resource = pytest.importorskip("resource")
    folder = tmp_path / "journal"
    written(folder, 3)
    path = one_segment(folder)
    data = path.read_bytes()
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    for at in range(0, len(data) - 8, 8):
        for wild in (b"\xff\xff\xff\x7f", b"\xff\xff\xff\xff", b"\0\0\0\x40"):
            path.write_bytes(data[:at] + wild + data[at + 4 :])
            journal.read(folder)
    unit = 1 if sys.platform == "darwin" else 1024
    assert (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * unit < 50e6


@settings(max_examples=100, deadline=None)
@given(garbage=st.binary(max_size=3000), prefix=st.integers(0, 4000), suffix=st.integers(0, 4000))
def test_garbage_between_good_bytes_never_gives_a_wrong_row(
    tmp_path_factory: pytest.TempPathFactory, garbage: bytes, prefix: int, suffix: int
) -> None:
    folder = tmp_path_factory.mktemp("garbage") / "journal"
    written(folder, 8)
    path = one_segment(folder)
    data = path.read_bytes()
    path.write_bytes(data[:prefix] + garbage + data[len(data) - suffix :])
    whole = {chunk for batch in batches_in(folder) for chunk in batch}
    assert set(rows(journal.read(folder))) <= whole


def test_time_to_search_garbage_is_linear(tmp_path: Path) -> None:
    """16 MB that begins like a message at every byte is done with in the time of a read."""
    folder = tmp_path / "journal"
    folder.mkdir()
    (folder / "000001.arrows").write_bytes(b"\xff\xff\xff\xff\x40\0\0\0" * (2 << 20))
    held = journal.read(folder)
    assert (held.batches, held.cut_bytes) == (0, 16 << 20)


def test_other_files_in_the_folder_are_left_alone(tmp_path: Path) -> None:
    folder = tmp_path / "journal"
    told = written(folder, 2)
    (folder / "notes.arrows").write_bytes(b"not a segment")
    (folder / "recorder.toml").write_text("")
    assert rows(journal.read(folder)) == told
