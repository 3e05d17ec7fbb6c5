"""`captions` from end to end: the files it writes, held against what was driven, and what it says of them."""

from __future__ import annotations

import json
import math
import os
import re
import stat
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pysubs2
import pytest
import webvtt
from made_drives import RIG, START, make_drive
from simulate import Brake, Cruise, Phase, Pull, Stand, Truth, mixture_of
from typer.testing import CliRunner

from analysis.answers.captions import captions_answer
from analysis.cli import sharing
from analysis.store import DriveStore
from logger.errors import InputError, NoAnswer

MPH = 0.44704  # exact (NIST SP 811, appendix B.8)
FOOT = 0.3048
SCRIPT: list[Phase] = [
    Stand(10), Pull(20.0, "bite"), Brake(0, 3.0), Stand(8), Pull(20.0, "bite"), Brake(0, 3.0), Stand(8),
]  # fmt: skip
NOTES = [(6.0, "clap"), (50.0, "clap again"), (51.5, r"{\an8}<b>windy</b> --> C:\new")]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str, Truth]:
    store = tmp_path_factory.mktemp("store")
    drive, truth = make_drive(store, SCRIPT, noise_mps=0.02, notes=NOTES)
    return store, drive.id, truth


def said(*arguments: str) -> str:
    done = CliRunner().invoke(sharing.app, ["captions", *arguments])
    if done.exception is not None:
        raise done.exception
    return done.stdout


def seconds(stamp: str) -> float:
    hours, minutes, rest = stamp.split(":")
    return int(hours) * 3600 + int(minutes) * 60 + float(rest)


def cues_of(path: Path) -> list[tuple[float, float, list[str]]]:
    """Beginning, end [s] and lines of each cue of a WebVTT file, as webvtt-py reads it."""
    return [(seconds(cue.start), seconds(cue.end), cue.text.split("\n")) for cue in webvtt.read(path)]


def shown_at(cues: list[tuple[float, float, list[str]]], t: float) -> list[str]:
    return next((lines for start, end, lines in cues if start <= t < end), [])


def run_of(truth: Truth, number: int) -> Any:
    return truth.runs[number - 1]


# --- what the files show ------------------------------------------------------------------------------------------


def test_the_files_show_what_the_car_did_at_that_moment_of_the_video(
    made: tuple[Path, str, Truth], tmp_path: Path
) -> None:
    """The video starts ten seconds after time 0 of the truth; each cue is looked up in what was driven."""
    store, name, truth = made
    begin = START + timedelta(seconds=10)
    told = json.loads(
        said(name, "--store", str(store), "--video-start", begin.isoformat(), "--out", str(tmp_path), "--json")
    )
    assert [Path(path).suffix for path in told["files"]] == [".vtt", ".srt", ".ass"]
    assert sorted(tmp_path.iterdir()) == sorted(Path(path) for path in told["files"])
    cues = cues_of(tmp_path / f"{name}-captions.vtt")
    speeds = 0
    for t in np.arange(1.0, 40.0, 1.7):
        near = truth.at(np.array([10 + t - 0.05, 10 + t, 10 + t + 0.05])) / MPH
        lines = shown_at(cues, float(t))
        speed = next(line for line in lines if line.endswith(" mph"))
        assert near.min() - 0.7 <= float(speed.removesuffix(" mph")) <= near.max() + 0.7
        speeds += near.max() > 10
    assert speeds > 8
    for number in (1, 2):
        true = run_of(truth, number)
        foot = true.start_s + true.time_at(FOOT) - 10
        middle = float(foot) + 4.05
        assert f"run {number}  4.0 s" in shown_at(cues, middle)
        passed = true.start_s + true.time_to(30 * MPH) - 10
        lines = shown_at(cues, float(passed) + 0.3)
        split = next(line for line in lines if line.startswith("30 mph  "))
        assert float(split.split()[2]) == pytest.approx(true.time_to(30 * MPH) - true.time_at(FOOT), abs=0.06)
        assert not any(line.startswith("30 mph  ") for line in shown_at(cues, float(passed) - 0.2))
        assert [line.split("  ")[0] for line in lines if re.match(r"\d+ mph  ", line)] == ["10 mph", "20 mph", "30 mph"]
    assert not any("windy" in line for _, _, lines in cues for line in lines)
    # The same stretches in SubRip, and each thing by itself in ASS.
    srt = pysubs2.load(str(tmp_path / f"{name}-captions.srt"))
    assert [(e.start, e.plaintext) for e in srt] == [
        (round(start * 1000), "\n".join(lines)) for start, _, lines in cues
    ]
    styled = pysubs2.load(str(tmp_path / f"{name}-captions.ass"))
    assert {event.style for event in styled} == {"speed", "value", "clock", "splits"}
    afr = [e for e in styled if e.style == "value"]
    assert all(re.fullmatch(r"AFR \d\d\.\d", e.text) for e in afr)
    pulling = 1000 * (run_of(truth, 1).start_s - 10)
    full = [float(e.text[4:]) for e in afr if e.start < pulling + 9000 and e.end > pulling + 6000]
    assert full and all(11 < value < 13.5 for value in full)  # rich at full throttle (the simulated main jet)


