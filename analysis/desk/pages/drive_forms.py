"""What can be done to a drive, as forms that stand in the sections of its page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from analysis.answers.setting import part_line
from analysis.desk.fields import version_of
from analysis.desk.parts import Entry, Fold, Form, Links, Part, address, typed
from logger.errors import NoAnswer
from logger.zone import local_clock

if TYPE_CHECKING:
    from analysis.answers.photos import PhotoAnswer
    from analysis.drive import AnalysedDrive
    from analysis.report.page import Block
    from analysis.store import DriveStore
    from logger.config.setup import SetupConfig

ANYWAY = "As written"


@dataclass(frozen=True)
class Held:
    """What the forms of a drive begin with."""

    drive: str
    version: str
    """Of its manifest, as the page was made from it."""
    runs: Sequence[tuple[int, str]]
    """Each run's number, and what it is called in a list to tick."""
    tagged: bool
    struck: bool
    setup: SetupConfig | None
    setups: Sequence[str]
    """Names of the setups driven in the store."""
    has_fuel: bool
    has_weather: bool
    pictures: Sequence[Block]
    """Its photographs and words, as the report shows them."""
    photos: Sequence[PhotoAnswer]
    """All that is kept, what was put away too."""


def held_of(store: DriveStore, drive: AnalysedDrive) -> Held:
    """What the forms of this drive begin with."""
    from analysis.answers.photos import photos_answer
    from analysis.conditions.setups import known
    from analysis.report.photos_section import photo_blocks

    manifest = drive.drive.manifest
    return Held(
        drive.id, version_of(drive.drive.path / "drive.json"), _runs(drive), bool(manifest.tags),
        bool(manifest.struck), drive.drive.setup,
        tuple(dict.fromkeys(each.name for each in known(each.drive for each in store.drives))),
        manifest.fuel is not None, manifest.weather is not None,
        photo_blocks(drive), photos_answer(drive).photos,
    )  # fmt: skip


def _runs(drive: AnalysedDrive) -> list[tuple[int, str]]:
    """None where the drive has no usable fixes."""
    from analysis.drive import utc

    try:
        runs = drive.table_runs(drive.unit)
    except NoAnswer:
        return []
    out = []
    for run in runs:
        why, tags = drive.struck(run), drive.tags(run)
        said = f"run {run.n} of {local_clock(utc(run.start_utc_ns))}"
        said += f", {', '.join(tags)}" if tags else ""
        out.append((run.n, f"{said}, struck out: {why}" if why else said))
    return out


def actions(held: Held) -> list[Part]:
    """All forms of a drive, by the section of its page that they belong to."""
    return [
        Part("driven", "What was driven, and with what", [
            Fold("Put the setup right", [setup_form(held)]), Fold("Add a note", [note_form(held)]),
        ]),
        *([Part("runs", "Runs", [
            Fold("Strike out runs", [strike_form(held)]), Fold("Tag runs", [tag_form(held)]),
        ])] if held.runs else []),
        Part("photos", "Plugs and photographs", [
            *held.pictures, Fold("Keep a photograph", [photo_form(held)]),
            *([Fold("Put photographs away", [putaway_form(held)])] if held.photos else []),
        ]),
        Part("fuel", "Fuel", [
            Fold("Give the fuel used", [fuel_form(held), *([forget_form(held)] if held.has_fuel else [])]),
        ]),
        Part("weather", "Weather", [Fold("Give the weather", [weather_form(held)])]),
        Part("away", "To take away", [
            Links([
                (address("drive", held.drive, "report.html"), "The page as one file", "without a position"),
                (address("drive", held.drive, "captions"), "Captions for a video", "speed, mixture, time and splits"),
                (address("drive", held.drive, "export"), "The data", "CSV, Parquet, GPX or GeoJSON"),
            ]),
        ]),
    ]  # fmt: skip


def form_called(held: Held, name: str) -> Form | None:
    """The form of that name; None where the drive has none such."""
    for part in actions(held):
        for fold in part.blocks:
            for form in fold.blocks if isinstance(fold, Fold) else ():
                if isinstance(form, Form) and form.name == name:
                    return form
    return None


def strike_form(held: Held) -> Form:
    return Form(
        "strike", address("drive", held.drive, "strike"),
        [_version(held), _ticks(held),
         Entry("reason", "Reason", broad=True, help="Kept with the drive: a run is never struck out silently."),
         *([Entry("undo", "Count them again instead", how="tick")] if held.struck else [])],
        "Strike out", "A run that is struck out stays on the page and never counts.",
        typed("strike", held.drive, "1", "--reason", "..."),
    )  # fmt: skip


def tag_form(held: Held) -> Form:
    return Form(
        "tag", address("drive", held.drive, "tag"),
        [_version(held), _ticks(held),
         Entry("tags", "Tags", broad=True, help="Such as passenger, or gear=2; spaces between several."),
         *([Entry("undo", "Take these tags away instead", how="tick")] if held.tagged else [])],
        "Tag", "Compare can then take or leave the runs that bear a tag.", typed("tag", held.drive, "1", "gear=2"),
    )  # fmt: skip


