"""Every verb that writes, killed by SIGKILL at every file operation in turn: the old state or the new one is there.

An audit hook of the interpreter (PEP 578) counts what touches the store, and kills at the n-th.
"""

from __future__ import annotations

import io
import json
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest
import simulate
from a_pack import FINCH, a_friends_pack
from all_verbs import CALLBACKS
from killing import killed_in
from made_coasts import Slope
from made_drives import CAR, RIG, START, make_drive
from PIL import Image
from rig import rmc
from run_verb import run_verb

from logger.config.car import CarConfig
from logger.config.reading import load
from logger.config.setup import SetupConfig
from logger.decode.framing import Chunk
from logger.store import capture, drive, folders, making, recovery
from logger.store.journal import JournalWriter
from logger.store.pack import PackFile
from logger.store.parquet import digest_of

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="processes are forked")

ID = "2026-05-02_091430Z"
WREN = Path(__file__).parents[2] / "configs" / "wren.toml"
DAMAGED = b'{"schema_version": 1, "id"'
SETUPS = {
    "old": 'name = "old"\n[parts]\nsnorkel = "short"\n',
    "new": 'name = "new"\n[parts]\nsnorkel = "long"\nmain_jet_mm = 1.15\n',
}


OVERLAY = ["captions", ID, "--video-start", "+0", "--length", "1s", "--fps", "2", "--overlay", "mov"]


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("good")
    script = [simulate.Stand(6), simulate.Pull(18.0, launch="bite"), simulate.Brake(0), simulate.Stand(6)]
    made, _ = make_drive(root / "store", script, weather={"wind_mps": 2.0})
    capture.write(root / "drive.jsonl", made.table("raw"))
    (root / "store" / "recorder.toml").write_text(RIG)
    (root / "store" / "setup.toml").write_text(SETUPS["old"])
    for name, text in SETUPS.items():
        (root / f"{name}.toml").write_text(text)
    coasts = [simulate.Stand(8), *[simulate.Pull(22.5), simulate.Coast(6), simulate.Brake(0), simulate.Turn()] * 2]
    made, _ = make_drive(root / "coasts", coasts, road=Slope(slope=0.002), car=load(WREN, CarConfig), start=START)
    assert made.id == ID
    (root / "cars").mkdir()
    shutil.copy(WREN, root / "cars" / "wren.toml")
    a_friends_pack(root, drives=2)
    Image.new("RGB", (40, 30), "tan").save(root / "plug.png")
    for arguments in (["export", ID, "--ends", "0m", "--out", f"{root}/out.gpx"],
                      ["captions", ID, "--video-start", "+0", "--out", str(root)],
                      [*OVERLAY, "--out", f"{root}/over"]):  # fmt: skip
        assert run_verb(root / "store", *arguments, warned=True).code == 0
    (root / "over" / f"{ID}-captions.mov").rename(root / f"{ID}-captions.mov")
    writer = JournalWriter(making.begin(root / "cut-off", RIG))
    for n in range(5):
        writer.extend([Chunk(n * 10**9, "gps", rmc(n, 5.0)), Chunk(n * 10**9 + 1, "mixture", b"13.%d\r\n" % n)])
        writer.flush()
    writer.close()
    return root


def killed(arguments: list[str], watched: Path, at: int) -> bool:
    """Run the program in a process that is killed at its `at`-th operation under `watched`; whether it was."""
    import analysis.cli.main

    def run() -> None:
        sys.stdin = io.StringIO(TYPED.get(arguments[0], ""))
        sys.argv = ["pullbook", *arguments]
        analysis.cli.main.main()

    return killed_in(run, watched, at, arguments)


def one_drive(root: Path) -> drive.Drive:
    told: list[Any] = []
    (made,) = drive.list_drives(root / "store", told.append)
    assert not told
    for name in ("gps", "mixture", "raw"):
        assert made.table(name).num_rows
    return made


def setup_in_force(root: Path) -> str:
    name = load(root / "store" / "setup.toml", SetupConfig).name
    kept = [load(path, SetupConfig).name for path in (root / "store" / "setups-before").glob("*.toml")]
    assert name in SETUPS and (name == "old" or "old" in kept)
    return name


def imported(root: Path) -> str:
    if not (root / "new").exists():
        return "old"
    drives = drive.list_drives(root / "new")
    assert len(drives) <= 1 and not folders.unfinished(root / "new")
    return "new" if drives and drives[0].table("gps").num_rows else "old"


def recovered(root: Path) -> str:
    assert [each for each in recovery.recover(root / "cut-off") if each.failed] == []
    (made,) = drive.list_drives(root / "cut-off")
    assert made.table("mixture").num_rows == 5
    return "new"


