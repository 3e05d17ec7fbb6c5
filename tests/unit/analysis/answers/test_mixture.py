"""The verb `mixture`, end to end: what it answers, prints and writes is what the simulated engine was given."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pytest
import simulate
from made_drives import CAR, RIG, make_drive
from simulate import Cruise, Lift, Phase, Pull, Stand

from analysis.answers.encoding import rows
from analysis.answers.mixture import mixture_answer, mixture_change_answer
from analysis.cli.main import app
from analysis.conditions.fuels import blend_stoich_afr, parse_blend
from analysis.mixture.map import Regime
from analysis.store import DriveStore
from logger.config.car import CarConfig
from logger.config.targets import TargetsConfig
from logger.errors import InputError

SCRIPT: list[Phase] = [
    Stand(20), Pull(11, launch="ramp", throttle=0.6), Cruise(11, 25), Pull(17), Cruise(17, 25), Lift(11, 8),
    Cruise(11, 15), Pull(21), Cruise(21, 15), Lift(12, 8), Cruise(12, 15), Pull(17), Cruise(17, 15), Lift(9, 8),
    Cruise(9, 10), Pull(20), Lift(12), Cruise(12, 8),
]  # fmt: skip
A, B = simulate.mixture_of(1.09), simulate.mixture_of(1.05)
E10 = CarConfig.model_validate(
    {**CAR.model_dump(exclude_none=True), "fuel": {"blend": "E10", "stoich_afr": 13.6}, "units": {"speed": "km/h"}}
)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two drives of one script: the second with a smaller jet, so leaner at full throttle alone."""
    folder = tmp_path_factory.mktemp("store")
    for day, law in ((1, A), (2, B)):
        make_drive(folder, SCRIPT, seed=day, start=datetime(2026, 5, day, 9, 0, tzinfo=UTC), law=law)
    return folder


@pytest.fixture(scope="module")
def drives(store: Path) -> DriveStore:
    return DriveStore(store)


@pytest.fixture
def said(store: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., str]:
    """What `pullbook mixture` prints."""

    def run(*arguments: str) -> str:
        app(
            ["mixture", *arguments, *([] if "--csv" in arguments else ["--why"]), "--store", str(store)],
            standalone_mode=False,
        )
        return capsys.readouterr().out

    return run


def true_median(law: simulate.MixtureLaw, seed: int, of: Callable[[simulate.Truth], Any]) -> float:
    """Median of what the engine was given at such moments."""
    truth = simulate.drive(simulate.WREN, SCRIPT, None, seed=seed, force_scale=1.0)
    return float(np.median(law(truth.v_mps, truth.throttle)[of(truth)]))


def true_seconds(seed: int, of: Callable[[simulate.Truth], Any]) -> float:
    """How long such moments lasted [s]."""
    truth = simulate.drive(simulate.WREN, SCRIPT, None, seed=seed, force_scale=1.0)
    return float(np.sum(of(truth)) * (truth.t_s[1] - truth.t_s[0]))


def numbers(line: str) -> list[float]:
    return [float(word) for word in re.findall(r"[+-]?\d+\.\d+|[+-]?\d+", line)]


def test_kinds_of_driving_hold_what_the_engine_was_given(drives: DriveStore) -> None:
    for day, law in ((1, A), (2, B)):
        answer = mixture_answer(drives.drives[day - 1])
        full = true_median(law, day, lambda t: (t.throttle > 0.95) & (t.v_mps > 3))
        cruise = true_median(law, day, lambda t: (t.throttle > 0.03) & (t.throttle < 0.55) & (t.v_mps > 13.5))
        by = {each.regime: each for each in answer.summaries}
        assert by[Regime.FULL].median == pytest.approx(full, abs=0.08)
        assert by[Regime.CRUISE].median == pytest.approx(cruise, abs=0.08)
        assert by[Regime.IDLE].median == pytest.approx(12.6, abs=0.05)
        assert answer.full_throttle is by[Regime.FULL]
        assert by[Regime.FULL].judgement == ("in band" if law is A else "lean of target")
        assert by[Regime.CRUISE].judgement == "lean of target"
        assert by[Regime.FULL].seconds == pytest.approx(true_seconds(day, lambda t: t.throttle > 0.85), abs=6)
        assert by[Regime.IDLE].seconds == pytest.approx(true_seconds(day, lambda t: t.v_mps < 0.5), abs=3)


