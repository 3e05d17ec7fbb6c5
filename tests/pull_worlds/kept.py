"""Many conditions from one driven season: python -m pull_worlds.kept DESIGN... --seasons N --out FOLDER

From tests/. `judge` writes each season as NMEA and reads it again, for every condition; that is right, and costs many
times as much. Here a season is driven once, with twenty rolling pulls a leg and neither days nor legs, and its fixes go
to the program's own `AnalysedDrive` and `work_out` without the text between. What a drive came to, its `DriveRows`, is
kept; days, legs, gains and fewer rolling pulls are laid onto it, and `gather`, `power_change` and `held` are asked as
ever:

- more power by a share f moves the rate of a pull by f P(v) / (m (1 + r)), P the world's own at that speed and opening,
  and the time to v by f d t / d ln P; where along the road the pull then is, is left as it was (a metre or two);
- fewer rolling pulls: what came after the last of them is cut off;
- draws: days, legs and the scatter of runs drawn anew over one season's hills, wind, gusts and receiver. Of what such a
  season errs by in A-B-A, these three are most; verdicts of one season's draws are not quite independent.

`--check` drives the first season both ways, and says how far the rows and the answers are apart.
"""

from __future__ import annotations

import argparse
import math
import pickle
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, fields, replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from analysis.changes import compare, compare_power, season_pack, season_rows
from analysis.changes.first_look import Unknown
from analysis.changes.season import gather
from analysis.changes.season_rows import DriveRows, RunRow, work_out
from analysis.drive import AnalysedDrive
from analysis.motion.fixes import Fixes, clean
from analysis.runs.run import Options
from analysis.store import DriveStore
from logger.config import reading
from logger.config.recorder import RecorderConfig
from logger.config.setup import SetupConfig
from logger.store import drive as drives
from pull_worlds import judge as judging
from pull_worlds import seasons as making
from pull_worlds.country import Floats, Road, Wind
from pull_worlds.driving import Leg, LegPlan, Machine, drive_leg, power_answer
from pull_worlds.judge import HEAD, Tally, row
from pull_worlds.seasons import (
    DESIGNS,
    EARTH_M,
    KNOT,
    ORIGIN_DEG,
    RECEIVERS,
    RIG,
    START,
    Conditions,
    MadeSeason,
    drive_season,
    legs_of,
    received,
    seed_of,
)  # fmt: skip

MOST = 20
"""Rolling pulls a leg of four starts, as driven."""


@dataclass(frozen=True)
class Driven:
    """A season as it was driven: one world, and what the program found in each drive."""

    design: str
    number: int
    car: Machine
    config: Any
    road: Road
    legs: list[Leg]
    begun: list[datetime]
    rows: list[DriveRows]
    """Of each leg, by the program."""


# --- driving ------------------------------------------------------------------------------------------------------


def drive_once(design: str, base: Conditions, number: int, folder: Path) -> Driven:
    """Drive season `number` of a design with `MOST` rolling pulls, wind, receiver and part throttle as in `base`."""
    legs = legs_of(DESIGNS[design].legs)
    rng = seed_of("pulls", DESIGNS[design].legs, number)
    car, road = Machine.any(rng), Road.any(rng, base.hills_rms)
    config = making._car_of(car, rng)
    winds: dict[int, Wind] = {}
    at: dict[int, datetime] = {}
    driven, begun, found = [], [], []
    for k, (outing, setup, starts) in enumerate(legs):
        mine = seed_of("leg", DESIGNS[design].legs, number, k)
        if outing not in winds:
            today = seed_of("day", DESIGNS[design].legs, number, outing)
            today.standard_normal()
            winds[outing] = Wind.any(today, 1.5 * base.wind)
            at[outing] = START + timedelta(days=7 * outing)
        mine.standard_normal()
        plan = LegPlan(starts, round(MOST * starts / 4), 1.0, base.part[setup != "A"], base.run)
        leg = drive_leg(car, road, winds[outing], plan, mine)
        driven.append(leg)
        begun.append(at[outing])
        found.append(_fixes_of(received(leg, road, RECEIVERS[base.receiver], mine), at[outing]))
        at[outing] += timedelta(seconds=float(leg.t_s[-1]) + 900.0)
    made = Driven(design, number, car, config, road, driven, begun, [])
    store = as_store(made, folder)
    rows = []
    with _few_speeds():
        for drive, fixes in zip(store.drives, found, strict=True):
            drive.__dict__["_once__cleaned"] = clean(fixes), None
        for drive in store.drives:
            rows.append(work_out(drive))
    return replace(made, rows=rows)


