"""Pictures: which can be kept, and what of one may leave the program: its pixels, and nothing else.

    picture = read_picture(Path("plug.jpg"))        # the file's own bytes, found to be whole
    for_others(picture.data, longest_px=1200)       # a JPEG of the pixels alone

A drive keeps a picture as it came, with all that the camera wrote into it: the time tells which run a plug is of, and
nothing that was handed over is lost. What leaves is painted anew, pixel by pixel, on an empty picture. So no position
can pass, wherever in the file it stands: in EXIF, XMP or IPTC, in a maker's notes, in a small picture within, in a
comment, or in the film that some telephones hang behind the picture. Turned upright by EXIF's orientation, and in sRGB
(IEC 61966-2-1) where the picture brings a colour profile, so that a plug's colour stays what it was.

By Pillow, which is loaded where it is used.
"""

from __future__ import annotations

import io
import warnings
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from logger.errors import DriveError, InputError
from logger.store.disk import no_pipe, said
from logger.store.parquet import digest_of

if TYPE_CHECKING:
    from PIL.Image import Image

    from logger.store.drive import Drive
    from logger.store.manifest import Photo

# Pillow reads MPO, a JPEG with further pictures behind it as telephones write it, as a JPEG, and says so afterwards.
_SUFFIXES = {"JPEG": "jpg", "MPO": "jpg", "PNG": "png", "WEBP": "webp"}
_LARGEST_BYTES = 64 << 20
_MOST_PIXELS = 120_000_000
"""The largest sensors of telephones have 200 million points and save 50 (common practice, no source)."""
_BRANDS = (b"heic", b"heix", b"hevc", b"heim", b"heis", b"mif1", b"msf1", b"avif", b"avis")
"""Of HEIF files (ISO/IEC 23008-12), which stand behind `ftyp` at the beginning."""


@dataclass(frozen=True)
class Picture:
    """A picture's file."""

    data: bytes
    suffix: str
    """jpg, png or webp, by what it is, whatever it was called."""
    width: int
    height: int


def read_picture(path: Path) -> Picture:
    """The picture in a file. InputError where it is none that can be read to its end: JPEG, PNG or WebP."""
    try:
        if not path.is_file():
            raise InputError(f"{path}: {'this is no file' if path.exists() else 'no such file'}")
        if path.stat().st_size > _LARGEST_BYTES:
            raise InputError(f"{path}: more than {_LARGEST_BYTES >> 20} MB. Save it smaller")
        data = no_pipe(path).read_bytes()
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {said(error)}") from error
    return picture_of(data, str(path))


def picture_of(data: bytes, name: str) -> Picture:
    """The picture that a file's bytes hold; `name` stands for the file in an InputError's line."""
    image = _opened(data, name)
    return Picture(data, _SUFFIXES[str(image.format)], image.width, image.height)


def for_others(data: bytes, name: str = "picture", longest_px: int | None = None) -> bytes:
    """A JPEG of the picture's pixels alone, no side longer than `longest_px`. InputError as for `read_picture`."""
    from PIL import Image, ImageOps

    image = _opened(data, name)
    upright = _in_srgb(ImageOps.exif_transpose(image))
    if longest_px is not None:
        upright.thumbnail((longest_px, longest_px), Image.Resampling.LANCZOS)
    # A new picture: what Pillow carries along with an old one (a comment, XMP) is not of the pixels.
    empty = Image.new("RGB", upright.size, "white")
    if upright.mode in ("RGBA", "LA", "PA"):
        empty.paste(upright.convert("RGB"), mask=upright.getchannel("A"))
    else:
        empty.paste(upright.convert("RGB"))
    out = io.BytesIO()
    empty.save(out, "JPEG", quality=85, optimize=True)
    return out.getvalue()


def photo_bytes(drive: Drive, photo: Photo) -> bytes:
    """The file of a picture, as it came. DriveError, which names no folder, where it is missing or another."""
    name = f"{drive.id}/{photo.file}"
    try:
        data = no_pipe(drive.path / str(photo.file)).read_bytes()
    except OSError as error:
        raise DriveError(f"{name}: the photograph cannot be read: {said(error)}") from error
    if digest_of(data) != photo.digest:
        raise DriveError(f"{name}: this photograph has changed since it was kept (its digest is not the manifest's)")
    return data


def _opened(data: bytes, name: str) -> Image:
    """The picture, read to its end."""
    from PIL import Image

    if data[4:8] == b"ftyp" and data[8:12] in _BRANDS:
        raise InputError(f"{name}: this is a HEIC picture, which cannot be read here. Save it as JPEG on the phone")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of odd EXIF, which is not read
            Image.init()
            image = Image.open(io.BytesIO(data), formats=("JPEG", "PNG", "WEBP"))
            if image.width * image.height > _MOST_PIXELS:
                raise InputError(f"{name}: {image.width} by {image.height} pixels are too many for a photograph")
            image.load()
    except InputError:
        raise
    except Exception as error:  # Pillow's readers raise whatever a spoilt file brings about
        raise InputError(f"{name}: this picture cannot be read. Use a complete JPEG, PNG or WebP file") from error
    return image


def _in_srgb(image: Image) -> Image:
    """The picture in sRGB; as it is where it brings no colour profile, or one that cannot be used."""
    from PIL import ImageCms

    profile = image.info.get("icc_profile")
    if not profile or image.mode not in ("RGB", "RGBA", "CMYK", "L"):
        return image
    try:
        mode = "RGBA" if image.mode == "RGBA" else "RGB"
        made = ImageCms.profileToProfile(
            image, ImageCms.ImageCmsProfile(io.BytesIO(profile)), ImageCms.createProfile("sRGB"), outputMode=mode
        )
    except (ImageCms.PyCMSError, OSError, ValueError):
        return image
    return made if made is not None else image