def setup_form(held: Held) -> Form:
    now = held.setup
    lines = [part_line(part, value) for part, value in now.parts.items()] if now is not None else []
    choices = [("", "as written below"), *((name, name) for name in held.setups)]
    return Form(
        "setup", address("drive", held.drive, "setup"),
        [_version(held),
         *([Entry("as_driven", "The setup", how="choice", options=choices, broad=True,
                  help="One that was driven before, or the parts below.")] if held.setups else []),
         Entry("parts", "Parts", "\n".join(lines), "area",
               help="A line each, such as main_jet_mm=1.06 or snorkel=long. A line taken out is a part not said."),
         Entry("name", "Name", now.name if now is not None else "",
               help="Left empty, it is called by what differs. Other parts need another name."),
         Entry("notes", "Words to keep with it", now.notes if now is not None else "", broad=True),
         Entry("date", "Since", str(now.date or "") if now is not None else "", help="Such as 2026-05-02."),
         Entry("cost", "Cost", _plain(now.cost if now is not None else None), numeric=True,
               help="What the change cost, in your money."),
         Entry("hours", "Hours of work", _plain(now.hours if now is not None else None), numeric=True),
         Entry("because", "Why it is put right", broad=True, help="Kept in the drive's trace."),
         Entry("anyway", ANYWAY, how="tick", help="Take words and names that are nearly known ones as they stand.")],
        "Put right", command=typed("setup", "FILE", "--drive", held.drive),
    )  # fmt: skip


def note_form(held: Held) -> Form:
    return Form(
        "note",
        address("drive", held.drive, "note"),
        [_version(held), Entry("text", "Note", broad=True)],
        "Keep the note",
    )


def photo_form(held: Held) -> Form:
    runs = [("", "the drive"), *((str(n), said) for n, said in held.runs)]
    return Form(
        "photo", address("drive", held.drive, "photo"),
        [_version(held),
         Entry("picture", "Picture", how="file", help="JPEG, PNG or WebP, up to 64 MB; it is kept as it is."),
         Entry("words", "Words", broad=True, help="What is to be seen, such as tan, a little white. Or words alone."),
         *([Entry("run", "Of", how="choice", options=runs)] if held.runs else [])],
        "Keep", "Hot plugs burn: engine off and cool.",
        typed("photo", held.drive, "PICTURE", "--run", "1", "--words", "..."),
    )  # fmt: skip


def putaway_form(held: Held) -> Form:
    options = [(str(each.n), _photo_said(each)) for each in held.photos]
    return Form(
        "putaway", address("drive", held.drive, "putaway"),
        [_version(held), Entry("kept", "Kept", how="ticks", options=options),
         *([Entry("undo", "Show them again instead", how="tick")] if any(each.away for each in held.photos) else [])],
        "Put away", "What is put away stays in the drive and is shown nowhere.",
        typed("photo", held.drive, "--away", "1"), careful=True,
    )  # fmt: skip


def _photo_said(each: PhotoAnswer) -> str:
    said = f"{each.n}: {'the drive' if each.run is None else f'run {each.run}'}, {each.words or each.file}"
    return f"{said} (put away)" if each.away else said


def weather_form(held: Held) -> Form:
    return Form(
        "weather", address("drive", held.drive, "weather"),
        [_version(held),
         Entry("metar", "METAR report", broad=True, help="Of an airfield nearby, pasted whole; or fill in below."),
         Entry("temperature", "Temperature", help="Such as 17C or 63F."),
         Entry("pressure", "Pressure at the place", help="Such as 1009hPa or 29.8inHg."),
         Entry("qnh", "Pressure at sea level (QNH)", help="From an airfield; needs the elevation."),
         Entry("humidity", "Humidity", help="Such as 59%."),
         Entry("dew_point", "Dew point", help="In place of humidity, such as 9C."),
         Entry("wind", "Wind", help="Such as 1.2m/s or 5mph."),
         Entry("wind_from", "Wind from", unit="degrees", numeric=True),
         Entry("elevation", "Elevation of the place", help="Such as 21m; by default the car file's."),
         *([Entry("clear", "Forget what was given before", how="tick")] if held.has_weather else [])],
        "Keep the weather", "What is left empty stays as it was.", typed("weather", held.drive, "--temperature", "17C"),
    )  # fmt: skip


def fuel_form(held: Held) -> Form:
    return Form(
        "fuel", address("drive", held.drive, "fuel"),
        [_version(held), Entry("used", "Fuel used", help="As a volume: 0.84gal or 3.2L."),
         Entry("by_weight", "Or its weight", help="Such as 2.31kg."),
         Entry("sigma", "How well that is known", help="Standard error: how well fills, or the scale, repeat."),
         Entry("fuel_temp", "Temperature of the fuel", help="31C or 88F, for a volume."),
         Entry("band", "Speeds to hold", help="The band that was to be held, such as 45mph-50mph."),
         Entry("anyway", "Keep it all the same", how="tick", help="Also a consumption that is no car's.")],
        "Keep the fuel", "For a loop that ends where it began, filled to the same mark. Fill and weigh in the open, "
        "engine off and cool.", typed("fuel", held.drive, "--used", "3.2L"),
    )  # fmt: skip


def forget_form(held: Held) -> Form:
    return Form("forget", address("drive", held.drive, "forget"), [_version(held)], "Forget the fuel", careful=True,
                command=typed("fuel", held.drive, "--forget"))  # fmt: skip


def _version(held: Held) -> Entry:
    return Entry("version", "", held.version, "hidden")


def _ticks(held: Held) -> Entry:
    return Entry("runs", "Runs", how="ticks", options=[(str(n), said) for n, said in held.runs])


def _plain(value: float | None) -> str:
    return "" if value is None else f"{value:g}"
