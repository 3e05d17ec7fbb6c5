"""The report: its figures are the command line's."""

from __future__ import annotations

import json

import pytest
from made_drives import RIG, make_drive
from page_reader import DAY, HOSTILE, Reader
from simulate import Brake, Cruise, Pull, Stand
from typer.testing import CliRunner

from analysis import wording
from analysis.cli import main
from analysis.drive import AnalysedDrive
from analysis.report import plots
from analysis.report.drive_page import drive_page, reference_run
from analysis.report.page import render
from logger.errors import InputError, NoAnswer

GPS_ONLY = RIG.partition('[[source]]\nname = "mixture"')[0]

# --- the figures are the command line's ---------------------------------------------------------------------------


def answer_of(*arguments: str) -> dict:
    done = CliRunner().invoke(main.app, [*arguments, "--json"])
    assert done.exit_code == 0, done.exception
    return json.loads(done.stdout)


def test_every_split_is_that_of_runs(told, html, store):
    answer = answer_of("runs", told.id, "--store", str(store))
    rows = Reader(html).rows
    assert len(answer["runs"]) == 4
    for run in answer["runs"]:
        mine = [row for row in rows if row[0].rstrip("*") == str(run["n"])]
        for split in run["splits"]:
            for value, sigma in (("time_s", "sigma_s"), ("from_one_foot_s", "from_one_foot_sigma_s")):
                assert any(wording.with_sigma(split[value], split[sigma]) in row for row in mine), (run["n"], split)
        assert any(f"{run['distance_m']:.0f} m" in row for row in mine)


def test_every_cell_of_the_mixture_map_is_that_of_mixture(told, html, store):
    answer = answer_of("mixture", told.id, "--store", str(store))
    text = Reader(html).text
    assert len(answer["cells"]) > 5
    for cell in answer["cells"]:
        if cell["judgement"] != "not enough data":
            said = f"AFR {wording.with_sigma(cell['median'], cell['sigma'])}, {cell['judgement']}"
            assert said in text
            assert f"{cell['seconds']:.0f} seconds" in text
    for summary in answer["summaries"]:
        if summary["judgement"] != "not enough data":
            assert f"{summary['median']:.2f}" in text


def test_the_verdict_names_the_best_run(told, page):
    counted = told.counted
    assert [run.n for run in counted] == [1, 2, 3]  # the fourth was given up
    best = min((s.from_one_foot_s, run.n) for run in counted for s in run.splits if abs(s.speed_mps - 17.8816) < 1e-3)
    assert page.verdict[0].startswith(f"One foot to 40 mph in {best[0]:.2f} ±")
    assert f"(run {best[1]}, the best of 3 runs)" in page.verdict[0]
    assert any("1 run not counted (run 4: " in line for line in page.caveats)


def test_the_reference_can_be_chosen(told):
    titles = {
        b.plot.y.label
        for s in drive_page(told, reference=reference_run(told, 2)).sections
        for b in s.blocks
        if b.kind == "figure"
    }
    assert "Seconds behind run 2" in titles
    with pytest.raises(InputError, match="no counted run 4: its counted runs are 1, 2, 3"):
        reference_run(told, 4)


def test_what_a_drive_lacks_is_said_and_not_drawn(tmp_path):
    drive, _ = make_drive(tmp_path, [Stand(5), Pull(6.0), Cruise(6.0, 20), Brake(0), Stand(5)], setup=None, car=None,
                          rig=GPS_ONLY)  # fmt: skip
    made = drive_page(AnalysedDrive(drive))
    assert [section.name for section in made.sections] == ["driven", "weather"]
    assert made.verdict[0].startswith("Nothing was asked of this drive")
    text = Reader(render(made, DAY)).text
    assert "No setup is recorded" in text and "Without temperature and pressure nothing can be corrected" in text


def test_one_run_is_enough(tmp_path):
    drive, _ = make_drive(tmp_path, [Stand(10), Pull(21.0), Brake(0), Stand(5)], rig=GPS_ONLY)
    made = drive_page(AnalysedDrive(drive))
    assert [section.name for section in made.sections] == ["driven", "runs", "traces", "weather"]
    assert "(run 1)" in made.verdict[0]
    assert not Reader(render(made, DAY)).problems


# --- two setups, a season -----------------------------------------------------------------------------------------


