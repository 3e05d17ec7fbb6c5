"""Runs with a head thermometer, a tachometer and a voltmeter beside: what stands by each run, and which were cold."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import simulate
from made_drives import CAR, RIG, make_drive
from run_verb import run_verb

from logger.store import capture

ENGINE = """
[[source]]
name = "engine"
kind = "numbers"
  [[source.column]]
  channel = "cht"
  quantity = "head_temperature"
  unit = "degF"
  [[source.column]]
  channel = "rpm"
  [[source.column]]
  channel = "volts"
  quantity = "battery"
  unit = "mV"
"""
SCRIPT = [simulate.Stand(4), *[simulate.Pull(16.0, launch="slip"), simulate.Lift(9.0), simulate.Brake(0),
          simulate.Stand(5)] * 2]  # fmt: skip


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two runs; the head warms by 1 C a second from 20 C, the engine turns 100 a minute for each m/s over 1000."""
    root = tmp_path_factory.mktemp("channels")
    made, truth = make_drive(root / "plain", SCRIPT)
    capture.write(root / "plain.jsonl", made.table("raw"))
    first, *lines = (root / "plain.jsonl").read_text().splitlines()
    begun = json.loads(lines[0])["t"]
    for t in np.arange(0.0, truth.t_s[-1], 0.2):
        v = float(np.interp(t, truth.t_s, truth.v_mps))
        text = f"{(20 + t) * 1.8 + 32:.2f} {1000 + 100 * v:.0f} {12600 - 20 * v:.0f}\r\n"
        lines.append(json.dumps({"t": begun + t, "source": "engine", "text": text}))
    lines.sort(key=lambda line: json.loads(line)["t"])
    (root / "all.jsonl").write_text("\n".join([first, *lines]) + "\n")
    (root / "rig.toml").write_text('[recorder]\ncar = "car.toml"\n' + RIG.replace("[recorder]\n", "") + ENGINE)
    car = CAR.car
    (root / "car.toml").write_text(
        f'[car]\nname = "{car.name}"\nmass_kg = {car.mass_kg}\ncooling = "air"\n[limits]\nwarm_from = "45C"\n'
    )
    said = run_verb(root / "store", "import", str(root / "all.jsonl"), "--config", str(root / "rig.toml"))
    assert said.code == 0, said
    return root / "store"


def test_values_at_the_start_and_the_highest_stand_by_each_run(store: Path) -> None:
    runs = run_verb(store, "runs", "last", "--json").json["runs"]
    assert len(runs) == 2
    for run in runs:
        told = {each["name"]: each for each in run["channels"]}
        assert list(told) == ["head", "engine", "battery"]
        assert told["head"]["unit"] == "K"
        assert told["engine"]["at_start"] == pytest.approx(1000, abs=40)
        assert told["engine"]["highest"] == pytest.approx(1000 + 100 * run["peak_mps"], abs=60)
        assert told["battery"]["lowest"] == pytest.approx(12.6 - 0.02 * run["peak_mps"], abs=0.03)
    apart = np.diff([np.datetime64(run["start_utc"].removesuffix("Z").split("+")[0]) for run in runs])[0]
    starts = [next(c["at_start"] for c in run["channels"] if c["name"] == "head") for run in runs]
    assert starts[0] == pytest.approx(273.15 + 24.0, abs=1.0)  # 1 C a second from 20 C; 0 C is 273.15 K
    assert starts[1] - starts[0] == pytest.approx(apart / np.timedelta64(1, "s"), abs=0.5)


def test_a_run_begun_cold_is_starred_and_not_counted(store: Path) -> None:
    first, second = run_verb(store, "runs", "last", "--json").json["runs"]
    assert (first["counted"], second["counted"]) == (False, True)
    assert first["cold"] == first["why_not"] == "started cold: head at 24 C, warm from 45 C"
    said = run_verb(store, "runs", "--why", "last")
    assert "not counted: started cold: head at 24 C, warm from 45 C" in said.flat
    rows = said.table("Other channels")
    assert [row["Run"] for row in rows] == ["1*", "2"]
    assert rows[0]["head, C"].startswith("24, ")


def test_the_report_shows_them_over_the_drive(store: Path, tmp_path: Path) -> None:
    page = tmp_path / "page.html"
    assert run_verb(store, "report", "last", "--out", str(page)).code == 0
    text = page.read_text()
    for words in ("Other channels", "Temperature over the drive", "Engine over the drive", "Battery over the drive"):
        assert words in text
