"""`pack` and `unpack`: what leaves, what is merged, and what is never mixed."""

from __future__ import annotations

import getpass
import hashlib
import io
import json
import re
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path

import exifread
import numpy as np
import piexif
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
import simulate
from a_pack import FINCH, STARTS, everything, held, rewritten, two_stores
from geographiclib.geodesic import Geodesic
from made_drives import BASELINE, RIG, START, make_drive
from PIL import Image
from run_verb import Said, run_verb

from analysis.store import DriveStore
from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.store.drive import list_drives, open_drive
from logger.store.manifest import Struck

ONE, TWO = "2026-05-02_091430Z", "2026-05-09_091430Z"
SECRET = "/dev/serial/by-id/usb-Toms_receiver_0042"
PRIVATE = """
[privacy]
ends_m = 120
[[privacy.circle]]
name = "Toms barn"
lat_deg = 53.412345
lon_deg = -0.412345
radius_m = 90
"""


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("packs")
    two_stores(root)
    return root


@pytest.fixture
def root(good: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(good, tmp_path / "root"))


# --- what leaves --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def told_all(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drive with all that may tell a place or a person, and its pack for others."""
    root = tmp_path_factory.mktemp("told")
    rig = RIG.replace('name = "gps"', f'name = "gps"\nport = "{SECRET}"').replace(
        '  channel = "afr"', '  channel = "afr"\n  [[source.column]]\n  channel = "latitude"'
    )
    script = [simulate.Stand(4), simulate.Pull(20.0), simulate.Cruise(20.0, 25), simulate.Brake(0), simulate.Stand(4)]
    made, truth = make_drive(root / "store", script)
    middle = len(truth.t_s) // 2
    circle = PRIVATE.replace("53.412345", f"{truth.lat_deg[middle]:.6f}").replace(
        "-0.412345", f"{truth.lon_deg[middle]:.6f}"
    )
    raw = made.table("raw")
    lines = [  # a board that tells where it is, in a column that is recorded and behind it in one that is not
        b"%s,%.6f,%.6f\r\n" % (data.strip(), truth.lat_deg[0], truth.lon_deg[0]) if name == "mixture" else data
        for name, data in zip(raw["source"].to_pylist(), raw["data"].to_pylist(), strict=True)
    ]
    shutil.rmtree(made.path)
    from logger.store import drive

    config = parse(rig + circle, RecorderConfig, "rig")
    made = drive.write(
        root / "store",
        pa.table({"mono_ns": raw["mono_ns"], "source": raw["source"], "data": pa.array(lines, pa.binary())}),
        config, rig + circle, FINCH, BASELINE, {"temperature_c": 17.0, "pressure_hpa": 1009.0, "source": "METAR EGXX"},
        origin="/home/tom/drive.nmea", remarks=["read from /home/tom/drive.nmea"],
    )  # fmt: skip
    assert made.table("mixture")["latitude"].null_count == 0
    degrees = ((53, 1), (24, 1), (432, 100))
    gps = piexif.dump({"GPS": {piexif.GPSIFD.GPSLatitudeRef: "N", piexif.GPSIFD.GPSLatitude: degrees}})
    Image.new("RGB", (60, 40), "tan").save(root / "plug.jpg", exif=gps)
    for words in (["--words", "tan all round"], ["--run", "1"]):
        assert run_verb(root / "store", "photo", made.id, str(root / "plug.jpg"), *words).code == 0
    for kind, options in (("others", []), ("whole", ["--whole"])):
        said = run_verb(root / "store", "pack", *options, "--out", str(root / f"{kind}.zip"))
        assert said.code == 0, said
    return root