def captured(root: Path) -> str:
    path = root / "store" / "out.jsonl"
    if not path.exists():
        return "old"
    assert capture.read(path).raw.num_rows == one_drive(root).table("raw").num_rows
    return "new"


def noted(root: Path) -> str:
    return "new" if any(note["text"] == "hill" for _, note in drive_notes(root)) else "old"


def drive_notes(root: Path) -> Any:
    from logger.store.presence import notes_left

    return notes_left(root / "store")


def setup_of(root: Path) -> str:
    setup = one_drive(root).setup
    return "new" if setup is not None and setup.name == "new" else "old"


def struck(root: Path) -> str:
    return "new" if one_drive(root).manifest.struck else "old"


def weathered(root: Path) -> str:
    return "new" if one_drive(root).manifest.weather != {"wind_mps": 2.0} else "old"


def rebuilt(root: Path) -> str:
    return "new" if one_drive(root).manifest.trace else "old"


def fuelled(root: Path) -> str:
    return "new" if one_drive(root).manifest.fuel else "old"


def tagged(root: Path) -> str:
    return "new" if one_drive(root).manifest.tags else "old"


def with_a_car(root: Path) -> str:
    return "new" if one_drive(root).car == load(WREN, CarConfig) else "old"


def mended(root: Path) -> str:
    """Its drive.json was damaged: it is still, or the drive is whole and the damaged one is kept."""
    drives = drive.list_drives(root / "store", lambda left_out: None)
    if not drives:
        return "old"
    assert one_drive(root).table("raw").num_rows
    assert (drives[0].path / "drive.damaged.json").read_bytes() == DAMAGED
    return "new"


def begun(root: Path) -> str:
    """The car's file is there or not, and whole; what was answered is offered again."""
    path = root / "store" / "car.toml"
    assert not path.exists() or load(path, CarConfig).car.mass_kg == 392.0
    return "new" if path.exists() and (root / "store" / "targets.toml").exists() else "old"


def completed(root: Path) -> str:
    """Of what it asked for each is there whole or not at all; the note comes last."""
    manifest = one_drive(root).manifest
    assert manifest.weather in ({"wind_mps": 2.0}, {"temperature_c": 17.0, "pressure_hpa": 1009.0, "wind_mps": 2.0})
    return "new" if manifest.notes else "old"


def coasted(root: Path) -> str:
    """The car's file reads at every instant, and what it said before it says still."""
    before, now = load(WREN, CarConfig), load(root / "cars" / "wren.toml", CarConfig)
    assert now.model_copy(update={"road_load": None}) == before.model_copy(update={"road_load": None})
    return "new" if now.road_load != before.road_load else "old"


def page(root: Path) -> str:
    path = root / "store" / "out.html"
    if not path.exists():
        return "old"
    assert path.read_text(encoding="utf-8").rstrip().endswith("</html>")
    return "new"


def written(name: str) -> Callable[[Path], str]:
    """Whether a file for others is there, which must be whole: the same drive gives the same bytes."""

    def state(root: Path) -> str:
        path = root / "store" / name
        if not path.exists():
            return "old"
        assert path.read_bytes() == (root / name).read_bytes()
        return "new"

    return state


def told(root: Path) -> str:
    """What is kept of a drive is of that drive, or is as good as not there."""
    from analysis.changes.season import gather
    from analysis.store import DriveStore

    runs = [run.time_s.tolist() for run in gather(DriveStore(root / "store")).runs]
    (again,) = (path for path in (root / "store").iterdir() if path.name == ID)
    shutil.rmtree(root / "store" / ".analysis")
    assert runs == [run.time_s.tolist() for run in gather(DriveStore(again.parent)).runs]
    return "new"


def photographed(root: Path) -> str:
    """The manifest names no picture that is not there whole."""
    kept = one_drive(root).manifest.photos
    assert all(digest_of((root / "store" / ID / str(each.file)).read_bytes()) == each.digest for each in kept)
    return "new" if kept else "old"


def packed(root: Path) -> str:
    path = root / "store" / "out.zip"
    if not path.exists():
        return "old"
    with PackFile(path) as pack:
        pack.check()
        assert len(list(pack.drives())) == 1
    return "new"


def unpacked(root: Path) -> str:
    """Each drive of the pack is there whole, or not at all, and the own ones are as they were."""
    assert one_drive(root).car == CAR
    told: list[Any] = []
    drives = drive.list_drives(root / "store" / "cars" / "finch", told.append)
    assert not told and all(each.table("gps").num_rows and each.car == FINCH for each in drives)
    return "new" if len(drives) == 2 and (root / "store" / "cars" / "finch" / "car.toml").exists() else "old"


