"""Who is on the air where: for each receiving place and stretch of time the load maps, kept up to date as carriers come
and go, and what a further carrier would suffer and cause there.

n carriers make about n³/2 products A+B−C, which nobody lists. On bins of the frequency axis a row keeps D(d), the summed
l_A·l_B over ordered pairs at difference d, and P(s) over unordered pairs at sum s. A carrier at f with level l then adds
l·D(k−f) + l·P(k+f) to the map of A+B−C: two contiguous additions whatever n is. What a candidate at c would cause among
victims v comes from the same histograms between victims and others (DV, PV). Two-letter families are n² products and are
scattered directly; where the candidate carries a coefficient k the histogram of the other side is read at every k-th bin.
A guard is a box of ceil(guard/bin) − 1 bins either side, since a product exactly at the guard does not count.
"""

from dataclasses import dataclass, field

import numpy as np

from apps.solver.arrays import Arrays, Bools, Floats, Ints
from apps.solver.problem import ProductRule
from apps.solver.verify import coefficients

THREE = "A+B-C"


class Unsupported(ValueError):
    """A clause of the format that this solver does not obey; it refuses the problem by name instead of ignoring it."""


@dataclass
class Victims:
    """The carriers that one rule protects at one place and time, with what each may still suffer."""

    ids: list[int] = field(default_factory=list)
    slack: dict[int, float] = field(default_factory=dict)
    differences: Floats | None = None
    sums: Floats | None = None
    caused: Floats | None = None


