"""Carriers that are all alike and all suffer from each other's third-order products: marks on one ruler, as bits of integers.

Forbidden are equal differences (A+B−C) and equal neighbouring differences (2A−B), to within a guard. Marks are set from the
lowest up by beam search: of all rulers begun, those are kept that leave the most positions open; the beam widens until all
marks are set, the patience is over or somebody asks to stop.
"""

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from apps.solver.arrays import Arrays, Bools, Ints
from apps.solver.problem import ProductRule, linear
from apps.solver.rulers import Rulers, near

BEAMS = (
    (1, 8),
    (16, 8),
    (128, 8),
    (1000, 12),
    (6000, 24),
    (20_000, 40),
)  # rulers kept, positions tried as the next mark
PATIENCE = 50_000_000  # bits of rulers tried, after which the beam is not widened again
PROOF = 20_000  # marks tried for knowing how long the rest of a ruler must be
FAMILIES = ("2A-B", "A+B-C")


@dataclass(frozen=True)
class Ruler:
    """Positions that are open, how far apart marks must be, and the guards of 2A−B and A+B−C; all in steps (0: no guard)."""

    open: int
    spacing: int
    two: int
    three: int


def place(arrays: Arrays, breathe: Callable[[], None]) -> Iterator[list[int]]:
    """Frequencies in hertz for more and more carriers, as they are found; none where the carriers are not alike and coupled."""
    coupled = ruler_of(arrays)
    if coupled is not None:
        ruler, points = coupled
        for found in more_marks(ruler, arrays.n, breathe):
            yield [int(points[mark]) for mark in found]


def ruler_of(arrays: Arrays) -> tuple[Ruler, Ints] | None:
    """The ruler of a problem and the frequencies of its positions, or None if its carriers are not all alike and coupled."""
    problem, carriers = arrays.problem, arrays.carriers
    rules = [rule for rule in problem.products if rule.treatment == "forbid"]
    if len(carriers) < 3 or not rules or problem.pairs or problem.spans or arrays.fixed.any() or arrays.named:
        return None
    alike = {
        (c.tuning, c.zone, c.sent_from, c.received_in, c.kind, c.bandwidth_hz, c.slots, c.level_db)
        for c in carriers
    }
    if len(alike) > 1 or any(c.previous_hz is not None or not c.mixes for c in carriers):
        return None
    points = arrays.raster(0)
    if (
        len(points) < 2
        or len(set(np.diff(points))) > 1
        or not all(_always_hits(arrays, rule) for rule in rules)
    ):
        return None
    step = int(points[1] - points[0])
    guard = {f: max((-(-r.guard_hz // step) for r in rules if r.family == f), default=0) for f in FAMILIES}
    spacing = -(-int(arrays.spacing_hz[arrays.kind_of[0], arrays.kind_of[0]]) // step)
    # Only then no products but those of neighbouring differences come near a mark.
    if spacing < 1 or 3 * spacing < guard["2A-B"] or 2 * spacing < guard["A+B-C"]:
        return None
    return Ruler(_as_bits(arrays.open_points(0)), spacing, guard["2A-B"], guard["A+B-C"]), points


def _always_hits(arrays: Arrays, rule: ProductRule) -> bool:
    """Whether any product of the family is over the limit for any of these carriers, where they are received."""
    carrier = arrays.carriers[0]
    if rule.family not in FAMILIES or rule.made_in != "receivers":
        return False
    if rule.kinds is not None and carrier.kind not in rule.kinds:
        return False
    for zone in arrays.problem.zones:
        if zone.id in carrier.received_in and (rule.zones is None or zone.id in rule.zones):
            heard = [zone.hears[k] for k in carrier.sent_from if k in zone.hears]
            if heard and not zone.passband and linear(3 * (max(heard) + carrier.level_db)) > rule.limit:
                return True
    return False


def _as_bits(marked: Bools) -> int:
    return int.from_bytes(np.packbits(marked, bitorder="little").tobytes(), "little")


def more_marks(ruler: Ruler, wanted: int, breathe: Callable[[], None]) -> Iterator[list[int]]:
    """Positions for as many marks as are found, `wanted` at the most; each time for more than before."""
    length = ruler.open.bit_length() - 1
    shortest = Rulers(ruler.spacing, ruler.two, ruler.three, nodes=PROOF)
    wanted = min(wanted, shortest.holds(length, wanted))
    most, tried = 0, 0
    for width, branches in BEAMS:
        found, marks = _beam(ruler, wanted, width, branches, shortest.shortest, breathe)
        tried += marks
        if len(found) > most:
            most = len(found)
            yield found
        if most == wanted or tried * length > PATIENCE:
            return


@dataclass(frozen=True, slots=True)
class _Begun:
    """A ruler begun: its marks, the open positions above them, the differences, and its marks mirrored."""

    marks: tuple[int, ...]
    free: int
    differences: int
    mirror: int


def _beam(
    ruler: Ruler, wanted: int, width: int, branches: int, shortest: list[int], breathe: Callable[[], None]
) -> tuple[list[int], int]:
    """(marks, how many were tried)"""
    tried = 0
    length = ruler.open.bit_length()
    beam = [_Begun((), ruler.open, 0, 0)]
    best: tuple[int, ...] = ()
    for left in range(wanted, 0, -1):
        # A mark above this leaves too little for the rest; but as many as go are better than none.
        highest = length - 1 - shortest[left] if len(beam) > 1 else length
        grown: list[tuple[int, _Begun]] = []
        for begun in beam:
            breathe()
            free = begun.free
            for _ in range(branches):
                mark = (free & -free).bit_length() - 1
                if mark < 0 or mark > highest:
                    break
                free &= free - 1
                after = _with_mark(ruler, begun, mark, length)
                grown.append((after.free.bit_count(), after))
        tried += len(grown)
        if not grown:
            break
        grown.sort(key=lambda entry: -entry[0])
        beam = [after for _, after in grown[:width]]
        best = beam[0].marks
    return list(best), tried


def _with_mark(ruler: Ruler, begun: _Begun, mark: int, length: int) -> _Begun:
    fresh = begun.mirror >> (length - mark)
    struck = 0
    if ruler.three:
        struck |= near(begun.differences << mark, ruler.three)
    if ruler.two:
        struck |= near(fresh << mark, ruler.two)
    free = begun.free & ~struck & (-1 << (mark + ruler.spacing))
    return _Begun((*begun.marks, mark), free, begun.differences | fresh, begun.mirror | 1 << (length - mark))
