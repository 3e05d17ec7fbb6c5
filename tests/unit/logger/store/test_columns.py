"""Columns laid out by hand against those that pyarrow makes itself, value for value."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from logger.store import columns

KINDS = [pa.int8(), pa.int16(), pa.int64(), pa.float64(), pa.bool_()]


@pytest.mark.parametrize("kind", KINDS, ids=str)
@settings(deadline=None)
@given(data=st.data())
def test_values_as_pyarrow_has_them(kind: pa.DataType, data: st.DataObject) -> None:
    one = {
        "bool": st.booleans(),
        "double": st.floats(allow_nan=False),
    }.get(str(kind), st.integers(-100, 100))
    values = data.draw(st.lists(st.none() | one, max_size=40))
    made = columns.of_values(values, kind)
    made.validate(full=True)
    assert made.equals(pa.array(values, kind))
    assert made.null_count == values.count(None)


@pytest.mark.parametrize("kind", KINDS, ids=str)
@settings(deadline=None)
@given(data=st.data())
def test_values_are_read_as_floating_numbers(kind: pa.DataType, data: st.DataObject) -> None:
    one = {"bool": st.booleans(), "double": st.floats()}.get(str(kind), st.integers(-100, 100))
    values = data.draw(st.lists(st.none() | one, max_size=40))
    cut = data.draw(st.integers(0, len(values)))
    column = pa.chunked_array([pa.array(values, kind).slice(cut), pa.array(values, kind)], kind)
    told = [np.nan if value is None else float(value) for value in [*values[cut:], *values]]
    np.testing.assert_array_equal(columns.floats_in(column), told)


@given(st.lists(st.none() | st.integers(-(2**62), 2**62), max_size=40), st.integers(0, 40))
def test_times_are_read(values: list[int | None], cut: int) -> None:
    kind = pa.timestamp("ns", "UTC")
    column = pa.chunked_array([pa.array(values, kind).slice(cut), pa.array(values, kind)], kind)
    ns, there = columns.times_in(column)
    every = [*values[cut:], *values]
    assert there.tolist() == [value is not None for value in every]
    assert ns[there].tolist() == [value for value in every if value is not None]
    told = [np.nan if value is None else (value - 5) / 1e9 for value in every]
    np.testing.assert_array_equal(columns.seconds_in(column, 5), told)


@given(st.lists(st.none() | st.text(max_size=5), max_size=20), st.integers(0, 20), st.booleans())
def test_text_with_nothing_in_it(words: list[str | None], cut: int, coded: bool) -> None:
    made = columns.of_cells(words, pa.string())
    made.validate(full=True)
    assert made.equals(pa.array(words, pa.string()))
    each = made.dictionary_encode() if coded else made
    assert columns.texts_in(pa.chunked_array([each.slice(cut), each])).tolist() == [
        word or "" for word in [*words[cut:], *words]
    ]


@given(st.lists(st.floats(), max_size=40))
def test_nan_may_stand_for_null(values: list[float]) -> None:
    given_ = np.array(values, np.float64)
    made = columns.of_numbers(given_, pa.float64(), np.isnan(given_))
    made.validate(full=True)
    assert made.equals(pa.array(given_, from_pandas=True))


def test_times() -> None:
    nanoseconds = np.array([0, 1_777_000_000_123_456_789, -1], np.int64)
    kind = pa.timestamp("ns", "UTC")
    assert columns.of_numbers(nanoseconds, kind).equals(pa.array(nanoseconds, kind))


@given(st.lists(st.binary(max_size=10), max_size=20), st.lists(st.text(max_size=10), max_size=20))
def test_bytes_and_text(blobs: list[bytes], words: list[str]) -> None:
    assert columns.of_bytes(blobs, pa.binary()).equals(pa.array(blobs, pa.binary()))
    made = columns.of_bytes([word.encode() for word in words], pa.string())
    made.validate(full=True)
    assert made.equals(pa.array(words, pa.string()))


def test_closing_a_drive_loads_neither_pandas_nor_scipy() -> None:
    """What either costs, a shutdown that allows five seconds has not to give."""
    program = """
import sys, tempfile
from pathlib import Path
from logger.store import drive, journal, making
from logger.decode.framing import Chunk
text = '''[[source]]\nname = "gps"\nkind = "nmea"\n[[source]]\nname = "board"\nkind = "numbers"\n'''
text += '''[[source.column]]\nchannel = "afr"\n'''
folder = making.begin(Path(tempfile.mkdtemp()) / "store", text)
writer = journal.JournalWriter(folder)
for n in range(100):
    rmc = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\\r\\n"
    writer.append(Chunk(n * 10**8, "gps", rmc))
    writer.append(Chunk(n * 10**8, "board", b"13.2\\r\\n"))
writer.close()
made = drive.open_folder(making.close(folder.parent))
assert made.manifest.rows["board"] == 100
print([name for name in ("pandas", "scipy") if name in sys.modules])
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
