"""Load maps: where products land and whom a further carrier would hit, without listing a product.

A product that hits is a relation between distinct carriers, Σ coefficient·bin ≈ 0, in which the victim is one more letter with
coefficient −1: «2A−B hits V» is 2A − B − V ≈ 0. For each letter L that a newcomer may take there is a map over the weighted sums
of all the other letters, read at −coefficient·c: as the victim it reads what it would suffer, as a source what it would cause.

With three letters in all (2A−B, 3A−2B, 4A−3B and the victim) a map is a histogram over pairs: a carrier enters it with one
entry per carrier already there. With four (A+B−C, 3A−B−C, 2A+B−2C) a carrier f in letter p adds to the map of L the histogram
of the remaining pair shifted by its own term, one contiguous addition whatever the number of carriers (for A+B−C these are the
known D(k−f) and P(k+f) of differences and sums). Letters of equal coefficient are unordered and count once. A carrier is never
paired with itself, since it enters the histograms after its own shifts; removal runs backwards.
"""

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from apps.solver.axis import Axis, Domain, Ints

Floats = NDArray[np.float64]
Letters = tuple[int, ...]

RELATIONS_AT_ONCE = 200_000
FEW = 4  # a bin that is fetched takes about as long as so many that are summed in a row


class Table:
    """A histogram or map over whole numbers: where it lies in the row that a slot has of all the tables."""

    def __init__(self, intervals: Sequence[tuple[int, int]], start: int) -> None:
        self.domain, self.start = Domain(intervals), start

    def place(self, number: int) -> int:
        return self.start + self.domain.place(number)


