"""A recount of a plan by plain counting, written apart from the search so that a fault of its arithmetic cannot hide here.

    python -m apps.solver.verify PROBLEM RESULT

prints {ok, faults: {rule: […]}, penalty}; exit 0 when no rule is broken, 1 when one is, 2 when a document is unreadable.
Loads are found by sorting the sums of two carriers and searching them for each victim and third letter: O(n² log n) for
each victim at a place and slot, in bounded memory.
"""

import json
import re
import sys
from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations, permutations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from apps.solver.problem import (
    Carrier,
    MalformedProblem,
    Problem,
    ProductRule,
    Separation,
    concerns,
    read_problem,
)


@dataclass(frozen=True)
class Breach:
    """A broken rule: who suffers, through whom, where and when, and by how much.

    `row` is the rule's place in its list of the problem; measured and limit are hertz or linear loads.
    """

    rule: str
    victim: str
    others: tuple[str, ...] = ()
    row: int | None = None
    zone: str | None = None
    slot: str | None = None
    measured: float = 0.0
    limit: float = 0.0


@dataclass(frozen=True)
class Verdict:
    breaches: tuple[Breach, ...]
    penalty: float

    @property
    def ok(self) -> bool:
        return not self.breaches


def verify(problem: Problem, assignments: Mapping[str, int]) -> Verdict:
    """Recount every rule. Breaches among fixed carriers alone are not breaches (they were there before)."""
    count = _Count(problem, assignments)
    found = dict.fromkeys([*count.anywhere()])
    for zone in problem.zones:
        for slot in problem.slots:
            found |= dict.fromkeys(count.at(zone.id, slot))
    return Verdict(tuple(found), count.penalty())


def breaches_anywhere(problem: Problem, assignments: Mapping[str, int]) -> tuple[Breach, ...]:
    """What knows no place: rasters, blocked ranges, fixed carriers, pairs, spans, separations of named carriers."""
    return tuple(_Count(problem, assignments).anywhere())


def breaches_at(problem: Problem, assignments: Mapping[str, int], zone: str, slot: str) -> tuple[Breach, ...]:
    """Products that hit carriers received in a zone, and separations of carriers that stand there, in one slot."""
    return tuple(_Count(problem, assignments).at(zone, slot))


