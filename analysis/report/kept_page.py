"""The page of a drive as it was made before, so that a report asked for twice is worked out once.

    STORE/.analysis/DRIVE/page-0a1b2c3d4e5f.json

A page is kept under a digest of what was asked, with a key of all that it depends on: every drive of the store (the
next outing is planned by all of them), the targets in force, the owner's zone, and this program (`kept`). Its drawings
are looked through before they are shown again: nothing but lines, areas and words may stand in one.
"""

from __future__ import annotations

import contextlib
import dataclasses
import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from analysis import kept
from analysis.report.page import Bullets, Figure, Map, MapField, Page, Section, Table, Words
from analysis.report.plots import Axis, Plot
from logger.errors import InputError, NoAnswer
from logger.zone import zone_of

if TYPE_CHECKING:
    from analysis.drive import AnalysedDrive
    from analysis.store import DriveStore

_KINDS: dict[str, type] = {
    kind.__name__: kind for kind in (Axis, Bullets, Figure, Map, MapField, Page, Plot, Section, Table, Words)
}
_IS = "is"
_TAGS = frozenset(("svg", "g", "path", "line", "rect", "text", "tspan", "circle", "use"))


def page_key(store: DriveStore) -> str | None:
    """What a drive's page depends on; None where a drive cannot be read, of which the report itself will tell."""
    try:
        return kept.digest_of_values(
            store.targets.model_dump(),
            [
                (kept.analysed_key(drive), manifest.model_dump_json(), zone_of(manifest.started_utc))
                for drive in store.drives
                for manifest in [drive.drive.manifest]
            ],
        )
    except (NoAnswer, InputError):
        return None


def read_page(drive: AnalysedDrive, key: str, *asked: object) -> Page | None:
    """The page that was kept for just this; None without one."""
    if drive.kept_in is None:
        return None
    found = kept.read_values(drive.kept_in, drive.id, _name(asked), key)
    with contextlib.suppress(ValueError, KeyError, TypeError, AttributeError, RecursionError, ET.ParseError):
        page = _made(found)
        return page if isinstance(page, Page) else None
    return None


def keep_page(drive: AnalysedDrive, key: str, page: Page, *asked: object) -> None:
    """Keep a page; nothing where the drive's results are not kept."""
    if drive.kept_in is not None:
        kept.write_values(drive.kept_in, drive.id, _name(asked), key, _plain(page))


def _name(asked: tuple[object, ...]) -> str:
    return f"page-{kept.digest_of_values(*asked)[:12]}"


def _plain(value: Any) -> Any:
    if dataclasses.is_dataclass(value):
        told = {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
        return {_IS: type(value).__name__, **told}
    if isinstance(value, list | tuple):
        return [_plain(each) for each in value]
    return str(value) if isinstance(value, str) else value


def _made(value: Any) -> Any:
    if isinstance(value, list):
        return tuple(_made(each) for each in value)
    if not isinstance(value, dict):
        return value
    told = {name: _made(each) for name, each in value.items() if name != _IS}
    if value[_IS] == "Plot":
        _check_drawing(told["svg"])
        told["svg"] = Markup(told["svg"])
    return _KINDS[value[_IS]](**told)


def _check_drawing(svg: str) -> None:
    """ValueError where a drawing holds what `plots` never draws."""
    for element in ET.fromstring(svg).iter():
        if element.tag not in _TAGS or any(_leads_out(*each) for each in element.attrib.items()):
            raise ValueError(f"not a drawing of this program: {element.tag}")


def _leads_out(name: str, value: str) -> bool:
    return name.lower().startswith(("on", "{")) or (name == "href" and not value.startswith("#"))
