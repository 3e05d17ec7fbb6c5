"""NMEA sentences to the bursts of a receiver's epochs: which belong together.

A change of UTC time in RMC, GGA, GNS or GLL begins a new one. VTG and GSA carry no time, so
between the last sentence of one time and the first of the next one the decoder has to find where the burst of the new
epoch begins: where the line usually rests longest, the time that the sentence before takes on the line taken off.
"Usually" is the median over the last few bursts for each pair of neighbouring sentences, so that one late read misleads
nobody.
Where arrival times say nothing (a log without them, `host_times=False`) the burst begins with the sentence that the
stream began with if that comes between, else with the next one that the stream had before its first time (the first may
have been a greeting), else with the sentence that brings the new time. Sentences that have no time
because the receiver has none yet are parted where their kind comes again.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from logger.decode.sentences import Sentence

_USUAL_OF = 9  # the usual gap between two sentences is the median of so many
CLEARLY_NS = 2_000_000  # so much longer than another must a rest of the line be to be told from it
BREAK_NS = 5_000_000_000  # no burst and no stall of a host lasts so long: the cable was out
LONGEST_BURST = 256  # sentences
_MOST_PAIRS = 1024
_ONCE = {"RMC", "GGA", "GNS", "GLL", "ZDA"}
"""Sent once an epoch: where the receiver has no time yet, one that comes again is of a new epoch."""


class Bursts:
    """Parts the stream of sentences into the bursts of its epochs."""

    def __init__(self, host_times: bool) -> None:
        self.burst: list[Sentence] = []
        self.time_ns: int | None = None
        """Time of day of the burst under way; None where no sentence has said it."""
        self.closed_time_ns: int | None = None
        """Time of day of the burst before."""
        self._settled = 0  # sentences of the burst that are surely of its epoch: up to the last with its time
        self._places: dict[str, int] = {}  # address -> where in the burst the sentence stands
        self._host_times = host_times
        self._gaps: dict[tuple[str, str], UsualGap] = {}  # by the addresses of neighbouring sentences
        self._last: Sentence | None = None
        self._began_with: list[str] = []
        self._begun = False  # the stream has told a time
        self._within = True  # the burst may have been under way when the stream began or went on

    def feed(self, sentence: Sentence) -> list[list[Sentence]]:
        """The bursts that `sentence` closes."""
        if not self._begun:
            self._begin_stream(sentence)
        if self._last is not None and self._host_times:
            if sentence.mono_ns - self._last.mono_ns > BREAK_NS:
                closed = self.flush()
                self._last, self._within = sentence, True
                self._add(sentence)
                return closed
            self._learn(self._last, sentence)
        self._last = sentence
        first = self._parted_from(sentence)
        closed = [] if first is None else [self._close(first, sentence)]
        self._add(sentence)
        return closed

    def _begin_stream(self, sentence: Sentence) -> None:
        """Note the kinds of sentences up to the first time: with one of them each burst begins."""
        if sentence.address == "?":
            return
        # No receiver is known to begin with the satellites in view: such a stream began within a burst.
        self._begun = sentence.time_ns is not None or len(self._began_with) >= LONGEST_BURST
        if not self._began_with and sentence.address.endswith("GSV"):
            self._begun = True
        else:
            self._began_with.append(kind_of(sentence.address))

    def flush(self) -> list[list[Sentence]]:
        burst = self.burst
        self._begin([])
        return [burst] if burst else []

    @property
    def steady(self) -> bool:
        """Whether the stream goes on as streams do: its times are told, and the burst under way began with itself."""
        return self._begun and not self._within and self.time_ns is not None

    @property
    def began_with(self) -> tuple[str, ...]:
        """The kinds of sentences that the stream began with."""
        return tuple(self._began_with)

    @property
    def host_times(self) -> bool:
        """Whether the sentences' times are those of their arrival."""
        return self._host_times

    def gap(self, before: str, after: str) -> UsualGap:
        """The usual gap between two neighbouring sentences; a new one where they never were neighbours."""
        return self._gaps.get((before, after)) or UsualGap()

    @property
    def room_for_pairs(self) -> bool:
        """Whether many more pairs may be learnt before the memory for them is full."""
        return len(self._gaps) < _MOST_PAIRS // 2

    def resume(
        self, burst: list[Sentence], closed_time_ns: int | None, learnt: Mapping[tuple[str, str], UsualGap]
    ) -> None:
        """Go on with `burst` under way, after a burst of `closed_time_ns`, and with gaps `learnt` meanwhile."""
        self.time_ns = closed_time_ns
        self._begin(burst)
        self._last = burst[-1]
        self._gaps.update(learnt)

    def _parted_from(self, sentence: Sentence) -> int | None:
        """Where `sentence` is of a new epoch: from which place in the burst on that one may have begun; else None."""
        sort, time_ns = sentence.sort, sentence.time_ns
        if time_ns is not None and self.time_ns is not None and sort != "ZDA":
            return None if time_ns == self.time_ns else self._settled
        if sort in _ONCE or (sort == "VTG" and self.time_ns is None and not any(s.sort in _ONCE for s in self.burst)):
            before = self._places.get(sentence.address)
            if before is not None and (time_ns is None or self.time_ns is None):
                return max(before + 1, self._settled)
        return len(self.burst) if len(self.burst) >= LONGEST_BURST else None

    def _add(self, sentence: Sentence) -> None:
        self.burst.append(sentence)
        if sentence.sort:
            self._places[sentence.address] = len(self.burst) - 1
            if sentence.time_ns is not None:
                if sentence.sort != "ZDA":
                    self.time_ns = sentence.time_ns
                if sentence.time_ns == self.time_ns:
                    self._settled = len(self.burst)

    def _begin(self, sentences: list[Sentence]) -> None:
        if self.time_ns is not None:
            self.closed_time_ns = self.time_ns
        self.burst, self.time_ns, self._settled, self._places = [], None, 0, {}
        for sentence in sentences:
            self._add(sentence)

    def _close(self, first: int, following: Sentence) -> list[Sentence]:
        """The burst, parted at `first` or later from what belongs to the epoch of `following`, which stays."""
        sentences = [*self.burst, following]
        last = len(self.burst)
        if following.time_ns is not None:  # a ZDA may be the first with the new time
            last = next((at for at in range(first, last) if sentences[at].time_ns == following.time_ns), last)
        at = self._rest(sentences, first, last) if last > first else last
        closed = self.burst[:at]
        if self._within and at > 0:
            self._within = False
            closed = closed[_under_way(closed, sentences[at].address) :]
        self._begin(self.burst[at:])
        return closed

    def _rest(self, sentences: list[Sentence], first: int, last: int) -> int:
        """Where from `first` to `last` the line usually rests before the sentence there."""
        if self._gaps:
            usual = [self._usual_gap(a.address, b.address) for a, b in itertools.pairwise(sentences)]
            # What the line needs for a byte shows where sentences follow each other without a rest.
            per_byte = min(gap / (s.length + 2) for gap, s in zip(usual, sentences, strict=False))
            sending = [per_byte * (s.length + 2) for s in sentences]
            rests = {at: usual[at - 1] - sending[at - 1] if at else 0.0 for at in range(first, last + 1)}
            longest = max(rests, key=lambda at: (rests[at], at))
            clearly = CLEARLY_NS + max(sending) / 4
            if rests[longest] > rests[last] + clearly:
                return longest
            if rests[last] > min(rests.values()) + clearly:
                return last
        here = {kind_of(sentences[at].address): at for at in range(last - 1, first - 1, -1)}
        return next((here[kind] for kind in self._began_with if kind in here), last)

    def _learn(self, before: Sentence, sentence: Sentence) -> None:
        pair = before.address, sentence.address
        gap = self._gaps.get(pair)
        if gap is None:
            if len(self._gaps) >= _MOST_PAIRS:
                self._gaps.clear()
            gap = self._gaps[pair] = UsualGap()
        gap.learn(sentence.mono_ns - before.mono_ns)

    def _usual_gap(self, before: str, after: str) -> int:
        gap = self._gaps.get((before, after))
        return 0 if gap is None else gap.usual_ns


