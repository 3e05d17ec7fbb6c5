"""The verb `report`."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from analysis.cli.options import (
    ForceOption,
    ToOption,
    UnitsOption,
    open_store,
    say_progress,
    speed_unit_asked,
    speeds_asked,
)
from logger.cli.printing import JsonOption, StoreOption, console, print_json
from logger.units import BYTES_PER_KB

app = typer.Typer()


@app.command(epilog="Example: pullbook report last")
def report(
    what: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[DRIVE | A B]",
            help="A drive: its id, its path, or last. Or two setups, named as for `pullbook compare`.",
            show_default=False,
        ),
    ] = None,
    season: Annotated[bool, typer.Option("--season", help="All drives of the store.")] = False,
    to: ToOption = None,
    reference: Annotated[
        int | None,
        typer.Option(
            "--reference", help="The run that the drive's other runs are compared with. By default the best.",
            show_default=False,
        ),
    ] = None,
    targets: Annotated[
        Path | None,
        typer.Option("--targets", help="The targets' file. By default targets.toml in the store.", show_default=False),
    ] = None,
    units: UnitsOption = None,
    photos: Annotated[bool, typer.Option("--photos", help="Show the photographs stored with the drive.")] = False,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="The file to write. By default named after what it reports.", show_default=False),
    ] = None,
    force: ForceOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Write one page, in one file, that shows a drive, two setups compared, or the whole season."""
    from analysis.report.asked import asked_page, write_report
    from analysis.store import targets_of

    unit = speed_unit_asked(units)
    opened = open_store(store, targets_of(targets, Path()) if targets else None)
    stem, page = asked_page(
        opened, what or [], season=season, reference=reference, speeds_mps=speeds_asked(to) or [], unit=unit,
        photos=photos, progress=say_progress,
    )  # fmt: skip
    answer = write_report(page, out or Path(f"{stem}.html"), datetime.now(UTC), force=force)
    if json:
        print_json(answer.to_json())
        return
    say = console()
    for line in answer.verdict:
        say.print(line)
    say.print(f"Wrote {answer.path}, {answer.bytes / BYTES_PER_KB:.0f} kB. Open it in any browser.")
