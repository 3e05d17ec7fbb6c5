"""The answer of `captions`: where a video lies on a drive, and the caption files written for it.

    captions_answer(store.drive("last"), sync=["run 2"], at_s=[83.4], folder=Path("clips"))

Drive time counts from the drive's first usable fix, video time from the video's first frame, both in seconds.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal, NamedTuple

from analysis.answers.encoding import Answer
from analysis.sharing import bars, captions
from analysis.sharing.captions import Alignment, CaptionLine, Drawing
from analysis.sharing.files import may_write, write_whole
from analysis.sharing.video import OverlayKind, burn_words, draw_overlay, find_clap, probe, read_sound
from logger.errors import InputError, NoAnswer
from logger.units import NS_PER_S, PPM

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from analysis.mixture.drive_map import DriveMap
    from analysis.sharing.bars import Canvas
    from analysis.sharing.video import Video

Style = Literal["text", "bars"]

KEY_PRESS_S = 0.2
"""How far a key is pressed from the moment it is meant for (common practice, no source)."""
_WORTH_SAYING_S = 0.5 / 30
"""Half a frame at 30 a second."""
_SIZE = (1920, 1080)
"""Of a video that is not there to be looked at [pixels]."""


class CaptionsAnswer(Answer):
    """Caption files for a video of a drive."""

    drive: str
    """The drive's id."""
    files: tuple[Path, ...]
    """The files written, for each clip WebVTT, SubRip and ASS."""
    burn_in: tuple[str, ...]
    """For each clip the command that draws its captions into a copy of it, as typed at a shell."""
    overlays: tuple[Path, ...] = ()
    """For each clip a transparent video of its captions, to lay over it; none where none was asked for."""
    drive_s_at_video_start: float
    """Drive time at which the first video begins [s]."""
    video_starts_s: tuple[float, ...]
    """The same of every video that was started separately [s]."""
    rate: float
    """Seconds of drive in a second of video."""
    residual_s: float
    """How far the sync points lie from one line at most [s]; 0 where there is nothing left to compare."""
    sigma_s: float
    """Standard deviation of the moments to sync by [s]; 0 for a video start that was given."""


def captions_answer(
    drive: AnalysedDrive,
    *,
    starts: Sequence[datetime | float] = (),
    sync: Sequence[str] = (),
    at_s: Sequence[float] = (),
    clap: Path | None = None,
    clips: Sequence[Path] = (),
    length_s: float | None = None,
    notes: bool = False,
    style: Style = "text",
    overlay: OverlayKind | None = None,
    fps: float = 30.0,
    folder: Path | None = None,
    force: bool = False,
    progress: Callable[[str], None] | None = None,
) -> CaptionsAnswer:
    """Write captions for a video, or for the clips that one recording was cut into.

    Parameters
    ----------
    starts : sequence of datetime or float
        When the video began: a time with its zone, or seconds since the drive started; one for each clip where these
        were begun apart. In place of `sync`.
    sync : sequence of str
        Moments of the drive that are in the video: words of a note, "run 2" for its first movement, "stop 2" for when
        the car stood again after it.
    at_s : sequence of float
        When each of `sync` is to be seen, in the video's time [s]; none where the one `sync` is its first frame.
    clap : Path, optional
        A video or sound file whose sharpest bang is when the first `sync` was.
    clips : sequence of Path
        Video files, in order. Each gets captions of its own.
    length_s : float, optional
        How long a video is that is not given as a clip [s]; by default to the end of the drive.
    notes : bool
        Show the drive's notes too.
    style : {"text", "bars"}
        How ASS and overlay look: lines of text, or drawn bars and a board of splits. WebVTT and SubRip hold text alone.
    overlay : {"mov", "webm"}, optional
        Have ffmpeg draw the ASS captions onto nothing as well: PNG in QuickTime, or VP9 with alpha.
    fps : float
        Frames a second of an overlay.
    folder : Path, optional
        Where to write; by default the current folder.
    force : bool
        Replace files that exist.
    progress : callable, optional
        Told what takes long.

    Raises
    ------
    InputError
        Where a moment, a clip or a place to write to cannot be used.
    NoAnswer
        Where nothing of the drive lies in a video, or the drive has too few usable fixes.
    """
    made = captions_made(
        drive, starts=starts, sync=sync, at_s=at_s, clap=clap, clips=clips, length_s=length_s, notes=notes,
        style=style, folder=folder or Path(),
    )  # fmt: skip
    folder, first = folder or Path(), made.fits[0]
    over = [folder / _overlay_name(one.stem, overlay) for one in made.clips if overlay]
    for path in over:
        may_write(path, force)
    files = tuple(write_whole(path, text.encode("utf-8"), force) for path, text in made.texts.items())
    return CaptionsAnswer(
        drive=drive.id,
        files=files,
        burn_in=tuple(made.commands),
        overlays=tuple(_overlay(one, folder, path, fps, progress) for one, path in zip(made.clips, over, strict=False)),
        drive_s_at_video_start=first.offset_s,
        video_starts_s=tuple(fit.offset_s for fit in made.fits),
        rate=first.rate,
        residual_s=first.residual_s,
        sigma_s=made.sigma_s,
    )


