"""`pullbook --help` against the start of a bare typer program with two verbs: the wait before every answer."""

from __future__ import annotations

import subprocess
import sys

from ratio import compare

BARE = """
import typer
app = typer.Typer()
@app.command()
def one() -> None:
    "One."
@app.command()
def two() -> None:
    "Two."
app()
"""


def start(code: list[str]) -> None:
    subprocess.run([sys.executable, *code, "--help"], check=True, stdout=subprocess.DEVNULL)


if __name__ == "__main__":
    compare(
        "pullbook --help",
        lambda: start(["-m", "analysis.cli.main"]),
        "a bare typer program",
        lambda: start(["-c", BARE]),
        9,
    )
