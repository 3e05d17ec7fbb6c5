"""Every verb of the program over a store in which one drive is bad: it is named or answered, and the rest goes on.

The verbs are those that the command has: one that is added must be added to `VERBS`, or to `ELSEWHERE` with where it is
held to the same.
"""

from __future__ import annotations

import re
import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
import simulate
from a_pack import a_friends_pack
from all_verbs import CALLBACKS
from bad_drives import BAD
from bad_drives import plant as plant_bad
from made_drives import BASELINE, RIG, START, make_drive
from made_season import BOTH
from odd_drives import ODD
from odd_drives import plant as plant_odd
from PIL import Image
from run_verb import Said, run_verb

from analysis.road import fuel_used
from logger.store import capture
from logger.store.drive import Drive

FORMS = ("csv", "parquet", "gpx", "geojson")
LAST = "2026-05-23_091430Z"
VERBS: dict[str, list[list[str]]] = {
    "rebuild": [["rebuild", LAST]],
    "recover": [["recover"]],
    "capture": [["capture", "last", "ROOT/out.jsonl", "--force"]],
    "status": [["status"]],
    "check": [["check", "ROOT/rig.toml"]],
    "runs": [["runs", "last"], ["runs", "--all"]],
    "strike": [["strike", LAST, "1", "--reason", "a gust"], ["strike", LAST, "1", "--reason", "none", "--undo"]],
    "tag": [["tag", LAST, "1", "passenger"], ["tag", LAST, "1", "passenger", "--undo"]],
    "mixture": [["mixture", LAST], ["mixture", LAST, "2026-05-02_091430Z"]],
    "jets": [["jets", LAST]],
    "fuel": [["fuel"], ["fuel", LAST, "--used", "30ml"]],
    "coast": [["coast", LAST]],
    "power": [["power", LAST]],
    "whatif": [["whatif", "--mass", "-20kg", LAST]],
    "setup": [["setup"], ["setup", "ROOT/setup.toml"]],
    "set": [["set", "snorkel=medium"]],
    "setups": [["setups"], ["setups", "baseline", "snorkel and jet"]],
    "weather": [["weather", LAST], ["weather", LAST, "--temperature", "17C", "--pressure", "1009hPa"]],
    "compare": [["compare", "baseline", "snorkel and jet"]],
    "effects": [["effects"]],
    "plan": [["plan"]],
    "drives": [["drives"]],
    "season": [["season"]],
    "captions": [["captions", LAST, "--video-start", "+0", "--notes", "--force", "--out", "ROOT"]],
    "export": [["export", LAST, "--force", "--ends", "0m", "--out", f"ROOT/out.{form}"] for form in FORMS],
    "report": [["report", "--season", "--force", "--out", "ROOT/season.html"],
               ["report", LAST, "--force", "--out", "ROOT/drive.html"],
               ["report", "baseline", "snorkel and jet", "--force", "--out", "ROOT/two.html"]],
    "photo": [["photo", LAST, "ROOT/plug.png", "--run", "1", "--words", "tan"], ["photo", LAST]],
    "pack": [["pack", "--force", "--out", "ROOT/out.zip"], ["pack", "--whole", "--force", "--out", "ROOT/out.zip"]],
    "unpack": [["unpack", "ROOT/finch.zip"]],
    "import": [["import", "ROOT/drive.jsonl", "--config", "ROOT/rig.toml"]],
}  # fmt: skip
ELSEWHERE = {
    "record": "tests/system/test_record.py, and tests/unit/logger/record/test_endless.py",
    "ports": "looks at no store",
    "complete": "tests/unit/analysis/cli/test_complete.py, with a bad drive among the good ones",
    "begin": "tests/unit/logger/cli/test_begin.py: looks at no drive",
    "note": "tests/system/test_kills.py, and tests/unit/logger/cli/test_corpus.py",
    "demo": "makes a store of its own",
    "analyse": "tests/unit/analysis/fleet/test_fleet.py",
    "bundle": "tests/unit/analysis/cli/test_bundle.py: looks at no drive",
    "desk": "its pages ask as the verbs do: tests/unit/analysis/desk",
}
OF_A_DRIVE: dict[str, list[list[str]]] = {
    "runs": [["runs", "DRIVE"]],
    "mixture": [["mixture", "DRIVE"], ["mixture", LAST, "DRIVE"]],
    "jets": [["jets", "DRIVE"]],
    "fuel": [["fuel", "DRIVE"], ["fuel", "DRIVE", "--used", "30ml"]],
    "coast": [["coast", "DRIVE"]],
    "power": [["power", "DRIVE"]],
    "whatif": [["whatif", "--mass", "-20kg", "DRIVE"]],
    "weather": [["weather", "DRIVE"]],
    "setup": [["setup", "--drive", "DRIVE"]],
    "strike": [["strike", "DRIVE", "1", "--reason", "a gust"]],
    "tag": [["tag", "DRIVE", "1", "passenger"]],
    "captions": [["captions", "DRIVE", "--video-start", "+0", "--notes", "--force", "--out", "ROOT"]],
    "export": VERBS["export"] and [[*each[:1], "DRIVE", *each[2:]] for each in VERBS["export"]],
    "report": [["report", "DRIVE", "--force", "--out", "ROOT/drive.html"]],
    "capture": [["capture", "DRIVE", "ROOT/out.jsonl", "--force"]],
    "rebuild": [["rebuild", "DRIVE"]],
    "photo": [["photo", "DRIVE", "ROOT/plug.png"], ["photo", "DRIVE"]],
    "pack": [["pack", "DRIVE", "--force", "--out", "ROOT/out.zip"],
             ["pack", "DRIVE", "--whole", "--force", "--out", "ROOT/out.zip"]],
}  # fmt: skip
KINDS = [*(f"bad {kind}" for kind in BAD), *(f"odd {kind}" for kind in ODD)]


