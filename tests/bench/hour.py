"""An hour of an ordinary rig, made once for the benches: 10 Hz of five sentences, 50 Hz of mixture readings, a board of
two columns at 100 Hz."""

from __future__ import annotations

import functools

import numpy as np
import pyarrow as pa
import pynmea2
import simulate

from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.decode import events
from logger.store import capture
from logger.store.journal import schema
from logger.store.tables import raw_table

CONFIG_TEXT = """\
[[source]]
name = "gps"
kind = "nmea"

[[source]]
name = "mixture"
kind = "numbers"
  [[source.column]]
  channel = "afr"

[[source]]
name = "board"
kind = "numbers"
  [[source.column]]
  channel = "throttle"
  [[source.column]]
  channel = "map"
"""
CONFIG = parse(CONFIG_TEXT, RecorderConfig, "recorder.toml")


@functools.cache
def raw(minutes: float = 60.0) -> pa.Table:
    """The raw rows, a chunk a sentence or line."""
    rng = np.random.default_rng(1)
    script: list[simulate.Phase] = [simulate.Stand(10)]
    for mps in rng.uniform(8, 22, int(minutes * 1.5) + 1):
        script += [simulate.Pull(float(mps)), simulate.Cruise(float(mps), 40.0), simulate.Brake(5.0)]
    truth = simulate.drive(simulate.WREN, script, dt=0.05)
    chunks = simulate.host_chunks(
        truth,
        simulate.receive(truth, rng),
        simulate.sense(truth, simulate.mixture_of(), rng, rate_hz=50.0),
        rng,
        kinds="RMC GGA VTG GSA GLL",
        extra=[
            simulate.HostChunk(*events.at(1_843_000_000_000, "2026-05-02T09:14:30+00:00", "wall")),
            *(
                simulate.HostChunk(1_843_500_000_000 + n * 10_000_000, "board", b"%d,%d\r\n" % (n % 1024, n * 7 % 1024))
                for n in range(int(minutes * 6000))
            ),
        ],
        baud=115200,
    )
    ends = chunks[0].mono_ns + int(minutes * 60e9)
    chunks = [chunk for chunk in chunks if chunk.mono_ns < ends]
    columns = [[c.mono_ns for c in chunks], [c.source for c in chunks], [c.data for c in chunks]]
    return raw_table(pa.table([pa.array(v, f.type) for v, f in zip(columns, schema(), strict=True)], schema=schema()))


@functools.cache
def sentences() -> list[str]:
    """The hour's NMEA sentences."""
    return [data.decode().strip() for _, source, data in capture.rows(raw()) if source == "gps"]


def bare_parse() -> None:
    """The named baseline: pynmea2 parses the same sentences, and nothing is done with them."""
    for sentence in sentences():
        pynmea2.parse(sentence, check=True)


BASELINE = "pynmea2.parse over the hour's sentences"
