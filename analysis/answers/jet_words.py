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
    "Gives: full throttle with that jet, its 95 % interval, and by the area rule alone. In target, lean: the chances "
    "to land in the target, and of the leanest speeds to land beyond its lean end. Step: too lean for one step, as "
    "holes vary."
)


def now_sentence(answer: JetsAnswer) -> str:
    """What full throttle is with the jet that is in, and the target."""
    now, target, digits = answer.now, answer.target, channel_digits(answer.channel)
    return (
        f"Full throttle with the {now.diameter_mm:.3f} mm main jet: {channel_label(answer.channel)} "
        f"{number(now.value, digits)} ({number(now.low, digits)} to {number(now.high, digits)}), from "
        f"{plural(now.drives, 'drive')} of this setup; target {number(target.low, digits)} to "
        f"{number(target.high, digits)}."
    )


def wanted_sentence(answer: JetsAnswer) -> str:
    """The diameter asked for; "" where the jet stays."""
    if answer.verdict == "keep":
        return ""
    return (
        f"The middle of the target asks for {answer.wanted_mm:.3f} mm "
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
    air = "the air to come" if answer.air == "asked for" else "the air of this drive"
    own = number(answer.drive_full_throttle, channel_digits(answer.channel))
    return (
        f"That is {FULL_THROTTLE_OF_SETUP}, its drives together, all speeds weighed alike, brought to {air}. "
        f"{sentence(FULL_THROTTLE_OF_DRIVE).removesuffix('.')}, the median in its mixture map, is {own}."
    )


def _sensor_sentence(answer: JetsAnswer) -> str:
    sigma = number(1.96 * answer.now.sensor_sigma, channel_digits(answer.channel))
    if answer.now.free_air_checked:
        return f"The sensor's own offset is in the 95 %, ±{sigma}: this drive shows it in free air."
    return (
        f"The sensor's own offset is in the 95 %, ±{sigma}: no free-air check is in this drive. Before the next, let "
        "it read free air for a few seconds, engine off: that halves it."
    )


def _air_sentence(answer: JetsAnswer) -> str:
    then, to_come = answer.drive_density_kg_per_m3, answer.now.density_kg_per_m3
    if answer.air == "of the drive":
        known = f"the air of the drive ({then:.3f} kg/m3)" if math.isfinite(then) else "the air of the drive"
        return (
            f"This holds for {known}. Thinner air richens a carburettor, with the root of density: --temperature and "
            "--pressure say what you will drive in."
        )
    if math.isnan(then):
        return (
            "The air of the drive is not known (pullbook weather adds it), so the air to come cannot be set against it."
        )
    change = answer.air_change
    return (
        f"Air of {to_come:.3f} kg/m3 against {then:.3f} then makes it {abs(change):.1%} "
        f"{'leaner' if change > 0 else 'richer'}; that is in the figures."
    )


def _fuel_lines(answer: JetsAnswer) -> list[str]:
    if answer.fuel_change == 0:
        return []
    return [
        f"The fuel to come burns at {answer.now.fuel_stoich_afr:.2f} to 1 against {answer.drive_fuel_stoich_afr:.2f} "
        f"then, which makes it {abs(answer.fuel_change):.1%} {'leaner' if answer.fuel_change > 0 else 'richer'}; that "
        "is in the figures."
    ]


def _circuit_lines(answer: JetsAnswer) -> list[str]:
    """What is off target and is not the main jet's, a sentence for each."""
    lines = []
    if (pull := answer.leaner_from) is not None:
        lines.append(
            f"From {speed_label(pull.from_mps, answer.unit)} on full throttle is leaner than the rest, "
            f"{number(pull.value, channel_digits(answer.channel))}: one jet moves all speeds alike; an air jet or "
            "needle bends them."
        )
    what = {
        "idle": "the idle circuit: its jet and mixture screw",
        "transition": "the transition: its holes, or on a slide carburettor cutaway and needle",
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
            lines.append(f"A main jet does not mend this: {places}{more}. That is {mends}.")
    return lines
