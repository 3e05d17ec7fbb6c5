"""A car, a driver, a GPS receiver and a mixture controller, simulated: the one source of invented drives.

The demo season is made with it (see make_season.py beside it) and the tests use it where they need a known truth. The
physics is longitudinal: a force at the wheels, road load, grade; a script of phases tells the driver what to do.

    truth = drive(WREN, [Stand(5), Pull(24.0, launch="bite"), Lift(12.0), Brake(0.0), Stand(5)])
    fixes = receive(truth, rate_hz=10, noise_mps=0.05, rng=rng)
    readings = sense(truth, mixture_of(main_jet_mm=1.10), rate_hz=20, delay_s=0.4, lag_s=0.2, rng=rng)
    write_capture(path, host_chunks(truth, fixes, readings, rng=rng))

Everything is SI; AFR has no unit. Same seed, same bytes.
"""

from __future__ import annotations

import dataclasses
import gzip
import io
import json
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np
from airfield import EARTH_M, Road
from numpy.typing import NDArray

Floats = NDArray[np.float64]
GRAVITY = 9.80665

# --- the car ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Car:
    """A car on a straight road: wheel force min(`force_n`, `power_w` / v), road load `a_n` + `b` v + `c` v^2."""

    mass_kg: float
    power_w: float = math.inf
    force_n: float = math.inf
    a_n: float = 0.0
    b_n_per_mps: float = 0.0
    c_n_per_mps2: float = 0.0
    rotating_mass_kg: float = 0.0
    engine_brake_n: float = 0.0

    @property
    def inertia_kg(self) -> float:
        return self.mass_kg + self.rotating_mass_kg

    def wheel_force(self, v: float) -> float:
        """The most the wheels can push at `v` [N]."""
        return min(self.force_n, self.power_w / v if v > 0 else math.inf)

    def road_load(self, v: float) -> float:
        return self.a_n + self.b_n_per_mps * v + self.c_n_per_mps2 * v * v


WREN = Car(mass_kg=392, power_w=10_200, force_n=980, a_n=55, c_n_per_mps2=0.36, rotating_mass_kg=16, engine_brake_n=180)
"""The Wren: a home-built three-wheeler, air-cooled 445 cc single, belt drive. Invented figures."""

SLOW_CAR = Car(mass_kg=690, power_w=11_300, force_n=1500, a_n=95, c_n_per_mps2=0.45)
"""A light slow car, near constant power, that still gains about 0.27 m/s2 at 50 mph. Invented figures."""

SLOW_CAR_CONSTANT_FORCE = Car(mass_kg=690, force_n=1050, a_n=0, c_n_per_mps2=1.73)
"""As SLOW_CAR with a constant force and drag: the closed form v = vt tanh(t F / (m vt))."""

Launch = Literal["bite", "slip", "ramp", "step"] | Callable[[float], float]


def launch_share(shape: Launch, tau: float) -> float:
    """The share of the wheel force that reaches the road `tau` seconds after the pull began."""
    if callable(shape):
        return shape(tau)
    match shape:
        case "step":
            return 1.0
        case "bite":  # a clutch that bites: nearly all at once
            return 1 - math.exp(-tau / 0.08)
        case "slip":  # a belt that slips in: a slow start, then a hand-over
            return 0.25 + 0.75 * s_shaped(tau / 1.4) if tau > 0 else 0.0
        case "ramp":  # a cautious foot: force rises evenly
            return min(tau / 2.0, 1.0)


def s_shaped(x: float) -> float:
    """From 0 at x = 0 to 1 at x = 1, level at both ends."""
    x = min(x, 1.0)
    return x * x * (3 - 2 * x)


# --- the driver's script ------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Stand:
    """Stand still."""

    seconds: float


@dataclass(frozen=True)
class Pull:
    """Accelerate to `to_mps` (or for at most `seconds`); gear changes at `shifts` take `shift_s` without force."""

    to_mps: float
    launch: Launch = "step"
    throttle: float = 1.0
    shifts: tuple[float, ...] = ()
    shift_s: float = 0.4
    seconds: float = 300.0


