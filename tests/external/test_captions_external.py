"""Captions read by parsers that are not ours: webvtt-py (WebVTT, SubRip), pysubs2 (all three) and ffmpeg's demuxers."""

from __future__ import annotations

import shutil
import subprocess

import pysubs2
import pytest
import webvtt

from analysis.sharing.captions import CaptionLine, ass, cues, subrip
from analysis.sharing.captions import webvtt as as_webvtt

LINES = [
    CaptionLine(0.0, 1.25, "speed", "0 mph"),
    CaptionLine(1.25, 3700.5, "speed", "12 mph"),
    CaptionLine(0.5, 2.0, "clock", "run 1  0.0 s"),
    CaptionLine(1.0, 4.0, "splits", "20 mph  4.21 s\n30 mph  7.90 s"),
    CaptionLine(10.0, 14.0, "note", "a < b & c --> d {x}"),
]


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    folder = tmp_path_factory.mktemp("captions")
    for name, text in (("x.vtt", as_webvtt(LINES)), ("x.srt", subrip(LINES)), ("x.ass", ass(LINES))):
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def test_webvtt_py_reads_the_webvtt(written):
    made = cues(LINES)
    read = list(webvtt.read(written / "x.vtt"))
    assert len(read) == len(made)
    for got, cue in zip(read, made, strict=True):
        assert round(got.start_in_seconds * 1000) // 1000 == cue.start_ms // 1000
        assert got.start.endswith(f".{cue.start_ms % 1000:03d}") and got.end.endswith(f".{cue.end_ms % 1000:03d}")
    texts = [got.text for got in read]
    assert "12 mph\na < b & c --> d {x}" in [
        t.replace("&lt;", "<").replace("&gt;", ">").replace("&amp;", "&") for t in texts
    ]


def test_webvtt_py_reads_the_subrip(written):
    assert len(list(webvtt.from_srt(written / "x.srt"))) == len(cues(LINES))


@pytest.mark.parametrize(("name", "step_ms"), [("x.vtt", 1), ("x.srt", 1)])
def test_pysubs2_reads_the_times(written, name, step_ms):
    made = cues(LINES)
    read = pysubs2.load(str(written / name))
    assert [(event.start, event.end) for event in read] == [(cue.start_ms, cue.end_ms) for cue in made]
    assert [event.plaintext.split("\n")[0] for event in read] == [cue.texts[0] for cue in made]


def test_pysubs2_reads_the_ass(written):
    read = pysubs2.load(str(written / "x.ass"))
    assert {event.style for event in read} == {line.slot for line in LINES} <= set(read.styles)
    got = sorted((event.start, event.end, event.style) for event in read)
    assert got == sorted((round(x.start_s * 100) * 10, round(x.end_s * 100) * 10, x.slot) for x in LINES)
    splits = next(event for event in read if event.style == "splits")
    assert splits.plaintext == "20 mph  4.21 s\n30 mph  7.90 s"
    assert read.info["PlayResX"] == "1920" and read.styles["speed"].bold


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffmpeg is not installed")
@pytest.mark.parametrize(
    ("name", "codec", "count"), [("x.vtt", "webvtt", None), ("x.srt", "subrip", None), ("x.ass", "ass", 5)]
)
def test_ffmpeg_knows_the_format(written, name, codec, count):
    shown = ["-show_entries", "stream=codec_name,nb_read_packets", "-of", "csv=p=0"]
    command = ["ffprobe", "-v", "error", "-count_packets", *shown, str(written / name)]
    told = subprocess.run(command, capture_output=True, check=True, text=True)
    assert told.stdout.strip() == f"{codec},{count or len(cues(LINES))}" and told.stderr == ""
