"""Epochs: which sentences are of one fix, whatever the order in which a receiver sends them."""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence

import pytest
from made_epochs import Receiver, decode
from simulate import sentence

from logger.decode.framing import Frame
from logger.decode.nmea import Fix, FixDecoder
from logger.units import MPS_PER_KNOT

RMC = "GPRMC,{time},A,4807.03800,N,01131.00000,E,{knots},{course},{date},,,A"
GGA = "GPGGA,{time},4807.03800,N,01131.00000,E,1,08,0.9,545.4,M,46.9,M,,"


def fixes_of(arrivals: Iterable[tuple[int, int, bytes]], host_times: bool = True) -> list[Fix]:
    decoder = FixDecoder(host_times)
    fixes = [fix for mono_ns, _, data in arrivals for fix in decoder.feed(Frame(mono_ns if host_times else 0, data))]
    return fixes + decoder.flush()


def misplaced(
    fixes: Sequence[Fix], arrivals: Sequence[tuple[int, int, bytes]], period_s: float, timed: bool = True
) -> int:
    """Fixes that hold a value of another epoch, or the arrival of another sentence than their epoch's first."""
    first: dict[int, int] = {}
    for mono_ns, n, _ in arrivals:
        first.setdefault(n, mono_ns)
    wrong = 0
    for fix in fixes:
        assert fix.time_of_day_ns is not None
        n = round((fix.time_of_day_ns / 1e9 - 43200) / period_s)
        speed, pdop, alt = fix.speed_mps, fix.pdop, fix.alt_m
        right = (
            (speed is None or abs(speed - n * MPS_PER_KNOT) < 0.006)
            and (pdop is None or abs(pdop - n / 10) < 0.06)
            and (alt is None or alt == n)
            and (not timed or fix.mono_ns == first[n])
        )
        wrong += not right
    return wrong


ORDERS = [
    "RMC GGA GSA VTG", "GGA GSA GSV RMC VTG", "VTG RMC GGA", "GSA GSA2 VTG GGA", "VTG GGA", "GGA VTG",
    "ZDA GSA GGA VTG",
    "VTG GSA GGA GSV GSV GLL", "GNS VTG GSA GSA2 GSV GSV", "GSV GSV GSA RMC VTG", "PUBX GSA GLL VTG GGA ZDA",
    "GLL GSA VTG ZDA GGA RMC", "GSA RMC GSV VTG",
]  # fmt: skip


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize(
    ("baud", "period_s", "latency_s", "jitter_s"),
    [
        (4800, 1.0, 0.0, 0.0),  # the line is busy for most of the second
        (4800, 1.0, 0.016, 0.2),  # and behind a USB adapter that delivers every 16 ms, on a host that stalls
        (38400, 0.2, 0.001, 0.05),
        (115200, 0.1, 0.016, 0.05),  # a burst is mostly in one or two reads
        (10_000_000, 0.1, 0.001, 0.05),  # native USB: a burst comes at once
    ],
)
def test_each_value_is_of_its_epoch_whatever_the_order(
    order: str, baud: int, period_s: float, latency_s: float, jitter_s: float
) -> None:
    receiver = Receiver(order.split(), period_s)
    bits = 10 * sum(len(text) + 2 for text in receiver.burst(99))
    if bits / baud > 0.97 * period_s:
        pytest.skip("the burst does not fit between two epochs at this rate")
    for seed in range(3):
        arrivals = receiver.arrivals(100, random.Random(seed), baud, latency_s, jitter_s)
        fixes = fixes_of(arrivals)
        assert len(fixes) == 100
        # A host's stall within the first bursts may mislead, before the order is learnt.
        assert misplaced(fixes, arrivals, period_s) <= (2 if jitter_s else 0), order


@pytest.mark.parametrize("order", ORDERS)
def test_a_stream_that_begins_within_a_burst_falls_into_step(order: str) -> None:
    receiver = Receiver(order.split())
    for skip in range(1, len(order.split())):
        arrivals = receiver.arrivals(40, random.Random(skip), 38400, 0.001, skip=skip)
        fixes = fixes_of(arrivals)
        assert misplaced(fixes[1:], arrivals, 0.2) == 0, (order, skip)
        assert misplaced(fixes[:1], arrivals, 0.2, timed=False) == 0, (order, skip)
        assert len(fixes) in (39, 40)


def test_sentences_sent_now_and_then_are_of_their_epoch() -> None:
    for order, sparse in [
        ("RMC GGA GSA GSV GSV VTG", {"GSA": 5, "GSV": 5}),
        ("GSA GSV VTG RMC GGA", {"GSA": 5, "GSV": 5}),
        ("GSA GGA VTG", {"GSA": 5}),
        ("ZDA VTG GGA", {"ZDA": 5}),
    ]:
        receiver = Receiver(order.split(), 0.1, sparse)
        arrivals = receiver.arrivals(100, random.Random(4), 115200, 0.001)
        fixes = fixes_of(arrivals)
        assert (len(fixes), misplaced(fixes, arrivals, 0.1)) == (100, 0), order
        assert sum(fix.pdop is not None for fix in fixes) == (20 if "GSA" in sparse else 0)


def test_lost_sentences_shift_no_value() -> None:
    for order in ORDERS:
        receiver = Receiver(order.split())
        rng = random.Random(5)
        arrivals = receiver.arrivals(200, rng, 38400, 0.001)
        damaged = [
            (mono_ns, n, data[:10] + b"?" + data[11:] if n > 5 and rng.random() < 0.05 else data)
            for mono_ns, n, data in arrivals
        ]
        fixes = fixes_of(damaged)
        # Where all timed sentences of an epoch are lost its others cannot be told from a neighbour's.
        timed = [(n, b"?" in data) for _, n, data in damaged if data[3:6] in (b"RMC", b"GGA", b"GNS", b"GLL")]
        lonely = sum(all(lost for n, lost in timed if n == epoch) for epoch in range(200))
        assert len(fixes) >= 200 - lonely
        assert misplaced(fixes, arrivals, 0.2) <= 2 * lonely, order


