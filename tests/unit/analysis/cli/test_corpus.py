"""Every verb that answers on spoilt files and words: an answer, or one line and exit 1 or 2; never a traceback.

One mutation a verb here, two thousand a verb under the marker `long`. The same seed gives the same mutation.
"""

from __future__ import annotations

import functools
import os
import random
import re
import resource
import shutil
from datetime import timedelta
from pathlib import Path
from typing import Any, get_args, get_type_hints

import pytest
import simulate
from a_pack import a_friends_pack
from all_verbs import CALLBACKS
from made_drives import BASELINE, RIG, START, make_drive
from made_season import BOTH
from mutations import mutated, spoil
from PIL import Image
from run_verb import run_verb
from typer.models import OptionInfo

CONFIGS = Path(__file__).parents[4] / "configs"
FILES = ("recorder.toml", "wren.toml", "targets.toml", "jets.toml")
METAR = "EGXP 020850Z 24008KT 9999 FEW030 17/09 Q1012"
ONE, TWO = "2026-05-02_091430Z", "2026-05-09_091429Z"
VERBS: dict[str, list[list[str]]] = {
    "runs": [["runs", ONE], ["runs", "--all"], ["runs", ONE, "--to", "WORD"], ["runs", ONE, "--at", "WORD"]],
    "mixture": [["mixture", ONE], ["mixture", ONE, TWO], ["mixture", ONE, "--load", "WORD"]],
    "jets": [["jets", ONE], ["jets", ONE, "--fuel", "WORD"]],
    "fuel": [["fuel"], ["fuel", ONE], ["fuel", ONE, "--used", "WORD"]],
    "coast": [["coast", ONE], ["coast", ONE, "--car", "ROOT/wren.toml"]],
    "power": [["power", ONE], ["power", ONE, "--car", "ROOT/wren.toml"]],
    "whatif": [["whatif", ONE, "--mass", "-20kg"], ["whatif", ONE, "--drag", "WORD"]],
    "setup": [["setup"], ["setup", "ROOT/setup.toml"], ["setup", "ROOT/setup.toml", "--drive", ONE]],
    "set": [["set", "snorkel=WORD"], ["set", "main_jet_mm=1.06"], ["set", "WORD"], ["set", "snorkel=WORD", "--anyway"]],
    "setups": [["setups"], ["setups", "baseline", "ROOT/setup.toml"]],
    "weather": [["weather", ONE], ["weather", ONE, "--metar", "METAR"], ["weather", ONE, "--temperature", "WORD"]],
    "compare": [["compare", "baseline", "snorkel and jet"], ["compare", ONE, TWO, "--to", "WORD"]],
    "effects": [["effects"]],
    "plan": [["plan"]],
    "drives": [["drives"]],
    "season": [["season"]],
    "strike": [["strike", ONE, "1", "--reason", "WORD"], ["strike", ONE, "WORD", "--reason", "x"]],
    "tag": [["tag", ONE, "1", "WORD"], ["tag", ONE, "WORD", "passenger"]],
    "captions": [["captions", ONE, "--video-start", "WORD", "--out", "ROOT"],
                 ["captions", ONE, "--video-start", "+0", "--notes", "--out", "ROOT"]],
    "export": [["export", ONE, "--out", "ROOT/x.csv"], ["export", ONE, "--ends", "0m", "--out", "ROOT/x.gpx"]],
    "photo": [["photo", ONE, "ROOT/plug.png", "--words", "WORD"], ["photo", ONE], ["photo", ONE, "--words", "WORD"]],
    "pack": [["pack", "--out", "ROOT/x.zip"], ["pack", "--whole", "--out", "ROOT/x.zip"]],
    "unpack": [["unpack", "ROOT/finch.zip"], ["unpack", "ROOT/finch.zip", "--as", "WORD"]],
    "report": [["report", ONE, "--out", "ROOT/x.html"], ["report", "--season", "--out", "ROOT/x.html"]],
}  # fmt: skip
ELSEWHERE = {
    "import", "rebuild", "recover", "capture", "check", "status", "note",  # tests/unit/logger/cli/test_corpus.py
    "record", "ports", "demo",  # these read none of the owner's files but those of `check`
    "begin", "complete",  # tests/unit/logger/cli/test_begin.py and test_complete.py: they ask
    "bundle",  # reads none of the owner's files
    "desk",  # tests/unit/analysis/desk/test_fuzz.py
    "analyse",  # tests/unit/analysis/fleet: it opens drives as they are, in processes of their own
}  # fmt: skip
STARTS = (
    b"30mph", b"+0:03.2", b"100m", b"0.84gal", b"2026-05-02T09:14:35Z", b"2026-05-02", b"-5%", b"1", b"E10", b"17C",
    b"1009hPa", b"12.5", b"passenger", b"snorkel=long", b"run 1", b"0.3%", b"52.0,-0.5,2km", b"5mph", b"none",
)  # fmt: skip
BLOCK = 100
SEEDS = [
    *(pytest.param(verb, range(1), id=f"{verb}-short") for verb in VERBS),
    *(
        pytest.param(verb, range(BLOCK * n, BLOCK * (n + 1)), id=f"{verb}-long{n}", marks=pytest.mark.long)
        for n in range(1, 1 + 2000 // BLOCK)
        for verb in VERBS
    ),
]


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("good")
    script = [simulate.Stand(3), simulate.Pull(11.0), simulate.Lift(8.0, 3), simulate.Brake(0), simulate.Stand(2)]
    for week, setup in enumerate((BASELINE, BOTH)):
        made, _ = make_drive(
            root / "store", script, seed=week, setup=setup, start=START + timedelta(days=7 * week),
            weather={"temperature_c": 17.0, "pressure_hpa": 1009.0, "wind_mps": 1.0}, notes=[(3.0, "hill")],
        )  # fmt: skip
        assert made.id == (ONE, TWO)[week]
    for name in FILES:
        shutil.copy(CONFIGS / name, root / name)
    for name in ("targets.toml", "jets.toml"):
        shutil.copy(CONFIGS / name, root / "store" / name)
    (root / "store" / "recorder.toml").write_text(RIG)
    shutil.copy(CONFIGS / "setups" / "baseline.toml", root / "setup.toml")
    a_friends_pack(root)
    Image.new("RGB", (40, 30), "tan").save(root / "plug.png")
    run_verb(root / "store", "season")
    return root


@pytest.mark.parametrize(("verb", "seeds"), SEEDS)
def test_an_answer_or_one_line(
    good: Path, tmp_path: Path, verb: str, seeds: range, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    for seed in seeds:
        root = Path(shutil.copytree(good, tmp_path / str(seed)))
        rng = random.Random(f"{verb} {seed}")
        for _ in range(rng.randint(1, 2)):
            _spoil_one(root, rng)
        arguments = [_filled(word, root, rng) for word in (*rng.choice(VERBS[verb]), *_option(verb, rng))]
        try:
            said = run_verb(root / "store", *arguments, *_json(verb, rng), warned=True)
        except Exception as error:
            raise AssertionError(f"seed {seed}: {arguments}") from error
        said_all = said.out + said.err
        assert said.code in (0, 1, 2), (seed, arguments, said)
        assert said.code == 0 or said_all.strip(), (seed, arguments, said)
        assert all(line.isprintable() for line in said_all.splitlines()), (seed, arguments, said)
        assert not re.search(r"\b[A-Z]\w*(Error|Exception|Warning): ", said_all), (seed, arguments, said)
        shutil.rmtree(root)
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss < 2_500_000  # kB: no mutation may ask for the machine


def _spoil_one(root: Path, rng: random.Random) -> None:
    """One file that the verbs read, or nothing."""
    drive = root / "store" / rng.choice([ONE, ONE, TWO])
    where = rng.choice(["drive", "drive", "store", "files", "kept", "nothing"])
    if where == "drive":
        spoil(drive, rng)
    elif where == "store":
        spoil(root / "store" / rng.choice(["targets.toml", "jets.toml", "recorder.toml"]), rng)
    elif where == "files":
        spoil(root / rng.choice([*FILES, "setup.toml", "finch.zip", "plug.png"]), rng)
    elif where == "kept":
        spoil(root / "store" / ".analysis" / drive.name, rng)


def _filled(word: str, root: Path, rng: random.Random) -> str:
    """The argument with its places filled; a mutated word is what a shell can pass."""
    if word == "WORD":
        start = rng.choice(STARTS)
        word = os.fsdecode(mutated(start, rng) if rng.random() < 0.8 else start).replace("\0", "")[:2000]
    elif word == "METAR":
        word = os.fsdecode(mutated(METAR.encode(), rng)).replace("\0", "")[:2000]
    elif word.endswith("=WORD"):
        return word.removesuffix("WORD") + _filled("WORD", root, rng)
    return word.replace("ROOT", str(root))


def _option(verb: str, rng: random.Random) -> list[str]:
    """Any option of the verb's with a word behind it, or none."""
    known = _options(verb)
    return [rng.choice(known), "WORD"] if known and rng.random() < 0.4 else []


@functools.cache
def _options(verb: str) -> list[str]:
    """The verb's options that take a word, as the command has them."""
    found = []
    for name, hint in get_type_hints(CALLBACKS[verb], include_extras=True).items():
        told = next((each for each in getattr(hint, "__metadata__", ()) if isinstance(each, OptionInfo)), None)
        kinds = {*get_args(get_args(hint)[0]), get_args(hint)[0]} if told else set()
        if told and not kinds & {bool, Path}:
            words = [told.default, *(told.param_decls or ())]  # in an annotation the first word stands as the default
            spelt = f"--{name.replace('_', '-')}"
            found.append(next((str(word) for word in words if str(word).startswith("--")), spelt))
    return found


def test_every_verb_is_in_a_corpus() -> None:
    assert {*CALLBACKS} == {*VERBS, *ELSEWHERE}
    assert {"--from", "--since", "--near"} <= {*_options("runs")} and {"--mass", "--cruise"} <= {*_options("whatif")}


def _json(verb: str, rng: random.Random) -> list[Any]:
    return ["--json"] if verb not in ("strike", "tag") and rng.random() < 0.3 else []
