"""Problems of distances alone, where no product is made: carriers by cell, frequencies by channel.

Carriers that are alike in all that rules look at form a cell. A table keeps for every cell and channel how many placed carriers
forbid it; placing one carrier adds one interval to a row per neighbouring cell. The search is tabu search on partial
assignments (PartialCol: Blöchliger & Zufferey, Comput. Oper. Res. 35 (2008); tabu for frequency assignment: Castelino, Hurley &
Stephens, Ann. Oper. Res. 63 (1996); both from memory): the plan is always clean; a move places a carrier that is out at the
channel where it puts the fewest others out, and those may not return there for a while.
"""

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from apps.solver.arrays import Arrays, Bools, Ints
from apps.solver.sweep import Demand, on_a_lattice, sweep

Table = NDArray[np.int32]
IDLE_MOVES = 150_000  # at the most; small tables are left sooner
IDLE_MOVES_EACH = 40  # of every cell at every channel
IDLE_FILLS = 150


class Cells:
    """Movable carriers grouped by what rules can tell apart, on one common list of channels."""

    def __init__(self, arrays: Arrays, units: list[int], hz: Ints) -> None:
        self.arrays = arrays
        keys: dict[tuple[object, ...], list[int]] = {}
        for i in units:
            c = arrays.carriers[i]
            keys.setdefault((c.tuning, int(arrays.kind_of[i]), c.slots, c.priority), []).append(i)
        self.members = list(keys.values())
        self.first = [members[0] for members in self.members]
        self.channels: Ints = np.unique(np.concatenate([arrays.raster(i) for i in self.first]))
        m, k = len(self.members), len(self.channels)
        self.closed = np.ones((m, k), bool)
        for cell, i in enumerate(self.first):
            raster = arrays.raster(i)
            self.closed[cell, np.searchsorted(self.channels, raster[arrays.open_points(i)])] = False
        self.apart_hz = np.zeros((m, m), np.int64)
        for cell, i in enumerate(self.first):
            need = arrays.needs_hz(i)
            need[i] = self._among_themselves(cell)
            self.apart_hz[cell] = need[self.first]
            for j in np.flatnonzero(hz):
                if need[j]:
                    low, high = np.searchsorted(self.channels, [hz[j] - need[j] + 1, hz[j] + need[j]])
                    self.closed[cell, low:high] = True
        # reach[a, b, channel]: the channels of cell b that a carrier of cell a at a channel forbids, as a half-open range
        self.low = np.searchsorted(
            self.channels, self.channels[None, None, :] - self.apart_hz[:, :, None], "right"
        )
        self.high = np.searchsorted(
            self.channels, self.channels[None, None, :] + self.apart_hz[:, :, None], "left"
        )
        self.near = [np.flatnonzero(row) for row in self.apart_hz]

    def _among_themselves(self, cell: int) -> int:
        members = self.members[cell]
        if len(members) < 2:
            return 0
        return int(self.arrays.needs_hz(members[0])[members[1]])


def suits(arrays: Arrays) -> bool:
    """Whether a problem is one of distances alone, among movable carriers without pairs, spans, wishes or history."""
    problem = arrays.problem
    return (
        not any(rule.treatment != "ignore" for rule in problem.products)
        and not (
            problem.pairs
            or problem.spans
            or problem.noise
            or arrays.named
            or arrays.wishes
            or arrays.named_wishes
        )
        and not any(c.previous_hz for c in problem.carriers)
        and arrays.n > 1
    )


def place(
    arrays: Arrays, hz: Ints, random: np.random.Generator, breathe: Callable[[str, float, int], None]
) -> None:
    """Fill hz (0: out) with as many carriers as found; whatever interrupts it, hz holds the best clean plan so far."""
    movable = [i for i in range(arrays.n) if not arrays.fixed[i] and len(arrays.raster(i))]
    if not movable:
        return
    cells = Cells(arrays, movable, np.where(arrays.fixed, hz, 0))
    if cells.low.size > 20_000_000:
        return
    _Tabu(cells, random).run(hz, breathe)


