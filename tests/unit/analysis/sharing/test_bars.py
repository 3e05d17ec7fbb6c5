"""Captions with bars: what is drawn where and when, held against the drive's truth, and as ffmpeg draws it."""

from __future__ import annotations

import json
import re
import shutil
import stat
import subprocess
from pathlib import Path

import numpy as np
import pysubs2
import pytest
from made_drives import make_drive
from simulate import Brake, Cruise, Pull, Stand, Truth
from typer.testing import CliRunner

from analysis.answers.captions import drawn_of
from analysis.cli import sharing
from analysis.drive import AnalysedDrive
from analysis.sharing import bars
from analysis.sharing.bars import Canvas, MixtureStep
from analysis.sharing.captions import Drawing
from analysis.sharing.video import draw_overlay, probe
from logger.errors import InputError

WIDE = Canvas(1920, 1080)
MPH = 0.44704  # exact (NIST SP 811, appendix B.8)
FOOT = 0.3048
START = [Stand(8), Pull(20.0, "bite"), Brake(0, 3.0)]
SOFT = [Stand(8), Pull(20.0, "slip"), Brake(0, 3.0)]
needs_ffmpeg = pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[AnalysedDrive, Truth, float]:
    """Two standing starts and a cruise, the truth, and the truth's time 0 on the motion's axis [s]."""
    store = tmp_path_factory.mktemp("store")
    drive, truth = make_drive(
        store,
        [*START, *SOFT, Cruise(13.0, 10), Brake(0), Stand(8)],
        noise_mps=0.02,
        notes=[(30.0, r"{\\an8}<b>windy")],
    )
    found = AnalysedDrive(drive)
    return found, truth, drive.manifest.started_utc.timestamp() - found.motion.epoch_utc_ns / 1e9


def words_at(drawn: list[Drawing], t: float) -> list[str]:
    """The words on the screen at a time, without overrides and boxes."""
    here = [one.text for one in drawn if one.start_s <= t < one.end_s and r"\p1" not in one.text]
    return [text.rpartition("}")[2] for text in here]


def boxes(drawn: list[Drawing], ink: tuple[int, int, int]) -> list[tuple[float, float]]:
    """Left and right edge of each box of this colour [pixels]."""
    red, green, blue = ink
    found = []
    for one in drawn:
        if rf"\1c&H{blue:02X}{green:02X}{red:02X}&" in one.text and r"\p1" in one.text:
            left, _, right = re.findall(r"m (\d+) (\d+) l (\d+)", one.text)[0]
            found.append((float(left), float(right)))
    return found


# --- the bar ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "low", "high", "word"),
    [
        (12.2, 12.0, 12.5, "on target"), (13.4, 12.0, 12.5, "lean"), (11.1, 12.0, 12.5, "rich"),
        (13.4, np.nan, np.nan, None), (19.9, 12.0, 12.5, "lean"),
    ],
)  # fmt: skip
def test_a_reading_stands_where_it_lies_on_the_scale_and_a_word_says_the_side(value, low, high, word) -> None:
    """The scale is straight from lambda 0.70 to 1.10: two places on it give every other."""
    drawn = bars.mixture_bar([MixtureStep(0.0, 0.2, value, low, high)], "afr", 14.7, WIDE)
    words = words_at(drawn, 0.1)
    assert f"AFR {value:.1f}" in words
    assert [one for one in words if one in {"lean", "rich", "on target"}] == [
        "rich", "lean", *([word] if word else [])
    ]  # fmt: skip
    ((left, right),) = boxes(drawn, (150, 158, 166))  # the scale's line

    def at(afr: float) -> float:
        return left + (right - left) * min((afr / 14.7 - 0.70) / 0.40, 1.0)

    (upright,) = boxes(drawn, (255, 255, 255))
    assert sum(upright) / 2 == pytest.approx(at(value), abs=1)
    targets = boxes(drawn, (150, 226, 190))
    assert targets == ([] if word is None else [pytest.approx((at(12.0), at(12.5)), abs=1)])
    lean, rich = boxes(drawn, (255, 128, 84)), boxes(drawn, (126, 176, 255))
    assert lean == ([pytest.approx((at(12.5), at(value)), abs=1)] if word == "lean" else [])
    assert rich == ([pytest.approx((at(value), at(12.0)), abs=1)] if word == "rich" else [])


