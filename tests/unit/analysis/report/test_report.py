"""The report: its figures are the command line's."""

from __future__ import annotations

import json
import re
import shutil

import numpy as np
import pytest
from made_drives import RIG, make_drive
from made_season import L_PER_100KM, MadeSeason, foot_time
from page_reader import DAY, HOSTILE, Reader
from run_verb import run_verb
from simulate import Brake, Cruise, Pull, Stand
from typer.testing import CliRunner

from analysis import kept, wording
from analysis.changes.season import SeasonRecord, gather
from analysis.cli import main
from analysis.drive import AnalysedDrive
from analysis.report import plots
from analysis.report.drive_page import drive_page, reference_run
from analysis.report.page import Page, render
from analysis.report.season_page import season_page
from analysis.report.setups_page import setups_page
from analysis.store import DriveStore
from logger.errors import InputError
from logger.units import MPS_PER_MPH

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


# --- figures held to the truth ------------------------------------------------------------------------------------


THIRTY = 30 * MPS_PER_MPH


@pytest.fixture(scope="module")
def true_season(made_season: MadeSeason) -> SeasonRecord:
    return gather(DriveStore(made_season.store))


@pytest.fixture(scope="module")
def true_pages(true_season: SeasonRecord) -> dict[str, Page]:
    setups = setups_page(true_season.setups[0].name, true_season.setups[1].name, true_season)
    return {"setups": setups, "season": season_page(true_season)}


def test_corrected_times_stand_under_corrected_and_driven_ones_under_as_driven(made_season, true_season, true_pages):
    """As driven the setups are nearly alike, for B's days had thin air; in standard air B gains what is true."""
    table = next(
        block for section in true_pages["setups"].sections for block in section.blocks
        if block.kind == "table" and block.caption.startswith("Time from one foot of movement")
    )  # fmt: skip
    assert table.caption == "Time from one foot of movement, corrected by SAE J1349"
    row = dict(zip(table.columns, next(row for row in table.rows if row[0] == "30 mph"), strict=True))
    truth = [made_season.standard_time(setup, THIRTY) for setup in (0, 1)]
    assert (float(row["A s"]), float(row["B s"])) == pytest.approx(truth, abs=0.08)
    assert float(row["B\u2212A"]) == pytest.approx(truth[1] - truth[0], abs=0.08)
    driven = [
        float(np.mean([pull.time_to(THIRTY) - foot_time(pull) for drive in ids for pull in made_season.truth[drive]]))
        for ids in (made_season.ids[:2], made_season.ids[2:4])
    ]
    assert truth[0] - truth[1] > 0.3 > abs(driven[0] - driven[1])  # so that one cannot pass for the other
    assert float(row["As driven"]) == pytest.approx(driven[1] - driven[0], abs=0.08)
    for letter, side in zip("AB", true_season.setups, strict=True):
        runs = [run for run in true_season.runs if run.drive in side.drives]
        mean = np.mean([run.time_to(np.array([THIRTY]), corrected=True)[0] for run in runs])
        assert row[f"{letter} s"] == f"{mean:.2f}"


def test_the_bands_along_the_run_add_up_to_the_corrected_times(true_pages, true_season):
    table = next(
        block.data for section in true_pages["setups"].sections for block in section.blocks
        if block.kind == "figure" and block.title == "Where along the run"
    )  # fmt: skip
    assert table.caption == "Time gained or lost along the run, corrected by SAE J1349"
    edges = 2.5 * np.arange(1, len(table.rows) + 2)
    runs = [run for run in true_season.runs if run.drive in true_season.setups[0].drives]
    spent = np.mean([np.diff(run.time_to(edges, corrected=True)) for run in runs], axis=0)
    assert [float(row[1]) for row in table.rows] == pytest.approx(spent.tolist(), abs=0.006)


def test_times_of_setups_and_drives_are_the_simulators(made_season, true_pages):
    """Best and typical, as driven, from one foot."""
    read = Reader(render(true_pages["season"], DAY))
    for drive in made_season.ids[:4]:
        true = sorted(pull.time_to(THIRTY) - foot_time(pull) for pull in made_season.truth[drive])
        row = next(row for row in read.rows if row[0] == drive and len(row) == 7)
        assert row[3] == str(len(true))
        assert [float(row[4]), float(row[5])] == pytest.approx([true[0], float(np.median(true))], abs=0.08)
    for number, name in enumerate(("baseline", "snorkel and jet")):
        row = next(row for row in read.rows if row[0] == name and len(row) == 8)
        assert float(row[6]) == pytest.approx(L_PER_100KM[number], rel=0.02)


def test_the_fuel_of_a_loop_is_that_of_fuel(made_season):
    store, loop = DriveStore(made_season.store), made_season.ids[4]
    page = drive_page(store.drive(loop))
    told = run_verb(made_season.store, "fuel", loop, "--json").json
    told = told["loops"][0] if "loops" in told else told
    assert told["l_per_100km"] == pytest.approx(L_PER_100KM[0], rel=0.02)
    consumption = (
        f"{told['mpg_us']:.1f} mpg (US), {told['l_per_100km']:.2f} L/100 km, \u00b1{told['sigma_percent']:.1f} %"
    )
    assert f"Fuel: {consumption}." in page.verdict
    assert ["consumption", consumption] in Reader(render(page, DAY)).rows


# --- one quantity, one definition ---------------------------------------------------------------------------------


def test_a_headline_names_its_speed(true_pages, page, both):
    assert re.match(r"One foot to 40 mph in ", page.verdict[0])
    assert page.verdict[1].startswith("The median of the runs to 40 mph is ")
    for made in (true_pages["setups"], both["setups"]):
        assert re.search(r" by \d\.\d\d s to \d\d mph, where it shows most \(", made.verdict[0])
    for line in true_pages["season"].verdict:
        assert "to 30 mph" in line or "always changed together" in line


def test_every_interval_of_the_difference_says_how_it_was_taken(both):
    """The headline's holds with all speeds together, the plan's by itself: the narrower one is no contradiction."""
    text = Reader(render(both["setups"], DAY)).text
    said = re.findall(r"is faster than .*?: by (\d\.\d\d) s (.*?\))", text)
    assert len({estimate for estimate, _ in said}) == 1
    assert {re.sub(r"\d\.\d\d to \d\.\d\d", "I", words) for _, words in said} == {
        "to 40 mph, where it shows most (I, all 4 speeds together)",
        "to 40 mph (I, this speed by itself)",
    }


@pytest.mark.parametrize("name", ["setups", "season"])
def test_the_same_page_twice_is_byte_for_byte_the_same(season_store, both, name):
    """Whether results were kept or are worked out anew."""
    html = render(both[name], DAY)
    for deleted in (False, True):
        if deleted:
            shutil.rmtree(season_store / kept.FOLDER)
        found = gather(DriveStore(season_store))
        again = setups_page("baseline", HOSTILE[0], found) if name == "setups" else season_page(found)
        assert render(again, DAY) == html
