"""The answers of `pack` and `unpack`: a season in one file, for oneself or for others, and such a file taken in.

pack_answer(store, Path("wren.zip"))                  # for others: positions cut, no raw bytes
pack_answer(store, Path("wren.zip"), everything=True)      # for oneself: all as it is
unpack_answer(Path("store"), Path("finch.zip"))
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from analysis.answers.encoding import Answer
from analysis.changes.across_cars import one_car
from analysis.sharing import packing, privacy, unpacking
from analysis.sharing.files import may_write
from logger.config.car import car_key
from logger.errors import InputError, NoAnswer
from logger.store import bulkhead
from logger.store.cars import keep_pack_id
from logger.store.disk import said
from logger.store.pack import about_now, write_pack

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from analysis.sharing.privacy import Rules
    from analysis.store import DriveStore


class PackedDrive(Answer):
    """A drive of a pack."""

    drive: str
    """Its id."""
    bytes: int
    """Size of its files."""
    photos: int
    """Photographs in it."""
    share_cut: float
    """Share of the receiver's positions that were cut; 0 in a pack for oneself."""


class PackAnswer(Answer):
    """A pack that was written."""

    path: Path
    """The file."""
    bytes: int
    """Its size."""
    made_for: Literal["others", "oneself"]
    """others: positions are cut and raw bytes are not in it; oneself: all is as it is."""
    car: str
    """The car's name; empty where no drive says it."""
    drives: tuple[PackedDrive, ...]
    """The drives in it."""
    files: tuple[str, ...]
    """The store's files in it, such as car.toml."""
    left_out: tuple[str, ...]
    """Drives that could not be packed, a line each."""
    private: str
    """What was cut, in words without a place."""


def pack_answer(
    store: DriveStore,
    path: Path | None = None,
    names: Sequence[str] = (),
    *,
    everything: bool = False,
    ends_m: float | None = None,
    force: bool = False,
    progress: Callable[[str], None] = lambda text: None,
) -> PackAnswer:
    """Write drives, with what belongs to them, into one file.

    Parameters
    ----------
    path : Path, optional
        The file; by default named after the car and the day, in the current folder.
    names : sequence of str
        The drives; by default all of the store, for others all of the car that most are of.
    everything : bool
        For oneself: raw bytes, positions and pictures as they are, and the store's files.
    ends_m : float, optional
        How much of both ends of each drive stays private [m]; by default what its recorder's file says, or 300 m.

    Raises
    ------
    InputError
        Where the file exists, a name is unknown, drives named are of two cars (for others), or `ends_m` is no length.
    NoAnswer
        Where there is no drive to pack.
    """
    if path is not None:
        may_write(path, force)
    if everything and ends_m is not None:
        raise InputError("--ends cuts positions, and --whole keeps them all. Give one of them.")
    drives = [store.drive(name) for name in dict.fromkeys(names)] if names else store.drives
    drives = list({drive.drive.path: drive for drive in drives}.values())
    if not drives:
        raise NoAnswer(f"{store.path}: there is no drive in this store yet")
    if recording := [drive.id for drive in drives if drive.drive.manifest.state == "recording"]:
        raise InputError(f"{recording[0]}: it is still being recorded. Pack it when it is closed.")
    left: list[str] = []
    if not everything and not names:
        drives, left = _of_the_usual_car(drives)
    if not everything:
        one_car(drives, "a pack for others")
    every = [each.drive for each in store.drives]
    rules = {drive.id: privacy.in_force(store.path, [drive.drive], ends_m, every) for drive in drives}
    packed: list[PackedDrive] = []
    files: list[str] = []
    newest = next((drive.car for drive in reversed(drives) if drive.car is not None), None)
    if path is None:
        car = unpacking.plain_name(newest.car.name if newest else "")
        path = Path(f"{car}-{datetime.now(UTC):%Y-%m-%d}{'-whole' if everything else ''}.zip")
        may_write(path, force)
    private = "" if everything else next(iter(rules.values())).said()
    try:
        owner = keep_pack_id(store.path)
    except OSError as error:
        raise InputError(f"{store.path}: cannot be written: {said(error)}") from error
    about = about_now("oneself" if everything else "others", owner, newest.car.name if newest else "", private)

    def all_files() -> Iterator[tuple[str, bytes]]:
        for name, data in packing.store_files(store.path, newest, everything=everything):
            files.append(name)
            yield name, data
        told = bulkhead.each(
            drives, lambda each: _files_of(each, rules, everything, progress), tell=lambda out: left.append(out.said)
        )
        for number, (drive, (held, share)) in enumerate(told, 1):
            yield from ((f"drives/{number:04d}/{name}", data) for name, data in sorted(held.items()))
            photos = sum(1 for name in held if name.startswith("photo-"))
            size = sum(map(len, held.values()))
            packed.append(PackedDrive(drive=drive.id, bytes=size, photos=photos, share_cut=share))
        if not packed:
            raise NoAnswer(f"{store.path}: none of its drives can be packed: {left[0]}")

    size = write_pack(path, about, all_files())
    return PackAnswer(
        path=path, bytes=size, made_for=about.made_for, car=about.car, drives=tuple(packed), files=tuple(files),
        left_out=tuple(left), private=private,
    )  # fmt: skip


