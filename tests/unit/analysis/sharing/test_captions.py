"""Captions: what they show and when, where a video lies, and what players make of them."""

from __future__ import annotations

import itertools
import os
import re
import shlex
import shutil
import subprocess
import wave
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_drives import make_drive
from simulate import Brake, Cruise, Lift, Pull, Stand

from analysis.drive import AnalysedDrive
from analysis.sharing import captions
from analysis.sharing.captions import CaptionLine, align, ass, cues, on_video, subrip, webvtt
from analysis.sharing.video import burn_command, burn_words, find_clap, probe, read_sound
from logger.errors import InputError, NoAnswer
from logger.units import FOOT_M, MPS_PER_MPH

FRAME_S = 1 / 30
SCRIPT = [Stand(10), Pull(22.0, launch="slip"), Lift(15, 5), Brake(0), Stand(8), Pull(22.0), Brake(0), Stand(8)]

needs_ffmpeg = pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")


@pytest.fixture(scope="module")
def quiet(tmp_path_factory):
    """A drive of two standing starts, seen by a receiver with little noise, and its truth on the motion's axis."""
    drive, truth = make_drive(tmp_path_factory.mktemp("store"), SCRIPT, noise_mps=0.01)
    found = AnalysedDrive(drive)
    zero = found.motion.epoch_utc_ns / 1e9 - drive_zero(drive)
    return found, truth, zero


def drive_zero(drive):
    """The truth's time 0 as seconds since 1970: `made_drives.START`."""
    from made_drives import START

    return START.timestamp()


def shown_at(lines: list[CaptionLine], slot: str, t: float) -> str | None:
    return next((line.text for line in lines if line.slot == slot and line.start_s <= t < line.end_s), None)


# --- what is shown, and when --------------------------------------------------------------------------------------


def test_speed_is_within_one_frame_of_the_truth(quiet):
    """At every 10 ms of the drive the speed shown is one that the car truly had within 1/30 s, give or take what the
    receiver's noise leaves of it (0.01 m/s before smoothing)."""
    found, truth, zero = quiet
    lines = captions.speed_lines(found.motion, "mph")
    slack = 0.02 / MPS_PER_MPH
    wrong = []
    times = np.arange(found.motion.t_s[0] + 0.1, found.motion.t_s[-1] - 0.1, 0.01)
    at = 0
    for t in times:
        while lines[at].end_s <= t:
            at += 1
        near = truth.at(t + zero + np.linspace(-FRAME_S, FRAME_S, 21)) / MPS_PER_MPH
        value = float(lines[at].text.removesuffix(" mph"))
        if not near.min() - 0.5 - slack <= value <= near.max() + 0.5 + slack:
            wrong.append((t, value, near.min(), near.max()))
    # An edge of acceleration (a launch, a lift) is smeared over a fix or two, so a few hundredths are off there.
    assert len(wrong) <= 0.01 * len(times), wrong[:5]
    assert max((min(abs(v - lo), abs(v - hi)) for _, v, lo, hi in wrong), default=0.0) < 1.0


def test_clock_and_splits_are_within_one_frame_of_the_truth(quiet):
    found, truth, zero = quiet
    lines = captions.run_lines(found.table_runs("mph"), "mph")
    assert len(found.table_runs("mph")) == len(truth.runs) == 2
    for run, true in zip(found.table_runs("mph"), truth.runs, strict=True):
        foot = float(np.interp(true.s_m[0] + FOOT_M, true.s_m, true.t_s)) - zero
        first = next(line for line in lines if line.slot == "clock" and line.text == f"run {run.n}  0.0 s")
        assert first.start_s == pytest.approx(foot, abs=FRAME_S)
        for elapsed in (1.0, 3.3, 6.7):
            line = next(line for line in lines if line.text == f"run {run.n}  {elapsed:.1f} s")
            assert line.start_s == pytest.approx(foot + elapsed, abs=FRAME_S)
            assert line.end_s - line.start_s == pytest.approx(0.1, abs=1e-6)
        for mph in (10, 20, 30, 40):
            passed = float(np.interp(mph * MPS_PER_MPH, true.v_mps, true.t_s)) - zero
            line = next(
                line for line in lines
                if line.slot == "splits" and line.start_s > foot and line.text.split("\n")[-1].startswith(f"{mph} mph")
            )  # fmt: skip
            assert line.start_s == pytest.approx(passed, abs=FRAME_S)


def test_what_is_shown_changes_with_the_figure_and_not_otherwise(quiet):
    found, _, _ = quiet
    lines = captions.speed_lines(found.motion, "km/h")
    for a, b in itertools.pairwise(lines):
        assert a.text != b.text and a.end_s == b.start_s


