"""A video's frames and sound: where it begins, where its clap is, and the commands that draw captions."""

from __future__ import annotations

import re
import shlex
import subprocess
from pathlib import Path
from typing import Any, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from analysis.arrays import Floats
from logger.errors import InputError, NoAnswer

# --- finding a clap -----------------------------------------------------------------------------------------------


class Clap(NamedTuple):
    """When the clap begins [s], and how many times it stands out over the next likely sound."""

    time_s: float
    clarity: float


def find_clap(samples: ArrayLike, rate_hz: float) -> Clap:
    """The sharpest bang in a mono recording: sound that leaps up within 2 ms over what came before.

    The energy above 1 kHz, where an engine has little, of 5 ms after an instant is held against that of 50 ms before,
    with the recording's own median as a floor. The method is our own.

    Parameters
    ----------
    samples : array, shape (n,)
        Sound pressure in any unit, without NaN.
    rate_hz : float
        Samples a second [Hz].

    Raises
    ------
    NoAnswer
        Where there is no sound, or nothing stands out.
    """
    from scipy.signal import butter, sosfilt

    x = np.asarray(samples, float)
    if len(x) < rate_hz * 0.2 or not np.any(x):
        raise NoAnswer("there is no sound, so no clap can be found")
    if rate_hz > 4000:
        x = np.asarray(sosfilt(butter(4, 1000, "highpass", fs=rate_hz, output="sos"), x))
    hop = max(round(rate_hz * 0.001), 1)
    energy = (x[: len(x) // hop * hop].reshape(-1, hop) ** 2).mean(1)
    total = np.concatenate([[0.0], np.cumsum(energy)])
    k = np.arange(len(energy))
    after = (total[np.minimum(k + 5, len(energy))] - total[k]) / 5
    begin = np.maximum(k - 50, 0)
    before = (total[k] - total[begin]) / np.maximum(k - begin, 1)
    floor = float(np.median(energy)) + 1e-12
    score = after / (before + floor)
    score[:10] = 0.0  # what came before the first 10 ms is not known
    best = int(np.argmax(score))
    rest = score.copy()
    rest[max(best - 250, 0) : best + 250] = 0.0  # its own echo
    clarity = float(score[best] / max(rest.max(), 1e-12))
    if score[best] < 30 or clarity < 2:
        when = ", ".join(f"{i / 1000:.2f} s" for i in sorted((best, int(np.argmax(rest)))))
        raise NoAnswer(f"no sound stands out as a clap (most likely at {when}). Give its time with --at")
    first, last = max(best - 5, 0) * hop, (best + 10) * hop
    window = np.abs(x[first:last])
    return Clap(float(first + int(np.argmax(window > 0.3 * window.max()))) / rate_hz, clarity)


def read_sound(path: Path, length_s: float = 600.0) -> tuple[Floats, float]:
    """The first `length_s` of a file's sound, mono, and its rate [Hz]: by ffmpeg, of any video or sound file.

    InputError where ffmpeg is missing or the file has no sound that it can read.
    """
    rate = 16_000
    command = ["-i", str(path.resolve()), "-t", str(length_s), "-vn", "-ac", "1", "-ar", str(rate), "-f", "s16le", "-"]
    if not path.is_file():
        raise InputError(f"{path}: no such file")
    data = _run(["ffmpeg", "-v", "error", "-nostdin", *command], path)
    sound = np.frombuffer(data[: len(data) // 2 * 2], "<i2").astype(float) / 32768
    if len(sound) == 0:
        raise InputError(f"{path}: there is no sound in this file")
    return sound, float(rate)


class Video(NamedTuple):
    """What a video file is: length [s], width and height [pixels] as shown."""

    length_s: float
    width: int
    height: int


def probe(path: Path) -> Video:
    """Length and size of a video file, by ffprobe. InputError where it is missing or the file is no video."""
    import json

    if not path.is_file():
        raise InputError(f"{path}: no such file")
    wanted = [
        "-select_streams",
        "v:0",
        "-show_entries",
        "format=duration:stream=width,height:stream_side_data=rotation",
    ]
    told: dict[str, Any] = json.loads(
        _run(["ffprobe", "-v", "error", *wanted, "-of", "json", str(path.resolve())], path)
    )
    try:
        stream = told["streams"][0]
        width, height = int(stream["width"]), int(stream["height"])
        turned = any(abs(int(side.get("rotation", 0))) % 180 == 90 for side in stream.get("side_data_list", []))
        return Video(float(told["format"]["duration"]), *((height, width) if turned else (width, height)))
    except (KeyError, IndexError, ValueError) as error:
        raise InputError(f"{path}: this is not a video with a length and a size") from error


def _run(command: list[str], path: Path, does: Literal["read", "mak"] = "read") -> bytes:
    try:
        done = subprocess.run(command, capture_output=True, check=False, stdin=subprocess.DEVNULL)
    except FileNotFoundError as error:
        raise InputError(f"{path}: {does}ing it needs {command[0]}, which is not installed") from error
    if done.returncode != 0:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        can = "read" if does == "read" else "make"
        raise InputError(f"{path}: {command[0]} cannot {can} it: {said[-1] if said else 'it does not say why'}")
    return done.stdout


def burn_command(video: Path, captions: Path, out: Path) -> list[str]:
    """The ffmpeg command that draws the ASS captions into a copy of the video."""
    return ["ffmpeg", "-i", _named(video), "-vf", f"ass=filename={_in_filter(captions)}", "-c:a", "copy", _named(out)]


def burn_words(video: Path, captions: Path, out: Path) -> str:
    """`burn_command` as typed at a shell."""
    return shlex.join(burn_command(video, captions, out))


OverlayKind = Literal["mov", "webm"]
_ENCODED: dict[OverlayKind, list[str]] = {
    "mov": ["-c:v", "png", "-pred", "none", "-compression_level", "6", "-pix_fmt", "rgba", "-f", "mov"],
    "webm": [
        "-c:v", "libvpx-vp9", "-pix_fmt", "yuva420p", "-b:v", "0", "-crf", "24", "-deadline", "realtime",
        "-cpu-used", "8", "-row-mt", "1", "-auto-alt-ref", "0", "-f", "webm",
    ],
}  # fmt: skip


def overlay_command(captions: Path, out: Path, size: tuple[int, int], length_s: float, fps: float) -> list[str]:
    """The ffmpeg command that draws the ASS captions onto nothing: a transparent video of `size` (width, height)
    [pixels], `length_s` [s] long with `fps` frames a second, as PNG in QuickTime ("mov") or as VP9 with alpha ("webm"),
    by the name of `out`."""
    width, height = size
    empty = f"color=c=black@0.0:s={width}x{height}:r={fps:g}:d={length_s:.3f},format=rgba"
    kind: OverlayKind = "webm" if out.suffix == ".webm" else "mov"
    # ffmpeg lays each drawing's opacity over nothing weighted by itself: what comes out is its square.
    drawn = f"ass=filename={_in_filter(captions)}:alpha=1,lutrgb=a='255*sqrt(val/255)'"
    return ["ffmpeg", "-f", "lavfi", "-i", empty, "-vf", drawn, *_ENCODED[kind], _named(out)]


def draw_overlay(captions: Path, out: Path, size: tuple[int, int], length_s: float, fps: float) -> Path:
    """Write what `overlay_command` makes, whole or not at all, for its owner alone as yet.

    InputError where ffmpeg is missing or cannot make it.
    """
    part = out.with_name(f".{out.stem}.part{out.suffix}")
    command = overlay_command(captions, part, size, length_s, fps)
    try:
        _run([command[0], "-v", "error", "-nostdin", "-y", *command[1:]], out, "mak")
        part.chmod(0o600)
        part.replace(out)
    finally:
        part.unlink(missing_ok=True)
    return out


def _in_filter(path: Path) -> str:
    """A file's name as an option of a filter: it passes two parsers, the option's own (backslash, quote, colon), then
    the graph's."""
    name = re.sub(r"([\\':])", r"\\\1", path.as_posix())
    return re.sub(r"([\\'\[\],;])", r"\\\1", name)


def _named(path: Path) -> str:
    """A name that begins with a dash, or has a colon in it, is no option and no protocol when it has a folder."""
    return path.as_posix() if path.is_absolute() else f"./{path.as_posix()}"
