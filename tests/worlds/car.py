"""A car that is driven: launches of nine kinds, braked stops, pauses; integrated at 1 kHz, with the exact truth.

    rng = np.random.default_rng(1)
    drive = make_drive(rng, Driving(launches=(6, 12), eased=0.5))
    drive.t_s, drive.speed_mps                  # of the wheels, signed (a roll-back is below zero)
    drive.antenna_mps                           # of the antenna: the body rocks after a stop
    drive.launches[0].first_s, .foot_s, .passed_s[20]

Longitudinal dynamics: m (1 + r) dv/dt = F - R sign(v) - C v^2 - m g slope, with F = share(t) min(F0, P / v). Rolling
resistance R holds a standing car up to its size. Heun's method, steps of 1 ms. All is SI.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray
from scipy.signal import bilinear, lfilter

Floats = NDArray[np.float64]
STEP_S = 1e-3
GRAVITY = 9.80665
FOOT_M = 0.3048
MPH = 0.44704
SPEEDS_MPH = (20, 30, 40, 50)

Kind = Literal["belt", "soft foot", "bite", "two-step", "bog", "gear change", "roll-back", "hunting", "ramp"]
KINDS: tuple[Kind, ...] = get_args(Kind)
Stop = Literal["sharp", "eased", "rolled out"]

# --- the car ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Car:
    """force_n and power_w at the wheels; rolling_n and drag [N, N/(m/s)^2]; rotating: share of the mass that turns.

    rocking_hz, rocking_damping: the body on its springs, in pitch. rocking_share: how far the antenna goes with it,
    as a share of what a mass hung freely along the road would.
    """

    mass_kg: float
    force_n: float
    power_w: float = math.inf
    rolling_n: float = 0.0
    drag: float = 0.0
    rotating: float = 0.0
    engine_brake_n: float = 0.0
    rocking_hz: float = 1.25
    rocking_damping: float = 0.2
    rocking_share: float = 0.0

    @property
    def inertia_kg(self) -> float:
        return self.mass_kg * (1 + self.rotating)


def any_car(rng: Generator, heavy: bool = False) -> Car:
    """A car of 375 to 425 kg, or of 690 kg, that reaches 55 mph."""
    mass = 690.0 if heavy else rng.uniform(375, 425)
    scale = mass / 400
    return Car(
        mass_kg=mass,
        force_n=mass * rng.uniform(1.7, 3.0),
        power_w=rng.uniform(9_000, 13_000) * (1.0 + 0.5 * (scale - 1)),
        rolling_n=mass * GRAVITY * rng.uniform(0.009, 0.015),
        drag=rng.uniform(0.26, 0.36) * (1.0 + 0.2 * (scale - 1)),
        rotating=rng.uniform(0.02, 0.06),
        engine_brake_n=mass * rng.uniform(0.25, 0.6),
        rocking_hz=rng.uniform(1.0, 1.5),
        rocking_damping=rng.uniform(0.12, 0.3),
        rocking_share=rng.uniform(0.05, 0.3),
    )


# --- launches -----------------------------------------------------------------------------------------------------

PULL_S = 70.0
"""No pull is longer."""


@dataclass(frozen=True)
class Launch:
    """How a car is made to pull: the share of its force over time from when the brake is let go (1 kHz), the slope."""

    kind: Kind
    share: Floats
    slope: float = 0.0
    slope_m: float = math.inf
    """The slope holds over this way and fades over as much again."""

    def slope_at(self, way: Floats) -> Floats:
        """The slope after so much way [m]."""
        if not math.isfinite(self.slope_m):
            return np.full(len(way), self.slope)
        return self.slope * np.clip(2 - way / self.slope_m, 0, 1)


def any_launch(kind: Kind, car: Car, rng: Generator) -> Launch:
    """One launch of a kind, its parameters drawn."""
    t = np.arange(0.0, PULL_S, STEP_S)
    return _MAKERS[kind](t, car, rng)


def _s_shaped(x: Floats) -> Floats:
    x = np.clip(x, 0, 1)
    return x * x * (3 - 2 * x)


def _taken_up(t: Floats, seconds: float) -> Floats:
    """From zero to one as a first-order lag takes a step at t = 0."""
    return np.where(t > 0, 1 - np.exp(-np.maximum(t, 0) / seconds), 0.0)


def _belt(t: Floats, car: Car, rng: Generator) -> Launch:
    """A belt that slips at about constant force until the car has caught up with it."""
    slipping = rng.uniform(0.45, 0.75)
    hold = rng.uniform(0.1, 0.4)
    caught_mps = rng.uniform(5, 9)
    until = hold + caught_mps * car.inertia_kg / max(slipping * car.force_n - car.rolling_n, 50)
    chatter = 1 + 0.04 * np.sin(2 * np.pi * t / rng.uniform(2, 4) + rng.uniform(0, 6.3))
    first = rng.uniform(0, 0.4)
    rising = first + (1 - first) * _s_shaped(t / hold)
    closing = _s_shaped((t - until) / rng.uniform(0.3, 0.9))
    return Launch("belt", rising * chatter * (slipping + (1 - slipping) * closing))


def _soft_foot(t: Floats, car: Car, rng: Generator) -> Launch:
    """The foot goes down over two to four seconds."""
    return Launch("soft foot", np.clip(t / rng.uniform(1.8, 4.0), 0, 1) ** rng.uniform(0.9, 1.3))


def _bite(t: Floats, car: Car, rng: Generator) -> Launch:
    """A clutch let go; what the flywheel held goes to the road first."""
    fly = rng.uniform(0, 0.3) * np.exp(-t / rng.uniform(0.15, 0.4))
    return Launch("bite", _taken_up(t, rng.uniform(0.03, 0.15)) * (1 + fly))


def _two_step(t: Floats, car: Car, rng: Generator) -> Launch:
    """Half a throttle to get away, all of it later."""
    half, second = rng.uniform(0.35, 0.6), rng.uniform(0.6, 1.8)
    opened = _taken_up(t - second, rng.uniform(0.08, 0.3))
    return Launch("two-step", half * _taken_up(t, rng.uniform(0.05, 0.25)) + (1 - half) * opened)


def _bog(t: Floats, car: Car, rng: Generator) -> Launch:
    """The engine falls into a hole soon after the clutch has bitten, and climbs out of it."""
    falls, stays, climbs = rng.uniform(0.3, 0.9), rng.uniform(0.4, 1.2), rng.uniform(0.4, 1.0)
    depth = rng.uniform(0.5, 0.75)
    hole = _taken_up(t - falls, rng.uniform(0.06, 0.15)) * (1 - _s_shaped((t - falls - stays) / climbs))
    return Launch("bog", _taken_up(t, rng.uniform(0.05, 0.15)) * (1 - depth * hole))


def _gear_change(t: Floats, car: Car, rng: Generator) -> Launch:
    """A clutch, and one or two gear changes in mid-run."""
    share = _taken_up(t, rng.uniform(0.04, 0.2))
    at = rng.uniform(2.0, 5.0)
    for _ in range(int(rng.integers(1, 3))):
        lasts = rng.uniform(0.25, 0.8)
        out, back = _s_shaped((t - at) / 0.08), _s_shaped((t - at - lasts) / rng.uniform(0.1, 0.3))
        share = share * (1 - out * (1 - back)) - 0.05 * out * (1 - back)
        at += lasts + rng.uniform(3.0, 7.0)
    return Launch("gear change", share)


def _roll_back(t: Floats, car: Car, rng: Generator) -> Launch:
    """On a slope of 2 %: the brake is let go, the car rolls back, the clutch catches it."""
    caught = rng.uniform(0.6, 2.0)
    share = _taken_up(t - caught, rng.uniform(0.04, 0.3))
    return Launch("roll-back", share, slope=0.02, slope_m=rng.uniform(20, 60))


def _hunting(t: Floats, car: Car, rng: Generator) -> Launch:
    """An engine that surges over a second and a half, all the way."""
    surge = rng.uniform(0.15, 0.35) * np.sin(2 * np.pi * t / rng.uniform(1.3, 1.7) + rng.uniform(0, 6.3))
    return Launch("hunting", _taken_up(t, rng.uniform(0.06, 0.3)) * (1 + surge))


def _ramp(t: Floats, car: Car, rng: Generator) -> Launch:
    """Acceleration rises evenly from nothing, over 1.1 s."""
    held = (car.rolling_n / car.force_n) if car.force_n else 0.0
    return Launch("ramp", held + (1 - held) * np.clip(t / 1.1, 0, 1))


_MAKERS: dict[Kind, Callable[[Floats, Car, Generator], Launch]] = {
    "belt": _belt, "soft foot": _soft_foot, "bite": _bite, "two-step": _two_step, "bog": _bog,
    "gear change": _gear_change, "roll-back": _roll_back, "hunting": _hunting, "ramp": _ramp,
}  # fmt: skip


def pull(car: Car, launch: Launch, until_mps: float, most_s: float = PULL_S) -> tuple[Floats, float]:
    """Speed of the wheels at 1 kHz from when the brake is let go up to `until_mps`, and the instant of first movement.

    First movement is when the car leaves zero speed forwards for the last time; between two steps, where the force
    passes what holds the car, or the speed passes zero.
    """
    m, rolling, drag = car.inertia_kg, car.rolling_n, car.drag
    peak, power = car.force_n, car.power_w
    uphill = car.mass_kg * GRAVITY * launch.slope
    flat_from, fades = launch.slope_m, launch.slope_m
    h = STEP_S
    v = way = first = 0.0
    shares = launch.share[: int(most_s / h) + 1].tolist()
    speeds = [0.0]
    last_net = -1.0

    def accel(share: float, speed: float, weight: float) -> float:
        force = share * (peak if speed * peak <= power else power / speed) - weight
        return (force - (rolling if speed > 0 else -rolling) - drag * speed * abs(speed)) / m

    for k in range(len(shares) - 1):
        weight = uphill
        if weight and way > flat_from:
            weight *= max(1 - (way - flat_from) / fades, 0.0)
        if v == 0.0:
            # Standing: what pulls must pass what holds, either way.
            net = shares[k] * peak - weight
            if abs(net) <= rolling:
                later = shares[k + 1] * peak - weight
                if later > rolling:
                    part = (rolling - net) / (later - net)
                    first = (k + part) * h
                    v = 0.5 * (later - rolling) / m * (1 - part) * h
                    way += 0.5 * v * (1 - part) * h
                speeds.append(v)
                continue
            if net > 0 and last_net <= 0:
                first = k * h
            last_net = net
            v0 = 1e-12 if net > 0 else -1e-12
        else:
            v0 = v
        a0 = accel(shares[k], v0, weight)
        v1 = v0 + h * a0
        a1 = accel(shares[k + 1], v1 if v1 * v0 > 0 else v0, weight)
        v1 = v0 + 0.5 * h * (a0 + a1)
        if v0 < 0 <= v1:
            # Through zero: held there, unless what pulls is more than what holds.
            first = (k + v0 / (v0 - v1)) * h
            if shares[k + 1] * peak - weight <= rolling:
                v1 = 0.0
            last_net = 1.0
        elif v0 > 0 > v1:
            v1, last_net = 0.0, -1.0
        way += 0.5 * h * (v + v1)
        v = v1
        speeds.append(v)
        if v >= until_mps:
            break
    return np.array(speeds), first


# --- a drive ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Driving:
    """What a drive is made of.

    launches: least and most. kinds: of launches. eased: share of the stops at which the brake is eased off; the others
    end sharp. rolled_out: share of all stops without a brake at the end. pause_s: least and most standing. heavy: the
    car of 690 kg. one_car: every drive with the same car. turns: share of launches after a slow turn of 180 degrees.
    rocks_at_launch: the body also rocks when the car pulls away. until_mps: speeds at which a pull is given up.
    """

    launches: tuple[int, int] = (6, 12)
    kinds: tuple[Kind, ...] = KINDS
    eased: float = 0.5
    rolled_out: float = 0.0
    pause_s: tuple[float, float] = (3.0, 15.0)
    heavy: bool = False
    one_car: bool = False
    turns: float = 0.3
    rocks_at_launch: bool = False
    until_mps: tuple[float, float] = (24.0, 26.0)


@dataclass(frozen=True)
class TrueLaunch:
    """kind; first_s: first movement; foot_s: 0.3048 m later; passed_s: when 20 to 50 mph were first passed [s]."""

    kind: Kind
    first_s: float
    foot_s: float
    passed_s: dict[int, float]
    peak_mps: float


@dataclass(frozen=True)
class TrueStop:
    kind: Stop
    stood_s: float
    """When the wheels stood [s]."""
    until_s: float
    """When the brake was let go again."""


@dataclass
class Drive:
    """The truth of a drive at 1 kHz: arrays of one length. heading_deg is where the car points."""

    car: Car
    t_s: Floats
    speed_mps: Floats
    antenna_mps: Floats
    heading_deg: Floats
    slope: Floats
    launches: list[TrueLaunch]
    stops: list[TrueStop]
    way_m: Floats = field(init=False)
    """Signed way from the start."""

    def __post_init__(self) -> None:
        steps = 0.5 * STEP_S * (self.speed_mps[1:] + self.speed_mps[:-1])
        self.way_m = np.concatenate([[0.0], np.cumsum(steps)])


class Writer:
    """Puts a drive together, phase by phase."""

    def __init__(self, car: Car, heading_deg: float = 0.0) -> None:
        self.car, self._heading = car, heading_deg
        self._speed: list[Floats] = [np.zeros(1)]
        self._headings: list[Floats] = [np.full(1, heading_deg)]
        self._slope: list[Floats] = [np.zeros(1)]
        self._launching: list[NDArray[np.bool_]] = [np.zeros(1, bool)]
        self._n = 1
        self._starts: list[tuple[Kind, int, float]] = []
        self._stops: list[tuple[Stop, int, int]] = []

    @property
    def now_s(self) -> float:
        return (self._n - 1) * STEP_S

    @property
    def speed(self) -> float:
        return float(self._speed[-1][-1])

    def add(self, speed: Floats, turn_deg: float = 0.0, slope: float | Floats = 0.0, launching: bool = False) -> None:
        """Speeds that follow the last one, at 1 kHz."""
        if len(speed) == 0:
            return
        self._speed.append(speed)
        self._headings.append(self._heading + turn_deg * np.arange(1, len(speed) + 1) / len(speed))
        self._heading += turn_deg
        self._slope.append(np.broadcast_to(slope, len(speed)))
        self._launching.append(np.full(len(speed), launching))
        self._n += len(speed)

    def stand(self, seconds: float) -> None:
        self.add(np.zeros(round(seconds / STEP_S)))
        if self._stops and self._stops[-1][2] < 0:
            kind, since, _ = self._stops[-1]
            self._stops[-1] = kind, since, self._n - 1

    def launch(self, launch: Launch, until_mps: float, most_s: float = PULL_S) -> None:
        speeds, first = pull(self.car, launch, until_mps, most_s)
        self._starts.append((launch.kind, self._n - 1, first))
        way = np.cumsum(speeds[1:]) * STEP_S
        self.add(speeds[1:], slope=launch.slope_at(way), launching=True)

    def to_speed(self, speed: float, accel: float) -> None:
        """Evenly to another speed, the edges rounded over 0.4 s."""
        change = abs(speed - self.speed)
        n = max(round(change / accel / STEP_S), 400)
        self.add(self.speed + (speed - self.speed) * _s_shaped(np.arange(1, n + 1) / n))

    def cruise(self, seconds: float, rng: Generator, turn_deg: float = 0.0, swing_mps: float = 0.15) -> None:
        """About the same speed, swinging slowly; never under a third of it."""
        n = round(seconds / STEP_S)
        t = np.arange(1, n + 1) * STEP_S
        waves = np.zeros(n)
        for period, phase in zip(rng.uniform(4, 12, 3), rng.uniform(0, 6.3, 3), strict=True):
            waves += np.sin(2 * np.pi * t / period + phase) - math.sin(phase)
        self.add(np.maximum(self.speed + swing_mps * waves, self.speed / 3), turn_deg)

    def coast(self, seconds: float) -> None:
        """The throttle closed, in gear; ends above a walk."""
        car, v = self.car, self.speed
        out = []
        for _ in range(round(seconds / STEP_S)):
            v -= STEP_S * (car.engine_brake_n + car.rolling_n + car.drag * v * v) / car.inertia_kg
            if v < 3.0:
                break
            out.append(v)
        self.add(np.array(out))

    def brake(self, kind: Stop, rng: Generator) -> None:
        """To a standstill: held to the end, eased off towards it, or rolled out without the brake."""
        self.add(braked(self.speed, kind, self.car, rng))
        self._stops.append((kind, self._n - 1, -1))

    def drive(self, rocks_at_launch: bool = False) -> Drive:
        speed = np.concatenate(self._speed)
        launching = np.concatenate(self._launching)
        accel = np.gradient(speed, STEP_S)
        moved = accel if rocks_at_launch else np.where(launching, 0.0, np.minimum(accel, 0.0))
        t = np.arange(len(speed)) * STEP_S
        starts = [true_launch(kind, t, speed, at, at * STEP_S + first) for kind, at, first in self._starts]
        stops = [TrueStop(kind, a * STEP_S, (b if b >= 0 else len(t) - 1) * STEP_S) for kind, a, b in self._stops]
        antenna = speed + rocking(self.car, moved)
        headings, slope = np.concatenate(self._headings), np.concatenate(self._slope)
        return Drive(self.car, t, speed, antenna, headings, slope, starts, stops)


def make_drive(rng: Generator, how: Driving, car: Car | None = None) -> Drive:
    """A drive of several launches; the same generator state, the same drive."""
    car = car or any_car(rng, how.heavy)
    writer = Writer(car, float(rng.uniform(0, 360)))
    writer.stand(rng.uniform(6, 20))
    for _ in range(int(rng.integers(how.launches[0], how.launches[1] + 1))):
        if rng.random() < how.turns:
            writer.to_speed(rng.uniform(2.5, 5.0), rng.uniform(0.6, 1.4))
            writer.cruise(rng.uniform(5, 10), rng, turn_deg=180.0)
            writer.brake(any_stop(rng, how), rng)
            writer.stand(rng.uniform(*how.pause_s))
        kind = how.kinds[int(rng.integers(len(how.kinds)))]
        writer.launch(any_launch(kind, car, rng), rng.uniform(*how.until_mps))
        writer.coast(rng.uniform(0.5, 4.0))
        if rng.random() < 0.3:
            writer.cruise(rng.uniform(3, 10), rng)
        writer.brake(any_stop(rng, how), rng)
        writer.stand(rng.uniform(*how.pause_s))
    writer.stand(4.0)
    return writer.drive(how.rocks_at_launch)


def any_stop(rng: Generator, how: Driving) -> Stop:
    if rng.random() < how.rolled_out:
        return "rolled out"
    return "eased" if rng.random() < how.eased else "sharp"


def braked(speed: float, kind: Stop, car: Car, rng: Generator) -> Floats:
    """Speeds down to zero at 1 kHz, from the first after `speed`."""
    hard = rng.uniform(1.8, 4.0)
    builds = rng.uniform(0.2, 0.6)
    n = int((speed / hard + 2 + builds) / STEP_S)
    t = np.arange(1, n + 1) * STEP_S
    wave = 1 + 0.06 * np.sin(2 * np.pi * t / rng.uniform(1.5, 4) + rng.uniform(0, 6.3))
    falling = speed - np.cumsum(hard * wave * np.clip(t / builds, 0, 1)) * STEP_S
    if kind == "sharp":
        return np.append(falling[falling > 0], 0.0)
    if kind == "eased":
        lasts, left = rng.uniform(0.5, 1.5), hard * rng.uniform(0.05, 0.3)
        to_go = np.arange(round(lasts / STEP_S), -1, -1) * STEP_S
        # Deceleration from `hard` to `left`, evenly over `lasts`; speed is its integral from the end.
        tail = left * to_go + (hard - left) / lasts * to_go**2 / 2
        return np.concatenate([falling[falling > tail[0]], tail[tail < speed]])
    free = rng.uniform(1.5, 3.0)
    slows = car.rolling_n / car.inertia_kg
    tail = np.arange(round(free / slows / STEP_S), -1, -1) * STEP_S * slows
    return np.concatenate([falling[falling > free], tail[tail < speed]])


def rocking(car: Car, accel: Floats) -> Floats:
    """Speed of the antenna against the wheels [m/s]: a damped body on springs under `accel` of the wheels."""
    if car.rocking_share == 0:
        return np.zeros(len(accel))
    w = 2 * np.pi * car.rocking_hz
    b, a = bilinear([-car.rocking_share, 0.0], [1.0, 2 * car.rocking_damping * w, w * w], fs=1 / STEP_S)
    return np.asarray(lfilter(b, a, accel), float)


def true_launch(kind: Kind, t: Floats, speed: Floats, start: int, first_s: float) -> TrueLaunch:
    """The truth of a launch whose brake was let go at index `start` and that first moved at `first_s`."""
    k = math.ceil(first_s / STEP_S - 1e-9)
    # Way from the first movement: up to the next step the speed grows evenly from zero.
    ahead = speed[k : k + 120_000]
    stopped = np.flatnonzero(ahead[1:] <= 0)
    ahead = ahead[: int(stopped[0]) + 1] if len(stopped) else ahead
    way = 0.5 * ahead[0] * (t[k] - first_s) + np.concatenate([[0.0], np.cumsum(ahead[1:] + ahead[:-1])]) * 0.5 * STEP_S
    foot = float(np.interp(FOOT_M, way, t[k : k + len(ahead)]))
    passed = {}
    for mph in SPEEDS_MPH:
        above = np.flatnonzero(ahead >= mph * MPH)
        if len(above):
            i = int(above[0])
            part = (mph * MPH - ahead[i - 1]) / (ahead[i] - ahead[i - 1])
            passed[mph] = float(t[k + i - 1] + part * STEP_S)
    return TrueLaunch(kind, first_s, foot, passed, float(ahead.max()))
