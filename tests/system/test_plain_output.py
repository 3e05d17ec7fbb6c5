"""What the verbs print over the Wren's season at 80 columns: the verdict first, no long line, no long paragraph."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from run_verb import run_verb

pytestmark = pytest.mark.timeout(1800)
"""Of a loaded machine: the season is worked out once, from raw bytes."""
FIRST = "2026-04-18_091430Z"
SWEEP = "2026-04-18_100500Z"
LOOP = "2026-05-02_101000Z"
COASTS = "2026-05-03_083000Z"
WITH_WHY = {
    "compare": ["compare", "baseline", "snorkel and needle"],
    "compare two left open": ["compare", "baseline", "needle only"],
    "effects": ["effects"],
    "plan": ["plan"],
    "season": ["season"],
    "runs": ["runs", FIRST],
    "all runs": ["runs", "--all"],
    "mixture": ["mixture", SWEEP],
    "mixture of two": ["mixture", FIRST, "last"],
    "jets": ["jets"],
    "fuel": ["fuel"],
    "one fuel loop": ["fuel", LOOP, "--used", "0.62L", "--sigma", "0.01L"],
    "coast": ["coast", COASTS],
    "power": ["power", "last", FIRST],
    "whatif": ["whatif", "--mass", "-20kg"],
}
OTHERS = {
    "drives": ["drives"],
    "setup": ["setup"],
    "setups": ["setups", "baseline", "needle only"],
    "weather": ["weather", FIRST],
    "status": ["status"],
    "strike": ["strike", FIRST, "2", "--reason", "a gust"],
    "tag": ["tag", FIRST, "4", "passenger"],
    "photo": ["photo", FIRST],
    "captions": ["captions", FIRST, "--video-start", "+0", "--out", "OUT", "--force"],
    "export": ["export", FIRST, "--out", "OUT/out.csv", "--force"],
    "report": ["report", FIRST, "--out", "OUT/drive.html", "--force"],
    "pack": ["pack", "--out", "OUT/pack.zip", "--force"],
    "set": ["set", "snorkel=short"],
}
VERDICTS = {
    "compare": r"Snorkel and needle is (faster|slower) than baseline\.\nIt (gains|loses) [\d.]+ s to \d+ mph",
    "compare two left open": r"Needle only against baseline, in the time to \d+ mph: no difference shown\.\n"
    r"The smallest change this could have shown: [\d.]+ s \(8 times in 10\)\.",
    "effects": r"(No effect on the time is shown\.|.*: [\d.]+ s (faster|slower) to \d+ mph \([\d.]+ to [\d.]+\)\.)",
    "plan": r"(Drive \d+ outings?: \d+ runs in all, about [\d.]+ h.*\.|No drive is needed\.)",
    "season": r"Best run: [\d.]+ s to \d+ mph, .*:\d+ with .*\.\nIt is (within|beyond) scatter",
    "runs": r"\d+ of \d+ runs counted\. Best: [\d.]+ ±[\d.]+ s to \d+ mph, run \d+\.",
    "all runs": r"Best: [\d.]+ ±[\d.]+ s to \d+ mph, .*:\d+ with .*\.",
    "mixture": r"(Lean|Rich): .*\.",
    "mixture of two": r"\d+ cells leaner, \d+ richer, \d+ with no change seen\.",
    "jets": r"(Try|Full throttle|None) .*\.\nFull throttle with the",
    "fuel": r"baseline: [\d.]+ mpg US \([\d.]+ to [\d.]+\)\.",
    "one fuel loop": r"[\d.]+ mpg US \([\d.]+ to [\d.]+\), [\d.]+ L/100 km\.",
    "coast": r"Rolling coefficient [\d.]+ ±[\d.]+, drag area [\d.]+ m2 ±[\d.]+ \(95 %\)\.",
    "power": r"Most power: [\d.]+ kW \([\d.]+ hp\) at [\d.]+ mph\.\nAt the wheels, [\d.]+ to [\d.]+ kW",
    "whatif": r"Predicted: [\d.]+ s ±[\d.]+ (quicker|slower) to \d+ mph\.\nA prediction, not a measurement\.",
}
CAUTIONS = {
    "jets": "Lean mixture burns pistons and valves",
    "coast": "Coast only where it is lawful",
    "one fuel loop": "away from flame and spark",
    "plan": "Use a quiet, level, straight stretch where this is lawful",
}


@pytest.fixture(scope="module")
def season(demo_folder: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The store that `pullbook demo` makes; what the demo said is beside it."""
    folder = tmp_path_factory.mktemp("season")
    shutil.copy(demo_folder / "demo.txt", folder)
    return shutil.copytree(demo_folder / "demo-store", folder / "wren")


def paragraphs(text: str) -> list[list[str]]:
    """Runs of lines that are prose: a line that starts a bullet, a table or a command begins anew.

    Rich breaks a line where the next word would not fit; a line with room for it ended there.
    """
    found: list[list[str]] = [[]]
    in_table = False
    for line in text.splitlines():
        in_table = "───" in line or (in_table and bool(re.search(r"\S {2,}\S|^ {6,}\S", line)))
        words = line.split()
        before = found[-1][-1] if found[-1] else ""
        full = len(before.rstrip()) + 1 + len(words[0] if words else "") > 80
        if not words or in_table or not full or line.startswith((" ", "- ")):
            found.append([])
        if words and not in_table:
            found[-1].append(line)
    return [each for each in found if each]


SLOW = "all runs"  # 25 s; `season` has the same runs


@pytest.mark.parametrize(
    "name", [pytest.param(each, marks=pytest.mark.long) if each == SLOW else each for each in WITH_WHY]
)
def test_a_verdict_comes_first_and_no_paragraph_is_long(season: Path, name: str) -> None:
    plain, why = (run_verb(season, *WITH_WHY[name], *more) for more in ((), ("--why",)))
    for said in (plain, why):
        assert said.code in (0, 1), said.err
        held(said.out)
        assert CAUTIONS.get(name, "") in said.flat
        assert re.match(VERDICTS[name], said.out), said.out[:300]
    if name != "all runs":
        assert "--why" in plain.out and "--why" not in why.out
        assert len(why.out) > len(plain.out)


@pytest.mark.parametrize("name", OTHERS)
def test_other_verbs_keep_their_paragraphs_short(season: Path, name: str, tmp_path: Path) -> None:
    said = run_verb(season, *(each.replace("OUT", str(tmp_path)) for each in OTHERS[name]), warned=True)
    assert said.code in (0, 1), said.err
    held(said.out)


def held(text: str) -> None:
    """No line over 80 columns but a command to copy, no paragraph over four lines."""
    long = [line for line in text.splitlines() if len(line) > 80 and not line.startswith(("  pullbook ", "  ffmpeg "))]
    assert not long, long
    thick = [each for each in paragraphs(text) if len(each) > 4]
    assert not thick, "\n".join("\n".join(each) for each in thick)


def test_the_measure_finds_a_long_paragraph() -> None:
    line = "word " * 15 + "words"
    assert [len(each) for each in paragraphs(f"{line}\n" * 5)] == [5]
    assert [len(each) for each in paragraphs(f"{line}\n\n" + f"- {line[:-2]}\n" * 5)] == [1, 1, 1, 1, 1, 1]
    with pytest.raises(AssertionError):
        held(f"{line}\n" * 5)
