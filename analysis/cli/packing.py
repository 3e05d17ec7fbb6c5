"""The verbs `pack` and `unpack`: a season in one file, to another laptop or to a friend."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from analysis.cli.options import EndsOption, ForceOption, open_store, say_progress
from analysis.wording import plural, sentence
from logger.cli.printing import JsonOption, StoreOption, console, print_json, tell
from logger.errors import NoAnswer
from logger.text import safe
from logger.units import BYTES_PER_MB, parse_quantity

if TYPE_CHECKING:
    from analysis.answers.pack import PackAnswer, UnpackAnswer

app = typer.Typer()


@app.command(epilog="Example: pullbook pack last --out for-a-friend.zip")
def pack(
    names: Annotated[
        list[str] | None,
        typer.Argument(metavar="[DRIVE]...", help="The drives. By default all of the store.", show_default=False),
    ] = None,
    whole: Annotated[
        bool,
        typer.Option("--whole", help="For yourself: every byte, with positions, and the store's files."),
    ] = False,
    ends: EndsOption = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="The file to write. By default named after the car and the day.",
                     show_default=False),
    ] = None,
    force: ForceOption = False,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Put drives with their setups, notes, photographs and the car's file into one file.

    Without --whole it is for others: private places, raw bytes and what cameras wrote are left out.

    Notes are given away as you wrote them.
    """
    from analysis.answers.pack import pack_answer

    opened = open_store(store)
    answer = pack_answer(
        opened, out, names or (), everything=whole, ends_m=parse_quantity(ends, "m") if ends else None, force=force,
        progress=say_progress,
    )  # fmt: skip
    print_json(answer.to_json()) if json else _print_pack(answer)


@app.command(epilog="Example: pullbook unpack for-a-friend.zip")
def unpack(
    file: Annotated[Path, typer.Argument(help="The file that `pullbook pack` wrote.")],
    mine: Annotated[
        bool, typer.Option("--mine", help="The whole pack of another store is yours. Merge it.")
    ] = False,
    called: Annotated[
        str | None,
        typer.Option("--as", help="It is another car. Give it this name.", show_default=False),
    ] = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:  # fmt: skip
    """Read a file of `pullbook pack`. Your own drives are merged; a friend's are stored apart, as another car."""
    from analysis.answers.pack import unpack_answer

    answer = unpack_answer(open_store(store).path, file, mine=mine, called=called, progress=say_progress)
    print_json(answer.to_json()) if json else _print_unpack(answer)
    if answer.left_out and not answer.drives:
        raise NoAnswer(f"{file}: none of its drives could be taken")


def _print_pack(answer: PackAnswer) -> None:
    out = console()
    size = answer.bytes / BYTES_PER_MB
    photos = sum(each.photos for each in answer.drives)
    held = [plural(len(answer.drives), "drive"), *([plural(photos, "photograph")] if photos else []), *answer.files]
    out.print(f"Wrote {answer.path}, {size:.1f} MB: {', '.join(held)}.")
    if answer.made_for == "oneself":
        out.print("It is whole, so it shows where you drove. For somebody else, make one without --whole.")
    else:
        most = max(each.share_cut for each in answer.drives)
        out.print(f"Private: {answer.private}; up to {most:.0%} of a drive's positions were cut. It has no raw bytes.")
        out.print("Notes, reasons and words stay as you wrote them. Read them before you give it away.")
    for line in answer.left_out:
        out.print(f"Left out: {sentence(line)}")
    tell("On the other laptop:")
    tell(f"  pullbook unpack {safe(answer.path.name)}")


def _print_unpack(answer: UnpackAnswer) -> None:
    out = console()
    new = [each for each in answer.drives if each.became == "new"]
    here = len(answer.drives) - len(new)
    where = f"as another car, {answer.car}" if answer.car is not None else "into your own"
    out.print(f"Took {plural(len(new), 'drive')} {where}{f'; {here} were here already' if here else ''}.")
    told: dict[str, list[str]] = {}
    for each in answer.drives:
        for line in each.said:
            told.setdefault(line, []).append(each.drive)
    for line, of in told.items():
        named = ", ".join(of) if len(of) < 4 else f"{of[0]} and {len(of) - 1} more"
        out.print(f"{named}: {sentence(line)}")
    if answer.files:
        out.print(f"Put {', '.join(answer.files)} into {answer.store}.")
    for line in answer.left_out:
        out.print(f"Left out: {sentence(line)}")
    if answer.car is not None and new:
        tell("Your own figures do not include it. To use it:")
        tell(f"  pullbook runs {safe(answer.car)}/last")
        tell(f"  pullbook compare YOURS {safe(answer.car)}/THEIRS")
        tell(f"  pullbook season --store {safe(str(answer.store))}")
