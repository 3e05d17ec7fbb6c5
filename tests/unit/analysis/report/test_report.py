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
from analysis.answers.mixture import mixture_answer
from analysis.changes.season import SeasonRecord, gather
from analysis.cli import main
from analysis.drive import AnalysedDrive
from analysis.report import plots
from analysis.report.drive_page import drive_page, reference_run
from analysis.report.mixture_section import LIFTING_S, readings_along
from analysis.report.page import Page, render
from analysis.report.season_page import season_page
from analysis.report.setups_page import setups_page
from analysis.runs.run import time_zero
from analysis.store import DriveStore
from analysis.wording import sentence
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
        assert any(f"{run['distance_m'] / 0.3048:.0f} ft" in row for row in mine)  # 1 ft = 0.3048 m, exact


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


def test_a_cell_looks_like_what_it_is_judged(page, told, store):
    looks = {
        "lean of target": ("L", "lean"), "rich of target": ("R", "rich"), "in band": ("=", "in"),
        "not enough data": ("", "unknown"),
    }  # fmt: skip
    (found,) = [block for section in page.sections for block in section.blocks if block.kind == "map"]
    shown = [cell for _, row in found.rows for cell in row if cell is not None]
    cells = answer_of("mixture", told.id, "--store", str(store))["cells"]
    assert len(shown) == len(cells) and len({cell["judgement"] for cell in cells}) > 2
    cells.sort(key=lambda cell: (cell["from_mps"], cell["load_from"]))
    for mine, cell in zip(shown, cells, strict=True):
        mark, tint = looks[cell["judgement"]]
        sure = cell["sure"] or cell["judgement"] == "not enough data"
        assert (mine.mark, mine.tint) == (mark if sure else f"{mark}?", tint)


def test_readings_are_moved_back_by_their_delay(told, store):
    answer = answer_of("mixture", told.id, "--store", str(store))
    run = told.counted[0]
    x, y = readings_along(told, mixture_answer(told), run)
    readings = told.map.readings
    late = answer["delay_s"] + (answer["lag_s"] or 0.0)
    assert late > 0.2
    at = [
        k
        for k in np.flatnonzero(readings.value == y[0])
        if abs(readings.time_s[k] - late - time_zero(run) - x[0]) < 1e-9
    ]
    assert len(at) == 1
    assert -1.0 - run.one_foot_s <= x[0] < x[-1] <= run.end_s - LIFTING_S - time_zero(run)


def test_the_verdict_names_the_best_run(told, page):
    counted = told.counted
    assert [run.n for run in counted] == [1, 2, 3]  # the fourth was given up
    best = min((s.from_one_foot_s, run.n) for run in counted for s in run.splits if abs(s.speed_mps - 17.8816) < 1e-3)
    assert page.verdict[0].startswith(f"Best of 3 runs: 40 mph in {best[0]:.2f} ±")
    assert page.verdict[0].endswith(f" s (run {best[1]}).")
    assert any("1 run not counted (run 4: " in line for line in page.why)


def test_the_reference_can_be_chosen(told):
    titles = {
        b.plot.y.label
        for s in drive_page(told, reference=reference_run(told, 2)).sections
        for b in s.blocks
        if b.kind == "figure"
    }
    assert "Seconds behind run 2" in titles
    with pytest.raises(InputError, match=r"no counted run 4\. Its counted runs: 1, 2, 3"):
        reference_run(told, 4)


def test_what_a_drive_lacks_is_said_and_not_drawn(tmp_path):
    drive, _ = make_drive(tmp_path, [Stand(5), Pull(6.0), Cruise(6.0, 20), Brake(0), Stand(5)], setup=None, car=None,
                          rig=GPS_ONLY)  # fmt: skip
    made = drive_page(AnalysedDrive(drive))
    assert [section.name for section in made.sections] == ["driven", "weather"]
    assert made.verdict[0].startswith("There is nothing to report")
    text = Reader(render(made, DAY)).text
    assert (
        "No setup is recorded" in text
        and "Without temperature and pressure nothing can be corrected to standard weather" in text
    )


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
    power = answer["power"]
    assert page.verdict[0].casefold() == f"{power['sentence']}.".casefold()
    whole = [f"{100 * power[k]:+.1f}" for k in ("change", "low", "high")]
    assert any(row[2:] == [whole[0], f"{whole[1]} to {whole[2]}"] for row in read.rows if len(row) == 4)
    assert page.verdict[1].casefold() == f"{said}.".casefold()
    for split in answer["splits"]:
        row = next(row for row in read.rows if row[0] == split["speed"] and "/" in row[2])
        assert row[1] == split["verdict"]
        assert row[2] == f"{split['runs_a']}/{split['runs_b']}"
        assert row[3:6] == [f"{split['a_s']:.2f}", f"{split['b_s']:.2f}", f"{split['difference_s']:+.2f}"]
        assert row[6] == f"{split['low_s']:+.2f} to {split['high_s']:+.2f}"
        assert row[7] == f"{split['run_low_s']:+.2f} to {split['run_high_s']:+.2f}"
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
        rows = [row for row in read.rows if row[0].startswith("snorkel short -> ") and len(row) == 5]
        row = next(row for row in rows if row[1] not in ("more", "less", "not shown", "unknown"))  # those are power's
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
    assert [float(row[2]) for row in table.rows] == pytest.approx(spent.tolist(), abs=0.006)