@dataclass(frozen=True)
class Cruise:
    """Hold `mps` for `seconds`, as a foot does: the throttle hunts a little about what the road asks."""

    mps: float
    seconds: float


@dataclass(frozen=True)
class Lift:
    """Foot off, in gear, down to `to_mps`."""

    to_mps: float
    seconds: float = 300.0


@dataclass(frozen=True)
class Coast:
    """Rolling in neutral down to `to_mps`."""

    to_mps: float
    seconds: float = 300.0


@dataclass(frozen=True)
class Brake:
    """Brake at `mps2` down to `to_mps`."""

    to_mps: float
    mps2: float = 2.0


@dataclass(frozen=True)
class Turn:
    """Turn about on the spot (between two runs): the way is travelled back from here on."""


Phase = Stand | Pull | Cruise | Lift | Coast | Brake | Turn


def traffic(rng: np.random.Generator, seconds: float, top_mps: float = 13.0) -> list[Phase]:
    """Stop-and-go for about `seconds`: part-throttle pulls below `top_mps`, short cruises, stops, crawls."""
    phases: list[Phase] = []
    spent = 0.0
    while spent < seconds:
        top = rng.uniform(1.5, top_mps)
        wait, hold = rng.uniform(1, 25), rng.uniform(1, 30)
        phases += [
            Stand(wait),
            Pull(top, launch="ramp", throttle=rng.uniform(0.45, 0.9), seconds=30),
            Cruise(top, hold),
        ]
        if rng.random() < 0.4:
            phases += [Lift(top * rng.uniform(0.5, 0.9), seconds=10), Pull(top, throttle=0.7, seconds=20)]
        phases += [Brake(0.0, rng.uniform(0.8, 2.5))]
        spent += wait + hold + 20
    return phases


# --- the truth ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class TrueRun:
    """A pull from rest: when the car first moved, and how to look up when it passed a speed or a distance."""

    start_s: float
    peak_mps: float
    t_s: Floats = field(repr=False)
    v_mps: Floats = field(repr=False)
    s_m: Floats = field(repr=False)

    def time_to(self, mps: float) -> float:
        """Seconds from first movement to `mps`."""
        return float(np.interp(mps, self.v_mps, self.t_s)) - self.start_s

    def time_at(self, metres: float) -> float:
        """Seconds from first movement to `metres` of way."""
        return float(np.interp(metres, self.s_m - self.s_m[0], self.t_s)) - self.start_s


@dataclass(frozen=True)
class Truth:
    """What really happened, every `dt`: arrays of one length."""

    t_s: Floats
    v_mps: Floats
    s_m: Floats
    a_mps2: Floats
    throttle: Floats
    """0 (closed) to 1 (full); NaN while coasting in neutral."""
    grade: Floats
    wheel_n: Floats
    lat_deg: Floats
    lon_deg: Floats
    alt_m: Floats
    heading_deg: Floats
    phase: NDArray[np.int64]
    runs: list[TrueRun]

    def at(self, t: Floats) -> Floats:
        """Speed [m/s] at the times `t`."""
        return np.interp(t, self.t_s, self.v_mps)