def test_every_figure_of_two_setups_is_that_of_compare(both, season_store):
    answer = answer_of("compare", "baseline", HOSTILE[0], "--store", str(season_store))
    page = both["setups"]
    read = Reader(render(page, DAY))
    assert answer["verdict"] == "faster"
    said = answer["sentence"]
    assert page.verdict[0].casefold() == f"{said}.".casefold()
    for split in answer["splits"]:
        row = next(row for row in read.rows if row[0] == split["speed"] and "/" in row[1])
        assert row[1] == f"{split['runs_a']}/{split['runs_b']}"
        assert row[2:5] == [f"{split['a_s']:.2f}", f"{split['b_s']:.2f}", f"{split['difference_s']:+.2f}"]
        assert row[5] == f"{split['low_s']:+.2f} to {split['high_s']:+.2f}"
        assert row[6] == f"{split['run_low_s']:+.2f} to {split['run_high_s']:+.2f}"
        assert row[8] == split["verdict"]
    for band in answer["trace"]:
        assert any(f"{band['difference_s']:+.2f}" in row for row in read.rows)
    assert any(f"{answer['mixture']['difference']:+.2f}" in row for row in read.rows)


def test_every_figure_of_a_season_is_that_of_season_effects_and_plan(both, season_store):
    read = Reader(render(both["season"], DAY))
    season = answer_of("season", "--store", str(season_store))
    for setup in season["setups"]:
        row = next(row for row in read.rows if row[0] == plots.shown(setup["setup"]) and len(row) == 8)
        assert row[1:5] == [
            str(setup["outings"]), str(setup["runs"]), f"{setup['best_s']:.2f}", f"{setup['typical_s']:.2f}",
        ]  # fmt: skip
    effects = answer_of("effects", "--store", str(season_store))
    for effect in effects["time"]:
        interval = effect["effects"][0]
        row = next(row for row in read.rows if row[0].startswith("snorkel short -> ") and len(row) == 5)
        assert row[2:4] == [f"{interval['difference']:+.2f}", f"{interval['low']:+.2f} to {interval['high']:+.2f}"]
    drives = answer_of("drives", "--store", str(season_store))
    for drive in drives["drives"]:
        row = next(row for row in read.rows if row[0] == drive["drive"] and len(row) == 7)
        assert row[3:6] == [str(drive["runs"]), f"{drive['best_s']:.2f}", f"{drive['typical_s']:.2f}"]
    plan = answer_of("plan", "--store", str(season_store))
    for step in plan["next"]:
        assert any(str(step["runs"]) in row and step["why"] in row for row in read.rows)


@pytest.mark.parametrize("name", ["setups", "season"])
def test_pages_that_compare_hold_what_the_others_hold(both, name):
    html = render(both[name], DAY)
    read = Reader(html)
    assert read.problems == [] and not read.of("img") and len(read.of("script")) == 1
    ids = [attrs["id"] for _, attrs in read.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    for text in (HOSTILE[0], HOSTILE[2]):
        assert plots.shown(text) in read.text
    assert "nan" not in read.text.lower().split() and "inf" not in read.text.lower().split()
    assert {"Verdict", "Weather", "Cautions", "The next outing"} <= set(read.headings)


# --- the verb -----------------------------------------------------------------------------------------------------


def test_the_verb_writes_a_page(told, store, tmp_path):
    run = CliRunner()
    target = tmp_path / "x.html"
    done = run.invoke(
        main.app, ["report", told.id, "--store", str(store), "--out", str(target), "--json"]
    )  # fmt: skip
    assert done.exit_code == 0, done.exception
    answer = json.loads(done.stdout)
    assert answer["bytes"] == target.stat().st_size and answer["verdict"][0].startswith("One foot to 40 mph")
    assert target.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")
    for arguments, said in (
        (["a", "b", "c", "d"], "one drive or of two setups"),
        (["nowhere"], "no such drive"),
        ([told.id, "--reference", "9"], "no counted run 9"),
        ([told.id, "--units", "knots"], "--units"),
        ([told.id, "--season"], "--season"),
    ):
        done = run.invoke(main.app, ["report", *arguments, "--store", str(store), "--out", str(tmp_path / "y.html")])
        assert isinstance(done.exception, InputError | NoAnswer) or said in str(done.exception)
        assert said in str(done.exception)
    assert not (tmp_path / "y.html").exists()
