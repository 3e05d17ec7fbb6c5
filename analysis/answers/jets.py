"""The answer of `jets`: which main jet to try next, and what each jet that can be had would give.

answer = jets_answer(store, store.drive("last"))
answer.now.value, answer.choice
rows(answer.expected)           # a pandas frame, one row a jet
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Literal

from analysis.answers.encoding import Answer, Figure
from analysis.answers.mixture import CellAnswer, LoadNameAnswer, WindowAnswer, cell_answer
from analysis.changes import jet_history
from analysis.conditions.fuels import PETROL_SCALE_AFR, fuel_stoich_afr
from analysis.mixture import jets
from analysis.mixture.map import Judgement, Window
from logger.config.reading import load
from logger.config.setup import JetsConfig

if TYPE_CHECKING:
    from analysis.conditions.weather import Weather
    from analysis.drive import AnalysedDrive
    from analysis.mixture.jets import Expected, Present, Pull, Response
    from analysis.store import DriveStore

JET_CAUTION = (
    "Caution: change one step at a time and read it again before holding full throttle. Lean mixture burns pistons and "
    "valves. Fuel and hot exhaust burn: engine cold, outdoors, no flame. Measure the jet, because holes run "
    "oversize and "
    "marks are often wrong."
)
AIR_COOLED = " Fuel cools an air-cooled engine too. Stay at the rich end, and listen and feel for heat."


class PullAnswer(Answer):
    """Full throttle in one speed band of a drive."""

    from_mps: float
    """Lower edge of the band [m/s]."""
    value: float
    """Median AFR or lambda."""
    sigma: float
    """Its standard error, in the same."""


class JetNowAnswer(Answer):
    """Full throttle of this setup: all its drives together, all speeds weighed alike, in one air and on one fuel.

    This is not the full-throttle mixture of any one drive, which is the median of its mixture map's row
    (`drive_full_throttle`): the drives of a setup pull through different speeds, in different weather.
    """

    diameter_mm: float
    """The main jet that is in [mm]."""
    value: float
    """AFR on the scale where lambda 1 is 14.7, or lambda: full throttle of this setup in the air of
    `density_kg_per_m3` and on the fuel of `fuel_stoich_afr`."""
    sigma: float
    """Its standard error, in the same."""
    low: float
    """Lower end of its 95 % interval."""
    high: float
    """Upper end of its 95 % interval."""
    density_kg_per_m3: Figure
    """The air that all of this answer is for [kg/m3]: what was asked for, else that of the drive; null where the
    weather of the drive is not known."""
    fuel_stoich_afr: float
    """Stoichiometric ratio of the fuel that all of this answer is for: what was asked for, else that in the drive's
    car file."""
    drives: int
    """Drives of this setup that it is from."""
    sensor_sigma: float
    """How far off the sensor may be, alike in all its readings, one standard error in the same: it is in `low` and
    `high`, and not in `sigma`."""
    free_air_checked: bool
    """Whether the drive shows the sensor in free air at a standstill, which halves that."""


class JetResponseAnswer(Answer):
    """How full throttle answers a jet: AFR goes with its diameter to the power of `exponent`."""

    exponent: float
    """The exponent; -2 is the area rule."""
    sigma: float
    """Its standard error."""
    low: float
    """Lower end of its 95 % interval."""
    high: float
    """Upper end of its 95 % interval."""
    source: Literal["area rule", "this car's history"]
    """Where it is from."""
    jets: int
    """Jets in the history."""
    drives: int
    """Drives in the history."""
    scatter: float
    """Standard deviation of full throttle from drive to drive at the same jet, as a share."""
    says: str
    """Where it is from, as a sentence."""


class JetAnswer(Answer):
    """What full throttle would be with a jet that can be had."""

    jet: str
    """The jet's or drill's name."""
    kind: Literal["owned", "number", "metric"]
    """One of the owner's own, a number drill, or a metric jet."""
    diameter_mm: float
    """Its diameter [mm]."""
    sigma_mm: float
    """How far off that may be, one standard error [mm]."""
    value: float
    """Full throttle with it: AFR on the scale where lambda 1 is 14.7, or lambda."""
    low: float
    """Lower end of its 95 % interval."""
    high: float
    """Upper end of its 95 % interval."""
    by_area_rule: float
    """The same by the area rule alone."""
    change: float
    """What it would be less what it is: above zero is leaner."""
    change_high: float
    """The most of that in 95 of 100 cases: the response, the hole and the present one may be off."""
    chance_in: float
    """The chance to land in the target window, 0 to 1."""
    chance_lean: float
    """The chance that the leanest band of speed lands beyond its lean end, 0 to 1."""
    allowed: bool
    """Whether it may be advised."""
    why_not: str
    """Why it may not; else empty."""