def drive(
    car: Car,
    script: Sequence[Phase],
    road: Road | None = None,
    dt: float = 0.01,
    seed: int = 0,
    force_scale: float = 1.0,
    headwind_mps: float = 0.0,
) -> Truth:
    """Drive `script` and tell the truth about it. `force_scale` scales the wheel force (a tuned engine, thin air);
    `headwind_mps` blows against the car at the start and with it after a Turn."""
    road = road or Road()
    rng = np.random.default_rng(seed)
    t, v, s = 0.0, 0.0, 0.0
    forward = 1
    rows: list[tuple[float, float, float, float, float, float, float, int]] = []
    pulls: list[tuple[int, int]] = []

    def step(share: float, brake_n: float, phase: int, neutral: bool = False) -> None:
        nonlocal t, v, s
        grade = road.grade(s) * forward
        push = share * min(car.force_n, force_scale * car.power_w / max(v, 0.5)) if share > 0 else 0.0
        if math.isinf(car.power_w):
            push = share * force_scale * car.force_n
        air = v + headwind_mps * forward
        # The rolling resistance is all there as soon as the wheels turn; until then it holds what pushes.
        load = car.a_n + car.b_n_per_mps * v + car.c_n_per_mps2 * air * abs(air)
        drag_engine = 0.0 if share > 0 or neutral else car.engine_brake_n * min(v / 3.0, 1.0)
        force = push - load - brake_n * min(v / 0.05, 1.0) - drag_engine - car.mass_kg * GRAVITY * grade
        a = force / car.inertia_kg
        if v <= 0 and a < 0:
            a = 0.0
        rows.append((t, v, s, a, math.nan if neutral else share, grade, push, phase))
        new = max(v + a * dt, 0.0)
        s += forward * 0.5 * (v + new) * dt
        v, t = new, t + dt

    for number, phase in enumerate(script):
        began = t
        match phase:
            case Stand(seconds):
                v = 0.0
                for _ in range(round(seconds / dt)):
                    rows.append((t, 0.0, s, 0.0, 0.0, road.grade(s) * forward, 0.0, number))
                    t += dt
            case Pull(to, launch, throttle, shifts, shift_s, seconds):
                first, from_rest = len(rows), v <= 0
                pending = [x for x in sorted(shifts) if x > v]
                gap_until = -1.0
                while v < to and t - began < seconds:
                    if pending and v >= pending[0]:
                        pending.pop(0)
                        gap_until = t + shift_s
                    share = throttle * launch_share(launch, t - began) if t >= gap_until else 0.0
                    step(share, 0.0, number, neutral=t < gap_until)
                if from_rest:
                    pulls.append((first, len(rows)))
            case Cruise(mps, seconds):
                hunt, integral = 0.0, 0.0
                for _ in range(round(seconds / dt)):
                    hunt += (-hunt / 2.0) * dt + 0.05 * math.sqrt(dt) * rng.standard_normal()
                    error = mps - v
                    integral = min(max(integral + error * dt, -20.0), 20.0)
                    need = car.road_load(v) + car.mass_kg * GRAVITY * road.grade(s) * forward
                    most = max(car.wheel_force(max(v, 0.5)), 1.0)
                    share = (need + car.inertia_kg * (0.5 * error + 0.03 * integral)) / most + hunt
                    step(min(max(share, 0.02), 1.0), 0.0, number)
            case Lift(to, seconds):
                while v > max(to, 0.02) and t - began < seconds:
                    step(0.0, 0.0, number)
            case Coast(to, seconds):
                while v > max(to, 0.02) and t - began < seconds:
                    step(0.0, 0.0, number, neutral=True)
            case Brake(to, mps2):
                while v > max(to, 0.0):
                    step(0.0, car.inertia_kg * mps2, number)
                    if v < 0.05 and to <= 0:
                        v = 0.0
            case Turn():
                forward = -forward

    table = np.array(rows)
    lat, lon, alt, heading = road.place(table[:, 2])
    way = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(table[:, 2])))])
    turned = np.cumsum([isinstance(p, Turn) for p in script])[table[:, 7].astype(int)] % 2 if len(script) else 0
    heading = np.mod(heading + 180.0 * np.asarray(turned), 360.0)
    runs = []
    for first, last in pulls:
        speeds = table[first:last, 1]
        moving = np.flatnonzero(speeds > 0)
        if len(moving) > 1:
            begin = first + max(int(moving[0]) - 1, 0)
            top = first + int(np.argmax(speeds)) + 1
            runs.append(
                TrueRun(table[begin, 0], float(speeds.max()), table[begin:top, 0], table[begin:top, 1], way[begin:top])
            )
    return Truth(
        table[:, 0], table[:, 1], way, table[:, 3], table[:, 4], table[:, 5], table[:, 6], lat, lon, alt, heading,
        table[:, 7].astype(np.int64), runs,
    )  # fmt: skip


