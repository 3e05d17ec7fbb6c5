"""Pictures: kept as they came, and nothing but pixels leaves. Written by Pillow and piexif, read back by ExifRead."""

from __future__ import annotations

import io
from pathlib import Path

import exifread
import numpy as np
import piexif
import pytest
from PIL import Image, ImageCms, PngImagePlugin

from analysis.sharing.pictures import for_others, picture_of, read_picture
from logger.errors import InputError

MARK = "airfield-53.4012N"
GPS = {
    piexif.GPSIFD.GPSLatitudeRef: "N", piexif.GPSIFD.GPSLatitude: ((53, 1), (24, 1), (432, 100)),
    piexif.GPSIFD.GPSLongitudeRef: "W", piexif.GPSIFD.GPSLongitude: ((0, 1), (23, 1), (1200, 100)),
}  # fmt: skip
XMP = f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><a exif:GPSLatitude="{MARK}"/></x:xmpmeta>'.encode()


def plug(size: tuple[int, int] = (160, 120)) -> Image.Image:
    """Tan on the left, black on the right."""
    image = Image.new("RGB", size, (176, 137, 96))
    image.paste((16, 14, 12), (size[0] // 2, 0, *size))
    return image


def exif(orientation: int = 1) -> bytes:
    """With a position, a maker's notes and a small picture within that has a position of its own."""
    small = io.BytesIO()
    plug((40, 30)).save(small, "JPEG", comment=MARK.encode())
    made: bytes = piexif.dump(
        {
            "0th": {piexif.ImageIFD.Make: "Camera", piexif.ImageIFD.Orientation: orientation,
                    piexif.ImageIFD.ImageDescription: MARK},
            "Exif": {piexif.ExifIFD.MakerNote: MARK.encode(), piexif.ExifIFD.DateTimeOriginal: "2026:05:02 10:20:00"},
            "GPS": GPS, "1st": {piexif.ImageIFD.Compression: 6}, "thumbnail": small.getvalue(),
        }
    )  # fmt: skip
    return made


def jpeg(orientation: int = 1) -> bytes:
    """With all that may tell a place: EXIF, XMP, a comment, and a film behind the picture."""
    out = io.BytesIO()
    plug().save(out, "JPEG", exif=exif(orientation), comment=MARK.encode(), xmp=XMP, quality=95)
    return out.getvalue() + b"\0\0\0\x18ftypmp42" + MARK.encode()


def png() -> bytes:
    out, told = io.BytesIO(), PngImagePlugin.PngInfo()
    told.add_text("Comment", MARK)
    told.add_itxt("XML:com.adobe.xmp", XMP.decode())
    plug().save(out, "PNG", pnginfo=told, exif=exif())
    return out.getvalue()


def webp() -> bytes:
    out = io.BytesIO()
    plug().save(
        out, "WEBP", exif=exif()[6:], xmp=XMP, lossless=True
    )  # in WebP without the word that JPEG has before it
    return out.getvalue()


def many() -> bytes:
    """MPO: a picture with another one behind it, as telephones write it."""
    out = io.BytesIO()
    plug().save(out, "MPO", save_all=True, append_images=[plug((80, 60))], exif=exif())
    return out.getvalue()


def has_position(data: bytes) -> bool:
    """By ExifRead, and by piexif for WebP, which ExifRead does not open."""
    if data[:4] == b"RIFF":
        return piexif.GPSIFD.GPSLatitude in piexif.load(data)["GPS"]
    return "GPS GPSLatitude" in exifread.process_file(io.BytesIO(data))


@pytest.mark.parametrize(("make", "suffix"), [(jpeg, "jpg"), (png, "png"), (webp, "webp"), (many, "jpg")])
def test_no_position_leaves(make, suffix: str) -> None:  # type: ignore[no-untyped-def]
    data = make()
    assert has_position(data) and MARK.encode() in data  # so that the check could fail
    assert picture_of(data, "plug").suffix == suffix
    for longest in (None, 100):
        given = for_others(data, "plug", longest)
        assert exifread.process_file(io.BytesIO(given)) == {} and MARK.encode() not in given
        assert b"Exif" not in given and b"xmp" not in given and b"adobe" not in given and b"Camera" not in given
        with Image.open(io.BytesIO(given)) as image:
            assert image.format == "JPEG" and not image.getexif()
            assert all(name.startswith("jfif") for name in image.info)
            assert max(image.size) == (longest or 160)
            shown = np.asarray(image, float)
            assert np.abs(shown[:, : image.width // 3] - (176, 137, 96)).max() < 12  # the plug is as tan as it was


@pytest.mark.parametrize("orientation", range(1, 9))
def test_what_leaves_is_upright(orientation: int) -> None:
    """EXIF 2.32, table 6: where row 0 and column 0 of what is stored are to be seen."""
    dark = {1: "right", 2: "left", 3: "left", 4: "right", 5: "bottom", 6: "bottom", 7: "top", 8: "top"}[orientation]
    with Image.open(io.BytesIO(for_others(jpeg(orientation)))) as image:
        shown = np.asarray(image.convert("L"), float)
    halves = {
        "left": shown[:, : shown.shape[1] // 3], "right": shown[:, -(shown.shape[1] // 3) :],
        "top": shown[: shown.shape[0] // 3], "bottom": shown[-(shown.shape[0] // 3) :],
    }  # fmt: skip
    assert min(halves, key=lambda side: halves[side].mean()) == dark


def test_colours_come_out_as_srgb() -> None:
    """A picture in linear light with sRGB's primaries: 0.2140 is 0.5 in sRGB (IEC 61966-2-1), so 55 becomes 128."""
    profile = _linear()
    out = io.BytesIO()
    Image.new("RGB", (32, 32), (55, 55, 55)).save(out, "PNG", icc_profile=profile)
    with Image.open(io.BytesIO(for_others(out.getvalue()))) as image:
        assert "icc_profile" not in image.info
        assert np.abs(np.asarray(image, float) - 128).max() <= 3


def _linear() -> bytes:
    """sRGB's own profile with its curves exchanged for straight ones (ICC.1:2010, 10.5: a curve of no entries)."""
    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    for n in range(int.from_bytes(data[128:132], "big")):
        entry = 132 + 12 * n
        if data[entry : entry + 4] in (b"rTRC", b"gTRC", b"bTRC"):
            at = int.from_bytes(data[entry + 4 : entry + 8], "big")
            data[at : at + 12] = b"curv" + bytes(4) + bytes(4)
            data[entry + 8 : entry + 12] = (12).to_bytes(4, "big")
    return bytes(data)


def test_see_through_parts_are_white() -> None:
    out = io.BytesIO()
    Image.new("RGBA", (8, 8), (0, 0, 0, 0)).save(out, "PNG")
    with Image.open(io.BytesIO(for_others(out.getvalue()))) as image:
        assert np.asarray(image).min() > 250


def test_what_is_no_picture_is_said_in_one_line(tmp_path: Path) -> None:
    heic = b"\0\0\0\x18ftypheic\0\0\0\0mif1heic" + bytes(200)
    spoilt = {
        "plug.heic": (heic, "HEIC"), "cut.jpg": (jpeg()[:900], "complete JPEG"), "none.png": (b"", "cannot be read"),
        "text.jpg": (b"tan all round", "complete JPEG"), "vector.svg": (b"<svg/>", "complete JPEG"),
        "moving.gif": (_gif(), "complete JPEG"),
    }  # fmt: skip
    for name, (data, words) in spoilt.items():
        (tmp_path / name).write_bytes(data)
        with pytest.raises(InputError, match=words) as error:
            read_picture(tmp_path / name)
        assert name in str(error.value) and len(str(error.value).splitlines()) == 1
    for path, words in ((tmp_path, "no file"), (tmp_path / "gone.jpg", "no such file")):
        with pytest.raises(InputError, match=words):
            read_picture(path)


def _gif() -> bytes:
    out = io.BytesIO()
    plug().save(out, "GIF")
    return out.getvalue()


def test_a_small_file_that_would_be_a_huge_picture_is_refused_unread() -> None:
    header = bytearray(png())
    header[16:24] = (40_000).to_bytes(4, "big") + (40_000).to_bytes(4, "big")  # IHDR: width and height (PNG, 11.2.2)
    import zlib

    header[29:33] = zlib.crc32(header[12:29]).to_bytes(4, "big")
    with pytest.raises(InputError, match=r"too many|cannot be read"):
        picture_of(bytes(header), "bomb.png")
