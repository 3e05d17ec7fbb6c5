"""Fixtures that the tests of the recorder share: a minute on the airfield and its raw rows."""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pytest
import simulate
from airfield_minute import BOOT_S, SECOND, START, table_of

from logger.decode import events


@pytest.fixture(scope="session")
def driven() -> tuple[simulate.Truth, list[simulate.HostChunk]]:
    """A minute on the airfield and what arrived of it, the recorder's events included."""
    rng = np.random.default_rng(7)
    script = [
        simulate.Stand(6),
        simulate.Pull(18.0, launch="bite"),
        simulate.Lift(9.0),
        simulate.Brake(0),
        simulate.Stand(6),
    ]
    truth = simulate.drive(simulate.WREN, script)
    said = [
        events.at(int((BOOT_S - 0.5) * SECOND), "2026-05-02T09:14:31.200+00:00", "wall"),
        events.at(int((BOOT_S + 9) * SECOND), "2026-05-02T09:14:40.700+00:00", "note", text="snorkel rattles"),
        events.at(int((BOOT_S + 60) * SECOND), "2026-05-02T09:15:31.700+00:00", "ended", why="asked to stop"),
    ]
    chunks = simulate.host_chunks(
        truth,
        simulate.receive(truth, rng),
        simulate.sense(truth, simulate.mixture_of(), rng),
        rng,
        START,
        BOOT_S,
        extra=[simulate.HostChunk(*chunk) for chunk in said],
    )
    return truth, chunks


@pytest.fixture(scope="session")
def raw(driven: tuple[simulate.Truth, list[simulate.HostChunk]]) -> pa.Table:
    return table_of(driven[1])


@pytest.fixture(scope="session")
def few(raw: pa.Table) -> pa.Table:
    """So few rows that hundreds of drives are made of them in seconds."""
    return raw.slice(0, 60)