def _fixes_of(columns: dict[str, Floats], begun: datetime) -> Fixes:
    """As a recorder would have them: rounded as the sentences round."""
    moments = [begun + timedelta(milliseconds=round(float(each) * 1000)) for each in columns["t_s"]]
    t = np.array([(each - moments[0]).total_seconds() for each in moments])
    lat = ORIGIN_DEG[0] + np.degrees(columns["north_m"] / EARTH_M)
    lon = ORIGIN_DEG[1] + np.degrees(columns["east_m"] / EARTH_M) / math.cos(math.radians(ORIGIN_DEG[0]))
    n = len(t)
    return Fixes.of(
        t, np.round(columns["speed_mps"] / KNOT, 3) * KNOT, np.round(lat * 60, 7) / 60, np.round(lon * 60, 7) / 60,
        np.round(columns["height_m"], 2), np.round(columns["course_deg"], 2), None, np.full(n, 10.0), np.full(n, 0.9),
        round(moments[0].timestamp() * 1e9),
    )  # fmt: skip


def as_store(made: Driven, folder: Path) -> DriveStore:
    """A store with a drive for each leg, of two sentences: when it began and when it ended."""
    legs = legs_of(DESIGNS[made.design].legs)
    for leg, begun, (_, setup, _) in zip(made.legs, made.begun, legs, strict=True):
        ends = np.array([leg.t_s[0], leg.t_s[-1]])
        heading, height, east, north = made.road.at(leg.way_m[[0, -1]])
        fixes = {"t_s": ends, "speed_mps": np.zeros(2), "course_deg": heading, "east_m": east, "north_m": north,
                 "height_m": height}  # fmt: skip
        raw = pa.table({
            "mono_ns": pa.array([round((500.0 + t) * 1e9) for t in ends], pa.int64()),
            "source": pa.array(["gps", "gps"]).dictionary_encode(),
            "data": pa.array(making._sentences(fixes, begun), pa.binary()),
        })  # fmt: skip
        parts = SetupConfig(name=setup, parts={"main_jet_mm": round(1.0 + 0.03 * "ABCDEF".index(setup), 2)})
        drives.write(folder, raw, reading.parse(RIG, RecorderConfig, "rig"), RIG, made.config, parts, None)
    return DriveStore(folder)


@contextmanager
def _few_speeds() -> Iterator[None]:
    """Splits at the speeds that a season compares, and not at all that a curve shows."""
    wanted = tuple(sorted(season_rows._COMPARED_MPS))
    was = AnalysedDrive.__dict__["_all_speeds"]
    AnalysedDrive._all_speeds = property(lambda self: Options(speeds_mps=wanted, unit=self.unit))  # type: ignore[assignment,method-assign]
    try:
        yield
    finally:
        AnalysedDrive._all_speeds = was  # type: ignore[method-assign]


# --- laying conditions on -----------------------------------------------------------------------------------------


def powers(driven: Driven, c: Conditions, draw: int = 0) -> list[float]:
    """Of each leg: day, leg and setup together, as `drive_season` draws them; the first draw is its own."""
    out = []
    days: dict[int, float] = {}
    design = DESIGNS[driven.design]
    again = [f"draw {draw}"] if draw else []
    for k, (outing, setup, _) in enumerate(legs_of(design.legs)):
        if outing not in days:
            days[outing] = seed_of("day", design.legs, driven.number, outing, *again).standard_normal()
        mine = seed_of("leg", design.legs, driven.number, k, *again).standard_normal()
        out.append((1 + c.day * days[outing]) * (1 + c.leg * mine) * (1.0 if setup == "A" else c.gain))
    return out


def leg_part(driven: Driven, c: Conditions, draw: int = 0) -> float:
    """What the legs drawn for `powers` put into B's difference from A."""
    alike = replace(c, day=0.0, gain=1.0)
    return judging.leg_error(driven.design, "B", [each - 1 for each in powers(driven, alike, draw)])