def test_times_of_setups_and_drives_are_the_simulators(made_season, true_pages):
    """Best and typical, as driven, from one foot."""
    read = Reader(render(true_pages["season"], DAY))
    for drive in made_season.ids[:4]:
        true = sorted(pull.time_to(THIRTY) - foot_time(pull) for pull in made_season.truth[drive])
        row = next(row for row in read.rows if row[0] == drive and len(row) == 7)
        assert row[3] == str(len(true))
        assert [float(row[4]), float(row[5])] == pytest.approx([true[0], float(np.median(true))], abs=0.08)
    for number, name in enumerate(("baseline", "snorkel and jet")):
        row = next(row for row in read.rows if row[0] == name and len(row) == 10)
        assert row[7:9] == [["-", "-"], ["18", "2"]][number]  # money and hours, as the setup's file says
        assert float(row[6]) == pytest.approx(235.214583 / L_PER_100KM[number], rel=0.02)  # mpg (US), NIST SP 811


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
    assert re.match(r"Best of 3 runs: 40 mph in ", page.verdict[0])
    assert page.verdict[1].startswith("Median of the runs to 40 mph: ")
    for made in (true_pages["setups"], both["setups"]):
        assert re.search(r" It (gains|loses) \d\.\d\d s to \d\d mph, where it shows most \(", made.verdict[1])
        assert re.search(r" power than baseline\. It (gains|loses) \d+\.\d% \(", made.verdict[0])
    for line in [line for line in true_pages["season"].verdict if not line.startswith("Power at the wheels")]:
        assert "to 30 mph" in line or "always changed together" in line


def test_every_interval_of_the_difference_says_how_it_was_taken(both):
    """One question, one answer: the plan holds the two against each other as the headline does."""
    text = Reader(render(both["setups"], DAY)).text
    said = re.findall(r"is faster than .*?\. It gains (\d\.\d\d) s (.*?\))", text)
    assert len({estimate for estimate, _ in said}) == 1
    assert {re.sub(r"\d\.\d\d to \d\.\d\d", "I", words) for _, words in said} == {
        "to 40 mph, where it shows most (I for all 4 speeds together)"
    }
    assert len({words for _, words in said}) == 1


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


# --- the right figure under the right heading ---------------------------------------------------------------------


def table_of(page: Page, caption: str) -> list[dict[str, str]]:
    """The rows of the one table whose caption begins so, each by heading; behind a plot or by itself."""
    blocks = [block for section in page.sections for block in section.blocks]
    tables = [block.data if block.kind == "figure" else block for block in blocks if block.kind in ("table", "figure")]
    (found,) = [table for table in tables if table is not None and table.caption.startswith(caption)]
    return [dict(zip(found.columns, row, strict=True)) for row in found.rows]