class Maps:
    """The maps of one product rule for the carriers that meet at one place.

    `factors` are the coefficients of the family's distinct letters, the victim's −1 last. weights[p, t] of a carrier is what it
    brings in letter p and slot t: its level to the power of |coefficient| as a source, its urgency as the victim; 0 where it
    takes no part.
    """

    def __init__(
        self, coefficients: Sequence[int], box: int, axis: Axis, slots: int, dtype: type = np.float64
    ) -> None:
        sources = sorted(set(coefficients), reverse=True)
        self.factors = (*sources, -1)
        self.victim = len(sources)
        self.whole: Letters = (*sorted(sources.index(k) for k in coefficients), self.victim)
        self.box, self.slots = box, slots
        self.others = {letter: _without(self.whole, letter) for letter in sorted(set(self.whole))}
        self._reads = {
            letter: [_reach(-self.factors[letter], low, high, box) for low, high in axis.reading]
            for letter in self.others
        }
        self.reading = axis.reading
        self.dtype, self.width = dtype, 0
        self.maps = {letter: self._table(reads) for letter, reads in self._reads.items()}
        self.pairs: dict[Letters, Table] = {}
        if len(self.whole) == 3:
            self.pairs = {rest: self.maps[letter] for letter, rest in self.others.items()}
        else:
            for pair in sorted({pair for rest in self.others.values() for pair in combinations(rest, 2)}):
                self.pairs[pair] = self._table(self._asked_of(pair, axis))
        ways = [(p, q, table) for pair, table in self.pairs.items() for p, q in sorted({pair, pair[::-1]})]
        self._own, self._other = np.array([p for p, _, _ in ways]), np.array([q for _, q, _ in ways])
        self._low, self._high, self._to = _bounds([table for _, _, table in ways])
        factors = np.array(self.factors)
        self._own_factor, self._other_factor = factors[self._own][:, None], factors[self._other][:, None]
        self.bytes_per_slot = self.width * np.dtype(dtype).itemsize
        self.rows: NDArray[np.floating] = np.zeros((0, self.width), dtype)
        self.awake = False
        self.n = 0
        self.ids: Ints = np.zeros(16, np.int64)
        self.hz: Ints = np.zeros(16, np.int64)
        self.bin: Ints = np.zeros(16, np.int64)
        self.weights: Floats = np.zeros((len(self.factors), 16, slots))
        self._place: dict[int, int] = {}

    def _table(self, intervals: Sequence[tuple[int, int]]) -> Table:
        table = Table(intervals, self.width)
        self.width += table.domain.size
        return table

    def _asked_of(self, pair: Letters, axis: Axis) -> list[tuple[int, int]]:
        """Which sums of a pair some map may want: those that its reading less one further carrier can ask for."""
        found = []
        for letter, rest in self.others.items():
            for p in set(rest):
                if _without(rest, p) == pair:
                    for low, high in self._reads[letter]:
                        for window in axis.windows:
                            a, b = _reach(-self.factors[p], *window, 0)
                            found.append((low + a, high + b - 1))
        return found

    # -- coming and going -----------------------------------------------------------------------

    def add(self, i: int, hz: int, f: int, weights: Floats) -> None:
        """Put carrier i at hz, bin f. weights: [letters, slots]."""
        if self.awake:
            self._shift(f, weights, +1.0)
            self._enter(f, weights, +1.0)
        if self.n == len(self.ids):
            self.ids, self.hz, self.bin = (np.concatenate([a, a]) for a in (self.ids, self.hz, self.bin))
            self.weights = np.concatenate([self.weights, self.weights], axis=1)
        n = self.n
        self.ids[n], self.hz[n], self.bin[n], self.weights[:, n] = i, hz, f, weights
        self._place[i] = n
        self.n += 1

    def remove(self, i: int) -> Floats:
        """Take carrier i off; everything that `add` did, backwards. Returns its weights."""
        at, last = self._place.pop(i), self.n - 1
        f, weights = int(self.bin[at]), self.weights[:, at].copy()
        if at != last:
            for array in (self.ids, self.hz, self.bin):
                array[at] = array[last]
            self.weights[:, at] = self.weights[:, last]
            self._place[int(self.ids[at])] = at
        self.n = last
        if self.awake:
            self._enter(f, weights, -1.0)
            self._shift(f, weights, -1.0)
        return weights

    def __contains__(self, i: int) -> bool:
        return i in self._place

    def reweigh(self, i: int, urgency: Floats) -> None:
        """Change how much it matters to hit a carrier, by slot."""
        at = self._place[i]
        if not self.awake:
            self.weights[self.victim, at] = urgency
            return
        hz, f = int(self.hz[at]), int(self.bin[at])
        weights = self.remove(i)
        weights[self.victim] = urgency
        self.add(i, hz, f, weights)

    def _shift(self, f: int, weights: Floats, sign: float) -> None:
        if len(self.whole) == 3:
            return
        for letter, rest in self.others.items():
            target = self.maps[letter]
            for p in sorted(set(rest)):
                when = _span(weights[p])
                if when is None:
                    continue
                pair = self.pairs[_without(rest, p)]
                own: Any = (sign * weights[p, when])[:, None].astype(self.dtype)
                for low, high in self._reads[letter]:
                    to = target.place(low)
                    at = pair.place(low - self.factors[p] * f)
                    width = high - low
                    self.rows[when, to : to + width] += own * self.rows[when, at : at + width]

    def _enter(self, f: int, weights: Floats, sign: float) -> None:
        """Pair the carrier with every other in every pair of letters; co-channel carriers book one bin twice."""
        n, when = self.n, _span(weights.max(axis=0))
        if when is None or not n:
            return
        numbers = self._own_factor * f + self._other_factor * self.bin[:n]
        at = np.full(numbers.shape, -1)
        for low, high, to in zip(self._low, self._high, self._to, strict=True):
            np.copyto(at, numbers + to, where=(numbers >= low) & (numbers < high))
        own = (sign * weights[self._own, when])[:, None, :]
        values = self.weights[self._other, :n, when] * own
        # Of the same type as the rows: add.at is many times slower where it has to convert.
        if values.shape[2] == 1:
            hit = ((values[:, :, 0] != 0) & (at >= 0)).ravel().nonzero()[0]
            alone: Any = values.reshape(-1)[hit].astype(self.dtype)
            np.add.at(self.rows.ravel(), when.start * self.width + at.reshape(-1)[hit], alone)
            return
        way, m, t = np.nonzero((values != 0) & (at >= 0)[:, :, None])
        added: Any = values[way, m, t].astype(self.dtype)
        np.add.at(self.rows.ravel(), (t + when.start) * self.width + at[way, m], added)

    # -- storing ------------------------------------------------------------------------------------

    def wake(self) -> None:
        """Build the tables out of the carriers here. Maps begin asleep and know their carriers only."""
        self.rows = np.zeros((self.slots, self.width), self.dtype)
        self.awake = True
        everybody, self.n = self.n, 0
        for at in range(everybody):
            self._shift(int(self.bin[at]), self.weights[:, at], +1.0)
            self._enter(int(self.bin[at]), self.weights[:, at], +1.0)
            self.n = at + 1

    def sleep(self) -> None:
        """Give the memory of the tables back."""
        self.rows = np.zeros((0, self.width), self.dtype)
        self.awake = False

    def widen(self, slots: int) -> None:
        """From one slot that stood for all to that many alike."""
        self.rows = np.repeat(self.rows, slots, axis=0)
        self.weights = np.repeat(self.weights, slots, axis=2)
        self.slots = slots

    # -- reading ----------------------------------------------------------------------------------

    def read(self, letter: int, bins: Ints, when: slice, box: int | None = None) -> Floats:
        """[slots, points]: the summed weights within a box about −coefficient·bin, for rising bins of the reading windows.

        The box is the maps' own or a narrower one.

        O(window) per slot, by one running sum, or point by point where they are few.
        """
        box = self.box if box is None else box
        factor, table = -self.factors[letter], self.maps[letter]
        found = np.zeros((when.stop - when.start, len(bins)))
        for (low, high), (first, last) in zip(self.reading, self._reads[letter], strict=True):
            a, b = bins.searchsorted((low, high))
            if a == b:
                continue
            at = factor * bins[a:b]
            start = max(first, int(min(at[0], at[-1])) - box)
            stop = min(last, int(max(at[0], at[-1])) + box + 1)
            to = table.place(start)
            if len(at) * (2 * box + 1) * FEW <= stop - start:
                near = (at - start)[:, None] + np.arange(to - box, to + box + 1)
                found[:, a:b] = self.rows[when].take(near, axis=1).sum(axis=2, dtype=np.float64)
                continue
            running = np.zeros((len(found), stop - start + 1))
            np.cumsum(self.rows[when, to : to + stop - start], axis=1, dtype=np.float64, out=running[:, 1:])
            at = at - (start + box)
            found[:, a:b] = running.take(at + 2 * box + 1, axis=1)
            found[:, a:b] -= running.take(at, axis=1)
        return found

    def caused(self, bins: Ints, level: Floats | float, when: slice, least: float = 0.0) -> Floats:
        """[slots, points]: the urgency of everybody hit, times the weight of what hits, of a source of that linear level.

        Letters in which the level counts for less than `least` are left out.
        """
        total = np.zeros((when.stop - when.start, len(bins)))
        for letter in range(self.victim):
            weight = level ** abs(self.factors[letter])
            if np.max(weight) >= least:
                found = self.read(letter, bins, when)
                found *= weight
                total += found
        return total

    def peek(self, letter: int, f: int, when: slice) -> float:
        """The same at one bin, the highest over the slots."""
        table, x = self.maps[letter], -self.factors[letter] * f
        at = table.place(x)
        near = np.add.reduce(self.rows[when, at - self.box : at + self.box + 1], axis=1)
        return float(near[0] if len(near) == 1 else np.maximum.reduce(near))

    # -- exactly ------------------------------------------------------------------------------------

    def hits(self, letter: int, hz: int, guard_hz: int, when: slice) -> Ints:
        """Every relation that a carrier at hz in this letter completes within the guard, in hertz: [other letters, relations].

        Members are numbered by their place here; only those that are on somewhere in `when` are looked at.
        """
        return self._relations(self.others[letter], self.factors[letter] * hz, guard_hz, when)

    def loads(self, guard_hz: int) -> Iterator[tuple[int, Floats]]:
        """(carrier, load by slot) for each victim here that some product hits."""
        relations = self._relations(self.whole, 0, guard_hz, slice(0, self.slots))
        victims = relations[-1]
        for start in range(0, relations.shape[1], RELATIONS_AT_ONCE):
            part = slice(start, start + RELATIONS_AT_ONCE)
            load = self._weight(self.whole[:-1], relations[:-1, part])
            who, which = np.unique(victims[part], return_inverse=True)
            for t in range(self.slots):
                sums = np.bincount(which, load[:, t], len(who))
                load[: len(who), t] = sums
            for at, v in enumerate(who):
                yield int(self.ids[v]), load[at].copy()

    def _relations(self, letters: Letters, term: int, guard_hz: int, when: slice) -> Ints:
        """Distinct members in the given letters with |term + Σ factor·hz| < guard: [letters, relations].

        The sums of one half of the letters are sorted, the other half is looked up: O(m² log m) with m members.
        """
        present = [np.flatnonzero(self.weights[p, : self.n, when].any(axis=1)) for p in letters]
        middle = min(2, len(letters) - 1)
        left = self._sums(letters[:middle], present[:middle])
        right = self._sums(letters[middle:], present[middle:])
        order = left[0].argsort(kind="stable")
        sums, wanted = left[0][order], -(right[0] + term)
        low = sums.searchsorted(wanted - guard_hz, "right")
        many = np.maximum(sums.searchsorted(wanted + guard_hz) - low, 0)
        which = np.arange(len(wanted)).repeat(many)
        at = np.arange(len(which)) - (many.cumsum() - many).repeat(many) + low[which]
        found = np.concatenate([left[1][:, order[at]], right[1][:, which]])
        good = np.ones(found.shape[1], bool)
        for a, b in combinations(range(len(letters)), 2):
            good &= found[a] < found[b] if letters[a] == letters[b] else found[a] != found[b]
        return found[:, good]

    def _sums(self, letters: Letters, present: list[Ints]) -> tuple[Ints, Ints]:
        """Of one or two letters: (sums of factor·hz, members [letters, sums])."""
        if len(letters) == 1:
            return self.factors[letters[0]] * self.hz[present[0]], present[0][None, :]
        pairs = np.array([a.ravel() for a in np.meshgrid(*present, indexing="ij")])
        pairs = pairs[:, pairs[0] < pairs[1] if letters[0] == letters[1] else pairs[0] != pairs[1]]
        return self.factors[letters[0]] * self.hz[pairs[0]] + self.factors[letters[1]] * self.hz[
            pairs[1]
        ], pairs

    def suffered(self, hz: int, guard_hz: int, when: slice) -> Floats:
        """The load by slot on a carrier at hz from the sources here."""
        members = self.hits(self.victim, hz, guard_hz, when)
        return np.asarray(self._weight(self.others[self.victim], members).sum(axis=0))

    def added(self, hz: int, weights: Floats, guard_hz: int, when: slice) -> dict[int, Floats]:
        """{victim: load by slot} that a source at hz with these weights would add, before any urgency."""
        found: dict[int, Floats] = {}
        for letter in range(self.victim):
            if not weights[letter].any():
                continue
            members = self.hits(letter, hz, guard_hz, when)
            load = self._weight(self.others[letter][:-1], members[:-1]) * weights[letter]
            load *= self.weights[self.victim, members[-1]] > 0
            for who in np.unique(members[-1]):
                i = int(self.ids[who])
                found[i] = found.get(i, 0.0) + load[members[-1] == who].sum(axis=0)
        return found

    def _weight(self, letters: Letters, members: Ints) -> Floats:
        weight = np.ones((members.shape[1], self.slots))
        for p, who in zip(letters, members, strict=True):
            weight *= self.weights[p, who]
        return weight


