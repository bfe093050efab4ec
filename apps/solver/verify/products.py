"""Intermodulation products that land near somebody, found one by one: sums are sorted, and each victim looks its own up.

Products of n carriers are n(n−1) for two letters, n(n−1)(n−2)/2 for three letters of which two share a coefficient, and
n(n−1)(n−2) for 2A+B−2C. All but one letter are summed once; the last one is searched for, victim by victim.
"""

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from apps.solver.problem import coefficients

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

SUMS_AT_ONCE = 1_000_000
HITS_AT_ONCE = 1_000_000


class Sources:
    """Carriers that mix with each other. `ids` number them, `hz` are frequencies, `level` linear levels; shape (n,)."""

    def __init__(self, ids: Ints, hz: Ints, level: Floats) -> None:
        self.ids, self.hz, self.level = ids, hz, level

    def only(self, keep: Bools) -> "Sources":
        """Those whose number is marked."""
        kept = keep[self.ids]
        return Sources(self.ids[kept], self.hz[kept], self.level[kept])

    def loads(self, family: str, guard_hz: int, victims: Ints, at_hz: Ints) -> Floats:
        """The summed weight of the products that land strictly nearer than the guard to each victim, shape of victims.

        A product weighs its carriers' levels, each to the power of its coefficient. Products with the victim itself in
        them do not count.
        """
        load = np.zeros(len(victims))
        for who, weight, _ in self._hits(family, guard_hz, victims, at_hz):
            load += np.bincount(who, weight, len(victims))
        return load

    def strongest(
        self, family: str, guard_hz: int, victim: int, at_hz: int, count: int = 5
    ) -> list[tuple[float, tuple[int, ...]]]:
        """The strongest products that hit one victim: (weight, numbers of its carriers in the family's order)."""
        best: list[tuple[float, tuple[int, ...]]] = []
        for _, weight, letters in self._hits(family, guard_hz, np.array([victim]), np.array([at_hz])):
            top = np.argsort(-weight, kind="stable")[:count]
            best += [(float(weight[k]), tuple(int(self.ids[i]) for i in letters[:, k])) for k in top]
        return sorted(best, reverse=True)[:count]

    def _hits(
        self, family: str, guard_hz: int, victims: Ints, at_hz: Ints
    ) -> Iterator[tuple[Ints, Floats, Ints]]:
        """In bounded lots: (place of the victim in `victims`, weight, letters) with letters of shape (letters, hits)."""
        factors = np.array(coefficients(family))
        if len(self.ids) < len(factors):
            return
        searched = _searched_letter(factors)
        summed = [k for k in range(len(factors)) if k != searched]
        wanted = at_hz[:, None] - factors[searched] * self.hz[None, :]
        for inner in self._letters(factors[summed]):
            sums = sum(factors[k] * self.hz[inner[p]] for p, k in enumerate(summed))
            order = np.argsort(sums, kind="stable")
            low = np.searchsorted(sums[order], (wanted - guard_hz).ravel(), "right")
            high = np.searchsorted(sums[order], (wanted + guard_hz).ravel(), "left")
            for query, place in _expanded(low, high):
                who, last = np.divmod(query, len(self.ids))
                letters = np.empty((len(factors), len(query)), np.int64)
                letters[summed], letters[searched] = inner[:, order[place]], last
                clean = (self.ids[letters] != victims[who]).all(axis=0)
                clean &= (letters[summed] != letters[searched]).all(axis=0)
                who, letters = who[clean], letters[:, clean]
                yield who, (self.level[letters] ** np.abs(factors)[:, None]).prod(axis=0), letters

    def _letters(self, factors: Ints) -> Iterator[Ints]:
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
