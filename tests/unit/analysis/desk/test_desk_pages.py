"""What the desk's pages show: the answers' own numbers under their headings, as the real server sends them."""

from __future__ import annotations

import shlex
import shutil
import subprocess
import urllib.parse
import wave
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from at_the_desk import Seen, Visitor, visitor
from desk_store import DeskStore, make_desk_store
from made_season import BASELINE, BOTH

from analysis import wording
from analysis.answers.compare import compare_answer
from analysis.answers.drives import drives_answer
from analysis.answers.jets import jets_answer
from analysis.answers.plan import plan_answer
from analysis.answers.runs import runs_answer
from analysis.answers.season import season_answer
from analysis.changes.season import SeasonRecord, gather
from analysis.report.asked import asked_page, write_report
from analysis.store import DriveStore
from logger.store import presence


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> DeskStore:
    return make_desk_store(tmp_path_factory.mktemp("desk"))


@pytest.fixture(scope="module")
def at_desk(made: DeskStore) -> Iterator[Visitor]:
    with visitor(made.store) as found:
        yield found


@pytest.fixture(scope="module")
def season(made: DeskStore) -> SeasonRecord:
    return gather(DriveStore(made.store))


def command(page: Seen) -> str:
    """What it says to type for the same."""
    return page.words("//footer//code")[-1]


def test_the_list_of_drives_has_each_answer_under_its_heading(at_desk: Visitor, season: SeasonRecord) -> None:
    answer = drives_answer(season)
    page = at_desk.get("/drives")
    rows = page.rows("list")
    assert [link.get("href") for link in page.tree.xpath("//section//tbody//a")] == [
        f"/drive/{each.drive}" for each in reversed(answer.drives)
    ]
    for row, each in zip(rows, reversed(answer.drives), strict=True):
        assert row["Setup"] == each.setup and row["Runs"] == str(each.timed)
        assert (row["Best"], row["Typical"]) == (wording.number(each.best_s), wording.number(each.typical_s))
        assert (row["AFR"], row["mpg (US)"]) == (
            wording.number(each.full_throttle),
            wording.number(235.214583 / each.l_per_100km, 1),
        )
    assert f"to {answer.speed}" in page.section("list") and command(page) == "pullbook drives"


def test_a_drive_has_its_times_and_what_can_be_done_to_it_in_its_sections(at_desk: Visitor, made: DeskStore) -> None:
    name = made.b
    answer = runs_answer(DriveStore(made.store).drive(name))
    page = at_desk.get(f"/drive/{name}")
    table = page.rows("runs", "Seconds from one foot of movement")
    assert [row["Run"].removesuffix("*") for row in table] == [str(run.n) for run in answer.runs]
    for run, row in zip(answer.runs, table, strict=True):
        for split in run.splits:
            if split.speed in row:
                assert row[split.speed].startswith(wording.number(split.from_one_foot_s)), (run.n, split.speed)
    doing = {
        form.get("id").removeprefix("form-"): form.xpath("ancestor::section/@aria-labelledby")[0]
        for form in page.tree.xpath("//form")
    }
    assert doing == {
        "setup": "driven", "note": "driven", "strike": "runs", "tag": "runs", "photo": "photos", "fuel": "fuel",
        "weather": "weather",
    }  # fmt: skip
    assert command(page) == f"pullbook report {name}"
    assert "tyres at 2.1 bar" in page.section("driven")