@dataclass(frozen=True)
class MadeCaptions:
    """Captions before they are written: each file's text, how to draw them in, and where the videos lie."""

    texts: dict[Path, str]
    commands: list[str]
    fits: list[Alignment]
    sigma_s: float
    """How well the moments to sync by are known [s]."""
    clips: list[_Clip]


def captions_made(
    drive: AnalysedDrive, *, starts: Sequence[datetime | float] = (), sync: Sequence[str] = (),
    at_s: Sequence[float] = (), clap: Path | None = None, clips: Sequence[Path] = (), length_s: float | None = None,
    notes: bool = False, style: Style = "text", folder: Path,
) -> MadeCaptions:  # fmt: skip
    """What `captions_answer` writes, made in memory; asked and refused as there."""
    if starts and sync:
        raise InputError("--video-start and --sync both say where the video starts. Give one of them.")
    if len(starts) > 1 and len(starts) != len(clips):
        raise InputError(
            f"--video-start: {len(starts)} times for {len(clips)} clips. Give one --video-start for each --clip."
        )
    videos = [probe(path) for path in clips]
    points, known = ([], 0.0) if starts else _points(drive, sync, at_s, clap)
    fits = [Alignment(_start(drive, start)) for start in starts] or [captions.align(points)]
    clipped = _clipped(drive.id, fits, clips, videos, length_s, lines_of(drive, notes))
    texts: dict[Path, str] = {}
    for one in clipped:
        if folder / f"{one.stem}.vtt" in texts:
            raise InputError(f"--clip: two clips have the name {one.stem!r}. Rename one, or run this once for each.")
        texts[folder / f"{one.stem}.vtt"] = captions.webvtt(one.lines)
        texts[folder / f"{one.stem}.srt"] = captions.subrip(one.lines)
        drawn = _drawn(drive, one, notes) if style == "bars" else captions.ass(one.lines, one.size)
        texts[folder / f"{one.stem}.ass"] = drawn
    return MadeCaptions(texts, [_burn_in(one, folder) for one in clipped], fits, known, clipped)


def placed_lines(rate: float, residual_s: float, sigma_s: float, starts_s: Sequence[float]) -> list[str]:
    """Where the videos lie on the drive, and how well that is known, a sentence each."""
    said = [f"The video starts {start:.2f} s after the drive's first fix." for start in starts_s]
    if rate != 1:
        said.append(f"Its clock differs from GPS time by {(rate - 1) * PPM:+.0f} parts in a million.")
    if sigma_s > _WORTH_SAYING_S:
        said.append(
            f"The moment of the --sync is known to about {sigma_s:.2f} s; a stop after a run is the most exact."
        )
    if residual_s:
        said.append(f"The sync points agree to {residual_s:.2f} s.")
    return said