def test_no_place_port_or_person_goes_to_others(told_all: Path) -> None:
    files, (own,) = held(told_all / "others.zip"), list_drives(told_all / "store")
    assert not [name for name in files if "raw" in name]
    circle = own.config.privacy.circle[0]
    secrets = [SECRET, "Toms barn", "EGXX", "/home/tom", f"{circle.lat_deg:.6f}", f"{circle.lon_deg:.6f}", "privacy"]
    secrets += [getpass.getuser()] if len(getpass.getuser()) > 4 else []
    whole = b"".join(held(told_all / "whole.zip").values())
    assert [each for each in secrets[:4] if each.encode() not in whole] == []  # so that the check could fail
    texts = {name: data.decode() for name, data in files.items() if name.endswith((".json", ".toml"))}
    assert [(name, each) for name, text in texts.items() for each in secrets if each in text] == []
    mixture = pq.read_table(io.BytesIO(files["drives/0001/mixture.parquet"]))
    assert mixture["latitude"].null_count == mixture.num_rows and mixture["afr"].null_count < mixture.num_rows
    (picture,) = (data for name, data in files.items() if "photo-" in name)
    assert exifread.process_file(io.BytesIO(picture)) == {}


def test_positions_that_leave_lie_outside_circles_and_ends(told_all: Path) -> None:
    """Distances by geographiclib's geodesics on the WGS 84 ellipsoid (Karney 2013)."""
    (own,) = list_drives(told_all / "store")
    theirs = pq.read_table(io.BytesIO(held(told_all / "others.zip")["drives/0001/gps.parquet"]))
    table = own.table("gps")
    lat, lon = (np.array(table[name].to_pylist(), float) for name in ("lat_deg", "lon_deg"))
    left = ~np.isnan(np.array(theirs["lat_deg"].to_pylist(), float))
    circle = own.config.privacy.circle[0]
    for place, least in (
        ((lat[0], lon[0]), 120.0),
        ((lat[-1], lon[-1]), 120.0),
        ((circle.lat_deg, circle.lon_deg), 90.0),
    ):
        away = [Geodesic.WGS84.Inverse(*place, a, b)["s12"] for a, b in zip(lat[left], lon[left], strict=True)]
        assert min(away) > least
    assert 0.1 < left.mean() < 0.9
    for name in ("lon_deg", "alt_m", "geoid_m", "course_deg"):
        there = np.array(table[name].to_pylist(), float)
        assert np.array_equal(np.where(left, there, np.nan), np.array(theirs[name].to_pylist(), float), equal_nan=True)
    for name in ("time", "mono_ns", "speed_mps", "valid", "satellites"):
        assert theirs[name].equals(table[name])


def test_a_whole_pack_is_byte_for_byte(told_all: Path, tmp_path: Path) -> None:
    said = run_verb(tmp_path / "new", "unpack", str(told_all / "whole.zip"))
    assert said.code == 0 and "Took 1 drive into your own" in said.out
    (own,), (new,) = (list_drives(store) for store in (told_all / "store", tmp_path / "new"))
    before, after = everything(own.path), everything(new.path)
    assert {name: data for name, data in after.items() if name != "drive.json"} == {
        name: data for name, data in before.items() if name != "drive.json"
    }
    was, now = (json.loads(each["drive.json"]) for each in (before, after))
    assert now.pop("trace")[:-1] == was.pop("trace") and now == was
    tags = exifread.process_file(io.BytesIO(next(data for name, data in after.items() if "photo-" in name)))
    assert "GPS GPSLatitude" in tags  # kept as it came


def test_times_and_mixture_of_a_drive_for_others_are_those_of_the_drive(told_all: Path, tmp_path: Path) -> None:
    assert run_verb(tmp_path / "new", "unpack", str(told_all / "others.zip")).code == 0
    own = run_verb(told_all / "store", "runs", "last", "--json").json
    theirs = run_verb(tmp_path / "new", "runs", "finch/last", "--json").json
    for a, b in zip(own["runs"], theirs["runs"], strict=True):
        for one, two in zip(a["splits"], b["splits"], strict=True):
            assert two["from_one_foot_s"] == pytest.approx(one["from_one_foot_s"], abs=0.01)
    for verb in ("capture", "rebuild"):
        words = [str(tmp_path / "x.jsonl")] if verb == "capture" else []
        said = run_verb(tmp_path / "new", verb, "finch/last", *words)
        assert said.code == 2 and "without its raw bytes" in said.err


# --- another car --------------------------------------------------------------------------------------------------

ASKED = (
    ["season"], ["runs", "--all"], ["runs", TWO], ["setups"], ["plan"], ["effects"], ["fuel"], ["jets", TWO],
    ["mixture", TWO], ["power", TWO], ["compare", "baseline", "snorkel and jet"], ["drives"],
)  # fmt: skip


