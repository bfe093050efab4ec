"""A problem as arrays: rasters with what is blocked on them, classes of carriers and what they owe each other, time.

Built once per problem; the search only reads it. Carriers are numbered as in the document.
"""

from collections import defaultdict
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from apps.solver.problem import Carrier, Problem, Separation, Tuning, concerns

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]


class Arrays:
    """The parts of a problem that do not change while it is solved."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.carriers = problem.carriers
        self.n = len(problem.carriers)
        self.number = {carrier.id: i for i, carrier in enumerate(problem.carriers)}
        self.slots = len(problem.slots)
        self.on = self._on()
        self.fixed = np.array([carrier.fixed_hz is not None for carrier in problem.carriers], bool)
        self.previous_hz = np.array([carrier.previous_hz or 0 for carrier in problem.carriers], np.int64)
        self._rasters: dict[tuple[Tuning, ...], Ints] = {}
        self._open: dict[tuple[object, ...], Bools] = {}
        self._timed_ranges = any(blocked.slots is not None for blocked in problem.blocked)
        self._noise: dict[tuple[object, ...], Floats | None] = {}
        self._classify()

    def _on(self) -> Bools:
        place = {slot: t for t, slot in enumerate(self.problem.slots)}
        on = np.zeros((self.n, self.slots), bool)
        for i, carrier in enumerate(self.carriers):
            on[i, [place[slot] for slot in carrier.slots]] = True
        return on

    @cached_property
    def all_day(self) -> Bools:
        return np.asarray(self.on.all(axis=1))

    # -- rasters ----------------------------------------------------------------------------

    def raster(self, i: int) -> Ints:
        """Every frequency that a carrier can tune, in hertz, rising; shared by carriers of the same tuning."""
        tuning = self.carriers[i].tuning
        if tuning not in self._rasters:
            parts = [np.arange(t.low_hz, t.high_hz + 1, t.step_hz, dtype=np.int64) for t in tuning]
            self._rasters[tuning] = np.unique(np.concatenate(parts)) if parts else np.zeros(0, np.int64)
        return self._rasters[tuning]

    def alike(self, i: int) -> tuple[object, ...]:
        """What blocked ranges see of a carrier: they take the same from all of whom this is equal."""
        carrier = self.carriers[i]
        hours = carrier.slots if self._timed_ranges else ()
        return carrier.tuning, carrier.bandwidth_hz, carrier.stands, carrier.kind, hours

    def open_points(self, i: int) -> Bools:
        """Which points of the raster no blocked range takes away."""
        key = self.alike(i)
        if key not in self._open:
            raster = self.raster(i)
            free = np.ones(len(raster), bool)
            for _, low, high in self.blocked_ranges(i):
                free[low:high] = False
            self._open[key] = free
        return self._open[key]

    def blocked_ranges(self, i: int) -> list[tuple[int, int, int]]:
        """(row, from, to) for each blocked range that concerns a carrier: the points of its raster that it takes."""
        carrier, raster, found = self.carriers[i], self.raster(i), []
        for row, blocked in enumerate(self.problem.blocked):
            if blocked.slots is not None and not blocked.slots & set(carrier.slots):
                continue
            if concerns(carrier, blocked.zones, blocked.kinds):
                half = carrier.bandwidth_hz / 2
                low = int(np.searchsorted(raster, blocked.low_hz - half, "right"))
                high = int(np.searchsorted(raster, blocked.high_hz + half, "left"))
                if low < high:
                    found.append((row, low, high))
        return found

    def noise(self, i: int) -> Floats | None:
        """What each point of the raster costs by the surveys; None where none concerns the carrier."""
        carrier = self.carriers[i]
        key = (carrier.tuning, carrier.bandwidth_hz, carrier.received_in, carrier.kind)
        if key not in self._noise:
            self._noise[key] = self._noise_cost(carrier, self.raster(i))
        return self._noise[key]

    def _noise_cost(self, carrier: Carrier, raster: Ints) -> Floats | None:
        total: Floats | None = None
        for row in self.problem.noise:
            heard = row.zones is None or row.zones & set(carrier.received_in)
            if not heard or (row.kinds is not None and carrier.kind not in row.kinds):
                continue
            level = np.array(row.level_dbm)
            half = max(carrier.bandwidth_hz, row.step_hz) / 2
            first = np.ceil((raster - half - row.low_hz) / row.step_hz).astype(np.int64).clip(0, len(level))
            last = (
                np.floor((raster + half - row.low_hz) / row.step_hz).astype(np.int64).clip(-1, len(level) - 1)
            )
            peak = _highest_between(level, first, last)
            cost = row.weight * np.maximum(0.0, peak - row.reference_dbm)
            total = cost if total is None else total + cost
        return total

    # -- what carriers owe each other ---------------------------------------------------------

    def _classify(self) -> None:
        classes: dict[tuple[frozenset[str], str, int], int] = {}
        self.kind_of = np.array(
            [classes.setdefault((c.stands, c.kind, c.bandwidth_hz), len(classes)) for c in self.carriers],
            np.int64,
        )
        keys = list(classes)
        general: dict[str, dict[tuple[str, str, str, str], list[Separation]]] = {
            "forbid": defaultdict(list), "penalise": defaultdict(list),
        }  # fmt: skip
        self.named: dict[int, dict[int, int]] = defaultdict(dict)
        self.named_wishes: dict[int, dict[int, list[tuple[int, float]]]] = defaultdict(
            lambda: defaultdict(list)
        )
        for row in self.problem.separations:
            if row.carriers:
                self._name(row)
            elif row.zones and row.kinds:
                (z, y), (k, m) = row.zones, row.kinds
                ends = {(z, k, y, m), (y, m, z, k)} | ({(z, m, z, k), (z, k, z, m)} if z == y else set())
                for end in ends:
                    general[row.treatment][end].append(row)
        self.spacing_hz = np.zeros((len(keys), len(keys)), np.int64)
        self.wishes: dict[tuple[int, int], list[tuple[int, float]]] = {}
        for a, (stands, kind, width) in enumerate(keys):
            for b in range(a, len(keys)):
                others, other_kind, other_width = keys[b]
                ways = [(x, kind, y, other_kind) for x in stands for y in others]
                asked = [row.min_hz for way in ways for row in general["forbid"].get(way, ())]
                default = (width + other_width + 1) // 2 if stands & others else 0
                self.spacing_hz[a, b] = self.spacing_hz[b, a] = max(asked) if asked else default
                wished = [
                    (row.min_hz, row.weight)
                    for way in ways
                    for row in general["penalise"].get(way, ())
                    if row.min_hz
                ]
                if wished:
                    self.wishes[a, b] = self.wishes[b, a] = wished

    def _name(self, row: Separation) -> None:
        assert row.carriers is not None
        a, b = (self.number[code] for code in row.carriers)
        for one, other in ((a, b), (b, a)):
            if row.treatment == "forbid":
                self.named[one][other] = max(row.min_hz, self.named[one].get(other, 0))
            elif row.min_hz:
                self.named_wishes[one][other].append((row.min_hz, row.weight))

    def needs_hz(self, i: int) -> Ints:
        """How far every other carrier must stay from this one, in hertz; 0 where they never meet in time or owe nothing."""
        need = self.spacing_hz[self.kind_of[i], self.kind_of].copy()
        for other, hertz in self.named.get(i, {}).items():
            need[other] = hertz
        need[~(self.on @ self.on[i])] = 0
        need[i] = 0
        return need

    @cached_property
    def kept_slots(self) -> Ints:
        """Slots that are worth looking at for products: whoever is on in a dropped one is also on in a kept one.

        Loads only grow with the set on the air, so the worst is exact. A slot with a further fixed carrier does not stand
        for one without, since what fixed carriers suffer from each other raises what they may bear.
        """
        kept: list[int] = []
        for t in sorted(range(self.slots), key=lambda t: -int(self.on[:, t].sum())):
            mine = self.on[:, t]
            if not any(
                not (mine & ~self.on[:, k]).any() and not (self.on[:, k] & ~mine & self.fixed).any()
                for k in kept
            ):
                kept.append(t)
        return np.array(sorted(kept), np.int64)


def _highest_between(level: Floats, first: Ints, last: Ints) -> Floats:
    """The highest sample with first ≤ index ≤ last for many intervals: two overlapping power-of-two windows each."""
    peak = np.full(len(first), -np.inf)
    width = last - first + 1
    window, span = level, 1
    while True:
        use = (width >= span) & (width < 2 * span)
        if use.any():
            peak[use] = np.maximum(window[first[use]], window[last[use] - span + 1])
        if 2 * span > width.max(initial=0) or 2 * span > len(level):
            return peak
        window = np.maximum(window[:-span], window[span:])
        span *= 2