def test_the_season_has_what_was_fitted_what_it_gained_and_what_it_cost(at_desk: Visitor, season: SeasonRecord) -> None:
    answer = season_answer(season)
    page = at_desk.get("/season")
    rows = page.rows("driven", "Setups; best")
    assert [row["Setup"] for row in rows] == [BASELINE.name, BOTH.name]
    for row, each in zip(rows, answer.setups, strict=True):
        assert (row["Best"], row["Typical"]) == (wording.number(each.best_s), wording.number(each.typical_s))
    assert (rows[1]["Cost"], rows[1]["Hours"]) == ("18", "2") and rows[0]["Cost"] == "-"
    gained = page.rows("effects", "It took")
    assert [row["It took"] for row in gained] == ["18", "2 h"]
    for row, spent in zip(gained, (18.0, 2.0), strict=True):
        low, high = (float(each.strip("()+")) for each in row["95 %"].replace("\u2212", "-").split(" to "))
        assert low <= float(row["s for each"].replace("\u2212", "-")) <= high
        assert spent * float(row["s for each"].replace("\u2212", "-")) == pytest.approx(
            2 * float(gained[1]["s for each"].replace("\u2212", "-")), abs=0.02
        )
    assert answer.personal_best is not None and answer.personal_best.label in page.words("//*[@class='verdict']")[0]
    other = at_desk.get("/season?to=20mph")
    assert "to 20 mph" in other.section("driven") and command(other) == "pullbook report --season --to 20mph"


def test_two_setups_ticked_are_held_against_each_other(at_desk: Visitor, season: SeasonRecord) -> None:
    choose = at_desk.get("/compare")
    keys = {row["Setup"]: value for row, value in zip(choose.rows("pick"), _values(choose), strict=True)}
    page = at_desk.send(choose, "pick", {"a": keys[BASELINE.name], "b": keys[BOTH.name]})
    answer = compare_answer(season, BASELINE.name, BOTH.name)
    assert page.title == f"{BOTH.name} against {BASELINE.name}"
    assert (
        answer.power is not None and wording.sentence(answer.power.sentence) in page.words("//*[@class='verdict']")[0]
    )
    rows = page.rows("splits", "B\u2212A")
    for row, split in zip(rows, answer.splits, strict=True):
        assert row["To"] == split.speed and row["B\u2212A"] == wording.signed(split.difference_s)
        assert (row["A s"], row["B s"]) == (wording.number(split.a_s), wording.number(split.b_s))
    assert command(page) == f"pullbook report {BASELINE.name} '{BOTH.name}'"


def test_drives_and_their_runs_can_be_ticked(at_desk: Visitor, made: DeskStore, season: SeasonRecord) -> None:
    first, third = made.a, made.b
    drives = at_desk.get("/compare?by=drives")
    page = at_desk.send(drives, "pick", {"a": first, "b": third})
    assert page.title == f"{third} against {first}" and command(page) == f"pullbook report {first} {third}"
    runs = at_desk.get(
        "/compare?" + urllib.parse.urlencode([("by", "drives"), ("a", first), ("b", third), ("by", "runs")])
    )
    mine = {name: [run.label for run in season.runs if run.drive == name] for name in (first, third)}
    assert runs.form("pick")["a"] == mine[first] and runs.form("pick")["b"] == mine[third]
    page = at_desk.send(runs, "pick", {"a": mine[first][:3], "b": mine[third][1:]})
    a, b = f"{first}:1,2,3", f"{third}:2,3"
    assert command(page) == f"pullbook report {a} {b}"
    answer = compare_answer(season, a, b)
    rows = page.rows("splits", "B\u2212A")
    assert [row["B\u2212A"] for row in rows] == [wording.signed(split.difference_s) for split in answer.splits]
    at = np.array([season_answer(season).speed_mps])
    times = {row["Run"]: row["Time"] for row in runs.rows("pick")}
    assert times == {run.label: wording.number(float(run.time_to(at)[0])) for run in season.runs if run.label in times}


def test_what_cannot_be_compared_is_one_line_and_what_was_ticked_stays(at_desk: Visitor, made: DeskStore) -> None:
    first = made.a
    both = at_desk.get(f"/compare?by=drives&a={first}&b={first}")
    assert both.status == 422 and "is on both sides" in both.wrong
    assert both.form("pick")["a"] == [first]
    bare = at_desk.get(f"/compare?by=drives&a={first}&b={made.b}&to=30")
    assert "has no unit" in bare.beside("pick", "to") and bare.form("pick")["to"] == ["30"]
    nobody = at_desk.get(f"/compare?by=setups&a={first}&b=nobody")
    assert nobody.status == 422 and "nobody" in nobody.wrong
    speed = at_desk.get("/season?to=fast")
    assert speed.status == 422 and "is not a speed" in speed.beside("by", "to") and speed.form("by")["to"] == ["fast"]


