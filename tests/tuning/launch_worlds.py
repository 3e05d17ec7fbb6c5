"""Launches on which the weights of the rises and the habit's constants were chosen; they judge nothing.

    cd tests && python -m tuning.launch_worlds CACHE.npz [--receiver "white .05"] [--cars N] [--launches N] [--seed N]

A drive is launches of one car and one family, each followed by a braked stop. A car has a habit: its times and shares
are its own and each launch differs from them by a fifth. The push grows by one of FAMILIES; half of the cars are held
by rolling resistance until the push is over it, the other half move with the first push. Of each launch is kept what
the readings say of each rise, and where each rise has time zero and one foot: all that other weights need.
"""

from __future__ import annotations

import argparse
import math
import time
from collections.abc import Callable

import numpy as np
from tuning.receiver_worlds import DT, FOOT, RECEIVERS, Floats, Truth, brought_to_rest, held_pull, received
from tuning.receiver_worlds import Receiver as MadeReceiver

from analysis.motion import smoother
from analysis.motion.fixes import clean
from analysis.motion.receiver import Receiver
from analysis.runs import finding, launch
from analysis.runs.rises import rises
from analysis.runs.run import Options

Share = Callable[[Floats], Floats]
FAMILIES = (
    "let go", "half cosine", "even foot", "slipped", "overshot", "power foot", "stumbled", "two steps", "rolled back",
    "jolt, then foot", "logistic", "long slip",
)  # fmt: skip
SPREAD = 0.2


def own(rng: np.random.Generator, number: int, of: int) -> Callable[[float, float], float]:
    """A car's draws: its middles cover the range evenly over the cars, and each launch differs by SPREAD."""
    order = np.random.default_rng([of, 1])
    middles: list[float] = []
    asked = 0

    def draw(low: float, high: float) -> float:
        nonlocal asked
        if asked == len(middles):
            middles.append(float((order.permutation(of)[number] + rng.uniform()) / of))
        part = middles[asked]
        asked += 1
        middle = math.exp(math.log(low) + part * math.log(high / low))
        return float(middle * math.exp(rng.normal(0, SPREAD)))

    def again() -> None:
        nonlocal asked
        asked = 0

    draw.again = again  # type: ignore[attr-defined]
    return draw


def share(family: str, u: Callable[[float, float], float]) -> Share:
    """The share of the push that is there tau seconds after it begins."""
    match family:
        case "let go":
            s = u(0.03, 0.35)
            return lambda x: 1 - np.exp(-x / s)
        case "half cosine":
            s = u(0.2, 1.6)
            return lambda x: 0.5 - 0.5 * np.cos(np.pi * np.minimum(x / s, 1))
        case "even foot":
            s = u(0.4, 3.2)
            return lambda x: np.minimum(x / s, 1)
        case "slipped":
            s, first = u(0.5, 1.6), u(0.12, 0.55)
            return lambda x: first + (1 - first) * np.minimum(x / s, 1) ** 2 * (3 - 2 * np.minimum(x / s, 1))
        case "overshot":
            s, over = u(0.3, 0.8), u(0.1, 0.5)
            return lambda x: (1 - np.exp(-x / 0.06)) * (1 + over * np.exp(-x / s))
        case "power foot":
            s, power = u(0.7, 2.8), u(1.1, 1.8)
            return lambda x: np.minimum(x / s, 1) ** power
        case "stumbled":
            s, at, low, for_ = u(0.05, 0.3), u(0.3, 1.0), min(u(0.2, 0.6), 0.9), u(0.3, 0.9)
            return lambda x: (1 - np.exp(-x / s)) * (1 - (1 - low) * np.exp(-(((x - at) / (0.45 * for_)) ** 2)))
        case "two steps":
            s, part, at, to = u(0.05, 0.5), min(u(0.25, 0.7), 0.9), u(0.5, 1.4), u(0.1, 0.6)
            return lambda x: part * np.minimum(x / s, 1) + (1 - part) * np.clip((x - at) / to, 0, 1)
        case "jolt, then foot":
            s, first = u(0.8, 3.0), u(0.06, 0.3)
            return lambda x: first + (1 - first) * np.minimum(x / s, 1)
        case "logistic":
            s = u(0.05, 0.25)
            return lambda x: (1 / (1 + np.exp(-(x - 4 * s) / s)) - 0.018) / 0.982
        case "long slip":
            s, first, to = u(0.1, 0.5), min(u(0.3, 0.7), 0.9), u(0.8, 2.5)
            return lambda x: (1 - np.exp(-x / s)) * (first + (1 - first) * np.minimum(x / to, 1))
    return share(FAMILIES[int(100 * u(0.03, 0.9)) % 8], u)


def rolled_back(rise: Floats, grip: float, draw: Callable[[float, float], float]) -> tuple[Floats, Floats]:
    """The speeds of a car that rolls back down a slope until a push catches it, and what of the push is left then."""
    slope, caught = draw(0.05, 0.3), 0
    back = (-np.arange(0, draw(0.4, 2.5), DT) * slope).tolist()
    rolled = back[-1]
    while rolled < 0:
        back.append(rolled)
        rolled += (float(rise[caught]) * grip - slope) * DT
        caught += 1
    return np.array(back), rise[caught:]