class _Clip(NamedTuple):
    """A video, or a part of one, and what is shown in it."""

    stem: str
    source: Path
    size: tuple[int, int]
    fit: Alignment
    from_s: float
    """Where it begins in the video that it was cut from [s]."""
    given_s: float | None
    """How long it is, where that is known [s]."""
    lines: list[CaptionLine]
    """On its own time."""

    @property
    def length_s(self) -> float:
        """How long it is, or else until nothing more is shown [s]."""
        return self.given_s if self.given_s is not None else max(line.end_s for line in self.lines)


def _clipped(
    drive: str, fits: Sequence[Alignment], clips: Sequence[Path], videos: Sequence[Video], length_s: float | None,
    shown: Sequence[CaptionLine],
) -> list[_Clip]:  # fmt: skip
    """What is shown where; NoAnswer where nothing is."""
    if not clips:
        lines = captions.on_video(shown, fits[0], length_s)
        made = [_Clip(f"{drive}-captions", Path("VIDEO.mp4"), _SIZE, fits[0], 0.0, length_s, lines)]
    else:
        made, passed = [], 0.0
        for number, (path, video) in enumerate(zip(clips, videos, strict=True)):
            fit = fits[number if len(fits) > 1 else 0]
            lines = captions.on_video(shown, fit, video.length_s, passed)
            made.append(_Clip(path.stem, path, (video.width, video.height), fit, passed, video.length_s, lines))
            if len(fits) == 1:
                passed += video.length_s
    for clip in made:
        if not clip.lines:
            raise NoAnswer(f"{clip.stem}: no part of drive {drive} is within this video. Check where the video starts.")
    return made


def _overlay(clip: _Clip, folder: Path, path: Path, fps: float, progress: Callable[[str], None] | None) -> Path:
    if progress is not None:
        progress(
            f"drawing {path.name}, {clip.length_s:.0f} s of video. This takes about as long as the video, or a "
            f"few times that."
        )
    return draw_overlay(folder / f"{clip.stem}.ass", path, clip.size, clip.length_s, fps)


def _overlay_name(stem: str, kind: OverlayKind) -> str:
    return f"{stem.removesuffix('-captions')}-captions.{kind}"


def _burn_in(clip: _Clip, folder: Path) -> str:
    burnt = folder / f"{clip.source.stem}-captioned{clip.source.suffix}"
    return burn_words(clip.source, folder / f"{clip.stem}.ass", burnt)


def _drawn(drive: AnalysedDrive, clip: _Clip, notes: bool) -> str:
    """The ASS captions of a clip with bars."""
    place = bars.Canvas(*clip.size)
    return bars.ass(
        captions.on_video(drawn_of(drive, place, notes), clip.fit, clip.given_s, clip.from_s), place
    )  # fmt: skip


def drawn_of(drive: AnalysedDrive, place: Canvas, notes: bool = False) -> list[Drawing]:
    """All that captions with bars can show of a drive, in its owner's units, in drive time."""
    from analysis.mixture.map import targets_of

    runs = drive.table_runs(drive.unit)
    drawn = [
        *bars.speed_panel(captions.speed_lines(drive.motion, drive.unit), place),
        *bars.split_board(runs, [drive.counts(run) for run in runs], drive.unit, place),
    ]
    if (mapped := _map_of(drive)) is not None:
        readings = mapped.readings
        low, high = targets_of(readings, mapped.state, mapped.answer.delay, drive.targets, mapped.cooling)
        steps = bars.mixture_steps(readings.time_s - _late(mapped), readings.value, low, high)
        drawn += bars.mixture_bar(steps, readings.channel, readings.per_lambda, place)
    return drawn + bars.note_words(_notes(drive), place) if notes else drawn