def under(driven: Driven, c: Conditions, draw: int = 0) -> tuple[list[DriveRows], list[Leg]]:
    """What was found of each leg had it been driven under these conditions, and its true pulls."""
    starts = [count for _, _, count in legs_of(DESIGNS[driven.design].legs)]
    rows, legs = [], []
    each_leg = zip(driven.rows, driven.legs, powers(driven, c, draw), starts, strict=True)
    for k, (found, leg, power, count) in enumerate(each_leg):
        rolling = [each for each in leg.pulls if not each.standing]
        wanted = round(c.rolling * count / 4)
        until = rolling[wanted].start_s - 1.0 if wanted < len(rolling) else math.inf
        rng = seed_of("runs", driven.design, driven.number, k, f"draw {draw}")
        run = [1 + c.run * rng.standard_normal() if draw else each.power for each in leg.pulls]
        by = [power * new / each.power for new, each in zip(run, leg.pulls, strict=True)]
        rows.append(_moved(found, driven.car, leg, by, power, until, c.throttle))
        legs.append(replace(leg, pulls=[each for each in leg.pulls if each.start_s < until]))
    return rows, legs


def _moved(
    found: DriveRows, car: Machine, leg: Leg, by: Sequence[float], else_by: float, until: float, throttle: bool
) -> DriveRows:
    """What was found with each pull's power times its share of `by`; what is no pull of the plan by `else_by`."""
    begun = found.pulls[0].start_utc_ns * 1e-9 - found.pulls[0].start_s if found.pulls else math.inf
    pulls = []
    for pull in found.pulls:
        if pull.start_s >= until:
            continue
        which = _which_pull(leg, pull.start_s)
        opening = np.interp(pull.time_s, leg.t_s, leg.opening)
        power, share = (leg.pulls[which].power, by[which]) if which is not None else (1.0, else_by)
        gained = (share - 1) * opening * np.array([car.force(float(v), power) * v for v in pull.speed_mps])
        rate = pull.rate + gained / (car.mass_kg * (1 + car.rotating))
        shorter = pull.rate / np.maximum(rate, 0.2 * pull.rate)
        pulls.append(replace(
            pull, rate=rate, seconds=pull.seconds * shorter,
            throttle=float(np.median(opening)) if throttle else pull.throttle,
        ))  # fmt: skip
    runs = []
    for run in found.runs:
        since = run.start_utc_ns * 1e-9 - begun
        if since >= until:
            continue
        which = _which_pull(leg, since + 1.0)
        runs.append(_quicker(run, car, (by[which] if which is not None else else_by) - 1))
    return replace(found, runs=tuple(runs), pulls=tuple(pulls))


def _which_pull(leg: Leg, start_s: float) -> int | None:
    """Which pull was under way a moment after; None in a drive away from a turn."""
    before = [k for k, each in enumerate(leg.pulls) if each.start_s <= start_s + 0.5]
    return before[-1] if before and start_s - leg.pulls[before[-1]].start_s < 30.0 else None


_SLOWER: dict[tuple[Machine, float], float] = {}


def _quicker(run: RunRow, car: Machine, more: float) -> RunRow:
    by = []
    for v in run.speed_mps:
        key = car, round(float(v), 6)
        if key not in _SLOWER:
            _SLOWER[key] = power_answer(car, float(v)) if v > 1.0 else 0.0
        by.append(_SLOWER[key])
    return replace(run, time_s=run.time_s + math.log1p(more) * np.array(by))


# --- judging ------------------------------------------------------------------------------------------------------


@contextmanager
def _given(rows: dict[str, DriveRows]) -> Iterator[None]:
    """The program's season takes these rows for those of its drives."""
    was = season_pack.Together.rows, season_pack.Together.keep, season_pack.Together.unknown
    season_pack.Together.unknown = lambda self, store: Unknown((), ())  # type: ignore[method-assign]
    season_pack.Together.rows = (  # type: ignore[method-assign]
        lambda self, drive, progress=None: season_rows.under_its_loads(rows[drive.id], drive)
    )
    season_pack.Together.keep = lambda self: None  # type: ignore[method-assign]
    # What is told beside the whole is not judged, and is half of the work.
    beside = compare_power._groups, compare_power._by_starts, compare._trace
    compare_power._groups = lambda *_: []
    compare_power._by_starts = lambda *_: math.nan
    compare._trace = lambda *_: []
    try:
        yield
    finally:
        season_pack.Together.rows, season_pack.Together.keep, season_pack.Together.unknown = was  # type: ignore[method-assign]
        compare_power._groups, compare_power._by_starts, compare._trace = beside