def _bounds(tables: Sequence[Table]) -> tuple[Ints, Ints, Ints]:
    """The k-th interval of every table: (from, to, what leads from a number to its place), each [k, tables, 1]."""
    most = max(len(table.domain.low) for table in tables)
    low, high, to = (np.zeros((most, len(tables), 1), np.int64) for _ in range(3))
    for at, table in enumerate(tables):
        k = len(table.domain.low)
        low[:k, at, 0], high[:k, at, 0] = table.domain.low, table.domain.high
        to[:k, at, 0] = table.start + table.domain.start[:-1] - table.domain.low
    return low, high, to


def _without(letters: Letters, letter: int) -> Letters:
    at = letters.index(letter)
    return letters[:at] + letters[at + 1 :]


def _reach(factor: int, low: int, high: int, box: int) -> tuple[int, int]:
    """The half-open interval that factor·bin takes for low ≤ bin < high, with a box either side."""
    ends = (factor * low, factor * (high - 1))
    return min(ends) - box, max(ends) + box + 1


def _span(weights: Floats) -> slice | None:
    """The slots from the first to the last in which a carrier has weight; None if in none."""
    if len(weights) == 1:
        return slice(0, 1) if weights[0] else None
    on = weights.nonzero()[0]
    return slice(int(on[0]), int(on[-1]) + 1) if len(on) else None
