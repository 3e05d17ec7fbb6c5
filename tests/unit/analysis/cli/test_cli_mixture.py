"""`mixture` and `jets` as commands: what they print and write."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import simulate
from made_drives import make_drive, steps_script

from analysis.cli.main import app
from logger.errors import InputError


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two drives with pulls and cruises."""
    folder = tmp_path_factory.mktemp("store")
    for seed in (1, 2):
        start = simulate.datetime(2026, 5, seed, 9, 0, tzinfo=simulate.UTC)
        make_drive(folder, steps_script(np.random.default_rng(seed)), seed=seed, start=start)
    return folder


def run(*arguments: str) -> None:
    app(list(arguments), standalone_mode=False)


def test_json_has_the_fields_others_rely_on(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run("mixture", "last", "--store", str(store), "--json")
    answer = json.loads(capsys.readouterr().out)
    assert set(answer) >= {"drive", "channel", "delay_s", "delay_from", "load", "bands", "cells"}
    assert set(answer["load"]) >= {"name", "unit"}
    assert set(answer["bands"][0]) >= {"from_mps", "to_mps", "seconds", "readings", "median", "p10", "p90"}
    assert set(answer["cells"][0]) >= {
        "from_mps", "to_mps", "load_from", "load_to", "seconds", "readings", "median", "sigma", "target", "judgement",
    }  # fmt: skip
    assert answer["delay_from"] == "this drive"
    assert answer["delay_s"] == pytest.approx(0.4, abs=0.08)


def test_text_keeps_to_80_columns(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for load_by in ("share", "acceleration"):
        run("mixture", "last", "--why", "--store", str(store), "--load", load_by)
        text = capsys.readouterr().out
        assert all(len(line) <= 80 for line in text.splitlines())
        for word in ("Delay", "Used", "full throttle", "not enough data", "cruise", "town", "idle"):
            assert word in text


def test_csv_has_a_row_a_cell(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run("mixture", "last", "--store", str(store), "--json")
    cells = json.loads(capsys.readouterr().out)["cells"]
    run("mixture", "last", "--store", str(store), "--csv")
    rows = capsys.readouterr().out.splitlines()
    assert len(rows) == len(cells) + 1
    assert rows[0].startswith("from_mps,to_mps,load_from,load_to,seconds,readings,median")


def test_two_drives_give_the_change(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ids = sorted(p.name for p in store.iterdir() if (p / "drive.json").exists())
    run("mixture", *ids, "--store", str(store), "--json")
    answer = json.loads(capsys.readouterr().out)
    assert [answer["a"], answer["b"]] == ids
    assert answer["cells"]
    told = [c for c in answer["cells"] if c["verdict"] != "not enough data"]
    assert told
    assert np.mean([c["verdict"] == "no change seen" for c in told]) >= 0.7


def test_fuels_own_scale(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    medians = []
    for more in ([], ["--fuel", "E85"], ["--channel", "lambda"]):
        run("mixture", "last", "--store", str(store), "--json", *more)
        answer = json.loads(capsys.readouterr().out)
        medians.append(
            (answer["bands"][2]["median"] / answer["value_at_lambda_1"], [c["judgement"] for c in answer["cells"]])
        )
    for median, judged in medians[1:]:
        assert median == pytest.approx(medians[0][0], abs=2e-3)
        assert judged == medians[0][1]


def test_jets_advise(store: Path, capsys: pytest.CaptureFixture[str]) -> None:
    run("jets", "last", "--store", str(store), "--json")
    answer = json.loads(capsys.readouterr().out)
    assert answer["now"]["diameter_mm"] == pytest.approx(1.09)
    assert answer["now"]["value"] == pytest.approx(12.1 * (1.10 / 1.09) ** 2, abs=0.3)
    assert answer["response"]["source"] == "area rule"
    assert answer["caution"]
    run("jets", "last", "--store", str(store), "--temperature", "35C", "--pressure", "950hPa")
    text = capsys.readouterr().out
    assert all(len(line) <= 80 for line in text.splitlines())
    assert "Caution" in text


@pytest.mark.parametrize(
    "arguments",
    [
        ["--load", "boost"],
        ["--channel", "phi"],
        ["--units", "knots"],
        ["--band", "5"],
        ["--fuel", "tar"],
        ["--targets", "no.toml"],
    ],
)
def test_what_is_wrong_is_said_in_one_line(store: Path, arguments: list[str]) -> None:
    with pytest.raises(InputError) as said:
        run("mixture", "last", "--store", str(store), *arguments)
    assert "\n" not in str(said.value)