def lines_of(drive: AnalysedDrive, notes: bool = False) -> list[CaptionLine]:
    """All that captions can show of a drive, in its owner's units, in drive time."""
    shown = [
        *captions.speed_lines(drive.motion, drive.unit), *captions.run_lines(drive.table_runs(drive.unit), drive.unit)
    ]  # fmt: skip
    if (mapped := _map_of(drive)) is not None:
        form = "AFR {:.1f}" if mapped.readings.channel == "afr" else "lambda {:.2f}"
        shown += captions.value_lines(mapped.readings.time_s - _late(mapped), mapped.readings.value, form)
    return shown + _notes(drive) if notes else shown


def _map_of(drive: AnalysedDrive) -> DriveMap | None:
    """A drive without a mixture shows none."""
    try:
        return drive.map
    except NoAnswer:
        return None


def _late(mapped: DriveMap) -> float:
    """How much later than the engine burnt it a mixture is read [s]."""
    return mapped.delay.delay_s + mapped.delay.lag_s


def _notes(drive: AnalysedDrive) -> list[CaptionLine]:
    return captions.note_lines((_on_axis(drive, note.utc), note.text) for note in drive.drive.manifest.notes)


def _on_axis(drive: AnalysedDrive, when: datetime) -> float:
    return when.timestamp() - drive.motion.epoch_utc_ns / NS_PER_S


def _start(drive: AnalysedDrive, start: datetime | float) -> float:
    if isinstance(start, datetime):
        return _on_axis(drive, start)
    return _on_axis(drive, drive.drive.manifest.started_utc) + start


def _points(
    drive: AnalysedDrive, sync: Sequence[str], at_s: Sequence[float], clap: Path | None
) -> tuple[list[tuple[float, float]], float]:
    """Pairs of video time and drive time [s], and how well the latter are known."""
    if not sync:
        raise InputError("the start of the video is not known. Give --video-start TIME or --sync NOTE.")
    seen = list(at_s)
    if clap is not None:
        seen.insert(0, find_clap(*read_sound(clap)).time_s)
    if len(sync) == 1 and not seen:
        seen = [0.0]
    if len(seen) != len(sync):
        raise InputError(
            f"--sync is given {len(sync)} times and --at {len(seen)} times: Give one --at for each --sync."
        )
    when = [_synced(text, drive) for text in sync]
    return [(video, moment) for video, (moment, _) in zip(seen, when, strict=True)], max(sigma for _, sigma in when)


def _synced(text: str, drive: AnalysedDrive) -> tuple[float, float]:
    """When a sync point was [s], and how well that is known."""
    if match := re.fullmatch(r"(run|stop)\s*(\d+)", text.strip(), re.IGNORECASE):
        found = drive.table_runs(drive.unit)
        run = next((run for run in found if run.n == int(match[2])), None)
        if run is None:
            raise InputError(f"--sync: {drive.id} has no run {match[2]}. It has runs 1 to {len(found)}.")
        if match[1].lower() == "run":
            return run.start_s, run.start_sigma_s
        rest = next((rest for rest in drive.motion.rests if rest.start_s >= run.end_s), None)
        if rest is None:
            raise InputError(f"--sync: the car of {drive.id} did not stand still again after run {match[2]}")
        return rest.start_s, drive.motion.step_s / 2
    notes = drive.drive.manifest.notes
    hits = [note for note in notes if text.casefold() in note.text.casefold()]
    exact = [note for note in hits if note.text.casefold() == text.casefold()]
    hits = exact if len(exact) == 1 else hits
    if len(hits) == 1:
        return _on_axis(drive, hits[0].utc), KEY_PRESS_S
    if hits:
        raise InputError(f"--sync: {len(hits)} notes of {drive.id} have {text!r} in them. Give more of the words.")
    known = "; ".join(repr(note.text) for note in notes[:5]) or "none"
    raise InputError(f"--sync: no note of {drive.id} has {text!r} in it. Its notes: {known}. Or write 'run 1'.")
