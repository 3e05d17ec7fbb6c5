"""What the command loads before it knows what is asked: every verb waits for it."""

from __future__ import annotations

import subprocess
import sys

HEAVY = ("numpy", "pandas", "scipy", "pyarrow", "pydantic", "pint", "jinja2", "rich", "serial", "distributed", "fsspec")


def test_the_command_loads_nothing_heavy_before_a_verb_is_asked() -> None:
    code = f"import sys, analysis.cli.main; print([each for each in {HEAVY} if each in sys.modules])"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "[]"