def test_a_cruise_does_not_flicker(tmp_path):
    drive, _ = make_drive(tmp_path, [Stand(5), Pull(18.0), Cruise(18.0, 60), Brake(0), Stand(5)])
    found = AnalysedDrive(drive)
    lines = [x for x in captions.speed_lines(found.motion, "mph") if 25 < x.start_s < 65]
    assert len(lines) <= 40  # once a second at most, with 0.05 m/s of noise


def test_nothing_is_shown_where_fixes_are_missing(quiet):
    from dataclasses import replace

    from analysis.motion.noise import Interval

    found, _, _ = quiet
    motion = replace(found.motion, gaps=[Interval(12.0, 15.0)])
    lines = captions.speed_lines(motion, "mph")
    assert shown_at(lines, "speed", 13.0) is None
    assert shown_at(lines, "speed", 11.9) and shown_at(lines, "speed", 15.1)


def test_a_channel_is_the_mean_of_half_a_second():
    t = np.arange(0, 3, 0.1) + 0.05
    y = np.where(t < 1, 12.0, 13.0) + np.where(np.arange(30) % 2, 0.3, -0.3)
    y[20:25] = np.nan
    lines = captions.value_lines(t, y, "AFR {:.1f}")
    assert [(x.start_s, x.end_s, x.text) for x in lines] == [
        (0.0, 0.5, "AFR 11.9"), (0.5, 1.0, "AFR 12.1"), (1.0, 1.5, "AFR 12.9"), (1.5, 2.0, "AFR 13.1"),
        (2.5, 3.0, "AFR 13.1"),
    ]  # fmt: skip
    assert captions.value_lines([], [], "{}") == []


def test_notes_are_one_line_and_give_way_to_the_next():
    lines = captions.note_lines([(5.0, "two\nlines"), (1.0, "a"), (3.0, "b"), (9.0, "  ")])
    assert [(x.start_s, x.end_s, x.text) for x in lines] == [(1, 3, "a"), (3, 5, "b"), (5, 9, "two lines")]


# --- where the video lies -----------------------------------------------------------------------------------------


def test_one_point_gives_an_offset():
    fit = align([(12.4, 131.0)])
    assert (fit.offset_s, fit.rate, fit.residual_s) == (pytest.approx(118.6), 1.0, 0.0)
    assert fit.to_video(131.0) == pytest.approx(12.4)


def test_two_points_far_apart_take_out_the_drift_of_the_camera():
    """A camera 40 ppm fast is 0.43 s off at the end of three hours: 13 frames at 30 a second."""
    rate, offset = 1 / (1 + 40e-6), 55.0
    points = [(v, offset + rate * v) for v in (20.0, 9000.0)]
    fit = align(points)
    assert abs(fit.to_video(offset + rate * 10_800) - 10_800) < 1e-6
    assert abs(align(points[:1]).to_video(offset + rate * 10_800) - 10_800) > 0.4


def test_points_close_together_do_not_make_a_rate():
    fit = align([(10.0, 20.0), (40.0, 50.04)])
    assert fit.rate == 1.0
    assert fit.residual_s == pytest.approx(0.02)


def test_points_that_contradict_each_other_are_refused():
    with pytest.raises(InputError, match="sync points differ"):
        align([(10.0, 20.0), (4010.0, 4030.0)])
    with pytest.raises(InputError, match="sync points differ"):
        align([(10.0, 20.0), (20.0, 45.0)])
    with pytest.raises(InputError, match="nothing says"):
        align([])


def test_nothing_lies_later_in_a_video_than_ass_can_write():
    lines = [CaptionLine(k * 3600.0, k * 3600 + 7200.0, "speed", str(k)) for k in range(0, 30, 2)]
    cut = on_video(lines, align([(0.0, 0.0)]))
    assert [line.text for line in cut] == ["0", "2", "4", "6", "8"]
    assert [line for line in ass(cut).splitlines() if ",9:59:59.99," in line]
    assert on_video(lines, align([(0.0, -1.8e9)])) == []  # a video that begins in 1970


def test_clips_of_one_recording_follow_each_other():
    lines = [CaptionLine(float(k), k + 1.0, "speed", str(k)) for k in range(20)]
    fit = align([(0.0, 3.0)])
    first, second = on_video(lines, fit, 7.5), on_video(lines, fit, 100.0, from_s=7.5)
    assert first[0] == CaptionLine(0.0, 1.0, "speed", "3") and first[-1] == CaptionLine(7.0, 7.5, "speed", "10")
    assert second[0] == CaptionLine(0.0, 0.5, "speed", "10") and second[-1] == CaptionLine(8.5, 9.5, "speed", "19")