def test_lambda_is_shown_on_its_own_scale() -> None:
    drawn = bars.mixture_bar([MixtureStep(0.0, 0.2, 0.90, 0.82, 0.85)], "lambda", 1.0, WIDE)
    same = bars.mixture_bar([MixtureStep(0.0, 0.2, 0.90 * 14.7, 0.82 * 14.7, 0.85 * 14.7)], "afr", 14.7, WIDE)
    assert "lambda 0.90" in words_at(drawn, 0.1)
    assert boxes(drawn, (255, 128, 84)) == boxes(same, (255, 128, 84))


def test_steps_are_means_and_windows_are_not_mixed() -> None:
    t = np.array([0.05, 0.15, 0.25, np.nan, 0.35, 0.39])
    steps = bars.mixture_steps(
        t, [12.0, 12.4, 13.0, 9.9, 14.0, np.nan], [12, 12, 12, 12, 12.7, 12.7], [12.5, 12.5, 12.5, 12.5, 13.5, 13.5]
    )
    assert [step[:2] for step in steps] == [pytest.approx((0.0, 0.2)), pytest.approx((0.2, 0.4))]
    assert [step.value for step in steps] == pytest.approx([12.2, 13.5])
    assert steps[0][3:] == (12.0, 12.5) and steps[1][3:] in {(12.0, 12.5), (12.7, 13.5)}


def test_full_throttle_is_held_against_its_own_window(made) -> None:
    """In the middle of a pull the block is full throttle's of an air-cooled car, 12.0 to 12.5; on the cruise 12.5 to
    13.5 or 12.7 to 13.5 (configs/targets.toml)."""
    found, truth, zero = made
    drawn = drawn_of(found, WIDE)
    ((left, right),) = set(boxes(drawn, (150, 158, 166)))

    def blocks(t: float) -> list[tuple[float, float]]:
        here = [one for one in drawn if one.start_s <= t < one.end_s]
        return [
            tuple(round(14.7 * (0.70 + 0.40 * (edge - left) / (right - left)), 1) for edge in pair)
            for pair in boxes(here, (150, 226, 190))
        ]

    pull = truth.runs[0].start_s + 6.0 + zero
    cruise = truth.t_s[-1] - 8 - 6 - 3 + zero
    braking = truth.runs[0].t_s[-1] + 3.0 + zero
    assert blocks(pull) == [(12.0, 12.5)]
    assert blocks(braking) == []  # on the overrun the reading says nothing of what the engine was given
    assert blocks(cruise) in ([(12.5, 13.5)], [(12.7, 13.5)])


# --- the board ----------------------------------------------------------------------------------------------------


def test_the_board_has_the_runs_times_and_what_each_gained(made) -> None:
    found, truth, zero = made
    first, second = found.table_runs("mph")[:2]
    drawn = drawn_of(found, WIDE)
    for run, true, before in ((first, truth.runs[0], None), (second, truth.runs[1], first)):
        passed = true.start_s + true.time_to(30 * MPH) + zero
        early, late = words_at(drawn, passed - 0.15), words_at(drawn, passed + 0.15)
        assert f"run {run.n}" in late and "30 mph" in early
        split = next(split for split in run.splits if split.speed_mps == pytest.approx(30 * MPH))
        shown = f"{split.from_one_foot_s:.2f}"
        assert shown in late and shown not in early
        assert float(shown) == pytest.approx(true.time_to(30 * MPH) - true.time_at(FOOT), abs=0.1)
        gains = [word for word in late if re.match("[+\u2212\u00b1]", word)]
        if before is None:
            assert gains == []
        else:
            other = next(split for split in before.splits if split.speed_mps == pytest.approx(30 * MPH))
            gained = split.from_one_foot_s - other.from_one_foot_s
            assert len(gains) == 3  # 10, 20 and 30 mph
            assert gained > 0.05  # so that a sign is one
            assert float(gains[-1].replace("\u2212", "-").replace("\u00b1", "")) == pytest.approx(gained, abs=0.006)