def test_notes_are_shown_as_written_and_as_nothing_else(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    """Braces, tags, arrows and backslashes of a note are words: no override, no markup, no new line, no new cue."""
    store, name, _ = made
    said(name, "--store", str(store), "--video-start", "+0:00", "--notes", "--out", str(tmp_path))
    vtt = (tmp_path / f"{name}-captions.vtt").read_text(encoding="utf-8")
    times = [line for line in vtt.splitlines() if "-->" in line]
    assert all(re.fullmatch(r"\S+ --> \S+ align:start position:4%", line) for line in times)
    assert len(times) == len(list(webvtt.read(tmp_path / f"{name}-captions.vtt"))) > 100
    assert "\n{\u29f5an8}&lt;b&gt;windy&lt;/b&gt; --&gt; C:\u29f5new\n" in vtt
    srt = (tmp_path / f"{name}-captions.srt").read_text(encoding="utf-8")
    assert "\n\uff5b\u29f5an8\uff5d\u2039b\u203awindy\u2039/b\u203a -\u203a C:\u29f5new\n" in srt
    styled = pysubs2.load(str(tmp_path / f"{name}-captions.ass"))
    notes = [event for event in styled if event.style == "note"]
    assert [event.text for event in notes][:2] == ["clap", "clap again"]
    assert notes[2].plaintext == "\uff5b\u29f5an8\uff5d\u2039b\u203awindy\u2039/b\u203a --\u203a C:\u29f5new"
    begun = DriveStore(store).drive(name).drive.manifest.started_utc.timestamp() - START.timestamp()
    assert [event.start / 1000 for event in notes] == pytest.approx([at - begun for at, _ in NOTES], abs=0.02)


def test_the_mixture_is_shown_when_the_engine_burnt_it(tmp_path: Path) -> None:
    """The sensor is late by 0.4 s of pipe and 0.2 s of its own; the recorder's file says 0.6 s. Shown late, the changes
    at lift and pull would leave a root mean square of 0.8 AFR."""
    rig = RIG.replace('kind = "numbers"', 'kind = "numbers"\nlatency_s = 0.6')
    drive, truth = make_drive(tmp_path / "store", SCRIPT, noise_mps=0.02, rig=rig)
    options = ["--store", str(tmp_path / "store"), "--video-start", START.isoformat(), "--out", str(tmp_path)]
    said(drive.id, *options)
    burnt = mixture_of(1.09)(truth.v_mps, truth.throttle)
    wrong = []
    for event in pysubs2.load(str(tmp_path / f"{drive.id}-captions.ass")):
        if event.style == "value":
            for start in np.arange(event.start / 1000, event.end / 1000 - 0.25, 0.5):
                inside = (truth.t_s >= start) & (truth.t_s < start + 0.5)
                wrong.append(float(event.text.removeprefix("AFR ")) - float(burnt[inside].mean()))
    assert len(wrong) > 100 and math.sqrt(np.mean(np.square(wrong))) < 0.2


# --- where the video lies -----------------------------------------------------------------------------------------


def begins(made: tuple[Path, str, Truth], out: Path, *arguments: str) -> dict[str, Any]:
    """The JSON answer, and the video's beginning on the truth's time as `at`."""
    store, name, _ = made
    told = json.loads(said(name, "--store", str(store), "--out", str(out), "--force", "--json", *arguments))
    zero = DriveStore(store).drive(name).motion.epoch_utc_ns / 1e9 - START.timestamp()
    return {**told, "at": told["drive_s_at_video_start"] + zero}


def test_a_run_a_stop_or_a_note_says_where_the_video_lies(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    truth = made[2]
    second = run_of(truth, 2)
    run = begins(made, tmp_path, "--sync", "run 2", "--at", "0:12.5")
    assert run["at"] == pytest.approx(second.start_s - 12.5, abs=0.2) and 0 < run["sigma_s"] < 0.3
    assert run["rate"] == 1 and run["residual_s"] == 0
    stood = float(truth.t_s[(truth.t_s > second.t_s[-1]) & (truth.v_mps == 0)][0])
    stop = begins(made, tmp_path, "--sync", "STOP 2", "--at", "600f", "--fps", "29.97")
    assert stop["at"] == pytest.approx(stood - 600 * 1001 / 30_000, abs=0.4)
    assert stop["sigma_s"] == pytest.approx(0.05, rel=0.05)
    note = begins(made, tmp_path, "--sync", "clap", "--at", "2s")
    assert note["at"] == pytest.approx(4.0, abs=0.01) and note["sigma_s"] == 0.2
    bare = begins(made, tmp_path, "--sync", "again")
    assert bare["at"] == pytest.approx(50.0, abs=0.01)
    given = begins(made, tmp_path, "--video-start", (START + timedelta(seconds=3)).isoformat())
    assert given["at"] == pytest.approx(3.0, abs=1e-6) and given["sigma_s"] == 0
    two = begins(made, tmp_path, "--sync", "clap", "--at", "1:00", "--sync", "clap again", "--at", "1:44.3")
    assert two["at"] == pytest.approx((6 - 60 + 50 - 104.3) / 2, abs=0.01)
    assert two["residual_s"] == pytest.approx(0.15, abs=0.01) and two["rate"] == 1


def test_frames_of_ntsc_are_counted_by_their_true_rate(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    """29.97 stands for 30000/1001 frames a second (SMPTE ST 12-1): 0.2 s off after two hours if taken as written."""
    frames = begins(made, tmp_path, "--sync", "clap", "--at", "200000f", "--fps", "29.97")
    plain = begins(made, tmp_path, "--sync", "clap", "--at", f"{200_000 * 1001 / 30_000:.6f}s")
    assert frames["at"] == pytest.approx(plain["at"], abs=1e-4)
    assert plain["at"] == pytest.approx(6 - 200_000 * 1001 / 30_000, abs=0.01)


def test_two_moments_far_apart_tell_the_cameras_clock(tmp_path: Path) -> None:
    """A camera that is 200 ppm fast: of its 330.066 s, 330 pass in the drive."""
    store = tmp_path / "store"
    notes = [(6.0, "first"), (336.0, "second")]
    drive, truth = make_drive(store, [Stand(10), Pull(15.0), Cruise(15.0, 320), Brake(0), Stand(10)], notes=notes)
    where = ["--store", str(store), "--out", str(tmp_path), "--force"]
    options = [*where, "--sync", "first", "--at", "6s", "--sync", "second", "--at", "336.066s"]
    told = json.loads(said(drive.id, *options, "--json"))
    assert told["rate"] == pytest.approx(330 / 330.066, abs=2e-6) and told["residual_s"] == pytest.approx(0, abs=1e-6)
    assert "Its clock differs from GPS time by -200 parts in a million." in " ".join(said(drive.id, *options).split())
    (run,) = truth.runs
    passed = run.start_s + run.time_to(30 * MPH)
    lines = shown_at(cues_of(tmp_path / f"{drive.id}-captions.vtt"), float(passed) + 0.3)
    assert any(line.startswith("30 mph  ") for line in lines)


def test_text_json_and_answer_are_one(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    store, name, _ = made
    drive = DriveStore(store).drive(name)
    made_ = captions_answer(drive, sync=["clap", "clap again"], at_s=[60.0, 104.3], folder=tmp_path)
    options = ["--sync", "clap", "--at", "60s", "--sync", "clap again", "--at", "1:44.3", "--out", str(tmp_path)]
    told = json.loads(said(name, "--store", str(store), *options, "--force", "--json"))
    assert told == made_.to_json()
    text = " ".join(said(name, "--store", str(store), *options, "--force").split())
    assert f"The video starts {made_.drive_s_at_video_start:.2f} s after the drive's first fix." in text
    assert "known to about 0.20 s" in text and f"sync points agree to {made_.residual_s:.2f} s" in text
    for path in made_.files:
        assert f"Wrote {path}" in text.replace("- ", "-") or path.name in text.replace(" ", "")
    assert made_.burn_in[0] in text and f"{name}-captions.ass" in made_.burn_in[0]
    assert "parts in a million" not in text


def test_what_cannot_be_placed_is_one_line_and_nothing_is_written(
    made: tuple[Path, str, Truth], tmp_path: Path
) -> None:
    store, name, _ = made
    for arguments, why in (
        ([], "start of the video is not known"),
        (["--sync", "run 9"], "has runs 1 to 2"),
        (["--sync", "nonsense"], "no note of .* has 'nonsense'"),
        (["--sync", "a"], "2 notes of|3 notes of"),
        (["--sync", "clap", "--at", "1s", "--at", "2s"], "1 times and --at 2 times"),
        (["--sync", "clap", "--video-start", "+0:00"], "Give one of them"),
        (["--video-start", "+0:00", "--video-start", "+0:05"], "2 times for 0 clips"),
        (["--video-start", "2026-05-02T09:14:30"], "no time zone"),
        (["--video-start", "yesterday"], "expected a time"),
        (["--sync", "clap", "--at", "1:99"], "--at"),
        (["--sync", "clap", "--at", "9f", "--fps", "0"], "--fps"),
        (["--sync", "clap", "--length", "5"], "no unit"),
        (["--video-start", "+0:00", "--clip", str(tmp_path / "none.mp4")], "no such file"),
    ):
        with pytest.raises(InputError, match=why):
            said(name, "--store", str(store), "--out", str(tmp_path), *arguments)
    with pytest.raises(NoAnswer, match="no part of drive"):
        said(name, "--store", str(store), "--out", str(tmp_path), "--video-start", "+99:00")
    assert list(tmp_path.iterdir()) == []


def test_files_are_not_written_over_unless_asked(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    store, name, _ = made
    (tmp_path / f"{name}-captions.vtt").write_text("mine")
    options = [name, "--store", str(store), "--out", str(tmp_path), "--video-start", "+0:00"]
    with pytest.raises(InputError, match="exists already"):
        said(*options)
    assert (tmp_path / f"{name}-captions.vtt").read_text() == "mine"
    said(*options, "--force")
    assert (tmp_path / f"{name}-captions.vtt").read_text().startswith("WEBVTT")
    with pytest.raises(InputError, match="inside a drive"):
        said(name, "--store", str(store), "--out", str(store / name), "--video-start", "+0:00")


def test_a_length_cuts_the_captions(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    store, name, _ = made
    said(name, "--store", str(store), "--out", str(tmp_path), "--video-start", "+0:10", "--length", "5s")
    cues = cues_of(tmp_path / f"{name}-captions.vtt")
    assert cues[-1][1] == 5 and cues[0][0] == 0


# --- clips --------------------------------------------------------------------------------------------------------


@pytest.fixture
def probed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder of clips, and a stand-in for ffprobe that says of each what its name says: length, width, height.

    What it prints is ffprobe's JSON writer's (ffmpeg 5, from memory); `test_captions` asks the real one where it is.
    """
    if os.name == "nt":
        pytest.skip("a script is no program there")
    tool = tmp_path / "bin" / "ffprobe"
    tool.parent.mkdir()
    tool.write_text(
        f"#!{sys.executable}\nimport json, pathlib, sys\n"
        "length, width, height = pathlib.Path(sys.argv[-1]).stem.split('_')[1:]\n"
        "stream = {'width': int(width), 'height': int(height)}\n"
        "print(json.dumps({'streams': [stream], 'format': {'duration': length}}))\n"
    )
    tool.chmod(tool.stat().st_mode | stat.S_IEXEC)
    monkeypatch.setenv("PATH", f"{tool.parent}{os.pathsep}{os.environ['PATH']}")
    for clip in ("a_12.5_1280_720", "b_20_1080_1920", "other/a_12.5_1280_720"):
        path = tmp_path / f"{clip}.mp4"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(b"video")
    return tmp_path


def test_clips_of_one_recording_follow_each_other(made: tuple[Path, str, Truth], probed: Path) -> None:
    store, name, truth = made
    out = probed / "out"
    first, second = (probed / f"{clip}.mp4" for clip in ("a_12.5_1280_720", "b_20_1080_1920"))
    begin = ["--video-start", (START + timedelta(seconds=5)).isoformat()]
    options = [name, "--store", str(store), "--out", str(out), "--clip", str(first), "--clip", str(second)]
    told = json.loads(said(*options, *begin, "--json"))
    assert [Path(path).name for path in told["files"]] == [
        f"{path.stem}.{suffix}" for path in (first, second) for suffix in ("vtt", "srt", "ass")
    ]
    cues = cues_of(out / "b_20_1080_1920.vtt")
    for t in (1.0, 3.3, 18.0):
        speed = next(line for line in shown_at(cues, t) if line.endswith(" mph"))
        near = truth.at(np.array([5 + 12.5 + t])) / MPH
        assert float(speed.removesuffix(" mph")) == pytest.approx(float(near[0]), abs=0.8)
    assert max(end for _, end, _ in cues_of(out / "a_12.5_1280_720.vtt")) == 12.5
    for path, size in ((first, ("1280", "720")), (second, ("1080", "1920"))):
        styled = pysubs2.load(str(out / f"{path.stem}.ass"))
        assert (styled.info["PlayResX"], styled.info["PlayResY"]) == size
    assert [f"{out / 'b_20_1080_1920-captioned.mp4'}" in command for command in told["burn_in"]] == [False, True]
    # Begun apart: each has its own start.
    apart = ["--video-start", START.isoformat(), "--video-start", (START + timedelta(seconds=30)).isoformat()]
    told = json.loads(said(*options, *apart, "--force", "--json"))
    assert np.diff(told["video_starts_s"]) == pytest.approx([30.0])
    cues = cues_of(out / "b_20_1080_1920.vtt")
    t = run_of(truth, 2).start_s + run_of(truth, 2).time_at(FOOT) - 30
    assert "run 2  3.0 s" in shown_at(cues, float(t) + 3.05)
    text = said(*options, *apart, "--force")
    assert text.count("The video starts") == 2


def test_two_clips_of_one_name_are_refused(made: tuple[Path, str, Truth], probed: Path) -> None:
    store, name, _ = made
    clips = [str(probed / "a_12.5_1280_720.mp4"), str(probed / "other" / "a_12.5_1280_720.mp4")]
    with pytest.raises(InputError, match="two clips have the name"):
        said(name, "--store", str(store), "--video-start", "+0:00", "--clip", clips[0], "--clip", clips[1],
             "--out", str(probed / "out"))  # fmt: skip
    assert not (probed / "out").exists()


def test_the_moments_of_an_answer_are_a_notebooks_as_well(made: tuple[Path, str, Truth], tmp_path: Path) -> None:
    """Seconds into the drive, or a time in any zone."""
    drive = DriveStore(made[0]).drive(made[1])
    start = drive.drive.manifest.started_utc
    by_time = captions_answer(drive, starts=[start.astimezone(UTC) + timedelta(seconds=4)], folder=tmp_path)
    by_way = captions_answer(drive, starts=[4.0], folder=tmp_path, force=True)
    assert by_time.drive_s_at_video_start == pytest.approx(by_way.drive_s_at_video_start, abs=1e-6)
    assert isinstance(start, datetime) and math.isfinite(by_way.rate)
