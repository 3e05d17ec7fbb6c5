"""Photographs at the desk: kept by the verb's own answer, shown without their places, put away, and refused in a line.

Forms with files are sent as RFC 7578 has it, over a real socket to the real server.
"""

from __future__ import annotations

import base64
import io
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import piexif
import pytest
from at_the_desk import Client, Seen, Visitor, visitor
from made_drives import make_drive
from made_season import starts
from page_reader import HOSTILE
from PIL import Image

from analysis.desk.gate import LARGEST_BODY, LARGEST_UPLOAD

PLACE = b"53 24 4.32 N"


def picture(size: tuple[int, int] = (2400, 1600), kind: str = "JPEG", colour: str = "tan") -> bytes:
    """With a position in EXIF and in a comment, lying on its side."""
    out = io.BytesIO()
    gps = {piexif.GPSIFD.GPSLatitudeRef: "N", piexif.GPSIFD.GPSLatitude: ((53, 1), (24, 1), (432, 100))}
    exif = piexif.dump({"GPS": gps, "0th": {piexif.ImageIFD.Orientation: 6}})
    Image.new("RGB", size, colour).save(out, kind, **({"exif": exif, "comment": PLACE} if kind == "JPEG" else {}))
    return out.getvalue()


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drive's folder in a store: each test looks at what it adds itself."""
    store = tmp_path_factory.mktemp("desk")
    return make_drive(store, starts(2), seed=50)[0].path


@pytest.fixture(scope="module")
def at_desk(made: Path) -> Iterator[Visitor]:
    with visitor(made.parent) as found:
        yield found


def opened(at_desk: Visitor, made: Path) -> Seen:
    return at_desk.get(f"/drive/{made.name}")


def kept(made: Path) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = json.loads((made / "drive.json").read_bytes())["photos"]
    return found


def shown(page: Seen) -> list[tuple[bytes, str]]:
    """Each picture's bytes, and the words under it."""
    found = []
    for figure in page.tree.xpath("//section[@aria-labelledby='photos']//figure[img]"):
        kind, _, text = figure.find("img").get("src").partition(",")
        assert kind == "data:image/jpeg;base64"
        found.append((base64.b64decode(text, validate=True), " ".join(figure.text_content().split())))
    return found


def refused(page: Seen, entry: str, said: str) -> None:
    """One line at the entry, in an open fold."""
    assert page.status == 422
    assert said in page.beside("photo", entry), (page.beside("photo", entry), page.wrong)
    assert page.tree.xpath("//form[@id='form-photo']/ancestor::details[@open]")


def test_a_picture_is_kept_as_it_came_shown_without_its_place_put_away_and_taken_back(
    at_desk: Visitor, made: Path
) -> None:
    page, data = opened(at_desk, made), picture()
    assert not shown(page) and not page.tree.xpath("//form[@id='form-putaway']")
    done = at_desk.send_files(page, "photo", {"words": "tan all round", "run": "2"}, [("picture", "plug.jpg", data)])
    assert "Saved with run 2." in done.section("photos")
    [entry] = kept(made)
    assert (made / entry["file"]).read_bytes() == data and entry["words"] == "tan all round"
    [(seen, words)] = shown(done)
    image = Image.open(io.BytesIO(seen))
    assert (image.width, image.height) == (667, 1000)  # upright (EXIF 6 turns it), the longer side 1000 points
    assert words == "Run 2 tan all round"
    # The camera's bytes have the place, the page's have not; else the last line would prove nothing.
    assert b"Exif" in data and PLACE in data and b"Exif" not in seen and PLACE not in seen
    assert "img-src 'self' data:" in done.headers["content-security-policy"]
    gone = at_desk.send(done, "putaway", {"kept": "1"})
    assert "1 photograph hidden" in gone.section("photos") and not shown(gone)
    assert kept(made)[0]["away"] and (made / entry["file"]).read_bytes() == data
    back = at_desk.send(gone, "putaway", {"kept": "1", "undo": "yes"})
    assert "shown again" in back.section("photos") and shown(back) == shown(done)
    none = at_desk.send(back, "putaway", {})
    assert none.status == 422 and "is empty" in none.text
    odd = at_desk.send(back, "putaway", {"kept": ["1", "7"]})
    assert odd.status == 422 and "there is no photograph 7" in odd.text and not kept(made)[0]["away"]


