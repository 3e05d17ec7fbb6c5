"""What can be done to a drive, as forms that stand in the sections of its page."""

from __future__ import annotations

import urllib.parse
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

ANYWAY = "Keep as typed"


_MORE = (
    ("runs", "name", "Runs", "other speeds, rolling runs, times to a distance"),
    ("mixture", "drives", "Mixture", "other bands, load and fuel; or what changed since another drive"),
    ("power", "names", "Power", "force and power at the wheels"),
    ("coast", "names", "Coasts", "rolling and air drag"),
    ("whatif", "names", "What if", "times after a change of mass, drag, power or gearing"),
    ("fuel", "names", "Fuel", "how long a loop must be to show a change"),
    ("rebuild", "name", "Rebuild", "makes its tables again, after a file was corrected"),
    ("capture", "name", "Raw bytes", "as a file; it shows where you drove"),
)
"""What else can be asked of a drive: verb, the entry of its form that takes the drive, and what is said of it."""


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
        Part("driven", "Drive and setup", [
            Fold("Correct the setup", [setup_form(held)]), Fold("Add a note", [note_form(held)]),
        ]),
        *([Part("runs", "Runs", [
            Fold("Strike out runs", [strike_form(held)]), Fold("Tag runs", [tag_form(held)]),
        ])] if held.runs else []),
        Part("photos", "Plugs and photographs", [
            *held.pictures, Fold("Add a photograph", [photo_form(held)]),
            *([Fold("Hide photographs", [putaway_form(held)])] if held.photos else []),
        ]),
        Part("fuel", "Fuel", [
            Fold("Enter the fuel used", [fuel_form(held), *([forget_form(held)] if held.has_fuel else [])]),
        ]),
        Part("weather", "Weather", [Fold("Enter the weather", [weather_form(held)])]),
        Part("away", "Files", [
            Links([
                (address("drive", held.drive, "report.html"), "The page as one file", "holds no position"),
                (address("drive", held.drive, "captions"), "Captions for a video", "speed, mixture, time and splits"),
                (address("drive", held.drive, "export"), "The data", "CSV, Parquet, GPX or GeoJSON"),
            ]),
        ]),
        Part("more", "More answers", [Links([
            (f"{address('commands', verb)}?{urllib.parse.urlencode({place: held.drive})}", called, said)
            for verb, place, called, said in _MORE
        ])]),
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
         Entry("reason", "Reason", broad=True, help="Kept with the drive, so that it is known later."),
         *([Entry("undo", "Count them again instead", how="tick")] if held.struck else [])],
        "Strike out", "A struck-out run stays on the page and is not counted.",
        typed("strike", held.drive, "1", "--reason", "..."),
    )  # fmt: skip


def tag_form(held: Held) -> Form:
    return Form(
        "tag", address("drive", held.drive, "tag"),
        [_version(held), _ticks(held),
         Entry("tags", "Tags", broad=True, help="Such as passenger, or gear=2. Put a space between tags."),
         *([Entry("undo", "Remove these tags instead", how="tick")] if held.tagged else [])],
        "Tag", "Compare can then use only runs with a tag, or leave them out.", typed("tag", held.drive, "1", "gear=2"),
    )  # fmt: skip


def setup_form(held: Held) -> Form:
    now = held.setup
    lines = [part_line(part, value) for part, value in now.parts.items()] if now is not None else []
    choices = [("", "the parts below"), *((name, name) for name in held.setups)]
    return Form(
        "setup", address("drive", held.drive, "setup"),
        [_version(held),
         *([Entry("as_driven", "The setup", how="choice", options=choices, broad=True,
                  help="One that was driven before, or the parts below.")] if held.setups else []),
         Entry("parts", "Parts", "\n".join(lines), "area",
               help="One per line, such as main_jet_mm=1.06 or snorkel=long. Delete a line to leave the part out."),
         Entry("name", "Name", now.name if now is not None else "",
               help="If empty, it is named after what differs. Other parts need another name."),
         Entry("notes", "Notes", now.notes if now is not None else "", broad=True),
         Entry("date", "Since", str(now.date or "") if now is not None else "", help="Such as 2026-05-02."),
         Entry("cost", "Cost", _plain(now.cost if now is not None else None), numeric=True,
               help="What the change cost, in your currency."),
         Entry("hours", "Hours of work", _plain(now.hours if now is not None else None), numeric=True),
         Entry("because", "Why it is corrected", broad=True, help="Kept in the drive's list of changes."),
         Entry("anyway", ANYWAY, how="tick", help="Accept words and names that look like a misspelled known one.")],
        "Correct", command=typed("setup", "FILE", "--drive", held.drive),
    )  # fmt: skip


