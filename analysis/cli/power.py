"""The verbs on the road: `fuel`, `coast`, `power` and `whatif`."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from analysis.cli.options import CarOption, RunsArgument, UnitsOption, read_car, share_asked, unit_of_drive
from analysis.wording import is_round
from logger.cli.printing import JsonOption, StoreOption, console, print_json, table
from logger.errors import InputError, NoAnswer
from logger.units import HORSEPOWER_W, MPS_PER_KMH, MPS_PER_MPH, SPEED_UNITS, parse_quantity, parse_speed
from logger.units import speed_label as label

if TYPE_CHECKING:
    from analysis.answers.power import Pulled
    from analysis.road.prediction import Changes, CruiseFuel, Prediction
    from analysis.road.wheel_power import PowerDifference
    from logger.config.car import CarConfig

app = typer.Typer()

# --- power --------------------------------------------------------------------------------------------------------


@app.command()
def power(
    names: RunsArgument = None,
    car: CarOption = None,
    units: UnitsOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Force and power at the wheels from timed runs; between setups, what differs."""
    from analysis.road import wheel_power as wheel

    groups, unit, config = _pulled(store, names, car, units)
    differences = []
    for group in groups[1:]:
        differences.append((group, wheel.difference(groups[0].curve, group.curve)))
    if json:
        print_json({
            "setups": [power_json(group, config) for group in groups],
            "differences": [{"a": groups[0].setup, "b": group.setup, **vars(found)} for group, found in differences],
        })  # fmt: skip
        return
    for group in groups:
        _print_power(group, config, unit)
    for group, found in differences:
        _print_difference(groups[0], group, found, unit)


def _pulled(
    store: Path | None, names: list[str] | None, car: Path | None, units: str | None
) -> tuple[list[Pulled], str, CarConfig]:
    """Chosen runs by setup; all full runs of a drive unless some are named."""
    import numpy as np

    from analysis.answers.coast import car_of
    from analysis.answers.power import pulled
    from analysis.drive import AnalysedDrive
    from analysis.runs.run import Run
    from analysis.store import DriveStore
    from logger.store.drive import default_store

    store = store or default_store()
    wanted: dict[str, list[int]] = {}
    for name in names or ["last"]:
        ref, _, number = name.rpartition(":") if ":" in name and name.rpartition(":")[2].isdigit() else (name, "", "")
        wanted.setdefault(ref, [])
        if number:
            wanted[ref].append(int(number))
    kept = DriveStore(store)
    opened = {ref: kept.drive(ref) for ref in wanted}
    config = car_of(list(opened.values()), read_car(car), "power")
    unit = units or config.units.speed
    unit_of_drive(unit, next(iter(opened.values())))
    by_setup: dict[str, list[tuple[AnalysedDrive, list[Run]]]] = {}
    for ref, analysed in opened.items():
        runs = analysed.counted
        if numbers := wanted[ref]:
            runs = [run for run in analysed.runs if run.n in numbers]
            if missing := sorted(set(numbers) - {run.n for run in runs}):
                raise InputError(f"{analysed.id}: it has no run {missing[0]}: its runs are 1 to {len(analysed.runs)}")
        by_setup.setdefault(analysed.setup_name, []).append((analysed, runs))
    step = 5 * MPS_PER_MPH / 2 if unit == "mph" else 5 * MPS_PER_KMH
    peak = max((run.peak_mps for of in by_setup.values() for _, runs in of for run in runs), default=0.0)
    speeds = np.arange(3, max(int(peak / step) + 1, 4), dtype=np.float64) * step
    return [pulled(of, config, speeds, setup) for setup, of in by_setup.items()], unit, config