def test_cells_hold_what_the_engine_was_given_there(drives: DriveStore) -> None:
    truth = simulate.drive(simulate.WREN, SCRIPT, None, seed=1, force_scale=1.0)
    given = A(truth.v_mps, truth.throttle)
    checked = set()
    for cell in mixture_answer(drives.drives[0]).cells:
        if cell.seconds < 4 or cell.load_from == 0.6:
            continue
        # Part throttle gives one mixture at a speed, whatever the load; the load itself is a share of the drive's best.
        kind = truth.throttle > 0.85 if cell.load_from == 0.85 else (truth.throttle > 0) & (truth.throttle < 0.55)
        here = kind & (truth.v_mps >= cell.from_mps) & (truth.v_mps < cell.to_mps)
        assert cell.median == pytest.approx(float(np.median(given[here])), abs=0.1), cell
        assert cell.regime == (
            "full throttle" if cell.load_from == 0.85 else "cruise" if cell.from_mps > 13 else "town"
        )
        checked.add((round(cell.from_mps), cell.load_from))
    assert {(9, 0.0), (13, 0.15), (18, 0.15), (13, 0.85), (18, 0.85)} <= checked


def test_spreads_and_intervals_lie_about_their_medians(drives: DriveStore) -> None:
    answer = mixture_answer(drives.drives[0])
    for row in (*answer.bands, *answer.cells, *answer.summaries):
        if row.readings:
            assert row.p10 <= row.median <= row.p90, row
        if math.isfinite(row.sigma):
            assert row.low < row.median < row.high, row
            assert 0 < row.sigma < row.high - row.low, row
    # Noise of 0.06 AFR and little else: 90 % of it lies 0.077 from the middle.
    cruise = next(cell for cell in answer.cells if (round(cell.from_mps), cell.load_from) == (13, 0.15))
    assert cruise.p90 - cruise.p10 == pytest.approx(2 * 1.2816 * 0.06, rel=0.35)


def test_json_is_the_answer(drives: DriveStore, said: Callable[..., str]) -> None:
    answer, printed = mixture_answer(drives.drive("last")), json.loads(said("last", "--json"))
    assert printed == answer.to_json()
    assert printed["drive"] == drives.drives[1].id
    for name in ("bands", "cells", "summaries"):
        for row, told in zip(printed[name], getattr(answer, name), strict=True):
            for key in ("seconds", "readings", "median", "p10", "p90", "sigma", "low", "high"):
                figure = getattr(told, key)
                assert row[key] == (figure if math.isfinite(figure) else None), (name, key)
    regimes = [row["regime"] for row in printed["summaries"]]
    assert regimes == ["idle", "town", "cruise", "heavy throttle", "full throttle"]
    assert printed["summaries"][4]["target"] == {"low": 12.0, "high": 12.5}
    assert printed["summaries"][2]["target"] == {"low": 12.7, "high": 13.5}


