"""Intermodulation products that land near somebody, found one by one: sums are sorted, and each victim looks its own up.

Products of n carriers are n(n−1) for two letters, n(n−1)(n−2)/2 for three letters of which two share a coefficient, and
n(n−1)(n−2) for 2A+B−2C. All but one letter are summed once; the last one is searched for, victim by victim. Up to 64 slots are
looked at together, a bit each: a product exists in those slots in which all its carriers and its victim are on.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from apps.solver.problem import coefficients

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Bits = NDArray[np.uint64]

SLOTS_AT_ONCE = 64
SUMS_AT_ONCE = 1_000_000
SUMS_KEPT = 200_000
HITS_AT_ONCE = 1_000_000


def bits(on: Bools) -> Bits:
    """One number for each row of at most 64 slots, with a bit for every slot that is marked."""
    wide = np.zeros((len(on), SLOTS_AT_ONCE), bool)
    wide[:, : on.shape[1]] = on
    return np.packbits(wide, axis=1, bitorder="little").view(np.uint64).ravel()


@dataclass(frozen=True)
class Sums:
    """Choices of one or two letters that are on together, by rising sum: hz and when [choices], letters [letters, choices]."""

    hz: Ints
    letters: Ints
    when: Bits


@dataclass(frozen=True)
class Hits:
    """Products that land near a victim: its place in the list, weights, letters[letters, hits], and the slots in bits."""

    who: Ints
    weight: Floats
    letters: Ints
    when: Bits

    def only(self, keep: Bools) -> "Hits":
        return Hits(self.who[keep], self.weight[keep], self.letters[:, keep], self.when[keep])

    def at(self, slot: int) -> Bools:
        return (self.when >> np.uint64(slot)) & np.uint64(1) > 0


class Sources:
    """Carriers that mix with each other: their numbers, frequencies and linear levels, shape (n,), and on[n, slots]."""

    def __init__(self, ids: Ints, hz: Ints, level: Floats, on: Bools) -> None:
        # Rising, so that neighbouring look-ups end near each other.
        order = np.argsort(hz, kind="stable")
        self.ids, self.hz, self.level, self.on = ids[order], hz[order], level[order], on[order]
        self.when = bits(self.on)
        self._kept: dict[tuple[int, ...], list[Sums]] = {}

    def only(self, keep: Bools) -> "Sources":
        """Those whose number is marked."""
        kept = keep[self.ids]
        return Sources(self.ids[kept], self.hz[kept], self.level[kept], self.on[kept])

    def loads(self, family: str, guard_hz: int, victims: Ints, at_hz: Ints, on: Bools) -> Floats:
        """[victims, slots]: the summed weight of the products that land strictly nearer than the guard to each victim.

        A product weighs its carriers' levels, each to the power of its coefficient. Products with the victim itself in
        them do not count. on[victims, slots] says when each can suffer.
        """
        load: Floats = np.zeros((len(victims), on.shape[1]))
        for hits in self._hits(family, guard_hz, victims, at_hz, bits(on)):
            for t in range(load.shape[1]):
                now = np.flatnonzero(hits.at(t))
                load[:, t] += np.bincount(hits.who[now], hits.weight[now], len(victims))
        return load

    def strongest(
        self, family: str, guard_hz: int, victim: int, at_hz: int, slot: int, count: int = 5
    ) -> list[tuple[float, tuple[int, ...]]]:
        """The strongest products that hit one victim in a slot: (weight, numbers of its carriers in the family's order)."""
        best: list[tuple[float, tuple[int, ...]]] = []
        only = np.arange(self.on.shape[1])[None, :] == slot
        for hits in self._hits(family, guard_hz, np.array([victim]), np.array([at_hz]), bits(only)):
            top = np.argsort(-hits.weight, kind="stable")[:count]
            best += [
                (float(hits.weight[k]), tuple(int(self.ids[i]) for i in hits.letters[:, k])) for k in top
            ]
        return sorted(best, reverse=True)[:count]

    def _hits(self, family: str, guard_hz: int, victims: Ints, at_hz: Ints, when: Bits) -> Iterator[Hits]:
        """In bounded lots, those of which some slot has all."""
        factors = np.array(coefficients(family))
        if len(self.ids) < len(factors):
            return
        searched = _searched_letter(factors)
        summed = [k for k in range(len(factors)) if k != searched]
        who, last = np.nonzero(when[:, None] & self.when[None, :])
        wanted = at_hz[who] - factors[searched] * self.hz[last]
        for sums in self._sums(tuple(factors[summed].tolist())):
            low = np.searchsorted(sums.hz, wanted - guard_hz, "right")
            high = np.searchsorted(sums.hz, wanted + guard_hz, "left")
            for query, place in _expanded(low, high):
                together = when[who[query]] & self.when[last[query]] & sums.when[place]
                some = np.flatnonzero(together)
                query, place = query[some], place[some]
                letters = np.empty((len(factors), len(query)), np.int64)
                letters[summed], letters[searched] = sums.letters[:, place], last[query]
                clean = (self.ids[letters] != victims[who[query]]).all(axis=0)
                clean &= (letters[summed] != letters[searched]).all(axis=0)
                letters = letters[:, clean]
                weight = (self.level[letters] ** np.abs(factors)[:, None]).prod(axis=0)
                yield Hits(who[query[clean]], weight, letters, together[some[clean]])

    def _sums(self, factors: tuple[int, ...]) -> Iterator[Sums]:
        """In bounded lots; kept where there are few, for several rules and places ask for the same."""
        if factors in self._kept:
            yield from self._kept[factors]
            return
        kept: list[Sums] = []
        for letters in self._letters(factors):
            when = np.bitwise_and.reduce(self.when[letters], axis=0)
            letters, when = letters[:, when > 0], when[when > 0]
            hz: Ints = np.sum(np.array(factors)[:, None] * self.hz[letters], axis=0)
            order = np.argsort(hz, kind="stable")
            sums = Sums(hz[order], letters[:, order], when[order])
            kept.append(sums)
            yield sums
        if sum(len(sums.hz) for sums in kept) <= SUMS_KEPT:
            self._kept[factors] = kept

    def _letters(self, factors: tuple[int, ...]) -> Iterator[Ints]:
        """Every choice of one or two different carriers, in bounded lots of shape (letters, choices).

        Two letters with the same coefficient are unordered.
        """
        n = len(self.ids)
        if len(factors) == 1:
            yield np.arange(n)[None, :]
            return
        for start in range(0, n, max(1, SUMS_AT_ONCE // n)):
            first, second = np.meshgrid(
                np.arange(start, min(n, start + max(1, SUMS_AT_ONCE // n))), np.arange(n), indexing="ij"
            )
            keep = first < second if factors[0] == factors[1] else first != second
            yield np.array([first[keep], second[keep]])


def _searched_letter(factors: Ints) -> int:
    """The letter that is searched for: the odd one out, so that the two that share a coefficient are summed unordered."""
    for k in range(len(factors)):
        rest = np.delete(factors, k)
        if len(rest) == 1 or rest[0] == rest[1]:
            return k
    return 1


def _expanded(low: Ints, high: Ints) -> Iterator[tuple[Ints, Ints]]:
    """Intervals low ≤ place < high, one entry for each place: (number of the interval, place), in bounded lots."""
    hit = np.flatnonzero(high > low)
    ends = np.cumsum(high[hit] - low[hit])
    start = 0
    while start < len(hit):
        done = int(ends[start - 1]) if start else 0
        stop = max(start + 1, int(np.searchsorted(ends, done + HITS_AT_ONCE, "right")))
        part = hit[start:stop]
        width = high[part] - low[part]
        interval = np.repeat(part, width)
        inside = np.arange(len(interval)) - np.repeat(np.cumsum(width) - width, width)
        yield interval, low[interval] + inside
        start = stop