def test_next_has_the_plan_its_checklist_and_the_jet(at_desk: Visitor, made: DeskStore, season: SeasonRecord) -> None:
    store = DriveStore(made.store)
    plan, jets = plan_answer(season), jets_answer(store, store.drives[-1])
    page = at_desk.get("/next")
    assert page.words("//*[@class='verdict']//p")[0] == plan.sentence  # as `pullbook plan` begins
    rows = page.rows("plan")
    assert [(row["Runs"], row["Why"]) for row in rows] == [(str(step.runs), step.why) for step in plan.next]
    assert f"Judged by the time to {plan.speed}" in page.section("plan")
    assert len(page.tree.xpath("//*[@class='checks']//input")) == len(plan.checklist) > 5
    jet = page.rows("jet")
    assert [row["Jet"].removeprefix("> ") for row in jet] == [each.jet for each in jets.expected]
    assert [row["In target"] for row in jet] == [f"{each.chance_in:.0%}" for each in jets.expected]
    assert [row["Gives"] for row in jet] == [wording.number(each.value, 2) for each in jets.expected]
    assert jets.says in page.section("jet") and jets.caution in page.section("cautions")
    hot = at_desk.send(page, "air", {"temperature": "35C", "pressure": "930hPa"})
    thin = jets_answer(store, store.drives[-1], air=_air(35.0, 930.0))
    assert [row["Gives"] for row in hot.rows("jet")] == [wording.number(each.value, 2) for each in thin.expected]
    assert "jets --temperature 35C --pressure 930hPa" in hot.section("jet")
    damp = at_desk.send(page, "air", {"humidity": "50%"})
    assert damp.status == 422 and "need" in damp.section("jet") and damp.form("air")["humidity"] == ["50%"]
    one = at_desk.send(page, "by", {"a": BASELINE.name})
    assert one.status == 422 and "Choose both setups" in one.beside("by", "b")
    settled = at_desk.send(page, "by", {"a": BASELINE.name, "b": BOTH.name, "to": "30mph"})
    assert command(settled) == f"pullbook plan --to 30mph --settle {BASELINE.name} '{BOTH.name}'"


def _air(celsius: float, hpa: float):
    from analysis.conditions.weather import read_weather

    return read_weather({"temperature_c": celsius, "pressure_hpa": hpa})


def _values(choose: Seen) -> list[str]:
    return [box.get("value") for box in choose.tree.xpath("//input[@name='a']")]


# --- what is taken away -------------------------------------------------------------------------------------------


