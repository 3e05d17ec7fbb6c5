"""`photo`, and photographs in a report: what is kept as it came, what is shown, and that no place is among it."""

from __future__ import annotations

import base64
import hashlib
import io
import shutil
from pathlib import Path

import exifread
import piexif
import pytest
from a_pack import STARTS
from made_drives import make_drive
from page_reader import HOSTILE, Reader
from PIL import Image
from run_verb import Said, run_verb

from logger.store import drive as drives

ID = "2026-05-02_091430Z"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("photos")
    make_drive(root / "store", STARTS)
    gps = {piexif.GPSIFD.GPSLatitudeRef: "N", piexif.GPSIFD.GPSLatitude: ((53, 1), (24, 1), (432, 100))}
    exif = piexif.dump({"GPS": gps, "0th": {piexif.ImageIFD.Orientation: 6}})
    Image.new("RGB", (2400, 1600), "tan").save(root / "plug.jpg", exif=exif)
    Image.new("RGB", (300, 500), "black").save(root / "sooty.png")
    return root


@pytest.fixture
def root(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / "root"))


def photo(root: Path, *arguments: str) -> Said:
    return run_verb(root / "store", "photo", *arguments)


def page(root: Path, *options: str) -> Reader:
    said = run_verb(root / "store", "report", ID, "--force", "--out", str(root / "page.html"), *options, warned=True)
    assert said.code == 0, said
    return Reader((root / "page.html").read_text(encoding="utf-8"))


def pictures(read: Reader) -> list[tuple[Image.Image, bytes, str]]:
    found = []
    for tag, attributes in read.tags:
        if tag == "img":
            kind, _, text = str(attributes["src"]).partition(",")
            assert kind == "data:image/jpeg;base64"
            data = base64.b64decode(text, validate=True)
            image = Image.open(io.BytesIO(data))
            assert (str(image.width), str(image.height)) == (attributes["width"], attributes["height"])
            found.append((image, data, str(attributes["alt"])))
    return found


def test_pictures_are_kept_as_they_came_and_shown_without_their_places(root: Path) -> None:
    for words in (["plug.jpg", "--run", "2", "--words", HOSTILE[0]], ["sooty.png", "--words", "before the day"]):
        assert photo(root, ID, str(root / words[0]), *words[1:]).code == 0
    assert photo(root, ID, "--words", HOSTILE[1], "--run", "1").code == 0
    kept = drives.open_folder(root / "store" / ID).manifest.photos
    for name, each in zip(("plug.jpg", "sooty.png"), kept, strict=False):
        data = (root / name).read_bytes()
        assert (root / "store" / ID / str(each.file)).read_bytes() == data
        assert each.digest == hashlib.sha256(data).hexdigest()
    read = page(root, "--photos")
    (first, _, alt), (second, data, other) = pictures(read)
    assert (alt, other) == ("The drive: before the day", f"Run 2: {HOSTILE[0]}")
    assert first.size == (300, 500) and second.size == (667, 1000)  # upright, and no side longer than 1000
    assert exifread.process_file(io.BytesIO(data)) == {} and b"Exif" not in data
    assert HOSTILE[0] in read.text and HOSTILE[1] in read.text and "document.title" not in str(read.tags[0])
    assert not [tag for tag, _ in read.tags if tag == "script"][1:]
    assert pictures(page(root)) == []  # on wish alone


def test_what_is_put_away_stays_and_is_shown_nowhere(root: Path) -> None:
    for name in ("plug.jpg", "sooty.png"):
        photo(root, ID, str(root / name))
    said = photo(root, ID, "--away", "1")
    assert said.code == 0 and "(hidden)" in said.out
    assert len(list((root / "store" / ID).glob("photo-*"))) == 2
    assert [image.size for image, _, _ in pictures(page(root, "--photos"))] == [(300, 500)]
    assert photo(root, ID, "--back", "1").code == 0 and len(pictures(page(root, "--photos"))) == 2


def test_the_same_picture_twice_is_one_with_the_newer_words(root: Path) -> None:
    photo(root, ID, str(root / "plug.jpg"), "--run", "1", "--words", "tan")
    photo(root, ID, str(root / "sooty.png"))
    told = photo(root, ID, str(root / "plug.jpg"), "--run", "2", "--words", "white", "--json").json["photos"]
    assert [(each["n"], each["run"], each["words"]) for each in told] == [(1, 2, "white"), (2, None, "")]


def test_they_survive_a_rebuild_and_a_damaged_manifest(root: Path) -> None:
    photo(root, ID, str(root / "plug.jpg"), "--run", "1", "--words", "tan")
    assert run_verb(root / "store", "rebuild", ID).code == 0
    path = root / "store" / ID / "drive.json"
    path.write_text(path.read_text(encoding="utf-8").replace('"duration_s":', '"duration_s": "x", "was":'))
    assert run_verb(root / "store", "rebuild", ID).code == 0
    (each,) = photo(root, ID, "--json").json["photos"]
    assert (each["run"], each["words"]) == (1, "tan") and len(pictures(page(root, "--photos"))) == 1


def test_one_damaged_picture_is_named_and_the_others_are_shown(root: Path) -> None:
    for name in ("plug.jpg", "sooty.png"):
        photo(root, ID, str(root / name))
    (file,) = (root / "store" / ID).glob("photo-*.jpg")
    file.write_bytes(file.read_bytes()[:-100])
    read = page(root, "--photos")
    assert len(pictures(read)) == 1 and f"Not shown: {ID}/{file.name}" in read.text.replace(
        str(root / "store") + "/", ""
    )
    file.unlink()
    assert len(pictures(page(root, "--photos"))) == 1


def test_what_cannot_be_is_one_line(root: Path) -> None:
    (root / "plug.heic").write_bytes(b"\0\0\0\x18ftypheic" + bytes(50))
    before = (root / "store" / ID / "drive.json").read_bytes()
    refused = {
        "HEIC": [ID, str(root / "plug.heic")], "no such file": [ID, str(root / "gone.jpg")],
        "there is no run 9": [ID, str(root / "plug.jpg"), "--run", "9"], "name the drive": [str(root / "plug.jpg")],
        "--away and --back": [ID, "--away", "1", "--back", "1"], "there is no photograph 3": [ID, "--away", "3"],
        "give a picture": [ID, "--run", "1"], "too many": [ID, "--words", "x" * 3000],
    }  # fmt: skip
    for words, arguments in refused.items():
        said = photo(root, *arguments)
        assert said.code == 2 and words in said.err, (arguments, said)
    # One that is none keeps the good one beside it out as well: whole or not at all.
    assert photo(root, ID, str(root / "plug.jpg"), str(root / "plug.heic")).code == 2
    assert (root / "store" / ID / "drive.json").read_bytes() == before and photo(root, ID).code == 1
    for asked in (["--season"], ["baseline", ID]):
        said = run_verb(root / "store", "report", *asked, "--photos", "--out", str(root / "x.html"))
        assert said.code == 2 and "--photos shows the photographs of one drive" in said.err
    said = run_verb(root / "store", "report", ID, "--photos", "--out", str(root / "x.html"))
    assert said.code == 1 and "no photographs" in said.err and not (root / "x.html").exists()
