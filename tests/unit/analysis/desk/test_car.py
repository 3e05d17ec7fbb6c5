"""The page Car: first set-up and files by forms, over a real socket; what stands in the files afterwards."""

from __future__ import annotations

import html
import json
import os
import re
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from at_the_desk import Answered, Client, served, until
from rig import Cable, Sender, rmc

from logger.config import examples
from logger.config.car import CarConfig
from logger.config.reading import load
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig

posix = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are needed")
HOSTILE = "<img src=x onerror=alert(1)>\"'& \u202eevil"


@pytest.fixture
def store(tmp_path: Path) -> Path:
    (tmp_path / "store").mkdir()
    return tmp_path / "store"


@pytest.fixture
def client(store: Path) -> Iterator[Client]:
    with served(store) as (_, client):
        yield client


def version(answer: Answered, form: str) -> str:
    found = re.search(rf'<form id="form-{form}".*?name="version" value="(\w+)"', answer.text, re.DOTALL)
    assert found is not None, answer.text
    return found[1]


def told(answer: Answered) -> list[str]:
    """What the page says is wrong, first of all of it, then entry by entry."""
    found = re.findall(r'class="failed" role="alert"><bdi>(.*?)</bdi>|-wrong"><bdi>(.*?)</bdi>', answer.text)
    return [html.unescape(a or b) for a, b in found]


def send(client: Client, kind: str, group: str, **typed: str) -> Answered:
    page = client.get(f"/car/file/{kind}")
    typed = {"version": version(page, f"g-{group}"), **typed}
    return client.post(f"/car/file/{kind}/part/{group}", **typed)


def as_text(client: Client, kind: str, text: str, **more: str) -> Answered:
    page = client.get(f"/car/file/{kind}")
    return client.post(f"/car/file/{kind}/text", version=version(page, "text"), text=text, **more)


@posix
def test_the_first_set_up(store: Path, client: Client, tmp_path: Path) -> None:
    """Two cables are heard and named; a few questions about the car; then it can be recorded."""
    with Cable(tmp_path / "gps") as gps, Cable(tmp_path / "board") as board:
        senders = [
            Sender(gps, (rmc(n / 10) for n in range(10**5)), per_s=10),
            Sender(board, (b"%d.%d, 8%d, 12.6V\r\n" % (13, n % 5, n % 9) for n in range(10**5)), per_s=20),
        ]
        for sender in senders:
            sender.start()
        assert "First set-up" in client.get("/car").text
        assert client.post("/car/listen", also=f"{gps.path} {board.path}").status == 303
        assert client.post("/car/listen", also="").status == 404  # one at a time
        until(lambda: "Ports: 2" in (page := client.get("/car/ports").text) and 'http-equiv="refresh"' in page)
        heard = until(lambda: (page := client.get("/car/ports")) and "refresh" not in page.text and page)
        assert isinstance(heard, Answered)
        assert "NMEA at" in heard.text and "a fix" in heard.text and "lines of 3 numbers" in heard.text
        entries = re.findall(r'name="(\d\.\d)" id="[^"]*" value="([^"]*)"', heard.text)
        assert entries == [("1.0", "afr"), ("1.1", "column_2"), ("1.2", "battery")]
        typed = {"version": version(heard, "keep"), "1.0": "afr", "1.1": "head", "1.2": "battery"}
        doubtful = client.post("/car/ports", **typed)
        assert doubtful.status == 422 and not (store / "recorder.toml").exists()
        assert "'head': in which unit: head C or head F?" in told(doubtful)
        assert 'value="head"' in doubtful.text and 'value="battery"' in doubtful.text  # what was typed is still there
        kept = client.post("/car/ports", **{**typed, "1.1": "head C"})
        for sender in senders:
            sender.stop()
        assert gps.heard() == board.heard() == b""  # nothing is ever sent
        paths = [str(gps.path), str(board.path)]
    config = load(store / "recorder.toml", RecorderConfig)
    assert [(each.name, each.port) for each in config.source] == [("gps", paths[0]), ("mixture", paths[1])]
    named = [(c.channel, c.quantity) for c in config.source[1].column]  # type: ignore[union-attr]
    assert named == [("afr", None), ("head_c", "head_temperature"), ("battery_v", "battery")]
    about = client.follow(kept)
    assert "Now the car." in about.text
    typed = {"name": "Wren", "mass": "392", "cooling": "air", "carburettor": "", "speed": "mph"}
    said = told(client.post("/car/about", version=version(about, "about"), **typed))
    assert any("has no unit" in line for line in said) and not (store / "car.toml").exists()
    done = client.post("/car/about", version=version(about, "about"), **{**typed, "mass": "392kg"})
    ready = client.follow(done)
    assert "then drive off" in ready.text
    car = load(store / "car.toml", CarConfig)
    assert car.car.model_dump(exclude_none=True) == {
        "name": "Wren", "mass_kg": 392, "cooling": "air", "carburettor": "",
    }  # fmt: skip
    assert config.recorder.car == "car.toml" and (store / "targets.toml").exists()
    about = client.get("/car/about")
    assert "has no unit" in " ".join(
        told(client.post("/car/about", version=version(about, "about"), **typed, power="14"))
    )
    typed |= {"mass": "392kg", "power": "14hp"}
    assert client.post("/car/about", version=version(about, "about"), **typed).status == 303
    # 0.8 of 14 times 745.7 W (NIST SP 811, appendix B.8: the horsepower of 550 ft lbf/s)
    assert load(store / "car.toml", CarConfig).car.wheel_power_kw == pytest.approx(0.8 * 14 * 0.7457, abs=0.01)
    about = client.get("/car/about")
    assert 'value="10.44kW"' in about.text
    typed |= {"power": "10.44kW", "name": "Finch"}  # as it was offered: the file's own figure stays
    assert client.post("/car/about", version=version(about, "about"), **typed).status == 303
    assert load(store / "car.toml", CarConfig).car.wheel_power_kw == 8.35
    for kind in ("recorder", "car", "targets"):
        assert client.get(f"/car/file/{kind}").status == 200