def test_every_verb_is_held_to_this() -> None:
    assert {*CALLBACKS} == {*VERBS, *ELSEWHERE}


def plant(kind: str, store: Path, good: Path) -> Path:
    which, name = kind.split(" ", 1)
    return (plant_bad if which == "bad" else plant_odd)(name, store, good)


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small season, and the files that verbs are given."""
    root = tmp_path_factory.mktemp("every")
    script = [simulate.Stand(4), simulate.Pull(16.0, launch="slip"), simulate.Lift(9.0), simulate.Brake(0)]
    script += [simulate.Stand(5), simulate.Turn(), *script[1:], simulate.Stand(4)]
    made: list[Drive] = []
    for week, setup in enumerate((BASELINE, BASELINE, BOTH, BOTH, BASELINE)):
        drive, _ = make_drive(
            root / "store", script if week < 4 else script[:6], seed=week, setup=setup,
            start=START + timedelta(days=7 * week),
            weather={"temperature_c": 17.0 + week, "pressure_hpa": 1009.0, "wind_mps": 1.0},
            force_scale=1.0 + 0.05 * (setup is BOTH), notes=[(3.0, "hill")],
        )  # fmt: skip
        made.append(drive)
    made[4].amend("fuel", fuel=fuel_used.to_kept(fuel_used.used_by_volume(2e-5, 1e-7, 288.7)))
    capture.write(root / "drive.jsonl", made[0].table("raw").slice(0, 60))
    (root / "drive.jsonl").chmod(0o600)
    (root / "rig.toml").write_text(RIG)
    (root / "setup.toml").write_text('name = "new"\n[parts]\nsnorkel = "long"\n')
    a_friends_pack(root)
    Image.new("RGB", (40, 30), "tan").save(root / "plug.png")
    run_verb(root / "store", "season")  # what is kept of the good ones is kept once
    return root


def said_by(root: Path, arguments: list[str], drive: str = "") -> Said:
    here = [argument.replace("ROOT", str(root)).replace("DRIVE", drive) for argument in arguments]
    said = run_verb(root / "store", *here, warned=True)
    for text in (said.out, said.err):
        assert all(line.isprintable() for line in text.splitlines()), (here, text)
        assert not re.search(r"\b[A-Z]\w*(Error|Exception|Warning): ", text), (
            here,
            text,
        )  # one of ours has words of its own
    return said


def long_but(short: list[str], kinds: list[str]) -> list[Any]:
    return [pytest.param(kind, id=kind, marks=() if kind in short else pytest.mark.long) for kind in kinds]


SHORT = ["bad manifest cut", "bad table without a column or digest", "odd readings two at a time"]
SHORT += ["bad journal that means nothing", "odd driven for centuries"]


@pytest.mark.parametrize(
    "kinds",
    [
        pytest.param(SHORT, id="a few at once"),
        pytest.param(KINDS, id="all at once", marks=pytest.mark.long),
        *(pytest.param([kind], id=kind, marks=pytest.mark.long) for kind in KINDS),
    ],
)
def test_the_good_ones_are_answered_beside_it(
    good: Path, tmp_path: Path, kinds: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    root = Path(shutil.copytree(good, tmp_path / "root"))
    for kind in kinds:
        plant(kind, root / "store", next((good / "store").glob("2026-05-02*")))
    every = ["runs", "--all", "--json"]
    assert set(named(said_by(root, every))) >= set(named(said_by(good, every)))
    counts, alone = counted(said_by(root, ["season", "--json"])), counted(said_by(good, ["season", "--json"]))
    assert all(have >= had for setup in alone for have, had in zip(counts[setup], alone[setup], strict=True)), counts
    for verb, each in VERBS.items():
        for arguments in each:
            said = said_by(root, arguments)
            assert said.code in ((0, 1) if verb in MAY_BE_NONE else (0,)), (arguments, said)

    told = [path for path in (root / "store").rglob("*") if not re.search(r"/(bad|odd)-", str(path))]
    told += [path for path in root.iterdir() if path.name.startswith(("out.", "season.", "drive."))]
    assert [path for path in told if path.stat().st_mode & 0o077] == []  # what tells where they drove is the owner's


MAY_BE_NONE = {"status", "coast", "compare"}
"""Nobody records there, nobody coasted, and two setups of so few runs may not be told apart."""


def named(said: Said) -> list[str]:
    """The good drives that an answer names."""
    return re.findall(r"2026-05-\d\d_091430Z", said.out)


def counted(season: Said) -> dict[str, tuple[int, int, int]]:
    """Drives, outings and runs by setup."""
    return {each["setup"]: (each["drives"], each["outings"], each["runs"]) for each in season.json["setups"]}


@pytest.mark.parametrize("kind", long_but(["odd setup of names"], KINDS))
def test_each_verb_on_the_bad_drive_itself_answers_or_says_why_not(
    good: Path, tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    root = Path(shutil.copytree(good, tmp_path / "root"))
    bad = plant(kind, root / "store", next((good / "store").glob("2026-05-02*")))
    for arguments in (each for verb in OF_A_DRIVE.values() for each in verb):
        said_by(root, arguments, bad.name)