class JetsAnswer(Answer):
    """Which main jet to try next. Mixtures are AFR on the scale where lambda 1 is 14.7, or lambda, by `channel`."""

    drive: str
    """The drive's id."""
    channel: Literal["afr", "lambda"]
    """The channel of mixtures."""
    unit: Literal["mph", "km/h"]
    """The owner's unit of speed."""
    target: WindowAnswer
    """The window of full throttle."""
    now: JetNowAnswer
    """What it is, with the jet that is in."""
    drive_full_throttle: Figure
    """Full throttle of the drive: the median of its mixture map's row, in the drive's own air."""
    drive_density_kg_per_m3: Figure
    """The air of the drive [kg/m3]; null where its weather is not known."""
    air: Literal["asked for", "of the drive"]
    """Which air the answer is for."""
    air_change: Figure
    """What that air does to the mixture against the drive's, as a share: above zero is leaner; null where either is not
    known."""
    drive_fuel_stoich_afr: float
    """Stoichiometric ratio of the fuel of the drive, by its car file."""
    fuel_change: float
    """What the fuel of the answer does to the mixture against the drive's, as a share: above zero is leaner; 0 where no
    other fuel was asked for."""
    response: JetResponseAnswer
    """How this car answers a jet."""
    verdict: Literal["keep", "change", "none to be had"]
    """Whether to change it."""
    choice: JetAnswer | None
    """The jet to try; null where the present one stays or none may be advised."""
    wanted_mm: float
    """The diameter that the middle of the target asks for [mm]."""
    wanted_low_mm: float
    """Lower end of its 95 % interval [mm]."""
    wanted_high_mm: float
    """Upper end of its 95 % interval [mm]."""
    expected: tuple[JetAnswer, ...]
    """The jets that can be had about these diameters, the largest first."""
    says: str
    """The advice as a sentence."""
    leaner_from: PullAnswer | None
    """The leanest speed band of the drive, where it alone is leaner than the target; else null. One jet moves all
    speeds alike."""
    load: LoadNameAnswer
    """What the load of `not_the_main_jet` is."""
    not_the_main_jet: tuple[CellAnswer, ...]
    """Cells of the drive's map that are off target and that a main jet does not mend, on the map's own scale."""
    left_out: tuple[str, ...]
    """Drives that could have counted and do not, with the reason."""
    caution: str
    """What to mind."""


