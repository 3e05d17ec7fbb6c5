"""What is said about a jet beside its table, for the terminal and the desk alike."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from analysis.wording import (
    FULL_THROTTLE_OF_DRIVE,
    FULL_THROTTLE_OF_SETUP,
    channel_digits,
    channel_label,
    load_label,
    number,
    plural,
    sentence,
    speed_range,
)
from logger.units import speed_label

if TYPE_CHECKING:
    from analysis.answers.jets import JetsAnswer

JET_HEADS = ("jet", "mm", "gives", "95 %", "by area", "in target", "lean", "step")
WHAT_COLUMNS_MEAN = (
    "Gives: full throttle with that jet, with its 95 % interval. By area: the same from the area rule only. In target, "
    "lean: the chance to be in the target, and that the leanest speeds are too lean. Step: too lean for one step, "
    "because holes vary."
)


def now_sentence(answer: JetsAnswer) -> str:
    """What full throttle is with the jet that is in, and the target."""
    now, target, digits = answer.now, answer.target, channel_digits(answer.channel)
    return (
        f"Full throttle with the {now.diameter_mm:.3f} mm main jet: {channel_label(answer.channel)} "
        f"{number(now.value, digits)} ({number(now.low, digits)} to {number(now.high, digits)}), from "
        f"{plural(now.drives, 'drive')} of this setup. Target {number(target.low, digits)} to "
        f"{number(target.high, digits)}."
    )


def wanted_sentence(answer: JetsAnswer) -> str:
    """The diameter asked for; "" where the jet stays."""
    if answer.verdict == "keep":
        return ""
    return (
        f"The middle of the target needs a {answer.wanted_mm:.3f} mm jet "
        f"({answer.wanted_low_mm:.3f} to {answer.wanted_high_mm:.3f})."
    )


def jet_rows(answer: JetsAnswer) -> list[list[str]]:
    """The jets that can be had, under `JET_HEADS`; the one to try is marked."""
    digits = channel_digits(answer.channel)
    return [
        [
            ("> " if each == answer.choice else "") + each.jet, f"{each.diameter_mm:.3f}", number(each.value, digits),
            f"{number(each.low, digits)}-{number(each.high, digits)}", number(each.by_area_rule, digits),
            f"{each.chance_in:.0%}", f"{each.chance_lean:.0%}", "" if each.allowed else "too lean",
        ]
        for each in answer.expected
    ]  # fmt: skip


def jet_lines(answer: JetsAnswer) -> list[str]:
    """How far the figures go: sensor, this car's answer to jets, air, fuel, other circuits, drives left out."""
    return [
        _sensor_sentence(answer),
        answer.response.says,
        _air_sentence(answer),
        *_fuel_lines(answer),
        *_circuit_lines(answer),
        *(f"Left out: {line}." for line in answer.left_out),
    ]


def which_full_throttle(answer: JetsAnswer) -> str:
    """Which of the figures that are called full throttle this is, and the drive's own beside it."""
    air = "the air you will drive in" if answer.air == "asked for" else "the air of this drive"
    own = number(answer.drive_full_throttle, channel_digits(answer.channel))
    return (
        f"That is {FULL_THROTTLE_OF_SETUP}: its drives together, all speeds alike, corrected to {air}. "
        f"{sentence(FULL_THROTTLE_OF_DRIVE).removesuffix('.')}, the median in its mixture map, is {own}."
    )


def _sensor_sentence(answer: JetsAnswer) -> str:
    sigma = number(1.96 * answer.now.sensor_sigma, channel_digits(answer.channel))
    if answer.now.free_air_checked:
        return f"The 95 % includes the sensor's own offset, ±{sigma}, checked in free air in this drive."
    return (
        f"The 95 % includes the sensor's own offset, ±{sigma}. To halve it, let the sensor read free air for a few "
        "seconds before the next drive, engine off."
    )


def _air_sentence(answer: JetsAnswer) -> str:
    then, to_come = answer.drive_density_kg_per_m3, answer.now.density_kg_per_m3
    if answer.air == "of the drive":
        known = f"the air of the drive ({then:.3f} kg/m3)" if math.isfinite(then) else "the air of the drive"
        return (
            f"This is for {known}. Thinner air makes a carburettor richer. Give the air you will drive in with "
            "--temperature and --pressure."
        )
    if math.isnan(then):
        return "The air of the drive is not known, so it cannot be compared. `pullbook weather` adds it."
    change = answer.air_change
    return (
        f"Air of {to_come:.3f} kg/m3, compared with {then:.3f} in the drive, makes it {abs(change):.1%} "
        f"{'leaner' if change > 0 else 'richer'}. The figures include that."
    )


def _fuel_lines(answer: JetsAnswer) -> list[str]:
    if answer.fuel_change == 0:
        return []
    return [
        f"The new fuel burns at {answer.now.fuel_stoich_afr:.2f} to 1, the drive's at "
        f"{answer.drive_fuel_stoich_afr:.2f}. That makes it {abs(answer.fuel_change):.1%} "
        f"{'leaner' if answer.fuel_change > 0 else 'richer'}. The figures include that."
    ]


def _circuit_lines(answer: JetsAnswer) -> list[str]:
    """What is off target and is not the main jet's, a sentence for each."""
    lines = []
    if (pull := answer.leaner_from) is not None:
        lines.append(
            f"From {speed_label(pull.from_mps, answer.unit)} up, full throttle is leaner than the rest, "
            f"{number(pull.value, channel_digits(answer.channel))}. A main jet moves all speeds alike. To change one "
            "end only, change the air jet or needle."
        )
    what = {
        "idle": "the idle circuit: its jet and mixture screw",
        "transition": "the transition: its holes, or cutaway and needle on a slide carburettor",
    }
    for circuit, mends in what.items():
        off = [cell for cell in answer.not_the_main_jet if cell.circuit == circuit]
        if off:
            places = ", ".join(
                f"{speed_range(cell.from_mps, cell.to_mps, answer.unit, '-')} {answer.unit} at "
                f"{load_label(cell.load_from, cell.load_to, answer.load.unit)} {cell.judgement.split()[0]}"
                for cell in off[:4]
            )
            more = f" and {len(off) - 4} more" if len(off) > 4 else ""
            lines.append(f"A main jet does not correct this: {places}{more}. That is {mends}.")
    return lines