def _of_the_usual_car(drives: Sequence[AnalysedDrive]) -> tuple[list[AnalysedDrive], list[str]]:
    """The drives of the car that most are of, and those that say no car; what is left out, a line each."""
    names = {drive.id: car_key(drive.car.car.name) for drive in drives if drive.car is not None}
    count = Counter(names.values())
    usual = count.most_common(1)[0][0] if count else ""
    other = [drive for drive in drives if names.get(drive.id, usual) != usual]
    said = [
        f"{each.id}: left out, because it is of another car. Name its drives to pack them on their own."
        for each in other
    ]
    return [drive for drive in drives if drive not in other], said


def _files_of(
    drive: AnalysedDrive, rules: dict[str, Rules], everything: bool, progress: Callable[[str], None]
) -> tuple[dict[str, bytes], float]:
    progress(f"packing {drive.id}")
    return (packing.whole(drive.drive), 0.0) if everything else packing.cut_for_others(drive.drive, rules[drive.id])


class UnpackedDrive(Answer):
    """What became of a drive of a pack."""

    was: str
    """What it was called there."""
    drive: str
    """What it is called here; with the car's name before it where it is another car's."""
    became: Literal["new", "already", "added to"]
    """new; already: it was here, and stays as it is; added to: it was here, and the pack said more of it."""
    said: tuple[str, ...]
    """What an owner should know of it, a sentence each."""


class UnpackAnswer(Answer):
    """A pack that was taken into a store."""

    path: Path
    """The file."""
    made_for: Literal["others", "oneself"]
    """Whom it was made for."""
    store: Path
    """The store that its drives are in now."""
    car: str | None
    """What the other car is called here; null where the drives are the owner's own."""
    drives: tuple[UnpackedDrive, ...]
    """What became of each drive."""
    files: tuple[str, ...]
    """Files that were put into that store, by their names there."""
    left_out: tuple[str, ...]
    """Drives that could not be taken, a line each."""


def unpack_answer(
    store: Path,
    file: Path,
    *,
    mine: bool = False,
    called: str | None = None,
    progress: Callable[[str], None] = lambda text: None,
) -> UnpackAnswer:
    """Take a pack into a store; options and errors as of `unpacking.unpack`."""
    taken = unpacking.unpack(store, file, mine=mine, called=called, progress=progress)
    before = f"{taken.car}/" if taken.car is not None else ""
    return UnpackAnswer(
        path=file,
        made_for=taken.made_for,
        store=taken.store,
        car=taken.car,
        drives=tuple(
            UnpackedDrive(was=each.was, drive=each.drive if each.own else before + each.drive, became=each.became,
                          said=each.said)
            for each in taken.drives
        ),
        files=tuple(taken.files),
        left_out=tuple(taken.left_out),
    )  # fmt: skip