class _Tabu:
    def __init__(self, cells: Cells, random: np.random.Generator) -> None:
        self.cells, self.random = cells, random
        m, k = cells.closed.shape
        self.crowd: Table = np.where(cells.closed, 1 << 20, 0).astype(np.int32)
        self.at: list[set[int]] = [set() for _ in range(m)]
        self.on = np.zeros((m, k), bool)
        self.out = np.array([len(members) for members in cells.members])
        # One of a higher priority outweighs all of the lower ones.
        self.weight = np.array(
            [
                (len(cells.arrays.carriers) + 1.0) ** (9 - cells.arrays.carriers[i].priority)
                for i in cells.first
            ]
        )
        self.tabu = np.zeros((m, k), np.int64)

    def _flip(self, cell: int, channel: int, sign: int) -> None:
        low, high, crowd = self.cells.low[cell], self.cells.high[cell], self.crowd
        for other in self.cells.near[cell]:
            crowd[other, low[other, channel] : high[other, channel]] += sign
        self.on[cell, channel] = sign > 0
        self.out[cell] -= sign

    def fill(self, urgency: NDArray[np.float64]) -> None:
        """Channel by channel from the lowest up: of the cells that may take it, the most urgent, then the next."""
        reach = self.cells.apart_hz.astype(float)
        reach /= reach.max() or 1.0
        load = reach @ self.out + self.out
        for channel in range(len(self.cells.channels)):
            score = np.where((self.crowd[:, channel] == 0) & (self.out > 0), load * urgency, -1.0)
            while (cell := int(score.argmax())) >= 0 and score[cell] > 0:
                self._flip(cell, channel, +1)
                load -= reach[:, cell]
                load[cell] -= 1
                score[self.cells.near[cell]] = np.where(
                    (self.cells.low[cell, self.cells.near[cell], channel] <= channel)
                    & (channel < self.cells.high[cell, self.cells.near[cell], channel]),
                    -1.0,
                    score[self.cells.near[cell]],
                )
                score[cell] = -1.0

    def clear(self) -> None:
        for cell, row in enumerate(self.on):
            for channel in np.flatnonzero(row):
                self._flip(cell, int(channel), -1)

    def run(self, hz: Ints, breathe: Callable[[str, float, int], None]) -> None:
        """Fill once, then sweep, then fill again and again; tabu search from the best plan, until nobody is out."""
        best, kept = np.inf, self.on.copy()
        for on in self._beginnings(breathe):
            if on is not None:
                self._set(on)
            cost = float((self.out * self.weight).sum())
            if cost < best:
                best, kept = cost, self.on.copy()
                self._write(hz)
            if not cost:
                return
        self._set(kept)
        self.tabu_search(hz, breathe)

    def _beginnings(self, breathe: Callable[[str, float, int], None]) -> Iterator[Bools | None]:
        """Plans to begin with; None is the one in hand."""
        urgency = np.ones(len(self.out))
        breathe("placing", 0.0, int(self.out.sum()))
        self.fill(urgency)
        yield None
        yield from self._swept(breathe)
        best, idle = np.inf, 0
        while idle < IDLE_FILLS:
            breathe("placing", 0.4 + 0.2 * idle / IDLE_FILLS, int(self.out.sum()))
            self.clear()
            self.fill(urgency * (1 + 0.05 * self.random.random(len(urgency))))
            cost = float((self.out * self.weight).sum())
            best, idle = min(best, cost), 0 if cost < best else idle + 1
            yield None
            # Whoever stays out is more urgent the next time (squeaky wheel).
            urgency = 0.98 * urgency + 0.02 + 0.1 * self.out / max(1, self.out.max())

    def _swept(self, breathe: Callable[[str, float, int], None]) -> Iterator[Bools]:
        cells, out = self.cells, int(self.out.sum())
        step, at, closed = on_a_lattice(cells.channels, cells.closed)
        apart = -(-cells.apart_hz // step)
        count = np.array([len(members) for members in cells.members])
        found = sweep(Demand(count, self.weight, apart, closed)) if closed.size else None
        if found is not None:
            for on in found.plans(self.random, lambda share: breathe("placing", 0.4 * share, out)):
                yield on[:, at]

    def _set(self, on: Bools) -> None:
        self.clear()
        for cell, channel in np.argwhere(on):
            self._flip(int(cell), int(channel), +1)

    def tabu_search(self, hz: Ints, breathe: Callable[[str, float, int], None]) -> None:
        best, idle, move = float((self.out * self.weight).sum()), 0, 0
        patience = min(IDLE_MOVES, IDLE_MOVES_EACH * self.on.size)
        while idle < patience and self.out.any():
            if move % 64 == 0:
                breathe("placing", min(0.95, idle / patience), int(self.out.sum()))
            cost = float((self.out * self.weight).sum())
            if cost < best:
                best, idle = cost, 0
                self._write(hz)
                if not self.out.any():
                    return
            waiting = np.flatnonzero(self.out)
            crowd = self.crowd[waiting]
            price = np.where(self.tabu[waiting] > move, crowd + 1000, crowd)
            least = price.min()
            if least >= 1 << 20:
                return
            ties = np.flatnonzero(price.ravel() == least)
            pick = int(ties[int(self.random.integers(len(ties)))])
            cell, channel = int(waiting[pick // price.shape[1]]), pick % price.shape[1]
            if self.crowd[cell, channel]:
                tenure = move + int(self.random.integers(10)) + int(0.6 * self.out.sum()) + 1
                for other in self.cells.near[cell]:
                    low, high = self.cells.low[cell, other, channel], self.cells.high[cell, other, channel]
                    for gone in np.flatnonzero(self.on[other, low:high]) + low:
                        self._flip(int(other), int(gone), -1)
                        self.tabu[other, gone] = tenure
            self._flip(cell, channel, +1)
            move += 1
            idle += 1

    def _write(self, hz: Ints) -> None:
        for members, row in zip(self.cells.members, self.on, strict=True):
            at = self.cells.channels[np.flatnonzero(row)]
            hz[members] = 0
            hz[members[: len(at)]] = at
