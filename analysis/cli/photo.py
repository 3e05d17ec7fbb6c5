"""The verb `photo`: pictures of plugs and all else, and words, kept with a drive or a run."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import DriveArgument, open_store
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.errors import InputError, NoAnswer

if TYPE_CHECKING:
    from analysis.answers.photos import PhotosAnswer

app = typer.Typer()


@app.command(epilog='Example: pullbook photo last plug.jpg --run 2 --words "tan"')
def photo(
    name: DriveArgument,
    pictures: Annotated[
        list[Path] | None,
        typer.Argument(metavar="[PICTURE]...", help="JPEG, PNG or WebP files. Each is copied as it is.",
                       show_default=False),
    ] = None,
    run: Annotated[
        int | None, typer.Option("--run", help="The run they belong to, by its number.", show_default=False)
    ] = None,
    words: Annotated[
        str | None, typer.Option("--words", help="What they show: \"tan, a little white\".", show_default=False)
    ] = None,
    away: Annotated[
        list[int] | None,
        typer.Option("--away", help="Hide the photograph with this number. It stays stored. May be repeated.",
                     show_default=False),
    ] = None,
    back: Annotated[
        list[int] | None,
        typer.Option("--back", help="Show a hidden photograph again. May be repeated.", show_default=False),
    ] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Store pictures and words with a drive or a run, such as a plug after it. Without any, list what is stored.

    What the camera wrote into a picture, the place too, stays in the store: no report and no pack for others has it.

    Hot plugs burn: engine off and cool.
    """
    from analysis.answers.photos import add_photos, photos_answer, put_away

    moved = [numbers for numbers in (away, back) if numbers]
    if moved and (len(moved) > 1 or pictures or words or run is not None):
        raise InputError("--away and --back are used alone. Give one of them, and no picture, words or run.")
    if run is not None and not pictures and not words:
        raise InputError("--run: give a picture or words for that run")
    if Path(name).is_file():
        raise InputError(f"{name}: name the drive before the pictures, such as: pullbook photo last {name}")
    drive = open_store(store).drive(name)
    if moved:
        answer = put_away(drive, moved[0], back=bool(back))
    elif pictures or words:
        answer = add_photos(drive, pictures or (), words=words or "", run=run)
    else:
        answer = photos_answer(drive)
    if json:
        print_json(answer.to_json())
    else:
        _print_photos(answer)
    if not answer.photos:
        raise NoAnswer(f"{answer.drive}: no photographs. `pullbook photo {answer.drive} PICTURE` adds one.")


def _print_photos(answer: PhotosAnswer) -> None:
    rows = [
        [
            str(each.n), "drive" if each.run is None else f"run {each.run}", each.file or "(words)",
            f"{each.words} (hidden)".strip() if each.away else each.words,
        ]
        for each in answer.photos
    ]  # fmt: skip
    if rows:
        console().print(table(["", "of", "file", "words"], rows, left=(1, 2, 3), title=f"Stored with {answer.drive}"))