@pytest.mark.parametrize("order", [order for order in ORDERS if not order.startswith("GSV")])
def test_a_log_without_host_times_is_parted_as_it_begins(order: str) -> None:
    receiver = Receiver(order.split())
    arrivals = receiver.arrivals(50, random.Random(1), 38400)
    fixes = fixes_of(arrivals, host_times=False)
    assert len(fixes) == 50
    assert misplaced(fixes, arrivals, 0.2, timed=False) == 0


def test_no_burst_goes_on_across_a_pulled_cable() -> None:
    receiver = Receiver(["GGA", "VTG"])
    arrivals = receiver.arrivals(100, random.Random(1), 38400, 0.001)
    out = [arrival for arrival in arrivals if not 20 <= arrival[1] < 80]
    del out[39]  # the VTG of epoch 19
    del out[39]  # the GGA of epoch 80
    assert misplaced(fixes_of(out), [*out, arrivals[160]], 0.2, timed=False) == 0


def test_any_talkers_are_one_epoch() -> None:
    (fix,) = decode(
        "GNGNS,014035.00,4332.69262,S,17235.48549,E,RR,13,0.9,25.63,11.24,,",
        "GPGNS,014035.00,,,,,,8,,,,1.0,23",
        "GLGNS,014035.00,,,,,,5,,,,1.0,23",
        "GNGSA,A,3,80,71,73,79,69,,,,,,,,1.83,1.09,1.47",
        "GNGSA,A,3,12,15,17,19,24,25,32,,,,,,1.83,1.09,1.47",
        "GPVTG,,T,,M,1.5,N,2.8,K,A",
    )
    assert (fix.satellites, fix.hdop, fix.pdop, fix.mode, fix.valid) == (13, 0.9, 1.83, 3, True)


def test_satellites_are_counted_where_only_gsa_lists_them() -> None:
    (fix,) = decode(
        RMC.format(time="120000", knots="1", course="1", date="020526"),
        "GNGSA,A,3,80,71,73,79,69,,,,,,,,1.83,1.09,1.47",
        "GNGSA,A,3,12,15,17,19,24,25,32,,,,,,1.83,1.09,1.47",
    )
    assert (fix.satellites, fix.hdop) == (12, 1.09)


def test_an_epoch_sent_twice_is_one_fix() -> None:
    bodies = [
        body
        for n in range(4)
        for body in 2 * [RMC.format(time=f"12000{n}", knots=n, course="1", date="020526"), GGA.format(time=f"12000{n}")]
    ]
    fixes = decode(*bodies)
    assert [fix.time_of_day_ns for fix in fixes] == [(43200 + n) * 10**9 for n in range(4)]
    assert [fix.mono_ns for fix in fixes] == [n * 4 * 10**8 for n in range(4)]


def test_a_sentence_that_comes_after_its_epoch_is_counted_and_makes_no_fix() -> None:
    decoder = FixDecoder()
    fixes = decode(
        GGA.format(time="120000"), GGA.format(time="120001"), "GPGLL,4807.038,N,01131.000,E,120000,A,A",
        RMC.format(time="120001", knots="2", course="1", date="020526"), GGA.format(time="120002"), decoder=decoder,
    )  # fmt: skip
    assert [fix.time_of_day_ns for fix in fixes] == [(43200 + n) * 10**9 for n in range(3)]
    assert decoder.rejected == {"late for its epoch": 1}


@pytest.mark.parametrize("order", ["RMC GGA VTG GSA", "VTG GSA GGA RMC", "GGA GSA VTG RMC"])
def test_before_a_receiver_has_the_time_each_burst_is_a_fix_that_is_not_valid(order: str) -> None:
    bodies = {
        "RMC": "GPRMC,,V,,,,,,,,,,N",
        "GGA": "GPGGA,,,,,,0,00,99.99,,,,,,",
        "VTG": "GPVTG,,,,,,,,,N",
        "GSA": "GPGSA,A,1,,,,,,,,,,,,,99.99,99.99,99.99",
    }
    frames = [
        Frame(n * 10**9 + k * 10**6, sentence(bodies[kind]).encode())
        for n in range(20)
        for k, kind in enumerate(order.split())
    ]
    decoder = FixDecoder()
    later = Receiver(order.split(), 1.0).arrivals(20, random.Random(1), 115200)
    frames += [Frame(20 * 10**9 + mono_ns, data) for mono_ns, _, data in later]
    fixes = [fix for frame in frames for fix in decoder.feed(frame)] + decoder.flush()
    assert [fix.mono_ns for fix in fixes[:20]] == [n * 10**9 for n in range(20)]
    assert not any(fix.valid or fix.utc_ns or fix.lat_deg for fix in fixes[:20])
    assert all(fix.valid and fix.utc_ns for fix in fixes[20:])
    assert len(fixes) == 40


def test_latest_shows_the_epoch_under_way() -> None:
    decoder = FixDecoder()
    assert decoder.latest() is None
    decoder.feed(Frame(0, sentence(GGA.format(time="120000")).encode()))
    latest = decoder.latest()
    assert latest is not None
    assert (latest.alt_m, latest.speed_mps) == (545.4, None)
    decoder.feed(Frame(0, sentence("GPVTG,,T,,M,1.5,N,,K,A").encode()))
    latest = decoder.latest()
    assert latest is not None
    assert latest.speed_mps == 1.5 * MPS_PER_KNOT