def asked(driven: Driven, folder: Path, c: Conditions, tally: Tally, draw: int = 0) -> None:
    """Ask the season under conditions, and count the answers. `folder` holds its store, made by `as_store`."""
    rows, legs = under(driven, c, draw)
    listed = drives.list_drives(folder)
    made = MadeSeason(folder, driven.car, driven.road)
    made.drives = [
        (drive.id, setup) for drive, (_, setup, _) in zip(listed, legs_of(DESIGNS[driven.design].legs), strict=True)
    ]
    made.legs = legs
    with _given({name: each for (name, _), each in zip(made.drives, rows, strict=True)}):
        before = len(tally.errors)
        judging._count(tally, made, gather(DriveStore(folder)))
        if judging.one_outing(driven.design) and len(tally.errors) > before:
            tally.legs.append(leg_part(driven, c, draw))


# --- many ---------------------------------------------------------------------------------------------------------

WHITE = Conditions()
BASES = {
    "white": WHITE,
    "wind x2": replace(WHITE, wind=2.0),
    "wander": replace(WHITE, receiver="wander"),
    "smooth": replace(WHITE, receiver="smooth"),
    "wander, smooth": replace(WHITE, receiver="wander, smooth"),
    "part 3/1": replace(WHITE, part=(0.3, 0.1)),
    "part 1/3": replace(WHITE, part=(0.1, 0.3)),
}
"""What a season has to be driven anew for."""


def laid_on(design: str, base: str) -> list[Conditions]:
    """The conditions that are laid onto a season driven as `base`; in one outing days cancel to the last digit."""
    of, legs = BASES[base], replace(BASES[base], leg=0.005)
    if base == "white":
        days = [] if design == "A-B-A" else [replace(legs, day=0.0), replace(legs, day=0.02)]
        rolling = [replace(legs, rolling=n) for n in (0, 10, 20)]
        return [of, *days, *rolling, replace(legs, gain=1.04)]
    return [legs, replace(legs, throttle=True)] if base == "part 3/1" else [legs]