class _Count:
    def __init__(self, problem: Problem, assignments: Mapping[str, int]) -> None:
        self.problem = problem
        self.carriers = {carrier.id: carrier for carrier in problem.carriers}
        self.hz = {code: hertz for code, hertz in assignments.items() if code in self.carriers}
        self.zones = {zone.id: zone for zone in problem.zones}
        self.fixed = {carrier.id for carrier in problem.carriers if carrier.fixed_hz is not None}

    # -- rules that know no place ---------------------------------------------------------------

    def anywhere(self) -> Iterable[Breach]:
        yield from self._each()
        yield from self._pairs()
        yield from self._spans()
        for (a, b), (row, need) in self._named("forbid").items():
            if a in self.hz and b in self.hz and not {a, b} <= self.fixed and self._together(a, b):
                apart = abs(self.hz[a] - self.hz[b])
                if apart < need:
                    yield Breach("separation", a, (b,), row, None, None, apart, need)

    def _each(self) -> Iterable[Breach]:
        for code, carrier in self.carriers.items():
            hertz = self.hz.get(code)
            if carrier.fixed_hz is not None:
                if hertz != carrier.fixed_hz:
                    yield Breach("fixed", code, (), None, None, None, hertz or 0, carrier.fixed_hz)
                continue
            if hertz is None:
                continue
            if not any(
                t.low_hz <= hertz <= t.high_hz and (hertz - t.low_hz) % t.step_hz == 0 for t in carrier.tuning
            ):
                yield Breach("raster", code, (), None, None, None, hertz)
            for row, blocked in enumerate(self.problem.blocked):
                on = blocked.slots is None or blocked.slots & set(carrier.slots)
                if not on or not concerns(carrier, blocked.zones, blocked.kinds):
                    continue
                if (
                    2 * hertz + carrier.bandwidth_hz > 2 * blocked.low_hz
                    and 2 * hertz - carrier.bandwidth_hz < 2 * blocked.high_hz
                ):
                    yield Breach("blocked", code, (blocked.id,) if blocked.id else (), row, None, None, hertz)
                    break

    def _pairs(self) -> Iterable[Breach]:
        for row, pair in enumerate(self.problem.pairs):
            first, second = self.hz.get(pair.first), self.hz.get(pair.second)
            if {pair.first, pair.second} <= self.fixed or (first is None and second is None):
                continue
            if first is None or second is None:
                if not {pair.first, pair.second} & self.fixed:
                    placed, missing = (
                        (pair.second, pair.first) if first is None else (pair.first, pair.second)
                    )
                    yield Breach("pair", placed, (missing,), row)
            elif second - first not in pair.offsets_hz:
                yield Breach(
                    "pair", pair.first, (pair.second,), row, None, None, second - first, pair.offset_hz
                )

    def _spans(self) -> Iterable[Breach]:
        for row, span in enumerate(self.problem.spans):
            placed = sorted((self.hz[code], code) for code in span.carriers if code in self.hz)
            if not placed or not {code for _, code in placed} - self.fixed:
                continue
            width = placed[-1][0] - placed[0][0]
            if width > span.max_span_hz:
                yield Breach("span", placed[0][1], (placed[-1][1],), row, None, None, width, span.max_span_hz)

    def _named(self, treatment: str) -> dict[tuple[str, str], tuple[int, int]]:
        """{two carriers in the order of the document: (row, largest distance)} of the rows that name carriers."""
        named: dict[tuple[str, str], tuple[int, int]] = {}
        place = {carrier.id: number for number, carrier in enumerate(self.problem.carriers)}
        for row, separation in enumerate(self.problem.separations):
            if separation.carriers and separation.treatment == treatment:
                a, b = sorted(separation.carriers, key=place.__getitem__)
                if (a, b) not in named or separation.min_hz > named[a, b][1]:
                    named[a, b] = (row, separation.min_hz)
        return named

    def _together(self, a: str, b: str) -> bool:
        return not set(self.carriers[a].slots).isdisjoint(self.carriers[b].slots)

    # -- rules at a place and slot --------------------------------------------------------------

    def at(self, zone: str, slot: str) -> Iterable[Breach]:
        yield from self._separations_at(zone, slot)
        for row, rule in enumerate(self.problem.products):
            if rule.treatment == "forbid" and (rule.zones is None or zone in rule.zones):
                yield from self._products_at(row, rule, zone, slot)

    @cached_property
    def _named_forbidding(self) -> set[frozenset[str]]:
        return {frozenset(key) for key in self._named("forbid")}

    @cached_property
    def _general(self) -> dict[str, dict[tuple[str, str, str, str], list[tuple[int, Separation]]]]:
        """General rows by treatment, under each way in which they may be read: (zone, kind, other zone, other kind)."""
        found: dict[str, dict[tuple[str, str, str, str], list[tuple[int, Separation]]]] = {
            "forbid": defaultdict(list), "penalise": defaultdict(list),
        }  # fmt: skip
        for number, row in enumerate(self.problem.separations):
            if row.zones is None or row.kinds is None:
                continue
            (z, y), (k, m) = row.zones, row.kinds
            ends = {(z, k, y, m), (y, m, z, k)} | ({(z, m, z, k), (z, k, z, m)} if z == y else set())
            for end in ends:
                found[row.treatment][end].append((number, row))
        return found

    def _needs(self, a: Carrier, b: Carrier) -> tuple[int | None, float]:
        """The forbidding row that asks most of two carriers, and its hertz; the default is no overlap in a common zone."""
        rows = self._general["forbid"]
        asked = [
            (row.min_hz, number)
            for x in a.stands
            for y in b.stands
            for number, row in rows.get((x, a.kind, y, b.kind), ())
        ]
        if asked:
            most, number = max(asked, key=lambda pair: (pair[0], -pair[1]))
            return number, most
        return None, (a.bandwidth_hz + b.bandwidth_hz) / 2 if a.stands & b.stands else 0

    @cached_property
    def _widest_hz(self) -> float:
        widest = max((carrier.bandwidth_hz for carrier in self.problem.carriers), default=0)
        return max([widest, *(row.min_hz for row in self.problem.separations)])

    def _separations_at(self, zone: str, slot: str) -> Iterable[Breach]:
        """Pairs of which one stands in the zone, both on in the slot."""
        on = sorted((hertz, code) for code, hertz in self.hz.items() if slot in self.carriers[code].slots)
        here = [zone in self.carriers[code].stands for _, code in on]
        for i, (hertz, code) in enumerate(on):
            for j in range(i + 1, len(on)):
                other_hertz, other = on[j]
                apart = other_hertz - hertz
                if apart >= self._widest_hz:
                    break
                if (
                    not (here[i] or here[j])
                    or {code, other} <= self.fixed
                    or frozenset((code, other)) in self._named_forbidding
                ):
                    continue
                row, need = self._needs(self.carriers[code], self.carriers[other])
                if apart < need:
                    yield Breach("separation", code, (other,), row, None, None, apart, need)

    def _products_at(self, row: int, rule: ProductRule, zone: str, slot: str) -> Iterable[Breach]:
        for victim, load, groups in self._loads(rule, zone, slot):
            if load <= rule.limit:
                continue
            standing = (
                sum(group.load(rule, self.hz[victim], victim, self.fixed) for group in groups)
                if victim in self.fixed
                else 0
            )
            if standing <= rule.limit or load - standing > rule.limit:
                culprits = max((group.culprits(rule, self.hz[victim], victim) for group in groups), key=len)
                yield Breach("product", victim, culprits, row, zone, slot, load, rule.limit)

    def _loads(self, rule: ProductRule, zone: str, slot: str) -> Iterable[tuple[str, float, list["_Group"]]]:
        victims = [
            code
            for code in self.hz
            if zone in self.carriers[code].received_in
            and slot in self.carriers[code].slots
            and (rule.kinds is None or self.carriers[code].kind in rule.kinds)
        ]
        if not victims:
            return
        groups = self._groups(zone, slot, rule.made_in)
        for victim in victims:
            yield victim, sum(group.load(rule, self.hz[victim], victim) for group in groups), groups

    def _groups(self, zone: str, slot: str, made_in: str) -> list["_Group"]:
        """The sets of carriers that mix with each other for a zone, with the gain of what they make."""
        place = self.zones[zone]
        on = [code for code in self.hz if self.carriers[code].mixes and slot in self.carriers[code].slots]
        if made_in == "transmitters":
            return [
                _Group(
                    10 ** (heard / 10),
                    {
                        c: (self.hz[c], 10 ** (self.carriers[c].level_db / 10))
                        for c in on
                        if k in self.carriers[c].sent_from
                    },
                )
                for k, heard in place.hears.items()
            ]
        sources = {}
        for code in on:
            carrier, hertz = self.carriers[code], self.hz[code]
            heard = [place.hears[k] for k in carrier.sent_from if k in place.hears]
            passes = not place.passband or any(
                band.low_hz <= hertz <= band.high_hz for band in place.passband
            )
            if heard and passes:
                sources[code] = (hertz, 10 ** ((max(heard) + carrier.level_db) / 10))
        return [_Group(1.0, sources)]

    # -- what costs -----------------------------------------------------------------------------

    def penalty(self) -> float:
        return self._wishes() + self._noise() + self._penalised()

    def _wishes(self) -> float:
        general = self._general["penalise"]
        named: dict[frozenset[str], list[Separation]] = defaultdict(list)
        for row in self.problem.separations:
            if row.carriers and row.treatment == "penalise":
                named[frozenset(row.carriers)].append(row)
        if not general and not named:
            return 0.0
        widest = max(
            (row.min_hz for row in self.problem.separations if row.treatment == "penalise"), default=0
        )
        order = sorted(self.hz, key=self.hz.__getitem__)
        total = 0.0
        for i, code in enumerate(order):
            for other in order[i + 1 :]:
                apart = self.hz[other] - self.hz[code]
                if apart > widest:
                    break
                if {code, other} <= self.fixed or not self._together(code, other):
                    continue
                a, b = self.carriers[code], self.carriers[other]
                rows = named.get(frozenset((code, other))) or [
                    row
                    for x in a.stands
                    for y in b.stands
                    for _, row in general.get((x, a.kind, y, b.kind), ())
                ]
                total += max(
                    (row.weight * (1 - apart / row.min_hz) for row in rows if apart < row.min_hz), default=0.0
                )
        return total

    def _noise(self) -> float:
        total = 0.0
        for row in self.problem.noise:
            at = row.low_hz + row.step_hz * np.arange(len(row.level_dbm), dtype=np.int64)
            level = np.array(row.level_dbm)
            for code, hertz in self.hz.items():
                carrier = self.carriers[code]
                if code in self.fixed or (row.kinds is not None and carrier.kind not in row.kinds):
                    continue
                if row.zones is not None and not row.zones & set(carrier.received_in):
                    continue
                inside = 2 * np.abs(at - hertz) <= max(carrier.bandwidth_hz, row.step_hz)
                if inside.any():
                    total += row.weight * max(0.0, float(level[inside].max()) - row.reference_dbm)
        return total

    def _penalised(self) -> float:
        total = 0.0
        for rule in self.problem.products:
            if rule.treatment != "penalise":
                continue
            worst: dict[str, float] = {}
            for zone in self.problem.zones:
                if rule.zones is not None and zone.id not in rule.zones:
                    continue
                for slot in self.problem.slots:
                    for victim, load, _ in self._loads(rule, zone.id, slot):
                        worst[victim] = max(worst.get(victim, 0.0), load)
            total += rule.weight * sum(load for load in worst.values() if load > rule.limit)
        return total