def two(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def signed(value: float | None) -> str:
    return "-" if value is None else f"{value:+.2f}"


def span(low: float | None, high: float | None) -> str:
    return "unknown" if low is None or high is None else f"{low:+.2f} to {high:+.2f}"


def test_how_each_run_went_is_what_runs_says(told, page, store):
    answer = answer_of("runs", told.id, "--store", str(store))
    assert len(answer["runs"]) == 4
    for row, run in zip(table_of(page, "How each run went"), answer["runs"], strict=True):
        assert row["Run"] == f"{run['n']}{'' if run['why_not'] is None else '*'}"
        assert row["Peak"] == f"{run['peak_mps'] / MPS_PER_MPH:.1f}".removesuffix(".0") + " mph"
        assert (
            row["Distance"] == f"{run['distance_m'] / 0.3048:.0f} ft"
            and row["To"] == f"{run['direction_deg']:.0f}\u00b0"
        )
        assert row["Grade %"] == f"{run['grade_percent']:+.1f} \u00b1{run['grade_sigma_percent']:.1f}"
        assert row["Launch"] == ("soft" if run["launch"]["soft"] else "firm")
        assert row["Ended"].startswith(run["ended_words"])


def test_seconds_behind_the_reference_are_differences_of_what_runs_says(told, store):
    answer = answer_of("runs", told.id, "--store", str(store))
    at = {
        (run["n"], split["speed"]): (split["from_one_foot_s"], split["from_one_foot_sigma_s"])
        for run in answer["runs"] for split in run["splits"]
    }  # fmt: skip
    rows = table_of(drive_page(told, reference=reference_run(told, 2)), "Seconds behind run 2")
    assert [row["Run"] for row in rows] == ["1", "3"]
    for row in rows:
        for speed in ("10 mph", "20 mph", "30 mph", "40 mph"):
            (mine, my_sigma), (held, held_sigma) = at[int(row["Run"]), speed], at[2, speed]
            assert row[speed] == f"{mine - held:+.2f} \u00b1{np.hypot(my_sigma, held_sigma):.2f}"


def test_the_maps_of_two_setups_are_of_all_their_drives(made_season, true_pages):
    """Each field is the mean of what `mixture` says of each drive, by seconds; what changed is B minus A of these."""
    maps = [b for section in true_pages["setups"].sections for b in section.blocks if b.kind == "map"]
    change, *sides = maps
    assert change.caption.startswith("AFR, B minus A, all drives") and len(sides) == 2
    means: list[dict[tuple[int, int], float]] = []
    for letter, ids, found in zip("AB", (made_season.ids[:2], made_season.ids[2:4]), sides, strict=True):
        assert found.caption.startswith(f"{letter}, 2 drives together: AFR")
        answers = [run_verb(made_season.store, "mixture", each, "--json").json for each in ids]
        cells = [cell for each in answers for cell in each["cells"]]
        edges = answers[0]["load"]["edges"]
        speeds = sorted({cell["from_mps"] for cell in cells})
        mean: dict[tuple[int, int], float] = {}
        for row, speed in enumerate(speeds):
            for column, load in enumerate(edges[:-1]):
                here = [c for c in cells if (c["from_mps"], c["load_from"]) == (speed, load)]
                shown = found.rows[row][1][column]
                assert (shown is None) == (not here)
                if shown is None:
                    continue
                assert f"{sum(c['seconds'] for c in here):.0f} s" in shown.small
                told = [c for c in here if c["median"] is not None and c["sigma"] is not None]
                if shown.value:
                    weights = [c["seconds"] for c in told]
                    mean[row, column] = float(np.average([c["median"] for c in told], weights=weights))
                    assert shown.value == f"{mean[row, column]:.1f}"
        assert len(mean) >= 3
        means.append(mean)
    looks = {"leaner": ("L", "lean"), "richer": ("R", "rich"), "no change seen": ("=", "in")}
    told = 0
    for head, row in change.rows:
        number = [shown for shown, _ in sides[0].rows].index(head)
        later = [shown for shown, _ in sides[1].rows].index(head)
        for column, cell in enumerate(row):
            if cell is not None and cell.value:
                told += 1
                assert (cell.mark, cell.tint) == looks[cell.said.rpartition(", ")[2]]
                assert cell.value == signed(means[1][later, column] - means[0][number, column])
    assert told >= 3
    assert {cell.mark for _, row in change.rows for cell in row if cell is not None and cell.value} - {"="}


def test_what_setups_are_compared_by_stands_under_its_heading(made_season, true_season, true_pages):
    names = [each.name for each in true_season.setups[:2]]
    answer = run_verb(made_season.store, "compare", *names, "--json").json
    rows = table_of(true_pages["setups"], "Time from one foot of movement")
    assert len(rows) == len(answer["splits"]) == 3
    for row, split in zip(rows, answer["splits"], strict=True):
        assert row == {
            "To": split["speed"], "Runs": f"{split['runs_a']}/{split['runs_b']}",
            "A s": two(split["mean_a_corrected_s"]), "B s": two(split["mean_b_corrected_s"]),
            "B\u2212A": signed(split["corrected"]["difference_s"]),
            "With days": span(split["low_s"], split["high_s"]),
            "Runs only": span(split["run_low_s"], split["run_high_s"]),
            "As driven": signed(split["raw"]["difference_s"]), "Verdict": split["verdict"],
        }  # fmt: skip
    for row, band in zip(table_of(true_pages["setups"], "Time gained or lost"), answer["trace"], strict=True):
        assert [row["A s"], row["B s"]] == [two(band["mean_a_corrected_s"]), two(band["mean_b_corrected_s"])]
        assert row["B\u2212A"] == signed(band["difference_s"]) and row["Verdict"] == band["verdict"]
        assert row["With days"] == span(band["low_s"], band["high_s"])
    for row, key in zip(_measures(true_pages["setups"]), ("launch", "mixture", "fuel"), strict=True):
        told = answer[key]
        assert row[""] == f"{told['name']}, {told['unit']}" and row["Count"] == f"{told['runs_a']}/{told['runs_b']}"
        assert [row["A"], row["B"], row["B\u2212A"]] == [two(told["a"]), two(told["b"]), signed(told["difference"])]
        assert row["With days"] == span(told["low"], told["high"]) and row["Verdict"] == told["sentence"]
        assert row["Runs only"] == span(told["run_low"], told["run_high"])


def _measures(page: Page) -> list[dict[str, str]]:
    blocks = [block for section in page.sections for block in section.blocks if block.kind == "table"]
    return [dict(zip(each.columns, each.rows[0], strict=True)) for each in blocks if "Count" in each.columns]


def test_a_season_stands_under_its_headings(made_season, true_pages):
    page, store = true_pages["season"], made_season.store
    answer = run_verb(store, "season", "--json").json
    for row, each in zip(table_of(page, "Setups; best and typical"), answer["setups"], strict=True):
        assert (
            row["Setup"] == each["setup"] and row["Days"] == str(each["outings"]) and row["Runs"] == str(each["runs"])
        )
        assert [row["Best"], row["Typical"], row["AFR"]] == [
            two(each[k]) for k in ("best_s", "typical_s", "full_throttle")
        ]
        assert row["mpg (US)"] == f"{235.214583 / each['l_per_100km']:.1f}"
        changed = "; ".join(f"{part} {pair['a']} \u2192 {pair['b']}" for part, pair in each["changed"].items())
        assert row["Changed"] == (changed or "-")
    bests = {run.label: run for run in gather(DriveStore(store)).runs}
    for row, each in zip(table_of(page, "Which runs these are"), answer["setups"], strict=True):
        assert row["Setup"] == each["setup"]
        assert bests[row["Run"]].time_to(np.array([THIRTY]))[0] == pytest.approx(each["best_s"])
    effects = run_verb(store, "effects", "--json").json
    for caption, key in (("Time to 30 mph from one foot", "time"), ("Mixture at full throttle", "mixture")):
        for row, effect in zip(table_of(page, caption), effects[key], strict=True):
            i = effect["effects"][0]
            assert row["Runs"] == str(effect["runs"]) and row["With days"] == span(i["low"], i["high"])
            assert signed(i["difference"]) in row.values() and row["Runs only"] == span(i["run_low"], i["run_high"])
    i = effects["time"][0]["effects"][0]
    assert i["high"] < 0  # the second setup is the quicker one
    assert f" {-i['difference']:.2f} s quicker to 30 mph ({span(i['low'], i['high'])})." in page.verdict[2]
    assert page.verdict[0] == "The change shows a difference in the time to 30 mph."
    assert page.verdict[1].startswith("Power at the wheels compared with baseline")
    loops = run_verb(store, "fuel", "--json").json["loops"]
    for row, loop in zip(table_of(page, "Fuel loops"), loops, strict=True):
        assert row["Drive"] == loop["drive"] and row["Setup"] == loop["setup"]
        assert row["L/100 km"].startswith(f"{loop['l_per_100km']:.2f} ") and row["mpg (US)"].startswith(
            f"{loop['mpg_us']:.1f} "
        )


def test_setup_after_setup_is_what_compare_says(made_season, true_season, true_pages):
    (row,) = table_of(true_pages["season"], "Each setup against the one before it")
    answer = run_verb(made_season.store, "compare", *(each.name for each in true_season.setups[:2]), "--json").json
    top = answer["splits"][-1]
    assert row["To"] == top["speed"] and row["Seconds"] == signed(top["difference_s"])
    assert row["With days"] == span(top["low_s"], top["high_s"]) and row["Verdict"] == sentence(answer["sentence"])


def test_the_air_stands_under_its_headings(page):
    (row,) = table_of(page, "Weather; SAE J1349")
    assert [row[k] for k in ("Temperature", "Pressure", "Humidity")] == ["17.0 \u00b0C", "1015.0 hPa", "59 %"]
    assert row["Wind"] == "2.2 mph from 250\u00b0"
    # Dry air and vapour as ideal gases, vapour pressure by Magnus' formula (constants of WMO-No. 8, from memory).
    vapour = 0.59 * 611.2 * np.exp(17.62 * 17 / (243.12 + 17))
    assert float(row["Density kg/m\u00b3"]) == pytest.approx(
        ((101500 - vapour) / 287.05 + vapour / 461.5) / 290.15, rel=1e-3
    )