def season_of_all(design: str, base: str, number: int, draws: int, out: Path) -> None:
    """Drive one season and ask it under all that is laid on; a pickled list of tallies, one of each condition."""
    file = out / f"{design} {base} {number}.pickle".replace("/", "-")
    if file.exists():
        return
    with tempfile.TemporaryDirectory() as folder:
        driven = drive_once(design, BASES[base], number, Path(folder) / "store")
        tallies = []
        for c in laid_on(design, base):
            tallies.append(Tally(design, c))
            for draw in range(draws if c.rolling < MOST else max(draws // 2, 1)):
                asked(driven, Path(folder) / "store", c, tallies[-1], draw)
    with tempfile.NamedTemporaryFile(dir=out, delete=False) as written:
        pickle.dump(tallies, written)
    Path(written.name).rename(file)


def summed(tallies: Sequence[Tally]) -> list[Tally]:
    """Tallies of one design and condition added up."""
    out: dict[tuple[str, Conditions], Tally] = {}
    for each in tallies:
        total = out.setdefault((each.design, each.conditions), Tally(each.design, each.conditions))
        for one in fields(Tally)[2:]:
            was, more = getattr(total, one.name), getattr(each, one.name)
            pairwise = one.name in ("part", "full")
            setattr(total, one.name, [a + b for a, b in zip(was, more, strict=True)] if pairwise else was + more)
    return list(out.values())


def judge(design: str, base: str, seasons: int, draws: int, out: Path, first: int = 0) -> list[Tally]:
    """Drive seasons as `base` and ask each under all that is laid on; a tally of each condition."""
    for number in range(first, first + seasons):
        season_of_all(design, base, number, draws, out)
    return summed(found_in(out, f"{design} {base}".replace("/", "-")))


def found_in(out: Path, named: str = "*") -> list[Tally]:
    """What a folder holds of a design and base."""
    return [each for file in sorted(out.glob(f"{named} [0-9]*.pickle")) for each in pickle.loads(file.read_bytes())]


def check(design: str, base: str, number: int) -> str:
    """How far a season that went through files is from the same one kept: in rows, and in the answer."""
    plain = replace(BASES[base], rolling=MOST, day=0.0)
    apart, answers = 0.0, []
    with tempfile.TemporaryDirectory() as folder:
        made = drive_season(Path(folder) / "whole", DESIGNS[design], plain, number)
        whole = gather(DriveStore(made.store))
        answers.append(Tally(design, plain))
        judging._count(answers[-1], made, whole)
        driven = drive_once(design, plain, number, Path(folder) / "kept")
        answers.append(Tally(design, plain))
        asked(driven, Path(folder) / "kept", plain, answers[-1])
        with _few_speeds():
            through = [season_rows.rows_of(drive, made.store) for drive in DriveStore(made.store).drives]
        for one, other in zip(through, driven.rows, strict=True):
            if [each.n for each in one.runs] != [each.n for each in other.runs] or len(one.pulls) != len(other.pulls):
                return f"{design} {number}: other runs or pulls"
            for a, b in zip(one.pulls, other.pulls, strict=True):
                if not np.array_equal(a.band, b.band):
                    return f"{design} {number}: pull {a.n} has other bands"
                apart = max(apart, float(np.max(np.abs(a.rate / b.rate - 1))))
    return f"{design} {base} {number}: rates within {apart:.1e}; {_beside(*answers)}"


def both_ways(design: str, c: Conditions, number: int) -> tuple[Tally, Tally]:
    """A season under conditions with `MOST` rolling pulls, driven so and through files; and kept, they laid on."""
    with tempfile.TemporaryDirectory() as folder:
        whole, kept = Tally(design, c), Tally(design, c)
        made = drive_season(Path(folder) / "whole", DESIGNS[design], c, number)
        judging._count(whole, made, gather(DriveStore(made.store)))
        driven = drive_once(design, c, number, Path(folder) / "kept")
        asked(driven, Path(folder) / "kept", c, kept)
    return whole, kept


def _beside(whole: Tally, kept: Tally) -> str:
    """Figures in %, of the season through files and of the one kept."""
    return "; ".join(
        f"{name} " + " and ".join(" ".join(f"{100 * v:.2f}" for v in getattr(each, name)) for each in (whole, kept))
        for name in ("errors", "halves", "ratios")
    )


def main() -> int:
    given = argparse.ArgumentParser(prog="pull_worlds.kept", description=__doc__)
    given.add_argument("designs", nargs="*", default=[], metavar="DESIGN")
    given.add_argument("--seasons", type=int, default=20)
    given.add_argument("--first", type=int, default=0)
    given.add_argument("--draws", type=int, default=1, help="of days, legs and runs' scatter, a season")
    given.add_argument("--bases", nargs="*", default=list(BASES), choices=list(BASES))
    given.add_argument("--out", type=Path, default=Path("kept-seasons"))
    given.add_argument("--check", action="store_true", help="drive the first season both ways")
    given.add_argument("--table", action="store_true", help="only show what --out holds")
    asked_for = given.parse_args()
    designs = asked_for.designs or list(DESIGNS)
    asked_for.out.mkdir(parents=True, exist_ok=True)
    if asked_for.check:
        for design in designs:
            base = BASES[asked_for.bases[0]]
            print(check(design, asked_for.bases[0], asked_for.first), flush=True)
            c = replace(base, rolling=MOST, day=0.02, leg=0.005, gain=1.04)
            print(f"{design} {asked_for.first} laid on: {_beside(*both_ways(design, c, asked_for.first))}", flush=True)
        return 0
    for number in [] if asked_for.table else range(asked_for.first, asked_for.first + asked_for.seasons):
        for base in asked_for.bases:
            for design in designs:
                season_of_all(design, base, number, asked_for.draws, asked_for.out)
    print(HEAD)
    print("| --- " * (HEAD.count("|") - 1) + "|")
    for tally in summed(found_in(asked_for.out)):
        print(row(tally))
    return 0


if __name__ == "__main__":
    sys.exit(main())