def power_json(group: Pulled, car: CarConfig) -> dict[str, Any]:
    """The answer of `power --json` for one setup."""
    from analysis.road.wheel_power import belt_limits

    curve = group.curve
    limits = belt_limits(curve.speed_mps, car.gearing, car.tyres)
    return {
        "setup": group.setup,
        "drives": group.drives,
        "runs": [each.name for each in curve.pulls],
        "at": "wheels",
        "mass_kg": group.mass.mass_kg,
        "rotating_mass_kg": group.mass.rotating_kg,
        "road_load_from": group.road.source,
        "balance": curve.balance,
        "engine_speed_from": group.engine_speed,
        "curve": [
            {
                "speed_mps": curve.speed_mps[i],
                "force_n": curve.force_n[i],
                "power_w": curve.power_w[i],
                "sigma_w": curve.sigma_w[i],
                "low_w": curve.low_w[i],
                "high_w": curve.high_w[i],
                "corrected_w": curve.corrected_w[i],
                "runs": curve.runs[i],
                "engine_rpm": curve.engine_rpm[i],
                "engine_rpm_limits": None if limits is None else [limits[0][i], limits[1][i]],
                "sigma_by_cause_w": {cause: share[i] for cause, share in curve.shares.items()},
            }
            for i in range(len(curve.speed_mps))
        ],
    }


def _print_power(group: Pulled, car: CarConfig, unit: str) -> None:
    import numpy as np

    from analysis.road.wheel_power import belt_limits

    out, curve, per = console(), group.curve, SPEED_UNITS[unit]
    count = len(curve.pulls)
    drawn = f"{count} {'run' if count == 1 else 'runs'} of {', '.join(group.drives)}"
    out.print(f"Power at the wheels, setup: {group.setup}, {drawn}")
    corrected, turns = np.isfinite(curve.corrected_w).any(), np.isfinite(curve.engine_rpm).any()
    columns = [unit, "force N", "kW", "hp", "95 % kW", *(["corr. kW", "corr. hp"] if corrected else [])]
    columns += ["turns/min"] if turns else []
    rows = []
    for i, speed in enumerate(curve.speed_mps):
        if not is_round(speed, unit) and len(curve.speed_mps) > 14:
            continue
        watts = curve.power_w[i]
        row = [
            f"{speed / per:.4g}", f"{curve.force_n[i]:.0f}", f"{watts / 1e3:.2f}", f"{watts / HORSEPOWER_W:.1f}",
            f"{curve.low_w[i] / 1e3:.2f} to {curve.high_w[i] / 1e3:.2f}",
        ]  # fmt: skip
        if corrected:
            row += [f"{curve.corrected_w[i] / 1e3:.2f}", f"{curve.corrected_w[i] / HORSEPOWER_W:.1f}"]
        if turns:
            row.append(f"{curve.engine_rpm[i]:.0f}" if math.isfinite(curve.engine_rpm[i]) else "-")
        rows.append(row)
    out.print()
    out.print(table(columns, rows, left=()))
    best = curve.best
    out.print()
    out.print(
        f"Most: {curve.power_w[best] / 1e3:.1f} kW ({curve.power_w[best] / HORSEPOWER_W:.1f} hp) at "
        f"{label(curve.speed_mps[best], unit)}, at the wheels: the crank gives more by what belt, bearings and tyres "
        "take."
    )
    causes = ", ".join(
        f"{cause} ±{100 * share[best] / curve.power_w[best]:.1f} %" for cause, share in curve.shares.items()
    )
    out.print(f"How sure, there (standard errors): {causes}.")
    out.print(
        f"Mass {group.mass.mass_kg:.0f} kg ±{group.mass.mass_sigma_kg:.0f}, {group.mass.rotating_kg:.0f} kg rotating; "
        f"road load: {group.road.source}."
    )
    if not group.road.source.startswith("measured"):
        out.print("That road load is a guess: coasts (pullbook coast) would tell it, and narrow the band.")
    out.print("Every run counts as one at full throttle: name single ones, such as last:2, where some were not.")
    if curve.balance > 0.35:
        out.print(
            "Most runs went one way: slope and wind do not cancel, and the altitudes know the slope only roughly."
        )
    out.print(
        "Corrected to 25 C and 990 hPa dry (SAE J1349), taking it that losses go along with power."
        if corrected
        else "Not corrected for the air: no weather is kept with every drive (pullbook weather DRIVE)."
    )
    limits = belt_limits(curve.speed_mps, car.gearing, car.tyres)
    words = f"Engine speed: {group.engine_speed}."
    if not turns and limits is not None:
        words += f" At {label(curve.speed_mps[best], unit)} that is {limits[0][best]:.0f} turns a minute or more."
    out.print(words)
    out.print()