def test_a_run_that_does_not_count_is_held_against_none(made) -> None:
    runs = made[0].table_runs("mph")[:2]
    end = runs[1].end_s - 0.01
    gains = {
        counted: [
            w for w in words_at(bars.split_board(runs, [counted, True], "mph", WIDE), end) if w[0] in "+\u2212\u00b1"
        ]
        for counted in (True, False)
    }
    assert gains[True] and not gains[False]


# --- the whole ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("width", "height"), [(1920, 1080), (640, 360), (1080, 1920)])
def test_all_lies_within_the_video_and_can_be_read_on_a_phone(made, width: int, height: int) -> None:
    """Letters are 8 of the phone's own pixels high at least, on a phone of 390 by 844 that shows the video as wide as
    it is (common practice, no source)."""
    place = Canvas(width, height)
    text = bars.ass(drawn_of(made[0], place, notes=True), place)
    events = pysubs2.SSAFile.from_string(text).events
    assert len(events) > 100
    for event in events:
        for x, y in re.findall(r"(?:m|l|pos\()\s?(\d+)[ ,](\d+)", event.text):
            assert 0 <= int(x) <= width and 0 <= int(y) <= height
        for size in re.findall(r"\\fs(\d+)", event.text):
            assert int(size) * 390 / width >= 8 or width < 1920
    note = next(event.text for event in events if "windy" in event.text)
    assert "<b>" not in note and note.count("{") == 1


def pixels(*command: str, form: str = "rgb24") -> np.ndarray:
    """What ffmpeg makes of it, shape (frames, 360, 640, channels)."""
    raw = subprocess.run(
        ["ffmpeg", "-v", "error", *command, "-f", "rawvideo", "-pix_fmt", form, "-"], capture_output=True, check=True
    ).stdout
    return np.frombuffer(raw, np.uint8).reshape(-1, 360, 640, 4 if form == "rgba" else 3)


@needs_ffmpeg
@pytest.mark.parametrize("kind", ["mov", "webm"])
def test_an_overlay_is_clear_where_nothing_is_drawn(made, tmp_path: Path, kind: str, monkeypatch) -> None:
    """As ffmpeg reads it back: the plates cover, the middle is clear, and the run's clock appears on its frame."""
    found, _, _ = made
    place = Canvas(640, 360)
    run = found.table_runs("mph")[0]
    begin = run.start_s - 1.0
    drawn = [
        one._replace(start_s=max(one.start_s - begin, 0), end_s=one.end_s - begin)
        for one in drawn_of(found, place) if one.end_s > begin
    ]  # fmt: skip
    (tmp_path / "x.ass").write_text(bars.ass(drawn, place), encoding="utf-8")
    out = draw_overlay(tmp_path / "x.ass", tmp_path / f"it's, [a] over.{kind}", (640, 360), 2.0, 30.0)
    assert stat.S_IMODE(out.stat().st_mode) & 0o077 == 0 and len(list(tmp_path.iterdir())) == 2
    decoder = ["-c:v", "libvpx-vp9"] if kind == "webm" else []  # ffmpeg's own reads no alpha of VP9
    frames = pixels(*decoder, "-i", str(out), form="rgba")
    assert len(frames) == 60
    alpha = frames[..., 3]
    assert alpha[:, 160:235].max() <= 8  # between the two plates
    assert alpha[:, 260:340, 20:280].min() >= 130  # the lower one is there throughout
    board = alpha[:, 40:60, 420:600].min(axis=(1, 2)) >= 130
    assert int(np.argmax(board)) == pytest.approx(30, abs=1) and board[31:].all()
    # Laid over a picture it is what the captions are when they are drawn into it.
    grey = ["-f", "lavfi", "-i", "color=c=0x777777:s=640x360:r=30:d=0.5"]
    shutil.copy(out, tmp_path / "over")
    laid = pixels(*grey, *decoder, "-i", str(tmp_path / "over"), "-filter_complex", "[0][1]overlay=shortest=1")
    monkeypatch.chdir(tmp_path)
    burnt = pixels(*grey, "-vf", "ass=filename=x.ass")
    apart = np.abs(laid[:10].astype(int) - burnt[:10].astype(int)).max(axis=3)
    assert np.quantile(apart, 0.995) <= 12