def kind_of(address: str) -> str:
    """The address without its talker, which changes with the satellites that are in use (GPGSA, GNGSA)."""
    return address if address.startswith("P") else address[2:]


class UsualGap:
    """The usual gap between the first bytes of two neighbouring sentences: a median, taken anew every few gaps."""

    __slots__ = ("_gathered", "_settled", "usual_ns")

    def __init__(self) -> None:
        self.usual_ns = 0
        self._gathered: list[int] = []
        self._settled = False

    def after(self, gaps: NDArray[np.int64]) -> tuple[NDArray[np.int64], UsualGap]:
        """The usual gap now and after each of `gaps`, and what then is learnt; this one stays as it is."""
        held = np.concatenate([np.array(self._gathered, np.int64), gaps])
        whole = len(held) // _USUAL_OF
        usual = np.sort(held[: whole * _USUAL_OF].reshape(whole, _USUAL_OF), axis=1)[:, _USUAL_OF // 2]
        known = len(self._gathered) + np.arange(len(gaps) + 1)
        found = np.concatenate([[self.usual_ns], usual])[known // _USUAL_OF]
        if not self._settled:
            for at in range(1, min(_USUAL_OF - len(self._gathered), len(gaps) + 1)):
                some = sorted(held[: len(self._gathered) + at].tolist())
                found[at] = some[len(some) // 2]
        then = UsualGap()
        then._gathered, then._settled = held[whole * _USUAL_OF :].tolist(), self._settled or whole > 0
        then.usual_ns = int(found[-1])
        return found, then

    def learn(self, gap_ns: int) -> None:
        gathered = self._gathered
        gathered.append(gap_ns)
        full = len(gathered) == _USUAL_OF
        if full or not self._settled:
            self.usual_ns = sorted(gathered)[len(gathered) // 2]
        if full:
            gathered.clear()
            self._settled = True


def _under_way(burst: list[Sentence], next_address: str) -> int:
    """How many sentences at the beginning of a burst that may have been under way are of an epoch before it.

    Where the pair of sentences between which bursts part, here the burst's last and the next one's first, stands within
    what came before any time, the burst parts there too.
    """
    for at in range(1, len(burst)):
        if burst[at - 1].time_ns is not None:
            break
        if (burst[at - 1].address, burst[at].address) == (burst[-1].address, next_address):
            return at
    return 0
