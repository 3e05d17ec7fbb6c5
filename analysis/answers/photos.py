"""The answer of `photo`: the pictures and words that an owner keeps with a drive or a run.

add_photos(store.drive("last"), [Path("plug.jpg")], words="tan all round", run=3)
put_away(drive, [2])            # kept, and shown nowhere; back=True shows it again
photos_answer(drive)
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from analysis.answers.encoding import Answer, Utc
from analysis.drive import SAME_RUN_S, AnalysedDrive, utc
from logger.errors import InputError, NoAnswer
from logger.store.manifest import Photo
from logger.text import storable

if TYPE_CHECKING:
    from analysis.sharing.pictures import Picture
    from logger.store.drive import Drive

_LONGEST = 2000
"""Letters of the words to one picture."""


class PhotoAnswer(Answer):
    """A picture with its words, or words alone."""

    n: int
    """Its number, by when it was added."""
    file: str | None
    """The picture's file in the drive's folder, as it came; null for words alone."""
    words: str
    """What was said of it."""
    run: int | None
    """The run that it is of; null where it is of the drive."""
    added_utc: Utc
    """When it was added (UTC)."""
    away: bool
    """Whether it was put away: kept, and shown nowhere."""


class PhotosAnswer(Answer):
    """What is kept with a drive."""

    drive: str
    """The drive's id."""
    photos: tuple[PhotoAnswer, ...]
    """Pictures and words by when they were added, those put away among them."""


def photos_answer(drive: AnalysedDrive) -> PhotosAnswer:
    """What is kept with a drive."""
    runs = _runs(drive) if any(each.run_start_utc for each in drive.drive.manifest.photos) else {}
    told = [
        PhotoAnswer(
            n=n,
            file=each.file,
            words=each.words,
            run=next((run for run, at in runs.items() if each.run_start_utc and _same(at, each.run_start_utc)), None),
            added_utc=each.when,
            away=each.away,
        )
        for n, each in enumerate(listed(drive.drive), 1)
    ]
    return PhotosAnswer(drive=drive.id, photos=tuple(told))


def add_photos(
    drive: AnalysedDrive, pictures: Sequence[Path | Picture], *, words: str = "", run: int | None = None
) -> PhotosAnswer:
    """Keep pictures, as they are, and words with a drive, or with one of its runs.

    `pictures` are files, or pictures that were read already. One that is there already gets the new words and run; its
    file is one. InputError where a file is no picture that can be read, where there is no such run, or where nothing
    was given.
    """
    from analysis.sharing.pictures import read_picture

    words = storable(" ".join(words.split()))
    if not pictures and not words:
        raise InputError(f"{drive.id}: give a picture, words, or both")
    if len(words) > _LONGEST:
        raise InputError(f"--words: {len(words)} letters are too many. Write {_LONGEST} at most.")
    starts = _runs(drive) if run is not None else {}
    if run is not None and run not in starts:
        raise InputError(f"{drive.id}: there is no run {run}. This drive has runs 1 to {len(starts)}.")
    start = starts[run] if run is not None else None
    read = [read_picture(each) if isinstance(each, Path) else each for each in pictures]
    now, files, fresh = datetime.now(UTC), dict[str, bytes](), list[Photo]()
    for picture in read:
        digest = hashlib.sha256(picture.data).hexdigest()
        name = f"photo-{digest[:12]}.{picture.suffix}"
        files[name] = picture.data
        fresh.append(Photo(file=name, digest=digest, words=words, run_start_utc=start, when=now))
    if not fresh:
        fresh = [Photo(words=words, run_start_utc=start, when=now)]
    added = {each.file: each.when for each in listed(drive.drive) if each.file}
    fresh = [each.model_copy(update={"when": added.get(each.file or "", each.when)}) for each in fresh]
    again = {each.file for each in fresh if each.file}
    before = [each for each in drive.drive.manifest.photos if each.file is None or each.file not in again]
    what = f"kept: {len(read)} picture{'' if len(read) == 1 else 's'}" if read else "kept: words"
    return photos_answer(_amended(drive, what, [*before, *fresh], files))


def put_away(drive: AnalysedDrive, numbers: Sequence[int], *, back: bool = False) -> PhotosAnswer:
    """Put pictures away, or take them back: all stay in the drive. InputError where there is none of a number."""
    kept = listed(drive.drive)
    if missing := [n for n in numbers if not 1 <= n <= len(kept)]:
        has = f"it has 1 to {len(kept)}" if kept else "it has none"
        raise InputError(f"{drive.id}: there is no photograph {missing[0]}: {has}")
    changed = [each.model_copy(update={"away": not back}) if n in numbers else each for n, each in enumerate(kept, 1)]
    which = ",".join(map(str, numbers))
    return photos_answer(_amended(drive, f"photographs {which} {'back' if back else 'put away'}", changed, {}))


def listed(drive: Drive) -> list[Photo]:
    """What is kept with a drive, by when it was added: the order of the numbers."""
    return sorted(drive.manifest.photos, key=lambda each: (each.when, each.file or "", each.words))


def _amended(drive: AnalysedDrive, what: str, photos: Sequence[Photo], files: dict[str, bytes]) -> AnalysedDrive:
    return AnalysedDrive(drive.drive.amend(what, files=files, photos=list(photos)), drive.targets)


def _runs(drive: AnalysedDrive) -> dict[int, datetime]:
    """Run -> when it started; {} where none is known."""
    try:
        return {run.n: utc(run.start_utc_ns) for run in drive.table_runs(drive.unit)}
    except NoAnswer:
        return {}


def _same(a: datetime, b: datetime) -> bool:
    return abs((a - b).total_seconds()) < SAME_RUN_S
