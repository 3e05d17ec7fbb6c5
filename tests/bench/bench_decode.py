"""Decoding an hour of sentences and readings, against a bare pynmea2.parse loop over the same sentences.

python tests/bench/bench_decode.py
"""

from __future__ import annotations

import hour
from ratio import compare

from logger.decode import framing, nmea, readings
from logger.decode.framing import Chunk
from logger.store import capture


def fixes(chunks: list[Chunk]) -> int:
    framer, decoder, count = framing.framer_for(hour.CONFIG.source[0]), nmea.FixDecoder(), 0
    for chunk in chunks:
        for frame in framer.feed(chunk):
            count += len(decoder.feed(frame))
    return count + len(decoder.flush())


def values(chunks: list[Chunk]) -> int:
    source = hour.CONFIG.source[1]
    framer = framing.framer_for(source)
    frames = [frame for chunk in chunks for frame in framer.feed(chunk)]
    return len(readings.decoder_for(source).decode_all(frames).mono_ns)  # type: ignore[arg-type]


if __name__ == "__main__":
    chunks = [Chunk(*row) for row in capture.rows(hour.raw())]
    gps = [chunk for chunk in chunks if chunk.source == "gps"]
    mixture = [chunk for chunk in chunks if chunk.source == "mixture"]
    print(f"an hour: {len(gps)} sentences, {len(mixture)} readings")
    compare("framing and folding into fixes", lambda: fixes(gps), hour.BASELINE, hour.bare_parse, 3)
    compare("framing and decoding readings", lambda: values(mixture), hour.BASELINE, hour.bare_parse, 3)