@posix
def test_no_port_is_no_dead_end(store: Path, client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("logger.record.ports.listed", lambda also: [])
    client.post("/car/listen", also="/dev/nothing")
    page = until(lambda: (found := client.get("/car/ports")) and "refresh" not in found.text and found)
    assert isinstance(page, Answered) and "The system lists no ports" in page.text
    assert client.post("/car/ports", version=version(page, "keep")).status == 303
    assert [each.port for each in load(store / "recorder.toml", RecorderConfig).source] == ["auto", "auto"]


def test_a_driver_that_fails_is_told(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(also: object) -> object:
        raise RuntimeError("the bus is gone")

    monkeypatch.setattr("logger.record.ports.listed", broken)
    client.post("/car/listen", also="")
    until(lambda: "the bus is gone" in client.get("/car/ports").text)


def test_a_part_is_kept_with_every_comment(store: Path, client: Client) -> None:
    (store / "car.toml").write_text(text := examples.text("wren.toml"))
    assert send(client, "car", "limits", **{"limits.head_max": "446F"}).status == 303
    after = (store / "car.toml").read_text()
    changed = [line for line in after.split("\n") if line not in text.split("\n")]
    assert changed == ['head_max = "446F"             # head temperature, in C or F']


def test_what_is_wrong_is_told_at_its_entry_and_nothing_is_written(store: Path, client: Client) -> None:
    (store / "car.toml").write_text(text := examples.text("wren.toml"))
    answer = send(client, "car", "car", **{"car.mass_kg": "392 kg", "car.name": "Wren", "car.drag_coefficient": "-1"})
    assert answer.status == 422 and (store / "car.toml").read_text() == text
    assert told(answer)[0] == "Nothing was written. See below."
    assert len(told(answer)) == 3 and 'value="392 kg"' in answer.text


def test_the_same_is_told_to_the_script(store: Path, client: Client) -> None:
    (store / "car.toml").write_text(text := examples.text("wren.toml"))
    answer = client.post("/car/file/car/check/car", **{"car.mass_kg": "392 kg"})
    found = json.loads(answer.text)
    assert list(found["wrong"]) == ["car.mass_kg"] and "392" in found["wrong"]["car.mass_kg"]
    assert json.loads(client.post("/car/file/car/check/car", **{"car.mass_kg": "400"}).text)["wrong"] == {}
    assert json.loads(client.post("/car/file/car/check", text="[car").text)["wrong"]["text"].startswith(
        "not valid TOML"
    )
    assert json.loads(client.post("/car/about/check", mass="3kg").text)["wrong"]["mass"].startswith("'3kg'")
    assert (store / "car.toml").read_text() == text


def test_two_windows_do_not_lose_each_others_changes(store: Path, client: Client) -> None:
    """The second is told, has what it typed, and sends it again; both changes are in the file then."""
    (store / "car.toml").write_text(examples.text("wren.toml"))
    first, second = client.get("/car/file/car"), client.get("/car/file/car")
    mine = {"version": version(first, "g-car"), "car.mass_kg": "400"}
    theirs = {"version": version(second, "g-fuel"), "fuel.blend": "E10"}
    assert client.post("/car/file/car/part/car", **mine).status == 303
    refused = client.post("/car/file/car/part/fuel", **theirs)
    assert refused.status == 422 and "changed in the meantime" in told(refused)[0] and 'value="E10"' in refused.text
    again = client.post("/car/file/car/part/fuel", **{**theirs, "version": version(refused, "g-fuel")})
    assert again.status == 303
    car = load(store / "car.toml", CarConfig)
    assert (car.car.mass_kg, car.fuel.blend) == (400, "E10")


def test_sent_at_the_same_instant_one_wins_and_the_other_is_told(store: Path, client: Client) -> None:
    (store / "car.toml").write_text(examples.text("wren.toml"))
    mine = version(client.get("/car/file/car"), "g-car")
    answers: list[int] = []

    def one(mass: int) -> None:
        answers.append(client.post("/car/file/car/part/car", **{"version": mine, "car.mass_kg": str(mass)}).status)

    threads = [threading.Thread(target=one, args=(400 + n,)) for n in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(answers) == [303] + [422] * 7


def test_as_text(store: Path, client: Client) -> None:
    (store / "recorder.toml").write_text(examples.text("recorder.toml"))
    text = examples.text("recorder.toml").replace("park_after_s = 180", "park_after_s = 240")
    assert as_text(client, "recorder", text).status == 303
    assert (store / "recorder.toml").read_text() == text
    wrong = as_text(client, "recorder", text.replace("park_after_s", "park_afer_s"))
    assert "did you mean 'park_after_s'" in told(wrong)[1] and (store / "recorder.toml").read_text() == text
    wrong = as_text(client, "recorder", text.replace("[recorder]", "[recorder", 1))
    assert "not valid TOML" in told(wrong)[1] and (store / "recorder.toml").read_text() == text


def test_a_file_that_cannot_be_used_is_mended_as_text(store: Path, client: Client) -> None:
    """And the others' pages say which file is wrong."""
    (store / "recorder.toml").write_text("[recorder\nflush_s = 0,5\n")
    page = client.get("/car/file/recorder")
    assert page.status == 200 and "line 1" in told(page)[0]
    assert client.get("/car").status == 200
    assert "recorder.toml" in told(client.get("/car/file/car"))[0]
    assert as_text(client, "recorder", examples.text("recorder.toml")).status == 303
    assert "in order" in client.get("/car").text


def test_a_source_is_taken_away_and_stays_as_comments(store: Path, client: Client) -> None:
    (store / "recorder.toml").write_text(text := examples.text("recorder.toml"))
    page = client.get("/car/file/recorder")
    away = client.post("/car/file/recorder/away/1", version=version(page, "away-source-1"))
    assert away.status == 303
    after = (store / "recorder.toml").read_text()
    assert [each.name for each in load(store / "recorder.toml", RecorderConfig).source] == ["gps"]
    assert '#name = "mixture"' in after and len(after.split("\n")) == len(text.split("\n"))
    page = client.get("/car/file/recorder")
    last = client.post("/car/file/recorder/away/0", version=version(page, "away-source-0"))
    assert last.status == 422 and "needs at least one source" in told(last)[0]
    assert (store / "recorder.toml").read_text() == after


def test_a_private_place_is_added(store: Path, client: Client) -> None:
    (store / "recorder.toml").write_text(examples.text("recorder.toml"))
    typed = {"privacy.circle.0.name": HOSTILE, "privacy.circle.0.lat_deg": "53.4", "privacy.circle.0.lon_deg": "-0.4"}
    assert send(client, "recorder", "new-circle", **typed).status == 303
    (circle,) = load(store / "recorder.toml", RecorderConfig).privacy.circle
    assert (circle.lat_deg, circle.lon_deg, circle.radius_m, circle.name) == (53.4, -0.4, 300, HOSTILE)
    page = client.get("/car/file/recorder")
    assert "<img src=x" not in page.text and "\u202e" not in page.text  # text, and seen
    assert send(client, "recorder", "new-circle", **{"privacy.circle.1.lat_deg": "953.4"}).status == 422


def test_a_setup_is_put_in_force_and_the_one_before_is_kept(store: Path, client: Client) -> None:
    general = {"name": "as built", "date": "2026-04-18"}
    page = client.get("/car/file/setup")
    assert "not there yet" in page.text
    assert send(client, "setup", "general", **general).status == 303
    assert send(client, "setup", "parts", **{"+0.name": "main_jet_mm", "+0.value": "1.09"}).status == 303
    assert send(client, "setup", "parts", **{"parts.main_jet_mm": "1.06"}).status == 303
    setup = load(store / "setup.toml", SetupConfig)
    assert (setup.name, setup.parts) == ("as built", {"main_jet_mm": 1.06})
    assert len(list((store / "setups-before").iterdir())) == 2
    assert send(client, "setup", "parts", **{"+0.name": "Main Jet", "+0.value": "1"}).status == 422


def test_own_jets(store: Path, client: Client) -> None:
    typed = {"jet.0.mark": "106", "jet.0.measured_mm": "1.06"}
    assert send(client, "jets", "new-jet", **typed).status == 303
    assert (store / "jets.toml").read_text().count("[[jet]]") == 1
    assert send(client, "jets", "jet-0", **{"jet.0.measured_mm": "1.07"}).status == 303


def test_hostile_names_are_text(store: Path, client: Client) -> None:
    (store / "car.toml").write_text(examples.text("wren.toml"))
    assert send(client, "car", "car", **{"car.name": HOSTILE, "car.mass_kg": "392"}).status == 303
    assert load(store / "car.toml", CarConfig).car.name == HOSTILE
    for path in ("/car", "/car/about", "/car/file/car"):
        page = client.get(path).text
        assert "<img src=x" not in page and "\u202e" not in page
    refused = send(client, "car", "car", **{"car.cooling": HOSTILE, "car.mass_kg": HOSTILE})
    assert refused.status == 422 and "<img src=x" not in refused.text


@pytest.mark.parametrize("path", ["/car/file/passwd", "/car/file/..recorder", "/car/file/recorder.toml"])
def test_no_other_file(client: Client, path: str) -> None:
    assert client.get(path).status == 404
    assert client.post(f"{path}/text", text="x", version="none").status == 404


def test_a_long_text_is_refused_and_not_cut(store: Path, client: Client) -> None:
    (store / "car.toml").write_text(text := examples.text("wren.toml"))
    answer = as_text(client, "car", text + "#" + "x" * 50_000)
    assert answer.status == 422 and "too many" in answer.text and (store / "car.toml").read_text() == text


def test_a_store_that_takes_nothing_is_told(store: Path, client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    (store / "car.toml").write_text(text := examples.text("wren.toml"))

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("logger.store.disk.Disk.put_file", full)
    answer = send(client, "car", "fuel", **{"fuel.blend": "E10"})
    assert answer.status == 422 and "No space left" in told(answer)[0] and (store / "car.toml").read_text() == text
