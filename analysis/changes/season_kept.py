"""A season as it was gathered, kept whole: where nothing has changed in the store, a thousand drives are read as one.

    STORE/.analysis/.season/gathered-j1349.json, .f64      one for each correction and choice of runs

It is kept under a key of all that stands in the store and of this program (`kept.key_of_store`), so that a note, a
strike or another setup is seen. What was gathered while a drive could not be read is not kept.
"""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

from pydantic import TypeAdapter

from analysis import kept
from analysis.changes import packed
from analysis.changes.full_throttle import RunLeftOut
from analysis.changes.observations import FuelLoop, Observation
from analysis.changes.pull_tables import PULL_KINDS
from analysis.changes.season_pulls import SeasonPull
from analysis.changes.season_record import SEASON, Outing, SeasonRecord
from analysis.conditions.roadload import RoadLoad
from analysis.conditions.setups import Known
from analysis.conditions.weather import Air, Weather
from analysis.runs.pulls import PowerPull
from logger.config.setup import SetupConfig

if TYPE_CHECKING:
    from analysis.store import DriveStore

WORTH_KEEPING = 8
"""Fewer drives are read as soon as what is kept of them."""
_SETUP = packed.AsText(
    lambda setup: setup.model_dump_json(), lambda text: SetupConfig.model_validate_json(text, strict=False)
)
_KINDS: dict[str, tuple[type, packed.Kinds]] = {
    "runs": (
        Observation,
        {
            "parts": packed.MAPPING, "tags": packed.TUPLE,
            **dict.fromkeys(("speed_mps", "time_s", "sigma_s", "corrected_s", "unlaunched_s"), "floats"),
        },
    ),
    "left_out": (RunLeftOut, {}),
    "drives": (
        Outing,
        {
            "parts": packed.MAPPING, "notes": packed.TUPLE, "runs": packed.TUPLE, "air": packed.of_fields(Air),
            "started_utc": packed.AsText(datetime.isoformat, TypeAdapter(datetime).validate_strings),
            "weather": packed.AsText(lambda weather: weather.model_dump_json(), Weather.model_validate_json),
        },
    ),
    "loops": (FuelLoop, {"parts": packed.MAPPING}),
    "setups": (Known, {"setup": _SETUP, "drives": packed.TUPLE}),
    "pulls": (SeasonPull, {"parts": packed.MAPPING, "tags": packed.TUPLE, "near_tags": packed.TUPLE}),
}  # fmt: skip
"""What a season lists: of which class, and how the fields are told that are no plain values."""
_VALUES = ("unit", "factor", "road", "caveats", "keys")


class KeptSeason:
    """What is kept of the season of `store`, its times corrected by `factor`; `every_run` as `season.gather` has it."""

    def __init__(self, store: DriveStore, factor: str, every_run: bool) -> None:
        self._store = store
        self._name = f"gathered-{factor.rsplit(maxsplit=1)[-1].lower()}{'-every' * every_run}"
        self._key = self._with_targets(kept.key_as_begun(store.path))

    def read(self) -> SeasonRecord | None:
        """The season; None where it is not kept under this key, or not as it was written."""
        found = kept.read_numbers(self._store.path, SEASON, self._name, self._key) if self._key else None
        if found is None:
            return None
        told, numbers = found
        try:
            unpacking = packed.Unpacking(told["shared"], told["sizes"], numbers)
            pulls = unpacking.objects(PowerPull, told["pull"], PULL_KINDS)
            told["pulls"] |= {"pull": pulls} if pulls else {}
            lists: dict[str, Any] = {
                name: unpacking.objects(of, told[name], kinds) for name, (of, kinds) in _KINDS.items()
            }
            road = RoadLoad(**packed.tuples(told["standard_road"]))
            season = SeasonRecord(**lists, **{name: told[name] for name in _VALUES}, standard_road=road)
        except (AttributeError, LookupError, RecursionError, TypeError, ValueError):
            return None
        return self._known(replace(season, store=self._store))

    def write(self, season: SeasonRecord) -> SeasonRecord:
        """Keep the season, unless it is of a few drives or the store is not what it was before it was gathered."""
        now = self._with_targets(kept.key_of_store(self._store.path))
        if not self._key or now != self._key or len(season.drives) < WORTH_KEEPING:
            return season
        packing = packed.Packing()
        told: dict[str, Any] = {name: getattr(season, name) for name in _VALUES}
        told["standard_road"] = asdict(season.standard_road) if season.standard_road is not None else None
        for name, (_, kinds) in _KINDS.items():
            told[name] = packing.columns(getattr(season, name), kinds)
        told["pulls"].pop("pull", None)
        told["pull"] = packing.columns([each.pull for each in season.pulls], PULL_KINDS)
        told |= {"shared": packing.shared, "sizes": packing.sizes}
        kept.write_numbers(self._store.path, SEASON, self._name, self._key, told, packing.numbers)
        return self._known(season)

    def _known(self, season: SeasonRecord) -> SeasonRecord:
        return replace(season, gathered=(season.pulls, f"{self._name} {self._key}"))

    def _with_targets(self, key: str) -> str:
        given = self._store.targets_given
        return kept.digest_of_values(key, given.model_dump()) if key and given is not None else key
