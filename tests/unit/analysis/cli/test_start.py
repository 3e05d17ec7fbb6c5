"""What the command loads before it knows what is asked: every verb waits for it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from made_drives import make_drive
from run_verb import run_apart
from simulate import Brake, Lift, Pull, Stand

HEAVY = (
    "numpy", "pandas", "scipy", "pyarrow", "pydantic", "pint", "jinja2", "rich", "serial", "distributed", "fsspec",
    "starlette", "uvicorn", "segno", "multipart", "analysis.desk",
)  # fmt: skip


def test_the_command_loads_nothing_heavy_before_a_verb_is_asked() -> None:
    code = f"import sys, analysis.cli.main; print([each for each in {HEAVY} if each in sys.modules])"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"


def test_recording_loads_nothing_of_the_desk(tmp_path: Path) -> None:
    """`record`, to its end, and `--help`: the pages, their server and their codes cost them nothing."""
    served = ("starlette", "uvicorn", "segno", "multipart", "jinja2", "anyio", "h11", "analysis.desk")
    (tmp_path / "recorder.toml").write_text('[[source]]\nname = "gps"\nkind = "nmea"\nport = "/dev/none"\n')
    for words in (["record", "--store", str(tmp_path), "--for", "0.1s", "--plain"], ["--help"], ["desk", "--help"]):
        said = run_apart(words, served, 60)
        assert "loaded []" in said.stderr, (words, said.stderr)


def test_a_first_look_at_a_drive_loads_no_large_library_for_a_few_lines(tmp_path: Path) -> None:
    """Its fixes, mixture and runs, read and kept: pandas and the larger parts of SciPy and Arrow cost it nothing."""
    make_drive(tmp_path, [Stand(8), Pull(15), Lift(12, 3), Brake(0, 2.5), Stand(4)], mixture_hz=20.0)
    spared = ("pandas", "pint", "pyarrow.compute", "scipy.ndimage", "scipy.optimize", "scipy.signal")
    said = run_apart(["mixture", "--store", str(tmp_path)], (*spared, "scipy.linalg", "analysis.changes"), 120)
    assert "loaded []" in said.stderr and "full throttle" in said.stdout, said.stderr
    said = run_apart(["runs", "--store", str(tmp_path)], spared, 120)
    assert "loaded []" in said.stderr, said.stderr
    assert "mph" in said.stdout
