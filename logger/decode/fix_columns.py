"""Fixes as columns, and those of many ordinary bursts at once: to the bit what `nmea` gives of one after another."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from logger.decode.burst_columns import Parted, part
from logger.decode.columnar import Flags, Lines, Places
from logger.decode.nmea import Dated, Fix, FixDecoder
from logger.decode.sentence_columns import GSV, TIMED, SentenceColumns, address_of, bursts_of, read_sentences
from logger.decode.sentences import Sentence
from logger.units import NS_PER_DAY

_WIDTHS: Final[dict[str, type]] = {
    "mono_ns": np.int64, "utc_ns": np.int64, "time_of_day_ns": np.int64, "lat_deg": np.float64, "lon_deg": np.float64,
    "alt_m": np.float64, "geoid_m": np.float64, "speed_mps": np.float64, "course_deg": np.float64, "valid": np.bool_,
    "fix_quality": np.int64, "mode": np.int64, "satellites": np.int64, "hdop": np.float64, "pdop": np.float64,
}  # fmt: skip
ENOUGH = 256
"""Fewer sentences are quicker one by one."""
_MOST_IGNORED = 50  # addresses: the decoder counts some more of them singly
_MOST_STOPS = 16  # in one call: a line with more than these is an odd one, and goes one by one


@dataclass(frozen=True)
class FixColumns:
    """Fixes, column by column; the fields of `nmea.Fix`."""

    values: dict[str, NDArray[Any]]
    null: dict[str, Flags]
    """Where no sentence said it."""

    def __len__(self) -> int:
        return len(self.values["mono_ns"])


def columns_of(fixes: Sequence[Fix]) -> FixColumns:
    """The same fixes as columns."""
    null = {name: np.array([getattr(fix, name) is None for fix in fixes], np.bool_) for name in _WIDTHS}
    values: dict[str, NDArray[Any]] = {
        name: np.array([0 if (value := getattr(fix, name)) is None else value for fix in fixes], width)
        for name, width in _WIDTHS.items()
    }
    return FixColumns(values, null)


def joined_fixes(parts: Sequence[FixColumns]) -> FixColumns:
    """FixColumns, part after part."""
    parts = parts or [columns_of([])]
    return FixColumns(
        {name: np.concatenate([part.values[name] for part in parts]) for name in _WIDTHS},
        {name: np.concatenate([part.null[name] for part in parts]) for name in _WIDTHS},
    )


def dated_columns(fixes: FixColumns) -> FixColumns:
    """What `nmea.dated` gives of the same fixes."""
    utc_ns, none = fixes.values["utc_ns"].copy(), fixes.null["utc_ns"].copy()
    times, mono_ns = fixes.values["time_of_day_ns"], fixes.values["mono_ns"]
    after = -1
    undated = np.flatnonzero(none & ~fixes.null["time_of_day_ns"])
    dated = np.flatnonzero(~none)
    for at in undated[::-1].tolist():
        behind = int(np.searchsorted(dated, at))
        after = int(dated[behind]) if behind < len(dated) and (after < 0 or dated[behind] < after) else after
        if after >= 0:
            near = int(utc_ns[after]) - (int(mono_ns[after]) - int(mono_ns[at]))
            utc_ns[at], none[at] = int(times[at]) + days_near(near - int(times[at])) * NS_PER_DAY, False
            after = at
    return FixColumns({**fixes.values, "utc_ns": utc_ns}, {**fixes.null, "utc_ns": none})


def days_near(ns: Any) -> Any:
    """Whole days in a time that may be up to half a day off."""
    return (ns + NS_PER_DAY // 2) // NS_PER_DAY


def fixes_of(decoder: FixDecoder, lines: Lines) -> list[FixColumns]:
    """The fixes that the sentences of `lines` complete; the decoder is then as if it had been fed with each."""
    count = len(lines.starts)
    found: list[FixColumns] = []
    fed, stops = 0, 0
    columns = read_sentences(lines) if count >= ENOUGH and len(decoder.ignored) < _MOST_IGNORED else None
    while fed < count and columns is not None and stops <= _MOST_STOPS:
        fixes, fed, first = _until_two_are_over(decoder, lines, fed)
        found.append(columns_of(fixes))
        stops += 1
        if first is not None and (parted := part(decoder.bursts, columns, lines.mono_ns, first, fed)) is not None:
            fixes_now, dated = _folded(decoder, columns, lines, parted)
            found.append(fixes_now)
            _go_on(decoder, columns, lines, parted, fed, dated)
            fed = parted.fed
    found.append(columns_of([fix for frame in lines.frames(fed, count) for fix in decoder.feed(frame)]))
    return found


def _until_two_are_over(decoder: FixDecoder, lines: Lines, fed: int) -> tuple[list[Fix], int, int | None]:
    """Feed one by one until two bursts have ended: their fixes, how many lines were fed, and with which of them the
    burst under way begins (None where the lines end before)."""
    fixes: list[Fix] = []
    over, step, count = 0, 64, len(lines.starts)
    while fed < count:
        for frame in lines.frames(fed, min(fed + step, count)):
            burst = decoder.bursts.burst
            fixes += decoder.feed(frame)
            fed += 1
            if decoder.bursts.burst is not burst:
                over += 1
                if over == 2:
                    return fixes, fed, _begin_of(decoder.bursts.burst, lines, fed)
    return fixes, fed, None


def _begin_of(burst: list[Sentence], lines: Lines, fed: int) -> int | None:
    """With which of the lines fed `burst` begins; None where it is not of the last of them, one after the other."""
    first = fed - len(burst)
    if first < 0:
        return None
    lengths = (lines.ends[first:fed] - lines.starts[first:fed]).tolist()
    held = [(sentence.mono_ns, sentence.length) for sentence in burst]
    return first if held == list(zip(lines.mono_ns[first:fed].tolist(), lengths, strict=True)) else None


def _go_on(decoder: FixDecoder, columns: SentenceColumns, lines: Lines, parted: Parted, fed: int, dated: Dated) -> None:
    """Bring the decoder to where it would be, had it been fed up to `parted.fed` one by one."""
    begin = int(parted.begins[-1])  # behind `fed`: the burst that was under way ended after it
    passed = slice(fed, begin)
    ignored = Counter(map(address_of, columns.address[passed][columns.sort[passed] == GSV].tolist()))
    frames = lines.frames(begin, parted.fed)
    decoder.resume(begin - fed, ignored, frames, int(parted.time_ns[-2]), parted.learnt, dated)


# --- what the sentences of a burst say together --------------------------------------------------------------------


class _Fold:
    """Of each burst that is over, what its sentences say."""

    def __init__(self, columns: SentenceColumns, begins: Places) -> None:
        self._columns, self._begins, self.count = columns, begins, len(begins) - 1

    def _of(self, name: str) -> tuple[Places, Places, NDArray[Any]]:
        """Which sentences say it, in which bursts, and what."""
        said = self._columns.said.get(name)
        if said is None:
            return np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0)
        inside, burst = bursts_of(said.which, self._begins)
        return said.which[inside], burst, said.values[inside]

    def put(self, burst: Places, values: NDArray[Any]) -> tuple[NDArray[Any], Flags]:
        """The last value of each burst, and where there is none."""
        found, null = np.zeros(self.count, values.dtype), np.ones(self.count, np.bool_)
        found[burst], null[burst] = values, False
        return found, null

    def first(self, name: str, otherwise: str | None = None) -> tuple[NDArray[Any], Flags]:
        """The first word on it; where there is none, the first on another thing."""
        which, burst, values = self._of(name)
        order = np.argsort(-which, kind="stable")
        found, null = self.put(burst[order], values[order])
        if otherwise is not None and null.any():
            others, none = self.first(otherwise)
            found, null = np.where(null, others, found), null & none
        return found, null

    def most(self, name: str) -> tuple[NDArray[Any], Flags]:
        _, burst, values = self._of(name)
        order = np.argsort(values, kind="stable")
        return self.put(burst[order], values[order])

    def all(self, name: str) -> tuple[NDArray[Any], Flags]:
        """Whether all of them say so."""
        _, burst, values = self._of(name)
        order = np.argsort(~values.astype(np.bool_), kind="stable")  # those that deny it last
        return self.put(burst[order], values[order].astype(np.bool_))

    def position(self) -> tuple[NDArray[Any], NDArray[Any], Flags]:
        """Latitude and longitude by the sentence with the most decimals, the first of equals."""
        which, burst, places = self._of("position_places")
        order = np.lexsort((-which, places))
        lat, null = self.put(burst[order], self._of("position_lat")[2][order])
        return lat, self.put(burst[order], self._of("position_lon")[2][order])[0], null

    def speed(self) -> tuple[NDArray[Any], Flags]:
        """As `nmea` chooses between RMC's and VTG's."""
        (rmc, no_rmc), (vtg, no_vtg) = self.first("rmc_speed"), self.first("vtg_speed")
        rmc_step, vtg_step = self.first("rmc_step")[0], self.first("vtg_step")[0]
        agree = np.abs(rmc - vtg) <= 1.001 * (rmc_step + vtg_step)
        use_vtg = no_rmc | (~no_vtg & agree & (vtg_step < rmc_step))
        return np.where(use_vtg, vtg, rmc), no_rmc & no_vtg


def _folded(decoder: FixDecoder, columns: SentenceColumns, lines: Lines, parted: Parted) -> tuple[FixColumns, Dated]:
    """The fixes of the bursts that are over, and the last epoch with a date."""
    fold = _Fold(columns, parted.begins)
    begins, times = parted.begins[:-1], parted.time_ns[:-1]
    mono_ns = lines.mono_ns[begins]
    if not decoder.bursts.host_times:
        timed = np.flatnonzero(np.isin(columns.sort, TIMED))
        mono_ns = lines.mono_ns[timed[np.searchsorted(timed, begins)]]
    utc_ns, undated = _utc(times, mono_ns, *fold.first("instant"), decoder.dated)
    lat, lon, nowhere = fold.position()
    mode, no_mode = fold.most("mode")
    valid, unsaid = fold.all("valid")
    vtg_valid, vtg_unsaid = fold.all("vtg_valid")
    by_mode = ~no_mode & ((mode == 2) | (mode == 3))
    valid = np.where(~unsaid, valid, np.where(~vtg_unsaid, vtg_valid, by_mode)).astype(np.bool_)
    none = np.zeros(len(begins), np.bool_)
    found = {
        "mono_ns": (mono_ns, none), "utc_ns": (utc_ns, undated), "time_of_day_ns": (times, none),
        "lat_deg": (lat, nowhere), "lon_deg": (lon, nowhere), "alt_m": fold.first("alt_m"),
        "geoid_m": fold.first("geoid_m"), "speed_mps": fold.speed(),
        "course_deg": fold.first("course_deg", "vtg_course_deg"), "valid": (valid, none),
        "fix_quality": fold.first("fix_quality"), "mode": (mode, no_mode), "satellites": fold.most("satellites"),
        "hdop": fold.first("hdop", "gsa_hdop"), "pdop": fold.first("pdop"),
    }  # fmt: skip
    values: dict[str, NDArray[Any]] = {
        name: np.where(null, 0, each).astype(_WIDTHS[name]) for name, (each, null) in found.items()
    }
    dated = decoder.dated if undated[-1] else (int(utc_ns[-1]), int(mono_ns[-1]))
    return FixColumns(values, {name: null for name, (_, null) in found.items()}), dated


def _utc(
    times: Places, mono_ns: Places, instants: NDArray[Any], no_instant: Flags, dated: Dated
) -> tuple[Places, Flags]:
    """The instant of each burst by its own date, else by that of the one before and the host clock; where none."""
    before_utc, before_mono = dated or (0, 0)
    before = np.concatenate([[before_utc % NS_PER_DAY], times[:-1]])
    since = np.diff(np.concatenate([[before_mono], mono_ns]))
    steps = np.cumsum(days_near(before + since - times))  # days counted on from the date before
    stated = days_near(instants.astype(np.int64) - times)
    own = np.where(no_instant, -1, np.arange(len(times)))
    last = np.maximum.accumulate(own)
    days = np.where(last < 0, before_utc // NS_PER_DAY + steps, stated[last] + steps - steps[last])
    return times + days * NS_PER_DAY, (last < 0) & (dated is None)