def sound_of(clap_s: float | None, rate: float = 16_000, length_s: float = 40.0, seed: int = 3, loud: float = 0.6):
    """An idling single, wind, a voice-like hum, and a clap."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(length_s * rate)) / rate
    x = 0.15 * np.sign(np.sin(2 * np.pi * 14 * t)) * np.exp(-((t * 28) % 1) * 6) + 0.02 * rng.standard_normal(len(t))
    x += 0.05 * np.sin(2 * np.pi * 210 * t) * (np.sin(2 * np.pi * 0.3 * t) > 0)
    if clap_s is not None:
        at = round(clap_s * rate)
        burst = rng.standard_normal(int(0.15 * rate)) * np.exp(-np.arange(int(0.15 * rate)) / (0.012 * rate))
        x[at : at + len(burst)] += loud * burst
    return x, rate


@pytest.mark.parametrize("seed", range(6))
def test_a_clap_is_found_to_a_tenth_of_a_frame(seed):
    when = 4.2 + 5.137 * seed
    clap = find_clap(*sound_of(when, seed=seed))
    assert clap.time_s == pytest.approx(when, abs=0.003)
    assert clap.clarity >= 2


def test_no_clap_is_no_answer():
    with pytest.raises(NoAnswer, match="--at"):
        find_clap(*sound_of(None))
    with pytest.raises(NoAnswer, match="no sound"):
        find_clap(np.zeros(16_000), 16_000)
    x, rate = sound_of(8.0)
    y, _ = sound_of(30.0, seed=3)
    with pytest.raises(NoAnswer, match=r"8\.00 s, 30\.00 s"):
        find_clap(np.maximum(x, y) + np.minimum(x, y), rate)


# --- the formats --------------------------------------------------------------------------------------------------


def test_slots_are_put_together_where_anything_changes():
    lines = [
        CaptionLine(0, 2, "speed", "10 mph"),
        CaptionLine(2, 4, "speed", "11 mph"),
        CaptionLine(1, 3, "clock", "run 1  0.0 s"),
    ]
    assert [tuple(cue) for cue in cues(lines)] == [
        (0, 1000, ("10 mph",)),
        (1000, 2000, ("10 mph", "run 1  0.0 s")),
        (2000, 3000, ("11 mph", "run 1  0.0 s")),
        (3000, 4000, ("11 mph",)),
    ]


def test_long_videos_have_long_clocks():
    lines = [CaptionLine(3 * 3600 + 62.0625, 3 * 3600 + 63.5, "speed", "44 mph")]
    assert "03:01:02.062 --> 03:01:03.500" in webvtt(lines)
    assert "03:01:02,062 --> 03:01:03,500" in subrip(lines)
    assert "Dialogue: 0,3:01:02.06,3:01:03.50,speed,,0,0,0,,44 mph" in ass(lines)


HOSTILE = [
    "--> 00:00:09.000",
    "<script>alert(1)</script>",
    r"{\pos(0,0)}x",
    "a\n\nb",
    "\u202egnp",
    "&lt;",
    r"\N",
    "\x00",
]


@pytest.mark.parametrize("text", HOSTILE)
def test_hostile_words_stay_words(text):
    lines = [CaptionLine(0, 1, "note", text), CaptionLine(1, 2, "note", "after")]
    vtt, srt, styled = webvtt(lines), subrip(lines), ass(lines)
    for out in (vtt, srt):
        assert len(re.findall(r"^\d\d:\d\d:\d\d[.,]\d{3} --> ", out, re.M)) == out.count("-->") == out.count("-->")
        assert "\u202e" not in out and "\x00" not in out
    assert "<script" not in vtt and "<script" not in srt
    dialogues = [line for line in styled.splitlines() if line.startswith("Dialogue")]
    assert all("{" not in line and line.count("\\") == line.count("\\N") for line in dialogues)


@settings(max_examples=100, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 5000), st.integers(1, 3000), st.sampled_from(captions.SLOTS), st.text(max_size=6)),
        max_size=12,
    )
)
def test_cues_are_in_order_and_never_overlap(drawn):
    ends: dict[str, int] = {}
    lines = []
    for start, length, slot, text in sorted(drawn):
        begin = max(start, ends.get(slot, 0))
        ends[slot] = begin + length
        lines.append(CaptionLine(begin / 1000, (begin + length) / 1000, slot, text))
    made = cues(lines)
    for cue in made:
        assert cue.start_ms < cue.end_ms
    for a, b in itertools.pairwise(made):
        assert a.end_ms <= b.start_ms
    for line in lines:  # every line is in every cue of its time, and in no other
        for cue in made:
            inside = line.start_s * 1000 <= cue.start_ms + 1e-6 and cue.end_ms <= line.end_s * 1000 + 1e-6
            if inside:
                assert line.text in cue.texts


# --- burnt in by ffmpeg -------------------------------------------------------------------------------------------


def frames_of(path: Path, width: int, height: int) -> np.ndarray:
    raw = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(path), "-f", "rawvideo", "-pix_fmt", "gray", "-"],
        capture_output=True, check=True,
    ).stdout  # fmt: skip
    return np.frombuffer(raw, np.uint8).reshape(-1, height, width)


def make_video(path: Path, seconds: float, sound: Path | None = None) -> None:
    heard = ["-i", str(sound), "-c:a", "aac"] if sound else []
    subprocess.run(
        ["ffmpeg", "-v", "error", "-y", "-f", "lavfi", "-i", f"color=black:size=640x360:rate=30:duration={seconds}",
         *heard, "-c:v", "libx264", "-preset", "ultrafast", "-shortest", str(path)],
        check=True,
    )  # fmt: skip


@needs_ffmpeg
@pytest.mark.parametrize(
    "folder",
    ["plain", pytest.param("it's, [a] \\ 100%; of: it", marks=pytest.mark.skipif(os.name == "nt", reason="no name"))],
)
def test_burnt_in_captions_change_on_the_right_frame(quiet, tmp_path, folder):
    """ffmpeg draws the captions into a generated video; the picture changes on the frames of the truth."""
    found, truth, zero = quiet
    place = tmp_path / folder
    place.mkdir()
    begin = truth.runs[0].start_s - zero - 2.0  # the video begins two seconds before the first run
    fit = align([(0.0, begin)])
    splits = [line for line in captions.run_lines(found.table_runs("mph")[:1], "mph") if line.slot == "splits"]
    cut = on_video(splits, fit, 14.0)
    (place / "x.ass").write_text(ass(cut, (640, 360)), encoding="utf-8")
    make_video(place / "in.mp4", 14)
    command = burn_command(place / "in.mp4", place / "x.ass", place / "out.mp4")
    assert shlex.split(burn_words(place / "in.mp4", place / "x.ass", place / "out.mp4")) == command
    subprocess.run([*command, "-v", "error"], check=True)
    frames = frames_of(place / "out.mp4", 640, 360)
    bright = (frames > 100).sum(axis=(1, 2))
    first = int(np.flatnonzero(bright)[0])
    changes = first + 1 + np.flatnonzero(np.abs(np.diff(bright[first:].astype(int))) > 200)
    seen = np.concatenate([[first], changes]) / 30
    passed = [
        float(np.interp(mph * MPS_PER_MPH, truth.runs[0].v_mps, truth.runs[0].t_s)) - zero - begin
        for mph in (10, 20, 30, 40)
    ]
    expected = np.array([t for t in passed if t < 13.9])
    assert len(seen) == len(expected) >= 3
    # The first frame that shows it is the first at or after its moment: never before, and less than a frame late,
    # apart from what the receiver leaves open and ASS's hundredths.
    late = seen - expected
    assert late.min() > -0.02 and late.max() < FRAME_S + 0.02


@needs_ffmpeg
def test_a_clap_in_a_video_is_found_through_ffmpeg(tmp_path):
    x, rate = sound_of(6.5, length_s=12)
    with wave.open(str(tmp_path / "s.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(int(rate))
        file.writeframes((np.clip(x, -1, 1) * 32767).astype("<i2").tobytes())
    make_video(tmp_path / "v.mp4", 12, tmp_path / "s.wav")
    for name in ("s.wav", "v.mp4"):
        clap = find_clap(*read_sound(tmp_path / name))
        assert clap.time_s == pytest.approx(6.5, abs=FRAME_S)
    video = probe(tmp_path / "v.mp4")
    assert (video.width, video.height) == (640, 360) and video.length_s == pytest.approx(12, abs=0.1)
    with pytest.raises(InputError, match="not a video"):
        probe(tmp_path / "s.wav")
    with pytest.raises(InputError, match="no such file"):
        probe(tmp_path / "missing.mp4")
    (tmp_path / "broken.mp4").write_bytes(b"not a video")
    with pytest.raises(InputError, match=r"broken\.mp4: ffprobe cannot read it"):
        probe(tmp_path / "broken.mp4")


def test_what_is_analysed_is_what_is_shown(quiet):
    found, _, _ = quiet
    assert isinstance(found, AnalysedDrive)
    texts = [line.text for line in captions.run_lines(found.table_runs("mph"), "mph") if line.slot == "splits"]
    for run in found.table_runs("mph"):
        for split in run.splits:
            assert any(f"{split.from_one_foot_s:.2f} s" in text for text in texts)