class Row:
    """One receiving place in one stretch of time. Rows that are alike are one object until something differs."""

    def __init__(self, air: "Air", place: int) -> None:
        self.air, self.place = air, place
        self.ids: list[int] = []
        self.hz: Ints = np.zeros(0, np.int64)
        self.bin: Ints = np.zeros(0, np.int64)
        self.level: Floats = np.zeros(0)
        self.victims = {rule: Victims() for rule in air.rules_at[place]}
        self.two = {family: np.zeros(air.bins) for family in air.two_letter_at[place]}
        self.three = THREE in air.families_at[place]
        if self.three:
            self.differences, self.sums = np.zeros(2 * air.bins - 1), np.zeros(2 * air.bins - 1)
            self.map = np.zeros(air.bins)
            for rule in air.rules_at[place]:
                if air.rules[rule].family == THREE:
                    whom = self.victims[rule]
                    whom.differences, whom.sums = np.zeros(2 * air.bins - 1), np.zeros(2 * air.bins - 1)
                    whom.caused = np.zeros(air.bins)

    def copy(self) -> "Row":
        twin = object.__new__(Row)
        twin.__dict__.update(self.__dict__)
        twin.ids = list(self.ids)
        twin.two = {family: array.copy() for family, array in self.two.items()}
        twin.victims = {
            rule: Victims(
                list(v.ids),
                dict(v.slack),
                *(a.copy() if a is not None else None for a in (v.differences, v.sums, v.caused)),
            )
            for rule, v in self.victims.items()
        }
        if self.three:
            twin.differences, twin.sums, twin.map = self.differences.copy(), self.sums.copy(), self.map.copy()
        return twin

    # -- coming and going -------------------------------------------------------------------

    def add(self, i: int, hz: int) -> None:
        """Put carrier i on the air here."""
        self._settle(i, hz, +1.0)
        self._shift(i, hz, +1.0)
        self._join(i, hz)

    def remove(self, i: int, hz: int) -> None:
        """Take it off again: everything that `add` did, backwards."""
        self._leave(i)
        self._shift(i, hz, -1.0)
        self._settle(i, hz, -1.0)

    def _join(self, i: int, hz: int) -> None:
        level = self.air.heard(self.place, i, hz)
        if level:
            self.ids.append(i)
            self.hz = np.append(self.hz, hz)
            self.bin = np.append(self.bin, self.air.bin_of(hz))
            self.level = np.append(self.level, level)
        for rule, whom in self.victims.items():
            if self.air.protects(rule, self.place, i):
                whom.ids.append(i)

    def _leave(self, i: int) -> None:
        if i in self.ids:
            at = self.ids.index(i)
            del self.ids[at]
            self.hz, self.bin = np.delete(self.hz, at), np.delete(self.bin, at)
            self.level = np.delete(self.level, at)
        for whom in self.victims.values():
            if i in whom.ids:
                whom.ids.remove(i)

    def _settle(self, i: int, hz: int, sign: float) -> None:
        """Book on every forbidding rule what this carrier adds to the others and suffers itself."""
        for rule, whom in self.victims.items():
            if self.air.rules[rule].treatment != "forbid":
                continue
            added = self.added(rule, i, hz)
            for victim, load in zip(whom.ids, added, strict=True):
                if load:
                    whom.slack[victim] -= sign * load
            if self.air.protects(rule, self.place, i):
                if sign > 0:
                    whom.slack[i] = self.air.slack_of(rule, i, self.suffered(rule, i, hz))
                else:
                    del whom.slack[i]

    def _shift(self, i: int, hz: int, sign: float) -> None:
        level, f = self.air.heard(self.place, i, hz), self.air.bin_of(hz)
        if level:
            for family, array in self.two.items():
                k, m = self.air.two_letters[family]
                _scatter(array, k * f - m * self.bin, sign * level**k * self.level**m)
                _scatter(array, k * self.bin - m * f, sign * self.level**k * level**m)
        if not self.three:
            return
        # The maps gain what this carrier makes with the others, so its own entries in the histograms must not be there.
        if sign < 0:
            self._enter(i, f, level, sign)
        n = self.air.bins
        away, together = slice(n - 1 - f, 2 * n - 1 - f), slice(f, f + n)
        between = self.differences[away] + self.sums[together]
        if level:
            self.map += sign * level * between
        for rule, whom in self.victims.items():
            if whom.caused is None or whom.differences is None or whom.sums is None:
                continue
            if self.air.protects(rule, self.place, i):
                whom.caused += sign * between
            if level:
                whom.caused += sign * level * (whom.differences[away] + whom.sums[together])
        if sign > 0:
            self._enter(i, f, level, sign)

    def _enter(self, i: int, f: int, level: float, sign: float) -> None:
        """Book this carrier's differences and sums with the sources here, and with the victims of each rule."""
        if level:
            self._pair_up(self.differences, self.sums, f, self.bin, sign * level * self.level)
        for rule, whom in self.victims.items():
            if whom.differences is None or whom.sums is None:
                continue
            if self.air.protects(rule, self.place, i):
                self._pair_up(whom.differences, whom.sums, f, self.bin, sign * self.level)
            if level:
                self._pair_up(whom.differences, whom.sums, f, self.air.bins_of[whom.ids], sign * level)

    def _pair_up(
        self, differences: Floats, sums: Floats, f: int, others: Ints, weight: Floats | float
    ) -> None:
        middle = self.air.bins - 1
        weight = np.broadcast_to(weight, others.shape)
        np.add.at(differences, middle + f - others, weight)
        np.add.at(differences, middle + others - f, weight)
        np.add.at(sums, others + f, weight)

    # -- what a carrier at one frequency would do -----------------------------------------------

    def suffered(self, rule: int, i: int, hz: int, among: Bools | None = None) -> float:
        """The load on carrier i at hz from the carriers here, under one rule; `among` limits them by carrier number."""
        law = self.air.rules[rule]
        keep = np.array([j != i and (among is None or bool(among[j])) for j in self.ids], bool)
        a, level = self.hz[keep], self.level[keep]
        if law.family != THREE:
            k, m = self.air.two_letters[law.family]
            near = np.abs(k * a[:, None] - m * a[None, :] - hz) < law.guard_hz
            np.fill_diagonal(near, False)
            return float((level[:, None] ** k * level[None, :] ** m)[near].sum())
        sums, weights = _pair_sums(a, level)
        total = 0.0
        for c in range(len(a)):
            hit = np.abs(sums - a[c] - hz) < law.guard_hz
            if hit.any():
                first, second = np.triu_indices(len(a), 1)
                hit &= (first != c) & (second != c)
                total += float(weights[hit].sum() * level[c])
        return total

    def added(self, rule: int, i: int, hz: int) -> Floats:
        """What carrier i at hz would add to the load of each victim of a rule, in the order of the victims."""
        law, whom = self.air.rules[rule], self.victims[rule]
        level = self.air.heard(self.place, i, hz)
        v = self.air.hz_of[whom.ids]
        if not level or not len(v) or not len(self.hz):
            return np.zeros(len(v))
        alien = np.array(whom.ids)[:, None] != np.array(self.ids)[None, :]
        if law.family != THREE:
            k, m = self.air.two_letters[law.family]
            as_a = np.abs(k * hz - m * self.hz[None, :] - v[:, None]) < law.guard_hz
            as_b = np.abs(k * self.hz[None, :] - m * hz - v[:, None]) < law.guard_hz
            return level**k * ((as_a & alien) * self.level[None, :] ** m).sum(1) + level**m * (
                (as_b & alien) * self.level[None, :] ** k
            ).sum(1)
        return level * self._added_three(law, hz, v, alien)

    def _added_three(self, law: ProductRule, hz: int, v: Ints, alien: Bools) -> Floats:
        """Pairs (b, d) with hz + b − d near v, and pairs (a, b) with a + b − hz near v; none of them v itself."""
        found = np.zeros(len(v))
        for at in range(len(v)):
            others = alien[at]
            b, level = self.hz[others], self.level[others]
            near = np.abs(hz + b[:, None] - b[None, :] - v[at]) < law.guard_hz
            np.fill_diagonal(near, False)
            found[at] = level @ near @ level
            near = np.abs(b[:, None] + b[None, :] - hz - v[at]) < law.guard_hz
            np.fill_diagonal(near, False)
            found[at] += level @ near @ level / 2
        return found

    def culprits(self, rule: int, i: int, hz: int) -> tuple[int, ...]:
        """Two carriers to name for a struck point: those of the strongest product that hits it, or its first victim and a
        carrier that it would hit it with; empty when neither is a matter of two letters."""
        law = self.air.rules[rule]
        if law.family == THREE or not len(self.hz):
            return ()
        k, m = self.air.two_letters[law.family]
        if self.air.protects(rule, self.place, i):
            weight = self.level[:, None] ** k * self.level[None, :] ** m
            weight = weight * (np.abs(k * self.hz[:, None] - m * self.hz[None, :] - hz) < law.guard_hz)
            np.fill_diagonal(weight, 0.0)
            if weight.max(initial=0.0) > 0:
                a, b = np.unravel_index(int(weight.argmax()), weight.shape)
                return self.ids[int(a)], self.ids[int(b)]
        added = self.added(rule, i, hz)
        return (self.victims[rule].ids[int(added.argmax())],) if len(added) and added.max() > 0 else ()

    # -- what it would do at every point of its raster ------------------------------------------

    def survey(
        self, i: int, raster: Ints, bins: Ints, clean: Bools, cost: Floats, only: int | None = None
    ) -> None:
        """Strike points out of `clean` where a forbidding rule would be broken, and add to `cost` what penalised ones cost.

        Where several victims share the blame a point may be struck although each alone would bear it; `added` decides.
        `only` looks at one rule.
        """
        level = self.air.heard_along(self.place, i, raster)
        for rule, whom in self.victims.items():
            if only is not None and rule != only:
                continue
            law = self.air.rules[rule]
            box = self.air.box[rule]
            if law.family == THREE:
                suffers = _boxed(self.map, box, bins) if self.air.protects(rule, self.place, i) else None
                assert whom.caused is not None
                causes = _boxed(whom.caused, box, bins) * level if level is not None and whom.ids else None
            else:
                suffers = (
                    _boxed(self.two[law.family], box, bins)
                    if self.air.protects(rule, self.place, i)
                    else None
                )
                causes = (
                    self._caused_by_two(rule, level, bins)
                    if level is not None and whom.ids and self.ids
                    else None
                )
            if law.treatment == "forbid":
                if suffers is not None:
                    clean &= suffers <= self.air.slack_of(rule, i, 0.0)
                if causes is not None:
                    if law.family == THREE:
                        clean &= causes <= max(min(whom.slack.values(), default=np.inf), 0.0)
                    else:
                        clean &= causes < 1.0
            else:
                for load in (suffers, causes):
                    if load is not None:
                        cost += law.weight * load

    def _caused_by_two(self, rule: int, level: Floats, bins: Ints) -> Floats:
        """For each bin, the sum over victims of what the carrier adds: as share of their slack where it is forbidden."""
        law, whom = self.air.rules[rule], self.victims[rule]
        k, m = self.air.two_letters[law.family]
        box = self.air.box[rule]
        ids = np.array(whom.ids)
        v = self.air.bins_of[ids]
        if law.treatment == "forbid":
            slack = np.array([whom.slack[j] for j in whom.ids])
            urgency = 1.0 / np.maximum(slack, 1e-30)
        else:
            urgency = np.ones(len(ids))
        alien = ids[:, None] != np.array(self.ids)[None, :]
        first, last = int(bins[0]), int(bins[-1])
        # c as A: k·c = v + m·b; c as B: m·c = k·a − v. Only what the raster can read is counted.
        left = _counted(
            v[:, None] + m * self.bin[None, :],
            urgency[:, None] * self.level[None, :] ** m,
            alien,
            k * first - box,
            k * last + box,
        )
        right = _counted(
            k * self.bin[None, :] - v[:, None],
            urgency[:, None] * self.level[None, :] ** k,
            alien,
            m * first - box,
            m * last + box,
        )
        return level**k * _boxed(left, box, k * (bins - first) + box) + level**m * _boxed(
            right, box, m * (bins - first) + box
        )

    def loads(self, rule: int) -> Floats:
        """The load of every victim of a rule as it stands."""
        law, whom = self.air.rules[rule], self.victims[rule]
        if not whom.ids:
            return np.zeros(0)
        box, ids = self.air.box[rule], np.array(whom.ids)
        v = self.air.bins_of[ids]
        rising = np.argsort(v, kind="stable")
        back = np.empty_like(rising)
        back[rising] = np.arange(len(rising))
        own = np.array([self.air.heard(self.place, i, int(self.air.hz_of[i])) for i in whom.ids])
        alien = ids[:, None] != np.array(self.ids, np.int64)[None, :]
        gap = np.abs(self.bin[None, :] - v[:, None])
        if law.family != THREE:
            k, m = self.air.two_letters[law.family]
            total = _boxed(self.two[law.family], box, v[rising])[back]
            total -= own**k * (((m * gap <= box) & alien) @ self.level**m)
            total -= own**m * (((k * gap <= box) & alien) @ self.level**k)
            return np.maximum(total, 0.0)
        middle = self.air.bins - 1
        total = _boxed(self.map, box, v[rising])[back]
        near = ((gap <= box) & alien) @ self.level
        still = _boxed(self.differences, box, np.array([middle]))[0] - 2 * own * near
        total -= own * (still + _boxed(self.sums, box, 2 * v[rising])[back] - own * near)
        return np.maximum(total, 0.0)