def test_words_alone_and_a_picture_alone_are_kept(at_desk: Visitor, made: Path) -> None:
    before, many = kept(made), len(shown(opened(at_desk, made)))
    # A browser sends an entry for a file that was left empty with an empty name (HTML 4.10.22.4).
    done = at_desk.send_files(opened(at_desk, made), "photo", {"words": "sooty"}, [("picture", "", b"")])
    assert "Saved with the drive." in done.section("photos") and "The drive: sooty" in done.section("photos")
    again = at_desk.send_files(done, "photo", {}, [("picture", "a.webp", picture((300, 500), "WEBP", "black"))])
    assert len(kept(made)) == len(before) + 2 and len(shown(again)) == many + 1


def test_wrong_files_are_told_in_one_line_at_the_entry_and_nothing_is_kept(at_desk: Visitor, made: Path) -> None:
    page, before = opened(at_desk, made), kept(made)
    files = sorted(path.name for path in made.iterdir())
    broken = at_desk.send_files(page, "photo", {"words": "white"}, [("picture", "plug.jpg", picture()[:3000])])
    refused(broken, "picture", "\u201cplug.jpg\u201d: this picture cannot be read")
    assert broken.form("photo")["words"] == ["white"]
    refused(at_desk.send_files(page, "photo", {}, [("picture", "notes.txt", b"tan")]), "picture", "cannot be read")
    refused(at_desk.send_files(page, "photo", {}, [("picture", "none.jpg", b"")]), "picture", "cannot be read")
    heic = b"\0\0\0\x18ftypheic" + b"\0" * 40
    refused(
        at_desk.send_files(page, "photo", {}, [("picture", "a.heic", heic)]), "picture", "Save it as JPEG on the phone"
    )
    refused(at_desk.send_files(page, "photo", {}, []), "picture", "Give a picture, words, or both")
    small = ("picture", "a.png", picture((30, 50), "PNG"))
    refused(at_desk.send_files(page, "photo", {"run": "99"}, [small]), "run", "there is no run 99")
    refused(at_desk.send_files(page, "photo", {"run": "two"}, [small]), "run", "is not a whole number")
    refused(at_desk.send_files(page, "photo", {"words": "a" * 2001}, [small]), "words", "2001 letters are too many")
    assert kept(made) == before and sorted(path.name for path in made.iterdir()) == files


@pytest.mark.parametrize("name", [*HOSTILE, "../../../etc/passwd", "C:\\odd\\plug.jpg", "--words: x", "n" * 255])
def test_a_hostile_file_name_is_text(at_desk: Visitor, made: Path, name: str) -> None:
    page = at_desk.send_files(opened(at_desk, made), "photo", {}, [("picture", name, b"no picture")])
    refused(page, "picture", "cannot be read")
    assert not page.tree.xpath("//script[not(starts-with(@src, '/static/'))] | //img[@src='x'] | //*[@onerror]")
    assert "\u202e" not in page.text and "\x1b" not in page.text
    assert len(page.beside("photo", "picture")) < 300 and "etc/" not in page.beside("photo", "picture")


@pytest.mark.parametrize("name", ["--words: plug.jpg", "plug--run.jpg", "cylinder 1, tan.jpg"])
def test_a_file_is_called_as_the_owner_called_it(at_desk: Visitor, made: Path, name: str) -> None:
    """An option's name in it is neither taken for the entry to blame nor said in the form's words."""
    page = at_desk.send_files(opened(at_desk, made), "photo", {}, [("picture", name, b"no picture")])
    refused(page, "picture", f"\u201c{name}\u201d: this picture cannot be read")


