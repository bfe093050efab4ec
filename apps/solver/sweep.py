"""Problems of distances alone, swept channel by channel from the lowest up: many half-made plans side by side.

Cells that all owe each other a distance form a chain: each of their carriers takes a width of its own, as in `bound`, and the
widths lie side by side. What a chain still needs over what is left of the spectrum above its last carrier says how full it is,
and a half-made plan is judged by its fullest chains. At each channel every plan is continued by every set of cells that may
share the channel; the best are kept (beam search). What is left free below a wide carrier counts as lost only where no carrier
of the chain could still have used it, for else plans that put the wide ones off would look better than they are.
"""

import itertools
import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from apps.solver.arrays import Bools, Floats, Ints
from apps.solver.bound import widths

Singles = NDArray[np.float32]

MOST_CELLS = 62  # bits of a whole number
MOST_SETS = 1500  # of cells that share a channel
MOST_CHANNELS = 20_000
MOST_CHAINS = 120
# Round by round: plans kept side by side; the power to which chains count (the steeper, the more the fullest alone); and by how
# much prices are shaken, against what one channel lost makes of them.
ROUNDS = (
    (20, 16, 1.0),
    (20, 8, 0.1),
    (20, 12, 2.0),
    (20, 16, 0.3),
    (20, 8, 1.0),
    (200, 12, 1.0),
    (200, 8, 1.0),
)
IDLE_ROUNDS = 3 * len(ROUNDS)
FULLEST = np.float32(8.0)
WORK = 600_000_000  # continuations of one round, weighed against every chain; fewer plans are kept where there are more


@dataclass(frozen=True)
class Demand:
    """Carriers to place in each cell and their weight, how many channels cells stay apart, and channels closed to them."""

    count: Ints
    weight: Floats
    apart: Ints
    closed: Bools