def test_the_text_shows_the_answer_under_its_headings(drives: DriveStore, said: Callable[..., str]) -> None:
    answer, text = mixture_answer(drives.drives[0]), said(drives.drives[0].id)
    lines = text.splitlines()
    assert lines[1] == f"Mixture of {answer.drive}: AFR, lambda 1 shown as 14.7"
    for band in answer.bands:
        head = f"{round(band.from_mps / 0.44704)}-{round(band.to_mps / 0.44704)}"
        line = next(line for line in lines if line.startswith(f"{head} ") and " to " in line)
        assert numbers(line.removeprefix(head)) == pytest.approx(
            [round(band.seconds), band.readings, *([band.median, band.sigma] if band.told else []), band.p10, band.p90],
            abs=0.00501,
        )
    columns = next(line for line in lines if "85-100%" in line)
    for cell in answer.cells:
        if cell.judgement == "not enough data":
            continue
        head = f"{round(cell.from_mps / 0.44704)}-{round(cell.to_mps / 0.44704)}"
        line = next(line for line in lines[lines.index(columns) :] if line.startswith(f"{head} "))
        name = f"{100 * cell.load_from:.0f}-{100 * cell.load_to:.0f}%"
        end = columns.index(name) + len(name)
        field = line[:end][-14:]
        mark = {"lean of target": "L", "in band": "=", "rich of target": "R"}[cell.judgement]
        assert f"{cell.median:.1f} {mark}{' ' if cell.sure else '?'}{cell.seconds:3.0f}s" in field, (cell, line)
    for regime in answer.summaries:
        line = next(line for line in lines if line.startswith(f"{regime.regime}  "))
        told = [figure for figure in (regime.median, regime.sigma) if math.isfinite(figure)]
        expected = [round(regime.seconds), *told, regime.target.low, regime.target.high]
        assert numbers(line) == pytest.approx(expected, abs=0.00501), line
    assert "full throttle of the drive" in text
    assert f"Delay {answer.delay_s:.2f} s ({answer.delay_low_s:.2f} to {answer.delay_high_s:.2f})" in text
    assert f"Used {answer.kept_s:.0f} s of {answer.total_s:.0f} s." in text


def test_the_most_is_that_of_the_simulated_car(drives: DriveStore, said: Callable[..., str]) -> None:
    most = mixture_answer(drives.drives[0]).most
    assert most is not None
    assert [round(each.speed_mps / 0.44704) for each in most.at] == [20, 40]
    for each in most.at:
        # Its mass is 392 kg; a grade and the guess of the road load make some per cent.
        assert each.most_mps2 == pytest.approx(simulate.WREN.wheel_force(each.speed_mps) / 392, rel=0.1)
    one, two = most.at
    one_s, two_s = (each.most_mps2 / 0.44704 for each in (one, two))  # mph/s, exact (NIST SP 811, appendix B.8)
    assert f"{one_s:.2f} at 20, {two_s:.2f} at 40 mph" in " ".join(said(drives.drives[0].id).split())


def test_what_was_not_driven_flat_out_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    gentle: list[Phase] = [Stand(3), Pull(9), Cruise(9, 20), Pull(20, throttle=0.5), Cruise(20, 20)]
    drive, _ = make_drive(tmp_path, gentle, seed=5)
    most = mixture_answer(DriveStore(tmp_path).drive(drive.id)).most
    assert most is not None
    assert 7 < most.unproven_above_mps < 14
    app(["mixture", "--why", "--store", str(tmp_path), "--units", "km/h"], standalone_mode=False)
    text = " ".join(capsys.readouterr().out.split())
    above = re.search(r"Above ([\d.]+) km/h it was not driven flat out", text)
    assert above is not None
    assert float(above[1]) == pytest.approx(most.unproven_above_mps * 3.6, abs=0.051)


def test_csv_is_the_cells(drives: DriveStore, said: Callable[..., str]) -> None:
    read = list(csv.DictReader(io.StringIO(said("last", "--csv"))))
    cells = mixture_answer(drives.drive("last")).cells
    assert len(read) == len(cells)
    for row, cell in zip(read, cells, strict=True):
        for name in ("from_mps", "to_mps", "load_from", "load_to", "seconds", "median", "p10", "p90", "sigma", "low"):
            figure = getattr(cell, name)
            assert row[name] == "" if math.isnan(figure) else float(row[name]) == pytest.approx(figure, abs=1e-6), name
        assert (row["readings"], row["sure"]) == (str(cell.readings), str(cell.sure))
        assert (row["regime"], row["judgement"], row["circuit"]) == (cell.regime, cell.judgement, cell.circuit)
        assert [float(row["target_low"]), float(row["target_high"])] == [cell.target.low, cell.target.high]