# --- the GPS receiver ---------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class ReceivedFixes:
    """What the receiver reports, one entry a fix; `t_s` on the truth's time axis."""

    t_s: Floats
    speed_mps: Floats
    lat_deg: Floats
    lon_deg: Floats
    alt_m: Floats
    course_deg: Floats
    satellites: NDArray[np.int64]
    hdop: Floats


def receive(
    truth: Truth,
    rng: np.random.Generator,
    rate_hz: float = 10.0,
    noise_mps: float = 0.05,
    knots_decimals: int | None = 3,
    hold_zero_mps: float = 0.0,
    position_noise_m: float = 1.2,
) -> ReceivedFixes:
    """Sample the truth as a receiver does: white Doppler speed noise (folded at zero: speed has no sign), speed
    printed in knots with `knots_decimals` (None: not rounded), slowly wandering position."""
    phase = round(rng.uniform(0, 1 / rate_hz), 2)  # receivers print hundredths of a second
    t = np.arange(truth.t_s[0] + phase, truth.t_s[-1], 1 / rate_hz)
    speed = np.abs(np.interp(t, truth.t_s, truth.v_mps) + rng.normal(0, noise_mps, len(t)))
    if hold_zero_mps > 0:
        speed[speed < hold_zero_mps] = 0.0
    if knots_decimals is not None:
        knot = 1852 / 3600
        speed = np.round(speed / knot, knots_decimals) * knot
    wander = [_wander(rng, len(t), 1 / rate_hz, 60.0, position_noise_m * scale) for scale in (1.0, 1.0, 1.8)]
    lat = np.interp(t, truth.t_s, truth.lat_deg) + np.degrees(wander[0] / EARTH_M)
    lon = np.interp(t, truth.t_s, truth.lon_deg)
    lon += np.degrees(wander[1] / (EARTH_M * math.cos(math.radians(float(lat[0])))))
    alt = np.interp(t, truth.t_s, truth.alt_m) + wander[2]
    course = truth.heading_deg[np.minimum(np.searchsorted(truth.t_s, t), len(truth.t_s) - 1)]
    course = np.mod(course + rng.normal(0, 1, len(t)) * noise_mps / np.maximum(speed, noise_mps) * 57.3, 360.0)
    satellites = np.clip(np.round(11 + _wander(rng, len(t), 1 / rate_hz, 90.0, 1.5)), 6, 16).astype(np.int64)
    return ReceivedFixes(t, speed, lat, lon, alt, course, satellites, np.round(8.5 / satellites, 1))


def _wander(rng: np.random.Generator, n: int, dt: float, time_s: float, sigma: float) -> Floats:
    """A first-order Gauss-Markov series with the given correlation time and standard deviation."""
    from scipy.signal import lfilter

    rho = math.exp(-dt / time_s)
    kicks = rng.normal(0, sigma * math.sqrt(1 - rho * rho), n)
    kicks[:1] = rng.normal(0, sigma, min(n, 1))
    out: Floats = lfilter([1.0], [1.0, -rho], kicks)
    return out


# --- the mixture controller ---------------------------------------------------------------------------------------

MixtureLaw = Callable[[Floats, Floats], Floats]
"""Speed [m/s] and load (share of full throttle; NaN in neutral) -> AFR in the exhaust port."""