def one_cars_drive(rng: np.random.Generator, family: str, car: int, cars: int, launches: int) -> Truth:
    grip, power, top = rng.uniform(1.3, 3.6), rng.uniform(14, 40), 13.0
    resistance = 0.15 if car % 2 else 0.0
    draw = own(rng, car, cars)
    v: list[Floats] = [np.zeros(int(rng.uniform(6, 10) / DT))]
    starts = []
    for _ in range(launches):
        draw.again()  # type: ignore[attr-defined]
        rise = share("half cosine" if family == "rolled back" else family, draw)(np.arange(0, 40, DT) + DT / 2)
        if family == "rolled back":
            back, rise = rolled_back(rise, grip, draw)
            v.append(back)
        pull = held_pull(rise, grip, power, resistance, top)
        begin = sum(map(len, v)) * DT
        way = np.cumsum(pull) * DT
        first = begin + (int(np.argmax(pull > 0)) - 1) * DT
        foot = begin + float(np.interp(FOOT, way, np.arange(len(way)) * DT))
        starts.append((first, foot, [], FAMILIES.index(family)))
        v += [pull, *brought_to_rest(rng, float(pull[-1]), (0.5, 2), (3.5, 7))]
    speeds = np.concatenate(v)
    return Truth(np.arange(len(speeds)) * DT, speeds, starts)


def known(receiver: MadeReceiver) -> Receiver:
    """The receiver as it is: what the program mistakes of it has no say in how cars pull away."""
    noise = math.hypot(receiver.noise_mps, receiver.wander_mps)
    return Receiver(
        receiver.hz, noise, (receiver.wander_mps / noise) ** 2, receiver.wander_s if receiver.wander_mps else None,
        receiver.smoothing_s, max(receiver.smoothing_s - 0.02, 0), receiver.smoothing_s + 0.02, 0.01, stops=9,
    )  # fmt: skip


def by_rise(found: launch.Launch, prior: Floats) -> tuple[Floats, ...]:
    """Of each rise: its log evidence, mean and sigma of time zero and of one foot (NaN where it is out)."""
    n = len(prior)
    total = np.bincount(found.rise, found.weight.likely, n)
    with np.errstate(invalid="ignore", divide="ignore"):
        out = [found.rise_log]
        for value, spread in ((found.t0, found.t0_sigma), (found.one_foot, found.one_foot_sigma)):
            mean = np.bincount(found.rise, found.weight.likely * value, n) / total
            square = np.bincount(found.rise, found.weight.likely * (value**2 + spread**2), n) / total
            out += [mean, np.sqrt(np.maximum(square - mean**2, 1e-8))]
    return tuple(out)


def measured(receiver: str, cars: int, launches: int, seed: int) -> dict[str, Floats]:
    """Rows of launches: family, car, and what `by_rise` gives, times less the true ones."""
    seen: list[launch.Launch] = []
    fit = launch.fit_launch

    def noted(*args: object, **kw: object) -> launch.Launch:
        found = fit(*args, **kw)  # type: ignore[arg-type]
        if kw["among"] is None:
            seen.append(found)
        return found

    launch.fit_launch = noted
    launch.LEAST_RISE, launch.LEAST_START = 1e-6, 1e-7
    names = ("family", "car", "said", "log", "t0", "t0s", "foot", "foots")
    rows: dict[str, list[object]] = {name: [] for name in names}
    began = time.process_time()
    for number, family in enumerate(FAMILIES):
        for car in range(cars):
            rng = np.random.default_rng([seed, number, car])
            true = one_cars_drive(rng, family, car, cars, launches)
            fixes, _ = clean(received(true, RECEIVERS[receiver], rng))
            motion = smoother.smooth(fixes, known(RECEIVERS[receiver]))
            seen.clear()
            finding.find(motion, fixes, Options())
            for begun, foot, _, _ in true.starts:
                at = min(seen, key=lambda one: abs(one.t0_s - begun), default=None)
                if at is None or abs(at.t0_s - begun) > 2.0:
                    continue
                log, t0, t0s, foots, foot_sigma = by_rise(at, np.zeros(len(rises(False))))
                said = (at.t0_s - begun, at.t0_sigma_s, at.one_foot_s - foot, at.one_foot_sigma_s)
                values = (number, car, said, log, t0 - begun, t0s, foots - foot, foot_sigma)
                for name, value in zip(names, values, strict=True):
                    rows[name].append(value)
        print(family, len(rows["car"]), f"{time.process_time() - began:.0f} s", flush=True)
    return {name: np.array(each) for name, each in rows.items()}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("cache")
    parser.add_argument("--receiver", default="white .05")
    parser.add_argument("--cars", type=int, default=5)
    parser.add_argument("--launches", type=int, default=16)
    parser.add_argument("--seed", type=int, default=0)
    asked = parser.parse_args()
    np.savez(asked.cache, **measured(asked.receiver, asked.cars, asked.launches, asked.seed))


if __name__ == "__main__":
    main()