VERBS: dict[str, tuple[list[str], str, Callable[[Path], str]]] = {
    "setup": (["setup", "ROOT/new.toml"], "store", setup_in_force),
    "set": (["set", "snorkel=long", "--name", "new"], "store", setup_in_force),
    "begin": (["begin", "--only", "car"], "store", begun),
    "complete": (["complete", ID], "store", completed),
    "setup of a drive": (["setup", "ROOT/new.toml", "--drive", ID], "store", setup_of),
    "strike": (["strike", ID, "1", "--reason", "a gust"], "store", struck),
    "tag": (["tag", ID, "1", "passenger"], "store", tagged),
    "weather": (["weather", ID, "--temperature", "17C", "--pressure", "1009hPa"], "store", weathered),
    "rebuild": (["rebuild", ID], "store", rebuilt),
    "rebuild with a setup": (["rebuild", ID, "--setup", "ROOT/new.toml"], "store", setup_of),
    "rebuild with a car": (["rebuild", ID, "--car", str(WREN)], "store", with_a_car),
    "rebuild of a damaged one": (["rebuild", ID], "store", mended),
    "import": (
        ["import", "ROOT/drive.jsonl", "--config", "ROOT/store/recorder.toml", "--store", "ROOT/new"], "new", imported,
    ),
    "photo": (["photo", ID, "ROOT/plug.png", "--words", "tan"], "store", photographed),
    "pack": (["pack", "--out", "ROOT/store/out.zip"], "store", packed),
    "unpack": (["unpack", "ROOT/finch.zip"], "store", unpacked),
    "capture": (["capture", ID, "ROOT/store/out.jsonl"], "store", captured),
    "fuel": (["fuel", ID, "--used", "30ml"], "store", fuelled),
    "export": (["export", ID, "--ends", "0m", "--out", "ROOT/store/out.gpx"], "store", written("out.gpx")),
    "captions": (
        ["captions", ID, "--video-start", "+0", "--out", "ROOT/store"], "store", written(f"{ID}-captions.srt"),
    ),
    "captions over a video": ([*OVERLAY, "--out", "ROOT/store"], "store", written(f"{ID}-captions.mov")),
    "report": (["report", ID, "--out", "ROOT/store/out.html"], "store", page),
    "coast": (["coast", ID, "--save", "ROOT/cars/wren.toml", "--store", "ROOT/coasts"], "cars", coasted),
    "season": (["season"], "store", told),
    "recover": (["recover", "--store", "ROOT/cut-off"], "cut-off", recovered),
    "last": (["runs", "last", "--store", "ROOT/cut-off"], "cut-off", recovered),
}  # fmt: skip
TYPED = {"begin": "Wren\n392kg\n\n\n\n", "complete": "17C\n1009hPa\n\n\n\nhill\n"}
"""What is typed where a verb asks."""
ELSEWHERE = {
    "record": "tests/system/test_survival.py",
    "note": "test_a_note_is_left_whole_or_not_at_all",
    "demo": "test_a_demo_that_was_killed_is_made_again",
    "analyse": "tests/unit/analysis/fleet/test_fleet.py",
    "bundle": "tests/unit/analysis/cli/test_bundle.py",
    "desk": "tests/system/test_desk_kills.py; what it does to drives is what the verbs do",
}
READS: dict[str, list[str]] = {
    "ports": [], "status": [], "check": ["ROOT/store/recorder.toml"], "mixture": [ID], "jets": [ID], "power": [ID],
    "whatif": [ID, "--mass", "-20kg"], "setups": [], "compare": ["old", "new"], "effects": [], "plan": [], "drives": [],
}  # fmt: skip
"""Verbs that write nothing but what is kept beside the drives, which `season` is killed at."""
FILES_READ = {
    ("import", "config"), ("import", "setup"), ("import", "car"), ("rebuild", "config"), ("record", "config"),
    ("record", "setup"), ("check", "config"), ("mixture", "targets"), ("jets", "targets"), ("jets", "own"),
    ("report", "targets"), ("coast", "car"), ("power", "car"), ("whatif", "car"), ("captions", "clap"),
    ("demo", "folder"), ("bundle", "folder"),
}  # fmt: skip
"""Options that name a file, and are killed nowhere: it is only read. `demo` has a test of its own."""
WRITES_ONCE = ("capture", "captions", "export", "report", "pack")
"""Verbs that write no file twice unless they are forced to."""
SHORT = {
    "coast": 2,
    "setup": 2,
    "strike": 7,
    "rebuild with a setup": 11,
    "import": 11,
    "export": 7,
    "unpack": 11,
    "recover": 7,
    "last": 7,
}
"""Verb -> every so many operations, in the ordinary suite; the others change a drive as `strike` does, or a file as
`export` does."""