def test_the_verb_makes_bars_and_writes_nothing_where_an_overlay_is_there(made, tmp_path: Path) -> None:
    store, name = str(made[0].drive.path.parent), made[0].id
    options = ["captions", name, "--store", store, "--video-start", "+0", "--style", "bars", "--out", str(tmp_path)]
    done = CliRunner().invoke(sharing.app, [*options, "--json"])
    assert done.exit_code == 0, done.output
    told = json.loads(done.stdout)
    assert told["overlays"] == [] and len(told["files"]) == 3
    assert r"\p1" in (tmp_path / f"{name}-captions.ass").read_text(encoding="utf-8")
    assert "mph" in (tmp_path / f"{name}-captions.srt").read_text(encoding="utf-8")
    for path in tmp_path.iterdir():
        path.unlink()
    there = tmp_path / f"{name}-captions.mov"
    there.write_bytes(b"mine")
    done = CliRunner().invoke(sharing.app, [*options, "--overlay", "mov"])
    assert isinstance(done.exception, InputError) and "exists already" in str(done.exception)
    assert list(tmp_path.iterdir()) == [there] and there.read_bytes() == b"mine"


@needs_ffmpeg
def test_the_verb_makes_an_overlay_of_each_clip(made, tmp_path: Path) -> None:
    """As long and as large as the clip, begun where it begins, told in JSON; a second time only where that is asked."""
    clip = tmp_path / "ride.mp4"
    picture = "color=gray:size=640x360:rate=30:duration=1.5"
    subprocess.run(["ffmpeg", "-v", "error", "-f", "lavfi", "-i", picture, str(clip)], check=True)
    options = [
        "captions", made[0].id, "--store", str(made[0].drive.path.parent), "--clip", str(clip), "--sync", "run 1",
        "--at", "0:01", "--style", "bars", "--overlay", "webm", "--fps", "10", "--out", str(tmp_path / "out"),
    ]  # fmt: skip
    done = CliRunner().invoke(sharing.app, [*options, "--json"])
    assert done.exit_code == 0, done.output
    (over,) = (Path(path) for path in json.loads(done.stdout)["overlays"])
    assert over == tmp_path / "out" / "ride-captions.webm"
    length, width, height = probe(over)
    assert (width, height) == (640, 360) and length == pytest.approx(1.5, abs=0.11)
    alpha = pixels("-c:v", "libvpx-vp9", "-i", str(over), form="rgba")[..., 3]
    board = alpha[:, 40:60, 420:600].min(axis=(1, 2)) >= 130
    assert len(alpha) == 15 and not board[:9].any() and board[12:].all()  # run 1 moves after a second, give or take
    again = CliRunner().invoke(sharing.app, options)
    assert isinstance(again.exception, InputError) and "exists already" in str(again.exception)
    assert "Place it over" in CliRunner().invoke(sharing.app, [*options, "--force"]).output


def test_without_ffmpeg_there_is_one_line_and_no_half_file(made, tmp_path: Path, monkeypatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(InputError, match="making it needs ffmpeg"):
        draw_overlay(tmp_path / "x.ass", tmp_path / "x.mov", (640, 360), 1.0, 30.0)
    assert list(tmp_path.iterdir()) == []