def test_another_car_changes_no_figure_of_ones_own(root: Path) -> None:
    def answers() -> list[Said]:
        return [run_verb(root / "store", *each, "--json", warned=True) for each in ASKED]

    before = answers()
    said = run_verb(root / "store", "unpack", str(root / "finch.zip"), "--json")
    assert said.code == 0 and said.json["car"] == "finch" and len(said.json["drives"]) == 2
    shutil.rmtree(root / "store" / ".analysis")
    after = answers()
    for one, two in zip(before[:-1], after[:-1], strict=True):
        assert (one.code, one.out) == (two.code, two.out)
    drives, now = before[-1].json, after[-1].json
    assert drives.pop("other_cars") == [] and [car["drives"] for car in now.pop("other_cars")] == [2]
    assert drives == now
    store, taken = DriveStore(root / "store"), DriveStore(root / "store" / "cars" / "finch")
    assert {drive.car.car.name for drive in store.drives if drive.car} == {"Wren"}
    assert {drive.car.car.name for drive in taken.drives if drive.car} == {"Finch"}
    first, last = (store.drive(f"finch/{each.id}") for each in taken.drives)
    assert not first.taught.lessons and len(last.taught.lessons) == 1  # of the Finch's own drive before, and no other


def test_a_friends_setup_is_compared_as_another_car(root: Path) -> None:
    run_verb(root / "store", "unpack", str(root / "finch.zip"))
    found = run_verb(root / "store", "compare", "baseline", "finch/baseline", "--json").json
    assert found["parts_that_differ"] == ["car"] and found["parts"]["car"] == {"a": "Wren", "b": "Finch"}
    assert found["power"] is None and found["more_runs_each"] == 0
    assert "different cars" in found["caveats"][0]
    assert all(run.startswith("finch/") for run in found["runs"]["b"]) and len(found["runs"]["b"]) == 4
    own = run_verb(root / "store", "compare", "finch/baseline", "finch/2026-05-03")
    assert own.code == 2 and "is on both sides" in own.err


REFUSED = (
    ["mixture", ONE, "finch/last"], ["power", ONE, "finch/last"], ["coast", ONE, "finch/last"],
    ["report", "baseline", "finch/baseline"], ["plan", "--settle", "baseline", "finch/baseline"],
    ["pack", ONE, "finch/last"], ["compare", "baseline", "finch/none"], ["runs", "swift/last"],
)  # fmt: skip