def _scatter(array: Floats, at: Ints, weight: Floats) -> None:
    inside = (at >= 0) & (at < len(array))
    np.add.at(array, at[inside], weight[inside])


def _pair_sums(hz: Ints, level: Floats) -> tuple[Ints, Floats]:
    first, second = np.triu_indices(len(hz), 1)
    return hz[first] + hz[second], level[first] * level[second]


def _counted(at: Ints, weight: Floats, keep: Bools, low: int, high: int) -> Floats:
    """A histogram of weights on the bins low … high, both included."""
    keep = keep & (at >= low) & (at <= high)
    return np.asarray(np.bincount(at[keep] - low, weight[keep], high - low + 1), np.float64)


def _boxed(array: Floats, box: int, at: Ints) -> Floats:
    """The sum of 2·box + 1 bins about each of many rising bins."""
    if not len(at):
        return np.zeros(0)
    start, end = max(int(at[0]) - box, 0), min(int(at[-1]) + box + 1, len(array))
    running = np.zeros(max(end - start, 0) + 1)
    np.cumsum(array[start:end], out=running[1:])
    low = (at - (box + start)).clip(0, len(running) - 1)
    high = (at + (box + 1 - start)).clip(0, len(running) - 1)
    return np.asarray(running[high] - running[low])


