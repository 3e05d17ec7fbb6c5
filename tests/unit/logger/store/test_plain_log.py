"""Plain NMEA logs made by hand: each row is what the log says of that epoch, and its time is the log's own."""

from __future__ import annotations

import gzip
import random
import resource
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pyarrow as pa
import pytest
from rig import nmea

from logger.config.reading import parse
from logger.config.recorder import RecorderConfig
from logger.errors import CaptureError, DriveError
from logger.store import capture, drive, tables
from logger.units import MPS_PER_KNOT

CONFIG_TEXT = '[[source]]\nname = "gps"\nkind = "nmea"\nlatency_s = 0.0\n'
CONFIG = parse(CONFIG_TEXT, RecorderConfig, "plain")


def at(second: float) -> str:
    return f"09{int(second // 60):02d}{second % 60:05.2f}"


def rmc(second: float, knots: float = 10.0, course: float = 84.4, status: str = "A", day: str = "020526") -> bytes:
    return nmea(f"GPRMC,{at(second)},{status},5324.0721,N,00023.9219,W,{knots:.3f},{course:.1f},{day},,,A")


def gga(second: float, quality: int = 1, hdop: str = "") -> bytes:
    return nmea(f"GPGGA,{at(second)},5324.0721,N,00023.9219,W,{quality},12,{hdop},20.4,M,46.2,M,,")


def vtg(knots: float, course: float = 84.4, mode: str = "A") -> bytes:
    return nmea(f"GPVTG,{course:.1f},T,,M,{knots:.3f},N,{knots * 1.852:.3f},K,{mode}")


def gsa(hdop: float, talker: str = "GP", mode: int = 3) -> bytes:
    return nmea(f"{talker}GSA,A,{mode},05,07,13,14,,,,,,,,,1.31,{hdop:.2f},1.11")


def zda(second: float) -> bytes:
    return nmea(f"GPZDA,{at(second)},02,05,2026,00,00")


def built(tmp_path: Path, lines: Iterable[bytes]) -> tuple[list[dict[str, Any]], list[str]]:
    """The rows of the log's table, times in seconds of 2026-05-02 09:00 UTC, and what was noticed."""
    path = tmp_path / "log.nmea"
    path.write_bytes(b"".join(lines))
    made = drive.write(tmp_path / "store", capture.read(path).raw, CONFIG, CONFIG_TEXT, origin=path.name)
    rows = made.table("gps").to_pylist()
    times = made.table("gps")["time"].cast(pa.int64()).to_pylist()
    midnight = 1_777_712_400 * 10**9
    return [{**row, "t": (ns - midnight) / 1e9} for row, ns in zip(rows, times, strict=True)], made.manifest.remarks


@pytest.mark.parametrize("zda_first", [True, False])
@pytest.mark.parametrize("untimed", [True, False])
def test_the_epochs_own_time_counts_not_that_of_the_next_second(tmp_path: Path, zda_first: bool, untimed: bool) -> None:
    """A receiver may tell by ZDA the second that its next pulse begins."""
    lines = []
    for n in range(6):
        pair = [zda(n + 1), gga(n) if untimed else rmc(n)]
        lines += pair if zda_first else pair[::-1]
    rows, remarks = built(tmp_path, lines)
    assert [row["t"] for row in rows][:6] == [0, 1, 2, 3, 4, 5]
    assert not remarks


def test_only_the_first_zda_ahead(tmp_path: Path) -> None:
    rows, _ = built(tmp_path, [gga(0), zda(1), *(line for n in range(1, 9) for line in (gga(n), zda(n)))])
    assert [row["t"] for row in rows] == list(range(9))


@pytest.mark.parametrize("back_s", [5, 13, 18])
def test_where_the_times_go_back_they_are_kept_and_told(tmp_path: Path, back_s: int) -> None:
    told = [*range(30, 60), *range(60 - back_s, 90)]
    rows, remarks = built(tmp_path, (rmc(n, n) for n in told))
    assert [row["t"] for row in rows] == told
    assert [row["speed_mps"] for row in rows] == pytest.approx([n * MPS_PER_KNOT for n in told], abs=1e-3)
    assert any(f"go back by {back_s - 1} s" in remark for remark in remarks)


def test_a_wrong_date_among_right_ones_is_mended_and_told(tmp_path: Path) -> None:
    rows, remarks = built(tmp_path, (rmc(n, n, day="060180" if 10 <= n < 14 else "020526") for n in range(30)))
    assert [row["t"] for row in rows] == list(range(30))
    assert any("wrong by" in remark or "another day; corrected" in remark for remark in remarks)


def test_lines_that_begin_with_two_dollars_are_of_their_epoch(tmp_path: Path) -> None:
    rows, _ = built(tmp_path, (b"$" + line for n in range(8) for line in (gga(n), vtg(n, 10 * n))))
    assert [row["t"] for row in rows] == [None] * 8 or len(rows) == 8
    assert [row["speed_mps"] for row in rows] == pytest.approx([n * MPS_PER_KNOT for n in range(8)], abs=1e-3)
    assert [row["course_deg"] for row in rows] == [10 * n for n in range(8)]


def test_course_and_speed_are_rmcs_where_a_vtg_comes_late(tmp_path: Path) -> None:
    """VTG of the epoch before stands between the sentences of this one."""
    lines = [line for n in range(1, 9) for line in (rmc(n, n, 10 * n), vtg(n - 1, 10 * (n - 1)), gga(n))]
    rows, _ = built(tmp_path, lines)
    assert [row["speed_mps"] for row in rows] == pytest.approx([n * MPS_PER_KNOT for n in range(1, 9)], abs=1e-3)
    assert [row["course_deg"] for row in rows] == [10 * n for n in range(1, 9)]