def test_what_makes_no_sense_of_two_cars_is_refused(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(root)
    run_verb(root / "store", "unpack", str(root / "finch.zip"))
    for asked in REFUSED:
        said = run_verb(root / "store", *asked)
        assert said.code == 2, (asked, said)
        assert ("car" in said.err) or "none" in said.err or "no such drive" in said.err


def test_two_friends_cars_of_one_name_are_two(root: Path) -> None:
    def other_owner(files: dict[str, bytes]) -> None:
        files["pack.json"] = re.sub(rb'"owner": *"[0-9a-f]+"', b'"owner": "%s"' % (b"ab" * 16), files["pack.json"])
        for name in [name for name in files if name.endswith("drive.json")]:
            told = json.loads(files[name])
            told["digests"]["raw rows"] = hashlib.sha256(name.encode()).hexdigest()
            files[name] = json.dumps(told).encode()

    second = rewritten(root / "finch.zip", root / "second.zip", other_owner)
    cars = [
        run_verb(root / "store", "unpack", str(each), "--json").json["car"] for each in (root / "finch.zip", second)
    ]
    assert cars == ["finch", "finch-2"]
    again = run_verb(root / "store", "unpack", str(second), "--json").json
    assert again["car"] == "finch-2" and {each["became"] for each in again["drives"]} == {"already"}
    said = run_verb(root / "store", "unpack", str(second), "--as", "finch")
    assert said.code == 2 and "another owner's car has this name" in said.err


# --- one's own ----------------------------------------------------------------------------------------------------


def packed(store: Path, to: Path, *options: str) -> Path:
    said = run_verb(store, "pack", "--whole", "--force", "--out", str(to), *options)
    assert said.code == 0, said
    return to


def test_the_same_drive_twice_is_one_whatever_it_is_called(root: Path) -> None:
    pack = packed(root / "store", root / "own.zip")
    (root / "store" / TWO).rename(root / "store" / "the-good-day")
    before = everything(root / "store")
    said = run_verb(root / "store", "unpack", str(pack))
    assert said.code == 0 and "Took 0 drives into your own; 2 were here already" in said.out
    assert everything(root / "store") == before


def test_another_drive_of_the_same_name_is_renamed_and_said(root: Path, tmp_path: Path) -> None:
    other, _ = make_drive(tmp_path / "other", STARTS, seed=9)
    assert other.id == ONE
    said = run_verb(root / "store", "unpack", str(packed(tmp_path / "other", tmp_path / "o.zip")), "--mine")
    assert said.code == 0 and f"nother drive here has the name {ONE}, so it is now {ONE}-2" in said.flat
    assert open_drive(root / "store", f"{ONE}-2").manifest.digests["raw rows"] == other.manifest.digests["raw rows"]


def test_setups_of_one_name_with_other_parts_are_told_apart(root: Path, tmp_path: Path) -> None:
    leaner = BASELINE.model_copy(update={"parts": {**BASELINE.parts, "main_jet_mm": 1.0}})
    for n in range(2):
        make_drive(tmp_path / "other", STARTS, seed=20 + n, setup=leaner, start=START + timedelta(days=30 + n))
    pack = packed(tmp_path / "other", tmp_path / "o.zip", "2026-06-01")
    said = run_verb(root / "store", "unpack", str(pack), "--mine")
    assert said.code == 0 and "so it is now 'baseline (2)'" in said.flat
    assert run_verb(root / "store", "unpack", str(packed(tmp_path / "other", tmp_path / "o.zip")), "--mine").code == 0
    setups = run_verb(root / "store", "setups", "--json").json["setups"]
    assert [(each["name"], len(each["drives"])) for each in setups if "baseline" in each["name"]] == [
        ("baseline", 1), ("baseline (2)", 2)
    ]  # fmt: skip
    assert run_verb(root / "store", "setups", "baseline", "baseline (2)").code == 0


def test_marks_and_pictures_of_both_laptops_come_together(root: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(root / "store", tmp_path / "laptop"))
    when = datetime(2026, 6, 1, tzinfo=UTC)
    for store, reason, words in ((root / "store", "a gust", "tan"), (other, "a tractor", "sooty")):
        drive = open_drive(store, ONE)
        drive.amend("struck", struck=[Struck(run_start_utc=drive.manifest.started_utc, reason=reason, when=when)])
        Image.new("RGB", (8, 8), (words == "tan" and "tan") or "black").save(tmp_path / f"{words}.png")
        assert run_verb(store, "photo", ONE, str(tmp_path / f"{words}.png"), "--words", words).code == 0
    assert run_verb(other, "weather", ONE, "--temperature", "3C").code == 0
    said = run_verb(root / "store", "unpack", str(packed(other, tmp_path / "o.zip")), "--mine")
    assert said.code == 0 and "1 strike, 1 photograph" in said.flat
    assert "ts weather differs in the pack; yours stays" in said.flat
    now = open_drive(root / "store", ONE)
    assert {each.reason for each in now.manifest.struck} == {"a gust", "a tractor"}
    assert {each.words for each in now.manifest.photos} == {"tan", "sooty"}
    assert now.manifest.weather and now.manifest.weather["temperature_c"] == 17.0
    for each in now.manifest.photos:
        assert hashlib.sha256((now.path / str(each.file)).read_bytes()).hexdigest() == each.digest
    before = everything(root / "store")
    run_verb(root / "store", "unpack", str(tmp_path / "o.zip"), "--mine")
    assert everything(root / "store") == before


def test_whose_a_whole_pack_is_must_be_said_once(root: Path, tmp_path: Path) -> None:
    pack = packed(root / "finch", tmp_path / "w.zip")
    before = everything(root / "store")
    said = run_verb(root / "store", "unpack", str(pack))
    assert said.code == 2 and "--mine" in said.err and everything(root / "store") == before
    assert run_verb(root / "store", "unpack", str(root / "finch.zip"), "--mine").code == 2
    assert run_verb(root / "store", "unpack", str(pack), "--as", "../up").code == 2
    said = run_verb(root / "store", "unpack", str(pack), "--as", "swift", "--json")
    assert said.json["car"] == "swift" and open_drive(root / "store", "swift/last").table("raw").num_rows
    assert run_verb(tmp_path / "empty", "unpack", str(pack)).code == 0
    assert run_verb(tmp_path / "empty", "unpack", str(pack)).code == 0  # by now it is known whose it is
    drives = list_drives(tmp_path / "empty")
    assert (
        len(drives) == 2
        and (tmp_path / "empty" / ".pack-id").read_bytes() == (root / "finch" / ".pack-id").read_bytes()
    )


def test_drives_of_ones_own_second_car_do_not_go_among_the_first(root: Path, tmp_path: Path) -> None:
    store = Path(shutil.copytree(root / "finch", tmp_path / "both"))
    make_drive(store, STARTS, seed=31, start=START + timedelta(days=40))  # the Wren's, in the Finch's store
    said = run_verb(root / "store", "unpack", str(packed(store, tmp_path / "b.zip")), "--mine", "--json").json
    assert sorted(each["drive"].split("/")[0] for each in said["drives"])[-2:] == ["finch", "finch"]
    assert {drive.car.car.name for drive in list_drives(root / "store") if drive.car} == {"Wren"}


def test_files_of_the_store_are_put_beside_where_they_differ(root: Path, tmp_path: Path) -> None:
    other = Path(shutil.copytree(root / "store", tmp_path / "laptop"))
    (other / "car.toml").write_text('[car]\nname = "Wren"\nmass_kg = 401.0\ncooling = "air"\n')
    (other / "jets.toml").write_text('[[jet]]\nmark = "110"\nmeasured_mm = 1.1\n')
    pack = packed(other, tmp_path / "o.zip")
    for _ in range(2):
        assert run_verb(root / "store", "unpack", str(pack), "--mine").code == 0
    assert sorted(path.name for path in (root / "store").glob("*.toml")) == [
        "car-2.toml", "car.toml", "jets.toml", "recorder.toml"
    ]  # fmt: skip
    assert "392" in (root / "store" / "car.toml").read_text() and "401" in (root / "store" / "car-2.toml").read_text()


def test_one_bad_drive_is_left_out_and_the_others_are_packed(root: Path, tmp_path: Path) -> None:
    table = root / "store" / ONE / "gps.parquet"
    table.write_bytes(table.read_bytes()[:-9])
    for options in (["--whole"], []):
        said = run_verb(root / "store", "pack", *options, "--out", str(tmp_path / f"x{len(options)}.zip"), warned=True)
        assert said.code == 0
    assert (
        "Left out: 2026-05-02"
        in run_verb(root / "store", "pack", "--whole", "--force", "--out", str(tmp_path / "y.zip"), warned=True).out
    )
    assert len([name for name in held(tmp_path / "y.zip") if name.endswith("drive.json")]) == 1
    (table.parent / "raw.parquet").write_bytes(b"gone")
    said = run_verb(root / "store", "pack", ONE, "--out", str(tmp_path / "z.zip"), warned=True)
    assert said.code == 1 and not (tmp_path / "z.zip").exists()


def test_drives_of_another_car_are_left_out_and_told(root: Path) -> None:
    """One that stands among the owner's: the others are packed all the same; asked for by name it is refused."""
    own = DriveStore(root / "store").drives
    stray = make_drive(root / "store", STARTS, seed=9, car=FINCH, start=START + timedelta(days=21))[0].id
    said = run_verb(root / "store", "pack", "--out", str(root / "out.zip"), "--json")
    assert said.code == 0
    assert {each["drive"] for each in said.json["drives"]} == {each.id for each in own}
    assert said.json["left_out"] == [
        f"{stray}: left out, because it is of another car. Name its drives to pack them on their own."
    ]
    refused = run_verb(root / "store", "pack", own[0].id, stray, "--out", str(root / "two.zip"))
    assert refused.code == 2 and "two cars" in refused.err