def mixture_of(
    main_jet_mm: float = 1.10,
    airbox: float = 0.0,
    needle: float = 0.0,
    density_ratio: float = 1.0,
    rich_main_afr: float = 12.1,
) -> MixtureLaw:
    """The Wren's carburettor: what it gives by speed and load.

    Full throttle follows the main jet's area and the root of the air's density, `rich_main_afr` with a 1.10 mm jet;
    `airbox` leans full throttle and `needle` (clips raised) richens the middle, both in AFR.
    """

    def law(v: Floats, load: Floats) -> Floats:
        share = np.nan_to_num(load, nan=0.0)
        main = rich_main_afr * (1.10 / main_jet_mm) ** 2 * math.sqrt(density_ratio) + airbox + 0.012 * (v - 18.0)
        part = 13.6 - 0.35 * needle + 0.4 * airbox + 0.02 * (v - 14.0)
        town = 12.9 * math.sqrt(density_ratio) - 0.1 * needle + 0.0 * v
        weight_main = 1 / (1 + np.exp(-(share - 0.72) / 0.06))
        weight_town = 1 / (1 + np.exp((v - 9.0) / 1.2))
        afr = weight_main * main + (1 - weight_main) * (weight_town * town + (1 - weight_town) * part)
        afr = np.where(v < 0.5, 12.6, afr)
        overrun = (share <= 0.0) & (v > 2.5)
        return np.where(overrun, 17.6, afr)

    return law


def sense(
    truth: Truth,
    law: MixtureLaw,
    rng: np.random.Generator,
    rate_hz: float = 20.0,
    delay_s: float = 0.4,
    lag_s: float = 0.2,
    noise_afr: float = 0.06,
    decimals: int | None = 2,
    jitter: float = 0.05,
) -> tuple[Floats, Floats]:
    """Times and AFR readings: the law's mixture after a transport delay, a first-order lag, and noise."""
    dt = float(truth.t_s[1] - truth.t_s[0])
    port = law(truth.v_mps, truth.throttle)
    if lag_s > 0:
        from scipy.signal import lfilter

        keep = math.exp(-dt / lag_s)
        port = lfilter([1 - keep], [1.0, -keep], port, zi=[keep * port[0]])[0]
    t = np.arange(truth.t_s[0] + rng.uniform(0, 1 / rate_hz), truth.t_s[-1], 1 / rate_hz)
    t = np.sort(t + rng.normal(0, jitter / rate_hz, len(t)))
    afr = np.interp(t - delay_s, truth.t_s, port) + rng.normal(0, noise_afr, len(t))
    return t, afr if decimals is None else np.round(afr, decimals)


# --- sentences, host times, captures ------------------------------------------------------------------------------


def sentence(body: str) -> str:
    """`$body*hh`: the NMEA 0183 checksum is the XOR of the characters between $ and *."""
    check = 0
    for character in body.encode("ascii"):
        check ^= character
    return f"${body}*{check:02X}"


def sentences(
    fix: ReceivedFixes, i: int, utc: datetime, knots_decimals: int = 3, kinds: str = "RMC GGA VTG GSA"
) -> list[str]:
    """The burst that a receiver sends for fix `i`, true at `utc`."""
    clock = utc.strftime("%H%M%S.") + f"{utc.microsecond // 10000:02d}"
    lat, ns = _degrees_minutes(float(fix.lat_deg[i]), 2), "N" if fix.lat_deg[i] >= 0 else "S"
    lon, ew = _degrees_minutes(float(fix.lon_deg[i]), 3), "E" if fix.lon_deg[i] >= 0 else "W"
    knots = f"{fix.speed_mps[i] * 3600 / 1852:.{knots_decimals}f}"
    kmh = f"{fix.speed_mps[i] * 3.6:.{knots_decimals}f}"
    moving = f"{fix.course_deg[i]:.2f}" if fix.speed_mps[i] > 0.3 else ""
    used = ",".join(f"{n:02d}" for n in range(2, 2 + min(int(fix.satellites[i]), 12)))
    used += "," * (11 - used.count(","))
    hdop, alt = float(fix.hdop[i]), f"{fix.alt_m[i]:.1f}"
    bodies = {
        "RMC": f"GNRMC,{clock},A,{lat},{ns},{lon},{ew},{knots},{moving},{utc:%d%m%y},,,A",
        "GGA": f"GNGGA,{clock},{lat},{ns},{lon},{ew},1,{fix.satellites[i]:02d},{hdop:.2f},{alt},M,46.2,M,,",
        "VTG": f"GNVTG,{moving},T,,M,{knots},N,{kmh},K,A",
        "GSA": f"GNGSA,A,3,{used},{hdop * 1.7:.2f},{hdop:.2f},{hdop * 1.4:.2f}",
        "GLL": f"GNGLL,{lat},{ns},{lon},{ew},{clock},A,A",
        "ZDA": f"GNZDA,{clock},{utc:%d,%m,%Y},00,00",
    }
    return [sentence(bodies[kind]) for kind in kinds.split()]


