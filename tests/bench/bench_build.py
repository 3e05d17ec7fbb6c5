"""Building the drive of an hour, against a bare pynmea2.parse loop over the same sentences.

python tests/bench/bench_build.py
"""

from __future__ import annotations

import tempfile
from pathlib import Path

import hour
from ratio import compare

from logger.store import capture, drive

if __name__ == "__main__":
    raw = hour.raw()
    print(f"an hour: {raw.num_rows} chunks")
    with tempfile.TemporaryDirectory() as folder:
        store, path = Path(folder) / "store", Path(folder) / "hour.jsonl.gz"
        capture.write(path, raw)
        for what, ours in (
            ("build, raw rows to tables", lambda: drive.build(raw, hour.CONFIG)),
            (
                "write, build and the folder whole on disk",
                lambda: drive.write(store, raw, hour.CONFIG, hour.CONFIG_TEXT),
            ),
            ("read the hour from a capture", lambda: capture.read(path)),
        ):
            compare(what, ours, hour.BASELINE, hour.bare_parse, 3)
        made = drive.open_drive(store, "last")
        size = sum(file.stat().st_size for file in made.path.iterdir())
        print(f"rows {made.manifest.rows}, {size / 1e6:.1f} MB on disk")