@pytest.mark.parametrize("banner", [b"", b"\r\n", b"$\r\n", nmea("GPTXT,01,01,02,hello"), nmea("PXYZ,1,2")])
def test_gsa_before_the_rest_is_of_the_epoch_that_it_begins(tmp_path: Path, banner: bytes) -> None:
    """With a talker that changes as satellites of other systems come and go, and after a greeting."""
    epochs = [(gsa(0.5 + n / 10, "GN" if n % 4 == 3 else "GP"), rmc(n, n), gga(n)) for n in range(12)]
    rows, _ = built(tmp_path, [banner, *(line for epoch in epochs for line in epoch)])
    assert [row["hdop"] for row in rows] == pytest.approx([0.5 + n / 10 for n in range(12)])
    assert [row["mode"] for row in rows] == [3] * 12


def test_a_first_fix_is_valid_whatever_came_of_the_epoch_before(tmp_path: Path) -> None:
    rest = [line for n in range(1, 6) for line in (rmc(n), gga(n), gsa(0.9), vtg(10.0))]
    rows, _ = built(tmp_path, [gsa(99.99, mode=1), vtg(0.0, mode="N"), rmc(0), gga(0), gsa(0.9), vtg(10.0), *rest])
    assert [row["valid"] for row in rows] == [True] * 6


def test_a_denial_by_a_sentence_with_a_time_still_counts(tmp_path: Path) -> None:
    rows, _ = built(tmp_path, [line for n in range(4) for line in (rmc(n, status="V" if n == 2 else "A"), vtg(10.0))])
    assert [row["valid"] for row in rows] == [True, True, False, True]


# --- what no log should cost --------------------------------------------------------------------------------------


def random_log(seed: int) -> bytes:
    rng = random.Random(seed)
    lines = []
    for _ in range(rng.choice([2, 5, 10, 10, 30, 200])):
        clock = f"{rng.randrange(24):02d}{rng.randrange(60):02d}{rng.randrange(60):02d}.{rng.randrange(100):02d}"
        day, month, year = rng.randrange(1, 29), rng.randrange(1, 13), rng.randrange(100)
        lines.append(
            rng.choice(
                [
                    nmea(
                        f"GPRMC,{clock},{rng.choice('AV')},5324.0721,N,00023.9219,W,1,84,{day:02d}{month:02d}{year:02d},,,A"
                    ),
                    nmea(f"GPGGA,{clock},5324.0721,N,00023.9219,W,1,12,0.7,20.4,M,46.2,M,,"),
                    nmea(f"GPZDA,{clock},{day:02d},{month:02d},{rng.choice([1980, 2026, 2179])},00,00"),
                ]
            )
        )
    return b"".join(lines)


def spans(tmp_path: Path, seeds: range) -> None:
    for seed in seeds:
        path = tmp_path / f"{seed}.nmea"
        path.write_bytes(random_log(seed))
        try:
            raw = capture.read(path).raw
            made = drive.write(tmp_path / "store", raw, CONFIG, CONFIG_TEXT)
        except (CaptureError, DriveError) as error:
            assert len(str(error).splitlines()) == 1
            continue
        assert made.manifest.duration_s < (drive.making.LONGEST_DAYS + 9) * 86400
        times = made.table("gps")["time"].cast(pa.int64()).to_numpy()
        assert len(times) == 0 or (times.max() - times.min()) / 1e9 < (drive.making.LONGEST_DAYS + 9) * 86400


def test_random_times_make_no_drive_of_years(tmp_path: Path) -> None:
    spans(tmp_path, range(60))


@pytest.mark.long
def test_random_times_make_no_drive_of_years_over_many_seeds(tmp_path: Path) -> None:
    spans(tmp_path, range(1000, 3000))


def test_a_capture_of_centuries_is_refused_in_a_line(tmp_path: Path) -> None:
    path = tmp_path / "x.jsonl"
    path.write_text('{"capture": 1}\n' + "".join(
        f'{{"t": {t}, "source": "gps", "text": "$"}}\n' for t in ("0", "4.9e9")
    ))  # fmt: skip
    with pytest.raises(DriveError, match=r"x.jsonl: its times span 56,713 days"):
        drive.write(tmp_path / "store", capture.read(path).raw, CONFIG, CONFIG_TEXT, origin=path.name)


@pytest.mark.parametrize(
    ("start", "filling", "said"),
    [
        (b"", b"\n", "the file is empty"),
        (b'{"capture": 1}\n', b"\n", "this recording is empty"),
        (b"", b"x", "not a recording and not an NMEA log"),
        (b'{"capture": 1}\n{"t": 1, "source": "gps", "text": "', b"x", "line 2"),
        (b"", b"$", "not a recording and not an NMEA log"),
    ],
)
def test_a_small_file_that_unpacks_to_much_is_read_in_little_memory(
    tmp_path: Path, start: bytes, filling: bytes, said: str
) -> None:
    path = tmp_path / "x.gz"
    with gzip.open(path, "wb", compresslevel=1) as file:
        file.write(start)
        for _ in range(80):
            file.write(filling * 10**6)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    with pytest.raises(CaptureError, match=said) as raised:
        capture.read(path)
    assert len(str(raised.value)) < 300
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before < 130_000  # kB


def test_blank_lines_after_a_sentence_take_no_row_each(tmp_path: Path) -> None:
    path = tmp_path / "x.nmea"
    path.write_bytes(rmc(0) + b"\r\n" * 100_000 + rmc(1) + b"\n" * 3_000_000)
    raw = capture.read(path).raw
    assert raw.num_rows < 10
    assert b"".join(raw["data"].to_pylist()) == path.read_bytes()
    assert tables.build(tables.raw_table(raw), CONFIG).tables["gps"].num_rows == 2