def test_a_kept_picture_bears_no_name_of_the_senders(at_desk: Visitor, made: Path) -> None:
    data = picture((40, 30), "PNG", "red")
    words = " ".join(HOSTILE[:2])
    done = at_desk.send_files(opened(at_desk, made), "photo", {"words": words}, [("picture", "../../x.sh", data)])
    assert done.status == 200 and not done.tree.xpath("//img[@src='x'] | //*[@onerror]")
    assert words in kept(made)[-1]["words"] and kept(made)[-1]["file"].startswith("photo-")
    assert (made / kept(made)[-1]["file"]).read_bytes() == data
    assert not list(made.parent.parent.glob("x.sh")) and not list(made.parent.glob("x.sh"))


def test_a_picture_for_a_drive_that_was_changed_meanwhile_is_not_kept(at_desk: Visitor, made: Path) -> None:
    at_desk.send(opened(at_desk, made), "photo", {"words": "kept before"})
    one, two = opened(at_desk, made), opened(at_desk, made)
    at_desk.send(one, "note", {"text": "from the first tab"})
    before = kept(made)
    late = at_desk.send_files(two, "photo", {"words": "late"}, [("picture", "a.png", picture((50, 50), "PNG"))])
    assert late.status == 422 and "was changed in the meantime" in late.wrong and kept(made) == before
    stale = at_desk.send(two, "putaway", {"kept": "1"})
    assert stale.status == 422 and "was changed in the meantime" in stale.wrong and kept(made) == before


def test_a_damaged_picture_is_named_and_the_page_stands(at_desk: Visitor, made: Path) -> None:
    data = picture((60, 40), "PNG", "blue")
    done = at_desk.send_files(opened(at_desk, made), "photo", {"words": "blue"}, [("picture", "a.png", data)])
    many = len(shown(done))
    file = made / kept(made)[-1]["file"]
    file.write_bytes(data[:-20])
    # The note makes the page anew: what was painted before must not hide that the file is another.
    page = at_desk.send(done, "note", {"text": "looked again"})
    assert page.status == 200 and len(shown(page)) == many - 1
    said = f"Not shown: {made.name}/{file.name}: this photograph has changed since it was kept"
    assert said in page.section("photos")
    file.write_bytes(data)


def test_a_picture_above_the_bound_is_answered_by_a_page(at_desk: Visitor, made: Path) -> None:
    """Who bears no cookie is told one line and the number."""
    client = Client(at_desk.served.port)
    path, kind = f"/drive/{made.name}/photo", "multipart/form-data; boundary=x"
    assert client.ask("POST", path, content_type=kind, content_length=str(LARGEST_UPLOAD + 1)).status == 413
    before = (made / "drive.json").read_bytes()
    page = opened(at_desk, made)
    large = at_desk.send_files(page, "photo", {}, [("picture", "a.png", bytes(LARGEST_UPLOAD))])
    assert large.status == 413 and large.headers["content-type"].startswith("text/html")
    assert "64 MB" in large.wrong and "Nothing was kept" in large.wrong
    assert large.tree.xpath(f"//main//a[@href='/drive/{made.name}']")
    assert (made / "drive.json").read_bytes() == before


def test_only_the_form_for_photographs_may_be_long(at_desk: Visitor, made: Path) -> None:
    """By the header and by what comes; a picture above the bound of other forms is taken."""
    client = at_desk.client
    kind = "multipart/form-data; boundary=x"

    def status(form: str, length: int) -> int:
        path = f"/drive/{made.name}/{form}"
        return client.ask("POST", path, content_type=kind, content_length=str(length)).status

    for other in ("note", "putaway", "strike", "setup", "weather"):
        assert status(other, LARGEST_BODY + 1) == 413, other
    noise = Image.frombytes("RGB", (400, 300), bytes(range(256)) * 1406 + bytes(64))
    out = io.BytesIO()
    noise.save(out, "PNG", compress_level=0)
    assert len(out.getvalue()) > 4 * LARGEST_BODY
    done = at_desk.send_files(
        opened(at_desk, made), "photo", {"words": "large"}, [("picture", "a.png", out.getvalue())]
    )
    assert done.status == 200 and kept(made)[-1]["words"] == "large"