def note_form(held: Held) -> Form:
    return Form(
        "note",
        address("drive", held.drive, "note"),
        [_version(held), Entry("text", "Note", broad=True)],
        "Save the note",
    )


def photo_form(held: Held) -> Form:
    runs = [("", "the drive"), *((str(n), said) for n, said in held.runs)]
    return Form(
        "photo", address("drive", held.drive, "photo"),
        [_version(held),
         Entry("picture", "Picture", how="file", help="JPEG, PNG or WebP, up to 64 MB. It is kept unchanged."),
         Entry("words", "Words", broad=True, help="What it shows, such as tan, a little white. Words alone are fine."),
         *([Entry("run", "Of", how="choice", options=runs)] if held.runs else [])],
        "Save", "Hot plugs burn: engine off and cool.",
        typed("photo", held.drive, "PICTURE", "--run", "1", "--words", "..."),
    )  # fmt: skip


def putaway_form(held: Held) -> Form:
    options = [(str(each.n), _photo_said(each)) for each in held.photos]
    return Form(
        "putaway", address("drive", held.drive, "putaway"),
        [_version(held), Entry("kept", "Photographs", how="ticks", options=options),
         *([Entry("undo", "Show them again instead", how="tick")] if any(each.away for each in held.photos) else [])],
        "Hide", "A hidden photograph stays in the drive and is shown nowhere.",
        typed("photo", held.drive, "--away", "1"), careful=True,
    )  # fmt: skip


def _photo_said(each: PhotoAnswer) -> str:
    said = f"{each.n}: {'the drive' if each.run is None else f'run {each.run}'}, {each.words or each.file}"
    return f"{said} (hidden)" if each.away else said


def weather_form(held: Held) -> Form:
    return Form(
        "weather", address("drive", held.drive, "weather"),
        [_version(held),
         Entry("metar", "METAR report", broad=True, help="Paste the report of an airfield nearby, or fill in below."),
         Entry("temperature", "Temperature", help="Such as 17C or 63F."),
         Entry("pressure", "Pressure at the place", help="Such as 1009hPa or 29.8inHg."),
         Entry("qnh", "Pressure at sea level (QNH)", help="From an airfield; needs the elevation."),
         Entry("humidity", "Humidity", help="Such as 59%."),
         Entry("dew_point", "Dew point", help="Instead of humidity, such as 9C."),
         Entry("wind", "Wind", help="Such as 1.2m/s or 5mph."),
         Entry("wind_from", "Wind from", unit="degrees", numeric=True),
         Entry("elevation", "Elevation of the place", help="Such as 21m. If empty: what the car's file says."),
         *([Entry("clear", "Delete what was entered before", how="tick")] if held.has_weather else [])],
        "Save the weather", "What you leave empty stays as it was.",
        typed("weather", held.drive, "--temperature", "17C"),
    )  # fmt: skip


def fuel_form(held: Held) -> Form:
    return Form(
        "fuel", address("drive", held.drive, "fuel"),
        [_version(held), Entry("used", "Fuel used", help="As a volume: 0.84gal or 3.2L."),
         Entry("by_weight", "Or its weight", help="Such as 2.31kg."),
         Entry("sigma", "How exact that is (\u00b1)", help="One standard error: how well fills, or the scale, repeat."),
         Entry("fuel_temp", "Temperature of the fuel", help="Such as 31C or 88F, if you gave a volume."),
         Entry("band", "Speed to hold", help="The band you meant to hold, such as 45mph-50mph."),
         Entry("anyway", "Save it anyway", how="tick", help="Even if no car uses so much or so little.")],
        "Save the fuel", "For a loop that ends where it started, filled to the same mark. Fill and weigh in the open, "
        "engine off and cool.", typed("fuel", held.drive, "--used", "3.2L"),
    )  # fmt: skip


def forget_form(held: Held) -> Form:
    return Form("forget", address("drive", held.drive, "forget"), [_version(held)], "Delete the fuel", careful=True,
                command=typed("fuel", held.drive, "--forget"))  # fmt: skip


def _version(held: Held) -> Entry:
    return Entry("version", "", held.version, "hidden")


def _ticks(held: Held) -> Entry:
    return Entry("runs", "Runs", how="ticks", options=[(str(n), said) for n, said in held.runs])


def _plain(value: float | None) -> str:
    return "" if value is None else f"{value:g}"