def coefficients(family: str) -> tuple[int, ...]:
    """The coefficients of a family's letters: «2A-B» → (2, -1)."""
    found = re.findall(r"([+-]?)(\d*)[A-Z]", family)
    return tuple(int(f"{sign}{digits or 1}") for sign, digits in found)


class _Group:
    """Carriers that mix with each other, and the gain of what they make."""

    def __init__(self, gain: float, sources: Mapping[str, tuple[int, float]]) -> None:
        self.gain = gain
        self.codes = list(sources)
        self.hz: NDArray[np.int64] = np.array([hertz for hertz, _ in sources.values()], np.int64)
        self.level: NDArray[np.float64] = np.array([level for _, level in sources.values()])

    def load(self, rule: ProductRule, hertz: int, victim: str, among: set[str] | None = None) -> float:
        """Summed weight of the family's products of carriers other than the victim, strictly nearer than the guard."""
        keep = np.array([code != victim and (among is None or code in among) for code in self.codes], bool)
        if not keep.any():
            return 0.0
        return self.gain * _sum_near(rule.family, self.hz[keep], self.level[keep], hertz, rule.guard_hz)

    def culprits(self, rule: ProductRule, hertz: int, victim: str) -> tuple[str, ...]:
        """The carriers of the strongest product that hits the victim; empty when none does."""
        best = max(self.products(rule, hertz, victim), default=(0.0, ()))
        return best[1]

    def products(self, rule: ProductRule, hertz: int, victim: str) -> Iterable[tuple[float, tuple[str, ...]]]:
        """Every product of the family that hits the victim, with its weight. By enumeration: for one victim at a time."""
        factors = coefficients(rule.family)
        others = [i for i, code in enumerate(self.codes) if code != victim]
        heads: Iterable[tuple[int, ...]]
        if factors == (1, 1, -1):
            heads = combinations(others, 2)
        else:
            heads = permutations(others, len(factors) - 1)
        order = sorted(others, key=lambda i: self.hz[i])
        sorted_hz = self.hz[order]
        for head in heads:
            # The last letter's frequency is narrowed by search instead of being tried in turn.
            rest = sum(k * int(self.hz[i]) for k, i in zip(factors, head, strict=False)) - hertz
            last = -factors[-1]
            low = np.searchsorted(sorted_hz * last, rest - rule.guard_hz, "right")
            high = np.searchsorted(sorted_hz * last, rest + rule.guard_hz, "left")
            for place in range(low, high):
                tail = order[place]
                if tail in head or (factors in ((3, -1, -1),) and head[1] > tail):
                    continue
                letters = (*head, tail)
                weight = float(
                    np.prod([self.level[i] ** abs(k) for k, i in zip(factors, letters, strict=True)])
                )
                yield self.gain * weight, tuple(self.codes[i] for i in letters)