def test_pages_captions_and_data_are_the_files_that_the_verbs_write(
    at_desk: Visitor, made: DeskStore, tmp_path
) -> None:
    from datetime import UTC, datetime

    from analysis.answers.captions import captions_answer
    from analysis.answers.export import export_answer

    name = made.b
    store = DriveStore(made.store)
    drive = store.drive(name)

    captions = at_desk.send(at_desk.get(f"/drive/{name}/captions"), "captions", {"sync": "run 1", "at": "0:05"})
    told = captions_answer(drive, sync=["run 1"], at_s=[5.0], folder=tmp_path)
    links = captions.tree.xpath("//section[@aria-labelledby='files']//a/@href")
    assert [at_desk.get(link).data for link in links] == [path.read_bytes() for path in told.files]
    assert f"starts {told.drive_s_at_video_start:.2f} s after" in captions.section("files")
    assert command(captions) == f"pullbook captions {name} --sync 'run 1' --at 0:05"
    options = captions.tree.xpath("//select[@name='sync']/option/@value")
    assert "stop 2" in options and "tyres at 2.1 bar" in options
    wrong = at_desk.send(captions, "captions", {"at": "soon"})
    assert wrong.status == 422 and "expected a time such as" in wrong.beside("captions", "at")
    assert wrong.form("captions")["sync"] == ["run 1"] and wrong.form("captions")["at"] == ["soon"]

    export = at_desk.get(f"/drive/{name}/export")
    for kind in ("csv", "parquet", "gpx", "geojson"):
        got = at_desk.send(export, "export", {"format": kind, "rate": "2", "ends": "50m"})
        path = export_answer(store, drive, tmp_path / f"x.{kind}", kind, rate_hz=2.0, ends_m=50.0).path
        assert got.data == path.read_bytes() and f"{name}.{kind}" in got.headers["content-disposition"]
    usual = at_desk.send(export, "export", {"format": "gpx"})
    assert usual.status == 422 and "all its positions stay private (the first and last 300 m" in usual.wrong
    assert "has no unit" in at_desk.send(export, "export", {"ends": "500"}).beside("export", "ends")

    page = at_desk.get(f"/drive/{name}/report.html")
    stem, report = asked_page(store, [name])
    write_report(report, tmp_path / "page.html", datetime.now(UTC))
    assert _undated(page.text) == _undated((tmp_path / "page.html").read_text(encoding="utf-8"))
    assert f"{stem}.html" in page.headers["content-disposition"]


@pytest.mark.skipif(not shutil.which("ffmpeg"), reason="ffmpeg is not installed")
def test_captions_with_bars_and_a_transparent_video(at_desk: Visitor, made: DeskStore, tmp_path: Path) -> None:
    from analysis.answers.captions import captions_answer

    typed = {"sync": "run 1", "at": "0:01", "length": "2s", "fps": "5", "style": "bars", "overlay": "webm"}
    page = at_desk.send(at_desk.get(f"/drive/{made.b}/captions"), "captions", typed)
    told = captions_answer(
        DriveStore(made.store).drive(made.b), sync=["run 1"], at_s=[1.0], length_s=2.0, style="bars", folder=tmp_path
    )
    [ass] = [link for link in page.tree.xpath("//section[@aria-labelledby='files']//a/@href") if ".ass" in link]
    assert at_desk.get(ass).text == told.files[2].read_text(encoding="utf-8")
    assert command(page).endswith("--length 2s --fps 5 --style bars --overlay webm")
    done = at_desk.send(page, "overlay", {})
    assert done.words("//section[@aria-labelledby='files']//a")[-1] == f"{made.b}-captions.webm"
    video = at_desk.client.get(done.tree.xpath("//section[@aria-labelledby='files']//a/@href")[-1])
    assert video.body[:4] == b"\x1a\x45\xdf\xa3"  # EBML (RFC 8794)