class Air:
    """All rows: one per place that some rule protects, and per slot where slots differ."""

    def __init__(self, arrays: Arrays) -> None:
        problem = arrays.problem
        self.arrays = arrays
        self.rules = problem.products
        self.two_letters = {
            rule.family: (c[0], -c[1])
            for rule in problem.products
            if len(c := coefficients(rule.family)) == 2
        }
        self._refuse_what_is_not_obeyed()
        self.bins = arrays.axis_bins if arrays.on_axis.any() else 1
        self.box = [-(-rule.guard_hz // arrays.bin_hz) - 1 for rule in problem.products]
        self.hz_of = np.zeros(arrays.n, np.int64)
        self.bins_of = np.zeros(arrays.n, np.int64)
        self._receive()
        self.rows: list[list[Row]] = [
            [row] * arrays.slots for row in (Row(self, z) for z in range(len(problem.zones)))
        ]

    def _refuse_what_is_not_obeyed(self) -> None:
        for number, rule in enumerate(self.rules):
            if rule.treatment == "ignore":
                continue
            if rule.family not in self.two_letters and rule.family != THREE:
                raise Unsupported(
                    f"products[{number}].family: {rule.family} is not obeyed by this solver yet"
                )
            if rule.made_in == "transmitters":
                raise Unsupported(
                    f"products[{number}].made_in: products of transmitters are not obeyed by this solver yet"
                )

    def _receive(self) -> None:
        """Levels of every carrier at every place, who is received where, and which rules protect anybody there."""
        problem, arrays = self.arrays.problem, self.arrays
        place = {zone.id: z for z, zone in enumerate(problem.zones)}
        heard: list[dict[int, float]] = []
        for zone in problem.zones:
            levels = {}
            for i, carrier in enumerate(arrays.carriers):
                found = [zone.hears[k] for k in carrier.sent_from if k in zone.hears]
                if found and carrier.mixes:
                    levels[i] = 10 ** ((max(found) + carrier.level_db) / 10)
            heard.append(levels)
        self._heard = heard
        self.received = [
            frozenset(place[zone] for zone in carrier.received_in) for carrier in arrays.carriers
        ]
        self._passband = [zone.passband for zone in problem.zones]
        active = [number for number, rule in enumerate(self.rules) if rule.treatment != "ignore"]
        wanted: list[set[int]] = [set() for _ in problem.zones]
        self._protects: set[tuple[int, int, int]] = set()
        for i, carrier in enumerate(arrays.carriers):
            for number in active:
                rule = self.rules[number]
                if rule.kinds is not None and carrier.kind not in rule.kinds:
                    continue
                for zone_id in carrier.received_in:
                    if rule.zones is None or zone_id in rule.zones:
                        wanted[place[zone_id]].add(number)
                        self._protects.add((number, place[zone_id], i))
        self.rules_at = [sorted(numbers) for numbers in wanted]
        self.families_at = [{self.rules[number].family for number in numbers} for numbers in wanted]
        self.two_letter_at = [[f for f in families if f != THREE] for families in self.families_at]
        self.places_of = [
            [
                z
                for z in range(len(problem.zones))
                if self.rules_at[z] and (i in heard[z] or z in self.received[i])
            ]
            for i in range(arrays.n)
        ]

    def heard(self, place: int, i: int, hz: int) -> float:
        """The linear level of carrier i at a place's receivers; 0 where they do not hear it."""
        level = self._heard[place].get(i, 0.0)
        passband = self._passband[place]
        if level and passband and not any(band.low_hz <= hz <= band.high_hz for band in passband):
            return 0.0
        return level

    def heard_along(self, place: int, i: int, raster: Ints) -> Floats | None:
        """The same for every point of a raster; None where the place never hears it."""
        level = self._heard[place].get(i, 0.0)
        if not level:
            return None
        passband = self._passband[place]
        if not passband:
            return np.full(len(raster), level)
        inside = np.zeros(len(raster), bool)
        for band in passband:
            inside |= (raster >= band.low_hz) & (raster <= band.high_hz)
        return np.where(inside, level, 0.0)

    def protects(self, rule: int, place: int, i: int) -> bool:
        return (rule, place, i) in self._protects

    def slack_of(self, rule: int, i: int, load: float) -> float:
        """What a carrier may still suffer under a rule; a fixed one over its limit already bears as much again."""
        limit = self.rules[rule].limit
        return limit if self.arrays.fixed[i] and load > limit else limit - load

    def bin_of(self, hz: int) -> int:
        return int(self.arrays.bins(np.array([hz], np.int64))[0])

    def rows_of(self, i: int) -> list[Row]:
        """The rows that a carrier meets, each once however many slots it stands for."""
        slots = np.flatnonzero(self.arrays.on[i])
        found: dict[int, Row] = {}
        for z in self.places_of[i]:
            for t in slots:
                row = self.rows[z][t]
                found[id(row)] = row
        return list(found.values())

    def doubtful(self, i: int) -> bool:
        """Whether a struck point may be clean all the same: victims share the blame, or bins are wider than the raster."""
        if not self.arrays.exact:
            return True
        return any(
            len(whom.ids) > 1 and self.rules[rule].treatment == "forbid"
            for row in self.rows_of(i)
            for rule, whom in row.victims.items()
        )

    def add(self, i: int, hz: int) -> None:
        self.hz_of[i], self.bins_of[i] = hz, self.bin_of(hz)
        for row in self._apart(i):
            row.add(i, hz)

    def remove(self, i: int, hz: int) -> None:
        for row in self._apart(i):
            row.remove(i, hz)

    def _apart(self, i: int) -> list[Row]:
        """The carrier's rows, first told apart from slots in which it is off: copied only when something differs."""
        on = self.arrays.on[i]
        found: list[Row] = []
        for z in self.places_of[i]:
            twins: dict[int, Row] = {}
            for t in np.flatnonzero(on):
                row = self.rows[z][t]
                if id(row) not in twins:
                    shared = any(self.rows[z][s] is row for s in np.flatnonzero(~on))
                    twins[id(row)] = row.copy() if shared else row
                self.rows[z][t] = twins[id(row)]
            found += twins.values()
        return found

    def each_row(self) -> list[tuple[int, int, Row]]:
        """(place, first slot, row) of every row that differs."""
        found: dict[int, tuple[int, int, Row]] = {}
        for z, slots in enumerate(self.rows):
            for t, row in enumerate(slots):
                found.setdefault(id(row), (z, t, row))
        return list(found.values())