def _print_difference(a: Pulled, b: Pulled, found: PowerDifference, unit: str) -> None:
    out, per = console(), SPEED_UNITS[unit]
    rows = [
        [f"{speed / per:.4g}", f"{100 * change:+.1f}", f"±{100 * half:.1f}" if math.isfinite(half) else "-"]
        for speed, change, half in zip(found.speed_mps, found.by_speed, found.by_speed_half, strict=True)
        if is_round(speed, unit) or len(found.speed_mps) <= 14
    ]
    out.print(f"{b.setup} against {a.setup}{', both corrected' if found.corrected else ', not corrected for the air'}")
    out.print()
    out.print(table([unit, "power %", "95 %"], rows, left=()))
    out.print()
    if math.isfinite(found.low):
        out.print(
            f"Over these speeds {100 * found.change:+.1f} % ({100 * found.low:+.1f} to {100 * found.high:+.1f}): "
            f"{found.verdict}."
        )
    else:
        out.print(
            f"Over these speeds {100 * found.change:+.1f} %; {found.verdict} to say more: two of each are the least."
        )
    out.print("From run to run only: a day's own luck is not in it. `pullbook compare` weighs days and parts.")
    out.print()


# --- what would it do? --------------------------------------------------------------------------------------------


@app.command()
def whatif(
    names: RunsArgument = None,
    mass: Annotated[str | None, typer.Option("--mass", help="Mass added or taken: -20kg.", show_default=False)] = None,
    drag: Annotated[str | None, typer.Option("--drag", help="Air drag: -10%.", show_default=False)] = None,
    rolling: Annotated[str | None, typer.Option("--rolling", help="Rolling: -5%.", show_default=False)] = None,
    power_: Annotated[str | None, typer.Option("--power", help="Power at the wheels: +5%.", show_default=False)] = None,
    gearing: Annotated[
        str | None,
        typer.Option("--gearing", help="Engine turns for a turn of the wheels: +8% is shorter.", show_default=False),
    ] = None,
    to: Annotated[
        list[str] | None, typer.Option("--to", help="A speed to time; repeat it for more.", show_default=False)
    ] = None,
    cruise: Annotated[
        str | None, typer.Option("--cruise", help="A speed to foretell cruise fuel at.", show_default=False)
    ] = None,
    car: CarOption = None,
    units: UnitsOption = None,
    store: StoreOption = None,
    json: JsonOption = False,
) -> None:
    """Foretell times, top speed and cruise fuel after a change, from what the car has shown. A prediction."""
    from analysis.answers.fuel import consumption_of
    from analysis.cli.options import open_store
    from analysis.road.prediction import Changes, Vehicle, cruise_fuel, predict

    changes = Changes(
        0.0 if mass is None else parse_quantity(mass, "kg"),
        1 + (0.0 if drag is None else share_asked("--drag", drag, low=-0.9, high=3)),
        1 + (0.0 if rolling is None else share_asked("--rolling", rolling, low=-0.9, high=3)),
        1 + (0.0 if power_ is None else share_asked("--power", power_, low=-0.9, high=3)),
        1 + (0.0 if gearing is None else share_asked("--gearing", gearing, low=-0.7, high=3)),
    )
    if changes == Changes():
        raise InputError("whatif: nothing is changed: give --mass, --drag, --rolling, --power or --gearing")
    groups, unit, config = _pulled(store, names, car, units)
    if len(groups) > 1:
        raise InputError(f"whatif: these runs are of {len(groups)} setups: name drives of one")
    group = groups[0]
    if group.mass.mass_kg + changes.mass_kg < 0.3 * group.mass.mass_kg:
        raise InputError(
            f"--mass: {mass!r} leaves {group.mass.mass_kg + changes.mass_kg:.0f} kg of {group.mass.mass_kg:.0f}"
        )
    foretold = predict(group.curve, group.mass, group.road, changes, _measured_times(group, to, unit), config.gearing)
    at = parse_speed(cruise) if cruise else float(group.curve.speed_mps[int(0.7 * len(group.curve.speed_mps))])
    base = Vehicle.of(group.mass, group.road)
    consumption = consumption_of(open_store(store), group.setup)
    saved = cruise_fuel(base, changes.on(base), at, consumption)
    if json:
        print_json(whatif_json(group, changes, foretold, saved))
    else:
        _print_foretold(group, changes, foretold, saved, unit)


