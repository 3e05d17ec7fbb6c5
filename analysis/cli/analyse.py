"""The verb `analyse`: the rows of all drives of many cars, as tables."""

from __future__ import annotations

import sys
from importlib.util import find_spec
from typing import Annotated

import typer

from analysis.wording import duration
from logger.cli.printing import JsonOption, console, print_json, say
from logger.errors import InputError
from logger.text import safe

app = typer.Typer()


@app.command(epilog="Example: pullbook analyse STORE --out tables")
def analyse(
    urls: Annotated[
        list[str], typer.Argument(metavar="URL...", help="Stores or drives: folders, or URLs such as s3://bucket/store.")
    ],
    out: Annotated[str, typer.Option("--out", help="Where the tables go, partitioned by car: a folder or a URL.")],
    scheduler: Annotated[
        str | None,
        typer.Option(
            "--scheduler", help="A Dask cluster, such as tcp://10.0.0.7:8786. By default this machine.",
            show_default=False,
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option("--workers", min=1, help="Processes on this machine. By default one for each "
        "core.", show_default=False),
    ] = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Work out all drives of many cars as tables, in parallel. It continues where it was interrupted."""
    needed = ("fsspec", "distributed") if scheduler else ("fsspec",)
    if missing := [name for name in needed if find_spec(name) is None]:
        raise InputError(f"analyse needs {' and '.join(missing)}, which are not installed. Install the extra `fleet`.")
    from analysis.fleet.engine import analyse as work_out

    def progress(made: int, of: int, left_s: float) -> None:
        if sys.stderr.isatty():
            say(f"{made} of {of} drives, about {duration(left_s)} left ...")

    answer = work_out(urls, out, scheduler=scheduler, workers=workers, progress=progress)
    if json:
        print_json(answer.to_json())
        return
    say_out = console()
    say_out.print(f"{answer.made} of {answer.drives} drives worked out now, into {safe(answer.out)}")
    for each in answer.failed:
        say_out.print(f"{safe(each.url)}: {safe(each.reason)}")