class Sweep:
    """The sets that may share a channel, and the chains, of one problem."""

    def __init__(self, cells: Demand, sets: list[tuple[int, ...]]) -> None:
        self.cells = cells
        m, reach = len(cells.count), max(1, int(cells.apart.max()))
        self.taken = np.zeros((len(sets), m), np.int64)
        for k, members in enumerate(sets):
            self.taken[k, list(members)] = 1
        bit = np.int64(1) << np.arange(m)
        self.mask: Ints = self.taken @ bit
        # ahead[set, k]: cells that the set keeps away from the channel k above
        near = np.array([[int((cells.apart[i] > k) @ bit) for k in range(reach)] for i in range(m)], np.int64)
        self.ahead = np.zeros((len(sets), reach), np.int64)
        for k, members in enumerate(sets):
            for i in members:
                self.ahead[k] |= near[i]
        self.bit = bit
        self.chains = _chains(cells).astype(np.float32)
        self.widest = self.chains.max(axis=1)
        self.takes = (self.taken @ self.chains.T).astype(np.float32)
        open_to = (self.chains > 0).astype(np.int64) @ ~cells.closed > 0
        self.open_left = np.cumsum(open_to[:, ::-1], axis=1)[:, ::-1].astype(np.float32)
        self.shut: Ints = bit @ cells.closed

    def plans(self, random: np.random.Generator, breathe: Callable[[float], None]) -> Iterator[Bools]:
        """One plan a round: which cells are on at which channels. The caller stops when content."""
        channels = self.cells.closed.shape[1]
        most = max(4, WORK // (channels * len(self.mask) * len(self.chains)))
        least, idle = np.inf, 0
        for turn in itertools.count():
            kept, power, shaken = ROUNDS[turn % len(ROUNDS)]
            share = idle / IDLE_ROUNDS
            on = self._plan(
                min(kept, most), power, shaken * power / channels, random, partial(breathe, share)
            )
            yield on
            out = float((self.cells.count - on.sum(axis=1)) @ self.cells.weight)
            least, idle = min(least, out), 0 if out < least else idle + 1
            if idle > IDLE_ROUNDS:
                return

    def _plan(
        self, kept: int, power: int, noise: float, random: np.random.Generator, breathe: Callable[[], None]
    ) -> Bools:
        cells = self.cells
        m, channels = cells.closed.shape
        count = cells.count[None].copy()
        shut = np.zeros((1, self.ahead.shape[1]), np.int64)
        need = (count @ self.chains.T).astype(np.float32)
        top = np.full(need.shape, -1e9, np.float32)  # where the last carrier of each chain ends
        names = random.integers(1, 1 << 60, m + shut.shape[1])
        history: list[tuple[Ints, Ints]] = []
        for channel in range(channels):
            breathe()
            free = (count > 0) @ self.bit & ~(shut[:, 0] | self.shut[channel])
            plan, chosen = np.nonzero(self.mask & ~free[:, None] == 0)
            takes = self.takes[chosen]
            after = need[plan] - takes
            end = np.where(takes > 0, channel + takes / 2, top[plan])
            price = self._fullness(channel, after, end, power)
            if noise:
                price *= 1 + noise * random.random(len(price))
            best = (
                np.argpartition(price, 3 * kept)[: 3 * kept]
                if len(price) > 3 * kept
                else np.arange(len(price))
            )
            best = best[np.argsort(price[best], kind="stable")]
            left = count[plan[best]] - self.taken[chosen[best]]
            later = np.zeros((len(best), shut.shape[1]), np.int64)
            later[:, :-1] = (shut[plan[best]] | self.ahead[chosen[best]])[:, 1:]
            # Plans that differ only in how they came here go on alike.
            _, first = np.unique(left @ names[:m] + later @ names[m:], return_index=True)
            first = np.sort(first)[:kept]
            best = best[first]
            count, shut, need, top = left[first], later[first], after[best], end[best]
            history.append((plan[best], chosen[best]))
        at = int((count @ cells.weight).argmin())
        on = np.zeros((m, channels), bool)
        for channel in range(channels - 1, -1, -1):
            before, chosen = history[channel]
            on[:, channel] = self.taken[chosen[at]]
            at = int(before[at])
        return on

    def _fullness(self, channel: int, need: Singles, top: Singles, power: int) -> Singles:
        """How full the chains are from the next channel on, the fullest counting most."""
        next_up = channel + 1
        left = (
            self.open_left[:, next_up]
            if next_up < self.open_left.shape[1]
            else np.zeros(len(self.widest), np.float32)
        )
        below = np.maximum(top - next_up, -self.widest / 2)
        room = left - 1 + self.widest / 2 - below
        full = np.clip(need / np.maximum(room, np.float32(0.5)), 0, FULLEST)
        if power % 3 == 0:
            full, power = full * np.sqrt(full), power * 2 // 3
        while power > 1:
            full *= full
            power //= 2
        return np.asarray(full.sum(axis=1))


def sweep(cells: Demand) -> Sweep | None:
    """The sweep of a problem; None where there are too many cells, channels or ways to share one."""
    m, channels = cells.closed.shape
    if not 2 <= m <= MOST_CELLS or channels > MOST_CHANNELS:
        return None
    several = cells.count > 1
    if (cells.apart.diagonal()[several] < 1).any() or not cells.apart.any():
        return None
    sets = _sharing(cells.apart > 0)
    return Sweep(cells, sets) if sets else None


def _sharing(near: Bools) -> list[tuple[int, ...]]:
    """Every set of cells of which no two are near each other, the empty one included; [] if there are too many."""
    found: list[tuple[int, ...]] = []
    waiting: list[tuple[tuple[int, ...], list[int]]] = [((), list(range(len(near))))]
    while waiting:
        members, others = waiting.pop()
        found.append(members)
        if len(found) > MOST_SETS:
            return []
        for k, i in enumerate(others):
            waiting.append(((*members, i), [j for j in others[k + 1 :] if not near[i, j]]))
    return found


def _chains(cells: Demand) -> Floats:
    """[chains, cells]: for cliques of cells a width for each member: all alike, and as wide as possible in all."""
    near = cells.apart > 0
    rows: dict[bytes, Floats] = {}

    def keep(members: list[int], width: Floats) -> None:
        row = np.zeros(len(near))
        row[members] = width
        if row.any():
            rows.setdefault(row.tobytes(), row)

    for i in range(len(near)):
        keep([i], np.array([float(cells.apart[i, i] or 1)]))
    for members in [*_around(cells), *_cliques(near)]:
        need = cells.apart[np.ix_(members, members)]
        keep(members, widths(cells.count[members], need))
        keep(members, np.full(len(members), float(need[~np.eye(len(need), dtype=bool)].min(initial=10**9))))
        if len(rows) >= MOST_CHAINS:
            break
    return np.array(list(rows.values())[:MOST_CHAINS])


def _around(cells: Demand) -> Iterator[list[int]]:
    """For each cell a clique of those that owe it most, the most demanding first."""
    near = cells.apart > 0
    for i in range(len(near)):
        members = [i]
        for j in np.lexsort((-cells.count, -cells.apart[i])):
            if j != i and cells.apart[i, j] > 1 and near[j, members].all():
                members.append(int(j))
        if len(members) > 1:
            yield members


def _cliques(near: Bools) -> Iterator[list[int]]:
    """Maximal cliques of two cells and more (Bron and Kerbosch, Commun. ACM 16 (1973); from memory)."""
    neighbours = [set(np.flatnonzero(row).tolist()) - {i} for i, row in enumerate(near)]
    waiting: list[tuple[set[int], set[int], set[int]]] = [(set(), set(range(len(near))), set())]
    while waiting:
        members, others, done = waiting.pop()
        if not others and not done:
            if len(members) > 1:
                yield sorted(members)
            continue
        pivot = max(sorted(others | done), key=lambda i: len(neighbours[i] & others))
        for i in sorted(others - neighbours[pivot]):
            waiting.append((members | {i}, others & neighbours[i], done & neighbours[i]))
            others, done = others - {i}, done | {i}


def on_a_lattice(channels_hz: Ints, closed: Bools) -> tuple[int, Ints, Bools]:
    """(step in hertz, place of each channel, what is closed at each place) for channels of any spacing."""
    step = math.gcd(*np.diff(channels_hz).tolist()) if len(channels_hz) > 1 else 1
    at = (channels_hz - channels_hz[0]) // step
    if at[-1] >= MOST_CHANNELS:
        return step, at, np.ones((len(closed), 0), bool)
    spread = np.ones((len(closed), int(at[-1]) + 1), bool)
    spread[:, at] = closed
    return step, at, spread