def _measured_times(group: Pulled, to: list[str] | None, unit: str) -> dict[float, float]:
    """Mean time from first movement to each speed over the standing runs, for the speeds that all of them reached."""
    import numpy as np

    per = 10 * (MPS_PER_MPH if unit == "mph" else MPS_PER_KMH)
    standing = [(analysed, run) for analysed, run in group.runs if run.kind == "standing"]
    if not standing:
        raise NoAnswer("whatif needs a run from a standstill to begin from, and none is among these")
    peak = min(run.peak_mps for _, run in standing)
    if to:
        wanted = sorted(parse_speed(text) for text in to)
        if wanted[-1] > peak:
            raise NoAnswer(
                f"not all of these runs reached {label(wanted[-1], unit)}: the highest --to is {label(peak, unit)}"
            )
    else:
        wanted = [k * per for k in range(1, int(peak / per) + 1) if k * per > group.curve.speed_mps[0] + 1]
    times = {}
    for speed in wanted:
        passed = []
        for analysed, run in standing:
            inside = (analysed.motion.t_s >= run.start_s) & (analysed.motion.t_s <= run.end_s)
            rising = np.maximum.accumulate(analysed.motion.speed_mps[inside])
            passed.append(float(np.interp(speed, rising, analysed.motion.t_s[inside])) - run.start_s)
        times[speed] = float(np.mean(passed))
    return times


def whatif_json(group: Pulled, changes: Changes, foretold: Prediction, saved: CruiseFuel) -> dict[str, Any]:
    """The answer of `whatif --json`."""
    return {
        "prediction": True,
        "setup": group.setup,
        "drives": group.drives,
        "changes": vars(changes),
        "times": [vars(time) for time in foretold.times],
        "top_speed_mps": {
            "before": foretold.top_before_mps,
            "after": foretold.top_after_mps,
            "change_sigma": foretold.top_sigma_mps,
        },
        "cruise_fuel": vars(saved),
        "assumptions": foretold.assumptions,
    }


def _print_foretold(group: Pulled, changes: Changes, foretold: Prediction, saved: CruiseFuel, unit: str) -> None:
    out = console()
    said = []
    if changes.mass_kg:
        said.append(f"mass {changes.mass_kg:+.0f} kg")
    for name in ("drag", "rolling", "power", "gearing"):
        if (factor := getattr(changes, name)) != 1:
            said.append(f"{name} {100 * (factor - 1):+.1f} %")
    out.print(
        f"A prediction, not a measurement: {', '.join(said)}; from {len(group.curve.pulls)} runs, setup: {group.setup}"
    )
    rows = [
        [
            f"0 to {label(time.speed_mps, unit)}", f"{time.before_s:.2f} s",
            f"{time.after_s:.2f} s" if math.isfinite(time.after_s) else "not reached",
            f"{time.change_s:+.2f} ±{time.sigma_s:.2f}" if math.isfinite(time.change_s) else "",
        ]
        for time in foretold.times
    ]  # fmt: skip
    top = foretold.top_after_mps - foretold.top_before_mps
    if math.isfinite(top):
        per = SPEED_UNITS[unit]
        rows.append([
            "top speed, level and still", label(foretold.top_before_mps, unit), label(foretold.top_after_mps, unit),
            f"{top / per:+.1f} ±{foretold.top_sigma_mps / per:.1f}",
        ])  # fmt: skip
    out.print()
    out.print(table(["", "now", "then", "change"], rows))
    out.print()
    if abs(saved.most) > 5e-4:
        least, most = sorted((saved.least, saved.most), key=abs)
        out.print(
            f"Fuel at a steady {label(saved.speed_mps, unit)}: {100 * least:+.1f} to {100 * most:+.1f} %, from drag "
            f"and rolling alone (road load {saved.before_n:.0f} N, then {saved.after_n:.0f} N)"
            + ("." if saved.from_loop else "; a fuel loop of this setup would narrow that.")
        )
    for assumption in foretold.assumptions:
        out.print(f"Assumes: {assumption}")
    out.print("± is one standard error of the change, the assumptions taken as true. Drive it to know.")
