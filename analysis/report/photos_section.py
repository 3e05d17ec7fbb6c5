"""Plugs and photographs on a drive's page: each painted anew and made smaller, with its words."""

from __future__ import annotations

import base64
from collections import OrderedDict
from typing import TYPE_CHECKING

from analysis.report.page import Block, Bullets, Pictures, ShownPicture, Words
from logger.store import bulkhead

if TYPE_CHECKING:
    from analysis.answers.photos import PhotoAnswer
    from analysis.drive import AnalysedDrive

LONGEST_PX = 1000
"""Twice what a page gives a picture on a screen, and 150 points an inch over a sheet's width: some 100 kB each."""
_MOST_PAINTED = 64
_painted: OrderedDict[str, tuple[str, int, int]] = OrderedDict()
"""Digest -> data: address, width and height: the desk shows the same pictures again and again."""


def photo_blocks(drive: AnalysedDrive) -> list[Block]:
    """What is kept with a drive and was not put away, run by run; empty without any.

    A picture that cannot be read is named with why, and the others are shown.
    """
    from analysis.answers.photos import photos_answer

    told = [each for each in photos_answer(drive).photos if not each.away]
    told.sort(key=lambda each: (each.run is not None, each.run or 0, each.n))
    kept = {each.file: each for each in drive.drive.manifest.photos if each.file is not None}
    shown: list[ShownPicture] = []
    missing: list[str] = []

    def read(each: PhotoAnswer) -> ShownPicture:
        from analysis.sharing.pictures import photo_bytes

        photo = kept[str(each.file)]
        data = photo_bytes(drive.drive, photo)  # whole, or it is told so
        return ShownPicture(*_anew(data, str(photo.digest), f"{drive.id}: {each.file}"), _of(each), each.words)

    pictures = [each for each in told if each.file is not None]
    for _, picture in bulkhead.each(
        pictures, read, name=lambda each: str(each.file), tell=lambda left: missing.append(left.said)
    ):
        shown.append(picture)
    out: list[Block] = [Pictures(shown)] if shown else []
    if words := [f"{_of(each)}: {each.words}" for each in told if each.file is None]:
        out.append(Bullets(words))
    if missing:
        out.append(Bullets([f"Not shown: {line}" for line in missing]))
    if shown:
        out.append(Words("These are fresh copies, without what the camera wrote into the files, such as the place."))
    return out


def _anew(data: bytes, digest: str, name: str) -> tuple[str, int, int]:
    """The picture painted anew as a data: address, its width and height; those of late are kept by their digest."""
    from analysis.sharing.pictures import for_others, picture_of

    found = _painted.get(digest)
    if found is None:
        made = picture_of(for_others(data, name, LONGEST_PX), name)
        found = f"data:image/jpeg;base64,{base64.b64encode(made.data).decode()}", made.width, made.height
        _painted[digest] = found
        while len(_painted) > _MOST_PAINTED:
            _painted.popitem(last=False)
    return found


def _of(each: PhotoAnswer) -> str:
    return "The drive" if each.run is None else f"Run {each.run}"
