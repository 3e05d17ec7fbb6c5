"""A receiver whose every value tells which epoch it is of, and a decoder that is fed sentences."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence

from simulate import sentence

from logger.decode.framing import Frame
from logger.decode.nmea import Fix, FixDecoder

RMC = "GPRMC,{time},A,4807.03800,N,01131.00000,E,{knots},{course},{date},,,A"
GGA = "GPGGA,{time},4807.03800,N,01131.00000,E,1,08,0.9,545.4,M,46.9,M,,"


def decode(*bodies: str, gap_ns: int = 10**8, decoder: FixDecoder | None = None) -> list[Fix]:
    """The fixes of these sentences, `gap_ns` apart; a body without a checksum is given one."""
    decoder = decoder or FixDecoder()
    fixes = []
    for n, body in enumerate(bodies):
        data = (body if body.startswith(("$", "!")) else sentence(body)).encode("latin-1")
        fixes += decoder.feed(Frame(n * gap_ns, data))
    return fixes + decoder.flush()


class Receiver:
    """Epochs whose every value tells which epoch it is of, and their bursts as they reach the host."""

    def __init__(self, order: Sequence[str], period_s: float = 0.2, sparse: dict[str, int] | None = None) -> None:
        self.order, self.period_s, self.sparse = order, period_s, sparse or {}

    def burst(self, n: int) -> list[str]:
        time_s = 43200 + n * self.period_s
        time = f"{int(time_s // 3600):02d}{int(time_s // 60) % 60:02d}{time_s % 60:05.2f}"
        knots, place = f"{n:.2f}", f"4807.{n:05d},N,01131.{n:05d},E"
        bodies = {
            "RMC": f"GPRMC,{time},A,{place},{knots},,020526,,,A",
            "GGA": f"GPGGA,{time},{place},1,08,{n / 10:.1f},{n:.1f},M,46.9,M,,",
            "GNS": f"GNGNS,{time},{place},AA,08,{n / 10:.1f},{n:.1f},46.9,,",
            "GLL": f"GPGLL,{place},{time},A,A",
            "VTG": f"GPVTG,,T,,M,{knots},N,{n * 1.852:.2f},K,A",
            "GSA": f"GNGSA,A,3,01,02,03,,,,,,,,,,{n / 10:.1f},1.0,1.0",
            "GSA2": f"GNGSA,A,3,71,72,,,,,,,,,,,{n / 10:.1f},1.0,1.0",
            "ZDA": f"GPZDA,{time},02,05,2026,00,00",
            "GSV": "GPGSV,3,1,12,02,19,043,00,05,20,199,39,08,29,072,43,10,04,181,00",
            "PUBX": "PUBX,04,073731.00,091202,113851.00,1196,15D,1930035,-2660.664,43",
        }
        return [sentence(bodies[kind]) for kind in self.order if n % self.sparse.get(kind, 1) == 0]

    def arrivals(
        self, epochs: int, rng: random.Random, baud: int, latency_s: float = 0.0, jitter_s: float = 0.0, skip: int = 0
    ) -> list[tuple[int, int, bytes]]:
        """(arrival, epoch, sentence), the first `skip` left out.

        Each sentence leaves when the line is free; the host reads what has come every `latency_s`, and a stall of the
        host of up to `jitter_s` holds back now and then.
        """
        line_free = 0.0
        out: list[tuple[int, int, bytes]] = []
        held = 0.0
        for n in range(epochs):
            line_free = max(line_free, n * self.period_s + 0.05 + abs(rng.gauss(0, 0.001)))
            for text in self.burst(n):
                first_byte = line_free + 10 / baud
                line_free += (len(text) + 2) * 10 / baud
                if rng.random() < 0.02:
                    held = first_byte + rng.uniform(0, jitter_s)
                arrival = max(first_byte, held)
                if latency_s:
                    arrival = math.ceil(arrival / latency_s) * latency_s
                out.append((round(arrival * 1e9), n, text.encode()))
        return out[skip:]