@pytest.mark.parametrize(
    ("verb", "step"), [*SHORT.items(), *(pytest.param(verb, 1, marks=pytest.mark.long) for verb in VERBS)]
)
def test_killed_at_any_operation_the_old_or_the_new_is_there(good: Path, tmp_path: Path, verb: str, step: int) -> None:
    arguments, watched, state = VERBS[verb]
    if "--store" not in arguments:
        arguments = [*arguments, "--store", "ROOT/store"]
    seen, at, again = [], 1, True
    shutil.copytree(good, tmp_path / "once")
    here = [argument.replace("ROOT", str(tmp_path / "once")) for argument in arguments]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "stdin", io.StringIO(TYPED.get(verb, "")))
        run_verb(
            tmp_path / "once" / "store", *here[: here.index("--store")], warned=True
        )  # so that no fork imports anew
    while again:
        root = tmp_path / str(at)
        shutil.copytree(good, root)
        if verb == "rebuild of a damaged one":
            (root / "store" / ID / "drive.json").write_bytes(DAMAGED)
        here = [argument.replace("ROOT", str(root)) for argument in arguments]
        again = killed(here, root / watched, at) if verb != "last" else _last(here, root / watched, at)
        seen.append(state(root))
        if seen[-1] == "old":  # and what was interrupted can be done again
            (killed if verb != "last" else _last)(
                [*here, "--force"] if here[0] in WRITES_ONCE else here,
                root / "nothing",
                0,
            )
            assert state(root) == "new"
        shutil.rmtree(root)
        at += step
    assert seen[-1] == "new"
    assert len(seen) > 2 or step > 1


def test_every_verb_and_every_file_that_it_is_given_is_killed_or_only_read() -> None:
    assert {*CALLBACKS} == {*(arguments[0] for arguments, _, _ in VERBS.values()), *ELSEWHERE, *READS}
    given = {
        (verb, name)
        for verb, callback in CALLBACKS.items()
        for name, kind in get_type_hints(callback).items()
        if Path in (kind, *get_args(kind)) and name != "store"
    }
    told = [" ".join(arguments) for arguments, _, _ in VERBS.values()]
    for verb, name in given - FILES_READ:
        assert any(line.startswith(f"{verb} ") and (f"--{name} " in line or name == "file") for line in told), (
            verb,
            name,
        )
    assert given >= FILES_READ


@pytest.mark.parametrize("verb", READS)
def test_what_only_reads_changes_no_file(good: Path, tmp_path: Path, verb: str) -> None:
    root = Path(shutil.copytree(good, tmp_path / "root"))
    before = {path: path.read_bytes() for path in root.rglob("*") if path.is_file()}
    run_verb(root / "store", verb, *(each.replace("ROOT", str(root)) for each in READS[verb]), warned=True)
    after = {path: path.read_bytes() for path in root.rglob("*") if path.is_file() and ".analysis" not in path.parts}
    assert after == {path: data for path, data in before.items() if ".analysis" not in path.parts}


def test_a_demo_that_was_killed_is_made_again(tmp_path: Path) -> None:
    """Killed while the first one is laid out, and while an earlier one is taken away."""
    from analysis.cli import demo

    folder = tmp_path / "demo"
    for at in (2, 4, 8, 12, 3, 5, 9, 13):
        assert killed_in(lambda: demo._make_room(folder), folder, at)
    demo._make_room(folder)
    assert load(folder / "wren.toml", CarConfig) and (folder / "this-is-a-demo").exists()


def _last(arguments: list[str], watched: Path, at: int) -> bool:
    """`runs last` of so short a drive has no answer, and finishes it all the same."""
    try:
        return killed(arguments, watched, at)
    except AssertionError as error:
        assert "exit 1" in str(error)
        return False


def test_a_note_is_left_whole_or_not_at_all(good: Path, tmp_path: Path) -> None:
    """Beside a recorder, played by a process that holds the lock."""
    from logger.store.presence import Lock

    for at in range(1, 12):
        root = tmp_path / str(at)
        shutil.copytree(good, root)
        with Lock(root / "store"):
            again = killed(["note", "hill", "--store", str(root / "store")], root / "store", at)
            assert noted(root) == "new" or again
        box = root / "store" / ".recorder" / "notes"
        for path in box.glob("*.json") if box.exists() else ():
            json.loads(path.read_text())
        if not again:
            break
    else:
        raise AssertionError("it was never whole")
