"""The sample season's morning on the perimeter road: the same verdict from half the standing starts."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from run_verb import run_verb

from analysis.changes.compare_power import compare_power
from analysis.changes.season import gather
from analysis.changes.season_pulls import SeasonPull
from analysis.store import DriveStore

ROOT = Path(__file__).parents[4]
SAMPLES = ROOT / "sample_logs"
TRUE = 1.030 * 1.008 - 1
"""What the sample's long snorkel and its needle do to the force at the wheels (make_season)."""


@pytest.fixture(scope="module")
def morning(tmp_path_factory: pytest.TempPathFactory) -> Path:
    store = tmp_path_factory.mktemp("morning")
    listed = tomllib.loads((SAMPLES / "season.toml").read_text(encoding="utf-8"))["drive"]
    for each in listed:
        if not each["file"].startswith("road-"):
            continue
        setup = ROOT / "configs" / "setups" / each["setup"]
        run_verb(store, "import", str(SAMPLES / each["file"]), "--config", str(ROOT / "configs" / "recorder.toml"),
                 "--car", str(ROOT / "configs" / "wren.toml"), "--setup", str(setup))  # fmt: skip
        drive = DriveStore(store).drive("last").id
        run_verb(store, "weather", drive, "--temperature", f"{each['temperature_c']}C", "--pressure",
                 f"{each['pressure_hpa']}hPa", "--humidity", f"{each['humidity_percent']}%")  # fmt: skip
    return store


@pytest.mark.long
def test_half_the_starts_and_ten_rolling_pulls_tell_what_all_starts_do(morning: Path) -> None:
    season = gather(DriveStore(morning))
    full = season.full_pulls
    assert len({each.outing for each in full}) == 1
    assert sum(each.rolling for each in full) >= 27  # of thirty; gentle ones are none of them
    found = {}
    for name, keep in (
        ("starts", lambda each: not each.rolling),
        ("all", lambda each: True),
        ("half", lambda each: each.rolling or each.pull.run % 2 == 1),
    ):
        some = [each for each in full if keep(each)]
        a, b = (_of(some, setup) for setup in ("baseline", "snorkel and needle"))
        found[name] = compare_power("baseline", a, "snorkel and needle", b, corrected=True, judge=False)
    for each in found.values():
        assert each.verdict == "more power" and each.overall.low < TRUE < each.overall.high
    width = {name: each.overall.high - each.overall.low for name, each in found.items()}
    assert width["half"] < width["starts"] and width["all"] <= width["half"]
    written = run_verb(morning, "compare", "baseline", "snorkel and needle", "--json").json["power"]
    assert written["verdict"] == "more power" and written["days"] == "cancelled"
    assert written["change"] == pytest.approx(found["all"].overall.change, abs=1e-9)


def _of(pulls: list[SeasonPull], setup: str) -> list[SeasonPull]:
    return [each for each in pulls if each.setup == setup]