def _degrees_minutes(degrees: float, width: int) -> str:
    whole = int(abs(degrees))
    minutes = (abs(degrees) - whole) * 60
    if round(minutes, 5) >= 60:
        whole, minutes = whole + 1, 0.0
    return f"{whole:0{width}d}{minutes:08.5f}"


@dataclass(frozen=True)
class HostChunk:
    """Bytes as the host would read them."""

    mono_ns: int
    source: str
    data: bytes


def host_chunks(
    truth: Truth,
    fixes: ReceivedFixes,
    readings: tuple[Floats, Floats],
    rng: np.random.Generator,
    start_utc: datetime = datetime(2026, 5, 2, 9, 14, 30, tzinfo=UTC),
    boot_s: float = 1843.5,
    latency_s: float = 0.1,
    jitter_s: float = 0.004,
    drift_ppm: float = 12.0,
    knots_decimals: int = 3,
    kinds: str = "RMC GGA VTG GSA",
    baud: int = 38400,
    afr_format: str = "{:.2f}",
    tick_s: float = 1e-9,
    extra: Iterable[HostChunk] = (),
) -> list[HostChunk]:
    """All that arrives at the host, in order: GPS bursts and mixture lines, with arrival jitter and clock drift.

    `tick_s` is the step of the host's clock; a coarse one makes smaller captures.
    """

    def mono(t: float) -> int:
        return round((boot_s + t * (1 + drift_ppm * 1e-6)) / tick_s) * round(tick_s * 1e9)

    chunks = list(extra)
    for i in range(len(fixes.t_s)):
        t = float(fixes.t_s[i])
        arrival = t + latency_s + abs(rng.normal(0, jitter_s))
        for line in sentences(fixes, i, start_utc + timedelta(seconds=round(t, 2)), knots_decimals, kinds):
            data = (line + "\r\n").encode("ascii")
            chunks.append(HostChunk(mono(arrival), "gps", data))
            arrival += len(data) * 10 / baud
    for t, afr in zip(*readings, strict=True):
        arrival = float(t) + abs(rng.normal(0, jitter_s))
        chunks.append(HostChunk(mono(arrival), "mixture", (afr_format.format(afr) + "\r\n").encode("ascii")))
    chunks.sort(key=lambda chunk: chunk.mono_ns)
    return chunks


def capture_lines(chunks: Iterable[HostChunk], started: datetime) -> Iterator[str]:
    """The lines of a capture file."""
    yield json.dumps({"capture": 1, "started_utc": started.strftime("%Y-%m-%dT%H:%M:%SZ")})
    for chunk in chunks:
        text = chunk.data.removesuffix(b"\r\n").decode("ascii")
        fraction = f"{chunk.mono_ns % 10**9:09d}".rstrip("0") or "0"
        seconds = f"{chunk.mono_ns // 10**9}.{fraction}"
        yield f'{{"t": {seconds}, "source": "{chunk.source}", "text": {json.dumps(text)}}}'


def write_capture(
    path: Path, chunks: Iterable[HostChunk], started: datetime = datetime(2026, 5, 2, 9, 14, 30, tzinfo=UTC)
) -> None:
    """Write a capture file, gzip'd where the name ends in .gz; the same chunks give the same bytes."""
    text = "".join(line + "\n" for line in capture_lines(chunks, started)).encode("utf-8")
    if path.suffix == ".gz":
        packed = io.BytesIO()
        with gzip.GzipFile(fileobj=packed, mode="wb", compresslevel=9, mtime=0) as file:
            file.write(text)
        text = packed.getvalue()
    path.write_bytes(text)


def tuned(car: Car, **changes: float) -> Car:
    """`car` with some figures changed."""
    return dataclasses.replace(car, **changes)