def _sum_near(
    family: str, hz: NDArray[np.int64], level: NDArray[np.float64], target: int, guard_hz: int
) -> float:
    factors = coefficients(family)
    if len(hz) < len(factors):
        return 0.0
    if len(factors) == 2:
        a, b = factors
        near = np.abs(a * hz[:, None] + b * hz[None, :] - target) < guard_hz
        np.fill_diagonal(near, False)
        return float((level[:, None] ** abs(a) * level[None, :] ** abs(b))[near].sum())
    # Three letters: for each pair of the two letters with equal roles … else of the last two, search the remaining one.
    total = 0.0
    a, b, c = factors
    order = np.argsort(hz)
    running = np.concatenate([[0.0], np.cumsum(level[order] ** abs(b))])
    sorted_b = b * hz[order] if b > 0 else -b * hz[order]
    for third in range(len(hz)):
        base = target - c * hz[third]  # a·A + b·B must be strictly within the guard of base
        want = (base - a * hz) if b > 0 else (a * hz - base)
        low = np.searchsorted(sorted_b, want - guard_hz, "right")
        high = np.searchsorted(sorted_b, want + guard_hz, "left")
        sums = running[high] - running[low]
        # B may be neither A nor C, and A not C.
        sums = sums - np.where(np.abs(a * hz + b * hz - base) < guard_hz, level ** abs(b), 0.0)
        own = np.abs(a * hz + b * hz[third] - base) < guard_hz
        sums = sums - np.where(own, level[third] ** abs(b), 0.0)
        sums[third] = 0.0
        total += float((level ** abs(a) * sums).sum() * level[third] ** abs(c))
    # Letters of equal coefficient were counted in both orders.
    return total / 2 if a == b or b == c else total


def main(arguments: list[str]) -> int:
    if len(arguments) != 2:
        print("usage: python -m apps.solver.verify PROBLEM RESULT", file=sys.stderr)
        return 2
    try:
        with (
            open(arguments[0], encoding="utf-8") as problem_file,
            open(arguments[1], encoding="utf-8") as result_file,
        ):
            problem, result = read_problem(json.load(problem_file)), json.load(result_file)
        assignments = result["assignments"]
    except MalformedProblem as malformed:
        print(malformed, file=sys.stderr)
        return 2
    except (OSError, ValueError, KeyError, TypeError) as error:
        print(f"{error}", file=sys.stderr)
        return 2
    verdict = verify(problem, assignments)
    faults: dict[str, list[Any]] = defaultdict(list)
    for breach in verdict.breaches:
        faults[breach.rule].append([breach.victim, *breach.others])
    placed = {*assignments, *(row["id"] for row in result.get("unplaced", []))}
    for carrier in problem.carriers:
        if carrier.id not in placed:
            faults["missing"].append([carrier.id])
    print(json.dumps({"ok": not faults, "faults": faults, "penalty": round(verdict.penalty, 6)}, indent=1))
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
