"""Many sentences parted into the bursts of a receiver's epochs at once, as `bursts` parts them one by one.

`part` goes as far as the stream is ordinary: no odd sentence, no rest of seconds, no time that came before. Where a
burst ends among sentences without a time is first guessed, by what the burst under way began with; the rule of `bursts`
is then worked out for all of them on that guess, and what it says is taken up to the first that it says otherwise of.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from logger.decode.bursts import BREAK_NS, CLEARLY_NS, LONGEST_BURST, Bursts, UsualGap, kind_of
from logger.decode.columnar import Places, first_of
from logger.decode.sentence_columns import GSA, TIMED, SentenceColumns, address_of, bursts_of


class Parted(NamedTuple):
    """Bursts that are over, and the one under way behind them."""

    begins: Places
    """Where each burst begins, the one under way last."""
    time_ns: Places
    """The time of day of each [ns]."""
    fed: int
    """One past the last sentence of the burst under way that was taken: the first with its time."""
    learnt: dict[tuple[str, str], UsualGap]
    """Gaps as they are known by then."""


def part(bursts: Bursts, columns: SentenceColumns, mono_ns: Places, first: int, fed: int) -> Parted | None:
    """Part the sentences from `first`, with which the burst under way begins; those before `fed` have been fed.

    None where not one burst more ends in an ordinary way.
    """
    stop = _ordinary_until(bursts, columns, mono_ns, first)
    if stop <= fed or not bursts.steady or not bursts.room_for_pairs:
        return None
    timed = first + np.flatnonzero(np.isin(columns.sort[first:stop], TIMED))
    time_ns = columns.time_ns[timed]
    changes = 1 + np.flatnonzero(time_ns[1:] != time_ns[:-1])
    news, olds = timed[changes], timed[changes - 1]
    times = np.concatenate([time_ns[:1], time_ns[changes]])
    if not len(news) or times[0] != bursts.time_ns or news[0] < fed:
        return None
    before = np.concatenate([[-1 if bursts.closed_time_ns is None else bursts.closed_time_ns], times[:-2]])
    late = np.flatnonzero(times[1:] == before)
    count = int(late[0]) if len(late) else len(news)
    news, olds = news[:count], olds[:count]
    rests = _Rests(bursts, columns, mono_ns, first, fed, news, olds)
    agreed = rests.as_guessed()
    begins = np.concatenate([[first], rests.ends[:agreed]])
    agreed = _until_only_listed(columns, begins)
    if agreed == 0:
        return None
    begins = begins[: agreed + 1]
    last = int(news[agreed - 1])
    return Parted(begins, times[: agreed + 1], last + 1, rests.learnt(last))


def _until_only_listed(columns: SentenceColumns, begins: Places) -> int:
    """How many bursts there are before the first whose satellites in use are listed and not counted."""
    counted, listed = np.zeros((2, len(begins) - 1), np.bool_)
    if "satellites" in columns.said:
        counted[bursts_of(columns.said["satellites"].which, begins)[1]] = True
    listed[bursts_of(np.flatnonzero(columns.sort == GSA), begins)[1]] = True
    care = listed & ~counted
    return int(care.argmax()) if care.any() else len(care)


def _ordinary_until(bursts: Bursts, columns: SentenceColumns, mono_ns: Places, first: int) -> int:
    """The first sentence from `first` on that needs care, or their number."""
    odd = columns.odd[first:].copy()
    if bursts.host_times:
        odd[1:] |= np.diff(mono_ns[first:]) > BREAK_NS
    return first + int(odd.argmax()) if odd.any() else first + len(odd)


class _Rests:
    """Where bursts end: `ends`, a guess, and `as_guessed`, how many of them the rule confirms."""

    def __init__(
        self, bursts: Bursts, columns: SentenceColumns, mono_ns: Places, first: int, fed: int, news: Places,
        olds: Places,
    ) -> None:  # fmt: skip
        self._bursts, self._columns, self._mono_ns, self._fed = bursts, columns, mono_ns, fed
        self._news, self._olds, self._first = news, olds, first
        stop = int(news[-1]) + 1 if len(news) else first
        words, codes = np.unique(columns.address[first:stop], return_inverse=True)
        self._names = [address_of(word) for word in words.tolist()]
        self._codes = codes
        like_the_first = first + np.flatnonzero(codes == codes[0]) if len(codes) else first + codes
        self.ends = first_of(like_the_first, olds + 1, news)
        self._pairs: dict[tuple[int, int], tuple[Places, Places, UsualGap]] = {}

    def as_guessed(self) -> int:
        """How many ends, from the first on, are where `Bursts` would part."""
        if not len(self._news):
            return 0
        begins = np.concatenate([[self._first], self.ends[:-1]])
        agreed = self._news - begins < LONGEST_BURST
        doubtful = np.flatnonzero(self._news - self._olds > 1)
        if self._bursts.host_times:
            self._learn()
        if len(doubtful):
            agreed[doubtful] &= self._ruled(begins[doubtful], doubtful) == self.ends[doubtful]
        return len(agreed) if agreed.all() else int(agreed.argmin())

    def learnt(self, last: int) -> dict[tuple[str, str], UsualGap]:
        """The gaps as they are known when the sentence `last` has been fed."""
        known = {}
        for (a, b), (places, gaps, gap) in self._pairs.items():
            count = int(np.searchsorted(places, last))
            if count:
                known[self._names[a], self._names[b]] = gap.after(gaps[:count])[1]
        return known

    def _learn(self) -> None:
        """The gaps between neighbours that are still to be fed, by pairs of addresses."""
        codes, at = self._codes, self._first
        pairs = codes[:-1] * len(self._names) + codes[1:]
        fresh = np.arange(at, at + len(pairs)) >= self._fed - 1
        gaps = np.diff(self._mono_ns[at : at + len(codes)])
        for pair in sorted(set(pairs.tolist())):
            a, b = divmod(pair, len(self._names))
            places = np.flatnonzero((pairs == pair) & fresh)
            self._pairs[a, b] = places + at, gaps[places], self._bursts.gap(self._names[a], self._names[b])

    def _ruled(self, begins: Places, which: Places) -> Places:
        """Where the bursts `which`, which begin at `begins`, end by the rule of `Bursts`; -1 where that is unclear."""
        firsts, lasts = self._olds[which] + 1, self._news[which]
        ruled = self._as_begun(firsts, lasts)
        if not self._bursts.host_times:
            return ruled
        counts = lasts - begins
        starts = np.cumsum(counts) - counts
        places = np.repeat(begins - starts, counts) + np.arange(int(counts.sum()))  # of all sentences of all bursts
        usual = self._usual(places, np.repeat(lasts, counts))
        taken = self._columns.length[places] + 2
        per_byte = np.minimum.reduceat(usual / taken, starts)
        longest = np.maximum(np.maximum.reduceat(taken, starts), self._columns.length[lasts] + 2)
        clearly = CLEARLY_NS + per_byte * longest / 4
        rests = usual - np.repeat(per_byte, counts) * taken  # before the sentence that follows
        able = places + 1 >= np.repeat(firsts, counts)
        most = np.maximum.reduceat(np.where(able, rests, -np.inf), starts)
        least = np.minimum.reduceat(np.where(able, rests, np.inf), starts)
        last = rests[starts + counts - 1]
        at_most = np.maximum.reduceat(np.where(able & (rests == np.repeat(most, counts)), places + 1, -1), starts)
        ruled = np.where(last > least + clearly, lasts, ruled)
        ruled = np.where(most > last + clearly, at_most, ruled)
        return np.where(per_byte < 0, -1, ruled)

    def _usual(self, places: Places, lasts: Places) -> Places:
        """The usual gap behind each sentence, as it is known when the sentence `lasts` has come [ns]."""
        codes = self._codes[places - self._first], self._codes[places + 1 - self._first]
        usual = np.zeros(len(places), np.int64)
        for (a, b), (learnt_at, gaps, gap) in self._pairs.items():
            here = np.flatnonzero((codes[0] == a) & (codes[1] == b))
            usual[here] = gap.after(gaps)[0][np.searchsorted(learnt_at, lasts[here])]
        return usual

    def _as_begun(self, firsts: Places, lasts: Places) -> Places:
        """The first kind of sentence that the stream began with, where one stands between; else the last."""
        found = lasts
        kinds = [kind_of(name) for name in self._names]
        for kind in reversed(self._bursts.began_with):
            codes = [code for code, name in enumerate(kinds) if name == kind]
            places = self._first + np.flatnonzero(np.isin(self._codes, codes))
            here = first_of(places, firsts, lasts)
            found = np.where(here < lasts, here, found)
        return found
