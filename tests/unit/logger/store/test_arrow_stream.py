"""The journal's stream as it is laid out by hand, held to pyarrow: what it writes for the schema, what it reads."""

from __future__ import annotations

import hashlib
import io
import subprocess
import sys
from pathlib import Path

import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.decode.framing import Chunk
from logger.store import arrow_stream, journal

WORD = b"batch=000000000000 bytes=000000000000 sha256=" + b"0" * 64
TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=9)
CHUNKS = st.lists(
    st.builds(Chunk, st.integers(-(2**63), 2**63 - 1), TEXT, st.binary(max_size=300)), min_size=1, max_size=40
)


def read_back(message: bytes | bytearray) -> tuple[pa.RecordBatch, dict[bytes, bytes]]:
    with pa.ipc.open_stream(arrow_stream.HEADER + bytes(message)) as reader:
        batch, told = reader.read_next_batch_with_custom_metadata()
        assert reader.schema.equals(journal.schema(), check_metadata=True)
        with pytest.raises(StopIteration):
            reader.read_next_batch()
    return batch, dict(told)


def by_pyarrow(chunks: list[Chunk], word: bytes) -> bytes:
    """The same batch as pyarrow writes it, which earlier programs used."""
    columns = zip(zip(*chunks, strict=True), journal.schema(), strict=True)
    rows = [pa.array(column, field.type) for column, field in columns]
    sink = io.BytesIO()
    options = pa.ipc.IpcWriteOptions(compression="zstd")
    with pa.ipc.new_stream(sink, journal.schema(), options=options) as writer:
        writer.write_batch(pa.record_batch(rows, schema=journal.schema()), custom_metadata={"pullbook": word})
        return sink.getvalue()[len(arrow_stream.HEADER) :]


def test_the_header_is_what_pyarrow_writes_for_the_schema() -> None:
    assert journal.schema().serialize().to_pybytes() == arrow_stream.HEADER


@given(st.lists(CHUNKS, min_size=1, max_size=3))
@settings(deadline=None, max_examples=200)
def test_pyarrow_reads_what_was_given_and_the_word_where_it_is_said_to_stand(batches: list[list[Chunk]]) -> None:
    made = arrow_stream.Batches()
    for chunks in batches:
        message, at = made.message(chunks, WORD)
        assert message[at : at + len(WORD)] == WORD
        assert len(message) % 8 == 0
        batch, told = read_back(message)
        batch.validate(full=True)
        assert [Chunk(*row.values()) for row in batch.to_pylist()] == chunks
        assert told == {b"pullbook": WORD}


@given(CHUNKS)
@settings(deadline=None)
def test_it_says_of_itself_what_pyarrow_says(chunks: list[Chunk]) -> None:
    """Kind, lengths and places, as the reader of messages takes them apart; the bytes of the metadata may be laid out
    otherwise."""
    ours, theirs = (
        pa.ipc.read_message(bytes(message))
        for message in (arrow_stream.Batches().message(chunks, WORD)[0], by_pyarrow(chunks, WORD))
    )
    assert (ours.type, ours.metadata_version) == (theirs.type, theirs.metadata_version)
    assert ours.body is not None and theirs.body is not None
    assert ours.body.size % 8 == 0
    assert ours.body.size <= theirs.body.size + 64  # of zstd's frames; pyarrow's zstd may be another version


@pytest.mark.parametrize("word", [b"", b"w", b"seven b", b"eight by", WORD * 100])
def test_a_word_of_any_length(word: bytes) -> None:
    message, at = arrow_stream.Batches().message([Chunk(1, "gps", b"abc")], word)
    assert message[at : at + len(word)] == word
    assert read_back(message)[1] == {b"pullbook": word}


def test_an_ordinary_half_second_is_compressed() -> None:
    chunks = [Chunk(n * 6_000_000, "board", b"%d,%d\r\n" % (n, n * 7 % 1024)) for n in range(80)]
    plain = 80 * (8 + 4 + 5 + 4) + sum(len(chunk.data) for chunk in chunks)
    assert len(arrow_stream.Batches().message(chunks, WORD)[0]) < 0.75 * plain


def test_a_journal_of_an_earlier_program_is_read_and_gone_on_with(tmp_path: Path) -> None:
    """Its batches were laid out by pyarrow."""
    folder = tmp_path / "journal"
    folder.mkdir()
    told = [[Chunk(n * 10 + k, "gps", b"%d" % k) for k in range(3)] for n in range(4)]
    stream = arrow_stream.HEADER
    for number, chunks in enumerate(told):
        message = bytearray(by_pyarrow(chunks, WORD))
        tag = b"batch=%012d bytes=%012d sha256=" % (number, len(message))
        at = message.index(WORD)
        message[at : at + len(tag)] = tag
        message[at + len(tag) : at + len(WORD)] = hashlib.sha256(message).hexdigest().encode()
        stream += bytes(message)
    (folder / "000001.arrows").write_bytes(stream)
    held = journal.read(folder)
    assert (held.batches, held.missing_batches, held.cut_bytes) == (4, 0, 0)
    assert [Chunk(*row.values()) for row in held.raw.to_pylist()] == [chunk for chunks in told for chunk in chunks]


def test_recording_needs_no_pyarrow(tmp_path: Path) -> None:
    """28 MB that an old laptop keeps: all that a recorder loads, and a drive journalled and decoded."""
    program = f"""
import sys
from pathlib import Path
import analysis.cli.main, analysis.cli.recording, logger.cli.record
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode.framing import Chunk
from logger.record import closing, live, panel, recorder
from logger.record.keeper import Keeper
text = '[[source]]\\nname = "gps"\\nkind = "nmea"\\n[[source]]\\nname = "board"\\nkind = "numbers"\\n'
text += '[[source.column]]\\nchannel = "afr"\\n'
store = Path({str(tmp_path)!r})
finisher = closing.Finisher(store, text)
keeper = Keeper(parse(text, RecorderConfig, "t"), finisher.begin, lambda *ended: None, lambda: 10**12)
rmc = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\\r\\n"
for n in range(3000):
    keeper.take([Chunk(n * 10**8, "gps", rmc), Chunk(n * 10**8 + 1, "board", b"13.2\\r\\n")], n * 10**8 + 2)
assert keeper._decoding._fed_rows > 1000
print([name for name in ("pyarrow", "pandas", "scipy") if name in sys.modules], flush=True)
keeper.end("over", 3000 * 10**8)
made, said = finisher.close(next(store.glob("2*")), False, True)
assert "board 2999" in said, said  # the first line may lack its beginning
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip() == "[]"
