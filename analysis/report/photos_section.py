"""Plugs and photographs on a drive's page: each painted anew and made smaller, with its words."""

from __future__ import annotations

import base64
from typing import TYPE_CHECKING

from analysis.report.page import Block, Bullets, Pictures, ShownPicture, Words
from logger.store import bulkhead

if TYPE_CHECKING:
    from analysis.answers.photos import PhotoAnswer
    from analysis.drive import AnalysedDrive

LONGEST_PX = 1000
"""Twice what a page gives a picture on a screen, and 150 points an inch over a sheet's width: some 100 kB each."""


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
        from analysis.sharing.pictures import for_others, photo_bytes, picture_of

        data = for_others(photo_bytes(drive.drive, kept[str(each.file)]), f"{drive.id}: {each.file}", LONGEST_PX)
        made = picture_of(data, str(each.file))
        uri = f"data:image/jpeg;base64,{base64.b64encode(data).decode()}"
        return ShownPicture(uri, made.width, made.height, _of(each), each.words)

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
        out.append(Words("The pictures are painted anew: what the camera wrote into them, the place too, is not here."))
    return out


def _of(each: PhotoAnswer) -> str:
    return "The drive" if each.run is None else f"Run {each.run}"