def test_cells_as_a_frame_and_as_arrow(drives: DriveStore) -> None:
    answer = mixture_answer(drives.drive("last"))
    frame = rows(answer.cells)
    assert list(frame["median"]) == [cell.median for cell in answer.cells]
    assert list(frame["target_high"]) == [cell.target.high for cell in answer.cells]
    table = pa.Table.from_pandas(frame)
    assert table["judgement"].to_pylist() == [str(cell.judgement) for cell in answer.cells]
    assert table.schema.field("median").type == pa.float64()


# --- two drives ----------------------------------------------------------------------------------------------------


def test_the_change_is_the_second_less_the_first(drives: DriveStore, said: Callable[..., str]) -> None:
    first, second = drives.drives
    answer = mixture_change_answer(first, second)
    assert (answer.a, answer.b) == (first.id, second.id)
    # A main jet of 1.05 mm in place of 1.09 mm: AFR by the area, from 12.3 or so.
    leaner = 12.1 * ((1.10 / 1.05) ** 2 - (1.10 / 1.09) ** 2)
    full = [c for c in answer.cells if c.load_from == 0.85 and c.verdict != "not enough data"]
    assert full
    for cell in full:
        assert cell.verdict == "leaner"
        assert cell.difference == pytest.approx(leaner, abs=0.15)
        assert cell.second - cell.first == pytest.approx(cell.difference)
        assert cell.low < leaner < cell.high or abs(cell.difference - leaner) < 0.1
    assert all(c.verdict != "richer" for c in answer.cells)
    back = mixture_change_answer(second, first)
    assert {c.verdict for c in back.cells if c.load_from == 0.85} <= {"richer", "not enough data"}

    printed = json.loads(said(first.id, second.id, "--json"))
    assert printed == answer.to_json()
    text = said(first.id, second.id)
    assert f"Mixture, {second.id} less {first.id}: AFR" in text
    lines = text.splitlines()
    table = lines[next(i for i, line in enumerate(lines) if "95 % interval" in line and "first" in line) :]
    assert table[0].split()[1:5] == ["load", "first", "second", "change"]
    for cell in full:
        head = f"{round(cell.from_mps / 0.44704)}-{round(cell.to_mps / 0.44704)}"
        line = next(line for line in table if line.startswith(f"{head} ") and "85-100%" in line)
        told = numbers(line.split("%")[1])
        assert told == pytest.approx([cell.first, cell.second, cell.difference, cell.low, cell.high], abs=0.00501)
        assert line.rstrip().endswith("leaner")
        field = next(line for line in lines if line.startswith(f"{head} "))
        assert field.rstrip().endswith(f"{cell.difference:+.2f} L")
    for which, delay in (("First", answer.a_delay), ("Second", answer.b_delay)):
        assert f"{which}: Delay {delay.delay_s:.2f} s" in text
    assert answer.a_delay.delay_s != answer.b_delay.delay_s


# --- scales and fuels ----------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def e10(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A drive on E10 whose owner says that its stoichiometric ratio is 13.6."""
    folder = tmp_path_factory.mktemp("e10")
    make_drive(folder, SCRIPT[:8], seed=3, car=E10)
    return folder


@pytest.mark.parametrize(
    ("fuel", "stoich"),
    [
        (None, 14.7),
        ("car", 13.6),
        ("E10", 13.6),  # the fuel that the car's file names: its figure rules
        ("90% petrol, 10% ethanol", 13.6),
        ("E85", blend_stoich_afr(parse_blend("E85"))),
    ],
)
def test_the_fuels_own_ratio_rules_where_the_fuel_is_the_cars(e10: Path, fuel: str | None, stoich: float) -> None:
    drive = DriveStore(e10).drive("last")
    plain, told = mixture_answer(drive), mixture_answer(drive, fuel=fuel)
    assert told.value_at_lambda_1 == pytest.approx(stoich)
    assert told.fuel_stoich_afr == pytest.approx(stoich if fuel else math.nan, nan_ok=True)
    assert told.full_throttle.median == pytest.approx(plain.full_throttle.median * stoich / 14.7, abs=1e-6)
    assert told.full_throttle.target.high == pytest.approx(12.5 * stoich / 14.7)
    assert [c.judgement for c in told.cells] == [c.judgement for c in plain.cells]


