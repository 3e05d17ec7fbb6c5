"""A worker's memory does not grow with the number of drives: on Dask, and of this machine's processes.

The ordinary form stands in test_fleet.py, on the cluster that is there.
"""

from __future__ import annotations

from pathlib import Path

import pytest

pytest.importorskip("distributed")

from bench.bench_fleet import measured, store_of

MOST_MB = 16.0
"""More after 2,000 drives than after 200: 5 to 6 were measured, and 63 when Dask watched the work."""


@pytest.mark.long
@pytest.mark.timeout(3600)
@pytest.mark.parametrize("here", [False, True], ids=["on Dask", "here"])
def test_memory_is_flat_from_200_to_2000_drives(here: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PYTHONWARNINGS", raising=False)  # Dask has warnings of its own
    told = measured(store_of(tmp_path, 2000), 2, here=here)
    early, late = (next(sizes for done, sizes in told.grown.items() if done >= first) for first in (200, 1984))
    assert len(early) == len(late) == 2 and min(early) > 50.0
    for before, after in zip(early, late, strict=True):
        assert after - before < MOST_MB, told.grown
