"""`report` as it is typed: what it writes, what it prints, and what it refuses."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from made_season import BASELINE, BOTH, MadeSeason
from page_reader import Reader
from run_verb import run_verb

from analysis.changes import season as seasons

A, B = BASELINE.name, BOTH.name


def page_of(path: Path) -> Reader:
    return Reader(path.read_text(encoding="utf-8"))


def row_of(read: Reader, *first: str) -> list[str]:
    """The one row of a page that begins so."""
    rows = [row for row in read.rows if row[: len(first)] == list(first)]
    assert len(rows) == 1, rows
    return rows[0]


def test_what_is_printed_and_written_is_what_stands_on_the_page(made_season: MadeSeason, tmp_path: Path) -> None:
    asked = [made_season.ids[0], "--out", str(tmp_path / "page.html")]
    told = run_verb(made_season.store, "report", *asked, "--json").json
    read = page_of(tmp_path / "page.html")
    assert told["path"] == str(tmp_path / "page.html") and told["bytes"] == (tmp_path / "page.html").stat().st_size
    assert told["verdict"][0].startswith("Best of 4 runs: 30 mph in ")
    for line in (*told["verdict"], *told["caveats"]):
        assert line in read.text
    said = run_verb(made_season.store, "report", *asked, "--force")
    printed = " ".join(said.out.split())
    assert all(line in printed for line in told["verdict"])
    size = (tmp_path / "page.html").stat().st_size
    assert f"page.html,{size / 1000:.0f}kB" in "".join(printed.split())  # a long path is broken where the line ends


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["a", "b", "c", "d"], "4 names were given. A report takes one drive or two setups."),
        (["nowhere"], "no such drive"),
        (["{drive}", "--reference", "9"], "no counted run 9. Its counted runs: 1, 2, 3, 4"),
        (["{drive}", "--units", "knots"], "--units: found 'knots'"),
        (["{drive}", "--season"], "--season reports all drives"),
        (["--season", "--reference", "1"], "--reference is a run's number in one drive"),
        (["{drive}", "--to", "30mph"], "--to is for two setups or --season"),
        (["--season", "--to", "20mph", "--to", "30mph"], "--season takes one speed"),
        (["--season", "--to", "30"], "'30' has no unit"),
        (["--season", "--targets", "{store}/no.toml"], "no.toml"),
        ([A, "no such setup"], "no such setup"),
    ],
)
def test_what_cannot_be_reported_is_one_line_and_no_file(
    made_season: MadeSeason, tmp_path: Path, asked: list[str], said: str
) -> None:
    words = [word.format(drive=made_season.ids[0], store=made_season.store) for word in asked]
    told = run_verb(made_season.store, "report", *words, "--out", str(tmp_path / "page.html"))
    assert told.code == 2 and said in told.err
    assert list(tmp_path.iterdir()) == []


def test_a_page_that_exists_is_only_replaced_where_that_is_said(made_season: MadeSeason, tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    path.write_text("mine")
    asked = ["report", made_season.ids[0], "--out", str(path)]
    told = run_verb(made_season.store, *asked)
    assert told.code == 2 and "--force" in told.err and path.read_text() == "mine"
    assert run_verb(made_season.store, *asked, "--force").code == 0
    assert path.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_a_wrong_reference_is_told_before_the_season_is_read(
    made_season: MadeSeason, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read = []
    monkeypatch.setattr(seasons, "gather", lambda *given, **named: read.append(given))
    told = run_verb(
        made_season.store, "report", made_season.ids[0], "--reference", "9", "--out", str(tmp_path / "page.html")
    )
    assert told.code == 2 and "no counted run 9" in told.err and read == []


def test_the_reference_asked_for_is_the_pages(made_season: MadeSeason, tmp_path: Path) -> None:
    path = tmp_path / "page.html"
    assert run_verb(made_season.store, "report", made_season.ids[0], "--reference", "3", "--out", str(path)).code == 0
    assert "Seconds behind run 3" in page_of(path).text


# --- to another speed -----------------------------------------------------------------------------------------------


def test_a_season_is_judged_by_the_speed_asked_for(made_season: MadeSeason, tmp_path: Path) -> None:
    path, store = tmp_path / "page.html", made_season.store
    verdict = run_verb(store, "report", "--season", "--to", "20mph", "--out", str(path), "--json").json["verdict"]
    read = page_of(path)
    assert "30 mph" not in " ".join(verdict) and any("to 20 mph" in line for line in verdict)
    by_setup = run_verb(store, "season", "--to", "20mph", "--json").json
    for each in by_setup["setups"]:
        row = next(row for row in read.rows if row[0] == each["setup"] and len(row) == 10)
        assert row[3:5] == [f"{each['best_s']:.2f}", f"{each['typical_s']:.2f}"]
    best = by_setup["personal_best"]
    assert f"The best run to 20 mph, {best['label']} with {best['time_s']:.2f} s" in read.text
    for each in run_verb(store, "drives", "--to", "20mph", "--json").json["drives"]:
        row = next(row for row in read.rows if row[0] == each["drive"] and len(row) == 7)
        told = [f"{each[key]:.2f}" if each[key] is not None else "-" for key in ("best_s", "typical_s")]
        assert row[4:6] == told
    effect = run_verb(store, "effects", "--to", "20mph", "--json").json["time"][0]["effects"][0]
    told = [f"{effect['difference']:+.2f}", f"{effect['low']:+.2f} to {effect['high']:+.2f}"]
    assert any(row[2:4] == told for row in read.rows if len(row) == 5)


def test_setups_are_held_against_each_other_at_the_speeds_asked_for(made_season: MadeSeason, tmp_path: Path) -> None:
    path, store = tmp_path / "page.html", made_season.store
    assert run_verb(store, "report", A, B, "--to", "25mph", "--to", "15mph", "--out", str(path)).code == 0
    read = page_of(path)
    splits = run_verb(store, "compare", A, B, "--to", "15mph", "--to", "25mph", "--json").json["splits"]
    assert [split["speed"] for split in splits] == ["15 mph", "25 mph"]
    for split in splits:
        row = row_of(read, split["speed"], split["verdict"], f"{split['runs_a']}/{split['runs_b']}")
        assert row[5] == f"{split['difference_s']:+.2f}"


def test_units_asked_for_are_those_of_the_whole_page(made_season: MadeSeason, tmp_path: Path) -> None:
    for name, asked in (("drive", [made_season.ids[0]]), ("setups", [A, B]), ("season", ["--season"])):
        path = tmp_path / f"{name}.html"
        assert run_verb(made_season.store, "report", *asked, "--units", "km/h", "--out", str(path)).code == 0
        text = page_of(path).text.replace("Wind below 2.7 m/s (6 mph)", "")  # of the checklist, in both
        assert "km/h" in text
        assert not re.search(r"[0-9] mph\b", text), name


# --- targets --------------------------------------------------------------------------------------------------------


def test_a_page_judges_by_the_targets_that_are_named(made_season: MadeSeason, tmp_path: Path) -> None:
    targets, path = tmp_path / "rich.toml", tmp_path / "page.html"
    windows = {"full_throttle": 9.0, "cruise": 12.7, "town": 12.5, "idle": 12.0}
    rows = [f"{name} = {{ low = {low}, high = {low + 0.5} }}" for name, low in windows.items()]
    targets.write_text("\n".join(["[air]", *rows]), encoding="utf-8")
    drive = made_season.ids[0]
    usual = run_verb(made_season.store, "report", drive, "--out", str(path), "--json").json["verdict"]
    told = run_verb(
        made_season.store, "report", drive, "--targets", str(targets), "--out", str(path), "--json", "--force"
    ).json["verdict"]
    assert not any("(target 9 to 9.5)" in line for line in usual)
    assert any("lean of target (target 9 to 9.5)" in line for line in told)
    assert "Caution: lean at full throttle burns pistons" in page_of(path).text