def test_the_option_reaches_the_answer(e10: Path, capsys: pytest.CaptureFixture[str]) -> None:
    app(["mixture", "--fuel", "car", "--store", str(e10)], standalone_mode=False)
    assert "lambda 1 shown as 13.6" in capsys.readouterr().out


def test_a_blend_in_the_cars_file_that_is_none_is_said_with_its_key(tmp_path: Path) -> None:
    car = CarConfig.model_validate({**CAR.model_dump(exclude_none=True), "fuel": {"blend": "mystery"}})
    make_drive(tmp_path, SCRIPT[:5], seed=4, car=car)
    drive = DriveStore(tmp_path).drive("last")
    with pytest.raises(InputError, match=r"\[fuel\] blend in the car's file: 'mystery' is not a blend"):
        mixture_answer(drive, fuel="car")
    assert mixture_answer(drive, fuel="E10").value_at_lambda_1 == pytest.approx(14.1, abs=0.05)
    assert mixture_answer(drive).value_at_lambda_1 == 14.7


def test_units_and_bands(e10: Path) -> None:
    drive = DriveStore(e10).drive("last")
    usual = mixture_answer(drive)
    assert usual.unit == "km/h"
    assert usual.bands[1].to_mps - usual.bands[1].from_mps == pytest.approx(10 / 3.6)
    asked = mixture_answer(drive, unit="mph")
    assert asked.bands[1].to_mps - asked.bands[1].from_mps == pytest.approx(4.4704)
    assert mixture_answer(drive, band_mps=2.0).bands[0].to_mps == 2.0


def test_lean_at_full_throttle_carries_the_caution(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make_drive(tmp_path, SCRIPT, seed=6, law=simulate.mixture_of(rich_main_afr=13.6))
    answer = mixture_answer(DriveStore(tmp_path).drive("last"))
    assert answer.full_throttle.judgement == "lean of target"
    assert "burns pistons and valves" in answer.caution
    app(["mixture", "--store", str(tmp_path)], standalone_mode=False)
    assert answer.caution in capsys.readouterr().out.replace("\n", " ").replace("  ", " ")
    assert mixture_answer(DriveStore(tmp_path, LEANER).drive("last")).caution == ""


LEANER = TargetsConfig.model_validate(
    {"air": {**TargetsConfig().air.model_dump(), "full_throttle": {"low": 13.0, "high": 14.5}}}
)


def test_targets_of_the_option_rule(store: Path, tmp_path: Path, said: Callable[..., str]) -> None:
    file = tmp_path / "mine.toml"
    file.write_text('[air]\nfull_throttle = { low = 10.0, high = 11.0 }\ncruise = { low = 12.7, high = 13.5 }\n'
                    "town = { low = 12.5, high = 13.5 }\nidle = { low = 12.0, high = 13.5 }\n")  # fmt: skip
    printed = json.loads(said("last", "--json", "--targets", str(file)))
    full = printed["summaries"][4]
    assert full["target"] == {"low": 10.0, "high": 11.0}
    assert full["judgement"] == "lean of target"


def test_a_delay_that_the_drive_does_not_tell(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rig = RIG.replace('name = "mixture"', 'name = "mixture"\nlatency_s = 0.35')
    make_drive(tmp_path, [Stand(3), Pull(17, launch="ramp"), Cruise(17, 60)], seed=7, rig=rig)
    answer = mixture_answer(DriveStore(tmp_path).drive("last"))
    assert answer.delay_from == "configuration"
    assert answer.to_json()["delay_low_s"] is None
    assert answer.to_json()["lag_s"] is None
    app(["mixture", "--why", "--store", str(tmp_path)], standalone_mode=False)
    assert "Used: 0.35 s, the latency_s of the recorder's file." in " ".join(capsys.readouterr().out.split())