@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
def test_captions_go_by_clips_and_by_a_clap(at_desk: Visitor, made: DeskStore, tmp_path: Path) -> None:
    from analysis.answers.captions import captions_answer

    drive = DriveStore(made.store).drive(made.b)
    clips = [tmp_path / "one & only.mp4", tmp_path / "two.mp4"]
    for path, size, seconds in zip(clips, ("320x180", "180x320"), (20, 10), strict=True):
        source = f"testsrc=s={size}:r=5:d={seconds}"
        subprocess.run(["ffmpeg", "-v", "error", "-f", "lavfi", "-i", source, str(path)], check=True)
    sound = np.random.default_rng(1).normal(0, 20, 3 * 16000)
    sound[16000:16100] += 20000 * np.random.default_rng(2).standard_normal(100)
    with wave.open(str(tmp_path / "bang.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(16000)
        file.writeframes(sound.clip(-32000, 32000).astype("<i2").tobytes())
    form = at_desk.get(f"/drive/{made.b}/captions")
    typed = {"sync": "run 1", "clap": str(tmp_path / "bang.wav"), "clip": "\n".join(map(str, clips))}
    page = at_desk.send(form, "captions", typed)
    assert page.status == 200, page.wrong
    told = captions_answer(drive, sync=["run 1"], clap=tmp_path / "bang.wav", clips=clips, folder=tmp_path)
    links = page.tree.xpath("//section[@aria-labelledby='files']//a")
    assert [link.text_content() for link in links] == [path.name for path in told.files] and len(links) == 6
    assert [at_desk.get(link.get("href")).data for link in links] == [path.read_bytes() for path in told.files]
    words = shlex.split(command(page))
    assert [words[at + 1] for at, word in enumerate(words) if word == "--clip"] == list(map(str, clips))
    assert words[words.index("--clap") + 1] == typed["clap"]
    for entry, path in (("clip", "/nowhere/x.mp4"), ("clap", str(tmp_path))):
        wrong = at_desk.send(form, "captions", {**typed, entry: path})
        assert wrong.status == 422 and "no such file" in wrong.beside("captions", entry)
    no_video = at_desk.send(form, "captions", {**typed, "clip": str(tmp_path / "bang.wav")})
    assert no_video.status == 422 and "not a video" in no_video.wrong


def test_each_part_with_numbers_leads_to_its_method(at_desk: Visitor, made: DeskStore) -> None:
    told = {each.get("id") for each in at_desk.get("/help").tree.xpath("//h2")}
    assert not at_desk.get("/help").tree.xpath("//a[@class='how']")
    for path, parts in (
        (f"/drive/{made.b}", {"runs": "times", "mixture": "mixture", "weather": "weather", "plan": "plan"}),
        (f"/compare?by=drives&a={made.a}&b={made.b}", {"splits": "compare", "gained": "times", "power": "power"}),
        ("/season", {"effects": "effects", "mixture": "mixture"}),
        ("/next", {"plan": "plan", "jet": "jets"}),
        ("/drives", {"list": "times"}),
        ("/now", {"live": "live"}),
    ):
        with presence.Lock(made.store):  # as a recorder at work holds it
            page = at_desk.get(path)
        for name, method in parts.items():
            within = f"//section[@aria-labelledby='{name}']" if name != "live" else "//*[@id='figures-now']"
            assert page.tree.xpath(f"{within}//a[@class='how']/@href") == [f"/help#{method}"], (path, name)
            assert method in told


def test_a_page_and_the_file_of_it_are_worked_out_once(
    at_desk: Visitor, made: DeskStore, monkeypatch: pytest.MonkeyPatch
) -> None:
    from analysis.desk.work import Work

    asked, begun = Work.ask, list[object]()

    def ask(self: Work, what: Any, make: Any, patience_s: float = 60.0, last: str = "") -> Any:
        return asked(self, what, lambda progress: (begun.append(what), make(progress))[1], patience_s, last)

    monkeypatch.setattr(Work, "ask", ask)
    for page, file in (
        (f"/drive/{made.b}", f"/drive/{made.b}/report.html"),
        (f"/compare?by=drives&a={made.a}&b={made.b}", f"/compare/report.html?by=drives&a={made.a}&b={made.b}"),
        ("/season?to=20mph", "/season/report.html?to=20mph"),
    ):
        assert at_desk.get(page).status == 200
        before = len(begun)
        taken = at_desk.get(file)
        assert "attachment" in taken.headers["content-disposition"]
        assert len(begun) == before, f"{file} was worked out beside {page}"


def _undated(page: str) -> str:
    return page[: page.rindex("<p>Made ")]


def test_a_drive_that_is_not_there_is_one_line(at_desk: Visitor) -> None:
    for path in (
        "/drive/nowhere",
        "/drive/last",
        "/drive/nowhere/captions",
        "/drive/nowhere/export",
        "/drive/nowhere/report.html",
    ):
        page = at_desk.get(path)
        assert page.status == 404 and "there is no drive" in page.wrong, path