def jets_answer(
    store: DriveStore,
    drive: AnalysedDrive,
    *,
    own: JetsConfig | None = None,
    air: Weather | None = None,
    fuel: str | None = None,
    channel: str | None = None,
    unit: Literal["mph", "km/h"] | None = None,
    progress: Callable[[str], None] = lambda _: None,
) -> JetsAnswer:
    """Which main jet to try next, by the drives of the store. NoAnswer where the drive cannot say.

    Parameters
    ----------
    own : JetsConfig, optional
        The owner's own jets; by default jets.toml in the store, if any.
    air : Weather, optional
        Of the air to come; by default that of the drive.
    fuel : str, optional
        The blend to come; by default what the drive's car file says.
    channel : str, optional
        "afr" or "lambda"; by default the one that was configured.
    unit : str, optional
        The owner's unit of speed; by default that of the car's file.
    progress : callable
        Called with the id of each drive before it is read.
    """
    targets = store.targets
    if own is None and (store.path / "jets.toml").is_file():
        own = load(store.path / "jets.toml", JetsConfig)
    available = jet_history.jets_to_be_had(targets.jets, own)
    density = jet_history.density_of(drive, air) if air is not None else math.nan
    stoich = fuel_stoich_afr(drive.car, fuel)
    history = jet_history.gather(drive, store.drives, targets.jets.part, channel, progress)
    law = jets.response(history.tested)
    checked = jet_history.free_air_seen(history.map, targets.masks.free_air_lambda)
    now = jets.present(
        history.tested, history.latest, law, stoich, density, _hole_sigma(history.latest.diameter_mm, own),
        jets.CHECKED_SHARE if checked else jets.SENSOR_SHARE,
    )  # fmt: skip
    found, scale = history.map.answer, jet_history.scale_of(history.map)
    full = found.full_throttle
    window = Window(full.target.low * scale, full.target.high * scale)
    step = targets.jets.max_lean_step * (1.0 if found.channel == "afr" else 1 / PETROL_SCALE_AFR)
    ideal = jets.diameter_for(now.value, (window.low + window.high) / 2, now.diameter_mm, law.exponent)
    advice = jets.advise(now, law, jets.near(available, [now.diameter_mm, ideal]), window, step)
    alone = now.leanest is not None and now.leanest.value > window.high >= now.value
    return JetsAnswer(
        drive=drive.id,
        channel="afr" if found.channel == "afr" else "lambda",
        unit=unit or drive.unit,
        target=WindowAnswer(low=window.low, high=window.high),
        now=_now(now, stoich, checked),
        drive_full_throttle=full.median * scale,
        drive_density_kg_per_m3=history.latest.density_kg_per_m3,
        air="of the drive" if math.isnan(density) else "asked for",
        air_change=jets.air_change(history.latest.density_kg_per_m3, now.density_kg_per_m3),
        drive_fuel_stoich_afr=history.latest.stoich_afr,
        fuel_change=history.latest.stoich_afr / stoich - 1,
        response=_response(law),
        leaner_from=_pull(now.leanest) if alone and now.leanest is not None else None,
        load=LoadNameAnswer(name=found.load.name, unit=found.load.unit),
        not_the_main_jet=tuple(
            cell_answer(cell)
            for cell in found.cells
            if cell.judgement in (Judgement.LEAN, Judgement.RICH) and cell.circuit != "main"
        ),
        left_out=history.left_out,
        caution=JET_CAUTION + (AIR_COOLED if history.map.cooling == "air" else ""),
        verdict=advice.verdict,
        choice=_jet(advice.choice) if advice.choice else None,
        wanted_mm=advice.wanted_mm,
        wanted_low_mm=advice.wanted_low_mm,
        wanted_high_mm=advice.wanted_high_mm,
        expected=tuple(_jet(each) for each in advice.expected),
        says=advice.says,
    )


def _hole_sigma(diameter_mm: float, own: JetsConfig | None) -> float:
    """How far off the jet that is in may be: as its owner measured it [mm]."""
    mine = [j.sigma_mm for j in (own.jet if own else ()) if math.isclose(j.measured_mm, diameter_mm, abs_tol=5e-4)]
    return mine[0] if mine else jets.OWN_SIGMA_MM


def _now(now: Present, stoich: float, checked: bool) -> JetNowAnswer:
    return JetNowAnswer(
        diameter_mm=now.diameter_mm, value=now.value, sigma=now.sigma, low=now.low, high=now.high,
        density_kg_per_m3=now.density_kg_per_m3, fuel_stoich_afr=stoich, drives=now.drives,
        sensor_sigma=now.sensor_sigma, free_air_checked=checked,
    )  # fmt: skip


def _response(law: Response) -> JetResponseAnswer:
    return JetResponseAnswer(
        exponent=law.exponent, sigma=law.sigma, low=law.low, high=law.high, source=law.source, jets=law.jets,
        drives=law.drives, scatter=law.scatter, says=law.says,
    )  # fmt: skip


def _pull(pull: Pull) -> PullAnswer:
    return PullAnswer(from_mps=pull.from_mps, value=pull.value, sigma=pull.sigma)


def _jet(expected: Expected) -> JetAnswer:
    jet = expected.jet
    return JetAnswer(
        jet=jet.name, kind=jet.kind, diameter_mm=jet.diameter_mm, sigma_mm=jet.sigma_mm, value=expected.value,
        low=expected.low, high=expected.high, by_area_rule=expected.by_area_rule, change=expected.change,
        change_high=expected.step_high,
        chance_in=expected.chance_in, chance_lean=expected.chance_lean, allowed=expected.allowed,
        why_not=expected.why_not,
    )  # fmt: skip
